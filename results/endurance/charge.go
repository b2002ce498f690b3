package endurance

import (
	"math"
	"sort"
)

// charge is the rate by charge, from a counter or from current integrated over time.
type charge struct {
	rate     float64 // %/h of the learned full charge; 0 where not usable
	variance float64 // relative, of that rate, wandering aside
	wander   float64 // relative variance from wandering power, as seen
	shared   float64 // relative covariance with the rate by level: the bend that both have
}

// counterReading is what the charge counter says.
type counterReading struct {
	charge
	gauge    Gauge
	step     float64 // in the counter's unit; 0 where too small to be seen, or the counter is not usable
	mA       float64 // mean current in the window by the counter; 0 where not usable
	jump     counterJump
	warnings []string
}

// currentReading is what the current readings say.
type currentReading struct {
	charge
	mA       float64 // mean of the absolute current in the window; 0 where there is none
	watts    float64 // mean of voltage times current, W; 0 where there is none
	variance float64 // relative variance of these means: scatter and locking
	lock     float64 // the part of it from locking
	warnings []string
}

// The most a counter may move in one step, as a fraction of full charge, to be
// more than the level in other words.
const coarseStep = 0.005

// series is a quantity at instants, s of uptime.
type series struct{ t, v []float64 }

func pick(samples []Sample, f func(Sample) *float64) series {
	var s series
	for _, x := range samples {
		if p := f(x); p != nil && !math.IsNaN(*p) && !math.IsInf(*p, 0) {
			s.t = append(s.t, x.T.Seconds())
			s.v = append(s.v, *p)
		}
	}
	return s
}

// absolute is the current without its sign.
func absolute(samples []Sample) series {
	return pick(samples, func(s Sample) *float64 {
		if s.Current == nil {
			return nil
		}
		v := math.Abs(*s.Current)
		return &v
	})
}

// at is the value at t, straight between the readings around it. ok is false outside.
func (s series) at(t float64) (v float64, ok bool) {
	i := sort.SearchFloat64s(s.t, t)
	switch {
	case i < len(s.t) && s.t[i] == t:
		return s.v[i], true
	case i == 0 || i == len(s.t):
		return 0, false
	}
	f := (t - s.t[i-1]) / (s.t[i] - s.t[i-1])
	return s.v[i-1] + f*(s.v[i]-s.v[i-1]), true
}

// integral is the running trapezoid of s, 0 at its first reading.
func (s series) integral() series {
	out := series{t: s.t, v: make([]float64, len(s.v))}
	for i := 1; i < len(s.v); i++ {
		out.v[i] = out.v[i-1] + (s.v[i]+s.v[i-1])/2*(s.t[i]-s.t[i-1])
	}
	return out
}

// mean is the time-weighted mean from a to b.
func (s series) mean(a, b float64) (float64, bool) {
	if len(s.t) == 0 {
		return 0, false
	}
	a, b = max(a, s.t[0]), min(b, s.t[len(s.t)-1])
	if b <= a {
		return s.v[0], true
	}
	q := s.integral()
	qa, _ := q.at(a)
	qb, _ := q.at(b)
	return (qb - qa) / (b - a), true
}

