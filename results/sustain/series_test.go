package sustain

import (
	"errors"
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/integrate"
)

// A hot handset beside a cool one, as practice has them (common practice, no source): a
// peak of 55 °C against 43, means of 44 against 37 to 39 under repeated heavy load.
func TestHeatSeries(t *testing.T) {
	for _, c := range []struct {
		name          string
		peakC, start  float64
		meanLo, meanH float64
	}{{"hot", 55, 30, 43, 52}, {"cool", 43, 30, 37, 42}} {
		var cycles []Lot
		var readings []Reading
		var thermal []Thermal
		for i := range 20 {
			from := time.Duration(i) * 65 * time.Second
			cycles = append(cycles, Lot{From: from, To: from + 60*time.Second, Rate: 1000 - 15*float64(i)})
			thermal = append(thermal, Thermal{T: from + 30*time.Second, Status: min(i/5, 3)})
		}
		for s := 0; s <= 20*65; s += 5 {
			at := time.Duration(s) * time.Second
			x := float64(s) / (20 * 65)
			temp, power := c.start+(c.peakC-c.start)*(1-math.Exp(-5*x))/(1-math.Exp(-5)), 6-2*x
			readings = append(readings, Reading{T: at, LevelPct: 90 - int(10*x), BatteryC: &temp, PowerW: &power})
		}
		s := DescribeCycles(cycles, readings, thermal)
		if s.Err != nil || !s.Throttled {
			t.Fatalf("%s: %+v, want a series that throttles", c.name, s)
		}
		if math.Abs(*s.HighestC-c.peakC) > 0.5 || *s.MeanC < c.meanLo || *s.MeanC > c.meanH {
			t.Errorf("%s: highest %.1f, mean %.1f °C; want %g and %g to %g", c.name, *s.HighestC, *s.MeanC, c.peakC, c.meanLo, c.meanH)
		}
		if *s.HighestStatus != 3 || *s.Lines[0].Status != 0 || *s.Lines[19].Status != 3 {
			t.Errorf("%s: thermal status highest %d, first %d, last %d; want 3, 0, 3", c.name, *s.HighestStatus, *s.Lines[0].Status, *s.Lines[19].Status)
		}
		if got := *s.Points; got != 9 { // the last cycle ends before the tenth
			t.Errorf("%s: %g points, want 9", c.name, got)
		}
		// gonum's integrate.Trapezoidal over the same readings is the reference.
		var x, y []float64
		for _, r := range readings[:13] { // the first cycle: 0 to 60 s
			x, y = append(x, r.T.Seconds()), append(y, *r.PowerW)
		}
		if got, want := *s.Lines[0].EnergyJ, integrate.Trapezoidal(x, y); math.Abs(got-want) > 1e-9*want {
			t.Errorf("%s: first cycle %g J, gonum %g J", c.name, got, want)
		}
	}
}

// Power that falls evenly from 6 to 4 W over 100 s is 500 J, and over its middle half
// 250 J, between readings too: mean power by time.
func TestEnergyBetweenReadings(t *testing.T) {
	w := func(v float64) *float64 { return &v }
	readings := []Reading{{T: 0, PowerW: w(6)}, {T: 50 * time.Second, PowerW: w(5)}, {T: 100 * time.Second, PowerW: w(4)}}
	for _, c := range []struct {
		from, to time.Duration
		want     float64
	}{{0, 100 * time.Second, 500}, {25 * time.Second, 75 * time.Second, 250}} {
		if got := energy(readings, c.from, c.to); got == nil || math.Abs(*got-c.want) > 1e-9 {
			t.Errorf("energy from %v to %v: %v, want %g J", c.from, c.to, got, c.want)
		}
	}
	if got := energy(readings, 90*time.Second, 110*time.Second); got != nil {
		t.Errorf("energy beyond the last reading: %g J, want none", *got)
	}
	readings[1].PowerW = nil
	if got := energy(readings, 0, 100*time.Second); got != nil {
		t.Errorf("energy over a reading without power: %g J, want none", *got)
	}
}

func TestSeriesTooShort(t *testing.T) {
	s := DescribeCycles([]Lot{{To: time.Minute, Rate: 10}}, nil, nil)
	if !errors.Is(s.Err, ErrTooFewCycles) || len(s.Lines) != 1 || s.MeanC != nil || s.PowerW != nil || s.Points != nil {
		t.Errorf("one cycle without readings: %+v", s)
	}
	if s := DescribeCycles(nil, nil, nil); s.Err == nil {
		t.Error("no cycles gave a figure")
	}
}
