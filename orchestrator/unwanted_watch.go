package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"rundown/devices"
	"rundown/devices/gates"
	"rundown/orchestrator/notices"
	"rundown/scenarios"
)

const (
	powerTick     = 15 * time.Second // between two looks at power that should not be
	powerIdle     = 2 * time.Minute  // between two turns of a watcher that has nothing to do
	closeFirst    = 30 * time.Second // pause before a gate is closed again, which doubles
	closeMost     = 15 * time.Minute
	askPowerLimit = 12 * time.Hour
	askPowerAgain = time.Hour // after a person has said that it cannot be done
)

// Answers to the question to unplug a handset. The first two are those of a gate that a
// person moves.
const (
	unplugged   = gates.Done
	cannotPull  = gates.Cannot
	leaveCharge = "leave it on charge"
)

// powerWatcher is the watcher of one handset's power. It has nothing to do unless power is
// there that should not be; then it reads on when nobody else does, has a person asked,
// closes the gate again, and holds the limits for charging.
func (d *Daemon) powerWatcher(ctx context.Context, h scenarios.Handset) {
	asked := make(chan struct{}) // closed when the question at hand has its answer
	close(asked)
	defer func() { <-asked }()
	s := d.powers.by[h.Name]
	var power lookout // while a run waits, perhaps for hours
	defer power.stop()
	for ctx.Err() == nil {
		waits := false
		d.withPower(h.Name, func(s *powerState) bool { waits = s.waits; return false })
		if !waits {
			power.stop()
		} else if _, err := d.linkTo(h); err == nil && power.calls(d.now()) {
			d.readSoon(h.Name)
		}
		suspect := d.watchPowerOnce(ctx, h)
		if waits {
			power.listen(ctx, d, h)
		}
		if ctx.Err() == nil && d.toAsk(h) {
			asked = d.askToUnplug(ctx, h)
		}
		pause := powerIdle
		d.withPower(h.Name, func(s *powerState) bool {
			if suspect || s.run != "" {
				pause = powerTick
			}
			if !s.since.IsZero() && s.Unwanted == nil { // the grace ends before that, perhaps
				pause = max(min(pause, s.since.Add(unwantedGrace).Sub(d.now())), time.Second)
			}
			return false
		})
		nap := d.sleeping(ctx, pause)
		select {
		case <-s.wake:
		case <-nap.done:
		}
		nap.end()
	}
}

// watchPowerOnce is one turn of a watcher. It reports whether there is power to be watched.
func (d *Daemon) watchPowerOnce(ctx context.Context, h scenarios.Handset) (suspect bool) {
	now, stale, due, shut, measures := d.now(), false, "", false, false
	held := d.heldBy(h.Name) != nil // then what power is there is for its holder to mind
	d.tell(h.Name, func(s *HandsetStatus) { measures = State(s.State).Measures() })
	d.withPower(h.Name, func(s *powerState) (keep bool) {
		if s.since.After(now) { // the host's clock was set back
			s.since = now
		}
		if s.onFrom.After(now) {
			s.onFrom = now
		}
		if s.run != "" && s.on && !s.since.IsZero() && now.Sub(s.since) >= unwantedGrace && s.Unwanted == nil && !held {
			due = d.whyInRun(h, s)
		}
		suspect = s.Unwanted != nil || !s.since.IsZero()
		every, read := s.readEvery(measures)
		stale = read && (s.seenAt.IsZero() || now.Sub(s.seenAt).Abs() >= every)
		return false
	})
	if stale {
		d.readPower(ctx, h) // in a run that measures nothing just now, or between runs
	}
	d.withPower(h.Name, func(s *powerState) (keep bool) {
		if due != "" && !s.since.IsZero() && !s.due && s.Unwanted == nil {
			d.notWanted(h, s, due)
			keep = true
		}
		shut = s.Unwanted != nil && !s.due && (!now.Before(s.Unwanted.NextTry) || s.Unwanted.NextTry.Sub(now) > closeMost)
		return keep
	})
	if (d.holdLimits(h) || shut) && d.heldBy(h.Name) == nil {
		d.closeAgain(ctx, h)
	}
	return suspect
}

// inRunEvery is how often a handset's power is read in a run while nobody else reads it.
const inRunEvery = 25 * time.Second

