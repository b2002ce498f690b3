package physics

import (
	"math"
	"math/rand/v2"
)

// Rounding is how a gauge turns charge into whole per cent.
type Rounding int

// The three roundings seen in gauges.
const (
	Floor Rounding = iota
	Nearest
	Ceil
)

// CounterClass is the quality of a gauge's charge counter.
type CounterClass int

// The classes. The sizes of step are common practice, no source.
const (
	NoCounter     CounterClass = iota
	FineCounter                // 1 µAh
	MediumCounter              // 0.025 % of full charge
	CoarseCounter              // 1 % of full charge: the level in other words
)

// String is the class's name as used in tables: none, fine, medium, coarse.
func (c CounterClass) String() string {
	return [...]string{"none", "fine", "medium", "coarse"}[c]
}

// CounterUnit is the unit in which the counter is shown.
type CounterUnit int

// MicroAmpHours is what Android documents. Some handsets show mAh, and some a value that never
// moves.
const (
	MicroAmpHours CounterUnit = iota
	MilliAmpHours
	DeadCounter
)

// GaugeOptions are the faults of a gauge. The zero value is a gauge without any, and
// without a counter: it refreshes at every step and shows current in µA, negative when discharging.
type GaugeOptions struct {
	Rounding      Rounding
	LevelRefreshS float64 // s between updates of the level
	LevelLagS     float64 // time constant with which the shown level follows charge, s
	BendSDPct     float64 // sd of the shown level's smooth bend away from true charge, points
	// BowPct is one bow of the shown level over the whole of the charge, points at its middle: more is
	// shown than is left where above 0.
	BowPct float64
	// HeldPct is the true charge, per cent, down to which the gauge shows 100 %; from there to empty it
	// counts evenly. 0 means that it does not hold.
	HeldPct float64

	Counter         CounterClass
	CounterRefreshS float64
	CounterUnit     CounterUnit
	CounterGain     float64 // shown over true; 0 means 1
	CounterOffsetMA float64 // current that the counter counts and does not flow

	CurrentRefreshS float64
	CurrentGain     float64 // shown over true; 0 means 1
	CurrentNoise    float64 // relative sd of one reading
	CurrentUnitUA   int     // 1 or 1000; 0 means 1
	// CurrentPositive is set where a discharge is shown as a positive number.
	CurrentPositive bool
	NoCurrent       bool // the handset lets nobody read it

	VoltageRefreshS float64
	VoltageNoiseMV  float64
	VoltageStepMV   int // 0 means 1

	// WholeDegrees is set where temperature moves in whole degrees, though shown in tenths.
	WholeDegrees bool
}

// Readings is what the gauge shows. A value that it does not have is nil.
type Readings struct {
	LevelPct   int
	CounterRaw *int64 // in the gauge's own unit
	CurrentRaw *int64 // in the gauge's own unit and sign
	VoltageMV  int
	TempDeciC  int
	Charging   bool // current flows into the cell
	Full       bool // the charger has ended its charge
}

// bendWaves is how many waves make up the bend.
const bendWaves = 4

// A gauge keeps what is shown between refreshes.
type gauge struct {
	o       GaugeOptions
	rng     *rand.Rand
	wave    [bendWaves]struct{ k, phase float64 }
	started bool

	lagged float64 // %, with the lag applied
	level  int
	count  float64 // mAh that the counter believes to be in the cell
	shown  struct {
		counter, current int64
		mv, deciC        int
	}
	nextLevel, nextCounter, nextCurrent, nextVoltage float64 // s of uptime
	frozen                                           bool
}

// newGauge makes a gauge whose bend is drawn from made, and all else from rng.
func newGauge(o GaugeOptions, made, rng *rand.Rand) *gauge {
	if o.CounterGain == 0 {
		o.CounterGain = 1
	}
	if o.CurrentGain == 0 {
		o.CurrentGain = 1
	}
	if o.CurrentUnitUA == 0 {
		o.CurrentUnitUA = 1
	}
	if o.VoltageStepMV == 0 {
		o.VoltageStepMV = 1
	}
	g := &gauge{o: o, rng: rng}
	for i := range g.wave {
		// Wavelengths of 12 to 60 points, uniform (invented).
		g.wave[i].k = 2 * math.Pi / (12 + 48*made.Float64())
		g.wave[i].phase = 2 * math.Pi * made.Float64()
	}
	g.nextLevel = o.LevelRefreshS * rng.Float64()
	g.nextCounter = o.CounterRefreshS * rng.Float64()
	g.nextCurrent = o.CurrentRefreshS * rng.Float64()
	g.nextVoltage = o.VoltageRefreshS * rng.Float64()
	return g
}

