package compare

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"rundown/results/endurance"
)

// All handsets and hours here are invented.

var alder = Handset{ID: "A1", Model: "alder", CapacityMAh: 4000, NominalMV: 3850}

func like(h Handset, scenario string, hours ...float64) (runs []Run) {
	for i, x := range hours {
		runs = append(runs, Run{
			Handset: h, Scenario: scenario, Segment: fmt.Sprint(h.ID, "-", i+1), Value: x,
			ChanceSD: 0.007, BendSD: 0.004, OwnSD: 0.011, FromPct: 92, ToPct: 85,
			Under: Circumstances{Plan: "everyday 1f", Workload: scenario + " 3 a9", Build: "build of " + h.Model, Calibration: "curve of " + h.Model,
				Conditions: map[string]string{"luminance": "300 cd/m²", "wifi": "5 GHz"}},
		})
	}
	return runs
}

func handset(id string, mAh float64) Handset {
	return Handset{ID: id, Model: "model " + id, CapacityMAh: mAh, NominalMV: 3850}
}

func one(t *testing.T, sides []Side, o Options) Ratio {
	t.Helper()
	c, err := Compare(sides, o)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Ratios) != 1 {
		t.Fatalf("%d ratios, want 1: %+v", len(c.Ratios), c)
	}
	if _, err := json.Marshal(c); err != nil {
		t.Errorf("the comparison is no JSON: %v", err)
	}
	return c.Ratios[0]
}

func TestSingleRuns(t *testing.T) {
	// One run a side: the variance of the log ratio is the sum of what both figures claim.
	r := one(t, []Side{{"Alder", like(alder, "browse", 10)}, {"Cedar", like(handset("C1", 4000), "browse", 11.2)}}, Options{})
	if r.By != ByInterval || r.Repeats != nil || !r.Shown || r.Says != "12 % longer" {
		t.Errorf("12 %% between single runs: %+v", r)
	}
	near(t, "ratio", r.Ratio.Value, 1.12, 1e-12)
	claimed := math.Sqrt(2 * (0.007*0.007 + 0.004*0.004 + 0.011*0.011))
	near(t, "half width of the log", math.Log(r.Ratio.High/r.Ratio.Low)/2, 1.96*claimed, 0.0006)
	r = one(t, []Side{{"Alder", like(alder, "browse", 10)}, {"Cedar", like(handset("C1", 4000), "browse", 10.2)}}, Options{})
	if r.Shown || r.Says != "no difference shown" {
		t.Errorf("2 %% between single runs of different handsets: %q, shown %v", r.Says, r.Shown)
	}
}

func TestRepeatsDoNotAverageAHandsetsOwnErrors(t *testing.T) {
	var a, b []float64
	rng := rand.New(rand.NewPCG(1, 2))
	for range 40 {
		a, b = append(a, 10*math.Exp(0.007*rng.NormFloat64())), append(b, 10.15*math.Exp(0.007*rng.NormFloat64()))
	}
	r := one(t, []Side{{"Alder", like(alder, "browse", a...)}, {"Cedar", like(handset("C1", 4000), "browse", b...)}}, Options{})
	if r.Repeats == nil || r.Repeats.P > 0.001 {
		t.Fatalf("40 runs a side, 1.5 %% apart: the plain test says %+v", r.Repeats)
	}
	if r.Shown || !r.OutOfReach {
		t.Errorf("1.5 %% between two handsets with 1.2 %% of their own each: shown %v, out of reach %v", r.Shown, r.OutOfReach)
	}
	if own := 1.96 * math.Sqrt(2*(0.011*0.011+0.004*0.004)); math.Log(r.Ratio.High/r.Ratio.Low)/2 < own {
		t.Errorf("interval %v is narrower than the handsets' own errors", r.Ratio)
	}
	// The same runs on one handset, say before and after an update: its own errors cancel.
	after := like(alder, "browse", b...)
	r = one(t, []Side{{"before", like(alder, "browse", a...)}, {"after", after}}, Options{})
	if !r.Shown {
		t.Errorf("1.5 %% on one handset with 40 runs a side is not shown: %+v", r)
	}
}

func TestBendIsAveragedOverDifferentLevelsOnly(t *testing.T) {
	runs := like(alder, "browse", 10, 10, 10)
	if n := stretches(runs); n != 1 {
		t.Errorf("three runs from 92 to 85 %%: %d stretches, want 1", n)
	}
	runs[1].FromPct, runs[1].ToPct = 75, 68
	runs[2].FromPct, runs[2].ToPct = 58, 51
	if n := stretches(runs); n != 3 {
		t.Errorf("from 92, 75 and 58 %%: %d stretches, want 3", n)
	}
}

