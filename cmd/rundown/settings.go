package main

import (
	"fmt"
	"strconv"

	"rundown/orchestrator"
)

type settingsCmd struct {
	Owed  settingsOwedCmd  `cmd:"" default:"1" help:"List what is still to be put back."`
	Leave settingsLeaveCmd `cmd:"" help:"Leave the settings of a handset as they are: nothing more is tried."`
}

type settingsOwedCmd struct{}

func (c *settingsOwedCmd) Run(e *env) error {
	list, err := e.client.Handsets(e.ctx)
	if err != nil {
		return err
	}
	owed := map[string]orchestrator.Owed{}
	rows := [][]string{{"HANDSET", "TO BE PUT BACK", "TO", "CHANGED", "TRIED", "RUN"}}
	for _, s := range list {
		if s.Owed == nil {
			continue
		}
		owed[s.Name] = *s.Owed
		for _, c := range s.Owed.Changes {
			rows = append(rows, []string{s.Name, c.Name, c.Before, dateTime(c.ChangedAt), strconv.Itoa(s.Owed.Tries), s.Owed.Run})
		}
	}
	switch {
	case e.json:
		return e.printJSON(owed)
	case len(owed) == 0:
		fmt.Fprintln(e.out, "nothing is to be put back on any handset")
		return nil
	}
	table(e.out, rows...)
	for _, s := range list {
		if s.Owed != nil {
			fmt.Fprintf(e.out, "%s: settings are %s\n", s.Name, s.Owed.Say(s.Name))
		}
	}
	return nil
}

type settingsLeaveCmd struct {
	Handset string `arg:"" help:"The handset."`
}

func (c *settingsLeaveCmd) Help() string {
	return "What a run has changed and could not put back is owed to the handset and tried at each contact. This ends it: the\nsettings stay as they are, and the run's notes say who said so. List what it is first: rundown settings owed"
}

func (c *settingsLeaveCmd) Run(e *env) error {
	o, err := e.client.LeaveSettings(e.ctx, c.Handset)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(o)
	}
	for _, left := range o.Changes {
		fmt.Fprintf(e.out, "%s: %s is left as it is, not put back to %s\n", c.Handset, left.Name, left.Before)
	}
	return nil
}
