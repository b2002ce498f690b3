package physics

import (
	"math"
	"math/rand/v2"
	"time"
)

// PowerOptions say how the power of a script strays from its mean. All are invented:
// no public log of real handsets was found.
type PowerOptions struct {
	// Drift is by how much the power has grown (or fallen, if negative) once the
	// handset is warm: 1 + Drift (1 - exp(-t/DriftTauS)) after t seconds of the activity.
	Drift     float64
	DriftTauS float64 // 0 means 1800
	// WanderSD and WanderTauS are the relative sd and the correlation time of
	// power that comes and goes in the background.
	WanderSD   float64
	WanderTauS float64 // 0 means 60
	// StartExtra is the relative excess at the start of an activity, which dies away
	// with StartTauS.
	StartExtra float64
	StartTauS  float64 // 0 means 45
}

// HeatOptions are one thermal mass and its way to the ambient.
type HeatOptions struct {
	MassJPerK float64 // 0 means 110, a handset of about 180 g
	KPerW     float64 // 0 means 7
}

// Options make a phone. Zero means the default where zero makes no sense, else none.
type Options struct {
	Seed uint64
	// RunSeed makes another run of the same phone: its gauge's own bend stays, background
	// power and noise differ.
	RunSeed uint64
	// StepS is the longest internal step, s; 0 means 1. Longer ones are for surveys of many phones.
	StepS    float64
	Cell     Cell // OCV nil means Phone440; CapacityMAh 0 means 4500; ROhm 0 means 0.13; CutoffV 0 means 3.0
	SoC      float64
	AmbientC float64 // as given; 0 is freezing
	Power    PowerOptions
	Heat     HeatOptions
	Gauge    GaugeOptions
	Charger  ChargerOptions
}

// A Load is what the handset did between two instants.
type Load struct {
	// BaseW is the power of what runs, W at the cell's terminals: its mean, before
	// drift, start-up and wandering.
	BaseW float64
	// Activity tells activities apart: when it changes, start-up and drift begin anew.
	Activity int
	// Steady switches start-up and wandering off, and NoDrift the thermal drift.
	Steady, NoDrift bool
	// PlugOpen is set while the power gate lets power to the handset.
	PlugOpen bool
	// SwingS and Swing make the power swing about BaseW with the script's loop: a
	// share Duty of each SwingS seconds is higher by Swing (relative), the rest lower, so
	// that the mean is BaseW. SwingS 0 means no swing; Duty 0 means a half.
	SwingS, Swing, Duty float64
}

// Totals are running sums since the phone was made. They are the truth, for tests.
type Totals struct {
	OutJ   float64 // energy delivered at the terminals, J (charging not subtracted)
	OutAh  float64 // charge drawn out of the cell
	InJ    float64 // energy put into the cell at the terminals
	InAh   float64
	PlugJ  float64 // energy at the plug
	BaseJ  float64 // integral of Load.BaseW: the script's mean, nothing else
	DriftJ float64 // the same with thermal drift: what the script drew
	// DriftAh is the charge that goes with DriftJ.
	DriftAh float64
}

// A Phone is a cell with what draws from it, heats it, charges it and reads it. It is
// not safe for use by two goroutines at once.
type Phone struct {
	o     Options
	rng   *rand.Rand
	gauge *gauge

	up     float64 // s since boot
	soc    float64 // 0 to 1
	tempC  float64
	volts  float64 // at the terminals
	amps   float64 // out of the cell
	plugW  float64
	loadW  float64
	dead   bool
	full   bool
	plugS  float64 // s since power came
	totals Totals

	activity  int
	began     float64 // s, when the activity began
	driftGone float64 // exp(-t/tau) of the drift
	startLeft float64 // exp(-t/tau) of the start-up
	wander    float64

	decay [4]float64 // of a whole step: drift, start, wander, wander's gain
}

// NewPhone makes a phone that has just booted, with its uptime at 0 and at ambient
// temperature.
func NewPhone(o Options) *Phone {
	def := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	if o.Cell.OCV == nil {
		o.Cell.OCV = Phone440
	}
	def(&o.StepS, 1)
	def(&o.Cell.CapacityMAh, 4500)
	def(&o.Cell.ROhm, 0.13)
	def(&o.Cell.CutoffV, 3.0)
	def(&o.Power.DriftTauS, 1800)
	def(&o.Power.WanderTauS, 60)
	def(&o.Power.StartTauS, 45)
	def(&o.Heat.MassJPerK, 110)
	def(&o.Heat.KPerW, 7)
	o.Charger = o.Charger.filled(o.Cell)
	o.SoC = max(0, min(1, o.SoC))
	p := &Phone{o: o, rng: rand.New(rand.NewPCG(o.Seed, o.RunSeed+0x9e3779b97f4a7c15)), soc: o.SoC, tempC: o.AmbientC, activity: math.MinInt}
	p.gauge = newGauge(o.Gauge, rand.New(rand.NewPCG(o.Seed, 0xda942042e4dd58b5)), rand.New(rand.NewPCG(o.Seed, o.RunSeed+0xd1342543de82ef95)))
	p.volts = o.Cell.OCV.Volts(p.soc)
	p.decay = p.decays(o.StepS)
	p.wander = p.rng.NormFloat64()
	p.gauge.see(0, 0, p.soc, 0, p.volts, p.tempC, o.Cell.CapacityMAh)
	return p
}

