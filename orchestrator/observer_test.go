package orchestrator

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rundown/results"
	"rundown/results/endurance"
	"rundown/results/reading"
	"rundown/scenarios"
)

// openedRoom reads a store, and its observer writes to it.
func openedRoom(t *testing.T, store *results.Store) (*reading.Room, *observer) {
	t.Helper()
	room, err := reading.Open(store, scenarios.File{}, time.Now, nil)
	if err != nil {
		t.Fatal(err)
	}
	return room, &observer{store: store, room: room}
}

// observation is an invented survey of a counter in µAh.
func observation(id string, at time.Time, fullUAh float64) endurance.Observation {
	o := endurance.Observation{ID: id, At: at, MA: 500, Gauge: endurance.GaugeFine, RatePctH: 12, HasCounter: true}
	for pct := 95; pct >= 5; pct-- {
		o.Edges = append(o.Edges, endurance.Passage{UpperPct: pct, WidthS: 10, Counter: fullUAh * float64(pct) / 100, MV: 3800})
	}
	return o
}

// What is learned holds on its own OS build only, is the latest of its name, and outlives the daemon.
func TestLearnedIsOfOneBuild(t *testing.T) {
	store, err := results.Open(filepath.Join(t.TempDir(), "s.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	room, s := openedRoom(t, store)
	for _, x := range []struct {
		build string
		full  float64
	}{{"one", 3e6}, {"one", 4e6}, {"", 5e6}} { // the second in place of the first; the third of nobody knows what
		if err := s.learn("Alder", x.build, observation("a", at, x.full)); err != nil {
			t.Fatal(err)
		}
	}
	room, s = openedRoom(t, store) // another daemon
	figure := func(build, segment string, days int) (*endurance.Learned, string, string) {
		return room.LearnedFor(results.Segment{ID: segment, Handset: "Alder", EndedAt: at.AddDate(0, 0, days)}, results.Handset{Name: "Alder", Build: build})
	}
	l, beside, warning := figure("one", "other", 3)
	if l == nil || l.Counter.Value < 3.99e6 || l.Counter.Value > 4.01e6 || warning != "" {
		t.Fatalf("on its own build: %+v, warning %q; want 4000000", l, warning)
	}
	if want := "learned from 1 survey, the latest 3 days earlier, on OS build one"; !strings.HasSuffix(beside, want) || !strings.HasPrefix(beside, "full charge by the charge counter within ") {
		t.Errorf("beside the figure: %q, want it to end %q", beside, want)
	}
	if l, beside, warning = figure("two", "other", 3); l != nil || beside != "" || !strings.Contains(warning, "another OS build (one) and was not used") {
		t.Errorf("on another build: %v, %q, %q; want nothing, and to be told", l, beside, warning)
	}
	if l, _, _ = figure("one", "a", 0); l != nil {
		t.Error("a survey is judged by itself")
	}
	if n, err := s.forget("Alder"); n != 1 || err != nil {
		t.Errorf("forgotten on %d builds, %v; want 1", n, err)
	}
	if l, _, warning = figure("one", "other", 3); l != nil || warning != "" {
		t.Errorf("after forgetting: %v, %q", l, warning)
	}
}

func BenchmarkLearn(b *testing.B) {
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	list := []endurance.Observation{observation("a", at, 4e6), observation("b", at, 4e6)}
	for range 24 {
		o := observation("c", at, 4e6)
		o.Edges = o.Edges[:8]
		list = append(list, o)
	}
	for b.Loop() {
		endurance.Learn(list, at, "")
	}
}
