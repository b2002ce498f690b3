package orchestrator_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"rundown/devices/onboard"
	"rundown/devices/simulated"
	"rundown/devices/simulated/physics"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
)

// heatUp puts a handset into an oven, so that its battery is at 61 °C before long.
func heatUp(h *simulated.Handset) { h.SetAmbientC(61) }

// quickHeat lets a battery follow its surroundings within a few samples.
func quickHeat(o *simulated.Options) { o.Heat = physics.HeatOptions{MassJPerK: 8, KPerW: 4} }

// unitsOf waits for a run to end and returns its one segment with its samples.
func (b *bench) onlySegment() (results.Segment, []results.Sample) {
	b.t.Helper()
	segments := b.finish(3 * time.Minute)["Alder"]
	if len(segments) != 1 {
		b.t.Fatalf("%d segments, want 1: %+v; %+v", len(segments), segments, b.daemon.Queue())
	}
	samples, err := b.daemon.Store().Samples(segments[0].ID)
	if err != nil {
		b.t.Fatal(err)
	}
	return segments[0], samples
}

// bubble is a subtest in a bubble.
func bubble(test func(t *testing.T)) func(t *testing.T) {
	return func(t *testing.T) { inBubble(t, test) }
}

const oncePlan = `
plans:
  once:
    drain: 3
    restart_spoiled: 0
    start_level_pct: {least: 60, most: 94}
    segments: [browse]
`

// At 61 °C with a limit of 45 °C a segment ends within two samples, in whichever units the
// handset prints: the recorder compares in the handset's own.
func TestTemperatureLimitInEveryUnit(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		name    string
		android simulated.Flavour
		prints  simulated.Printing
	}{
		{"tenths", simulated.Android14, simulated.Printing{}},
		{"volts and degrees", simulated.Android12, simulated.Printing{VoltageUV: 1e6, TempMC: 1000, NoSensors: true}},
		{"a box with a supply, and degrees", simulated.Android12, simulated.Printing{Voltage: 13, TempMC: 1000, NoSensors: true}},
		{"millivolts and degrees", simulated.Android14, simulated.Printing{TempMC: 1000}},
		{"microvolts and thousandths", simulated.Android12, simulated.Printing{VoltageUV: 1, TempMC: 1}},
		{"volts and tenths", simulated.Android12, simulated.Printing{VoltageUV: 1e6}},
	} {
		t.Run(x.name, bubble(func(t *testing.T) {
			b := newBench(t, []string{"Alder"}, oncePlan, func(_ string, o *simulated.Options) {
				o.Android, o.Prints = x.android, x.prints
				quickHeat(o)
			}).start(overServer)
			b.queue("once")
			b.until(orchestrator.Draining)
			heatUp(b.handsets["Alder"])
			g, samples := b.onlySegment()
			if g.EndedBy != onboard.EndTemperatureLimit || g.Outcome != results.Spoiled {
				t.Errorf("%s, ended by %q (%s), want the temperature limit, and too few points for a figure", g.Outcome, g.EndedBy, g.Reason)
			}
			over := 0
			for _, s := range samples {
				if s.TempC == nil || *s.TempC < 15 || *s.TempC > 65 {
					t.Fatalf("sample %d: %v °C, want 15 to 65", s.Seq, s.TempC)
				}
				if *s.TempC >= 45 {
					over++
				}
				if s.VoltageMV != nil && *s.VoltageMV < 3000 {
					t.Fatalf("sample %d: %d mV", s.Seq, *s.VoltageMV)
				}
			}
			if over < 1 || over > 2 {
				t.Errorf("%d samples at 45 °C or above, want 1 or 2 of %d", over, len(samples))
			}
			if g.Units == nil || g.Units.Temperature.Each == 0 {
				t.Errorf("units %+v, want those of the readings", g.Units)
			}
		}))
	}
}

