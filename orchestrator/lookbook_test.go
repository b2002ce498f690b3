package orchestrator

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"rundown/results"
	"rundown/results/endurance"
	"rundown/scenarios"
)

// What looks were seen to cost outlives the daemon, is bounded, and never serves the
// segment that showed it.
func TestLookBook(t *testing.T) {
	store, err := results.Open(filepath.Join(t.TempDir(), "rundown.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	room, observer := openedRoom(t, store)
	book := room
	for i := range looksKept + 3 {
		if err := observer.looked("Alder", "build 1", endurance.LookSeen{ID: fmt.Sprint(i), RestS: float64(i), SES: 1, DoF: 5}); err != nil {
			t.Fatal(err)
		}
	}
	if err := observer.looked("Alder", "", endurance.LookSeen{ID: "no build"}); err != nil {
		t.Fatal(err)
	}
	again, _ := openedRoom(t, store)
	if len(again.LooksSeen("Alder", "build 1", "")) != len(book.LooksSeen("Alder", "build 1", "")) {
		t.Error("a room that was open all the while has not what one opened anew has")
	}
	book = again
	last := fmt.Sprint(looksKept + 2)
	if n := len(book.LooksSeen("Alder", "build 1", "")); n != looksKept {
		t.Errorf("%d are kept, want %d", n, looksKept)
	}
	for _, s := range book.LooksSeen("Alder", "build 1", last) {
		if s.ID == last {
			t.Error("a segment is judged by what it showed itself")
		}
	}
	if len(book.LooksSeen("Alder", "build 2", "")) != 0 || len(book.LooksSeen("Birch", "build 1", "")) != 0 {
		t.Error("it serves another build or another handset")
	}
	if _, err := observer.forget("Alder"); err != nil {
		t.Fatal(err)
	}
	if len(book.LooksSeen("Alder", "build 1", "")) != 0 {
		t.Error("something is left of what was forgotten")
	}
}

// Sleep seen by the clocks is evidence of sleep and of nothing else.
func TestSleepIsEvidence(t *testing.T) {
	from := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	w := newWitness([]scenarios.Evidence{{Kind: evidenceAsleep, Limit: 20 * time.Minute}, {Kind: "page", Limit: time.Minute}}, from)
	at := from.Add(time.Hour)
	w.saw(results.Evidence{At: at, UptimeMS: 1, Kind: evidenceSlept, Value: 3500})
	if missing := w.missing(at.Add(time.Second), from); missing != "" {
		t.Errorf("after an hour's sleep: %s", missing)
	}
	if missing := w.missing(at.Add(21*time.Minute), from); missing == "" {
		t.Error("awake for 21 minutes, and nothing is missing")
	}
	if w.seen[1] {
		t.Error("sleep counts as a page")
	}
	if askAsleep(scenarios.Scenario{}) != 0 || askAsleep(scenarios.Scenario{Evidence: []scenarios.Evidence{{Kind: evidenceAsleep, Limit: 10 * time.Second}}}) != 2 {
		t.Error("how often sleep is asked for does not follow what is wanted")
	}
}
