package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"rundown/results"
)

// The kinds of curves.
const (
	Discharge = "discharge"
	Charge    = "charge"
)

// mostSeries is how many handsets share one picture of curves; more get another one on the same axes.
const mostSeries = 6

// A series is one curve: a handset's segment, or one charge of it.
type series struct {
	handset, segment string
	mark             mark
	rows             []results.CurveRow
	imported         bool
	edges            []float64 // times at which its marks stand on the first panel; nil: evenly apart
}

// Thin makes curves small enough to draw: power and temperature are means over so many
// stretches of time, and every change of the level is kept. What is drawn and what is exported
// are then the same rows. Rows are in order of time within a segment.
func Thin(rows []results.CurveRow, stretches int) (out []results.CurveRow) {
	for _, s := range bySegment(rows) {
		span := s.rows[len(s.rows)-1].TimeS - s.rows[0].TimeS
		if len(s.rows) <= 2*stretches || !(span > 0) {
			out = append(out, s.rows...)
			continue
		}
		start := 0
		for i := 1; i <= len(s.rows); i++ {
			if i < len(s.rows) && !changed(s.rows[i-1].LevelPct, s.rows[i].LevelPct) && s.rows[i].TimeS-s.rows[start].TimeS < span/float64(stretches) {
				continue
			}
			out = append(out, meanRow(s.rows[start:i]))
			start = i
		}
	}
	return out
}

func changed(a, b *float64) bool {
	if a == nil || b == nil {
		return a != b
	}
	return *a != *b
}

// meanRow stands at the first row's time, where its level began.
func meanRow(rows []results.CurveRow) results.CurveRow {
	out := rows[0]
	mean := func(of func(results.CurveRow) *float64) *float64 {
		sum, n := 0.0, 0.0
		for _, r := range rows {
			if v := of(r); v != nil {
				sum, n = sum+*v, n+1
			}
		}
		if n == 0 {
			return nil
		}
		sum /= n
		return &sum
	}
	out.PowerW = mean(func(r results.CurveRow) *float64 { return r.PowerW })
	out.SocketW = mean(func(r results.CurveRow) *float64 { return r.SocketW })
	out.TempC = mean(func(r results.CurveRow) *float64 { return r.TempC })
	return out
}

func bySegment(rows []results.CurveRow) (list []series) {
	at := map[[3]string]int{}
	for _, r := range rows {
		key := [3]string{r.Handset, r.RunID, r.SegmentID}
		i, ok := at[key]
		if !ok {
			i = len(list)
			at[key] = i
			list = append(list, series{handset: r.Handset, segment: r.SegmentID, imported: r.Imported})
		}
		list[i].rows = append(list[i].rows, r)
	}
	return list
}

// panel is one of the panels under a common time axis.
type panel struct {
	name, unit string
	height     float64
	of         func(results.CurveRow) *float64
	steps      bool // a staircase: the value holds until the next row
	zero       bool // the axis begins at 0
	close      bool // it may be of less than two units: rates are in any
	lo, hi     float64
	lines      []limit
}

// fitted are the panels that any row has a value for, with the span of the values.
func fitted(panels []panel, rows []results.CurveRow) []panel {
	panels = slices.DeleteFunc(panels, func(p panel) bool {
		return !slices.ContainsFunc(rows, func(r results.CurveRow) bool { return p.of(r) != nil })
	})
	for i := range panels {
		p := &panels[i]
		p.lo, p.hi = math.Inf(1), math.Inf(-1)
		for _, r := range rows {
			if v := p.of(r); v != nil {
				p.lo, p.hi = math.Min(p.lo, *v), math.Max(p.hi, *v)
			}
		}
		if p.zero {
			p.lo = math.Min(0, p.lo)
		}
		if p.hi-p.lo < 2 && !p.close {
			p.hi = p.lo + 2
		}
	}
	return panels
}

// A limit is a value that a panel marks across, with a word on it.
type limit struct {
	at   float64
	says string
}

// limits draws those that lie within the panel.
func (q panel) limits(s *sheet, x, y scale) {
	for _, l := range q.lines {
		if l.at >= y.lo && l.at <= y.hi {
			s.dashed([][2]float64{{x.from, y.at(l.at)}, {x.to, y.at(l.at)}}, 0.9, line2, dashesOf(1))
			s.text(x.to, y.at(l.at)-4, right, small, false, ink2, l.says)
		}
	}
}

// CurvePictures draws discharge or charging curves: one picture a scenario and at most six handsets, with
// panels for level, power and temperature under one time axis.
func CurvePictures(rows []results.CurveRow) []Picture {
	var pictures []Picture
	for _, kind := range []string{Discharge, Charge} {
		var scenarios []string
		for _, r := range rows {
			if r.Kind == kind && !slices.Contains(scenarios, r.Scenario) {
				scenarios = append(scenarios, r.Scenario)
			}
		}
		for _, scenario := range scenarios {
			of := slices.DeleteFunc(slices.Clone(rows), func(r results.CurveRow) bool { return r.Kind != kind || r.Scenario != scenario })
			pictures = append(pictures, curves(kind, scenario, of)...)
		}
	}
	return pictures
}

