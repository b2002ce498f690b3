package main

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/term"

	"rundown/orchestrator"
	"rundown/orchestrator/api"
	"rundown/orchestrator/demo"
	"rundown/results/reading"
	"rundown/scenarios"
)

// newLog logs readably on a terminal and as JSON elsewhere.
func newLog(w io.Writer) zerolog.Logger {
	if f, ok := w.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		w = zerolog.ConsoleWriter{Out: w, TimeFormat: time.TimeOnly}
	}
	return zerolog.New(w).With().Timestamp().Logger()
}

type serveCmd struct {
	File   string   `required:"" help:"The plan file." placeholder:"PLANFILE"`
	Data   string   `help:"Folder for everything recorded; made when missing." default:"rundown-data" placeholder:"DIR"`
	Listen string   `help:"Where API and console listen. Any other address than loopback needs a token made beforehand; give a certificate too, or tokens travel in clear." default:"${address}" placeholder:"HOST:PORT"`
	Host   []string `help:"Name by which the daemon is reached over the network; may be given several times." placeholder:"NAME"`
	Cert   string   `help:"Certificate for TLS, PEM." type:"existingfile" placeholder:"FILE" and:"tls"`
	Key    string   `help:"Its key, PEM." type:"existingfile" placeholder:"FILE" and:"tls"`
}

func (c *serveCmd) Help() string {
	return "The daemon drives the handsets of the plan file until it is told to stop (Ctrl-C, SIGTERM).\nRuns under way go on by themselves on the handsets and are taken up again at the next start.\n\n" + safety
}

func (c *serveCmd) Run(e *env) error {
	file, err := scenarios.Load(c.File)
	if err != nil {
		return err
	}
	var certificate *tls.Certificate
	if c.Cert != "" {
		pair, err := tls.LoadX509KeyPair(c.Cert, c.Key)
		if err != nil {
			return fmt.Errorf("--cert: %w", err)
		}
		certificate = &pair
	}
	log := newLog(e.errOut)
	d := orchestrator.New(orchestrator.Config{File: file, DataDir: c.Data, Log: log, Clock: benchClock()})
	if err := d.Start(e.ctx); err != nil {
		return err
	}
	defer d.Stop()
	server := api.New(d, version, api.WithHosts(c.Host...))
	defer server.Close()
	l, err := api.Listen(c.Listen, server.Tokens(), certificate)
	if err != nil {
		return err
	}
	defer e.supervised(d, log)()
	log.Info().Str("api", l.Addr().String()).Str("bench", file.Bench.Name).Int("handsets", len(file.Bench.Handsets)).Msg("the bench is looked after")
	return api.Serve(e.ctx, l, server)
}

type demoCmd struct {
	Once   bool    `help:"End when the night has ended; otherwise the daemon stays up for the other verbs."`
	Charge bool    `help:"A charging night instead, with a simulated meter on each charging line."`
	Seed   int64   `help:"Changes the night." default:"1"`
	Factor float64 `help:"How many times faster than the wall clock." default:"${factor}" hidden:""`
	Data   string  `help:"Folder for the night's records; a temporary one when left out." placeholder:"DIR"`
	Listen string  `help:"Where the API listens." default:"${address}" placeholder:"HOST:PORT"`
	Log    bool    `help:"Show the daemon's log."`
}

