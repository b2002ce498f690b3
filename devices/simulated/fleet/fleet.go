// Package fleet makes many simulated phones that differ as handsets on a bench do, drains
// them, and tells the truth about each drain. It exists to measure how wrong a
// calculator is.
//
// All spreads are invented: no public record of a real fleet was found. They are stated in
// one place, [Spread], so that a fleet unlike the assumed one can be made as well.
package fleet

import (
	"math"
	"math/rand/v2"
	"sort"
	"time"

	"rundown/devices/simulated/physics"
)

// A Spread says how phones of a fleet differ. The zero value is not usable; start
// from [Assumed].
type Spread struct {
	// BendSDPct is the sd of the shown level's bend by counter class, points.
	BendSDPct map[physics.CounterClass]float64
	DriftSD   float64 // of the thermal drift of power, relative
	// DriftByLoadSD is how far the drift at one load of a phone is from that at another.
	DriftByLoadSD float64
	WanderSD      float64 // of background power, relative, with a correlation time of 60 s
	// CounterGainSD and CurrentGainSD are of the sensors' gains, OffsetSDMA of the current that a
	// counter counts and does not flow.
	CounterGainSD, CurrentGainSD, OffsetSDMA float64
	// What no assumed phone does. BowPct is a bow of the shown level over the whole of the charge, points, up on
	// half of the phones and down on the others; HeldPct the true charge down to which 100 % is shown; DriftSlower
	// by what the drift's time constant is longer; SensorGain by what all sensors show too much. 0 means none.
	BowPct, HeldPct, DriftSlower, SensorGain float64
	// Foreign makes all cells ones that are no phone's: 4.1 and 4.2 V LiCoO2, and NMC811, in a
	// handset that is empty at 3.4 V.
	Foreign bool
	// LeastPctH and MostPctH bound the loads, log-uniform, in %/h.
	LeastPctH, MostPctH float64
}

// Assumed is the fleet that intervals are made for.
func Assumed() Spread {
	return Spread{
		BendSDPct: map[physics.CounterClass]float64{
			physics.FineCounter: 0.03, physics.MediumCounter: 0.06, physics.CoarseCounter: 0.15, physics.NoCounter: 0.10,
		},
		DriftSD: 0.03, DriftByLoadSD: 0.015, WanderSD: 0.02, CounterGainSD: 0.01, CurrentGainSD: 0.02, OffsetSDMA: 1,
		LeastPctH: 3, MostPctH: 25,
	}
}

// A Phone is one phone of a fleet with the scenario it runs.
type Phone struct {
	Options   physics.Options
	Load      physics.Load // the scenario: steady but for its loop
	DesignMAh float64      // what its maker says
	LoopS     float64

	seed      uint64
	otherwise float64 // how its drift differs at the survey's load
}

