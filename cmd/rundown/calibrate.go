package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"rundown/devices/luminance"
	"rundown/orchestrator"
)

type calibrateCmd struct {
	Light  calibrateLightCmd  `cmd:"" help:"Find which brightness setting gives which luminance, so that the screen can be set in cd/m²."`
	Show   calibrateShowCmd   `cmd:"" help:"Show the light calibration in use, or how one under way stands."`
	Cancel calibrateCancelCmd `cmd:"" help:"End a calibration under way and put the screen's settings back."`
	Forget calibrateForgetCmd `cmd:"" help:"Go back to the plan file's curve. The readings are kept."`
}

type calibrateLightCmd struct {
	Handset    string         `arg:"" help:"The handset's name on the bench."`
	Meter      string         `help:"The light meter of the plan file that is read; left out: you type what yours shows." placeholder:"NAME" xor:"from"`
	Placed     bool           `help:"The light meter is in place already; without this, a person is asked to place it (rundown prompts, or the console)."`
	File       string         `help:"A CSV file of readings taken elsewhere: setting,cd_m2, each setting twice or more, the room's share subtracted." type:"existingfile" placeholder:"FILE" xor:"from"`
	Instrument string         `help:"The meter that you read: make, model, number, date of its own calibration." placeholder:"TEXT"`
	Accuracy   float64        `help:"What its maker or certificate states, % of the reading." placeholder:"PCT"`
	Digit      float64        `help:"Its last digit, cd/m²." placeholder:"CDM2"`
	Wanted     float64        `help:"The luminance to verify, cd/m²; left out: the plan's, or 300." placeholder:"CDM2"`
	Plan       string         `help:"The plan whose luminance is verified." placeholder:"PLAN"`
	Scale      string         `help:"Range of the brightness setting: 255, 1023, 2047, 4095, or fraction for cmd display set-brightness. Left out: as last time, or 255." enum:"255,1023,2047,4095,fraction," default:""`
	Points     int            `help:"Settings in the walk." default:"12"`
	Repeats    int            `help:"Readings at each." default:"2"`
	WarmUp     *time.Duration `help:"White page before the first reading; 20m when left out." placeholder:"DURATION"`
	Settle     *time.Duration `help:"Between setting and reading; 3s when left out." placeholder:"DURATION"`
}

func (c *calibrateLightCmd) Help() string {
	var b strings.Builder
	b.WriteString("The handset shows a full white page and is walked through its settings, dense where luminance changes most, up and down.\nReadings must repeat and rise; the last ones verify the setting found. The handset gets no run meanwhile.\n\nHow the readings are taken:\n")
	for _, p := range luminance.Practices {
		fmt.Fprintf(&b, "  %s (%s)\n", p.Rule, p.Source)
	}
	b.WriteString("\nExamples:\n  rundown calibrate light Alder --instrument \"spot meter no. 3, calibrated 2026-02\" --accuracy 3 --digit 0.1\n  rundown calibrate light Alder --meter light --placed\n  rundown calibrate light Alder --file readings.csv --instrument \"spot meter no. 3\"")
	return b.String()
}

func (c *calibrateLightCmd) Run(e *env) error {
	q := orchestrator.CalibrationRequest{
		Plan: c.Plan, WantedCdM2: c.Wanted, Meter: c.Meter, Placed: c.Placed, Scale: c.Scale, Points: c.Points, Repeats: c.Repeats,
		Instrument: luminance.Instrument{Name: c.Instrument, AccuracyPct: c.Accuracy, DigitCdM2: c.Digit},
	}
	seconds := func(d *time.Duration) *float64 {
		if d == nil {
			return nil
		}
		s := d.Seconds()
		return &s
	}
	q.WarmUpS, q.SettleS = seconds(c.WarmUp), seconds(c.Settle)
	if c.File != "" {
		f, err := os.Open(c.File)
		if err != nil {
			return err
		}
		defer f.Close()
		if q.Readings, err = readReadings(f); err != nil {
			return fmt.Errorf("%s: %w", c.File, err)
		}
	}
	s, err := e.client.Calibrate(e.ctx, c.Handset, q)
	if err != nil {
		return err
	}
	if c.File == "" {
		for _, p := range s.Practices {
			fmt.Fprintf(e.errOut, "- %s (%s)\n", p.Rule, p.Source)
		}
		if s, err = c.follow(e, s); err != nil {
			return err
		}
	}
	if e.json {
		return e.printJSON(s)
	}
	printCalibration(e.out, s)
	if s.State == orchestrator.CalibrationFailed {
		return errUnmet
	}
	return nil
}

