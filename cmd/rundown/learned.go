package main

import (
	"fmt"
	"io"

	"rundown/results/figure"
	"rundown/results/reading"
)

// learnedCmd shows and drops what surveys, segments and recharges taught about handsets.
type learnedCmd struct {
	Show   learnedShowCmd   `cmd:"" default:"withargs" help:"Show what is known of a handset, or of all."`
	Forget learnedForgetCmd `cmd:"" help:"Drop what was learned of a handset, such as after its battery was changed."`
}

func (c *learnedCmd) Help() string {
	return "Full charge in the handset's own units, its voltage curve, how its level bends away from charge, and how good its gauge is: " +
		"learned from surveys (long steady drains, see scenarios.example.yaml), and little by little from ordinary segments and recharges. " +
		"It is kept by OS build, and makes the intervals of figures narrower.\n\n" +
		"Examples:\n  rundown learned\n  rundown learned Alder\n  rundown learned forget Alder"
}

type learnedShowCmd struct {
	Handset string `arg:"" optional:"" help:"The handset's name on the bench; all when left out."`
}

func (c *learnedShowCmd) Run(e *env) error {
	list, err := e.client.Learned(e.ctx, c.Handset)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(list)
	}
	if len(list) == 0 {
		fmt.Fprintln(e.out, "Nothing is learned yet: each segment that is measured teaches a little, a survey teaches it at once.")
		return nil
	}
	for i, l := range list {
		if i > 0 {
			fmt.Fprintln(e.out)
		}
		printLearned(e.out, l)
	}
	return nil
}

func printLearned(w io.Writer, l reading.Learned) {
	use := "in use: its latest run was on this build"
	if !l.InUse {
		use = "not in use: its latest run was on another build"
	}
	rows := [][]string{{"handset", l.Handset}, {"OS build", l.Build}, {"", use}}
	full := func(name string, i *figure.Interval) {
		if i != nil {
			rows = append(rows, []string{name, fmt.Sprintf("%s (%s to %s), within %.2f %%", figure.Say(i.Value, 6), figure.Say(i.Low, 6), figure.Say(i.High, 6), 50*(i.High-i.Low)/i.Value)})
		}
	}
	full("full charge, counter's unit", l.Counter)
	full("full charge, current reading's unit times h", l.Current)
	if l.NothingUsable {
		rows = append(rows, []string{"full charge", "cannot be told from what was seen so far"})
	} else {
		gauge := l.Gauge
		if l.StepRaw > 0 {
			gauge += fmt.Sprintf(", in steps of %s", figure.Say(l.StepRaw, 4))
		}
		if l.RefreshS > 0 {
			gauge += fmt.Sprintf(", moves every %.3g s or oftener", l.RefreshS)
		}
		rows = append(rows, []string{"gauge", gauge})
	}
	if l.BendSD > 0 {
		rows = append(rows, []string{"level bends from charge by", fmt.Sprintf("%.2f point (one standard deviation)", l.BendSD)})
	}
	if l.DriftPct != nil {
		rows = append(rows, []string{"power drifts as it warms by", fmt.Sprintf("%+.1f %% give or take %.1f (one standard deviation)", *l.DriftPct, *l.DriftSDPct)})
	}
	switch {
	case l.HeldPoints == nil:
		rows = append(rows, []string{"100 % is held", "not seen: a drain that begins at 100 % tells"})
	case *l.HeldPoints == 0:
		rows = append(rows, []string{"100 % is held", "no longer than a point"})
	default:
		rows = append(rows, []string{"100 % is held", fmt.Sprintf("for %.1f points' worth of charge", *l.HeldPoints)})
	}
	rows = append(rows, []string{"learned from", fmt.Sprintf("%s, %s, %s; the latest %s, %s ago", several(l.Surveys, "survey"), several(l.Segments, "segment"), several(l.Recharges, "recharge"), dateTime(l.NewestAt), several(int(l.AgeDays), "day"))})
	table(w, rows...)
	if len(l.Curve) == 0 {
		fmt.Fprintln(w, "no survey yet: voltage curve and bend are those of a typical handset")
		return
	}
	bend := map[int]reading.Bend{}
	for _, b := range l.Bend {
		bend[int(b.LevelPct/5)] = b
	}
	rows = [][]string{{"LEVEL %", "OPEN CIRCUIT mV", "BEND, POINTS"}}
	for _, p := range l.Curve {
		cell := "-"
		if b, ok := bend[int(p.LevelPct/5)]; ok {
			cell = fmt.Sprintf("%+.2f within %.2f", b.Points, 1.96*b.SD)
		}
		rows = append(rows, []string{fmt.Sprintf("%.0f", p.LevelPct), fmt.Sprintf("%.0f", p.MV), cell})
	}
	table(w, rows...)
}

type learnedForgetCmd struct {
	Handset string `arg:"" help:"The handset's name on the bench."`
}

func (c *learnedForgetCmd) Run(e *env) error {
	f, err := e.client.Forget(e.ctx, c.Handset)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(f)
	}
	fmt.Fprintf(e.out, "Forgotten: what was learned of %s on %s. Segments already recorded stay; learning begins anew with the next one.\n", f.Handset, several(f.Builds, "OS build"))
	return nil
}

// several is a number with its noun.
func several(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