// NewPhone makes the phone of that seed.
func (s Spread) NewPhone(class physics.CounterClass, seed uint64) Phone {
	r := rand.New(rand.NewPCG(seed, uint64(class)+0x5851f42d4c957f2d))
	between := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	design := math.Round(between(3500, 5500)/50) * 50
	full := design * between(0.86, 1.0)
	curve := physics.Phone435.Blend(physics.Phone445, between(-0.4, 0.8))
	if s.Foreign {
		curve = []*physics.Curve{physics.MeasuredLCO42, physics.FormulaNMC811, physics.FormulaLCO41}[r.IntN(3)].EmptyAt(3.4)
	}
	loop := between(20, 120)
	rate := s.LeastPctH * math.Pow(s.MostPctH/s.LeastPctH, r.Float64())
	p := Phone{
		seed: seed, DesignMAh: design, LoopS: loop,
		Load: physics.Load{
			BaseW:    rate / 100 * full / 1000 * curve.Mean(0, 1),
			Activity: 1, SwingS: loop, Swing: between(0.1, 0.5), Duty: between(0.3, 0.6),
		},
		Options: physics.Options{
			Seed:     seed,
			Cell:     physics.Cell{OCV: curve, CapacityMAh: full, ROhm: 0.145 * math.Exp(0.2*r.NormFloat64()), CutoffV: 3.0},
			AmbientC: between(21, 25),
			Power: physics.PowerOptions{
				Drift: max(-2*s.DriftSD, min(2*s.DriftSD, s.DriftSD*r.NormFloat64())), DriftTauS: between(900, 2700),
				WanderSD: s.WanderSD, WanderTauS: 60,
				StartExtra: between(0.3, 0.9), StartTauS: between(25, 70),
			},
		},
	}
	g := &p.Options.Gauge
	g.Rounding = physics.Rounding(r.IntN(3))
	g.Counter = class
	g.BendSDPct = s.BendSDPct[class]
	g.CounterGain = 1 + s.CounterGainSD*r.NormFloat64()
	g.CurrentGain = 1 + s.CurrentGainSD*r.NormFloat64()
	g.CounterOffsetMA = s.OffsetSDMA * r.NormFloat64()
	g.CurrentNoise = between(0.005, 0.02)
	g.CurrentUnitUA = []int{1, 1000}[r.IntN(2)]
	g.CurrentPositive = r.IntN(2) == 0
	g.VoltageNoiseMV = between(1, 5)
	g.VoltageStepMV = []int{1, 1, 5}[r.IntN(3)]
	g.WholeDegrees = r.IntN(3) == 0
	switch class {
	case physics.FineCounter:
		g.LevelRefreshS, g.CounterRefreshS = between(10, 20), between(1, 2)
	case physics.MediumCounter:
		g.LevelRefreshS, g.CounterRefreshS = between(20, 35), between(5, 10)
		if r.IntN(5) == 0 {
			g.CounterUnit = physics.MilliAmpHours
		}
	case physics.CoarseCounter:
		g.LevelRefreshS, g.CounterRefreshS = between(40, 60), between(15, 30)
	default:
		g.LevelRefreshS, g.CounterRefreshS = between(25, 40), between(5, 10)
	}
	if g.BowPct = s.BowPct; seed%2 == 1 {
		g.BowPct = -s.BowPct
	}
	g.HeldPct = s.HeldPct
	if s.SensorGain > 0 {
		g.CounterGain *= s.SensorGain
		g.CurrentGain *= s.SensorGain
	}
	if s.DriftSlower > 0 {
		p.Options.Power.DriftTauS *= s.DriftSlower
	}
	g.CurrentRefreshS = g.CounterRefreshS
	g.VoltageRefreshS = g.CounterRefreshS
	p.otherwise = s.DriftByLoadSD * rand.New(rand.NewPCG(seed, 0x3c6ef372fe94f82b)).NormFloat64()
	return p
}

// A Sample is one reading at an uptime.
type Sample struct {
	T time.Duration
	physics.Readings
}

// A Drain is one segment with its truth.
type Drain struct {
	Samples []Sample
	// Hours is the truth: from 100 % to empty at this scenario.
	Hours float64

	up     []float64        // s
	totals []physics.Totals // at these uptimes
	full   float64          // Ah
}

// Window is what the script drew between two uptimes, start-up and background aside:
// its rate in per cent of full charge an hour, and its power in W.
func (d Drain) Window(from, to time.Duration) (pctH, watts float64) {
	at := func(t float64) (j, ah float64) {
		i := sort.SearchFloat64s(d.up, t)
		i = max(1, min(i, len(d.up)-1))
		f := (t - d.up[i-1]) / (d.up[i] - d.up[i-1])
		a, b := d.totals[i-1], d.totals[i]
		return a.DriftJ + f*(b.DriftJ-a.DriftJ), a.DriftAh + f*(b.DriftAh-a.DriftAh)
	}
	j0, q0 := at(from.Seconds())
	j1, q1 := at(to.Seconds())
	dt := (to - from).Seconds()
	return 100 * (q1 - q0) / d.full * 3600 / dt, (j1 - j0) / dt
}

// A Segment says how a drain is run.
type Segment struct {
	StartPct float64 // true charge at the start
	Points   int     // how many points to drain at least
	WarmUpS  float64
	EveryS   float64 // between samples, nominally
	// Run tells runs of one phone apart: the same gauge and cell, other background, other
	// moments of sampling.
	Run uint64
	// GapShare is the share of samples that are lost.
	GapShare float64
}

