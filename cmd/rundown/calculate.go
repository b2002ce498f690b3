package main

import (
	"fmt"
	"strings"
	"time"

	"rundown/results/calculate"
	"rundown/results/charging"
	"rundown/results/figure"
	"rundown/results/logfiles"
)

// calculateCmd works out files without a daemon.
type calculateCmd struct {
	Files []string `arg:"" name:"file" help:"CSV files, or folders of them: columns as in our export, or named by --column."`
	As    string   `help:"endurance, charge or sustain; left out: by what the columns are." enum:"endurance,charge,sustain," default:""`

	Column         []string      `help:"Which column is what, as QUANTITY=HEADING@UNIT, such as time=Elapsed@h:mm:ss. May be given several times." placeholder:"MAP" sep:"none"`
	Only           string        `help:"One of several logs in the file." placeholder:"SEGMENT"`
	AtChange       *bool         `help:"Each line is (or is not) the moment at which the level changed; left out: by how the log looks." negatable:""`
	Loop           time.Duration `help:"Endurance: length of the script's loop." placeholder:"DURATION"`
	WarmUp         time.Duration `help:"Endurance: left out at the beginning." default:"3m"`
	Points         int           `help:"Endurance: drain target; left out: all that was drained." placeholder:"N"`
	DesignMAh      float64       `help:"Endurance: the maker's capacity, mAh." name:"design-mah" aliases:"capacity-mah" placeholder:"MAH"`
	NominalMV      float64       `help:"Endurance: the maker's cell voltage, mV; with --design-mah it gives hours per watt-hour." name:"nominal-mv" placeholder:"MV"`
	LearnedMAh     float64       `help:"Endurance: full charge in the charge counter's units, learned in a survey." name:"learned-mah" placeholder:"MAH"`
	LearnedCurrent float64       `help:"Endurance: full charge by integrating the current readings, learned in a survey." name:"learned-by-current-mah" placeholder:"MAH"`
}

func (c *calculateCmd) Help() string {
	return "Several files, a folder, or a file that holds several logs give one row for each log; exit code 0 only when each of them gave a figure.\n\n" +
		"Examples:\n  rundown calculate drain.csv --as endurance --loop 40s --learned-mah 4210\n  rundown calculate charge.csv --json\n  rundown calculate cycles.csv --as sustain\n" +
		"  rundown calculate logs-of-2030/ --column time=Elapsed@h:mm:ss --column level=Battery"
}

func (c *calculateCmd) Run(e *env) error {
	columns, err := logfiles.ParseColumns(c.Column)
	if err != nil {
		return fmt.Errorf("--column: %w", err)
	}
	files, rows, err := logFiles(c.Files)
	if err != nil {
		return err
	}
	in := logfiles.Options{Columns: columns, Only: c.Only}
	options := calculate.Options{
		As: c.As, AtChange: c.AtChange, WarmUpS: c.WarmUp.Seconds(), LoopS: c.Loop.Seconds(), Points: c.Points,
		DesignMAh: c.DesignMAh, NominalMV: c.NominalMV, LearnedMAh: c.LearnedMAh, LearnedByCurrentMAh: c.LearnedCurrent,
	}
	var logs []calculate.One
	for _, file := range files {
		list, err := calculateFile(file, in, options)
		if err != nil {
			return err
		}
		logs = append(logs, list...)
	}
	if rows || len(logs) > 1 {
		return e.printLogs(logs)
	}
	if err := logs[0].Err; err != nil {
		return err
	}
	r := *logs[0].Result
	if e.json {
		return e.printJSON(flat(r, ""))
	}
	switch {
	case r.Endurance != nil:
		e.printEndurance(r.Endurance)
	case r.Charge != nil:
		e.printCharge(r.Charge)
	case r.Sustain != nil:
		e.printSustain(r.Sustain)
	}
	if r.Endurance != nil {
		for _, a := range r.Endurance.Assumptions {
			fmt.Fprintln(e.out, "assumed:", strings.TrimSpace(a))
		}
	}
	for _, w := range r.Warnings {
		fmt.Fprintln(e.out, "note:", strings.TrimSpace(w))
	}
	return nil
}