// A segment in volts and degrees is measured like any other, its samples in mV and °C; the
// figure makes no use of whole volts, and conditions and record say what was made of them.
func TestMeasuredInVoltsAndDegrees(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, oncePlan, func(_ string, o *simulated.Options) {
			o.Android, o.Nodes, o.Prints = simulated.Android12, simulated.Missing, simulated.Printing{VoltageUV: 1e6, TempMC: 1000, NoSensors: true}
		}).start(overServer)
		b.queue("once")
		g, samples := b.onlySegment()
		if g.Outcome != results.Measured {
			t.Fatalf("%s: %s", g.Outcome, g.Reason)
		}
		truth := b.truth(g)
		figures, err := b.daemon.Reading().Figures(reading.FigureFilter{})
		if err != nil || len(figures) != 1 || len(figures[0].Each) != 1 {
			t.Fatalf("figures %+v, %v", figures, err)
		}
		one := figures[0].Each[0]
		if h := one.Hours; h.Low > truth || h.High < truth {
			t.Errorf("hours %+v, truth %.2f", h, truth)
		}
		if !strings.Contains(strings.Join(one.Warnings, "\n"), "whole volts") {
			t.Errorf("warnings %q, want one about whole volts", one.Warnings)
		}
		for _, s := range samples {
			if s.TempC == nil || *s.TempC < 18 || *s.TempC > 45 || s.VoltageMV == nil || *s.VoltageMV != 4000 && *s.VoltageMV != 3000 {
				t.Fatalf("sample %d: %v °C, %v mV", s.Seq, s.TempC, s.VoltageMV)
			}
		}
		var line results.Condition
		for _, c := range g.Conditions {
			if c.Name == "battery_units" {
				line = c
			}
		}
		if line.Verdict != "met" || !strings.Contains(line.Found, "voltage V, temperature °C (assumed)") || !strings.Contains(line.Found, "taken as °C: the voltage is in V") {
			t.Errorf("condition %+v, want the units and what they were told by", line)
		}
		r, err := b.daemon.Reading().RunReport(g.RunID)
		if err != nil || !strings.Contains(strings.Join(r.Remarks, "\n"), "taken as °C: the voltage is in V") {
			t.Errorf("remarks of the report %q, %v, want what was made of the readings", r.Remarks, err)
		}
	})
}

// A temperature whose unit cannot be told holds no limit: nothing begins, and both check and
// run say why.
func TestUnitThatCannotBeTold(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		name   string
		prints simulated.Printing
		says   string
	}{
		{"26 is 26 °C or 2.6 °C", simulated.Printing{TempMC: 1000}, "no other reading of the handset tells which"},
		{"no temperature", simulated.Printing{NoTemperature: true}, "the handset prints no battery temperature"},
	} {
		t.Run(x.name, bubble(func(t *testing.T) {
			b := newBench(t, []string{"Alder"}, oncePlan, func(_ string, o *simulated.Options) {
				o.Android, o.Prints, o.Nodes = simulated.Android9, x.prints, simulated.Missing
			}).start(overServer)
			within(t, time.Minute, "the handset is seen", func() bool {
				_, err := b.daemon.Check(t.Context(), "Alder", "once", false)
				return err == nil
			})
			report, err := b.daemon.Check(t.Context(), "Alder", "once", false)
			if err != nil {
				t.Fatal(err)
			}
			said := ""
			for _, l := range report.Unmet() {
				if l.Name == "battery_units" {
					said = l.Found + "; " + l.Mend
				}
			}
			if !strings.Contains(said, x.says) || !strings.Contains(said, "rundown dump") {
				t.Errorf("check says %q, want %q and what to do", said, x.says)
			}
			b.queue("once")
			if segments := b.finish(time.Minute)["Alder"]; len(segments) != 0 {
				t.Errorf("segments %+v, want none", segments)
			}
			if it := b.daemon.Queue()[0]; !strings.Contains(it.Outcome, "battery_units") || !strings.Contains(it.Outcome, x.says) {
				t.Errorf("the run ended with %q, want the units named", it.Outcome)
			}
		}))
	}
}

