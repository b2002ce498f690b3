package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"rundown/orchestrator/accuracy"
)

// accuracyCmd is for developers: make accuracy.
type accuracyCmd struct {
	Segments int    `help:"Simulated segments for each class of gauge." default:"1000"`
	Seed     uint64 `help:"Changes the fleet." default:"1"`
	Markdown bool   `help:"Print the tables in Markdown."`
	Quick    bool   `help:"The table of drains alone."`
	Charges  bool   `help:"The table of charges alone."`
	Off      bool   `help:"The table of fleets unlike the assumed one alone."`
	Nights   bool   `help:"The table of cover against nights alone."`
	Like     string `help:"What figures of a handset of the bench are worth: simulated ones like it, by what was learned of it on its latest OS build." placeholder:"HANDSET"`
	Differs  string `help:"With --off or --nights: only this difference." placeholder:"NAME"`
}

func (c *accuracyCmd) Run(e *env) error {
	if c.Like != "" {
		return c.like(e)
	}
	if c.Differs != "" {
		if !c.Off && !c.Nights {
			return errors.New("--differs goes with --off or --nights")
		}
		if names := accuracy.Differences(c.Nights && !c.Off); !slices.Contains(names, c.Differs) {
			return fmt.Errorf("--differs: there is no difference %q; there are: %s", c.Differs, strings.Join(names, "; "))
		}
	}
	report := accuracy.Report{}
	off, nights := max(20, c.Segments/2), max(10, c.Segments/20)
	switch {
	case c.Off:
		report.Off = accuracy.OffFleet(c.Seed+20, c.Segments, true, c.Differs)
	case c.Nights:
		report.Nights = accuracy.Nights(c.Seed+40, c.Segments, c.Differs)
	case c.Charges:
		report.Charges = accuracy.AllChargeRows(c.Seed+9, max(20, c.Segments/2))
	default:
		report.Rows = accuracy.Table(accuracy.Conditions{Seed: c.Seed, PerClass: c.Segments, WithSurvey: true})
		if !c.Quick {
			report.Charges = accuracy.AllChargeRows(c.Seed+9, max(20, c.Segments/2))
			report.Off = accuracy.OffFleet(c.Seed+20, off, true, "")
			report.Nights = accuracy.Nights(c.Seed+40, nights, "")
			report.Checks = accuracy.Checks(c.Seed, c.Segments)
		}
	}
	if e.json {
		return e.printJSON(report)
	}
	return accuracy.Print(e.out, report, c.Markdown)
}

// like says what figures of one handset of the bench are worth.
func (c *accuracyCmd) like(e *env) error {
	list, err := e.client.Learned(e.ctx, c.Like)
	if err != nil {
		return err
	}
	if len(list) == 0 || list[0].NothingUsable {
		return fmt.Errorf("nothing is learned of %s yet: a survey, or a night of segments, teaches it", c.Like)
	}
	l := list[0]
	like := accuracy.Likeness{Gauge: l.Gauge, BendSD: l.BendSD, Surveys: l.Surveys, Observed: l.Segments + l.Recharges}
	if l.DriftPct != nil && l.DriftSDPct != nil {
		like.Drift, like.DriftSD = *l.DriftPct/100, *l.DriftSDPct/100
	}
	if l.HeldPoints != nil {
		like.HeldPoints = *l.HeldPoints
	}
	rows, err := accuracy.LikeRows(c.Seed+60, min(c.Segments, 200), like)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(rows)
	}
	return accuracy.PrintLike(e.out, c.Like, like, rows)
}
