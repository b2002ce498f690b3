package sustain

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"
)

// evenly are lots of equal length, the first at an instant, with these rates.
func evenly(from, each time.Duration, rates ...float64) (lots []Lot) {
	for _, rate := range rates {
		lots = append(lots, Lot{From: from, To: from + each, Rate: rate})
		from += each
	}
	return lots
}

// times is a rate so many times over.
func times(n int, rate float64) (list []float64) {
	for range n {
		list = append(list, rate)
	}
	return list
}

// The rule worked by hand: windows of two minutes and five lots of 24 s each, of which the first begins at one minute. What lies
// on an edge is allowed: just two windows of work, a rate that changed by just 1/16, a temperature by just 1 °C; a reading and
// a lot at the instant at which a window begins belong to the one before.
func TestSettlingWorkedByHand(t *testing.T) {
	rule := Settling{Window: 2 * time.Minute, RateRel: 0.0625, TempC: 1, LotsEach: 5}
	const each, begin = 24 * time.Second, time.Minute
	readings := func(cool, warm float64) (list []Reading) {
		for s, c := range map[int]float64{60: 0, 120: cool, 180: cool, 240: warm, 300: warm} {
			list = append(list, Reading{T: time.Duration(s) * time.Second, BatteryC: &c})
		}
		return list
	}
	join := func(a, b []float64) []float64 { return append(append([]float64(nil), a...), b...) }
	tests := []struct {
		name     string
		rates    []float64
		readings []Reading
		want     string // what still changes
	}{
		{"settled, on every edge", join(times(5, 16), times(5, 17)), readings(30, 31), ""},
		{"settled, cooling on the edge", times(10, 16), readings(30, 29), ""},
		{"too short", times(9, 16), readings(30, 30), "worked for 3.6 min, and two windows of 2 min are compared"},
		{"slower", join(times(5, 16), times(5, 12)), readings(30, 30), "the rate changed by -25.0 % in 2 min"},
		// The line through 12 to 20 rises by 2 a lot, by 10 over the five of the window: 62.5 % of their mean, 16.
		{"rising within", join(times(5, 16), []float64{12, 14, 16, 18, 20}), readings(30, 30), "the rate changed by +62.5 % within the last 2 min"},
		{"warming", times(10, 16), readings(30, 32.5), "the battery's temperature changed by +2.5 °C in 2 min"},
		{"not read", times(10, 16), nil, "the battery's temperature was not read, so that nothing says that the handset has stopped warming"},
	}
	for _, tt := range tests {
		settled, still := rule.At(evenly(begin, each, tt.rates...), tt.readings)
		if settled != (tt.want == "") || still != tt.want {
			t.Errorf("%s: settled %t, still %q; want %q", tt.name, settled, still, tt.want)
		}
	}
	rule.LotsEach = 6
	if settled, still := rule.At(evenly(begin, each, times(10, 16)...), readings(30, 30)); settled || still != "5 and 5 lots in the last two windows, and 6 are needed in each" {
		t.Errorf("with too few lots: settled %t, still %q", settled, still)
	}
	// Three lots tell a slope: 1, 2 and 3 rise by 3 over their half minute, of a mean of 2; two do not.
	if got := slope(evenly(10*time.Second, 10*time.Second, 1, 2, 3), 10*time.Second); !(math.Abs(got-1.5) <= 1e-12) {
		t.Errorf("a line through 1, 2 and 3 changes by %g of its mean, want 1.5", got)
	}
	if got := slope(evenly(10*time.Second, 10*time.Second, 1, 2), 10*time.Second); !math.IsNaN(got) {
		t.Errorf("a line through two lots: %g", got)
	}
}

func steadyC() (list []Reading) {
	c := 35.0
	for s := range 2000 {
		list = append(list, Reading{T: time.Duration(s) * time.Second, BatteryC: &c})
	}
	return list
}

// The start is the six lots of 10 s in the minute after the first, and the settled rate that of the last five minutes, which may
// begin where the start ends and no earlier: 37 lots are enough.
func TestLotsOfTheStart(t *testing.T) {
	f, err := OfLots(evenly(100*time.Second, 10*time.Second, append(append([]float64{400}, times(6, 1000)...), times(30, 800)...)...), nil)
	if err != nil || f.Count != 37 || f.StartCount != 6 || f.Start != 1000 || f.Settled != 800 || f.Held != (Interval{Value: 0.8, Low: 0.8, High: 0.8}) || !f.Throttled {
		t.Errorf("%+v, %v; want 1000 of 6 lots to 800 of 37, without scatter", f, err)
	}
	for n, want := range map[int]string{
		36: "too little work: 36 lots in 6.0 min; want the lots of the start and 5 min after them",
		6:  "too little work: 6 lots in 1.0 min; want the lots of the start and 5 min after them",
		5:  "too little work: 5 lots in 0.8 min; want the lots of the start and 5 min after them",
		4:  "too little work: 4 lots, want 5 or more",
	} {
		if _, err := OfLots(evenly(100*time.Second, 10*time.Second, times(n, 1000)...), nil); !errors.Is(err, ErrTooShort) || err.Error() != want {
			t.Errorf("%d lots: %v, want %q", n, err, want)
		}
	}
	// Lots of a minute: at least three are of the start, however long they take.
	f, err = OfLots(evenly(0, time.Minute, times(10, 50)...), nil)
	if err != nil || f.StartCount != 3 {
		t.Errorf("of lots of a minute %d are the start, %v; want 3", f.StartCount, err)
	}
}

