package accuracy

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"time"

	"rundown/devices/simulated/fleet"
	"rundown/results/endurance"
)

// Bare is a drain of which the lab has the level and the voltage alone: no counter but a coarse one, no current.
const Bare = "level and voltage alone"

// An OffRow is one estimator on one class of gauge of a fleet that differs from the assumed one in one
// respect. A figure that is wrong may be excused where it is not given or a warning stands beside it.
type OffRow struct {
	Differs   string `json:"differs"`
	Class     string `json:"gauge"`
	Estimator string `json:"method"`
	Held      Share  `json:"held"`   // of the figures given: hours within their interval
	Warned    Share  `json:"warned"` // of the figures given: a warning stands beside it
	None      Share  `json:"no_figure"`
	// Excused: of all segments, hours held, or warned of, or not given.
	Excused    Share   `json:"held_or_warned_or_none"`
	WattsHeld  Share   `json:"watts_held"`
	HoursP95   float64 `json:"hours_p95_pct"`
	ClaimedPct float64 `json:"claimed_pct"`
}

// A difference is one respect in which a fleet is not the assumed one.
type difference struct {
	name string
	how  Conditions
	// change alters what the lab has of phone i, whose sound drain is measured between two uptimes.
	change func(i int, in *endurance.Input, from, to time.Duration)
	watts  bool // W is what it is about
}

// differences are all of them; the first is none.
func differences() []difference {
	with := func(change func(*fleet.Spread)) Conditions {
		s := fleet.Assumed()
		change(&s)
		return Conditions{Spread: &s}
	}
	within := func(i int, from, to time.Duration) time.Duration {
		r := rand.New(rand.NewPCG(uint64(i), 0x6a09e667f3bcc909))
		return from + time.Duration((0.05+0.9*r.Float64())*float64(to-from))
	}
	odd := with(func(s *fleet.Spread) { s.Foreign = true })
	odd.StartPct = 60
	return []difference{
		{name: "none: the assumed fleet", how: with(func(*fleet.Spread) {})},
		{name: "100 % shown down to 97 %", how: with(func(s *fleet.Spread) { s.HeldPct = 97 })},
		{name: "level bowed by 1 point", how: with(func(s *fleet.Spread) { s.BowPct = 1 })},
		{name: "level bowed by 2 points", how: with(func(s *fleet.Spread) { s.BowPct = 2 })},
		{name: "levels bent twice as far", how: with(func(s *fleet.Spread) {
			for k := range s.BendSDPct {
				s.BendSDPct[k] *= 2
			}
		})},
		{name: "drift twice as large", how: with(func(s *fleet.Spread) { s.DriftSD *= 2 })},
		{name: "drift four times as slow", how: with(func(s *fleet.Spread) { s.DriftSlower = 4 })},
		{name: "learned charge 3 % wrong", how: with(func(*fleet.Spread) {}), change: func(i int, in *endurance.Input, _, _ time.Duration) {
			for _, p := range []**float64{&in.LearnedCounter, &in.LearnedCurrent} {
				if *p != nil {
					v := **p * (1 + 0.03*float64(1-2*(i%2)))
					*p = &v
				}
			}
		}},
		{name: "another chemistry, from 60 %", how: odd},
		{name: "sensors show 5 % too much", how: with(func(s *fleet.Spread) { s.SensorGain = 1.05 }), watts: true},
		{name: "level raised by a point for good", how: with(func(*fleet.Spread) {}), change: func(i int, in *endurance.Input, from, to time.Duration) {
			*in = correction{level: 1}.at(*in, within(i, from, to))
		}},
		{name: "level lowered by a point for good", how: with(func(*fleet.Spread) {}), change: func(i int, in *endurance.Input, from, to time.Duration) {
			*in = correction{level: -1}.at(*in, within(i, from, to))
		}},
		{name: "clock set forward by 5 minutes", how: with(func(*fleet.Spread) {}), change: func(i int, in *endurance.Input, from, to time.Duration) {
			when := within(i, from, to)
			list := make([]endurance.Sample, len(in.Samples))
			for k, s := range in.Samples {
				if s.T >= when {
					s.T += 5 * time.Minute
				}
				list[k] = s
			}
			in.Samples = list
		}},
	}
}

// Differences are the names of all of them, as OffFleet and, of those that nights can teach something
// of, Nights take them.
func Differences(ofNights bool) (names []string) {
	list := differences()
	if ofNights {
		list = nightDifferences()
	}
	for _, d := range list {
		names = append(names, d.name)
	}
	return names
}

