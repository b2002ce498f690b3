package scenarios

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

const enoughHead = "bench: {handsets: [{name: Alder, serial: A1}]}\nplans:\n"

func TestEnough(t *testing.T) {
	f, err := Parse("a.yaml", []byte(enoughHead+`  p:
    enough: {half_width_pct: 4 %, most: 15}
    segments:
      - browse
      - {scenario: video, drain: 9}
      - {scenario: call, enough: {half_width_pct: 2.5, least: 5, most: 12}}
      - sustain
`))
	if err != nil {
		t.Fatal(err)
	}
	p := f.Plans["p"]
	var got []Segment
	for _, s := range p.Segments {
		got = append(got, f.Resolve(p, s))
	}
	want := []Segment{
		{Scenario: "browse", DrainPoints: 15, Enough: &Enough{4, 3, 15}},
		{Scenario: "video", DrainPoints: 9},
		{Scenario: "call", DrainPoints: 12, Enough: &Enough{2.5, 5, 12}},
		{Scenario: "sustain"},
	}
	for i := range got {
		got[i].WarmUp, got[i].Limit = 0, 0
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("segments (-want +got):\n%s", diff)
	}
	other := strings.NewReplacer("half_width_pct: 4 %", "half_width_pct: 3")
	g, err := Parse("a.yaml", []byte(other.Replace(enoughHead+"  p:\n    enough: {half_width_pct: 4 %, most: 15}\n    segments: [browse]\n")))
	if err != nil || g.PlanHash("p") == f.PlanHash("p") {
		t.Errorf("%v: a plan that ends segments by another width has the same hash", err)
	}
}

func TestSurvey(t *testing.T) {
	f, err := Parse("a.yaml", []byte(enoughHead+"  p: {segments: [video], survey: on}\n  q: {segments: [video], survey: on, start_level_pct: {least: 90, most: 94}, stop_level_pct: 10, segment_limit: 10 h}\n"))
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]Plan{
		"p": {Survey: true, DrainPoints: 88, StopLevelPct: 5, StartLevel: Window{95, 99}, SegmentLimit: 24 * time.Hour},
		"q": {Survey: true, DrainPoints: 78, StopLevelPct: 10, StartLevel: Window{90, 94}, SegmentLimit: 10 * time.Hour},
	} {
		p := f.Plans[name]
		got := Plan{Survey: p.Survey, DrainPoints: p.DrainPoints, StopLevelPct: p.StopLevelPct, StartLevel: p.StartLevel, SegmentLimit: p.SegmentLimit}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("plan %s (-want +got):\n%s", name, diff)
		}
	}
}

func TestEnoughAndSurveyFaults(t *testing.T) {
	for _, tt := range []struct{ name, plan, want string }{
		{"with drain", "{segments: [browse], drain: 7, enough: {half_width_pct: 4}}", "a.yaml:3:45: plans.p.enough: want either drain or enough, whose most is the drain target"},
		{"no width", "{segments: [browse], enough: {most: 9}}", "half_width_pct"},
		{"too narrow", "{segments: [browse], enough: {half_width_pct: 0.2}}", "want 1 to 30 %, got 0.2"},
		{"least above most", "{segments: [browse], enough: {half_width_pct: 4, least: 9, most: 5}}", "least 9 is more than most 5"},
		{"no room", "{segments: [browse], enough: {half_width_pct: 4, most: 30}, start_level_pct: {least: 30, most: 40}}", "cannot take 30 points"},
		{"takes no points", "{segments: [{scenario: sustain, enough: {half_width_pct: 4}}]}", "a segment of sustain takes no points"},
		{"survey with drain", "{segments: [video], survey: on, drain: 9}", "a survey drains from start_level_pct to stop_level_pct: leave drain out"},
		{"survey of a segment with drain", "{segments: [{scenario: video, drain: 9}], survey: on}", "leave drain out"},
		{"survey too short", "{segments: [video], survey: on, start_level_pct: {least: 60, most: 70}}", "want 62 points or more between"},
	} {
		if _, err := Parse("a.yaml", []byte(enoughHead+"  p: "+tt.plan+"\n")); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v\nwant it to say %q", tt.name, err, tt.want)
		}
	}
}
