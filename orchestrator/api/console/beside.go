package console

import (
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"rundown/orchestrator"
	"rundown/orchestrator/api/outlook"
	"rundown/results/compare"
)

// A ratioRow is one handset beside the reference at one scenario.
type ratioRow struct {
	Scenario string // on the first row of its group
	Rows     int
	Handset  string
	Mark     string
	None     bool // no difference shown, or left out
	Plot     template.HTML
	Ratio    string
	Interval string
	Says     string
}

type hoursRow struct {
	Scenario string
	Cells    []hoursCell
}

type hoursCell struct{ Hours, Interval, Why string }

type mismatch struct {
	Text, Link string
}

var marks = []string{"ci", "sq", "tr", "dm", "cr"}

func (c *Console) beside(r *http.Request) (page, error) {
	q := r.URL.Query()
	choice := outlook.Choice{Reference: q.Get("reference"), Handsets: q["with"], Plan: q.Get("plan"), Allow: q["allow"]}
	if from, err := time.Parse(time.DateOnly, q.Get("from")); err == nil {
		choice.From = from
	} else {
		choice.From = c.o.Lately()
	}
	// Every handset with figures can be ticked, whoever is ticked now.
	figures, err := c.o.Hours(outlook.Choice{Plan: choice.Plan, Allow: choice.Allow, From: choice.From})
	if err != nil && len(figures) == 0 {
		return page{}, err
	}
	p := page{Screen: "beside"}
	have := map[string]bool{}
	for _, f := range figures {
		if f.Kept > 0 {
			have[f.Handset] = true
		}
	}
	var all []string
	for _, h := range c.d.File().Bench.Handsets {
		if have[h.Name] {
			all = append(all, h.Name)
		}
	}
	if choice.Reference == "" && len(all) > 0 {
		choice.Reference = all[0]
		if len(choice.Handsets) > 0 && !slices.Contains(choice.Handsets, all[0]) {
			choice.Reference = choice.Handsets[0]
		}
	}
	type tickable struct {
		Name string
		On   bool
	}
	var with []tickable
	for _, n := range all {
		with = append(with, tickable{n, len(choice.Handsets) == 0 || slices.Contains(choice.Handsets, n)})
	}
	body := map[string]any{"All": with, "Reference": choice.Reference, "From": choice.From.Format(time.DateOnly)}
	p.Body = body
	if len(all) < 2 {
		p.Heading = "There are not two handsets with figures yet"
		p.Lead = "Two handsets that have carried out the same plan stand here beside each other."
		return p, nil
	}
	comparison, err := c.o.Beside(choice)
	if err != nil {
		p.Heading, p.Lead = "These cannot be put beside each other", template.HTML(attr(capital(err.Error())+"."))
		return p, nil
	}
	p.Heading = comparison.Heading()
	body["Axis"], body["Ratios"] = ratioRows(comparison)
	var shown []string
	for _, n := range all {
		if len(choice.Handsets) == 0 || slices.Contains(choice.Handsets, n) || n == choice.Reference {
			shown = append(shown, n)
		}
	}
	body["Names"], body["Hours"] = shown, c.hoursRows(shown, figures)
	p.Lead = template.HTML(fmt.Sprintf("Runs since %s · %d %s: by chance alone, one interval in 20 misses the truth; whether a difference is shown is corrected for their number",
		choice.From.Local().Format("2 Jan 2006"), comparison.Tested, plural(comparison.Tested, "ratio", "ratios")))
	var list []mismatch
	seen := map[string]bool{}
	for _, m := range comparison.Mismatches {
		if seen[m.Says] || m.Allowed {
			continue
		}
		seen[m.Says] = true
		u := url.Values{}
		for k, v := range q {
			u[k] = slices.Clone(v)
		}
		u.Add("allow", m.What)
		list = append(list, mismatch{m.Says, "/beside?" + u.Encode()})
	}
	body["Mismatches"] = list
	body["Allowed"] = choice.Allow
	return p, nil
}

