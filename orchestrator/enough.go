package orchestrator

import (
	"context"
	"fmt"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/results/endurance"
	"rundown/scenarios"
)

// endNarrow is the word for a segment that the daemon ended because its hours were known well enough. The recorder's own
// word is then that it was stopped.
const endNarrow = "narrow enough"

// enough is when the segment at hand has drained enough; nil: at its drain target only.
func (r *run) enough() *scenarios.Enough {
	s := r.list[r.e.Step]
	if !r.goal().drains() {
		return nil
	}
	if s.DrainPoints > 0 {
		return s.Enough
	}
	return r.e.Item.Order.Plan.Enough
}

// narrowEnough looks at each new level edge whether the hours are known as well as the plan wants, and then ends the
// segment as one that has reached its target. The decision is journalled before the handset is told, so that a
// restarted daemon carries it through; it is made again from what is stored, so that nothing else need be kept.
func (r *run) narrowEnough(ctx context.Context, l devices.Link) (Event, error) {
	g := r.live
	if g.u.Verdict.Enough > 0 {
		return r.endNarrow(ctx, l)
	}
	want := r.enough()
	if want == nil || r.e.State != Draining || g.u.Ended != "" {
		return "", nil
	}
	samples, err := r.d.store.Samples(g.u.ID)
	if err != nil {
		return "", stored(err)
	}
	so := g.rec
	so.Edges = edges(samples)
	so.Wakes = r.wakes(so)
	points := so.Points()
	if points < want.Least || points == g.judgedAt {
		return "", nil
	}
	g.judgedAt = points
	so.TargetPoints, so.EndedAt = points, r.d.now()
	learned, _, _ := r.d.room.LearnedFor(so, r.rec.Handset)
	figure, err := endurance.Estimate(r.d.room.EstimateInput(so, r.rec.Handset, samples, learned))
	if err != nil {
		return "", nil // no figure yet is no fault: the drain goes on
	}
	half := 100 * figure.Hours.HalfWidth()
	r.log.Debug().Int("points", points).Float64("half_width_pct", half).Msg("how well the hours are known")
	if figure.Points < points || half > want.HalfWidthPct {
		return "", nil
	}
	g.u.Verdict.Enough, g.u.Verdict.EndedBy = points, endNarrow
	g.u.Verdict.Reason = fmt.Sprintf("hours known within %.1f %% after %d of at most %d points (wanted: %g %%)", half, points, want.Most, want.HalfWidthPct)
	if err := r.d.saveEntry(r.e); err != nil {
		return "", stored(err)
	}
	return r.endNarrow(ctx, l)
}

func (r *run) endNarrow(ctx context.Context, l devices.Link) (Event, error) {
	if err := onboard.Stop(ctx, l, r.live.u.Key); err != nil {
		return "", err
	}
	return TargetReached, nil
}
