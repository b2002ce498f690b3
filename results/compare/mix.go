package compare

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strings"
)

// OfMix is a side seen through a day mix: for each of its handsets the days that a full battery lasts, as
// runs of a scenario named after the mix, with hours for days (24 of them make one). A handset that has been
// through every scenario of the mix n times or more gives n of them, each from its share of the repeats.
// Flagged runs count only when they are allowed, as in Compare.
//
// Days are 1 over the sum of hours a day over hours to empty, so that each scenario's errors count by its
// share of the day's drain. What differs from run to run, the bend and the drift are taken as independent
// from scenario to scenario; the cell's voltage and the learned charge are the same in all of them and add
// up linearly.
//
// missing are, by handset, the scenarios of the mix that it has no run of; it is left out then.
func OfMix(s Side, mix string, hoursPerDay map[string]float64, allow []string) (out Side, missing map[string][]string) {
	out, missing = Side{Name: s.Name}, map[string][]string{}
	parts := slices.Sorted(maps.Keys(hoursPerDay))
	flagged := slices.Contains(allow, AllowFlagged)
	for _, g := range handsets(s.Runs) {
		by := map[string][]Run{}
		for _, r := range g {
			if hoursPerDay[r.Scenario] > 0 && (flagged || !r.Flagged) {
				by[r.Scenario] = append(by[r.Scenario], r)
			}
		}
		n := math.MaxInt
		for _, p := range parts {
			if hoursPerDay[p] <= 0 {
				continue
			}
			if len(by[p]) == 0 {
				missing[g[0].Handset.ID] = append(missing[g[0].Handset.ID], p)
			}
			n = min(n, len(by[p]))
		}
		if n == math.MaxInt || n == 0 {
			continue
		}
		for k := range n {
			share := map[string][]Run{}
			for p, runs := range by {
				share[p] = runs[k*len(runs)/n : (k+1)*len(runs)/n]
			}
			out.Runs = append(out.Runs, mixed(mix, hoursPerDay, share))
		}
	}
	return out, missing
}

// mixed is one run of a mix, from the runs of one handset that belong to it.
func mixed(mix string, hoursPerDay map[string]float64, by map[string][]Run) Run {
	day := 0.0                                       // of a full battery, drained in a day
	for _, p := range slices.Sorted(maps.Keys(by)) { // always summed in one order, so that a ratio is the same to its last digit
		day += hoursPerDay[p] / math.Exp(meanLog(by[p]))
	}
	var chance, bend, own, shared float64
	var all []Run
	for _, p := range slices.Sorted(maps.Keys(by)) {
		runs := by[p]
		w := hoursPerDay[p] / math.Exp(meanLog(runs)) / day
		n := float64(len(runs))
		var sharedHere float64
		for _, r := range runs {
			chance += w * w * r.ChanceSD * r.ChanceSD / (n * n)
			bend += w * w * r.BendSD * r.BendSD / n
			own += w * w * max(0, r.OwnSD*r.OwnSD-r.SharedSD*r.SharedSD) / n
			sharedHere += r.SharedSD * r.SharedSD / n
		}
		shared += w * math.Sqrt(sharedHere)
		all = append(all, runs...)
	}
	first := all[0]
	out := Run{
		Handset: first.Handset, Scenario: mix, Segment: segmentsOf(all), Value: 24 / day,
		ChanceSD: math.Sqrt(chance), BendSD: math.Sqrt(bend), OwnSD: math.Sqrt(own + shared*shared), SharedSD: shared,
	}
	for _, r := range all {
		out.Imported, out.Straight = out.Imported || r.Imported, out.Straight || r.Straight
	}
	// What a mix was measured under is all that its scenarios were.
	joined := func(of func(Run) string) string {
		var list []string
		for _, r := range all {
			if v := cmp.Or(of(r), "not known"); !slices.Contains(list, v) {
				list = append(list, v)
			}
		}
		slices.Sort(list)
		return strings.Join(list, "; ")
	}
	out.Under = Circumstances{
		Plan: joined(func(r Run) string { return r.Under.Plan }), Build: joined(func(r Run) string { return r.Under.Build }),
		Calibration: joinedKnown(all, func(r Run) string { return r.Under.Calibration }),
		Workload:    joined(func(r Run) string { return r.Scenario + " " + cmp.Or(r.Under.Workload, "not known") }),
		Conditions:  map[string]string{},
	}
	for _, r := range all {
		for name := range r.Under.Conditions {
			out.Under.Conditions[name] = joined(func(r Run) string { return r.Under.Conditions[name] })
		}
	}
	return out
}

// joinedKnown joins what is known, as an empty calibration means that there is none.
func joinedKnown(runs []Run, of func(Run) string) string {
	var list []string
	for _, r := range runs {
		if v := of(r); v != "" && !slices.Contains(list, v) {
			list = append(list, v)
		}
	}
	slices.Sort(list)
	return strings.Join(list, "; ")
}

func meanLog(runs []Run) float64 {
	sum := 0.0
	for _, r := range runs {
		sum += math.Log(r.Value) / float64(len(runs))
	}
	return sum
}

func segmentsOf(runs []Run) string {
	var list []string
	for _, r := range runs {
		list = append(list, r.Segment)
	}
	return strings.Join(list, ", ")
}
