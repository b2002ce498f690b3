package orchestrator

import "fmt"

// needsHand says what a person has to do about a handset, a sentence each, the most urgent
// first; beside what it waits for, what has stopped its run and why it is set aside.
func (d *Daemon) needsHand(s HandsetStatus) []string {
	var list []string
	if u := s.Unwanted; u != nil {
		list = append(list, "unplug it, or cut its power by hand: "+sayUnwanted(*u)+". Nothing is carried out on it until it shows that power is gone")
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
