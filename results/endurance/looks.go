package endurance

import (
	"fmt"
	"math"
	"time"
)

// A handset that rests with its screen off suspends, and looking at it wakes it: some of
// what it drew in the window is the measuring's own. Here that is worked out and taken off.
//
// What a look costs is told in seconds of rest: as much as the handset draws in so many
// seconds when nobody looks. That is known of no handset beforehand, so a wide guess stands
// in, narrowed by what earlier segments of the handset showed, and by this one, where its
// charge counter falls faster in the stretches with looks than in those without.

// The guess: half of all handsets are taken to pay for a look with less than lookGuessS
// seconds of rest, and 95 of 100 with 2 to 190. Assumed: no public measurement was found.
const (
	lookGuessS  = 20.0
	lookGuessSD = 1.15 // of the logarithm
)

// lookBetween is how far the cost of a look strays from one night to another (network,
// place, what else runs), relative, one standard deviation. Assumed.
const lookBetween = 0.25

// lookLasts is within how long a look's cost is drawn, s: a reading sooner after a look has
// only a part of it. Assumed.
const lookLasts = 10.0

// stretchS is how long the stretches are that are compared for looks, s.
const stretchS = 1200.0

// A LookSeen is what the looks of one segment were seen to cost.
type LookSeen struct {
	ID    string    `json:"id"` // the segment
	At    time.Time `json:"at"` // its end
	RestS float64   `json:"rest_s"`
	SES   float64   `json:"se_s"` // standard error of RestS
	DoF   float64   `json:"dof"`  // how many stretches it rests on, beyond the two that a line takes
}

// An Own is what the measuring itself drew in the window.
type Own struct {
	Looks     int      // within the window
	LooksPerH float64  // over the window
	LookS     Interval // what a look costs, s of rest
	PctH      Interval // what the looks drew, %/h
	Share     float64  // of all that was drawn in the window, 0 to 1
	Basis     string   // what LookS rests on, for a person
	// Seen is what this segment shows by itself, nil where it shows nothing.
	Seen *LookSeen
}

// asSlept is the input of a handset that slept: without its current readings, which are
// those of a handset that is awake, and without a loop, which stood still with it.
func (in Input) asSlept() Input {
	if !in.Asleep {
		return in
	}
	awake := in.Samples
	in.Samples, in.LoopS = make([]Sample, len(awake)), 0
	for i, s := range awake {
		s.Current = nil
		in.Samples[i] = s
	}
	return in
}

// looksIn is how many of the looks lie between two uptimes, s, where a look counts little
// by little over lookLasts.
func looksIn(looks []time.Duration, from, to float64) float64 {
	done := func(at, t float64) float64 { return max(0, min(1, (t-at)/lookLasts)) }
	n := 0.0
	for _, l := range looks {
		n += done(l.Seconds(), to) - done(l.Seconds(), from)
	}
	return n
}

// ownDrain works out what the looks drew in the window; nil where there were none.
func ownDrain(in Input, w window, gauge Gauge, rate float64) *Own {
	n := looksIn(in.Looks, w.t0, w.t1)
	if !in.Asleep || n <= 0 {
		return nil
	}
	o := &Own{LooksPerH: n * 3600 / w.length()}
	for _, l := range in.Looks {
		if t := l.Seconds(); t >= w.t0 && t <= w.t1 {
			o.Looks++
		}
	}
	if gauge == GaugeFine || gauge == GaugeMedium {
		o.Seen = seeLooks(in, w)
	}
	o.LookS = lookCost(in.LooksSeen, o.Seen)
	o.Basis = "a guess: half of all handsets are taken to pay less than 20 s of rest for a look, 95 of 100 between 2 and 190 s"
	switch many := len(in.LooksSeen); {
	case many > 0 && o.Seen != nil:
		o.Basis = fmt.Sprintf("this segment's stretches with and without looks, and %d earlier", many)
	case many > 0:
		o.Basis = fmt.Sprintf("what %d earlier segments showed", many)
	case o.Seen != nil:
		o.Basis = "this segment's stretches with and without looks, beside " + o.Basis
	}
	more := func(s float64) float64 { return n * s / w.length() } // drawn beside the rest, as a fraction of it
	rest := rate / (1 + more(o.LookS.Value))
	o.Share = 1 - rest/rate
	drew := func(s float64) float64 { return rate * (1 - 1/(1+more(s))) }
	o.PctH = Interval{Value: drew(o.LookS.Value), Low: drew(o.LookS.Low), High: drew(o.LookS.High)}
	return o
}

// factor is by how much the handset lasts longer when nobody looks, with its interval.
func (o *Own) factor() Interval {
	more := func(s float64) float64 { return 1 + o.LooksPerH*s/3600 }
	return Interval{Value: more(o.LookS.Value), Low: more(o.LookS.Low), High: more(o.LookS.High)}
}

// withLooks is a value that grows by the factor, or falls by it, with the interval of
// both: the logarithms' half-widths add in squares, on either side for itself.
func withLooks(i, f Interval, grows bool) Interval {
	down, up := math.Log(f.Value/f.Low), math.Log(f.High/f.Value)
	v := i.Value * f.Value
	if !grows {
		v, down, up = i.Value/f.Value, up, down
	}
	return Interval{Value: v, Low: v / math.Exp(math.Hypot(math.Log(i.Value/i.Low), down)), High: v * math.Exp(math.Hypot(math.Log(i.High/i.Value), up))}
}

