package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"rundown/devices"
	"rundown/results"
	"rundown/scenarios"
)

// An actor owns one handset: it carries out what is queued for it, one item after the
// other, and takes up first what the journal says was under way. Nobody else drives the
// handset.
func (d *Daemon) actor(ctx context.Context, h scenarios.Handset, unfinished []*entry) {
	for _, e := range unfinished {
		d.runOne(ctx, h, e)
		if ctx.Err() != nil {
			return
		}
	}
	for ctx.Err() == nil {
		changed := d.queue.changed()
		if it, ok := d.queue.nextFor(h.Name, d.now()); ok && d.startSlot() {
			if it, err := d.begin(it); err != nil {
				d.log.Error().Err(err).Str("handset", h.Name).Msg("a queued plan could not be begun; it is tried again")
			} else if it != nil {
				d.runOne(ctx, h, it)
				d.freeSlot()
				continue
			}
			d.freeSlot()
		}
		d.awaitTurn(ctx, changed)
	}
}

// awaitTurn waits until the queue changes, or long enough for an item's time to have come.
func (d *Daemon) awaitTurn(ctx context.Context, changed <-chan struct{}) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	slept := make(chan struct{})
	go func() {
		defer close(slept)
		_ = d.clock.Sleep(ctx, d.pollEvery)
	}()
	select {
	case <-changed:
	case <-slept:
	}
	cancel()
	<-slept
}

// begin turns a waiting item into a run. It returns nil when the item's time is over.
func (d *Daemon) begin(it Item) (*entry, error) {
	if !it.FinishBy.IsZero() && !d.now().Before(it.FinishBy) {
		_, err := d.queue.change(it.ID, func(i *Item) error {
			i.State, i.Outcome = Missed, "its window ended before the handset was free"
			return nil
		})
		return nil, err
	}
	runID := newID("r", d.now())
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
	rec := results.Run{
		ID: runID, Plan: it.Plan, PlanHash: it.Order.PlanHash, Night: it.Night, QueuedAt: it.QueuedAt, StartedAt: d.now(), State: string(Preparing),
		Handset: results.Handset{Name: it.Handset},
	}
	if err := d.store.PutRun(rec); err != nil {
		return nil, err
	}
	// What a check has set beforehand is this run's to put back.
	if e.Changes, err = d.applied(it.Handset); err != nil {
		return nil, err
	}
	if err := d.saveEntry(e); err != nil {
		return nil, err
	}
	return e, d.store.DeleteDocument(documentsApplied, it.Handset)
}

// runOne carries a run out and settles its queue item. A store that does not take the
// records is tried again: the handset's own files are kept meanwhile.
func (d *Daemon) runOne(ctx context.Context, h scenarios.Handset, e *entry) {
	log := d.log.With().Str("handset", h.Name).Str("run", e.RunID).Logger()
	rec, err := d.store.Run(e.RunID)
	if err != nil {
		log.Warn().Err(err).Msg("the run's record is not readable; it is begun anew from the journal")
		rec = results.Run{ID: e.RunID, Plan: e.Item.Plan, PlanHash: e.Item.Order.PlanHash, Night: e.Item.Night, QueuedAt: e.Item.QueuedAt, StartedAt: d.now(), Handset: results.Handset{Name: h.Name}}
	}
	r := &run{d: d, h: h, gate: d.gates[h.Name], log: log, list: e.Item.Order.list(), e: e, rec: rec}
	d.tell(h.Name, func(s *HandsetStatus) {
		*s = HandsetStatus{Run: e.RunID, Plan: e.Item.Plan, State: string(e.State), LevelPct: s.LevelPct, TempC: s.TempC, ReadAt: s.ReadAt}
	})
	for {
		err := r.carryOut(ctx)
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
		r.live = nil
	}
	outcome := string(e.State)
	if e.StopReason != "" {
		outcome += ": " + e.StopReason
	}
	_, err = d.queue.change(e.Item.ID, func(i *Item) error {
		if i.State != Cancelled {
			i.State = Ended
		}
		i.Outcome = outcome
		return nil
	})
	if err := errors.Join(err, d.dropEntry(e)); err != nil {
		log.Error().Err(err).Msg("the run is over, but the queue could not be brought up to date")
	}
	d.tell(h.Name, func(s *HandsetStatus) { s.WaitsFor, s.ExpectedEnd = "", time.Time{} })
}

// linkTo returns a link to a handset that is ready, or why there is none.
func (d *Daemon) linkTo(h scenarios.Handset) (devices.Link, error) {
	seen, ok, _ := d.board.find(h)
	switch {
	case !ok:
		link, advice := d.notSeen(h.Server)
		if link == "no adb server" {
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
