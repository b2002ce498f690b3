// Package charging says how fast a handset charges: times to levels, peak power and how long it is held,
// energy, the onset of the taper and the end of the charge.
//
// Plain values in, plain values out. Power jumps about from one reading to the next, so peak, plateau and
// taper are taken from its running median over a minute. 100 % is first shown anywhere from 99 to
// 100 % of charge, where a point takes minutes: rank by the times to 80 and 95 %, and by the end.
//
// What the readings do not tell is not given: with more than MostEveryS between readings of power there are times alone,
// and a taper that may as well have been a step is none.
package charging

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rundown/results/figure"
)

// The reasons for which there is no figure.
var (
	ErrTooFewSamples = errors.New("too few samples")
	ErrInput         = errors.New("input not usable")
	// ErrNoCharge means that the samples are of no charge: the level falls, or power flows out of the cell.
	ErrNoCharge = errors.New("this is no charge")
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
	// PlugWithin is how much earlier or later that may have been.
	PlugWithin time.Duration
	// Levels are those to which times are wanted; nil means 20, 50, 80, 95 and 100.
	Levels []int
	// NoLevels says that the samples have none: nothing is then said of levels.
	NoLevels bool
	// BattGainSD and PlugGainSD are the relative standard deviations of the sensors' gains; 0 means
	// 0.02 for the cell's (as handsets' gauges have, assumed) and 0.003 for the plug's meter.
	BattGainSD, PlugGainSD float64
}

// An Interval is a value with its 95 % interval.
type Interval = figure.Interval

// A LevelTime is when a level was reached, in s from plug-in.
type LevelTime struct {
	LevelPct int
	S        *Interval // when the handset first showed it; nil where it did from the start, or never
	// ChargeS is when the cell held so much of its charge, whatever was shown; nil where that cannot be told. Of 100 % it is when
	// the charge ended.
	ChargeS *Interval
}

// A Span is how long the charge took from one level to another, s: edge to edge as shown, and by charge.
type Span struct {
	FromPct, ToPct int
	S              Interval
	ChargeS        *Interval
}

// SayTimes says a time, s, as the handset showed it and by charge, either of which may not be known; "" where neither is.
func SayTimes(shown, byCharge *Interval) string {
	var said []string
	if shown != nil {
		said = append(said, shown.Minutes()+" as shown")
	}
	if byCharge != nil {
		said = append(said, byCharge.Minutes()+" by charge")
	}
	return strings.Join(said, ", ")
}

// A Taper is where power begins to fall for good.
type Taper struct {
	AtS         float64 // s from plug-in
	LowS, HighS float64 // its 95 % interval
	LevelPct    int
	PlateauW    float64 // before it
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
	Spans    []Span    // 5 to 50 and 20 to 80 %, where both edges were seen
	Source   string    // "cell" or "plug": whose power peak, hold and taper are of; empty where no power was measured
	EveryS   float64   // between readings of that power which say something new
	PeakW    *Interval // highest running median over a minute
	HoldS    *Interval // total time the running median is at 90 % of the peak or above
	HoldPct  float64   // the share of the peak for which HoldS is counted, 90
	Plateaus []Plateau
	Drop     *Drop     // nil where power never fell below 90 % of its peak, or peak is nil
	BattWh   *Interval // until the handset said full or power was gone, or the samples ended
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
	// MostEveryS is how far apart readings of power may lie for anything to be said of it, s.
	MostEveryS = 60.0
	// peakEveryS is how far apart they may lie for peak and hold.
	peakEveryS = 20.0
	// slack is what readings may lie farther apart than was asked for.
	slack       = 1.1
	leastPowers = 8
)

// check finds what no charge can be.
func (in Input) check() error {
	for i, s := range in.Samples {
		if s.LevelPct < 0 || s.LevelPct > 100 {
			return fmt.Errorf("%w: sample %d shows a level of %d %%, want 0 to 100", ErrInput, i+1, s.LevelPct)
		}
		if i > 0 && s.T <= in.Samples[i-1].T {
			return fmt.Errorf("%w: sample %d at %v is not after the one before, at %v", ErrInput, i+1, s.T, in.Samples[i-1].T)
		}
		for _, p := range []*float64{s.BattW, s.PlugW} {
			if p != nil && (math.IsNaN(*p) || math.IsInf(*p, 0)) {
				return fmt.Errorf("%w: sample %d has a power of %g W", ErrInput, i+1, *p)
			}
		}
	}
	return nil
}

