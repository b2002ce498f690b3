package scenarios

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/devices/simulated"
)

// pages is a browser that notes what it is asked to show.
type pages struct {
	mu     sync.Mutex
	opened []string
	closed int
}

func (b *pages) Open(_ *simulated.Handset, address string) simulated.Page {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.opened = append(b.opened, address)
	return &page{b}
}

type page struct{ of *pages }

func (*page) Activity() string { return "" }
func (*page) Show(bool)        {}
func (p *page) Close() {
	p.of.mu.Lock()
	defer p.of.mu.Unlock()
	p.of.closed++
}

// carryOut runs a scenario on a simulated handset for a while, as the daemon does, and
// returns the evidence that the handset wrote.
func carryOut(t *testing.T, h *simulated.Handset, s Scenario, sdk int, d time.Duration) []onboard.Activity {
	t.Helper()
	ctx := t.Context()
	target := Target{ScreenW: 1080, ScreenH: 2340, StageURL: "http://localhost:8790/s/k1", SDK: sdk, ClipPath: "/sdcard/Movies/clip.mp4", CallNumber: "+447700900456", Packages: map[string]string{}}
	for _, role := range s.Roles() {
		pkg, err := devices.Resolve(ctx, h, role)
		if err != nil {
			t.Fatalf("which app is the %s: %v", role, err)
		}
		target.Packages[role] = pkg
	}
	p, _ := compiled(t, s, target)
	seg := onboard.Segment{Key: "k1", SampleEverySec: 10, NoTarget: true, Workload: p}
	if err := onboard.Install(ctx, h, seg); err != nil {
		t.Fatal(err)
	}
	if err := onboard.Start(ctx, h, "k1"); err != nil {
		t.Fatal(err)
	}
	time.Sleep(d)
	if err := onboard.Stop(ctx, h, "k1"); err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	if _, err := h.Pull(ctx, onboard.Root+"/k1/errors.txt", 0, &said); err == nil && said.Len() > 0 {
		t.Errorf("%s on SDK %d: the workload said: %s", s.Name, sdk, said.String())
	}
	var b bytes.Buffer
	if _, err := h.Pull(ctx, onboard.ActivityPath("k1"), 0, &b); err != nil {
		t.Fatal(err)
	}
	var r onboard.Reader
	lines, err := r.Feed(b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	var all []onboard.Activity
	for _, l := range lines {
		if l.Activity != nil {
			all = append(all, *l.Activity)
		}
	}
	return all
}

// gaps holds the evidence of each kind on the handset to the limit that its scenario
// allows.
func gaps(t *testing.T, what string, s Scenario, seen []onboard.Activity, d time.Duration) {
	t.Helper()
	if len(seen) == 0 {
		t.Errorf("%s: no evidence at all", what)
		return
	}
	for _, ev := range s.Evidence {
		if slices.Contains(stageEvidence, ev.Kind) {
			continue // seen at the stage
		}
		begin := seen[0].UptimeMS
		last, longest := begin, int64(0)
		for _, a := range seen {
			if a.Kind == ev.Kind {
				longest = max(longest, a.UptimeMS-last)
				last = a.UptimeMS
			}
			if a.Kind == "failed" || a.Kind == "missed" {
				t.Errorf("%s: %s: %s", what, a.Kind, a.Detail)
			}
		}
		longest = max(longest, begin+d.Milliseconds()-last)
		if longest > ev.Limit.Milliseconds() {
			t.Errorf("%s: %d s without %s evidence, its limit is %v", what, longest/1000, ev.Kind, ev.Limit)
		}
	}
}

func TestScenariosOnSimulatedHandsets(t *testing.T) {
	all := Builtin()
	all["reader"] = scenarioOf(t, "setup: [{launch: org.example.reader, wait: 8 s}]\nloop: [{tap: [0.9, 0.5], wait: 20 s}]\nevidence: [{kind: foreground, of: org.example.reader}]\nteardown: [{close: org.example.reader}]")
	sdks := map[simulated.Flavour]int{simulated.Android9: 28, simulated.Android16: 36}
	const d = 20 * time.Minute
	for name, s := range all {
		for flavour, sdk := range sdks {
			what := fmt.Sprintf("%s on Android %d", name, flavour)
			synctest.Test(t, func(t *testing.T) {
				browser := &pages{}
				h := simulated.New(simulated.Options{Android: flavour, Browser: browser, Apps: []simulated.App{{Package: "org.example.reader", Version: "1.0", VersionCode: 1, PowerW: 0.1}}})
				defer h.Close()
				ctx := t.Context()
				// A clip shorter than the run: it ends, and must be started again.
				if err := h.Push(ctx, bytes.NewReader(simulated.Clip(7*time.Minute)), "/sdcard/Movies/clip.mp4", 0o644); err != nil {
					t.Fatal(err)
				}
				if err := h.Push(ctx, strings.NewReader("mine"), "/sdcard/DCIM/Camera/IMG_mine.jpg", 0o644); err != nil {
					t.Fatal(err)
				}
				if _, err := devices.Run(ctx, h, "settings put system screen_off_timeout 86400000"); err != nil {
					t.Fatal(err)
				}
				h.Plug(s.Until == UntilFull)
				time.Sleep(2 * time.Minute)
				seen := carryOut(t, h, s, sdk, d)
				gaps(t, what, s, seen, d)
				left, err := devices.Run(ctx, h, "ls /sdcard/DCIM/Camera")
				if err != nil || strings.TrimSpace(left) != "IMG_mine.jpg" {
					t.Errorf("%s: photos left: %q, %v; want IMG_mine.jpg alone", what, left, err)
				}
				browser.mu.Lock()
				defer browser.mu.Unlock()
				switch {
				case s.Name == "browse":
					for i, got := range browser.opened {
						if want := fmt.Sprintf("http://localhost:8790/s/k1/browse/%d?v=%d", i%12+1, i+1); got != want {
							t.Fatalf("%s: page %d is %s, want %s", what, i, got, want)
						}
					}
					if n := len(browser.opened); n < 30 || n > 46 { // 20 min, 26.75 s and the cost of the commands each
						t.Errorf("%s: %d pages in %v", what, n, d)
					}
				case s.Stage != "":
					if want := []string{"http://localhost:8790/s/k1/" + s.Stage}; len(browser.opened) != 1 || browser.opened[0] != want[0] {
						t.Errorf("%s: opened %v, want %v", what, browser.opened, want)
					}
				case len(browser.opened) > 0:
					t.Errorf("%s: opened %v", what, browser.opened)
				}
				if browser.closed != len(browser.opened) {
					t.Errorf("%s: %d pages opened, %d closed at the end", what, len(browser.opened), browser.closed)
				}
			})
		}
	}
}
