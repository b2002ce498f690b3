package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"rundown/devices"
	"rundown/results"
	"rundown/scenarios"
)

// An actor owns one handset: it carries out what is queued for it, one item after the
// other, and takes up first what the journal says was under way. Nobody else drives the
// handset.
func (d *Daemon) actor(ctx context.Context, h scenarios.Handset, unfinished []*entry) {
	d.awaitFirstLook(ctx, h) // what adb has not told yet is no reason to give anything up
	for _, e := range unfinished {
		d.engaged.take(h.Name) // nobody has it: the daemon has only begun
		d.runOne(ctx, h, e)
		d.engaged.give(h.Name)
		d.limits.giveRun()
		d.queue.nudge()
		if ctx.Err() != nil {
			return
		}
	}
	defer d.haltParking(ctx, h.Name, "the daemon ended while it was charged")
	away := true
	var power lookout
	defer power.stop()
	for ctx.Err() == nil {
		changed := d.queue.changed()
		l, err := d.linkTo(h)
		if err == nil {
			d.settlePending(ctx, h, l, away)
		}
		switch {
		case err != nil:
			l = nil
		case away:
			d.readSoon(h.Name) // somebody may have moved it to another plug
		}
		away = err != nil
		due := d.dueFor(h)
		if power.calls(d.now()) {
			d.readSoon(h.Name)
		}
		d.mindHandset(ctx, h, l, due)
		power.listen(ctx, d, h)
		d.parkTurn(ctx, h, l, due)
		if !d.nextRun(ctx, h, &power) {
			d.awaitTurn(ctx, changed, power.rings())
		}
	}
}

// nextRun carries out the next item that may begin, if there is one. power is the lookout for
// it meanwhile.
func (d *Daemon) nextRun(ctx context.Context, h scenarios.Handset, power *lookout) bool {
	it, ok := d.queue.nextFor(h.Name, d.now())
	if !ok {
		d.tell(h.Name, func(s *HandsetStatus) {
			if strings.HasPrefix(s.WaitsFor, heldWords) {
				s.WaitsFor = "" // nothing does any more
			}
		})
		return false
	}
	if aside := d.setAside(h.Name); aside != nil {
		d.tell(h.Name, func(s *HandsetStatus) { s.SetAside, s.WaitsFor = aside, "a person to look at it and release it" })
		d.missed(it, "its window ended while the handset was set aside: "+aside.Reason)
		return false
	}
	if waits := d.powerHolds(h, it); waits != "" {
		d.tell(h.Name, func(s *HandsetStatus) { s.WaitsFor = waits })
		d.missed(it, "its window ended while the handset waited for "+waits)
		return false
	}
	if !d.engaged.take(h.Name) {
		return false // its screen is being calibrated
	}
	defer d.engaged.give(h.Name)
	if !d.limits.takeRun() {
		d.tell(h.Name, func(s *HandsetStatus) { s.WaitsFor = "one of the runs at once to end" })
		return false
	}
	if by, err := d.heldElsewhere(ctx, h); err == nil && by != nil {
		d.limits.giveRun() // nobody is woken for it: this would begin again at once
		d.tell(h.Name, func(s *HandsetStatus) { s.WaitsFor = waitsForHolder(*by, h.Name) })
		d.missed(it, "its window ended while the handset was held by "+by.String())
		return false
	}
	defer d.queue.nudge()
	defer d.limits.giveRun()
	e, err := d.begin(it)
	if err != nil {
		d.log.Error().Err(err).Str("handset", h.Name).Msg("a queued plan could not be begun; it is tried again")
		return false
	}
	if e == nil {
		return false
	}
	power.stop() // it would read the battery beside the recorder
	d.runOne(ctx, h, e)
	return true
}

// dueFor is what is queued for a handset and would begin now; nil: nothing.
func (d *Daemon) dueFor(h scenarios.Handset) *Item {
	it, ok := d.queue.nextFor(h.Name, d.now())
	if !ok || d.setAside(h.Name) != nil {
		return nil
	}
	return &it
}

// missed ends an item whose time is over. It reports whether that was so.
func (d *Daemon) missed(it Item, outcome string) bool {
	if it.FinishBy.IsZero() || d.now().Before(it.FinishBy) {
		return false
	}
	if _, err := d.queue.change(it.ID, func(i *Item) error {
		i.State, i.Outcome = Missed, outcome
		return nil
	}); err != nil {
		d.log.Error().Err(err).Str("handset", it.Handset).Msg("an item whose window has ended could not be closed")
	}
	d.nightOver(it)
	return true
}

// awaitTurn waits until the queue changes, power comes to the handset, or long enough for an
// item's time to have come.
func (d *Daemon) awaitTurn(ctx context.Context, changed, power <-chan struct{}) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	slept := make(chan struct{})
	go func() {
		defer close(slept)
		_ = d.clock.Sleep(ctx, d.pollEvery)
	}()
	select {
	case <-changed:
	case <-power:
	case <-slept:
	}
	cancel()
	<-slept
}

