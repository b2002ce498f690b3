package reading

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"rundown/results"
	"rundown/results/report"
)

// What the daemon's figures are as rows of the exported tables. Exports and reports are
// both made of these, so that nothing is drawn that has no number in the export.

// chosen goes through the segments that a filter takes, run by run, oldest first.
func (rm *Room) chosen(f results.Filter, do func(results.Run, results.Segment) error) error {
	var runs []results.Run
	var err error
	if f.Run != "" {
		var r results.Run
		if r, err = rm.store.Run(f.Run); err != nil {
			return err
		}
		runs = append(runs, r)
	} else if runs, err = rm.store.Runs(); err != nil && len(runs) == 0 {
		return err
	}
	for _, r := range runs {
		if f.Handset != "" && f.Handset != r.Handset.Name || f.Plan != "" && f.Plan != r.Plan {
			continue
		}
		segments, failed := rm.store.Segments(r.ID)
		err = errors.Join(err, failed)
		for _, g := range segments {
			if f.Takes(g.Handset, g.RunID, g.Plan, g.Scenario, g.StartedAt) && g.Outcome != results.Underway {
				err = errors.Join(err, do(r, g))
			}
		}
	}
	return err
}

// isEndurance says whether a segment is one of which hours are worked out.
func isEndurance(g results.Segment) bool {
	return !IsCharge(g) && (g.Imported == "" || g.Imported == results.AsEndurance)
}

func whose(g results.Segment) results.Whose {
	return results.Whose{Handset: g.Handset, RunID: g.RunID, SegmentID: g.ID, Scenario: g.Scenario, Imported: g.Imported != ""}
}

// FigureRows are the endurance figures of the segments that a filter takes, of each handset's
// repeats together, and of the day mixes they make; and what their intervals are made of.
// What cannot be read of the store is left out and named in the error.
func (rm *Room) FigureRows(f results.Filter) (figures []results.FigureRow, budgets []results.BudgetRow, err error) {
	if f.Run != "" {
		if _, err := rm.store.Run(f.Run); err != nil {
			return nil, nil, err
		}
	}
	var groups figureGroups
	takes := func(g results.Segment) bool {
		return g.Outcome != results.Skipped && f.Takes(g.Handset, g.RunID, g.Plan, g.Scenario, g.StartedAt)
	}
	err = rm.judge(f.Run, takes, func(j judged) {
		row, terms := segmentRow(j)
		figures, budgets = append(figures, row), append(budgets, terms...)
		if j.counts(false) {
			j.segment.Evidence = nil // an export of a year holds all of these
			groups.add(j)
		}
	})
	var all []ScenarioFigure
	for _, k := range groups.order {
		list := groups.by[k]
		r := together(list, false)
		if !k.imported {
			all = append(all, ScenarioFigure{Handset: k.handset, Scenario: k.scenario, Hours: r.hours, Kept: r.segments})
		}
		if r.segments > 1 {
			figures = append(figures, repeatsRow(k, list, r))
		}
	}
	if f.Scenario == "" {
		figures = append(figures, rm.mixRows(all)...)
	}
	return figures, budgets, err
}

// segmentRow is one segment's figure as a row, with what its interval is made of.
func segmentRow(j judged) (row results.FigureRow, budget []results.BudgetRow) {
	g := j.segment
	row = results.FigureRow{Whose: whose(g), Plan: g.Plan, Of: "segment", Outcome: g.Outcome, At: g.StartedAt, Segments: 1, Agree: true, ActivityPct: g.ActivityPct}
	switch {
	case j.leftOut != "":
		row.Reason = j.leftOut
		return row, nil
	case j.noFigure != nil:
		row.Reason = cmp.Or(j.shown.Reason, why(j.noFigure))
		return row, nil
	}
	shown, figure := j.shown, j.figure
	row.Hours, row.RatePctH = &shown.Hours, &shown.RatePctH
	row.PowerW, row.CurrentMA = shown.PowerW, shown.CurrentMA
	from, to := int64(figure.FromPct), int64(figure.ToPct)
	row.Points, row.FromPct, row.ToPct, row.Factor = shown.Points, &from, &to, &shown.VoltageFactor
	row.Gauge, row.Method, row.Assumptions, row.Warnings = figure.Gauge.String(), shown.Method, shown.Assumptions, shown.Warnings
	if g.Outcome == results.Flagged {
		row.Warnings = slices.Concat([]string{"flagged: " + g.Reason}, row.Warnings)
	}
	if figure.HoursPerWh > 0 {
		row.HoursPerWh = &figure.HoursPerWh
	}
	for _, t := range shown.Budget {
		budget = append(budget, results.BudgetRow{Whose: row.Whose, Term: t.Name, SDPct: t.SDPct, Share: t.Share})
	}
	return row, budget
}

