package endurance

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// steadyDrain is a handset of 4000 mAh at 800 mA: 20 %/h, a point every 180 s, read every
// 10 s five seconds beside its edges, from the level that is shown at first.
func steadyDrain(from int, change func(s *Sample, t float64)) Input {
	in := Input{TargetPoints: 7, LoopS: 60}
	for t := 5.0; t < 1500; t += 10 {
		s := Sample{T: time.Duration(t * 1e9), LevelPct: from - int(t/180)}
		if change != nil {
			change(&s, t)
		}
		in.Samples = append(in.Samples, s)
	}
	return in
}

func term(f Figure, name string) float64 {
	for _, t := range f.Budget {
		if strings.Contains(t.Name, name) {
			return t.RelSD
		}
	}
	return 0
}

// The budget of a drain that shows its level only, worked by hand (GUM, JCGM 100:2008, 4.3.7
// and 5.1.2; what is assumed is said at the constants):
//
//	timing: an edge is uniform in its 10 s and up to 40 s late, (100 + 1600)/12 s², at a window
//	of 1260 s: 11.902/1260 = 0.9446 %;
//	bend: 0.10 point of 7, times the root mean square of what waves of 12 to 60 points differ over 7, 1.318: 1.882 %;
//	with it a bow of 0.35 point over the whole, 4 x (1 - x) in its shape, between 92.5 and 85.5 %: 0.35 x 4 x 0.0078 = 1.092 %;
//	wandering: 0.049 s/1260 s, its root 0.6236 %;
//	warmth: 92 of 100 handsets by 2.6 %, 8 by 6.5 %, so the root of 0.92 x 0.026² + 0.08 x 0.065² of them all, times what is left
//	of it in the window less the same of the whole discharge, root mean square over the time constants assumed.
func TestBudgetWorkedByHand(t *testing.T) {
	f, err := Estimate(steadyDrain(93, nil))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "rate, %/h", f.RatePctH.Value, 20, 1e-9)
	near(t, "straight hours", f.StraightHours, 5, 1e-9)
	near(t, "timing", term(f, termTiming), math.Sqrt(1700.0/12)/1260, 1e-9)
	near(t, "bend", term(f, "bend of the level"), math.Hypot(0.0188231, 0.35*4*(0.855*0.145-0.925*0.075)/7), 1e-6)
	near(t, "wandering", term(f, termWander), 0.0062361, 1e-6)
	near(t, "voltage curve", term(f, "voltage curve"), 0.007, 1e-9)
	left := func(a, b, tau float64) float64 { // of a fall with that time constant, from a to b s
		return tau * (math.Exp(-a/tau) - math.Exp(-b/tau)) / (b - a)
	}
	warmth := 0.0
	for tau, p := range map[float64]float64{900: 0.2, 1800: 0.4, 2700: 0.25, 7200: 0.15} {
		d := left(180, 1440, tau) - left(0, 3600*f.Hours.Value, tau)
		warmth += p * d * d
	}
	near(t, "warmth", term(f, "drift"), math.Sqrt((0.92*0.026*0.026+0.08*0.065*0.065)*warmth), 1e-9)
	sum, shares := 0.0, 0.0
	for i, b := range f.Budget {
		sum += b.RelSD * b.RelSD
		shares += b.Share
		if i > 0 && b.RelSD > f.Budget[i-1].RelSD {
			t.Errorf("%s, the smaller, stands before %s", f.Budget[i-1].Name, b.Name)
		}
	}
	near(t, "shares", shares, 1, 1e-12)
	near(t, "half-width of hours, in logarithms", math.Log(f.Hours.High/f.Hours.Value), 1.959964*math.Sqrt(sum), 1e-6)
	near(t, "and below", math.Log(f.Hours.Value/f.Hours.Low), 1.959964*math.Sqrt(sum), 1e-6)
	noVolt := sum - 0.007*0.007 - math.Pow(term(f, "drift"), 2)
	near(t, "half-width of the rate", math.Log(f.RatePctH.High/f.RatePctH.Value), 1.959964*math.Sqrt(noVolt), 1e-6)
}