// seeLooks compares the fall of the charge counter in stretches with more and with fewer
// looks: a line through both, by least squares weighted by length, whose scatter gives
// the error. nil where there is nothing to compare.
func seeLooks(in Input, w window) *LookSeen {
	q := pick(w.samples, func(s Sample) *float64 { return s.Counter })
	type stretch struct{ t, n, q float64 }
	var list []stretch
	for i, from := 1, 0; i < len(q.t); i++ {
		if q.t[i]-q.t[from] < stretchS {
			continue
		}
		list = append(list, stretch{q.t[i] - q.t[from], looksIn(in.Looks, q.t[from], q.t[i]), q.v[from] - q.v[i]})
		from = i
	}
	if len(list) < 6 {
		return nil
	}
	var tt, tn, nn, tq, nq float64
	for _, s := range list {
		tt, tn, nn = tt+s.t, tn+s.n, nn+s.n*s.n/s.t
		tq, nq = tq+s.q, nq+s.n*s.q/s.t
	}
	det := tt*nn - tn*tn
	if det <= 1e-9*tt*nn {
		return nil // all alike
	}
	rest, look := (nn*tq-tn*nq)/det, (tt*nq-tn*tq)/det
	if rest <= 0 {
		return nil
	}
	scatter := 0.0
	for _, s := range list {
		d := s.q - rest*s.t - look*s.n
		scatter += d * d / s.t
	}
	dof := float64(len(list) - 2)
	scatter /= dof
	// A counter that hardly strays at all is still no better than its step.
	if least := stepOfCounter(q.v); least > 0 {
		scatter = max(scatter, least*least/6/stretchS)
	}
	c := look / rest
	v := scatter * (tt + c*c*nn + 2*c*tn) / (det * rest * rest)
	return &LookSeen{RestS: c, SES: math.Sqrt(v), DoF: dof}
}

// stepOfCounter is the least move of a counter, in its unit.
func stepOfCounter(v []float64) float64 {
	least := 0.0
	for i := 1; i < len(v); i++ {
		if d := math.Abs(v[i] - v[i-1]); d > 0 && (least == 0 || d < least) {
			least = d
		}
	}
	return least
}

// lookCost puts the guess and what was seen together: the middle and the 95 % of what is
// left, s of rest.
func lookCost(earlier []LookSeen, own *LookSeen) Interval {
	const points, least, most = 1200, 0.05, 20_000.0
	step := math.Log(most/least) / points
	logs, worst := make([]float64, points+1), math.Inf(-1)
	at := func(i int) float64 { return least * math.Exp(float64(i)*step) }
	for i := range logs {
		c := at(i)
		z := math.Log(c/lookGuessS) / lookGuessSD
		logs[i] = -z * z / 2
		see := func(s LookSeen, between float64) {
			if !(s.SES > 0) || !(s.DoF > 0) || math.IsInf(s.SES, 0) {
				return
			}
			// Student's t: the error itself was seen in a few stretches only.
			v := s.SES*s.SES + between*between*c*c
			logs[i] -= math.Log(v)/2 + (s.DoF+1)/2*math.Log1p((c-s.RestS)*(c-s.RestS)/(v*s.DoF))
		}
		for _, s := range earlier {
			see(s, lookBetween)
		}
		if own != nil {
			see(*own, 0)
		}
		worst = max(worst, logs[i])
	}
	sum := 0.0
	for i := range logs {
		logs[i] = math.Exp(logs[i] - worst)
		sum += logs[i]
	}
	quantile := func(p float64) float64 {
		left := p * sum
		for i, v := range logs {
			if left -= v; left <= 0 {
				return at(i)
			}
		}
		return most
	}
	return Interval{Value: quantile(0.5), Low: quantile(0.025), High: quantile(0.975)}
}

// termLooks is the budget's line for what the looks are not known to have drawn.
const termLooks = "what the measuring's own looks drew"

// restful takes what the looks drew off a figure.
func (f *Figure) restful(own *Own) (relSD float64) {
	f.Own = own
	if own == nil {
		return 0
	}
	by := own.factor()
	f.Hours, f.RatePctH = withLooks(f.Hours, by, true), withLooks(f.RatePctH, by, false)
	f.StraightHours *= by.Value
	f.HoursPerWh *= by.Value
	for _, i := range []*Interval{f.PowerW, f.CurrentMA} {
		if i != nil {
			*i = withLooks(*i, by, false)
		}
	}
	if own.Share > 0.2 {
		f.Warnings = append(f.Warnings, fmt.Sprintf("%.0f %% of what was drawn was the measuring's own: look less often (looks_per_hour)", 100*own.Share))
	}
	f.Assumptions = append(f.Assumptions, fmt.Sprintf("%d looks at the sleeping handset (%.1f an hour) drew %.3f %%/h (%.3f to %.3f), %.1f %% of all, which is taken off: by %s; the recorder's own readings, at wake-ups that come anyway, are counted as rest",
		own.Looks, own.LooksPerH, own.PctH.Value, own.PctH.Low, own.PctH.High, 100*own.Share, own.Basis))
	return math.Log(by.High/by.Low) / (2 * z95)
}
