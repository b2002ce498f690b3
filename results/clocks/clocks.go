// Package clocks brings the record of a separate meter into the time of a handset's
// record: the shift between the two clocks, how fast the one runs against the other, and
// how well both are known.
//
// Two things say where the one record lies in the other: the moment of plugging in, which
// both show, and the course of power, which both follow. The first gives the place to
// begin, or all there is where the second says nothing; the second gives shift and rate.
//
// Plain values in, plain values out: no store, no clock, no logger. These errors leave
// it: [ErrTooFew], [ErrNoMatch], [ErrAmbiguous], [ErrDisagree].
package clocks

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

var (
	// ErrTooFew means that a record has too few points, or too few in common.
	ErrTooFew = errors.New("too few points to line up")
	// ErrNoMatch means that the records do not follow each other anywhere.
	ErrNoMatch = errors.New("the records do not follow each other")
	// ErrAmbiguous means that they do so at two places about equally well.
	ErrAmbiguous = errors.New("the records fit at more than one place")
	// ErrDisagree means that plug-in moment and course of power say different shifts.
	ErrDisagree = errors.New("plug-in moment and course of power disagree")
)

// A Point is a value at an instant of its record's own clock. Records are in the order of
// time; what was not recorded is simply missing.
type Point struct {
	At    time.Time
	Value float64 // W; of the handset power into the battery, of the meter arriving power
}

// A Moment is when something happened: after After and not after By.
type Moment struct {
	After, By time.Time
}

func (m Moment) middle() time.Time   { return m.After.Add(m.By.Sub(m.After) / 2) }
func (m Moment) half() time.Duration { return m.By.Sub(m.After) / 2 }

// Options say what is known beforehand. Zero values stand for what is said at each.
type Options struct {
	// HandsetPlugIn and MeterPlugIn are when power came, each by its record's clock; nil
	// stands for what the record's power shows by itself.
	HandsetPlugIn, MeterPlugIn *Moment
	// RateSDPPM is how far two clocks usually run apart, as a standard deviation; 0 stands
	// for 200 ppm. Common practice, no source: watch crystals are good to some tens of ppm,
	// cheap meters' oscillators to some hundreds. It decides only where the records do not.
	RateSDPPM float64
	// LeastCorrelation is what the records must at least have for the course of power to
	// count; 0 stands for 0.6.
	LeastCorrelation float64
}

// A Fit is how a meter's record lies in the handset's time.
type Fit struct {
	// Ref is an instant of the meter's clock. There, Shift is added to the meter's time to
	// get the handset's; away from it, RatePPM microseconds more for every second. Ref is
	// the instant at which errors of shift and rate are independent.
	Ref         time.Time     `json:"ref"`
	Shift       time.Duration `json:"shift_ns"`
	ShiftU95    time.Duration `json:"shift_u95_ns"` // half-width of the 95 % interval at Ref
	RatePPM     float64       `json:"rate_ppm"`
	RateU95PPM  float64       `json:"rate_u95_ppm"`
	By          string        `json:"by"`          // ByCourse or ByPlugIn
	Correlation float64       `json:"correlation"` // of handset and meter as lined up; 0 for none
	Points      int           `json:"points"`      // of the handset's record that took part
	// PlugIn is the shift at the moment of plugging in by that moment alone, nil where one
	// of the records does not show it; PlugInWithin is the half-width within which it lies.
	PlugIn       *time.Duration `json:"plug_in_ns,omitempty"`
	PlugInWithin time.Duration  `json:"plug_in_within_ns,omitempty"`
	Notes        []string       `json:"notes,omitempty"`
}

// What a Fit rests on.
const (
	ByCourse = "course of power"
	ByPlugIn = "plug-in moment"
)

// Time is an instant of the meter's clock in the handset's time.
func (f Fit) Time(meter time.Time) time.Time {
	away := meter.Sub(f.Ref)
	return meter.Add(f.Shift + time.Duration(math.Round(away.Seconds()*f.RatePPM*1e3)))
}

