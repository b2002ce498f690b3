package accuracy

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"rundown/devices/simulated/fleet"
	"rundown/devices/simulated/physics"
	"rundown/results/endurance"
	"rundown/results/samplesets"
)

// A gauge that corrects its level or its counter by a point for good, at a random instant of the
// window: in 95 of 100 drains the interval holds the truth, or it is noticed.
func TestCorrectionsAreNoticed(t *testing.T) {
	n := *perClass / 8
	for _, how := range []Conditions{{EveryS: 10}, {EveryS: 30}, {EveryS: 10, Points: 3}, {EveryS: 30, Points: 20, StartPct: -1}} {
		for _, class := range Classes {
			how.Seed, how.PerClass = 2024, n
			names, tallies := tryCorrections(how, class)
			for _, name := range names {
				x := tallies[name]
				t.Logf("%2.0f s, %2d points, %-6s %-40s %s", how.EveryS, how.filled().Points, class, name, *x)
				// Three standard deviations of a share of 95 in 100.
				if float64(x.either) < 0.95*float64(x.n)-3*math.Sqrt(0.95*0.05*float64(x.n)) {
					t.Errorf("%2.0f s, %d points, %s %s: held or noticed in %d of %d", how.EveryS, how.filled().Points, class, name, x.either, x.n)
				}
			}
		}
	}
}

// A few points drained fast, by a gauge that refreshes seldom, show little of a correction: the
// interval holds the truth of those that had one all the same, longer drains pay next to nothing
// for that, and sound ones are seldom carried out again.
func TestShortDrainsAllowForACorrection(t *testing.T) {
	n := *perClass
	fast := fleet.Assumed()
	fast.LeastPctH, fast.MostPctH = 15, 40
	var sound tally
	for _, class := range Classes {
		for _, x := range []struct {
			points int
			half   float64 // the most that a sound drain may claim by its level, half-width in per cent, as a mean
		}{{3, 22}, {5, 11}, {7, 8.5}} {
			var down, up tally
			half, figures := 0.0, 0
			Cases(Conditions{Seed: 4321, PerClass: n, Points: x.points, StartPct: -1, Spread: &fast}, class, func(i int, c Case) {
				for _, v := range views {
					f, err := endurance.Estimate(v.of(c.Input, class))
					if err != nil {
						return
					}
					sound.add(f, nil, c.Drain.Hours)
					if v != views[0] {
						continue
					}
					half, figures = half+100*f.Hours.HalfWidth(), figures+1
					r := rand.New(rand.NewPCG(uint64(i), 7))
					when := f.WindowStart + time.Duration((0.01+0.98*r.Float64())*float64(f.WindowStop-f.WindowStart))
					for k, into := range []*tally{&down, &up} {
						f, err := endurance.Estimate(correction{level: 2*k - 1}.at(v.of(c.Input, class), when))
						into.add(f, err, c.Drain.Hours)
						if err != nil {
							into.held++ // no figure is no wrong one
						}
					}
				}
			})
			t.Logf("%2d points, %-6s level only, down %s", x.points, class, down)
			t.Logf("%2d points, %-6s level only, up   %s; sound ones claim %.1f %%", x.points, class, up, half/float64(figures))
			for way, got := range map[string]tally{"down": down, "up": up} {
				// 90 in 100 by the worst gauge, less three standard deviations.
				if want := 0.90*float64(got.n) - 3*math.Sqrt(0.9*0.1*float64(got.n)); got.n == 0 || float64(got.held) < want {
					t.Errorf("%d points, %s, a point %s: the interval holds %d of %d", x.points, class, way, got.held, got.n)
				}
			}
			if got := half / float64(figures); got > x.half {
				t.Errorf("%d points, %s: sound drains claim %.1f %%, want %.1f at most", x.points, class, got, x.half)
			}
		}
	}
	t.Logf("sound: %s", sound)
	if float64(sound.certain) > 0.003*float64(sound.n)+3*math.Sqrt(0.003*float64(sound.n)) {
		t.Errorf("%d of %d sound drains would be carried out again, want 3 in 1000 at most", sound.certain, sound.n)
	}
}

