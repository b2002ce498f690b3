package orchestrator_test

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rundown/devices/hosttest"
	"rundown/devices/simulated"
	"rundown/devices/simulated/chromium"
	"rundown/orchestrator"
	"rundown/results"
)

// browserFactor is how much faster than real time handsets live that show pages in a real
// browser: its pages do not.
const browserFactor = 8

// The whole way of each scenario that is a page: plan file, adb, the onboard loop, an
// intent, touches, a real Chromium, the stage over adb reverse, posts, evidence, figure.
// Two handsets with small batteries carry out two scenarios each at the same time.
func TestPagesInARealBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("takes two minutes of real time")
	}
	browser, err := chromium.Start(chromium.Options{Faster: browserFactor})
	if errors.Is(err, chromium.ErrNotInstalled) {
		hosttest.Missing(t, err.Error())
	} else if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(browser.Close)
	// Limits are long by the handsets' clock, since the pages post by ours.
	plans := `
scenarios:
  read: {extends: browse, warm_up: 90 s, evidence: [{kind: page, limit: 5 min}, {kind: foreground, of: browser, limit: 5 min}]}
  see: {extends: call, warm_up: 3 min, evidence: [{kind: call, limit: 10 min}, {kind: foreground, of: browser, limit: 5 min}]}
  play: {extends: game, warm_up: 3 min, evidence: [{kind: frames, limit: 10 min}, {kind: foreground, of: browser, limit: 5 min}]}
  work:
    extends: sustain
    until: drained
    warm_up: 3 min
    setup: [{open: "{stage}?cycle_s=3&cubes=200&scale=0.3&loop=0", wait: 10 s}]
    evidence: [{kind: cycle, limit: 10 min}, {kind: foreground, of: browser, limit: 10 min}]
plans:
  first: {drain: 3, sample_every: 2 s, start_level_pct: {least: 40, most: 94}, restart_spoiled: 0, segments: [read, see]}
  second: {drain: 3, sample_every: 2 s, start_level_pct: {least: 40, most: 94}, restart_spoiled: 0, segments: [play, work]}
`
	wanted := map[string]string{"read": "page", "see": "call", "play": "frames", "work": "cycle"}
	b := newBenchBy(t, simulated.NewScaledClock(benchStart, browserFactor), []string{"Alder", "Birch"}, plans,
		func(_ string, o *simulated.Options) {
			o.CapacityMAh, o.Browser = 900, browser
			o.Gauge.LevelRefreshS, o.Gauge.BendSDPct = 1, 0
			o.ScreenW, o.ScreenH = 1080, 2340
		})
	b.start(overServer)
	for plan, handset := range map[string]string{"first": "Alder", "second": "Birch"} {
		if _, err := b.daemon.Enqueue(orchestrator.Request{Plan: plan, Handsets: []string{handset}}); err != nil {
			t.Fatal(err)
		}
	}
	seen := map[string]bool{}
	pictures(t, b, browser)
	for handset, segments := range b.finish(8 * time.Minute) {
		for _, g := range segments {
			seen[g.Scenario] = true
			// A host that draws by its processor and is busy besides draws few frames: what that
			// does to the outcome is right, and not what is tried here.
			busy := strings.HasPrefix(g.Reason, "the activity went on in")
			if g.Outcome != results.Measured && !busy || g.Points() != 3 || g.EndedBy != "target" || g.Revivals != 0 {
				t.Errorf("%s %s: %s (%s), %d points, ended by %q, brought back %d times", handset, g.Scenario, g.Outcome, g.Reason, g.Points(), g.EndedBy, g.Revivals)
			}
			var posts []results.Evidence
			for _, e := range g.Evidence {
				if e.Kind == wanted[g.Scenario] {
					posts = append(posts, e)
				}
			}
			if len(posts) < 2 {
				t.Errorf("%s %s: %d pieces of evidence of kind %s: %+v", handset, g.Scenario, len(posts), wanted[g.Scenario], g.Evidence)
			}
			checkPosts(t, handset+" "+g.Scenario, wanted[g.Scenario], posts)
			if len(posts) > 0 {
				t.Logf("%s %s: %d posts, the last %g %s", handset, g.Scenario, len(posts), posts[len(posts)-1].Value, posts[len(posts)-1].Detail)
			}
		}
	}
	for name := range wanted {
		if !seen[name] {
			t.Errorf("there is no segment of %s", name)
		}
	}
	for _, said := range browser.Said() {
		t.Errorf("the browser says: %s", said)
	}
	b.stopDaemon()
}

