package charging

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"rundown/results/samplesets"
)

// thinned are the samples read every so many seconds out of denser ones.
func thinned(in Input, everyS float64) Input {
	out := in
	out.Samples = nil
	next := 0.4 * everyS // no reader begins with the charge
	for _, s := range in.Samples {
		if s.T.Seconds() >= next {
			out.Samples = append(out.Samples, s)
			next += everyS
		}
	}
	return out
}

// The independent sample sets read more and more seldom: up to a minute the taper is found within a minute and a sample, or not given;
// and energies are within what they are said to be good to. Beyond that neither is given.
func TestSlowLogsOfIndependentSamples(t *testing.T) {
	given, right, tried, held, energies := 0, 0, 0, 0, 0
	for _, truth := range samplesets.Rows(t, "charge/truth.csv") {
		all := sampled(t, truth["file"])
		for _, every := range []float64{15, 20, 25, 30, 60, 120, 300} {
			if every <= truth.Number(t, "every_s") {
				continue
			}
			in := thinned(all, every)
			f, err := Estimate(in)
			if err != nil {
				if every < 120 || len(in.Samples) > 3 {
					t.Errorf("%s every %.0f s, %d samples: %v", truth["file"], every, len(in.Samples), err)
				}
				continue
			}
			if every > MostEveryS {
				if f.Taper != nil || f.BattWh != nil || f.PlugWh != nil || f.PeakW != nil || f.HoldS != nil || !strings.Contains(strings.Join(f.Warnings, ";"), fmt.Sprintf("want %.0f s or less", MostEveryS)) && f.Source != "" {
					t.Errorf("%s every %.0f s: taper %v, energies %v and %v, peak %v, warnings %q", truth["file"], every, f.Taper, f.BattWh, f.PlugWh, f.PeakW, f.Warnings)
				}
				for _, x := range f.Times {
					if x.ChargeS != nil && x.LevelPct != 100 {
						t.Errorf("%s every %.0f s: %d %% by charge after %v: nobody could see whether 100 %% was shown early", truth["file"], every, x.LevelPct, x.ChargeS)
					}
				}
				for _, x := range f.Spans {
					if x.ChargeS != nil {
						t.Errorf("%s every %.0f s: %d to %d %% by charge in %v", truth["file"], every, x.FromPct, x.ToPct, x.ChargeS)
					}
				}
				continue
			}
			tried++
			if f.Taper != nil {
				given++
				if off := f.Taper.AtS - truth.Number(t, "taper_onset_s"); math.Abs(off) <= 60+every {
					right++
				} else {
					t.Logf("%s every %.0f s: taper %+.0f s off", truth["file"], every, off)
				}
			}
			if f.BattWh != nil {
				energies++
				if wh := truth.Number(t, "energy_wh"); f.BattWh.Low <= wh && wh <= f.BattWh.High {
					held++
				}
			}
		}
	}
	t.Logf("of %d slow logs the taper is given in %d and right in %d; energy held in %d of %d", tried, given, right, held, energies)
	if given < tried*9/10 || right < given*95/100 || held < energies*90/100 {
		t.Errorf("of %d slow logs the taper is given in %d and right in %d; energy held in %d of %d", tried, given, right, held, energies)
	}
}

// Steps that take power down without a taper are none, however low they go.
func TestStepsAreNoTaper(t *testing.T) {
	for _, every := range []float64{1, 10, 30, 60} {
		r := rand.New(rand.NewPCG(uint64(every), 3))
		var in Input
		for s := 0.0; s < 4000; s += every {
			w := 40.0
			switch {
			case s > 3000:
				w = 9
			case s > 2000:
				w = 17
			case s > 1000:
				w = 28
			}
			in.Samples = append(in.Samples, Sample{T: time.Duration(s * 1e9), LevelPct: 2 + int(s/60), BattW: ptr(w * (1 + 0.01*r.NormFloat64()))})
		}
		f, err := Estimate(in)
		if err != nil || f.Taper != nil {
			t.Errorf("every %.0f s: taper %+v, %v", every, f.Taper, err)
		}
	}
}

// A gauge that looks once in so many seconds makes repeats, which say nothing; an instrument with few digits, and a power that stands
// still, make repeats that do.
func TestRepeatsOfAGauge(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 9))
	noisy := func(w float64) float64 { return w * (1 + 0.01*r.NormFloat64()) }
	shown := 0.0
	for _, tt := range []struct {
		name  string
		power func(s int) float64
		want  float64 // s between readings
	}{
		{"read afresh", func(int) float64 { return noisy(20) }, 1},
		{"looks every 15 s", func(s int) float64 {
			if s%15 == 0 {
				shown = noisy(20)
			}
			return shown
		}, 15},
		{"the same with a voltage that is read afresh", func(s int) float64 {
			if s%15 == 0 {
				shown = noisy(20)
			}
			return shown * (1 + 0.0003*r.NormFloat64())
		}, 15},
		{"tenths of a watt", func(int) float64 { return math.Round(noisy(7.5)*10) / 10 }, 1},
		{"stands still", func(int) float64 { return 20 }, 1},
	} {
		var p trace
		for s := range 1800 {
			p.t, p.v = append(p.t, float64(s)), append(p.v, tt.power(s))
		}
		if _, every := p.readings(); math.Abs(every-tt.want) > 0.5 {
			t.Errorf("%s: readings %.1f s apart, want %.0f", tt.name, every, tt.want)
		}
	}
}

