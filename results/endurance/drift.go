package endurance

import (
	"fmt"
	"math"
	"slices"
)

// As a handset warms, its power drifts: by D (1 - exp(-t/tau)) of what it was at the beginning. A segment ends before the
// handset is warm, so that how it goes on matters for its hours. Here D is taken from what was assumed of handsets, from
// what this one was seen to do, and from the window's own power, each by its uncertainty.
//
// The fit is Bayesian linear regression with a free level for each stretch, mixed over a few time constants and sizes
// by their marginal likelihoods (Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, chapters 14 and 22; from memory).

// Over handsets, power drifts by a relative sd of 3 % until they are warm: most by bodySD, and a share of tailShare by tailSD.
// transferSD is how far the drift at one load lies from the mean of the handset's loads. Assumed: no public log of handsets was found.
const (
	driftSD    = 0.03 // of all together
	bodySD     = 0.026
	tailSD     = 0.065
	tailShare  = 0.08
	transferSD = 0.010
)

// driftTaus are the time constants that are tried, s, with how probable each is. Assumed.
var driftTaus = []struct{ tau, p float64 }{{900, 0.2}, {1800, 0.4}, {2700, 0.25}, {7200, 0.15}}

// A PowerBlock is the mean power of a stretch of a drain.
type PowerBlock struct {
	FromS float64 `json:"from_s"` // since the activity began
	ToS   float64 `json:"to_s"`
	Log   float64 `json:"log"` // of the power; its unit is whatever the readings have
	SD    float64 `json:"sd"`  // of that, from wandering power and reading
}

// A driftBelief is one time constant and size, with what is believed of D by them.
type driftBelief struct {
	tau, mean, variance float64
	log                 float64 // of its probability
}

// A Drift is what is believed of how a handset's power drifts.
type Drift struct {
	beliefs []driftBelief
	// Mean and SD are of the whole drift, relative.
	Mean, SD float64
	// Seen is from how many drains.
	Seen int
}

// assumedDrift is that of a handset of which nothing was seen.
func assumedDrift() Drift {
	var d Drift
	for _, t := range driftTaus {
		d.beliefs = append(d.beliefs,
			driftBelief{t.tau, 0, bodySD * bodySD, math.Log(t.p * (1 - tailShare))},
			driftBelief{t.tau, 0, tailSD * tailSD, math.Log(t.p * tailShare)})
	}
	d.sum()
	return d
}

// drift is what is believed beforehand of one drain of a handset.
func (l *Learned) drift() Drift {
	if l == nil || l.Drift == nil {
		return assumedDrift()
	}
	d := *l.Drift
	d.beliefs = slices.Clone(d.beliefs)
	for i := range d.beliefs {
		d.beliefs[i].variance += transferSD * transferSD
	}
	d.sum()
	return d
}

// sum brings the probabilities to a sum of one, and works out mean and sd.
func (d *Drift) sum() {
	most := math.Inf(-1)
	for _, b := range d.beliefs {
		most = max(most, b.log)
	}
	all := 0.0
	for _, b := range d.beliefs {
		all += math.Exp(b.log - most)
	}
	d.Mean = 0
	square := 0.0
	for i := range d.beliefs {
		b := &d.beliefs[i]
		b.log -= most + math.Log(all)
		p := math.Exp(b.log)
		d.Mean += p * b.mean
		square += p * (b.variance + b.mean*b.mean)
	}
	d.SD = math.Sqrt(max(0, square-d.Mean*d.Mean))
}

// warmed is the mean of 1 - exp(-t/tau) from a to b.
func warmed(a, b, tau float64) float64 {
	return 1 - tau*(math.Exp(-a/tau)-math.Exp(-b/tau))/(b-a)
}

// see takes a stretch's powers in; otherwise is the sd of how far its D may be from the handset's.
func (d *Drift) see(blocks []PowerBlock, otherwise float64) {
	if len(blocks) < 4 {
		return
	}
	// What scatters more than its errors say (a script that goes on to other things) says less of drift.
	scale := math.Inf(1)
	fit := func(tau float64) (at, variance, rest float64) {
		sw, sh, sy := 0.0, 0.0, 0.0
		for _, b := range blocks {
			w := 1 / (b.SD * b.SD)
			sw, sh, sy = sw+w, sh+w*warmed(b.FromS, b.ToS, tau), sy+w*b.Log
		}
		hh, hy, yy := 0.0, 0.0, 0.0
		for _, b := range blocks {
			w, h, y := 1/(b.SD*b.SD), warmed(b.FromS, b.ToS, tau)-sh/sw, b.Log-sy/sw
			hh, hy, yy = hh+w*h*h, hy+w*h*y, yy+w*y*y
		}
		return hy / hh, 1 / hh, yy - hy*hy/hh
	}
	for _, t := range driftTaus {
		_, _, rest := fit(t.tau)
		scale = min(scale, rest)
	}
	const weight = 6
	scale = max(1, (weight+scale)/(weight+float64(len(blocks)-2)))
	for i := range d.beliefs {
		b := &d.beliefs[i]
		at, v, rest := fit(b.tau)
		v = v*scale + otherwise*otherwise
		b.log += -rest/scale/2 + math.Log(v-otherwise*otherwise)/2 - math.Log(v+b.variance)/2 - (at-b.mean)*(at-b.mean)/(v+b.variance)/2
		b.mean, b.variance = (b.mean*v+at*b.variance)/(v+b.variance), v*b.variance/(v+b.variance)
	}
	d.Seen++
	d.sum()
}

