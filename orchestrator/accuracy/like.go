package accuracy

import (
	"fmt"
	"io"
	"math"

	"rundown/devices/simulated/fleet"
	"rundown/devices/simulated/physics"
)

// A Likeness is what was learned of one handset, around which a fleet is made.
type Likeness struct {
	Gauge             string  // fine, medium, coarse or no-counter
	BendSD            float64 // points; 0 where not measured
	Drift, DriftSD    float64 // relative; both 0 where not seen
	HeldPoints        float64 // points' worth of charge for which 100 % is shown; 0 none, or not seen
	Surveys, Observed int     // of which it was learned: surveys, and drains and charges
}

// Fleet is a fleet of phones like that handset: those of its class of gauge, bent and drifting as it does.
func (l Likeness) Fleet() (fleet.Spread, physics.CounterClass, error) {
	s := fleet.Assumed()
	class, ok := map[string]physics.CounterClass{
		"fine": physics.FineCounter, "medium": physics.MediumCounter, "coarse": physics.CoarseCounter, "no-counter": physics.NoCounter,
	}[l.Gauge]
	if !ok {
		return s, class, fmt.Errorf("a gauge of no known kind: %q", l.Gauge)
	}
	if l.BendSD > 0 {
		s.BendSDPct[class] = l.BendSD
	}
	if l.DriftSD > 0 {
		s.DriftSD = math.Hypot(l.Drift, l.DriftSD)
	}
	if l.HeldPoints > 0 {
		s.HeldPct = 100 - l.HeldPoints
	}
	return s, class, nil
}

// LikeRows measures n phones like that handset: with nothing learned, with a full charge that is given, and after a survey
// that begins at 100 %.
func LikeRows(seed uint64, n int, l Likeness) ([]Row, error) {
	s, class, err := l.Fleet()
	if err != nil {
		return nil, err
	}
	return tableOf(Conditions{Seed: seed, PerClass: n, WithSurvey: true, SurveyFromPct: 100, Spread: &s}, []physics.CounterClass{class}), nil
}

// PrintLike says for people what figures of such a handset are worth.
func PrintLike(w io.Writer, name string, l Likeness, rows []Row) error {
	var table [][]string
	for _, r := range rows {
		if r.Estimator == Plain {
			continue
		}
		table = append(table, []string{r.Estimator, fmt.Sprintf("%+.1f", r.Hours.Bias), fmt.Sprintf("%.1f", r.Hours.P95), fmt.Sprintf("%.1f", r.ClaimedPct), fmt.Sprintf("%.0f", r.Hours.Cover), fmt.Sprintf("%.1f", r.nonePct())})
	}
	if err := printTable(w, []string{"hours of a segment of 7 points from 92 %", "bias, %", "95 % error", "claimed", "interval holds, %", "no figure, %"}, table, false); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "\n%d simulated handsets like %s: gauge %s; bend %.2f point, drift %.1f %%, 100 %% held for %.1f points (where 0, as assumed of any), learned from %d surveys and %d others.\nCell, sensors and background are those of any handset: what was not learned of it, this cannot show.\n",
		rows[0].Hours.N+rows[0].Refused, name, l.Gauge, l.BendSD, 100*math.Hypot(l.Drift, l.DriftSD), l.HeldPoints, l.Surveys, l.Observed)
	return err
}
