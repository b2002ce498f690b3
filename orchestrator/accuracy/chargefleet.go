package accuracy

import (
	"math"
	"math/rand/v2"
	"time"

	"rundown/results/charging"
)

// A ChargeKind is what a simulated charge's power does besides a ramp, steps and a taper.
type ChargeKind string

// The kinds of charge. The first is the fleet that the goals are held on; the others are what real handsets do as well, or might.
const (
	UsualCharge   ChargeKind = "usual"                 // up to three steps, power that waves, an exponential taper
	CurvedTaper   ChargeKind = "curved taper"          // the taper is no exponential
	RisingPower   ChargeKind = "constant current"      // power rises with the cell's voltage until the taper
	Staircase     ChargeKind = "staircase"             // small steps one after the other before the taper
	HotCharge     ChargeKind = "throttled when warm"   // power sinks smoothly by a third in mid-charge and comes back in part
	PausedCharge  ChargeKind = "paused"                // no power for some minutes
	CutShort      ChargeKind = "recorded in part"      // the record ends before the taper
	SlowGauge     ChargeKind = "gauge refreshed 1 min" // level and current are a minute old at times
	StickyHundred ChargeKind = "100 % shown early"     // the level is stretched: 100 % is shown at 97 %
)

// ChargeKinds are all of them.
var ChargeKinds = []ChargeKind{UsualCharge, CurvedTaper, RisingPower, Staircase, HotCharge, PausedCharge, CutShort, SlowGauge, StickyHundred}

// A SimulatedCharge is one charge and what is true of it. It shares no code with the simulated handsets' physics: power is drawn
// as a profile over charge, not made by a charger and a cell.
type SimulatedCharge struct {
	kind ChargeKind
	r    *rand.Rand

	fullMAh, fromSoC float64
	peakW            float64
	steps            []struct{ from, share float64 }
	taperFrom        float64 // charge at which the taper begins, 0 to 1
	endShare         float64 // of the last step's power, at which the charge ends
	curve            float64 // exponent of the taper over the charge that is left; 1 is an exponential in time
	rampS            float64
	waveShare        float64 // amplitude of slow waves of power
	wavePeriodS      [2]float64
	rippleSD         float64 // relative, of power within seconds
	noiseSD          float64 // relative, of one reading of the gauge
	spikeEveryS      float64
	hotFrom, hotTo   float64 // charge between which power sinks
	pauseAt, pauseS  float64
	standbyW         float64
	efficiency       float64

	gaugeRefreshS, levelRefreshS, levelLagS float64
	rounding                                float64 // the level shown is floor(charge + rounding): 0, 0.5, 1
	bend                                    [3]struct{ sd, k, phase float64 }
	cellGain, plugGain                      float64
	saysFull                                bool
	volts                                   [len(chargeSoC)]float64

	// Truth, all of s from plug-in and by true charge.
	OnsetS   float64         // NaN: there is none in the record
	ShownS   map[int]float64 // when a level was first shown
	ByS      map[int]float64 // when charge reached it
	FullS    float64         // when power ended; NaN where the record ends before
	PeakW    float64         // highest mean over a minute, of all that flowed
	HoldS    float64         // within 90 % of it, of the power without ripple and spikes
	BattWh   float64         // until power ended, or the record did
	PlugWh   float64
	LastStep float64 // s that the last plateau lasts before the taper

	trace []chargeInstant
}

type chargeInstant struct {
	battW, plugW float32 // as the gauge and the meter show them
	level        int8
	full         bool
}

// chargeStep is the step of the simulation, s.
const chargeStep = 0.5

// rippleTauS is over how long power's ripple hangs together, s, and rippleS what makes a first-order lag of white noise have the
// standard deviation that is asked for.
const rippleTauS = 3.0

var rippleS = math.Sqrt(2*rippleTauS/chargeStep - 1)

