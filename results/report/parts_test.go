package report

import (
	"bytes"
	"io"
	"slices"
	"strings"
	"testing"

	"rundown/results"
)

// pageOf is the page of a comparison: the invented bench's sides with their charges and load.
func pageOf(t *testing.T) Report {
	t.Helper()
	r := sided(3)
	b := bench(t)
	r.Heading, r.Figures, r.Ratios, r.Mismatches, r.Budgets = b.Heading, b.Figures, b.Ratios, b.Mismatches, b.Budgets
	r.Sides[2].Name = "Cedar"
	r.Remarks = []string{"Birch has imported figures: they were not measured by rundown"}
	r.Charges = []results.ChargeRow{
		{Whose: results.Whose{Handset: "Alder", RunID: "r0"}, FromPct: n(2), To80S: x(1810), FullS: x(3800), PeakW: &results.Interval{Value: 44, Low: 42.3, High: 45.8},
			Drop: &results.Interval{Value: 600, Low: 570, High: 630}, HeldW: x(44), DropToW: x(33), PeakKept: "for 10.0 min, then 75 % of it", HighestTempC: x(46.1), Hot40S: x(1320), Hot45S: x(240), HotFullS: x(180)},
		{Whose: results.Whose{Handset: "Birch", RunID: "r1", Imported: true}, FromPct: n(2), To80S: x(2400), PeakKept: "until the taper", HighestTempC: x(38), Hot40S: x(0), Hot45S: x(0)},
	}
	p, q := 0.001, 0.4
	row := func(of, quantity, side, says string, shown bool) results.QuantityRow {
		r := results.QuantityRow{Of: of, Scenario: "charge", Quantity: quantity, Unit: "min", Side: side, Reference: "Alder", Ratio: &results.Interval{Value: 1.2, Low: 1.1, High: 1.3}, Test: "intervals", Shown: shown, Says: says, P: &q, PAdjusted: &q}
		if shown {
			r.PAdjusted = &p
		}
		return r
	}
	r.Quantities = []results.QuantityRow{
		row(PartCharging, "to 20 %", "Birch", "10 % longer", true), row(PartCharging, "to 80 %", "Birch", "33 % longer", true), row(PartCharging, "20 to 80 %", "Birch", "30 % longer", true),
		row(PartCharging, "peak into the battery", "Birch", "14 % lower", true), row(PartCharging, "to full", "Birch", "no difference shown", false),
		{Of: PartCharging, Scenario: "charge", Quantity: "to 80 %", Side: "Cedar", Reference: "Alder", Says: "left out", LeftOut: "Cedar has no charge that counts: spoiled: power went at 12 %"},
		row(PartLoad, "share held", "Birch", "no difference shown", false), row(PartLoad, "share held", "Cedar", "11 % lower", true),
	}
	return r
}

// What the two sentences of a part say follows from its rows: the differences that matter most first, three
// of them, the others counted; then what is open; then who was not compared, and why.
func TestSentencesOfAPart(t *testing.T) {
	r := pageOf(t)
	tests := []struct{ part, shown, open string }{
		{PartCharging, "Shown: Birch against Alder: 20 to 80 % 30 % longer, to 80 % 33 % longer, peak into the battery 14 % lower, and 1 more.",
			"Not shown: Birch against Alder in to full; Cedar against Alder is not compared (Cedar has no charge that counts: spoiled: power went at 12 %)."},
		{PartLoad, "Shown: Cedar against Alder: share held 11 % lower.", "Not shown: Birch against Alder in share held."},
		{PartSpeed, "", ""},
	}
	for _, tt := range tests {
		if shown, open := r.Sentences(tt.part); shown != tt.shown || open != tt.open {
			t.Errorf("%s: %q\n%q\nwant %q\n%q", tt.part, shown, open, tt.shown, tt.open)
		}
	}
	r.Quantities = slices.DeleteFunc(r.Quantities, func(q results.QuantityRow) bool { return q.Shown })
	if shown, _ := r.Sentences(PartCharging); shown != "Shown is no difference." {
		t.Errorf("nothing is shown, and it says %q", shown)
	}
	r.Quantities = []results.QuantityRow{{Of: PartLoad, Quantity: "share held", Side: "Cedar", Reference: "Alder", Shown: true, Says: "11 % lower"}}
	if _, open := r.Sentences(PartLoad); open != "Nothing that was compared is open." {
		t.Errorf("nothing is open, and it says %q", open)
	}
}

// The page has its parts in one order, as HTML and as text for an editor, with what was not alike, the method and all rows.
func TestPageOfAComparison(t *testing.T) {
	r := pageOf(t)
	var page, md bytes.Buffer
	if err := r.WriteHTML(&page); err != nil {
		t.Fatal(err)
	}
	if err := r.WriteMarkdown(&md); err != nil {
		t.Fatal(err)
	}
	golden(t, "page.html", page.Bytes())
	golden(t, "page.md", md.Bytes())
	at := -1
	for _, title := range []string{"Charging", "Endurance", "Load", "What was not alike", "Method and uncertainty", "All comparisons"} {
		next := strings.Index(page.String(), "<h2>"+title+"</h2>")
		if next <= at || !strings.Contains(md.String(), "\n## "+title+"\n") {
			t.Errorf("%s is at %d of the page, after %d", title, next, at)
		}
		at = next
	}
	for _, want := range []string{"Alder: peak power is kept for 10.0 min, then 75 % of it; power first falls after 10.0 min, from 44.0 to 33.0 W; battery above 40 °C for 22.0 min (3.0 of them at 80 % or more), above 45 °C for 4.0 min",
		"battery never above 40 °C", "IEC 62368-1:2018, clause 9.3, Table 38, from memory", "from memory), and time spent charging"} {
		if !strings.Contains(page.String(), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	var names []string
	for _, f := range r.Files() {
		names = append(names, f.Name)
		if strings.HasSuffix(f.Name, "-800.png") {
			if err := f.Write(io.Discard); err != nil {
				t.Error(err)
			}
		}
	}
	for _, want := range []string{"report.html", "report.md", "charge.svg", "charge-800.png", "charge-1600.png", "sustain-cpu.svg", "quantities.csv", "charges.csv", "lots.csv", "columns.json"} {
		if !slices.Contains(names, want) {
			t.Errorf("no file %s", want)
		}
	}
}

// Hot surfaces are warned of by the skin's temperature, and where that is not known by the battery's.
func TestTouchWarnings(t *testing.T) {
	for _, tt := range []struct {
		skin, battery *float64
		want          string
	}{
		{x(47.9), x(50), ""},
		{x(48.1), x(44), "A: its skin sensors read up to 48.1 °C, above the 48 °C that may be held for longer than a minute. Do not hold it; let it cool"},
		{x(52), nil, "and above the 51 °C that metal may have which is held for less than a minute"},
		{nil, x(55), "A: its battery had up to 55.0 °C, and what its surface had was not measured"},
		{nil, x(43), ""},
		{x(45), x(55), "the surface over it may be hotter than the sensors"},
		{nil, nil, ""},
	} {
		got := TouchWarning("A", tt.skin, tt.battery)
		if (got == "") != (tt.want == "") || !strings.Contains(got, tt.want) {
			t.Errorf("%q, want %q", got, tt.want)
		}
	}
}