// U95 is the half-width of the 95 % interval of Time at an instant of the meter's clock.
func (f Fit) U95(meter time.Time) time.Duration {
	return time.Duration(math.Hypot(float64(f.ShiftU95), meter.Sub(f.Ref).Seconds()*f.RateU95PPM*1e3))
}

// Apply returns a meter's record in the handset's time.
func (f Fit) Apply(meter []Point) []Point {
	out := make([]Point, len(meter))
	for i, p := range meter {
		out[i] = Point{f.Time(p.At), p.Value}
	}
	return out
}

// String is the fit in one line, for reports.
func (f Fit) String() string {
	text := fmt.Sprintf("meter's clock lined up by %s: %+.2f s ± %.2f s at %s", f.By, f.Shift.Seconds(), f.ShiftU95.Seconds(), f.Ref.UTC().Format(time.DateTime))
	text += fmt.Sprintf(", rate %+.0f ppm ± %.0f ppm", f.RatePPM, f.RateU95PPM)
	if f.By == ByCourse {
		text += fmt.Sprintf(", correlation %.3f", f.Correlation)
	}
	return text
}

// fewest points that a record must have.
const fewest = 20

// Align finds how the meter's record lies in the handset's time. With ErrDisagree and
// ErrAmbiguous comes the fit that would have been, for the eyes of a person.
func Align(handset, meter []Point, o Options) (Fit, error) {
	if o.RateSDPPM <= 0 {
		o.RateSDPPM = 200
	}
	if o.LeastCorrelation <= 0 {
		o.LeastCorrelation = 0.6
	}
	h, err := tidy(handset)
	if err != nil {
		return Fit{}, fmt.Errorf("handset's record: %w", err)
	}
	m, err := tidy(meter)
	if err != nil {
		return Fit{}, fmt.Errorf("meter's record: %w", err)
	}
	// A battery that gives power takes none from the meter.
	for i, v := range h.v {
		h.v[i] = max(v, 0)
	}
	hp, mp := o.HandsetPlugIn, o.MeterPlugIn
	if hp == nil {
		hp = h.plugIn()
	}
	if mp == nil {
		mp = m.plugIn()
	}
	fresh, held := h.fresh()
	a := aligner{h: fresh, m: m.filled(), o: o}
	var plug *plugged
	if hp != nil && mp != nil {
		plug = &plugged{
			shift:  hp.middle().Sub(h.start).Seconds() - mp.middle().Sub(m.start).Seconds(),
			within: (hp.half() + mp.half()).Seconds(),
			at:     mp.middle().Sub(m.start).Seconds(),
		}
	}
	place, rival, found := a.coarse(plug)
	if found {
		if f, good := a.fine(place); good {
			fit, err := a.checked(f, plug, rival)
			if held {
				fit.Notes = append(fit.Notes, fmt.Sprintf("the handset holds each value for about %.0f s, so its record may lag by as much", fresh.every))
			}
			return fit, err
		}
	}
	if plug == nil {
		return Fit{}, fmt.Errorf("%w, and plugging in is not seen in both; is it the same charge", ErrNoMatch)
	}
	return a.byPlugIn(plug), nil
}

type aligner struct {
	h, m series
	o    Options
}

// mostBins keeps the coarse search short: its time grows with the square.
const mostBins = 4000

