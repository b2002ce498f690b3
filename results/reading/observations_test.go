package reading

import (
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"rundown/results"
	"rundown/results/endurance"
	"rundown/results/resultstest"
	"rundown/scenarios"
)

// observation is an invented survey of a counter in µAh.
func observation(id string, at time.Time, fullUAh float64) endurance.Observation {
	o := endurance.Observation{ID: id, At: at, MA: 500, Gauge: endurance.GaugeFine, RatePctH: 12, HasCounter: true}
	for pct := 95; pct >= 5; pct-- {
		o.Edges = append(o.Edges, endurance.Passage{UpperPct: pct, WidthS: 10, Counter: fullUAh * float64(pct) / 100, MV: 3800})
	}
	return o
}

// What one handset is estimated by does not wait for what another one is written down for,
// and nobody waits for the fit of a handset that is not theirs.
func TestNobodyWaitsForAnotherHandsetsFit(t *testing.T) {
	store := resultstest.Opened(t)
	room, err := Open(store, scenarios.File{}, time.Now, nil)
	if err != nil {
		t.Fatal(err)
	}
	teach := func(name string, o endurance.Observation) error {
		taught := room.Taught(name, "one")
		taught.Observations = append(slices.Clone(taught.Observations), o)
		return store.PutDocument(DocumentsLearned, ObservedID(name, "one"), taught)
	}
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	for _, name := range []string{"Alder", "Birch"} {
		if err := teach(name, observation("a", at, 4e6)); err != nil {
			t.Fatal(err)
		}
	}
	var fits atomic.Int32
	began, letGo := make(chan struct{}, 10), make(chan struct{})
	room.observations.fit = func(list []endurance.Observation, at time.Time, without string) *endurance.Learned {
		if fits.Add(1) == 1 {
			began <- struct{}{}
			<-letGo
		}
		return endurance.Learn(list, at, without)
	}
	got := make(chan *endurance.Learned, 2)
	for range 2 { // the second waits for the first one's fit
		go func() {
			l, _ := room.observations.of("Alder", "one", at, "")
			got <- l
		}()
	}
	<-began
	resultstest.Returns(t, "another handset's figure", func() {
		if l, _ := room.observations.of("Birch", "one", at, ""); l == nil {
			t.Error("nothing is known of Birch")
		}
		room.learnedStamp(results.Segment{Handset: "Alder"}, results.Handset{Build: "one"})
		room.LearnedVersion()
	})
	resultstest.Returns(t, "what is learned meanwhile", func() {
		if err := teach("Alder", observation("b", at, 4.1e6)); err != nil {
			t.Error(err)
		}
	})
	close(letGo)
	a, b := <-got, <-got
	if a == nil || a != b && fits.Load() < 3 || fits.Load() > 3 {
		t.Errorf("%p and %p of %d fits, Birch's among them; want one fit for who asked the same, or a new one for who asked after something was learned", a, b, fits.Load())
	}
	if l, _ := room.observations.of("Alder", "one", at, ""); l == nil || l == a {
		t.Error("what was learned during a fit is not used after it")
	}
	waits, free := resultstest.SlowDisk(store, DocumentsLearned)
	done := make(chan error, 1)
	go func() { done <- teach("Alder", observation("c", at, 4.1e6)) }()
	<-waits
	resultstest.Returns(t, "a figure while the disk is slow", func() { room.observations.of("Birch", "one", at, "") })
	free()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// What a look costs is kept by handset and build, follows whoever writes it, and a figure that was
// made with other looks has another stamp.
func TestLooksFollowTheStore(t *testing.T) {
	store := resultstest.Opened(t)
	room, err := Open(store, scenarios.File{}, time.Now, nil)
	if err != nil {
		t.Fatal(err)
	}
	put := func(handset string, ids ...string) {
		t.Helper()
		c := LookCosts{Handset: handset, Build: "one"}
		for _, id := range ids {
			c.Seen = append(c.Seen, endurance.LookSeen{ID: id, SES: 1, DoF: 5})
		}
		if err := store.PutDocument(DocumentsLooks, ObservedID(handset, "one"), c); err != nil {
			t.Fatal(err)
		}
	}
	put("Alder", "a")
	before := room.looks.stamp("Alder", "one")
	put("Alder", "a", "b")
	put("Birch", "c")
	if n := len(room.LooksSeen("Alder", "one", "")); n != 2 || room.looks.stamp("Alder", "one") == before {
		t.Errorf("%d are seen, stamp %q after %q; want 2 and another", n, room.looks.stamp("Alder", "one"), before)
	}
	again, err := Open(store, scenarios.File{}, time.Now, nil)
	if err != nil || again.looks.stamp("Alder", "one") != room.looks.stamp("Alder", "one") {
		t.Errorf("read again, %v, it has another stamp", err)
	}
	if err := store.DeleteDocuments(DocumentsLooks); err != nil {
		t.Fatal(err)
	}
	if len(room.LookedAtOn("Alder")) != 0 || room.looks.stamp("Birch", "one") != "" {
		t.Error("something is left of what was removed")
	}
}
