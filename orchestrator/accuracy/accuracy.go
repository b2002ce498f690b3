// Package accuracy measures how far the endurance calculator is from the truth on a fleet of
// simulated phones, and prints it as a table.
//
// The fleet and its physics share no code with the calculator. Both rest on the same
// guesses about real gauges, which the table's head says: it shows that the calculator does what it
// claims under these guesses, not that they hold on a bench.
package accuracy

import (
	"math"
	"runtime"
	"sort"
	"sync"
	"time"

	"rundown/devices/simulated/fleet"
	"rundown/devices/simulated/physics"
	"rundown/results/endurance"
)

// The estimators that are compared.
const (
	Plain     = "time x 100 / points"
	LevelOnly = "level edges x voltage"
	Fused     = "with learned charge"
	Surveyed  = "after a survey" // what Learn makes of a survey: charge, voltage curve, bend
)

// Conditions say what is measured. Zero means the default named beside it.
type Conditions struct {
	Seed     uint64
	PerClass int // phones a class; 0 means 1000
	// StartPct is the true charge at the start; 0 means 92, and below 0 any from 30 to 98.
	StartPct float64
	Points   int     // 0 means 7
	WarmUpS  float64 // 0 means 180
	EveryS   float64 // 0 means 10
	GapShare float64 // share of samples lost
	Spread   *fleet.Spread
	// WithSurvey adds the row of what the calculator's own survey teaches; it takes as long as all the rest.
	WithSurvey bool
	// SurveyFromPct is the true charge at which that begins; 0 means 97.
	SurveyFromPct float64
}

// A Stat is the error of one quantity over a fleet, in per cent of the truth.
type Stat struct {
	Bias, RMS float64
	P95       float64 // 95th percentile of the absolute error
	Worst     float64
	Cover     float64 // how often the 95 % interval held the truth; NaN where there is no interval
	N         int
}

// A Row is one estimator on one class of gauge.
type Row struct {
	Class       string // fine, medium, coarse, none
	Estimator   string
	Hours, Rate Stat
	Watts       Stat    // N is 0 where the estimator gives none
	Refused     int     // segments for which there was no figure
	ClaimedPct  float64 // mean half-width of the interval of hours; 0 where there is none
}

// errors gathers what a Stat is made of.
type errors struct {
	e        []float64
	held, iv int
}

func (x *errors) add(v, truth float64) { x.e = append(x.e, 100*(v/truth-1)) }

func (x *errors) addInterval(i endurance.Interval, truth float64) {
	x.add(i.Value, truth)
	x.iv++
	if i.Holds(truth) {
		x.held++
	}
}

func (x *errors) stat() Stat {
	s := Stat{N: len(x.e), Cover: math.NaN()}
	if s.N == 0 {
		return s
	}
	abs := make([]float64, s.N)
	for i, e := range x.e {
		s.Bias += e / float64(s.N)
		s.RMS += e * e / float64(s.N)
		abs[i] = math.Abs(e)
	}
	s.RMS = math.Sqrt(s.RMS)
	sort.Float64s(abs)
	s.P95, s.Worst = abs[min(s.N-1, int(0.95*float64(s.N)))], abs[s.N-1]
	if x.iv > 0 {
		s.Cover = 100 * float64(x.held) / float64(x.iv)
	}
	return s
}

// Classes are the classes of gauge in the order of the table.
var Classes = []physics.CounterClass{physics.FineCounter, physics.MediumCounter, physics.CoarseCounter, physics.NoCounter}

// A Case is one phone's drain as a lab has it, and its truth.
type Case struct {
	Input   endurance.Input    // with a full charge that is given
	Learned *endurance.Learned // by the calculator's own survey; nil without Conditions.WithSurvey
	Drain   fleet.Drain
}

// Input is a drain of a fleet's phone as the calculator takes it.
func Input(p fleet.Phone, d fleet.Drain, points int, warmUpS float64) endurance.Input {
	in := endurance.Input{WarmUpS: warmUpS, LoopS: p.LoopS, TargetPoints: points, DesignMAh: p.DesignMAh}
	in.Samples = samplesOf(d.Samples)
	return in
}

// samplesOf are a fleet's samples as the calculator takes them.
func samplesOf(list []fleet.Sample) []endurance.Sample {
	value := func(v *int64) *float64 {
		if v == nil {
			return nil
		}
		f := float64(*v)
		return &f
	}
	var out []endurance.Sample
	for _, s := range list {
		mv := float64(s.VoltageMV)
		out = append(out, endurance.Sample{
			T: s.T, LevelPct: s.LevelPct, VoltageMV: &mv, Counter: value(s.CounterRaw), Current: value(s.CurrentRaw),
			Plugged: s.Charging,
		})
	}
	return out
}

