package endurance

import (
	"math"
	"testing"
	"time"
)

// countedDrain is a steadyDrain with a counter in µAh of a cell of 4000 mAh, as the gauge shows it.
func countedDrain(counter func(uAh, t float64) float64) Input {
	in := steadyDrain(93, func(s *Sample, t float64) {
		s.Counter = ptr(counter(4e6*(0.93-t/18000), t))
	})
	in.DesignMAh = 4000
	return in
}

// How late a gauge of each kind may show an edge is in the term of timing: the 10 s between samples and the refresh are both
// uniform, so (10² + refresh²)/12 s², at a window of 1260 s. The refreshes are assumed, by kind: 20 s of one whose steps are
// too small to be seen, 35 s of one with steps of some hundredths of a per cent, 60 s of one that moves with the level.
func TestTimingByKindOfGauge(t *testing.T) {
	stepped := func(share float64) func(uAh, t float64) float64 {
		step := 4e6 * share
		return func(uAh, _ float64) float64 { return step * math.Round(uAh/step) }
	}
	for _, tt := range []struct {
		gauge    Gauge
		counter  func(uAh, t float64) float64
		refreshS float64
	}{
		{GaugeFine, func(uAh, t float64) float64 { return uAh + 290*math.Sin(2*math.Pi*t/60) }, 20},
		{GaugeMedium, stepped(0.0004), 35},
		{GaugeCoarse, stepped(0.01), 60},
	} {
		f, err := Estimate(countedDrain(tt.counter))
		if err != nil || f.Gauge != tt.gauge {
			t.Errorf("%s gauge, want %s; %v", f.Gauge, tt.gauge, err)
			continue
		}
		near(t, "timing of a "+tt.gauge.String()+" gauge", term(f, termTiming), math.Sqrt((10*10+tt.refreshS*tt.refreshS)/12)/1260, 1e-9)
	}
}

// How often a reading changes is the time from the first to the last over the changes: three in 100 s, and none of one
// that stands still.
func TestRefreshWorkedByHand(t *testing.T) {
	s := series{t: []float64{0, 10, 20, 30, 40, 50, 60, 70, 80, 90, 100}, v: []float64{9, 9, 8, 8, 8, 7, 7, 7, 7, 6, 6}}
	near(t, "refresh, s", refresh(s), 100.0/3, 1e-12)
	near(t, "of one that stands still", refresh(series{t: []float64{0, 10, 20}, v: []float64{5, 5, 5}}), 0, 0)
	// A counter that is renewed at 180, 240, … 1440 s, and read from 175 to 1445 s: 22 changes in 1270 s.
	o, err := Observe(countedDrain(func(_, t float64) float64 { return 4e6 * (0.93 - 60*math.Floor(t/60)/18000) }), "a", time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC), false)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "a minute's counter, s", o.RefreshS, 1270.0/22, 1e-9)
}
