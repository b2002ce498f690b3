package charging

import (
	"math"
	"testing"
	"time"
)

// twoPaces is a charge from 0 % without power readings, read each 10 s: a point a minute up to 50 %, and two minutes
// a point from there, by a gauge that rounds down.
func twoPaces() (in Input) {
	for s := 0; s <= 9000; s += 10 {
		level := s / 60
		if s > 3000 {
			level = 50 + (s-3000)/120
		}
		in.Samples = append(in.Samples, Sample{T: time.Duration(s) * time.Second, LevelPct: min(100, level)})
	}
	return in
}

// Times and spans of a charge whose pace changes, worked by hand. 20 % is shown first at 1200 s and not yet at 1190;
// 80 % at 3000 + 30 x 120 = 6600 s and not at 6590. The refresh is assumed to take up to 20 s and the level to bend by a
// quarter of a point: at 60 s a point 15 s, at 120 s a point 30 s.
func TestTimesAndSpansWorkedByHand(t *testing.T) {
	in := twoPaces()
	in.Levels = []int{20, 80}
	f, err := Estimate(in)
	if err != nil || len(f.Times) != 2 || len(f.Spans) != 2 {
		t.Fatalf("times %+v, spans %+v, %v", f.Times, f.Spans, err)
	}
	nearlyInterval(t, "20 % shown, s", f.Times[0].S, interval(1195, 1190, 1200))
	nearlyInterval(t, "80 % shown, s", f.Times[1].S, interval(6595, 6590, 6600))
	// By charge it lies between the middle of the edges to this level and to the next, a refresh earlier on average
	// by its half; at the ends a whole refresh and the bend are allowed for.
	nearlyInterval(t, "20 % by charge, s", f.Times[0].ChargeS, interval((1195+1255-20)/2.0, 1190-20-15, 1260+15))
	nearlyInterval(t, "80 % by charge, s", f.Times[1].ChargeS, interval((6595+6715-20)/2.0, 6590-20-30, 6720+30))

	x := f.Spans[1]
	if x.FromPct != 20 || x.ToPct != 80 {
		t.Fatalf("second span is from %d to %d %%, want 20 to 80", x.FromPct, x.ToPct)
	}
	// Each edge is good to 5 s, and the two do not hang together.
	nearlyInterval(t, "20 to 80 % as shown, s", &x.S, interval(5400, 5400-5*math.Sqrt2, 5400+5*math.Sqrt2))
	// A gauge that rounds down says 5400 s of charge, one that rounds up (each edge a point early) 5400 + 120 - 60: the
	// middle of both, to either. To that come both edges, uniform over 10 s, two refreshes, uniform over 20 s, and the
	// bends, 15 and 30 s at 95 %.
	w := 30 + math.Sqrt(1.96*1.96*(5*5+5*5+2*10*10)/3.0+15*15+30*30)
	nearlyInterval(t, "20 to 80 % by charge, s", x.ChargeS, interval(5430, 5430-w, 5430+w))
}

// Two moments whose ends lie differently far away: errors that do not hang together add as squares, the late end of
// the first with the early end of the second (3-4-5 and 5-12-13).
func TestBetweenWorkedByHand(t *testing.T) {
	got := between(interval(100, 88, 104), interval(400, 397, 405))
	nearlyInterval(t, "between", &got, interval(300, 295, 313))
}

