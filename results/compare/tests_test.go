package compare

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.15g, want %.15g within %g", what, got, want, tolerance)
	}
}

// Two-sided points of Student's distribution: any printed table, for example that of the
// NIST e-Handbook, 1.3.6.7.2.
func TestPointsOfStudentsTable(t *testing.T) {
	for _, row := range [][5]float64{
		{1, 6.314, 12.706, 63.657, 636.619},
		{2, 2.920, 4.303, 9.925, 31.599},
		{3, 2.353, 3.182, 5.841, 12.924},
		{4, 2.132, 2.776, 4.604, 8.610},
		{5, 2.015, 2.571, 4.032, 6.869},
		{6, 1.943, 2.447, 3.707, 5.959},
		{7, 1.895, 2.365, 3.499, 5.408},
		{8, 1.860, 2.306, 3.355, 5.041},
		{9, 1.833, 2.262, 3.250, 4.781},
		{10, 1.812, 2.228, 3.169, 4.587},
		{12, 1.782, 2.179, 3.055, 4.318},
		{14, 1.761, 2.145, 2.977, 4.140},
		{16, 1.746, 2.120, 2.921, 4.015},
		{19, 1.729, 2.093, 2.861, 3.883},
		{20, 1.725, 2.086, 2.845, 3.850},
		{30, 1.697, 2.042, 2.750, 3.646},
		{60, 1.671, 2.000, 2.660, 3.460},
		{math.Inf(1), 1.645, 1.960, 2.576, 3.291},
	} {
		for i, p := range []float64{0.90, 0.95, 0.99, 0.999} {
			near(t, fmt.Sprintf("t(%g) at %g", row[0], p), student(row[0]).Quantile((1+p)/2), row[i+1], 0.00051)
		}
		if !math.IsInf(row[0], 1) {
			near(t, fmt.Sprintf("critical t(%g)", row[0]), criticalT(row[0]), row[2], 0.00051)
		}
	}
}

func TestWelchAgainstPublishedValues(t *testing.T) {
	tests := []struct {
		name              string
		a, b              Summary
		t, df, p          float64
		low, high         float64
		tTol, dfTol, pTol float64
		ciTol             float64
	}{
		// NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.3, car mileage; restated in Boost.Math,
		// doc/distributions/students_t_examples.qbk, which prints half of this p. The digits beyond
		// those printed are recomputed from the printed summaries.
		{"car mileage", Summary{249, 20.14458, 6.41470}, Summary{79, 30.48101, 6.10771}, -12.94627, 136.8750, 1.571e-25, -11.9152, -8.7576, 5e-6, 5e-5, 5e-29, 5e-5},
		// NAG C Library, g07cac example results.
		{"NAG g07ca", Summary{4, 25, 0.8185}, Summary{8, 21, 4.2083}, 2.5922, 7.9925, 0.0320, 0.4410, 7.5590, 5e-4, 5e-3, 1e-4, 5e-4},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Welch(tt.a, tt.b)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "t", got.T, tt.t, tt.tTol)
			near(t, "degrees of freedom", got.DF, tt.df, tt.dfTol)
			near(t, "p", got.P, tt.p, tt.pTol)
			near(t, "low", got.Difference.Low, tt.low, tt.ciTol)
			near(t, "high", got.Difference.High, tt.high, tt.ciTol)
		})
	}
}

// Data of the encyclopedia's example for Welch's test (two samples of 15), results as in
// public test code for it, recomputed.
func TestWelchOnRawData(t *testing.T) {
	a := []float64{27.5, 21.0, 19.0, 23.6, 17.0, 17.9, 16.9, 20.1, 21.9, 22.6, 23.1, 19.6, 19.0, 21.7, 21.4}
	b := []float64{27.1, 22.0, 20.8, 23.4, 23.4, 23.5, 25.8, 22.0, 24.8, 20.2, 21.9, 22.1, 22.9, 20.5, 24.4}
	got, err := Welch(Summarise(a), Summarise(b))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "t", got.T, -2.45535639828601, 1e-9)
	near(t, "degrees of freedom", got.DF, 24.9885292902314, 1e-9)
	near(t, "p", got.P, 0.0213780014628670, 1e-9)
	near(t, "low", got.Difference.Low, -3.98409626714, 1e-9)
	near(t, "high", got.Difference.High, -0.34923706619, 1e-9)
}

// Student, "The probable error of a mean", Biometrika 6 (1908) 1: hours of sleep gained by ten
// patients with one soporific and with another. The same ten persons, so the paired test.
var (
	sleep1 = []float64{0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0}
	sleep2 = []float64{1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4}
)

func TestStudentsSleep(t *testing.T) {
	paired, err := Paired(sleep1, sleep2)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "paired t", paired.T, -4.06212768338204, 1e-9)
	near(t, "paired degrees of freedom", paired.DF, 9, 0)
	near(t, "paired p", paired.P, 0.00283289019738427, 1e-9)
	near(t, "paired low", paired.Difference.Low, -2.45988576, 1e-8)
	near(t, "paired high", paired.Difference.High, -0.70011424, 1e-8)
	welch, err := Welch(Summarise(sleep1), Summarise(sleep2))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "unpaired t", welch.T, -1.86081346748685, 1e-9)
	near(t, "unpaired degrees of freedom", welch.DF, 17.7764735161785, 1e-9)
	near(t, "unpaired p", welch.P, 0.0793941401873582, 1e-9)
}