// fallRate is how fast q (something that falls) falls per hour over whole loops from t0,
// with the relative variance from wandering power; noise is the relative variance that scattered readings give the whole
// window, which the blocks show as well and which is counted elsewhere. ok is false where q does not cover the window.
func fallRate(q series, t0, t1, loopS, noise float64) (perHour, wander float64, ok bool) {
	length := t1 - t0
	block := length
	if loopS > 0 && loopS <= length {
		length = math.Floor(length/loopS+1e-9) * loopS
		block = loopS * math.Ceil(100/loopS)
	} else {
		block = 100
	}
	a, okA := q.at(t0)
	z, okZ := q.at(t0 + length)
	if !okA || !okZ || length <= 0 {
		return 0, 0, false
	}
	perHour = (a - z) * 3600 / length
	prior := wanderPrior(length)
	// Blocks are whole loops, so that the loop itself is no scatter; ten at the most.
	n := int(length / block)
	if n > 10 {
		block *= math.Ceil(float64(n) / 10)
		n = int(length / block)
	}
	if n < 3 || perHour <= 0 {
		return perHour, prior, true
	}
	d := make([]float64, n)
	mean := 0.0
	for i := range d {
		x, _ := q.at(t0 + float64(i)*block)
		y, _ := q.at(t0 + float64(i+1)*block)
		d[i] = x - y
		mean += d[i] / float64(n)
	}
	if mean <= 0 {
		return perHour, prior, true
	}
	c0, c1 := 0.0, 0.0
	for i := range d {
		d[i] = d[i]/mean - 1
		c0 += d[i] * d[i]
		if i > 0 {
			c1 += d[i] * d[i-1]
		}
	}
	c0 /= float64(n - 1)
	c1 /= float64(n - 1)
	// An error of reading at a block's end is added to one block and taken from the next:
	// the lag-one term cancels it.
	seen := max(c0+2*c1, 0.3*c0) / float64(n)
	seen = max(seen-noise, 0.3*seen)
	const weight = 6
	return perHour, (weight*prior + float64(n-1)*seen) / (weight + float64(n-1)), true
}

// scaleTo is the power of 1000 that brings v nearest to want.
func scaleTo(v, want float64) float64 {
	return math.Pow(1000, math.Round(math.Log(want/v)/math.Log(1000)))
}

// readCounter judges the charge counter and takes the rate from it.
func readCounter(in Input, w window) counterReading {
	var c counterReading
	q := pick(w.samples, func(s Sample) *float64 { return s.Counter })
	if len(q.t) < 4 || len(q.t) < len(w.samples)/2 {
		return c
	}
	c.jump = jumpOf(in, w, q)
	if n := c.jump.stale; n > 0 {
		q.t, q.v = q.t[n:], q.v[n:]
		c.jump = jumpOf(in, w, q)
		c.jump.stale += n
	}
	perHour, wander, ok := fallRate(q, max(w.t0, q.t[0]), w.t1, in.LoopS, 0)
	if c.jump.says != "" {
		c.warnings = append(c.warnings, c.jump.says+": the counter was not used")
		return c
	}
	drop := q.v[0] - q.v[len(q.v)-1]
	if !ok || perHour <= 0 || drop <= 0 {
		c.warnings = append(c.warnings, "the charge counter does not fall while the level does: not used")
		return c
	}
	// By the level, this much is full; good enough to judge the size of a step.
	full := drop / (q.t[len(q.t)-1] - q.t[0]) * w.length() * 100 / float64(w.points())
	var moves []float64
	rises := 0
	for i := 1; i < len(q.v); i++ {
		switch m := q.v[i-1] - q.v[i]; {
		case m > 0:
			moves = append(moves, m/full)
		case m < 0:
			rises++
		}
	}
	sort.Float64s(moves)
	still := float64(len(q.v)-1-len(moves)) / float64(len(q.v)-1)
	switch {
	case len(moves) == 0 || rises > len(moves)/4:
		c.warnings = append(c.warnings, "the charge counter goes up and down: not used")
		return c
	case moves[len(moves)/2] >= coarseStep && (still > 0.5 || in.Asleep && coarseMoves(moves)):
		c.gauge = GaugeCoarse
		return c
	default:
		c.gauge = GaugeFine
		if step := stepOf(moves); step > 0 {
			c.gauge, c.step = GaugeMedium, step*full
		}
	}
	// The counter's own mA: counters show µAh or mAh, and a handset holds 0.1 to 60 Ah.
	unit := 1.0
	switch {
	case in.DesignMAh > 0:
		unit = scaleTo(full, in.DesignMAh)
	case in.LearnedCounter != nil && *in.LearnedCounter > 0 && *in.LearnedCounter < 60e3:
		unit = scaleTo(full, *in.LearnedCounter)
	case full > 60e3:
		unit = 1e-3
	}
	c.mA = perHour * unit
	c.wander = wander
	if in.LearnedCounter == nil {
		return c
	}
	if !(*in.LearnedCounter > 0) {
		c.warnings = append(c.warnings, "the learned full charge is not above 0: not used")
		return c
	}
	learned := *in.LearnedCounter * scaleTo(*in.LearnedCounter, full)
	c.rate = 100 * perHour / learned
	offset := 1 / c.mA
	c.variance = in.learnedVariance(in.Learned.counter(), c.gauge) + 0.002*0.002 + offset*offset
	c.shared = in.Learned.counter().shared(w)
	return c
}

