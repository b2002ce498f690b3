// Package charging says how fast a handset charges: times to levels, peak power and how long it is held,
// energy, the onset of the taper and the end of the charge.
//
// Plain values in, plain values out. Power jumps about from one reading to the next, so peak, plateau and
// taper are taken from its running median over a minute. 100 % is first shown anywhere from 99 to
// 100 % of charge, where a point takes minutes: rank by the times to 80 and 95 %, and by the end.
package charging

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"rundown/results/figure"
)

// The reasons for which there is no figure.
var (
	ErrTooFewSamples = errors.New("too few samples")
	ErrInput         = errors.New("input not usable")
)

// A Sample is one reading while charging. A value that is not measured is nil.
type Sample struct {
	T        time.Duration // any one clock
	LevelPct int
	BattW    *float64 // power into the cell, W
	PlugW    *float64 // power at the plug, W
	Full     bool     // the handset says that it is full
}

// An Input is one charge.
type Input struct {
	Samples []Sample
	PlugT   time.Duration // when power came
	// Levels are those to which times are wanted; nil means 50, 80, 95 and 100.
	Levels []int
	// BattGainSD and PlugGainSD are the relative standard deviations of the sensors' gains; 0 means
	// 0.02 for the cell's (as handsets' gauges have, assumed) and 0.003 for the plug's meter.
	BattGainSD, PlugGainSD float64
}

// An Interval is a value with its 95 % interval.
type Interval = figure.Interval

// A LevelTime is when a level was first shown, in s from plug-in.
type LevelTime struct {
	LevelPct int
	// S is the middle of the interval between two samples in which it was; a gauge refreshes its
	// level seldom, so that it may have been due up to RefreshS before.
	S Interval
}

// RefreshS is how late a gauge may show a level, s: assumed.
const RefreshS = 20

// A Span is how long the charge took from one level to another, edge to edge, s.
type Span struct {
	FromPct, ToPct int
	S              Interval
}

// A Taper is where power begins to fall for good.
type Taper struct {
	AtS      float64 // s from plug-in
	LevelPct int
	PlateauW float64 // before it
}

// The rules by which a charge was seen to end.
const (
	ByStatus = "the handset said full"
	ByPower  = "power into the cell below 5 % of its plateau for 2 min"
)

// An End is when the charge ended and by which rule.
type End struct {
	AtS  float64
	Rule string
}

// A Figure is what a charge says.
type Figure struct {
	FromPct  int // level at plug-in
	Times    []LevelTime
	Spans    []Span // 5 to 50 and 20 to 80 %, where both edges were seen
	Source   string // "cell" or "plug": whose power peak, hold and taper are of
	PeakW    Interval
	HoldS    float64 // total time the running median is at 90 % of the peak or above
	HoldPct  float64 // the share of the peak for which HoldS is counted, 90
	Plateaus []Plateau
	BattWh   *Interval // until the end of the charge, or of the samples
	PlugWh   *Interval
	Taper    *Taper
	End      *End
	Warnings []string
}

// A Plateau is a stretch of two minutes or more in which power hardly changes. Shown because time
// above any threshold jumps when a plateau lies at the threshold.
type Plateau struct{ FromS, ToS, W float64 }

const (
	medianS   = 60.0
	holdShare = 0.90
)