// ratioRows draws ratios on one log axis with 1 in ink.
func ratioRows(k compare.Comparison) (template.HTML, []ratioRow) {
	low, high := 0.8, 1.25
	for _, r := range k.Ratios {
		if r.Ratio.Low > 0 {
			low, high = math.Min(low, r.Ratio.Low), math.Max(high, r.Ratio.High)
		}
	}
	low, high = math.Floor(low*10-0.2)/10, math.Ceil(high*10+0.2)/10
	low = math.Max(low, 0.1)
	x := func(v float64) string {
		return num(100*(math.Log(v)-math.Log(low))/(math.Log(high)-math.Log(low))) + "%"
	}
	step := 0.1
	if high/low > 3 {
		step = 0.5
	}
	var ticks []float64
	for v := math.Ceil(low/step-1e-9) * step; v <= high+1e-9; v += step {
		ticks = append(ticks, math.Round(v*10)/10)
	}
	if !slices.Contains(ticks, 1) {
		ticks = append(ticks, 1)
	}
	var lines, head strings.Builder
	head.WriteString(`<svg class="axis" height="30" aria-hidden="true"><text class="t2" y="11">shorter</text><text class="t2" x="100%" y="11" text-anchor="end">longer</text>`)
	for i, v := range ticks {
		class := "g"
		if v == 1 {
			class = "now"
		}
		fmt.Fprintf(&lines, `<line class="%[1]s" x1="%[2]s" x2="%[2]s" y2="30"/>`, class, x(v))
		anchor := "middle"
		if i == 0 && v <= low+1e-9 {
			anchor = "start"
		} else if v >= high-1e-9 {
			anchor = "end"
		}
		fmt.Fprintf(&head, `<text class="t2" x="%s" y="27" text-anchor="%s">%g</text>`, x(v), anchor, v)
	}
	head.WriteString("</svg>")
	sides := map[string]int{}
	var rows []ratioRow
	group := -1
	for _, r := range k.Ratios {
		if _, ok := sides[r.Side]; !ok {
			sides[r.Side] = len(sides)
		}
		row := ratioRow{Handset: r.Side, Mark: marks[sides[r.Side]%len(marks)], Says: r.Says, None: r.LeftOut != "" || !r.Shown}
		plot := lines.String()
		if r.LeftOut == "" && r.Ratio.Value > 0 {
			row.Ratio = fmt.Sprintf("%.2f", r.Ratio.Value)
			if r.Ratio.Low > 0 {
				row.Interval = fmt.Sprintf("%.2f to %.2f", r.Ratio.Low, r.Ratio.High)
				plot += fmt.Sprintf(`<line class="iv" x1="%s" x2="%s" y1="15" y2="15"/>`, x(r.Ratio.Low), x(r.Ratio.High))
			}
			plot += fmt.Sprintf(`<use class="mk" href="#%s" x="%s" y="15"/>`, row.Mark, x(r.Ratio.Value))
		}
		row.Plot = template.HTML(`<svg aria-hidden="true">` + plot + `</svg>`)
		if group < 0 || rows[group].Scenario != r.Scenario {
			group = len(rows)
			row.Scenario = r.Scenario
		}
		rows = append(rows, row)
		rows[group].Rows++
	}
	return template.HTML(head.String()), rows
}

func (c *Console) hoursRows(shown []string, figures []orchestrator.ScenarioFigure) []hoursRow {
	var order []string
	cells := map[string]map[string]hoursCell{}
	put := func(row, handset string, cell hoursCell) {
		if cells[row] == nil {
			cells[row] = map[string]hoursCell{}
			order = append(order, row)
		}
		cells[row][handset] = cell
	}
	for _, f := range figures {
		if !slices.Contains(shown, f.Handset) {
			continue
		}
		cell := hoursCell{Why: short(f.Reason)}
		if f.Kept > 0 {
			cell = hoursCell{Hours: hoursOf(f.Hours.Value), Interval: hoursOf(f.Hours.Low) + " to " + hoursOf(f.Hours.High)}
		}
		put(f.Scenario, f.Handset, cell)
	}
	for _, m := range c.d.MixFigures(figures) {
		if !slices.Contains(shown, m.Handset) {
			continue
		}
		cell := hoursCell{Why: "no " + names(m.Missing)}
		if len(m.Missing) == 0 {
			cell = hoursCell{Hours: fmt.Sprintf("%.2f", m.Days.Value), Interval: fmt.Sprintf("%.2f to %.2f", m.Days.Low, m.Days.High)}
		}
		put(m.Mix+", days", m.Handset, cell)
	}
	var rows []hoursRow
	for _, name := range order {
		row := hoursRow{Scenario: name}
		for _, h := range shown {
			row.Cells = append(row.Cells, cells[name][h])
		}
		rows = append(rows, row)
	}
	return rows
}
