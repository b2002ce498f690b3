package results

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// Prompts of two runs and one of none (invented): a run's own are found in the order in
// which they were asked, and the exported table keeps to its filter.
func TestPromptsOfARun(t *testing.T) {
	s := night(t)
	began := time.Date(2030, 3, 4, 21, 0, 0, 0, time.UTC)
	for _, p := range []Prompt{
		{ID: "p9", Handset: "Alder", RunID: "r1", Text: "plug in", OpenedAt: began, Choices: []string{"done"}, Default: "done", State: PromptOpen},
		{ID: "p2", Handset: "Birch", RunID: "r2", Text: "unplug", OpenedAt: began, Choices: []string{"done"}, Default: "done", State: PromptSeen},
		{ID: "p3", Text: "place the meter", OpenedAt: began.Add(24 * time.Hour), Choices: []string{"done"}, Default: "done", State: PromptUnanswered, Choice: "done"},
	} {
		if err := s.PutPrompt(p); err != nil {
			t.Fatal(err)
		}
	}
	list, err := s.Prompts("r1")
	if err != nil || len(list) != 2 || list[0].ID != "p9" || list[1].ID != "p1" {
		t.Errorf("prompts of r1: %+v, %v; want p9, p1", list, err)
	}
	if _, err := s.Prompt("none"); !errors.Is(err, ErrNotFound) {
		t.Errorf("a prompt that is not there: %v, want ErrNotFound", err)
	}
	table, err := TableNamed("prompts")
	if err != nil {
		t.Fatal(err)
	}
	var got [][]string
	for _, f := range []Filter{{}, {Run: "r2"}, {Scenario: "video"}, {From: began.Add(time.Hour)}, {Handset: "Alder", To: began.Add(time.Minute)}} {
		var b bytes.Buffer
		n, err := Export(s, table, "csv", f, &b)
		if err != nil {
			t.Fatal(err)
		}
		var ids []string
		for _, line := range strings.Split(strings.TrimSpace(b.String()), "\n")[1:] {
			ids = append(ids, strings.Split(line, ",")[5])
		}
		if n != len(ids) {
			t.Errorf("%+v: %d rows said, %d written", f, n, len(ids))
		}
		got = append(got, ids)
	}
	want := [][]string{{"p2", "p9", "p1", "p3"}, {"p2"}, {"p1"}, {"p1", "p3"}, {"p9"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("prompts exported (-want +got):\n%s", diff)
	}
}
