package changepoint

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// nile is the annual flow of the Nile at Aswan, 1871 to 1970, 10⁸ m³, as in Cobb, The problem
// of the Nile: conditional solution to a changepoint problem, Biometrika 65 (1978), 243-251;
// typed from memory of the table, and held to its published mean of 919.35.
var nile = []float64{
	1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
	1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
	831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
	781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
	744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
}

// Cobb's change lies between 1898 and 1899; the means before and after are those that are
// commonly given with the series, 1097.75 and 849.97.
func TestNile(t *testing.T) {
	sum := 0.0
	for _, v := range nile {
		sum += v
	}
	if len(nile) != 100 || sum/100 != 919.35 {
		t.Fatalf("%d values, mean %v", len(nile), sum/100)
	}
	f, ok := Find(nile, 0)
	if !ok || f.From != 28 || f.To != 100 || math.Abs(f.Outside-1097.75) > 0.005 || math.Abs(f.Inside-849.97) > 0.005 {
		t.Errorf("%+v, %v; want a change after 28 years, from 1097.75 to 849.97", f, ok)
	}
}

// Statistic by hand: of 12 values 0 and 1 in turn the sum of squares about the two means is 3
// wherever the stretch lies, and one of four that lies 2 higher explains 2²·4·8/12 of the rest.
func TestWorkedExample(t *testing.T) {
	values := []float64{0, 1, 0, 1, 2, 3, 2, 3, 0, 1, 0, 1}
	f, ok := largest(values, 3)
	// Residuals are ±½ with changing sign: no neighbours are alike, and nothing is corrected.
	want := math.Sqrt(4.0 * 4 * 8 / 12 / (3.0 / 10))
	if !ok || f.From != 4 || f.To != 8 || math.Abs(f.Inside-2.5) > 1e-12 || math.Abs(f.Outside-0.5) > 1e-12 || math.Abs(f.Statistic-want) > 1e-9 {
		t.Errorf("%+v, %v; want 4 to 8 with %v", f, ok, want)
	}
	if c := f.Change(); math.Abs(c-4) > 1e-9 {
		t.Errorf("change %v", c)
	}
}

func TestNothingToFind(t *testing.T) {
	for name, values := range map[string][]float64{
		"none": nil, "too few": {1, 1, 1, 9, 9, 9}, "all alike": make([]float64, 40), "not a number": append(make([]float64, 20), math.NaN(), 1),
	} {
		if f, ok := Find(values, 0); ok {
			t.Errorf("%s: %+v", name, f)
		}
	}
	values := make([]float64, 30)
	values[10] = 1 // one heavy stretch of a script that is 6 long
	if f, ok := Find(values, 6); ok {
		t.Errorf("a single value: %+v", f)
	}
}

var simulate = flag.Bool("changepoint.simulate", false, "print the critical values")

// The critical values, simulated again with fewer series; -changepoint.simulate prints them.
func TestCriticalValues(t *testing.T) {
	series := 4000
	if *simulate {
		series = 40_000
	}
	for _, c := range criticalAt {
		if c.n > 48 && !*simulate {
			continue
		}
		r := rand.New(rand.NewPCG(1970, uint64(c.n)))
		all := make([]float64, series)
		values := make([]float64, c.n)
		for k := range all {
			for i := range values {
				values[i] = r.NormFloat64()
			}
			f, _ := largest(values, Shortest(c.n))
			all[k] = f.Statistic
		}
		slices.Sort(all)
		at := all[series*995/1000]
		if *simulate {
			fmt.Printf("{%d, %.2f}, ", c.n, at)
		} else if over := all[series*99/100]; math.Abs(at-c.value) > 0.45 || over > c.value {
			t.Errorf("n %d: 5 of 1000 pass %.2f, 10 of 1000 %.2f; the table has %.2f", c.n, at, over, c.value)
		}
	}
}

