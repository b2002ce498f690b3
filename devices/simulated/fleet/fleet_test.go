package fleet

import (
	"math"
	"reflect"
	"testing"

	"github.com/google/go-cmp/cmp"
	"rundown/devices/simulated/physics"
)

func TestSamePhoneSameDrain(t *testing.T) {
	s := Assumed()
	seg := Segment{StartPct: 92, Points: 3, WarmUpS: 60, EveryS: 10, Run: 1}
	a, b := s.NewPhone(physics.FineCounter, 4), s.NewPhone(physics.FineCounter, 4)
	if diff := cmp.Diff(a.Drain(seg).Samples, b.Drain(seg).Samples); diff != "" {
		t.Errorf("one seed gives two drains:\n%s", diff)
	}
	seg.Run = 2
	if cmp.Equal(a.Drain(seg).Samples, b.Drain(Segment{StartPct: 92, Points: 3, WarmUpS: 60, EveryS: 10, Run: 1}).Samples) {
		t.Error("two runs of one phone are the same")
	}
}

// The truth of a window must be what a full discharge at this script would confirm:
// rate times hours is 100 %, but for voltage, which a mid-charge window nearly cancels.
func TestWindowAgreesWithHours(t *testing.T) {
	s := Assumed()
	s.DriftSD = 0
	for seed := range uint64(20) {
		p := s.NewPhone(physics.MediumCounter, seed)
		d := p.Drain(Segment{StartPct: 63, Points: 9, WarmUpS: 180, EveryS: 10, Run: 1})
		first, last := d.Samples[0], d.Samples[len(d.Samples)-1]
		pctH, watts := d.Window(first.T, last.T)
		if x := pctH * d.Hours / 100; math.Abs(x-1) > 0.012 {
			t.Errorf("phone %d: %.2f %%/h in the middle times %.2f h is %.3f of full", seed, pctH, d.Hours, x)
		}
		if math.Abs(watts/p.Load.BaseW-1) > 1e-9 {
			t.Errorf("phone %d: %.4f W in the window, the script's mean is %.4f", seed, watts, p.Load.BaseW)
		}
	}
}

// A survey learns full charge in the phone's own units: true charge times the counter's gain.
func TestSurvey(t *testing.T) {
	s := Assumed()
	for _, class := range []physics.CounterClass{physics.FineCounter, physics.MediumCounter, physics.NoCounter} {
		mean := 0.0
		for seed := range uint64(10) {
			p := s.NewPhone(class, seed)
			counter, current := p.Survey(3)
			if (counter == nil) != (class == physics.NoCounter) {
				t.Fatalf("%s: survey learned a counter: %v", class, counter != nil)
			}
			full := p.Options.Cell.CapacityMAh
			if counter != nil {
				if x := *counter / full / p.Options.Gauge.CounterGain; math.Abs(x-1) > 0.006 {
					t.Errorf("%s phone %d: counter learned %.4f of full", class, seed, x)
				}
			}
			// Readings may fall in step with the survey's own loop: a few per cent off then.
			x := *current / full / p.Options.Gauge.CurrentGain
			mean += x / 10
			if math.Abs(x-1) > 0.05 {
				t.Errorf("%s phone %d: current learned %.4f of full", class, seed, x)
			}
		}
		if math.Abs(mean-1) > 0.01 {
			t.Errorf("%s: current learned %.4f of full on average", class, mean)
		}
	}
}

// A fleet that differs in one respect differs in that alone, and by as much as it says.
func TestDifferencesAreWhatTheySay(t *testing.T) {
	for name, change := range map[string]func(*Spread){
		"bow": func(s *Spread) { s.BowPct = 2 }, "held": func(s *Spread) { s.HeldPct = 97 },
		"slower": func(s *Spread) { s.DriftSlower = 4 }, "gain": func(s *Spread) { s.SensorGain = 1.05 },
	} {
		s := Assumed()
		change(&s)
		a, b := Assumed().NewPhone(physics.FineCounter, 7), s.NewPhone(physics.FineCounter, 7)
		g, h := a.Options.Gauge, &b.Options.Gauge
		switch name {
		case "bow":
			if h.BowPct != -2 { // an odd seed: down
				t.Errorf("bow %g, want -2", h.BowPct)
			}
			h.BowPct = 0
		case "held":
			h.HeldPct = 0
		case "slower":
			if b.Options.Power.DriftTauS != 4*a.Options.Power.DriftTauS {
				t.Errorf("time constant %g, was %g", b.Options.Power.DriftTauS, a.Options.Power.DriftTauS)
			}
			b.Options.Power.DriftTauS = a.Options.Power.DriftTauS
		case "gain":
			h.CounterGain, h.CurrentGain = h.CounterGain/1.05, h.CurrentGain/1.05
			if math.Abs(h.CounterGain/g.CounterGain-1) > 1e-12 || math.Abs(h.CurrentGain/g.CurrentGain-1) > 1e-12 {
				t.Errorf("gains %g, %g; were %g, %g", h.CounterGain, h.CurrentGain, g.CounterGain, g.CurrentGain)
			}
			h.CounterGain, h.CurrentGain = g.CounterGain, g.CurrentGain
		}
		a.Options.Cell.OCV, b.Options.Cell.OCV = nil, nil // made anew each time
		if !reflect.DeepEqual(a, b) {
			t.Errorf("%s: differs in more than that:\n%+v\n%+v", name, a, b)
		}
	}
	// What is shown of a true charge.
	shown := func(g physics.GaugeOptions, soc float64) int {
		return physics.NewPhone(physics.Options{SoC: soc, Gauge: g}).Readings().LevelPct
	}
	for _, x := range []struct {
		g    physics.GaugeOptions
		soc  float64
		want int
	}{
		{physics.GaugeOptions{HeldPct: 97, Rounding: physics.Nearest}, 0.971, 100}, {physics.GaugeOptions{HeldPct: 97, Rounding: physics.Nearest}, 0.97 * 0.6, 60},
		{physics.GaugeOptions{BowPct: 2, Rounding: physics.Nearest}, 0.5, 52}, {physics.GaugeOptions{BowPct: -2, Rounding: physics.Nearest}, 0.5, 48},
		{physics.GaugeOptions{BowPct: 2, Rounding: physics.Nearest}, 0.001, 0},
	} {
		if got := shown(x.g, x.soc); got != x.want {
			t.Errorf("%+v at %g: %d %% shown, want %d", x.g, x.soc, got, x.want)
		}
	}
}
