package console

import (
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"rundown/orchestrator"
	"rundown/results/compare"
	"rundown/results/figure"
	"rundown/results/reading"
	"rundown/results/report"
)

// A ratioRow is one side beside the reference at one scenario.
type ratioRow struct {
	Scenario string // on the first row of its group
	Mix      bool   // the scenario is a day mix
	Rows     int
	Handset  string
	Mark     string
	None     bool // no difference shown, or left out
	Plot     template.HTML
	Ratio    string
	Interval string
	Says     string
	More     []string // beside it: what the batteries explain, what would settle it
}

// A barRow is one handset's endurance at one scenario, or its days of a mix.
type barRow struct {
	Scenario string // on the first row of its group
	Mix      bool
	Rows     int
	Handset  string
	Mark     string
	Bar      template.HTML
	Value    string
	Unit     string
	Interval string
	Why      string // why there is none
	Imported bool
}

type mismatch struct {
	Text, Name, Link string
}

// A tickable is what can be put beside others.
type tickable struct {
	Name     string
	LineUp   bool
	Imported bool
	On       bool
}

var marks = []string{"ci", "sq", "tr", "dm", "cr"}

func (c *Console) beside(r *http.Request) (page, error) {
	q := r.URL.Query()
	choice := reading.Choice{Reference: q.Get("reference"), Sides: q["with"], Plan: q.Get("plan"), Allow: q["allow"]}
	lately := c.d.Reading().Lately()
	shownFrom := lately
	if from, err := time.ParseInLocation(time.DateOnly, q.Get("from"), time.Local); err == nil {
		// The form always sends its date: only another one than its own is somebody's wish.
		if from.Format(time.DateOnly) != lately.Local().Format(time.DateOnly) {
			choice.From, shownFrom = from, from
		}
	}
	there, err := c.d.Reading().Comparable()
	if err != nil && len(there) == 0 {
		return page{}, err
	}
	p := page{Screen: "beside"}
	var handsets, lineUps []tickable
	var bench []string
	for _, s := range there {
		t := tickable{Name: s.Name, LineUp: s.Kind == reading.SideLineUp, Imported: s.Imported, On: slices.Contains(choice.Sides, s.Name)}
		if t.LineUp {
			lineUps = append(lineUps, t)
			continue
		}
		if c.onBench(s.Name) {
			t.On = t.On || len(choice.Sides) == 0
			bench = append(bench, s.Name)
		}
		handsets = append(handsets, t)
	}
	if len(choice.Sides) == 0 {
		choice.Sides = bench
	}
	if choice.Reference == "" && len(choice.Sides) > 0 {
		choice.Reference = choice.Sides[0]
	}
	body := map[string]any{"Handsets": handsets, "LineUps": lineUps, "Reference": choice.Reference, "From": shownFrom.Local().Format(time.DateOnly)}
	if !slices.ContainsFunc(there, func(s reading.BesideSide) bool { return s.Name == choice.Reference }) {
		body["Other"] = choice.Reference // a run, named in the address
	}
	p.Body = body
	b, err := c.o.Beside(choice)
	withHours := map[string]bool{}
	for _, h := range b.Hours {
		withHours[h.Side] = withHours[h.Side] || h.Hours != nil
	}
	switch {
	case len(b.Sides) == 0 && err != nil && (!errors.Is(err, orchestrator.ErrRequest) || len(q["with"]) > 0 || q.Get("reference") != ""):
		p.Heading, p.Lead = "These cannot be compared", template.HTML(attr(capital(err.Error())+"."))
		return p, nil
	case len(withHours) < 2 && len(b.Charges.Quantities)+len(b.Sustained.Quantities) == 0 && len(q["with"]) == 0:
		p.Heading = "There are not two handsets with figures yet"
		p.Lead = "Two handsets that have carried out the same plan are compared here."
		return p, nil
	}
	p.Heading = b.Heading
	body["Axis"], body["Ratios"] = ratioRows(b)
	body["BarAxis"], body["Bars"] = barRows(b)
	tested := b.Comparison.Tested
	p.Lead = template.HTML("Runs since " + shownFrom.Local().Format("2 Jan 2006"))
	if tested > 0 {
		p.Lead += template.HTML(fmt.Sprintf(" · %d %s: by chance alone, one interval in 20 misses the truth; whether a difference is shown is corrected for their number", tested, plural(tested, "ratio", "ratios")))
	}
	files := fileLinks(choice)
	body["Sets"] = comparedSets(b, files)
	body["Mismatches"] = mismatches(b, q)
	body["Allowed"] = choice.Allow
	back := url.Values{}
	for k, v := range q {
		if k != "allow" {
			back[k] = v
		}
	}
	body["Back"] = "/beside?" + back.Encode()
	body["Notes"] = b.Notes
	body["File"] = files
	return p, nil
}

