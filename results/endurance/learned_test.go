package endurance

import (
	"errors"
	"math"
	"testing"
	"time"
)

// steady is a drain (or, backwards, a charge) at a constant current: level, counter and current of a cell of fullMAh,
// between two levels, a sample every 30 s. Invented but for what the caller takes from elsewhere.
func steady(fullMAh, mA, from, to float64, charge bool) []Sample {
	var out []Sample
	hours := math.Abs(from-to) / 100 * fullMAh / mA
	for at := time.Duration(0); at.Hours() <= hours; at += 30 * time.Second {
		pct := from + (to-from)*at.Hours()/hours
		// A reading that never changes is taken for one that stands still, so it ripples by half a per cent.
		counter, current, mv := math.Round(pct/100*fullMAh*1000), -mA*1000*(1+0.005*float64(1-2*(len(out)%2))), 3800.0
		if charge {
			current = -current
		}
		out = append(out, Sample{T: at, LevelPct: int(math.Floor(pct + 1e-9)), Counter: &counter, Current: &current, VoltageMV: &mv, Plugged: charge})
	}
	return out
}

// GSMA TS.09 v10.1 (2017), clause 19: a battery of about 1000 mAh nominal that is discharged at C/5, 200 mA, for
// 4.5 h has an effective capacity of 900 mAh.
func TestEffectiveCapacity(t *testing.T) {
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	samples := steady(900, 200, 100, 0, false)
	if h := samples[len(samples)-1].T.Hours(); math.Abs(h-4.5) > 0.01 {
		t.Fatalf("the drain takes %.2f h, the example has 4.5", h)
	}
	o, err := Observe(Input{Samples: samples, DesignMAh: 1000}, "a", at, false)
	if err != nil {
		t.Fatal(err)
	}
	l := Learn([]Observation{o}, at, "")
	for name, got := range map[string]float64{"counter": l.Counter.Value / 1000, "integrated current": l.Current.Value / 1000} {
		if math.Abs(got-900) > 900*0.001 {
			t.Errorf("full charge by the %s: %.1f mAh, want 900", name, got)
		}
	}
	if !o.Survey() || math.Abs(o.MA-200) > 0.5 {
		t.Errorf("survey %v at %.1f mA, want true at 200", o.Survey(), o.MA)
	}
}

func TestAChargeTeachesTheSame(t *testing.T) {
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	o, err := Observe(Input{Samples: steady(4000, 2000, 20.3, 95.2, true), DesignMAh: 4000}, "c", at, true)
	if err != nil {
		t.Fatal(err)
	}
	l := Learn([]Observation{o}, at, "")
	if math.Abs(l.Counter.Value/1000-4000) > 4 || l.Charges != 1 || o.Survey() {
		t.Errorf("full charge %.1f mAh of %d charges (survey %v), want 4000 of 1, which is no survey", l.Counter.Value/1000, l.Charges, o.Survey())
	}
	if l.Current != nil {
		t.Error("the current that flows in was taken for what flows out")
	}
	if l.Counter.RelSD < chargeSD*0.9 {
		t.Errorf("a charge alone is good to %.2f %%, want %.0f or more", 100*l.Counter.RelSD, 100*chargeSD)
	}
}

