package report

import (
	"bytes"
	"fmt"
	"image/png"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"rundown/results"
)

// sided are charges and sustained work of so many invented sides, each a run; the second is imported.
func sided(sides int) (r Report) {
	for i := range sides {
		name := []string{"Alder", "Birch", "Cedar", "Hazel", "Larch", "Maple", "Oak", "Poplar", "Rowan", "Willow"}[i]
		run := fmt.Sprint("r", i)
		r.Sides = append(r.Sides, Side{Name: name, Runs: []string{run}, Handsets: 1, Imported: i == 1})
		charge := results.Whose{Handset: name, RunID: run, SegmentID: run + "-1", Scenario: "charge", Imported: i == 1}
		level := 2.0
		speed := 0.028 - 0.001*float64(i)
		for s := 0.0; s < 5000; s += 20 {
			w := 40.0 - 2*float64(i)
			if s > 600 {
				w *= 0.75
			}
			if level > 75 {
				w *= math.Exp(-(level - 75) / 9)
			}
			level = math.Min(100, level+20*speed*w/30)
			row := results.CurveRow{Whose: charge, Kind: Charge, TimeS: s, LevelPct: x(math.Floor(level)), PowerW: x(w), TempC: x(29 + float64(i) + 11*(1-math.Exp(-s/900))*math.Exp(-s/9000))}
			if i%2 == 0 {
				row.SocketW = x(w / 0.87)
			}
			r.Curves = append(r.Curves, row)
		}
		load := results.Whose{Handset: name, RunID: run, SegmentID: run + "-2", Scenario: "sustain", Imported: i == 1}
		fall := 0.1 + 0.05*float64(i%6)
		for k := range 40 {
			share := 1 - fall*(1-math.Exp(-float64(k)/6))
			r.Lots = append(r.Lots, results.LotRow{Whose: load, Workload: "cpu", Form: results.FormLots, Lot: k + 1, Rate: (900 + 40*float64(i)) * share, TookS: x(40 / share), TempC: x(30 + (8+2*float64(i))*(1-math.Exp(-float64(k)/9)))})
			if i%3 == 0 {
				r.Lots[len(r.Lots)-1].SkinC = x(29 + (8+2.5*float64(i))*(1-math.Exp(-float64(k)/10)))
			}
		}
		r.Sustained = append(r.Sustained, results.SustainRow{Whose: load, Workload: "cpu", Form: results.FormLots, Count: 40, StartRate: 900, SettledRate: 800, Held: results.Interval{Value: 0.89, Low: 0.88, High: 0.9}, Settled: yes(true), SettleS: x(600 + 30*float64(i)),
			MeanTempC: x(38), HighestTempC: x(38 + 2*float64(i))})
	}
	return r
}

// Up to six sides lie on the same axes, more stand one beside the other; the pictures are held by golden files.
func TestOverlaysAndSmallMultiples(t *testing.T) {
	for _, n := range []int{3, 6, 10} {
		pictures := sided(n).Pictures()
		var names []string
		for _, p := range pictures {
			names = append(names, p.Name)
			var b bytes.Buffer
			if err := p.WritePNG(&b, 96); err != nil {
				t.Fatal(err)
			}
			if n != 3 {
				golden(t, fmt.Sprintf("%s-of-%d.png", p.Name, n), b.Bytes())
			}
			if multiple := strings.Contains(p.Alt, "a row each on equal axes"); multiple != (n > mostSeries) {
				t.Errorf("%s of %d sides: %q", p.Name, n, p.Alt)
			}
			for _, s := range sided(n).Sides {
				if !strings.Contains(p.Alt, s.Name) {
					t.Errorf("%s does not name %s: %q", p.Name, s.Name, p.Alt)
				}
			}
		}
		if want := []string{"charge", "sustain-cpu"}; !slices.Equal(names, want) {
			t.Errorf("pictures of %d sides: %q, want %q", n, names, want)
		}
	}
}

// Where there is no colour, form and strokes tell sides apart.
func TestSidesAreToldApartWithoutColour(t *testing.T) {
	for i := range mostSeries {
		for j := range i {
			a, b := markOf(i), markOf(j)
			if a.corners == b.corners && a.turn == b.turn {
				t.Errorf("sides %d and %d have marks of one form", j+1, i+1)
			}
			if fmt.Sprint(dashesOf(i)) == fmt.Sprint(dashesOf(j)) {
				t.Errorf("sides %d and %d have lines of one stroke", j+1, i+1)
			}
		}
	}
	// What is measured is not what lies under it: each line and mark has 3 to 1 against the ground.
	luminance := func(c uint8) float64 {
		v := float64(c) / 255
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}
	of := func(r, g, b uint8) float64 { return 0.2126*luminance(r) + 0.7152*luminance(g) + 0.0722*luminance(b) }
	for i, m := range marks { // WCAG 2.2, 1.4.11: 3 to 1 for graphics, from memory
		if ratio := (of(ground.R, ground.G, ground.B) + 0.05) / (of(m.color.R, m.color.G, m.color.B) + 0.05); ratio < 3 {
			t.Errorf("mark %d has a contrast of %.1f to 1 against the ground, want 3", i+1, ratio)
		}
	}
}

// The marked edges are those at which a level was first shown, and the end.
func TestMarkedEdges(t *testing.T) {
	var rows []results.CurveRow
	for i, level := range []float64{18, 19, 20, 20, 48, 51, 79, 80, 94, 99} {
		rows = append(rows, results.CurveRow{TimeS: float64(60 * i), LevelPct: x(level)})
	}
	if got, want := levelEdges(rows), []float64{120, 300, 420, 540, 540}; !slices.Equal(got, want) {
		t.Errorf("edges at %v s, want %v", got, want)
	}
	// One that began above an edge did not show it first.
	if got, want := levelEdges(rows[4:8]), []float64{300, 420, 420}; !slices.Equal(got, want) {
		t.Errorf("edges at %v s, want %v", got, want)
	}
	if got := levelEdges([]results.CurveRow{{TimeS: 5}}); !slices.Equal(got, []float64{5}) {
		t.Errorf("of a curve without levels %v", got)
	}
}

// Two runs of one handset, and the handsets of a line-up, are told apart by their sides.
func TestCurvesAreNamedBySide(t *testing.T) {
	r := Report{Sides: []Side{{Name: "before", Runs: []string{"r1"}, Handsets: 1}, {Name: "after", Runs: []string{"r2"}, Handsets: 1}, {Name: "others", Runs: []string{"r3", "r4"}, Handsets: 2}}}
	for run, handset := range map[string]string{"r1": "Alder", "r2": "Alder", "r3": "Birch", "r4": "Cedar"} {
		for s := range 3 {
			r.Curves = append(r.Curves, results.CurveRow{Whose: results.Whose{Handset: handset, RunID: run, SegmentID: run, Scenario: "charge"}, Kind: Charge, TimeS: float64(60 * s), LevelPct: x(float64(s))})
		}
	}
	slices.SortStableFunc(r.Curves, func(a, b results.CurveRow) int { return strings.Compare(a.RunID, b.RunID) })
	p := r.Pictures()
	if len(p) != 1 || !strings.HasSuffix(p[0].Alt, "of before, after, others: Birch and others: Cedar.") {
		t.Fatalf("%d pictures, %q", len(p), p[0].Alt)
	}
	var b bytes.Buffer
	if err := p[0].WritePNG(&b, 48); err != nil {
		t.Fatal(err)
	}
	if _, err := png.DecodeConfig(&b); err != nil {
		t.Error(err)
	}
	if err := p[0].WriteSVG(io.Discard); err != nil {
		t.Error(err)
	}
}
