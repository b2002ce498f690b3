package accuracy

import (
	"fmt"
	"io"
	"strings"
	"time"

	"rundown/devices/simulated/fleet"
	"rundown/devices/simulated/physics"
	"rundown/results/endurance"
)

// nightStarts are the true charges, %, at which the segments of a night begin, that is begun at full.
var nightStarts = []float64{100, 91, 82.5, 74, 65.5}

// NightCounts are after how many nights figures are looked at.
var NightCounts = []int{0, 1, 2, 4}

// A NightRow is what figures are worth on a fleet that differs, after some nights of its own.
type NightRow struct {
	Differs    string  `json:"differs"`
	Class      string  `json:"gauge"`
	Nights     int     `json:"nights"`
	Held       Share   `json:"held"`                   // hours within their interval, of the figures given
	Excused    Share   `json:"held_or_warned_or_none"` // of all
	ClaimedPct float64 `json:"claimed_pct"`
}

// surveyWrong is the difference of which only nights can tell: the survey was of another charge.
const surveyWrong = "survey 3 % wrong"

// Nights lets n phones a class of each fleet that differs have nights of five segments from full, and looks at one segment from
// 92 % after so many of them. only names one difference; empty means all that nights can teach something of.
func Nights(seed uint64, n int, only string) (rows []NightRow) {
	for k, d := range nightDifferences() {
		if only != "" && only != d.name {
			continue
		}
		for _, class := range Classes {
			all := make([][]nightOutcome, n)
			atOnce(n, func(i int) {
				all[i] = nightOutcomes(*d.how.Spread, class, seedOf(seed+uint64(k), i), d.name == surveyWrong)
			})
			for j, nights := range NightCounts {
				r := NightRow{Differs: d.name, Class: class.String(), Nights: nights}
				for _, outcomes := range all {
					o := outcomes[j]
					r.Excused.add(o.none || o.held || o.warned)
					if !o.none {
						r.Held.add(o.held)
						r.ClaimedPct += o.claimedPct
					}
				}
				r.ClaimedPct /= float64(max(1, r.Held.Of))
				rows = append(rows, r)
			}
		}
	}
	return rows
}

// nightDifferences are those that nights can teach something of, and that of a survey that was wrong.
func nightDifferences() (list []difference) {
	for _, d := range differences() {
		if d.change == nil && !d.watts && d.how.StartPct == 0 {
			list = append(list, d)
		}
	}
	return append(list, difference{name: surveyWrong, how: list[0].how})
}

type nightOutcome struct {
	none, held, warned bool
	claimedPct         float64
}

// nightOutcomes are what one phone's figures are worth after each of NightCounts.
func nightOutcomes(s fleet.Spread, class physics.CounterClass, seed uint64, wrong bool) (out []nightOutcome) {
	p := s.NewPhone(class, seed)
	const warmUpS = 180
	d := p.Drain(fleet.Segment{StartPct: 92.2, Points: 7, WarmUpS: warmUpS, EveryS: 10, Run: 1})
	in := Input(p, d, 7, warmUpS)
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	var seen []endurance.Observation
	if wrong {
		if o, err := endurance.Observe(endurance.Input{Samples: samplesOf(p.LongDrain(2, 97, 5)), LoopS: p.LoopS * 0.73, DesignMAh: p.DesignMAh}, "survey", at, false); err == nil {
			by := 1.03
			if seed%2 == 1 {
				by = 0.97
			}
			for i := range o.Edges {
				o.Edges[i].Counter *= by
				o.Edges[i].Current *= by
			}
			seen = append(seen, o)
		}
	}
	night := 0
	for _, upTo := range NightCounts {
		for ; night < upTo; night++ {
			at = at.Add(24 * time.Hour)
			for k, start := range nightStarts {
				run := uint64(100 + night*len(nightStarts) + k)
				one := Input(p, p.Drain(fleet.Segment{StartPct: start, Points: 7, WarmUpS: warmUpS, EveryS: 10, Run: run}), 7, warmUpS)
				if o, err := endurance.Observe(one, fmt.Sprint(run), at, false); err == nil {
					seen = append(seen, o)
				}
			}
		}
		in.Learned = endurance.Learn(seen, at, "")
		f, err := endurance.Estimate(in)
		o := nightOutcome{none: err != nil}
		if err == nil {
			o.held, o.warned, o.claimedPct = f.Hours.Holds(d.Hours), len(f.Warnings) > 0, 100*f.Hours.HalfWidth()
		}
		out = append(out, o)
	}
	return out
}

// printNights writes the curves, one line a difference and number of nights.
func printNights(w io.Writer, rows []NightRow, markdown bool) error {
	var table [][]string
	for _, r := range rows {
		if r.Class != Classes[0].String() {
			continue
		}
		var held, excused, claimed []string // by class, in which order the rows are
		for _, x := range rows {
			if x.Differs == r.Differs && x.Nights == r.Nights {
				held, excused, claimed = append(held, x.Held.pct()), append(excused, x.Excused.pct()), append(claimed, fmt.Sprintf("%.1f", x.ClaimedPct))
			}
		}
		table = append(table, []string{r.Differs, fmt.Sprint(r.Nights), strings.Join(held, " / "), strings.Join(excused, " / "), strings.Join(claimed, " / ")})
	}
	if err := printTable(w, []string{"the fleet differs by", "nights", "hours held", "held, warned or none", "claimed"}, table, markdown); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, `
Cover against nights: %d phones a class (fine, medium, coarse and no counter), whose nights are five segments of 7 points that begin
at full, without a survey but for the last difference; then a segment from 92 %%.

`, rows[0].Excused.Of)
	return err
}