// Power and current by a counter in µAh: a gain of 1 % (one standard deviation), 0.2 % of the
// learning and 1 mA of offset, beside the wandering that its ten blocks of two loops show,
// which is none: six parts of what is assumed to nine of nothing.
func TestPowerByCounterWorkedByHand(t *testing.T) {
	full := 4e6
	in := steadyDrain(93, func(s *Sample, t float64) {
		s.Counter, s.VoltageMV = ptr(full*(0.93-t*20/360000)+290*math.Sin(2*math.Pi*t/60)+123*math.Sin(4*math.Pi*t/60+1)), ptr(3910)
	})
	in.LearnedCounter, in.DesignMAh, in.NominalMV = &full, 4000, 3850
	f, err := Estimate(in)
	if err != nil {
		t.Fatal(err)
	}
	if f.Gauge != GaugeFine || f.PowerW == nil || f.CurrentMA == nil {
		t.Fatalf("%s gauge, power %v, current %v", f.Gauge, f.PowerW, f.CurrentMA)
	}
	near(t, "mA", f.CurrentMA.Value, 800, 1e-6)
	near(t, "W", f.PowerW.Value, 3.128, 1e-9)
	sd := math.Sqrt(0.01*0.01 + 0.002*0.002 + 1/800.0/800 + 0.4*0.049/1260)
	near(t, "half-width of mA", math.Log(f.CurrentMA.High/f.CurrentMA.Value), 1.959964*sd, 1e-6)
	near(t, "half-width of W", math.Log(f.PowerW.High/f.PowerW.Value), 1.959964*sd, 1e-6)
	near(t, "h/Wh", f.HoursPerWh, f.Hours.Value*1e6/(4000*3850), 1e-12)
	near(t, "hours by the voltage found", f.Hours.Value, f.StraightHours*f.VoltageFactor, 1e-9)
}

// Power by readings of the current: a gain of 2 %, 0.6 % of the integral, their scatter, and,
// where they fall in step with the script's loop, the part of it that they never see: 0.09
// times the sum of 1/k² for k to 6 of what remains of one when 1/n is taken off.
func TestPowerByCurrentInStepWithTheLoop(t *testing.T) {
	drain := func(loopS float64) Figure {
		t.Helper()
		i := 0
		in := steadyDrain(93, func(s *Sample, at float64) {
			s.VoltageMV = ptr(4010)
			// Renewed once a minute, always at the same place of a loop of a minute.
			i = int(at / 60)
			s.Current = ptr(-800_000 + 8000*float64(1-2*(i%2)))
		})
		in.LoopS = loopS
		f, err := Estimate(in)
		if err != nil {
			t.Fatal(err)
		}
		if f.CurrentMA == nil || f.PowerW == nil {
			t.Fatalf("current %v, power %v", f.CurrentMA, f.PowerW)
		}
		return f
	}
	free, locked := drain(0), drain(60)
	near(t, "mA", free.CurrentMA.Value, 800, 0.5)
	half := func(f Figure) float64 { return math.Log(f.PowerW.High/f.PowerW.Value) / 1.959964 }
	n := 22.0 // renewals from 175 to 1445 s: at the first reading, and each minute from 185 to 1385 s
	scatter := 0.64 * 0.01 * 0.01 / n
	wander := 0.049 / 1260
	near(t, "relative sd of W", half(free), math.Sqrt(0.02*0.02+0.006*0.006+scatter+wander), 2e-5)
	lock := 0.0
	for k := 1.0; k <= 6; k++ {
		lock += 0.09 * (1 - 1/n) / (k * k)
	}
	if got := half(locked); math.Abs(got-math.Sqrt(0.02*0.02+0.006*0.006+scatter+wander+lock)) > 0.1*got {
		t.Errorf("in step with the loop: relative sd of W %.4f, want about %.4f", got, math.Sqrt(0.0004+scatter+wander+lock))
	}
	if !slices.ContainsFunc(locked.Warnings, func(w string) bool { return strings.Contains(w, "in step with the script's loop") }) {
		t.Errorf("warnings %q", locked.Warnings)
	}
	if slices.ContainsFunc(free.Warnings, func(w string) bool { return strings.Contains(w, "in step") }) {
		t.Errorf("without a loop: %q", free.Warnings)
	}
}

// A window that begins where gauges hold 100 % is said to; one point lower it is not.
func TestNearFullIsSaid(t *testing.T) {
	said := func(from int) bool {
		f, err := Estimate(steadyDrain(from, nil))
		if err != nil {
			t.Fatal(err)
		}
		return slices.ContainsFunc(f.Warnings, func(w string) bool { return strings.Contains(w, "near full") })
	}
	for from, want := range map[int]bool{100: true, 99: true, 98: false, 93: false} {
		if said(from) != want {
			t.Errorf("first edge to %d %%: near full is said: %t", from-1, !want)
		}
	}
}
