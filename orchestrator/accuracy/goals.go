package accuracy

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"

	"rundown/devices/simulated/fleet"
	"rundown/devices/simulated/physics"
	"rundown/results/endurance"
)

// A Goal is what the project wants of one estimator on one class of gauge: 7 points from 92 %, a sample every 10 s, 3 to
// 25 %/h. Errors are 95th percentiles, %.
type Goal struct {
	Class, Estimator      string
	Hours, Rate, Watts    float64
	CoverLeast, CoverMost float64 // of hours, %/h and W, %
}

// biasGoal is how far the mean error of hours may be from none near 92 %, biasAnywhere from 30 to 98 %, %.
const biasGoal, biasAnywhere = 0.2, 0.3

// Goals are the project's.
var Goals = []Goal{
	{"fine", Fused, 2.7, 1.1, 2.35, 93, 98},
	{"medium", Fused, 2.8, 1.4, 2.45, 93, 98},
	{"coarse", Fused, 4.1, 3.3, 4.9, 93, 98},
	{"coarse", LevelOnly, 6.8, 6.4, 4.9, 93, 98},
	{"none", Fused, 3.4, 2.35, 4.6, 93, 98},
	{"none", LevelOnly, 4.9, 4.3, 4.6, 93, 98},
}

// goalOf is the goal of a row; what a survey taught is held to that of a learned charge.
func goalOf(r Row) (Goal, bool) {
	for _, g := range Goals {
		if g.Class == r.Class && (g.Estimator == r.Estimator || r.Estimator == Surveyed && g.Estimator == Fused) {
			return g, true
		}
	}
	return Goal{}, false
}

// A Check is one number beside its goal.
type Check struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
	Least float64 `json:"least"` // the goal's lower end
	Most  float64 `json:"most"`  // and upper end
	Met   bool    `json:"met"`
}

func check(name, unit string, value, least, most float64) Check {
	return Check{name, value, unit, least, most, value >= least && value <= most}
}

// unbounded stands for no upper end where percentages are meant.
const unbounded = 100.0

