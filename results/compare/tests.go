package compare

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"rundown/results/figure"
)

// ErrTooFew means that there are too few values for a test, or that they do not scatter.
var ErrTooFew = errors.New("too few values for a test")

// An Interval is a value with its 95 % interval.
type Interval = figure.Interval

// A TTest is the outcome of one of Student's tests, two-sided.
type TTest struct {
	T          float64  `json:"t"`
	DF         float64  `json:"df"` // degrees of freedom, whole or not
	P          float64  `json:"p"`
	Difference Interval `json:"difference"` // of the means, first less second
}

// student is Student's distribution with df degrees of freedom; normal when df is infinite.
func student(df float64) interface {
	Quantile(float64) float64
	Survival(float64) float64
} {
	if math.IsInf(df, 1) || df > 1e9 {
		return distuv.UnitNormal
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}
}

// outcome is the test of a difference with standard error se against 0.
func outcome(difference, se, df float64) TTest {
	d := student(df)
	half := d.Quantile(0.975) * se
	return TTest{
		T: difference / se, DF: df, P: 2 * d.Survival(math.Abs(difference/se)),
		Difference: Interval{Value: difference, Low: difference - half, High: difference + half},
	}
}

// A Summary is a sample by its number, mean and standard deviation.
type Summary struct {
	N        int
	Mean, SD float64
}

// Summarise counts and averages x; SD is that of a sample (n-1), 0 for fewer than two.
func Summarise(x []float64) Summary {
	if len(x) < 2 {
		if len(x) == 0 {
			return Summary{}
		}
		return Summary{N: 1, Mean: x[0]}
	}
	mean, sd := stat.MeanStdDev(x, nil)
	return Summary{len(x), mean, sd}
}

// Welch tests whether two means differ, without taking the two scatters for equal.
func Welch(a, b Summary) (TTest, error) {
	if a.N < 2 || b.N < 2 {
		return TTest{}, fmt.Errorf("%w: %d and %d, want 2 or more each", ErrTooFew, a.N, b.N)
	}
	va, vb := a.SD*a.SD/float64(a.N), b.SD*b.SD/float64(b.N)
	if !(va+vb > 0) {
		return TTest{}, fmt.Errorf("%w: the values of each side are all equal", ErrTooFew)
	}
	return outcome(a.Mean-b.Mean, math.Sqrt(va+vb), effectiveDF([]part{{va, float64(a.N - 1)}, {vb, float64(b.N - 1)}})), nil
}

// Paired tests whether the mean of the differences a[i]-b[i] is 0.
func Paired(a, b []float64) (TTest, error) {
	if len(a) != len(b) || len(a) < 2 {
		return TTest{}, fmt.Errorf("%w: %d and %d, want as many on each side, 2 or more", ErrTooFew, len(a), len(b))
	}
	d := make([]float64, len(a))
	for i := range a {
		d[i] = a[i] - b[i]
	}
	s := Summarise(d)
	if !(s.SD > 0) {
		return TTest{}, fmt.Errorf("%w: the differences are all equal", ErrTooFew)
	}
	return outcome(s.Mean, s.SD/math.Sqrt(float64(s.N)), float64(s.N-1)), nil
}

// A part is one variance in a sum of independent ones, with its degrees of freedom;
// infinite where it is not itself estimated from scatter.
type part struct{ variance, df float64 }

// effectiveDF are the degrees of freedom of a sum of variances, by the formula of Welch and
// Satterthwaite (JCGM 100:2008, G.4.1).
func effectiveDF(parts []part) float64 {
	var sum, below float64
	for _, p := range parts {
		sum += p.variance
		below += p.variance * p.variance / p.df
	}
	if below == 0 {
		return math.Inf(1)
	}
	return sum * sum / below
}

// Holm corrects the p values of a set for their number: step down, in the given order. A
// corrected value below 0.05 keeps the chance of any false difference in the set at 5 %.
func Holm(p []float64) []float64 {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case p[a] < p[b]:
			return -1
		case p[a] > p[b]:
			return 1
		}
		return 0
	})
	out := make([]float64, len(p))
	highest := 0.0
	for rank, i := range order {
		highest = max(highest, min(1, float64(len(p)-rank)*p[i]))
		out[i] = highest
	}
	return out
}

// Power is the chance that Welch's test at the 5 % level shows a true difference of means,
// with n values a side of standard deviations sdA and sdB. own is the standard deviation of a
// common error of the difference that more values do not reduce, which the test allows for; 0
// for the plain test.
//
// Given both sample scatters the chance is that of a normal distribution; it is averaged
// over the scatters' distributions.
func Power(difference, sdA, sdB, own float64, n int) float64 {
	if n < 2 {
		return 0
	}
	const cells = 60
	var chi [cells]float64 // scatter over its true value, squared, at equal steps of probability
	d := distuv.ChiSquared{K: float64(n - 1)}
	for i := range chi {
		chi[i] = d.Quantile((float64(i)+0.5)/cells) / float64(n-1)
	}
	va, vb := sdA*sdA/float64(n), sdB*sdB/float64(n)
	spread := math.Sqrt(va + vb + own*own)
	sum := 0.0
	for _, ca := range chi {
		for _, cb := range chi {
			a, b := va*ca, vb*cb
			df := effectiveDF([]part{{a, float64(n - 1)}, {b, float64(n - 1)}, {own * own, math.Inf(1)}})
			limit := criticalT(df) * math.Sqrt(a+b+own*own)
			sum += distuv.UnitNormal.Survival((limit-difference)/spread) + distuv.UnitNormal.CDF((-limit-difference)/spread)
		}
	}
	return sum / (cells * cells)
}

// criticalT is the 97.5 % point of Student's distribution. It is asked for thousands of times
// for one number of runs, so the points at whole and half degrees of freedom up to 200 are
// kept, and the straight line between them in 1/df is used.
func criticalT(df float64) float64 {
	if df >= 200 { // the first term of the expansion about the normal point: good to 1e-5 from here on
		z := distuv.UnitNormal.Quantile(0.975)
		return z + (z*z*z+z)/(4*df)
	}
	at := func(i int) float64 { return 1 / (float64(i)/8 + 1) } // 1/df of the i-th point
	i := max(0, int((df-1)*8))
	f := (1/df - at(i)) / (at(i+1) - at(i))
	points := tPoints()
	return points[i] + max(0, f)*(points[i+1]-points[i])
}

// tPoints are worked out when they are first asked for: they take a tenth of a second, and most
// commands compare nothing.
var tPoints = sync.OnceValue(func() *[8*200 + 2]float64 {
	var points [8*200 + 2]float64
	for i := range points {
		points[i] = student(float64(i)/8 + 1).Quantile(0.975)
	}
	return &points
})

// MostRuns is the most runs a side that RunsToShow looks at.
const MostRuns = 200

// RunsToShow is the least number of runs a side with which a true difference of means would
// be shown with 80 % power at the 5 % level; ok is false where MostRuns are not enough,
// because the difference is smaller than what repeats can settle.
func RunsToShow(difference, sdA, sdB, own float64) (n int, ok bool) {
	const power = 0.8
	difference = math.Abs(difference)
	if Power(difference, sdA, sdB, own, MostRuns) < power {
		return 0, false
	}
	lo, hi := 1, MostRuns // more runs never show less
	for hi-lo > 1 {
		mid := (lo + hi) / 2
		if Power(difference, sdA, sdB, own, mid) < power {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi, true
}
