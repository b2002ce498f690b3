package results

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"go.etcd.io/bbolt"
)

// A store that is opened for reading says what it said, and not a byte of its file is changed.
func TestReadOnlyChangesNothing(t *testing.T) {
	s := open(t)
	path := s.Path()
	_, err := s.AppendSamples("r1-1", samplesFrom(1, 2*chunkSamples))
	if err := errors.Join(err, s.PutRun(Run{ID: "r1", Plan: "everyday"}), s.PutSegment(Segment{ID: "r1-1", RunID: "r1"})); err != nil {
		t.Fatal(err)
	}
	// A store of before meters were read beside segments.
	if err := errors.Join(s.db.Update(func(tx *bbolt.Tx) error { return tx.DeleteBucket(bucketReadings) }), s.Close()); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := OpenReadOnly(path)
	if err != nil {
		t.Fatal(err)
	}
	second, err := OpenReadOnly(path) // others may read it too
	if err != nil {
		t.Fatal(err)
	}
	if runs, err := r.Runs(); err != nil || len(runs) != 1 || runs[0].Plan != "everyday" {
		t.Errorf("Runs() = %+v, %v", runs, err)
	}
	if samples, err := second.Samples("r1-1"); err != nil || len(samples) != 2*chunkSamples {
		t.Errorf("%d samples, %v; want %d", len(samples), err, 2*chunkSamples)
	}
	if list, err := r.Readings("r1-1"); err != nil || len(list) != 0 {
		t.Errorf("Readings() = %v, %v; want none", list, err)
	}
	_, err = r.AppendSamples("r1-1", samplesFrom(2*chunkSamples+1, 1))
	for what, err := range map[string]error{"samples": err, "a run": r.PutRun(Run{ID: "r2"}), "a document": r.PutDocument("k", "id", 1), "a deletion": r.DeleteDocuments("k")} {
		if err == nil {
			t.Errorf("%s written to a store that was opened for reading", what)
		}
	}
	if held, err := Open(path); err == nil {
		_ = held.Close()
		t.Error("a daemon opened a file that is being read")
	}
	if err := errors.Join(r.Close(), second.Close()); err != nil {
		t.Fatal(err)
	}
	if after, err := os.ReadFile(path); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the file was changed, %v", err)
	}
}

func TestWhatCannotBeReadIsSaid(t *testing.T) {
	good := open(t)
	if err := good.PutRun(Run{ID: "r1"}); err != nil {
		t.Fatal(err)
	}
	held := good.Path()
	dir := t.TempDir()
	file := func(name string, content []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	copied := filepath.Join(dir, "copy.db")
	if err := good.BackUp(copied); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(copied)
	if err != nil {
		t.Fatal(err)
	}
	changed := func(name string, change func(*bbolt.Tx) error) string {
		path := file(name, whole)
		db, err := bbolt.Open(path, 0o600, nil)
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(db.Update(change), db.Close()); err != nil {
			t.Fatal(err)
		}
		return path
	}
	damaged := bytes.Clone(whole)
	for i := 2 * os.Getpagesize(); i < len(damaged); i++ { // all but the two pages that say what the file is
		damaged[i] = byte(i * 7)
	}
	for name, tt := range map[string]struct {
		path string
		want error
	}{
		"missing":      {filepath.Join(dir, "nowhere.db"), fs.ErrNotExist},
		"a folder":     {dir, ErrNoStore},
		"empty":        {file("empty.db", nil), ErrNoStore},
		"a text":       {file("text.db", bytes.Repeat([]byte("t_s,level_pct\n"), 2000)), ErrNoStore},
		"another's":    {changed("other.db", func(tx *bbolt.Tx) error { return tx.DeleteBucket(bucketRuns) }), ErrNoStore},
		"held":         {held, ErrInUse},
		"cut short":    {file("cut.db", whole[:len(whole)-1]), ErrCutShort},
		"damaged":      {file("damaged.db", damaged), ErrDamaged},
		"later format": {changed("later.db", func(tx *bbolt.Tx) error { return tx.Bucket(bucketMeta).Put(keyVersion, []byte("2")) }), ErrVersion},
		"no format":    {changed("none.db", func(tx *bbolt.Tx) error { return tx.Bucket(bucketMeta).Delete(keyVersion) }), ErrVersion},
	} {
		t.Run(name, func(t *testing.T) {
			s, err := OpenReadOnly(tt.path)
			if !errors.Is(err, tt.want) {
				t.Errorf("OpenReadOnly = %v, want %v", err, tt.want)
			}
			if err == nil {
				_ = s.Close()
			}
		})
	}
	s, err := OpenReadOnly(copied)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if runs, err := s.Runs(); err != nil || len(runs) != 1 {
		t.Errorf("%d runs, %v; want 1", len(runs), err)
	}
}
