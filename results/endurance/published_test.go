package endurance

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// agrees fails when two numbers differ by more than a relative tolerance.
func agrees(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s = %.15g, want %.15g within %g of it", what, got, want, relative)
	}
}

// line is the calculator's own generalised least squares, asked for a plain straight line:
// independent errors of one size, no bend. Its variance is for errors of size 1, so the
// residuals' own size is put in, as the published results have it.
func line(t *testing.T, x, y []float64) (slope, slopeSD, residualSD, sumOfSquares float64) {
	t.Helper()
	r := rows{n: 1, cov: mat.NewSymDense(len(x), nil)}
	for i := range x {
		r.z, r.at, r.of = append(r.z, y[i]), append(r.at, -x[i]), append(r.of, 0)
		r.cov.SetSym(i, i, 1)
	}
	var flat kernel
	s, ok := r.solve(flat, 1)
	if !ok {
		t.Fatal("no line was fitted")
	}
	sumOfSquares = mat.Dot(s.residual, s.residual)
	residualSD = math.Sqrt(sumOfSquares / float64(len(x)-2))
	// The line through level edges, by the same errors, is held to the same values.
	straight, ok := fitLine(r.cov, x, y)
	if !ok || math.Abs(straight.slope-s.slope) > 1e-9*math.Abs(s.slope) || math.Abs(straight.variance-s.variance) > 1e-9*s.variance || math.Abs(straight.rss-sumOfSquares) > 1e-9*sumOfSquares {
		t.Errorf("through level edges: %+v, %t; want slope %g, its variance %g, residuals %g", straight, ok, s.slope, s.variance, sumOfSquares)
	}
	return s.slope, residualSD * math.Sqrt(s.variance), residualSD, sumOfSquares
}

// NIST Statistical Reference Datasets, linear regression, Norris (calibration of ozone
// monitors; lower level of difficulty): 36 pairs, certified values. The page is
// itl.nist.gov/div898/strd/lls/data/Norris.shtml; data and values were seen in a public copy.
func TestLineAgainstNorris(t *testing.T) {
	x, y := pairs(t, `0.1,0.2 338.8,337.4 118.1,118.2 888,884.6 9.2,10.1 228.1,226.5 668.5,666.3 998.5,996.3 449.1,448.6
		778.9,777 559.2,558.2 0.3,0.4 0.1,0.6 778.1,775.5 668.8,666.9 339.3,338 448.9,447.5 10.8,11.6 557.7,556 228.3,228.1
		998,995.8 888.8,887.6 119.6,120.2 0.3,0.3 0.6,0.3 557.6,556.8 339.3,339.1 888,887.2 998.5,999 778.9,779 10.2,11.1
		117.6,118.3 228.9,229.2 668.4,669.1 449.2,448.9 0.2,0.5`)
	slope, sd, residual, _ := line(t, x, y)
	agrees(t, "B1", slope, 1.00211681802045, 1e-12)
	agrees(t, "SD of B1", sd, 0.000429796848199937, 1e-10)
	agrees(t, "residual SD", residual, 0.884796396144373, 1e-10)
}

// JCGM 100:2008 (GUM), H.3, the calibration line of a thermometer about 20 °C. The guide
// prints y2 = 0.00218 with 0.00067; the further digits are those of the line worked out
// exactly from its data.
func TestLineAgainstTheThermometerOfH3(t *testing.T) {
	x, y := pairs(t, `-0.171,1.521 -0.169,2.012 -0.166,2.512 -0.159,3.003 -0.164,3.507 -0.165,3.999 -0.156,4.513 -0.157,5.002
		-0.159,5.503 -0.161,6.010 -0.160,6.511`)
	slope, sd, residual, squares := line(t, x, y)
	agrees(t, "slope y2", slope, 0.00218269773988728, 1e-10)
	agrees(t, "u(y2)", sd, 0.000667938773227832, 1e-10)
	agrees(t, "residual SD", residual, 0.00349756396350528, 1e-10)
	agrees(t, "residual sum of squares", squares, 0.000110096583109297, 1e-10)
}

// pairs reads "y,x" pairs.
func pairs(t *testing.T, text string) (x, y []float64) {
	t.Helper()
	for _, f := range strings.Fields(text) {
		var a, b float64
		if n, err := fmt.Sscanf(f, "%g,%g", &a, &b); n != 2 || err != nil {
			t.Fatalf("pair %q: %v", f, err)
		}
		y, x = append(y, a), append(x, b)
	}
	return x, y
}

// Regulation (EU) 2023/1669, Annex II: the classes of smartphones and slate tablets by
// their index, lower bounds not belonging to the class. Seen in restatements of the annex.
func TestEnergyClassesOfTheRegulation(t *testing.T) {
	for _, row := range []struct {
		class         string
		phone, tablet float64 // the index above which the class begins, 1/W
	}{{"A", 2.70, 7.90}, {"B", 2.30, 6.32}, {"C", 1.95, 5.06}, {"D", 1.66, 4.04}, {"E", 1.41, 3.24}, {"F", 1.20, 2.59}} {
		next := string(row.class[0] + 1)
		for tablet, bound := range map[bool]float64{false: row.phone, true: row.tablet} {
			for index, want := range map[float64]string{bound: next, bound + 0.004: next, bound + 0.01: row.class} {
				if got := EnergyClass(index, tablet); got != want {
					t.Errorf("EnergyClass(%.3f, tablet %v) = %s, want %s", index, tablet, got, want)
				}
			}
		}
	}
	// Worked out from the annex's formula, hours over volts times ampere hours.
	for _, row := range []struct {
		mAh, volts, hours, index float64
		class                    string
	}{
		{5000, 3.85, 50.00, 2.60, "B"}, {5000, 3.85, 51.98, 2.70, "B"}, {5000, 3.85, 52.20, 2.71, "A"},
		{5000, 3.85, 44.28, 2.30, "C"}, {4000, 3.87, 40.00, 2.58, "B"}, {3000, 3.85, 13.80, 1.19, "G"},
	} {
		index := HoursPerWh(row.hours, row.mAh, 1000*row.volts)
		if got := math.Round(100*index) / 100; got != row.index {
			t.Errorf("index of %g h = %g, want %g", row.hours, got, row.index)
		}
		if got := EnergyClass(index, false); got != row.class {
			t.Errorf("class of %g h = %s, want %s", row.hours, got, row.class)
		}
	}
	if got := EnergyClass(0, false); got != "" {
		t.Errorf("EnergyClass(0) = %q, want none", got)
	}
}
