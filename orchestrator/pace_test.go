package orchestrator

import (
	"fmt"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rundown/results"
)

// drainedAt is a measured segment that drained so many points an hour each. Invented.
func drainedAt(id, handset, scenario string, ratePctH float64) results.Segment {
	g := results.Segment{ID: id, RunID: id[:len(id)-3], Handset: handset, Scenario: scenario, Outcome: results.Measured, TargetPoints: 7}
	for i := range 8 {
		at := int64(float64(i) * 3.6e6 / ratePctH)
		g.Edges = append(g.Edges, results.Edge{LevelPct: 92 - i, LoUpMS: at, HiUpMS: at})
	}
	return g
}

// A store of an earlier version is learnt from once; from then on what was learnt is read,
// and the two say the same.
func TestPaceIsLearntOnce(t *testing.T) {
	store, err := results.Open(filepath.Join(t.TempDir(), "rundown.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	for i := range ratesKept + 2 {
		for _, g := range []results.Segment{
			drainedAt(fmt.Sprintf("r%d-01", i), "Alder", "video", 5+float64(i)), drainedAt(fmt.Sprintf("r%d-02", i), "Alder", "game", 12),
			drainedAt(fmt.Sprintf("s%d-01", i), "Birch", "video", 8),
		} {
			if i == 3 {
				g.Outcome = results.Spoiled // says nothing about the drain
			}
			if err := store.PutSegment(g); err != nil {
				t.Fatal(err)
			}
		}
	}
	open := func() *Daemon {
		t.Helper()
		p, err := openPace(store)
		if err != nil {
			t.Fatal(err)
		}
		return &Daemon{pace: p}
	}
	rounded := cmp.Transformer("rounded", func(v float64) string { return fmt.Sprintf("%.3f", v) })
	want := map[[2]string][]float64{
		{"Alder", "video"}: {6, 7, 9, 10, 11}, {"Alder", "game"}: {12, 12, 12, 12, 12}, {"Birch", "video"}: {8, 8, 8, 8, 8},
	}
	if diff := cmp.Diff(want, open().Rates(), rounded); diff != "" {
		t.Errorf("learnt from the segments (-want +got):\n%s", diff)
	}
	// What is put there behind its back shows whether the segments are read again.
	if err := store.PutSegment(drainedAt("r9-01", "Alder", "video", 99)); err != nil {
		t.Fatal(err)
	}
	d := open()
	if diff := cmp.Diff(want, d.Rates(), rounded); diff != "" {
		t.Errorf("read back (-want +got):\n%s", diff)
	}
	late := drainedAt("r8-01", "Alder", "video", 13)
	for range 2 { // the second time as after a crash
		if err := d.pace.learn(late); err != nil {
			t.Fatal(err)
		}
	}
	want[[2]string{"Alder", "video"}] = []float64{7, 9, 10, 11, 13}
	if diff := cmp.Diff(want, open().Rates(), rounded); diff != "" {
		t.Errorf("after one more segment (-want +got):\n%s", diff)
	}
	if got := d.pace.rate("Alder", "video"); got < 12.99 || got > 13.01 {
		t.Errorf("the pace to expect is %g %%/h, want the latest, 13", got)
	}
	if got := d.pace.rate("Cedar", "video"); got != startRates["video"] {
		t.Errorf("the pace of a handset that did nothing yet is %g %%/h, want %g", got, startRates["video"])
	}
}
