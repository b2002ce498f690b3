package orchestrator

import (
	"fmt"
	"time"

	"rundown/devices"
)

// needsHand says what a person has to do about a handset, a sentence each, the most urgent
// first; beside what it waits for, what has stopped its run and why it is set aside.
func (d *Daemon) needsHand(s HandsetStatus) []string {
	var list []string
	if u := s.Unwanted; u != nil {
		list = append(list, "unplug it, or cut its power by hand: "+sayUnwanted(*u)+". Nothing is carried out on it until it shows that power is gone")
	}
	if !s.LinkLostAt.IsZero() && !s.Idles() && d.now().Sub(s.LinkLostAt) >= LinkLostLong {
		list = append(list, sayLinkLost(s))
	}
	if s.Idles() {
		if p := s.Parking; p != nil && p.State == ParkGivenUp {
			list = append(list, fmt.Sprintf("charge it to %d %% for storage, by hand: %s", p.ToPct, p.Why))
		}
		if d.isLow(s.Name) {
			list = append(list, fmt.Sprintf("level %d %%, and nothing is under way: %s", s.LevelPct, lowLevelAdvice))
		}
	}
	if o := s.Owed; o != nil && o.Tries > 0 {
		list = append(list, "its settings are "+o.Say(s.Name))
	}
	return list
}

// LinkLostLong is how long a link may be lost in a run before a person is to look at it: what
// the handset measures goes on meanwhile, and a link that comes back by itself has come back by then.
const LinkLostLong = time.Hour

func sayLinkLost(s HandsetStatus) string {
	text := "look at its link, which has been lost since " + devices.At(s.LinkLostAt)
	if s.Advice != "" {
		text += ": " + s.Advice
	}
	return text
}
