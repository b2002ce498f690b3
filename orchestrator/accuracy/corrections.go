package accuracy

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"

	"rundown/devices/simulated/physics"
	"rundown/results/endurance"
)

// A correction is what a gauge does to itself at a random instant of a window.
type correction struct {
	name    string
	level   int // points by which the level is raised from then on
	counter int // points' worth by which the counter is
}

var correctionKinds = []correction{
	{"level up", 1, 0}, {"level down", -1, 0},
	{"both up", 1, 1}, {"both down", -1, -1},
	{"counter up", 0, 1}, {"counter down", 0, -1},
}

// at gives a drain the correction from an instant on.
func (c correction) at(in endurance.Input, when time.Duration) endurance.Input {
	point := 0.0
	if a, b := in.Samples[0], in.Samples[len(in.Samples)-1]; a.Counter != nil && b.Counter != nil {
		point = math.Abs(*a.Counter-*b.Counter) / float64(max(1, a.LevelPct-b.LevelPct))
	}
	out := make([]endurance.Sample, len(in.Samples))
	for i, s := range in.Samples {
		if s.T >= when {
			s.LevelPct = max(0, min(100, s.LevelPct+c.level))
			if s.Counter != nil {
				v := *s.Counter + float64(c.counter)*point
				s.Counter = &v
			}
		}
		out[i] = s
	}
	in.Samples = out
	return in
}

// A view is what a lab has of a drain.
type view struct {
	name             string
	current, counter bool
}

var views = []view{{"level only", false, false}, {"with current", true, false}, {"with counter and current", true, true}}

func (v view) of(in endurance.Input, class physics.CounterClass) endurance.Input {
	if v.name != "with counter and current" {
		in.LearnedCounter, in.LearnedCurrent = nil, nil
	}
	out := make([]endurance.Sample, len(in.Samples))
	for i, s := range in.Samples {
		if !v.current {
			s.Current = nil
		}
		if !v.counter && class != physics.CoarseCounter { // a coarse counter is the level in other words
			s.Counter = nil
		}
		out[i] = s
	}
	in.Samples = out
	return in
}

type tally struct{ n, held, noticed, certain, either int }

func (x *tally) add(f endurance.Figure, err error, truth float64) {
	x.n++
	if err != nil { // no figure is no wrong one
		x.either++
		return
	}
	held := f.Hours.Holds(truth)
	noticed := f.Reanchoring != nil || f.Corrected != ""
	if held {
		x.held++
	}
	if noticed {
		x.noticed++
	}
	if f.Corrected != "" {
		x.certain++
	}
	if held || noticed {
		x.either++
	}
}

func (x tally) String() string {
	pct := func(a int) float64 { return 100 * float64(a) / float64(max(1, x.n)) }
	return fmt.Sprintf("%4d: interval holds %5.1f %%, noticed %5.1f, beyond doubt %5.1f, holds or noticed %5.1f", x.n, pct(x.held), pct(x.noticed), pct(x.certain), pct(x.either))
}

// tryCorrections lets the gauge of each drain correct itself in each way, at a random instant of
// its window, and looks at it as each lab would. names are those of the tallies, in their order.
func tryCorrections(how Conditions, class physics.CounterClass) (names []string, tallies map[string]*tally) {
	tallies = map[string]*tally{}
	Cases(how, class, func(i int, x Case) {
		sound, err := endurance.Estimate(x.Input)
		if err != nil {
			return
		}
		for _, v := range views {
			for _, c := range correctionKinds {
				if c.counter != 0 && (!v.counter || class == physics.NoCounter || class == physics.CoarseCounter) {
					continue
				}
				if v.counter && class == physics.NoCounter {
					continue
				}
				r := rand.New(rand.NewPCG(uint64(i), uint64(len(c.name))))
				when := sound.WindowStart + time.Duration((0.01+0.98*r.Float64())*float64(sound.WindowStop-sound.WindowStart))
				f, err := endurance.Estimate(c.at(v.of(x.Input, class), when))
				name := v.name + ", " + c.name
				if tallies[name] == nil {
					tallies[name] = &tally{}
					names = append(names, name)
				}
				tallies[name].add(f, err, x.Drain.Hours)
			}
		}
	})
	return names, tallies
}

// corrections are the goals of gauges that correct themselves by a point: that the interval holds
// the truth or it is noticed, and that sound ones are not taken for such.
func corrections(seed uint64, n int) (list []Check) {
	corrected, held, sound := map[string]*tally{}, &tally{}, &tally{}
	for _, class := range Classes {
		names, tallies := tryCorrections(Conditions{Seed: seed, PerClass: n}, class)
		for _, name := range names {
			held.join(*tallies[name])
			for _, c := range correctionKinds {
				if kind, ok := strings.CutSuffix(name, ", "+c.name); ok {
					if corrected[kind] == nil {
						corrected[kind] = &tally{}
					}
					corrected[kind].join(*tallies[name])
				}
			}
		}
		Cases(Conditions{Seed: seed + 1, PerClass: 2 * n}, class, func(_ int, x Case) {
			for _, v := range views {
				if f, err := endurance.Estimate(v.of(x.Input, class)); err == nil {
					sound.add(f, nil, x.Drain.Hours)
				}
			}
		})
	}
	for _, v := range views {
		list = append(list, check("gauges that correct themselves by a point: interval holds the truth, or it is noticed, "+v.name, "%", share(corrected[v.name].either, corrected[v.name].n), 95, unbounded))
	}
	return append(list,
		check("gauges that correct themselves by a point: interval of hours holds the truth", "%", share(held.held, held.n), 93, unbounded),
		check("sound gauges that are said to have corrected themselves", "%", share(sound.noticed, sound.n), 0, 1),
		check("sound drains that are carried out again for it", "%", share(sound.certain, sound.n), 0, 0.3))
}

func share(a, n int) float64 { return 100 * float64(a) / float64(max(1, n)) }

// join adds another tally.
func (x *tally) join(y tally) {
	x.n, x.held, x.noticed, x.certain, x.either = x.n+y.n, x.held+y.held, x.noticed+y.noticed, x.certain+y.certain, x.either+y.either
}
