package report

import (
	"fmt"
	"math"
	"slices"

	"rundown/results"
	"rundown/results/compare"
)

// RatioRows are a comparison as rows of the exported table.
func RatioRows(c compare.Comparison) (rows []results.RatioRow) {
	interval := func(i compare.Interval) *results.Interval {
		if i.High == 0 {
			return nil
		}
		return &i
	}
	some := func(v float64) *float64 {
		if v == 0 {
			return nil
		}
		return &v
	}
	for _, r := range c.Ratios {
		row := results.RatioRow{Of: "scenario", Scenario: r.Scenario, Side: r.Side, Reference: r.Reference, SideHours: interval(r.SideHours), ReferenceHours: interval(r.ReferenceHours),
			SideRuns: r.SideRuns, ReferenceRuns: r.RefRuns, Test: r.By, Shown: r.Shown, Says: r.Says, LeftOut: r.LeftOut, Notes: r.Notes}
		if r.LeftOut == "" {
			row.Ratio = interval(r.Ratio)
			p, set := r.P, r.PAdjusted
			row.P, row.PAdjusted = &p, &set
		}
		if b := r.Battery; b != nil {
			row.BatteryRatio, row.Rest = some(b.Ratio), interval(b.Rest)
			row.SidePerWh, row.ReferencePerWh = some(b.SidePerWh), some(b.ReferencePerWh)
			row.Notes = append(slices.Clone(row.Notes), b.Says)
		}
		if r.RepeatsNeeded > 0 {
			n := int64(r.RepeatsNeeded)
			row.RepeatsNeeded = &n
		}
		rows = append(rows, row)
	}
	return rows
}

const (
	rowHigh  = 30.0
	barsHead = 30.0
	nameAt   = 100.0 // of the handset's name; the scenario stands before it
	fieldAt  = 232.0 // of the drawn field
	fieldTo  = 560.0
	barsWide = 860.0
)

// EndurancePicture draws hours with their intervals, a bar each, in groups by scenario; ok is false where no
// row has hours. Rows of single segments are left out where the handset's repeats have a row.
func EndurancePicture(rows []results.FigureRow) (p Picture, ok bool) {
	rows = toldTogether(rows)
	high := 0.0
	for _, r := range rows {
		if r.Hours != nil {
			high = math.Max(high, r.Hours.High)
		}
	}
	if high == 0 {
		return Picture{}, false
	}
	p = Picture{Name: "endurance", Title: "Endurance, hours from full to empty", Table: results.Figures.Name, Width: barsWide, Height: barsHead + rowHigh*float64(len(rows)) + 12}
	var all []string
	for _, r := range rows {
		if r.Hours != nil {
			all = append(all, fmt.Sprintf("%s, %s: %s hours, %s to %s", r.Scenario, r.Handset, number(r.Hours.Value, 1), number(r.Hours.Low, 1), number(r.Hours.High, 1)))
		}
	}
	p.Alt = p.Title + ", with 95 % intervals. " + joined(all)
	p.draw = func(s *sheet) { drawEndurance(s, rows, high) }
	return p, true
}

// toldTogether are the rows of endurance that a reader wants: by scenario, one a handset.
func toldTogether(rows []results.FigureRow) (out []results.FigureRow) {
	var scenarios []string
	for _, r := range rows {
		if r.Of != "day mix" && !slices.Contains(scenarios, r.Scenario) {
			scenarios = append(scenarios, r.Scenario)
		}
	}
	for _, sc := range scenarios {
		for _, r := range rows {
			if r.Scenario != sc || r.Of == "day mix" {
				continue
			}
			together := r.Of == "segment" && slices.ContainsFunc(rows, func(o results.FigureRow) bool {
				return o.Of == "repeats" && o.Scenario == sc && o.Handset == r.Handset && o.Imported == r.Imported
			})
			if !together {
				out = append(out, r)
			}
		}
	}
	return out
}

// groupRule draws the rule above a row and the scenario where a group begins.
func groupRule(s *sheet, y float64, first bool, scenario string, rowsInGroup int) {
	if !first {
		return
	}
	s.line(0, y, barsWide, y, 0.8, line2)
	s.text(0, y+rowHigh*float64(rowsInGroup)/2+4.5, left, normal, true, ink, fit(normal, true, scenario, nameAt-8))
}

