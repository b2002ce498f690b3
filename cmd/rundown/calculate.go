package main

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"rundown/results/charging"
	"rundown/results/endurance"
	"rundown/results/intake"
	"rundown/results/sustain"
)

// calculateCmd works out one file without a daemon.
type calculateCmd struct {
	File string `arg:"" help:"A CSV file: columns as in our export, or named by --column."`
	As   string `help:"endurance, charge or sustain; left out: by what the columns are." enum:"endurance,charge,sustain," default:""`

	Column         []string      `help:"Which column is what, as QUANTITY=HEADING@UNIT, such as time=Elapsed@h:mm:ss. May be given several times." placeholder:"MAP"`
	AtChange       bool          `help:"Each line is the moment at which the level changed, as in a log taken by hand."`
	Loop           time.Duration `help:"Endurance: length of the script's loop." placeholder:"DURATION"`
	WarmUp         time.Duration `help:"Endurance: left out at the beginning." default:"3m"`
	Points         int           `help:"Endurance: drain target; left out: all that was drained." placeholder:"N"`
	DesignMAh      float64       `help:"Endurance: the maker's capacity, mAh." name:"design-mah" placeholder:"MAH"`
	NominalMV      float64       `help:"Endurance: the maker's cell voltage, mV." name:"nominal-mv" placeholder:"MV"`
	LearnedMAh     float64       `help:"Endurance: full charge in the charge counter's units, learned in a survey." name:"learned-mah" placeholder:"MAH"`
	LearnedCurrent float64       `help:"Endurance: full charge by integrating the current readings, learned in a survey." name:"learned-by-current-mah" placeholder:"MAH"`
}

func (c *calculateCmd) Help() string {
	return "Examples:\n  rundown calculate drain.csv --as endurance --loop 40s --learned-mah 4210\n  rundown calculate charge.csv --json\n  rundown calculate cycles.csv --as sustain"
}

func (c *calculateCmd) Run(e *env) error {
	f, err := os.Open(c.File)
	if err != nil {
		return err
	}
	defer f.Close()
	options := intake.Options{Columns: map[intake.Quantity]intake.Column{}}
	for _, text := range c.Column {
		q, column, err := intake.ParseColumn(text)
		if err != nil {
			return fmt.Errorf("--column: %w", err)
		}
		options.Columns[q] = column
	}
	log, err := intake.Read(c.File, f, options)
	if err != nil {
		return err
	}
	as := c.As
	if as == "" {
		as = log.As()
	}
	switch as {
	case "charge":
		return c.charge(e, log)
	case "sustain":
		return c.sustain(e, log)
	case "endurance":
		return c.endurance(e, log)
	}
	return fmt.Errorf("%s: its columns do not tell what it is: say --as endurance, charge or sustain", c.File)
}

