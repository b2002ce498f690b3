package reading

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rundown/results"
	"rundown/results/compare"
	"rundown/results/report"
)

// RunReport is the report of one run. results.ErrNotFound when there is none.
func (rm *Room) RunReport(runID string) (report.Report, error) {
	run, err := rm.store.Run(runID)
	if err != nil {
		return report.Report{}, err
	}
	return rm.ReportOf([]results.Run{run})
}

// NightReport is the report of the latest night of that name, as its runs tell it; an empty name
// stands for what was queued last. results.ErrNotFound when there was none.
func (rm *Room) NightReport(night string) (report.Report, error) {
	runs, err := rm.store.Runs()
	var last results.Run
	for _, r := range runs {
		if r.Imported == nil && (night == "" || r.Night == night) && (last.ID == "" || r.QueuedAt.After(last.QueuedAt)) {
			last = r
		}
	}
	if last.ID == "" {
		return report.Report{}, errors.Join(err, fmt.Errorf("night %q: %w", night, results.ErrNotFound))
	}
	var mine []results.Run
	over := true
	for _, r := range runs {
		if r.Imported == nil && r.Night == last.Night && r.Plan == last.Plan && r.QueuedAt.Sub(last.QueuedAt).Abs() < time.Hour {
			mine, over = append(mine, r), over && !r.EndedAt.IsZero()
		}
	}
	place := rm.places()
	slices.SortStableFunc(mine, func(a, b results.Run) int { return place[a.Handset.Name] - place[b.Handset.Name] })
	made, failed := rm.ReportOf(mine)
	if !over {
		made.About = strings.TrimPrefix(made.About+"; the night is not over", "; ")
	}
	return made, errors.Join(err, failed)
}

// ReportOf is the report of runs. What cannot be read of the store is left out and named in
// the error; the rest is there.
func (rm *Room) ReportOf(runs []results.Run) (r report.Report, err error) {
	r.At = rm.now()
	for _, run := range runs {
		f := results.Filter{Run: run.ID}
		figures, budgets, figureErr := rm.FigureRows(f)
		charges, chargeErr := rm.ChargeRows(f)
		lots, sustained, lotErr := rm.LotRows(f)
		curves, curveErr := rm.CurveRows(f)
		err = errors.Join(err, figureErr, chargeErr, lotErr, curveErr)
		r.Figures, r.Budgets, r.Charges = append(r.Figures, figures...), append(r.Budgets, budgets...), append(r.Charges, charges...)
		r.Lots, r.Sustained, r.Curves = append(r.Lots, lots...), append(r.Sustained, sustained...), append(r.Curves, curves...)
		segments, segmentErr := rm.store.Segments(run.ID)
		err = errors.Join(err, segmentErr)
		for _, text := range oddUnits(segments) {
			r.Remarks = append(r.Remarks, run.Handset.Name+": "+text)
		}
		annotations, annotationErr := rm.store.Annotations(run.ID)
		err = errors.Join(err, annotationErr)
		for _, a := range annotations {
			r.Remarks = append(r.Remarks, fmt.Sprintf("%s, %s by %s: %s", run.Handset.Name, a.At.UTC().Format("2 Jan 2006 15:04 UTC"), a.By, a.Text))
		}
		if rm.owed != nil {
			if text := rm.owed(run); text != "" {
				r.Remarks = append(r.Remarks, run.Handset.Name+": "+text)
			}
		}
	}
	r.About, err = rm.aboutRuns(runs, err)
	return r, err
}

// aboutRuns says in a line which plans were carried out when, and under which required
// preconditions.
func (rm *Room) aboutRuns(runs []results.Run, err error) (string, error) {
	var plans, conditions []string
	var first, last results.Run
	for _, r := range runs {
		plan := r.Plan
		if r.Imported != nil {
			plan = "imported from " + r.Imported.File
		}
		if plan != "" && !slices.Contains(plans, plan) {
			plans = append(plans, plan)
		}
		if first.ID == "" || r.StartedAt.Before(first.StartedAt) {
			first = r
		}
		if r.EndedAt.After(last.EndedAt) {
			last = r
		}
		segments, failed := rm.store.Segments(r.ID)
		err = errors.Join(err, failed)
		for _, g := range segments {
			for _, c := range g.Conditions {
				if text := strings.ReplaceAll(c.Name, "_", " ") + " " + c.Wanted; c.Required && !slices.Contains(conditions, text) {
					conditions = append(conditions, text)
				}
			}
		}
	}
	if len(runs) == 0 {
		return "", err
	}
	text := strings.Join(plans, ", ")
	if len(plans) > 0 && runs[0].Imported == nil {
		text = "Plan " + text
	}
	when := first.StartedAt.UTC().Format("2 Jan 2006 15:04")
	if !last.EndedAt.IsZero() {
		end := last.EndedAt.UTC().Format("2 Jan 2006 15:04")
		if first.StartedAt.UTC().Format("2 Jan 2006") == last.EndedAt.UTC().Format("2 Jan 2006") {
			end = last.EndedAt.UTC().Format("15:04")
		}
		when += " to " + end
	}
	text = strings.TrimPrefix(text+", "+when+" UTC", ", ")
	if len(conditions) > 0 {
		text += ". Required: " + strings.Join(conditions, "; ")
	}
	return text, err
}

