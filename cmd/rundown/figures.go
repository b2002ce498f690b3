package main

import (
	"fmt"
	"io"
	"net/url"
	"strings"

	"rundown/orchestrator/api"
	"rundown/results/reading"
)

// figuresCmd shows endurance and what the day mixes make of it.
type figuresCmd struct {
	Handset  string `help:"Only of this handset."`
	Scenario string `help:"Only of this scenario; day mixes then want the others."`
	Plan     string `help:"Only of this plan."`
	Of       string `help:"Only of this run." placeholder:"RUN"`
	Flagged  bool   `help:"Count flagged segments too."`
	storeFlags
}

func (c *figuresCmd) Help() string {
	return "Hours from full to empty with their 95 % intervals, put together for the plan file's day mixes with how much each part matters, and " +
		"what the cycle of Regulation (EU) 2023/1669 would come to where its parts were measured (scenarios voicecall, idle, browse, stream, game, transfer, video; " +
		"stream and transfer are the lab's own).\n\nExamples:\n  rundown figures\n  rundown figures --handset Alder --json"
}

func (c *figuresCmd) Run(e *env) error {
	e, done, err := c.asked(e)
	if err != nil {
		return err
	}
	defer done()
	q := url.Values{}
	for name, v := range map[string]string{"handset": c.Handset, "scenario": c.Scenario, "plan": c.Plan, "run": c.Of} {
		if v != "" {
			q.Set(name, v)
		}
	}
	if c.Flagged {
		q.Set("flagged", "true")
	}
	f, err := e.client.Figures(e.ctx, q)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(f)
	}
	if len(f.Scenarios) == 0 {
		fmt.Fprintln(e.out, "No figures: nothing was measured yet, or nothing of what was asked for.")
		return nil
	}
	printFigures(e.out, f.Scenarios)
	printMixes(e.out, f)
	return nil
}

func printMixes(w io.Writer, f api.Figures) {
	for _, m := range f.DayMixes {
		fmt.Fprintln(w)
		printMix(w, m)
	}
	for _, r := range f.Regulation {
		fmt.Fprintln(w)
		if r.Hours == nil {
			fmt.Fprintf(w, "%s, cycle of Regulation (EU) 2023/1669: not measured: %s\n", r.Handset, strings.Join(r.Missing, ", "))
			continue
		}
		index := ""
		if r.IndexPerW > 0 {
			index = fmt.Sprintf(", %.2f h per Wh, which would be class %s", r.IndexPerW, r.Class)
		}
		fmt.Fprintf(w, "%s, cycle of Regulation (EU) 2023/1669: %.2f h (%.2f to %.2f)%s\n  %s\n", r.Handset, r.Hours.Value, r.Hours.Low, r.Hours.High, index, r.Label)
	}
}

func printMix(w io.Writer, m reading.MixFigure) {
	if len(m.Missing) > 0 {
		fmt.Fprintf(w, "%s, %s: no days: not measured: %s\n", m.Handset, m.Mix, strings.Join(m.Missing, ", "))
		return
	}
	fmt.Fprintf(w, "%s, %s: %.2f days (%.2f to %.2f)", m.Handset, m.Mix, m.Days.Value, m.Days.Low, m.Days.High)
	if s := m.WithStandby; s != nil {
		fmt.Fprintf(w, "; with the other %.4g h a day idle %.2f (%.2f to %.2f)", m.StandbyH, s.Value, s.Low, s.High)
	}
	fmt.Fprintln(w)
	rows := [][]string{{"PART", "H A DAY", "SHARE OF THE DAY'S CHARGE", "DAYS IF 10 % MORE OF IT", "DAYS IF IT LASTS 10 % LONGER"}}
	for _, p := range m.Parts {
		rows = append(rows, []string{p.Scenario, fmt.Sprintf("%.4g", p.HoursPerDay), fmt.Sprintf("%.0f %%", p.SharePct), fmt.Sprintf("%+.3f", p.DaysIfMore), fmt.Sprintf("%+.3f", p.DaysIfLonger)})
	}
	table(w, rows...)
}
