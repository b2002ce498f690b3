package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/term"

	"rundown/orchestrator"
	"rundown/orchestrator/api"
	"rundown/orchestrator/demo"
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
	File   string `required:"" help:"The plan file." placeholder:"PLANFILE"`
	Data   string `help:"Folder for everything recorded; made when missing." default:"rundown-data" placeholder:"DIR"`
	Listen string `help:"Where the API listens. Only loopback addresses are taken: whoever reaches it can drive the handsets." default:"${address}" placeholder:"HOST:PORT"`
}

func (c *serveCmd) Help() string {
	return "The daemon drives the handsets of the plan file until it is told to stop (Ctrl-C, SIGTERM).\nRuns under way go on by themselves on the handsets and are taken up again at the next start.\n\n" + safety
}

func (c *serveCmd) Run(e *env) error {
	file, err := scenarios.Load(c.File)
	if err != nil {
		return err
	}
	l, err := listenLoopback(c.Listen)
	if err != nil {
		return err
	}
	log := newLog(e.errOut)
	d := orchestrator.New(orchestrator.Config{File: file, DataDir: c.Data, Log: log, Clock: benchClock()})
	if err := d.Start(e.ctx); err != nil {
		return errors.Join(err, l.Close())
	}
	defer d.Stop()
	log.Info().Str("api", l.Addr().String()).Str("bench", file.Bench.Name).Int("handsets", len(file.Bench.Handsets)).Msg("the bench is looked after")
	return serveHTTP(e.ctx, l, api.New(d, version))
}

// listenLoopback listens, and refuses an address that others on the network could reach.
func listenLoopback(address string) (net.Listener, error) {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, fmt.Errorf("--listen: want host:port, got %q", address)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("--listen: want a loopback address such as %s, got %q", defaultAddress, address)
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("the API cannot listen on %s (is another daemon running?): %w", address, err)
	}
	return l, nil
}

// serveHTTP answers until ctx ends, then gives requests under way a moment.
func serveHTTP(ctx context.Context, l net.Listener, h http.Handler) error {
	s := &http.Server{Handler: h, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute, IdleTimeout: 2 * time.Minute}
	stopped := context.AfterFunc(ctx, func() {
		bounded, cancel := context.WithTimeout(context.Background(), 3*time.Second)
		defer cancel()
		_ = s.Shutdown(bounded)
		_ = s.Close()
	})
	defer stopped()
	if err := s.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

type demoCmd struct {
	Once   bool    `help:"End when the night has ended; otherwise the daemon stays up for the other verbs."`
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
	d, err := demo.New(e.ctx, demo.Options{Seed: c.Seed, DataDir: data, Factor: c.Factor, Log: log})
	if err != nil {
		return err
	}
	defer d.Stop()
	served := make(chan error, 1)
	serving, stop := context.WithCancel(e.ctx)
	defer stop()
	if !c.Once {
		l, err := listenLoopback(c.Listen)
		if err != nil {
			return err
		}
		go func() { served <- serveHTTP(serving, l, api.New(d.Daemon, version)) }()
		fmt.Fprintf(e.errOut, "The daemon answers on %s: try `rundown handsets` in another terminal.\n", l.Addr())
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
	rows, err := d.Rows()
	if err != nil {
		return err
	}
	if err := e.printNight(c.Seed, rows, d); err != nil {
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

// printNight sets the night's figures beside the truth of the simulated handsets.
func (e *env) printNight(seed int64, rows []demo.Row, d *demo.Demo) error {
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
	figures, err := d.Daemon.Figures(orchestrator.FigureFilter{})
	if err != nil {
		return err
	}
	for _, m := range d.Daemon.MixFigures(figures) {
		if len(m.Missing) == 0 {
			fmt.Fprintf(e.out, "%s, %s: %.2f days (%.2f to %.2f)\n", m.Handset, m.Mix, m.Days.Value, m.Days.Low, m.Days.High)
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
	if s.ExpectedEnd.IsZero() || s.State != string(orchestrator.Draining) {
		return ""
	}
	return ", expected end " + s.ExpectedEnd.Format("15:04")
}
