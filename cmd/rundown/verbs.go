package main

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"rundown/orchestrator"
	"rundown/orchestrator/api"
	"rundown/results"
	"rundown/scenarios"
)

type handsetsCmd struct{}

func (c *handsetsCmd) Run(e *env) error {
	list, err := e.client.Handsets(e.ctx)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(list)
	}
	printHandsets(e.out, list)
	return nil
}

type checkCmd struct {
	Handset string `arg:"" help:"The handset's name on the bench."`
	Plan    string `required:"" help:"The plan whose preconditions are wanted."`
	Apply   bool   `help:"Set what is not as wanted and read it back. This bench holds the handset until it is put back: after its next run, or by --undo." xor:"touch"`
	Undo    bool   `help:"Put back what an earlier --apply has set, then read." xor:"touch"`
}

func (c *checkCmd) Help() string {
	return "Examples:\n  rundown check Alder --plan everyday          read only, the handset is not touched\n  rundown check Alder --plan everyday --apply  set and read back"
}

func (c *checkCmd) Run(e *env) error {
	if c.Undo {
		changes, err := e.client.Undo(e.ctx, c.Handset)
		if err != nil {
			return err
		}
		for _, ch := range changes {
			fmt.Fprintf(e.errOut, "put back: %s to %s\n", ch.Name, dash(ch.Before))
		}
	}
	report, err := e.client.Check(e.ctx, c.Handset, c.Plan, c.Apply)
	if err != nil {
		return err
	}
	if e.json {
		err = e.printJSON(report)
	} else {
		printReport(e.out, report)
	}
	if err == nil && len(report.Unmet()) > 0 {
		err = errUnmet
	}
	return err
}

type queueCmd struct {
	Add    queueAddCmd    `cmd:"" help:"Queue a plan for handsets."`
	List   queueListCmd   `cmd:"" help:"List what is queued, running and ended."`
	Cancel queueCancelCmd `cmd:"" help:"End an item: at once when it waits; a running one is collected and the handset restored."`
	Pause  queuePauseCmd  `cmd:"" help:"Pause an item; a running one is paused before its next segment."`
	Resume queueResumeCmd `cmd:"" help:"Let a paused item go on."`
}

type queueAddCmd struct {
	Plan     string        `arg:"" help:"The plan's name."`
	Handsets []string      `arg:"" optional:"" help:"Handsets by name; none: every handset of the bench."`
	FinishBy string        `help:"When every run must have ended: hh:mm, or an instant such as 2030-05-15T07:30:00Z." placeholder:"TIME"`
	After    time.Duration `help:"Not to begin before this time has passed, such as 2h30m." placeholder:"DURATION"`
	Wait     bool          `help:"Stay and show progress until the runs have ended."`
}

func (c *queueAddCmd) Help() string {
	return "Examples:\n  rundown queue add everyday                       every handset, at once\n  rundown queue add everyday Alder Birch --finish-by 07:30 --wait"
}

func (c *queueAddCmd) Run(e *env) error {
	about, err := e.client.About(e.ctx)
	if err != nil {
		return err
	}
	request := orchestrator.Request{Plan: c.Plan, Handsets: c.Handsets}
	if c.After > 0 {
		request.NotBefore = about.Now.Add(c.After)
	}
	if c.FinishBy != "" {
		if request.FinishBy, err = instant(c.FinishBy, about.Now); err != nil {
			return err
		}
	}
	items, err := e.client.Enqueue(e.ctx, request)
	if err != nil {
		return err
	}
	cautions := []string{safety}
	for _, it := range items {
		for _, text := range it.Cautions {
			if !slices.Contains(cautions, text) {
				cautions = append(cautions, text)
			}
		}
	}
	switch {
	case c.Wait:
		fmt.Fprintln(e.errOut, strings.Join(cautions, "\n\n"))
		return e.await(items)
	case e.json:
		return e.printJSON(items)
	}
	printQueue(e.out, items)
	fmt.Fprintln(e.errOut, strings.Join(cautions, "\n\n"))
	return nil
}

// instant reads hh:mm as the next such time, or an instant in RFC 3339.
func instant(text string, now time.Time) (time.Time, error) {
	if at, err := time.Parse(time.RFC3339, text); err == nil {
		return at, nil
	}
	clock, err := time.Parse("15:04", text)
	if err != nil {
		return time.Time{}, fmt.Errorf("--finish-by: want hh:mm or an instant such as 2030-05-15T07:30:00Z, got %q", text)
	}
	local := now.Local()
	at := time.Date(local.Year(), local.Month(), local.Day(), clock.Hour(), clock.Minute(), 0, 0, time.Local)
	if !at.After(local) {
		at = time.Date(local.Year(), local.Month(), local.Day()+1, clock.Hour(), clock.Minute(), 0, 0, time.Local)
	}
	return at, nil
}

