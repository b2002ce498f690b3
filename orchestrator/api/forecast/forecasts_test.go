package forecast

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/results"
)

func samplesOf(levels ...int) []results.Sample {
	var list []results.Sample
	for i, l := range levels {
		list = append(list, results.Sample{Seq: i, UptimeMS: int64(i) * 10_000, LevelPct: l, HostAt: time.Unix(int64(i)*10, 0)})
	}
	return list
}

func TestThin(t *testing.T) {
	tests := []struct {
		name   string
		levels []int
		every  time.Duration
		most   int
		want   []int // sequence numbers that stay
	}{
		{name: "no samples"},
		{name: "all stay", levels: []int{9, 9, 9}, want: []int{0, 1, 2}},
		{name: "first and last stay", levels: []int{9, 9, 9, 9}, every: time.Hour, want: []int{0, 3}},
		{name: "both sides of an edge stay", levels: []int{9, 9, 9, 8, 8, 8, 8}, every: time.Hour, want: []int{0, 2, 3, 6}},
		{name: "one every 20 s", levels: []int{9, 9, 9, 9, 9}, every: 20 * time.Second, want: []int{0, 2, 4}},
		{name: "about three", levels: []int{9, 9, 9, 9, 9, 9, 9}, most: 3, want: []int{0, 2, 4, 6}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []int
			for _, s := range Thin(samplesOf(tt.levels...), tt.every, tt.most) {
				got = append(got, s.Seq)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("Thin(%v, %v, %d) mismatch (-want +got):\n%s", tt.levels, tt.every, tt.most, diff)
			}
		})
	}
}

// Whatever is left out, the level edges are those of the whole.
func FuzzThinKeepsEdges(f *testing.F) {
	f.Add([]byte{90, 90, 89, 88, 88, 87}, 60, 3)
	f.Add([]byte{3, 2, 3, 2}, 0, 1)
	f.Fuzz(func(t *testing.T, levels []byte, everyS, most int) {
		if len(levels) > 500 || everyS < 0 || everyS > 1e6 {
			return
		}
		var list []int
		for _, l := range levels {
			list = append(list, int(l%101))
		}
		all := samplesOf(list...)
		thin := Thin(all, time.Duration(everyS)*time.Second, most)
		if diff := cmp.Diff(Edges(all), Edges(thin)); diff != "" {
			t.Errorf("levels %v: the edges differ (-all +thinned):\n%s", list, diff)
		}
		if !slices.IsSortedFunc(thin, func(a, b results.Sample) int { return a.Seq - b.Seq }) {
			t.Error("out of order")
		}
	})
}

func TestNightName(t *testing.T) {
	n := Night{From: time.Date(2030, 5, 14, 21, 0, 3, 0, time.UTC)}
	if got, want := n.Name(), "20300514T210003"; got != want {
		t.Errorf("name %q, want %q", got, want)
	}
}
