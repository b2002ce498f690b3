package fleet

import (
	"math"
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
