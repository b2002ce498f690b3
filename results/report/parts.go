package report

import (
	"fmt"
	"slices"
	"strings"

	"rundown/results/compare"
)

// The page of a comparison is for readers: charging, endurance, load and speed in this order, each with what is shown and
// what is not in a sentence each. The sentences follow from the rows by the rules of Sentences and of nothing else.

// The parts of a comparison, as rows of quantities name them; endurance has rows of ratios.
const (
	PartCharging  = "charging"
	PartEndurance = "endurance"
	PartLoad      = "sustained work"
	PartSpeed     = "speed"
)

// first are the quantities that a part's sentences name before others.
var first = map[string][]string{
	PartCharging: {"20 to 80 %", "to 80 %", "to full", "peak into the battery", "peak arriving", "battery temperature, highest"},
	PartLoad:     {"rate at the start", "settled rate", "share held", "skin temperature, highest", "battery temperature, highest"},
}

// mostNamed is how many differences of a side a sentence names; the others are counted.
const mostNamed = 3

// finding is one comparison as the sentences need it.
type finding struct {
	what, side, reference, says, leftOut string
	shown                                bool
}

func (r Report) findings(part string) (list []finding) {
	if part == PartEndurance {
		for _, x := range r.Ratios {
			list = append(list, finding{x.Scenario, x.Side, x.Reference, x.Says, x.LeftOut, x.Shown})
		}
		return list
	}
	for _, x := range r.Quantities {
		if x.Of == part {
			list = append(list, finding{x.Quantity, x.Side, x.Reference, x.Says, x.LeftOut, x.Shown})
		}
	}
	order := func(f finding) int {
		if i := slices.Index(first[part], f.what); i >= 0 {
			return i
		}
		return len(first[part])
	}
	slices.SortStableFunc(list, func(a, b finding) int { return order(a) - order(b) })
	return list
}

// Sentences are two on one part: what is shown, and what is not. Both are empty where the part has nothing.
//
// Of each side the first names up to three differences that are shown, those that matter most to a reader first, and counts
// the others. The second counts what was compared and is open, naming the first of it, and names the sides that were not
// compared, with the reason.
func (r Report) Sentences(part string) (shown, open string) {
	list := r.findings(part)
	if len(list) == 0 {
		return "", ""
	}
	type tally struct{ shown, open, out []finding }
	sides := map[string]*tally{}
	var order []string
	for _, f := range list {
		name := f.side + " against " + f.reference
		t := sides[name]
		if t == nil {
			t = &tally{}
			sides[name] = t
			order = append(order, name)
		}
		switch {
		case f.leftOut != "":
			t.out = append(t.out, f)
		case f.shown:
			t.shown = append(t.shown, f)
		default:
			t.open = append(t.open, f)
		}
	}
	// In the order of the sides, not of what matters.
	slices.SortStableFunc(order, func(a, b string) int { return r.place(a) - r.place(b) })
	var saidShown, saidOpen []string
	for _, name := range order {
		t := sides[name]
		if n := len(t.shown); n > 0 {
			var named []string
			for _, f := range t.shown[:min(n, mostNamed)] {
				named = append(named, f.what+" "+f.says)
			}
			text := name + ": " + strings.Join(named, ", ")
			if n > mostNamed {
				text += fmt.Sprintf(", and %d more", n-mostNamed)
			}
			saidShown = append(saidShown, text)
		}
		switch n := len(t.open); {
		case n == 0 && len(t.shown) == 0:
			saidOpen = append(saidOpen, fmt.Sprintf("%s is not compared (%s)", name, t.out[0].leftOut))
		case n > 0:
			text := fmt.Sprintf("%s in %s", name, t.open[0].what)
			if n > 1 {
				text += fmt.Sprintf(" and %d more of %d", n-1, n+len(t.shown))
			}
			saidOpen = append(saidOpen, text)
		}
	}
	shown = "Shown is no difference."
	if len(saidShown) > 0 {
		shown = "Shown: " + strings.Join(saidShown, "; ") + "."
	}
	open = "Nothing that was compared is open."
	if len(saidOpen) > 0 {
		open = "Not shown: " + strings.Join(saidOpen, "; ") + "."
	}
	return shown, open
}

// place is where a side stands among the sides, by the name that begins a text.
func (r Report) place(text string) int {
	for i, s := range r.Sides {
		if strings.HasPrefix(text, s.Name+" against ") {
			return i
		}
	}
	return len(r.Sides)
}

// chargeLines say of each charge whether its peak power is kept and how warm its battery was, with why that is stated.
func (r Report) chargeLines() (list []string) {
	hot := false
	for _, c := range r.Charges {
		var parts []string
		if c.PeakKept != "" {
			parts = append(parts, "peak power is kept "+c.PeakKept)
		}
		if c.HeldW != nil && c.DropToW != nil && c.Drop != nil {
			parts = append(parts, fmt.Sprintf("power first falls after %s min, from %s to %s W", number(c.Drop.Value/60, 1), number(*c.HeldW, 1), number(*c.DropToW, 1)))
		}
		if said := SayHot(c); said != "" {
			parts, hot = append(parts, "battery "+said), true
		}
		if len(parts) > 0 {
			list = append(list, r.sideOf(c.Whose)+": "+strings.Join(parts, "; "))
		}
	}
	if hot {
		list = append(list, BatteryLife)
	}
	return list
}

