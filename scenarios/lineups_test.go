package scenarios

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestLineUps(t *testing.T) {
	f := parse(t, minimal+`line_ups:
  last:
    about: Last year's.
    members:
      - {handset: Old Alder, plan: everyday, from: 2029-01-01, to: 2029-12-31, imported: off}
      - run: r20290514210000-0a1b2c3d
`)
	off := false
	day := func(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, time.Local) }
	want := map[string]LineUp{"last": {Name: "last", About: "Last year's.", Members: []Member{
		{Handset: "Old Alder", Plan: "everyday", From: day(2029, 1, 1), To: day(2030, 1, 1), Imported: &off},
		{Run: "r20290514210000-0a1b2c3d"},
	}}}
	if diff := cmp.Diff(want, f.LineUps); diff != "" {
		t.Errorf("line-ups (-want +got):\n%s", diff)
	}
	if f.PlanHash("everyday") != parse(t, minimal).PlanHash("everyday") {
		t.Error("a line-up changes a plan's hash")
	}
}

func TestLineUpFaults(t *testing.T) {
	const head = "bench:\n  handsets:\n    - {name: Alder, serial: RD1}\n" // 3 lines
	for name, tt := range map[string]struct{ file, want string }{
		"name of a handset": {head + "line_ups: {Alder: {members: [{handset: Birch}]}}\n",
			`nightly.yaml:4:12: line_ups.Alder: a handset of the bench has this name: a comparison could not tell them apart`},
		"no members": {head + "line_ups: {l: {members: []}}\n",
			`nightly.yaml:4:25: line_ups.l.members: want 1 to 100 members, got 0`},
		"nothing meant": {head + "line_ups: {l: {members: [{plan: p}]}}\n",
			`nightly.yaml:4:26: line_ups.l.members[0]: want a handset or a run: which figures are meant?`},
		"days the wrong way round": {head + "line_ups: {l: {members: [{handset: A, from: 2030-05-02, to: 2030-05-01}]}}\n",
			`nightly.yaml:4:61: line_ups.l.members[0].to: want 2030-05-02 or later, the day of from`},
		"no such day": {head + "line_ups: {l: {members: [{handset: A, from: 2030-02-30}]}}\n",
			`nightly.yaml:4:45: line_ups.l.members[0].from: want a day such as 2030-05-14, got 2030-02-30`},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Parse("nightly.yaml", []byte(tt.file))
			if err == nil || err.Error() != tt.want {
				t.Errorf("got  %v\nwant %s", err, tt.want)
			}
		})
	}
}
