package orchestrator_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"rundown/devices/meters"
	"rundown/devices/meters/usbpower"
	"rundown/devices/simulated"
	"rundown/devices/simulated/instruments"
	"rundown/orchestrator"
	"rundown/results/reading"
	"rundown/scenarios"
)

const chargingPlan = `
scenarios:
  charge: {extends: charge, holds: [sockets]}
plans:
  charging:
    start_level_pct: {least: 3, most: 94}
    segments: [{scenario: game, drain_to: 2}, charge]
limits:
  shared: {sockets: 2}
`

// A charging night: four handsets, each with a meter on its line, two on their chargers at
// once at most. The figures are held against the simulated cells, and a record as a meter
// of its own would write it (another clock that runs 200 ppm fast, drop-outs, noise) is
// brought back.
func TestChargingNight(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		names := []string{"Alder", "Birch", "Cedar", "Larch"}
		b := newBench(t, names, chargingPlan, func(name string, o *simulated.Options) {
			o.LevelPct, o.Seed, o.Charger.MaxW = 5.5, int64(name[0]), 40
		})
		for i, name := range names {
			m, _ := scpiMeter(t, "line "+name, name, 10*time.Second, instruments.PowerMeter(b.handsets[name], 9, 22), meters.Power)
			b.file.Bench.Meters = append(b.file.Bench.Meters, m)
			b.file.Bench.Handsets[i].Supply = scenarios.Supply{
				Charger: &usbpower.Charger{Text: "wall " + name, Watts: 60, Levels: []usbpower.Level{{Volts: 5, Amps: 3}, {Volts: 9, Amps: 3}, {Volts: 15, Amps: 3}, {Volts: 20, Amps: 3}}},
				Cable:   &usbpower.Cable{Text: "short", Amps: 3},
			}
		}
		b.file.Bench.Meters = append(b.file.Bench.Meters, scenarios.Meter{Name: "inline", Handset: "Alder", Record: &scenarios.MeterRecord{Time: "t", TimeAs: "s", Power: "p", Factor: 1}})
		b.start(overServer)
		b.queue("charging")
		most := 0
		within(t, 4*time.Minute, "the night is over", func() bool {
			charging, over := 0, true
			for _, s := range b.daemon.Handsets() {
				if s.State == string(orchestrator.Charging) {
					charging++
				}
			}
			for _, it := range b.daemon.Queue() {
				over = over && it.Outcome != ""
			}
			most = max(most, charging)
			return over
		})
		if most != 2 {
			t.Errorf("%d handsets on their chargers at once, want 2 at most and at some time", most)
		}
		charges, err := b.daemon.Reading().Charges(reading.FigureFilter{})
		if err != nil || len(charges) != 4 {
			t.Fatalf("%d charges, %v; want 4\n%s", len(charges), err, b.log)
		}
		for _, c := range charges {
			if c.Reason != "" || c.FullS == nil || c.BatteryWh == nil || c.SocketWh == nil || c.Efficiency == nil || c.PeakW == nil || c.PeakSocketW == nil || c.TaperS == nil || c.HighestTempC == nil || c.ChargeMAh == nil {
				t.Errorf("%s: a figure is missing: %+v", c.Handset, c)
				continue
			}
			h := b.handsets[c.Handset]
			if !strings.Contains(c.Supply, "wall "+c.Handset+", 60 W (5 V 3 A, 9 V 3 A, 15 V 3 A, 20 V 3 A); cable short, 3 A") || c.Meter != "line "+c.Handset {
				t.Errorf("%s: charger %q, meter %q", c.Handset, c.Supply, c.Meter)
			}
			// What went into the cell is its capacity, from 2 % or below to full; the handset's own
			// current has noise and a refresh, so 4 %.
			want := 4500 * (h.TrueSoC() - float64(c.FromPct)/100)
			if math.Abs(*c.ChargeMAh/want-1) > 0.04 {
				t.Errorf("%s: %.0f mAh into the battery, %.0f by the cell", c.Handset, *c.ChargeMAh, want)
			}
			// The simulated converter's efficiency is 0.88; what the handset itself takes lowers it.
			if *c.Efficiency < 0.80 || *c.Efficiency > 0.92 {
				t.Errorf("%s: efficiency %.3f, the simulated converter has 0.88", c.Handset, *c.Efficiency)
			}
			if c.PeakSocketW.Value < c.PeakW.Value || *c.TaperS > *c.FullS || len(c.Times) != 5 || c.Times[1].S.Value >= c.Times[2].S.Value || c.Times[2].ChargeS == nil {
				t.Errorf("%s: peak %.1f W of %.1f W arriving, taper after %.0f s, full after %.0f s, times %+v", c.Handset, c.PeakW.Value, c.PeakSocketW.Value, *c.TaperS, *c.FullS, c.Times)
			}
		}
		attachRecord(t, b, charges[slices.IndexFunc(charges, func(c reading.Charge) bool { return c.Handset == "Alder" })])
	})
}

