package main

import (
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
	Differs  string `help:"With --off: only this difference." placeholder:"NAME"`
}

func (c *accuracyCmd) Run(e *env) error {
	report := accuracy.Report{}
	if c.Off {
		report.Off = accuracy.OffFleet(c.Seed+20, c.Segments, true, c.Differs)
	} else if c.Charges {
		report.Charges = accuracy.AllChargeRows(c.Seed+9, max(20, c.Segments/2))
	} else {
		report.Rows = accuracy.Table(accuracy.Conditions{Seed: c.Seed, PerClass: c.Segments, WithSurvey: true})
	}
	if !c.Quick && !c.Charges && !c.Off {
		report.Charges = accuracy.AllChargeRows(c.Seed+9, max(20, c.Segments/2))
		report.Off = accuracy.OffFleet(c.Seed+20, max(20, c.Segments/2), true, "")
		report.Checks = accuracy.Checks(c.Seed, c.Segments)
	}
	if e.json {
		return e.printJSON(report)
	}
	return accuracy.Print(e.out, report, c.Markdown)
}
