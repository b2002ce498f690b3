package calculate

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
)

// What an option may be, its ends included; 0 is not known.
func TestOptionsOnTheEdge(t *testing.T) {
	for _, tt := range []struct {
		o    Options
		good bool
	}{
		{Options{}, true},
		{Options{DesignMAh: 100}, true}, {Options{DesignMAh: 99}, false}, {Options{DesignMAh: 50_000}, true}, {Options{DesignMAh: 50_001}, false},
		{Options{DesignMAh: 4000, NominalMV: 1000}, true}, {Options{DesignMAh: 4000, NominalMV: 999}, false}, {Options{DesignMAh: 4000, NominalMV: 9001}, false},
		{Options{LearnedMAh: 1e6}, true}, {Options{LearnedMAh: 1e6 + 1}, false}, {Options{LearnedByCurrentMAh: 100}, true}, {Options{LearnedByCurrentMAh: 1e6 + 1}, false},
		{Options{WarmUpS: 86_400}, true}, {Options{WarmUpS: 86_401}, false}, {Options{WarmUpS: -1}, false}, {Options{LoopS: 1e-3}, true}, {Options{LoopS: -1e-3}, false},
		{Options{Points: 1}, true}, {Options{Points: 100}, true}, {Options{Points: 101}, false}, {Options{Points: -1}, false},
	} {
		if err := tt.o.check(); (err == nil) != tt.good || err != nil && !errors.Is(err, ErrOption) {
			t.Errorf("%+v: %v, want it to be good: %t", tt.o, err, tt.good)
		}
	}
}

// The budget's terms are in per cent and make the interval: as squares they sum up to that of the logarithm of the
// hours (an exact property: errors multiply, GUM, JCGM 100:2008, 5.1.6). What is not known is left out and not complained of.
func TestBudgetInPerCent(t *testing.T) {
	var b strings.Builder
	fmt.Fprintln(&b, "t_s,level,voltage_mv,charge_uah,current_ma")
	for i := range 120 {
		at := float64(10 + 30*i)
		fmt.Fprintf(&b, "%.0f,%d,3900,%.0f,%.1f\n", at, 93-int(at/300), 4e6*(0.93-at/30000)+200*math.Sin(at/9), -480+float64(3*(i%5)))
	}
	r, err := text(t, "log.csv", b.String(), Options{})
	if err != nil || r.Endurance == nil {
		t.Fatal(err)
	}
	sum := 0.0
	for _, x := range r.Endurance.Budget {
		sum += x.SDPct * x.SDPct
	}
	if got, want := 1.959964*math.Sqrt(sum)/100, math.Log(r.Endurance.Hours.High/r.Endurance.Hours.Value); !(math.Abs(got-want) <= 1e-6) {
		t.Errorf("the budget's terms make a half-width of %.6f, the hours have %.6f", got, want)
	}
	if r.Endurance.HoursPerWh != nil || strings.Contains(strings.Join(r.Warnings, ";"), "learned") {
		t.Errorf("without capacity and learned charge: %v h/Wh, warnings %q", r.Endurance.HoursPerWh, r.Warnings)
	}
	for name, o := range map[string]Options{"the counter's": {DesignMAh: 4000, LearnedMAh: 4000}, "the current's": {DesignMAh: 4000, LearnedByCurrentMAh: 4000}} {
		got, err := text(t, "log.csv", b.String(), o)
		if err != nil || got.Endurance.Method == r.Endurance.Method && name == "the counter's" || got.Endurance.HoursPerWh != nil {
			t.Errorf("with %s full charge: %+v, %v; without: %q", name, got.Endurance, err, r.Endurance.Method)
		}
	}
}

// A charge's times count from its log's beginning, whatever that is called: the same log on a clock that reads an hour more says the same.
func TestChargeCountsFromItsBeginning(t *testing.T) {
	log := func(begin int) string {
		var b strings.Builder
		fmt.Fprintln(&b, "t_s,level")
		for s := 0; s <= 6000; s += 10 {
			fmt.Fprintf(&b, "%d,%d\n", begin+s, min(100, 3+s/60))
		}
		return b.String()
	}
	for _, begin := range []int{0, 3600} {
		r, err := text(t, "log.csv", log(begin), Options{As: AsCharge})
		if err != nil || *r.Charge.FromPct != 3 || len(r.Charge.Times) < 2 {
			t.Fatalf("%+v, %v", r.Charge, err)
		}
		// 20 % is shown from 1020 s on, and was not at 1010.
		if x := r.Charge.Times[0]; x.LevelPct != 20 || *x.S != (Interval{Value: 1015, Low: 1010, High: 1020}) {
			t.Errorf("begun at %d s: %d %% after %v, want 20 after 1010 to 1020 s", begin, x.LevelPct, x.S)
		}
	}
}

// Cycles that hold their rate have no onset; those that fall have the first below 95 %.
func TestOnsetOfCycles(t *testing.T) {
	for want, after := range map[int]int{0: 100, 5: 70} {
		var b strings.Builder
		fmt.Fprintln(&b, "cycle,score")
		for i := range 12 {
			score := 100
			if i >= 4 {
				score = after
			}
			fmt.Fprintf(&b, "%d,%d\n", i+1, score)
		}
		r, err := text(t, "cycles.csv", b.String(), Options{})
		if err != nil || r.Sustain == nil || (r.Sustain.Onset == nil) != (want == 0) || want > 0 && *r.Sustain.Onset != want || r.Sustain.Cycles != 12 {
			t.Errorf("from 100 to %d: %+v, %v; want an onset at %d", after, r.Sustain, err, want)
		}
	}
}
