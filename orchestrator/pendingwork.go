package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/results"
	"rundown/scenarios"
)

// documentsLeft is the store's kind for segments that are still on a handset, by segment
// ID: the journal entry of a run that ended while its handset was away, as it was.
const documentsLeft = "left"

// settlePending collects segments that were left on a handset that was away, puts settings
// back that are owed to it, and gives it back; back says that it has just come back. It
// runs between two runs. What was cancelled may still go on there: that ends first. Nothing
// is touched on what another daemon holds.
func (d *Daemon) settlePending(ctx context.Context, h scenarios.Handset, l devices.Link, back bool) {
	log := d.log.With().Str("handset", h.Name).Logger()
	if len(d.leftOn(h.Name)) > 0 {
		if by, err := d.heldElsewhere(ctx, h); err != nil || by != nil {
			return
		}
		found, err := d.collectFrom(ctx, h, l, d.knows)
		if err != nil {
			log.Warn().Err(err).Msg("segments that were left on the handset could not be collected")
		}
		for _, f := range found {
			log.Info().Str("segment", f.Segment).Str("outcome", f.Outcome).Msg(f.Text)
		}
	}
	d.keepBare(ctx, h, l)
	d.payOwed(ctx, h, l, back)
	if d.owesBack(h) && d.engaged.take(h.Name) { // else somebody has it, and may need it held
		if err := d.giveBack(ctx, l, h); err != nil {
			log.Warn().Err(err).Msg("the handset could not be given back; tried again")
		}
		d.engaged.give(h.Name)
	}
}

// leftOn are the journal entries of segments that are still on a handset.
func (d *Daemon) leftOn(handset string) []*entry {
	list, err := results.Documents[*entry](d.store, documentsLeft)
	if err != nil {
		d.log.Error().Err(err).Msg("some segments that were left on handsets cannot be read")
	}
	return slices.DeleteFunc(list, func(e *entry) bool { return e.Item.Handset != handset || e.Segment == nil })
}

// A Found is a segment that was found on a handset, and what came of it.
type Found struct {
	Segment  string `json:"segment"`
	Scenario string `json:"scenario,omitempty"`
	Outcome  string `json:"outcome,omitempty"`
	Samples  int    `json:"samples"` // stored of it now
	Removed  bool   `json:"removed"` // from the handset
	Text     string `json:"text"`    // what was done, for a person
}

// Collect takes up the segments that lie on a handset and that the store does not have
// whole, such as one that was carried out with the cable out and no Wi-Fi, and removes
// from the handset what is stored. What is still under way is left alone. The error is
// the link's or the store's; what was collected until then is returned with it.
func (d *Daemon) Collect(ctx context.Context, handset string) ([]Found, error) {
	h, l, err := d.atHand(handset)
	if err != nil {
		return nil, err
	}
	return d.collectFrom(ctx, h, l, func(string) bool { return true })
}

// collectFrom does so with the segments whose keys are wanted.
func (d *Daemon) collectFrom(ctx context.Context, h scenarios.Handset, l devices.Link, wanted func(key string) bool) (found []Found, err error) {
	defer d.collecting.lock(h.Name)()
	keys, err := onboard.List(ctx, l)
	if err != nil {
		return nil, err
	}
	left := map[string]*entry{}
	for _, e := range d.leftOn(h.Name) {
		left[e.Segment.Key] = e
	}
	running := d.busy(h.Name)
	for _, key := range keys {
		if !wanted(key) {
			continue
		}
		var f Found
		switch e := left[key]; {
		case running != "" && strings.HasPrefix(key, running):
			f = Found{Segment: key, Text: "belongs to run " + running + ", which is under way and collects it itself"}
		case e != nil && !e.Segment.Concluded:
			f, err = d.collectLeft(ctx, h, l, e)
		default:
			if f, err = d.collectOther(ctx, h, l, key); err == nil && e != nil && f.Removed {
				err = d.store.DeleteDocument(documentsLeft, e.Segment.ID)
			}
		}
		if err != nil {
			return found, fmt.Errorf("segment %s on %s: %w", key, h.Name, err)
		}
		found = append(found, f)
	}
	for key, e := range left { // its files are gone: nothing will ever come of it
		if wanted(key) && !slices.Contains(keys, key) {
			if err := d.store.DeleteDocument(documentsLeft, e.Segment.ID); err != nil {
				return found, err
			}
		}
	}
	return found, nil
}

// collectLeft collects a segment whose run is over and could not collect it.
func (d *Daemon) collectLeft(ctx context.Context, h scenarios.Handset, l devices.Link, e *entry) (Found, error) {
	f := Found{Segment: e.Segment.ID}
	state, err := onboard.Inspect(ctx, l, e.Segment.Key)
	if err != nil {
		return f, err
	}
	cancelled := e.Segment.Verdict.cancelledWords() != ""
	if state.RecorderAlive && !state.Ended && !cancelled {
		f.Text = "still under way on the handset; collect it when it has ended"
		return f, nil
	}
	rec, err := d.store.Run(e.RunID)
	if err != nil {
		return f, err
	}
	r := &run{d: d, h: h, log: d.log.With().Str("handset", h.Name).Str("run", e.RunID).Logger(), list: e.Item.Order.list(), e: e, rec: rec}
	if err := r.takeUp(); err != nil {
		return f, err
	}
	defer r.live.close()
	g := r.live
	if err := r.pullAll(ctx, l); err != nil {
		return f, err
	}
	if g.u.Verdict.Unheard {
		g.u.Verdict.Spoiled, g.u.Verdict.Unheard = "", false
	}
	if !cancelled && g.u.Verdict.Spoiled == "" && g.u.Verdict.Reason == "" {
		switch { // for what it leaves in the verdict
		case g.u.Ended != "":
			_, _ = r.endedBy(g.u.Ended)
		case g.u.BootID != "" && state.BootID != g.u.BootID:
			_, _ = r.spoil("the handset restarted during the segment")
		default:
			_, _ = r.spoil("%s", recorderGone)
		}
	}
	g.note(d.now(), "collected after its run had ended")
	if err := r.conclude(); err != nil {
		return f, err
	}
	if err := d.store.DeleteDocument(documentsLeft, g.u.ID); err != nil {
		return f, err
	}
	f.Scenario, f.Outcome, f.Samples = g.rec.Scenario, g.rec.Outcome, g.rec.Samples
	f.Text = strings.TrimSpace("collected: " + g.rec.Outcome + " " + g.rec.Reason)
	return f, d.removeCollected(ctx, l, g.u.Key, &f)
}

