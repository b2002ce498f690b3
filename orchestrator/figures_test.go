package orchestrator_test

import (
	"math"
	"testing"

	"rundown/results"
	"rundown/results/reading"
)

// What people are shown of a handset's segments together is what the export says of them,
// hours per watt-hour too, and none of it is the last segment's alone.
func TestShownAndExportedFiguresAreOne(t *testing.T) {
	d := awayBench(t, "")
	for i, pointS := range []float64{450, 480, 600} {
		drained(t, d, "Alder", "browse", evening.AddDate(0, 0, i), pointS)
	}
	drained(t, d, "Birch", "browse", evening, 540)
	unrated := func(r *results.Run, _ *results.Segment) { r.Handset.CapacityMAh, r.Handset.NominalMV = 0, 0 }
	drained(t, d, "Rowan", "browse", evening, 540, unrated)
	drained(t, d, "Rowan", "browse", evening.AddDate(0, 0, 1), 560, unrated)
	shown, err := d.Reading().Figures(reading.FigureFilter{})
	if err != nil {
		t.Fatal(err)
	}
	rows, _, err := d.Reading().FigureRows(results.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, f := range shown {
		for _, row := range rows {
			together := row.Of == "repeats" || row.Of == "segment" && f.Kept == 1
			if row.Handset != f.Handset || row.Scenario != f.Scenario || !together {
				continue
			}
			checked++
			perWh := 0.0
			if row.HoursPerWh != nil {
				perWh = *row.HoursPerWh
			}
			if f.Hours.Value != row.Hours.Value || f.Hours.Low != row.Hours.Low || f.Hours.High != row.Hours.High || f.HoursPerWh != perWh || f.Agree != row.Agree {
				t.Errorf("%s: shown %+v, %g h/Wh, agree %t; exported %+v, %g h/Wh, agree %t", f.Handset, f.Hours, f.HoursPerWh, f.Agree, *row.Hours, perWh, row.Agree)
			}
			// The rated energies that awayBench names: 4.5 and 5 Ah at 3.87 V.
			want := map[string]float64{"Alder": f.Hours.Value / 17.415, "Birch": f.Hours.Value / 19.35}[f.Handset]
			if math.Abs(f.HoursPerWh-want) > 0.0051 {
				t.Errorf("%s: %g h/Wh, want %g: hours over rated energy", f.Handset, f.HoursPerWh, want)
			}
		}
	}
	if checked != 3 {
		t.Errorf("%d handsets are both shown and exported, want 3", checked)
	}
}
