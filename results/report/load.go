package report

import (
	"fmt"
	"image/color"
	"math"
	"slices"

	"rundown/results"
)

// LotPictures draws the rates of sustained work against time, or of cycles against their number, one
// picture a workload, with the temperatures of battery and skin under it where they are known. Where the
// rate had settled by its row of sustained, that is marked.
func LotPictures(rows []results.LotRow, sustained []results.SustainRow) (pictures []Picture) {
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
			as = append(as, results.CurveRow{Whose: r.Whose, TimeS: at, LevelPct: &rate, TempC: r.TempC, SocketW: r.SkinC})
		}
		settled := map[string]float64{} // min, by segment
		for _, s := range sustained {
			if s.Workload == k.workload && s.Form == k.form && k.form == results.FormLots && s.SettleS != nil {
				settled[s.SegmentID] = *s.SettleS / 60
			}
		}
		pictures = append(pictures, worked(k.workload, k.form, as, settled)...)
	}
	return pictures
}

func worked(workload, form string, rows []results.CurveRow, settled map[string]float64) (pictures []Picture) {
	all := bySegment(rows)
	var handsets []string
	last := 1.0
	for i, s := range all {
		if !slices.Contains(handsets, s.handset) {
			handsets = append(handsets, s.handset)
		}
		last = math.Max(last, s.rows[len(s.rows)-1].TimeS)
		if at, ok := settled[s.segment]; ok {
			all[i].edges = []float64{at}
		}
	}
	panels := []panel{
		{name: "Rate", unit: "work a second", height: 190, of: func(r results.CurveRow) *float64 { return r.LevelPct }, zero: true, close: true}, // what is left of the speed is read off from nothing
		{name: "Temperature", unit: "°C, battery", height: 90, of: func(r results.CurveRow) *float64 { return r.TempC }},
		{name: "Temperature", unit: "°C, skin", height: 90, of: func(r results.CurveRow) *float64 { return r.SocketW },
			lines: []limit{{HeldC, "48 °C: most that may be held for longer than a minute"}}},
	}
	panels = fitted(panels, rows)
	each, across := "lot", "Minutes of work"
	if form == results.FormCycles {
		each, across = "cycle", acrossCycles
	}
	p := Picture{Name: LotPictureName(workload), Title: "Sustained load, " + workload, Table: results.Lots.Name, Width: 760, Height: curvesHead + curvesFoot}
	if workload == "" {
		p.Title = "Sustained load"
	}
	if len(handsets) > mostSeries {
		p.asMultiples(panels, all, handsets, last, across)
		return []Picture{p}
	}
	for i := range all {
		all[i].mark = markOf(slices.Index(handsets, all[i].handset))
	}
	for _, q := range panels {
		p.Height += q.height + panelGap
	}
	p.Alt = fmt.Sprintf("%s: rate of each %s, of %s.", p.Title, each, listed(handsets))
	p.draw = func(s *sheet) { drawWorked(s, p, panels, all, handsets, last, across) }
	return []Picture{p}
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
	legend(s, p.Width, list, handsets)
	numbers := countTicks(first, x.hi)
	anySettled := false
	top := curvesHead
	for k, q := range panels {
		values := ticks(q.lo, q.hi, int(q.height/30))
		y := scale{values[0], values[len(values)-1], top + q.height, top, false}
		for _, v := range values {
			s.line(curvesLeft, y.at(v), x.to, y.at(v), 0.7, line1)
			s.text(curvesLeft-8, y.at(v)+4, right, small, false, ink2, tickText(v, values[1]-values[0]))
		}
		s.text(0, top+11, left, normal, true, ink, q.name)
		s.text(0, top+26, left, small, false, ink2, q.unit)
		q.limits(s, x, y)
		for _, one := range list {
			var points [][2]float64
			for _, r := range one.rows {
				if v := q.of(r); v != nil {
					points = append(points, [2]float64{x.at(r.TimeS), y.at(*v)})
				}
			}
			var c color.Color = one.mark.color
			s.dashed(points, 1.2, c, dashesOf(slices.Index(handsets, one.handset)))
			for i := 0; i < len(points); i += 1 + len(points)/mostMarks {
				s.mark(one.mark, points[i][0], points[i][1], 2.8, one.imported, c)
			}
			if k == 0 && len(points) > 0 {
				for _, at := range one.edges {
					anySettled = true
					i := 0
					for i+1 < len(points) && points[i][0] < x.at(at) {
						i++
					}
					s.mark(one.mark, x.at(at), points[i][1], 6.5, true, c)
				}
			}
		}
		top += q.height + panelGap
	}
	top -= panelGap
	for _, v := range numbers {
		s.text(x.at(v), top+15, center, small, false, ink2, tickText(v, 1))
	}
	if anySettled {
		across += "; large hollow marks: settled from here"
	}
	s.text((x.from+x.to)/2, top+31, center, small, false, ink2, across)
}

// countTicks are the whole numbers at which an axis of minutes or cycles is marked.
func countTicks(first, last float64) (numbers []float64) {
	step := math.Max(1, niceStep(last, 10))
	if step == 2.5 {
		step = 5
	}
	for v := step; v <= last; v += step {
		numbers = append(numbers, v)
	}
	if step > 1 || first < 1 {
		numbers = append([]float64{first}, numbers...)
	}
	return numbers
}

// LotPictureName is the file name, without its end, of the picture of a kind of work.
func LotPictureName(workload string) string { return fileName("sustain", workload) }
