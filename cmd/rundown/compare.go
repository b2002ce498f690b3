package main

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"rundown/results/compare"
	"rundown/results/reading"
)

// compareCmd puts sides beside each other.
type compareCmd struct {
	Sides []string `arg:"" optional:"" help:"Handsets, runs and line-ups by name; none: every handset of the bench with runs."`
	choiceFlags
	storeFlags
}

// choiceFlags choose what is put beside each other; report takes them too.
type choiceFlags struct {
	Reference string   `help:"The side that the others are compared with; the first when left out." placeholder:"SIDE"`
	AllPairs  bool     `help:"Each side with each, instead of with the reference."`
	Scenario  []string `help:"Only this scenario; may be given several times."`
	Plan      string   `help:"Only runs of this plan."`
	Run_      []string `name:"run" help:"A run as a further side; may be given several times." placeholder:"RUN"`
	Allow     []string `help:"A mismatch that does not block, by its name: plan, workload, build, calibration, conditions, 'start level', charger, meter, flagged, or a precondition. May be given several times." placeholder:"NAME"`
	From      string   `help:"Only runs of handsets begun on this day or later (2030-05-14); left out: of the 30 days before the newest run." placeholder:"DAY"`
	To        string   `help:"Only runs of handsets begun on this day or earlier." placeholder:"DAY"`
}

func (c *compareCmd) Help() string {
	return "Examples:\n  rundown compare Alder Birch\n  rundown compare this_year last_year --scenario video\n  rundown compare Alder Rowan --allow plan --allow workload\n\n" +
		"What was not measured alike is listed and not compared, unless it is allowed by the name that stands beside it."
}

// query is the choice as GET /v1/compare takes it.
func (c choiceFlags) query(sides []string) (url.Values, error) {
	q := url.Values{"side": append(sides, c.Run_...), "scenario": c.Scenario, "allow": c.Allow}
	for name, v := range map[string]string{"reference": c.Reference, "plan": c.Plan} {
		if v != "" {
			q.Set(name, v)
		}
	}
	if c.AllPairs {
		q.Set("all_pairs", "true")
	}
	for name, text := range map[string]string{"from": c.From, "to": c.To} {
		if text == "" {
			continue
		}
		at, err := time.ParseInLocation(time.DateOnly, text, time.Local)
		if err != nil {
			return nil, fmt.Errorf("--%s: want a day such as 2030-05-14, got %q", name, text)
		}
		if name == "to" {
			at = at.AddDate(0, 0, 1)
		}
		q.Set(name, at.Format(time.RFC3339))
	}
	return q, nil
}

func (c *compareCmd) Run(e *env) error {
	e, done, err := c.asked(e)
	if err != nil {
		return err
	}
	defer done()
	q, err := c.query(c.Sides)
	if err != nil {
		return err
	}
	b, err := e.client.Compare(e.ctx, q)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(b)
	}
	printBeside(e, b)
	return nil
}

func printBeside(e *env, b reading.Beside) {
	fmt.Fprintf(e.out, "%s.\n\n", b.Heading)
	rows := [][]string{{"SCENARIO", "SIDE", "AGAINST", "RATIO (95 %)", "p OF THE SET", "RUNS", "TEST", "WHAT IT SHOWS", "BATTERY", "REST (95 %)", "H PER WH"}}
	var said grouped
	add := func(list []compare.Ratio, what string) {
		for _, r := range list {
			row := []string{r.Scenario + what, r.Side, r.Reference, "-", "-", "-", "-", r.Says, "-", "-", "-"}
			if r.LeftOut == "" {
				row[3] = fmt.Sprintf("%.3f (%.3f to %.3f)", r.Ratio.Value, r.Ratio.Low, r.Ratio.High)
				row[4] = pValue(r.PAdjusted)
				row[5] = fmt.Sprintf("%d and %d", r.SideRuns, r.RefRuns)
				row[6] = r.By
			} else {
				row[7] += ": " + r.LeftOut
			}
			if b := r.Battery; b != nil {
				row[8] = fmt.Sprintf("%.3f", b.Ratio)
				row[9] = fmt.Sprintf("%.3f (%.3f to %.3f)", b.Rest.Value, b.Rest.Low, b.Rest.High)
				if b.SidePerWh > 0 {
					row[10] = fmt.Sprintf("%.2f and %.2f", b.SidePerWh, b.ReferencePerWh)
				}
				said.add(b.Says, r.Side, r.Scenario)
			}
			rows = append(rows, row)
			for _, n := range r.Notes {
				said.add(n, r.Side, r.Scenario)
			}
		}
	}
	add(b.Comparison.Ratios, "")
	add(b.DayMixes.Ratios, " (day mix)")
	if len(rows) > 1 {
		table(e.out, rows...)
	}
	printSet(e, b.Charges, "CHARGE", "CHARGES", &said, len(rows) > 1)
	printSet(e, b.Sustained, "SUSTAINED WORK", "RUNS", &said, len(rows) > 1)
	seen := map[string]bool{}
	var blocked, allowed []string
	for _, m := range slices.Concat(b.Comparison.Mismatches, b.DayMixes.Mismatches, b.Charges.Mismatches, b.Sustained.Mismatches) {
		line := fmt.Sprintf("  %s: %s", m.What, m.Says)
		if seen[line] {
			continue
		}
		seen[line] = true
		if m.Allowed {
			allowed = append(allowed, line)
		} else {
			blocked = append(blocked, line)
		}
	}
	if len(blocked) > 0 {
		fmt.Fprintf(e.out, "\nNot measured alike, and not compared unless allowed by the name in front (--allow NAME):\n%s\n", strings.Join(blocked, "\n"))
	}
	if len(allowed) > 0 {
		fmt.Fprintf(e.out, "\nNot measured alike, and compared because it was allowed:\n%s\n", strings.Join(allowed, "\n"))
	}
	notes := said.lines()
	if !b.From.IsZero() {
		notes = append(notes, "runs of handsets since "+dateTime(b.From))
	}
	notes = append(notes, b.Notes...)
	if len(notes) > 0 {
		fmt.Fprintln(e.out)
	}
	for _, n := range notes {
		fmt.Fprintln(e.out, "note:", n)
	}
}