const titleCharging = "Charging"

// A setTable is one part of the comparison beside the hours.
type setTable struct {
	Title, Lead string
	Pictures    []setPicture // their courses on the same axes
	Axis        template.HTML
	Rows        []ratioRow
	Absent      []compare.NotCompared // sides of which nothing was compared
}

// A setPicture is one picture of a set, as SVG and PNG.
type setPicture struct{ SVG, PNG, Alt string }

// comparedSets are how the sides charge, and how they hold their speed.
func comparedSets(b reading.Beside, files map[string]string) (list []setTable) {
	for _, part := range []struct {
		title string
		set   reading.ComparedSet
	}{{titleCharging, b.Charges}, {"Sustained work", b.Sustained}} {
		if len(part.set.Quantities) == 0 {
			continue
		}
		t := setTable{Title: part.title, Lead: part.set.Heading}
		if part.title == titleCharging {
			t.Pictures = []setPicture{{files["charge"], files["chargePNG"], "Level, power and battery temperature over the time since power came, of all sides"}}
		} else {
			t.Pictures = workPictures(part.set, files)
		}
		if t.Lead == b.Heading {
			t.Lead = ""
		}
		t.Axis, t.Rows = setRows(b, part.set)
		t.Absent = part.set.Absent
		list = append(list, t)
	}
	return list
}

// workPictures are the courses of sustained work, a picture for each kind of work.
func workPictures(set reading.ComparedSet, files map[string]string) (list []setPicture) {
	var seen []string
	for _, q := range set.Quantities {
		work := q.Scenario
		if _, kind, ok := strings.Cut(q.Scenario, ", "); ok {
			work = kind
		}
		if slices.Contains(seen, work) {
			continue
		}
		seen = append(seen, work)
		name := report.LotPictureName(work)
		list = append(list, setPicture{files["picture"] + url.QueryEscape(name+".svg"), files["picture"] + url.QueryEscape(name+".png"), "Rate and temperatures over the time of " + work + " work, of all sides"})
	}
	return list
}

func (c *Console) onBench(name string) bool {
	for _, h := range c.d.File().Bench.Handsets {
		if h.Name == name {
			return true
		}
	}
	return false
}

// mismatches are what blocks, a sentence each, with the address that takes it in.
func mismatches(b reading.Beside, q url.Values) (list []mismatch) {
	seen := map[string]bool{}
	for _, m := range slices.Concat(b.Comparison.Mismatches, b.Charges.Mismatches, b.Sustained.Mismatches) {
		if seen[m.Says] || m.Allowed {
			continue
		}
		seen[m.Says] = true
		u := url.Values{}
		for k, v := range q {
			u[k] = slices.Clone(v)
		}
		u.Add("allow", m.What)
		list = append(list, mismatch{capital(m.Says), m.What, "/beside?" + u.Encode()})
	}
	return list
}

