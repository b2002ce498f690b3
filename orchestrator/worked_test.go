package orchestrator_test

import (
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/devices/simulated/physics"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
)

// Sustained work on handsets that throttle each in its own way: what is said of each.
func TestSustainedWork(t *testing.T) {
	t.Parallel()
	// Small masses settle within the half hour; the numbers are invented.
	quick := physics.HeatOptions{MassJPerK: 25, KPerW: 4}
	ways := map[string]struct {
		throttling simulated.Throttling
		heat       physics.HeatOptions
		settled    bool
		endedBy    string
		still      string
		least      float64 // of the share held
		most       float64
	}{
		"Alder":  {throttling: simulated.Throttling{FromC: 60, SlopePerC: 0.01}, heat: quick, settled: true, endedBy: "settled", least: 0.99, most: 1.01},
		"Birch":  {throttling: simulated.Throttling{FromC: 34, SlopePerC: 0.05}, heat: quick, settled: true, endedBy: "settled", least: 0.7, most: 0.95},
		"Cedar":  {throttling: simulated.Throttling{StepsC: []float64{34, 37}, StepBy: 0.15, BackC: 6}, heat: quick, settled: true, endedBy: "settled", least: 0.6, most: 0.9},
		"Rowan":  {throttling: simulated.Throttling{StepsC: []float64{37}, StepBy: 0.6, BackC: 0.6}, heat: quick, settled: true, endedBy: "settled", least: 0.45, most: 0.8},
		"Larch":  {throttling: simulated.Throttling{FromC: 60, SlopePerC: 0.01, Lasting: 1}, heat: quick, endedBy: "time limit", still: "the rate changed by -", least: 0.6, most: 0.75},
		"Willow": {throttling: simulated.Throttling{FromC: 60, SlopePerC: 0.01}, heat: physics.HeatOptions{MassJPerK: 400, KPerW: 4}, endedBy: "time limit", still: "temperature changed by +", least: 0.99, most: 1.01},
	}
	names := []string{"Alder", "Birch", "Cedar", "Rowan", "Larch", "Willow"}
	bubbleBench(t, names, `
plans:
  heat: {segments: [sustain], start_level_pct: {least: 50, most: 95}, stop_temp_c: 55}
`, func(b *bench) {
		b.startDaemon()
		b.queue("heat")
		all := b.finish(3 * time.Hour)
		list, err := b.daemon.Reading().Sustained(reading.FigureFilter{})
		if err != nil || len(list) != len(names) {
			b.t.Fatalf("%d of %d worked, %v", len(list), len(names), err)
		}
		for _, h := range list {
			want, g := ways[h.Handset], all[h.Handset][0]
			if g.Outcome != results.Measured || g.EndedBy != want.endedBy || g.Until != "settled" || g.Reached != h.Count || h.Reason != "" {
				b.t.Errorf("%s: %s, ended by %q, %s, %s; want measured, by %q", h.Handset, g.Outcome, g.EndedBy, g.Progress(), h.Reason, want.endedBy)
				continue
			}
			if h.Settled == nil || *h.Settled != want.settled || !strings.Contains(h.Still, want.still) || (h.SettleS != nil) != want.settled {
				b.t.Errorf("%s: %s; want settled %v, %q", h.Handset, h.SaySettle(), want.settled, want.still)
			}
			if h.Held == nil || h.Held.Value < want.least || h.Held.Value > want.most {
				b.t.Errorf("%s held %s, want %g to %g", h.Handset, h.SayHeld(), want.least, want.most)
			}
			if worked := g.EndedAt.Sub(g.StartedAt); want.settled && worked > 30*time.Minute || !want.settled && worked < 29*time.Minute {
				b.t.Errorf("%s worked for %v", h.Handset, worked)
			}
			if h.StartTempC == nil || h.HighestTempC == nil || h.PowerW == nil || *h.PowerW < 1 || h.Unit != "units/s" {
				b.t.Errorf("%s: %+v, want temperatures and power", h.Handset, h)
			}
			if g.ActivityPct == nil || *g.ActivityPct < 98 {
				b.t.Errorf("%s: the activity went on for %v %%", h.Handset, g.ActivityPct)
			}
			b.t.Logf("%s: %d lots, %v", h.Handset, h.Count, h.Rows())
		}
	}, func(name string, o *simulated.Options) {
		o.Throttling, o.Heat = ways[name].throttling, ways[name].heat
	})
}

// What else happens to sustained work: the browser is killed, its page lies under another app for a while, the
// handset reaches its temperature limit, or it does next to nothing in a thermal emergency.
func TestSustainedWorkThatIsDisturbed(t *testing.T) {
	t.Parallel()
	quick := physics.HeatOptions{MassJPerK: 25, KPerW: 4}
	bubbleBench(t, []string{"Alder", "Birch", "Cedar"}, `
plans:
  heat: {segments: [sustain], start_level_pct: {least: 50, most: 95}, stop_temp_c: 43, restart_spoiled: 0}
`, func(b *bench) {
		b.startDaemon()
		b.queue("heat")
		b.soon(2*time.Hour, "Alder has worked for a while", func() bool {
			h := b.status("Alder")
			return h.State == string(orchestrator.Draining) && len(h.Progress) > 0
		})
		time.Sleep(4 * time.Minute)
		b.handsets["Alder"].CrashApp()
		all := b.finish(3 * time.Hour)
		for name, want := range map[string]struct{ outcome, reason string }{
			"Alder": {results.Spoiled, "work that pauses lets the handset cool"},
			"Birch": {results.Measured, "temperature limit"}, // long enough for a figure
			"Cedar": {results.Measured, ""},
		} {
			if g := all[name][0]; g.Outcome != want.outcome || !strings.Contains(g.Reason, want.reason) {
				b.t.Errorf("%s: %s, %q; want %s, %q", name, g.Outcome, g.Reason, want.outcome, want.reason)
			}
		}
		list, err := b.daemon.Reading().Sustained(reading.FigureFilter{})
		if err != nil || len(list) != 3 {
			b.t.Fatalf("%d worked, %v", len(list), err)
		}
		for _, h := range list {
			switch h.Handset {
			case "Alder":
				if h.Held != nil || !strings.Contains(h.Reason, "spoiled") {
					b.t.Errorf("Alder: %+v, want no figure", h.Rows())
				}
			case "Birch":
				if h.Settled == nil || *h.Settled || h.Held == nil || h.HighestTempC == nil || *h.HighestTempC < 42.5 {
					b.t.Errorf("Birch: %+v, want work that had not settled at its limit", h.Rows())
				}
			case "Cedar":
				if h.Held == nil || h.Held.Value > 0.6 || !h.Throttled {
					b.t.Errorf("Cedar: %+v, want a handset in a thermal emergency to have throttled", h.Rows())
				}
			}
			b.t.Logf("%s: %v %s", h.Handset, h.Rows(), h.Reason)
		}
	}, func(name string, o *simulated.Options) {
		o.Heat = quick
		switch name {
		case "Birch": // warms on and does not throttle
			o.Throttling, o.Heat = simulated.Throttling{FromC: 60, SlopePerC: 0.01}, physics.HeatOptions{MassJPerK: 190, KPerW: 6}
		case "Cedar":
			o.Throttling = simulated.Throttling{FromC: 60, SlopePerC: 0.01, EmergencyC: 38, BackC: 12}
		}
	})
}
