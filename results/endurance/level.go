package endurance

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// A Gauge is the quality of a handset's charge counter, as seen in the samples.
type Gauge int

// The qualities.
const (
	GaugeNone   Gauge = iota // no counter, or one that does not move or is not a counter
	GaugeFine                // steps too small to be seen
	GaugeMedium              // steps of some hundredths of a per cent of full charge
	GaugeCoarse              // steps of half a per cent or more: the level in other words
)

// String is the quality in a word.
func (g Gauge) String() string {
	return [...]string{"no-counter", "fine", "medium", "coarse"}[g]
}

// bendSD is the sd of the level's bend away from true charge, in points, by gauge.
// Assumed: no public log of full discharges was found to measure it.
var bendSD = [...]float64{GaugeNone: 0.10, GaugeFine: 0.03, GaugeMedium: 0.06, GaugeCoarse: 0.15}

// bendVariance is the relative variance that a bend of so many points (sd) gives to a drain of d
// points: waves of 12 to 60 points, each counted alike.
func bendVariance(sd float64, d int) float64 {
	sum, n := 0.0, 0
	for l := 12.0; l <= 60; l++ {
		sum += 2 * (1 - math.Cos(2*math.Pi*float64(d)/l))
		n++
	}
	b := sd / float64(d)
	return b * b * sum / float64(n)
}

// bowSD is the sd of a bow of the level away from charge over the whole of it, points at its middle: as steady in a
// window as the charge itself, so that no window shows it. Assumed.
const bowSD = 0.35

// bowed is a bow's shape at a level of pct: 1 in the middle, 0 at the ends.
func bowed(pct float64) float64 { return 4 * pct / 100 * (1 - pct/100) }

// bowVariance is the relative variance that it gives to a drain between two levels.
func bowVariance(from, to float64) float64 {
	rel := bowSD * (bowed(from) - bowed(to)) / (from - to)
	return rel * rel
}

// level is the rate by level edges.
type level struct {
	rate                float64 // %/h
	timing, bend, shift float64 // relative variances
}

// refreshS is how often a gauge of a kind refreshes its level, s, at the seldomest: an edge is seen
// up to so much late. Assumed; it is felt where a point is drained in a few minutes.
var refreshS = [...]float64{GaugeNone: 40, GaugeFine: 20, GaugeMedium: 35, GaugeCoarse: 60}

// levelRate fits a line through the middles of the edges by generalised least squares.
// Their errors are of two kinds: each edge's own place in its interval, and wandering
// power, which adds up from edge to edge.
func levelRate(w window) level { return levelRateOf(w, shift{}) }

// levelRateOf does so where the gauge made a correction, and other points than those shown were
// truly drained at the edges.
func levelRateOf(w window, s shift) level {
	n := len(w.edges)
	points := s.positions(n)
	d, length := float64(n-1), w.length()
	q := wanderRate * length / d // s² a step
	cov := mat.NewSymDense(n, nil)
	v0 := 0.0
	m := make([]float64, n)
	for i, e := range w.edges {
		width := (e.Hi - e.Lo).Seconds()
		v := (width*width + w.refreshS*w.refreshS) / 12
		if i+1 < n && w.edges[i+1].Hi == e.Hi || s.onItsWay(i) {
			v += length / d * length / d / 3 // one that came at once with the next may have been held back
		}
		v0 += v / float64(n)
		for j := i; j < n; j++ {
			c := q * float64(i)
			if i == j {
				c += v
			}
			cov.SetSym(i, j, c)
		}
		m[i] = e.Mid().Seconds() - w.t0
	}
	line, ok := fitLine(cov, points, m)
	if !ok { // cannot be: v is positive on the diagonal
		return level{rate: 3600 * (points[n-1] - points[0]) / length, timing: v0 / (length * length)}
	}
	// Residuals larger or smaller than assumed pull the variance their way.
	const weight = 6
	scale := (weight + line.rss) / (weight + d - 1)
	return level{
		rate:   3600 / line.slope,
		timing: max(scale*line.variance/(line.slope*line.slope)-wanderPrior(length), v0/(length*length)),
	}
}

// A straightLine is one through points, by generalised least squares.
type straightLine struct {
	intercept, slope float64
	variance         float64 // of the slope
	rss              float64 // what is left, by the covariance
	logDet           float64 // of the covariance and of the information of intercept and slope, together
}

// fitLine fits y = intercept + slope x, where the errors of y have a covariance. ok is false
// where that is none, or the points do not tell a slope.
func fitLine(cov *mat.SymDense, x, y []float64) (l straightLine, ok bool) {
	n := len(x)
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		return l, false
	}
	design, values := mat.NewDense(n, 2, nil), mat.NewVecDense(n, y)
	for i, v := range x {
		design.Set(i, 0, 1)
		design.Set(i, 1, v)
	}
	var weighed, a mat.Dense
	var weighedY, weighedR mat.VecDense
	_ = chol.SolveTo(&weighed, design)
	_ = chol.SolveVecTo(&weighedY, values)
	a.Mul(design.T(), &weighed) // information of intercept and slope
	b := [2]float64{mat.Dot(design.ColView(0), &weighedY), mat.Dot(design.ColView(1), &weighedY)}
	det := a.At(0, 0)*a.At(1, 1) - a.At(0, 1)*a.At(1, 0)
	if !(det > 0) {
		return l, false
	}
	l.intercept = (a.At(1, 1)*b[0] - a.At(0, 1)*b[1]) / det
	l.slope = (a.At(0, 0)*b[1] - a.At(1, 0)*b[0]) / det
	l.variance = a.At(0, 0) / det
	l.logDet = chol.LogDet() + math.Log(det)
	r := mat.NewVecDense(n, nil)
	for i := range n {
		r.SetVec(i, y[i]-l.intercept-l.slope*x[i])
	}
	_ = chol.SolveVecTo(&weighedR, r)
	l.rss = mat.Dot(r, &weighedR)
	return l, true
}
