package accuracy

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"
)

// The goals of slow logs on few charges, with three standard deviations of slack for their number.
func TestGoalsOfSlowLogs(t *testing.T) {
	rows := ChargeRows(3, 50, UsualCharge, []float64{5, 15, 30, 60, 120, 300})
	for _, kind := range []ChargeKind{CutShort, PausedCharge, StickyHundred} {
		rows = append(rows, ChargeRows(4, 30, kind, []float64{10, 60})...)
	}
	for _, r := range rows {
		t.Logf("%s every %.0f s: taper %v of %v, energy %v, plug %v, shown %v, by charge %v, 20 to 80 %v", r.Kind, r.EveryS, r.TaperRight, r.TaperGiven, r.EnergyCover, r.PlugCover, r.ShownCover, r.ChargeCover, r.SpanCover)
		if r.Refused > r.N/10 {
			t.Errorf("%s every %.0f s: %d of %d refused", r.Kind, r.EveryS, r.Refused, r.N)
		}
		goals := r.goals()
		if len(goals) < 3 {
			t.Errorf("%s every %.0f s: no more goals than %v", r.Kind, r.EveryS, goals)
		}
		for _, c := range goals {
			least, most := c.Least, c.Most
			if least > 50 {
				least -= 300 * math.Sqrt(least/100*(1-least/100)/float64(r.N))
			} else if most > 0 && most < unbounded {
				most *= 2.5
			}
			if c.Value < least || c.Value > most {
				t.Errorf("%s: %.1f %s, wanted %.1f to %.1f", c.Name, c.Value, c.Unit, least, most)
			}
		}
	}
	var b bytes.Buffer
	if err := Print(&b, Report{Charges: rows}, true); err != nil || !strings.Contains(b.String(), "| usual | 5 s |") || !strings.Contains(b.String(), "| recorded in part | 10 s | 0 | has none |") || strings.Contains(b.String(), "NaN") {
		t.Errorf("%v\n%s", err, &b)
	}
	if _, err := json.Marshal(Report{Charges: rows}); err != nil {
		t.Errorf("as JSON: %v", err)
	}
}

// A goal that a row misses is named.
func TestMissedGoalOfACharge(t *testing.T) {
	r := Report{Charges: []ChargeRow{{Kind: UsualCharge, EveryS: 30, N: 100, TaperGiven: Share{99, 100}, TaperRight: Share{60, 99}, EnergyCover: Share{94, 100}}}}
	if got := r.Missed(); len(got) != 1 || got[0] != "charge, usual, every 30 s: taper within a minute and a sample, where given: 60.61 %, wanted 95 or more" {
		t.Errorf("missed: %q", got)
	}
}

// The generator does what it says: charge is complete at the end, levels come in order, the taper begins where it says.
func TestSimulatedChargeIsWhatItSays(t *testing.T) {
	for _, kind := range ChargeKinds {
		for seed := range uint64(6) {
			c := NewSimulatedCharge(seed, kind)
			if kind == CutShort {
				if !math.IsNaN(c.OnsetS) || !math.IsNaN(c.FullS) {
					t.Errorf("%s %d: onset %g, full %g, want neither", kind, seed, c.OnsetS, c.FullS)
				}
				continue
			}
			if !(c.OnsetS > 0 && c.OnsetS < c.FullS) || c.ByS[100] != c.FullS || !(c.ByS[20] < c.ByS[50] && c.ByS[50] < c.ByS[80] && c.ByS[80] < c.ByS[95]) {
				t.Errorf("%s %d: onset %g, full %g, charge at %v", kind, seed, c.OnsetS, c.FullS, c.ByS)
			}
			if wh := c.fullMAh / 1000 * (1 - c.fromSoC) * 3.95; math.Abs(c.BattWh/wh-1) > 0.05 {
				t.Errorf("%s %d: %.2f Wh into a cell that takes about %.2f", kind, seed, c.BattWh, wh)
			}
			if again := NewSimulatedCharge(seed, kind); again.BattWh != c.BattWh || again.OnsetS != c.OnsetS {
				t.Errorf("%s %d: another charge from the same seed", kind, seed)
			}
		}
	}
}
