package accuracy

import (
	"fmt"
	"testing"
	"time"

	"rundown/devices/simulated/fleet"
	"rundown/devices/simulated/physics"
	"rundown/results/endurance"
)

// counterTruth and currentTruth are what a phone's counter and current readings say of its full charge, in their units.
func counterTruth(p fleet.Phone) float64 {
	v := p.Options.Cell.CapacityMAh * p.Options.Gauge.CounterGain
	if p.Options.Gauge.CounterUnit == physics.MicroAmpHours {
		v *= 1000
	}
	return v
}

func currentTruth(p fleet.Phone) float64 {
	g := p.Options.Gauge
	return p.Options.Cell.CapacityMAh * g.CurrentGain * 1000 / float64(max(1, g.CurrentUnitUA))
}

// A survey of a phone whose full charge is known: what is learned lies as near as it says, in all units, and figures
// after it claim less than without, and hold.
func TestSurvey(t *testing.T) {
	n := *perClass / 4
	spread := fleet.Assumed()
	var counter, current errors
	for _, class := range Classes {
		var before, after errors
		var claimedBefore, claimedAfter float64
		bend := 0.0
		Cases(Conditions{Seed: 12, PerClass: n}, class, func(i int, x Case) {
			p := spread.NewPhone(class, seedOf(12, i))
			l, err := Survey(p, 97)
			if err != nil || l == nil {
				t.Fatalf("%s phone %d: nothing learned: %v", class, i, err)
			}
			if has := class == physics.FineCounter || class == physics.MediumCounter; has != (l.Counter != nil) {
				t.Fatalf("%s phone %d: full charge by the counter: %v", class, i, l.Counter)
			}
			if l.Counter != nil {
				counter.addInterval(l.Counter.Interval(), counterTruth(p))
				if h := l.Counter.Interval().HalfWidth(); h > 0.02 {
					t.Errorf("%s phone %d: full charge by the counter known to %.1f %% only", class, i, 100*h)
				}
			}
			current.addInterval(l.Current.Interval(), currentTruth(p))
			bend += l.BendSD / float64(n)
			if l.Curve == nil || len(l.Bend) < 15 || l.Surveys != 1 {
				t.Fatalf("%s phone %d: a survey without curve or bend: %+v", class, i, l)
			}
			in := x.Input
			in.LearnedCounter, in.LearnedCurrent = nil, nil
			f, err := endurance.Estimate(in)
			if err != nil {
				t.Fatal(err)
			}
			in.Learned = l
			g, err := endurance.Estimate(in)
			if err != nil {
				t.Fatal(err)
			}
			before.addInterval(f.Hours, x.Drain.Hours)
			after.addInterval(g.Hours, x.Drain.Hours)
			claimedBefore += 100 * f.Hours.HalfWidth() / float64(n)
			claimedAfter += 100 * g.Hours.HalfWidth() / float64(n)
		})
		a, b := before.stat(), after.stat()
		t.Logf("%-6s hours before: RMS %.2f %%, claimed %.2f, cover %.0f; after: RMS %.2f, claimed %.2f, cover %.0f; bend %.3f point", class, a.RMS, claimedBefore, a.Cover, b.RMS, claimedAfter, b.Cover, bend)
		if claimedAfter >= claimedBefore || b.RMS > a.RMS*1.1 {
			t.Errorf("%s: after a survey hours claim %.2f %% and are off by %.2f RMS, without one %.2f and %.2f", class, claimedAfter, b.RMS, claimedBefore, a.RMS)
		}
		if b.Cover < 93-coverSlack(n) {
			t.Errorf("%s: the interval after a survey holds the truth in %.0f %%", class, b.Cover)
		}
		// The simulated gauges' bend is known; a survey measures it.
		if truth := spread.BendSDPct[class]; bend < 0.8*truth || bend > 1.25*truth {
			t.Errorf("%s: bend measured as %.3f point, it is %.3f", class, bend, truth)
		}
	}
	for name, s := range map[string]Stat{"counter": counter.stat(), "current": current.stat()} {
		t.Logf("full charge by the %s: bias %+.2f %%, RMS %.2f, cover %.0f of %d", name, s.Bias, s.RMS, s.Cover, s.N)
		if s.Cover < 93-coverSlack(s.N) {
			t.Errorf("full charge by the %s: the interval holds the truth in %.0f %% of %d", name, s.Cover, s.N)
		}
	}
}

// Ordinary nights teach too: much where segments go on from each other, little where each night drains the same seven
// points, whose bend is in all of them. Neither may claim more than it knows.
func TestOrdinaryNightsTeach(t *testing.T) {
	n := *perClass / 4
	spread := fleet.Assumed()
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	for name, starts := range map[string][]float64{"the same points": {92, 92, 92, 92, 92, 92}, "one after the other": {92, 84, 76, 68, 60, 52}} {
		var full, before, after errors
		var claimedBefore, claimedAfter float64
		for _, class := range []physics.CounterClass{physics.MediumCounter, physics.NoCounter} {
			for i := range n {
				p := spread.NewPhone(class, seedOf(13, i))
				drain := func(start float64, run uint64) (endurance.Input, fleet.Drain) {
					d := p.Drain(fleet.Segment{StartPct: start + 0.3, Points: 7, WarmUpS: 180, EveryS: 10, Run: run})
					return Input(p, d, 7, 180), d
				}
				var seen []endurance.Observation
				for j, start := range starts {
					in, _ := drain(start, uint64(20+j))
					o, err := endurance.Observe(in, fmt.Sprint(j), at, false)
					if err != nil {
						t.Fatal(err)
					}
					seen = append(seen, o)
				}
				l := endurance.Learn(seen, at, "")
				if l == nil {
					t.Fatalf("%s phone %d: nothing learned", class, i)
				}
				if l.Counter != nil {
					full.addInterval(l.Counter.Interval(), counterTruth(p))
				} else {
					full.addInterval(l.Current.Interval(), currentTruth(p))
				}
				in, d := drain(92, 40)
				f, err := endurance.Estimate(in)
				if err != nil {
					t.Fatal(err)
				}
				in.Learned = l
				g, err := endurance.Estimate(in)
				if err != nil {
					t.Fatal(err)
				}
				rate, _ := d.Window(f.WindowStart, f.WindowStop)
				before.addInterval(f.RatePctH, rate)
				after.addInterval(g.RatePctH, rate)
				claimedBefore += 100 * f.RatePctH.HalfWidth() / float64(2*n)
				claimedAfter += 100 * g.RatePctH.HalfWidth() / float64(2*n)
			}
		}
		a, b, q := before.stat(), after.stat(), full.stat()
		t.Logf("%s: full charge RMS %.2f %%, cover %.0f; %%/h before: 95 %% %.2f, claimed %.2f; after: 95 %% %.2f, claimed %.2f, cover %.0f", name, q.RMS, q.Cover, a.P95, claimedBefore, b.P95, claimedAfter, b.Cover)
		if q.Cover < 93-coverSlack(q.N) || b.Cover < 92-coverSlack(b.N) {
			t.Errorf("%s: the intervals hold the truth in %.0f %% (full charge) and %.0f %% (%%/h)", name, q.Cover, b.Cover)
		}
		if apart := name == "one after the other"; apart != (claimedAfter < 0.75*claimedBefore) || b.RMS > a.RMS*1.05 {
			t.Errorf("%s: %%/h claims %.2f %% before and %.2f after, RMS %.2f and %.2f", name, claimedBefore, claimedAfter, a.RMS, b.RMS)
		}
	}
}