func curves(kind, scenario string, rows []results.CurveRow) (pictures []Picture) {
	all := bySegment(rows)
	if kind == Charge {
		for i := range all {
			all[i].edges = levelEdges(all[i].rows)
		}
	}
	var handsets []string
	endS := 0.0
	for _, s := range all {
		if !slices.Contains(handsets, s.handset) {
			handsets = append(handsets, s.handset)
		}
		endS = math.Max(endS, s.rows[len(s.rows)-1].TimeS)
	}
	panels := []panel{
		{name: "Level", unit: "%", height: 160, of: func(r results.CurveRow) *float64 { return r.LevelPct }, steps: true},
		{name: "Power", unit: "W drawn", height: 84, of: func(r results.CurveRow) *float64 { return r.PowerW }, zero: true},
		{name: "Temperature", unit: "°C, battery", height: 84, of: func(r results.CurveRow) *float64 { return r.TempC }},
	}
	if kind == Charge {
		panels[0].height = 130
		panels[1] = panel{name: "Power", unit: "W into the battery", height: 130, of: panels[1].of, zero: true}
		socket := panel{name: "Power", unit: "W at the socket", height: 110, of: func(r results.CurveRow) *float64 { return r.SocketW }, zero: true}
		panels = slices.Insert(panels, 2, socket)
		panels[3].lines = []limit{{HotC, tickText(HotC, 1) + " °C"}, {HotterC, tickText(HotterC, 1) + " °C"}}
	}
	panels = fitted(panels, rows)
	if kind == Charge && len(handsets) > mostSeries {
		p := Picture{Name: fileName(kind), Title: "Charge", Table: results.Curves.Name}
		if scenario != kind {
			p.Name = fileName(kind, scenario)
		}
		p.asMultiples(panels, all, handsets, endS, acrossCharge)
		return []Picture{p}
	}
	for page := 0; page*mostSeries < len(handsets); page++ {
		some := handsets[page*mostSeries : min(len(handsets), (page+1)*mostSeries)]
		var list []series
		for _, s := range all {
			if i := slices.Index(some, s.handset); i >= 0 {
				s.mark = markOf(i)
				list = append(list, s)
			}
		}
		p := Picture{Table: results.Curves.Name, Width: 760}
		p.Name = fileName(kind)
		if scenario != kind {
			p.Name = fileName(kind, scenario)
		}
		p.Title = strings.ToUpper(kind[:1]) + kind[1:]
		if kind == Discharge {
			p.Title += ", " + scenario
		}
		if page > 0 {
			p.Name += fmt.Sprint("-", page+1)
		}
		p.Height = curvesHead + curvesFoot
		var names []string
		for _, q := range panels {
			p.Height += q.height + panelGap
			names = append(names, strings.ToLower(q.name))
		}
		p.Alt = fmt.Sprintf("%s: %s against time, of %s.", p.Title, listed(slices.Compact(names)), listed(some))
		p.draw = func(s *sheet) { drawCurves(s, p, kind, panels, list, some, endS) }
		pictures = append(pictures, p)
	}
	return pictures
}

// legend draws the marks with their names over a picture of so many points' width.
func legend(s *sheet, wide float64, list []series, names []string) {
	imported := func(name string) bool {
		return slices.ContainsFunc(list, func(o series) bool { return o.handset == name && o.imported })
	}
	said, all := make([]string, len(names)), 0.0
	for i, h := range names {
		if said[i] = h; imported(h) {
			said[i] += " (imported)"
		}
		all += 39 + width(normal, false, said[i])
	}
	at := curvesLeft
	for i, h := range names {
		m := markOf(i)
		s.dashed([][2]float64{{at - 4, 14}, {at + 14, 14}}, 1.4, m.color, dashesOf(i))
		s.mark(m, at+5, 14, 4, imported(h), m.color)
		name := said[i]
		if all > wide-curvesLeft-curvesEdge {
			name = fit(normal, false, name, (wide-curvesLeft-curvesEdge)/float64(len(names))-39)
		}
		s.text(at+19, 18.5, left, normal, false, ink, name)
		at += 19 + width(normal, false, name) + 20
	}
}

const (
	curvesHead = 34.0
	curvesFoot = 34.0
	panelGap   = 18.0
	curvesLeft = 128.0
	curvesEdge = 20.0
)