// Checks are the goals beside the table's: other starts, other sampling, repeats, stopping early, fleets unlike the
// assumed one, charges, cycles, rests. n is how many phones of each class are tried.
func Checks(seed uint64, n int) []Check {
	var list []Check
	for _, r := range Table(Conditions{Seed: seed + 1, PerClass: n, StartPct: -1}) {
		if r.Estimator != Fused {
			continue
		}
		list = append(list, check("start anywhere from 30 to 98 %: bias of hours, "+r.Class, "%", r.Hours.Bias, -biasAnywhere, biasAnywhere))
		if r.Class == "medium" {
			list = append(list, check("start anywhere from 30 to 98 %: 95 % error of hours, medium", "%", r.Hours.P95, 0, 3.2))
		}
	}
	for _, r := range Table(Conditions{Seed: seed + 2, PerClass: n, EveryS: 60}) {
		switch {
		case r.Class == "medium" && r.Estimator == Fused:
			list = append(list, check("a sample a minute: 95 % error of hours, medium", "%", r.Hours.P95, 0, 3.2))
		case r.Class == "coarse" && r.Estimator == LevelOnly:
			list = append(list, check("a sample a minute: 95 % error of hours, coarse, level only", "%", r.Hours.P95, 0, 7.8))
		}
		if r.Estimator == Fused {
			list = append(list, check("a sample a minute: cover of hours, "+r.Class, "%", r.Hours.Cover, 91, unbounded))
		}
	}
	for _, x := range []struct {
		name  string
		start float64
		pts   int
	}{{"7 points from 92 %", 92, 7}, {"15 points from 30 %", 30, 15}} {
		refused, of := 0, 0
		for _, r := range Table(Conditions{Seed: seed + 11, PerClass: max(1, n/4), EveryS: 60, GapShare: 0.05, StartPct: x.start, Points: x.pts}) {
			if r.Estimator == Fused {
				refused, of = refused+r.Refused, of+max(1, n/4)
			}
		}
		list = append(list, check("a sample a minute and one in twenty lost: no figure, "+x.name, "%", share(refused, of), 0, 1))
	}
	list = append(list, repeats(seed+3, n)...)
	list = append(list, stops(seed+4, n)...)
	bent := fleet.Assumed()
	for k := range bent.BendSDPct {
		bent.BendSDPct[k] *= 2
	}
	foreign := fleet.Assumed()
	foreign.Foreign = true
	for _, x := range []struct {
		name   string
		spread fleet.Spread
		least  map[string]float64
	}{
		{"levels bent twice as far: cover of hours, ", bent, map[string]float64{"fine": 93, "medium": 93, "coarse": 88, "none": 88}},
		{"cells outside the family: cover of hours, ", foreign, map[string]float64{"fine": 92, "medium": 92, "coarse": 92, "none": 92}},
	} {
		for _, r := range Table(Conditions{Seed: seed + 5, PerClass: n, Spread: &x.spread}) {
			if r.Estimator == Fused {
				list = append(list, check(x.name+r.Class, "%", r.Hours.Cover, x.least[r.Class], unbounded))
			}
		}
	}
	worst := 0.0
	Cases(Conditions{Seed: seed + 6, PerClass: 2 * n}, physics.CoarseCounter, func(_ int, x Case) {
		if f, err := endurance.Estimate(x.Input); err == nil {
			pctH, _ := x.Drain.Window(f.WindowStart, f.WindowStop)
			worst = max(worst, 100*math.Abs(f.RatePctH.Value/pctH-1))
		}
	})
	list = append(list, check(fmt.Sprintf("integrated current: worst %%/h of %d coarse phones", 2*n), "%", worst, 0, 10))
	for _, every := range []float64{1, 5} {
		c, at := Charges(seed+7, max(20, n/4), every), fmt.Sprintf("charge, a sample every %.0f s: ", every)
		list = append(list,
			check(at+"20 to 80 %, 95 % error", "%", c.From20To80.P95, 0, 2.0),
			check(at+"peak power, 95 % error", "%", c.Peak.P95, 0, 1.8),
			check(at+"energy into the cell, gain aside, 95 % error", "%", c.Energy.P95, 0, 0.4),
			check(at+"taper found within a minute", "%", c.TaperWithinMinute, 95, unbounded),
			check(at+"no figure", "charges", float64(c.Refused), 0, 0))
	}
	for _, flat := range []bool{false, true} {
		c, at, limit := Cycles(seed+8, n, flat), "cycles, throttling: ", 2.8
		if flat {
			at, limit = "cycles, flat: ", 1.2
		}
		list = append(list,
			check(at+"settled level, 95 % error", "%", c.Settled.P95, 0, 1.0),
			check(at+"retention, 95 % error", "%", c.Retention.P95, 0, limit),
			check(at+"cover of retention", "%", c.Retention.Cover, 92, 98))
		if !flat {
			list = append(list, check(at+"onset within one cycle", "%", c.OnsetWithinOne, 97, unbounded))
		} else {
			list = append(list, check(at+"false onsets", "%", c.FalseOnsets, 0, 1))
		}
	}
	list = append(list, corrections(seed+10, max(10, n/10))...)
	for _, r := range Rests(seed+9, n, 7, 0, Looks(4)) {
		list = append(list, check("rests of phones that sleep, looked at now and then: cover of the hours with nobody looking, "+r.Class, "%", r.Hours.Cover, 93, unbounded))
	}
	return list
}

// repeats compares two runs of each phone from the same level, and from 92 and 70 %.
func repeats(seed uint64, n int) (list []Check) {
	s := fleet.Assumed()
	for _, g := range []struct {
		class   physics.CounterClass
		learned bool
		most    float64
	}{{physics.FineCounter, true, 0.7}, {physics.MediumCounter, true, 0.75}, {physics.CoarseCounter, true, 1.3}, {physics.NoCounter, true, 1.0}, {physics.CoarseCounter, false, 1.7}} {
		var same, other errors
		for i := range n {
			p := s.NewPhone(g.class, seedOf(seed, i))
			counter, current := (*float64)(nil), (*float64)(nil)
			if g.learned {
				counter, current = p.Survey(2)
			}
			log := func(start float64, run uint64) float64 {
				in := Input(p, p.Drain(fleet.Segment{StartPct: start, Points: 7, WarmUpS: 180, EveryS: 10, Run: run}), 7, 180)
				in.LearnedCounter, in.LearnedCurrent = counter, current
				f, err := endurance.Estimate(in)
				if err != nil {
					return math.NaN()
				}
				return math.Log(f.Hours.Value)
			}
			a, b, c := log(92.3, 11), log(92.6, 12), log(70.4, 13)
			if !math.IsNaN(a + b + c) {
				same.e, other.e = append(same.e, 100*(a-b)), append(other.e, 100*(a-c))
			}
		}
		name := g.class.String()
		if !g.learned {
			name += ", level only"
		}
		x, y := same.stat(), other.stat()
		list = append(list,
			check("two runs of a phone: sd of the ratio of hours, "+name, "%", math.Sqrt(max(0, x.RMS*x.RMS-x.Bias*x.Bias)), 0, g.most),
			check("from 92 and 70 %: mean difference of hours, "+name, "%", y.Bias, -0.5, 0.5))
	}
	return list
}