// fileLinks are the addresses of the comparison's files, by their names.
func fileLinks(choice reading.Choice) map[string]string {
	q := url.Values{"side": choice.Sides, "allow": choice.Allow}
	if choice.Reference != "" {
		q.Set("reference", choice.Reference)
	}
	if choice.Plan != "" {
		q.Set("plan", choice.Plan)
	}
	if !choice.From.IsZero() {
		q.Set("from", choice.From.Format(time.RFC3339))
	}
	links := map[string]string{"json": "/v1/compare?" + q.Encode()}
	for name, file := range map[string]string{"page": "report.html", "markdown": "report.md", "ratios": "ratios.svg", "endurance": "endurance.svg", "ratiosPNG": "ratios.png", "endurancePNG": "endurance.png", "csv": "ratios.csv", "quantities": "quantities.csv", "charge": "charge.svg", "chargePNG": "charge.png", "all": "all.zip"} {
		q.Set("file", file)
		links[name] = "/v1/compare/report?" + q.Encode()
	}
	q.Del("file")
	links["picture"] = "/v1/compare/report?" + q.Encode() + "&file="
	return links
}

// ratioRows draws ratios on one log axis with 1 in ink, day mixes after the scenarios.
func ratioRows(b reading.Beside) (template.HTML, []ratioRow) {
	all := append(slices.Clone(b.Comparison.Ratios), b.DayMixes.Ratios...)
	low, high := 0.8, 1.25
	for _, r := range all {
		if r.LeftOut == "" && r.Ratio.Low > 0 {
			low, high = math.Min(low, r.Ratio.Low), math.Max(high, r.Ratio.High)
		}
	}
	axis := newRatioAxis(low, high, "shorter", "longer")
	sides := sideMarks(b)
	var rows []ratioRow
	for i, r := range all {
		row := ratioRow{Scenario: r.Scenario, Handset: r.Side, Mark: sides[r.Side], Says: r.Says, None: r.LeftOut != "" || !r.Shown, Mix: i >= len(b.Comparison.Ratios)}
		if r.LeftOut == "" && r.Ratio.Value > 0 {
			row.takeRatio(r.Ratio)
			row.Plot = axis.plot(row.Mark, r.Ratio)
		} else {
			row.Plot = axis.plot("", figure.Interval{})
		}
		if r.Battery != nil {
			row.More = append(row.More, r.Battery.Says)
			if r.Battery.SidePerWh > 0 {
				row.More = append(row.More, fmt.Sprintf("%.2f h per Wh beside %.2f", r.Battery.SidePerWh, r.Battery.ReferencePerWh))
			}
		}
		if settles := compare.Settling(r.RepeatsNeeded, r.OutOfReach); settles != "" {
			row.More = append(row.More, settles)
		}
		rows = append(rows, row)
	}
	return axis.head, inGroups(rows)
}

// inGroups has the first of the rows of one scenario name it, and say how many they are.
func inGroups(rows []ratioRow) []ratioRow {
	first := 0
	for i := range rows {
		if i == 0 || rows[i].Scenario != rows[first].Scenario || rows[i].Mix != rows[first].Mix {
			first = i
		} else {
			rows[i].Scenario = ""
		}
		rows[first].Rows++
	}
	return rows
}

func (r *ratioRow) takeRatio(i figure.Interval) {
	r.Ratio = fmt.Sprintf("%.2f", i.Value)
	if i.Low > 0 {
		r.Interval = fmt.Sprintf("%.2f to %.2f", i.Low, i.High)
	}
}