func TestNothingToLearn(t *testing.T) {
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	plugged := steady(4000, 2000, 90, 70, false)
	plugged[40].Plugged = true
	blind := steady(4000, 2000, 90, 70, false)
	for i := range blind {
		blind[i].Counter, blind[i].Current = nil, nil
	}
	for name, tt := range map[string]struct {
		samples []Sample
		want    error
	}{
		"no samples":         {nil, ErrTooFewPoints},
		"two points":         {steady(4000, 2000, 90.5, 88, false), ErrTooFewPoints},
		"power came":         {plugged, ErrPlugged},
		"neither reading":    {blind, ErrInput},
		"only the top point": {steady(4000, 2000, 100, 97.5, false), ErrTooFewPoints},
	} {
		if _, err := Observe(Input{Samples: tt.samples}, "x", at, false); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", name, err, tt.want)
		}
	}
	if l := Learn(nil, at, ""); l != nil {
		t.Errorf("of nothing, %+v was learned", l)
	}
	o, err := Observe(Input{Samples: steady(4000, 800, 95, 10, false)}, "only", at, false)
	if err != nil {
		t.Fatal(err)
	}
	if l := Learn([]Observation{o}, at, "only"); l != nil {
		t.Error("a segment is judged by what it taught itself")
	}
	// A reading that broke once does not move what the others say.
	broken := o
	broken.ID = "broken"
	broken.Edges = append([]Passage(nil), o.Edges[:8]...)
	for i := range broken.Edges {
		broken.Edges[i].Counter *= 3
	}
	good := Learn([]Observation{o}, at, "")
	both := Learn([]Observation{o, broken}, at, "")
	if math.Abs(both.Counter.Value/good.Counter.Value-1) > 0.001 {
		t.Errorf("full charge %.0f, with one observation that is three times as much %.0f", good.Counter.Value, both.Counter.Value)
	}
	// What is old counts for less.
	if old := Learn([]Observation{o}, at.AddDate(1, 0, 0), ""); old.Counter.RelSD < 365*agePerDay*0.9 {
		t.Errorf("a year later full charge is still known to %.2f %%", 100*old.Counter.RelSD)
	}
}

func TestKept(t *testing.T) {
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	var all []Observation
	for i := range 40 {
		all = append(all, Observation{ID: "short", At: at.AddDate(0, 0, i), Edges: []Passage{{UpperPct: 92}, {UpperPct: 85}}})
	}
	for i := range 5 {
		all = append(all, Observation{ID: "survey", At: at.AddDate(0, 0, 8*i), Edges: []Passage{{UpperPct: 95}, {UpperPct: 5}}})
	}
	kept := Kept(all)
	surveys := 0
	for i, o := range kept {
		if o.Survey() {
			surveys++
		}
		if i > 0 && o.At.Before(kept[i-1].At) {
			t.Errorf("%d of %d is older than the one before", i+1, len(kept))
		}
	}
	if surveys != mostSurveys || len(kept) != mostSurveys+mostOthers {
		t.Errorf("%d kept, %d of them surveys; want %d and %d", len(kept), surveys, mostSurveys+mostOthers, mostSurveys)
	}
}

// A level that bows over the whole of the charge: a night over its upper half says less of full charge than its length
// would, and the bow that it shows is taken off.
func TestBowIsNotTakenForCharge(t *testing.T) {
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	for _, bow := range []float64{-1, 0, 1} {
		o := Observation{ID: "night", At: at, MA: 400, Gauge: GaugeFine, RatePctH: 10, HasCounter: true}
		for upper := 98; upper >= 57; upper-- {
			shown := float64(upper) - 0.5
			o.Edges = append(o.Edges, Passage{UpperPct: upper, WidthS: 10, Counter: 40_000 * (shown - bow*bowed(shown))})
		}
		l := Learn([]Observation{o}, at, "")
		if l == nil || l.Counter == nil {
			t.Fatalf("bow %+.0f: nothing learned", bow)
		}
		off := l.Counter.Value/4e6 - 1
		if math.Abs(off) > 2*l.Counter.RelSD || bow != 0 && math.Abs(off) > 0.012 {
			t.Errorf("bow %+.0f: full charge is %+.2f %% off, claimed %.2f (one standard deviation)", bow, 100*off, 100*l.Counter.RelSD)
		}
		// A drain down to 5 % ends where it began, as far as the bow goes.
		for upper := 56; upper >= 5; upper-- {
			shown := float64(upper) - 0.5
			o.Edges = append(o.Edges, Passage{UpperPct: upper, WidthS: 10, Counter: 40_000 * (shown - bow*bowed(shown))})
		}
		if whole := Learn([]Observation{o}, at, ""); math.Abs(whole.Counter.Value/4e6-1) > 0.003 || whole.Counter.RelSD > l.Counter.RelSD {
			t.Errorf("bow %+.0f, down to 5 %%: %+.2f %% off, claimed %.2f; from the upper half %.2f", bow, 100*(whole.Counter.Value/4e6-1), 100*whole.Counter.RelSD, 100*l.Counter.RelSD)
		}
	}
}