// learnedVariance is the relative variance of a learned full charge; that of a survey over 75 points where
// only its value is known.
func (in Input) learnedVariance(f *Full, g Gauge) float64 {
	if f != nil {
		return f.RelSD * f.RelSD
	}
	bend := math.Sqrt2 * bendSD[g] / 75
	return bend * bend
}

// stepOf is the largest step, between 0.012 and 0.5 % of full charge, of which all the moves (fractions of full
// charge, rising) are multiples; 0 where there is none.
func stepOf(moves []float64) float64 { return stepWithin(moves, 0.00012, coarseStep) }

// coarseMoves says whether the moves of a counter that is read seldom, as that of a handset that sleeps, may be those of
// one that moves with the level: multiples of half a per cent to one and a quarter, or too few to tell.
func coarseMoves(moves []float64) bool {
	return len(moves) < 8 || stepWithin(moves, coarseStep, 0.0125) > 0
}

// stepWithin is stepOf for steps between two sizes.
func stepWithin(moves []float64, least, most float64) float64 {
	if len(moves) < 8 {
		return 0
	}
	found := 0.0 // moves are multiples of every part of their step as well
	for step := least; step < most; step *= 1.004 {
		if moves[0] < 0.8*step {
			break
		}
		re, im := 0.0, 0.0
		for _, m := range moves {
			s, c := math.Sincos(2 * math.Pi * m / step)
			re += c
			im += s
		}
		if re > 0.9*float64(len(moves)) && math.Abs(im) < 0.3*re && counted(moves, step) {
			found = step
		}
	}
	return found
}

// counted says whether sorted moves that are multiples of a step show that it is the counter's and
// not the load's: a steady load moves a fine counter by nearly the same amount from reading to
// reading. Steps come in different numbers or, where it is always the same number, are equal.
func counted(moves []float64, step float64) bool {
	least, most := moves[0], moves[len(moves)-1]
	if math.Round(least/step) != math.Round(most/step) {
		return true
	}
	return most-least < 0.01*least
}

// lockSeen is the relative variance by locking from which the readings count as in step with the loop.
const lockSeen = 0.01 * 0.01

