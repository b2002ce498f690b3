package results

import (
	"errors"
	"math"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.etcd.io/bbolt"
	"pgregory.net/rapid"
)

func open(t *testing.T) *Store {
	t.Helper()
	s, err := Open(filepath.Join(t.TempDir(), "store.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func samplesFrom(seq, n int) []Sample {
	var list []Sample
	start := time.Date(2030, 3, 4, 22, 0, 0, 0, time.UTC)
	for i := range n {
		counter, volt, temp := int64(4_000_000-977*(seq+i)), int64(4100-(seq+i)/10), float64(273+i%7)/10
		at := start.Add(time.Duration(seq+i) * 10 * time.Second)
		s := Sample{Seq: seq + i, HostAt: at, PhoneAt: at.Add(1500 * time.Millisecond), UptimeMS: int64(60_000 + 10_000*(seq+i)), LevelPct: 93 - (seq+i)/60, VoltageMV: &volt, Status: 3}
		if i%3 != 0 {
			s.CounterRaw, s.TempC = &counter, &temp
		}
		list = append(list, s)
	}
	return list
}

func TestSamplesComeBackAsStored(t *testing.T) {
	s := open(t)
	want := samplesFrom(1, 2*chunkSamples+17)
	for at := 0; at < len(want); {
		to := min(at+137, len(want))
		if _, err := s.AppendSamples("seg", want[at:to]); err != nil {
			t.Fatal(err)
		}
		at = to
	}
	got, err := s.Samples("seg")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("samples changed in the store (-want +got):\n%s", diff)
	}
}

func TestSamplesHandedInAgainAreStoredOnce(t *testing.T) {
	s := open(t)
	all := samplesFrom(1, 1500)
	for _, part := range [][]Sample{all[:700], all[300:1100], all[:1500], all} {
		if _, err := s.AppendSamples("seg", part); err != nil {
			t.Fatal(err)
		}
	}
	got, err := s.Samples("seg")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(all, got); diff != "" {
		t.Errorf("samples mismatch (-want +got):\n%s", diff)
	}
}

func TestChunkRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		optional := rapid.Ptr(rapid.Int64Range(math.MinInt32*1000, math.MaxInt32*1000), true)
		n := rapid.IntRange(1, 300).Draw(t, "samples")
		want := make([]Sample, n)
		for i := range want {
			ms := rapid.Int64Range(-1e12, 4e12)
			want[i] = Sample{
				Seq: i + 1, HostAt: time.UnixMilli(ms.Draw(t, "host")).UTC(), PhoneAt: time.UnixMilli(ms.Draw(t, "phone")).UTC(),
				UptimeMS: rapid.Int64Range(0, 1e12).Draw(t, "uptime"), LevelPct: rapid.IntRange(0, 100).Draw(t, "level"),
				Status: rapid.IntRange(0, 5).Draw(t, "status"), Plugged: rapid.IntRange(0, 15).Draw(t, "plugged"),
				CounterRaw: optional.Draw(t, "counter"), VoltageMV: optional.Draw(t, "voltage"), CurrentRaw: optional.Draw(t, "current"),
			}
			if tenths := rapid.Ptr(rapid.IntRange(-400, 1200), true).Draw(t, "temp"); tenths != nil {
				c := float64(*tenths) / 10
				want[i].TempC = &c
			}
		}
		got, err := decodeChunk(encodeChunk(want))
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got, cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-9 })); diff != "" {
			t.Errorf("chunk mismatch (-want +got):\n%s", diff)
		}
	})
}

func FuzzDecodeChunk(f *testing.F) {
	f.Add(encodeChunk(samplesFrom(1, 5)))
	f.Add([]byte{chunkFormat, 0, 0, 0, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := decodeChunk(b)
		if err != nil {
			if !errors.Is(err, errChunk) {
				t.Errorf("decodeChunk(%x): %v is not told apart as a damaged chunk", b, err)
			}
			return
		}
		again, err := decodeChunk(encodeChunk(got))
		if err != nil {
			t.Fatalf("what was decoded cannot be encoded: %v", err)
		}
		if diff := cmp.Diff(got, again); diff != "" {
			t.Errorf("not stable (-first +second):\n%s", diff)
		}
	})
}