// follow shows how the walk goes and asks for readings until it is over.
func (c *calibrateLightCmd) follow(e *env, s orchestrator.CalibrationStatus) (orchestrator.CalibrationStatus, error) {
	lines := typedLines(os.Stdin)
	said, answered, taken := "", 0, 0
	for s.State == orchestrator.CalibrationRunning || s.State == orchestrator.CalibrationAsks {
		if s.Latest != nil && s.Taken > taken && c.Meter != "" {
			taken = s.Taken
			fmt.Fprintf(e.errOut, "%d of about %d: setting %.6g, %.4g cd/m²\n", s.Taken, s.About, s.Latest.Setting, s.Latest.CdM2)
		} else if s.Doing != said && s.State == orchestrator.CalibrationRunning && c.Meter == "" || (strings.HasPrefix(s.Doing, "warming") || strings.HasPrefix(s.Doing, "waiting")) && s.Doing != said {
			fmt.Fprintln(e.errOut, s.Doing)
			if strings.HasPrefix(s.Doing, "waiting") {
				fmt.Fprintln(e.errOut, "answer it with rundown answer (rundown prompts lists what is asked), or on the console")
			}
		}
		said = s.Doing
		if s.State == orchestrator.CalibrationAsks && s.Ask != answered {
			fmt.Fprintf(e.errOut, "%d of about %d, %s: cd/m² ", s.Ask, s.About, s.Doing)
			var v float64
			select {
			case line, ok := <-lines:
				if !ok {
					_, _ = e.client.CancelCalibration(e.ctx, c.Handset)
					return s, errors.New("nothing more was typed; the calibration was cancelled and the screen's settings are put back")
				}
				var err error
				if v, err = luminance.ParseCdM2(line); err != nil {
					fmt.Fprintf(e.errOut, "%v; once more\n", err)
					continue
				}
			case <-e.ctx.Done():
				return s, c.interrupted(e)
			}
			answered = s.Ask
			var err error
			if s, err = e.client.GiveReading(e.ctx, c.Handset, s.Ask, v); err != nil {
				return s, err
			}
			continue
		}
		select {
		case <-time.After(300 * time.Millisecond):
		case <-e.ctx.Done():
			return s, c.interrupted(e)
		}
		var err error
		if s, err = e.client.Calibration(e.ctx, c.Handset); err != nil {
			return s, err
		}
	}
	return s, nil
}

// interrupted leaves nothing half done: whoever walks away does not come back to a screen
// at full brightness.
func (c *calibrateLightCmd) interrupted(e *env) error {
	bounded, cancel := context.WithTimeout(context.WithoutCancel(e.ctx), 5*time.Second)
	defer cancel()
	if _, err := e.client.CancelCalibration(bounded, c.Handset); err != nil {
		return fmt.Errorf("interrupted, and the calibration could not be cancelled (rundown calibrate cancel %s): %w", c.Handset, err)
	}
	return errors.New("interrupted; the calibration was cancelled and the screen's settings are put back")
}

// typedLines reads lines as they are typed; the channel is closed at their end.
func typedLines(in io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		scanner := bufio.NewScanner(in)
		for scanner.Scan() {
			lines <- scanner.Text()
		}
	}()
	return lines
}

type calibrateShowCmd struct {
	Handset string `arg:"" help:"The handset's name on the bench."`
}

func (c *calibrateShowCmd) Run(e *env) error {
	s, err := e.client.Calibration(e.ctx, c.Handset)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(s)
	}
	printCalibration(e.out, s)
	return nil
}

type calibrateCancelCmd struct {
	Handset string `arg:"" help:"The handset's name on the bench."`
}

func (c *calibrateCancelCmd) Run(e *env) error {
	s, err := e.client.CancelCalibration(e.ctx, c.Handset)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(s)
	}
	_, err = fmt.Fprintf(e.out, "the calibration of %s is cancelled; its screen's settings are put back\n", c.Handset)
	return err
}

type calibrateForgetCmd struct {
	Handset string `arg:"" help:"The handset's name on the bench."`
}

func (c *calibrateForgetCmd) Run(e *env) error {
	s, err := e.client.ForgetCalibration(e.ctx, c.Handset)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(s)
	}
	_, err = fmt.Fprintf(e.out, "%s goes by the plan file's curve again, if there is one\n", c.Handset)
	return err
}

func printCalibration(w io.Writer, s orchestrator.CalibrationStatus) {
	switch {
	case s.State == "" && s.Used == nil:
		fmt.Fprintf(w, "%s has no light calibration: rundown calibrate light %s\n", s.Handset, s.Handset)
		return
	case s.State == orchestrator.CalibrationRunning || s.State == orchestrator.CalibrationAsks:
		fmt.Fprintf(w, "%s is being calibrated since %s: %s, %d of about %d readings\n", s.Handset, clockTime(s.StartedAt), s.Doing, s.Taken, s.About)
	case s.State == orchestrator.CalibrationFailed:
		fmt.Fprintf(w, "%s: not calibrated: %s\nThe %d readings are kept.\n", s.Handset, s.Problem, s.Taken)
	}
	c := s.Used
	if c == nil {
		return
	}
	fmt.Fprintf(w, "%s: %s\nset by %s, OS build %s\n", s.Handset, c.Describe(), s.UsedSetsAs, dash(c.Build))
	rows := [][]string{{"SETTING", "cd/m²"}}
	for _, p := range c.Points {
		rows = append(rows, []string{fmt.Sprintf("%.6g", p.Setting), fmt.Sprintf("%.4g", p.CdM2)})
	}
	table(w, rows...)
	fmt.Fprintf(w, "one reading scatters by %.2g %%, the room added %.3g cd/m²\n", c.RepeatSDPct, c.BackgroundCdM2)
	for _, b := range c.Budget {
		fmt.Fprintf(w, "uncertainty: %s %.2g cd/m²\n", b.Name, b.U)
	}
	for _, n := range c.Notes {
		fmt.Fprintln(w, "note:", n)
	}
	if s.UsedStale != "" {
		fmt.Fprintln(w, "stale:", s.UsedStale)
	}
}
