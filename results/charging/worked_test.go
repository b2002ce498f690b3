package charging

import (
	"math"
	"testing"
	"time"
)

// A charge of which all is known: 20 W into the cell for 3000 s from 10 %, then falling with a
// time constant of 900 s; a point of level for each 60 kJ/90; read every 10 s.
func TestChargeWorkedByHand(t *testing.T) {
	power := func(s float64) float64 { return 20 * math.Exp(-max(0, s-3000)/900) }
	energy := func(s float64) float64 { // J since plug-in
		return 20*min(s, 3000) + 20*900*(1-math.Exp(-max(0, s-3000)/900))
	}
	whole := energy(7000)
	var in Input
	in.PlugT = 5 * time.Second
	for s := 0.0; s <= 7000; s += 10 {
		w, plug := power(s), power(s)/0.9+0.2
		in.Samples = append(in.Samples, Sample{T: in.PlugT + time.Duration(s*1e9), LevelPct: 10 + int(90*energy(s)/whole), BattW: &w, PlugW: &plug, Full: s >= 6900})
	}
	f, err := Estimate(in)
	if err != nil {
		t.Fatal(err)
	}
	if f.PeakW == nil || f.HoldS == nil || f.Taper == nil || f.BattWh == nil || f.PlugWh == nil || f.End == nil {
		t.Fatalf("something is missing of %+v", f)
	}
	is := func(what string, got, want, within float64) {
		t.Helper()
		if !(math.Abs(got-want) <= within) {
			t.Errorf("%s: %.4f, want %.4f within %g", what, got, want, within)
		}
	}
	is("peak, W", f.PeakW.Value, 20, 1e-9)
	// Gain 2 % and 0.9 % of what a running median leaves, 95 %.
	half := 1.96 * math.Hypot(0.02, 0.009)
	is("its low end", f.PeakW.Low, 20*(1-half), 0.02)
	is("its high end", f.PeakW.High, 20*(1+half), 0.02)
	// Power falls to nine tenths 900 s x ln(1/0.9) after the taper sets in.
	held := 3000 + 900*math.Log(1/0.9)
	is("hold, s", f.HoldS.Value, held, 5)
	// The line is good to 1.5 %, which is 13.5 s there, and its one crossing to half a reading
	// and half the median's shoulder: 1.96 x sqrt(10²/3 + 12) s, 13.2 s.
	is("hold's low end", f.HoldS.Low, held-900*math.Log(1.015)-13.2, 5)
	is("hold's high end", f.HoldS.High, held+900*math.Log(1.015)+13.2, 5)
	is("onset of the taper, s", f.Taper.AtS, 3000, 70)
	if at := 10 + int(90*energy(f.Taper.AtS)/whole); f.Taper.LevelPct < at-1 || f.Taper.LevelPct > at {
		t.Errorf("the taper sets in at %d %% after %.0f s, where %d %% was shown", f.Taper.LevelPct, f.Taper.AtS, at)
	}
	is("onset's plateau, W", f.Taper.PlateauW, 20, 0.05)
	// No onset is told better than to a quarter of a minute, and the true one is within.
	if x := f.Taper; x.AtS-x.LowS < 15 || x.HighS-x.AtS < 15 || x.LowS > 3000 || x.HighS < 3000 {
		t.Errorf("onset at %.0f s, said to be within %.0f and %.0f; true at 3000", x.AtS, x.LowS, x.HighS)
	}
	// Below a twentieth of the plateau for good, long before the handset says full.
	is("the end, s", f.End.AtS, 3000+900*math.Log(20), 10)
	is("into the cell, Wh", f.BattWh.Value, whole/3600, 0.01*whole/3600)
	is("its interval, relative", (f.BattWh.High-f.BattWh.Low)/2/f.BattWh.Value, 1.96*0.02, 0.002)
	is("at the plug, Wh", f.PlugWh.Value, (whole/0.9+0.2*7000)/3600, 0.01*whole/3600)
	is("its interval, relative", (f.PlugWh.High-f.PlugWh.Low)/2/f.PlugWh.Value, 1.96*0.003, 0.001)
}