// readEvery is how often the watcher reads the handset when nobody else does. While a
// segment measures, its recorder reads; one that rests is read by nobody, since that may
// wake it; between runs its actor reads it.
func (s *powerState) readEvery(measures bool) (every time.Duration, read bool) {
	switch {
	case s.Unwanted != nil:
		return powerTick, true
	case s.run == "" || s.rests || measures:
		return 0, false
	case !s.since.IsZero():
		return powerTick, true
	case s.waits: // with its screen off, perhaps for hours
		return idleEvery, true
	}
	return inRunEvery, true
}

// readLimit bounds a reading of a handset's battery, in real time.
const readLimit = 20 * time.Second

// readPower reads a handset's battery once, if it is in reach and no other daemon holds it,
// which may be resting it.
func (d *Daemon) readPower(ctx context.Context, h scenarios.Handset) {
	l, err := d.linkTo(h)
	if err != nil || d.heldBy(h.Name) != nil {
		return
	}
	bounded, cancel := context.WithTimeout(ctx, readLimit)
	defer cancel()
	b, err := devices.ReadBattery(bounded, l)
	if err == nil {
		d.sawBattery(h, b)
	} else if ctx.Err() == nil {
		d.log.Warn().Err(err).Str("handset", h.Name).Msg("the battery could not be read")
	}
}

// holdLimits holds the limits for charging on power that should not be, and reports
// whether one was passed just now. Each is told once.
func (d *Daemon) holdLimits(h scenarios.Handset) (passed bool) {
	var said string
	var u Unwanted
	d.withPower(h.Name, func(s *powerState) bool {
		if s.Unwanted == nil || !s.on || s.due {
			return false
		}
		switch {
		case s.tempC == nil && !s.Unwanted.Hot:
			said, s.Unwanted.Hot = "gives no battery temperature while it has power, and must not be charged unwatched without one", true
		case s.tempC != nil && *s.tempC >= s.tempLimitC && !s.Unwanted.Hot:
			said, s.Unwanted.Hot = fmt.Sprintf("battery at %.1f °C with power that does not go (limit %.1f)", *s.tempC, s.tempLimitC), true
		case float64(s.levelPct) >= s.levelLimitPct && !s.Unwanted.Full:
			said, s.Unwanted.Full = fmt.Sprintf("level %d %% with power that does not go, as high as any plan charges it", s.levelPct), true
		default:
			return false
		}
		u = *s.Unwanted
		s.note(d.now(), said)
		return true
	})
	if said == "" {
		return false
	}
	d.log.Error().Str("handset", h.Name).Str("run", u.Run).Msg(said)
	d.notify(notices.Notice{
		Cause: fmt.Sprintf("power %s %d %t %t", h.Name, u.Since.UnixNano(), u.Hot, u.Full), Kind: scenarios.NoticeLimit, Title: fmt.Sprintf("%s: unplug it: %s", h.Name, said),
		Text: fmt.Sprintf("%s: %s. Unplug it now, or cut its power by hand; %s.", h.Name, said, sayUnwanted(u)), Handset: h.Name, Run: u.Run,
	})
	return true
}

// chargeLimits are the limits for power that no plan asks for: the lowest battery
// temperature, °C, at which any plan of the file cuts power, and the highest level, %, to
// which any charges the handset.
func chargeLimits(f scenarios.File, h scenarios.Handset) (tempC, levelPct float64) {
	tempC, levelPct = math.Inf(1), 0
	for _, p := range f.Plans {
		tempC = min(tempC, p.RechargeStopTempC)
		o := Order{Plan: p, Scenarios: f.Scenarios}
		for i, at := range o.list() {
			top := rechargeTo(o.startWindow(h, i))
			if at.EndsBy(f.Scenarios[at.Scenario]) == scenarios.UntilFull || at.DrainTo > 0 {
				top = 100
			}
			levelPct = max(levelPct, top)
		}
	}
	if len(f.Plans) == 0 {
		return scenarios.DefaultRechargeStopTempC, 100
	}
	return tempC, levelPct
}