// A level is shown between two samples; charge reached it within a point of that, and a late plug-in widens both.
func TestTimesAsShownAndByCharge(t *testing.T) {
	var in Input
	for s := 0; s <= 6000; s += 10 {
		in.Samples = append(in.Samples, Sample{T: time.Duration(s) * time.Second, LevelPct: min(100, s/60)})
	}
	in.Levels = []int{20, 100}
	f, err := Estimate(in)
	if err != nil || len(f.Times) != 2 {
		t.Fatalf("%+v, %v", f.Times, err)
	}
	if got := *f.Times[0].S; got != interval(1195, 1190, 1200) {
		t.Errorf("20 %% shown at %+v, want between 1190 and 1200 s", got)
	}
	// A gauge that rounds down shows 20 % at 1200 s of charge, one that rounds up at 1140 s.
	if c := f.Times[0].ChargeS; c == nil || c.Low > 1190-RefreshS || c.High < 1260 || c.High > 1290 || c.Low < 1150 {
		t.Errorf("20 %% by charge at %+v, want about 1170 to 1275", c)
	}
	if f.Times[1].S == nil || f.Times[1].ChargeS != nil {
		t.Errorf("100 %%: %+v; shown, and nothing says when the charge ended", f.Times[1])
	}
	in.PlugWithin = 30 * time.Second
	late, err := Estimate(in)
	if err != nil || late.Times[0].S.Low != 1160 || late.Times[0].S.High != 1230 || late.Times[0].ChargeS.High != f.Times[0].ChargeS.High+30 {
		t.Errorf("with plug-in good to 30 s: %+v, %v", late.Times[0].S, err)
	}
}

// A handset that shows 100 % with charge still to come is found out by the power that goes on flowing.
func TestHundredShownEarly(t *testing.T) {
	m := charge(rand.New(rand.NewPCG(11, 12)), 5)
	var in Input
	for _, s := range m.in.Samples {
		s.LevelPct = min(100, int(float64(s.LevelPct)/0.96))
		in.Samples = append(in.Samples, s)
	}
	f, err := Estimate(in)
	if err != nil || !strings.Contains(strings.Join(f.Warnings, ";"), "of the charge still to come") {
		t.Fatalf("warnings %q, %v", f.Warnings, err)
	}
	var at80 LevelTime
	for _, x := range f.Times {
		if x.LevelPct == 80 {
			at80 = x
		}
	}
	shown := 0.0 // when it was at 80 % of true charge
	for _, s := range m.in.Samples {
		if s.LevelPct >= 80 {
			shown = s.T.Seconds()
			break
		}
	}
	if at80.ChargeS == nil || shown < at80.ChargeS.Low || shown > at80.ChargeS.High || at80.S.Value > shown-20 {
		t.Errorf("80 %% shown at %+v and by charge at %+v; true at %.0f s", at80.S, at80.ChargeS, shown)
	}
}

// Whatever comes in, what is given is finite and within its own interval.
func FuzzEstimate(f *testing.F) {
	f.Add(uint64(1), uint16(200), 10.0, 0.5)
	f.Add(uint64(2), uint16(9), 300.0, 0.0)
	f.Add(uint64(3), uint16(500), 1e-3, 1.0)
	f.Fuzz(func(t *testing.T, seed uint64, n uint16, every, share float64) {
		if !(every > 1e-6 && every < 1e5) || n > 2000 {
			return
		}
		r := rand.New(rand.NewPCG(seed, 5))
		in := Input{PlugT: time.Duration(every * 3 * r.Float64() * 1e9), PlugWithin: time.Duration(every / 2 * 1e9), NoLevels: r.IntN(5) == 0}
		at, level, w := time.Duration(0), r.IntN(60), 80*r.Float64()
		for range n {
			at += time.Duration(every*(0.2+r.Float64()*1.6)*1e9) + 1
			level = max(0, min(100, level+r.IntN(4)-1))
			switch r.IntN(30) {
			case 0:
				w *= 2 * r.Float64()
			case 1:
				w = 0
			case 2:
				w = 60*r.Float64() - 2
			}
			s := Sample{T: at, LevelPct: level, Full: r.IntN(400) == 0}
			if r.Float64() < share {
				s.BattW = ptr(w * (1 + 0.02*r.NormFloat64()))
			}
			if r.Float64() < share/2 {
				s.PlugW = ptr(w)
			}
			in.Samples = append(in.Samples, s)
		}
		fig, err := Estimate(in)
		if err != nil {
			return
		}
		all := map[string]*Interval{"peak": fig.PeakW, "hold": fig.HoldS, "energy into the cell": fig.BattWh, "energy at the plug": fig.PlugWh}
		for _, x := range fig.Times {
			all[fmt.Sprint("to ", x.LevelPct)], all[fmt.Sprint("to ", x.LevelPct, " by charge")] = x.S, x.ChargeS
		}
		for _, x := range fig.Spans {
			all[fmt.Sprint("to ", x.ToPct, " from")], all[fmt.Sprint("to ", x.ToPct, " from by charge")] = &x.S, x.ChargeS
		}
		if x := fig.Taper; x != nil {
			all["taper"] = &Interval{Value: x.AtS, Low: x.LowS, High: x.HighS}
		}
		for name, i := range all {
			if i != nil && !(i.Low <= i.Value && i.Value <= i.High && i.Low > -1e12 && i.High < 1e12) {
				t.Errorf("%s: %+v", name, *i)
			}
		}
	})
}
