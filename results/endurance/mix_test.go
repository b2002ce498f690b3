package endurance

import (
	"math"
	"slices"
	"testing"
)

// 2 h of 10 and 6 h of 20 take half a battery a day: two days. Arithmetic, no source.
func TestMixSensitivity(t *testing.T) {
	parts := map[string]MixPart{"game": {2, Interval{Value: 10, Low: 9, High: 11}}, "video": {6, Interval{Value: 20, Low: 18, High: 22}}}
	if d := Mix(parts); math.Abs(d.Value-2) > 1e-12 || d.Low >= 2 || d.High <= 2 {
		t.Fatalf("days = %+v, want 2", d)
	}
	list := MixSensitivity(parts)
	if len(list) != 2 || list[0].Scenario != "video" || math.Abs(list[0].Share-0.6) > 1e-12 || math.Abs(list[1].Share-0.4) > 1e-12 {
		t.Fatalf("%+v, want video 0.6 before game 0.4", list)
	}
	for _, s := range list {
		more, longer := map[string]MixPart{}, map[string]MixPart{}
		for name, p := range parts {
			m, l := p, p
			if name == s.Scenario {
				m.HoursPerDay *= 1.1
				l.Hours = Interval{Value: p.Hours.Value * 1.1, Low: p.Hours.Low * 1.1, High: p.Hours.High * 1.1}
			}
			more[name], longer[name] = m, l
		}
		if want := Mix(more).Value - 2; math.Abs(s.DaysIfMore-want) > 1e-12 {
			t.Errorf("%s: a tenth more changes days by %g, computed anew %g", s.Scenario, s.DaysIfMore, want)
		}
		if want := Mix(longer).Value - 2; math.Abs(s.DaysIfLonger-want) > 1e-12 {
			t.Errorf("%s: a tenth longer changes days by %g, computed anew %g", s.Scenario, s.DaysIfLonger, want)
		}
	}
	if list := MixSensitivity(nil); list != nil {
		t.Errorf("of no mix: %+v", list)
	}
}

// Regulation (EU) 2023/1669, Annex IV point 1.2.1: one cycle is 150 min, four fifths of it idle; 20 cycles are 50.00 h.
// Index and class boundaries are worked out from Annex II and IV (1000 x h / (V x mAh), two decimals).
func TestRegulation(t *testing.T) {
	hours, minutes, idle := map[string]Interval{}, 0.0, 0.0
	for _, p := range regulationCycle {
		minutes += p.Minutes
		if p.Scenario == "idle" {
			idle += p.Minutes
		}
		hours[p.Scenario] = Interval{Value: 50, Low: 48, High: 52} // whatever it does: 50 h
	}
	if minutes != 150 || idle/minutes != 0.8 {
		t.Errorf("a cycle is %g min, %.0f %% idle; want 150, 80", minutes, 100*idle/minutes)
	}
	end, missing := Regulation(hours)
	if end.Value != 50 || len(missing) > 0 {
		t.Errorf("END = %+v, missing %v; want 50.00", end, missing)
	}
	// 29 cycles of 150 min: idle at 100 h takes 2 h of 100, all else 0.5 h of 12.5 h: 0.02 + 0.04 a cycle.
	for name := range hours {
		hours[name] = Interval{Value: 12.5, Low: 12, High: 13}
	}
	hours["idle"] = Interval{Value: 100, Low: 96, High: 104}
	if end, _ = Regulation(hours); math.Abs(end.Value-41.67) > 1e-9 {
		t.Errorf("END = %.4f h, want 2.5 / 0.06 = 41.67", end.Value)
	}
	delete(hours, "stream")
	delete(hours, "voicecall")
	if end, missing = Regulation(hours); end.Value != 0 || !slices.Equal(missing, []string{"stream", "voicecall"}) {
		t.Errorf("with two parts not measured: %+v, missing %v", end, missing)
	}
	for _, x := range []struct{ mAh, mV, hours, index float64 }{{5000, 3850, 50.00, 2.60}, {5000, 3850, 51.98, 2.70}, {5000, 3850, 52.20, 2.71}, {4000, 3870, 40.00, 2.58}, {3000, 3850, 13.80, 1.19}} {
		if got := HoursPerWh(x.hours, x.mAh, x.mV); got != x.index {
			t.Errorf("index of %g h, %g mAh, %g mV = %g, want %g", x.hours, x.mAh, x.mV, got, x.index)
		}
	}
}