// closeAgain closes the gate of a handset with power that should not be, once.
func (d *Daemon) closeAgain(ctx context.Context, h scenarios.Handset) {
	gate := d.gateItself(h.Name) // the handset's word is read all the while
	s := d.powers.by[h.Name]
	if !switches(gate) {
		return // a person moves it
	}
	select {
	case s.gate <- struct{}{}:
	default:
		return // somebody is moving it
	}
	defer func() { <-s.gate }()
	wanted := true
	d.withPower(h.Name, func(s *powerState) bool { wanted = s.due || s.Unwanted == nil; return false })
	if wanted {
		return
	}
	bounded, cancel := context.WithTimeout(ctx, gateLimit)
	defer cancel()
	err := gate.Close(bounded)
	if ctx.Err() != nil {
		return
	}
	d.withPower(h.Name, func(s *powerState) bool {
		u := s.Unwanted
		if err == nil {
			s.Told = toldClosed
		}
		if u == nil {
			return err == nil
		}
		if u.Said = ""; err != nil {
			u.Said = why(err)
		}
		u.NextTry = d.now().Add(min(closeFirst<<min(u.Closings, 10), closeMost))
		u.Closings++
		s.seenAt = time.Time{} // to be read at the next turn
		return true
	})
	d.log.Warn().Err(err).Str("handset", h.Name).Str("gate", gate.Name()).Msg("the power gate was told to close again")
}

// toAsk reports whether a person is to be asked now. One whom the gate itself has asked is
// not asked twice; of a handset that another daemon holds, that one asks.
func (d *Daemon) toAsk(h scenarios.Handset) (ask bool) {
	now := d.now()
	d.withPower(h.Name, func(s *powerState) bool {
		u := s.Unwanted
		ask = u != nil && s.asking == nil && (!now.Before(u.AskAfter) || u.AskAfter.Sub(now) > askPowerLimit)
		return false
	})
	return ask && d.heldBy(h.Name) == nil && !d.stands(func(s *promptAtHand) bool {
		return s.asked && s.rec.Handset == h.Name && s.rec.Text == gates.TextToUnplug(h.Name)
	})
}

// askToUnplug asks a person to unplug the handset, and waits for the answer by itself. The
// question is the same as before a restart.
func (d *Daemon) askToUnplug(ctx context.Context, h scenarios.Handset) (asked chan struct{}) {
	asked = make(chan struct{})
	ctx, withdraw := context.WithCancelCause(ctx)
	var u *Unwanted
	d.withPower(h.Name, func(s *powerState) bool {
		if u = s.Unwanted; u != nil {
			copied := *u
			u, s.asking = &copied, withdraw
		}
		return false
	})
	if u == nil {
		close(asked)
		withdraw(nil)
		return asked
	}
	q := Prompt{
		Handset: h.Name, Run: u.Run, Text: gates.TextToUnplug(h.Name), Why: sayUnwanted(*u) + ". Nothing is carried out on it until it shows that power is gone",
		Limit: askPowerLimit, Choices: []string{unplugged, cannotPull, leaveCharge}, Default: cannotPull,
	}
	p, err := d.openPrompt(q) // here, so that nobody else ends it as one for which nobody waits
	go func() {
		defer close(asked)
		defer withdraw(nil)
		var answer Answer
		if err == nil {
			answer, err = d.awaitAnswer(ctx, p, q)
		}
		d.heardOfPower(h, answer, err, ctx.Err() != nil)
	}()
	return asked
}

// errAskedByGate is why a question is withdrawn that a run asks by itself.
var errAskedByGate = errors.New("its run asks by itself")

// askedByGate withdraws the question to unplug a handset when its run begins to ask one by
// itself: a person is asked once for one thing.
func (d *Daemon) askedByGate(h scenarios.Handset) {
	d.withPower(h.Name, func(s *powerState) bool {
		if s.asking != nil {
			s.asking(errAskedByGate)
		}
		return false
	})
}

// askedBefore takes up the question that stood when the daemon stopped, before anybody ends
// it as one for which nobody waits. It returns nil where none did.
func (d *Daemon) askedBefore(ctx context.Context, h scenarios.Handset) chan struct{} {
	u := d.unwantedOn(h.Name)
	if u == nil || !d.stands(func(s *promptAtHand) bool {
		return !s.asked && s.rec.Handset == h.Name && s.rec.RunID == u.Run && s.rec.Text == gates.TextToUnplug(h.Name)
	}) {
		return nil
	}
	return d.askToUnplug(ctx, h)
}

