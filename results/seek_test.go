package results

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"go.etcd.io/bbolt"
	"pgregory.net/rapid"
)

// What is found by seeking is what reading everything finds.
func TestSeekingFindsWhatReadingAllFinds(t *testing.T) {
	s := open(t)
	taken := 0
	rapid.Check(t, func(t *rapid.T) {
		taken++ // names of its own for each check, so that one store serves all
		names := rapid.SliceOfNDistinct(rapid.StringMatching(`[a-c]{1,3}`), 1, 6, rapid.ID).Draw(t, "runs")
		want := map[string][]string{}
		for i, name := range names {
			run := fmt.Sprintf("%d.%s", taken, name) // 1.a, 1.ab: one begins as the other
			if i%2 == 1 {
				run += "-x" // a run whose name looks like a segment of another's
			}
			for k := range rapid.IntRange(0, 3).Draw(t, "segments") {
				id := fmt.Sprintf("%s-%02d-1", run, k+1)
				if err := s.PutSegment(Segment{ID: id, RunID: run}); err != nil {
					t.Fatal(err)
				}
				want[run] = append(want[run], id)
			}
		}
		for run, ids := range want {
			got, err := s.Segments(run)
			var have []string
			for _, g := range got {
				have = append(have, g.ID)
			}
			if err != nil || !slices.Equal(have, ids) {
				t.Errorf("Segments(%q) = %v, %v; want %v", run, have, err, ids)
			}
		}
	})
	if err := s.PutSegment(Segment{ID: "s1", RunID: "r1"}); err == nil || !strings.Contains(err.Error(), "r1-") {
		t.Errorf("a segment that could not be found by its run was stored: %v", err)
	}
	if err := s.PutSegment(Segment{ID: "found on a handset"}); err != nil {
		t.Errorf("a segment of no run: %v", err)
	}
}

// EachSegment goes through what Segments returns, in batches, and its visitor may use the store.
func TestEachSegment(t *testing.T) {
	s := open(t)
	var all, own []string
	for i := range 3*segmentsAtOnce + 1 {
		run := fmt.Sprintf("r%d", i%2)
		g := Segment{ID: fmt.Sprintf("%s-%04d-1", run, i), RunID: run}
		if err := s.PutSegment(g); err != nil {
			t.Fatal(err)
		}
		all = append(all, g.ID)
		if run == "r1" {
			own = append(own, g.ID)
		}
	}
	slices.Sort(all)
	if err := s.db.Update(func(tx *bbolt.Tx) error { return tx.Bucket(bucketSegments).Put([]byte("r1-9"), []byte("{")) }); err != nil {
		t.Fatal(err)
	}
	for run, want := range map[string][]string{"": all, "r1": own, "r": nil} {
		var got []string
		err := s.EachSegment(run, func(g Segment) error {
			got = append(got, g.ID)
			return s.PutRun(Run{ID: g.RunID}) // a write in between
		})
		if !slices.Equal(got, want) || (err != nil) != (run != "r") {
			t.Errorf("EachSegment(%q): %d segments, %v; want %d and the one that cannot be read", run, len(got), err, len(want))
		}
	}
	stop, visited := errors.New("enough"), 0
	if err := s.EachSegment("", func(Segment) error { visited++; return stop }); !errors.Is(err, stop) || visited != 1 {
		t.Errorf("stopped by its visitor: %d visited, %v", visited, err)
	}
}

func TestRunsBack(t *testing.T) {
	s := open(t)
	var all []string
	for i := range 7 {
		all = append(all, fmt.Sprintf("r%d", i))
		if err := s.PutRun(Run{ID: all[i]}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.db.Update(func(tx *bbolt.Tx) error { return tx.Bucket(bucketRuns).Put([]byte("r3"), []byte("{")) }); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		before string
		most   int
		want   string
		bad    bool
	}{
		{"", 2, "r6 r5", false},
		{"r5", 9, "r4 r2 r1 r0", true},
		{"r55", 1, "r5", false}, // there is none of that name: what lies before it
		{"z", 1, "r6", false},
		{"r0", 1, "", false},
	} {
		var got []string
		err := s.RunsBack(tt.before, func(r Run) bool {
			got = append(got, r.ID)
			return len(got) < tt.most
		})
		if strings.Join(got, " ") != tt.want || (err != nil) != tt.bad {
			t.Errorf("RunsBack(%q), %d of them = %v, %v; want %s", tt.before, tt.most, got, err, tt.want)
		}
	}
	if err := DocumentsBack(s, "none", "", func(Run) bool { t.Error("something is there"); return true }); err != nil {
		t.Error(err)
	}
}
