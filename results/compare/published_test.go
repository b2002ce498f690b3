package compare

import (
	"math"
	"testing"
)

// NIST Statistical Reference Datasets, univariate summary statistics: data and certified
// values of itl.nist.gov/div898/strd/univ, seen in a public copy. NumAcc3 and NumAcc4 are
// built as the page says: c + 0.2, then 500 pairs of c + 0.1 and c + 0.3. Their certified SD
// is 0.1 exactly, but what double precision can hold of the data itself limits how near to
// it any program can come; a one-pass sum of squares loses all of it.
func TestSummariseAgainstReferenceData(t *testing.T) {
	numAcc := func(c float64) []float64 {
		x := []float64{c + 0.2}
		for range 500 {
			x = append(x, c+0.1, c+0.3)
		}
		return x
	}
	michelso := []float64{
		299.85, 299.74, 299.90, 300.07, 299.93, 299.85, 299.95, 299.98, 299.98, 299.88, 300.00, 299.98, 299.93, 299.65, 299.76, 299.81, 300.00, 300.00, 299.96, 299.96,
		299.96, 299.94, 299.96, 299.94, 299.88, 299.80, 299.85, 299.88, 299.90, 299.84, 299.83, 299.79, 299.81, 299.88, 299.88, 299.83, 299.80, 299.79, 299.76, 299.80,
		299.88, 299.88, 299.88, 299.86, 299.72, 299.72, 299.62, 299.86, 299.97, 299.95, 299.88, 299.91, 299.85, 299.87, 299.84, 299.84, 299.85, 299.84, 299.84, 299.84,
		299.89, 299.81, 299.81, 299.82, 299.80, 299.77, 299.76, 299.74, 299.75, 299.76, 299.91, 299.92, 299.89, 299.86, 299.88, 299.72, 299.84, 299.85, 299.85, 299.78,
		299.89, 299.84, 299.78, 299.81, 299.76, 299.81, 299.79, 299.81, 299.82, 299.85, 299.87, 299.87, 299.81, 299.74, 299.81, 299.94, 299.95, 299.80, 299.81, 299.87,
	}
	for _, tt := range []struct {
		name     string
		x        []float64
		mean, sd float64
		tol      float64
	}{
		{"Michelso", michelso, 299.8524, 0.0790105478190518, 1e-12},
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 10000002, 1, 1e-15},
		{"NumAcc2", numAcc(1), 1.2, 0.1, 1e-13},
		{"NumAcc3", numAcc(1e6), 1000000.2, 0.1, 1e-9},
		{"NumAcc4", numAcc(1e7), 10000000.2, 0.1, 1e-8},
	} {
		got := Summarise(tt.x)
		if got.N != len(tt.x) {
			t.Errorf("%s: n = %d, want %d", tt.name, got.N, len(tt.x))
		}
		near(t, tt.name+": mean", got.Mean, tt.mean, tt.tol*math.Abs(tt.mean))
		near(t, tt.name+": SD", got.SD, tt.sd, tt.tol)
	}
}

// Confidence intervals of a mean: NIST/SEMATECH e-Handbook 1.3.5.2, heat flow meter (195
// readings); and three readings of mercury, Miller and Miller, Statistics for Analytical
// Chemistry (1994), pp. 54-55. Both restated in Boost.Math, doc/distributions/students_t_examples.qbk.
func TestMeanIntervalsOfTheHandbook(t *testing.T) {
	for _, tt := range []struct {
		name             string
		n                int
		mean, sd         float64
		low, high        float64
		against, t, tTol float64
		tol              float64
	}{
		{"heat flow", 195, 9.26146, 0.02278881, 9.25824, 9.26468, 5, 2611.28380, 5e-4, 5e-6},
		{"mercury", 3, 37.8, 0.9643650, 35.40438, 40.19562, 38.9, -1.97566, 5e-6, 5e-6},
	} {
		se := tt.sd / math.Sqrt(float64(tt.n))
		got := outcome(tt.mean, se, float64(tt.n-1))
		near(t, tt.name+": low", got.Difference.Low, tt.low, tt.tol)
		near(t, tt.name+": high", got.Difference.High, tt.high, tt.tol)
		near(t, tt.name+": t", outcome(tt.mean-tt.against, se, float64(tt.n-1)).T, tt.t, tt.tTol)
	}
}