func (p *Phone) decays(dt float64) [4]float64 {
	w := math.Exp(-dt / p.o.Power.WanderTauS)
	return [4]float64{math.Exp(-dt / p.o.Power.DriftTauS), math.Exp(-dt / p.o.Power.StartTauS), w, math.Sqrt(1 - w*w)}
}

// Advance lets the phone live until the uptime to under one load. A time not after the
// present is no time at all. It steps by Options.StepS at most.
func (p *Phone) Advance(to time.Duration, l Load) {
	end := to.Seconds()
	if l.Activity != p.activity {
		p.activity, p.began, p.driftGone, p.startLeft = l.Activity, p.up, 1, 1
	}
	for p.up < end {
		step := p.o.StepS
		dt, d := step, p.decay
		// Steps stay on whole multiples of uptime, so that where a caller stops makes no
		// more difference than it must.
		if next := (math.Floor(p.up/step) + 1) * step; next < end {
			dt = next - p.up
		} else {
			dt = end - p.up
		}
		if dt <= 0 {
			break
		}
		if dt != step {
			d = p.decays(dt)
		}
		p.once(dt, d, &l)
	}
}

// once is one step of dt seconds.
func (p *Phone) once(dt float64, d [4]float64, l *Load) {
	drift := 1.0
	if !l.NoDrift {
		// The mean over the step is its middle's, near enough at 1 s against minutes.
		drift = 1 + p.o.Power.Drift*(1-p.driftGone*(1+d[0])/2)
	}
	script := l.BaseW * drift
	watts := script
	if !l.Steady {
		watts *= 1 + p.o.Power.StartExtra*p.startLeft*(1+d[1])/2
		watts *= max(0.2, 1+p.o.Power.WanderSD*p.wander)
	}
	if l.SwingS > 0 {
		duty := l.Duty
		if duty == 0 {
			duty = 0.5
		}
		// The share of this step that lies in the stronger part, so that the mean is
		// kept whatever the loop's length.
		high := func(t float64) float64 {
			n := math.Floor(t / l.SwingS)
			return (n*duty + min(t/l.SwingS-n, duty)) * l.SwingS
		}
		since := p.up - p.began
		share := (high(since+dt) - high(since)) / dt
		watts *= 1 + l.Swing*(share-duty)/(1-duty)
	}
	p.driftGone *= d[0]
	p.startLeft *= d[1]
	p.wander = p.wander*d[2] + d[3]*p.rng.NormFloat64()
	if p.dead && !l.PlugOpen {
		watts, script = 0, 0 // switched off
	}
	p.loadW = watts

	c := &p.o.Cell
	ocv := c.OCV.Volts(p.soc)
	q := c.CapacityMAh / 1000
	var amps float64
	ok := true
	switch {
	case l.PlugOpen:
		p.dead = false
		p.plugS += dt
		in := 0.0
		if !p.full {
			ramp := 1 - math.Exp(-p.plugS/p.o.Charger.RampS)
			in = p.o.Charger.amps(*c, ocv, p.soc, p.tempC, ramp)
			if share, _ := tempShare(p.tempC); share == 1 && p.soc > 0.9 && p.plugS > 10*p.o.Charger.RampS && in < p.o.Charger.TerminateC*q {
				p.full, in = true, 0
			}
		} else if p.soc < 0.98 {
			p.full = false
		}
		amps = -in
	default:
		p.plugS, p.full = 0, false
		amps, ok = c.Current(ocv, watts)
	}
	p.amps = amps
	p.volts = ocv - amps*c.ROhm
	lost := amps * amps * c.ROhm
	p.plugW = 0
	if l.PlugOpen {
		into := -amps * p.volts
		p.plugW = (into + watts) / p.o.Charger.Efficiency
		if r := p.o.Charger.Ripple; r > 0 {
			p.plugW *= max(0, 1+r*p.rng.NormFloat64())
		}
		lost = chargingHeat * into
		p.totals.InJ += into * dt
		p.totals.InAh += -amps * dt / 3600
		p.totals.PlugJ += p.plugW * dt
	} else if amps > 0 {
		p.totals.OutJ += amps * p.volts * dt
		p.totals.OutAh += amps * dt / 3600
		if watts > 0 {
			p.totals.DriftAh += amps * script / watts * dt / 3600
		}
	}
	if !p.dead {
		p.totals.BaseJ += l.BaseW * dt
		p.totals.DriftJ += script * dt
	}

	p.soc = max(0, min(1, p.soc-amps*dt/3600/q))
	heat := watts + lost
	p.tempC += dt * (heat - (p.tempC-p.o.AmbientC)/p.o.Heat.KPerW) / p.o.Heat.MassJPerK
	p.up += dt
	if !l.PlugOpen && (p.soc <= 0 || !ok || p.volts <= c.CutoffV) {
		p.dead = true
	}
	p.gauge.see(p.up, dt, p.soc, amps, p.volts, p.tempC, c.CapacityMAh)
}

