package charging

import (
	"math"
	"slices"
	"sort"
)

// trace is power against time from plug-in, s and W.
type trace struct{ t, v []float64 }

func powers(samples []Sample, since func(Sample) float64, pick func(Sample) *float64) trace {
	var p trace
	for _, s := range samples {
		if v := pick(s); v != nil {
			p.t = append(p.t, since(s))
			p.v = append(p.v, *v)
		}
	}
	return p
}

// standby is the power at which a record at the plug ends: what charger and handset draw once the charge is over. 0 where
// it does not end with two quiet minutes at a tenth of the peak or less.
func (p trace) standby() float64 {
	n := len(p.t)
	last := p.t[n-1] - 120
	var w []float64
	for i := n - 1; i >= 0 && p.t[i] >= last; i-- {
		w = append(w, p.v[i])
	}
	sort.Float64s(w)
	if len(w) < 2 || w[len(w)-1] > 0.1*slices.Max(p.v) || w[len(w)-1]-w[0] > 0.3*middle(w) {
		return 0
	}
	return middle(w)
}

// less is the trace with a constant power taken off.
func (p trace) less(w float64) trace {
	out := trace{p.t, make([]float64, len(p.v))}
	for i, v := range p.v {
		out.v[i] = max(0, v-w)
	}
	return out
}

// heldS is how long a power may stand still because the gauge did not look again, s. What stands longer is steady.
const heldS = 120

// stillShare is the share of itself by which a power stands still: the product of a held current and a voltage that is looked at
// more often moves by a few mV.
const stillShare = 0.0015

// readings are those that say something new: a gauge that refreshes seldom shows a reading again and again, and the repeats are
// none. everyS is how far apart they usually lie while power flows.
func (p trace) readings() (out trace, everyS float64) {
	coarse := p.coarse()
	for i := 0; i < len(p.t); {
		j := i + 1
		for j < len(p.t) && math.Abs(p.v[j]-p.v[i]) <= stillShare*math.Abs(p.v[i]) {
			j++
		}
		to := i + 1
		if coarse || p.t[j-1]-p.t[i] >= heldS {
			to = j
		}
		out.t, out.v = append(out.t, p.t[i:to]...), append(out.v, p.v[i:to]...)
		i = j
	}
	flows := 0.05 * slices.Max(p.v)
	var steps []float64
	for i := 1; i < len(out.t); i++ {
		if out.v[i] >= flows && out.v[i-1] >= flows {
			steps = append(steps, out.t[i]-out.t[i-1])
		}
	}
	if len(steps) == 0 {
		return out, math.Inf(1)
	}
	sort.Float64s(steps)
	return out, middle(steps)
}

// spacing is how far apart readings usually lie, repeats counted.
func (p trace) spacing() float64 {
	steps := make([]float64, 0, len(p.t))
	for i := 1; i < len(p.t); i++ {
		steps = append(steps, p.t[i]-p.t[i-1])
	}
	sort.Float64s(steps)
	return middle(steps)
}

// coarse reports whether power moves by one and the same step most of the time, as an instrument with few digits shows it: it then
// stands still because it hardly changes.
func (p trace) coarse() bool {
	var moves []float64
	for i := 1; i < len(p.v); i++ {
		if d := math.Abs(p.v[i] - p.v[i-1]); d > 0 {
			moves = append(moves, d)
		}
	}
	if len(moves) == 0 {
		return true
	}
	sort.Float64s(moves)
	n := sort.SearchFloat64s(moves, 1.5*moves[0])
	return n > len(moves)*2/5
}

// withoutSpikes takes single readings that stand out from both neighbours, where these agree, for what the neighbours say: a burst
// of a second that a reading happened to hit, or a gauge then held.
func (p trace) withoutSpikes() trace {
	out := trace{p.t, slices.Clone(p.v)}
	for i := 1; i+1 < len(p.v); i++ {
		a, b, c := p.v[i-1], p.v[i], p.v[i+1]
		lo, hi := min(a, c), max(a, c)
		if lo <= 0 {
			continue
		}
		apart := math.Log(hi / lo)
		off := max(math.Log(max(b, 1e-9)/hi), math.Log(lo/max(b, 1e-9)))
		if off > 0.04 && off > 1.5*apart {
			out.v[i] = (a + c) / 2
		}
	}
	return out
}

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
		out.v[i] = middle(w)
	}
	return out
}

// middle is the median of values in order.
func middle(w []float64) float64 {
	n := len(w)
	return (w[(n-1)/2] + w[n/2]) / 2
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

// An account is energy with the standard deviation of what was not seen between readings, J.
type account struct {
	joules, sd float64
	course     trace // energy so far at each reading, J
}

// integral is the trapezoid from plug-in (0) up to a time. everyS is how far apart independent readings lie, plugWithin how far
// plug-in may be off, s.
//
// What happened between two readings is not known: where they differ, power may have changed at any moment between them,
// and each reading hits a moment of power that jumps about. Both are in the standard deviation.
func (p trace) integral(until, everyS, plugWithin float64) account {
	var a account
	if len(p.t) == 0 {
		return a
	}
	jump := 0.0
	add := func(dt, from, to float64) {
		a.joules += (from + to) / 2 * dt
		jump += (to - from) * (to - from) * dt * dt / 12
		if dt > 3*everyS && dt > 90 { // a gap
			w := 0.05 * max(from, to) * dt
			jump += w * w
		}
	}
	// Power came up within seconds of plug-in, which a gauge shows when it looks next: until then what it shows is old.
	first := sort.SearchFloat64s(p.t, 0)
	if first == len(p.t) {
		return a
	}
	if p.t[first] > 0 || p.v[first] <= 0 {
		up := 0.5 * slices.Max(p.v[first:min(first+1+int(120/everyS), len(p.v))])
		for first+1 < len(p.t) && p.t[first+1] < latestS && p.v[first] < up {
			first++
		}
		t, v := p.t[first], p.v[first]
		a.joules = v * max(t/2, t-rampS/2)
		w := v * (min(t, rampS)/2 + 2*plugWithin) / math.Sqrt(12)
		jump = w * w
	}
	last := p.t[first]
	a.course.t, a.course.v = append(a.course.t, last), append(a.course.v, a.joules)
	for i := first + 1; i < len(p.t) && last < until; i++ {
		t, v := p.t[i], p.v[i]
		if t > until {
			t, v = until, p.at(until)
		}
		add(t-last, p.v[i-1], v)
		last = t
		a.course.t, a.course.v = append(a.course.t, last), append(a.course.v, a.joules)
	}
	distinct, _ := p.readings()
	n := max(1, min(until, last)/everyS)
	noise := max(0.03, distinct.noise()) * a.joules / math.Sqrt(n)
	a.sd = math.Sqrt(jump + noise*noise)
	return a
}

// noise is the relative standard deviation of single readings, by second differences, which neither steps nor slow changes disturb.
func (p trace) noise() float64 {
	var second []float64
	top := slices.Max(p.v)
	for i := 1; i+1 < len(p.t); i++ {
		if p.v[i] > 0.1*top {
			second = append(second, math.Abs(p.v[i-1]-2*p.v[i]+p.v[i+1])/p.v[i])
		}
	}
	if len(second) == 0 {
		return 0
	}
	sort.Float64s(second)
	return 1.4826 / math.Sqrt(6) * middle(second) // median of the absolute value of a normal one
}

// rampS is the time in which power comes up after plug-in, and latestS that in which any gauge has seen it, s: common practice, no
// source.
const (
	rampS   = 15.0 // a fraction, so that its half is one
	latestS = 70.0
)
