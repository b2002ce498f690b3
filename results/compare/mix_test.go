package compare

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/diff/fd"

	"rundown/results/endurance"
)

// Hours and mixes are invented.

func mixRun(handset, scenario string, hours float64) Run {
	return Run{Handset: Handset{ID: handset}, Scenario: scenario, Segment: handset + scenario, Value: hours, ChanceSD: 0.01, BendSD: 0.006, OwnSD: 0.015, SharedSD: 0.009}
}

func TestOfMixIsTheDaysOfTheMix(t *testing.T) {
	perDay := map[string]float64{"browse": 1.5, "video": 2, "idle": 20}
	hours := map[string]float64{"browse": 11, "video": 14, "idle": 160}
	var side Side
	parts := map[string]endurance.MixPart{}
	for name, h := range hours {
		side.Runs = append(side.Runs, mixRun("A", name, h))
		parts[name] = endurance.MixPart{HoursPerDay: perDay[name], Hours: endurance.Interval{Value: h, Low: h, High: h}}
	}
	side.Runs = append(side.Runs, mixRun("A", "game", 5), mixRun("B", "browse", 9)) // no part of it, and not all of it
	got, missing := OfMix(side, "typical", perDay, nil)
	if len(got.Runs) != 1 || got.Runs[0].Scenario != "typical" {
		t.Fatalf("OfMix = %+v", got)
	}
	r := got.Runs[0]
	near(t, "hours of the mix", r.Value, 24*endurance.Mix(parts).Value, 1e-12)
	if diff := cmp.Diff(map[string][]string{"B": {"idle", "video"}}, missing); diff != "" {
		t.Errorf("missing (-want +got):\n%s", diff)
	}
	// The law of propagation (JCGM 100:2008, 5.1.2), with sensitivities by gonum's finite differences.
	names := []string{"browse", "video", "idle"}
	logDays := func(x []float64) float64 {
		day := 0.0
		for i, n := range names {
			day += perDay[n] / (hours[n] * math.Exp(x[i]))
		}
		return -math.Log(day)
	}
	c := fd.Gradient(nil, logDays, []float64{0, 0, 0}, &fd.Settings{Formula: fd.Central})
	var squares, sum float64
	for _, ci := range c {
		squares += ci * ci
		sum += ci
	}
	near(t, "chance", r.ChanceSD, 0.01*math.Sqrt(squares), 1e-6)
	near(t, "bend", r.BendSD, 0.006*math.Sqrt(squares), 1e-6)
	near(t, "shared, fully correlated", r.SharedSD, 0.009*sum, 1e-6)
	near(t, "own", r.OwnSD, math.Sqrt((0.015*0.015-0.009*0.009)*squares+0.009*0.009*sum*sum), 1e-6)
}

func TestOfMixSharesRepeatsOut(t *testing.T) {
	side := Side{Name: "A"}
	for i := range 5 {
		side.Runs = append(side.Runs, mixRun("A", "browse", 10+float64(i)))
	}
	side.Runs = append(side.Runs, mixRun("A", "video", 14), mixRun("A", "video", 15))
	flagged := mixRun("A", "video", 3)
	flagged.Flagged = true
	side.Runs = append(side.Runs, flagged)
	perDay := map[string]float64{"browse": 2, "video": 1}
	if got, _ := OfMix(side, "m", perDay, nil); len(got.Runs) != 2 {
		t.Errorf("5 and 2 repeats give %d runs of the mix, want 2", len(got.Runs))
	}
	if got, _ := OfMix(side, "m", perDay, []string{AllowFlagged}); len(got.Runs) != 3 {
		t.Errorf("5 and 3 repeats give %d runs of the mix, want 3", len(got.Runs))
	}
}

func TestOfMixSaysWhatIsNotAlike(t *testing.T) {
	sides := make([]Side, 2)
	for i, name := range []string{"A", "B"} {
		sides[i].Name = name
		for _, s := range []string{"browse", "video"} {
			r := mixRun(name, s, 10)
			r.Under = Circumstances{Plan: "everyday", Workload: "1", Build: "x", Conditions: map[string]string{"luminance": "300 cd/m²"}}
			if name == "B" && s == "video" {
				r.Under.Workload = "2"
			}
			sides[i].Runs = append(sides[i].Runs, r)
		}
		sides[i], _ = OfMix(sides[i], "m", map[string]float64{"browse": 1, "video": 1}, nil)
	}
	c, err := Compare(sides, Options{})
	if err != nil || len(c.Ratios) != 1 || len(c.Mismatches) != 1 || c.Mismatches[0].What != AllowWorkload || c.Ratios[0].LeftOut == "" {
		t.Errorf("%+v, %v", c, err)
	}
}

// Two handsets with a known ratio of days, each error drawn as OfMix takes it: the 95 % interval holds
// the truth in 95 % of trials, within three standard deviations of a proportion of 2000 (1.5 points).
func TestMixCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 8))
	perDay := map[string]float64{"browse": 2, "video": 2, "call": 1, "game": 1}
	truth := map[string]float64{"browse": 11, "video": 14, "call": 8, "game": 5}
	const trials, repeats = 2000, 3
	covered := 0
	for range trials {
		sides := make([]Side, 2)
		for i := range sides {
			id := fmt.Sprint("H", i)
			sides[i].Name = id
			shared := 0.012 * rng.NormFloat64()
			for _, s := range slices.Sorted(maps.Keys(truth)) {
				h := truth[s]
				own := 0.015 * rng.NormFloat64()
				bend := 0.008 * rng.NormFloat64()
				for range repeats {
					r := mixRun(id, s, h*math.Pow(1.1, float64(i))*math.Exp(shared+own+bend+0.01*rng.NormFloat64()))
					r.BendSD, r.OwnSD, r.SharedSD = 0.008, math.Hypot(0.015, 0.012), 0.012
					sides[i].Runs = append(sides[i].Runs, r)
				}
			}
			sides[i], _ = OfMix(sides[i], "m", perDay, nil)
		}
		c, err := Compare(sides, Options{Reference: "H0"})
		if err != nil {
			t.Fatal(err)
		}
		if r := c.Ratios[0].Ratio; r.Low <= 1.1 && r.High >= 1.1 {
			covered++
		}
	}
	if share := float64(covered) / trials; share < 0.935 || share > 0.975 {
		t.Errorf("the interval of a ratio of day mixes covers %.3f, want 0.95", share)
	}
}
