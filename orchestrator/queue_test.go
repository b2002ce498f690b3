package orchestrator

import (
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rundown/results"
)

// Whatever is queued in whatever order comes out oldest first, before and after a restart,
// and the next one for a handset is the oldest of its own that may begin.
func TestQueueIsOldestFirst(t *testing.T) {
	start := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	dir, taken := t.TempDir(), 0
	rapid.Check(t, func(t *rapid.T) {
		taken++
		store, err := results.Open(filepath.Join(dir, fmt.Sprint(taken)))
		if err != nil {
			t.Fatal(err)
		}
		defer store.Close()
		q, err := openQueue(store)
		if err != nil {
			t.Fatal(err)
		}
		var want []Item
		for i := range rapid.IntRange(0, 8).Draw(t, "items") {
			it := Item{
				ID: fmt.Sprintf("q%d", rapid.IntRange(0, 5).Draw(t, "id")), Handset: rapid.SampledFrom([]string{"Alder", "Birch"}).Draw(t, "handset"), State: Waiting,
				QueuedAt: start.Add(time.Duration(rapid.IntRange(0, 3).Draw(t, "queued")) * time.Minute), Paused: rapid.Bool().Draw(t, "paused"),
				NotBefore: start.Add(time.Duration(rapid.IntRange(-1, 1).Draw(t, "not before")) * time.Hour), Plan: fmt.Sprint(i),
			}
			if err := q.add([]Item{it}); err != nil {
				t.Fatal(err)
			}
			if !slices.ContainsFunc(want, func(have Item) bool { return have.ID == it.ID }) { // one that is there stays as it is
				want = append(want, it)
			}
		}
		slices.SortFunc(want, func(a, b Item) int { return older(&a, &b) })
		again, err := openQueue(store)
		if err != nil {
			t.Fatal(err)
		}
		for _, q := range []*queue{q, again} {
			if got := q.all(); !slices.EqualFunc(got, want, func(a, b Item) bool { return a.ID == b.ID && a.Plan == b.Plan }) {
				t.Errorf("queue %v, want %v", got, want)
			}
			for _, handset := range []string{"Alder", "Birch"} {
				i := slices.IndexFunc(want, func(it Item) bool { return it.Handset == handset && !it.Paused && !it.NotBefore.After(start) })
				if got, ok := q.nextFor(handset, start); ok != (i >= 0) || ok && got.ID != want[i].ID {
					t.Errorf("next for %s is %s, %t; of %v", handset, got.ID, ok, want)
				}
			}
		}
	})
}
