package endurance

import (
	"math"
	"strings"
	"testing"
	"time"
)

// sticky is a drain from full of a handset of 4000 mAh at 600 mA, whose gauge shows 100 % until held points of charge are
// gone and counts evenly from there.
func sticky(held, hours float64) Input {
	in := Input{WarmUpS: 180, LoopS: 30, DesignMAh: 4000}
	for s := 0.0; s < 3600*hours; s += 10 {
		q := 4000 - 600*s/3600
		pct := min(100, 100*q/(4000-40*held))
		in.Samples = append(in.Samples, Sample{
			T: time.Duration(s) * time.Second, LevelPct: int(math.Round(pct)), VoltageMV: ptr(3700 + 500*q/4000), Counter: ptr(math.Round(1000 * q)),
		})
	}
	return in
}

// A gauge that shows 100 % for three points is found by a drain from there, and the three count; one that does not is left
// as it is; a charge that goes on at 100 % makes it a half and a doubt.
func TestHeld100(t *testing.T) {
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	segment := func(held float64) Input {
		in := sticky(held, 2.5)
		for i, s := range in.Samples {
			if s.LevelPct == 92 {
				in.ActivityT, in.Samples = s.T, in.Samples[i:]
				break
			}
		}
		return in
	}
	charge := func(held float64) Input {
		in := sticky(held, 4)
		last := in.Samples[len(in.Samples)-1].T
		var back []Sample
		for i := range in.Samples {
			s := in.Samples[len(in.Samples)-1-i]
			s.T, s.Plugged = last-s.T, true
			back = append(back, s)
		}
		in.Samples = back
		return in
	}
	for _, tt := range []struct {
		name         string
		held         float64
		teach        func(float64) Input
		charge       bool
		want, within float64 // points counted in
		says         string
	}{
		{"held, seen in a drain", 3, func(h float64) Input { return sticky(h, 5) }, false, 3.09, 0.2, "as a drain from there showed: they are counted in"},
		{"not held, seen in a drain", 0, func(h float64) Input { return sticky(h, 5) }, false, 0, 0, "does not hold 100 %"},
		{"held, seen in a charge", 3, charge, true, 1.55, 0.2, "a drain that begins at 100 % tells"},
		{"not held, seen in a charge", 0, charge, true, 0, 0, "no drain from 100 % showed"},
	} {
		o, err := Observe(tt.teach(tt.held), "o", at, tt.charge)
		if err != nil {
			t.Fatalf("%s: %v", tt.name, err)
		}
		l := Learn([]Observation{o}, at, "")
		if l == nil || l.Counter == nil {
			t.Fatalf("%s: nothing learned", tt.name)
		}
		in := segment(tt.held)
		in.Learned = l
		f, err := Estimate(in)
		if err != nil {
			t.Fatalf("%s: %v", tt.name, err)
		}
		l.Held = nil
		plain, err := Estimate(in)
		if err != nil {
			t.Fatal(err)
		}
		if got := 100 * (f.Hours.Value/plain.Hours.Value - 1); math.Abs(got-tt.want) > tt.within+1e-9 {
			t.Errorf("%s: hours are %.2f %% more, want %.2f", tt.name, got, tt.want)
		}
		if tt.held > 0 && tt.charge && f.Hours.HalfWidth() < 1.2*plain.Hours.HalfWidth() {
			t.Errorf("%s: within %.2f %%, without it %.2f: the doubt is not in it", tt.name, 100*f.Hours.HalfWidth(), 100*plain.Hours.HalfWidth())
		}
		if !strings.Contains(strings.Join(f.Assumptions, "\n"), tt.says) {
			t.Errorf("%s: assumptions %q, want %q", tt.name, f.Assumptions, tt.says)
		}
	}
}