// begin turns a waiting item into a run. It returns nil when the item's time is over.
func (d *Daemon) begin(it Item) (*entry, error) {
	if d.missed(it, "its window ended before the handset was free") {
		return nil, nil
	}
	runID := it.RunID // of a beginning that a crash cut short
	if runID == "" {
		runID = newID("r", d.now())
	}
	it, err := d.queue.change(it.ID, func(i *Item) error {
		if i.State != Waiting {
			return ErrNotNow
		}
		i.State, i.RunID = Running, runID
		return nil
	})
	if err != nil {
		return nil, err
	}
	e := &entry{RunID: runID, Item: it, State: Preparing, Attempt: 1}
	// What a check has set beforehand, and what an earlier run could not put back, is this
	// run's to put back.
	applied, err := d.applied(it.Handset)
	if err != nil {
		return nil, err
	}
	owed, err := d.pendingRestores(it.Handset)
	if err != nil {
		return nil, err
	}
	e.Changes = append(owed.Changes, applied...)
	if err := d.store.PutRun(e.record(d.now())); err != nil {
		return nil, err
	}
	if err := d.saveEntry(e); err != nil {
		return nil, err
	}
	return e, errors.Join(d.store.DeleteDocument(documentsApplied, it.Handset), d.store.DeleteDocument(documentsPending, it.Handset))
}

// record is the run's record as it stands in the store at the beginning.
func (e *entry) record(now time.Time) results.Run {
	it := e.Item
	return results.Run{
		ID: e.RunID, Plan: it.Plan, PlanHash: it.Order.PlanHash, Night: it.Night, QueuedAt: it.QueuedAt, StartedAt: now, State: string(e.State),
		Handset: results.Handset{Name: it.Handset},
	}
}

// runOne carries a run out and settles its queue item. A store that does not take the
// records is tried again, from what the journal says: the handset's own files are kept
// meanwhile.
func (d *Daemon) runOne(ctx context.Context, h scenarios.Handset, e *entry) {
	log := d.log.With().Str("handset", h.Name).Str("run", e.RunID).Logger()
	for {
		err := d.carryOn(ctx, h, e, log)
		if err == nil {
			break
		}
		if ctx.Err() != nil {
			return // the journal has the rest
		}
		log.Error().Err(err).Msg("the run cannot go on; tried again in a minute")
		d.tell(h.Name, func(s *HandsetStatus) { s.Problem = why(err) })
		if d.clock.Sleep(ctx, time.Minute) != nil {
			return
		}
		if err := d.loadEntry(e); err != nil {
			log.Error().Err(err).Msg("the run's journal entry cannot be read back")
		}
		d.limits.takeAnyway(e.holds())
	}
	d.tell(h.Name, func(s *HandsetStatus) { s.WaitsFor, s.ExpectedEnd, s.RunEnd = "", time.Time{}, time.Time{} })
}

// carryOn is one attempt at carrying a run out and settling its item. It may be repeated.
func (d *Daemon) carryOn(ctx context.Context, h scenarios.Handset, e *entry, log zerolog.Logger) error {
	rec, err := d.store.Run(e.RunID)
	if err != nil {
		log.Warn().Err(err).Msg("the run's record is not readable; it is begun anew from the journal")
		rec = e.record(d.now())
	}
	r := &run{d: d, h: h, gate: d.gates[h.Name], log: log, list: e.Item.Order.list(), e: e, rec: rec}
	r.held = e.holds() // taken when the daemon started, or before this attempt
	d.tell(h.Name, func(s *HandsetStatus) {
		*s = HandsetStatus{Run: e.RunID, Plan: e.Item.Plan, State: string(e.State), LevelPct: s.LevelPct, TempC: s.TempC, ReadAt: s.ReadAt, SetAside: s.SetAside}
		if e.State.Measures() && e.Step < len(r.list) { // taken up by a daemon that has only begun
			s.Scenario, s.Segment, s.Segments = r.scenario().Name, e.Step+1, len(r.list)
		}
	})
	d.runBegins(h.Name, e.RunID, e.GateOpen && (e.State == Recharging || e.State == Settling || e.State == Charging))
	if err := r.carryOut(ctx); err != nil {
		return err
	}
	d.runEnds(r)
	d.runParks(e, e.Item.Order.Plan)
	if err := d.store.PutRun(r.rec); err != nil {
		return err
	}
	r.notifyOver()
	outcome := string(e.State)
	if e.StopReason != "" {
		outcome += ": " + e.StopReason
	}
	it, err := d.queue.change(e.Item.ID, func(i *Item) error {
		if i.State != Cancelled {
			i.State = Ended
		}
		i.Outcome = outcome
		return nil
	})
	if err != nil && !errors.Is(err, ErrNoItem) {
		return err
	}
	if err := d.dropEntry(e); err != nil {
		return err
	}
	d.backUp()
	d.nightOver(it)
	return nil
}

// linkTo returns a link to a handset that is ready, or why there is none.
func (d *Daemon) linkTo(h scenarios.Handset) (devices.Link, error) {
	seen, ok, _ := d.board.find(h)
	switch {
	case !ok:
		link, advice := d.notSeen(h.Server)
		switch link {
		case LinkNotLooked:
			return nil, fmt.Errorf("%s: %w: %s", h.Name, ErrNotLooked, advice)
		case LinkNoServer:
			return nil, fmt.Errorf("%s: %w: %s", h.Name, devices.ErrNoServer, advice)
		}
		return nil, fmt.Errorf("%s (%s): %w: %s", h.Name, h.Serial, devices.ErrNoHandset, advice)
	case seen.Ready:
		return d.links.Link(seen.Serial, seen.Server), nil
	}
	down := devices.ErrOffline
	if strings.HasPrefix(seen.State, "unauth") {
		down = devices.ErrUnauthorised
	} else if strings.HasPrefix(seen.State, "no permission") {
		down = devices.ErrNoPermission
	}
	return nil, fmt.Errorf("%s (%s): %w: %s", h.Name, seen.Serial, down, seen.Advice)
}
