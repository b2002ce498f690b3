package endurance

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

// drifting is a drain at a power that grows by d with a time constant of tau s, of a handset of 4000 mAh with a counter, from
// 92.4 % on, so many hours long.
func drifting(d, tau, hours float64, seed uint64) Input {
	r := rand.New(rand.NewPCG(seed, 1))
	in := Input{WarmUpS: 180, LoopS: 30, DesignMAh: 4000, LearnedCounter: ptr(4000)}
	q, wander := 0.924*4000, 0.0
	for s := 0.0; s < 3600*hours && q > 150; s += 10 {
		mv := 3700 + 500*q/4000
		wander = 0.85*wander + 0.02*math.Sqrt(1-0.85*0.85)*r.NormFloat64()
		ma := 1600 * (1 + d*(1-math.Exp(-s/tau))) * (1 + wander) / (mv / 1000) // 1.6 W
		in.Samples = append(in.Samples, Sample{T: time.Duration(s) * time.Second, LevelPct: int(100 * q / 4000), VoltageMV: &mv, Counter: ptr(math.Round(1000 * q))})
		q -= ma * 10 / 3600
	}
	return in
}

// What the window's power shows of its drift is taken into the hours; where it shows none, they stay.
func TestDriftIsSeen(t *testing.T) {
	for _, d := range []float64{-0.08, 0, 0.08} {
		f, err := Estimate(drifting(d, 1500, 1.5, 7))
		if err != nil {
			t.Fatal(err)
		}
		if f.WindowStop < time.Hour {
			t.Fatalf("the window ends at %v", f.WindowStop)
		}
		// Without drift the hours are those of the window's power.
		by := f.Hours.Value/(f.StraightHours*f.VoltageFactor) - 1
		if d == 0 && math.Abs(by) > 0.005 || d != 0 && (by*d > 0 || math.Abs(by) < 0.2*math.Abs(d)*0.3) {
			t.Errorf("drift %+.0f %%: hours moved by %+.2f %%", 100*d, 100*by)
		}
		if !strings.Contains(strings.Join(f.Assumptions, "\n"), "by what the window shows") {
			t.Errorf("what the window shows is not said: %q", f.Assumptions)
		}
	}
}

// A survey shows a handset's drift within what it says, and its next figures use that: closer to the truth, and narrower.
func TestDriftIsLearned(t *testing.T) {
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	for _, d := range []float64{-0.06, 0.02, 0.07} {
		o, err := Observe(drifting(d, 1800, 8, 3), "survey", at, false)
		if err != nil || len(o.Powers) < 6 {
			t.Fatalf("%v, %d powers", err, len(o.Powers))
		}
		l := Learn([]Observation{o}, at, "")
		if l == nil || l.Drift == nil || l.Drift.Seen != 1 {
			t.Fatalf("nothing learned of drift: %+v", l)
		}
		if off := math.Abs(l.Drift.Mean - d); off > 2.5*l.Drift.SD || l.Drift.SD > 0.02 {
			t.Errorf("drift %+.1f %% learned as %+.1f give or take %.1f", 100*d, 100*l.Drift.Mean, 100*l.Drift.SD)
		}
		in := drifting(d, 1800, 0.8, 4)
		before, err := Estimate(in)
		if err != nil {
			t.Fatal(err)
		}
		in.Learned = l
		after, err := Estimate(in)
		if err != nil {
			t.Fatal(err)
		}
		if term(after, "drift") > 0.7*term(before, "drift") {
			t.Errorf("drift %+.0f %%: its share of the budget is %.2f %% after a survey, %.2f before", 100*d, 100*term(after, "drift"), 100*term(before, "drift"))
		}
	}
	// A charge, a sleeper, a handset without voltage show none.
	in := drifting(0.05, 1800, 8, 3)
	in.Asleep = true
	if o, err := Observe(in, "rest", at, false); err == nil && o.Powers != nil {
		t.Errorf("a sleeper's powers: %+v", o.Powers)
	}
	in = drifting(0.05, 1800, 8, 3)
	for i := range in.Samples {
		in.Samples[i].VoltageMV = nil
	}
	if o, err := Observe(in, "blind", at, false); err != nil || o.Powers != nil {
		t.Errorf("without voltage: %v, %+v", err, o.Powers)
	}
}