// stops ends each drain when the claimed half-width of hours is within 4 %.
func stops(seed uint64, n int) (list []Check) {
	for _, class := range Classes {
		reached, held := 0, 0
		Cases(Conditions{Seed: seed, PerClass: n, Points: 20}, class, func(_ int, x Case) {
			for d := 3; d <= 20; d++ {
				in := x.Input
				in.TargetPoints = d
				f, err := endurance.Estimate(in)
				if err == nil && f.Points == d && f.Hours.HalfWidth() <= 0.04 {
					reached++
					if f.Hours.Holds(x.Drain.Hours) {
						held++
					}
					return
				}
			}
		})
		list = append(list,
			check("stopped at a claim of 4 %: reached within 20 points, "+class.String(), "%", 100*float64(reached)/float64(n), 98, unbounded),
			check("stopped at a claim of 4 %: cover of hours, "+class.String(), "%", 100*float64(held)/float64(max(1, reached)), 93, 98))
	}
	return list
}

// A Report is everything that was measured.
type Report struct {
	Rows    []Row       `json:"drains"`
	Charges []ChargeRow `json:"charges,omitempty"`
	Off     []OffRow    `json:"off_fleet,omitempty"`
	Nights  []NightRow  `json:"nights,omitempty"`
	Checks  []Check     `json:"goals"`
}

// Missed are the goals that were missed, for people.
func (r Report) Missed() (list []string) {
	for _, row := range r.Rows {
		g, ok := goalOf(row)
		if !ok {
			continue
		}
		for _, x := range []struct {
			name        string
			v           float64
			least, most float64
		}{
			{"95 % error of hours", row.Hours.P95, 0, g.Hours}, {"95 % error of %/h", row.Rate.P95, 0, g.Rate}, {"95 % error of W", row.Watts.P95, 0, g.Watts},
			{"bias of hours", row.Hours.Bias, -biasGoal, biasGoal},
			{"cover of hours", row.Hours.Cover, g.CoverLeast, g.CoverMost}, {"cover of %/h", row.Rate.Cover, g.CoverLeast, g.CoverMost}, {"cover of W", row.Watts.Cover, g.CoverLeast, g.CoverMost},
			{"segments without a figure, %", row.nonePct(), 0, 1},
		} {
			if x.v < x.least || x.v > x.most {
				list = append(list, fmt.Sprintf("%s, %s: %s is %.2f, wanted %s", row.Class, row.Estimator, x.name, x.v, sayRange(x.least, x.most)))
			}
		}
	}
	list = append(list, missedOff(r.Off)...)
	checks := slices.Clone(r.Checks)
	for _, row := range r.Charges {
		checks = append(checks, row.goals()...)
	}
	for _, c := range checks {
		if !c.Met {
			list = append(list, fmt.Sprintf("%s: %.2f %s, wanted %s", c.Name, c.Value, c.Unit, sayRange(c.Least, c.Most)))
		}
	}
	return list
}

// nonePct is in how many of 100 segments there was no figure.
func (r Row) nonePct() float64 {
	return 100 * float64(r.Refused) / float64(max(1, r.Hours.N+r.Refused))
}

func sayRange(least, most float64) string {
	switch {
	case least == -most && most > 0:
		return fmt.Sprintf("within %.3g", most)
	case most == unbounded:
		return fmt.Sprintf("%.3g or more", least)
	case least == 0:
		return fmt.Sprintf("%.3g at most", most)
	}
	return fmt.Sprintf("%.3g to %.3g", least, most)
}

// beside is a number with its goal: "2.59 (3.1)", and marked where it is missed.
func beside(v float64, digits int, least, most float64) string {
	text := fmt.Sprintf("%.*f", digits, v)
	if math.IsNaN(v) {
		return "-"
	}
	if least == 0 && most == 0 {
		return text
	}
	goal := fmt.Sprintf("%.3g", most)
	if least > 0 {
		goal = fmt.Sprintf("%.3g-%.3g", least, most)
	}
	if v < least || v > most {
		return fmt.Sprintf("%s (%s, missed)", text, goal)
	}
	return fmt.Sprintf("%s (%s)", text, goal)
}

