package main

import (
	"fmt"

	"rundown/orchestrator/api"
)

type nightCmd struct {
	Night string `arg:"" optional:"" help:"A night of the plan file; none: the one begun last."`
}

func (c *nightCmd) Run(e *env) error {
	n, err := e.client.Night(e.ctx, c.Night)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(n)
	}
	for _, s := range n.SetAside {
		fmt.Fprintf(e.out, "%s is set aside: %s\n  when you have looked: rundown release %s\n", s.Handset, s.Reason, s.Handset)
	}
	fmt.Fprintf(e.out, "%s %s, queued %s, to end by %s\n", dash(n.Night), n.Plan, dateTime(n.QueuedAt), dateTime(n.FinishBy))
	rows := [][]string{{"HANDSET", "STATE", "MEASURED", "FLAGGED", "SPOILED", "CANCELLED", "NOT BEGUN", "ENDED", "OUTCOME"}}
	for _, h := range n.Handsets {
		rows = append(rows, []string{h.Handset, string(h.State), fmt.Sprint(h.Measured), fmt.Sprint(h.Flagged), fmt.Sprint(h.Spoiled), fmt.Sprint(h.Cancelled), fmt.Sprint(h.Skipped), clockTime(h.EndedAt), dash(h.Outcome)})
	}
	table(e.out, rows...)
	for _, h := range n.Handsets {
		for _, why := range h.Reasons {
			fmt.Fprintf(e.out, "%s: %s\n", h.Handset, why)
		}
	}
	return nil
}

type releaseCmd struct {
	Handset string `arg:"" help:"The handset that was set aside and has been looked at."`
}

func (c *releaseCmd) Run(e *env) error {
	if err := e.client.Release(e.ctx, c.Handset); err != nil {
		return err
	}
	_, err := fmt.Fprintf(e.out, "%s takes part again\n", c.Handset)
	return err
}

type takeOverCmd struct {
	Handset string `arg:"" help:"The handset that another daemon holds."`
}

func (c *takeOverCmd) Help() string {
	return "A handset does one thing at a time, and says itself who has it. What another daemon runs there ends, its segment is\nspoiled, and its files stay on the handset for it to collect. Ask whoever looks after the other bench first."
}

func (c *takeOverCmd) Run(e *env) error {
	by, err := e.client.TakeOver(e.ctx, c.Handset)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(by)
	}
	_, err = fmt.Fprintf(e.out, "%s is taken over from %s\n", c.Handset, by)
	return err
}

type collectCmd struct {
	Handset string `arg:"" help:"The handset, linked again."`
}

func (c *collectCmd) Help() string {
	return "A segment that was carried out with the cable out and no Wi-Fi lies on the handset until it is collected here.\nWhat is stored whole is then removed from the handset; what is still under way is left alone."
}

func (c *collectCmd) Run(e *env) error {
	list, err := e.client.Collect(e.ctx, c.Handset)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(list)
	case len(list) == 0:
		fmt.Fprintf(e.out, "%s holds nothing that is not stored already\n", c.Handset)
		return nil
	}
	rows := [][]string{{"SEGMENT", "SCENARIO", "OUTCOME", "SAMPLES", "DONE"}}
	for _, f := range list {
		rows = append(rows, []string{f.Segment, dash(f.Scenario), dash(f.Outcome), fmt.Sprint(f.Samples), f.Text})
	}
	table(e.out, rows...)
	return nil
}

type tokenCmd struct {
	Make     tokenMakeCmd     `cmd:"" help:"Make a token; its secret is shown once."`
	List     tokenListCmd     `cmd:"" help:"List the tokens that are valid."`
	Withdraw tokenWithdrawCmd `cmd:"" help:"Withdraw a token at once."`
}

type tokenMakeCmd struct {
	Name string `arg:"" help:"Whose it is, for the change log."`
	Role string `help:"reader: may look and export; operator: may also change things." enum:"reader,operator" default:"reader"`
}

func (c *tokenMakeCmd) Run(e *env) error {
	t, err := e.client.MakeToken(e.ctx, c.Name, c.Role)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(t)
	}
	printTokens(e, []api.Token{t.Token})
	_, err = fmt.Fprintf(e.out, "secret, shown this once: %s\n", t.Secret)
	return err
}

type tokenListCmd struct{}

func (c *tokenListCmd) Run(e *env) error {
	list, err := e.client.Tokens(e.ctx)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(list)
	}
	printTokens(e, list)
	return nil
}

type tokenWithdrawCmd struct {
	ID string `arg:"" help:"The token, as token list shows it."`
}

func (c *tokenWithdrawCmd) Run(e *env) error {
	t, err := e.client.WithdrawToken(e.ctx, c.ID)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(e.out, "withdrawn: %s, %s\n", t.Name, t.Role)
	return err
}

func printTokens(e *env, list []api.Token) {
	rows := [][]string{{"TOKEN", "NAME", "ROLE", "MADE"}}
	for _, t := range list {
		rows = append(rows, []string{t.ID, t.Name, t.Role, dateTime(t.MadeAt)})
	}
	table(e.out, rows...)
}