// flat is a result as one object, which is easier to take apart on a command line.
func flat(r calculate.Result, only string) any {
	type about struct {
		File string `json:"file"`
		Only string `json:"only,omitempty"`
		As   string `json:"as"`
	}
	type remarks struct {
		Warnings []string `json:"warnings"`
	}
	a, w := about{r.File, only, r.As}, remarks{r.Warnings}
	switch {
	case r.Charge != nil: // what was not found stands there as null
		c := r.Charge
		return struct {
			about
			*calculate.Charge
			PeakW  *calculate.Interval `json:"peak_w"`
			HoldS  *float64            `json:"above_90pct_peak_s"`
			BattWh *calculate.Interval `json:"energy_into_battery_wh"`
			PlugWh *calculate.Interval `json:"energy_at_plug_wh"`
			Taper  *calculate.Taper    `json:"taper"`
			End    *calculate.End      `json:"end"`
			remarks
		}{a, c, c.PeakW, c.HoldS, c.BattWh, c.PlugWh, c.Taper, c.End, w}
	case r.Sustain != nil:
		return struct {
			about
			*calculate.Sustain
			remarks
		}{a, r.Sustain, w}
	}
	return struct {
		about
		*calculate.Endurance
		PowerW    *calculate.Interval `json:"power_w"`
		CurrentMA *calculate.Interval `json:"current_ma"`
		remarks
	}{a, r.Endurance, r.Endurance.PowerW, r.Endurance.CurrentMA, w}
}

func (e *env) printEndurance(f *calculate.Endurance) {
	rows := [][]string{{"hours from full to empty", f.Hours.String()}, {"drain, %/h", f.RatePctH.String()}, {"points", fmt.Sprintf("%d, from %d to %d %%", f.Points, f.Window.FromPct, f.Window.ToPct)},
		{"window", fmt.Sprintf("from %s to %s of the log", minutes(f.Window.FromS), minutes(f.Window.ToS))}, {"method", f.Method}}
	if f.HoursPerWh != nil {
		rows = append(rows, []string{"hours per watt-hour", fmt.Sprintf("%.2f", *f.HoursPerWh)})
	}
	if f.PowerW != nil {
		rows = append(rows, []string{"power, W", f.PowerW.String()})
	}
	if f.CurrentMA != nil {
		rows = append(rows, []string{"current, mA", f.CurrentMA.String()})
	}
	for _, t := range f.Budget {
		rows = append(rows, []string{"budget: " + t.Name, fmt.Sprintf("%.2f %%", t.SDPct)})
	}
	table(e.out, rows...)
}

func (e *env) printCharge(f *calculate.Charge) {
	var rows [][]string
	if f.PeakW != nil {
		rows = append(rows, []string{"peak, W (" + f.Source + ")", f.PeakW.String()})
	}
	if f.Hold != nil {
		rows = append(rows, []string{"within 90 % of the peak", f.Hold.Minutes()})
	}
	for _, t := range f.Times {
		rows = append(rows, []string{fmt.Sprintf("to %d %%", t.LevelPct), dash(charging.SayTimes(t.S, t.ChargeS))})
	}
	for _, s := range f.Spans {
		rows = append(rows, []string{fmt.Sprintf("%d to %d %%", s.FromPct, s.ToPct), dash(charging.SayTimes(&s.S, s.ChargeS))})
	}
	if f.Taper != nil {
		rows = append(rows, []string{"taper sets in", f.Taper.Between.Minutes()})
	}
	if f.End != nil {
		rows = append(rows, []string{"full, by the rule that " + f.End.Rule, minutes(f.End.AtS)})
	}
	if f.BattWh != nil {
		rows = append(rows, []string{"energy into the battery, Wh", f.BattWh.String()})
	}
	if f.PlugWh != nil {
		rows = append(rows, []string{"energy at the plug, Wh", f.PlugWh.String()})
	}
	table(e.out, rows...)
}

func minutes(s float64) string { return fmt.Sprintf("%.1f min", s/60) }

func (e *env) printSustain(f *calculate.Sustain) {
	throttling := "no throttling seen"
	if f.Throttled {
		throttling = "throttled"
		if f.Onset != nil {
			throttling += fmt.Sprintf(", below 95 %% of the rate at the start from cycle %d on", *f.Onset)
		}
	}
	table(e.out, []string{"cycles", fmt.Sprint(f.Cycles)}, []string{"rate at the start", figure.Say(f.StartRate, 5)},
		[]string{"settled rate", figure.Say(f.SettledRate, 5)}, []string{"share held", f.Held.String()}, []string{"", throttling})
}