// collectOther sees to a folder on the handset that no run waits for: one that is stored
// and could not be removed, or one of which this store knows nothing.
func (d *Daemon) collectOther(ctx context.Context, h scenarios.Handset, l devices.Link, key string) (Found, error) {
	f := Found{Segment: key}
	state, err := onboard.Inspect(ctx, l, key)
	switch {
	case err != nil:
		return f, err
	case state.RecorderAlive && !state.Ended:
		f.Text = "still under way on the handset, and of no run that is under way here; collect it when it has ended"
		return f, nil
	}
	if isAnswering(key) { // of a call whose run could not collect it
		f.Text = "of calls that it answered"
		return f, d.remove(ctx, l, key, &f)
	}
	rec, err := d.store.Segment(key)
	have := err == nil
	if !have && !errors.Is(err, results.ErrNotFound) {
		return f, err
	}
	// What belongs to no run of this store is another daemon's, also when it was found before:
	// it is kept here and stays on the handset for whom it belongs to.
	known := have && rec.RunID != ""
	u := underway{ID: key, Key: key, BootID: rec.BootID}
	if known {
		u.HostZero = d.hostZeroOf(rec)
	} else if u.BootID = state.StartedBootID; state.BootID == state.StartedBootID {
		u.HostZero = d.now().Add(-time.Duration(state.UptimeMS) * time.Millisecond)
	}
	if !have {
		rec = results.Segment{
			ID: key, Handset: h.Name, Scenario: "unknown", Outcome: results.Spoiled, BootID: u.BootID,
			Reason: "found on the handset; this store knows nothing of its run, so that no figure is made of it",
		}
	}
	r := &run{d: d, h: h, log: d.log.With().Str("handset", h.Name).Logger(), e: &entry{RunID: rec.RunID, Segment: &u}}
	r.live = &segment{rec: rec, u: &u}
	if !known { // by the units that this handset's readings have, as far as that is known
		if units, err := d.lookAtUnits(ctx, l, h); err == nil {
			r.live.setUnits(units.Units)
		} else if linkDown(err) || ctx.Err() != nil {
			return f, err
		}
	}
	if err := r.pullSamples(ctx, l); err != nil {
		return f, err
	}
	samples, err := d.store.Samples(key)
	if err != nil {
		return f, err
	}
	if !have && len(samples) == 0 { // it may be another daemon's that is about to begin
		f.Text = "nothing is recorded in it, and it is of no run of this store; its folder is left on the handset"
		return f, nil
	}
	f.Scenario, f.Outcome, f.Samples = rec.Scenario, rec.Outcome, len(samples)
	if rec = r.live.rec; !have || rec.Samples != len(samples) {
		rec.Samples, rec.Edges = len(samples), edges(samples)
		rec.Notes = append(rec.Notes, results.Note{At: d.now(), Text: fmt.Sprintf("collected from the handset: %d samples", len(samples))})
		if u.HostZero.IsZero() {
			rec.Notes = append(rec.Notes, results.Note{At: d.now(), Text: "when this was recorded is known by the handset's own clock only"})
		}
		if len(samples) > 0 {
			rec.StartedAt, rec.EndedAt = orElse(rec.StartedAt, samples[0].HostAt), samples[len(samples)-1].HostAt
		}
		if err := d.putCollected(&rec); err != nil {
			return f, err
		}
	}
	if !known {
		f.Text = rec.Reason + "; its samples are stored, its folder is left on the handset"
		return f, nil
	}
	f.Text = "was stored already: " + rec.Outcome
	return f, d.removeCollected(ctx, l, key, &f)
}

func orElse(t, other time.Time) time.Time {
	if t.IsZero() {
		return other
	}
	return t
}

// hostZeroOf is the host's time at the handset's uptime 0, from what is stored of a segment.
func (d *Daemon) hostZeroOf(g results.Segment) time.Time {
	if samples, _ := d.store.Samples(g.ID); len(samples) > 0 {
		return samples[0].HostAt.Add(-time.Duration(samples[0].UptimeMS) * time.Millisecond)
	}
	return g.StartedAt.Add(-time.Duration(g.ActivityUpS * float64(time.Second)))
}

func (d *Daemon) removeCollected(ctx context.Context, l devices.Link, key string, f *Found) error {
	if err := d.remove(ctx, l, key, f); err != nil {
		return fmt.Errorf("it is stored, but could not be removed from the handset: %w", err)
	}
	return nil
}

func (d *Daemon) remove(ctx context.Context, l devices.Link, key string, f *Found) error {
	if err := onboard.Remove(ctx, l, key); err != nil {
		return err
	}
	f.Removed, f.Text = true, f.Text+"; removed from the handset"
	return nil
}