// setRows draws the quantities of a set likewise; those that are compared by difference stand
// without a drawing.
func setRows(b reading.Beside, set reading.ComparedSet) (template.HTML, []ratioRow) {
	low, high := 0.8, 1.25
	scenarios := map[string]bool{}
	present := set.Present()
	for _, q := range present {
		scenarios[q.Scenario] = true
		if q.Ratio != nil && q.Ratio.Low > 0 {
			low, high = math.Min(low, q.Ratio.Low), math.Max(high, q.Ratio.High)
		}
	}
	axis := newRatioAxis(low, high, "less", "more")
	sides := sideMarks(b)
	var rows []ratioRow
	for _, q := range present {
		row := ratioRow{Scenario: q.Quantity, Handset: q.Side, Mark: sides[q.Side], Says: q.Conclusion, None: !q.Significant}
		switch {
		case q.Ratio != nil:
			row.takeRatio(*q.Ratio)
			row.Plot = axis.plot(row.Mark, *q.Ratio)
		case q.Difference != nil:
			row.Ratio, row.Interval, _ = strings.Cut(strings.TrimSuffix(q.SayChange(), ")"), " (")
		default:
			row.Plot = axis.plot("", figure.Interval{})
		}
		if q.LeftOut == "" {
			row.More = append(row.More, q.SayValue(q.SideValue)+" beside "+q.SayValue(q.ReferenceValue))
		} else {
			row.More = append(row.More, q.LeftOut)
		}
		if settles := compare.Settling(q.RepeatsNeeded, q.OutOfReach); settles != "" {
			row.More = append(row.More, settles)
		}
		if len(scenarios) > 1 {
			row.Scenario = q.Scenario + ": " + row.Scenario
		}
		rows = append(rows, row)
	}
	return axis.head, inGroups(rows)
}

// A ratioAxis is a log axis with 1 in ink.
type ratioAxis struct {
	low, high float64
	lines     string
	head      template.HTML
}

func newRatioAxis(low, high float64, less, more string) ratioAxis {
	low, high = math.Floor(low*10-0.2)/10, math.Ceil(high*10+0.2)/10
	a := ratioAxis{low: math.Max(low, 0.1), high: high}
	step := 0.1
	switch {
	case a.high/a.low > 3:
		step = 0.5
	case a.high/a.low > 1.8:
		step = 0.2
	}
	ticks := []float64{1}
	for v := 1 - step; v >= a.low-1e-9; v -= step {
		ticks = append([]float64{math.Round(v*10) / 10}, ticks...)
	}
	for v := 1 + step; v <= a.high+1e-9; v += step {
		ticks = append(ticks, math.Round(v*10)/10)
	}
	var lines, head strings.Builder
	fmt.Fprintf(&head, `<svg class="axis" height="30" aria-hidden="true"><text class="t2" y="11">%s</text><text class="t2" x="100%%" y="11" text-anchor="end">%s</text>`, less, more)
	for i, v := range ticks {
		class := "g"
		if v == 1 {
			class = "now"
		}
		fmt.Fprintf(&lines, `<line class="%[1]s" x1="%[2]s" x2="%[2]s" y2="30"/>`, class, a.x(v))
		anchor := "middle"
		if i == 0 && v <= a.low+1e-9 {
			anchor = "start"
		} else if v >= a.high-1e-9 {
			anchor = "end"
		}
		fmt.Fprintf(&head, `<text class="t2" x="%s" y="27" text-anchor="%s">%g</text>`, a.x(v), anchor, v)
	}
	head.WriteString("</svg>")
	a.lines, a.head = lines.String(), template.HTML(head.String())
	return a
}

func (a ratioAxis) x(v float64) string {
	return num(100*(math.Log(v)-math.Log(a.low))/(math.Log(a.high)-math.Log(a.low))) + "%"
}

// plot draws a ratio with its interval, by a side's mark; without a value only the axis.
func (a ratioAxis) plot(mark string, i figure.Interval) template.HTML {
	plot := a.lines
	if i.Low > 0 {
		plot += fmt.Sprintf(`<line class="iv" x1="%s" x2="%s" y1="15" y2="15"/>`, a.x(i.Low), a.x(i.High))
	}
	if i.Value > 0 {
		plot += fmt.Sprintf(`<use class="mk" href="#%s" x="%s" y="15"/>`, mark, a.x(i.Value))
	}
	return template.HTML(`<svg aria-hidden="true">` + plot + `</svg>`)
}

// sideMarks are each side's mark, the same in every picture of the page.
func sideMarks(b reading.Beside) map[string]string {
	by := map[string]string{}
	for i, s := range b.Sides {
		by[s.Name] = marks[i%len(marks)]
	}
	return by
}