// await shows progress until the items have ended, then their runs.
func (e *env) await(items []api.Item) error {
	progress := newProgress(e.errOut)
	var ended []api.Item
	for {
		list, err := e.client.Queue(e.ctx)
		if err != nil {
			return err
		}
		ended = ended[:0]
		for _, it := range list {
			mine := slices.ContainsFunc(items, func(q api.Item) bool { return q.ID == it.ID })
			over := it.State != orchestrator.Waiting && it.State != orchestrator.Running && (it.Outcome != "")
			if mine && over {
				ended = append(ended, it)
			}
		}
		if len(ended) == len(items) {
			break
		}
		handsets, err := e.client.Handsets(e.ctx)
		if err != nil {
			return err
		}
		progress.show(handsets)
		select {
		case <-time.After(2 * time.Second):
		case <-e.ctx.Done():
			return errors.New("not waiting any longer; the runs go on, see `rundown queue list`")
		}
	}
	if e.json {
		return e.printJSON(ended)
	}
	printQueue(e.out, ended)
	for _, it := range ended {
		if it.RunID == "" {
			continue
		}
		r, err := e.client.Run(e.ctx, it.RunID)
		if err != nil {
			return err
		}
		fmt.Fprintln(e.out)
		printRun(e.out, r)
	}
	return nil
}

type queueListCmd struct {
	All bool `help:"Also what ended more than a day ago."`
}

func (c *queueListCmd) Run(e *env) error {
	list, err := e.client.Queue(e.ctx)
	if err != nil {
		return err
	}
	if !c.All {
		about, err := e.client.About(e.ctx)
		if err != nil {
			return err
		}
		list = slices.DeleteFunc(list, func(it api.Item) bool {
			open := it.State == orchestrator.Waiting || it.State == orchestrator.Running
			return !open && about.Now.Sub(it.QueuedAt) > 24*time.Hour
		})
	}
	if e.json {
		return e.printJSON(list)
	}
	printQueue(e.out, list)
	return nil
}

type itemArg struct {
	Item string `arg:"" help:"The item, as queue list shows it."`
}

func (c *itemArg) act(e *env, verb string) error {
	it, err := e.client.Act(e.ctx, c.Item, verb)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(it)
	}
	printQueue(e.out, []api.Item{it})
	return nil
}

type (
	queueCancelCmd struct{ itemArg }
	queuePauseCmd  struct{ itemArg }
	queueResumeCmd struct{ itemArg }
)

func (c *queueCancelCmd) Run(e *env) error { return c.act(e, "cancel") }
func (c *queuePauseCmd) Run(e *env) error  { return c.act(e, "pause") }
func (c *queueResumeCmd) Run(e *env) error { return c.act(e, "resume") }

type runsCmd struct {
	Handset string `help:"Only of this handset."`
	Plan    string `help:"Only of this plan."`
	storeFlags
}

func (c *runsCmd) Run(e *env) error {
	e, done, err := c.asked(e)
	if err != nil {
		return err
	}
	defer done()
	list, err := e.client.Runs(e.ctx, c.Handset, c.Plan)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(list)
	}
	printRuns(e.out, list)
	return nil
}

type showCmd struct {
	Run_ string `arg:"" name:"run" help:"The run, as runs lists it."`
	storeFlags
}

func (c *showCmd) Run(e *env) error {
	e, done, err := c.asked(e)
	if err != nil {
		return err
	}
	defer done()
	r, err := e.client.Run(e.ctx, c.Run_)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(r)
	}
	printRun(e.out, r)
	return nil
}

type validateCmd struct {
	File string `arg:"" help:"The plan file."`
}

func (c *validateCmd) Run(e *env) error {
	f, err := scenarios.Load(c.File)
	if err == nil {
		// No fault of the file: it may be for another host, or the clip may come later.
		for _, name := range slices.Sorted(maps.Keys(f.Nights)) {
			if err := orchestrator.Playable(f, f.Nights[name].Plan); err != nil {
				fmt.Fprintf(e.errOut, "note: nights.%s would not be queued on this host: %s\n", name, err)
			}
		}
	}
	var faults scenarios.Faults
	switch {
	case errors.As(err, &faults) && e.json:
		if err := e.printJSON(map[string]any{"file": c.File, "faults": faults}); err != nil {
			return err
		}
		return errUnmet
	case err != nil:
		return err
	case e.json:
		return e.printJSON(map[string]any{"file": c.File, "faults": []any{}, "notes": slices.Concat(f.Hints, f.PowerNotes())})
	}
	fmt.Fprintf(e.out, "%s: %d handsets, %d plans, %d nights, %d scenarios: no fault found\n", c.File, len(f.Bench.Handsets), len(f.Plans), len(f.Nights), len(f.Scenarios))
	for _, n := range slices.Concat(f.Hints, f.PowerNotes()) {
		fmt.Fprintln(e.out, "note:", n)
	}
	return nil
}

type schemaCmd struct{}

func (c *schemaCmd) Run(e *env) error {
	b, err := scenarios.Schema()
	if err != nil {
		return err
	}
	_, err = e.out.Write(append(b, '\n'))
	return err
}

type versionCmd struct{}

func (c *versionCmd) Run(e *env) error {
	if e.json {
		return e.printJSON(map[string]any{"version": version, "store_format": results.FormatVersion})
	}
	_, err := fmt.Fprintf(e.out, "rundown %s, store format %d\n", version, results.FormatVersion)
	return err
}