// From 10 to 14 % between two samples 10 s apart: the four levels are passed 2.5 s apart, so that 12 % comes half a
// step before the second of them is over, 103.75 s; half a step and 0.15 for each of three others is what it is good to.
func TestLevelsPassedBetweenTwoSamples(t *testing.T) {
	l := levels{t: []float64{0, 100, 110, 200}, shown: []int{10, 10, 14, 15}}
	for pct, want := range map[int]edge{
		11: {interval(101.25, 100, 103.625), 100, 110}, // no earlier than the sample before
		12: {interval(103.75, 101.375, 106.125), 100, 110},
		13: {interval(106.25, 103.875, 108.625), 100, 110},
		14: {interval(108.75, 106.375, 110), 100, 110},
		15: {interval(155, 110, 200), 110, 200},
	} {
		if got, ok := l.first(pct); !ok || !(math.Abs(got.Value-want.Value) <= 1e-9) || !(math.Abs(got.Low-want.Low) <= 1e-9) || !(math.Abs(got.High-want.High) <= 1e-9) || got.lo != want.lo || got.hi != want.hi {
			t.Errorf("edge to %d %%: %+v %t, want %+v", pct, got, ok, want)
		}
	}
	for _, pct := range []int{10, 16} { // shown from the start; never
		if got, ok := l.first(pct); ok {
			t.Errorf("edge to %d %%: %+v, want none", pct, got)
		}
	}
	// A step back is no edge: 11 % was shown before, and 12 % is the next that is new.
	back := levels{t: []float64{0, 10, 20, 30, 40}, shown: []int{10, 11, 10, 11, 12}}
	if got, ok := back.first(12); !ok || got.Value != 35 || got.lo != 30 || got.hi != 40 {
		t.Errorf("edge to 12 %% after a step back: %+v %t, want 35 s within 30 to 40", got, ok)
	}
	for s, want := range map[float64]int{-5: 10, 99: 10, 100: 10, 110: 14, 199: 14, 200: 15, 900: 15} {
		if got := l.at(s); got != want {
			t.Errorf("at %g s %d %% are shown, want %d", s, got, want)
		}
	}
}

// What is said of the end of the charge: full is said at 8990 s and was not at 8980, where it may be a refresh of 20 s old. So
// it came from 8960 to 8990 s, and a plug-in that may be half a minute off widens both ends.
func TestTheEndIsTheTimeTo100ByCharge(t *testing.T) {
	in := twoPaces()
	for i := range in.Samples {
		in.Samples[i].Full = in.Samples[i].T >= 8990*time.Second
	}
	in.Levels = []int{100}
	for _, within := range []float64{0, 30} {
		in.PlugWithin = time.Duration(within) * time.Second
		f, err := Estimate(in)
		if err != nil || len(f.Times) != 1 || f.End == nil {
			t.Fatalf("times %+v, end %+v, %v", f.Times, f.End, err)
		}
		if *f.End != (End{AtS: 8990, Rule: ByStatus}) {
			t.Errorf("end %+v, want at 8990 s by status", *f.End)
		}
		nearlyInterval(t, "100 % by charge, s", f.Times[0].ChargeS, interval(8975, 8960-within, 8990+within))
	}
}

// The same charge counted from plug-in and from a quarter of an hour later on the clock: times are from plug-in.
func TestTimesCountFromPlugIn(t *testing.T) {
	in := twoPaces()
	in.Levels = []int{20, 80}
	want, err := Estimate(in)
	if err != nil {
		t.Fatal(err)
	}
	in.PlugT = 15 * time.Minute
	for i := range in.Samples {
		in.Samples[i].T += 15 * time.Minute
	}
	got, err := Estimate(in)
	if err != nil {
		t.Fatal(err)
	}
	for i := range want.Times {
		if *got.Times[i].S != *want.Times[i].S || *got.Times[i].ChargeS != *want.Times[i].ChargeS {
			t.Errorf("%d %%: %+v and %+v on the later clock, want %+v and %+v", want.Times[i].LevelPct, *got.Times[i].S, *got.Times[i].ChargeS, *want.Times[i].S, *want.Times[i].ChargeS)
		}
	}
}

