// Package changepoint looks for a stretch of a series in which its mean was another than
// before and after: a step, and the step back, if there is one.
//
// Plain values in, plain values out: no store, no clock, no logger.
//
// The test is the likelihood ratio test for one stretch with another mean among independent
// normal values of one unknown variance: the largest of the two-sample t statistics over all
// stretches. For a stretch that reaches the end it is Hinkley's change point (Inference about
// the change-point in a sequence of random variables, Biometrika 57, 1970, 1-17); with a step
// back it is the test of Levin and Kline (The cusum test of homogeneity, Statistics in
// Medicine 4, 1985, 469-488). Values close in time are alike (a cell warms, a page is heavy):
// the statistic is divided by the root of (1+r)/(1-r), r being the correlation of neighbouring
// residuals where that is positive, as for a mean of an autoregressive series of order one.
//
// What the largest of so many statistics comes to by chance no published table gives for this
// form. The critical values here are simulated, with the correction; see Critical.
package changepoint

import (
	"math"
	"sort"
	"time"
)

// A Found stretch is where the mean was another.
type Found struct {
	From, To        int     // values, To left out
	Inside, Outside float64 // means
	Statistic       float64
	Critical        float64 // which it passes
}

// Change is by how much the mean inside is higher than outside, as a fraction of that
// outside; negative: lower.
func (f Found) Change() float64 { return f.Inside/f.Outside - 1 }

// Fewest is how many values a series must have.
const Fewest = 12

// Shortest is the fewest values that a stretch, and what lies outside of it, may have in a
// series of n: an eighth, and no fewer than three. Critical values are made for that.
func Shortest(n int) int { return max(3, (n+7)/8) }

// Find looks for the stretch in which the mean is most surely another. least is the fewest
// values that it may have; fewer than Shortest count as that. ok is false where there is none,
// by chance alone in 5 of 1000 series, and where the series has fewer than Fewest values, or
// values that are not numbers.
func Find(values []float64, least int) (f Found, ok bool) {
	n := len(values)
	least = max(least, Shortest(n))
	if n < Fewest || n < 2*least {
		return Found{}, false
	}
	f, ok = largest(values, least)
	if !ok {
		return Found{}, false
	}
	f.Critical = Critical(n)
	return f, f.Statistic > f.Critical
}

// largest is the stretch with the largest statistic.
func largest(values []float64, least int) (f Found, ok bool) {
	n := len(values)
	mean := 0.0
	for _, v := range values {
		mean += v / float64(n)
	}
	sums, squares := make([]float64, n+1), 0.0
	for i, v := range values {
		sums[i+1] = sums[i] + v - mean
		squares += (v - mean) * (v - mean)
	}
	if math.IsNaN(squares) || math.IsInf(squares, 0) || squares == 0 {
		return Found{}, false
	}
	// The statistic grows with what the stretch explains of the sum of squares: with a stretch of
	// l values of sum s, that is s²(1/l + 1/(n-l)).
	most := 0.0
	for i := 0; i+least <= n; i++ {
		for j := i + least; j <= n && n-(j-i) >= least; j++ {
			l, s := float64(j-i), sums[j]-sums[i]
			if explained := s * s * (1/l + 1/(float64(n)-l)); explained > most {
				most, f.From, f.To = explained, i, j
			}
		}
	}
	if most == 0 {
		return Found{}, false
	}
	if f.From == 0 { // a stretch from the beginning: what comes after it is as well the one that is another
		f.From, f.To = f.To, n
	}
	in := (sums[f.To] - sums[f.From]) / float64(f.To-f.From)
	out := -(sums[f.To] - sums[f.From]) / float64(n-(f.To-f.From))
	f.Inside, f.Outside = mean+in, mean+out
	residual := func(i int) float64 {
		if i >= f.From && i < f.To {
			return values[i] - f.Inside
		}
		return values[i] - f.Outside
	}
	left, beside := 0.0, 0.0
	for i := range values {
		left += residual(i) * residual(i)
		if i > 0 {
			beside += residual(i) * residual(i-1)
		}
	}
	if left <= 1e-12*squares { // without any noise: as good as certain
		f.Statistic = math.Inf(1)
		return f, true
	}
	r := min(max(beside/left, 0), 0.95)
	f.Statistic = math.Sqrt(most/(left/float64(n-2))) * math.Sqrt((1-r)/(1+r))
	return f, true
}

// criticalAt are the values that the statistic passes by chance in 5 of 1000 series of
// independent normal values: 40 000 series each, by TestCriticalValues with its seed. Between
// them they are interpolated in the logarithm of the length.
var criticalAt = []struct {
	n     int
	value float64
}{
	{12, 5.90}, {16, 5.49}, {24, 5.05}, {32, 4.81}, {48, 4.63}, {64, 4.59}, {96, 4.52}, {128, 4.47},
}

// Critical is the value that the statistic of a series of n values passes by chance in 5 of
// 1000 series; beyond 128 values it is that of 128, which is too large by less than its own
// uncertainty.
func Critical(n int) float64 {
	i := sort.Search(len(criticalAt), func(i int) bool { return criticalAt[i].n >= n })
	switch {
	case i == 0:
		return criticalAt[0].value
	case i == len(criticalAt):
		return criticalAt[i-1].value
	}
	a, b := criticalAt[i-1], criticalAt[i]
	part := math.Log(float64(n)/float64(a.n)) / math.Log(float64(b.n)/float64(a.n))
	return a.value + part*(b.value-a.value)
}

// Means are the means of readings over stretches of one width from an instant to another;
// what is left over at the end is left out. A stretch without a reading has none: from says
// which stretch each mean is of.
func Means(t []time.Duration, values []float64, begin, end, width time.Duration) (means []float64, from []int) {
	if width <= 0 || end <= begin {
		return nil, nil
	}
	n := int((end - begin) / width)
	sums, counts := make([]float64, n), make([]int, n)
	for i, at := range t {
		if at < begin {
			continue
		}
		if k := int((at - begin) / width); k < n && !math.IsNaN(values[i]) {
			sums[k] += values[i]
			counts[k]++
		}
	}
	for k := range n {
		if counts[k] > 0 {
			means, from = append(means, sums[k]/float64(counts[k])), append(from, k)
		}
	}
	return means, from
}

// Flow is how fast a counter falls over stretches of one width, in its units an hour, taken
// between the instants at which it changed. It is nil where the counter changes fewer than
// fewestSteps times a stretch: what is between its steps is not known.
func Flow(t []time.Duration, counter []float64, begin, end, width time.Duration) (means []float64) {
	if width <= 0 || end <= begin || len(t) == 0 {
		return nil
	}
	var at []time.Duration
	var value []float64
	for i := 1; i < len(t); i++ {
		if counter[i] != counter[i-1] {
			at, value = append(at, t[i-1]+(t[i]-t[i-1])/2), append(value, (counter[i]+counter[i-1])/2)
		}
	}
	n := int((end - begin) / width)
	if n < 1 || len(at) < fewestSteps*n || at[0] > begin+width/2 || at[len(at)-1] < begin+time.Duration(n)*width-width/2 {
		return nil
	}
	read := func(when time.Duration) float64 {
		i := sort.Search(len(at), func(i int) bool { return at[i] >= when })
		i = max(1, min(i, len(at)-1))
		part := float64(when-at[i-1]) / float64(at[i]-at[i-1])
		return value[i-1] + part*(value[i]-value[i-1])
	}
	for k := range n {
		from := begin + time.Duration(k)*width
		means = append(means, (read(from)-read(from+width))/width.Hours())
	}
	return means
}

const fewestSteps = 4