func TestOneUnreadableRecordCostsThatRecord(t *testing.T) {
	s := open(t)
	for _, id := range []string{"a", "b", "c"} {
		if err := s.PutRun(Run{ID: id, Plan: "everyday"}); err != nil {
			t.Fatal(err)
		}
	}
	samples := samplesFrom(1, 2*chunkSamples)
	if _, err := s.AppendSamples("seg", samples); err != nil {
		t.Fatal(err)
	}
	err := s.db.Update(func(tx *bbolt.Tx) error {
		if err := tx.Bucket(bucketRuns).Put([]byte("b"), []byte(`{"id":`)); err != nil {
			return err
		}
		b := tx.Bucket(bucketSamples).Bucket([]byte("seg"))
		key, value := b.Cursor().First()
		broken := append([]byte(nil), value...)
		broken[len(broken)/2] ^= 0x40
		return b.Put(key, broken)
	})
	if err != nil {
		t.Fatal(err)
	}
	runs, err := s.Runs()
	if err == nil || len(runs) != 2 || runs[0].ID != "a" || runs[1].ID != "c" {
		t.Errorf("Runs() = %v, %v; want a and c, and an error that names b", runs, err)
	}
	got, err := s.Samples("seg")
	if err == nil {
		t.Error("a damaged chunk was read without an error")
	}
	if diff := cmp.Diff(samples[chunkSamples:], got); diff != "" {
		t.Errorf("samples of the whole chunk (-want +got):\n%s", diff)
	}
}

func TestSecondOpenIsRefused(t *testing.T) {
	s := open(t)
	if second, err := Open(s.Path()); !errors.Is(err, ErrInUse) {
		if err == nil {
			_ = second.Close()
		}
		t.Errorf("second Open = %v, want ErrInUse", err)
	}
}

func TestLaterFormatIsRefused(t *testing.T) {
	s := open(t)
	if err := s.db.Update(func(tx *bbolt.Tx) error { return tx.Bucket(bucketMeta).Put(keyVersion, []byte("2")) }); err != nil {
		t.Fatal(err)
	}
	path := s.Path()
	_ = s.Close()
	if _, err := Open(path); !errors.Is(err, ErrVersion) {
		t.Errorf("Open of a later format = %v, want ErrVersion", err)
	}
}

func BenchmarkEncodeChunk(b *testing.B) {
	samples := samplesFrom(1, chunkSamples)
	var size int
	for b.Loop() {
		size = len(encodeChunk(samples))
	}
	b.ReportMetric(float64(size)/chunkSamples, "B/sample")
	b.ReportMetric(float64(chunkSamples)*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
}

// Only a segment of which nothing was recorded, and that has not ended, can be dropped.
func TestDropUnbegun(t *testing.T) {
	s := night(t)
	for _, g := range []Segment{{ID: "r1-8", RunID: "r1", Outcome: Underway}, {ID: "r1-9", RunID: "r1", Outcome: Spoiled}} {
		if err := s.PutSegment(g); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(s.DropUnbegun("r1-8"), s.DropUnbegun("r1-8"), s.DropUnbegun("never")); err != nil {
		t.Errorf("an unbegun one, again, and one that never was: %v", err)
	}
	if _, err := s.Segment("r1-8"); !errors.Is(err, ErrNotFound) {
		t.Errorf("dropped: %v", err)
	}
	for _, id := range []string{"r1-1", "r1-9"} {
		if err := s.DropUnbegun(id); !errors.Is(err, ErrMeasured) {
			t.Errorf("%s: %v, want %v", id, err, ErrMeasured)
		}
		if _, err := s.Segment(id); err != nil {
			t.Errorf("%s: %v", id, err)
		}
	}
}