// Student's sleep data once more, as log hours: the same units measured twice are paired.
func TestTheSameHandsetsArePaired(t *testing.T) {
	var first, second []Run
	for i := range sleep1 {
		h := Handset{ID: fmt.Sprint("u", i), Model: "alder"}
		for j, x := range []float64{sleep1[i], sleep2[i]} {
			r := Run{Handset: h, Scenario: "browse", Segment: "s", Value: math.Exp(x / 10), Under: Circumstances{Calibration: "c"}}
			if j == 0 {
				first = append(first, r)
			} else {
				second = append(second, r)
			}
		}
	}
	r := one(t, []Side{{"second", second}, {"first", first}}, Options{})
	if r.By != ByPairs || r.Repeats == nil {
		t.Fatalf("decided by %q", r.By)
	}
	near(t, "t", r.Repeats.T, -4.06212768338204, 1e-9)
	near(t, "p", r.P, 0.00283289019738427, 1e-9)
	near(t, "low", math.Log(r.Ratio.Low), -0.245988576, 1e-8)
	near(t, "high", math.Log(r.Ratio.High), -0.070011424, 1e-8)
}

func TestCapacity(t *testing.T) {
	// Common practice, no source: a battery 25 % larger lasts 10 to 48 % longer by task, and
	// slightly less in the camera task.
	for _, tt := range []struct {
		scenario  string
		more      float64
		says, fit string
	}{
		{"browse", 1.10, "10 % longer", "25 % more watt-hours, and 12 % less from each of them"},
		{"video", 1.25, "25 % longer", "25 % more watt-hours: the battery explains it"},
		{"game", 1.48, "48 % longer", "25 % more watt-hours, and 18 % more from each of them"},
		{"camera", 0.97, "no difference shown", "25 % more watt-hours, and 22 % less from each of them"},
	} {
		r := one(t, []Side{{"last year", like(alder, tt.scenario, 8, 8, 8)}, {"this year", like(handset("B", 5000), tt.scenario, 8*tt.more, 8*tt.more, 8*tt.more)}}, Options{})
		if r.Says != tt.says || r.Battery == nil || r.Battery.Says != tt.fit {
			t.Errorf("%s, %g times: %q, %+v; want %q, %q", tt.scenario, tt.more, r.Says, r.Battery, tt.says, tt.fit)
			continue
		}
		near(t, "battery ratio", r.Battery.Ratio, 1.25, 1e-12)
		near(t, "hours per Wh before", r.Battery.ReferencePerWh, 8/15.4, 1e-12)
		near(t, "hours per Wh now", r.Battery.SidePerWh, 8*tt.more/19.25, 1e-12)
	}
	unknown := handset("B", 0)
	if r := one(t, []Side{{"a", like(alder, "browse", 8)}, {"b", like(unknown, "browse", 8)}}, Options{}); r.Battery != nil {
		t.Errorf("a battery effect without a capacity: %+v", r.Battery)
	}
}

func TestMismatchesBlockUnlessAllowed(t *testing.T) {
	room, near, warm := 22.0, 26.5, 27.5
	change := map[string]func(*Run){
		AllowPlan:     func(r *Run) { r.Under.Plan = "everyday 77" },
		AllowWorkload: func(r *Run) { r.Under.Workload = "browse 4 b1" },
		"luminance":   func(r *Run) { r.Under.Conditions = map[string]string{"luminance": "200 cd/m²", "wifi": "5 GHz"} },
		"wifi":        func(r *Run) { r.Under.Conditions = map[string]string{"luminance": "300 cd/m²"} },
		AllowBuild: func(r *Run) {
			r.Handset.Model, r.Under.Calibration = alder.Model, "curve of alder"
			r.Under.Build = "a later one"
		},
		AllowCalibration: func(r *Run) { r.Under.Calibration = "" },
		AllowStart:       func(r *Run) { r.Straight, r.FromPct = true, 80 },
		AllowRoom:        func(r *Run) { r.Under.RoomC = &warm },
	}
	for what, f := range change {
		a, b := like(alder, "browse", 10), like(handset("B", 4000), "browse", 11)
		a[0].Under.RoomC, b[0].Under.RoomC = &room, &near
		f(&b[0])
		sides := []Side{{"Alder", a}, {"Birch", b}}
		c, err := Compare(sides, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(c.Mismatches) != 1 || c.Mismatches[0].What != what || c.Mismatches[0].Allowed || c.Ratios[0].LeftOut != "not measured alike: "+what || c.Tested != 0 {
			t.Errorf("%s: %+v", what, c)
		}
		c, err = Compare(sides, Options{Allow: []string{what}})
		if err != nil {
			t.Fatal(err)
		}
		if len(c.Mismatches) != 1 || !c.Mismatches[0].Allowed || c.Ratios[0].LeftOut != "" {
			t.Errorf("%s, allowed: %+v", what, c)
		}
	}
	// Different models have builds and curves of their own.
	if r := one(t, []Side{{"Alder", like(alder, "browse", 10)}, {"Birch", like(handset("B", 4000), "browse", 11)}}, Options{}); r.LeftOut != "" {
		t.Errorf("two models, each with its own build: %s", r.LeftOut)
	}
}

func TestAMismatchBlocksItsScenarioOnly(t *testing.T) {
	game := like(handset("B", 4000), "game", 5)
	game[0].Under.Workload = "game 4"
	sides := []Side{
		{"Alder", append(like(alder, "browse", 10), like(alder, "game", 4)...)},
		{"Birch", append(like(handset("B", 4000), "browse", 11), game...)},
	}
	c, err := Compare(sides, Options{Reference: "Alder"})
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Ratios) != 2 || c.Ratios[0].LeftOut != "" || c.Ratios[1].Says != "left out" || c.Tested != 1 {
		t.Errorf("%+v", c)
	}
}

