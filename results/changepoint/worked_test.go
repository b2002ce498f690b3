package changepoint

import (
	"math"
	"slices"
	"testing"
	"time"
)

// An eighth of the values, rounded up, and three at least.
func TestShortest(t *testing.T) {
	for n, want := range map[int]int{12: 3, 24: 3, 25: 4, 32: 4, 33: 5, 128: 16} {
		if got := Shortest(n); got != want {
			t.Errorf("of %d values %d, want %d", n, got, want)
		}
	}
}

// halves are n values, the second half one higher: a step without any noise.
func halves(n int) []float64 {
	list := make([]float64, n)
	for i := n / 2; i < n; i++ {
		list[i] = 1
	}
	return list
}

// The fewest values that are looked at, and the longest stretch that leaves as many outside of it.
func TestFewestAndLeast(t *testing.T) {
	for _, tt := range []struct {
		n, least int
		want     bool
	}{{Fewest, 0, true}, {Fewest - 1, 0, false}, {12, 6, true}, {12, 7, false}} {
		f, ok := Find(halves(tt.n), tt.least)
		if ok != tt.want || ok && (f.From != 6 || f.To != 12 || !(math.Abs(f.Inside-1) <= 1e-12) || !(math.Abs(f.Outside) <= 1e-12) || !math.IsInf(f.Statistic, 1) || f.Critical != Critical(12)) {
			t.Errorf("%d values, stretches of %d: %+v, %t; want %t", tt.n, tt.least, f, ok, tt.want)
		}
	}
}

// Stretches as short as is allowed, with the rest around them, and with as little outside as is allowed.
func TestShortestStretches(t *testing.T) {
	for _, tt := range []struct{ from, to int }{{4, 7}, {2, 11}, {9, 12}, {1, 10}} {
		values := []float64{0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1}
		for i := tt.from; i < tt.to; i++ {
			values[i] += 40
		}
		f, ok := Find(values, 3)
		if !ok || f.From != tt.from || f.To != tt.to {
			t.Errorf("%+v, %t; want %d to %d", f, ok, tt.from, tt.to)
		}
	}
}

// The correction for values that are alike, worked by hand: residuals of ½, four above and four below in turn, 24 of them. Of the
// 23 pairs of neighbours 18 lie on one side and 5 do not, so r = (18 - 5)/24 = 13/24 and the statistic is
// multiplied by √((1-r)/(1+r)) = √(11/37). Eight values that lie 10 higher explain 10² x 8 x 16/24 of the sum of squares, of which 6 are left.
func TestNeighboursAlikeWorkedByHand(t *testing.T) {
	values := make([]float64, 24)
	for i := range values {
		values[i] = 100 + 0.5 - float64(i/4%2)
		if i >= 8 && i < 16 {
			values[i] += 10
		}
	}
	f, ok := largest(values, 3)
	want := math.Sqrt(100.0*8*16/24/(6.0/22)) * math.Sqrt(11.0/37)
	if !ok || f.From != 8 || f.To != 16 || !(math.Abs(f.Statistic-want) <= 1e-9*want) || !(math.Abs(f.Inside-110) <= 1e-9) || !(math.Abs(f.Outside-100) <= 1e-9) {
		t.Errorf("%+v, %t; want 8 to 16, 110 in 100, with %v", f, ok, want)
	}
	// In other units, and from another zero, nothing changes but the means (an exact property).
	for _, unit := range []float64{1e-9, 1e-3, 1e6} {
		other := make([]float64, len(values))
		for i, v := range values {
			other[i] = unit * (v - 30)
		}
		g, ok := largest(other, 3)
		if !ok || g.From != 8 || g.To != 16 || !(math.Abs(g.Statistic-want) <= 1e-6*want) || !(math.Abs(g.Inside-80*unit) <= 1e-9*unit) {
			t.Errorf("in units of %g: %+v, %t; want as before", 1/unit, g, ok)
		}
	}
	// And of values without noise nothing but rounding is left, whatever the unit.
	for _, unit := range []float64{1e-9, 0.1, 1e6} {
		clean := halves(20)
		for i := range clean {
			clean[i] = unit * (0.1 + 0.3*clean[i])
		}
		if f, ok := Find(clean, 0); !ok || !math.IsInf(f.Statistic, 1) {
			t.Errorf("without noise, in units of %g: %+v, %t", 1/unit, f, ok)
		}
	}
}

