package orchestrator

import (
	"context"
	"fmt"
	"time"

	"rundown/devices"
	"rundown/orchestrator/notices"
	"rundown/results"
	"rundown/scenarios"
)

// Parking is bringing a handset to a level for storage after a run whose plan says so, and
// keeping it near that. It is charged up to the level through its power gate, by the plan's
// limits for a recharge, whenever nothing is due on it, and never drained for it. The gate
// moves bare: that it has closed is for the handset to show, at its next reading, and power
// that stays is power that should not be, as anywhere else.

// parkTopUp is by how many percentage points a parked handset may sink before it is charged
// again. Common practice, no source: fewer would charge it each day, more would let one that
// draws much come near empty between two weeks.
const parkTopUp = 10

const (
	parkUnread  = 2 * time.Minute  // for which a handset that is charged may not be read
	parkNoPower = 3 * time.Minute  // for power to come once the gate was opened
	parkAgain   = 15 * time.Minute // after a try that failed
	parkTries   = 3                // in a row, before a person is told
)

// Where parking stands.
const (
	ParkWaits    = "waits"
	ParkCharging = "charging"
	ParkCools    = "cools"
	ParkParked   = "parked"
	ParkGivenUp  = "given up"
)

// Parking is how a handset stands that its plan parks.
type Parking struct {
	Run         string    `json:"run" doc:"the run whose plan parks it"`
	Plan        string    `json:"plan"`
	ToPct       int       `json:"to_pct" doc:"the level for storage, %"`
	StopTempC   float64   `json:"stop_temp_c" doc:"battery temperature at which power is cut, °C"`
	LimitS      float64   `json:"limit_s" doc:"the longest that it may be charged, s"`
	State       string    `json:"state" enum:"waits,charging,cools,parked,given up"`
	Why         string    `json:"why,omitempty" doc:"what it waits for, or why it was given up"`
	FromPct     int       `json:"from_pct,omitempty" doc:"level at which charging began, %"`
	ChargedFrom time.Time `json:"charged_from,omitzero" doc:"when charging began"`
	ParkedPct   int       `json:"parked_pct,omitempty" doc:"level at which it was parked, %"`
	ParkedAt    time.Time `json:"parked_at,omitzero"`
	Failed      int       `json:"failed,omitempty" doc:"tries in a row that did not charge it"`
	NextTry     time.Time `json:"next_try,omitzero"`
}

// Say says for a person how it stands; levelPct is the handset's level, %.
func (p Parking) Say(levelPct int) string {
	switch p.State {
	case ParkCharging:
		return fmt.Sprintf("charged to %d %% for storage", p.ToPct)
	case ParkCools:
		return fmt.Sprintf("cools, then is charged to %d %% for storage", p.ToPct)
	case ParkParked:
		if levelPct > p.ToPct+1 { // gauges go on for a point after power has gone
			return fmt.Sprintf("parked above its %d %%: it is not drained for that", p.ToPct)
		}
		return fmt.Sprintf("parked at %d %%", p.ToPct)
	case ParkGivenUp:
		return fmt.Sprintf("not parked at %d %%: %s", p.ToPct, p.Why)
	}
	said := fmt.Sprintf("to be parked at %d %%", p.ToPct)
	if p.Why != "" {
		said += ": " + p.Why
	}
	return said
}

// runParks notes that a run is over whose plan parks its handset, or ends what another
// plan had begun.
func (d *Daemon) runParks(e *entry, plan scenarios.Plan) {
	d.withPower(e.Item.Handset, func(s *powerState) bool {
		had := s.Park != nil
		if s.Park = nil; plan.ParkPct > 0 && e.TakenOver == "" {
			s.Park = &Parking{
				Run: e.RunID, Plan: plan.Name, ToPct: plan.ParkPct, StopTempC: plan.RechargeStopTempC, LimitS: plan.RechargeLimit.Seconds(), State: ParkWaits,
			}
		}
		return had || s.Park != nil
	})
}

// parkTurn takes parking a step further, between two runs: it is called at each turn of the
// handset's actor, after the handset was read if that was due. l is nil while it is away.
func (d *Daemon) parkTurn(ctx context.Context, h scenarios.Handset, l devices.Link, due *Item) {
	park, s := d.parkingOf(h.Name)
	if park == nil || !d.engaged.take(h.Name) {
		return // whoever has it now has stopped the charge first
	}
	defer d.engaged.give(h.Name)
	read := !s.seenAt.IsZero() && d.now().Sub(s.seenAt).Abs() <= parkUnread
	hinders := d.hindersParking(h, l, due)
	switch {
	case park.State == ParkCharging && due != nil:
		d.stopParking(ctx, h, ParkWaits, "what is queued for it goes before")
	case park.State == ParkCharging && hinders != "" && l != nil:
		d.stopParking(ctx, h, ParkWaits, hinders)
	case park.State == ParkCharging:
		d.parkCharging(ctx, h, park, s, read, l == nil)
	case read:
		d.parkWaiting(ctx, h, l, park, s, hinders)
	}
}