// What is no correction is not taken for one: sound gauges, also unlike the assumed fleet.
func TestSoundGaugesAreNotCorrected(t *testing.T) {
	n := *perClass / 6
	assumed := fleet.Assumed()
	bend := fleet.Assumed()
	bend.BendSDPct = map[physics.CounterClass]float64{physics.FineCounter: 0.1, physics.MediumCounter: 0.15, physics.CoarseCounter: 0.4, physics.NoCounter: 0.3}
	restless := fleet.Assumed()
	restless.WanderSD, restless.DriftSD = 0.06, 0.06
	foreign := fleet.Assumed()
	foreign.Foreign = true
	all := map[string]*tally{}
	for _, x := range []struct {
		name string
		c    Conditions
	}{
		{"assumed", Conditions{Spread: &assumed}},
		{"any level", Conditions{Spread: &assumed, StartPct: -1}},
		{"a sample a minute", Conditions{Spread: &assumed, EveryS: 60}},
		{"gaps", Conditions{Spread: &assumed, GapShare: 0.1}},
		{"three points", Conditions{Spread: &assumed, Points: 3}},
		{"twenty points", Conditions{Spread: &assumed, Points: 20}},
		{"bend three times as large", Conditions{Spread: &bend}},
		{"restless power", Conditions{Spread: &restless}},
		{"other cells", Conditions{Spread: &foreign, StartPct: -1}},
	} {
		x.c.Seed, x.c.PerClass = 77, n
		for _, class := range Classes {
			Cases(x.c, class, func(_ int, k Case) {
				for _, v := range views {
					f, err := endurance.Estimate(v.of(k.Input, class))
					if err != nil {
						continue
					}
					for _, name := range []string{x.name, "all, " + v.name} {
						if all[name] == nil {
							all[name] = &tally{}
						}
						all[name].add(f, nil, k.Drain.Hours)
					}
				}
			})
		}
		t.Logf("%-28s %s", x.name, *all[x.name])
	}
	for name, x := range all {
		if limit := 0.01*float64(x.n) + 3*math.Sqrt(0.01*0.99*float64(x.n)); float64(x.noticed) > limit {
			t.Errorf("%s: %d of %d sound drains were taken for corrected, want 1 in 100 at most", name, x.noticed, x.n)
		}
		if x.certain > x.n/300 {
			t.Errorf("%s: %d of %d sound drains beyond doubt corrected", name, x.certain, x.n)
		}
	}
	for _, v := range views {
		t.Logf("%-28s %s", "all, "+v.name, *all["all, "+v.name])
	}
}

// A level that wavers by a point and comes back, and one that is held back until two points
// come at once, are no corrections: nothing is gained or lost by them.
func TestWaveringIsNoCorrection(t *testing.T) {
	for _, class := range Classes {
		wavered, held := &tally{}, &tally{}
		Cases(Conditions{Seed: 5, PerClass: 60}, class, func(i int, x Case) {
			sound, err := endurance.Estimate(x.Input)
			if err != nil {
				return
			}
			r := rand.New(rand.NewPCG(uint64(i), 3))
			when := sound.WindowStart + time.Duration(r.Float64()*float64(sound.WindowStop-sound.WindowStart))
			step := (sound.WindowStop - sound.WindowStart) / time.Duration(sound.Points)
			for _, v := range views {
				in := v.of(x.Input, class)
				back := correction{level: 1}.at(in, when)
				low := 100
				for k := range back.Samples {
					if s := in.Samples[k]; s.T > when+step/6 {
						back.Samples[k].LevelPct = s.LevelPct
					}
				}
				f, err := endurance.Estimate(back)
				wavered.add(f, err, x.Drain.Hours)
				late := v.of(x.Input, class)
				for k, s := range in.Samples {
					if s.T < when {
						low = min(low, s.LevelPct)
					} else if s.LevelPct > low-2 && s.LevelPct <= low {
						late.Samples[k].LevelPct = low // until two points come at once
					}
				}
				f, err = endurance.Estimate(late)
				held.add(f, err, x.Drain.Hours)
			}
		})
		t.Logf("%-6s wavering %s", class, *wavered)
		t.Logf("%-6s two at once %s", class, *held)
		for name, x := range map[string]*tally{"a point up and back": wavered, "two points at once": held} {
			if x.certain > x.n/50 {
				t.Errorf("%s, %s: %d of %d were taken for a correction beyond doubt", class, name, x.certain, x.n)
			}
		}
	}
}

// The independent samples have sound gauges.
func TestIndependentSamplesAreNotCorrected(t *testing.T) {
	n, noticed := 0, 0
	for _, truth := range samplesets.Rows(t, "drain/truth.csv") {
		in := endurance.Input{WarmUpS: 180, TargetPoints: 7, LoopS: truth.Number(t, "loop_s"), DesignMAh: truth.Number(t, "design_mah")}
		for _, r := range samplesets.Rows(t, "drain/"+truth["file"]) {
			s := endurance.Sample{T: time.Duration(r.Number(t, "t_ms")) * time.Millisecond, LevelPct: int(r.Number(t, "level"))}
			for key, p := range map[string]**float64{"charge_uah": &s.Counter, "voltage_mv": &s.VoltageMV, "current_raw": &s.Current} {
				if r[key] != "" {
					v := r.Number(t, key)
					*p = &v
				}
			}
			in.Samples = append(in.Samples, s)
		}
		for _, v := range views {
			f, err := endurance.Estimate(v.of(in, physics.FineCounter))
			if err != nil {
				continue
			}
			n++
			if f.Reanchoring != nil {
				noticed++
				t.Logf("%s, %s: %s", truth["file"], v.name, f.Reanchoring)
			}
			if f.Corrected != "" {
				t.Errorf("%s, %s: %s", truth["file"], v.name, f.Corrected)
			}
		}
	}
	if n < 200 || noticed > n/100 {
		t.Errorf("%d of %d drains were taken for corrected, want 1 in 100 of 200 or more at most", noticed, n)
	}
}
