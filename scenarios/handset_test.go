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
func carryOut(t *testing.T, h *simulated.Handset, s Scenario, sdk int, d time.Duration, then ...func()) []onboard.Activity {
	t.Helper()
	ctx := t.Context()
	target := Target{ScreenW: 1080, ScreenH: 2340, StageURL: "http://localhost:8790/s/k1", SDK: sdk, ClipPath: "/sdcard/Movies/clip.mp4", ClipLength: 7 * time.Minute, CallNumber: "+447700900456", Packages: map[string]string{}}
	for _, role := range s.Roles() {
		pkg, err := devices.Resolve(ctx, h, role)
		if err != nil {
			t.Fatalf("which app is the %s: %v", role, err)
		}
		target.Packages[role] = pkg
	}
	p, _ := compiled(t, s, target)
	return carryOutProgram(t, h, s.Name, p, sdk, d, then...)
}

func carryOutProgram(t *testing.T, h *simulated.Handset, name string, p onboard.Program, sdk int, d time.Duration, then ...func()) []onboard.Activity {
	t.Helper()
	ctx := t.Context()
	seg := onboard.Segment{Key: "k1", SampleEverySec: 10, NoTarget: true, Workload: p}
	if err := onboard.Install(ctx, h, seg); err != nil {
		t.Fatal(err)
	}
	if err := onboard.Start(ctx, h, "k1"); err != nil {
		t.Fatal(err)
	}
	time.Sleep(d)
	for _, f := range then {
		f()
	}
	if err := onboard.Stop(ctx, h, "k1"); err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	if _, err := h.Pull(ctx, onboard.Root+"/k1/errors.txt", 0, &said); err == nil && said.Len() > 0 {
		t.Errorf("%s on SDK %d: the workload said: %s", name, sdk, said.String())
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
					want := "http://localhost:8790/s/k1/" + s.Stage
					if path, _, _ := strings.Cut(strings.Join(browser.opened, " "), "?"); path != want {
						t.Errorf("%s: opened %v, want %s once", what, browser.opened, want)
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

// ready puts a clip on a handset and keeps its screen on.
func readyFor(t *testing.T, h *simulated.Handset, length time.Duration) {
	t.Helper()
	if err := h.Push(t.Context(), bytes.NewReader(simulated.Clip(length)), "/sdcard/Movies/clip.mp4", 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := devices.Run(t.Context(), h, "settings put system screen_off_timeout 86400000"); err != nil {
		t.Fatal(err)
	}
	time.Sleep(time.Minute)
}

// A player that tells its position at changes of state only proves its playback all the
// same, whether it repeats its clip or not; one that stands still without a word does not.
func TestVideoOnAPlayerThatTellsRarely(t *testing.T) {
	const d = 20 * time.Minute
	for _, loops := range []bool{false, true} {
		for flavour, sdk := range map[simulated.Flavour]int{simulated.Android9: 28, simulated.Android16: 36} {
			synctest.Test(t, func(t *testing.T) {
				h := simulated.New(simulated.Options{Android: flavour, PlayerTellsRarely: true, PlayerLoops: loops})
				defer h.Close()
				readyFor(t, h, 7*time.Minute)
				var hung int64
				seen := carryOut(t, h, Builtin()["video"], sdk, d, func() {
					h.HangPlayer()
					hung = h.Uptime().Milliseconds()
					time.Sleep(10 * time.Minute)
				})
				before := slices.DeleteFunc(slices.Clone(seen), func(a onboard.Activity) bool { return a.UptimeMS > hung })
				gaps(t, fmt.Sprintf("Android %d, player repeats %t", flavour, loops), Builtin()["video"], before, d)
				after := 0
				for _, a := range seen {
					if a.Kind == "playback" && a.Value > 0 && a.UptimeMS > hung+1000 {
						after++
					}
				}
				// One look may show a position that moved before the player stood still.
				if after > 1 {
					t.Errorf("Android %d, player repeats %t: %d pieces of evidence from a player that stands still", flavour, loops, after)
				}
			})
		}
	}
}

// A telephone call between two handsets: dialled on one, answered on the other by itself,
// shown as up on both, dialled again after it was cut, over on both at the end.
func TestVoiceCallBetweenHandsets(t *testing.T) {
	for flavour, sdk := range map[simulated.Flavour]int{simulated.Android9: 28, simulated.Android16: 36} {
		synctest.Test(t, func(t *testing.T) {
			exchange := new(simulated.Exchange)
			alder := simulated.New(simulated.Options{Android: flavour, Seed: 1, Exchange: exchange, Number: "+447700900123"})
			defer alder.Close()
			birch := simulated.New(simulated.Options{Android: flavour, Seed: 2, Exchange: exchange, Number: "+447700900456"})
			defer birch.Close()
			readyFor(t, alder, time.Minute)
			const d = 20 * time.Minute
			answers := make(chan []onboard.Activity)
			go func() {
				answers <- carryOutProgram(t, birch, "answering", Answering(), sdk, d+time.Minute)
			}()
			time.Sleep(10 * time.Second)
			cut := time.AfterFunc(9*time.Minute, alder.HangUp)
			defer cut.Stop()
			called := carryOut(t, alder, Builtin()["voicecall"], sdk, d)
			gaps(t, "voicecall", Builtin()["voicecall"], called, d)
			answered := <-answers
			count := func(list []onboard.Activity, kind string) (n int) {
				for _, a := range list {
					if a.Kind == kind {
						n++
					}
				}
				return n
			}
			if n := count(called, "dialled"); n != 2 {
				t.Errorf("dialled %d times, want twice", n)
			}
			if n := count(answered, "answered"); n != 2 {
				t.Errorf("answered %d times, want twice", n)
			}
			if n := count(answered, "incall"); n < 200 {
				t.Errorf("%d times up at the counterpart, want about 230", n)
			}
			for _, h := range []*simulated.Handset{alder, birch} {
				out, err := devices.Run(t.Context(), h, "dumpsys telephony.registry")
				if err != nil || strings.Contains(out, "mCallState=2") || strings.Contains(out, "mCallState=1") {
					t.Errorf("%s: a call stands after the end: %v", h.Serial(), err)
				}
			}
		})
	}
}

// Nobody answers: the line is taken, and that is no evidence of a call.
func TestACallThatNobodyAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		exchange := new(simulated.Exchange)
		alder := simulated.New(simulated.Options{Seed: 1, Exchange: exchange, Number: "+447700900123"})
		defer alder.Close()
		birch := simulated.New(simulated.Options{Seed: 2, Exchange: exchange, Number: "+447700900456"})
		defer birch.Close()
		readyFor(t, alder, time.Minute)
		for _, a := range carryOut(t, alder, Builtin()["voicecall"], 34, 10*time.Minute) {
			if a.Kind == "incall" && a.Value > 0 {
				t.Fatalf("evidence %+v of a call that nobody answered", a)
			}
		}
	})
}

// Elements are found by their text on a simulated handset, pressed, and missed honestly.
func TestElementsByTheirText(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := simulated.New(simulated.Options{Apps: []simulated.App{{Package: "org.example.map", Buttons: []string{"Not now", "Satellite & relief"}}}})
		defer h.Close()
		readyFor(t, h, time.Minute)
		s := scenarioOf(t, `
setup:
  - {launch: org.example.map, wait: 3 s}
  - {tap: {text: [Skip, Not now], optional: on}, wait: 1 s}
  - {tap: {text: Satellite & relief}}
  - {tap: {text: Later, optional: on}}
  - {tap: {text: Start}}
loop: [{wait: 20 s}]
evidence: [{kind: foreground, of: org.example.map}, {kind: drawn, of: org.example.map}]`)
		var failed []string
		seen := carryOut(t, h, s, 34, 5*time.Minute)
		for _, a := range seen {
			if a.Kind == "failed" {
				failed = append(failed, a.Detail)
			}
		}
		if want := []string{"no element with the text Start on the screen"}; !slices.Equal(failed, want) {
			t.Errorf("failed steps %q, want %q", failed, want)
		}
		if got := h.Pressed(); !slices.Equal(got, []string{"Not now", "Satellite & relief"}) {
			t.Errorf("pressed %q", got)
		}
		drawn := 0
		for _, a := range seen {
			if a.Kind == "drawn" && a.Value > 0 {
				drawn++
			}
		}
		if drawn < 5 {
			t.Errorf("%d pieces of evidence that the app draws", drawn)
		}
	})
}

