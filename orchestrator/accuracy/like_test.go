package accuracy

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"rundown/devices/simulated/physics"
)

// A fleet like a handset has what was learned of it, and what was not as any.
func TestFleetLikeAHandset(t *testing.T) {
	l := Likeness{Gauge: "no-counter", BendSD: 0.31, Drift: -0.04, DriftSD: 0.01, HeldPoints: 3, Surveys: 1, Observed: 5}
	s, class, err := l.Fleet()
	if err != nil || class != physics.NoCounter || s.BendSDPct[class] != 0.31 || math.Abs(s.DriftSD-math.Hypot(0.04, 0.01)) > 1e-12 || s.HeldPct != 97 {
		t.Errorf("%v, %v: %+v", err, class, s)
	}
	if plain, _, _ := (Likeness{Gauge: "fine"}).Fleet(); plain.BendSDPct[physics.FineCounter] != 0.03 || plain.DriftSD != 0.03 || plain.HeldPct != 0 {
		t.Errorf("nothing learned: %+v", plain)
	}
	if _, _, err := (Likeness{Gauge: "odd"}).Fleet(); err == nil {
		t.Error("a fleet of a gauge of no known kind")
	}
	rows, err := LikeRows(3, 3, l)
	if err != nil || len(rows) != 4 || rows[0].Class != "none" {
		t.Fatalf("%v: %+v", err, rows)
	}
	var b bytes.Buffer
	if err := PrintLike(&b, "Alder", l, rows); err != nil || !strings.Contains(b.String(), "3 simulated handsets like Alder: gauge no-counter; bend 0.31 point, drift 4.1 %, 100 % held for 3.0 points") {
		t.Errorf("%v\n%s", err, &b)
	}
}