// Print writes the report as tables for people: plain, or in Markdown.
func Print(w io.Writer, r Report, markdown bool) error {
	head := []string{"gauge", "method", "hours: bias", "RMS", "95 % error", "cover", "claimed", "%/h: 95 % error", "cover", "W: 95 % error", "cover", "no figure"}
	rows := [][]string{}
	last := ""
	for _, row := range r.Rows {
		g, _ := goalOf(row)
		class := row.Class + " counter"
		if row.Class == "none" {
			class = "no counter"
		}
		if class == last {
			class = ""
		} else {
			last = class
		}
		claimed := "-"
		if row.ClaimedPct > 0 {
			claimed = fmt.Sprintf("%.1f", row.ClaimedPct)
		}
		number := func(s Stat, goal float64) string {
			if s.N == 0 {
				return "-"
			}
			return beside(s.P95, 2, 0, goal)
		}
		rows = append(rows, []string{class, row.Estimator, fmt.Sprintf("%+.2f", row.Hours.Bias), fmt.Sprintf("%.2f", row.Hours.RMS), number(row.Hours, g.Hours),
			beside(row.Hours.Cover, 0, g.CoverLeast, g.CoverMost), claimed, number(row.Rate, g.Rate), beside(row.Rate.Cover, 0, g.CoverLeast, g.CoverMost), number(row.Watts, g.Watts), beside(row.Watts.Cover, 0, g.CoverLeast, g.CoverMost), fmt.Sprint(row.Refused)})
	}
	if len(r.Rows) > 0 {
		if err := printTable(w, head, rows, markdown); err != nil {
			return err
		}
		fmt.Fprintf(w, `
%d simulated segments a class of gauge: 7 points from 92 %%, a sample every 10 s, 3 to 25 %%/h. Errors in per cent of the truth;
95 %% error is the 95th percentile of the absolute error, cover how often the 95 %% interval held the truth, claimed the mean
half-width of the interval of hours. In brackets the goal; bias of hours is to be within %.1f, no figure in one of 100 at most. Simulated phones: how far levels
bend from charge, power drifts with warmth and sensors err are guesses, shared by phones and intervals.

`, r.Rows[0].Hours.N, biasGoal)
	}
	if len(r.Charges) > 0 {
		if err := printCharges(w, r.Charges, markdown); err != nil {
			return err
		}
	}
	if len(r.Off) > 0 {
		if err := printOffFleet(w, r.Off, markdown); err != nil {
			return err
		}
	}
	if len(r.Nights) > 0 {
		if err := printNights(w, r.Nights, markdown); err != nil {
			return err
		}
	}
	if len(r.Checks) > 0 {
		rows = nil
		for _, c := range r.Checks {
			verdict := "met"
			if !c.Met {
				verdict = "missed"
			}
			rows = append(rows, []string{c.Name, fmt.Sprintf("%.2f %s", c.Value, c.Unit), sayRange(c.Least, c.Most), verdict})
		}
		if err := printTable(w, []string{"other goals", "measured", "wanted", ""}, rows, markdown); err != nil {
			return err
		}
		fmt.Fprintln(w)
	}
	missed := r.Missed()
	if len(missed) == 0 {
		_, err := fmt.Fprintln(w, "Every goal is met.")
		return err
	}
	fmt.Fprintf(w, "Missed (%d):\n", len(missed))
	for _, m := range missed {
		fmt.Fprintf(w, "- %s\n", m)
	}
	return nil
}

func printTable(w io.Writer, head []string, rows [][]string, markdown bool) error {
	if markdown {
		line := func(cells []string) error {
			_, err := fmt.Fprintf(w, "| %s |\n", strings.Join(cells, " | "))
			return err
		}
		rule := make([]string, len(head))
		for i := range rule {
			rule[i] = "---"
		}
		for _, cells := range append([][]string{head, rule}, rows...) {
			if err := line(cells); err != nil {
				return err
			}
		}
		return nil
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, cells := range append([][]string{head}, rows...) {
		fmt.Fprintln(t, strings.Join(cells, "\t"))
	}
	return t.Flush()
}

// MarshalJSON leaves out a cover where there is no interval.
func (s Stat) MarshalJSON() ([]byte, error) {
	out := struct {
		Bias  float64  `json:"bias_pct"`
		RMS   float64  `json:"rms_pct"`
		P95   float64  `json:"p95_pct"`
		Worst float64  `json:"worst_pct"`
		Cover *float64 `json:"cover_pct,omitempty"`
		N     int      `json:"n"`
	}{s.Bias, s.RMS, s.P95, s.Worst, nil, s.N}
	if !math.IsNaN(s.Cover) {
		out.Cover = &s.Cover
	}
	return json.Marshal(out)
}
