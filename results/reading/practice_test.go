package reading

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"rundown/results"
	"rundown/results/charging"
	"rundown/results/compare"
	"rundown/results/sustain"
)

// Check cases of the trade: common practice, no source. Who carries them is invented.

// powered is a charge of a battery of so many Wh from 0 %, power and temperature following rules, read every 5 s.
func powered(t *testing.T, wh float64, watts, tempC func(s float64) float64) Charge {
	t.Helper()
	in := charging.Input{PlugWithin: 2 * time.Second}
	var c Charge
	var samples []results.Sample
	begin := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	into, full := 0.0, 0.0
	for s := 0.0; full == 0 || s < full+300; s += 5 {
		w := watts(s)
		if into += w * 5 / 3600; into >= wh && full == 0 {
			full = s
		}
		if full > 0 {
			w = 0
		}
		level := int(100 * math.Min(1, into/wh))
		in.Samples = append(in.Samples, charging.Sample{T: time.Duration(s * float64(time.Second)), LevelPct: level, BattW: &w, Full: full > 0})
		temp := tempC(s)
		samples = append(samples, results.Sample{HostAt: begin.Add(time.Duration(s) * time.Second), LevelPct: level, TempC: &temp})
	}
	f, err := charging.Estimate(in)
	if err != nil {
		t.Fatal(err)
	}
	c.FromPct = 0
	c.take(f)
	c.temperatures(samples)
	return c
}

func steady(v float64) func(float64) float64 { return func(float64) float64 { return v } }