// repeatsRow is what a handset's repeats say together. All of list count.
func repeatsRow(k figureKey, list []judged, r repeated) results.FigureRow {
	first := list[0].segment
	row := results.FigureRow{
		Whose: results.Whose{Handset: k.handset, Scenario: k.scenario, Imported: k.imported}, Plan: first.Plan, Of: "repeats", At: first.StartedAt, Hours: &r.hours,
		Segments: r.segments, Agree: r.agree, ActivityPct: first.ActivityPct, Method: fmt.Sprintf("geometric mean of %d segments", r.segments), Points: r.points,
	}
	for _, j := range list {
		if p, least := j.segment.ActivityPct, row.ActivityPct; p != nil && least != nil && *p < *least {
			row.ActivityPct = p
		}
	}
	if r.perWh > 0 {
		row.HoursPerWh = &r.perWh
	}
	return row
}

// mixRows are the day mixes that figures make.
func (rm *Room) mixRows(figures []ScenarioFigure) (rows []results.FigureRow) {
	for _, m := range rm.mixesOf(figures) {
		row := results.FigureRow{Whose: results.Whose{Handset: m.Handset, Scenario: m.Mix}, Of: "day mix", Agree: true}
		var parts []string
		for _, name := range slices.Sorted(maps.Keys(rm.file.DayMixes[m.Mix].Hours)) {
			parts = append(parts, fmt.Sprintf("%g h %s", round2(rm.file.DayMixes[m.Mix].Hours[name]), name))
		}
		row.Method = strings.Join(parts, ", ")
		if len(m.Missing) > 0 {
			row.Reason = strings.Join(m.Missing, ", ") + " not measured"
		} else {
			row.DaysOfMix = &m.Days
		}
		rows = append(rows, row)
	}
	return rows
}

func round2(v float64) float64 { return float64(int(v*100+0.5)) / 100 }

// ChargeRows are the charges that a filter takes.
func (rm *Room) ChargeRows(f results.Filter) (rows []results.ChargeRow, err error) {
	list, err := rm.Charges(FigureFilter{Handset: f.Handset, Scenario: f.Scenario, Plan: f.Plan, Run: f.Run, WithFlagged: true})
	for _, c := range list {
		if !f.Takes(c.Handset, c.Run, f.Plan, c.Scenario, c.PluggedAt) {
			continue
		}
		row := results.ChargeRow{
			Whose:     results.Whose{Handset: c.Handset, RunID: c.Run, SegmentID: c.Segment, Scenario: c.Scenario, Imported: c.Imported},
			StartedAt: c.PluggedAt, FullS: c.FullS, FullRule: c.FullRule, PeakW: c.PeakW, Above90S: c.Above90S, TaperS: c.TaperS,
			ChargeMAh: c.ChargeMAh, Efficiency: c.Efficiency, MeanTempC: c.MeanTempC, HighestTempC: c.HighestTempC, Notes: slices.Clone(c.Notes),
		}
		if len(c.Times) > 0 || !c.Imported {
			from, to := int64(c.FromPct), int64(c.ToPct)
			row.FromPct, row.ToPct = &from, &to
		}
		row.Hold, row.Taper = c.Hold, c.Taper
		for _, t := range c.Times {
			for level, to := range map[int]struct {
				shown  **float64
				charge **results.Interval
			}{20: {&row.To20S, &row.Charge20S}, 50: {&row.To50S, &row.Charge50S}, 80: {&row.To80S, &row.Charge80S}, 95: {&row.To95S, &row.Charge95S}, 100: {&row.To100S, &row.Charge100S}} {
				if t.LevelPct != level {
					continue
				}
				*to.charge = t.ChargeS
				if t.S != nil {
					*to.shown = &t.S.Value
				}
			}
		}
		for _, s := range c.Spans {
			if s.FromPct == 20 && s.ToPct == 80 {
				row.From20To80S, row.Charge20To80S = &s.S, s.ChargeS
			}
		}
		value := func(i *Interval) *float64 {
			if i == nil {
				return nil
			}
			return &i.Value
		}
		row.PeakSocketW, row.BatteryWh, row.SocketWh = value(c.PeakSocketW), value(c.BatteryWh), value(c.SocketWh)
		whole := func(i *int) *int64 {
			if i == nil {
				return nil
			}
			v := int64(*i)
			return &v
		}
		row.HighestTempPct = whole(c.HighestAtPct)
		if c.TaperPct != nil {
			v := float64(*c.TaperPct)
			row.TaperPct = &v
		}
		if d := c.FirstDrop; d != nil {
			row.Drop, row.HeldW, row.DropToW = &d.S, &d.HeldW, d.ToW
			if d.LevelPct > 0 {
				v := float64(d.LevelPct)
				row.DropPct = &v
			}
		}
		row.PowerOf = map[string]string{"cell": "battery", "plug": "socket"}[c.PeakOf]
		row.PeakKept, row.Hot40S, row.Hot45S, row.HotFullS = c.SayKept(), c.HotS, c.Hot45S, c.HotFullS
		if c.Reason != "" {
			row.Notes = append(row.Notes, "no figure: "+c.Reason)
		}
		rows = append(rows, row)
	}
	return rows, err
}

