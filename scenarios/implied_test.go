package scenarios

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// A step that opens a page of the stage brings that page's evidence with it.
func TestPagesBringTheirEvidence(t *testing.T) {
	const front = "evidence: [{kind: foreground, of: browser, limit: 5 min}]}"
	foreground := Evidence{Kind: "foreground", Of: "browser", Limit: 5 * time.Minute}
	tests := []struct {
		name string
		own  string // of the scenario "own"
		want []Evidence
	}{
		{"pages in the loop", `{stage: browse, loop: [{open: "{stage}/{n of 12}", wait: 20 s}], ` + front, []Evidence{foreground, {Kind: "page", Limit: 3 * time.Minute, Implied: true}}},
		{"pages that are read slowly", `{stage: browse, loop: [{open: "{stage}/{n of 12}", wait: 4 min}], ` + front, []Evidence{foreground, {Kind: "page", Limit: 8 * time.Minute, Implied: true}}},
		{"one page, opened once", `{stage: browse, setup: [{open: "{stage}/3", wait: 5 s}], loop: [{wait: 30 s}], ` + front, []Evidence{foreground, {Kind: "page", Limit: 3 * time.Minute, Once: true, Implied: true}}},
		{"a game", `{stage: game, setup: [{open: "{stage}", wait: 5 s}], loop: [{wait: 30 s}], ` + front, []Evidence{foreground, {Kind: "frames", Limit: 2 * time.Minute, Implied: true}}},
		{"a call", `{stage: call, setup: [{open: "{stage}", wait: 5 s}], loop: [{wait: 30 s}], ` + front, []Evidence{foreground, {Kind: "call", Limit: 2 * time.Minute, Implied: true}}},
		{"cycles", `{stage: sustain, until: cycles, cycles: 5, setup: [{open: "{stage}", wait: 5 s}], loop: [{wait: 30 s}], ` + front, []Evidence{foreground, {Kind: "cycle", Limit: 5 * time.Minute, Implied: true}}},
		{"a page of one colour", `{stage: light, setup: [{open: "{stage}", wait: 5 s}], loop: [{wait: 30 s}], ` + front, []Evidence{foreground, {Kind: "frames", Once: true, Implied: true}}},
		{"its own limit stands", `{stage: game, setup: [{open: "{stage}", wait: 5 s}], loop: [{wait: 30 s}], evidence: [{kind: frames, limit: 4 min}]}`, []Evidence{{Kind: "frames", Limit: 4 * time.Minute}}},
		{"a page of the web", `{stage: browse, loop: [{open: "https://example.org", wait: 20 s}], ` + front, []Evidence{foreground}},
		{"the steps of what it extends are gone", `{extends: base, loop: [{open: "https://example.org", wait: 20 s}]}`, []Evidence{foreground}},
		{"the steps of what it extends are there", `{extends: base, about: slower}`, []Evidence{foreground, {Kind: "page", Limit: 3 * time.Minute, Implied: true}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := parse(t, minimal+"scenarios:\n  base: {stage: browse, loop: [{open: \"{stage}/{n of 12}\", wait: 20 s}], "+front+"\n  own: "+tt.own+"\n")
			if diff := cmp.Diff(tt.want, f.Scenarios["own"].Evidence); diff != "" {
				t.Errorf("evidence (-want +got):\n%s", diff)
			}
		})
	}
	for name, s := range Builtin() {
		for _, ev := range s.Evidence {
			if ev.Implied || ev.Once {
				t.Errorf("built-in %s: %+v; what a built-in scenario wants, it names", name, ev)
			}
		}
	}
}