// loadLines are the touch limits with the warnings of all parts.
func (r Report) loadLines() []string {
	list := r.touchWarnings()
	if len(r.Sustained) > 0 || len(list) > 0 {
		list = append(list, TouchLimits)
	}
	return list
}

// method is how all of it was found and how sure it is, in one paragraph.
func (r Report) method() string {
	text := "Intervals are 95 %. "
	var counts []string
	tests := map[string]bool{}
	for _, part := range []string{PartCharging, PartEndurance, PartLoad, PartSpeed} {
		n := 0
		if part == PartEndurance {
			for _, x := range r.Ratios {
				if x.LeftOut == "" && x.Of != "day mix" {
					n, tests[x.Test] = n+1, true
				}
			}
		} else {
			for _, x := range r.Quantities {
				if x.Of == part && x.LeftOut == "" {
					n, tests[x.Test] = n+1, true
				}
			}
		}
		if n > 0 {
			counts = append(counts, fmt.Sprintf("%d in %s", n, part))
		}
	}
	if len(counts) > 0 {
		text += "A difference is shown where chance alone would make one as large in fewer than one of twenty such sets of comparisons: p below 0.05 after Holm's correction, each part being a set (" + listed(counts) + "). "
	}
	if tests[compare.ByRuns] {
		text += "Repeats are compared by Welch's test, with the handsets' own errors in the interval. "
	}
	if tests[compare.ByPairs] {
		text += "The same handsets on both sides are paired. "
	}
	if tests[compare.ByInterval] {
		text += "Where a side has a single run, how much it differs from run to run was not seen but assumed, and the single runs' intervals decide. "
	}
	if len(r.Charges) > 0 {
		text += "Charges count from when power came; power and energy into the battery are by the handset's own gauge, what arrives by a meter. "
	}
	if len(r.Figures) > 0 {
		text += "Hours are from full to empty at one scenario, extrapolated from the part that was drained. "
	}
	if len(r.Sustained) > 0 {
		text += "Rates of work are compared within one workload only; battery temperatures are the handset's own readings. "
	}
	if slices.ContainsFunc(r.Sides, func(s Side) bool { return s.Imported }) {
		text += "What is marked as imported was not measured by rundown. "
	}
	return strings.TrimSpace(text + "A difference that is not shown may exist.")
}

// pageSections are those of a comparison's page.
func (r Report) pageSections() (list []section) {
	quantities := func(part, title string) []table { return maybe(r.quantityTable(part, title)) }
	var charge, discharge []Picture
	for _, p := range CurvePictures(r.sidedCurves()) {
		if strings.HasPrefix(p.Name, Charge) {
			charge = append(charge, p)
		} else {
			discharge = append(discharge, p)
		}
	}
	add := func(part, title string, pictures []Picture, tables []table, lines []string) {
		shown, open := r.Sentences(part)
		one := section{Title: title, Tables: tables, List: lines}
		for _, s := range []string{shown, open} {
			if s != "" {
				one.Says = append(one.Says, s)
			}
		}
		for _, p := range pictures {
			one.Pictures = append(one.Pictures, drawn{Picture: p})
		}
		if len(one.Says)+len(pictures)+len(tables)+len(lines) > 0 {
			list = append(list, one)
		}
	}
	var hours []Picture
	if p, ok := RatioPicture(r.Ratios); ok {
		hours = append(hours, p)
	}
	if p, ok := EndurancePicture(r.Figures); ok {
		hours = append(hours, p)
	}
	add(PartCharging, "Charging", charge, maybe(r.chargeTable()), r.chargeLines())
	add(PartEndurance, "Endurance", append(hours, discharge...), append(maybe(r.enduranceTable()), maybe(r.mixTable())...), nil)
	add(PartLoad, "Load", LotPictures(r.sidedLots(), r.Sustained), maybe(r.sustainTable()), r.loadLines())
	add(PartSpeed, "Speed", nil, quantities(PartSpeed, "Speed compared"), nil)
	plain := func(title string, says, lines []string, tables []table) {
		if len(says)+len(lines)+len(tables) > 0 {
			list = append(list, section{Title: title, Says: says, List: lines, Tables: tables})
		}
	}
	plain("What was not alike", nil, r.Mismatches, nil)
	plain("Method and uncertainty", []string{r.method()}, nil, nil)
	plain("Notes", nil, r.Remarks, nil)
	plain("All comparisons", nil, nil, slices.Concat(quantities(PartCharging, "Charging compared"), maybe(r.ratioTable()), quantities(PartLoad, "Load compared")))
	plain("What the figures rest on", nil, r.assumed(), maybe(r.budgetTable()))
	return list
}

func maybe(t table, ok bool) []table {
	if !ok {
		return nil
	}
	return []table{t}
}

// pageWidths are how wide, in pixels, a page needs its pictures: on a plain and on a fine screen.
var pageWidths = []int{800, 1600}

// dotsFor is at how many dots an inch a picture is so wide.
func (p Picture) dotsFor(pixels int) int { return int(float64(pixels) * 96 / (p.Width + 2*margin)) }