func drawEndurance(s *sheet, rows []results.FigureRow, high float64) {
	values := ticks(0, high, 8)
	x := scale{0, values[len(values)-1], fieldAt, fieldTo, false}
	bottom := barsHead + rowHigh*float64(len(rows))
	for _, v := range values {
		s.line(x.at(v), barsHead, x.at(v), bottom, 0.7, line1)
		s.text(x.at(v), barsHead-8, center, small, false, ink2, tickText(v, values[1]-values[0]))
	}
	s.text(0, barsHead-8, left, small, false, ink2, "Scenario")
	s.text(nameAt, barsHead-8, left, small, false, ink2, "Handset")
	s.text(fieldTo+66, barsHead-8, right, small, false, ink2, "Hours")
	s.text(fieldTo+164, barsHead-8, right, small, false, ink2, "95 %")
	s.text(fieldTo+230, barsHead-8, right, small, false, ink2, "Segments")
	for i, r := range rows {
		y := barsHead + rowHigh*float64(i)
		first := i == 0 || rows[i-1].Scenario != r.Scenario
		n := 1
		for i+n < len(rows) && rows[i+n].Scenario == r.Scenario {
			n++
		}
		groupRule(s, y, first, r.Scenario, n)
		base := y + rowHigh/2 + 4.5
		s.text(nameAt, base, left, normal, false, ink, fit(normal, false, r.Handset, fieldAt-nameAt-10))
		if r.Hours == nil {
			s.text(fieldAt+6, base, left, small, false, ink2, fit(small, false, "no figure: "+r.Reason, barsWide-fieldAt-10))
			continue
		}
		mid := y + rowHigh/2
		if r.Imported { // not measured by rundown: hatched
			s.rect(x.at(0), mid-7, x.at(r.Hours.Value)-x.at(0), 14, rest)
			s.hatch(x.at(0), mid-7, x.at(r.Hours.Value)-x.at(0), 14, line2)
		} else {
			s.rect(x.at(0), mid-7, x.at(r.Hours.Value)-x.at(0), 14, drain)
		}
		s.line(x.at(r.Hours.Low), mid, x.at(r.Hours.High), mid, 1.6, ink)
		for _, end := range []float64{r.Hours.Low, r.Hours.High} {
			s.line(x.at(end), mid-4, x.at(end), mid+4, 1.6, ink)
		}
		s.line(x.at(r.Hours.Value), mid-7, x.at(r.Hours.Value), mid+7, 1.6, ink)
		s.text(fieldTo+66, base, right, normal, true, ink, number(r.Hours.Value, 1))
		s.text(fieldTo+164, base, right, small, false, ink2, number(r.Hours.Low, 1)+" to "+number(r.Hours.High, 1))
		s.text(fieldTo+230, base, right, small, false, ink2, fmt.Sprint(r.Segments))
		switch {
		case r.Imported:
			s.text(fieldTo+242, base, left, small, false, ink2, "imported")
		case r.Of == "repeats" && !r.Agree:
			s.text(fieldTo+242, base, left, small, false, ink2, "apart")
		}
	}
	s.line(x.at(0), barsHead, x.at(0), bottom, 1.2, ink)
	s.line(0, bottom, barsWide, bottom, 0.8, line2)
}

// RatioPicture draws ratios of hours around 1 on a logarithmic axis, in groups by scenario; ok is false where
// there is none. A difference that is not shown is hollow and grey and says so.
func RatioPicture(rows []results.RatioRow) (p Picture, ok bool) {
	low, high := 1.0, 1.0
	for _, r := range rows {
		if r.Ratio != nil {
			low, high = math.Min(low, r.Ratio.Low), math.Max(high, r.Ratio.High)
			ok = true
		}
	}
	if !ok {
		return Picture{}, false
	}
	ordered := slices.Clone(rows)
	var scenarios []string
	for _, r := range rows {
		if !slices.Contains(scenarios, r.Scenario) {
			scenarios = append(scenarios, r.Scenario)
		}
	}
	slices.SortStableFunc(ordered, func(a, b results.RatioRow) int {
		return slices.Index(scenarios, a.Scenario) - slices.Index(scenarios, b.Scenario)
	})
	p = Picture{Name: "ratios", Title: "Hours as a ratio", Table: results.Ratios.Name, Width: barsWide, Height: barsHead + 18 + rowHigh*float64(len(rows)) + 12}
	if one := oneReference(rows); one != "" {
		p.Title = "Hours as a ratio to " + one
	}
	var all []string
	for _, r := range ordered {
		says := r.Says
		if r.Ratio != nil {
			says = fmt.Sprintf("%s (%s to %s), %s", number(r.Ratio.Value, 2), number(r.Ratio.Low, 2), number(r.Ratio.High, 2), r.Says)
		}
		all = append(all, fmt.Sprintf("%s, %s: %s", r.Scenario, sideName(r, oneReference(rows)), says))
	}
	p.Alt = p.Title + ", with 95 % intervals. " + joined(all)
	p.draw = func(s *sheet) { drawRatios(s, ordered, low, high) }
	return p, true
}

func oneReference(rows []results.RatioRow) string {
	for _, r := range rows {
		if r.Reference != rows[0].Reference {
			return ""
		}
	}
	return rows[0].Reference
}

func sideName(r results.RatioRow, reference string) string {
	if reference == "" {
		return r.Side + " to " + r.Reference
	}
	return r.Side
}