// Estimate computes the figure of one charge.
func Estimate(in Input) (Figure, error) {
	samples := in.Samples
	for i, s := range samples {
		if s.LevelPct < 0 || s.LevelPct > 100 {
			return Figure{}, fmt.Errorf("%w: sample %d shows a level of %d %%, want 0 to 100", ErrInput, i+1, s.LevelPct)
		}
		if i > 0 && s.T <= samples[i-1].T {
			return Figure{}, fmt.Errorf("%w: sample %d at %v is not after the one before, at %v", ErrInput, i+1, s.T, samples[i-1].T)
		}
		for _, p := range []*float64{s.BattW, s.PlugW} {
			if p != nil && (math.IsNaN(*p) || math.IsInf(*p, 0)) {
				return Figure{}, fmt.Errorf("%w: sample %d has a power of %g W", ErrInput, i+1, *p)
			}
		}
	}
	for len(samples) > 0 && samples[0].T < in.PlugT {
		samples = samples[1:]
	}
	if len(samples) < 20 {
		return Figure{}, fmt.Errorf("%w: %d since power came, want 20 or more", ErrTooFewSamples, len(samples))
	}
	if in.Levels == nil {
		in.Levels = []int{50, 80, 95, 100}
	}
	if in.BattGainSD == 0 {
		in.BattGainSD = 0.02
	}
	if in.PlugGainSD == 0 {
		in.PlugGainSD = 0.003
	}
	since := func(t time.Duration) float64 { return (t - in.PlugT).Seconds() }
	f := Figure{FromPct: samples[0].LevelPct, HoldPct: 100 * holdShare}

	for _, l := range in.Levels {
		if lo, hi, ok := shown(samples, l); ok {
			a, b := since(lo), since(hi)
			f.Times = append(f.Times, LevelTime{LevelPct: l, S: Interval{Value: (a + b) / 2, Low: max(0, a-RefreshS), High: b}})
		}
	}
	for _, x := range [][2]int{{5, 50}, {20, 80}} {
		lo1, hi1, ok1 := shown(samples, x[0])
		lo2, hi2, ok2 := shown(samples, x[1])
		if ok1 && ok2 && hi2 > hi1 {
			v := (since(lo2) + since(hi2) - since(lo1) - since(hi1)) / 2
			// Both edges are uniform in their interval and late by up to a refresh.
			sd := math.Sqrt(((hi1-lo1).Seconds()*(hi1-lo1).Seconds() + (hi2-lo2).Seconds()*(hi2-lo2).Seconds() + 2*RefreshS*RefreshS) / 12)
			f.Spans = append(f.Spans, Span{FromPct: x[0], ToPct: x[1], S: Interval{Value: v, Low: v - 1.96*sd, High: v + 1.96*sd}})
		}
	}

	batt := powers(samples, since, func(s Sample) *float64 { return s.BattW })
	plug := powers(samples, since, func(s Sample) *float64 { return s.PlugW })
	p, gain := batt, in.BattGainSD
	f.Source = "cell"
	if len(batt.t) < 20 {
		p, gain, f.Source = plug, in.PlugGainSD, "plug"
	}
	if len(p.t) < 20 {
		f.Source = ""
		f.Warnings = append(f.Warnings, "no power was measured: times only")
		f.End, _ = end(samples, since, trace{}, 0)
		return f, nil
	}
	if step := p.step(); step > 15 {
		f.Warnings = append(f.Warnings, fmt.Sprintf("power was read every %.0f s: peak, hold and taper want 10 s or less", step))
	}
	m := p.median(medianS)
	peak := slices.Max(m.v)
	if peak <= 0 {
		return f, fmt.Errorf("%w: no power flowed into the handset", ErrInput)
	}
	f.PeakW = around(peak, math.Hypot(gain, 0.009))
	f.HoldS = m.timeAbove(holdShare * peak)
	f.Plateaus = m.plateaus(peak)
	f.Taper = taper(m, peak)
	plateau := peak
	if f.Taper != nil {
		plateau = f.Taper.PlateauW
		f.Taper.LevelPct = levelAt(samples, since, f.Taper.AtS)
	} else {
		f.Warnings = append(f.Warnings, "no taper was seen: the charge was not followed until power had fallen to 40 % of its last plateau")
	}
	var paused float64
	if f.End, paused = end(samples, since, m, plateau); paused > 0 {
		f.Warnings = append(f.Warnings, fmt.Sprintf("charging paused for %.0f min in all, as a handset does that has become too hot", paused/60))
	}
	until := math.Inf(1)
	if f.End != nil {
		until = f.End.AtS
	} else {
		f.Warnings = append(f.Warnings, "the end of the charge was not seen: energies are of what was recorded")
	}
	if len(batt.t) >= 20 {
		e := around(batt.integral(until)/3600, math.Hypot(in.BattGainSD, 0.002))
		f.BattWh = &e
	}
	if len(plug.t) >= 20 {
		e := around(plug.integral(until)/3600, math.Hypot(in.PlugGainSD, 0.002))
		f.PlugWh = &e
	}
	return f, nil
}