// Estimate computes the figure of one charge.
func Estimate(in Input) (Figure, error) {
	if err := in.check(); err != nil {
		return Figure{}, err
	}
	samples := in.Samples
	for len(samples) > 1 && samples[1].T <= in.PlugT {
		samples = samples[1:] // one sample before power came is kept: a level may have been shown first right after it
	}
	after := len(samples)
	if after > 0 && samples[0].T < in.PlugT {
		after--
	}
	if after < 3 {
		return Figure{}, fmt.Errorf("%w: %d since power came, want 3 or more", ErrTooFewSamples, after)
	}
	from, to := samples[0].LevelPct, samples[len(samples)-1].LevelPct
	if !in.NoLevels && to < from-1 {
		return Figure{}, fmt.Errorf("%w: the level falls from %d to %d %%: work it out as endurance", ErrNoCharge, from, to)
	}
	if in.Levels == nil {
		in.Levels = []int{20, 50, 80, 95, 100}
	}
	if in.BattGainSD == 0 {
		in.BattGainSD = 0.02
	}
	if in.PlugGainSD == 0 {
		in.PlugGainSD = 0.003
	}
	since := func(s Sample) float64 { return (s.T - in.PlugT).Seconds() }
	f := Figure{FromPct: from, HoldPct: 100 * holdShare}
	b := book{in: in, f: &f, samples: samples, since: since, within: in.PlugWithin.Seconds(), levels: levelsOf(samples, since)}
	batt := powers(samples, since, func(s Sample) *float64 { return s.BattW })
	plug := powers(samples, since, func(s Sample) *float64 { return s.PlugW })
	switch {
	case len(batt.t) >= leastPowers:
		f.Source = "cell"
	case len(plug.t) >= leastPowers:
		f.Source = "plug"
	case in.NoLevels || to <= from:
		return Figure{}, fmt.Errorf("%w: the level does not rise, and there are too few readings of power", ErrNoCharge)
	case len(batt.t) > 0 || len(plug.t) > 0:
		b.warn("power was read %d times: peak, hold, taper, energy and times by charge want %d or more, and are not given", max(len(batt.t), len(plug.t)), leastPowers)
		b.end(trace{}, trace{}, 0, 0)
		b.times(nil)
		b.asShownOnly()
		return f, nil
	default:
		b.warn("no power was measured: times only; by charge they suppose that the level follows charge, and a handset that shows 100 %% early would not be seen")
		b.end(trace{}, trace{}, 0, 0)
		b.times(nil)
		return f, nil
	}
	if err := b.power(batt, plug); err != nil {
		return Figure{}, err
	}
	return f, nil
}

// A book is one charge while it is worked out.
type book struct {
	in      Input
	f       *Figure
	samples []Sample
	since   func(Sample) float64
	within  float64 // how far plug-in may be off, s
	levels  levels
	goneS   *Interval // when the charge was over, from the last reading with power to the first without
}

func (b *book) warn(format string, args ...any) {
	b.f.Warnings = append(b.f.Warnings, fmt.Sprintf(format, args...))
}

