package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/devices/preconditions"
	"rundown/scenarios"
)

// A handset is also held for what is done to it outside of a run and outlasts the doing:
// conditions that a person has set, a screen that is being calibrated, a charge for storage.
// Another daemon that began a run under them would take them for the handset's own. It is
// held for as long as that lasts and this daemon is there; taken over on purpose, or left by
// a daemon that is gone, whoever has it carries along what is to be put back (befores.go).

// holdBare takes a handset for something outside of a run. A handset without room for a
// holder is had without one. ErrNotNow says who else has it.
func (d *Daemon) holdBare(ctx context.Context, l devices.Link, h scenarios.Handset) error {
	mine := d.holding(h.Name)
	if run, err := d.store.Run(mine.Run); err == nil && !mine.Given && !State(run.State).over() {
		return fmt.Errorf("%w: %s answers the calls of run %s", ErrNotNow, h.Name, mine.Run)
	}
	look, err := onboard.Held(ctx, l)
	if err != nil {
		return err
	}
	by := d.elsewhere(h, look)
	d.showHeld(h.Name, by)
	if by != nil {
		return fmt.Errorf("%w: %w", ErrNotNow, &heldError{h.Name, *by})
	}
	as := holding{Bare: true}
	if !mine.Given {
		as.TakenOverAt = mine.TakenOverAt
	}
	switch _, err = d.takeOver(ctx, l, h, look, as, ""); {
	case errors.Is(err, onboard.ErrNoRoom):
		return nil // nobody else has it
	case errors.Is(err, onboard.ErrChanged):
		return fmt.Errorf("%w: %w", ErrNotNow, err)
	}
	d.bareKept.Store(h.Name, d.now())
	return err
}

// needsBare reports whether what a handset is held for outside of a run still lasts.
func (d *Daemon) needsBare(handset string) bool {
	if applied, err := d.applied(handset); err != nil || len(applied) > 0 {
		return true
	}
	if _, calibrates := d.calibrationUnderWay(handset); calibrates {
		return true
	}
	park, _ := d.parkingOf(handset)
	return park != nil && park.State == ParkCharging
}

// keepBare says on a handset that is held outside of a run, now and then, that its daemon is
// there, and finds out whether it still has it. If not, what was set on it is owed: it is no
// condition of anything any more.
func (d *Daemon) keepBare(ctx context.Context, h scenarios.Handset, l devices.Link) {
	mine, by := d.holding(h.Name), d.heldBy(h.Name)
	if !mine.Bare || mine.Given || !d.needsBare(h.Name) {
		return
	}
	if kept, ok := d.bareKept.Load(h.Name); by == nil && ok && d.now().Sub(kept.(time.Time)).Abs() < idleEvery || !d.engaged.take(h.Name) {
		return
	}
	defer d.engaged.give(h.Name)
	log := d.log.With().Str("handset", h.Name).Logger()
	has, by, err := d.stillBare(ctx, h, l, mine)
	if err != nil {
		return // the next contact asks again
	}
	if has {
		d.bareKept.Store(h.Name, d.now())
		return
	}
	who := "another daemon, which has given it back"
	if by != nil {
		who = by.String()
	}
	log.Warn().Str("by", who).Msg("the handset was taken while it was held outside of a run; what was set on it is put back once it is given back")
	if err := d.oweApplied(h.Name); err != nil {
		log.Error().Err(err).Msg("what a check had set could not be written down as owed; tried again")
		return
	}
	d.stopParking(ctx, h, ParkWaits, "the handset was taken over")
	mine.Given = true
	if err := d.store.PutDocument(documentsHolding, h.Name, mine); err != nil {
		log.Error().Err(err).Msg("that the handset was taken could not be written down")
	}
}

// stillBare reports whether a handset is still held by this daemon, and says there that its
// daemon is there. What holds it may have been removed there, or spoiled: then it is held anew.
func (d *Daemon) stillBare(ctx context.Context, h scenarios.Handset, l devices.Link, mine holding) (has bool, by *HeldBy, err error) {
	look, err := onboard.Held(ctx, l)
	if err != nil {
		return false, nil, err
	}
	by = d.elsewhere(h, look)
	d.showHeld(h.Name, by)
	switch {
	case by != nil:
		return false, by, nil
	case look.Who.Daemon != "" && look.Who.Daemon != d.self.Daemon:
		return false, nil, nil // and gave it back, or is gone
	case look.Number == mine.Number && look.Condition != onboard.HoldsFree:
		has, err = onboard.StillHeld(ctx, l, mine.Number)
		return has, nil, err
	}
	return true, nil, d.holdBare(ctx, l, h)
}

// oweApplied turns what checks have set on a handset into what is owed to it.
func (d *Daemon) oweApplied(handset string) error {
	applied, err := d.applied(handset)
	if err != nil || len(applied) == 0 {
		return err
	}
	o, err := d.pendingRestores(handset)
	if err != nil {
		return err
	}
	for _, c := range applied {
		if !slices.ContainsFunc(o.Changes, func(have preconditions.Change) bool { return have.Name == c.Name && have.Undo == c.Undo }) {
			o.Changes = append(o.Changes, c)
		}
	}
	o.Tries = 0
	if err := d.store.PutDocument(documentsPending, handset, o); err != nil {
		return err
	}
	return d.store.DeleteDocument(documentsApplied, handset)
}

// forget takes what a person leaves as it is off the handset's own list, so that nobody puts
// it back later. A handset that is away keeps it there for other daemons; this one knows better.
func (d *Daemon) forget(ctx context.Context, handset string, changes []preconditions.Change) {
	h, l, err := d.atHand(handset)
	if err != nil {
		return
	}
	if by, err := d.heldElsewhere(ctx, h); err != nil || by != nil {
		return
	}
	befores, err := onboard.ReadBefores(ctx, l)
	if err == nil {
		err = d.takeOff(ctx, l, h, befores, func(e onboard.Before) bool {
			return slices.ContainsFunc(changes, func(c preconditions.Change) bool { return keptAs(c) == e.Setting })
		})
	}
	if err != nil {
		d.log.Warn().Err(err).Str("handset", handset).Msg("settings that are left as they are still stand on the handset's own list")
	}
}