// barRows draws hours as bars from nothing with their intervals, scenario by scenario, then
// the days of each mix on a scale of their own.
func barRows(b reading.Beside) (template.HTML, []barRow) {
	sides := sideMarks(b)
	high := map[bool]float64{}
	var order []string
	by := map[string][]reading.SideHours{}
	for _, h := range b.Hours {
		key := h.Scenario
		if h.DayMix != "" {
			key = "\x00" + h.DayMix // after the scenarios, and apart from one of the same name
		}
		if by[key] == nil {
			order = append(order, key)
		}
		by[key] = append(by[key], h)
		if i := either(h); i != nil {
			high[h.DayMix != ""] = math.Max(high[h.DayMix != ""], i.High)
		}
	}
	slices.SortStableFunc(order, func(x, y string) int {
		return map[bool]int{true: 1}[strings.HasPrefix(x, "\x00")] - map[bool]int{true: 1}[strings.HasPrefix(y, "\x00")]
	})
	if high[false] == 0 && high[true] == 0 {
		return "", nil
	}
	top, step := roundTop(high[false])
	var lines, head strings.Builder
	head.WriteString(`<svg class="axis" height="16" aria-hidden="true">`)
	for v := 0.0; v <= top+1e-9 && step > 0; v += step {
		at := num(100*v/top) + "%"
		anchor := "middle"
		switch {
		case v == 0:
			anchor = "start"
		case v > top-step/2:
			anchor = "end"
		}
		fmt.Fprintf(&head, `<text class="t2" x="%s" y="13" text-anchor="%s">%g</text>`, at, anchor, v)
		fmt.Fprintf(&lines, `<line class="g" x1="%[1]s" x2="%[1]s" y2="30"/>`, at)
	}
	head.WriteString("</svg>")
	topDays, _ := roundTop(high[true])
	var rows []barRow
	for _, key := range order {
		group := len(rows)
		for _, h := range by[key] {
			row := barRow{Handset: h.Side, Mark: sides[h.Side], Mix: h.DayMix != "", Imported: h.Imported, Unit: "h"}
			if h.Handset != h.Side {
				row.Handset = h.Side + ", " + h.Handset
			}
			whole, grid := top, lines.String()
			if row.Mix {
				whole, grid, row.Unit = topDays, "", "days"
			}
			if i := either(h); i != nil {
				row.Value, row.Interval = hoursOf(i.Value), hoursOf(i.Low)+" to "+hoursOf(i.High)
				if row.Mix {
					row.Value, row.Interval = fmt.Sprintf("%.2f", i.Value), fmt.Sprintf("%.2f to %.2f", i.Low, i.High)
				}
				x := func(v float64) string { return num(100*v/whole) + "%" }
				row.Bar = template.HTML(fmt.Sprintf(`<svg aria-hidden="true">%s<rect class="ba" x="0" y="8" width="%s" height="14"/><line class="iv" x1="%s" x2="%s" y1="15" y2="15"/></svg>`, grid, x(i.Value), x(i.Low), x(i.High)))
			} else {
				row.Why = "no " + names(h.Missing)
			}
			if len(rows) == group {
				row.Scenario = strings.TrimPrefix(key, "\x00")
			}
			rows = append(rows, row)
			rows[group].Rows++
		}
	}
	return template.HTML(head.String()), rows
}

// either are the hours of a row, or its days.
func either(h reading.SideHours) *figure.Interval {
	if h.DayMix != "" {
		return h.Days
	}
	return h.Hours
}

// roundTop is a round end of an axis from 0 that holds a value, and a step that parts it.
func roundTop(high float64) (top, step float64) {
	if high <= 0 {
		return 1, 1
	}
	power := math.Pow(10, math.Floor(math.Log10(high/4)))
	for _, m := range []float64{1, 2, 5, 10} {
		if step = m * power; high/step <= 6 {
			break
		}
	}
	return math.Ceil(high/step-1e-9) * step, step
}