func drawCurves(s *sheet, p Picture, kind string, panels []panel, list []series, handsets []string, endS float64) {
	x := scale{0, endS, curvesLeft, p.Width - curvesEdge, false}
	if endS <= 0 {
		x.hi = 1
	}
	legend(s, p.Width, list, handsets)
	times, unit, divisor := timeTicks(x.hi, 9)
	top := curvesHead
	for _, q := range panels {
		values := ticks(q.lo, q.hi, int(q.height/26))
		step := values[1] - values[0]
		y := scale{values[0], values[len(values)-1], top + q.height, top, false}
		for _, t := range times {
			s.line(x.at(t), top, x.at(t), top+q.height, 0.7, line1)
		}
		for _, v := range values {
			s.line(x.from, y.at(v), x.to, y.at(v), 0.7, line1)
			s.text(x.from-8, y.at(v)+4, right, small, false, ink2, tickText(v, step))
		}
		s.text(0, top+11, left, normal, true, ink, q.name)
		s.text(0, top+26, left, small, false, ink2, q.unit)
		q.limits(s, x, y)
		for i, one := range list {
			drawSeries(s, x, y, q, one, i, len(list))
		}
		top += q.height + panelGap
	}
	top -= panelGap
	for _, t := range times {
		s.text(x.at(t), top+15, center, small, false, ink2, tickText(t/divisor, 1))
	}
	what := "Time since the activity began, " + unit
	if kind == Charge {
		what = acrossCharge + unit + "; marks on the level: 20, 50, 80 and 95 % first shown, and full or the end"
	}
	s.text((x.from+x.to)/2, top+31, center, small, false, ink2, what)
}

// drawSeries draws one curve with its marks, which stand apart from those of the other curves.
func drawSeries(s *sheet, x, y scale, q panel, one series, index, of int) {
	var run [][2]float64
	var places [][2]float64 // where a mark may stand
	var breaks []bool       // whether nothing was measured before it
	flush := func() {
		s.dashed(run, 1.4, one.mark.color, dashesOf(slices.IndexFunc(marks, func(m mark) bool { return m == one.mark })))
		run = nil
	}
	gap := 5 * usualGap(one.rows)
	lastS := math.Inf(-1)
	for _, r := range one.rows {
		v := q.of(r)
		if v == nil {
			continue
		}
		px, py := x.at(r.TimeS), y.at(*v)
		broken := false
		if n := len(run); n > 0 {
			if r.TimeS-lastS > gap && !q.steps {
				flush() // nothing was measured here, so nothing is drawn
				broken = true
			} else if q.steps {
				run = append(run, [2]float64{px, run[n-1][1]})
			}
		}
		run = append(run, [2]float64{px, py})
		places = append(places, [2]float64{px, py})
		breaks = append(breaks, broken)
		lastS = r.TimeS
	}
	flush()
	if len(places) == 0 {
		return
	}
	if q.steps && one.edges != nil {
		for _, at := range one.edges {
			i, _ := slices.BinarySearchFunc(places, x.at(at), func(p [2]float64, px float64) int {
				switch {
				case p[0] < px-1e-9:
					return -1
				case p[0] > px+1e-9:
					return 1
				}
				return 0
			})
			i = min(i, len(places)-1)
			s.mark(one.mark, x.at(at), places[i][1], 4, one.imported, one.mark.color)
		}
		return
	}
	// Eight marks along the axis, each curve's a little further on.
	every := (x.to - x.from) / 8
	next := x.from + every*(float64(index)+0.5)/float64(of)
	for i, p := range places {
		if p[0] < next {
			continue
		}
		py := p[1]
		if i > 0 && p[0] > next && !breaks[i] {
			// On the line, not on the next reading.
			if q.steps {
				py = places[i-1][1]
			} else {
				f := (next - places[i-1][0]) / (p[0] - places[i-1][0])
				py = places[i-1][1] + f*(p[1]-places[i-1][1])
			}
			s.mark(one.mark, next, py, 3.2, one.imported, one.mark.color)
		} else {
			s.mark(one.mark, p[0], py, 3.2, one.imported, one.mark.color)
		}
		for next <= p[0] {
			next += every
		}
	}
}

// acrossCharge is under the time axis of a charge, before its unit.
const acrossCharge = "Time since plug-in, "

// levelEdges are when a charge first showed 20, 50, 80 and 95 %, and when its curve ends, s.
func levelEdges(rows []results.CurveRow) []float64 {
	at := []float64{}
	wanted := []float64{20, 50, 80, 95}
	before := math.Inf(1)
	for _, r := range rows {
		if r.LevelPct == nil {
			continue
		}
		for len(wanted) > 0 && *r.LevelPct >= wanted[0] {
			if before < wanted[0] {
				at = append(at, r.TimeS)
			}
			wanted = wanted[1:]
		}
		before = *r.LevelPct
	}
	return append(at, rows[len(rows)-1].TimeS)
}

// usualGap is the median time between two rows, s.
func usualGap(rows []results.CurveRow) float64 {
	var gaps []float64
	for i := 1; i < len(rows); i++ {
		gaps = append(gaps, rows[i].TimeS-rows[i-1].TimeS)
	}
	if len(gaps) == 0 {
		return math.Inf(1)
	}
	slices.Sort(gaps)
	return gaps[len(gaps)/2]
}

func fileName(parts ...string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(strings.Join(parts, "-")) {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			b.WriteRune(r)
		} else if s := b.String(); s != "" && !strings.HasSuffix(s, "-") {
			b.WriteByte('-')
		}
	}
	return strings.Trim(b.String(), "-")
}

func listed(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}
