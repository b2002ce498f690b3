package console

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"rundown/orchestrator/api/forecast"
	"rundown/results"
	"rundown/results/reading"
)

// A panel is one curve of a run; all panels of a run share axis and bands.
type panel struct {
	Name, Unit string
	Class      string // its height
	Marks      []panelMark
	Drawing    template.HTML
}

type panelMark struct {
	Text  string
	Class string // where it stands: "top", "mid", "low"
}

// drawnSamples is about how many samples one segment's curve has.
const drawnSamples = 400

// A drawn value is one of a curve; a gap in the curve is a NaN.
type drawn struct {
	at time.Time
	v  float64
}

type panels struct {
	Bands template.HTML // names above the panels
	List  []panel
	Axis  template.HTML
}

// A runData is what there is to draw of a run within an axis.
type runData struct {
	watts, volts, temps, evidence []drawn
	arriving, into                []drawn // at the socket and into the cell, W
	lowestPct, hottestC, coolestC float64
}

// gather reads what the samples of a run's segments have to draw.
func (c *Console) gather(a axis, shapes []forecast.Shape) runData {
	d := runData{lowestPct: 100, coolestC: 100}
	gap := drawn{v: math.NaN()}
	for _, s := range shapes {
		if !s.Ended.After(a.from) || !s.StartedAt.Before(a.to) || s.Outcome == results.Skipped {
			continue
		}
		samples, _ := c.d.Store().Samples(s.ID)
		unit := reading.CurrentUnitMA(s.Units, samples) / 1000 // A
		d.watts, d.volts, d.temps = append(d.watts, gap), append(d.volts, gap), append(d.temps, gap)
		inView := slices.DeleteFunc(slices.Clone(samples), func(p results.Sample) bool { return !a.holds(p.HostAt) })
		thinned := forecast.Thin(inView, 0, drawnSamples)
		socket, cell := c.arriving(a, s, thinned, unit)
		d.arriving, d.into = append(d.arriving, socket...), append(d.into, cell...)
		for _, p := range thinned {
			d.add(p, unit)
		}
		for _, l := range s.Levels {
			d.lowestPct = math.Min(d.lowestPct, l.Pct)
		}
		d.evidence = append(append(d.evidence, gap), c.evidence(s, a)...)
	}
	return d
}

// add takes in a sample; unitA is what its raw current counts, A.
func (d *runData) add(p results.Sample, unitA float64) {
	if p.CurrentRaw != nil && p.VoltageMV != nil && p.Plugged == 0 {
		d.watts = append(d.watts, drawn{p.HostAt, math.Abs(float64(*p.CurrentRaw)) * unitA * float64(*p.VoltageMV) / 1000})
	}
	if p.VoltageMV != nil {
		d.volts = append(d.volts, drawn{p.HostAt, float64(*p.VoltageMV) / 1000})
	}
	if p.TempC != nil {
		d.temps = append(d.temps, drawn{p.HostAt, *p.TempC})
		d.hottestC, d.coolestC = math.Max(d.hottestC, *p.TempC), math.Min(d.coolestC, *p.TempC)
	}
}

// edgeMarks mark the level edges of what was measured, the first and last of each segment
// apart from those between.
func edgeMarks(a axis, level scale, shapes []forecast.Shape) (between, ends string) {
	var edges, last strings.Builder
	for _, s := range shapes {
		if s.StartEdge.IsZero() {
			continue
		}
		for _, l := range s.Levels[min(1, len(s.Levels)):] {
			if !a.holds(l.At) || l.At.Before(s.StartEdge.Add(-time.Second)) || l.At.After(s.StopEdge.Add(time.Second)) {
				continue
			}
			mark := &edges
			if l.At.Sub(s.StartEdge).Abs() < 2*time.Second || l.At.Sub(s.StopEdge).Abs() < 2*time.Second {
				mark = &last
			}
			fmt.Fprintf(mark, "M%s %sh0", num(a.x(l.At)), num(level.y(l.Pct)))
		}
	}
	return edges.String(), last.String()
}

// driftMark is the symbol of a precondition that was lost.
func driftMark(d results.Drift) string {
	if d.Tolerated {
		return "do"
	}
	return "df"
}

func driftMarks(a axis, shapes []forecast.Shape) string {
	var b strings.Builder
	for _, s := range shapes {
		for _, d := range s.Drift {
			if a.holds(d.At) {
				fmt.Fprintf(&b, `<use href="#%s" x="%s" y="4"/>`, driftMark(d), a.at(d.At))
			}
		}
	}
	return b.String()
}