// OffFleet measures each difference on n phones a class; only names one of them, empty means all. After a survey
// is measured where surveyed.
func OffFleet(seed uint64, n int, surveyed bool, only string) (rows []OffRow) {
	names := []string{Bare, LevelOnly, Fused}
	if surveyed {
		names = append(names, Surveyed)
	}
	for k, d := range differences() {
		if only != "" && only != d.name {
			continue
		}
		how := d.how
		how.Seed, how.PerClass, how.WithSurvey, how.SurveyFromPct = seed+uint64(k), n, surveyed, 100
		for _, class := range Classes {
			type sums struct {
				OffRow
				hours errors
			}
			sum := map[string]*sums{}
			for _, name := range names {
				sum[name] = &sums{OffRow: OffRow{Differs: d.name, Class: class.String(), Estimator: name}}
			}
			Cases(how, class, func(i int, x Case) {
				if d.change != nil {
					sound, err := endurance.Estimate(x.Input)
					if err != nil {
						return
					}
					d.change(i, &x.Input, sound.WindowStart, sound.WindowStop)
				}
				for _, name := range names {
					in := x.Input
					switch name {
					case LevelOnly:
						in.LearnedCounter, in.LearnedCurrent = nil, nil
					case Bare:
						in = view{}.of(in, class)
					case Surveyed:
						in.Learned = x.Learned
					}
					s := sum[name]
					f, err := endurance.Estimate(in)
					s.None.add(err != nil)
					if err != nil {
						s.Excused.add(true)
						continue
					}
					s.hours.addInterval(f.Hours, x.Drain.Hours)
					s.ClaimedPct += 100 * f.Hours.HalfWidth()
					held, warned := f.Hours.Holds(x.Drain.Hours), len(f.Warnings) > 0
					s.Held.add(held)
					s.Warned.add(warned)
					s.Excused.add(held || warned)
					if f.PowerW != nil {
						_, watts := x.Drain.Window(f.WindowStart, f.WindowStop)
						s.WattsHeld.add(f.PowerW.Holds(watts))
					}
				}
			})
			for _, name := range names {
				s := sum[name]
				s.HoursP95 = s.hours.stat().P95
				s.ClaimedPct /= float64(max(1, s.Held.Of))
				rows = append(rows, s.OffRow)
			}
		}
	}
	return rows
}

// excusedGoal is how often a figure of a fleet that differs is to be right, not given, or warned of, %.
const excusedGoal = 90.0

// goal is what a row is held to: W where the difference is about W, else hours. met is true where there is nothing to hold.
func (r OffRow) goal() (value float64, met bool) {
	s := r.Excused
	for _, d := range differences() {
		if d.name == r.Differs && d.watts {
			s = r.WattsHeld
		}
	}
	if s.Of == 0 {
		return math.NaN(), true
	}
	value = 100 * float64(s.Held) / float64(s.Of)
	return value, value >= excusedGoal
}

// missedOff names the rows that miss, one line a difference and estimator.
func missedOff(rows []OffRow) (list []string) {
	for i := 0; i < len(rows); i++ {
		r := rows[i]
		if r.Class != Classes[0].String() {
			continue
		}
		var missed []string
		for _, x := range rows {
			if x.Differs == r.Differs && x.Estimator == r.Estimator {
				if v, met := x.goal(); !met {
					missed = append(missed, fmt.Sprintf("%s %.0f", x.Class, v))
				}
			}
		}
		if missed != nil {
			list = append(list, fmt.Sprintf("%s, %s: right, not given or warned of in %s %%, wanted %.0f or more", r.Differs, r.Estimator, strings.Join(missed, ", "), excusedGoal))
		}
	}
	return list
}

// printOffFleet writes the table, one line a difference and estimator with the four classes beside each other.
func printOffFleet(w io.Writer, rows []OffRow, markdown bool) error {
	var table [][]string
	for i := 0; i < len(rows); i++ {
		r := rows[i]
		if r.Class != Classes[0].String() {
			continue
		}
		cells := make([][]string, 6) // each by class, in which order the rows are
		for _, x := range rows {
			if x.Differs != r.Differs || x.Estimator != r.Estimator {
				continue
			}
			for k, s := range []string{x.Held.pct(), x.Warned.pct(), x.None.pct(), x.Excused.pct(), x.WattsHeld.pct(), fmt.Sprintf("%.1f", x.ClaimedPct)} {
				cells[k] = append(cells[k], s)
			}
		}
		line := []string{r.Differs, r.Estimator}
		for _, c := range cells {
			line = append(line, strings.Join(c, " / "))
		}
		table = append(table, line)
	}
	if err := printTable(w, []string{"the fleet differs by", "method", "hours held", "warned of", "no figure", "held, warned or none", "W held", "claimed"}, table, markdown); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, `
Fleets that differ from the assumed one in one respect, %d segments a class; shares in per cent for fine, medium, coarse and no
counter. Hours held: of the figures given, how often the interval held the truth; warned of: a warning stands beside it, of
whatever kind; the surveys begin at 100 %%; held, warned or none is to be %.0f or more (W held where it is about W).

`, rows[0].None.Of, excusedGoal)
	return err
}

func (s Share) pct() string {
	if s.Of == 0 {
		return "-"
	}
	return fmt.Sprintf("%.0f", 100*float64(s.Held)/float64(s.Of))
}
