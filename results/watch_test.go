package results

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestEachWriteIsTold(t *testing.T) {
	s := open(t)
	var told []Write
	stop := s.Watch(func(w Write) { told = append(told, w) })
	run, g := Run{ID: "r1", Imported: &Imported{As: AsEndurance}}, Segment{ID: "r1-01-1", RunID: "r1", Outcome: Underway}
	if err := errors.Join(s.PutRun(run), s.PutSegment(g)); err != nil {
		t.Fatal(err)
	}
	for range 2 { // the second time there is nothing new
		if _, err := s.AppendSamples(g.ID, samplesFrom(1, 5)); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.CompleteSamples(g.ID, samplesFrom(1, 7)); err != nil {
		t.Fatal(err)
	}
	power := 4.5
	if err := errors.Join(
		s.AppendReadings(g.ID, []Reading{{Meter: "line", At: time.Unix(1e9, 0), PowerW: &power}}),
		s.ChangeSegment(g.ID, func(g *Segment) error { g.Outcome = Measured; return nil }),
		s.PutDocument("a", "1", 1), s.PutDocuments("a", map[string]any{"3": 3, "2": 2}), s.DeleteDocument("a", "1"), s.DeleteDocuments("a"),
		s.DeleteImported("r1"),
	); err != nil {
		t.Fatal(err)
	}
	stop()
	if err := s.PutRun(run); err != nil {
		t.Fatal(err)
	}
	want := []Write{
		{Kind: WroteRun, ID: "r1"}, {Kind: WroteSegment, ID: g.ID, Outcome: Underway}, {Kind: WroteSamples, ID: g.ID}, {Kind: WroteSamples, ID: g.ID},
		{Kind: WroteReadings, ID: g.ID}, {Kind: WroteSegment, ID: g.ID, Outcome: Measured},
		{Kind: WroteDocument, Document: "a", ID: "1"}, {Kind: WroteDocument, Document: "a", ID: "2"}, {Kind: WroteDocument, Document: "a", ID: "3"},
		{Kind: WroteDocument, Document: "a", ID: "1"}, {Kind: WroteDocument, Document: "a"},
		{Kind: WroteRun, ID: "r1"}, {Kind: WroteSegment, ID: g.ID}, {Kind: WroteSamples, ID: g.ID},
	}
	if diff := cmp.Diff(want, told); diff != "" {
		t.Errorf("told (-want +got):\n%s", diff)
	}
}

// A write is told when it is in the file, and one that failed is not told.
func TestAWriteIsToldWhenItIsStored(t *testing.T) {
	s := open(t)
	told := 0
	s.Watch(func(w Write) {
		told++
		if _, err := s.Segment(w.ID); err != nil {
			t.Errorf("told of segment %s before it is stored: %v", w.ID, err)
		}
	})
	if err := s.PutSegment(Segment{ID: "r1-01-1", RunID: "r1"}); err != nil {
		t.Fatal(err)
	}
	refused := errors.New("refused")
	if err := s.ChangeSegment("r1-01-1", func(*Segment) error { return refused }); !errors.Is(err, refused) {
		t.Errorf("a change that its caller refuses: %v", err)
	}
	if err := s.ChangeSegment("r1-09-1", func(*Segment) error { return nil }); !errors.Is(err, ErrNotFound) {
		t.Errorf("a change of no segment: %v, want %v", err, ErrNotFound)
	}
	if err := s.ChangeSegment("r1-01-1", func(g *Segment) error { g.ID = "r1-02-1"; return nil }); err == nil {
		t.Error("a segment's identifier was changed")
	}
	if told != 1 {
		t.Errorf("told %d times, want once", told)
	}
}

// Changes of one segment at once are all kept.
func TestChangesAtOnceAreAllKept(t *testing.T) {
	s := open(t)
	if err := s.PutSegment(Segment{ID: "r1-01-1", RunID: "r1"}); err != nil {
		t.Fatal(err)
	}
	var want []string
	var wg sync.WaitGroup
	for i := range 20 {
		name := fmt.Sprintf("%02d", i)
		want = append(want, name)
		wg.Go(func() {
			if err := s.ChangeSegment("r1-01-1", func(g *Segment) error {
				g.Records = append(g.Records, MeterRecord{Name: name})
				return nil
			}); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	g, err := s.Segment("r1-01-1")
	var got []string
	for _, r := range g.Records {
		got = append(got, r.Name)
	}
	slices.Sort(got)
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("records %v, %v; want %v", got, err, want)
	}
}
