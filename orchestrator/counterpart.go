package orchestrator

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/results"
	"rundown/scenarios"
)

// An answering is a handset of the bench that takes the calls of another one's segment.
type answering struct {
	Handset  string    `json:"handset"`
	Key      string    `json:"key"`       // its folder on that handset
	HostZero time.Time `json:"host_zero"` // host clock at that handset's uptime 0
}

// answeringSuffix ends the key of the folder on a counterpart; no segment's own key ends so.
const answeringSuffix = "-a"

// counterpart is the handset of the bench that answers the calls of the segment at hand.
func (r *run) counterpart() (scenarios.Handset, bool) {
	if !r.scenario().NeedsCounterpart() {
		return scenarios.Handset{}, false
	}
	_, by, onBench, _ := r.d.file.Called(r.h)
	return by, onBench
}

// claims are the handsets that the segment at hand keeps busy, as named limits of one:
// its own, and the counterpart that answers its calls. Holding both at once, or none, keeps
// two handsets that call each other from waiting for one another.
func (r *run) claims() []string {
	names := []string{claimOn(r.h.Name)}
	if by, ok := r.counterpart(); ok {
		names = append(names, claimOn(by.Name))
	}
	return names
}

func claimOn(handset string) string { return "handset " + handset }

// engage has the counterpart of the bench take the calls that are about to come. Whom the
// handset calls outside of the bench answers by hand or by itself.
func (r *run) engage(ctx context.Context) error {
	by, ok := r.counterpart()
	if !ok || r.live.u.Answering != nil {
		return nil
	}
	l, err := r.d.linkTo(by)
	if err != nil {
		return fmt.Errorf("the counterpart: %w", err)
	}
	before := r.d.now()
	uptime, _, err := devices.Uptime(ctx, l)
	if err != nil {
		return fmt.Errorf("the counterpart %s: %w", by.Name, err)
	}
	now, plan := r.d.now(), r.e.Item.Order.Plan
	a := &answering{Handset: by.Name, Key: r.live.u.Key + answeringSuffix, HostZero: before.Add(now.Sub(before) / 2).Add(-uptime).UTC()}
	seg := onboard.Segment{
		Key: a.Key, SampleEverySec: 60, NoTarget: true, StopLevelPct: plan.StopLevelPct,
		TimeLimitSec: int((r.allowed() + linkPatience).Seconds()), Workload: scenarios.Answering(),
	}
	if seg.Holder, err = r.d.takeFor(ctx, l, by, r.e.RunID, a.Key); err != nil {
		return fmt.Errorf("the counterpart: %w", heldIsFinal(err))
	}
	units, err := r.d.lookAtUnits(ctx, l, by)
	if err == nil {
		err = limitRaw(&seg, units.Units, plan.StopTempC)
	}
	if err == nil {
		err = onboard.Install(ctx, l, seg)
	}
	if err != nil {
		return fmt.Errorf("the counterpart %s: %w", by.Name, err)
	}
	r.live.u.Answering = a
	if err := r.d.saveEntry(r.e); err != nil {
		return stored(err)
	}
	if err := onboard.Start(ctx, l, a.Key); err != nil {
		return fmt.Errorf("the counterpart %s: %w", by.Name, err)
	}
	r.note("%s answers the calls", by.Name)
	return nil
}

// disengage ends the answering, and takes what the counterpart saw of the calls into the
// segment's evidence: a call that only the calling handset knows of may have reached a
// machine.
func (r *run) disengage(ctx context.Context) error {
	g := r.live
	a := g.u.Answering
	if a == nil {
		return nil
	}
	h, ok := r.d.file.Handset(a.Handset)
	if !ok {
		g.note(r.d.now(), "the counterpart %s is not on the bench any more; what it saw of the calls is not known", a.Handset)
		g.u.Answering = nil
		return nil
	}
	seen, err := r.answered(ctx, h, a)
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case err != nil:
		g.note(r.d.now(), "what the counterpart %s saw of the calls could not be collected: %s", a.Handset, why(err))
	default:
		g.rec.Evidence = append(g.rec.Evidence, seen...)
		taken := slices.ContainsFunc(seen, func(e results.Evidence) bool { return e.Kind == evidenceAnswered && e.Value > 0 })
		if !taken && g.u.StartEdge && g.u.Verdict.Spoiled == "" {
			g.u.Verdict.Spoiled = fmt.Sprintf("the counterpart %s took no call: whoever answered, it was not the handset that was meant", a.Handset)
		}
	}
	g.u.Answering = nil
	return nil
}

// evidenceAnswered is what a counterpart saw of a call that it took.
const evidenceAnswered = "answered"

// answered ends the answering on the counterpart, waiting a little for one that is away,
// and returns its evidence with host times.
func (r *run) answered(ctx context.Context, h scenarios.Handset, a *answering) ([]results.Evidence, error) {
	var seen []results.Evidence
	end := func(l devices.Link) error {
		seen = nil
		state, err := onboard.Inspect(ctx, l, a.Key)
		switch {
		case err != nil:
			return err
		case !state.Exists:
			return fmt.Errorf("%w under %s", onboard.ErrNotInstalled, a.Key)
		case state.RecorderAlive || state.WorkloadAlive:
			if err := onboard.Stop(ctx, l, a.Key); err != nil {
				return err
			}
		}
		text, err := wholeLines(ctx, l, onboard.ActivityPath(a.Key), 0)
		if err != nil {
			return err
		}
		var reader onboard.Reader
		lines, _ := reader.Feed(text)
		for _, line := range lines {
			if e := line.Activity; e != nil && (e.Kind == evidenceAnswered || e.Kind == "incall") {
				at := a.HostZero.Add(time.Duration(e.UptimeMS) * time.Millisecond)
				// Under a kind of its own: the calling handset's own evidence is what it is judged by.
				seen = append(seen, results.Evidence{At: at, Kind: evidenceAnswered, Value: float64(e.Value), Detail: a.Handset})
			}
		}
		if err := onboard.Remove(ctx, l, a.Key); err != nil {
			return err
		}
		if r.d.busy(h.Name) != "" {
			return nil // between two segments of a run of its own, which goes on holding it
		}
		return r.d.giveBack(ctx, l, h)
	}
	return seen, r.reachOn(ctx, h, removePatience, end)
}

// canCall refuses a plan with a telephone call for a handset that has nobody to call.
func (d *Daemon) canCall(o Order, h scenarios.Handset) error {
	for _, s := range o.Scenarios {
		if _, _, _, ok := d.file.Called(h); s.NeedsCounterpart() && !ok {
			return fmt.Errorf("%w: %s makes telephone calls, and %s has nobody to call: set a counterpart for it in the plan file", ErrRequest, s.Name, h.Name)
		}
	}
	return nil
}

// isAnswering reports whether a folder on a handset is that of a counterpart's answering.
func isAnswering(key string) bool { return strings.HasSuffix(key, answeringSuffix) }