// parkCharging looks at a handset that is charged to be parked: read says whether it was read
// lately, away whether it cannot be reached.
func (d *Daemon) parkCharging(ctx context.Context, h scenarios.Handset, park *Parking, s powerState, read, away bool) {
	waited := d.now().Sub(park.ChargedFrom).Abs()
	switch {
	case !read && (waited > parkUnread || away):
		d.stopParking(ctx, h, ParkWaits, "it could not be read while it was charged")
	case !read:
	case s.levelPct >= park.ToPct:
		d.stopParking(ctx, h, ParkParked, "")
	case s.tempC == nil:
		d.stopParking(ctx, h, ParkGivenUp, "it gives no battery temperature, and must not be charged unwatched without one")
	case *s.tempC >= park.StopTempC:
		d.stopParking(ctx, h, ParkCools, fmt.Sprintf("battery at %.1f °C (limit %.1f)", *s.tempC, park.StopTempC))
	case waited.Seconds() > park.LimitS:
		d.stopParking(ctx, h, ParkGivenUp, fmt.Sprintf("level %d %% after %s: look at charger, cable and charge limit", s.levelPct, round(waited)))
	case !s.on && waited > parkNoPower:
		d.parkingFails(ctx, h, fmt.Sprintf("its power gate, %s, was opened and the handset sees no power: look at charger, cable and plug", d.gates[h.Name].Name()))
	}
}

// parkWaiting looks at a handset that waits to be parked, or is: it was read lately. hinders says
// what keeps it from being charged; "": nothing that is known before it is looked at.
func (d *Daemon) parkWaiting(ctx context.Context, h scenarios.Handset, l devices.Link, park *Parking, s powerState, hinders string) {
	now, full := d.now(), s.levelPct >= park.ToPct
	switch {
	case full && park.State == ParkParked, !full && park.State == ParkGivenUp:
		return
	case full: // also by a person's charger
		d.setParking(h.Name, func(p *Parking) {
			p.State, p.Why, p.ParkedAt, p.ParkedPct, p.Failed = ParkParked, "", now, s.levelPct, 0
		})
		d.noteParking(h.Name, fmt.Sprintf("parked: level %d %%, for storage at %d %% or above", s.levelPct, park.ToPct))
		return
	case park.State == ParkParked && s.levelPct > park.ToPct-parkTopUp, now.Before(park.NextTry) && park.NextTry.Sub(now) <= parkAgain:
		return
	case s.on:
		hinders = "it is on a charger already"
	case s.tempC == nil:
		hinders = "it gives no battery temperature, and must not be charged unwatched without one"
	case park.State == ParkCools && *s.tempC > park.StopTempC-heatHeadroomC, *s.tempC >= park.StopTempC:
		return
	}
	if hinders != "" {
		d.setParking(h.Name, func(p *Parking) {
			if p.State == ParkWaits {
				p.Why = hinders
			}
		})
		return
	}
	if err := d.holdBare(ctx, l, h); err != nil { // another daemon must not begin a run while power comes
		if !linkDown(err) {
			d.setParking(h.Name, func(p *Parking) { p.Why = why(err) })
		}
		return
	}
	d.startParking(ctx, h, s.levelPct)
}

// parkingOf is how a handset's parking stands, with a copy of what is known of its power.
func (d *Daemon) parkingOf(handset string) (park *Parking, now powerState) {
	d.withPower(handset, func(s *powerState) bool {
		now = *s
		if s.Park != nil {
			copied := *s.Park
			park = &copied
		}
		return false
	})
	return park, now
}

func (d *Daemon) setParking(handset string, f func(*Parking)) {
	d.withPower(handset, func(s *powerState) bool {
		if s.Park == nil {
			return false
		}
		before := *s.Park
		f(s.Park)
		return *s.Park != before
	})
}

// noteParking puts a note into the record of the run whose plan parks the handset.
func (d *Daemon) noteParking(handset, text string) {
	run := ""
	d.withPower(handset, func(s *powerState) bool {
		if s.Park == nil {
			return false
		}
		run = s.Park.Run
		s.Notes = append(s.Notes, runNote{run, results.Note{At: d.now(), Text: text}})
		return true
	})
	d.log.Info().Str("handset", handset).Str("run", run).Msg(text)
	d.publish(Change{Kind: "power", Handset: handset, Run: run, Text: text})
}

