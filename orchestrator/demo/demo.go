// Package demo is an accelerated night on four simulated handsets of an invented bench:
// the whole of Rundown at work (adb server protocol, onboard programs in a shell, stage,
// state machine, store, calculators), with the truth of the simulated cells beside the
// figures. It needs neither adb nor a phone.
package demo

import (
	"context"
	_ "embed"
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"time"

	"github.com/rs/zerolog"

	"rundown/devices"
	"rundown/devices/simulated"
	"rundown/devices/simulated/physics"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
	"rundown/scenarios"
)

//go:embed bench.yaml
var benchFile []byte

//go:embed clip.mp4
var clipFile []byte

// Plan is the plan that the demo queues.
const Plan = "everyday"

// Start is when the demo's night begins, by its own clock.
var Start = time.Date(2030, time.May, 14, 21, 0, 0, 0, time.UTC)

// Options say which night is demonstrated.
type Options struct {
	Seed    int64
	DataDir string  // made when missing; its files are the demo's own
	Factor  float64 // how many times faster than the wall clock
	Log     zerolog.Logger
}

// A Demo is a running night. Stop ends it and everything it started.
type Demo struct {
	Daemon   *orchestrator.Daemon
	Clock    simulated.Clock
	handsets map[string]*simulated.Handset
	capacity map[string]float64 // of the simulated cells, mAh
	stop     []func()
}

// New starts the bench, the daemon, and the night's queue.
func New(ctx context.Context, o Options) (*Demo, error) {
	return start(ctx, o, "bench.yaml", benchFile, Plan, func(int, *simulated.Options) {})
}

// start starts a bench of a plan file whose handsets are changed a little, with one of its
// plans queued.
func start(ctx context.Context, o Options, name string, text []byte, plan string, change func(int, *simulated.Options)) (d *Demo, err error) {
	d = &Demo{handsets: map[string]*simulated.Handset{}, capacity: map[string]float64{}}
	defer func() {
		if err != nil {
			d.Stop()
		}
	}()
	file, err := scenarios.Parse(name, text)
	if err != nil {
		return d, err
	}
	if err := os.MkdirAll(o.DataDir, 0o700); err != nil {
		return d, err
	}
	clip := filepath.Join(o.DataDir, "clip.mp4")
	if err := os.WriteFile(clip, clipFile, 0o600); err != nil {
		return d, err
	}
	d.Clock = simulated.NewScaledClock(Start, o.Factor)
	gates := map[string]devices.PowerGate{}
	var bench []*simulated.Handset
	for i, options := range handsets(file, o.Seed, d.Clock) {
		change(i, &options.Options)
		d.capacity[options.name] = options.CapacityMAh
		h := simulated.New(options.Options)
		d.stop = append(d.stop, h.Close)
		d.handsets[options.name], gates[options.name] = h, h.Gate()
		bench = append(bench, h)
		if options.Android == simulated.Android9 {
			// What the shell may not do before Android 10, the bench's people did by hand.
			if _, err := devices.Run(ctx, h, "settings put global zen_mode 1"); err != nil {
				return d, err
			}
		}
	}
	if err := d.serveMeters(&file); err != nil {
		return d, err
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return d, err
	}
	d.stop = append(d.stop, simulated.ServeServer(l, bench...))
	file.Bench.Servers = []string{l.Addr().String()}
	file.Bench.Stage.Listen = "127.0.0.1:0"
	file.Bench.Clip = clip
	d.Daemon = orchestrator.New(orchestrator.Config{
		File: file, DataDir: o.DataDir, Log: o.Log, Clock: d.Clock, Gates: gates, PollEvery: 30 * time.Second,
	})
	if err := d.Daemon.Start(ctx); err != nil {
		return d, err
	}
	d.stop = append(d.stop, d.Daemon.Stop)
	_, err = d.Daemon.Enqueue(orchestrator.Request{Plan: plan})
	return d, err
}

// Stop ends the daemon, then the bench.
func (d *Demo) Stop() {
	for i := len(d.stop) - 1; i >= 0; i-- {
		d.stop[i]()
	}
	d.stop = nil
}

// Over reports whether every queued run has ended.
func (d *Demo) Over() bool {
	for _, it := range d.Daemon.Queue() {
		if it.State == orchestrator.Waiting || it.State == orchestrator.Running {
			return false
		}
	}
	return true
}

type named struct {
	name string
	simulated.Options
}