// coarse finds the shift (s to add to the meter's time, both from their starts) at which
// handset and meter correlate best, to within a bin, and how much worse the next best
// place is as the ratio of what each leaves unexplained.
func (a aligner) coarse(plug *plugged) (place, rival float64, found bool) {
	bin := max(a.h.every, a.m.every, max(a.h.end(), a.m.end())/mostBins)
	h, m := bins(a.h, bin), bins(a.m, bin)
	least := max(fewest/2, min(filled(h), filled(m))*3/10)
	lo, hi := -len(m)+1, len(h)-1
	if plug != nil {
		// Power into the battery may come up slowly, so a minute is allowed beside the moment.
		around := plug.within + 2*bin + 60
		lo = max(lo, int(math.Floor((plug.shift-around)/bin)))
		hi = min(hi, int(math.Ceil((plug.shift+around)/bin)))
	}
	if lo > hi {
		return 0, 0, false
	}
	left := make([]float64, hi-lo+1) // unexplained share of variance, 1 - r²; 1 where they do not follow
	best := -1
	for i := range left {
		left[i] = unexplained(h, m, lo+i, least)
		if left[i] < 1 && (best < 0 || left[i] < left[best]) {
			best = i
		}
	}
	if best < 0 {
		return 0, 0, false
	}
	rival = math.Inf(1)
	// Another place is a minimum of its own, apart from the slopes of the best one.
	const apart = 4
	for i := apart; i < len(left)-apart; i++ {
		if d := i - best; d < -apart || d > apart {
			if left[i] < 1 && left[i] <= slices.Min(left[i-apart:i]) && left[i] <= slices.Min(left[i+1:i+apart+1]) {
				rival = min(rival, left[i]/max(left[best], 1e-9))
			}
		}
	}
	return float64(lo+best) * bin, rival, true
}

// fast is the part of vs that no polynomial of time has. ts is any scale of time; the
// polynomials are made orthogonal over the points there are. The first call makes them.
type fast struct{ basis [degree + 1][]float64 }

func (f *fast) over(ts []float64) {
	n := len(ts)
	first, last := ts[0], ts[n-1]
	for d := range f.basis {
		f.basis[d] = f.basis[d][:0]
		for i, t := range ts {
			v := 1.0
			if d > 0 {
				v = f.basis[d-1][i] * (2*(t-first)/max(last-first, 1e-9) - 1)
			}
			f.basis[d] = append(f.basis[d], v)
		}
		for e := range d {
			subtract(f.basis[d], f.basis[e])
		}
		norm := math.Sqrt(dot(f.basis[d], f.basis[d]))
		for i := range f.basis[d] {
			f.basis[d][i] /= max(norm, 1e-12)
		}
	}
}

func (f *fast) of(vs []float64) {
	for _, b := range f.basis {
		subtract(vs, b)
	}
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}

// subtract takes the share of a unit vector out of vs.
func subtract(vs, unit []float64) {
	share := dot(vs, unit)
	for i := range vs {
		vs[i] -= share * unit[i]
	}
}

// at is the record's value at an instant: the mean of the points around it, weighted by
// the cubic B-spline over the usual distance. Unlike a straight line between two points it
// takes in about as much noise wherever the instant lies between them, so that noise does
// not draw the fit to the middle. false where one of the two points on either side was not
// recorded: a step that fell into a gap must neither be smeared nor made up.
func (s series) at(u float64, from int) (value float64, before int, ok bool) {
	for from > 0 && s.t[from] > u {
		from--
	}
	for from+1 < len(s.t) && s.t[from+1] <= u {
		from++
	}
	if from < 1 || from+2 >= len(s.t) {
		return 0, from, false
	}
	const near = 1.6
	for i := from - 1; i <= from+1; i++ {
		if s.t[i+1]-s.t[i] > near*s.every {
			return 0, from, false
		}
	}
	sum, weight := 0.0, 0.0
	for i := max(0, from-4); i < len(s.t) && s.t[i] < u+2*s.every; i++ {
		w := spline(math.Abs(s.t[i]-u) / s.every)
		sum += w * s.v[i]
		weight += w
	}
	return sum / weight, from, weight > 0
}

func spline(d float64) float64 {
	switch {
	case d < 1:
		return 2.0/3 - d*d + d*d*d/2
	case d < 2:
		return (2 - d) * (2 - d) * (2 - d) / 6
	}
	return 0
}

// judged is what a shift and a rate leave unexplained.
type judged struct {
	cost float64 // minus twice the logarithm of the likelihood, each window with its own noise
	n    int     // points that took part
	r    float64 // correlation over all, slow course and fast
}

