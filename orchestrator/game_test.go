package orchestrator_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
)

// exampleScenarios are the scenarios of the example plan file, as they stand there.
func exampleScenarios(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "scenarios.example.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	_, from, ok := strings.Cut(string(text), "\nscenarios:\n")
	own, _, ends := strings.Cut(from, "\nplans:\n")
	if !ok || !ends {
		t.Fatal("the example has no scenarios before its plans")
	}
	return "scenarios:\n" + own + "\n"
}

// The example's own scenarios from the plan file to the result: an installed app, an
// element found by its text, an installed game proven by frame statistics, also where it
// draws on a surface of its own. A game that stands still in front is none.
func TestOwnScenariosOfTheExample(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		apps := func(ownSurface bool) []simulated.App {
			return []simulated.App{
				{Package: "org.example.kart", Version: "2.0", VersionCode: 20, PowerW: 4, FPS: 60, OwnSurface: ownSurface},
				{Package: "org.example.map", Version: "5.1", VersionCode: 51, PowerW: 4, FPS: 20, Buttons: []string{"Later", "Satellite"}},
				{Package: "org.example.reader", Version: "1.3", VersionCode: 13, PowerW: 4, FPS: 1},
			}
		}
		b := newBench(t, []string{"Alder", "Birch", "Cedar"}, exampleScenarios(t)+`
plans:
  own: {drain: 3, start_level_pct: {least: 40, most: 94}, restart_spoiled: 0, segments: [{scenario: map, warm_up: 90 s}, {scenario: kart, warm_up: 90 s}]}
  surface: {drain: 3, start_level_pct: {least: 40, most: 94}, restart_spoiled: 0, segments: [{scenario: kart, warm_up: 90 s}, {scenario: reader, warm_up: 5 min}]}
  hung: {drain: 3, start_level_pct: {least: 40, most: 94}, restart_spoiled: 0, segments: [{scenario: kart, warm_up: 90 s}]}
limits:
  shared: {licences: 1}
`, func(name string, o *simulated.Options) {
			o.Apps = apps(name == "Birch")
			if name == "Birch" {
				o.Android = simulated.Android12
			}
		})
		hung := b.handsets["Cedar"]
		b.start(overServer)
		for plan, names := range map[string][]string{"own": {"Alder"}, "surface": {"Birch"}, "hung": {"Cedar"}} {
			if _, err := b.daemon.Enqueue(orchestrator.Request{Plan: plan, Handsets: names}); err != nil {
				t.Fatal(err)
			}
		}
		within(t, time.Minute, "the game is in front on Cedar", func() bool {
			focus, err := hung.Shell(t.Context(), "dumpsys activity activities")
			if err != nil || !strings.Contains(focus.Stdout, "org.example.kart/") {
				return false
			}
			hung.HangApp()
			return true
		})
		segments := b.finish(3 * time.Minute)
		kinds := func(g results.Segment) map[string]int {
			n := map[string]int{}
			for _, e := range g.Evidence {
				n[e.Kind]++
			}
			return n
		}
		want := map[string][]string{"Alder": {"map", "kart"}, "Birch": {"kart", "reader"}}
		for name, list := range want {
			if len(segments[name]) != len(list) {
				t.Errorf("%s: %d segments, want %q", name, len(segments[name]), list)
				continue
			}
			for i, g := range segments[name] {
				n := kinds(g)
				if g.Scenario != list[i] || g.Outcome != results.Measured || g.Points() != 3 || g.Revivals != 0 || n["foreground"] == 0 || (list[i] != "reader") != (n["drawn"] > 0) || n["failed"] > 0 {
					t.Errorf("%s: %s: %s (%s), %d points, brought back %d times, evidence %v", name, g.Scenario, g.Outcome, g.Reason, g.Points(), g.Revivals, n)
				}
			}
		}
		if got := b.handsets["Alder"].Pressed(); strings.Join(got, ", ") != "Later, Satellite" {
			t.Errorf("pressed %q, want the greeting and the layer", got)
		}
		for _, g := range segments["Cedar"] {
			if g.Outcome != results.Spoiled || !strings.Contains(g.Reason, "drawn") {
				t.Errorf("Cedar: %s (%s), evidence %v; want a game that stands still to be none", g.Outcome, g.Reason, kinds(g))
			}
		}
		if len(segments["Cedar"]) != 1 {
			t.Errorf("Cedar: %d segments, want 1", len(segments["Cedar"]))
		}
	})
}