// LotRows are the lots and cycles of sustained work that a filter takes, and what they say.
func (rm *Room) LotRows(f results.Filter) (lots []results.LotRow, sustained []results.SustainRow, err error) {
	err = rm.chosen(f, func(_ results.Run, g results.Segment) error {
		if g.Outcome != results.Measured && g.Outcome != results.Flagged {
			return nil
		}
		list, err := rm.sustainedOf(g, true)
		pieces, each := SustainRows(list)
		sustained, lots = append(sustained, pieces...), append(lots, each...)
		return err
	})
	return lots, sustained, err
}

// curveStretches is how many stretches of time a curve is thinned to.
const curveStretches = 240

// CurveRows are the discharge and charging curves of the segments that a filter takes, as
// reports draw them.
func (rm *Room) CurveRows(f results.Filter) ([]results.CurveRow, error) {
	return rm.curveRows(f, func(results.Segment) bool { return true })
}

// curveRows are those of the segments that are wanted.
func (rm *Room) curveRows(f results.Filter, wanted func(results.Segment) bool) (rows []results.CurveRow, err error) {
	err = rm.chosen(f, func(_ results.Run, g results.Segment) error {
		if g.Outcome != results.Measured && g.Outcome != results.Flagged || !wanted(g) {
			return nil
		}
		list, err := rm.curve(g)
		rows = append(rows, report.Thin(list, curveStretches)...)
		return err
	})
	return rows, err
}

// curve is a segment's curve, a row a sample.
func (rm *Room) curve(g results.Segment) (rows []results.CurveRow, err error) {
	charge := chargedIn(g)
	if g.Imported != "" {
		return rm.importedCurve(g, charge)
	}
	samples, err := rm.store.Samples(g.ID)
	if len(samples) == 0 {
		return nil, err
	}
	kind, zero := report.Discharge, int64(g.ActivityUpS*1000)
	watts := WattsOutOfBattery(g, samples)
	var plug socket
	if charge {
		kind, watts = report.Charge, WattsIntoBattery(g, samples)
		zero = samples[0].UptimeMS
		for _, s := range samples {
			if s.Plugged != 0 {
				zero = s.UptimeMS
				break
			}
		}
		readings, failed := rm.store.Readings(g.ID)
		err = errors.Join(err, failed)
		plug = rm.socketOf(&Charge{}, g, readings)
	}
	for i, s := range samples {
		if s.UptimeMS < zero || !charge && s.Plugged != 0 {
			continue
		}
		level := float64(s.LevelPct)
		row := results.CurveRow{Whose: whose(g), Kind: kind, TimeS: float64(s.UptimeMS-zero) / 1000, LevelPct: &level, PowerW: watts[i], TempC: s.TempC}
		if charge {
			if w, ok := plug.mean(s.HostAt, spacing(samples, i)); ok {
				row.SocketW = &w
			}
		}
		rows = append(rows, row)
	}
	return rows, err
}