// A handset that prints in another unit from the middle of a segment on is not read in it
// silently: the segment ends, spoiled, and the handset is refused until a person looks.
func TestUnitThatChangesInASegment(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, oncePlan).start(overServer)
		b.queue("once")
		b.until(orchestrator.Draining)
		b.handsets["Alder"].Print(simulated.Printing{VoltageUV: 1e6, TempMC: 1000})
		g, samples := b.onlySegment()
		if g.Outcome != results.Spoiled || g.EndedBy != onboard.EndNoTemperature || !strings.Contains(g.Reason, "could not be read any more") {
			t.Errorf("%s, ended by %q: %s", g.Outcome, g.EndedBy, g.Reason)
		}
		var notes []string
		for _, n := range g.Notes {
			notes = append(notes, n.Text)
		}
		if !strings.Contains(strings.Join(notes, "\n"), "voltage 4 is none in mV") {
			t.Errorf("notes %q, want the reading that is none", notes)
		}
		for _, s := range samples {
			if s.VoltageMV != nil && *s.VoltageMV < 3000 {
				t.Errorf("sample %d: %d mV", s.Seq, *s.VoltageMV)
			}
		}
		b.queue("once")
		b.finish(time.Minute)
		if it := b.daemon.Queue()[1]; !strings.Contains(it.Outcome, "voltage was decided to be in mV") || !strings.Contains(it.Outcome, "learned forget Alder") {
			t.Errorf("the next run ended with %q, want it refused", it.Outcome)
		}
		if _, err := b.daemon.Forget("Alder"); err != nil {
			t.Fatal(err)
		}
		report, err := b.daemon.Check(t.Context(), "Alder", "once", false)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range report.Lines {
			if l.Name == "battery_units" && l.Verdict != "met" {
				t.Errorf("forgotten and decided anew: %+v", l)
			}
		}
	})
}

// Units outlive the daemon: a reading that tells nothing by itself is read in those decided
// before, and a segment taken up by another daemon goes on in the same.
func TestUnitsOutliveTheDaemon(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, oncePlan, func(_ string, o *simulated.Options) { o.Prints = simulated.Printing{TempMC: 1000} }).start(overServer)
		b.queue("once")
		b.until(orchestrator.Draining) // by its thermal service's sensor
		b.stopDaemon()
		b.handsets["Alder"].Print(simulated.Printing{TempMC: 1000, NoSensors: true})
		b.startDaemon()
		g, samples := b.onlySegment()
		if g.Outcome != results.Measured {
			t.Errorf("%s: %s", g.Outcome, g.Reason)
		}
		for _, s := range samples {
			if s.TempC == nil || *s.TempC < 18 || *s.TempC > 45 {
				t.Fatalf("sample %d: %v °C", s.Seq, s.TempC)
			}
		}
		report, err := b.daemon.Check(t.Context(), "Alder", "once", false)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range report.Lines {
			if (l.Name == "battery_units" || l.Name == "battery_temperature") && l.Verdict == "cannot be read" {
				t.Errorf("%+v, want it read in the unit decided before", l)
			}
		}
	})
}

// Where no file of the current may be read, the dump's own line serves, in mA there.
func TestCurrentOfTheDump(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, oncePlan, func(_ string, o *simulated.Options) {
			o.Battery, o.Nodes, o.Gauge.Counter = simulated.DoubledKey, simulated.Denied, physics.NoCounter
		}).start(overServer)
		b.queue("once")
		g, samples := b.onlySegment()
		if g.Outcome != results.Measured {
			t.Fatalf("%s: %s", g.Outcome, g.Reason)
		}
		seen := 0
		for _, s := range samples {
			if s.CurrentRaw != nil {
				seen++
			}
		}
		if seen != len(samples) || g.Units == nil || g.Units.Current.Name != "mA" || g.Units.Current.Assumed {
			t.Errorf("%d of %d samples have a current, units %+v; want all, in mA as the segment showed", seen, len(samples), g.Units)
		}
		figures, err := b.daemon.Reading().Figures(reading.FigureFilter{})
		if err != nil || len(figures) != 1 || len(figures[0].Each) != 1 || figures[0].Each[0].PowerW == nil {
			t.Fatalf("figures %+v, %v, want one with power", figures, err)
		}
		first, last, _ := g.Window()
		truth := b.handsets["Alder"].MeanWatts(time.Duration(first)*time.Millisecond, time.Duration(last)*time.Millisecond)
		if w := figures[0].Each[0].PowerW.Value; math.Abs(w/truth-1) > 0.1 {
			t.Errorf("power %.2f W, truth %.2f W", w, truth)
		}
	})
}
