package sustain

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/interp"
)

// A phoneAt says how fast a handset works at an instant, as a part of its full speed.
type phoneAt func(t time.Duration) float64

// lotsOf has a handset do lots of so many units, each of which takes as long as the rate at that time makes
// it take, until an instant. Noise is one standard deviation of a lot.
func lotsOf(phone phoneAt, until time.Duration, units, full, noise float64, r *rand.Rand) (list []Lot) {
	const step = 100 * time.Millisecond
	from, done, t := time.Duration(0), 0.0, time.Duration(0)
	scatter := func() float64 { return 1 + noise*r.NormFloat64() }
	k := scatter()
	for t < until {
		t += step
		done += full * phone(t-step/2) * k * step.Seconds()
		if done >= units {
			list = append(list, Lot{From: from, To: t, Rate: done / (t - from).Seconds()})
			from, done, k = t, 0, scatter()
		}
	}
	return list
}

// warming is a battery that warms by so much with a time constant, read every 10 s.
func warming(byC float64, constant, until time.Duration) (list []Reading) {
	for t := time.Duration(0); t <= until; t += 10 * time.Second {
		c := 25 + byC*(1-math.Exp(-t.Seconds()/constant.Seconds()))
		list = append(list, Reading{T: t, LevelPct: 90, BatteryC: &c})
	}
	return list
}

// firstOrder falls to a share with a time constant, as a first-order system does.
func firstOrder(to float64, constant time.Duration) phoneAt {
	return func(t time.Duration) float64 { return to + (1-to)*math.Exp(-t.Seconds()/constant.Seconds()) }
}

// untilSettled are the lots until the rule says that the rate has settled, as a segment ends.
func untilSettled(lots []Lot, readings []Reading) []Lot {
	for k := range lots {
		if ok, _ := Settled.At(lots[:k+1], readings); ok {
			return lots[:k+1]
		}
	}
	return lots
}

func even() *rand.Rand { return rand.New(rand.NewPCG(1, 1)) }

// A first-order system whose output goes from twice its final value to it stays within 5 % of that after
// three time constants: ln 20 = 2.996 (Ogata, Modern Control Engineering, 5th edition, 2010, section 5-3,
// settling time by the 5 % criterion; from memory). Other falls come from the same exponential by hand.
func TestTimeToSettleIsThatOfControlEngineering(t *testing.T) {
	for _, tt := range []struct {
		constant time.Duration
		to       float64 // of the full speed
	}{{3 * time.Minute, 0.5}, {2 * time.Minute, 0.5}, {3 * time.Minute, 0.7}, {3 * time.Minute, 0.85}} {
		lots := lotsOf(firstOrder(tt.to, tt.constant), 40*time.Minute, 500, 100, 0, even())
		f, err := OfLots(lots, warming(10, 3*time.Minute, 40*time.Minute))
		if err != nil || f.ToSettle == nil {
			t.Fatalf("constant %v to %g: %+v, %v; want a time to settle", tt.constant, tt.to, f, err)
		}
		want := time.Duration(float64(tt.constant) * math.Log((1-tt.to)/(0.05*tt.to)))
		if d := *f.ToSettle - want; d.Abs() > 8*time.Second { // steps of 5 s, and a mean over a minute of a curve
			t.Errorf("constant %v to %g: %v to settle, want %v", tt.constant, tt.to, *f.ToSettle, want)
		}
		if tt.to == 0.5 && (*f.ToSettle-3*tt.constant).Abs() > 8*time.Second {
			t.Errorf("constant %v: %v to settle, want three of them", tt.constant, *f.ToSettle)
		}
		if math.Abs(f.Settled/100/tt.to-1) > 1e-3 {
			t.Errorf("constant %v: settled at %g, want %g", tt.constant, f.Settled, 100*tt.to)
		}
	}
}