// power works out what power says: of the cell's, or of the plug's where the cell's was not measured.
func (b *book) power(batt, plug trace) error {
	f, p, gainSD := b.f, batt, b.in.BattGainSD
	if f.Source == "plug" {
		p, gainSD = plug.less(plug.standby()), b.in.PlugGainSD
	}
	readings, everyS := p.readings()
	f.EveryS = everyS
	calm := readings.withoutSpikes()
	m := calm.median(max(medianS, 2.5*everyS))
	peak := slices.Max(m.v)
	switch {
	case peak <= 0 && slices.Min(p.v) < 0:
		return fmt.Errorf("%w: power flows out of the cell: work it out as endurance", ErrNoCharge)
	case peak <= 0:
		return fmt.Errorf("%w: no power flowed into the handset", ErrNoCharge)
	case everyS > slack*MostEveryS:
		b.warn("power was read every %.0f s: peak, hold, taper, energy and times by charge want %.0f s or less, and are not given", everyS, MostEveryS)
		b.end(trace{}, trace{}, 0, 0)
		b.times(nil)
		b.asShownOnly()
		return nil
	case everyS > slack*peakEveryS:
		b.warn("power was read every %.0f s: peak and hold want %.0f s or less, and are not given", everyS, peakEveryS)
	default:
		b.peak(p, plug, gainSD)
	}
	plateau := peak
	found, why := taper(calm, everyS, peak)
	if found != nil {
		plateau = found.PlateauW
	}
	switch {
	case found == nil:
		b.warn("no taper was seen: %s", why)
	case found.HighS-found.LowS > 3*(60+everyS):
		b.warn("the taper's onset cannot be told: it sets in somewhere from %.0f to %.0f min after plug-in", max(0, found.LowS)/60, found.HighS/60)
	default:
		found.LevelPct = b.levels.at(found.AtS)
		f.Taper = found
	}
	if paused := b.end(m, readings, plateau, min(p.spacing(), max(RefreshS, everyS))); paused > 0 {
		b.warn("charging paused for %.0f min in all, as a handset does that has become too hot", paused/60)
	}
	until := math.Inf(1)
	switch {
	case b.goneS != nil:
		until = b.goneS.Value
	case f.End != nil: // what still trickles is little
		until = p.t[len(p.t)-1]
	default:
		b.warn("the end of the charge was not seen: energies are of what was recorded")
	}
	b.times(b.count(p, until))
	f.BattWh, f.PlugWh = b.energy(batt, until, b.in.BattGainSD), b.energy(plug, until, b.in.PlugGainSD)
	return nil
}

// peak gives peak, hold and plateaus; those of the plug's power are of all that arrived, with what the handset draws besides.
func (b *book) peak(p, plug trace, gainSD float64) {
	if b.f.Source == "plug" {
		p = plug
	}
	readings, everyS := p.readings()
	m := readings.withoutSpikes().median(medianS)
	peak := slices.Max(m.v)
	i := around(peak, math.Hypot(gainSD, 0.009))
	// The highest of many medians is too high where what jumps about is the gauge and not the power; readings do not say which of
	// the two it is.
	i.Low -= peak * readings.noise() / math.Sqrt(max(1, medianS/everyS))
	b.f.PeakW, b.f.HoldS, b.f.Plateaus = &i, hold(m, readings, peak, everyS), m.plateaus(peak)
	if d := drop(m, peak, everyS, b.f.Plateaus); d != nil {
		if !b.in.NoLevels {
			d.LevelPct = b.levels.at(d.S.Value)
		}
		b.f.Drop = d
	}
}

// energy is what one power carried until a moment; nil where that cannot be told.
func (b *book) energy(p trace, until, gainSD float64) *Interval {
	if len(p.t) < leastPowers {
		return nil
	}
	_, everyS := p.readings()
	if everyS > slack*MostEveryS {
		return nil
	}
	a := p.integral(until, everyS, b.within)
	if a.joules <= 0 {
		return nil
	}
	e := around(a.joules/3600, math.Hypot(math.Hypot(gainSD, 0.001), a.sd/a.joules))
	return &e
}

// hold is the time at holdShare of the peak or above. Each time that power crosses this line is good to the spacing of the
// readings; and the line itself is no better than the peak.
func hold(m, p trace, peak, everyS float64) *Interval {
	limit := holdShare * peak
	// While power comes up the median looks ahead of it.
	m = trace{m.t, slices.Clone(m.v)}
	for i := 0; i < len(p.v) && p.v[i] < limit; i++ {
		m.v[i] = min(m.v[i], p.v[i])
	}
	crossed := 0.0
	for i := 1; i < len(m.v); i++ {
		if (m.v[i-1] >= limit) != (m.v[i] >= limit) {
			crossed++
		}
	}
	w := 1.96 * math.Sqrt(crossed*(everyS*everyS/3+12))
	h := interval(m.timeAbove(limit), m.timeAbove(limit*1.015)-w, m.timeAbove(limit/1.015)+w)
	h.Low = max(0, h.Low)
	return &h
}

