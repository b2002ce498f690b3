package results

import (
	"errors"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"go.etcd.io/bbolt"
)

func TestVerify(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(filepath.Join(dir, "store.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for _, id := range []string{"r1", "r2"} {
		if err := errors.Join(s.PutRun(Run{ID: id}), s.PutSegment(Segment{ID: id + "-01-1", RunID: id}), s.PutSegment(Segment{ID: id + "-02-1", RunID: id})); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.AppendSamples("r1-01-1", samplesFrom(1, 20_000)); err != nil {
		t.Fatal(err)
	}
	copied := func(name string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := s.BackUp(path); err != nil {
			t.Fatal(err)
		}
		return path
	}
	whole := copied("whole.db")
	before, err := os.ReadFile(whole)
	if err != nil {
		t.Fatal(err)
	}
	if c, err := Verify(whole); err != nil || c.Runs != 2 || c.Segments != 4 || c.Bytes != int64(len(before)) {
		t.Errorf("Verify of a copy = %+v, %v; want 2 runs and 4 segments", c, err)
	}
	if after, err := os.ReadFile(whole); err != nil || string(after) != string(before) {
		t.Errorf("the copy was changed by looking at it (%v)", err)
	}
	if _, err := Verify(s.Path()); !errors.Is(err, ErrInUse) {
		t.Errorf("Verify of an open store: %v, want %v", err, ErrInUse)
	}
	short := copied("short.db")
	if err := os.Truncate(short, int64(len(before)/2)); err != nil {
		t.Fatal(err)
	}
	if _, err := Verify(short); !errors.Is(err, ErrCutShort) {
		t.Errorf("Verify of half a copy: %v, want %v", err, ErrCutShort)
	}
	unread := copied("unread.db")
	db, err := bbolt.Open(unread, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(db.Update(func(tx *bbolt.Tx) error { return tx.Bucket(bucketRuns).Put([]byte("r1"), []byte(`{"id":`)) }), db.Close()); err != nil {
		t.Fatal(err)
	}
	if _, err := Verify(unread); err == nil {
		t.Error("a run that cannot be read goes unseen")
	}
	other := filepath.Join(dir, "other.db")
	if db, err = bbolt.Open(other, 0o600, nil); err != nil {
		t.Fatal(err)
	}
	_ = db.Close()
	text := filepath.Join(dir, "text.db")
	if err := os.WriteFile(text, []byte("no store at all, but text of some length, longer than a header"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{other, text, filepath.Join(dir, "nothing.db")} {
		if c, err := Verify(path); err == nil {
			t.Errorf("Verify(%s) = %+v, and it is no store", filepath.Base(path), c)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "nothing.db")); err == nil {
		t.Error("looking at a file that is not there has made it")
	}
}

// A copy made while others write is of one instant: it never has a segment without its run.
func TestBackUpIsOfOneInstant(t *testing.T) {
	s := open(t)
	stop := make(chan struct{})
	var writing sync.WaitGroup
	for w := range 2 {
		writing.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-stop:
					return
				default:
				}
				id := string(rune('a'+w)) + string(rune('0'+i/100%10)) + string(rune('0'+i/10%10)) + string(rune('0'+i%10))
				if err := errors.Join(s.PutRun(Run{ID: id}), s.PutSegment(Segment{ID: id + "-01-1", RunID: id})); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	for range 10 {
		path := filepath.Join(t.TempDir(), "copy.db")
		if err := s.BackUp(path); err != nil {
			t.Error(err)
			break
		}
		c, err := Verify(path)
		if err != nil || c.Runs < c.Segments || c.Runs > c.Segments+2 {
			t.Errorf("a copy has %+v, %v; each of two writers may be one segment behind its run", c, err)
		}
	}
	close(stop)
	writing.Wait()
}
