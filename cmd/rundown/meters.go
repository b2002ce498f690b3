package main

import (
	"fmt"
	"os"
	"path/filepath"

	"rundown/orchestrator"
	"rundown/results/figure"
	"rundown/scenarios"
)

type metersCmd struct {
	Read   metersReadCmd   `cmd:"" default:"1" help:"Read every meter of the bench once, to see that it answers."`
	Attach metersAttachCmd `cmd:"" help:"Take in the CSV file of a meter that recorded by itself."`
}

type metersReadCmd struct{}

func (c *metersReadCmd) Run(e *env) error {
	list, err := e.client.Meters(e.ctx)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(list)
	case len(list) == 0:
		fmt.Fprintln(e.out, "No meter is on this bench: name them under bench: meters in the plan file.")
		return nil
	}
	rows := [][]string{{"METER", "OF", "READS", "VALUE", "TOOK", "HOW"}}
	failed := false
	for _, m := range list {
		value, took := "-", "-"
		if m.Value != nil {
			value = figure.Say(*m.Value, 5) + " " + m.Unit
		}
		if !m.At.IsZero() {
			took = fmt.Sprintf("%d ms", m.TookMS)
		}
		if m.Problem != "" {
			value, failed = "no value", true
		}
		rows = append(rows, []string{m.Meter, m.Of, dash(m.Quantity), value, took, m.How})
	}
	table(e.out, rows...)
	for _, m := range list {
		if m.Problem != "" {
			fmt.Fprintln(e.out, m.Problem)
		}
	}
	if failed {
		return errUnmet
	}
	return nil
}

type metersAttachCmd struct {
	Of      string  `arg:"" help:"The run (with one charging segment), or the segment, as show lists it."`
	File    string  `arg:"" help:"The meter's CSV file." type:"existingfile"`
	Meter   string  `help:"The meter of the plan file; left out: the handset's only one that records by itself." placeholder:"NAME"`
	Time    string  `help:"Column of the time, instead of the plan file's: its name, or #1 for the first." placeholder:"COLUMN"`
	TimeAs  string  `help:"s, ms, or how the meter writes an instant, such as \"2006-01-02 15:04:05\"." placeholder:"FORM"`
	Zone    string  `help:"Time zone of instants without one." placeholder:"ZONE"`
	Power   string  `help:"Column of power." placeholder:"COLUMN"`
	Voltage string  `help:"Column of voltage." placeholder:"COLUMN"`
	Current string  `help:"Column of current." placeholder:"COLUMN"`
	Factor  float64 `help:"Makes W of power, or of voltage times current." placeholder:"F"`
	PlugIn  string  `help:"When power came by the meter's clock, as its file writes it; left out: as its power shows." name:"plugged-in" placeholder:"TIME"`
}

func (c *metersAttachCmd) Help() string {
	return "The file's clock is lined up with the handset's record by the moment of plugging in and the course of power;\nthe shift is stated, and stored with the segment.\n\nExamples:\n  rundown meter attach r20300514220000-1a2b3c4d inline.csv\n  rundown meter attach r20300514220000-1a2b3c4d log.csv --time \"Time [s]\" --power \"P [W]\""
}

func (c *metersAttachCmd) Run(e *env) error {
	text, err := os.ReadFile(c.File)
	if err != nil {
		return err
	}
	rec, err := e.client.Attach(e.ctx, orchestrator.Attach{
		Of: c.Of, Meter: c.Meter, File: filepath.Base(c.File), CSV: text, PluggedIn: c.PlugIn,
		Columns: scenarios.MeterRecord{Time: c.Time, TimeAs: c.TimeAs, Zone: c.Zone, Power: c.Power, Voltage: c.Voltage, Current: c.Current, Factor: c.Factor},
	})
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(rec)
	}
	fmt.Fprintf(e.out, "%d readings of meter %s attached\n%s\n", rec.Points, rec.Meter, rec.Says)
	for _, n := range rec.Notes {
		fmt.Fprintln(e.out, "note:", n)
	}
	return nil
}
