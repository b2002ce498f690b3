package main

import (
	"errors"
	"fmt"
	"io"

	"rundown/orchestrator/api"
	"rundown/orchestrator/doctor"
	"rundown/scenarios"
)

type doctorCmd struct {
	File   string `help:"Look from here, without a daemon, at what this plan file needs." placeholder:"PLANFILE"`
	Data   string `help:"The data folder that the daemon would have." default:"rundown-data" placeholder:"DIR"`
	Listen string `help:"Where the daemon would listen." default:"${address}" placeholder:"HOST:PORT"`
}

func (c *doctorCmd) Help() string {
	return "Asks the running daemon, or looks from here with --file. With neither a daemon nor a plan file it looks at\nthis host and at whatever handsets are plugged in. Nothing is changed; handsets in a run are asked nothing.\n\n" +
		"Examples:\n  rundown doctor                    the running daemon's bench, or this host\n  rundown doctor --file bench.yaml  before the daemon is started"
}

func (c *doctorCmd) Run(e *env) error {
	report, err := c.report(e)
	if err != nil {
		return err
	}
	if e.json {
		err = e.printJSON(report)
	} else {
		printDoctor(e.out, report)
	}
	if err == nil && !report.Well {
		err = errUnmet
	}
	return err
}

func (c *doctorCmd) report(e *env) (doctor.Report, error) {
	o := doctor.Options{DataDir: c.Data, API: c.Listen}
	if c.File == "" {
		report, err := e.client.Doctor(e.ctx)
		if !errors.Is(err, api.ErrNoDaemon) {
			return report, err
		}
		fmt.Fprintln(e.errOut, "No daemon answers: this host is looked at, without a plan file.")
		return doctor.Examine(e.ctx, o), nil
	}
	file, err := scenarios.Load(c.File)
	if err != nil {
		return doctor.Report{}, err
	}
	o.File = file
	return doctor.Examine(e.ctx, o), nil
}

func printDoctor(w io.Writer, r doctor.Report) {
	rows := [][]string{{"AREA", "LOOKED AT", "VERDICT", "FOUND"}}
	for _, f := range r.Findings {
		rows = append(rows, []string{f.Area, f.Name, string(f.Verdict), dash(f.Found)})
	}
	table(w, rows...)
	say := func(head string, required bool) {
		first := true
		for _, f := range r.Findings {
			if f.Verdict == doctor.Fine || f.Required != required {
				continue
			}
			if first {
				fmt.Fprintln(w, head)
				first = false
			}
			fmt.Fprintf(w, "  %s, %s: %s\n", f.Area, f.Name, dash(f.Mend))
		}
	}
	say("No night before this is mended:", true)
	say("Worth a look:", false)
	if r.Well {
		fmt.Fprintln(w, "All that is required is fine.")
	}
}
