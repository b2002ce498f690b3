package figure

import (
	"math"
	"strconv"
	"testing"
)

func TestSay(t *testing.T) {
	for _, tt := range []struct {
		v      float64
		digits int
		want   string
	}{
		{4875380, 6, "4875380"}, {4875384.6, 4, "4875385"}, {12345.6, 4, "12346"}, {0.6812, 2, "0.68"}, {1, 4, "1"}, {0.9763, 4, "0.9763"}, {9.9999, 4, "10"}, {99.996, 4, "100"},
		{0.00001234, 3, "0.0000123"}, {-3.14159, 3, "-3.14"}, {0, 4, "0"}, {3000, 2, "3000"},
	} {
		if got := Say(tt.v, tt.digits); got != tt.want {
			t.Errorf("Say(%g, %d) = %q, want %q", tt.v, tt.digits, got, tt.want)
		}
	}
	for v, want := range map[float64]string{math.NaN(): "NaN", math.Inf(1): "+Inf", math.Inf(-1): "-Inf"} {
		if got := Say(v, 4); got != want {
			t.Errorf("Say(%g) = %q, want %q", v, got, want)
		}
	}
	if got := (Interval{Value: 48753.8, Low: 47000, High: 50000}).String(); got != "48754 (47000 to 50000)" {
		t.Errorf("an interval of large numbers is %q", got)
	}
}

func FuzzSay(f *testing.F) {
	f.Add(4875380.0, 6)
	f.Add(1e-9, 3)
	f.Fuzz(func(t *testing.T, v float64, digits int) {
		if digits < 1 || digits > 12 || math.IsNaN(v) || math.IsInf(v, 0) || math.Abs(v) > 1e15 || v != 0 && math.Abs(v) < 1e-9 {
			return
		}
		back, err := strconv.ParseFloat(Say(v, digits), 64)
		if err != nil || math.Abs(back-v) > max(0.5*math.Pow10(1-digits)*math.Abs(v), 1e-12)*1.000001 {
			t.Errorf("Say(%g, %d) = %q, %v", v, digits, Say(v, digits), err)
		}
	})
}