// Readings is what the gauge shows now. Reading does not change anything.
func (p *Phone) Readings() Readings {
	g := p.gauge
	r := Readings{LevelPct: g.level, VoltageMV: g.shown.mv, TempDeciC: g.shown.deciC, Charging: p.amps < 0, Full: p.full}
	if g.o.Counter != NoCounter {
		v := g.shown.counter
		r.CounterRaw = &v
	}
	if !g.o.NoCurrent {
		v := g.shown.current
		r.CurrentRaw = &v
	}
	return r
}

// Freeze makes the gauge stand still, or lets it go on. Charge goes on either way.
func (p *Phone) Freeze(frozen bool) { p.gauge.frozen = frozen }

// ShiftCounter makes the counter believe that so many points of full charge more are in the
// cell, from its next refresh on.
func (p *Phone) ShiftCounter(points float64) {
	p.gauge.count += points / 100 * p.o.Cell.CapacityMAh * p.gauge.o.CounterGain
}

// SetAmbientC changes the room's temperature.
func (p *Phone) SetAmbientC(c float64) { p.o.AmbientC = c }

// Reboot starts uptime from 0 again: what is in the cell stays, the gauge begins anew
// from it.
func (p *Phone) Reboot() {
	p.up, p.activity = 0, math.MinInt
	g := newGauge(p.o.Gauge, p.gauge.rng, p.gauge.rng)
	g.wave, g.count, g.frozen = p.gauge.wave, p.gauge.count, p.gauge.frozen
	g.lagged, g.level, g.started, g.shown = 100*p.soc, p.gauge.level, true, p.gauge.shown
	p.gauge = g
}

// Up is the uptime.
func (p *Phone) Up() time.Duration { return time.Duration(math.Round(p.up * 1e9)) }

// SoC is the true charge, 0 to 1.
func (p *Phone) SoC() float64 { return p.soc }

// BattTempC is the true temperature.
func (p *Phone) BattTempC() float64 { return p.tempC }

// PlugW is the power at the plug in the last step, W; 0 with the gate closed.
func (p *Phone) PlugW() float64 { return p.plugW }

// BattW is the power into the cell in the last step, W, negative while it is drained.
func (p *Phone) BattW() float64 { return -p.amps * p.volts }

// LoadW is the power that the handset drew in the last step, W.
func (p *Phone) LoadW() float64 { return p.loadW }

// Dead says that the handset has switched itself off.
func (p *Phone) Dead() bool { return p.dead }

// Totals are the running sums, for tests.
func (p *Phone) Totals() Totals { return p.totals }

// Cell is the phone's cell.
func (p *Phone) Cell() Cell { return p.o.Cell }

// TruthHours is how long this very phone lasts from 100 % until it is empty or switches
// itself off, running one script of that mean power (W) all the time, thermal drift from
// its beginning included; start-up and wandering are not the script's and are left out.
func (p *Phone) TruthHours(meanW float64) float64 { return p.TruthHoursOf(Load{BaseW: meanW}) }

// TruthHoursOf is TruthHours of a script whose power swings with its loop: the higher
// current of its stronger part costs a little more charge than the same mean power
// held steady.
func (p *Phone) TruthHoursOf(l Load) float64 {
	c := p.o.Cell
	duty, up, down := 1.0, 1.0, 1.0
	if l.SwingS > 0 {
		if duty = l.Duty; duty == 0 {
			duty = 0.5
		}
		up, down = 1+l.Swing, 1-l.Swing*duty/(1-duty)
	}
	return c.hours(func(ocv, h float64) (float64, float64, bool) {
		w := l.BaseW
		if !l.NoDrift {
			w *= 1 + p.o.Power.Drift*(1-math.Exp(-h*3600/p.o.Power.DriftTauS))
		}
		a, ok := c.Current(ocv, w*up)
		if duty == 1 {
			return a, a, ok
		}
		b, _ := c.Current(ocv, w*down)
		return duty*a + (1-duty)*b, a, ok
	}, 1, 0)
}
