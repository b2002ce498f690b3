package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"rundown/orchestrator"
	"rundown/results"
	"rundown/scenarios"
)

type promptsCmd struct {
	All bool   `help:"Also those that have their answer."`
	Of  string `help:"Only of this run; with what came of them." placeholder:"RUN"`
}

func (c *promptsCmd) Run(e *env) error {
	state := results.PromptOpen
	if c.All || c.Of != "" {
		state = "all"
	}
	list, err := e.client.Prompts(e.ctx, state, c.Of)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(list)
	case len(list) == 0 && state == results.PromptOpen:
		fmt.Fprintln(e.out, "nobody is asked for anything")
		return nil
	}
	printPrompts(e.out, list)
	return nil
}

func printPrompts(w io.Writer, list []results.Prompt) {
	rows := [][]string{{"PROMPT", "HANDSET", "ASKED", "WHAT", "STANDS UNTIL", "ANSWER"}}
	for _, p := range list {
		rows = append(rows, []string{p.ID, dash(p.Handset), dateTime(p.OpenedAt), p.Text, dateTime(p.Until), promptAnswer(p)})
	}
	table(w, rows...)
	for _, p := range list {
		if p.State == results.PromptOpen && p.Why != "" {
			fmt.Fprintf(w, "%s: %s\n", p.ID, p.Why)
		}
	}
}

// promptAnswer is what came of a prompt, or what can be answered.
func promptAnswer(p results.Prompt) string {
	switch p.State {
	case results.PromptOpen:
		return strings.Join(p.Choices, " or ") + "; without an answer " + orchestrator.UnansweredSays(p)
	case results.PromptAnswered:
		return p.Choice + " (" + p.By + ")"
	case results.PromptUnanswered:
		return p.Choice + " (nobody answered)"
	case results.PromptSeen:
		return "seen on the handset"
	}
	return "no longer asked: " + p.Reason
}

type answerCmd struct {
	Prompt string `arg:"" help:"The prompt, as prompts lists it."`
	Choice string `arg:"" optional:"" help:"The answer; none: the first that prompts names, which is done."`
}

func (c *answerCmd) Help() string {
	return "The handset is read all the same: an answer that it does not confirm ends the run.\n\nExamples:\n  rundown answer p20300514210514-587203c0          done\n  rundown answer p20300514210514-587203c0 cannot   it cannot be done"
}

func (c *answerCmd) Run(e *env) error {
	p, err := e.client.Answer(e.ctx, c.Prompt, c.Choice)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(p)
	}
	_, err = fmt.Fprintf(e.out, "%s: %s\n", p.Text, p.Choice)
	return err
}

type gateCmd struct {
	Test gateTestCmd `cmd:"" help:"Prove a handset's power gate: closed, open and closed again, each read on the handset."`
	Safe gateSafeCmd `cmd:"" help:"Bring the power gates of a plan file to their safe state (when_stopped) after a daemon that died; not while one runs."`
}

type gateSafeCmd struct {
	File string `required:"" help:"The plan file." placeholder:"PLANFILE"`
	Data string `help:"The daemon's folder." default:"rundown-data" placeholder:"DIR"`
}

func (c *gateSafeCmd) Run(e *env) error {
	file, err := scenarios.Load(c.File)
	if err != nil {
		return err
	}
	err = orchestrator.MakeGatesSafe(orchestrator.Config{File: file, DataDir: c.Data, Log: newLog(e.errOut)})
	if errors.Is(err, results.ErrInUse) {
		return fmt.Errorf("a daemon is running, and sees to the gates itself: %w", err)
	}
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(e.out, "the power gates are in their safe state; a person's gate stays as it is")
	return err
}

type gateTestCmd struct {
	Handset string `arg:"" help:"The handset's name on the bench; no run may be under way on it."`
}

func (c *gateTestCmd) Help() string {
	return "Cuts the handset's power, lets it through and cuts it again. Many hubs claim to switch a port's power and do not: this shows it."
}

func (c *gateTestCmd) Run(e *env) error {
	steps, err := e.client.TestGate(e.ctx, c.Handset)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(steps)
	}
	for _, s := range steps {
		seen := "no power"
		if s.Sources != "" {
			seen = "power (" + s.Sources + ")"
		}
		fmt.Fprintf(e.out, "%s %s: %s sees %s, after %.0f s\n", s.Gate, s.State, c.Handset, seen, s.TookS)
	}
	fmt.Fprintln(e.out, "the gate does what it says; it is closed now")
	return nil
}
