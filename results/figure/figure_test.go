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
