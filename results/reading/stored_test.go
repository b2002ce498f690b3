package reading

import (
	"compress/gzip"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"rundown/results"
	"rundown/scenarios"
)

// kept opens a store of testdata/stores, as an earlier rundown wrote it, on a copy.
func kept(t *testing.T, name string) *results.Store {
	t.Helper()
	in, err := os.Open(filepath.Join("..", "..", "testdata", "stores", name+".db.gz"))
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	z, err := gzip.NewReader(in)
	if err != nil {
		t.Fatal(err)
	}
	content, err := io.ReadAll(z)
	path := filepath.Join(t.TempDir(), name+".db")
	if err := errors.Join(err, os.WriteFile(path, content, 0o400)); err != nil {
		t.Fatal(err)
	}
	store, err := results.OpenReadOnly(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	return store
}

// trueHours are the simulator's hours from full to empty of the night in testdata/stores.
var trueHours = map[string]float64{
	"Alder browse": 11.81, "Alder video": 10.35, "Alder call": 5.54, "Alder camera": 6.46, "Alder game": 4.83,
	"Birch browse": 10.42, "Birch video": 9.15, "Birch call": 4.90, "Birch camera": 5.71, "Birch game": 4.28,
	"Cedar browse": 9.41, "Cedar video": 8.21, "Cedar call": 4.40, "Cedar camera": 5.09, "Cedar game": 3.83,
	"Larch browse": 11.83, "Larch video": 10.80, "Larch call": 5.81, "Larch camera": 6.61, "Larch game": 4.87,
}

// Stores of each format stay readable, with all that is in them and all that follows from it. These
// are a night and a charging night of simulated handsets, with a log that was imported and an
// annotation; the true hours are the simulator's.
func TestStoresOfBeforeAreRead(t *testing.T) {
	mixes := map[string]scenarios.DayMix{"mixed day": {Name: "mixed day", Hours: map[string]float64{"browse": 2, "call": 0.5}}}
	for name, rows := range map[string]map[string]int{
		"format1-night": {
			"segments": 21, "samples": 4964, "edges": 203, "conditions": 680, "evidence": 3562, "activity": 40, "readings": 0, "annotations": 1,
			"figures": 25, "curves": 4964, "charges": 0, "ratios": 18, "quantities": 0,
		},
		"format1-charges": {
			"segments": 9, "samples": 1993, "edges": 17, "conditions": 280, "evidence": 192, "activity": 12, "readings": 2365, "annotations": 1,
			"figures": 5, "curves": 1989, "charges": 4, "ratios": 0, "quantities": 63,
		},
	} {
		t.Run(name, func(t *testing.T) {
			store := kept(t, name)
			file, err := BenchOf(store)
			if err != nil || len(file.Bench.Handsets) != 4 {
				t.Fatalf("%d handsets, %v; want 4", len(file.Bench.Handsets), err)
			}
			if name == "format1-night" {
				file.DayMixes = mixes
			}
			room, err := Open(store, file, time.Now, nil)
			if err != nil {
				t.Fatal(err)
			}
			for table, want := range rows {
				of, err := results.TableNamed(table)
				if err != nil {
					t.Fatal(err)
				}
				export := func() (int, error) { return results.Export(store, of, "jsonl", results.Filter{}, io.Discard) }
				for _, c := range results.ComputedTables() {
					if c.Name == table {
						export = func() (int, error) { return room.ExportComputed(table, "jsonl", results.Filter{}, io.Discard) }
					}
				}
				if n, err := export(); n != want || err != nil {
					t.Errorf("%s: %d rows, %v; want %d", table, n, err, want)
				}
			}
		})
	}
	room, err := Open(kept(t, "format1-night"), scenarios.File{}, time.Now, nil)
	if err != nil {
		t.Fatal(err)
	}
	figures, err := room.Figures(FigureFilter{})
	if err != nil {
		t.Fatal(err)
	}
	checked, held := 0, 0
	for _, f := range figures {
		truth, ok := trueHours[f.Handset+" "+f.Scenario]
		if !ok {
			continue
		}
		checked++
		if f.Hours.Low <= truth && truth <= f.Hours.High {
			held++
		}
		if math.Abs(f.Hours.Value/truth-1) > 0.1 {
			t.Errorf("%s %s: %.2f h, and %.2f are true", f.Handset, f.Scenario, f.Hours.Value, truth)
		}
	}
	if checked != len(trueHours) {
		t.Errorf("%d figures have a truth beside them, want %d", checked, len(trueHours))
	}
	if held < 17 { // of 20, each of which is meant to hold in 95 of 100: odds of 1 in 63
		t.Errorf("%d of %d intervals hold the truth", held, checked)
	}
	if room, err = Open(kept(t, "format1-charges"), scenarios.File{}, time.Now, nil); err != nil {
		t.Fatal(err)
	}
	charges, err := room.Charges(FigureFilter{})
	if err != nil || len(charges) != 4 {
		t.Fatalf("%d charges, %v; want 4", len(charges), err)
	}
	for _, c := range charges {
		if c.FullS == nil || *c.FullS < 3600 || *c.FullS > 5400 || c.Efficiency == nil || c.ChargeMAh == nil {
			t.Errorf("%s: %+v; want it full after an hour to an hour and a half, with charge and efficiency", c.Handset, c)
		}
	}
}