// printSet prints what charges, or sustained work, show beside each other; headed says that its
// heading is not that of the whole.
func printSet(e *env, s reading.ComparedSet, what, runs string, said *grouped, headed bool) {
	if len(s.Quantities) == 0 {
		return
	}
	if headed {
		fmt.Fprintf(e.out, "\n%s.\n\n", s.Heading)
	}
	rows := [][]string{{what, "QUANTITY", "SIDE", "VALUE", "AGAINST", "VALUE", "RATIO OR DIFFERENCE (95 %)", "p OF THE SET", runs, "WHAT IT SHOWS", "PER BATTERY (95 %)"}}
	told := map[string]bool{}
	for _, q := range s.Present() {
		row := []string{q.Scenario, q.Quantity, q.Side, "-", q.Reference, "-", "-", "-", "-", q.Conclusion, "-"}
		if q.LeftOut != "" {
			row[9] += ": " + q.LeftOut
			rows = append(rows, row)
			continue
		}
		row[3], row[5] = q.SayValue(q.SideValue), q.SayValue(q.ReferenceValue)
		row[6], row[7] = q.SayChange(), pValue(q.PAdjusted)
		row[8] = fmt.Sprintf("%d and %d", q.SideRuns, q.ReferenceRuns)
		if r := q.RatioPerWh; r != nil {
			row[10] = fmt.Sprintf("%.3f (%.3f to %.3f)", r.Value, r.Low, r.High)
		}
		if settles := compare.Settling(q.RepeatsNeeded, q.OutOfReach); settles != "" {
			row[9] += "; " + settles
		}
		rows = append(rows, row)
		for _, n := range q.Notes {
			if key := n + q.Side; !told[key] {
				told[key] = true
				said.add(n, q.Side, strings.ToLower(what))
			}
		}
	}
	if len(rows) > 1 {
		table(e.out, rows...)
	}
	for _, a := range s.Absent {
		fmt.Fprintf(e.out, "%s: not compared: %s\n", a.Side, a.Why)
	}
}

func pValue(p float64) string {
	if p < 0.001 {
		return "below 0.001"
	}
	return fmt.Sprintf("%.3f", p)
}

// grouped are notes on ratios, those that say the same once.
type grouped struct {
	order []string
	of    map[string][]string // scenarios, by text and side
	sides map[string][]string // by text
}

func (g *grouped) add(text, side, scenario string) {
	if g.of == nil {
		g.of, g.sides = map[string][]string{}, map[string][]string{}
	}
	if g.sides[text] == nil {
		g.order = append(g.order, text)
	}
	key := text + "\x00" + side
	if g.of[key] == nil {
		g.sides[text] = append(g.sides[text], side)
	}
	g.of[key] = append(g.of[key], scenario)
}

func (g *grouped) lines() (list []string) {
	for _, text := range g.order {
		var whom []string
		for _, side := range g.sides[text] {
			whom = append(whom, side+" in "+strings.Join(g.of[text+"\x00"+side], ", "))
		}
		list = append(list, text+" ("+strings.Join(whom, "; ")+")")
	}
	return list
}