// What real handsets do, and what is said of it.
func TestWhatPhonesDo(t *testing.T) {
	const sec, minute = time.Second, time.Minute
	steps := func(at ...time.Duration) phoneAt { // a step down of a tenth at each
		return func(t time.Duration) float64 {
			v := 1.0
			for _, a := range at {
				if t >= a {
					v -= 0.1
				}
			}
			return v
		}
	}
	saw := func(period time.Duration) phoneAt { // from 0.8 falls evenly to 0.6, and jumps back
		return func(t time.Duration) float64 {
			if t < 4*minute {
				return 1
			}
			return 0.8 - 0.2*float64((t-4*minute)%period)/float64(period)
		}
	}
	cool := warming(8, 4*minute, 40*minute)
	tests := []struct {
		name           string
		phone          phoneAt
		units          float64
		readings       []Reading
		until          time.Duration
		settled        bool
		still          string  // part of what still changes
		held, within   float64 // and how near it must be
		from, to       time.Duration
		neverThrottled bool
		whole          bool // it works on where a segment would end
	}{
		{name: "holds its speed", phone: steps(), units: 500, readings: cool, until: 30 * minute, settled: true, held: 1, within: 0.001, neverThrottled: true},
		{name: "three steps", phone: steps(3*minute, 6*minute, 9*minute), units: 500, readings: cool, until: 30 * minute, settled: true, held: 0.7, within: 0.001, from: 8*minute + 30*sec, to: 9*minute + 30*sec},
		{name: "a step in the last half minute", phone: steps(3*minute, 29*minute+40*sec), units: 500, readings: cool, until: 30 * minute, still: "within the last 5 min", held: 0.9, within: 0.02, whole: true},
		{name: "saw-tooth of 2 min", phone: saw(2 * minute), units: 500, readings: cool, until: 24 * minute, settled: true, held: 0.7, within: 0.02, to: 19 * minute},
		{name: "saw-tooth of 40 s", phone: saw(40 * sec), units: 500, readings: cool, until: 24 * minute, settled: true, held: 0.7, within: 0.02},
		{name: "falls all along", phone: func(t time.Duration) float64 { return 1 - 0.5*t.Minutes()/30 }, units: 500, readings: cool, until: 30 * minute, still: "the rate changed by -", held: 0.54, within: 0.02},
		{name: "starts slow and recovers", phone: func(t time.Duration) float64 { return 0.6 + 0.3*math.Min(1, t.Minutes()/6) }, units: 500, readings: cool, until: 30 * minute, settled: true, held: 0.9 / 0.631, within: 0.01, neverThrottled: true},
		{name: "level at first on a handset that warms on", phone: steps(12 * minute), units: 500, readings: warming(20, 15*minute, 40*minute), until: 11 * minute, still: "temperature changed by +", held: 1, within: 0.001, neverThrottled: true},
		{name: "temperature not read", phone: steps(), units: 500, until: 30 * minute, still: "temperature was not read", held: 1, within: 0.001, neverThrottled: true},
		{name: "slow handset, a lot a minute", phone: steps(5*minute, 8*minute), units: 6000, readings: cool, until: 30 * minute, settled: true, held: 0.8, within: 0.001},
		{name: "so slow that windows have too few lots", phone: steps(), units: 15000, readings: cool, until: 30 * minute, still: "lots in the last two windows", held: 1, within: 0.001, neverThrottled: true},
		{name: "thermal emergency: a tenth of its speed at the end", phone: func(t time.Duration) float64 {
			if t > 14*minute {
				return 0.1
			}
			return 0.9
		}, units: 500, readings: cool, until: 16 * minute, still: "the rate changed by -", held: 0.7, within: 0.02},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			lots := lotsOf(tt.phone, tt.until, tt.units, 100, 0, even())
			if !tt.whole {
				lots = untilSettled(lots, tt.readings)
			}
			f, err := OfLots(lots, tt.readings)
			if err != nil || f.HasSettled == nil {
				t.Fatalf("%+v, %v; want a figure", f, err)
			}
			if *f.HasSettled != tt.settled || !strings.Contains(f.Still, tt.still) || tt.settled != (f.Still == "") || tt.settled != (f.ToSettle != nil) {
				t.Errorf("settled %v, still %q, in %v; want %v, %q", *f.HasSettled, f.Still, f.ToSettle, tt.settled, tt.still)
			}
			if math.Abs(f.Held.Value-tt.held) > tt.within || f.Held.Low > f.Held.Value || f.Held.High < f.Held.Value {
				t.Errorf("held %s, want %.3f", f.Held, tt.held)
			}
			if f.Throttled == tt.neverThrottled && tt.name != "a step in the last half minute" {
				t.Errorf("throttled %v, held %s", f.Throttled, f.Held)
			}
			if f.ToSettle != nil && (*f.ToSettle < tt.from || tt.to > 0 && *f.ToSettle > tt.to) {
				t.Errorf("settled after %v, want %v to %v", *f.ToSettle, tt.from, tt.to)
			}
		})
	}
}