// clean is a segment's power by stretches as it is when nothing happens: W, with reading
// noise, what a page or a scene costs more than another (a period of so many stretches), and
// what wanders slowly.
func clean(r *rand.Rand, n int) []float64 {
	watts, noise := 1+3*r.Float64(), 0.005+0.03*r.Float64()
	wander, slow := 0.01*r.Float64(), 0.0
	period, heavy := 2+r.IntN(6), 0.05*r.Float64()
	trend := 0.02 * (r.Float64() - 0.5)
	list := make([]float64, n)
	for i := range list {
		slow = 0.5*slow + wander*r.NormFloat64()
		list[i] = watts * (1 + noise*r.NormFloat64() + slow + heavy*math.Sin(2*math.Pi*float64(i)/float64(period)) + trend*float64(i)/float64(n))
	}
	return list
}

// Of clean segments at most one in a hundred shows a step of five per cent or more, and a drop
// of 15 % over a third of the window is found in nearly all.
func TestFalseAlarmsAndPower(t *testing.T) {
	r := rand.New(rand.NewPCG(1954, 41))
	const rounds = 3000
	alarms, found := 0, 0
	for range rounds {
		n := 20 + r.IntN(77)
		values := clean(r, n)
		if f, ok := Find(values, 0); ok && math.Abs(f.Change()) >= 0.05 {
			alarms++
		}
		third := n / 3
		from := r.IntN(n - third)
		for i := from; i < from+third; i++ {
			values[i] *= 0.85
		}
		if f, ok := Find(values, 0); ok && math.Abs(f.Change()) >= 0.05 {
			found++
		}
	}
	t.Logf("%d of %d clean segments show a step, and %d one of 15 %% over a third", alarms, rounds, found)
	if alarms > rounds/100 || found < rounds*95/100 {
		t.Errorf("%d false alarms, %d found of %d", alarms, found, rounds)
	}
}

func TestMeans(t *testing.T) {
	var at []time.Duration
	var values []float64
	for i := range 60 {
		if i >= 20 && i < 30 {
			continue // nothing read
		}
		at, values = append(at, time.Duration(i)*10*time.Second), append(values, float64(i))
	}
	means, from := Means(at, values, 0, 650*time.Second, 100*time.Second)
	if !slices.Equal(means, []float64{4.5, 14.5, 34.5, 44.5, 54.5}) || !slices.Equal(from, []int{0, 1, 3, 4, 5}) {
		t.Errorf("means %v of %v", means, from)
	}
}

func TestFlow(t *testing.T) {
	var at []time.Duration
	var counter []float64
	for i := range 361 {
		q := 1000 - 0.1*float64(i) // 36 an hour, each 10 s
		if i > 180 {
			q = 1000 - 18 - 0.05*float64(i-180)
		}
		at, counter = append(at, time.Duration(i)*10*time.Second), append(counter, math.Round(q*10)/10)
	}
	means := Flow(at, counter, time.Minute, 59*time.Minute, 2*time.Minute)
	if len(means) != 29 || math.Abs(means[0]-36) > 0.5 || math.Abs(means[28]-18) > 1 {
		t.Errorf("means %v", means)
	}
	for i := range counter {
		counter[i] = math.Round(counter[i] / 10)
	}
	if means := Flow(at, counter, time.Minute, 59*time.Minute, 2*time.Minute); means != nil {
		t.Errorf("of a counter with %d steps: %v", 4, means)
	}
}

func FuzzFind(f *testing.F) {
	f.Add([]byte("aaaaaaaazzzzzzzzaaaaaaaa"), 3)
	f.Fuzz(func(t *testing.T, b []byte, least int) {
		if len(b) > 200 {
			b = b[:200]
		}
		values := make([]float64, len(b))
		for i, c := range b {
			values[i] = float64(c)
		}
		got, ok := Find(values, least)
		if ok && (got.From < 0 || got.To > len(values) || got.To-got.From < Shortest(len(values)) || got.Statistic <= got.Critical) {
			t.Errorf("%+v of %v", got, values)
		}
	})
}
