package sustain

import (
	"math"
	"testing"
)

// The interval of a share held, worked by hand. Neighbours differ by 2 but for
// the one fall, so that the noise is 1.4826 x 2/√2 = 2.097 (1.4826:
// Rousseeuw and Croux, Journal of the American Statistical Association 88 (1993), p. 1273). A
// median of n normal values has 1.25 times the deviation of their mean (√(π/2) = 1.2533,
// Kendall's Advanced Theory of Statistics, the variance of the median, from memory). The factor
// 2.3 in place of 1.96 is Student's for about nine degrees of freedom: 2.262, rounded up.
func TestHeldOfCyclesWorkedByHand(t *testing.T) {
	scores := []float64{1000, 1002, 1000, 1002, 1000, 1002, 702, 700, 702, 700, 702, 700, 702, 700, 702, 700, 702, 700}
	f, err := OfCycles(scores)
	if err != nil {
		t.Fatal(err)
	}
	s := 1.4826 * 2 / math.Sqrt2
	if math.Abs(f.NoiseRel*f.Start-s) > 1e-9 {
		t.Errorf("noise %.4f, want %.4f", f.NoiseRel*f.Start, s)
	}
	// Six cycles within three times the noise of the best: their median is 1001; of the last
	// third, six cycles, 701.
	if f.Start != 1001 || f.Settled != 701 || f.StartCount != 6 {
		t.Fatalf("start %g of %d cycles, settled %g; want 1001 of 6 and 701", f.Start, f.StartCount, f.Settled)
	}
	r := 701.0 / 1001
	half := 2.3 * 1.25 * math.Hypot(s/701/math.Sqrt(6), s/1001/math.Sqrt(6))
	for _, tt := range []struct {
		name      string
		got, want float64
	}{{"held", f.Held.Value, r}, {"its low end", f.Held.Low, r * (1 - half)}, {"its high end", f.Held.High, r * (1 + half)}} {
		if math.Abs(tt.got-tt.want) > 1e-12 {
			t.Errorf("%s %.6f, want %.6f", tt.name, tt.got, tt.want)
		}
	}
}

// What lies on the edge: at just 95 % of the start nothing has set in ("stays below"); a fall to 98 % without any scatter is
// throttling, one to 99 % is less than the 2.3 % that noise can make; and one cycle more or less than is needed.
func TestCyclesOnTheEdge(t *testing.T) {
	cycles := func(n int, after float64) (list []float64) {
		for i := range n {
			if list = append(list, 100); i >= 4 {
				list[i] = after
			}
		}
		return list
	}
	for _, tt := range []struct {
		after     float64
		onset     int
		throttled bool
	}{{95, 0, true}, {94, 5, true}, {97, 0, true}, {99, 0, false}, {100, 0, false}, {101, 0, false}} {
		f, err := OfCycles(cycles(12, tt.after))
		if err != nil || f.Onset != tt.onset || f.Throttled != tt.throttled {
			t.Errorf("to %g of 100: onset %d, throttled %t, held %s, %v; want %d, %t", tt.after, f.Onset, f.Throttled, f.Held, err, tt.onset, tt.throttled)
		}
	}
	if _, err := OfCycles(cycles(MinCycles, 90)); err != nil {
		t.Errorf("%d cycles: %v", MinCycles, err)
	}
	bad := cycles(12, 90)
	bad[8] = -3
	if _, err := OfCycles(bad); err == nil || err.Error() != "rate not usable: cycle 9 has -3, want a number above 0" {
		t.Errorf("a rate below 0 in the ninth cycle: %v", err)
	}
}