func TestFlaggedRunsAreLeftOutUnlessAllowed(t *testing.T) {
	b := like(handset("B", 4000), "browse", 11, 14)
	b[1].Flagged = true
	sides := []Side{{"Alder", like(alder, "browse", 10)}, {"Birch", b}}
	r := one(t, sides, Options{})
	near(t, "ratio without the flagged run", r.Ratio.Value, 1.1, 1e-12)
	r = one(t, sides, Options{Allow: []string{AllowFlagged}})
	near(t, "ratio with it", r.Ratio.Value, math.Sqrt(11*14)/10, 1e-12)
	b[0].Flagged = true
	if r = one(t, sides, Options{}); r.LeftOut == "" {
		t.Errorf("only flagged runs, and yet %+v", r)
	}
}

// Under no true difference, with the errors that the runs claim, the interval misses 1 in one of
// twenty, whatever the number of repeats; and with Holm a set shows a false difference in at most one
// of twenty.
func TestCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for _, n := range [][2]int{{1, 1}, {2, 3}, {5, 5}} {
		const sets, scenarios = 400, 4
		missed, falseSets := 0, 0
		for range sets {
			sides := []Side{{Name: "a"}, {Name: "b"}}
			for s := range scenarios {
				for i := range sides {
					own := math.Hypot(0.011, 0.004) * rng.NormFloat64()
					var hours []float64
					for range n[i] {
						hours = append(hours, 10*math.Exp(own+0.007*rng.NormFloat64()))
					}
					sides[i].Runs = append(sides[i].Runs, like(handset(sides[i].Name, 4000), fmt.Sprint("s", s), hours...)...)
				}
			}
			c, err := Compare(sides, Options{})
			if err != nil {
				t.Fatal(err)
			}
			wrong := false
			for _, r := range c.Ratios {
				if r.Ratio.Low > 1 || r.Ratio.High < 1 {
					missed++
				}
				wrong = wrong || r.Shown
			}
			if wrong {
				falseSets++
			}
		}
		if rate := float64(missed) / (sets * scenarios); rate < 0.035 || rate > 0.065 {
			t.Errorf("%v runs: %.3f of the intervals miss the truth, want 0.05", n, rate)
		}
		if rate := float64(falseSets) / sets; rate > 0.065 {
			t.Errorf("%v runs: %.3f of the sets show a false difference, want 0.05 at most", n, rate)
		}
	}
}

func TestLineUps(t *testing.T) {
	lineup := func(year string, hours ...float64) (s Side) {
		s.Name = year
		for i, h := range hours {
			s.Runs = append(s.Runs, like(handset(fmt.Sprint(year, i), 4000), "video", h)...)
		}
		return s
	}
	r := one(t, []Side{lineup("last year", 10, 11, 12), lineup("this year", 11.5, 12.4, 13.8)}, Options{})
	if r.By != ByRuns || r.SideHandsets != 3 || r.Repeats == nil || r.Shown {
		t.Errorf("three models a year, scattering by 9 %%: %+v", r)
	}
	// One model, several of each: scatter is small, but what the model has of its own stays.
	same := func(name string, hours ...float64) Side {
		s := Side{Name: name}
		for i, h := range hours {
			u := Handset{ID: fmt.Sprint(name, i), Model: name, CapacityMAh: 4000, NominalMV: 3850}
			s.Runs = append(s.Runs, like(u, "video", h)...)
		}
		return s
	}
	r = one(t, []Side{same("alder", 10, 10, 10, 10), same("birch", 10.1, 10.1, 10.1, 10.1)}, Options{})
	if r.Shown || math.Log(r.Ratio.High/r.Ratio.Low)/2 < 1.96*0.011*math.Sqrt2 {
		t.Errorf("four of each model: %+v is narrower than what the models have of their own", r.Ratio)
	}
}