func (rm *Room) importedCurve(g results.Segment, charge bool) (rows []results.CurveRow, err error) {
	if g.Imported == results.AsSustain {
		return nil, nil
	}
	_, log, err := rm.importedLog(g.RunID)
	if err != nil {
		return nil, err
	}
	kind := report.Discharge
	if charge {
		kind = report.Charge
	}
	for _, r := range log.Rows {
		rows = append(rows, results.CurveRow{Whose: whose(g), Kind: kind, TimeS: (r.T - log.Rows[0].T).Seconds(), LevelPct: r.Level, PowerW: r.BatteryW, SocketW: r.SocketW, TempC: r.TempC})
	}
	return rows, nil
}

// AnnotationRows are what people have said of the runs that a filter takes.
func (rm *Room) AnnotationRows(f results.Filter) (rows []results.AnnotationRow, err error) {
	list, err := rm.store.Annotations(f.Run)
	for _, a := range list {
		r, failed := rm.store.Run(a.RunID)
		if failed != nil {
			err = errors.Join(err, failed)
			continue
		}
		if f.Scenario == "" && f.Takes(r.Handset.Name, r.ID, r.Plan, "", r.StartedAt) {
			rows = append(rows, results.AnnotationRow{Whose: results.Whose{Handset: r.Handset.Name, RunID: r.ID, Imported: r.Imported != nil}, At: a.At, By: a.By, Text: a.Text})
		}
	}
	return rows, err
}

// RatioRows are a comparison as rows of the exported table, day mixes after the scenarios.
func (b Beside) RatioRows() []results.RatioRow {
	rows := report.RatioRows(b.Comparison)
	for _, r := range report.RatioRows(b.DayMixes) {
		r.Of = "day mix"
		rows = append(rows, r)
	}
	return rows
}

// Chosen is an error, which is results.ErrNotFound, where a filter names a run or a handset that neither
// the store nor the bench has.
func (rm *Room) Chosen(f results.Filter) error {
	var bench []string
	for _, h := range rm.file.Bench.Handsets {
		bench = append(bench, h.Name)
	}
	return rm.store.Chosen(f, bench...)
}

// ExportComputed writes one computed table in one format, and returns the rows written.
// What cannot be read of the store is left out and named in the error. The tables of ratios and
// of quantities have their rows from Compare, over the handsets, plan, scenario and time of the filter.
func (rm *Room) ExportComputed(table, format string, f results.Filter, w io.Writer) (n int, err error) {
	var failed error
	switch table {
	case results.Figures.Name:
		rows, _, bad := rm.FigureRows(f)
		n, failed = results.Figures.Export(rows, format, w)
		err = bad
	case results.Budgets.Name:
		_, rows, bad := rm.FigureRows(f)
		n, failed = results.Budgets.Export(rows, format, w)
		err = bad
	case results.Lots.Name:
		rows, _, bad := rm.LotRows(f)
		n, failed = results.Lots.Export(rows, format, w)
		err = bad
	case results.Sustained.Name:
		_, rows, bad := rm.LotRows(f)
		n, failed = results.Sustained.Export(rows, format, w)
		err = bad
	case results.Charges.Name:
		rows, bad := rm.ChargeRows(f)
		n, failed = results.Charges.Export(rows, format, w)
		err = bad
	case results.Curves.Name:
		rows, bad := rm.CurveRows(f)
		n, failed = results.Curves.Export(rows, format, w)
		err = bad
	case results.Annotations.Name:
		rows, bad := rm.AnnotationRows(f)
		n, failed = results.Annotations.Export(rows, format, w)
		err = bad
	case results.Ratios.Name, results.Quantities.Name:
		var b Beside
		choice := Choice{Plan: f.Plan, From: f.From, To: f.To}
		if f.Scenario != "" {
			choice.Scenarios = []string{f.Scenario}
		}
		if choice.From.IsZero() {
			choice.From = time.Unix(0, 0) // an export leaves nothing out that nobody asked to
		}
		if f.Handset == "" && f.Run == "" {
			if b, err = rm.Compare(choice); errors.Is(err, ErrRequest) { // fewer than two handsets: no ratio
				err = nil
			}
		}
		if table == results.Ratios.Name {
			n, failed = results.Ratios.Export(b.RatioRows(), format, w)
		} else {
			n, failed = results.Quantities.Export(b.QuantityRows(), format, w)
		}
	default:
		_, failed = results.TableNamed(table)
		if failed == nil {
			failed = fmt.Errorf("table %s is recorded, not computed", table)
		}
	}
	return n, errors.Join(err, failed)
}