// attachRecord writes what Alder's meter read as a separate meter would, and attaches it.
func attachRecord(t *testing.T, b *bench, c reading.Charge) {
	t.Helper()
	readings, err := b.daemon.Store().Readings(c.Segment)
	if err != nil {
		t.Fatal(err)
	}
	const ppm = 200e-6 // how fast the other clock runs
	noise := rand.New(rand.NewPCG(1, 2))
	var text strings.Builder
	fmt.Fprintln(&text, "meter of a lab, serial 12\nt,p")
	zero := readings[0].At
	for i, r := range readings {
		if i%90 > 80 && i > 100 {
			continue // drop-outs
		}
		fmt.Fprintf(&text, "%.2f,%.3f\n", 100+r.At.Sub(zero).Seconds()*(1+ppm), *r.PowerW*(1+0.002*noise.NormFloat64()))
	}
	ask := orchestrator.Attach{Of: c.Run, File: "inline.csv", CSV: []byte(text.String())}
	if _, err := b.daemon.Attach(orchestrator.Attach{Of: c.Run, CSV: []byte("t,p\n1,2\nx,3\n")}); err == nil || !strings.Contains(err.Error(), "line 3: time \"x\" is no number of seconds") {
		t.Errorf("a damaged record: %v", err)
	}
	if _, err := b.daemon.Attach(orchestrator.Attach{Of: c.Run, CSV: []byte("t,p\n1,2\n")}); err == nil || !strings.Contains(err.Error(), "too few points") {
		t.Errorf("a record of one line: %v", err)
	}
	rec, err := b.daemon.Attach(ask)
	if err != nil {
		t.Fatal(err)
	}
	again, err := b.daemon.Attach(ask)
	if err != nil || again.Name != rec.Name || !again.AttachedAt.Equal(rec.AttachedAt) {
		t.Errorf("the same file again: %+v, %v", again, err)
	}
	back, err := b.daemon.Store().Readings(c.Segment)
	if err != nil {
		t.Fatal(err)
	}
	n, worst := 0, time.Duration(0)
	for _, r := range back {
		if r.Record != rec.Name {
			continue
		}
		n++
		was := zero.Add(time.Duration((r.MeterAt.Sub(time.Unix(0, 0)).Seconds() - 100) / (1 + ppm) * float64(time.Second)))
		worst = max(worst, r.At.Sub(was).Abs())
	}
	// At 600 times the speed each look at the handset's clock costs seconds, so one sample
	// more than the line-up states is allowed; results/clocks is held to one sample.
	if allowed := 10*time.Second + time.Duration(rec.ShiftU95S*float64(time.Second)); n != rec.Points || worst > allowed {
		t.Errorf("%d of %d readings lined up, %v off at worst, %v allowed (%s)", n, rec.Points, worst, allowed, rec.Says)
	}
	after, err := b.daemon.Reading().Charges(reading.FigureFilter{Run: c.Run})
	if err != nil || len(after) != 1 || after[0].Meter != "inline" || after[0].SocketWh == nil || math.Abs(after[0].SocketWh.Value/c.SocketWh.Value-1) > 0.02 {
		t.Errorf("with the record: %+v, %v; want the arriving energy of %.2f Wh by the meter inline", after, err, c.SocketWh.Value)
	}
	other, err := b.daemon.Attach(orchestrator.Attach{Of: c.Segment, Meter: "inline", CSV: []byte(strings.Replace(text.String(), "serial 12", "serial 13", 1))})
	g, segErr := b.daemon.Store().Segment(c.Segment)
	if err != nil || segErr != nil || other.Name == rec.Name || len(g.Records) != 2 || g.Records[0].ReplacedAt.IsZero() || !g.Records[1].ReplacedAt.IsZero() {
		t.Errorf("another file of the meter: %v, %v, records %+v; want the first kept and marked", err, segErr, g.Records)
	}
}