// handsets invents four handsets that differ in system, gauge, cell and appetite. The
// seed changes the night, not who is on the bench.
func handsets(file scenarios.File, seed int64, clock simulated.Clock) []named {
	flavours := []simulated.Flavour{simulated.Android16, simulated.Android14, simulated.Android12, simulated.Android9}
	gauges := []physics.GaugeOptions{
		{Counter: physics.FineCounter, BendSDPct: 0.03, LevelRefreshS: 10, CounterRefreshS: 5, CurrentRefreshS: 5, VoltageRefreshS: 5, VoltageNoiseMV: 2, CurrentNoise: 0.02},
		{Counter: physics.MediumCounter, BendSDPct: 0.06, LevelRefreshS: 20, CounterRefreshS: 10, CurrentRefreshS: 10, VoltageRefreshS: 10, VoltageNoiseMV: 4, CurrentNoise: 0.03},
		{Counter: physics.CoarseCounter, BendSDPct: 0.15, LevelRefreshS: 30, CounterRefreshS: 30, CurrentRefreshS: 10, VoltageRefreshS: 10, VoltageNoiseMV: 5, CurrentNoise: 0.03, CurrentUnitUA: 1000},
		{Counter: physics.NoCounter, BendSDPct: 0.10, LevelRefreshS: 30, CurrentRefreshS: 10, VoltageRefreshS: 10, VoltageNoiseMV: 5, CurrentNoise: 0.03, CurrentPositive: true, WholeDegrees: true},
	}
	random := rand.New(rand.NewPCG(uint64(seed), 0x72756e646f776e))
	about := func(value, spread float64) float64 { return value * (1 + spread*(2*random.Float64()-1)) }
	var list []named
	for i, h := range file.Bench.Handsets {
		list = append(list, named{h.Name, simulated.Options{
			Serial: h.Serial, Model: fmt.Sprintf("QB %s", h.Name), Maker: "Quay", Product: "quay" + h.Serial[len(h.Serial)-2:],
			Android: flavours[i%len(flavours)], Seed: seed*100 + int64(i),
			LevelPct: 88 + 6*random.Float64(), CapacityMAh: h.CapacityMAh * about(0.97, 0.02), NominalMV: h.NominalMV,
			ROhm: about(0.13, 0.15), Gauge: gauges[i%len(gauges)], AmbientC: about(22, 0.05), ScalePower: about(1, 0.1),
			Heat:   physics.HeatOptions{KPerW: 4},
			Power:  physics.PowerOptions{Drift: 0.03 * (2*random.Float64() - 1), WanderSD: 0.02, StartExtra: 0.3},
			Uptime: time.Duration(about(30, 0.5)) * time.Minute, Clock: clock,
		}})
	}
	return list
}

// A Row sets a figure of the night beside the truth of the simulated handset.
type Row struct {
	Handset         string  `json:"handset"`
	Scenario        string  `json:"scenario"`
	Hours           float64 `json:"hours"`
	Low             float64 `json:"low"`  // of the 95 % interval
	High            float64 `json:"high"` // of the 95 % interval
	Points          int     `json:"points"`
	SegmentsKept    int     `json:"segments_kept"`
	SegmentsSpoiled int     `json:"segments_spoiled"`
	TruthHours      float64 `json:"truth_hours"`
	ErrorPct        float64 `json:"error_pct"`
	Reason          string  `json:"reason,omitempty"` // why there are no hours
}

// Rows are the night's figures, by handset in the bench's order and scenario in the
// plan's. The truth is exact hours from full to empty of what was really drawn.
func (d *Demo) Rows() ([]Row, error) {
	figures, err := d.Daemon.Reading().Figures(reading.FigureFilter{})
	if err != nil {
		return nil, err
	}
	var rows []Row
	for _, f := range figures {
		row := Row{
			Handset: f.Handset, Scenario: f.Scenario, Points: f.Points, SegmentsKept: f.Kept, SegmentsSpoiled: f.Spoiled, Reason: f.Reason,
			Hours: f.Hours.Value, Low: f.Hours.Low, High: f.Hours.High, TruthHours: d.truth(f),
		}
		if row.Hours > 0 && row.TruthHours > 0 {
			row.ErrorPct = 100 * (row.Hours/row.TruthHours - 1)
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// truth is the mean over the figure's segments of the hours that the simulated handset
// would have lasted at what its script drew between start and stop edge.
func (d *Demo) truth(f reading.ScenarioFigure) float64 {
	h, sum, n := d.handsets[f.Handset], 0.0, 0
	for _, g := range f.Segments {
		first, last, ok := g.Window()
		if !ok || results.LeftOut(g.Outcome) != "" {
			continue
		}
		ms := func(v int64) time.Duration { return time.Duration(v) * time.Millisecond }
		if hours := h.TruthHours(ms(first), ms(last)); hours > 0 && !math.IsInf(hours, 0) {
			sum += hours
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}