// curves draws level, power, temperature and evidence of a run.
func (c *Console) curves(a axis, rec results.Run, shapes []forecast.Shape) panels {
	d := c.gather(a, shapes)
	bands := bandPaths(a, shapes)
	frame := func(inner, beside string) template.HTML {
		return template.HTML(fmt.Sprintf(`<svg class="pane" aria-hidden="true"><svg viewBox="0 0 %d 100" preserveAspectRatio="none">%s<path class="g" d="%s"/>%s</svg>%s</svg>`, wide, bands, a.lines(), inner, beside))
	}
	out := panels{Bands: bandNames(a, shapes), Axis: a.header(time.Time{}, 12)}
	add := func(name, unit string, s scale, list []drawn) {
		out.List = append(out.List, panel{name, unit, "", []panelMark{{num(s.high), "top"}, {num(s.low), "low"}}, frame(curve(a, s, list), "")})
	}
	level := scale{math.Floor((d.lowestPct-1)/10) * 10, 100}
	edges, ends := edgeMarks(a, level, shapes)
	track := c.o.Track(rec.Handset.Name, shapes, a.from, a.to)
	out.List = append(out.List, panel{"Level", "%; ● start and stop edge", "hi", []panelMark{{"100", "top"}, {num((level.low + 100) / 2), "mid"}, {num(level.low), "low"}},
		frame(fmt.Sprintf(`<path class="lv" d="%s"/><path class="ed" d="%s"/><path class="ee" d="%s"/>`, stairs(a, level, track), edges, ends), driftMarks(a, shapes))})
	if has(d.watts) {
		add("Power", "W drawn, by the handset's own gauge", scale{0, math.Ceil(max(1, highest(d.watts)))}, d.watts)
	} else if has(d.volts) {
		add("Voltage", "V; this handset reports no current", scale{3, 4.5}, d.volts)
	}
	charging := scale{0, math.Ceil((highest(d.arriving, d.into)+1)/5) * 5}
	if has(d.arriving) {
		add("Arriving", "W, by the meter on the charging line", charging, d.arriving)
	}
	if has(d.into) {
		add("Into the battery", "W, by the handset's own gauge", charging, d.into)
	}
	if has(d.temps) {
		add("Temperature", "battery, °C", scale{math.Floor((d.coolestC-1)/5) * 5, math.Ceil((d.hottestC+1)/5) * 5}, d.temps)
	}
	if has(d.evidence) {
		out.List = append(out.List, panel{"Evidence", "of its usual rate in this segment", "lo", []panelMark{{"1", "mid"}, {"0", "low"}},
			frame(fmt.Sprintf(`<path class="gl" d="M0 50H%d"/>`, wide)+curve(a, scale{0, 2}, d.evidence), "")})
	}
	return out
}

func has(list []drawn) bool {
	return slices.ContainsFunc(list, func(r drawn) bool { return !math.IsNaN(r.v) })
}

func curve(a axis, s scale, list []drawn) string {
	var b strings.Builder
	up := true
	for _, r := range list {
		if math.IsNaN(r.v) {
			up = true
			continue
		}
		c := "L"
		if up {
			c = "M"
		}
		up = false
		fmt.Fprintf(&b, "%s%s %s", c, num(a.x(r.at)), num(s.y(r.v)))
	}
	return `<path class="lv" d="` + b.String() + `"/>`
}

// evidenceBins is in how many stretches a segment's evidence is counted.
const evidenceBins = 24

// evidence is how often a segment's evidence came, of its usual rate: the median of the
// stretches in which any came.
func (c *Console) evidence(s forecast.Shape, a axis) []drawn {
	g, err := c.d.Store().Segment(s.ID)
	if err != nil || s.StartEdge.IsZero() || !s.StopEdge.After(s.StartEdge) || len(g.Evidence) < evidenceBins {
		return nil
	}
	span := s.StopEdge.Sub(s.StartEdge)
	bins := min(evidenceBins, max(4, len(g.Evidence)/4))
	count := make([]float64, bins)
	for _, e := range g.Evidence {
		if e.Value > 0 && !e.At.Before(s.StartEdge) && e.At.Before(s.StopEdge) {
			count[int(float64(bins)*float64(e.At.Sub(s.StartEdge))/float64(span))]++
		}
	}
	some := slices.DeleteFunc(slices.Clone(count), func(v float64) bool { return v == 0 })
	if len(some) == 0 {
		return nil
	}
	slices.Sort(some)
	usual := some[len(some)/2]
	var list []drawn
	for i, n := range count {
		at := s.StartEdge.Add(span * time.Duration(2*i+1) / time.Duration(2*bins))
		if a.holds(at) {
			list = append(list, drawn{at, n / usual})
		}
	}
	return list
}

// bandPaths are the segments' measured stretches behind every panel.
func bandPaths(a axis, shapes []forecast.Shape) string {
	var b strings.Builder
	for _, s := range shapes {
		from, to := s.StartEdge, s.StopEdge
		class := "bd"
		if broken(s.Segment) {
			class, to = "bx", s.Ended
			if from.IsZero() {
				from = s.StartedAt
			}
		}
		if from.IsZero() || !to.After(a.from) || !from.Before(a.to) {
			continue
		}
		fmt.Fprintf(&b, `<path class="%s" d="M%s 0H%sV100H%sZ"/>`, class, num(a.x(a.clip(from))), num(a.x(a.clip(to))), num(a.x(a.clip(from))))
	}
	return b.String()
}

func bandNames(a axis, shapes []forecast.Shape) template.HTML {
	var b strings.Builder
	b.WriteString(`<svg class="axis" height="20" aria-hidden="true">`)
	for i, s := range shapes {
		from, to := s.StartEdge, s.StopEdge
		if broken(s.Segment) || from.IsZero() {
			from, to = s.StartedAt, s.Ended
		}
		if !to.After(a.from) || !from.Before(a.to) || s.Outcome == results.Skipped {
			continue
		}
		from, to = a.clip(from), a.clip(to)
		text := fmt.Sprintf(`%d <tspan>%s</tspan>`, i+1, attr(s.Scenario))
		if a.share(from, to) < 0.75*float64(len(s.Scenario)+2) {
			text = fmt.Sprint(i + 1)
		}
		class := ""
		if broken(s.Segment) {
			class = "tx"
		}
		fmt.Fprintf(&b, `<text class="%s" x="%s" y="15" text-anchor="middle">%s</text>`, class, a.at(from.Add(to.Sub(from)/2)), text)
	}
	b.WriteString("</svg>")
	return template.HTML(b.String())
}
