package sustain

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"rundown/results/samplesets"
	"sort"
	"strconv"
	"testing"
)

// made is a series with its truth. The generator is invented: noise of 0.5 to 1.5 %, one cycle in 33 lower
// by 8 to 30 %, some first cycles slow, a fall from cycle 3 to 10 on: with one or no cycle at full speed
// nobody can tell the peak.
func made(r *rand.Rand, flat bool) (scores []float64, retention float64, below95 int) {
	n := 20 + r.IntN(21)
	noise := 0.005 + 0.01*r.Float64()
	settled, onset, tau := 1.0, n, 1.0
	if !flat {
		settled, onset, tau = 0.5+0.45*r.Float64(), 2+r.IntN(8), 0.6+1.9*r.Float64()
	}
	for i := range n {
		x := 1.0
		if i >= onset {
			x = settled + (1-settled)*math.Exp(-float64(i-onset+1)/tau)
		}
		if below95 == 0 && x < 0.95 {
			below95 = i + 1
		}
		switch {
		case i == 0 && r.IntN(10) < 3:
			x *= 0.85 + 0.1*r.Float64()
		case r.IntN(33) == 0:
			x *= 1 - (0.08 + 0.22*r.Float64())
		}
		scores = append(scores, 1000*x*(1+noise*r.NormFloat64()))
	}
	return scores, settled, below95
}

func p95(x []float64) float64 {
	sort.Float64s(x)
	return x[int(0.95*float64(len(x)))]
}

// The goals of the project: settled 1.1 %, retention 2.8 % throttling and 1.3 % flat in 95 %, cover 92 to
// 98 %, onset within a cycle in 95 %, false alarms 1 %.
func TestGoals(t *testing.T) {
	const n = 3000
	for _, flat := range []bool{false, true} {
		r := rand.New(rand.NewPCG(1, 2))
		var ret, set []float64
		held, hit, onsets, alarms, said := 0, 0, 0, 0, 0
		for range n {
			x, truth, below := made(r, flat)
			f, err := OfCycles(x)
			if err != nil {
				t.Fatal(err)
			}
			ret = append(ret, 100*math.Abs(f.Held.Value/truth-1))
			set = append(set, 100*math.Abs(f.Settled/truth/1000-1))
			if f.Held.Low <= truth && truth <= f.Held.High {
				held++
			}
			switch {
			case below == 0 && f.Onset != 0:
				alarms++
			case below != 0 && truth < 0.90: // between 0.9 and 0.95 noise decides
				onsets++
				if d := f.Onset - below; f.Onset != 0 && d >= -1 && d <= 1 {
					hit++
				}
			}
			if flat && f.Throttled {
				said++
			}
		}
		limit := 2.8
		if flat {
			limit = 1.3
		}
		r95, s95, cover := p95(ret), p95(set), 100*float64(held)/n
		t.Logf("flat %v: retention 95 %% %.2f, settled %.2f, cover %.1f, onset %d of %d, false alarms %d, throttling said of flat ones %d", flat, r95, s95, cover, hit, onsets, alarms, said)
		if r95 > limit || s95 > 1.1 || cover < 92 || cover > 98.5 {
			t.Errorf("flat %v: retention 95 %% %.2f (goal %.1f), settled %.2f (1.1), cover %.1f (92 to 98)", flat, r95, limit, s95, cover)
		}
		if onsets > 0 && float64(hit) < 0.95*float64(onsets) {
			t.Errorf("onset within one cycle in %d of %d, goal 95 %%", hit, onsets)
		}
		if alarms > n/100 || said > n/40 {
			t.Errorf("flat %v: %d false onsets, throttling said of %d of %d", flat, alarms, said, n)
		}
	}
}

// TestIndependentSamples scores the series of an independent generator.
func TestIndependentSamples(t *testing.T) {
	read := func(name string) [][]string {
		rows, err := csv.NewReader(bytes.NewReader(samplesets.Bytes(t, "cycles/"+name))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		return rows
	}
	num := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	truth := read("truth.csv")
	col := map[string]int{}
	for i, k := range truth[0] {
		col[k] = i
	}
	n, held, within := 0, 0, 0
	var ret, set []float64
	for _, row := range truth[1:] {
		var scores []float64
		for _, r := range read(row[col["file"]])[1:] {
			scores = append(scores, num(r[1]))
		}
		f, err := OfCycles(scores)
		if err != nil {
			t.Errorf("%s: %v", row[0], err)
			continue
		}
		n++
		want := num(row[col["retention"]])
		ret = append(ret, 100*math.Abs(f.Held.Value/want-1))
		set = append(set, 100*math.Abs(f.Settled/num(row[col["settled"]])-1))
		if f.Held.Low <= want && want <= f.Held.High {
			held++
		}
		onset := 0
		if v := row[col["onset_below_95"]]; v != "" {
			onset = int(num(v))
		}
		if d := f.Onset - onset; d >= -1 && d <= 1 && (onset == 0) == (f.Onset == 0) {
			within++
		} else {
			t.Logf("%s: onset %d, true %d (retention %.3f)", row[0], f.Onset, onset, want)
		}
	}
	t.Logf("%d series: retention 95 %% %.2f, settled %.2f, held %d, onset within a cycle %d", n, p95(ret), p95(set), held, within)
	// 30 series only: one more of each may miss than the goals' shares.
	if p95(ret) > 2.8*1.3 || p95(set) > 1.1*1.4 || held < n-4 || within < n-4 {
		t.Errorf("%d series: retention 95 %% %.2f, settled %.2f, held %d, onset within a cycle %d", n, p95(ret), p95(set), held, within)
	}
}

func TestExact(t *testing.T) {
	x := []float64{100, 100, 100, 100, 80, 70, 70, 70, 70, 70, 70, 70}
	f, err := OfCycles(x)
	if err != nil {
		t.Fatal(err)
	}
	if f.Start != 100 || f.Settled != 70 || f.Held.Value != 0.7 || f.Onset != 5 || !f.Throttled {
		t.Errorf("OfCycles(%v) = %+v", x, f)
	}
	x[7] = 40 // one odd cycle changes nothing
	g, err := OfCycles(x)
	if err != nil {
		t.Fatal(err)
	}
	if g.Settled != 70 || g.Onset != 5 {
		t.Errorf("with one odd cycle: %+v", g)
	}
}

func TestRefused(t *testing.T) {
	for _, tt := range []struct {
		x    []float64
		want error
	}{
		{nil, ErrTooFewCycles},
		{make([]float64, 8), ErrTooFewCycles},
		{make([]float64, 20), ErrRate},
		{[]float64{1, 1, 1, 1, 1, 1, 1, 1, math.NaN()}, ErrRate},
		{[]float64{1, 1, 1, 1, 1, 1, 1, 1, math.Inf(1)}, ErrRate},
	} {
		if _, err := OfCycles(tt.x); !errors.Is(err, tt.want) {
			t.Errorf("OfCycles(%v): %v, want %v", tt.x, err, tt.want)
		}
	}
	if _, err := OfCycles([]float64{5, 5, 5, 5, 5, 5, 5, 5, 5}); err != nil {
		t.Error(fmt.Errorf("equal scores: %w", err))
	}
}