// An installed game is proven by frame statistics on every version, also where it draws on
// a surface of its own, whose frames those of its windows do not count; and one that stands
// still in front is not.
func TestInstalledGameOfTheExample(t *testing.T) {
	example, err := Load("../scenarios.example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	s := example.Scenarios["kart"]
	for flavour, sdk := range map[simulated.Flavour]int{simulated.Android9: 28, simulated.Android12: 31, simulated.Android16: 36} {
		for _, own := range []bool{false, true} {
			t.Run(fmt.Sprintf("SDK %d, own surface %t", sdk, own), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					h := simulated.New(simulated.Options{Android: flavour, Apps: []simulated.App{{Package: "org.example.kart", FPS: 60, OwnSurface: own}}})
					defer h.Close()
					readyFor(t, h, time.Minute)
					hungAt := int64(0)
					seen := carryOut(t, h, s, sdk, 6*time.Minute, func() {
						up, _, err := devices.Uptime(t.Context(), h)
						if err != nil {
							t.Fatal(err)
						}
						hungAt = up.Milliseconds()
						h.HangApp()
						time.Sleep(4 * time.Minute)
					})
					before, after := 0, 0
					for _, a := range seen {
						switch {
						case a.Kind == "failed":
							t.Errorf("a step failed: %s", a.Detail)
						case a.Kind == "drawn" && a.Value == 0:
						case a.Kind == "drawn" && a.UptimeMS < hungAt:
							before++
						case a.Kind == "drawn":
							after++
						}
					}
					// One look may fall between the last frame and the hang.
					if before < 6 || after > 1 {
						t.Errorf("%d pieces of evidence while it ran, %d when it stood still", before, after)
					}
				})
			})
		}
	}
}
