package results

import (
	"bytes"
	"encoding/csv"
	"slices"
	"testing"
	"time"
)

func TestActivityInWords(t *testing.T) {
	for _, tt := range []struct {
		count ActivityCount
		want  string
	}{
		{ActivityCount{"page", 7, 5, 71.4}, "5 of 7 pages opened have loaded"},
		{ActivityCount{"playback", 30, 30, 100}, "30 of 30 looks found it playing"},
		{ActivityCount{"later", 2, 1, 50}, "1 of 2 of later"},
	} {
		if got := tt.count.String(); got != tt.want {
			t.Errorf("%+v says %q, want %q", tt.count, got, tt.want)
		}
	}
}

func TestOutageS(t *testing.T) {
	at := time.Date(2030, 3, 4, 22, 0, 0, 0, time.UTC)
	after := func(s int) time.Time { return at.Add(time.Duration(s) * time.Second) }
	g := Segment{EndedAt: after(600), Outages: []Outage{{after(10), after(20), OutageLink, ""}, {after(30), after(75), OutageLink, ""}, {From: after(590), What: OutageStage}}}
	if link, stage := g.OutageS(OutageLink), g.OutageS(OutageStage); link == nil || *link != 55 || stage == nil || *stage != 10 {
		t.Errorf("link lost for %v s, stage for %v; want 55, and 10 until its end", link, stage)
	}
	if s := (Segment{}).OutageS(OutageLink); s != nil {
		t.Errorf("a segment that recorded none was without its link for %v s; want nothing", *s)
	}
}

// What was never counted is empty in the exported table, not 0.
func TestSegmentsOfBeforeSharesExport(t *testing.T) {
	s := night(t)
	if err := s.PutSegment(Segment{ID: "r0-1", RunID: "r0", Outcome: Measured}); err != nil {
		t.Fatal(err)
	}
	table, err := TableNamed("segments")
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if _, err := Export(s, table, "csv", Filter{}, &b); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	cell := func(segment, column string) string {
		i := slices.IndexFunc(rows, func(r []string) bool { return r[2] == segment })
		return rows[i][slices.Index(rows[0], column)]
	}
	for column, want := range map[string][2]string{
		"activity_pct": {"", "71.4"}, "activity": {"", "5 of 7 pages opened have loaded, 12 of 12 looks found it in front"}, "link_lost_s": {"", "60"}, "stage_lost_s": {"", "60"},
	} {
		if got := [2]string{cell("r0-1", column), cell("r1-1", column)}; got != want {
			t.Errorf("%s: %q, want %q", column, got, want)
		}
	}
}
