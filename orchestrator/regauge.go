package orchestrator

import (
	"rundown/results"
	"rundown/results/endurance"
)

// judgeGauge looks whether gauge or counter corrected themselves while a drain was measured. A
// segment of which that is sure is not what it says: it is carried out again where that can be
// done. Else it is kept, flagged, with an interval that has the correction in it.
func (r *run) judgeGauge(samples []results.Sample) {
	g := r.live
	if !r.goal().drains() || g.u.Verdict.Spoiled != "" || g.rec.Points() < endurance.MinPoints {
		return
	}
	f, err := endurance.Estimate(r.d.room.EstimateInput(g.rec, r.rec.Handset, samples, nil))
	if err != nil {
		return // what gives no figure is judged elsewhere
	}
	if f.Corrected == "" {
		if c := f.Reanchoring; c != nil { // in doubt: the interval has it
			g.note(g.u.hostAt(c.At.Milliseconds()), "%s", c)
		}
		return
	}
	g.note(g.u.hostAt(f.CorrectedAt.Milliseconds()), "%s", f.Corrected)
	if r.rec.EndedAt.IsZero() && !r.cancelled() && r.e.Attempt <= r.e.Item.Order.Plan.RestartSpoiled {
		g.u.Verdict.Spoiled = f.Corrected
		return
	}
	g.u.Verdict.Doubt = f.Corrected
}