// Charge and voltage of a cell while it is charged, per cent and V: invented after phone cells' published curves, with what the
// charging current adds.
var (
	chargeSoC   = [...]float64{0, 5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 100}
	chargeVolts = [...]float64{3.35, 3.62, 3.71, 3.77, 3.81, 3.85, 3.90, 3.98, 4.09, 4.20, 4.32, 4.43}
)

// NewSimulatedCharge draws a charge and carries it out. The same seed gives the same.
func NewSimulatedCharge(seed uint64, kind ChargeKind) *SimulatedCharge {
	c := &SimulatedCharge{kind: kind, r: rand.New(rand.NewPCG(seed, 0xa0761d6478bd642f))}
	r := c.r
	u := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	c.fullMAh = u(3000, 5600)
	c.fromSoC = 0.01 * u(0.5, 2.4)
	if r.IntN(6) == 0 {
		c.fromSoC = 0.01 * u(3, 14)
	}
	c.peakW = 12 * math.Exp(u(0, math.Log(80.0/12)))
	c.steps = []struct{ from, share float64 }{{0, 1}}
	n := r.IntN(4)
	if c.kind == Staircase {
		n = 1
	}
	share := 1.0
	for i := range n {
		share *= u(0.6, 0.85)
		c.steps = append(c.steps, struct{ from, share float64 }{0.62 * float64(i+1) / (float64(n) + 0.5) * u(0.8, 1.1), share})
	}
	c.taperFrom = u(0.72, 0.88)
	if share*c.peakW < 9 { // a weak charger reaches the cell's last voltage late
		c.taperFrom = u(0.85, 0.94)
	}
	if c.kind == Staircase {
		for s := u(0.5, 0.6); s < c.taperFrom-0.03; s += u(0.03, 0.07) {
			share *= u(0.90, 0.95)
			c.steps = append(c.steps, struct{ from, share float64 }{s, share})
		}
	}
	c.endShare, c.curve = 0.05, 1
	if r.IntN(2) == 0 {
		c.endShare = u(0.03, 0.12)
	}
	if c.kind == CurvedTaper {
		c.curve = u(0.7, 1.4)
	}
	c.rampS = u(2, 12)
	c.waveShare = u(0, 0.03)
	c.wavePeriodS = [2]float64{u(150, 400), u(400, 1200)}
	c.rippleSD, c.noiseSD, c.spikeEveryS = u(0.008, 0.016), u(0.005, 0.022), u(60, 400)
	c.hotFrom, c.hotTo = 2, 2
	if c.kind == HotCharge {
		c.hotFrom = u(0.25, 0.45)
		c.hotTo = c.hotFrom + u(0.12, 0.25)
	}
	c.pauseAt = 2
	if c.kind == PausedCharge {
		c.pauseAt, c.pauseS = u(0.3, 0.7), u(240, 900)
	}
	c.standbyW, c.efficiency = u(0.2, 0.8), u(0.8, 0.9)
	c.gaugeRefreshS, c.levelRefreshS = u(5, 20), u(5, 20)
	if r.IntN(4) == 0 {
		c.gaugeRefreshS = u(0.5, 2)
	}
	if c.kind == SlowGauge {
		c.gaugeRefreshS, c.levelRefreshS = u(45, 60), u(45, 60)
	}
	c.levelLagS = u(0, 10)
	c.rounding = float64(r.IntN(3)) / 2
	for i := range c.bend {
		c.bend[i].sd, c.bend[i].k, c.bend[i].phase = 0.1/math.Sqrt(1.5), 2*math.Pi/u(12, 60), u(0, 2*math.Pi)
	}
	c.cellGain, c.plugGain = 1+0.02*r.NormFloat64(), 1+0.003*r.NormFloat64()
	c.saysFull = r.IntN(2) == 0
	stretch, lift := u(0.9, 1.1), u(-0.03, 0.03)
	for i, v := range chargeVolts {
		c.volts[i] = 3.9 + lift + stretch*(v-3.9)
	}
	c.carryOut()
	return c
}

