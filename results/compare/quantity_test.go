package compare

import (
	"math"
	"strings"
	"testing"
)

var (
	minutes = Quantity{Name: "to full", Unit: "min", PerWh: true, More: "longer", Less: "shorter"}
	hottest = Quantity{Name: "battery temperature, highest", Unit: "°C", Apart: true, More: "warmer", Less: "cooler"}
)

func sideOf(handset string, q Quantity, value, chance, own float64) Side {
	return Side{Name: handset, Runs: []Run{{Handset: Handset{ID: handset, CapacityMAh: 4000, NominalMV: 3850}, Scenario: "charge", Segment: handset, Quantity: q, Value: value, ChanceSD: chance, OwnSD: own}}}
}

// Two temperatures are compared by their difference. Worked by hand: four variances of 0.25 K² add up to 1; those
// of chance have 6 degrees of freedom each (what is expected counts for six runs), so that all have
// 1²/(2 · 0.25²/6) = 48 (JCGM 100:2008, G.4.1), and Student's distribution has 97.5 % below 2.0106 there
// (ISO 2854:1976, annex A, table II, between 40 and 60: 2.021 and 2.000). 5 K throughout between two handsets: common practice, no source.
func TestTemperaturesDiffer(t *testing.T) {
	c, err := Compare([]Side{sideOf("Alder", hottest, 44, 0.5, 0.5), sideOf("Birch", hottest, 39, 0.5, 0.5), sideOf("Cedar", hottest, 43.2, 0.5, 0.5)}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := c.Ratios[0]
	near(t, "difference", r.Ratio.Value, -5, 1e-12)
	near(t, "its interval", r.Ratio.High-r.Ratio.Low, 2*2.0106, 1e-4)
	near(t, "degrees of freedom", r.DF, 48, 1e-9)
	if !r.Shown || r.Says != "5.0 K cooler" || r.Battery != nil {
		t.Errorf("%+v", r)
	}
	if open := c.Ratios[1]; open.Shown || open.Says != "no difference shown" || open.Ratio.High < 0 {
		t.Errorf("0.8 K: %+v", open)
	}
	near(t, "the side's own", r.SideHours.Value, 39, 1e-12)
}

// A full charge of about an hour, and one ten minutes less; 0 to 100 in 28 minutes beside 38: common practice, no source.
func TestChargesDiffer(t *testing.T) {
	for _, tt := range []struct {
		side, reference float64
		says            string
	}{{50, 60, "17 % shorter"}, {28, 38, "26 % shorter"}, {38, 28, "36 % longer"}} {
		c, err := Compare([]Side{sideOf("Alder", minutes, tt.reference, 0.015, 0), sideOf("Birch", minutes, tt.side, 0.015, 0)}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		r := c.Ratios[0]
		near(t, "ratio", r.Ratio.Value, tt.side/tt.reference, 1e-12)
		if !r.Shown || r.Says != tt.says {
			t.Errorf("%g beside %g min: %q, shown %t", tt.side, tt.reference, r.Says, r.Shown)
		}
		near(t, "per watt-hour of the same batteries", r.Battery.Rest.Value, r.Ratio.Value, 1e-12)
		if !strings.HasSuffix(r.Battery.Says, ", and for each of them "+tt.says) {
			t.Errorf("of the batteries: %q", r.Battery.Says)
		}
	}
}

// In which unit a quantity comes makes no difference, and another quantity of the same segments is
// compared by itself.
func TestQuantitiesAreComparedEachByItself(t *testing.T) {
	inSeconds := minutes
	inSeconds.Unit = "s"
	a, b := sideOf("Alder", minutes, 60, 0.015, 0.01), sideOf("Birch", minutes, 51, 0.02, 0.01)
	alone, err := Compare([]Side{a, b}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	scaled, err := Compare([]Side{sideOf("Alder", inSeconds, 3600, 0.015, 0.01), sideOf("Birch", inSeconds, 3060, 0.02, 0.01)}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "p in seconds", scaled.Ratios[0].P, alone.Ratios[0].P, 1e-12)
	a.Runs = append(a.Runs, sideOf("Alder", hottest, 44, 0.5, 0.5).Runs...)
	b.Runs = append(b.Runs, sideOf("Birch", hottest, -3, 0.5, 0.5).Runs...)
	both, err := Compare([]Side{a, b}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(both.Ratios) != 2 || both.Tested != 2 || both.Ratios[0].P != alone.Ratios[0].P || both.Ratios[1].Ratio.Value != -47 {
		t.Errorf("both: %+v", both.Ratios)
	}
	near(t, "corrected for two, the other being the smaller (Holm 1979: step down)", both.Ratios[0].PAdjusted, alone.Ratios[0].P, 1e-15)
}

// A value that its quantity cannot have is refused, with its name.
func TestValuesThatNoQuantityHas(t *testing.T) {
	for _, bad := range []Side{sideOf("Birch", minutes, 0, 0, 0), sideOf("Birch", minutes, -1, 0, 0), sideOf("Birch", minutes, math.NaN(), 0, 0), sideOf("Birch", hottest, math.Inf(1), 0, 0)} {
		_, err := Compare([]Side{sideOf("Alder", minutes, 60, 0.015, 0), bad}, Options{})
		if err == nil || !strings.Contains(err.Error(), "Birch, charge, "+bad.Runs[0].Quantity.Name) {
			t.Errorf("%g: %v", bad.Runs[0].Value, err)
		}
	}
}

// Chargers that are not the same are listed, and block, unless allowed.
func TestChargersMustBeAlike(t *testing.T) {
	a, b := sideOf("Alder", minutes, 60, 0.015, 0), sideOf("Birch", minutes, 51, 0.02, 0)
	a.Runs[0].Under.Supply, b.Runs[0].Under.Supply = "charger 45 W, cable C 5 A", "charger 67 W, cable C 5 A"
	c, err := Compare([]Side{a, b}, Options{})
	if err != nil || c.Ratios[0].LeftOut != "not measured alike: charger" || c.Tested != 0 || !strings.Contains(c.Mismatches[0].Says, "Birch: charger 67 W") {
		t.Errorf("%+v, %v", c, err)
	}
	c, err = Compare([]Side{a, b}, Options{Allow: []string{AllowSupply}})
	if err != nil || c.Ratios[0].LeftOut != "" || c.Tested != 1 {
		t.Errorf("allowed: %+v, %v", c, err)
	}
}
