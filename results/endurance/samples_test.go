package endurance

import (
	"fmt"
	"math"
	"rundown/results/samplesets"
	"sort"
	"testing"
	"time"
)

// readDrain reads one drain and what a lab would know of it.
func readDrain(t *testing.T, truth samplesets.Row) Input {
	in := Input{WarmUpS: 180, TargetPoints: 7, LoopS: truth.Number(t, "loop_s"), DesignMAh: truth.Number(t, "design_mah")}
	for _, r := range samplesets.Rows(t, "drain/"+truth["file"]) {
		s := Sample{T: time.Duration(r.Number(t, "t_ms")) * time.Millisecond, LevelPct: int(r.Number(t, "level"))}
		for key, p := range map[string]**float64{"charge_uah": &s.Counter, "voltage_mv": &s.VoltageMV, "current_raw": &s.Current} {
			if r[key] != "" {
				v := r.Number(t, key)
				*p = &v
			}
		}
		in.Samples = append(in.Samples, s)
	}
	return in
}

// A score gathers relative errors and how often the interval held the truth.
type score struct {
	errs []float64
	held int
}

func (s *score) add(i Interval, truth float64) {
	s.errs = append(s.errs, i.Value/truth-1)
	if i.Low <= truth && truth <= i.High {
		s.held++
	}
}

func (s *score) stats() (bias, rms, p95, cover float64) {
	n := float64(len(s.errs))
	var abs []float64
	for _, e := range s.errs {
		bias += e / n
		rms += e * e / n
		abs = append(abs, math.Abs(e))
	}
	sort.Float64s(abs)
	// The 95th percentile, straight between the ranks.
	x := 0.95 * (n - 1)
	i := int(x)
	p95 = abs[i]
	if i+1 < len(abs) {
		p95 += (x - float64(i)) * (abs[i+1] - abs[i])
	}
	return 100 * bias, 100 * math.Sqrt(rms), 100 * p95, 100 * float64(s.held) / n
}

func (s *score) String() string {
	b, r, p, c := s.stats()
	return fmt.Sprintf("%+5.2f %5.2f %5.2f %4.0f", b, r, p, c)
}

// windowWatts is what the script drew in the measured window: its settled power with the
// thermal drift that it had there.
func windowWatts(t *testing.T, truth samplesets.Row, f Figure) float64 {
	a, b, tau := f.WindowStart.Seconds(), f.WindowStop.Seconds(), truth.Number(t, "drift_tau_s")
	g := 1 - tau*(math.Exp(-a/tau)-math.Exp(-b/tau))/(b-a)
	return truth.Number(t, "settled_watts") * (1 + truth.Number(t, "drift")*g)
}

// TestIndependentSamples holds the estimator against drains of a generator that shares no
// code with this project.
//
// The limits are the project's goals for 1000 drains a class at 92 %; here are 25 a
// class, from several starts, so each gets slack: a 95th percentile of 25 is nearly the worst
// of 25, and may be 1.35 times the limit; coverage may lack what 25 draws at 95 % lack in one
// set of a thousand (20 of 25); bias may be off by three standard errors of its mean.
func TestIndependentSamples(t *testing.T) {
	truth := samplesets.Rows(t, "drain/truth.csv")
	type goal struct{ hours, rate, watts float64 }
	goals := map[string]goal{
		"fine": {3.0, 1.2, 2.5}, "medium": {3.1, 1.5, 2.6}, "coarse + current": {4.5, 3.6, 5.2}, "coarse, level only": {7.2, 6.8, 5.2},
		"none + current": {3.7, 2.5, 4.8}, "none, level only": {5.2, 4.7, 4.8},
	}
	hours, rate, watts := map[string]*score{}, map[string]*score{}, map[string]*score{}
	byStart := map[string]*score{}
	for name := range goals {
		hours[name], rate[name], watts[name] = &score{}, &score{}, &score{}
	}
	for _, row := range truth {
		in := readDrain(t, row)
		rows := []string{row["class"]}
		if row["class"] == "coarse" || row["class"] == "none" {
			rows = []string{row["class"] + " + current", row["class"] + ", level only"}
		}
		for i, name := range rows {
			if i == 0 {
				counter, current := row.Number(t, "learned_mah"), row.Number(t, "learned_by_current_mah")
				in.LearnedCounter, in.LearnedCurrent = &counter, &current
			} else {
				in.LearnedCounter, in.LearnedCurrent = nil, nil
			}
			f, err := Estimate(in)
			if err != nil {
				t.Errorf("%s: %v", row["file"], err)
				continue
			}
			if want := row["class"]; i == 0 && f.Gauge.String() != want && !(want == "none" && f.Gauge == GaugeNone) {
				t.Logf("%s: gauge seen as %s", row["file"], f.Gauge)
			}
			th := row.Number(t, "hours_full_to_empty")
			hours[name].add(f.Hours, th)
			w := windowWatts(t, row, f)
			volts, _ := pick(in.Samples, func(s Sample) *float64 { return s.VoltageMV }).mean(f.WindowStart.Seconds(), f.WindowStop.Seconds())
			rate[name].add(f.RatePctH, 100*w/(volts/1000)/(row.Number(t, "full_charge_mah")/1000))
			if f.PowerW == nil {
				t.Errorf("%s: no power", row["file"])
				continue
			}
			watts[name].add(*f.PowerW, w)
			if i == 0 {
				st := row["start_level"]
				if byStart[st] == nil {
					byStart[st] = &score{}
				}
				byStart[st].add(f.Hours, th)
			}
		}
	}
	t.Log("bias, RMS, 95 % error, cover; all in per cent")
	for _, name := range []string{"fine", "medium", "coarse + current", "coarse, level only", "none + current", "none, level only"} {
		t.Logf("%-20s hours %v   %%/h %v   W %v", name, hours[name], rate[name], watts[name])
		for what, x := range map[string]struct {
			s     *score
			limit float64
		}{"hours": {hours[name], goals[name].hours}, "%/h": {rate[name], goals[name].rate}, "W": {watts[name], goals[name].watts}} {
			bias, rms, p95, cover := x.s.stats()
			if p95 > 1.35*x.limit {
				t.Errorf("%s: 95 %% error of %s is %.2f %%, limit %.2f with slack", name, what, p95, 1.35*x.limit)
			}
			if x.s.held < 20 {
				t.Errorf("%s: the interval of %s holds the truth in %.0f %%", name, what, cover)
			}
			if n := float64(len(x.s.errs)); math.Abs(bias) > 0.5+3*rms/math.Sqrt(n) {
				t.Errorf("%s: bias of %s is %.2f %%", name, what, bias)
			}
		}
	}
	for _, st := range []string{"98", "95", "92", "85", "75", "62", "50", "35"} {
		if s := byStart[st]; s != nil {
			bias, rms, _, _ := s.stats()
			t.Logf("start %s %%: hours %v (%d)", st, s, len(s.errs))
			if n := float64(len(s.errs)); math.Abs(bias) > 0.5+3*rms/math.Sqrt(n) {
				t.Errorf("start %s %%: bias of hours is %.2f %%", st, bias)
			}
		}
	}
}
