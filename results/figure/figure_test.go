package figure

import (
	"encoding/json"
	"math"
	"testing"
)

func TestInterval(t *testing.T) {
	i := Interval{Value: 12.5, Low: 12, High: 13.25}
	text, err := json.Marshal(i)
	if want := `{"value":12.5,"low":12,"high":13.25}`; err != nil || string(text) != want {
		t.Errorf("written as %s, %v; want %s", text, err, want)
	}
	var back Interval
	if err := json.Unmarshal(text, &back); err != nil || back != i {
		t.Errorf("read back as %+v, %v", back, err)
	}
	if want := 0.05; math.Abs(i.HalfWidth()-want) > 1e-12 {
		t.Errorf("half-width %g, want %g", i.HalfWidth(), want)
	}
	if want := "12.5 (12 to 13.25)"; i.String() != want {
		t.Errorf("said as %q, want %q", i, want)
	}
}

// The ends of an interval belong to it, and 150 to 210 s are 2.5 to 3.5 minutes.
func TestHoldsAndMinutes(t *testing.T) {
	i := Interval{Value: 180, Low: 150, High: 210}
	for v, want := range map[float64]bool{149.999: false, 150: true, 180: true, 210: true, 210.001: false} {
		if i.Holds(v) != want {
			t.Errorf("%v holds %g: %t, want %t", i, v, !want, want)
		}
	}
	if got, want := i.Minutes(), "3.0 min (2.5 to 3.5)"; got != want {
		t.Errorf("in minutes %q, want %q", got, want)
	}
}
