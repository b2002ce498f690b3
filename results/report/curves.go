package report

import (
	"fmt"
	"image/color"
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
			list = append(list, series{handset: r.Handset, segment: r.SegmentID})
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
	lo, hi     float64
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
	}
	// A panel that no handset has a value for is not drawn.
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
		if p.hi-p.lo < 2 {
			p.hi = p.lo + 2
		}
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
	at := curvesLeft
	for i, h := range handsets {
		m := markOf(i)
		s.mark(m, at+4, 14, 4, false, m.color)
		name := fit(normal, false, h, (p.Width-curvesLeft-curvesEdge)/float64(len(handsets))-24)
		s.text(at+13, 18.5, left, normal, false, ink, name)
		at += 13 + width(normal, false, name) + 20
	}
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
		for i, one := range list {
			drawSeries(s, x, y, q, one, i, len(list))
		}
		top += q.height + panelGap
	}
	top -= panelGap
	for _, t := range times {
		s.text(x.at(t), top+15, center, small, false, ink2, tickText(t/divisor, 1))
	}
	what := "Time since the activity began, "
	if kind == Charge {
		what = "Time since plug-in, "
	}
	s.text((x.from+x.to)/2, top+31, center, small, false, ink2, what+unit)
}

// drawSeries draws one curve with its marks, which stand apart from those of the other curves.
func drawSeries(s *sheet, x, y scale, q panel, one series, index, of int) {
	var run [][2]float64
	var places [][2]float64 // where a mark may stand
	var breaks []bool       // whether nothing was measured before it
	flush := func() {
		s.lines(run, 1.4, one.mark.color)
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
			s.mark(one.mark, next, py, 3.2, false, one.mark.color)
		} else {
			s.mark(one.mark, p[0], py, 3.2, false, one.mark.color)
		}
		for next <= p[0] {
			next += every
		}
	}
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

// LotPictures draws the rates of sustained work against time, or of cycles against their number, one
// picture a workload, with the battery's temperature under it where it is known.
func LotPictures(rows []results.LotRow) (pictures []Picture) {
	type kind struct{ workload, form string }
	var kinds []kind
	for _, r := range rows {
		if k := (kind{r.Workload, r.Form}); !slices.Contains(kinds, k) {
			kinds = append(kinds, k)
		}
	}
	for _, k := range kinds {
		var as []results.CurveRow // the same drawing, with minutes or cycles for time
		minutes := map[string]float64{}
		for _, r := range rows {
			if (kind{r.Workload, r.Form}) != k {
				continue
			}
			rate, at := r.Rate, float64(r.Lot)
			if k.form == results.FormLots && r.TookS != nil {
				minutes[r.SegmentID] += *r.TookS / 60
				at = minutes[r.SegmentID]
			}
			as = append(as, results.CurveRow{Whose: r.Whose, TimeS: at, LevelPct: &rate, TempC: r.TempC})
		}
		pictures = append(pictures, worked(k.workload, k.form, as)...)
	}
	return pictures
}

func worked(workload, form string, rows []results.CurveRow) (pictures []Picture) {
	all := bySegment(rows)
	var handsets []string
	last := 1.0
	for _, s := range all {
		if !slices.Contains(handsets, s.handset) {
			handsets = append(handsets, s.handset)
		}
		last = math.Max(last, s.rows[len(s.rows)-1].TimeS)
	}
	panels := []panel{
		{name: "Rate", unit: "work a second", height: 190, of: func(r results.CurveRow) *float64 { return r.LevelPct }, zero: true},
		{name: "Temperature", unit: "°C, battery", height: 90, of: func(r results.CurveRow) *float64 { return r.TempC }},
	}
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
		if p.zero { // what is left of the speed is read off from nothing
			p.lo = 0
		}
		if p.hi-p.lo < 2 && !p.zero {
			p.hi = p.lo + 2
		}
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
		each, across := "lot", "Minutes of work"
		if form == results.FormCycles {
			each, across = "cycle", acrossCycles
		}
		p := Picture{Name: fileName("sustain", workload), Title: "Sustained load, " + workload, Table: results.Lots.Name, Width: 760, Height: curvesHead + curvesFoot}
		if workload == "" {
			p.Title = "Sustained load"
		}
		if page > 0 {
			p.Name += fmt.Sprint("-", page+1)
		}
		for _, q := range panels {
			p.Height += q.height + panelGap
		}
		p.Alt = fmt.Sprintf("%s: rate of each %s, of %s.", p.Title, each, listed(some))
		p.draw = func(s *sheet) { drawWorked(s, p, panels, list, some, last, across) }
		pictures = append(pictures, p)
	}
	return pictures
}

// acrossCycles is what stands under pictures of cycles, which are counted and not timed.
const acrossCycles = "Cycle"

// mostMarks is how many marks a line of rates has: half an hour of work has hundreds of lots.
const mostMarks = 40

func drawWorked(s *sheet, p Picture, panels []panel, list []series, handsets []string, last float64, across string) {
	first := 1.0
	if across != acrossCycles {
		first = 0
	}
	x := scale{first, math.Max(first+1, last), curvesLeft + 8, p.Width - curvesEdge, false}
	at := curvesLeft
	for i, h := range handsets {
		m := markOf(i)
		s.mark(m, at+4, 14, 4, false, m.color)
		name := fit(normal, false, h, (p.Width-curvesLeft-curvesEdge)/float64(len(handsets))-24)
		s.text(at+13, 18.5, left, normal, false, ink, name)
		at += 13 + width(normal, false, name) + 20
	}
	step := math.Max(1, niceStep(x.hi, 10))
	if step == 2.5 {
		step = 5
	}
	var numbers []float64
	for v := step; v <= x.hi; v += step {
		numbers = append(numbers, v)
	}
	if step > 1 || first < 1 {
		numbers = append([]float64{first}, numbers...)
	}
	top := curvesHead
	for _, q := range panels {
		values := ticks(q.lo, q.hi, int(q.height/30))
		y := scale{values[0], values[len(values)-1], top + q.height, top, false}
		for _, v := range values {
			s.line(curvesLeft, y.at(v), x.to, y.at(v), 0.7, line1)
			s.text(curvesLeft-8, y.at(v)+4, right, small, false, ink2, tickText(v, values[1]-values[0]))
		}
		s.text(0, top+11, left, normal, true, ink, q.name)
		s.text(0, top+26, left, small, false, ink2, q.unit)
		for _, one := range list {
			var points [][2]float64
			for _, r := range one.rows {
				if v := q.of(r); v != nil {
					points = append(points, [2]float64{x.at(r.TimeS), y.at(*v)})
				}
			}
			var c color.Color = one.mark.color
			s.lines(points, 1.2, c)
			for i := 0; i < len(points); i += 1 + len(points)/mostMarks {
				s.mark(one.mark, points[i][0], points[i][1], 2.8, false, c)
			}
		}
		top += q.height + panelGap
	}
	top -= panelGap
	for _, v := range numbers {
		s.text(x.at(v), top+15, center, small, false, ink2, tickText(v, 1))
	}
	s.text((x.from+x.to)/2, top+31, center, small, false, ink2, across)
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
