package reading

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"rundown/results"
	"rundown/results/charging"
	"rundown/results/compare"
	"rundown/results/report"
	"rundown/scenarios"
)

// charged is a charge whose level goes up by so many points a minute, read each 10 s from a gauge that
// counts from anywhere within a point and shows a level up to 20 s late.
func charged(t *testing.T, rng *rand.Rand, pointsPerMin float64) Charge {
	t.Helper()
	late, phase, refresh := rng.Float64(), rng.Float64(), 5+15*rng.Float64()
	var in charging.Input
	in.PlugWithin = 5 * time.Second
	for s := 0.0; s < 4200; s += 10 {
		shown := math.Floor(s/refresh+phase)*refresh - phase*refresh // when the gauge looked last
		level := math.Min(2+late+max(shown, 0)*pointsPerMin/60, 95)
		in.Samples = append(in.Samples, charging.Sample{T: time.Duration(s * float64(time.Second)), LevelPct: int(level)})
	}
	f, err := charging.Estimate(in)
	if err != nil {
		t.Fatal(err)
	}
	c := Charge{FromPct: 2}
	c.take(f)
	warm := 38 + 2*rng.Float64()
	c.HighestTempC = &warm
	return c
}

// Of 200 pairs of simulated handsets (invented data) the interval of a ratio holds what is true of the
// two: charges of a handset scatter by the 1.5 % that are assumed, and each is a charge a side.
func TestChargesComparedHoldTheTruth(t *testing.T) {
	rng := rand.New(rand.NewPCG(14, 1))
	held, pairs := map[string]int{}, 200
	for range pairs {
		speed := [2]float64{1.5 + rng.Float64(), 1.5 + rng.Float64()}
		var sides []compare.Side
		for i, name := range []string{"Alder", "Birch"} {
			c := charged(t, rng, speed[i]*math.Exp(chargeScatter*rng.NormFloat64()))
			sides = append(sides, compare.Side{Name: name, Runs: c.compared(compare.Run{Handset: compare.Handset{ID: name}, Scenario: "charge", Segment: name})})
		}
		set, err := comparedSet("charge", sides, nil, compare.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, q := range set.Quantities {
			if q.Ratio != nil && q.Ratio.Low <= speed[0]/speed[1] && speed[0]/speed[1] <= q.Ratio.High {
				held[q.Quantity]++
			}
		}
	}
	t.Logf("of %d pairs the interval holds: %v", pairs, held)
	for _, quantity := range []string{QuantityMain, "to 20 %", "to 50 %", "to 80 %", "to 95 %"} {
		if n := held[quantity]; n < pairs*93/100 || n > pairs*99/100 {
			t.Errorf("%s: the interval holds the truth in %d of %d pairs, want 93 to 99 in 100", quantity, n, pairs)
		}
	}
}

// Two charges of a kept store are compared, quantity by quantity; what was found stands in the
// exported table, in the report with its picture, and in a sentence. The store's handsets are
// simulated: that Cedar's smaller charger is slower is theirs.
func TestStoredChargesAreCompared(t *testing.T) {
	room, err := Open(kept(t, "format1-charges"), scenarios.File{}, time.Now, nil)
	if err != nil {
		t.Fatal(err)
	}
	b, err := room.Compare(Choice{Sides: []string{"Alder", "Cedar"}})
	if err != nil {
		t.Fatal(err)
	}
	by := map[string]Compared{}
	for _, q := range b.Charges.Quantities {
		by[q.Quantity] = q
	}
	charges, err := room.Charges(FigureFilter{})
	if err != nil {
		t.Fatal(err)
	}
	of := func(handset string) Charge {
		return charges[slices.IndexFunc(charges, func(c Charge) bool { return c.Handset == handset })]
	}
	span := func(c Charge) float64 {
		return c.Spans[slices.IndexFunc(c.Spans, func(s Span) bool { return s.FromPct == 20 })].S.Value
	}
	main, hot := by[QuantityMain], by[QuantityHottest]
	if want := span(of("Cedar")) / span(of("Alder")); main.Ratio == nil || math.Abs(main.Ratio.Value-want) > 1e-9 || main.Unit != "min" || math.Abs(main.SideValue.Value*60-span(of("Cedar"))) > 1e-6 {
		t.Errorf("20 to 80 %%: %+v, want the ratio %.4f", main, want)
	}
	if want := *of("Cedar").HighestTempC - *of("Alder").HighestTempC; hot.Difference == nil || math.Abs(hot.Difference.Value-want) > 1e-9 || hot.Ratio != nil {
		t.Errorf("highest temperature: %+v, want the difference %.1f", hot, want)
	}
	if n := b.Charges.Tested; n != len(b.Charges.Quantities) || n < 15 {
		t.Errorf("%d quantities tested of %d", n, len(b.Charges.Quantities))
	}
	if !strings.HasPrefix(b.Heading, "Against Alder, charging: Cedar ") || b.Heading != b.Charges.Heading {
		t.Errorf("heading %q", b.Heading)
	}
	rows := b.QuantityRows()
	if len(rows) != len(b.Charges.Quantities) || rows[0].Of != "charging" || rows[0].PAdjusted == nil {
		t.Errorf("rows %+v", rows)
	}
	r, err := room.CompareReport(Choice{Sides: []string{"Alder", "Cedar"}})
	if err != nil || len(r.Charges) != 2 || len(r.Quantities) != len(rows) {
		t.Errorf("report: %d charges, %d quantities, %v", len(r.Charges), len(r.Quantities), err)
	}
	if !slices.ContainsFunc(r.Pictures(), func(p report.Picture) bool {
		return p.Name == "charge" && strings.HasSuffix(p.Alt, "of Alder and Cedar.")
	}) {
		t.Error("no picture of both charges on the same axes")
	}
}

// A side without charges is said to have none, and the rest goes on.
func TestASideWithoutCharges(t *testing.T) {
	c := Charge{FromPct: 2, Spans: []Span{{20, 80, Interval{Value: 1800, Low: 1790, High: 1810}, nil}}}
	base := func(name string) compare.Run {
		return compare.Run{Handset: compare.Handset{ID: name}, Scenario: "charge", Segment: name}
	}
	set, err := comparedSet("charge", []compare.Side{{Name: "Alder", Runs: c.compared(base("Alder"))}, {Name: "Birch"}, {Name: "Cedar", Runs: c.compared(base("Cedar"))}}, nil, compare.Options{})
	if err != nil || len(set.Quantities) != 2 || set.Quantities[0].LeftOut != "Birch has no charge" || set.Quantities[1].LeftOut != "" {
		t.Errorf("%+v, %v", set.Quantities, err)
	}
	if h := set.heading("charging", "Alder", nil); h != "Against Alder, charging: Birch not compared; Cedar no difference shown" {
		t.Errorf("heading %q", h)
	}
	if set, err := comparedSet("charge", []compare.Side{{Name: "Alder"}, {Name: "Birch"}}, nil, compare.Options{}); err != nil || len(set.Quantities) != 0 || set.heading("charging", "Alder", nil) != "" {
		t.Errorf("none on either side: %+v, %v", set, err)
	}
}

// Sustained work: rates, the share held and temperatures. Peaks of 55 °C beside 43: common practice, no source.
func TestSustainedWorkIsCompared(t *testing.T) {
	work := func(start, settled, hottest float64) Sustained {
		held := settled / start
		return Sustained{Scenario: "sustain", Workload: "gpu", Unit: "frames/s", Form: results.FormLots, StartRate: start, SettledRate: settled,
			Held: &Interval{Value: held, Low: held * 0.98, High: held * 1.02}, HighestTempC: &hottest}
	}
	base := func(name string) compare.Run {
		return compare.Run{Handset: compare.Handset{ID: name}, Scenario: "sustain", Segment: name}
	}
	a, b := work(60, 54, 43), work(66, 40, 55)
	set, err := comparedSet("charge", []compare.Side{{Name: "Alder", Runs: a.compared(base("Alder"))}, {Name: "Birch", Runs: b.compared(base("Birch"))}}, nil, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var said []string
	for _, q := range set.Quantities {
		said = append(said, q.Scenario+": "+q.Quantity+" "+q.Conclusion)
	}
	want := []string{"sustain, gpu: rate at the start 10 % faster", "sustain, gpu: settled rate 26 % slower", "sustain, gpu: share held 33 % lower", "sustain, gpu: battery temperature, highest 12.0 K warmer"}
	if !slices.Equal(said, want) {
		t.Errorf("%q\nwant %q", said, want)
	}
}