// Charge that rises by a point each 100 s from 20 %, counted to 1 % of all of it: 60 % is half of what comes, where
// the start's point counts by a half, the cell's voltage by a point, and counting by half a per cent: 0.3 + 0.5 + 1 + 0.98 points.
func TestCountedTimesWorkedByHand(t *testing.T) {
	c := &counted{start: 20, sdPct: 1, t: []float64{0, 3000, 5000, 8000}, pct: []float64{20, 50, 70, 100}}
	nearlyInterval(t, "60 %, s", c.at(60, 0), interval(4000, 4000-278, 4000+278))
	nearlyInterval(t, "60 % with plug-in good to 10 s", c.at(60, 10), interval(4000, 4000-288, 4000+288))
	// 40 % is a quarter: 0.3 + 0.75 + 0.75 + 1.96 x √(3/16) points.
	half := 100 * (1.8 + 1.96*math.Sqrt(3)/4)
	nearlyInterval(t, "40 %, s", c.at(40, 0), interval(2000, 2000-half, 2000+half))
	// From 40 to 60 %: both moments, whose errors do not hang together.
	l := levels{t: []float64{0, 2100, 2110, 4100, 4110}, shown: []int{20, 39, 40, 59, 60}}
	s, ok := l.span(40, 60, c, 20)
	if !ok {
		t.Fatal("no span")
	}
	nearlyInterval(t, "40 to 60 % as shown, s", &s.S, interval(2000, 2000-5*math.Sqrt2, 2000+5*math.Sqrt2))
	nearlyInterval(t, "40 to 60 % by charge, s", s.ChargeS, interval(2000, 2000-math.Hypot(half, 278), 2000+math.Hypot(half, 278)))
	// Nothing comes before plug-in, and nothing after the end.
	if got := c.at(21, 0); got == nil || got.Low != 0 {
		t.Errorf("21 %%: %+v, want from 0 s on", got)
	}
	if got := c.at(100, 0); got == nil || got.Value != 8000 || got.High != 8000 {
		t.Errorf("100 %%: %+v, want 8000 s at the latest", got)
	}
	if got := c.at(20, 0); got != nil {
		t.Errorf("the level at the start: %+v, want none", got)
	}
	nearly(t, "still to come after 4000 s, points", c.left(4000), 40, 1e-9)
}

// A constant current carries charge in proportion to time, whatever the voltage does: power in the shape of the
// published cell's voltage must be counted as a straight line (an exact property, to half of one of the 200 parts).
func TestAConstantCurrentIsCountedStraight(t *testing.T) {
	const from, length = 10, 9000.0
	volts := trace{cellPct, cellVolts}
	var a account
	for s := 0.0; s <= length; s += 30 {
		a.course.t, a.course.v = append(a.course.t, s), append(a.course.v, a.joules)
		// Energy of the next half minute, by its middle.
		if s < length {
			a.joules += volts.at(from+(100-from)*(s+15)/length) * 30
		}
	}
	c := count(a, from)
	if c == nil {
		t.Fatal("nothing was counted")
	}
	for i, s := range c.t {
		nearly(t, "charge, %", c.pct[i], from+(100-from)*s/length, 0.01)
	}
	if count(account{}, 10) != nil {
		t.Error("something was counted of nothing")
	}
}

// Of readings that jump about, the highest median is too high rather than too low: the low end goes down by what one of
// these readings scatters over the root of the six in a minute. Readings that go up and down by 1 % of
// 20 W differ from their neighbours' line by 4 x 0.2 W, of which 1.4826/√6 is a standard deviation (of second differences,
// whose variance is six times that of a reading).
func TestPeakOfScatteredReadings(t *testing.T) {
	var in Input
	for s := 0; s <= 3600; s += 10 {
		w := 20 + 0.2*float64(1-s/10%2*2)
		in.Samples = append(in.Samples, Sample{T: time.Duration(s) * time.Second, LevelPct: 10 + s/60, BattW: &w})
	}
	f, err := Estimate(in)
	if err != nil || f.PeakW == nil {
		t.Fatalf("peak %v, %v", f.PeakW, err)
	}
	nearly(t, "peak, W", f.PeakW.Value, 20.2, 1e-9)
	gain := 1.96 * math.Hypot(0.02, 0.009)
	one := 1.4826 / math.Sqrt(6) * 0.8 / 20
	nearly(t, "its high end", f.PeakW.High, 20.2*(1+gain), 1e-9)
	nearly(t, "its low end", f.PeakW.Low, 20.2*(1-gain-one/math.Sqrt(6)), 0.003)
}
