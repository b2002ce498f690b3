package results

import (
	"math"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func reading(i int) Reading {
	// Invented values; every third has no voltage.
	w, v, c := 10+math.Sin(float64(i)), 9.0, float64(i)/1000
	r := Reading{Meter: "line", At: time.UnixMilli(int64(1_900_000_000_000 + 1000*i)).UTC(), Within: 3 * time.Millisecond, PowerW: &w, CurrentA: &c}
	w = math.Round(w*micro) / micro
	if i%3 != 0 {
		r.VoltageV = &v
	}
	return r
}

func TestReadingsAreKept(t *testing.T) {
	s, err := Open(filepath.Join(t.TempDir(), "s.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var want []Reading
	for i := range 2500 { // more than two chunks
		want = append(want, reading(i))
	}
	for from := 0; from < len(want); from += 70 {
		to := min(from+90, len(want)) // stretches overlap, as after a restart
		if err := s.AppendReadings("g1", want[from:to]); err != nil {
			t.Fatal(err)
		}
	}
	temp := 22.5
	room := Reading{Meter: "room", At: want[0].At, TempC: &temp}
	attached := Reading{Meter: "line", Record: "abc", At: want[0].At, MeterAt: want[0].At.Add(-time.Hour), Within: time.Second, PowerW: &temp}
	for _, r := range []Reading{room, attached} {
		if err := s.AppendReadings("g1", []Reading{r}); err != nil {
			t.Fatal(err)
		}
	}
	got, err := s.Readings("g1")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(append(append(append([]Reading{}, want...), attached), room), got); diff != "" {
		t.Errorf("readings (-want +got):\n%s", diff)
	}
	if got, err := s.Readings("g2"); err != nil || len(got) != 0 {
		t.Errorf("readings of another segment: %d, %v", len(got), err)
	}
}

// What decodes, decodes to what encodes again to the same readings; anything else is an error.
func FuzzReadings(f *testing.F) {
	f.Add(encodeReadings([]Reading{reading(1), reading(2), reading(3)}))
	f.Add(sealed(readingsFormat, []byte{2, 0, 0, 3}))
	f.Add([]byte{readingsFormat, 0, 0, 0, 0, 1})
	f.Fuzz(func(t *testing.T, chunk []byte) {
		list, err := decodeReadings(chunk)
		if err != nil {
			return
		}
		back, err := decodeReadings(encodeReadings(list))
		if err != nil || len(back) != len(list) {
			t.Fatalf("%d readings, read back %d, %v", len(list), len(back), err)
		}
		for i := range list {
			if !list[i].At.Equal(back[i].At) || (list[i].PowerW == nil) != (back[i].PowerW == nil) && math.Abs(*list[i].PowerW) <= 1e12 {
				t.Fatalf("reading %d: %+v, read back as %+v", i, list[i], back[i])
			}
		}
	})
}
