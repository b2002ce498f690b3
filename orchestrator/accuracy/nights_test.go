package accuracy

import (
	"bytes"
	"strings"
	"testing"
)

// Nights teach: after one, a gauge that shows 100 % for three points is no longer wrong, and figures of a level that bows claim
// no less than they know.
func TestNightsTeach(t *testing.T) {
	rows := Nights(51, 2, "100 % shown down to 97 %")
	if len(rows) != len(Classes)*len(NightCounts) {
		t.Fatalf("%d rows", len(rows))
	}
	before, after := Share{}, Share{}
	for _, r := range rows {
		s := map[int]*Share{0: &before, NightCounts[len(NightCounts)-1]: &after}[r.Nights]
		if s != nil {
			s.Held, s.Of = s.Held+r.Held.Held, s.Of+r.Held.Of
		}
	}
	if after.Of < 7 || after.Held < after.Of-1 || before.Held >= after.Held {
		t.Errorf("held in %d of %d before any night, in %d of %d after %d", before.Held, before.Of, after.Held, after.Of, NightCounts[len(NightCounts)-1])
	}
	var b bytes.Buffer
	if err := Print(&b, Report{Nights: rows}, true); err != nil || strings.Count(b.String(), "| 100 % shown down to 97 % |") != len(NightCounts) {
		t.Errorf("%v\n%s", err, &b)
	}
}