// heardOfPower takes in what a person said about power that should not be.
func (d *Daemon) heardOfPower(h scenarios.Handset, a Answer, err error, over bool) {
	if err != nil && !over {
		d.log.Error().Err(err).Str("handset", h.Name).Msg("a person could not be asked to unplug it; tried again")
	}
	var end func()
	d.withPower(h.Name, func(s *powerState) (keep bool) {
		s.asking = nil
		u, now := s.Unwanted, d.now()
		switch {
		case u == nil || over:
			return false
		case err != nil:
			u.AskAfter = now.Add(time.Minute)
		case a.ByDefault:
			u.AskAfter = now
		case a.Choice == unplugged:
			s.note(now, a.By+" said that it is unplugged; the handset has yet to show it")
			u.AskAfter = now.Add(powerPatience)
		case a.Choice == leaveCharge:
			s.note(now, "left on charge by "+a.By)
			end, _ = d.endUnwanted(h, s, "left on charge by "+a.By, nil)
			s.Left, s.Told = &leftOnCharge{By: a.By, At: now.UTC()}, ""
		default:
			s.note(now, a.By+" said that it cannot be unplugged")
			u.AskAfter = now.Add(askPowerAgain)
		}
		s.nudge()
		return true
	})
	if end != nil {
		end()
	}
}

// powerHolds says what a handset's next plan waits for on account of power, or "".
func (d *Daemon) powerHolds(h scenarios.Handset, it Item) (waitsFor string) {
	window := it.Order.startWindow(h, 0)
	d.withPower(h.Name, func(s *powerState) bool {
		switch u := s.Unwanted; {
		case u != nil:
			waitsFor = fmt.Sprintf("its power (%s) to be gone; until it shows that, nothing is carried out on it", u.Sources)
		case s.Left != nil && s.on:
			waitsFor = fmt.Sprintf("it to be unplugged: it was left on charge by %s at %s", s.Left.By, s.Left.At.Local().Format("15:04"))
		case s.on && d.gates[h.Name] == nil && float64(s.levelPct) < window.Least:
			waitsFor = fmt.Sprintf("its level, %d %%, to come to %g %% on a charger that nothing here switches", s.levelPct, window.Least)
		}
		return false
	})
	return waitsFor
}

// chargesUnbidden says why power between two runs should not be; "" where the handset is on
// charge. It is called with powers.mu held; due is what is queued for it and may begin.
func (d *Daemon) chargesUnbidden(h scenarios.Handset, s *powerState, due *Item) string {
	gate := d.gates[h.Name]
	itself := switches(gate)
	switch {
	case s.tempC != nil && *s.tempC >= s.tempLimitC:
		return fmt.Sprintf("its battery is at %.1f °C on a charger (limit %.1f)", *s.tempC, s.tempLimitC) + d.whoCuts(h, s.Told)
	case s.Left != nil:
		return ""
	case s.Park != nil && s.levelPct < s.Park.ToPct && (s.Park.State == ParkGivenUp || !itself):
		return "" // a person charges it for storage, as they were asked to
	case s.Park != nil && !itself && s.Park.State == ParkParked && s.levelPct < s.Park.ToPct+parkTopUp:
		return fmt.Sprintf("it has come to the %d %% at which plan %s parks it", s.Park.ToPct, s.Park.Plan)
	case itself && s.Told == toldClosed:
		return "its power gate, " + gate.Name() + ", was told to close and says that it has; somebody may have plugged another charger in"
	case itself && s.Told == toldOpen:
		return "its power gate, " + gate.Name() + ", was opened for something that is over"
	case gate == nil && due != nil && float64(s.levelPct) >= due.Order.startWindow(h, 0).Least:
		return fmt.Sprintf("plan %s is queued for it, and nothing here can cut its power", due.Plan)
	}
	return ""
}

// pendingNotes takes what is to be noted on runs that are over.
func (d *Daemon) pendingNotes(handset string) (notes []runNote) {
	d.withPower(handset, func(s *powerState) bool {
		notes, s.Notes = slices.Clone(s.Notes), nil
		return len(notes) > 0
	})
	return notes
}