// bend is how far the shown level is from a true charge of s per cent. It fades out
// towards 0 and 100, where every gauge is corrected.
func (g *gauge) bend(s float64) float64 {
	if g.o.BendSDPct == 0 {
		return 0
	}
	b := 0.0
	for _, w := range g.wave {
		b += math.Sin(w.k*s + w.phase)
	}
	return g.o.BendSDPct * math.Sqrt(2.0/bendWaves) * b * max(0, min(1, s/2, (100-s)/2))
}

// believed is what the gauge takes for the level at a true charge of s per cent, before it rounds.
func (g *gauge) believed(s float64) float64 {
	if g.o.HeldPct > 0 {
		s = min(100, 100*s/g.o.HeldPct)
	}
	return s + g.bend(s) + 4*g.o.BowPct*s/100*(1-s/100)
}

// due says whether a value refreshed every period seconds is to be refreshed at up, and sets
// the next time. A period not above the step means at every step.
func due(up float64, next *float64, period float64) bool {
	if up < *next {
		return false
	}
	if period <= 0 {
		*next = up
		return true
	}
	*next += period
	if *next <= up { // a period shorter than the step, or a jump
		*next += period * (1 + math.Floor((up-*next)/period))
	}
	return true
}

// see shows the gauge the cell after a step of dt seconds that ended at the uptime up.
// amps is the mean discharge current of the step, from and to its ends.
func (g *gauge) see(up, dt, soc, amps, volts, tempC, capacityMAh float64) {
	if !g.started {
		g.lagged = 100 * soc
		g.count = capacityMAh * g.o.CounterGain * soc
	}
	g.count -= (amps*1000*g.o.CounterGain + g.o.CounterOffsetMA) * dt / 3600
	if g.o.LevelLagS > 0 {
		g.lagged += (100*soc - g.lagged) * (1 - math.Exp(-dt/g.o.LevelLagS))
	} else {
		g.lagged = 100 * soc
	}
	first := !g.started
	g.started = true
	if g.frozen && !first {
		return
	}
	if due(up, &g.nextLevel, g.o.LevelRefreshS) || first {
		l := g.round(g.believed(g.lagged))
		// Gauges do not show a level against the direction of the current.
		if first || amps > 0 && l < g.level || amps < 0 && l > g.level {
			g.level = l
		}
	}
	if g.o.Counter != NoCounter && (due(up, &g.nextCounter, g.o.CounterRefreshS) || first) {
		g.shown.counter = g.counter(capacityMAh, first)
	}
	if !g.o.NoCurrent && (due(up, &g.nextCurrent, g.o.CurrentRefreshS) || first) {
		ua := -amps * 1e6 * g.o.CurrentGain
		if g.o.CurrentNoise > 0 {
			ua *= 1 + g.o.CurrentNoise*g.rng.NormFloat64()
		}
		if g.o.CurrentPositive {
			ua = -ua
		}
		g.shown.current = int64(math.Round(ua / float64(g.o.CurrentUnitUA)))
	}
	if due(up, &g.nextVoltage, g.o.VoltageRefreshS) || first {
		mv := 1000 * volts
		if g.o.VoltageNoiseMV > 0 {
			mv += g.o.VoltageNoiseMV * g.rng.NormFloat64()
		}
		step := float64(g.o.VoltageStepMV)
		g.shown.mv = int(step * math.Round(mv/step))
		g.shown.deciC = int(math.Round(10 * tempC))
		if g.o.WholeDegrees {
			g.shown.deciC = 10 * int(math.Round(tempC))
		}
	}
}

func (g *gauge) round(pct float64) int {
	switch g.o.Rounding {
	case Nearest:
		pct = math.Round(pct)
	case Ceil:
		pct = math.Ceil(pct)
	default:
		pct = math.Floor(pct)
	}
	return int(max(0, min(100, pct)))
}

func (g *gauge) counter(capacityMAh float64, first bool) int64 {
	uah := 1000 * g.count
	full := 1000 * capacityMAh * g.o.CounterGain
	switch g.o.Counter {
	case MediumCounter:
		uah = 0.00025 * full * math.Floor(uah/(0.00025*full))
	case CoarseCounter:
		uah = 0.01 * full * math.Floor(uah/(0.01*full))
	}
	switch g.o.CounterUnit {
	case MilliAmpHours:
		return int64(math.Floor(uah / 1000))
	case DeadCounter:
		if !first {
			return g.shown.counter
		}
	}
	return int64(math.Floor(uah))
}
