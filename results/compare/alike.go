package compare

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// alike leaves out flagged runs unless allowed, and lists in what the remaining runs of two sides are
// not alike.
func alike(a, b []Run, p [2]Side, scenario string, allow []string) (keptA, keptB []Run, list []Mismatch) {
	add := func(what, says string) {
		list = append(list, Mismatch{Side: p[0].Name, Reference: p[1].Name, Scenario: scenario, What: what, Says: says,
			Allowed: slices.Contains(allow, what)})
	}
	keep := func(side string, runs []Run) (kept []Run) {
		for _, r := range runs {
			if r.Flagged {
				allowed := slices.Contains(allow, AllowFlagged)
				add(AllowFlagged, fmt.Sprintf("%s, %s, segment %s is flagged: %s%s", side, scenario, r.Segment, cmp.Or(r.FlaggedFor, "a precondition drifted"),
					map[bool]string{true: "", false: ", so it is left out"}[allowed]))
				if !allowed {
					continue
				}
			}
			kept = append(kept, r)
		}
		return kept
	}
	keptA, keptB = keep(p[0].Name, a), keep(p[1].Name, b)
	if len(keptA) == 0 || len(keptB) == 0 {
		return keptA, keptB, list
	}
	all := append(slices.Clone(keptA), keptB...)

	// differ lists the values of one circumstance with the sides that have them.
	differ := func(value func(Run) string) string {
		by := map[string][]string{}
		for i, runs := range [][]Run{keptA, keptB} {
			for _, r := range runs {
				v := cmp.Or(value(r), "not known")
				if !slices.Contains(by[v], p[i].Name) {
					by[v] = append(by[v], p[i].Name)
				}
			}
		}
		if len(by) < 2 {
			return ""
		}
		var parts []string
		for _, v := range slices.Sorted(maps.Keys(by)) {
			parts = append(parts, strings.Join(by[v], " and ")+": "+v)
		}
		return strings.Join(parts, "; ")
	}
	if s := differ(func(r Run) string { return r.Under.Plan }); s != "" {
		add(AllowPlan, "the plan is not the same. "+s)
	}
	if s := differ(func(r Run) string { return r.Under.Workload }); s != "" {
		add(AllowWorkload, scenario+" is not the same. "+s)
	}
	if s := differ(func(r Run) string { return r.Under.Supply }); s != "" {
		add(AllowSupply, "charger and cable are not the same. "+s)
	}
	if s := differ(func(r Run) string { return r.Under.Meter }); s != "" {
		add(AllowMeter, "a meter was not on all of the charging lines, and draws a little itself. "+s)
	}
	// Different models have different builds and curves; only within a model must they be alike.
	within := func(value func(Run) string) (says []string) {
		type found struct{ values, sides []string }
		models := map[string]*found{}
		var order []string
		for i, runs := range [][]Run{keptA, keptB} {
			for _, r := range runs {
				model := cmp.Or(r.Handset.Model, r.Handset.ID)
				f := models[model]
				if f == nil {
					f = &found{}
					models[model] = f
					order = append(order, model)
				}
				if v := cmp.Or(value(r), "not known"); !slices.Contains(f.values, v) {
					f.values = append(f.values, v)
					f.sides = append(f.sides, p[i].Name)
				}
			}
		}
		for _, model := range order {
			if f := models[model]; len(f.values) > 1 {
				var parts []string
				for i, v := range f.values {
					parts = append(parts, f.sides[i]+": "+v)
				}
				says = append(says, model+" has several. "+strings.Join(parts, "; "))
			}
		}
		return says
	}
	for _, s := range within(func(r Run) string { return r.Under.Build }) {
		add(AllowBuild, "the OS build is not the same: "+s)
	}
	if s := differ(func(r Run) string {
		return map[bool]string{true: "with a luminance curve", false: "without one"}[r.Under.Calibration != ""]
	}); s != "" {
		add(AllowCalibration, "luminance was not set the same way. "+s)
	} else {
		for _, s := range within(func(r Run) string { return r.Under.Calibration }) {
			add(AllowCalibration, "the luminance curve is not the same: "+s)
		}
	}
	names := map[string]bool{}
	for _, r := range all {
		for name := range r.Under.Conditions {
			names[name] = true
		}
	}
	if side, ok := unknown(keptA, keptB, p); ok && len(names) > fewConditions {
		add(AllowConditions, fmt.Sprintf("of the %d preconditions nothing is known on the side of %s: it was not measured here, or not by a plan", len(names), side))
		names = nil
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		if s := differ(func(r Run) string { return r.Under.Conditions[name] }); s != "" {
			add(name, "the precondition "+name+" is not the same. "+s)
			if slices.Contains(allow, AllowConditions) {
				list[len(list)-1].Allowed = true
			}
		}
	}
	var rooms []float64
	for _, r := range all {
		if r.Under.RoomC != nil {
			rooms = append(rooms, *r.Under.RoomC)
		}
	}
	if len(rooms) > 0 {
		if low, high := slices.Min(rooms), slices.Max(rooms); high-low > MostRoomK {
			add(AllowRoom, fmt.Sprintf("the rooms were not equally warm: %.1f to %.1f °C, and %d K are allowed", low, high, MostRoomK))
		}
	}
	if slices.ContainsFunc(all, func(r Run) bool { return r.Straight }) && !sameLevels(all) {
		add(AllowStart, "hours that are straight from the level are compared from one start level only. "+differ(func(r Run) string {
			if r.FromPct == 0 {
				return ""
			}
			return fmt.Sprintf("from %d %%", r.FromPct)
		}))
	}
	return keptA, keptB, list
}

// fewConditions is how many preconditions are named one by one where a side knows none of them.
const fewConditions = 3

// unknown names the side of which no precondition is known, where those of the other are.
func unknown(a, b []Run, p [2]Side) (side string, ok bool) {
	none := func(runs []Run) bool {
		return !slices.ContainsFunc(runs, func(r Run) bool { return len(r.Under.Conditions) > 0 })
	}
	switch {
	case none(a) == none(b):
		return "", false
	case none(a):
		return p[0].Name, true
	}
	return p[1].Name, true
}