func TestWorkThatIsNone(t *testing.T) {
	good := lotsOf(firstOrder(0.7, time.Minute), 20*time.Minute, 1000, 100, 0, even())
	change := func(f func(list []Lot)) []Lot {
		list := append([]Lot(nil), good...)
		f(list)
		return list
	}
	shift := func(by time.Duration) []Lot { // from the twentieth on
		return change(func(list []Lot) {
			for i := 20; i < len(list); i++ {
				list[i].From, list[i].To = list[i].From+by, list[i].To+by
			}
		})
	}
	for _, tt := range []struct {
		name string
		lots []Lot
		want error
	}{
		{"nothing", nil, ErrTooShort},
		{"the start only", good[:8], ErrTooShort},
		{"the browser was killed, and began again after 40 s", shift(40 * time.Second), ErrPaused},
		{"a lot's post was late", shift(2 * time.Second), nil},
		{"lots one upon the other", shift(-30 * time.Second), ErrRate},
		{"a lot without work", change(func(l []Lot) { l[4].Rate = 0 }), ErrRate},
		{"no number", change(func(l []Lot) { l[4].Rate = math.NaN() }), ErrRate},
		{"no time", change(func(l []Lot) { l[4].To = l[4].From }), ErrRate},
		{"sound", good, nil},
	} {
		if _, err := OfLots(tt.lots, nil); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.want)
		}
	}
	if ok, still := Settled.At(nil, nil); ok || still == "" {
		t.Errorf("nothing has settled: %v, %q", ok, still)
	}
}

// The straight line of least squares through a step down by Δ at the part p of a stretch changes by
// 6p(1-p)Δ over it: its slope is the covariance with time, p(1-p)Δ/2, over the variance of time, 1/12.
func TestSlopeOfAStepWorkedByHand(t *testing.T) {
	for _, p := range []float64{0.5, 0.8, 0.95} {
		var lots []Lot
		for i := range 300 {
			rate := 1.0
			if float64(i) >= p*300 {
				rate = 0.9
			}
			lots = append(lots, Lot{From: time.Duration(i) * time.Second, To: time.Duration(i+1) * time.Second, Rate: rate})
		}
		mean := 1 - 0.1*(1-p)
		if got, want := slope(lots, 0), -6*p*(1-p)*0.1/mean; math.Abs(got-want) > 1e-4 {
			t.Errorf("a step at %g: the line changes by %.5f, want %.5f", p, got, want)
		}
	}
}

// The mean rate of any stretch is the difference of the work done, which gonum's interp.PiecewiseLinear
// gives independently.
func TestRateOfAStretchAgainstGonum(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 9))
	lots := lotsOf(firstOrder(0.6, 3*time.Minute), 15*time.Minute, 700, 100, 0.05, r)
	w := workOf(lots)
	x, y, sum := []float64{0}, []float64{0}, 0.0
	for _, l := range lots {
		sum += l.Rate * (l.To - l.From).Seconds()
		x, y = append(x, l.To.Seconds()), append(y, sum)
	}
	var p interp.PiecewiseLinear
	if err := p.Fit(x, y); err != nil {
		t.Fatal(err)
	}
	end := lots[len(lots)-1].To
	for range 200 {
		a, b := time.Duration(r.Int64N(int64(end))), time.Duration(r.Int64N(int64(end)))
		if a > b {
			a, b = b, a
		}
		if b-a < time.Second {
			continue
		}
		want := (p.Predict(b.Seconds()) - p.Predict(a.Seconds())) / (b - a).Seconds()
		if got := w.rate(a, b); math.Abs(got-want) > 1e-9*want {
			t.Fatalf("rate from %v to %v: %.9f, gonum %.9f", a, b, got, want)
		}
	}
}