// judge holds the handset's points against the meter's record, shifted by shift at ref (s
// of the handset's record) and running rate faster. visit, where not nil, is told of each
// window its number, its cost, by how much the meter's record lowered that, and what is left.
func (a aligner) judge(shift, rate, ref float64, visit func(window int, cost, follows float64, left []float64)) judged {
	k := windows(len(a.h.t))
	tiny := 1e-9 * (1 + meanSquare(a.h.v))
	var all regression
	var f fast
	var ts, xs, ys []float64
	out := judged{}
	window := func(number, size int) {
		n := len(ts)
		if n > degree+4 && n >= size/2 {
			f.over(ts)
			f.of(xs)
			f.of(ys)
			before := dot(ys, ys)
			gain := 0.0
			if xx := dot(xs, xs); xx > tiny {
				gain = dot(xs, ys) / xx
			}
			for i := range ys {
				ys[i] -= gain * xs[i]
			}
			// Windows count by the points of the handset, however many the shift leaves.
			cost := float64(size) * math.Log(dot(ys, ys)/float64(n)+tiny)
			follows := float64(size)*math.Log(before/float64(n)+tiny) - cost
			out.cost += cost
			if visit != nil {
				visit(number, cost, follows, ys)
			}
		}
		ts, xs, ys = ts[:0], xs[:0], ys[:0]
	}
	from, size, now := 0, 0, 0
	for i, t := range a.h.t {
		if w := i * k / len(a.h.t); w != now {
			window(now, size)
			size, now = 0, w
		}
		size++
		// handset = meter + shift + rate * (meter - meter at ref); solved for the meter's time.
		x, next, ok := a.m.at((t-ref)/(1+rate)+ref-shift, from)
		from = min(next, len(a.m.t)-1)
		if !ok {
			continue
		}
		ts, xs, ys = append(ts, t), append(xs, x), append(ys, a.h.v[i])
		all.add(x, a.h.v[i])
	}
	window(now, size)
	out.n, out.r = int(all.n), all.correlation()
	return out
}

// fine finds shift and rate from a coarse place on. good is false where the records do
// not follow each other well enough for that.
func (a aligner) fine(place float64) (fit fineFit, good bool) {
	every := max(a.h.every, a.m.every)
	bin := max(every, max(a.h.end(), a.m.end())/mostBins)
	// The middle of what they have in common is where shift and rate disturb each other least.
	ref := (max(0, place) + min(a.h.end(), a.m.end()+place)) / 2

	n0 := a.judge(place, 0, ref, nil).n
	if n0 < fewest/2 {
		return fineFit{}, false
	}
	prior := a.o.RateSDPPM * 1e-6
	cost := func(shift, rate float64) float64 {
		j := a.judge(shift, rate, ref, nil)
		if j.n < n0*8/10 {
			return math.Inf(1)
		}
		return j.cost + rate*rate/(prior*prior)
	}
	best := [2]float64{place, 0}
	low := cost(best[0], best[1])
	// look tries a grid of shifts and rates around the best so far.
	look := func(wide float64, steps int, rateWide float64) {
		centre := best
		for i := -steps; i <= steps; i++ {
			for j := -4; j <= 4; j++ {
				s, r := centre[0]+wide*float64(i)/float64(steps), centre[1]+rateWide*float64(j)/4
				if c := cost(s, r); c < low {
					low, best = c, [2]float64{s, r}
				}
			}
		}
	}
	look(5*bin, min(60, int(math.Ceil(5*bin/every))), 3*prior)
	for wide, rateWide := 2*every, 2*prior; wide > every/50; wide, rateWide = wide/2, rateWide/2 {
		look(wide, 4, rateWide)
	}
	// From the place where the whole fits best, each window is asked for its own shift, and
	// a straight line is laid through what they say.
	var line straight
	for range 3 {
		line = a.through(a.ask(best[0], best[1], ref, every), ref, prior, best[1])
		if line.n == 0 {
			return fineFit{}, false
		}
		best[0], best[1] = best[0]+line.shift, best[1]+line.rate
	}
	j := a.judge(best[0], best[1], ref, nil)
	if j.r < a.o.LeastCorrelation {
		return fineFit{}, false
	}
	return fineFit{
		shift: best[0], rate: best[1], ref: ref,
		varShift: line.varShift, varRate: line.varRate, cov: line.cov,
		every: every, judged: j,
	}, true
}