// span is a value with its 95 % interval, for machines.
type span struct {
	Value float64 `json:"value"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
}

func (s span) String() string { return fmt.Sprintf("%.4g (%.4g to %.4g)", s.Value, s.Low, s.High) }

func (c *calculateCmd) endurance(e *env, log intake.Log) error {
	samples, err := log.Endurance(c.AtChange)
	if err != nil {
		return err
	}
	in := endurance.Input{Samples: samples, WarmUpS: c.WarmUp.Seconds(), LoopS: c.Loop.Seconds(), TargetPoints: c.Points, DesignMAh: c.DesignMAh, NominalMV: c.NominalMV}
	if c.LearnedMAh > 0 {
		in.LearnedCounter = &c.LearnedMAh
	}
	if c.LearnedCurrent > 0 {
		in.LearnedCurrent = &c.LearnedCurrent
	}
	f, err := endurance.Estimate(in)
	if err != nil {
		return fmt.Errorf("%s: no figure: %w", c.File, err)
	}
	of := func(i *endurance.Interval) *span {
		if i == nil {
			return nil
		}
		return &span{i.Value, i.Low, i.High}
	}
	type term struct {
		Name  string  `json:"name"`
		SDPct float64 `json:"sd_pct"`
		Share float64 `json:"share"`
	}
	out := struct {
		File          string   `json:"file"`
		As            string   `json:"as"`
		Hours         span     `json:"hours"`
		RatePctH      span     `json:"rate_pct_h"`
		PowerW        *span    `json:"power_w"`
		CurrentMA     *span    `json:"current_ma"`
		PlainHours    float64  `json:"straight_hours"`
		VoltageFactor float64  `json:"voltage_factor"`
		Points        int      `json:"points"`
		Method        string   `json:"method"`
		Budget        []term   `json:"budget"`
		Assumptions   []string `json:"assumptions"`
		Warnings      []string `json:"warnings"`
	}{c.File, "endurance", *of(&f.Hours), *of(&f.RatePctH), of(f.PowerW), of(f.CurrentMA), f.StraightHours, f.VoltageFactor, f.Points, f.Method, nil, f.Assumptions, slices.Concat(log.Notes, f.Warnings)}
	for _, t := range f.Budget {
		out.Budget = append(out.Budget, term{t.Name, 100 * t.RelSD, t.Share})
	}
	if e.json {
		return e.printJSON(out)
	}
	rows := [][]string{{"hours from full to empty", out.Hours.String()}, {"drain, %/h", out.RatePctH.String()}, {"points", fmt.Sprint(out.Points)}, {"method", out.Method}}
	if out.PowerW != nil {
		rows = append(rows, []string{"power, W", out.PowerW.String()})
	}
	if out.CurrentMA != nil {
		rows = append(rows, []string{"current, mA", out.CurrentMA.String()})
	}
	for _, t := range out.Budget {
		rows = append(rows, []string{"budget: " + t.Name, fmt.Sprintf("%.2f %%", t.SDPct)})
	}
	table(e.out, rows...)
	e.remarks(out.Assumptions, out.Warnings)
	return nil
}

func (c *calculateCmd) charge(e *env, log intake.Log) error {
	samples, leveled, err := log.Charge()
	if err != nil {
		return err
	}
	f, err := charging.Estimate(charging.Input{Samples: samples})
	if err != nil {
		return fmt.Errorf("%s: no figure: %w", c.File, err)
	}
	type timeTo struct {
		LevelPct int  `json:"level_pct"`
		S        span `json:"s"`
	}
	type between struct {
		FromPct int  `json:"from_pct"`
		ToPct   int  `json:"to_pct"`
		S       span `json:"s"`
	}
	type taper struct {
		AtS      float64 `json:"at_s"`
		LevelPct int     `json:"level_pct"`
		PlateauW float64 `json:"plateau_w"`
	}
	type end struct {
		AtS  float64 `json:"at_s"`
		Rule string  `json:"rule"`
	}
	out := struct {
		File     string    `json:"file"`
		As       string    `json:"as"`
		FromPct  *int      `json:"from_pct"`
		Times    []timeTo  `json:"time_to"`
		Spans    []between `json:"between"`
		Source   string    `json:"power_of"`
		PeakW    span      `json:"peak_w"`
		HoldS    float64   `json:"above_90pct_peak_s"`
		BattWh   *span     `json:"energy_into_battery_wh"`
		PlugWh   *span     `json:"energy_at_plug_wh"`
		Taper    *taper    `json:"taper"`
		End      *end      `json:"end"`
		Warnings []string  `json:"warnings"`
	}{File: c.File, As: "charge", Source: f.Source, PeakW: span(f.PeakW), HoldS: f.HoldS, Warnings: slices.Concat(log.Notes, f.Warnings)}
	if leveled {
		out.FromPct = &f.FromPct
		for _, t := range f.Times {
			out.Times = append(out.Times, timeTo{t.LevelPct, span(t.S)})
		}
		for _, s := range f.Spans {
			out.Spans = append(out.Spans, between{s.FromPct, s.ToPct, span(s.S)})
		}
	}
	for _, i := range []struct {
		from *charging.Interval
		to   **span
	}{{f.BattWh, &out.BattWh}, {f.PlugWh, &out.PlugWh}} {
		if i.from != nil {
			s := span(*i.from)
			*i.to = &s
		}
	}
	if f.Taper != nil {
		out.Taper = &taper{f.Taper.AtS, f.Taper.LevelPct, f.Taper.PlateauW}
	}
	if f.End != nil {
		out.End = &end{f.End.AtS, f.End.Rule}
	}
	if e.json {
		return e.printJSON(out)
	}
	rows := [][]string{{"peak, W (" + out.Source + ")", out.PeakW.String()}, {"within 90 % of the peak", minutes(out.HoldS)}}
	for _, t := range out.Times {
		rows = append(rows, []string{fmt.Sprintf("to %d %%", t.LevelPct), minutes(t.S.Value)})
	}
	for _, s := range out.Spans {
		rows = append(rows, []string{fmt.Sprintf("%d to %d %%", s.FromPct, s.ToPct), minutes(s.S.Value)})
	}
	if out.Taper != nil {
		rows = append(rows, []string{"taper sets in", minutes(out.Taper.AtS)})
	}
	if out.End != nil {
		rows = append(rows, []string{"full, by the rule that " + out.End.Rule, minutes(out.End.AtS)})
	}
	if out.BattWh != nil {
		rows = append(rows, []string{"energy into the battery, Wh", out.BattWh.String()})
	}
	if out.PlugWh != nil {
		rows = append(rows, []string{"energy at the plug, Wh", out.PlugWh.String()})
	}
	table(e.out, rows...)
	e.remarks(nil, out.Warnings)
	return nil
}

func minutes(s float64) string { return fmt.Sprintf("%.1f min", s/60) }

func (c *calculateCmd) sustain(e *env, log intake.Log) error {
	scores, err := log.Scores()
	if err != nil {
		return err
	}
	f, err := sustain.Estimate(scores)
	if err != nil {
		return fmt.Errorf("%s: no figure: %w", c.File, err)
	}
	out := struct {
		File      string   `json:"file"`
		As        string   `json:"as"`
		Cycles    int      `json:"cycles"`
		Peak      float64  `json:"peak"`
		Best      float64  `json:"best_cycle"`
		Settled   float64  `json:"settled"`
		Retention span     `json:"retention"`
		Worst     float64  `json:"worst_ratio"`
		Throttled bool     `json:"throttled"`
		Onset     *int     `json:"onset_below_95"`
		Warnings  []string `json:"warnings"`
	}{c.File, "sustain", f.Cycles, f.Peak, f.Best, f.Settled, span(f.Retention), f.Worst, f.Throttled, nil, log.Notes}
	if f.Onset > 0 {
		out.Onset = &f.Onset
	}
	if e.json {
		return e.printJSON(out)
	}
	throttling := "no throttling seen"
	if f.Throttled {
		throttling = "throttled"
		if f.Onset > 0 {
			throttling += fmt.Sprintf(", below 95 %% of the peak from cycle %d on", f.Onset)
		}
	}
	table(e.out, []string{"cycles", fmt.Sprint(f.Cycles)}, []string{"peak level", fmt.Sprintf("%.5g", f.Peak)}, []string{"best cycle", fmt.Sprintf("%.5g", f.Best)},
		[]string{"settled level", fmt.Sprintf("%.5g", f.Settled)}, []string{"retained", out.Retention.String()}, []string{"worst over peak", fmt.Sprintf("%.3f", f.Worst)}, []string{"", throttling})
	e.remarks(nil, out.Warnings)
	return nil
}

// remarks prints what a figure rests on.
func (e *env) remarks(assumptions, warnings []string) {
	for _, a := range assumptions {
		fmt.Fprintln(e.out, "assumed:", strings.TrimSpace(a))
	}
	for _, w := range warnings {
		fmt.Fprintln(e.out, "note:", strings.TrimSpace(w))
	}
}