// What a browser and a player do that a script did not foresee: the browser asks whether
// the page may use camera and microphone, which a command and a tap by its words answer;
// the player tells its position at changes of state only.
func TestQuestionsAndPlayersOfFewWords(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, `
plans:
  p: {drain: 3, start_level_pct: {least: 40, most: 94}, restart_spoiled: 0, segments: [call, video]}
`, func(_ string, o *simulated.Options) {
			o.BrowserAsks = []string{"Allow this time", "Block"}
			o.PlayerTellsRarely = true
		}).start(overServer)
		b.queue("p")
		segments := b.finish(3 * time.Minute)["Alder"]
		if len(segments) != 2 {
			t.Fatalf("%d segments, want 2", len(segments))
		}
		for _, g := range segments {
			if g.Outcome != results.Measured || g.Revivals != 0 || g.Points() != 3 {
				t.Errorf("%s: %s (%s), %d points, brought back %d times", g.Scenario, g.Outcome, g.Reason, g.Points(), g.Revivals)
			}
			want := ""
			if g.Scenario == "video" {
				want = b.clipHash()
			}
			if g.ClipSHA256 != want {
				t.Errorf("%s: the clip stored with it is %q, want %q", g.Scenario, g.ClipSHA256, want)
			}
		}
		if got := b.handsets["Alder"].Pressed(); len(got) != 1 || got[0] != "Allow this time" {
			t.Errorf("pressed %q, want the question answered once", got)
		}
	})
}

// A browser whose question nobody can answer makes no call, and no segment of one.
func TestAQuestionThatIsNotAnswered(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, `
plans:
  p: {drain: 3, start_level_pct: {least: 40, most: 94}, restart_spoiled: 0, segments: [call]}
`, func(_ string, o *simulated.Options) { o.BrowserAsks = []string{"In words that no script knows", "No"} }).start(overServer)
		b.queue("p")
		segments := b.finish(3 * time.Minute)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Spoiled {
			t.Errorf("segments %+v, want one that is spoiled", segments)
		}
	})
}

// checkPosts holds a page's posts to what they must say: pages read to some depth by
// touches with every picture there, frames that go on, a call with frames both ways on
// both ends, work that was checked.
func checkPosts(t *testing.T, what, kind string, posts []results.Evidence) {
	t.Helper()
	loaded, scrolled := 0, 0
	last := 0.0
	for _, e := range posts {
		var d struct {
			Event      string
			Broken     float64
			Touches    float64
			ReachedPct float64 `json:"reached_pct"`
			Frames     float64
			Sent       float64 `json:"frames_sent"`
			Received   float64 `json:"frames_received"`
			BytesSent  float64 `json:"bytes_sent"`
			BytesCame  float64 `json:"bytes_received"`
			WidthSent  float64 `json:"width_sent"`
			WidthCame  float64 `json:"width"`
			State      string
			Checked    bool
			Cycle      float64
			Visibility string
			Far        struct {
				In  float64 `json:"frames_in"`
				Out float64 `json:"frames_out"`
			}
		}
		if err := json.Unmarshal([]byte(e.Detail), &d); err != nil || e.Value <= 0 {
			t.Errorf("%s: evidence %+v: %v", what, e, err)
			continue
		}
		ok, now := true, last
		switch kind {
		case "page":
			ok = d.Broken == 0
			if d.Event == "scroll" {
				if d.Touches > 0 && d.ReachedPct > 5 {
					scrolled++
				}
			} else {
				loaded++
			}
		case "call":
			now = min(d.Sent, d.Received)
			ok = d.State == "connected" && now > last && min(d.BytesSent, d.BytesCame, d.WidthSent, d.WidthCame, d.Far.In, d.Far.Out) > 0
		case "frames":
			now = d.Frames
			ok = now > last && d.Visibility == "visible"
		case "cycle":
			now = d.Cycle
			ok = d.Checked && now > last
		}
		if !ok {
			t.Errorf("%s: evidence %g %s after %g", what, e.Value, e.Detail, last)
		}
		last = now
	}
	if kind == "page" && (loaded < 2 || scrolled < 1) {
		t.Errorf("%s: %d pages loaded, %d read by touches", what, loaded, scrolled)
	}
}

// pictures keeps what the handsets show while they drain, where RUNDOWN_PICTURES names a
// folder.
func pictures(t *testing.T, b *bench, browser *chromium.Browser) {
	dir := os.Getenv("RUNDOWN_PICTURES")
	if dir == "" {
		return
	}
	taken := map[string]bool{}
	within(t, 8*time.Minute, "the pictures are taken", func() bool {
		for _, s := range b.daemon.Handsets() {
			h := b.handsets[s.Name]
			if s.State != string(orchestrator.Draining) || taken[s.Scenario] {
				continue
			}
			if shot, err := browser.Picture(t.Context(), h); err == nil {
				taken[s.Scenario] = true
				if err := os.WriteFile(filepath.Join(dir, "handset-"+s.Scenario+".png"), shot, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
		for _, it := range b.daemon.Queue() {
			if it.Outcome == "" {
				return false
			}
		}
		return true
	})
}
