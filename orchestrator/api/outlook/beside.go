package outlook

import (
	"slices"
	"time"

	"rundown/results"
	"rundown/results/compare"
	"rundown/results/endurance"
)

// A Choice says what is put beside each other.
type Choice struct {
	Reference string   // handset to compare with; the first when empty
	Handsets  []string // none: all that have figures
	Plan      string   // only runs of this plan; empty: all
	Allow     []string // mismatches that do not block, by compare's names
}

// Beside compares handsets by what their runs say. An error of the store costs the runs
// that it names.
func (o *Outlook) Beside(c Choice) (compare.Comparison, error) {
	runs, err := o.Runs()
	if err != nil && len(runs) == 0 {
		return compare.Comparison{}, err
	}
	var order []string
	for _, h := range o.d.File().Bench.Handsets {
		if len(c.Handsets) == 0 || slices.Contains(c.Handsets, h.Name) || h.Name == c.Reference {
			order = append(order, h.Name)
		}
	}
	sides := map[string][]compare.Run{}
	for _, r := range runs {
		if slices.Contains(order, r.Handset.Name) && (c.Plan == "" || c.Plan == r.Plan) {
			sides[r.Handset.Name] = append(sides[r.Handset.Name], o.comparable(r)...)
		}
	}
	var list []compare.Side
	for _, name := range order {
		if len(sides[name]) > 0 {
			list = append(list, compare.Side{Name: name, Runs: sides[name]})
		}
	}
	return compare.Compare(list, compare.Options{Reference: c.Reference, Allow: c.Allow})
}

// comparable are a run's segments that were kept, as compare takes them.
func (o *Outlook) comparable(r results.Run) []compare.Run {
	ended := !r.EndedAt.IsZero()
	o.besideMu.Lock()
	have, ok := o.beside[r.ID]
	o.besideMu.Unlock()
	if ok && ended {
		return have
	}
	var list []compare.Run
	segments, _ := o.d.Store().Segments(r.ID)
	for _, g := range segments {
		if g.Outcome != results.Measured && g.Outcome != results.Flagged {
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
		list = append(list, one)
	}
	if ended {
		o.besideMu.Lock()
		if len(o.beside) >= shapesKept {
			clear(o.beside)
		}
		o.beside[r.ID] = list
		o.besideMu.Unlock()
	}
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