// ratioTicks are the ratios at which an axis is marked: 1, and steps that are as wide as the range asks for.
func ratioTicks(low, high float64) (values []float64) {
	candidates := []float64{0.1, 0.2, 0.5, 1, 2, 5, 10}
	switch span := math.Log(high / low); {
	case span < 0.12:
		candidates = stepped(0.90, 1.12, 0.01)
	case span < 0.3:
		candidates = stepped(0.70, 1.40, 0.05)
	case span < 1:
		candidates = append(stepped(0.4, 1.4, 0.1), 1.6, 1.8, 2, 2.25, 2.5)
	case span < 2:
		candidates = []float64{0.25, 0.33, 0.5, 0.7, 1, 1.4, 2, 3, 4}
	}
	for i, v := range candidates {
		next := i+1 < len(candidates) && candidates[i+1] <= low
		before := i > 0 && candidates[i-1] >= high
		if !next && !before {
			values = append(values, v)
		}
	}
	return values
}

func stepped(from, to, step float64) (values []float64) {
	for i := 0; from+float64(i)*step <= to+1e-9; i++ {
		values = append(values, math.Round((from+float64(i)*step)*1000)/1000)
	}
	return values
}

func drawRatios(s *sheet, rows []results.RatioRow, low, high float64) {
	values := ratioTicks(low, high)
	x := scale{math.Min(low, values[0]), math.Max(high, values[len(values)-1]), fieldAt, fieldTo, true}
	top := barsHead + 18.0
	bottom := top + rowHigh*float64(len(rows))
	lastEnd := math.Inf(-1)
	for _, v := range values {
		s.line(x.at(v), top, x.at(v), bottom, 0.7, line1)
		label := number(v, 2)
		for len(label) > 1 && (label[len(label)-1] == '0' || label[len(label)-1] == '.') && v != 10 {
			label = label[:len(label)-1]
		}
		w := width(small, false, label)
		one := width(small, false, "1")
		nearOne := v != 1 && math.Abs(x.at(v)-x.at(1)) < (w+one)/2+6
		if x.at(v)-w/2 > lastEnd+6 && !nearOne || v == 1 {
			s.text(x.at(v), top-8, center, small, false, ink2, label)
			lastEnd = x.at(v) + w/2
		}
	}
	s.text(x.from, top-26, left, small, false, ink2, "shorter")
	s.text(x.to, top-26, right, small, false, ink2, "longer")
	s.text(0, top-8, left, small, false, ink2, "Scenario")
	s.text(nameAt, top-8, left, small, false, ink2, "Side")
	s.text(fieldTo+50, top-8, right, small, false, ink2, "Ratio")
	s.text(fieldTo+140, top-8, right, small, false, ink2, "95 %")
	s.text(fieldTo+156, top-8, left, small, false, ink2, "What it shows")
	var sides []string
	reference := oneReference(rows)
	for _, r := range rows {
		if name := sideName(r, reference); !slices.Contains(sides, name) {
			sides = append(sides, name)
		}
	}
	s.line(x.at(1), top, x.at(1), bottom, 1.4, ink)
	for i, r := range rows {
		y := top + rowHigh*float64(i)
		first := i == 0 || rows[i-1].Scenario != r.Scenario
		n := 1
		for i+n < len(rows) && rows[i+n].Scenario == r.Scenario {
			n++
		}
		groupRule(s, y, first, r.Scenario, n)
		base, mid := y+rowHigh/2+4.5, y+rowHigh/2
		name := sideName(r, reference)
		m := markOf(slices.Index(sides, name))
		c, words := ink, ink
		if !r.Shown {
			c, words = ink2, ink2
		}
		s.mark(m, nameAt+5, mid, 4.2, !r.Shown, c)
		s.text(nameAt+16, base, left, normal, false, words, fit(normal, false, name, fieldAt-nameAt-26))
		if r.Ratio == nil {
			s.text(fieldTo+156, base, left, normal, false, words, r.Says)
			continue
		}
		s.line(x.at(r.Ratio.Low), mid, x.at(r.Ratio.High), mid, 1.6, c)
		s.mark(m, x.at(r.Ratio.Value), mid, 4.6, !r.Shown, c)
		s.text(fieldTo+50, base, right, normal, false, words, number(r.Ratio.Value, 2))
		s.text(fieldTo+140, base, right, small, false, ink2, number(r.Ratio.Low, 2)+" to "+number(r.Ratio.High, 2))
		s.text(fieldTo+156, base, left, normal, false, words, r.Says)
	}
	s.line(0, bottom, barsWide, bottom, 0.8, line2)
}

func joined(parts []string) string {
	out := ""
	for i, p := range parts {
		if i > 0 {
			out += "; "
		}
		out += p
	}
	if out != "" {
		out += "."
	}
	return out
}