// hindersParking says why a handset is not charged for storage now, or "".
func (d *Daemon) hindersParking(h scenarios.Handset, l devices.Link, due *Item) string {
	switch {
	case !switches(d.gates[h.Name]):
		return "nothing here switches its power by itself: charge it by hand"
	case l == nil:
		return "it is out of reach"
	case due != nil:
		return "what is queued for it goes before"
	case d.setAside(h.Name) != nil:
		return "it is set aside, and is not charged unwatched"
	case d.unwantedOn(h.Name) != nil:
		return "it has power that it should not have"
	case d.heldBy(h.Name) != nil:
		return "another daemon holds it"
	case len(d.leftOn(h.Name)) > 0:
		return "a segment that was left on it has to be collected first"
	}
	return ""
}

// startParking lets power to the handset. That it may be open is written down first.
func (d *Daemon) startParking(ctx context.Context, h scenarios.Handset, levelPct int) {
	s := d.powers.by[h.Name]
	s.gate <- struct{}{}
	d.withPower(h.Name, func(s *powerState) bool {
		s.due, s.Told = true, toldOpen
		s.Park.State, s.Park.Why, s.Park.FromPct, s.Park.ChargedFrom = ParkCharging, "", levelPct, d.now()
		return true
	})
	bounded, cancel := context.WithTimeout(ctx, gateLimit)
	err := d.gateItself(h.Name).Open(bounded)
	cancel()
	<-s.gate
	if err != nil && ctx.Err() == nil {
		d.parkingFails(ctx, h, "its power gate does not open: "+why(err))
		return
	}
	d.log.Info().Str("handset", h.Name).Int("level_pct", levelPct).Msg("charged for storage")
}

// stopParking cuts the power again, and leaves parking in a state.
func (d *Daemon) stopParking(ctx context.Context, h scenarios.Handset, state, because string) {
	park, seen := d.parkingOf(h.Name)
	if park == nil || park.State != ParkCharging {
		return
	}
	s, now := d.powers.by[h.Name], d.now()
	s.gate <- struct{}{}
	d.withPower(h.Name, func(s *powerState) bool {
		s.due, s.Told, s.seenAt = false, toldClosed, time.Time{} // the handset is asked at the next turn
		s.runEnded = now                                         // and each minute for a while
		p := s.Park
		p.State, p.Why = state, because
		if state == ParkParked {
			p.ParkedPct, p.ParkedAt, p.Failed = seen.levelPct, now, 0
		}
		return true
	})
	bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), gateLimit)
	err := d.gateItself(h.Name).Close(bounded)
	cancel()
	<-s.gate
	if err != nil {
		d.log.Error().Err(err).Str("handset", h.Name).Msg("the power gate did not close: cut the power by hand")
	}
	said := fmt.Sprintf("charged for storage from %d to %d %% in %s", park.FromPct, seen.levelPct, round(now.Sub(park.ChargedFrom).Abs()))
	if because != "" {
		said += "; stopped: " + because
	}
	d.noteParking(h.Name, said)
	if state == ParkGivenUp {
		d.tellNotParked(h, because)
	}
	if l, err := d.linkTo(h); err == nil && d.owesBack(h) {
		bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), gateLimit)
		defer cancel()
		if err := d.giveBack(bounded, l, h); err != nil {
			d.log.Warn().Err(err).Str("handset", h.Name).Msg("the handset could not be given back yet")
		}
	}
}

// parkingFails is a try that did not charge the handset: there are more, with pauses.
func (d *Daemon) parkingFails(ctx context.Context, h scenarios.Handset, because string) {
	d.stopParking(ctx, h, ParkWaits, because)
	given := false
	d.setParking(h.Name, func(p *Parking) {
		p.NextTry = d.now().Add(parkAgain)
		if p.Failed++; p.Failed >= parkTries {
			p.State, given = ParkGivenUp, true
		}
	})
	if given {
		d.tellNotParked(h, because)
	}
}

func (d *Daemon) tellNotParked(h scenarios.Handset, because string) {
	park, s := d.parkingOf(h.Name)
	if park == nil {
		return
	}
	d.log.Error().Str("handset", h.Name).Str("because", because).Msg("it could not be parked")
	d.notify(notices.Notice{
		Cause: "park " + h.Name + " " + park.Run, Kind: scenarios.NoticeLimit, Title: fmt.Sprintf("%s: not parked: %s", h.Name, because),
		Text:    fmt.Sprintf("%s is at %d %% and was to be parked at %d %% after plan %s: %s. Charge it by hand; it is not tried again before its next run.", h.Name, s.levelPct, park.ToPct, park.Plan, because),
		Handset: h.Name, Run: park.Run,
	})
}

// haltParking cuts the power of a handset that is charged for storage, for somebody who has
// it from now on.
func (d *Daemon) haltParking(ctx context.Context, handset, because string) {
	if h, ok := d.file.Handset(handset); ok {
		d.stopParking(ctx, h, ParkWaits, because)
	}
}
