// Package sustain says how well a handset holds its speed when the same work is repeated: the peak,
// what is left when it has settled, and the cycle at which it began to fall.
//
// Plain values in, plain values out. Scores are in any unit; more is faster. A single cycle says little
// (something in the background takes a tenth of it now and then, and the first is often slow), so every
// quantity is a median of several.
package sustain

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"rundown/results/figure"
)

// MinCycles is the least number of cycles that gives a figure.
const MinCycles = 9

// The reasons for which there is no figure.
var (
	ErrTooFewCycles = errors.New("too few cycles")
	ErrScore        = errors.New("score not usable")
)

// An Interval is a value with its 95 % interval.
type Interval = figure.Interval

// A Figure is what a series of cycles says.
type Figure struct {
	Cycles int
	// NoiseRel is the scatter of a cycle, one standard deviation over the peak, seen from each
	// cycle to the next.
	NoiseRel float64
	// Peak is the median of the cycles within three standard deviations of the best; PeakCycles is
	// how many these are.
	Peak       float64
	PeakCycles int
	// Best is the best single cycle, for those who want it. It lies above the peak by chance, so
	// that ratios to it make every handset look worse by some 2 %.
	Best float64
	// Settled is the median of the last third.
	Settled float64
	// Retention is settled over peak, 0 to 1 or a little above.
	Retention Interval
	// Worst is the least running median of three over the peak.
	Worst float64
	// Throttled says that the fall is more than noise can make. Where it is false, say "no throttling
	// seen", not that there is none.
	Throttled bool
	// Onset is the first cycle, counted from 1, from which the running median of three stays
	// below 95 % of the peak; 0 where there is none.
	Onset int
}

// leastFall is the fall of retention that cannot be told from noise.
const leastFall = 0.023

// Estimate computes the figure of the scores of equal cycles, in order.
func Estimate(scores []float64) (Figure, error) {
	n := len(scores)
	if n < MinCycles {
		return Figure{}, fmt.Errorf("%w: %d, want %d or more", ErrTooFewCycles, n, MinCycles)
	}
	for i, x := range scores {
		if !(x > 0) || math.IsInf(x, 0) {
			return Figure{}, fmt.Errorf("%w: cycle %d scored %g, want a number above 0", ErrScore, i+1, x)
		}
	}
	diffs := make([]float64, n-1)
	for i := range diffs {
		diffs[i] = math.Abs(scores[i+1] - scores[i])
	}
	// Differences of neighbours leave the fall out; the median leaves odd cycles out.
	s := 1.4826 * median(diffs) / math.Sqrt2

	f := Figure{Cycles: n, Best: slices.Max(scores)}
	var cluster []float64
	for _, x := range scores {
		if x >= f.Best-3*s {
			cluster = append(cluster, x)
		}
	}
	f.Peak, f.PeakCycles = median(cluster), len(cluster)
	f.NoiseRel = s / f.Peak
	f.Settled = median(scores[n-n/3:])
	r := f.Settled / f.Peak
	k := max(2, min(6, len(cluster)))
	half := 2.3 * math.Hypot(1.25*s/(f.Settled*math.Sqrt(float64(n)/3)), 1.25*s/(f.Peak*math.Sqrt(float64(k))))
	f.Retention = Interval{Value: r, Low: r * (1 - half), High: r * (1 + half)}
	f.Throttled = r < 1-leastFall && f.Retention.High < 1

	med := runningMedian(scores)
	f.Worst = slices.Min(med) / f.Peak
	for i := n; i > 0 && med[i-1] < 0.95*f.Peak; i-- {
		f.Onset = i
	}
	return f, nil
}

// runningMedian is the median of each cycle and its two neighbours; at the ends, of the end's
// three.
func runningMedian(x []float64) []float64 {
	n := len(x)
	out := make([]float64, n)
	for i := range x {
		c := max(1, min(n-2, i))
		out[i] = median(x[c-1 : c+2])
	}
	return out
}

// median of x, which is left as it is and is not empty.
func median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	m := len(s) / 2
	if len(s)%2 == 1 {
		return s[m]
	}
	return (s[m-1] + s[m]) / 2
}