// A said is what one window says: the shift (s) to add to the common one, with its variance.
type said struct{ at, shift, variance float64 }

// clearly is by how much a window's cost must fall for the meter's record to show in it:
// by chance one window in some thousands does (chi-squared with one degree of freedom).
const clearly = 12

// ask lets each window try shifts up to four samples beside the common one. What it says
// is the mean and the variance of the shift, weighted by the likelihood of each, so that a
// window in which two places or a whole range fit alike says so by its variance.
func (a aligner) ask(shift, rate, ref, every float64) []said {
	const reach, steps = 4, 32
	k := windows(len(a.h.t))
	costs, follow := make([][2*steps + 1]float64, k), make([]float64, k)
	// What is left is seldom white: neighbours err alike, and count for less.
	inflate := a.inflation(shift, rate, ref)
	for i := range 2*steps + 1 {
		s := reach * every * float64(i-steps) / steps
		a.judge(shift+s, rate, ref, func(window int, cost, follows float64, _ []float64) {
			costs[window][i] = cost / inflate
			follow[window] = max(follow[window], follows/inflate)
		})
	}
	var all []said
	for w := range k {
		if follow[w] < clearly {
			continue
		}
		low := slices.Min(costs[w][:])
		var weight, mean, square float64
		for i, c := range costs[w] {
			s, p := reach*every*float64(i-steps)/steps, math.Exp((low-c)/2)
			weight, mean, square = weight+p, mean+p*s, square+p*s*s
		}
		mean /= weight
		// However clearly it shows, its instant is known by the samples only.
		variance := square/weight - mean*mean + a.sampling()
		if variance < every*every+a.sampling() {
			middle := (w*len(a.h.t)/k + (w+1)*len(a.h.t)/k) / 2
			all = append(all, said{at: a.h.t[min(middle, len(a.h.t)-1)], shift: mean, variance: variance})
		}
	}
	return all
}

// straight is a line of shifts: shift at ref, and rate, both to be added.
type straight struct {
	shift, rate            float64
	varShift, varRate, cov float64
	n                      int // windows it rests on
}

// through lays a line through what the windows say, least squares with the usual spread of
// clocks (prior, of rate0 and the line's rate together) as one more observation. What lies
// more than three standard deviations off is left out: a window that took one thing for
// another. When they scatter more than their variances have it, the line's grow.
func (a aligner) through(all []said, ref, prior, rate0 float64) straight {
	var l straight
	scale := 1.0
	for range 8 {
		var w, wt, wtt, ws, wts float64
		n := 0
		for _, s := range all {
			t := s.at - ref
			if l.n > 0 && math.Abs(s.shift-l.shift-l.rate*t) > 3*math.Sqrt(s.variance*scale) {
				continue
			}
			p := 1 / (s.variance * scale)
			w, wt, wtt, ws, wts = w+p, wt+p*t, wtt+p*t*t, ws+p*s.shift, wts+p*t*s.shift
			n++
		}
		if n == 0 {
			return straight{}
		}
		// The prior holds rate0 + rate near 0.
		wtt += 1 / (prior * prior)
		wts -= rate0 / (prior * prior)
		det := w*wtt - wt*wt
		l = straight{
			shift: (wtt*ws - wt*wts) / det, rate: (w*wts - wt*ws) / det,
			varShift: wtt / det, varRate: w / det, cov: -wt / det, n: n,
		}
		if n > 2 {
			squares := 0.0
			for _, s := range all {
				r := s.shift - l.shift - l.rate*(s.at-ref)
				if r*r <= 9*s.variance*scale {
					squares += r * r / s.variance
				}
			}
			scale = max(1, squares/float64(n-2))
		}
	}
	return l
}

// sampling is the variance (s²) of an instant that is known by the sample it falls into,
// in either record: two rectangles.
func (a aligner) sampling() float64 {
	return (a.h.every*a.h.every + a.m.every*a.m.every) / 12
}

// fineFit is a Fit in seconds from the records' starts.
type fineFit struct {
	shift, rate, ref       float64
	varShift, varRate, cov float64
	every                  float64
	judged
}

