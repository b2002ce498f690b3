package report

import (
	"fmt"
	"slices"
	"strings"

	"gonum.org/v1/plot/vg"
)

// More courses than can be told apart on the same axes are drawn one beside the other on equal axes,
// the first one's in each of them, pale.

const (
	cellHigh   = 62.0
	cellGap    = 34.0 // room for the values of the next panel's axis
	rowGap     = 14.0
	multiNames = 110.0
	multiHead  = 40.0
	multiWide  = 860.0
)

// asMultiples makes a picture of a row for each name and a column for each panel.
func (p *Picture) asMultiples(panels []panel, all []series, names []string, end float64, across string) {
	p.Width, p.Height = multiWide, multiHead+float64(len(names))*(cellHigh+rowGap)+curvesFoot
	var what []string
	for _, q := range panels {
		what = append(what, strings.ToLower(q.name)+" ("+q.unit+")")
	}
	p.Alt = fmt.Sprintf("%s, a row each on equal axes: %s, of %s.", p.Title, listed(what), listed(names))
	p.draw = func(s *sheet) { drawMultiples(s, panels, all, names, end, across) }
}

func drawMultiples(s *sheet, panels []panel, all []series, names []string, end float64, across string) {
	if end <= 0 {
		end = 1
	}
	timed := across == acrossCharge
	numbers, unit, divisor := countTicks(0, end), "", 1.0
	if timed {
		numbers, unit, divisor = timeTicks(end, 4)
	}
	wide := (multiWide-multiNames)/float64(max(1, len(panels))) - cellGap
	for k, q := range panels {
		from := multiNames + cellGap + float64(k)*(wide+cellGap)
		x := scale{0, end, from, from + wide, false}
		s.text(from, 12, left, normal, true, ink, q.name)
		s.text(from, 27, left, small, false, ink2, q.unit)
		values := ticks(q.lo, q.hi, 3)
		for i, name := range names {
			top := multiHead + float64(i)*(cellHigh+rowGap)
			y := scale{values[0], values[len(values)-1], top + cellHigh, top, false}
			for _, v := range values {
				s.line(x.from, y.at(v), x.to, y.at(v), 0.7, line1)
				s.text(x.from-5, y.at(v)+4, right, small, false, ink2, tickText(v, values[1]-values[0]))
			}
			for _, one := range all {
				if one.handset == names[0] && i > 0 {
					drawCell(s, x, y, q, one, nil, true)
				}
			}
			for _, one := range all {
				if one.handset == name {
					drawCell(s, x, y, q, one, one.edges, false)
				}
			}
		}
		bottom := multiHead + float64(len(names))*(cellHigh+rowGap) - rowGap
		for _, v := range numbers {
			if v/end > 0.97 && k+1 < len(panels) { // it would run into the next panel's values
				continue
			}
			s.text(x.at(v), bottom+15, center, small, false, ink2, tickText(v/divisor, 1))
		}
	}
	for i, name := range names {
		top := multiHead + float64(i)*(cellHigh+rowGap)
		s.text(0, top+12, left, normal, true, ink, fit(normal, true, name, multiNames))
		if slices.ContainsFunc(all, func(o series) bool { return o.handset == name && o.imported }) {
			s.text(0, top+27, left, small, false, ink2, "imported")
		}
	}
	s.text(multiWide/2, multiHead+float64(len(names))*(cellHigh+rowGap)-rowGap+31, center, small, false, ink2, across+unit+"; pale: "+names[0])
}

// drawCell draws one course in one cell, with its marked edges on the panel that has them.
func drawCell(s *sheet, x, y scale, q panel, one series, edges []float64, pale bool) {
	c, thick := ink, 1.3
	if pale {
		c, thick = line2, 0.9
	}
	var points [][2]float64
	for _, r := range one.rows {
		v := q.of(r)
		if v == nil {
			continue
		}
		if n := len(points); q.steps && n > 0 {
			points = append(points, [2]float64{x.at(r.TimeS), points[n-1][1]})
		}
		points = append(points, [2]float64{x.at(r.TimeS), y.at(*v)})
	}
	s.lines(points, thick, c)
	if !q.steps && !q.zero || len(points) == 0 {
		return
	}
	for _, at := range edges {
		i := 0
		for i+1 < len(points) && points[i][0] < x.at(at) {
			i++
		}
		s.mark(marks[0], x.at(at), points[i][1], 2.6, one.imported, c)
	}
}

// dashesOf tell lines apart where their colours cannot, in the order of the marks.
func dashesOf(i int) []vg.Length {
	return [][]vg.Length{nil, {7, 3}, {2.5, 2.5}, {9, 3, 2, 3}, {5, 2}, {1.5, 3}}[max(0, i)%mostSeries]
}
