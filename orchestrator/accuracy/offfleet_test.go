package accuracy

import (
	"bytes"
	"strings"
	"testing"
)

// The table of fleets that differ has each difference with each method, and names what misses.
func TestFleetsThatDiffer(t *testing.T) {
	rows := OffFleet(31, 4, false, "level bowed by 2 points")
	if len(rows) != 3*len(Classes) {
		t.Fatalf("%d rows, want three methods on %d classes", len(rows), len(Classes))
	}
	for _, r := range rows {
		if r.None.Of != 4 || r.Held.Of+r.None.Held != 4 || r.Excused.Held < r.None.Held || r.Excused.Held < r.Held.Held {
			t.Errorf("%s, %s: %+v", r.Class, r.Estimator, r)
		}
	}
	rows[0].Excused = Share{3, 4}
	if got := (Report{Off: rows[:1]}).Missed(); len(got) != 1 || got[0] != "level bowed by 2 points, level and voltage alone: right, not given or warned of in fine 75 %, wanted 90 or more" {
		t.Errorf("missed: %q", got)
	}
	w := OffRow{Differs: "sensors show 5 % too much", Class: "fine", Estimator: Fused, Excused: Share{4, 4}, WattsHeld: Share{0, 4}}
	if v, met := w.goal(); v != 0 || met {
		t.Errorf("a sensor that shows too much is held to hours: %g, met %v", v, met)
	}
	var b bytes.Buffer
	if err := Print(&b, Report{Off: rows}, true); err != nil || !strings.Contains(b.String(), "| level bowed by 2 points | level edges x voltage |") {
		t.Errorf("%v\n%s", err, &b)
	}
}