// Survey is what the calculator learns of a phone from a survey of it, begun at a true charge of from per cent. The error
// says why nothing.
func Survey(p fleet.Phone, from float64) (*endurance.Learned, error) {
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	o, err := endurance.Observe(endurance.Input{Samples: samplesOf(p.LongDrain(2, from, 5)), LoopS: p.LoopS * 0.73, DesignMAh: p.DesignMAh}, "survey", at, false)
	if err != nil {
		return nil, err
	}
	return endurance.Learn([]endurance.Observation{o}, at, ""), nil
}

func (c Conditions) filled() Conditions {
	if c.PerClass == 0 {
		c.PerClass = 1000
	}
	if c.StartPct == 0 {
		c.StartPct = 92
	}
	if c.Points == 0 {
		c.Points = 7
	}
	if c.WarmUpS == 0 {
		c.WarmUpS = 180
	}
	if c.EveryS == 0 {
		c.EveryS = 10
	}
	if c.SurveyFromPct == 0 {
		c.SurveyFromPct = 97
	}
	if c.Spread == nil {
		s := fleet.Assumed()
		c.Spread = &s
	}
	return c
}

// seedOf is the seed of phone i, so that a fleet is the same however its work is shared out.
func seedOf(seed uint64, i int) uint64 { return seed*1_000_003 + uint64(i) + 1 }

// start is the true charge at which phone i begins: a fraction of a point is random, as
// nobody starts on an edge.
func (c Conditions) start(i int) float64 {
	u := math.Mod(float64(i+1)*0.6180339887498949, 1) // low-discrepancy, so even over the range
	if c.StartPct < 0 {
		return 30 + 68*u
	}
	return c.StartPct + u - 0.5
}

// atOnce does n things, as many at once as there are processors, and returns when all are done.
func atOnce(n int, do func(i int)) {
	var wg sync.WaitGroup
	workers := max(1, min(runtime.GOMAXPROCS(0), n))
	for k := range workers {
		wg.Go(func() {
			for i := k; i < n; i += workers {
				do(i)
			}
		})
	}
	wg.Wait()
}

// Cases drains the phones of one class and gives each to do, in order of their number.
func Cases(c Conditions, class physics.CounterClass, do func(i int, x Case)) {
	c = c.filled()
	out := make([]Case, c.PerClass)
	atOnce(c.PerClass, func(i int) {
		p := c.Spread.NewPhone(class, seedOf(c.Seed, i))
		d := p.Drain(fleet.Segment{StartPct: c.start(i), Points: c.Points, WarmUpS: c.WarmUpS, EveryS: c.EveryS, Run: 1, GapShare: c.GapShare})
		x := Case{Input: Input(p, d, c.Points, c.WarmUpS), Drain: d}
		x.Input.LearnedCounter, x.Input.LearnedCurrent = p.Survey(2)
		if c.WithSurvey {
			x.Learned, _ = Survey(p, c.SurveyFromPct) // nil counts as nothing learned
		}
		out[i] = x
	})
	for i, x := range out {
		do(i, x)
	}
}

// Table measures every estimator on every class.
func Table(c Conditions) []Row { return tableOf(c, Classes) }

func tableOf(c Conditions, classes []physics.CounterClass) []Row {
	var rows []Row
	for _, class := range classes {
		names := []string{Plain, LevelOnly, Fused}
		if c.WithSurvey {
			names = append(names, Surveyed)
		}
		type sums struct {
			hours, rate, watts errors
			refused            int
			half               float64
		}
		sum := map[string]*sums{Plain: {}, LevelOnly: {}, Fused: {}, Surveyed: {}}
		Cases(c, class, func(_ int, x Case) {
			for _, name := range names {
				s := sum[name]
				in := x.Input
				if name == Plain {
					h, _, err := endurance.Plain(in)
					if err != nil {
						s.refused++
						continue
					}
					s.hours.add(h, x.Drain.Hours)
					continue
				}
				if name == LevelOnly {
					in.LearnedCounter, in.LearnedCurrent = nil, nil
				}
				if name == Surveyed {
					in.Learned = x.Learned
				}
				f, err := endurance.Estimate(in)
				if err != nil {
					s.refused++
					continue
				}
				pctH, watts := x.Drain.Window(f.WindowStart, f.WindowStop)
				s.hours.addInterval(f.Hours, x.Drain.Hours)
				s.rate.addInterval(f.RatePctH, pctH)
				s.half += 100 * f.Hours.HalfWidth()
				if f.PowerW != nil {
					s.watts.addInterval(*f.PowerW, watts)
				}
			}
		})
		for _, name := range names {
			s := sum[name]
			r := Row{Class: class.String(), Estimator: name, Hours: s.hours.stat(), Rate: s.rate.stat(), Watts: s.watts.stat(), Refused: s.refused}
			if n := r.Hours.N; n > 0 {
				r.ClaimedPct = s.half / float64(n)
			}
			rows = append(rows, r)
		}
	}
	return rows
}
