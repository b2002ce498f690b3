package orchestrator

import (
	"context"
	"fmt"
	"time"

	"rundown/devices"
	"rundown/orchestrator/notices"
	"rundown/scenarios"
)

// How often a handset that nobody drives is read: one battery reading. Each may wake a
// handset that sleeps, and costs it a little charge, so that it is seldom where nothing
// hangs on it.
const (
	idleEvery     = 5 * time.Minute
	chargingEvery = time.Minute     // with power, for the limits
	afterRunEvery = time.Minute     // for so long after a run:
	afterRun      = 5 * time.Minute // a gate may let power through a moment after it has closed
)

// Levels at which an idle handset is told to be low, and not to be any more, %. Common
// practice, no source: most systems themselves warn at 15 %.
const (
	lowLevelPct    = 15
	lowNoMorePct   = 20
	lowLevelAdvice = "charge it before it runs flat: a lithium cell left empty suffers"
)

// mindHandset looks after a handset between two runs: it is read every so often, power that
// should not be is found and handed to its watcher, and a low level is told. due is what is
// queued for it and may begin; nil: nothing.
func (d *Daemon) mindHandset(ctx context.Context, h scenarios.Handset, l devices.Link, due *Item) {
	for _, n := range d.pendingNotes(h.Name) {
		d.addNote(n.Run, n.Is)
	}
	if l == nil || !d.toRead(h, due) || !d.engaged.take(h.Name) {
		return
	}
	bounded, cancel := context.WithTimeout(ctx, readLimit)
	by, err := d.heldElsewhere(bounded, h)
	cancel()
	if err == nil && by == nil { // else it may be measured there
		d.readPower(ctx, h)
	}
	d.engaged.give(h.Name)
	d.judgePower(h, due)
	d.judgeLevel(h)
}

// heldBy is the other daemon that holds a handset, as it was seen last; nil: none does.
func (d *Daemon) heldBy(handset string) (by *HeldBy) {
	d.tell(handset, func(s *HandsetStatus) { by = s.HeldBy })
	return by
}

// toRead reports whether the handset is to be read now.
func (d *Daemon) toRead(h scenarios.Handset, due *Item) (read bool) {
	now := d.now()
	d.withPower(h.Name, func(s *powerState) bool {
		every := idleEvery
		switch {
		case s.Unwanted != nil, s.due, s.on && (due != nil || s.tempC != nil && *s.tempC > s.tempLimitC-heatHeadroomC):
			every = d.pollEvery
		case s.on:
			every = chargingEvery
		case !s.runEnded.IsZero() && now.Sub(s.runEnded).Abs() < afterRun:
			every = afterRunEvery
		}
		read = s.seenAt.IsZero() || now.Sub(s.seenAt).Abs() >= every
		return false
	})
	return read
}

// judgePower decides whether power that was read between two runs should be there.
func (d *Daemon) judgePower(h scenarios.Handset, due *Item) {
	held := d.heldBy(h.Name)
	d.withPower(h.Name, func(s *powerState) bool {
		if !s.on || s.due || s.Unwanted != nil || held != nil { // another daemon may be charging it
			return false
		}
		because := d.chargesUnbidden(h, s, due)
		if because == "" {
			return false
		}
		d.notWanted(h, s, because)
		return true
	})
}

// judgeLevel tells, once each time, that the level of a handset which nobody drives is low.
func (d *Daemon) judgeLevel(h scenarios.Handset) {
	level, since := 0, time.Time{}
	d.withPower(h.Name, func(s *powerState) bool {
		switch low := !s.LowSince.IsZero(); {
		case s.seenAt.IsZero() || low && !s.on && s.levelPct < lowNoMorePct:
			return false
		case low:
			s.LowSince = time.Time{}
			return true
		case s.on || s.levelPct > lowLevelPct:
			return false
		}
		level, since = s.levelPct, d.now()
		s.LowSince = since
		return true
	})
	if since.IsZero() {
		return
	}
	d.log.Warn().Str("handset", h.Name).Int("level_pct", level).Msg("the level is low, and nothing is under way that would charge it")
	d.publish(Change{Kind: "level", Handset: h.Name, Text: fmt.Sprintf("level %d %%, and nothing is under way: %s", level, lowLevelAdvice)})
	d.notify(notices.Notice{
		Cause: fmt.Sprintf("low %s %d", h.Name, since.UnixNano()), Kind: scenarios.NoticeLimit, Title: fmt.Sprintf("%s: level %d %%", h.Name, level),
		Text: fmt.Sprintf("%s is at %d %% (told at %d %%), on battery, and nothing is under way on it: %s.", h.Name, level, lowLevelPct, lowLevelAdvice), Handset: h.Name,
	})
}

func (d *Daemon) isLow(handset string) (low bool) {
	d.withPower(handset, func(s *powerState) bool { low = !s.LowSince.IsZero() && !s.on; return false })
	return low
}

// readSoon has the handset read at its actor's next turn.
func (d *Daemon) readSoon(handset string) {
	d.withPower(handset, func(s *powerState) bool { s.seenAt = time.Time{}; return false })
}