// Critical values are those of the table where it has them, straight in the logarithm of the length between
// (20 values lie at ln(20/16)/ln(24/16) = 0.5503 from 16 to 24), and those of the ends beyond it.
func TestCriticalBetweenTheTable(t *testing.T) {
	for _, c := range criticalAt {
		if got := Critical(c.n); !(math.Abs(got-c.value) <= 1e-12) {
			t.Errorf("of %d values %v, the table has %v", c.n, got, c.value)
		}
	}
	for n, want := range map[int]float64{20: 5.49 - 0.44*0.550340, 11: 5.90, 129: 4.47, 5000: 4.47} {
		if got := Critical(n); !(math.Abs(got-want) <= 1e-6) {
			t.Errorf("of %d values %v, want %v", n, got, want)
		}
	}
}

// Stretches count from their beginning, which belongs to them, and their end does not; what is read before the first, in what is left over
// behind the last, and what is no number, counts nowhere.
func TestMeansFromTheirBeginning(t *testing.T) {
	s := time.Second
	at := []time.Duration{90 * s, 100 * s, 139 * s, 140 * s, 150 * s, 179 * s, 180 * s, 199 * s}
	values := []float64{900, 2, 4, 10, math.NaN(), 30, 500, 700}
	means, from := Means(at, values, 100*s, 199*s, 40*s)
	if !slices.Equal(means, []float64{3, 20}) || !slices.Equal(from, []int{0, 1}) {
		t.Errorf("means %v of %v, want 3 and 20 of the first two", means, from)
	}
	for _, x := range [][3]time.Duration{{0, 100 * s, 0}, {0, 100 * s, -s}, {100 * s, 100 * s, s}, {100 * s, 90 * s, s}} {
		if means, from := Means(at, values, x[0], x[1], x[2]); means != nil || from != nil {
			t.Errorf("from %v to %v by %v: %v of %v, want none", x[0], x[1], x[2], means, from)
		}
	}
}

// A counter that falls by one and by two in turn, after 10 and 20 s, falls by 0.1 a second or 360 an hour throughout, on
// whichever stretches it is looked at and before its first change and behind its last as well.
func TestFlowOfASteadyFall(t *testing.T) {
	s := time.Second
	at, counter := []time.Duration{0}, []float64{5000}
	for range 20 {
		last, v := at[len(at)-1], counter[len(counter)-1]
		at, counter = append(at, last+10*s, last+30*s), append(counter, v-1, v-3)
	}
	// Changes are seen in the middle of two readings: 40 of them, the first at 5 s, the last at 590 s.
	for _, tt := range []struct {
		name              string
		begin, end, width time.Duration
		want              int // stretches
	}{
		{"a window within", 60 * s, 600 * s, 90 * s, 6},
		{"one stretch", 60 * s, 150 * s, 90 * s, 1},
		{"less than one", 60 * s, 149 * s, 90 * s, 0},
		{"what is left over is left out", 0, 599 * s, 100 * s, 5},
		{"four changes a stretch", 0, 600 * s, 60 * s, 10},
		{"fewer", 0, 616 * s, 56 * s, 0},
		{"the first change in the middle of a stretch", -45 * s, 555 * s, 100 * s, 6},
		{"and later", -46 * s, 554 * s, 100 * s, 0},
		{"the last change in the middle of a stretch", 40 * s, 640 * s, 100 * s, 6},
		{"and earlier", 41 * s, 641 * s, 100 * s, 0},
		{"no width", 0, 600 * s, 0, 0},
		{"no window", 60 * s, 60 * s, 90 * s, 0},
	} {
		means := Flow(at, counter, tt.begin, tt.end, tt.width)
		if len(means) != tt.want {
			t.Errorf("%s: %v, want %d stretches", tt.name, means, tt.want)
		}
		for _, m := range means {
			if !(math.Abs(m-360) <= 1e-6) {
				t.Errorf("%s: %v, want 360 an hour", tt.name, means)
				break
			}
		}
	}
	if means := Flow(nil, nil, 0, 600*s, 60*s); means != nil {
		t.Errorf("of no readings: %v", means)
	}
}
