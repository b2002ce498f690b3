// Package sustain says how well a handset holds its speed under load: the rate at the start, the rate at
// which it has settled and the share that it held, of continuous work done in lots and of cycles with rests.
//
// Plain values in, plain values out. Rates are in any unit; more is faster. A single lot or cycle says little
// (something in the background takes a tenth of it now and then, and the first is often slow), so every
// quantity is made of several.
package sustain

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"rundown/results/figure"
)

// MinCycles is the least number of cycles that gives a figure.
const MinCycles = 9

// The reasons for which cycles give no figure, and rates none at all.
var (
	ErrTooFewCycles = errors.New("too few cycles")
	ErrRate         = errors.New("rate not usable")
)

// An Interval is a value with its 95 % interval.
type Interval = figure.Interval

// A Figure is what lots of continuous work, or cycles, say.
type Figure struct {
	Count int // lots or cycles
	// NoiseRel is the scatter of one of them, one standard deviation over the rate, seen from each
	// to the next.
	NoiseRel float64
	// Start is the rate at the start: of lots the median of the first minute after the first lot, of cycles
	// the median of those within three standard deviations of the fastest, since the first ones are few.
	// StartCount is how many these are.
	Start      float64
	StartCount int
	// Settled is the rate at the end: of lots that of the last window of the rule Settled, of cycles
	// the median of the last third.
	Settled float64
	// HasSettled says of lots whether the rate had settled by the rule Settled, and Still what was
	// still changing; nil of cycles, which are as many as were asked for.
	HasSettled *bool
	Still      string
	// Held is the share of the rate at the start that was held: settled over start, 0 to 1 or a
	// little above.
	Held Interval
	// Throttled says that the fall is more than noise can make. Where it is false, say "no throttling
	// seen", not that there is none.
	Throttled bool
	// ToSettle is how long it took until the rate stayed within 5 % of the settled one; of lots
	// that have settled only.
	ToSettle *time.Duration
	// Onset is the first cycle, counted from 1, from which the running median of three stays
	// below 95 % of the rate at the start; 0 where there is none, and of lots.
	Onset int
}

// leastFall is the fall of the share held that cannot be told from noise.
const leastFall = 0.023

// OfCycles computes the figure of the rates of equal cycles, in order.
func OfCycles(rates []float64) (Figure, error) {
	n := len(rates)
	if n < MinCycles {
		return Figure{}, fmt.Errorf("%w: %d, want %d or more", ErrTooFewCycles, n, MinCycles)
	}
	for i, x := range rates {
		if !(x > 0) || math.IsInf(x, 0) {
			return Figure{}, fmt.Errorf("%w: cycle %d has %g, want a number above 0", ErrRate, i+1, x)
		}
	}
	s := noise(rates)
	f := Figure{Count: n}
	fastest := slices.Max(rates)
	var cluster []float64
	for _, x := range rates {
		if x >= fastest-3*s {
			cluster = append(cluster, x)
		}
	}
	f.Start, f.StartCount = median(cluster), len(cluster)
	f.NoiseRel = s / f.Start
	f.Settled = median(rates[n-n/3:])
	r := f.Settled / f.Start
	k := max(2, min(6, len(cluster)))
	half := 2.3 * math.Hypot(1.25*s/(f.Settled*math.Sqrt(float64(n)/3)), 1.25*s/(f.Start*math.Sqrt(float64(k))))
	f.Held = Interval{Value: r, Low: r * (1 - half), High: r * (1 + half)}
	f.Throttled = r < 1-leastFall && f.Held.High < 1

	med := runningMedian(rates)
	for i := n; i > 0 && med[i-1] < 0.95*f.Start; i-- {
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
