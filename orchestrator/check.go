package orchestrator

import (
	"context"
	"errors"
	"fmt"

	"rundown/devices"
	"rundown/devices/preconditions"
	"rundown/results"
	"rundown/scenarios"
)

// documentsApplied is the store's kind for what a check has set on a handset outside of a
// run, by handset name: the next run puts it back at its end, or Undo does.
const documentsApplied = "applied"

// Check reads a handset's preconditions for a plan, without touching the handset; with
// apply it sets what is not as wanted and reads it back. What was set stays until the
// next run on the handset has ended, or until Undo, and so long this daemon holds the
// handset. ErrNotNow says who else does, or what is under way.
func (d *Daemon) Check(ctx context.Context, handset, plan string, apply bool) (preconditions.Report, error) {
	h, link, err := d.atHand(handset)
	if err != nil {
		return preconditions.Report{}, err
	}
	order, err := d.order(plan)
	if err != nil {
		return preconditions.Report{}, err
	}
	if !apply {
		units, err := d.lookAtUnits(ctx, link, h)
		if err != nil {
			return preconditions.Report{}, err
		}
		report, err := preconditions.Check(ctx, link, d.facts(h, order.startWindow(h, 0)), order.Set)
		d.complete(handset, &report)
		report.Lines = append(report.Lines, units.line())
		return report, err
	}
	if run := d.busy(handset); run != "" {
		return preconditions.Report{}, fmt.Errorf("%w: %s is in run %s", ErrNotNow, handset, run)
	}
	if _, calibrates := d.calibrationUnderWay(handset); calibrates || !d.engaged.takeSoon(ctx, handset) {
		return preconditions.Report{}, fmt.Errorf("%w: the screen of %s is being calibrated, or something is settled on it", ErrNotNow, handset)
	}
	defer d.queue.nudge()
	defer d.engaged.give(handset)
	if err := d.holdBare(ctx, link, h); err != nil {
		return preconditions.Report{}, err
	}
	changes, err := d.applied(handset)
	if err != nil {
		return preconditions.Report{}, err
	}
	owed, err := d.pendingRestores(handset)
	if err != nil {
		return preconditions.Report{}, err
	}
	units, err := d.lookAtUnits(ctx, link, h)
	if err != nil {
		return preconditions.Report{}, err
	}
	book := changeBook{d: d, l: link, h: h, changes: &changes, owed: owed.Changes, save: func() error { return d.store.PutDocument(documentsApplied, handset, changes) }}
	report, err := preconditions.Apply(ctx, link, d.facts(h, order.startWindow(h, 0)), order.Set, func(c preconditions.Change) error { return book.record(ctx, c) })
	d.complete(handset, &report)
	report.Lines = append(report.Lines, units.line())
	return report, err
}

// Undo puts back what checks have set on a handset, and returns what that was. ErrNotNow
// while a run is under way, which would be measured under other conditions, or while another
// daemon holds the handset.
func (d *Daemon) Undo(ctx context.Context, handset string) ([]preconditions.Change, error) {
	h, link, err := d.atHand(handset)
	if err != nil {
		return nil, err
	}
	if run := d.busy(handset); run != "" {
		return nil, fmt.Errorf("%w: %s is in run %s, which puts it back at its end", ErrNotNow, handset, run)
	}
	if err := d.notHeld(ctx, h); err != nil {
		return nil, err
	}
	if !d.engaged.takeSoon(ctx, handset) {
		return nil, fmt.Errorf("%w: the screen of %s is being calibrated, or something is settled on it", ErrNotNow, handset)
	}
	defer d.queue.nudge()
	defer d.engaged.give(handset)
	changes, err := d.applied(handset)
	if err != nil {
		return nil, err
	}
	left, err := d.putBackOn(ctx, link, h, changes)
	if len(left) > 0 {
		return changes, errors.Join(err, d.store.PutDocument(documentsApplied, handset, left))
	}
	return changes, d.store.DeleteDocument(documentsApplied, handset)
}

// applied is what checks have set on a handset and nobody has put back.
func (d *Daemon) applied(handset string) (changes []preconditions.Change, err error) {
	if err = d.store.Document(documentsApplied, handset, &changes); errors.Is(err, results.ErrNotFound) {
		err = nil
	}
	return changes, err
}

// atHand finds a handset of the bench and a link to it.
func (d *Daemon) atHand(handset string) (scenarios.Handset, devices.Link, error) {
	h, ok := d.file.Handset(handset)
	if !ok {
		return h, nil, fmt.Errorf("%w: no handset %q on the bench; there are %v", ErrRequest, handset, d.handsetNames())
	}
	link, err := d.linkTo(h)
	return h, link, err
}

// busy names the run that a handset is in, or "".
func (d *Daemon) busy(handset string) (run string) {
	d.tell(handset, func(s *HandsetStatus) {
		if !s.Idles() {
			run = s.Run
		}
	})
	return run
}