// voltage is the cell's at a charge of 0 to 1, V.
func (c *SimulatedCharge) voltage(soc float64) float64 {
	s := 100 * max(0, min(1, soc))
	i := 1
	for i < len(chargeSoC)-1 && s > chargeSoC[i] {
		i++
	}
	f := (s - chargeSoC[i-1]) / (chargeSoC[i] - chargeSoC[i-1])
	return c.volts[i-1] + f*(c.volts[i]-c.volts[i-1])
}

// watts is the power into the cell without ramp, waves and ripple.
func (c *SimulatedCharge) watts(soc float64) float64 {
	share := 1.0
	for _, s := range c.steps {
		if soc >= s.from {
			share = s.share
		}
	}
	p := c.peakW * share
	if c.kind == RisingPower {
		p *= c.voltage(min(soc, c.taperFrom)) / 4.1
	}
	if soc > c.hotFrom && soc < c.taperFrom {
		switch w := 0.1; { // of charge, in which it comes back
		case soc < c.hotTo:
			p *= 1 - 0.35*(soc-c.hotFrom)/(c.hotTo-c.hotFrom)
		case soc < c.hotTo+w:
			p *= 0.65 + 0.25*(soc-c.hotTo)/w
		default:
			p *= 0.9
		}
	}
	if soc >= c.taperFrom {
		if c.hotFrom < 1 {
			p *= 0.9
		}
		left := (1 - soc) / (1 - c.taperFrom)
		p *= c.endShare + (1-c.endShare)*math.Pow(max(0, left), c.curve)
	}
	return p
}

func (c *SimulatedCharge) carryOut() {
	r := c.r
	soc, lagged := c.fromSoC, c.fromSoC
	phase := [2]float64{6 * r.Float64(), 6 * r.Float64()}
	nextGauge, nextLevel := c.gaugeRefreshS*r.Float64(), c.levelRefreshS*r.Float64()
	level := c.shows(soc)
	shownW, ripple, spike, spikeLeft := 0.0, 0.0, 0.0, 0.0
	c.ShownS, c.ByS = map[int]float64{}, map[int]float64{}
	c.OnsetS, c.FullS = math.NaN(), math.NaN()
	full, paused, over := false, 0.0, 0.0
	var clean, all []float64
	lastStepAt := 0.0
	cut := 2.0
	if c.kind == CutShort {
		cut = 0.6 + (c.taperFrom-0.02-0.6)*r.Float64()
	}
	for t := chargeStep; t < 14*3600; t += chargeStep {
		p := 0.0
		if !full {
			p = c.watts(soc) * (1 - math.Exp(-t/c.rampS))
			p *= 1 + c.waveShare/2*(math.Sin(2*math.Pi*t/c.wavePeriodS[0]+phase[0])+math.Sin(2*math.Pi*t/c.wavePeriodS[1]+phase[1]))
			if soc >= c.pauseAt && paused < c.pauseS {
				p = 0
				paused += chargeStep
			}
		}
		if spikeLeft <= 0 && r.Float64() < chargeStep/c.spikeEveryS {
			spike, spikeLeft = 0.10+0.15*r.Float64(), 1+r.Float64()
		}
		ripple += (rippleS*c.rippleSD*r.NormFloat64() - ripple) * chargeStep / rippleTauS
		drawn := p * (1 + ripple)
		if spikeLeft > 0 {
			drawn *= 1 + spike
			spikeLeft -= chargeStep
		}
		drawn = max(0, drawn)
		clean, all = append(clean, p), append(all, drawn)
		c.BattWh += drawn * chargeStep / 3600
		plug := drawn/c.efficiency + c.standbyW
		if !full {
			c.PlugWh += plug * chargeStep / 3600
		}
		before := soc
		soc += drawn / c.voltage(soc) * chargeStep / 3.6 / c.fullMAh
		lagged += (soc - lagged) * (1 - math.Exp(-chargeStep/max(1e-3, c.levelLagS)))
		for l := int(100*before) + 1; l <= 100; l++ {
			if 100*soc < float64(l)-1e-9 {
				break
			}
			if _, has := c.ByS[l]; !has {
				c.ByS[l] = t
			}
		}
		for _, s := range c.steps {
			if before < s.from && soc >= s.from {
				lastStepAt = t
			}
		}
		if before < c.taperFrom && soc >= c.taperFrom {
			c.OnsetS, c.LastStep = t, t-lastStepAt
		}
		if !full && soc >= 1 {
			full, c.FullS = true, t
		}
		if t >= nextLevel {
			nextLevel += c.levelRefreshS
			if l := c.shows(lagged); l > level {
				level = l
			}
			if full {
				level = 100
			}
			for l := level; l > 0; l-- {
				if _, has := c.ShownS[l]; has || l <= c.shows(c.fromSoC) {
					break
				}
				c.ShownS[l] = t
			}
		}
		if t >= nextGauge {
			nextGauge += c.gaugeRefreshS
			shownW = drawn * c.cellGain * (1 + c.noiseSD*r.NormFloat64())
		}
		c.trace = append(c.trace, chargeInstant{float32(shownW), float32(plug * c.plugGain), int8(level), full && c.saysFull && level == 100})
		if soc >= cut {
			break
		}
		if full {
			if over += chargeStep; over > 420 {
				break
			}
		}
	}
	c.PeakW, _ = truthOfPeak(all)
	for _, p := range clean {
		if p >= 0.9*c.PeakW {
			c.HoldS += chargeStep
		}
	}
}

