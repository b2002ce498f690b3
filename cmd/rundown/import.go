package main

import (
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"rundown/orchestrator"
	"rundown/results/charging"
	"rundown/results/csvtext"
	"rundown/results/logfiles"
)

// importCmd brings figures from elsewhere into the daemon's store.
type importCmd struct {
	File     string `arg:"" optional:"" help:"A CSV file: columns as in our export, or named by --column."`
	Handset  string `help:"The handset by name; it need not be on the bench."`
	Scenario string `help:"What the handset did, such as video."`
	As       string `help:"endurance, charge or sustain; left out: by what the columns are." enum:"endurance,charge,sustain," default:""`

	Column    []string      `help:"Which column is what, as QUANTITY=HEADING@UNIT, such as time=Elapsed@h:mm:ss. May be given several times." placeholder:"MAP" sep:"none"`
	Only      string        `help:"One of several logs in the file." placeholder:"SEGMENT"`
	AtChange  *bool         `help:"Each line is (or is not) the moment at which the level changed; left out: by how the log looks." negatable:""`
	Started   string        `help:"When the log begins, where the file does not say (RFC 3339)." placeholder:"TIME"`
	Plan      string        `help:"What a comparison takes for its plan."`
	Model     string        `help:"The handset's model."`
	Build     string        `help:"The handset's OS build."`
	Capacity  float64       `help:"The maker's rated capacity, mAh." name:"capacity-mah" placeholder:"MAH"`
	NominalMV float64       `help:"The maker's nominal cell voltage, mV." name:"nominal-mv" placeholder:"MV"`
	WarmUp    time.Duration `help:"Left out at the beginning." placeholder:"DURATION"`
	Loop      time.Duration `help:"Length of the script's loop." placeholder:"DURATION"`
	Points    int           `help:"Drain target; left out: all that was drained." placeholder:"N"`
	Note      string        `help:"What else is to be known of it."`
	DryRun    bool          `help:"Read, check and calculate, and store nothing."`
	Undo      string        `help:"Delete an import again, by its run." placeholder:"RUN"`
}

func (c *importCmd) Help() string {
	return "Examples:\n  rundown import rowan.csv --handset Rowan --scenario video --dry-run\n" +
		"  rundown import watch.csv --handset Rowan --scenario video --column time=Elapsed@h:mm:ss --column level=Battery\n" +
		"  rundown import socket.csv --handset Rowan --as charge --column 'socket power=Power@mW'\n  rundown import --undo r20300514210000-0a1b2c3d"
}

func (c *importCmd) Run(e *env) error {
	if c.Undo != "" {
		if c.File != "" {
			return errors.New("--undo deletes an import: name a file or a run, not both")
		}
		r, err := e.client.DeleteImport(e.ctx, c.Undo)
		switch {
		case err != nil:
			return err
		case e.json:
			return e.printJSON(r)
		}
		fmt.Fprintf(e.out, "%s: %s of %s is no longer in the store\n", r.ID, r.Imported.File, r.Handset.Name)
		return nil
	}
	switch {
	case c.File == "":
		return errors.New("which file? See `rundown import --help`")
	case c.Handset == "":
		return fmt.Errorf("%s: of which handset is it? Name it with --handset; it need not be on the bench", c.File)
	}
	content, err := logContent(c.File)
	if err != nil {
		return err
	}
	q := url.Values{"file": {filepath.Base(c.File)}, "handset": {c.Handset}, "column": c.Column}
	for name, v := range map[string]string{"scenario": c.Scenario, "as": c.As, "only": c.Only, "started": c.Started, "plan": c.Plan, "model": c.Model, "build": c.Build, "note": c.Note} {
		if v != "" {
			q.Set(name, v)
		}
	}
	for name, v := range map[string]float64{"capacity_mah": c.Capacity, "nominal_mv": c.NominalMV, "warm_up_s": c.WarmUp.Seconds(), "loop_s": c.Loop.Seconds(), "points": float64(c.Points)} {
		if v != 0 {
			q.Set(name, strconv.FormatFloat(v, 'f', -1, 64))
		}
	}
	if c.AtChange != nil {
		q.Set("at_change", strconv.FormatBool(*c.AtChange))
	}
	if c.DryRun {
		q.Set("dry_run", "true")
	}
	done, err := e.client.Import(e.ctx, q, content)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(done)
	}
	printImport(e, done)
	return nil
}

// logContent is what a log's file holds; one that is too long or no text is refused before it is sent.
func logContent(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if about, err := f.Stat(); err == nil && about.IsDir() {
		return nil, fmt.Errorf("%s is a folder: an import is of one handset and one log, so name a file of it", csvtext.Plain(path))
	}
	return logfiles.Content(path, f)
}

func printImport(e *env, done orchestrator.Import) {
	rows := [][]string{{"handset", csvtext.Plain(done.Run.Handset.Name)}, {"scenario", csvtext.Plain(done.Segment.Scenario)}, {"lines read", fmt.Sprint(done.Rows)}}
	var taken []string
	for quantity, column := range done.Taken {
		taken = append(taken, quantity+" from "+column)
	}
	slices.Sort(taken)
	for _, t := range taken {
		rows = append(rows, []string{"taken", csvtext.Plain(t)})
	}
	for _, i := range done.Ignored {
		rows = append(rows, []string{"left aside", csvtext.Plain(i)})
	}
	switch {
	case done.Figure != nil:
		rows = append(rows, []string{"hours from full to empty", hours(done.Figure.Hours)}, []string{"points", fmt.Sprint(done.Figure.Points)}, []string{"method", done.Figure.Method})
	case done.Charge != nil:
		if done.Charge.PeakW != nil {
			rows = append(rows, []string{"peak into the battery, W", fmt.Sprintf("%.1f", done.Charge.PeakW.Value)})
		}
		if done.Charge.PeakSocketW != nil {
			rows = append(rows, []string{"peak at the socket, W", fmt.Sprintf("%.1f", done.Charge.PeakSocketW.Value)})
		}
		for _, t := range done.Charge.Times {
			rows = append(rows, []string{fmt.Sprintf("to %d %%", t.LevelPct), dash(charging.SayTimes(t.S, t.ChargeS))})
		}
	case done.Sustain != nil:
		rows = append(rows, []string{"share held", done.Sustain.SayHeld()})
	default:
		rows = append(rows, []string{"no figure", done.Reason})
	}
	table(e.out, rows...)
	notes := done.Warnings
	if done.Charge != nil {
		notes = append(notes, done.Charge.Notes...)
	}
	for _, n := range notes {
		fmt.Fprintln(e.out, "note:", n)
	}
	if done.DryRun {
		fmt.Fprintln(e.out, "nothing was stored: that was a dry run")
		return
	}
	fmt.Fprintf(e.out, "stored as run %s, marked as imported; `rundown import --undo %s` takes it back\n", done.Run.ID, done.Run.ID)
}

// annotateCmd says something of a run.
type annotateCmd struct {
	Run_   string `arg:"" name:"run" help:"The run, as runs lists it."`
	Text   string `arg:"" optional:"" help:"What is to be said of it."`
	Delete string `help:"Withdraw an annotation, by its identifier." placeholder:"ID" name:"delete"`
}

func (c *annotateCmd) Run(e *env) error {
	if c.Delete != "" {
		return e.client.DeleteAnnotation(e.ctx, c.Run_, c.Delete)
	}
	a, err := e.client.Annotate(e.ctx, c.Run_, c.Text)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(a)
	}
	fmt.Fprintf(e.out, "%s: %s, by %s\n", a.ID, a.Text, a.By)
	return nil
}
