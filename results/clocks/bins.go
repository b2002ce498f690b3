package clocks

import (
	"math"
)

// bins averages a record over even bins; NaN where it has nothing.
func bins(s series, bin float64) []float64 {
	n := int(s.end()/bin) + 1
	sum, count := make([]float64, n), make([]float64, n)
	for i, t := range s.t {
		b := int(t / bin)
		sum[b] += s.v[i]
		count[b]++
	}
	for i := range sum {
		sum[i] /= count[i] // 0/0 is NaN
	}
	return sum
}

func filled(bins []float64) int {
	n := 0
	for _, v := range bins {
		if !math.IsNaN(v) {
			n++
		}
	}
	return n
}

// unexplained is 1 - r² of the handset's bins and the meter's, those shifted by lag; 1
// where fewer than least are in common or the one falls as the other rises.
func unexplained(h, m []float64, lag, least int) float64 {
	var r regression
	for i := max(0, lag); i < min(len(h), len(m)+lag); i++ {
		r.add(m[i-lag], h[i])
	}
	if r.n < float64(least) {
		return 1
	}
	if c := r.correlation(); c > 0 {
		return 1 - c*c
	}
	return 1
}

// regression gathers the sums of a straight line.
type regression struct{ n, x, y, xx, xy, yy float64 }

func (r *regression) add(x, y float64) {
	if math.IsNaN(x) || math.IsNaN(y) {
		return
	}
	// Running means and sums of squares about them, so that nothing cancels.
	r.n++
	dx, dy := x-r.x, y-r.y
	r.x += dx / r.n
	r.y += dy / r.n
	r.xx += dx * (x - r.x)
	r.yy += dy * (y - r.y)
	r.xy += dx * (y - r.y)
}

func (r regression) correlation() float64 {
	if r.xx <= 0 || r.yy <= 0 {
		return 0
	}
	return r.xy / math.Sqrt(r.xx*r.yy)
}

// A window is a run of the handset's points that is judged by itself. Within it the slow
// course of power is left out, as a polynomial of time, and the meter's power may have
// any share of the handset's: efficiency changes with power and heat, and work that the
// handset does shows in the one record upwards and in the other downwards. What is left
// to line up by is what changes quickly: power coming, steps, bursts.
const (
	windowPoints = 64
	degree       = 2
)

func windows(n int) int { return max(1, n/windowPoints) }