// inflation is by how much the variance of a mean of the residuals exceeds that of
// independent ones, from their correlation with the one before: (1 + r) / (1 - r).
func (a aligner) inflation(shift, rate, ref float64) float64 {
	var own, next float64
	a.judge(shift, rate, ref, func(_ int, _, _ float64, left []float64) {
		for i, e := range left {
			own += e * e
			if i > 0 {
				next += e * left[i-1]
			}
		}
	})
	if own == 0 {
		return 1
	}
	r := min(max(next/own, 0), 0.98)
	return (1 + r) / (1 - r)
}

func meanSquare(vs []float64) float64 {
	sum := 0.0
	for _, v := range vs {
		sum += v * v
	}
	return sum / float64(len(vs))
}

// whole makes a Fit of a shift between the records' own times: s to add to the meter's
// seconds at an instant ref of the meter's seconds.
func (a aligner) whole(shift, refMeter float64) Fit {
	return Fit{
		Ref:   a.m.start.Add(seconds(refMeter)),
		Shift: a.h.start.Sub(a.m.start) + seconds(shift),
	}
}

const z95 = 1.959963984540054

// checked makes the Fit of the course of power and holds the plug-in moment against it.
func (a aligner) checked(f fineFit, plug *plugged, rival float64) (Fit, error) {
	// Moved to where shift and rate are independent; the meter's seconds there.
	away := 0.0
	if f.varRate > 0 {
		away = -f.cov / f.varRate
	}
	shift, varShift := f.shift+f.rate*away, f.varShift-f.cov*f.cov/f.varRate
	out := a.whole(shift, f.ref-f.shift+away)
	// A value stands for the time between two samples of its record, somewhere.
	out.ShiftU95 = seconds(z95 * math.Sqrt(max(varShift, 0)+a.sampling()))
	out.RatePPM, out.RateU95PPM = 1e6*f.rate, z95*1e6*math.Sqrt(f.varRate)
	out.By, out.Correlation, out.Points = ByCourse, f.r, f.n
	if plug != nil {
		a.note(&out, plug)
		at := a.m.start.Add(seconds(plug.at))
		differ := out.Time(at).Sub(at) - *out.PlugIn
		allowed := out.U95(at) + out.PlugInWithin + seconds(f.every)
		if differ.Abs() > allowed {
			// The handset's word on plugging in may come late by its own polling; by more than
			// half a minute, one of the two is wrong.
			if differ.Abs() > allowed+30*time.Second {
				return out, fmt.Errorf("%w: %+.1f s by the course of power and %+.1f s by the moment; look at both records", ErrDisagree, out.Shift.Seconds(), out.PlugIn.Seconds())
			}
			out.Notes = append(out.Notes, fmt.Sprintf("the plug-in moment differs by %.1f s from the course of power", differ.Seconds()))
		}
	}
	const alike = 1.1
	if rival < alike && plug == nil {
		return out, fmt.Errorf("%w (%+.1f s is the best); give the moment of plugging in for both records", ErrAmbiguous, out.Shift.Seconds())
	}
	if out.RateU95PPM > 1.5*a.o.RateSDPPM {
		out.Notes = append(out.Notes, "the records say little of the clocks' rates; what is usual was taken")
	}
	return out, nil
}

func (a aligner) note(f *Fit, plug *plugged) {
	shift := a.h.start.Sub(a.m.start) + seconds(plug.shift)
	f.PlugIn, f.PlugInWithin = &shift, seconds(plug.within)
}

// byPlugIn is what is left when the records do not follow each other.
func (a aligner) byPlugIn(plug *plugged) Fit {
	f := a.whole(plug.shift, plug.at)
	f.By = ByPlugIn
	// Anywhere within the moment: a rectangle holds 95 % within 0.95 of its half-width.
	f.ShiftU95 = seconds(cmp.Or(0.95*plug.within, a.m.every))
	f.RateU95PPM = z95 * a.o.RateSDPPM
	a.note(&f, plug)
	f.Notes = append(f.Notes, "the records do not follow each other well enough; only the moment of plugging in was used, and the clocks' rates are not known")
	return f
}
