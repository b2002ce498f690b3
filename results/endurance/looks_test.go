package endurance

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// A rested phone draws restMA at rest and lookMAh for each look; its level and counter are
// read seldom, as one that sleeps is.
func rested(r *rand.Rand, hours, restMA, lookMAh, fullMAh, stepMAh float64, looks []time.Duration) []Sample {
	var list []Sample
	charge := 0.93 * fullMAh
	last, next := 0.0, 0
	for t := 0.0; t < hours*3600; t += 300 + 600*r.Float64() {
		charge -= restMA * (t - last) / 3600 * (1 + 0.03*r.NormFloat64())
		for ; next < len(looks) && looks[next].Seconds() <= t; next++ {
			charge -= lookMAh
		}
		last = t
		q := 1000 * stepMAh * math.Floor(charge/stepMAh)
		i := 900e3 // awake it draws much more than it does
		list = append(list, Sample{T: time.Duration(t * float64(time.Second)), LevelPct: int(math.Round(100 * charge / fullMAh)), Counter: &q, Current: &i})
	}
	return list
}

// looksEvery are looks in every other hour.
func looksEvery(every time.Duration, hours float64) []time.Duration {
	var looks []time.Duration
	for t := every; t.Hours() < hours; t += every {
		if int(t.Hours())%2 == 0 {
			looks = append(looks, t)
		}
	}
	return looks
}

func TestOwnDrainIsTakenOff(t *testing.T) {
	const hours, restMA, full = 14.0, 30.0, 4500.0
	want := full / restMA // hours of rest, but for the cell's voltage
	held, runs := 0, 200
	for seed := range runs {
		r := rand.New(rand.NewPCG(uint64(seed), 7))
		cost := math.Exp(math.Log(lookGuessS) + lookGuessSD*r.NormFloat64()) // s of rest
		looks := looksEvery(15*time.Minute, hours)
		in := Input{Samples: rested(r, hours, restMA, restMA*cost/3600, full, 1.125, looks), DesignMAh: full, Asleep: true, Looks: looks, TargetPoints: 7}
		f, err := Estimate(in)
		if err != nil {
			t.Fatal(err)
		}
		if f.Own == nil || f.Own.Looks == 0 || f.Own.Seen == nil {
			t.Fatalf("nothing said of the looks: %+v", f.Own)
		}
		straight := f.StraightHours
		half := f.Hours.HalfWidth()
		if math.Abs(math.Log(straight/want)) < half*1.02 {
			held++
		}
	}
	if share := float64(held) / float64(runs); share < 0.93 {
		t.Errorf("%.1f %% of intervals hold the hours of a rest that nobody looks at, want 93 or more", 100*share)
	}
}

func TestLookCost(t *testing.T) {
	guess := lookCost(nil, nil)
	if math.Abs(guess.Value-20) > 0.4 || math.Abs(guess.Low-2.1) > 0.2 || math.Abs(guess.High-190) > 6 {
		t.Errorf("the guess alone: %+v, want 20, 2 to 190 s", guess)
	}
	sharp := lookCost(nil, &LookSeen{RestS: 60, SES: 3, DoF: 8})
	if sharp.Value < 55 || sharp.Value > 62 || sharp.High-sharp.Low > 20 {
		t.Errorf("seen as 60 s within 3: %+v", sharp)
	}
	vague := lookCost(nil, &LookSeen{RestS: -400, SES: 900, DoF: 4})
	if vague.Value < 8 || vague.Value > 30 || vague.Low <= 0 {
		t.Errorf("seen as nothing in particular: %+v, want about the guess", vague)
	}
	many := lookCost([]LookSeen{{RestS: 58, SES: 9, DoF: 6}, {RestS: 66, SES: 9, DoF: 6}, {RestS: 61, SES: 9, DoF: 6}}, nil)
	if many.Value < 50 || many.Value > 65 || many.High > 110 {
		t.Errorf("seen three times: %+v", many)
	}
	if odd := lookCost([]LookSeen{{RestS: math.NaN(), SES: math.NaN(), DoF: 3}, {RestS: 5, SES: 0, DoF: 3}}, nil); math.Abs(odd.Value-20) > 0.4 {
		t.Errorf("from what says nothing: %+v", odd)
	}
}

// A sleeper's readings lie far apart and show the current of a handset that is awake.
func TestSleepExplainsGaps(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	all := rested(r, 40, 20, 0, 4500, 45, nil)
	var few []Sample
	for i, s := range all {
		if i%9 == 0 || i == len(all)-1 {
			few = append(few, s)
		}
	}
	in := Input{Samples: few, DesignMAh: 4500, TargetPoints: 7}
	if _, err := Estimate(in); err == nil {
		t.Error("a figure of a handset that was not read for an hour and did not sleep")
	}
	in.Asleep = true
	f, err := Estimate(in)
	if err != nil {
		t.Fatal(err)
	}
	if f.CurrentMA != nil {
		t.Errorf("a mean current of %+v from a coarse counter or from readings of a handset that was awake", f.CurrentMA)
	}
	if want := 100 * 20 / 4500.0; f.RatePctH.Low > want || f.RatePctH.High < want {
		t.Errorf("%.3f %%/h (%.3f to %.3f), want %.3f", f.RatePctH.Value, f.RatePctH.Low, f.RatePctH.High, want)
	}
	if f.Own != nil {
		t.Errorf("nobody looked, and %+v", f.Own)
	}
}