// besideEachOther compares charges, the first being the reference, and gives the quantities of the last by name.
func besideEachOther(t *testing.T, charges ...Charge) (by map[string]Compared, set ComparedSet) {
	t.Helper()
	var sides []compare.Side
	for i, c := range charges {
		name := fmt.Sprint("side ", i+1)
		sides = append(sides, compare.Side{Name: name, Runs: c.compared(compare.Run{Handset: compare.Handset{ID: name}, Scenario: "charge", Segment: name})})
	}
	set, err := comparedSet("charge", sides, nil, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	by = map[string]Compared{}
	for _, q := range set.Quantities {
		if q.Side == fmt.Sprint("side ", len(charges)) {
			by[q.Quantity] = q
		}
	}
	return by, set
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.Abs(got-want) > within {
		t.Errorf("%s: %.3f, want %.3f within %g", what, got, want, within)
	}
}

// About 44 W falling to 33 W near minute 10: common practice, no source.
func TestPowerThatFallsNearMinuteTen(t *testing.T) {
	falling := func(s float64) float64 {
		switch {
		case s < 600:
			return 44
		case s < 1500:
			return 33
		}
		return math.Max(1.5, 33*math.Exp(-(s-1500)/500))
	}
	kept := func(s float64) float64 {
		if s < 1700 {
			return 33
		}
		return math.Max(1.5, 33*math.Exp(-(s-1700)/500))
	}
	a, b := powered(t, 20, falling, steady(35)), powered(t, 20, kept, steady(35))
	if a.FirstDrop == nil || a.FirstDrop.ToW == nil {
		t.Fatalf("first drop %+v", a.FirstDrop)
	}
	near(t, "first drop, min", a.FirstDrop.S.Value/60, 10, 0.5)
	near(t, "held, W", a.FirstDrop.HeldW, 44, 0.5)
	near(t, "to, W", *a.FirstDrop.ToW, 33, 0.5)
	if said := a.SayKept(); said != fmt.Sprintf("for %.1f min, then 75 %% of it", a.FirstDrop.S.Value/60) {
		t.Errorf("peak kept %q", said)
	}
	if said := b.SayKept(); said != "until the taper" {
		t.Errorf("peak kept %q of one that holds it", said)
	}
	by, _ := besideEachOther(t, b, a)
	if q := by["held until then (into the battery)"]; q.Ratio == nil || !q.Significant || math.Abs(q.Ratio.Value-44.0/33) > 0.02 {
		t.Errorf("held %+v", q)
	}
	if q := by["until power first falls by a tenth (into the battery)"]; q.Ratio == nil || !q.Significant || q.Ratio.Value > 0.5 {
		t.Errorf("first drop %+v", q)
	}
	// The plateau after it, which the other has not.
	if q := by["held after that (into the battery)"]; q.Ratio != nil || q.LeftOut == "" {
		t.Errorf("after the drop %+v", q)
	}
}

// 0 to 100 in 28 minutes, beside a full charge of about an hour and one that takes ten minutes less:
// common practice, no source.
func TestFullChargesOfTheTrade(t *testing.T) {
	const wh = 20.0
	in := func(min float64) Charge { return powered(t, wh, steady(wh*60/min), steady(36)) }
	fast, hour, less := in(28), in(60), in(50)
	for want, c := range map[float64]Charge{28: fast, 60: hour, 50: less} {
		if c.FullS == nil {
			t.Fatalf("no end of the charge of %g min", want)
		}
		near(t, "full, min", *c.FullS/60, want, 0.5)
	}
	by, _ := besideEachOther(t, hour, less)
	q := by[QuantityFull]
	if q.Ratio == nil || !q.Significant {
		t.Fatalf("full %+v", q)
	}
	near(t, "ratio to full", q.Ratio.Value, 50.0/60, 0.01)
	near(t, "minutes less", q.ReferenceValue.Value-q.SideValue.Value, 10, 0.7)
	if !strings.HasSuffix(q.Conclusion, "% shorter") {
		t.Errorf("says %q", q.Conclusion)
	}
	by, _ = besideEachOther(t, hour, fast)
	near(t, "28 min beside 60", by[QuantityFull].Ratio.Value, 28.0/60, 0.01)
	near(t, "20 to 80 %", by[QuantityMain].Ratio.Value, 28.0/60, 0.01)
}

// 5 K between two handsets throughout: common practice, no source.
func TestFiveKelvinThroughout(t *testing.T) {
	warm := func(s float64) float64 { return 30 + 6*(1-math.Exp(-s/600)) }
	a := powered(t, 20, steady(24), warm)
	b := powered(t, 20, steady(24), func(s float64) float64 { return warm(s) + 5 })
	by, _ := besideEachOther(t, a, b)
	for _, name := range []string{QuantityHottest, "battery temperature, mean"} {
		q := by[name]
		if q.Difference == nil || !q.Significant || q.Conclusion != "5.0 K warmer" {
			t.Errorf("%s: %+v", name, q)
			continue
		}
		near(t, name, q.Difference.Value, 5, 0.05)
	}
	if by[QuantityMain].Significant {
		t.Error("they charge alike, and a difference in time is shown")
	}
	// The one goes above 40 °C for part of the charge, at a high level too; the other never does.
	if *a.HotS != 0 || *b.HotS < 600 || *b.Hot45S != 0 || !(*b.HotFullS > 0 && *b.HotFullS < *b.HotS) {
		t.Errorf("above 40 °C %.0f and %.0f s, above 45 °C %.0f s, at 80 %% or more %.0f s", *a.HotS, *b.HotS, *b.Hot45S, *b.HotFullS)
	}
}

// heated is sustained work whose lots of a minute follow a rule, with the battery's temperature.
func heated(lots int, rate, tempC func(lot int) float64) Sustained {
	var cycles []sustain.Lot
	var readings []sustain.Reading
	for i := range lots {
		c := sustain.Lot{From: time.Duration(i) * time.Minute, To: time.Duration(i+1) * time.Minute, Rate: rate(i)}
		temp := tempC(i)
		cycles, readings = append(cycles, c), append(readings, sustain.Reading{T: c.To, BatteryC: &temp})
	}
	s := sustain.DescribeLots(cycles, readings, nil)
	h := Sustained{Scenario: "sustain", Workload: "cpu", Unit: "units/s", Form: results.FormLots, Count: lots, MeanTempC: s.MeanC, HighestTempC: s.HighestC}
	h.rated(s)
	return h
}

// Peaks of 55 °C with a mean of 44, beside 43 with 37 to 39: common practice, no source.
func TestPeaksAndMeansOfHeat(t *testing.T) {
	even := func(int) float64 { return 1000 }
	// A third of the time at the peak, the rest so that the mean is as wanted.
	course := func(peak, mean float64) func(int) float64 {
		return func(i int) float64 {
			if i%3 == 2 {
				return peak
			}
			return (3*mean - peak) / 2
		}
	}
	hot := heated(30, even, course(55, 44))
	for _, mean := range []float64{37, 38, 39} {
		cool := heated(30, even, course(43, mean))
		var sides []compare.Side
		for i, h := range []Sustained{cool, hot} {
			name := []string{"Cool", "Hot"}[i]
			sides = append(sides, compare.Side{Name: name, Runs: h.compared(compare.Run{Handset: compare.Handset{ID: name}, Scenario: "sustain", Segment: name})})
		}
		set, err := comparedSet("sustained work", sides, nil, compare.Options{})
		if err != nil {
			t.Fatal(err)
		}
		of := func(name string) Compared {
			return set.Quantities[slices.IndexFunc(set.Quantities, func(q Compared) bool { return q.Quantity == name })]
		}
		peak, middle := of(QuantityHottest), of("battery temperature, mean")
		near(t, "peak", peak.Difference.Value, 12, 0.1)
		near(t, "mean", middle.Difference.Value, 44-mean, 0.5)
		if !peak.Significant || peak.Conclusion != "12.0 K warmer" || !middle.Significant {
			t.Errorf("mean of %g: %+v, %+v", mean, peak, middle)
		}
	}
}

// A handset that falls with every lot beside one that goes up and down: common practice, no source.
func TestFallingWithEveryLotBesideUpAndDown(t *testing.T) {
	warm := func(i int) float64 { return 30 + 10*(1-math.Exp(-float64(i)/6)) }
	falls := heated(30, func(i int) float64 { return 1000 - 15*float64(i) }, warm)
	waves := heated(30, func(i int) float64 { return 1000 + 80*float64(i%2) }, warm)
	if !falls.Throttled || falls.Held == nil || falls.Held.High > 0.75 || falls.Settled == nil || *falls.Settled {
		t.Errorf("falls with every lot: throttled %v, held %+v, settled %v", falls.Throttled, falls.Held, falls.Settled)
	}
	if waves.Throttled || waves.Held == nil || waves.Held.Low > 1 || waves.Held.High < 1 {
		t.Errorf("up and down: throttled %v, held %+v", waves.Throttled, waves.Held)
	}
	if falls.SayEnd() == waves.SayEnd() && falls.Still == "" {
		t.Errorf("one has not settled, and nothing says so: %q", falls.Still)
	}
	wide := (waves.Held.High - waves.Held.Low) / waves.Held.Value
	if wide < 0.02 {
		t.Errorf("lots that go up and down by 8 %% leave an interval of the share of %.1f %%", 100*wide)
	}
}

// What was not charged alike is listed and not compared, unless allowed: here that one had a meter.
func TestOneWithAMeterAndOneWithout(t *testing.T) {
	c := powered(t, 20, steady(24), steady(35))
	with := c
	with.Meter, with.SocketWh, with.PeakSocketW = "socket", &Interval{Value: 23, Low: 22.9, High: 23.1}, &Interval{Value: 27, Low: 26.9, High: 27.1}
	sides := func() (list []compare.Side) {
		for i, one := range []Charge{with, c} {
			name := []string{"Alder", "Birch"}[i]
			list = append(list, compare.Side{Name: name, Runs: one.compared(compare.Run{Handset: compare.Handset{ID: name}, Scenario: "charge", Segment: name})})
		}
		return list
	}
	set, err := comparedSet("charge", sides(), nil, compare.Options{})
	if err != nil || len(set.Mismatches) != 1 || set.Mismatches[0].What != compare.AllowMeter || set.Tested != 0 {
		t.Errorf("%+v, %d tested, %v", set.Mismatches, set.Tested, err)
	}
	if set, err = comparedSet("charge", sides(), nil, compare.Options{Allow: []string{compare.AllowMeter}}); err != nil {
		t.Fatal(err)
	}
	told := 0
	for _, q := range set.Quantities {
		switch q.Quantity {
		case "peak arriving", "energy arriving":
			told++
			if want := "Birch has no figure of charge, " + q.Quantity + ", which needs a meter on the charging line"; q.LeftOut != want {
				t.Errorf("%s: %q, want %q", q.Quantity, q.LeftOut, want)
			}
		default:
			if q.LeftOut != "" {
				t.Errorf("%s is left out: %s", q.Quantity, q.LeftOut)
			}
		}
	}
	if told != 2 || len(set.Absent) != 0 {
		t.Errorf("%d of what arrives told, absent %+v", told, set.Absent)
	}
}

// A charge that was broken off gives what it has; one that gives nothing says why, once for all of its
// quantities; and of ten sides each is compared.
func TestBrokenOffChargesAndTenSides(t *testing.T) {
	var sides []compare.Side
	put := func(name string, c *Charge) {
		s := compare.Side{Name: name}
		if c != nil {
			s.Runs = c.compared(compare.Run{Handset: compare.Handset{ID: name}, Scenario: "charge", Segment: name})
		}
		sides = append(sides, s)
	}
	whole := powered(t, 20, steady(24), steady(35))
	put("Alder", &whole)
	for i := range 7 {
		c := powered(t, 20, steady(24+float64(i)), steady(35))
		put(fmt.Sprint("Birch ", i), &c)
	}
	broken := whole // at 60 %, say: no time to 80, and no end
	broken.Times = slices.DeleteFunc(slices.Clone(whole.Times), func(l LevelTime) bool { return l.LevelPct > 50 })
	broken.Spans, broken.FullS = nil, nil
	put("Cedar", &broken)
	put("Larch", nil)
	set, err := comparedSet("charge", sides, map[string]string{"Larch": "spoiled: power went at 12 %"}, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if want := []compare.NotCompared{{Side: "Larch", Why: "Larch has no charge that counts: spoiled: power went at 12 %"}}; !slices.Equal(set.Absent, want) {
		t.Errorf("absent %+v, want %+v", set.Absent, want)
	}
	by := map[string]Compared{}
	seen := map[string]bool{}
	for _, q := range set.Present() {
		seen[q.Side] = true
		if q.Side == "Cedar" {
			by[q.Quantity] = q
		}
	}
	if len(seen) != 8 || seen["Larch"] {
		t.Errorf("compared are %v", seen)
	}
	if by["to 50 %"].Ratio == nil || by["to 80 %"].LeftOut != "Cedar has no figure of charge, to 80 %" {
		t.Errorf("a charge broken off: %+v, %+v", by["to 50 %"], by["to 80 %"])
	}
}
