package scenarios

import (
	"slices"
	"strings"
	"testing"
	"time"
)

// Until its version 3, sustain worked in cycles: plan files of then are read, and mean cycles still.
func TestOldPlansOfSustainMeanCycles(t *testing.T) {
	f := parse(t, minimal+`
scenarios:
  eleven: {extends: sustain, cycles: 11}
  asked: {extends: sustain, until: cycles, cycles: 5}
  shorter: {extends: sustain, setup: [{open: "{stage}?cycle_s=4&rest_s=2", wait: 10 s}]}
  drained: {extends: sustain, until: drained, setup: [{open: "{stage}?cycle_s=4", wait: 10 s}], evidence: [{kind: cycle, limit: 10 min}]}
  own: {stage: sustain, until: cycles, cycles: 9, setup: [{open: "{stage}?work=cpu", wait: 5 s}], loop: [{wait: 30 s}], evidence: [{kind: cycle, limit: 5 min}]}
  timed: {extends: sustain, until: time}
  work: {extends: sustain, setup: [{open: "{stage}?work=gpu&lot=600", wait: 10 s}]}
`)
	for name, want := range map[string]struct {
		until  string
		cycles int
		kind   string
		length time.Duration
		opens  string
	}{
		"eleven":  {UntilCycles, 11, "cycle", 3 * time.Minute, "{stage}?cycle_s=120&rest_s=60"},
		"asked":   {UntilCycles, 5, "cycle", 3 * time.Minute, "{stage}?cycle_s=120&rest_s=60"},
		"shorter": {UntilCycles, 12, "cycle", 6 * time.Second, "{stage}?cycle_s=4&rest_s=2"},
		"drained": {UntilDrained, 0, "cycle", 4 * time.Second, "{stage}?cycle_s=4"},
		"own":     {UntilCycles, 9, "cycle", 30 * time.Second, "{stage}?work=cpu&cycle_s=30"},
		"timed":   {UntilTime, 0, "lot", 30 * time.Second, "{stage}"},
		"work":    {UntilSettled, 0, "lot", 30 * time.Second, "{stage}?work=gpu&lot=600"},
	} {
		s := f.Scenarios[name]
		address, _, _ := s.firstOpen()
		if s.Until != want.until || s.Cycles != want.cycles || s.Evidence[0].Kind != want.kind || s.CycleLength() != want.length || address != want.opens {
			t.Errorf("%s: until %s, %d cycles, evidence %+v, %v, opens %q; want %+v", name, s.Until, s.Cycles, s.Evidence, s.CycleLength(), address, want)
		}
	}
	if s := Builtin()["sustain"]; s.Until != UntilSettled || s.Evidence[0].Kind != "lot" || s.Version != "3" {
		t.Errorf("the built-in: %+v", s)
	}
}

// Keys that had another name are read by it, and said to have a new one.
func TestOldKeysAreReadWithAHint(t *testing.T) {
	f := parse(t, minimal+`
scenarios:
  ask:
    loop: [{tap: {text: [Skip], optional: on}, wait: 30 s}]
    evidence: [{kind: foreground, of: browser, limit: 3 min}]
  hot: {extends: sustain, cycles: 11}
limits: {quarantine_after: 5}
`)
	if !f.Scenarios["ask"].Loop[0].MayMiss || f.Limits.SetAsideAfter != 5 {
		t.Errorf("%+v, %+v; want both as the new keys would have them", f.Scenarios["ask"].Loop[0], f.Limits)
	}
	for i, want := range []string{"may_miss now", "set_aside_after now", "read as extending cycles"} {
		if len(f.Hints) != 3 || !slices.ContainsFunc(f.Hints, func(h string) bool { return strings.Contains(h, want) }) {
			t.Errorf("hint %d: %q has no %q", i, f.Hints, want)
		}
	}
	if same := parse(t, minimal+"limits: {set_aside_after: 5}\n"); len(same.Hints) != 0 || same.Limits.SetAsideAfter != 5 {
		t.Errorf("by its new name: %q, %+v", same.Hints, same.Limits)
	}
	_, err := Parse("nightly.yaml", []byte(minimal+"limits: {set_aside_after: 5, quarantine_after: 4}\n"))
	if err == nil || !strings.Contains(err.Error(), "old name of set_aside_after") {
		t.Errorf("both names: %v", err)
	}
}