func around(v, relSD float64) Interval {
	return Interval{Value: v, Low: v * (1 - 1.96*relSD), High: v * (1 + 1.96*relSD)}
}

// shown is the interval in which a level was first shown: ok is false where it was shown from the
// start or never.
func shown(samples []Sample, level int) (lo, hi time.Duration, ok bool) {
	for i, s := range samples {
		if s.LevelPct >= level {
			if i == 0 {
				return 0, 0, false
			}
			return samples[i-1].T, s.T, true
		}
	}
	return 0, 0, false
}

func levelAt(samples []Sample, since func(time.Duration) float64, s float64) int {
	l := samples[0].LevelPct
	for _, x := range samples {
		if since(x.T) > s {
			break
		}
		l = x.LevelPct
	}
	return l
}

// end is when the handset said full, or its power fell to nothing for good, two minutes at
// least, whichever came first. pausedS is for how long it had stood at nothing before and
// gone on, as a handset does that has become too hot.
func end(samples []Sample, since func(time.Duration) float64, m trace, plateau float64) (e *End, pausedS float64) {
	for _, s := range samples {
		if s.Full {
			e = &End{AtS: since(s.T), Rule: ByStatus}
			break
		}
	}
	n := len(m.t)
	last := -1 // the last reading with power
	for i, v := range m.v {
		if v < 0.05*plateau {
			continue
		}
		if last >= 0 {
			if gap := m.t[i] - m.t[last]; gap >= 120 && i > last+1 && (e == nil || m.t[i] < e.AtS) {
				pausedS += gap
			}
		}
		last = i
	}
	if last >= 0 && last+1 < n && m.t[n-1]-m.t[last+1] >= 120 {
		if from := m.t[last+1]; e == nil || from < e.AtS {
			e = &End{AtS: from, Rule: ByPower}
		}
	}
	return e, pausedS
}

// trace is power against time from plug-in, s and W.
type trace struct{ t, v []float64 }

func powers(samples []Sample, since func(time.Duration) float64, pick func(Sample) *float64) trace {
	var p trace
	for _, s := range samples {
		if v := pick(s); v != nil {
			p.t = append(p.t, since(s.T))
			p.v = append(p.v, *v)
		}
	}
	return p
}

func (p trace) step() float64 { return (p.t[len(p.t)-1] - p.t[0]) / float64(len(p.t)-1) }

// median is the running median over s seconds about each reading.
func (p trace) median(s float64) trace {
	out := trace{t: p.t, v: make([]float64, len(p.v))}
	a, b := 0, 0
	var w []float64
	for i, t := range p.t {
		for p.t[a] < t-s/2 {
			a++
		}
		for b < len(p.t) && p.t[b] <= t+s/2 {
			b++
		}
		w = append(w[:0], p.v[a:b]...)
		sort.Float64s(w)
		n := len(w)
		out.v[i] = (w[(n-1)/2] + w[n/2]) / 2
	}
	return out
}

// integral is the trapezoid up to a time, J.
func (p trace) integral(until float64) float64 {
	sum := 0.0
	for i := 1; i < len(p.t) && p.t[i] <= until; i++ {
		sum += (p.v[i] + p.v[i-1]) / 2 * (p.t[i] - p.t[i-1])
	}
	return sum
}

// timeAbove is the total time at limit or above, s; between two readings on either side of it,
// straight.
func (p trace) timeAbove(limit float64) float64 {
	sum := 0.0
	for i := 1; i < len(p.t); i++ {
		a, b, dt := p.v[i-1]-limit, p.v[i]-limit, p.t[i]-p.t[i-1]
		switch {
		case a >= 0 && b >= 0:
			sum += dt
		case a >= 0 || b >= 0:
			sum += dt * max(a, b) / math.Abs(a-b)
		}
	}
	return sum
}