func around(v, relSD float64) Interval {
	return Interval{Value: v, Low: v * (1 - 1.96*relSD), High: v * (1 + 1.96*relSD)}
}

// stickyPct is how much charge may still be to come when 100 % is first shown, points: a gauge that rounds up
// shows it one point early, and the rest is what counting may be off.
const stickyPct = 1.8

// count gives charge by power where the level is seen not to follow it.
func (b *book) count(p trace, until float64) *counted {
	if b.in.NoLevels || math.IsInf(until, 1) {
		return nil
	}
	hundred, ok := b.levels.first(100)
	if !ok {
		return nil
	}
	c := count(p.integral(until, b.f.EveryS, b.within), b.f.FromPct)
	if c == nil {
		return nil
	}
	// What is still to come is told from a few readings, and the gauge's level and current are each late by up to a refresh.
	left := c.left(hundred.Value)
	late := left - c.left(hundred.Value+b.f.EveryS)
	if left <= stickyPct+late+c.sdPct*math.Sqrt(left/25) {
		return nil
	}
	b.warn("100 %% was shown with %.0f %% of the charge still to come: times by charge are counted from power, not from the level", left)
	return c
}

// times gives times and spans.
func (b *book) times(c *counted) {
	if b.in.NoLevels {
		return
	}
	refresh := float64(RefreshS)
	if e := b.f.EveryS; b.f.Source == "cell" && e <= slack*MostEveryS {
		refresh = max(refresh, e) // its level is no fresher than its current
	}
	b.f.Times = b.levels.times(b.in.Levels, c, b.goneS, refresh, b.within)
	for _, x := range [][2]int{{5, 50}, {20, 80}} {
		if s, ok := b.levels.span(x[0], x[1], c, refresh); ok {
			b.f.Spans = append(b.f.Spans, s)
		}
	}
}

// asShownOnly leaves out the times that charge took to each level: readings too far apart do not show whether the handset
// shows 100 % early, and its other levels with it.
func (b *book) asShownOnly() {
	kept := b.f.Times[:0]
	for _, t := range b.f.Times {
		if t.LevelPct != 100 { // that is when the charge ended, by the handset's own word
			t.ChargeS = nil
		}
		if t.S != nil || t.ChargeS != nil {
			kept = append(kept, t)
		}
	}
	b.f.Times = kept
	for i := range b.f.Spans {
		b.f.Spans[i].ChargeS = nil
	}
}

// end is when the handset said full, or its power fell to nothing for good, two minutes at
// least, whichever came first. pausedS is for how long it had stood at nothing before and
// gone on, as a handset does that has become too hot. lateS is how long before a reading what it shows may have been.
func (b *book) end(m, p trace, plateau, lateS float64) (pausedS float64) {
	var e *End
	for i, s := range b.samples {
		if s.Full {
			at := b.since(s)
			e = &End{AtS: at, Rule: ByStatus}
			b.goneS = &Interval{Value: at, Low: at, High: at}
			if i > 0 {
				b.goneS.Low = b.since(b.samples[i-1]) - RefreshS
				b.goneS.Value = (b.goneS.Low + at) / 2
			}
			break
		}
	}
	n := len(m.t)
	last := -1 // the last reading with power to speak of
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
			gone := len(p.t) - 1 // the last reading with any power
			for gone > 0 && p.v[gone] < 0.01*plateau {
				gone--
			}
			if b.goneS == nil && gone+1 < len(p.t) {
				i := Interval{Low: p.t[gone] - lateS, High: p.t[gone+1]}
				i.Value = (i.Low + i.High) / 2
				b.goneS = &i
			}
		}
	}
	b.f.End = e
	return pausedS
}