// JCGM 100:2008 (GUM), G.4.1: relative uncertainties of 0.25, 0.57 and 0.82 % from 10, 5 and 15
// readings have 19.0 degrees of freedom and t95 = 2.09. H.1: 25, 9.7, 2.9 and 16.6 nm with 18,
// 25.6, 50 and 2 have 16.76 (with the sum not rounded first).
func TestEffectiveDegreesOfFreedom(t *testing.T) {
	sq := func(x float64) float64 { return x * x }
	df := effectiveDF([]part{{sq(0.25), 9}, {sq(0.57), 4}, {sq(0.82), 14}})
	near(t, "G.4.1", df, 18.9987, 0.005)
	near(t, "t95 of G.4.1", student(df).Quantile(0.975), 2.093, 0.005)
	near(t, "H.1", effectiveDF([]part{{sq(25), 18}, {sq(9.7), 25.6}, {sq(2.9), 50}, {sq(16.6), 2}}), 16.76, 0.005)
	near(t, "with one that is known", effectiveDF([]part{{1, 4}, {1, math.Inf(1)}}), 16, 1e-12)
}

func TestHolm(t *testing.T) {
	tests := []struct {
		name    string
		p, want []float64
	}{
		// Computed by hand from S. Holm, "A simple sequentially rejective multiple test procedure",
		// Scand. J. Statist. 6 (1979) 65: 4 x 0.005, 3 x 0.01, 2 x 0.03, then 1 x 0.04 raised to
		// the one before. The four p values are those of the encyclopedia's example for the
		// method, which rejects the first and the last at 0.05, and not the two others.
		{"worked by hand", []float64{0.01, 0.04, 0.03, 0.005}, []float64{0.03, 0.06, 0.06, 0.02}},
		{"never above 1", []float64{0.6, 0.9}, []float64{1, 1}},
		{"equal values", []float64{0.02, 0.02}, []float64{0.04, 0.04}},
		{"one test is left as it is", []float64{0.04}, []float64{0.04}},
		{"none", nil, []float64{}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if diff := cmp.Diff(tt.want, Holm(tt.p), cmpopts.EquateApprox(0, 1e-12)); diff != "" {
				t.Errorf("Holm(%v) mismatch (-want +got):\n%s", tt.p, diff)
			}
		})
	}
}

func TestHolmKeepsTheOrderAndNeverLowers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SliceOfN(rapid.Float64Range(0, 1), 1, 12).Draw(t, "p")
		got := Holm(p)
		for i := range p {
			if got[i] < p[i] || got[i] > 1 || got[i] > float64(len(p))*p[i]+1e-15 && got[i] > maxBelow(got, p, p[i]) {
				t.Fatalf("Holm(%v)[%d] = %g", p, i, got[i])
			}
			for j := range p {
				if p[i] < p[j] && got[i] > got[j] {
					t.Fatalf("Holm(%v) = %v: the order changed", p, got)
				}
			}
		}
	})
}

// maxBelow is the highest corrected value of those with a smaller p.
func maxBelow(corrected, p []float64, limit float64) (highest float64) {
	for i := range p {
		if p[i] < limit {
			highest = max(highest, corrected[i])
		}
	}
	return highest
}

// The reference table of runs a side was made by simulating Welch's test with differences and
// scatters in per cent: invented phones, so this compares two ways of computing the same.
func TestRunsASide(t *testing.T) {
	s := [][2]float64{{1, 1}, {1.5, 1.5}, {2, 2}, {2.5, 2.5}, {3, 3}, {4, 4}, {5, 5}, {1, 3}}
	for percent, want := range map[float64][]int{
		3:  {4, 6, 9, 12, 17, 30, 45, 11},
		5:  {3, 4, 5, 6, 7, 12, 17, 6},
		10: {3, 3, 3, 3, 4, 5, 6, 3},
	} {
		for i, sd := range s {
			got, ok := RunsToShow(percent, sd[0], sd[1], 0)
			// Where the power lies on the limit, the simulation's own noise decides.
			atTable, oneLess := Power(percent, sd[0], sd[1], 0, want[i]), Power(percent, sd[0], sd[1], 0, want[i]-1)
			onTheLimit := math.Abs(atTable-0.8) < 0.005 || math.Abs(oneLess-0.8) < 0.005
			if !ok || got != want[i] && !(onTheLimit && (got == want[i]-1 || got == want[i]+1)) {
				t.Errorf("to see %g %% at %v %%: %d runs a side, %v; want %d (power at that %.3f, one less %.3f)", percent, sd, got, ok, want[i],
					atTable, oneLess)
			}
		}
	}
}

func TestOwnErrorsAreNotSettledByRepeats(t *testing.T) {
	// Two handsets with 1.3 % of their own each: 2 % is below what can be shown at all.
	if n, ok := RunsToShow(0.02, 0.01, 0.01, 0.013*math.Sqrt2); ok {
		t.Errorf("a difference within the handsets' own errors is said to be settled by %d runs a side", n)
	}
	if _, ok := RunsToShow(0.10, 0.01, 0.01, 0.013*math.Sqrt2); !ok {
		t.Error("10 % is not shown by any number of runs")
	}
}

func TestTooFewValuesAreRefused(t *testing.T) {
	for name, test := range map[string]func() (TTest, error){
		"one value":             func() (TTest, error) { return Welch(Summary{1, 5, 0}, Summary{3, 5, 1}) },
		"no scatter":            func() (TTest, error) { return Welch(Summary{3, 5, 0}, Summary{3, 6, 0}) },
		"one pair":              func() (TTest, error) { return Paired([]float64{1}, []float64{2}) },
		"unequal pairs":         func() (TTest, error) { return Paired([]float64{1, 2}, []float64{2}) },
		"differences all alike": func() (TTest, error) { return Paired([]float64{1, 2}, []float64{2, 3}) },
	} {
		if got, err := test(); !errors.Is(err, ErrTooFew) {
			t.Errorf("%s: %+v, %v; want ErrTooFew", name, got, err)
		}
	}
}