// shows is the level that the gauge shows of a charge.
func (c *SimulatedCharge) shows(soc float64) int {
	s := 100 * soc
	if c.kind == StickyHundred {
		s = 100 * min(1, soc/0.97)
	}
	b := 0.0
	for _, w := range c.bend {
		b += w.sd * math.Sin(w.k*s+w.phase)
	}
	s += b * max(0, min(1, s/2, (100-s)/2))
	return int(max(0, min(100, math.Floor(s+c.rounding+1e-9))))
}

// PlugSeenS is where the log of Log takes plug-in to be, s after the truth.
func (c *SimulatedCharge) PlugSeenS(everyS float64, seen bool) float64 {
	if !seen {
		return 0
	}
	return everyS*c.sampling(everyS).Float64() - everyS/2
}

func (c *SimulatedCharge) sampling(everyS float64) *rand.Rand {
	return rand.New(rand.NewPCG(uint64(everyS*10), math.Float64bits(c.fullMAh)))
}

// Log is the charge as it is recorded every so many seconds, with the power at the plug where plug is set: from a sample before plug-in
// where seen is set, which is then known to lie between that and the next, else with plug-in known to the instant.
func (c *SimulatedCharge) Log(everyS float64, plug, seen bool) charging.Input {
	r := c.sampling(everyS)
	var in charging.Input
	at := everyS * r.Float64()
	if seen {
		in.PlugWithin = time.Duration(everyS / 2 * float64(time.Second))
		in.PlugT = time.Duration((at - everyS/2) * float64(time.Second))
		in.Samples = append(in.Samples, charging.Sample{T: -time.Duration((everyS - at) * float64(time.Second)), LevelPct: c.shows(c.fromSoC), BattW: new(float64)})
		if plug {
			in.Samples[0].PlugW = new(float64)
		}
	}
	for {
		i := int(at/chargeStep) - 1
		if i >= len(c.trace) {
			return in
		}
		if i >= 0 {
			x := c.trace[i]
			w := float64(x.battW)
			s := charging.Sample{T: time.Duration(at * float64(time.Second)), LevelPct: int(x.level), BattW: &w, Full: x.full}
			if plug {
				v := float64(x.plugW)
				s.PlugW = &v
			}
			in.Samples = append(in.Samples, s)
		}
		at += everyS * (0.95 + 0.1*r.Float64())
	}
}
