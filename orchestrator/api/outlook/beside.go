package outlook

import (
	"slices"
	"time"

	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/compare"
	"rundown/results/endurance"
)

// A Choice says what is put beside each other.
type Choice struct {
	Reference string    // handset to compare with; the first when empty
	Handsets  []string  // none: all that have figures
	Plan      string    // only runs of this plan; empty: all
	Allow     []string  // mismatches that do not block, by compare's names
	From      time.Time // only runs begun at or after it; zero: of lately (see Lately)
}

// lately is how far back runs are put beside each other when nobody asks for more: what
// is older was measured on other builds, and a year of it would take its time.
const lately = 30 * 24 * time.Hour

// Lately is the instant from which on runs count when nobody asks for more.
func (o *Outlook) Lately() time.Time {
	runs, _ := o.Runs()
	newest := time.Time{}
	for _, r := range runs {
		if r.StartedAt.After(newest) {
			newest = r.StartedAt
		}
	}
	if newest.IsZero() {
		return newest
	}
	return newest.Add(-lately)
}

// An estimated segment is one that was kept, with its figure.
type estimated struct {
	run     compare.Run
	figure  endurance.Figure
	flagged bool
}

// chosen are the estimates that a choice is about, by handset, and the handsets in the
// bench's order.
func (o *Outlook) chosen(c Choice) (order []string, by map[string][]estimated, err error) {
	runs, err := o.Runs()
	if c.From.IsZero() {
		c.From = o.Lately()
	}
	for _, h := range o.d.File().Bench.Handsets {
		if len(c.Handsets) == 0 || slices.Contains(c.Handsets, h.Name) || h.Name == c.Reference {
			order = append(order, h.Name)
		}
	}
	by = map[string][]estimated{}
	for _, r := range runs {
		if slices.Contains(order, r.Handset.Name) && (c.Plan == "" || c.Plan == r.Plan) && !r.StartedAt.Before(c.From) {
			by[r.Handset.Name] = append(by[r.Handset.Name], o.estimates(r)...)
		}
	}
	return order, by, err
}

// Hours are the endurances of what is put beside each other, combined as the daemon's
// figures are.
func (o *Outlook) Hours(c Choice) ([]orchestrator.ScenarioFigure, error) {
	order, by, err := o.chosen(c)
	list := []orchestrator.ScenarioFigure{}
	for _, name := range order {
		var scenarios []string
		figures := map[string][]endurance.Figure{}
		for _, e := range by[name] {
			if e.flagged && !slices.Contains(c.Allow, compare.AllowFlagged) {
				continue
			}
			if figures[e.run.Scenario] == nil {
				scenarios = append(scenarios, e.run.Scenario)
			}
			figures[e.run.Scenario] = append(figures[e.run.Scenario], e.figure)
		}
		for _, s := range scenarios {
			hours, agree := endurance.Combine(figures[s])
			list = append(list, orchestrator.ScenarioFigure{
				Handset: name, Scenario: s, Hours: orchestrator.Interval{Value: hours.Value, Low: hours.Low, High: hours.High}, Kept: len(figures[s]), Agree: agree,
			})
		}
	}
	return list, err
}

// SegmentHours are the endurances of a run's segments that were kept, by segment.
func (o *Outlook) SegmentHours(r results.Run) map[string]orchestrator.Interval {
	by := map[string]orchestrator.Interval{}
	for _, e := range o.estimates(r) {
		h := e.figure.Hours
		by[e.run.Segment] = orchestrator.Interval{Value: h.Value, Low: h.Low, High: h.High}
	}
	return by
}

// Beside compares handsets by what their runs say. An error of the store costs the runs
// that it names.
func (o *Outlook) Beside(c Choice) (compare.Comparison, error) {
	order, by, err := o.chosen(c)
	if err != nil && len(by) == 0 {
		return compare.Comparison{}, err
	}
	var list []compare.Side
	for _, name := range order {
		side := compare.Side{Name: name}
		for _, e := range by[name] {
			side.Runs = append(side.Runs, e.run)
		}
		if len(side.Runs) > 0 {
			list = append(list, side)
		}
	}
	return compare.Compare(list, compare.Options{Reference: c.Reference, Allow: c.Allow})
}

// estimates are a run's segments that were kept, computed once when the run has ended.
func (o *Outlook) estimates(r results.Run) []estimated {
	ended := !r.EndedAt.IsZero()
	o.besideMu.Lock()
	have, whole := o.beside[r.ID], o.besideWhole[r.ID]
	o.besideMu.Unlock()
	if whole {
		return have
	}
	var list []estimated
	segments, _ := o.d.Store().Segments(r.ID)
	before := map[string]estimated{}
	for _, e := range have {
		before[e.run.Segment] = e
	}
	for _, g := range segments {
		if g.Outcome != results.Measured && g.Outcome != results.Flagged {
			continue
		}
		if e, ok := before[g.ID]; ok {
			list = append(list, e)
			continue
		}
		samples, err := o.d.Store().Samples(g.ID)
		if err != nil {
			continue
		}
		f, err := endurance.Estimate(endurance.Input{
			Samples: estimable(samples), ActivityT: time.Duration(g.ActivityUpS * float64(time.Second)), WarmUpS: g.WarmUpS,
			LoopS: g.LoopS, TargetPoints: g.TargetPoints, DesignMAh: r.Handset.CapacityMAh, NominalMV: r.Handset.NominalMV,
		})
		if err != nil {
			continue
		}
		one := compare.RunOf(f)
		one.Handset = compare.Handset{ID: r.Handset.Serial, Model: r.Handset.Model, CapacityMAh: r.Handset.CapacityMAh, NominalMV: r.Handset.NominalMV}
		one.Scenario, one.Segment, one.Flagged = g.Scenario, g.ID, g.Outcome == results.Flagged
		one.Under = compare.Circumstances{
			Plan: r.Plan + " " + r.PlanHash, Workload: g.WorkloadVersion, Build: r.Handset.Build, Calibration: r.Handset.Calibration,
			Conditions: map[string]string{},
		}
		for _, k := range g.Conditions {
			if k.Required {
				one.Under.Conditions[k.Name] = k.Wanted // it was met, or the run would not have begun
			}
		}
		list = append(list, estimated{one, f, one.Flagged})
	}
	o.besideMu.Lock()
	defer o.besideMu.Unlock()
	if len(o.beside) >= shapesKept {
		clear(o.beside)
		clear(o.besideWhole)
	}
	o.beside[r.ID], o.besideWhole[r.ID] = list, ended
	return list
}

func estimable(samples []results.Sample) []endurance.Sample {
	number := func(v *int64) *float64 {
		if v == nil {
			return nil
		}
		f := float64(*v)
		return &f
	}
	list := make([]endurance.Sample, len(samples))
	for i, s := range samples {
		list[i] = endurance.Sample{
			T: time.Duration(s.UptimeMS) * time.Millisecond, LevelPct: s.LevelPct, Counter: number(s.CounterRaw), Current: number(s.CurrentRaw),
			VoltageMV: number(s.VoltageMV), Plugged: s.Plugged != 0,
		}
	}
	return list
}