// at is the value at time t, straight between readings, and that of the end beyond it.
func (p trace) at(t float64) float64 {
	i := sort.SearchFloat64s(p.t, t)
	switch {
	case i == 0:
		return p.v[0]
	case i == len(p.t):
		return p.v[i-1]
	}
	f := (t - p.t[i-1]) / (p.t[i] - p.t[i-1])
	return p.v[i-1] + f*(p.v[i]-p.v[i-1])
}

// plateaus are the stretches of two minutes or more within 4 % of their own mean, of a tenth of
// the peak or more.
func (p trace) plateaus(peak float64) []Plateau {
	var out []Plateau
	for i := 0; i < len(p.t); {
		if p.v[i] < 0.1*peak {
			i++
			continue
		}
		j, sum := i, 0.0
		lo, hi := p.v[i], p.v[i]
		for j < len(p.t) {
			l, h := min(lo, p.v[j]), max(hi, p.v[j])
			if h-l > 0.08*(h+l)/2 {
				break
			}
			lo, hi = l, h
			sum += p.v[j]
			j++
		}
		if p.t[j-1]-p.t[i] >= 120 {
			out = append(out, Plateau{FromS: p.t[i], ToS: p.t[j-1], W: sum / float64(j-i)})
			i = j
		} else {
			i++
		}
	}
	return out
}

// taper finds where power leaves its last plateau. Steps from one plateau to the next are no taper, so the
// search begins after the last of them.
func taper(m trace, peak float64) *Taper {
	from := 0.0
	for i, v := range m.v { // the ramp at the start is over
		if v >= 0.9*peak {
			from = m.t[i] + 30
			break
		}
	}
	log := func(t float64) float64 { return math.Log(max(m.at(t), 1e-3*peak)) }
	last := m.t[len(m.t)-1]
	for _, t := range m.t {
		if t < from+60 || t > last-70 || m.at(t) < 0.1*peak {
			continue
		}
		const across = 20.0
		fall := log(t-across/2) - log(t+across/2)
		pace := 0.3 * fall / across * 60 // what it may fall in a minute beside the step
		if fall > 0.12 && log(t-across/2-60)-log(t-across/2) < pace && log(t+across/2)-log(t+across/2+60) < pace {
			from = t + across/2
		}
	}
	var head []float64
	for i, t := range m.t {
		if t >= from && t <= from+60 {
			head = append(head, m.v[i])
		}
	}
	if len(head) == 0 {
		return nil
	}
	sort.Float64s(head)
	plateau := head[len(head)/2]
	to := math.NaN()
	for i, t := range m.t {
		if t > from && m.v[i] < 0.4*plateau {
			to = t
			break
		}
	}
	if math.IsNaN(to) {
		return nil
	}
	// log m = a - b max(0, t - t0): for each t0 a straight line in max(0, t - t0). Readings are put on a
	// grid, so that uneven sampling weighs nothing.
	step := max(2.0, (to-from)/1500)
	var ts, ys []float64
	for t := from; t <= to; t += step {
		ts = append(ts, t)
		ys = append(ys, log(t))
	}
	best, at := math.Inf(1), math.NaN()
	try := func(t0 float64) {
		n, sx, sy, sxx, sxy, syy := float64(len(ts)), 0.0, 0.0, 0.0, 0.0, 0.0
		for i, t := range ts {
			x, y := max(0, t-t0), ys[i]
			sx += x
			sy += y
			sxx += x * x
			sxy += x * y
			syy += y * y
		}
		cxx, cxy, cyy := sxx-sx*sx/n, sxy-sx*sy/n, syy-sy*sy/n
		if cxx <= 0 || cxy >= 0 {
			return
		}
		if r := cyy - cxy*cxy/cxx; r < best {
			best, at = r, t0
		}
	}
	for t0 := from; t0 < to; t0 += step {
		try(t0)
	}
	if math.IsNaN(at) {
		return nil
	}
	for t0, end := at-step, at+step; t0 <= end; t0 += step / 20 {
		if t0 >= from {
			try(t0)
		}
	}
	return &Taper{AtS: at, PlateauW: plateau}
}
