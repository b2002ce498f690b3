package main

import (
	"errors"
	"fmt"
	"strings"

	"rundown/orchestrator/notices"
)

type noticesCmd struct {
	List noticesListCmd `cmd:"" default:"1" help:"Where notices go, and what was told lately."`
	Test noticesTestCmd `cmd:"" help:"Send a test and wait for the answers. Exit code 0 only when each arrived."`
}

type noticesListCmd struct {
	All bool `help:"All that are kept, not the latest 20."`
}

func (c *noticesListCmd) Run(e *env) error {
	targets, err := e.client.NoticeTargets(e.ctx)
	if err != nil {
		return err
	}
	list, err := e.client.Notices(e.ctx)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(map[string]any{"targets": targets, "notices": list})
	case len(targets) == 0:
		fmt.Fprintln(e.out, "the plan file names no targets under notices: nobody is told anything")
		return nil
	}
	rows := [][]string{{"TARGET", "KIND", "TOLD OF", "PROBLEM"}}
	for _, t := range targets {
		problem := t.Problem
		if problem == "" && t.Undelivered > 0 {
			problem = fmt.Sprintf("%d did not arrive; the last: %s", t.Undelivered, t.Error)
		}
		rows = append(rows, []string{t.Target, t.Kind, strings.Join(t.About, ", "), dash(problem)})
	}
	table(e.out, rows...)
	if len(list) == 0 {
		fmt.Fprintln(e.out, "\nnothing was told yet; `rundown notices test` tries each target")
		return nil
	}
	left := 0
	if !c.All && len(list) > 20 {
		list, left = list[:20], len(list)-20
	}
	fmt.Fprintln(e.out)
	rows = [][]string{{"TIME", "WHAT", "TARGET", "STATE", "TRIES", "LAST ERROR"}}
	for _, r := range list {
		for _, d := range r.Deliveries {
			state := d.State
			if d.State == notices.Waiting && d.Tries > 0 {
				state = "again at " + clockTime(d.NextAt)
			}
			rows = append(rows, []string{dateTime(r.Notice.At), r.Notice.Title, d.Target, state, fmt.Sprint(d.Tries), dash(d.Error)})
		}
	}
	table(e.out, rows...)
	if left > 0 {
		fmt.Fprintf(e.out, "%d older ones: --all\n", left)
	}
	return nil
}

type noticesTestCmd struct {
	Target string `arg:"" optional:"" help:"A target of the plan file; none: all of them."`
}

// errNotTold ends a test of notices with a code other than 0 after it was printed.
var errNotTold = errors.New("a test notice did not arrive")

func (c *noticesTestCmd) Run(e *env) error {
	trials, err := e.client.TestNotices(e.ctx, c.Target)
	if err != nil {
		return err
	}
	if e.json {
		err = e.printJSON(trials)
	}
	for _, t := range trials {
		if !t.Sent && err == nil {
			err = errNotTold
		}
		switch {
		case e.json:
		case t.Sent:
			fmt.Fprintf(e.out, "%s (%s): sent\n", t.Target, t.Kind)
		default:
			fmt.Fprintf(e.out, "%s (%s): not sent: %s\n", t.Target, t.Kind, t.Error)
		}
	}
	return err
}