// CompareReport is the report of a comparison: ratios, the figures they are made of, what
// was not measured alike. Errors as of Compare.
func (rm *Room) CompareReport(c Choice) (report.Report, error) {
	b, err := rm.Compare(c)
	if err != nil && len(b.Sides) == 0 {
		return report.Report{}, err
	}
	r := report.Report{Heading: b.Heading, At: rm.now(), Ratios: b.RatioRows(), Quantities: b.QuantityRows()}
	var runs []results.Run
	for _, s := range b.Sides {
		r.Sides = append(r.Sides, report.Side{Name: s.Name, Runs: s.Runs, Handsets: len(s.Handsets), Imported: s.Imported})
		if s.Kind == SideLineUp {
			text := s.Name + " is " + strings.Join(s.Handsets, ", ")
			if s.About != "" {
				text += " (" + strings.TrimSuffix(s.About, ".") + ")"
			}
			r.Remarks = append(r.Remarks, text)
		}
		for _, id := range s.Runs {
			run, failed := rm.store.Run(id)
			if failed != nil {
				err = errors.Join(err, failed)
				continue
			}
			if !slices.ContainsFunc(runs, func(have results.Run) bool { return have.ID == id }) {
				runs = append(runs, run)
				err = errors.Join(err, rm.besideHours(&r, run))
			}
		}
	}
	r.About, err = rm.aboutRuns(runs, err)
	r.Figures = b.figureRows()
	seen := map[string]bool{}
	for _, m := range slices.Concat(b.Comparison.Mismatches, b.DayMixes.Mismatches, b.Charges.Mismatches, b.Sustained.Mismatches) {
		text := m.Says
		switch {
		case m.Allowed:
			text += " (allowed)"
		case m.What != compare.AllowFlagged:
			text += " (not compared; allowed by the name " + m.What + ")"
		}
		if !seen[text] {
			seen[text] = true
			r.Mismatches = append(r.Mismatches, text)
		}
	}
	r.Remarks = append(r.Remarks, b.Notes...)
	return r, err
}

// besideHours enters a run's charges and sustained work, with their curves, into a report.
func (rm *Room) besideHours(r *report.Report, run results.Run) error {
	f := results.Filter{Run: run.ID}
	charges, chargeErr := rm.ChargeRows(f)
	lots, sustained, lotErr := rm.LotRows(f)
	r.Charges, r.Lots, r.Sustained = append(r.Charges, charges...), append(r.Lots, lots...), append(r.Sustained, sustained...)
	curves, curveErr := rm.curveRows(f, chargedIn) // those of drains would be read for nothing
	r.Curves = append(r.Curves, curves...)
	return errors.Join(chargeErr, lotErr, curveErr)
}

// figureRows are the hours and days that stand beside the ratios.
func (b Beside) figureRows() (rows []results.FigureRow) {
	for _, h := range b.Hours {
		row := results.FigureRow{Whose: results.Whose{Handset: h.Handset, Scenario: h.Scenario, Imported: h.Imported}, Of: "repeats", Hours: h.Hours, Segments: h.Segments, Agree: h.Agree}
		if h.Segments == 1 {
			row.Of = "segment"
		}
		if h.DayMix != "" {
			row.Of, row.Scenario, row.DaysOfMix = "day mix", h.DayMix, h.Days
			if len(h.Missing) > 0 {
				row.Reason = strings.Join(h.Missing, ", ") + " not measured"
			}
		}
		if h.Side != h.Handset {
			row.Handset = h.Side + ": " + h.Handset
		}
		rows = append(rows, row)
	}
	return rows
}