// One thousand handsets with scatter of 0.5 to 1.5 % a lot, lots that something in the background slows, and
// falls of none to a half with time constants of 1 to 4 min (all invented). They work until the rule says
// that the rate has settled, as segments do, or for the longest time; the truth is where the rate goes and
// what it was in the minute after the first lot.
func TestHeldSharesOfAFleet(t *testing.T) {
	const n = 1000
	r := rand.New(rand.NewPCG(11, 12))
	settled, heldIn, halves, worst, early := 0, 0, 0.0, 0.0, time.Duration(0)
	for range n {
		to, constant := 1.0, time.Duration((1+3*r.Float64())*float64(time.Minute))
		if r.IntN(4) > 0 {
			to = 0.5 + 0.5*r.Float64()
		}
		phone, unitsEach := firstOrder(to, constant), 500+2000*r.Float64()
		lots := lotsOf(phone, LongestWork, unitsEach, 100, 0.005+0.01*r.Float64(), r)
		for i := range lots {
			if r.IntN(50) == 0 { // its time as well: the lot takes longer, and all after it are later
				slow := 0.05 + 0.15*r.Float64()
				by := time.Duration(slow * float64(lots[i].To-lots[i].From))
				lots[i].Rate /= 1 + slow
				lots[i].To += by
				for k := i + 1; k < len(lots); k++ {
					lots[k].From, lots[k].To = lots[k].From+by, lots[k].To+by
				}
			}
		}
		readings := warming(5+10*r.Float64(), constant, 40*time.Minute)
		lots = untilSettled(lots, readings)
		f, err := OfLots(lots, readings)
		if err != nil {
			t.Fatal(err)
		}
		if *f.HasSettled {
			settled++
			early += lots[len(lots)-1].To
		}
		first := lots[1].From.Seconds()
		until := max(first+60, lots[3].To.Seconds())
		tau := constant.Seconds()
		start := to + (1-to)*tau*(math.Exp(-first/tau)-math.Exp(-until/tau))/(until-first)
		worst = max(worst, math.Abs(f.Held.Value/(to/start)-1))
		halves += (f.Held.High - f.Held.Low) / 2 / f.Held.Value
		if f.Held.Holds(to / start) {
			heldIn++
		}
	}
	cover, half := 100*float64(heldIn)/n, 100*halves/n
	t.Logf("%d of %d settled, after %.1f min on average; share held within its interval in %.1f of 100, half width %.1f %%, worst %.1f %%", settled, n, early.Minutes()/float64(settled), cover, half, 100*worst)
	if settled < 0.9*n || cover < 92 || half > 3 || worst > 0.06 {
		t.Errorf("%d settled (want 900), cover %.1f (want 92 or more), half width %.1f %% (want at most 3), worst %.1f %% (want at most 6)", settled, cover, half, 100*worst)
	}
}

// No lots, whatever they are, make a panic or a figure that is no number.
func FuzzLots(f *testing.F) {
	f.Add(uint64(1), 40, 0.3, int64(time.Second))
	f.Add(uint64(2), 200, 0.0, int64(0))
	f.Fuzz(func(t *testing.T, seed uint64, n int, scatter float64, gap int64) {
		r := rand.New(rand.NewPCG(seed, 1))
		var lots []Lot
		at := time.Duration(0)
		for range min(max(n, 0), 500) {
			took := time.Duration(r.Int64N(int64(time.Minute)))
			lots = append(lots, Lot{From: at, To: at + took, Rate: 100 * (1 + scatter*r.NormFloat64())})
			at += took + time.Duration(gap%int64(20*time.Second))
		}
		fig, err := OfLots(lots, warming(10, time.Minute, at.Abs()%time.Hour))
		if err != nil {
			return
		}
		for _, v := range []float64{fig.Start, fig.Settled, fig.Held.Value, fig.Held.Low, fig.Held.High} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%+v of %d lots", fig, len(lots))
			}
		}
		if fig.Start <= 0 || fig.Settled <= 0 || fig.Held.Low > fig.Held.Value || fig.Held.Value > fig.Held.High {
			t.Errorf("%+v of %d lots", fig, len(lots))
		}
	})
}
