package results

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.etcd.io/bbolt"
)

func samplesUpTo(n int) []Sample {
	var list []Sample
	for i := range n {
		at := time.Date(2030, 5, 14, 21, 0, 10*i, 0, time.UTC)
		list = append(list, Sample{Seq: i + 1, HostAt: at, PhoneAt: at, UptimeMS: int64(i) * 10_000, LevelPct: 90 - i/500})
	}
	return list
}

// damage spoils the last chunk of a segment, as a disk might.
func damage(t *testing.T, s *Store, segment string) {
	t.Helper()
	if err := s.db.Update(func(tx *bbolt.Tx) error {
		b := tx.Bucket(bucketSamples).Bucket([]byte(segment))
		key, value := b.Cursor().Last()
		broken := slices.Clone(value)
		broken[len(broken)/2] ^= 0xff
		return b.Put(key, broken)
	}); err != nil {
		t.Fatal(err)
	}
}

// Whatever is missing, damaged or wrong in the store, the handset's whole file puts it
// right; what only the store has stays.
func TestCompleteSamples(t *testing.T) {
	file := samplesUpTo(2500)
	for name, store := range map[string]func(t *testing.T, s *Store){
		"nothing stored":     func(*testing.T, *Store) {},
		"all stored":         func(t *testing.T, s *Store) { appended(t, s, file) },
		"the end missing":    func(t *testing.T, s *Store) { appended(t, s, file[:1700]) },
		"a hole":             func(t *testing.T, s *Store) { appended(t, s, file[:900]); appended(t, s, file[1100:]) },
		"last chunk damaged": func(t *testing.T, s *Store) { appended(t, s, file[:2000]); damage(t, s, "g") },
		"damaged, and then went on": func(t *testing.T, s *Store) {
			appended(t, s, file[:2000])
			damage(t, s, "g")
			appended(t, s, file[2000:2200])
		},
		"a wrong value": func(t *testing.T, s *Store) {
			wrong := slices.Clone(file)
			wrong[1200].LevelPct = 7
			appended(t, s, wrong)
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := opened(t, filepath.Join(t.TempDir(), "s.db"))
			store(t, s)
			if _, err := s.CompleteSamples("g", file); err != nil {
				t.Fatal(err)
			}
			got, err := s.Samples("g")
			if diff := cmp.Diff(file, got); err != nil || diff != "" {
				t.Errorf("%v (-file +stored):\n%s", err, diff)
			}
			if changed, err := s.CompleteSamples("g", file[:10]); changed != 0 || err != nil {
				t.Errorf("a file that has lost its end changed %d samples, %v; want 0", changed, err)
			}
			if got, _ = s.Samples("g"); len(got) != len(file) {
				t.Errorf("%d samples after a shorter file; want %d", len(got), len(file))
			}
		})
	}
}

func appended(t *testing.T, s *Store, samples []Sample) {
	t.Helper()
	if _, err := s.AppendSamples("g", samples); err != nil {
		t.Fatal(err)
	}
}

func opened(t *testing.T, path string) *Store {
	t.Helper()
	s, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func TestStoreThatLostItsEnd(t *testing.T) {
	dir := t.TempDir()
	path, spare := filepath.Join(dir, "s.db"), filepath.Join(dir, "spare.db")
	s := opened(t, path)
	appended(t, s, samplesUpTo(20_000))
	if err := s.BackUp(spare); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, 4*int64(os.Getpagesize())); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(path); !errors.Is(err, ErrCutShort) {
		t.Errorf("Open of a file that lost its end: %v, want %v", err, ErrCutShort)
	}
	if got, err := opened(t, spare).Samples("g"); err != nil || len(got) != 20_000 {
		t.Errorf("the copy has %d samples, %v; want 20000", len(got), err)
	}
}

func TestStoreInAFolderThatCannotBeWritten(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "file")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(filepath.Join(path, "s.db")); err == nil {
		t.Error("a store below a file was opened")
	}
	if os.Geteuid() == 0 {
		return // the rights of a folder hold nobody back here
	}
	if err := os.Chmod(dir, 0o500); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(filepath.Join(dir, "s.db")); !errors.Is(err, os.ErrPermission) {
		t.Errorf("a store in a read-only folder: %v, want %v", err, os.ErrPermission)
	}
}