// ahead is by how much the mean power of a whole discharge lies above that between t0 and t1 s after the start, as a
// logarithm, with its variance.
func (d Drift) ahead(t0, t1, wholeS float64) (mean, variance float64) {
	square := 0.0
	for _, b := range d.beliefs {
		whole, here := warmed(0, wholeS, b.tau), warmed(max(0, t0), t1, b.tau)
		m := math.Log((1 + b.mean*whole) / (1 + b.mean*here))
		p := math.Exp(b.log)
		mean += p * m
		square += p * (m*m + b.variance*(whole-here)*(whole-here))
	}
	return mean, max(0, square-mean*mean)
}

// driftFrom is how long after the start the first power is looked at, s: until then the start itself draws more.
const driftFrom = 300.0

// readS is how old a reading of a counter or a current may be, s. Assumed.
const readS = 10.0

// powerBlocks are the mean powers from driftFrom on until the window ends, in stretches of whole loops that grow with time;
// nil where the handset shows too little.
func powerBlocks(in Input, w window, counter counterReading, current currentReading) []PowerBlock {
	if in.Asleep || counter.jump.says != "" || counter.jump.stale > 0 {
		return nil
	}
	began := in.ActivityT.Seconds()
	from := began + max(driftFrom, in.WarmUpS)
	var part []Sample
	for _, s := range in.Samples {
		if s.T.Seconds() >= from-60 && s.T.Seconds() <= w.t1+60 && !s.Plugged {
			part = append(part, s)
		}
	}
	volts := pick(part, func(s Sample) *float64 { return s.VoltageMV })
	if len(volts.t) < len(part)/2 || len(part) < 8 {
		return nil
	}
	var q series
	step, scatter := 0.0, 0.0 // step of the counter in its unit; relative variance times s
	switch {
	case counter.mA > 0:
		q = pick(part, func(s Sample) *float64 { return s.Counter })
		step = counter.step
	case current.mA > 0 && current.lock < lockSeen:
		q = absolute(part).integral()
		for i := range q.v {
			q.v[i] = -q.v[i]
		}
		scatter = (current.variance - current.lock) * w.length()
	}
	if len(q.t) < len(part)/2 || len(q.t) < 8 {
		return nil
	}
	from = max(from, q.t[0])
	end := min(w.t1, q.t[len(q.t)-1])
	loop := in.LoopS
	if loop <= 0 || loop > 600 {
		loop = 60
	}
	every := usualSpacing(part)
	late := (readS*readS + every*every/4) / 6 // of the two ends of a stretch, s²
	var blocks []PowerBlock
	for t := from; ; {
		n := math.Ceil(max(240, 0.25*(t-began)) / loop)
		next := t + n*loop
		if next > end {
			break
		}
		a, okA := q.at(t)
		z, okZ := q.at(next)
		mv, okV := volts.mean(t, next)
		if fell := a - z; okA && okZ && okV && fell > 0 && mv > 0 {
			s, c := next-t, step/fell
			blocks = append(blocks, PowerBlock{t - began, next - began, math.Log(fell / s * mv), math.Sqrt(wanderPrior(s) + late/(s*s) + c*c/6 + scatter/s)})
		}
		t = next
	}
	return blocks
}

// says is the line of assumptions about it.
func (d Drift) says() string {
	if d.Seen == 0 {
		return fmt.Sprintf("hours are at the power of the measured window; as the handset warms, power drifts by %.0f %% (one standard deviation)", 100*driftSD)
	}
	return fmt.Sprintf("hours are at the power of the measured window; as the handset warms, power drifts by %+.1f %% give or take %.1f (one standard deviation), by what %s and what is assumed of handsets",
		100*d.Mean, 100*d.SD, map[bool]string{true: "the window shows", false: fmt.Sprintf("%d drains of the handset show", d.Seen)}[d.Seen == 1])
}