// Drain runs the segment and ends it as an onboard recorder would, a little after the last
// edge it could need. The activity begins at an uptime of 0.
func (p Phone) Drain(s Segment) Drain {
	o := p.Options
	o.SoC = s.StartPct / 100
	o.RunSeed = s.Run
	ph := physics.NewPhone(o)
	d := Drain{Hours: ph.TruthHoursOf(p.Load), full: o.Cell.CapacityMAh / 1000}
	r := rand.New(rand.NewPCG(p.seed, s.Run+0x2545f4914f6cdd1d))
	t, start := s.EveryS*r.Float64(), 0
	armed := false
	for !ph.Dead() {
		ph.Advance(time.Duration(t*float64(time.Second)), p.Load)
		x := Sample{T: ph.Up(), Readings: ph.Readings()}
		if len(d.Samples) == 0 || r.Float64() >= s.GapShare {
			d.Samples = append(d.Samples, x)
		}
		d.up = append(d.up, ph.Up().Seconds())
		d.totals = append(d.totals, ph.Totals())
		if !armed && t >= s.WarmUpS {
			armed, start = true, x.LevelPct
		}
		// One point until the first edge, the target, and a sample more.
		if armed && x.LevelPct <= start-s.Points-2 || x.LevelPct <= 0 {
			break
		}
		t += s.EveryS * (0.9 + 0.2*r.Float64())
	}
	return d
}

// SurveySamples are the samples of one long steady drain from 97 % on, until the level shown is to, half a minute apart.
func (p Phone) SurveySamples(run uint64, to int) []Sample { return p.LongDrain(run, 97, to) }

// LongDrain is that from a true charge of from per cent on.
func (p Phone) LongDrain(run uint64, from float64, to int) []Sample {
	o := p.Options
	o.SoC, o.RunSeed, o.StepS = from/100, run, 4
	o.Power.Drift += p.otherwise
	ph := physics.NewPhone(o)
	l := p.Load
	// Moderate and steady: 12 %/h with a loop of its own.
	l.BaseW = 0.12 * o.Cell.CapacityMAh / 1000 * o.Cell.OCV.Mean(0, 1)
	l.SwingS *= 0.73
	r := rand.New(rand.NewPCG(p.seed, run+0x9e3779b97f4a7c15))
	var list []Sample
	for t := 15.0; !ph.Dead(); t += 30 * (0.9 + 0.2*r.Float64()) {
		ph.Advance(time.Duration(t*float64(time.Second)), l)
		x := ph.Readings()
		list = append(list, Sample{T: ph.Up(), Readings: x})
		if x.LevelPct <= to {
			break
		}
	}
	return list
}

// Survey is what a survey's plain sums say: how much the phone's own counter and the integral of its current readings
// say that it holds, both in mAh by the phone's own units. nil is what it cannot say.
func (p Phone) Survey(run uint64) (counterMAh, currentMAh *float64) {
	g := p.Options.Gauge
	const from, to = 95, 20
	var q0, q1, i0, i1 float64
	integral, last, lastT, lastA := 0.0, 101, 0.0, 0.0
	var lastQ float64
	for _, x := range p.SurveySamples(run, to) {
		t := x.T.Seconds()
		a := 0.0
		if x.CurrentRaw != nil {
			a = math.Abs(float64(*x.CurrentRaw)) * float64(max(1, g.CurrentUnitUA)) / 1000
		}
		before := integral
		integral += (a + lastA) / 2 * (t - lastT) / 3600
		q := 0.0
		if x.CounterRaw != nil {
			q = float64(*x.CounterRaw)
			if g.CounterUnit == physics.MicroAmpHours {
				q /= 1000
			}
		}
		// An edge lies half-way between two samples.
		if x.LevelPct <= from && last > from {
			q0, i0 = (q+lastQ)/2, (integral+before)/2
		}
		if x.LevelPct <= to && last > to {
			q1, i1 = (q+lastQ)/2, (integral+before)/2
		}
		last, lastT, lastA, lastQ = x.LevelPct, t, a, q
	}
	share := float64(from-to) / 100
	if g.Counter != physics.NoCounter && q0 > q1 {
		v := (q0 - q1) / share
		counterMAh = &v
	}
	if !g.NoCurrent && i1 > i0 {
		v := (i1 - i0) / share
		currentMAh = &v
	}
	return counterMAh, currentMAh
}