func TestAllPairsAndHeading(t *testing.T) {
	sides := []Side{
		{"Alder", append(like(alder, "browse", 9, 9.05), like(alder, "video", 14.3, 14.3)...)},
		{"Cedar", append(like(handset("C", 4000), "browse", 7.7, 7.7), like(handset("C", 4000), "video", 12, 12)...)},
		{"Larch", append(like(handset("L", 4000), "browse", 7.1, 7.2), like(handset("L", 4000), "video", 11, 11)...)},
		{"Rowan", append(like(handset("R", 4000), "browse", 10.1, 10), like(handset("R", 4000), "video", 14.4, 14.4)...)},
	}
	c, err := Compare(sides, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if want := "Against Alder, Cedar and Larch last shorter; Rowan lasts longer in browse"; want != c.Heading() {
		t.Errorf("heading %q, want %q", c.Heading(), want)
	}
	c, err = Compare(sides, Options{AllPairs: true})
	if err != nil || len(c.Ratios) != 12 || c.Tested != 12 {
		t.Errorf("all pairs of four sides at two scenarios: %d ratios, %v; want 12", len(c.Ratios), err)
	}
}

func TestHoursWithoutInterval(t *testing.T) {
	plain := func(h Handset, hours ...float64) (runs []Run) {
		runs = like(h, "browse", hours...)
		for i := range runs {
			runs[i].ChanceSD, runs[i].BendSD, runs[i].OwnSD = 0, 0, 0
		}
		return runs
	}
	if r := one(t, []Side{{"a", plain(alder, 10)}, {"b", plain(handset("B", 0), 12)}}, Options{}); !strings.Contains(r.LeftOut, "no interval") {
		t.Errorf("two bare numbers: %+v", r)
	}
	// With repeats it is Welch's test and nothing else.
	r := one(t, []Side{{"a", plain(alder, 10, 10.2, 9.9)}, {"b", plain(handset("B", 0), 12, 12.1, 12.4)}}, Options{})
	if r.Repeats == nil || math.Abs(r.P-r.Repeats.P) > 1e-12 || !r.Shown {
		t.Errorf("bare numbers with repeats: %+v", r)
	}
}

func TestBadInputIsRefused(t *testing.T) {
	good := Side{"a", like(alder, "browse", 10)}
	bad := like(alder, "browse", -1)
	nameless := like(Handset{}, "browse", 10)
	for name, sides := range map[string][]Side{
		"one side": {good}, "a name twice": {good, good}, "negative hours": {good, {"b", bad}}, "no handset": {good, {"b", nameless}},
	} {
		if _, err := Compare(sides, Options{}); !errors.Is(err, ErrInput) {
			t.Errorf("%s: %v, want ErrInput", name, err)
		}
	}
	if _, err := Compare([]Side{good, {"b", nil}}, Options{Reference: "c"}); !errors.Is(err, ErrNoReference) {
		t.Errorf("reference that is not there: %v", err)
	}
}

// The terms by which RunOf sorts a figure's errors are those of a real figure.
func TestRunOfAFigure(t *testing.T) {
	var samples []endurance.Sample
	for i := range 500 {
		samples = append(samples, endurance.Sample{T: time.Duration(i) * 10 * time.Second, LevelPct: 92 - i*10/600})
	}
	f, err := endurance.Estimate(endurance.Input{Samples: samples, TargetPoints: 7, WarmUpS: 180})
	if err != nil {
		t.Fatal(err)
	}
	r := RunOf(f)
	if r.Value != f.Hours.Value || r.FromPct-r.ToPct != 7 || !(r.ChanceSD > 0 && r.BendSD > 0 && r.OwnSD > r.SharedSD && r.SharedSD > 0) {
		t.Errorf("RunOf = %+v", r)
	}
	whole := math.Sqrt(r.ChanceSD*r.ChanceSD + r.BendSD*r.BendSD + r.OwnSD*r.OwnSD)
	near(t, "all errors together", whole, math.Log(f.Hours.High/f.Hours.Low)/2/1.959963985, 1e-9)
}