// What is wrong with a lot is said with its number, counted from 1.
func TestUnsoundLotsAreNamed(t *testing.T) {
	for want, change := range map[string]func(l []Lot){
		"lot 5 has a rate of 0 over 10s, want more than 0":             func(l []Lot) { l[4].Rate = 0 },
		"lot 5 has a rate of 1000 over 0s, want more than 0":           func(l []Lot) { l[4].To = l[4].From },
		"lot 21 began before the one before it had ended":              func(l []Lot) { l[19].To += 6 * time.Second },
		"it stood still for 6 s before lot 21, and the handset cooled": func(l []Lot) { l[19].To -= 6 * time.Second },
		"": func(l []Lot) { l[9].To += 5 * time.Second; l[19].To -= 5 * time.Second }, // clocks and posts may be so much off
	} {
		lots := evenly(100*time.Second, 10*time.Second, times(40, 1000)...)
		change(lots)
		_, err := OfLots(lots, nil)
		if want == "" && err != nil || want != "" && (err == nil || !strings.HasSuffix(err.Error(), want)) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// The interval of a share held by lots, worked by hand where one of its two parts is nothing.
//
// By batches: minutes at 800, 820, 840, 820 and 800, so a mean of 816 whose batches deviate by √280; lots alike within each, so
// that their median difference is 0. Student's t for the four degrees of freedom of five batches is 2.776445 (97.5 %, as
// any table has it).
//
// By lots: 1000 and 1010 in turn, so a scatter of 1.4826 x 10/√2 at a mean of 1005; the start is a median of six, the settled rate
// a mean of thirty, and batches of six do not differ. Of 38 lots the scatter has 0.37 x 37 degrees of freedom; Student's t between
// whole ones is gonum's.
func TestHeldOfLotsWorkedByHand(t *testing.T) {
	near := func(what string, got, want float64) {
		t.Helper()
		if !(math.Abs(got-want) <= 1e-6*math.Abs(want)) {
			t.Errorf("%s: %.8f, want %.8f", what, got, want)
		}
	}
	var rates []float64
	rates = append(rates, times(14, 1000)...)
	for _, minute := range []float64{800, 820, 840, 820, 800} {
		rates = append(rates, times(6, minute)...)
	}
	f, err := OfLots(evenly(100*time.Second, 10*time.Second, rates...), nil)
	if err != nil {
		t.Fatal(err)
	}
	half := 2.776445 * math.Sqrt(280) / 816 / math.Sqrt(5)
	near("by batches", f.Held.Value, 0.816)
	near("its low end", f.Held.Low, 0.816*(1-half))
	near("its high end", f.Held.High, 0.816*(1+half))

	rates = nil
	for i := range 38 {
		rates = append(rates, 1000+10*float64(i%2))
	}
	f, err = OfLots(evenly(100*time.Second, 10*time.Second, rates...), steadyC())
	if err != nil {
		t.Fatal(err)
	}
	s := 1.4826 * 10 / math.Sqrt2 / 1005
	start, settled := 1.25*s/math.Sqrt(6), s/math.Sqrt(30)
	both := math.Hypot(start, settled)
	df := math.Pow(both, 4) / (math.Pow(start, 4)/(0.37*37) + math.Pow(settled, 4)/4)
	half = distuv.StudentsT{Sigma: 1, Nu: df}.Quantile(0.975) * both
	near("scatter", f.NoiseRel, s)
	near("by lots", f.Held.Value, 1)
	near("its low end", f.Held.Low, 1-half)
	near("its high end", f.Held.High, 1+half)
	if f.Throttled { // the last lots are within their scatter of the start
		t.Error("a steady rate with scatter is said to throttle")
	}
}

// Throttling is a fall of more than 2.3 %, with the whole interval below 1; or one at the very end.
func TestWhenThrottlingIsSaid(t *testing.T) {
	start := times(8, 1000)
	minutes := func(rates ...float64) (list []float64) {
		for _, r := range rates {
			list = append(list, times(6, r)...)
		}
		return list
	}
	end := func(list []float64, last float64) []float64 { // its last three lots
		for i := range 3 {
			list[len(list)-1-i] = last
		}
		return list
	}
	for _, tt := range []struct {
		name  string
		after []float64
		want  bool
	}{
		{"99 % held", minutes(990, 990, 990, 990, 990), false},
		{"97 % held", minutes(970, 970, 970, 970, 970), true},
		{"90 % held, and back at the very end", end(minutes(900, 900, 900, 900, 900), 1000), true},
		{"up and down by more than the fall", minutes(500, 1300, 500, 1300, 1000), false},
		{"held, but for the very end", end(minutes(1000, 1000, 1000, 1000, 1000), 900), true},
	} {
		f, err := OfLots(evenly(0, 10*time.Second, append(append([]float64(nil), start...), tt.after...)...), nil)
		if err != nil || f.Throttled != tt.want {
			t.Errorf("%s: throttled %t of %s, %v; want %t", tt.name, f.Throttled, f.Held, err, tt.want)
		}
	}
}

// A first lot of 10 s at half the rate is within the minute about an instant until 40 s: at 30 s that minute has (5 + 50)/60 of the
// rate, 8.3 % less; 35 s is the first step at which it has less than 5 % (57.5/60). Counted from the beginning of the work.
func TestTimeToSettleWorkedByHand(t *testing.T) {
	for _, begin := range []time.Duration{0, 500 * time.Second} {
		f, err := OfLots(evenly(begin, 10*time.Second, append([]float64{500}, times(80, 1000)...)...), steadyC())
		if err != nil || f.ToSettle == nil || *f.ToSettle != 35*time.Second {
			t.Errorf("begun at %v: %v to settle (%s), %v; want 35 s", begin, fmt.Sprint(f.ToSettle), f.Still, err)
		}
	}
}