// readCurrent judges the current readings and takes the rate from their integral. Sign
// is dropped, since nothing charges a handset in a drain, and unit and gain cancel against what was
// learned.
func readCurrent(in Input, w window) currentReading {
	var c currentReading
	abs := absolute(w.samples)
	if len(abs.t) < 8 || len(abs.t) < len(w.samples)/2 {
		return c
	}
	// Readings that are not repeats, and how they lie in the loop.
	var fresh []int
	for i := range abs.v {
		if i == 0 || abs.v[i] != abs.v[i-1] {
			fresh = append(fresh, i)
		}
	}
	if len(fresh) < 8 {
		c.warnings = append(c.warnings, "the current reading stands still: not used")
		return c
	}
	mean, _ := abs.mean(w.t0, w.t1)
	if mean <= 0 {
		return c
	}
	volts := pick(w.samples, func(s Sample) *float64 { return s.VoltageMV })
	n := float64(len(fresh))
	sum, sum2 := 0.0, 0.0
	for _, i := range fresh {
		p := abs.v[i]
		if v, ok := volts.at(abs.t[i]); ok {
			p *= v
		} else if len(volts.v) > 0 {
			p *= volts.v[0]
		}
		sum += p
		sum2 += p * p
	}
	cv2 := max(0, sum2/n-(sum/n)*(sum/n)) / ((sum / n) * (sum / n))
	lock := 0.0
	if in.LoopS > 0 {
		for k := 1.0; k <= 6; k++ {
			re, im := 0.0, 0.0
			for _, i := range fresh {
				s, c := math.Sincos(2 * math.Pi * k * abs.t[i] / in.LoopS)
				re += c / n
				im += s / n
			}
			lock += 0.09 * max(0, re*re+im*im-1/n) / (k * k)
		}
	}
	scatter := 0.64*cv2/n + lock
	if lock > lockSeen {
		c.warnings = append(c.warnings, "the current readings fall in step with the script's loop, so they see the same part of it each time: the interval was widened")
	}

	unit := 1.0
	byLevel := mean * w.length() / 3600 * 100 / float64(w.points())
	switch {
	case in.DesignMAh > 0:
		unit = scaleTo(byLevel, in.DesignMAh)
	case in.LearnedCurrent != nil && *in.LearnedCurrent > 0 && *in.LearnedCurrent < 60e3:
		unit = scaleTo(byLevel, *in.LearnedCurrent)
	case byLevel > 60e3:
		unit = 1e-3
	}
	c.mA = mean * unit
	c.variance, c.lock = scatter, lock
	if len(volts.t) > 0 {
		p := series{}
		for i := range abs.t {
			v, ok := volts.at(abs.t[i])
			if !ok {
				v, _ = volts.mean(w.t0, w.t1)
			}
			p.t = append(p.t, abs.t[i])
			p.v = append(p.v, abs.v[i]*unit*v/1e6)
		}
		c.watts, _ = p.mean(w.t0, w.t1)
	}

	if in.LearnedCurrent == nil {
		return c
	}
	if !(*in.LearnedCurrent > 0) {
		c.warnings = append(c.warnings, "the learned full charge is not above 0: not used")
		return c
	}
	q := abs.integral()
	for i := range q.v {
		q.v[i] = -q.v[i]
	}
	perHour, wander, ok := fallRate(q, w.t0, w.t1, in.LoopS, scatter-lock)
	if !ok || perHour <= 0 {
		return c
	}
	perHour /= 3600 // the integral is over seconds
	c.rate = 100 * perHour / (*in.LearnedCurrent * scaleTo(*in.LearnedCurrent, byLevel))
	c.wander = wander
	g := GaugeNone
	if in.Samples[w.first].Counter != nil {
		g = GaugeCoarse // a counter that was of any use would have been used
	}
	c.charge.variance = in.learnedVariance(in.Learned.current(), g) + 0.006*0.006 + scatter
	c.shared = in.Learned.current().shared(w)
	return c
}

// power is the mean power and current in the window. Never from the maker's capacity.
func power(w window, counter counterReading, current currentReading, v voltage, wander float64) (watts, mA *Interval) {
	switch {
	case counter.mA > 0:
		offset := 1 / counter.mA
		sd := math.Sqrt(0.002*0.002 + 0.01*0.01 + offset*offset + wander)
		i := interval(counter.mA, sd)
		mA = &i
		if v.windowMV > 0 {
			p := interval(counter.mA*v.windowMV/1e6, sd)
			watts = &p
		}
	case current.mA > 0:
		sd := math.Sqrt(0.006*0.006 + 0.02*0.02 + current.variance + wander)
		i := interval(current.mA, sd)
		mA = &i
		if current.watts > 0 {
			p := interval(current.watts, sd)
			watts = &p
		}
	}
	return watts, mA
}
