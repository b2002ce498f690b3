package charging

import (
	"math"
	"testing"
	"time"
)

func nearly(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %.6f, want %.6f within %g", what, got, want, within)
	}
}

func nearlyInterval(t *testing.T, what string, got *Interval, want Interval) {
	t.Helper()
	if got == nil {
		t.Errorf("%s: none, want %+v", what, want)
		return
	}
	nearly(t, what, got.Value, want.Value, 1e-6)
	nearly(t, what+", its low end", got.Low, want.Low, 1e-6)
	nearly(t, what+", its high end", got.High, want.High, 1e-6)
}

// Energy and what it is good to, worked by hand, of 20 W read each 10 s for 600 s: 60 readings that are taken to scatter by 3 % at
// least; a step between two readings may have come at any moment between them, its height x 10 s / √12; in a gap of 300 s
// power may have been off by a twentieth throughout.
func TestEnergyWorkedByHand(t *testing.T) {
	steady := func(until float64, w func(float64) float64) (p trace) {
		for s := 0.0; s <= until; s += 10 {
			p.t, p.v = append(p.t, s), append(p.v, w(s))
		}
		return p
	}
	is := func(what string, a account, joules, sd float64) {
		t.Helper()
		nearly(t, what+", J", a.joules, joules, 1e-6)
		nearly(t, what+", its sd, J", a.sd, sd, 1e-6)
	}
	twenty := func(float64) float64 { return 20 }
	noise := func(joules, n float64) float64 { return 0.03 * joules / math.Sqrt(n) }
	p := steady(600, twenty)
	is("steady", p.integral(math.Inf(1), 10, 0), 12000, noise(12000, 60))
	is("half of it", p.integral(305, 10, 0), 6100, noise(6100, 30.5))
	step := steady(600, func(s float64) float64 { return 20 - 10*min(1, math.Floor(s/310)) })
	is("a step of 10 W", step.integral(math.Inf(1), 10, 0), 20*300+150+10*290, math.Hypot(10*10/math.Sqrt(12), noise(9050, 60)))
	var gap trace
	for i, s := range p.t {
		if s <= 200 || s >= 500 {
			gap.t, gap.v = append(gap.t, s), append(gap.v, p.v[i])
		}
	}
	is("a gap of 300 s", gap.integral(math.Inf(1), 10, 0), 12000, math.Hypot(0.05*20*300, noise(12000, 60)))
	// The first reading comes after 40 s: power came up within 15 s of plug-in, on average after half of these; when it did is
	// uniform over them, and what plug-in may be off by, 5 s either way, is added.
	late := trace{p.t[4:], p.v[4:]}
	is("read from 40 s on", late.integral(math.Inf(1), 10, 5), 20*(40-7.5)+20*560, math.Hypot(20*(7.5+10)/math.Sqrt(12), noise(11850, 60)))
}

// What an energy is good to has three parts: the sensor's gain, a thousandth, and what was not seen between readings.
func TestIntervalOfAnEnergy(t *testing.T) {
	var in Input
	for s := 0; s <= 3600; s += 10 {
		w, plug := 20.0, 25.0
		if s > 3000 {
			w, plug = 0, 0.001
		}
		in.Samples = append(in.Samples, Sample{T: time.Duration(s) * time.Second, LevelPct: 10 + s/60, BattW: &w, PlugW: &plug})
	}
	for _, gains := range [][2]float64{{0.05, 0.01}, {1e-4, 2e-4}} {
		in.BattGainSD, in.PlugGainSD = gains[0], gains[1]
		f, err := Estimate(in)
		if err != nil || f.BattWh == nil || f.PlugWh == nil {
			t.Fatalf("%+v, %+v, %v", f.BattWh, f.PlugWh, err)
		}
		// 3000 s of readings each 10 s scatter by 3 % at least. The last of them that shows power may be 10 s old and the first
		// that shows none is 10 s later: power is counted up to the middle, which is that last reading, and no step is in it.
		for _, x := range []struct {
			what    string
			got     *Interval
			w, gain float64
		}{{"cell", f.BattWh, 20, gains[0]}, {"plug", f.PlugWh, 25, gains[1]}} {
			unseen := 0.03 / math.Sqrt(300)
			want := 1.96 * math.Sqrt(x.gain*x.gain+0.001*0.001+unseen*unseen)
			nearly(t, x.what+", half of the interval, relative", (x.got.High-x.got.Low)/2/x.got.Value, want, 1e-9)
			nearly(t, x.what+", Wh", x.got.Value, x.w*3000/3600, 1e-9)
		}
	}
}