func (c *demoCmd) Run(e *env) error {
	data := c.Data
	if data == "" {
		dir, err := os.MkdirTemp("", "rundown-demo-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(dir)
		data = dir
	}
	log := zerolog.Nop()
	if c.Log {
		log = newLog(e.errOut)
	}
	begin := demo.New
	if c.Charge {
		begin = demo.NewCharging
	}
	d, err := begin(e.ctx, demo.Options{Seed: c.Seed, DataDir: data, Factor: c.Factor, Log: log})
	if err != nil {
		return err
	}
	defer d.Stop()
	served := make(chan error, 1)
	serving, stop := context.WithCancel(e.ctx)
	defer stop()
	if !c.Once {
		server := api.New(d.Daemon, version)
		defer server.Close()
		l, err := api.Listen(c.Listen, server.Tokens(), nil)
		if err != nil {
			return err
		}
		go func() { served <- api.Serve(serving, l, server) }()
		fmt.Fprintf(e.errOut, "The daemon answers on %s: open http://%[1]s in a browser, or try `rundown handsets` in another terminal.\n", l.Addr())
	}
	fmt.Fprintf(e.errOut, "Four simulated handsets of an invented bench; the night begins at %s and runs %g times faster.\n", demo.Start.Format("15:04"), c.Factor)
	progress := newProgress(e.errOut)
	for !d.Over() {
		progress.show(d.Daemon.Handsets())
		select {
		case <-time.After(500 * time.Millisecond):
		case <-e.ctx.Done():
			return errors.New("the night was interrupted")
		}
	}
	if c.Charge {
		err = e.printChargingNight(c.Seed, d)
	} else {
		err = e.printEverydayNight(c.Seed, d)
	}
	if err != nil {
		return err
	}
	if c.Once {
		return nil
	}
	fmt.Fprintln(e.errOut, "The night is over; the daemon stays up until Ctrl-C.")
	select {
	case err := <-served:
		return err
	case <-e.ctx.Done():
		stop()
		return <-served
	}
}

// printEverydayNight sets the night's figures beside the truth of the simulated handsets.
func (e *env) printEverydayNight(seed int64, d *demo.Demo) error {
	rows, err := d.Rows()
	if err != nil {
		return err
	}
	if e.json {
		return e.printJSON(map[string]any{"seed": seed, "simulated": true, "results": rows})
	}
	out := [][]string{{"HANDSET", "SCENARIO", "HOURS", "95 % INTERVAL", "POINTS", "KEPT", "SPOILED", "TRUTH", "ERROR", "NOTE"}}
	for _, r := range rows {
		row := []string{r.Handset, r.Scenario, "-", "-", fmt.Sprint(r.Points), fmt.Sprint(r.SegmentsKept), fmt.Sprint(r.SegmentsSpoiled), "-", "-", r.Reason}
		if r.Hours > 0 {
			row[2], row[3] = fmt.Sprintf("%.2f", r.Hours), fmt.Sprintf("%.2f to %.2f", r.Low, r.High)
		}
		if r.TruthHours > 0 {
			row[7], row[8] = fmt.Sprintf("%.2f", r.TruthHours), fmt.Sprintf("%+.1f %%", r.ErrorPct)
		}
		out = append(out, row)
	}
	table(e.out, out...)
	figures, err := d.Daemon.Reading().Figures(reading.FigureFilter{})
	if err != nil {
		return err
	}
	for _, m := range d.Daemon.Reading().MixFigures(figures) {
		if len(m.Missing) == 0 {
			printMix(e.out, m)
		}
	}
	fmt.Fprintln(e.out, "Simulated handsets: these hours are no phone's. Truth is known exactly here, and nowhere else.")
	return nil
}

// A progress shows what has changed on the bench, one line a handset and change.
type progress struct {
	out  io.Writer
	last map[string]string
}

func newProgress(out io.Writer) *progress { return &progress{out: out, last: map[string]string{}} }

func (p *progress) show(list []orchestrator.HandsetStatus) {
	for _, s := range list {
		key, _ := json.Marshal([]any{s.State, s.Scenario, s.Segment, s.PointsDone, s.Problem, s.LinkLostAt})
		if !s.OnBench || s.State == "" || p.last[s.Name] == string(key) {
			continue
		}
		p.last[s.Name] = string(key)
		level := ""
		if !s.ReadAt.IsZero() {
			level = fmt.Sprintf("%d %%", s.LevelPct)
		}
		fmt.Fprintf(p.out, "%s  %-10s %5s  %s%s\n", s.ReadAt.Format("15:04"), s.Name, level, doing(s), expected(s))
	}
}

func expected(s orchestrator.HandsetStatus) string {
	if s.ExpectedEnd.IsZero() || !measures(s) {
		return ""
	}
	return ", expected end " + s.ExpectedEnd.Format("15:04")
}
