package reading

import (
	"errors"
	"strings"
	"testing"
	"time"

	"rundown/results"
	"rundown/results/resultstest"
	"rundown/scenarios"
)

// A store without its daemon tells which runs were of one night.
func TestNightReportIsOfTheRunsOfOneNight(t *testing.T) {
	store := resultstest.Opened(t)
	evening := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	put := func(id, handset, night string, queued time.Time, over bool) {
		t.Helper()
		r := results.Run{ID: id, Handset: results.Handset{Name: handset}, Plan: "everyday", Night: night, QueuedAt: queued, StartedAt: queued.Add(time.Hour), State: "Draining"}
		if over {
			r.EndedAt, r.State = queued.Add(9*time.Hour), "Done"
		}
		g := results.Segment{ID: id + "-01-1", RunID: id, Handset: handset, Plan: "everyday", Scenario: "browse", Outcome: results.Spoiled, Reason: "invented", StartedAt: r.StartedAt}
		if err := errors.Join(store.PutRun(r), store.PutSegment(g)); err != nil {
			t.Fatal(err)
		}
	}
	put("r1", "Alder", "weeknights", evening.AddDate(0, 0, -1), true)
	put("r2", "Birch", "weeknights", evening, true)
	put("r3", "Alder", "weeknights", evening.Add(time.Second), true)
	put("r4", "Alder", "", evening.AddDate(0, 0, 1), false)
	file := scenarios.File{Bench: scenarios.Bench{Handsets: []scenarios.Handset{{Name: "Alder"}, {Name: "Birch"}}}}
	room, err := Open(store, file, time.Now, nil)
	if err != nil {
		t.Fatal(err)
	}
	for night, want := range map[string]string{"weeknights": "r3 r2", "": "r4"} {
		r, err := room.NightReport(night)
		var runs []string
		for _, f := range r.Figures {
			if f.Of == "segment" {
				runs = append(runs, f.RunID)
			}
		}
		if got := strings.Join(runs, " "); err != nil || got != want {
			t.Errorf("night %q: %s, %v; want %s, in the bench's order", night, got, err, want)
		}
		if under := strings.Contains(r.About, "the night is not over"); under != (night == "") {
			t.Errorf("night %q: %q", night, r.About)
		}
	}
	if _, err := room.NightReport("weekend"); !errors.Is(err, results.ErrNotFound) {
		t.Errorf("a night that was not: %v, want ErrNotFound", err)
	}
}

// Without a plan file the bench is what was measured, as it was last.
func TestBenchOfAStore(t *testing.T) {
	store := resultstest.Opened(t)
	for _, r := range []results.Run{
		{ID: "r1", Handset: results.Handset{Name: "Birch", Serial: "B", CapacityMAh: 4000}},
		{ID: "r2", Handset: results.Handset{Name: "Alder", Serial: "A"}},
		{ID: "r3", Handset: results.Handset{Name: "Birch", Serial: "B", CapacityMAh: 4500, NominalMV: 3870}},
		{ID: "r4", Handset: results.Handset{Name: "Rowan"}, Imported: &results.Imported{}},
	} {
		if err := store.PutRun(r); err != nil {
			t.Fatal(err)
		}
	}
	file, err := BenchOf(store)
	list := file.Bench.Handsets
	if err != nil || len(list) != 2 || list[0].Name != "Alder" || list[1].Name != "Birch" || list[1].CapacityMAh != 4500 || list[1].NominalMV != 3870 {
		t.Errorf("%+v, %v; want Alder, and Birch with 4500 mAh", list, err)
	}
}
