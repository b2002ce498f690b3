package onboard

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// The dumps below are cut to the lines that matter, in the form that AOSP prints them
// (frameworks/base: ActivityTaskManagerService, WindowManagerService, MediaSessionRecord and
// PlaybackState.toString of Android 9, 12 and 14); packages are invented.
func TestFront(t *testing.T) {
	tests := []struct {
		name             string
		activity, window string
		want             bool
	}{
		{name: "android-9", activity: "  mResumedActivity: ActivityRecord{1a2b3c u0 org.example.player/.Main t12}\n", want: true},
		{name: "android-11", activity: "  ResumedActivity: ActivityRecord{1a2b3c u0 org.example.player/org.example.player.Main t12}\n", want: true},
		{name: "android-12", activity: "    mResumedActivity: ActivityRecord{1 u0 org.example.home/.Home t1}\n    topResumedActivity=ActivityRecord{1a70f4a u0 org.example.player/.Main t6294}\n", want: true},
		{name: "android-14", activity: "  topResumedActivity=ActivityRecord{1a70f4a u0 org.example.player/.Main} t6294}\n  ResumedActivity: ActivityRecord{1 u0 org.example.home/.Home} t1}\n", want: true},
		{name: "second-display", activity: "  topResumedActivity=ActivityRecord{1 u0 org.example.home/.Home} t1}\n  topResumedActivity=ActivityRecord{2 u0 org.example.player/.Main} t2}\n", want: true},
		{name: "other-on-top", activity: "  topResumedActivity=ActivityRecord{1 u0 org.example.home/.Home} t1}\n  mResumedActivity: ActivityRecord{2 u0 org.example.player/.Main} t2}\n"},
		{name: "longer-name", activity: "  mResumedActivity: ActivityRecord{1 u0 org.example.player2/.Main t1}\n"},
		{name: "in-history-only", activity: "  * Hist #0: ActivityRecord{1 u0 org.example.player/.Main t1}\n", window: "  mCurrentFocus=Window{7 u0 org.example.home/.Home}\n"},
		{name: "by-focus", activity: "nothing\n", window: "  mCurrentFocus=Window{7ba82b1 u0 org.example.player/.Main}\n", want: true},
		{name: "by-focused-app", activity: "nothing\n", window: "  mCurrentFocus=null\n  mFocusedApp=ActivityRecord{3 u0 org.example.player/.Main t1}\n", want: true},
		{name: "notification-shade", activity: "nothing\n", window: "  mCurrentFocus=Window{7 u0 NotificationShade}\n  mFocusedApp=ActivityRecord{3 u0 org.example.player/.Main t1}\n"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			everyShell(t, func(t *testing.T, ph phone) {
				ph.set("battery", dump(60, 300, false))
				ph.set("activity", tt.activity)
				ph.set("window", tt.window)
				w := begin(t, ph, Segment{Key: "front", Workload: Program{Start: "front org.example.player\nev said $?"}})
				w.evidence("said", 1)
				if n := w.count("foreground"); n != 1 {
					t.Errorf("%d lines of foreground, want one for the look", n)
				}
				for _, a := range w.acts {
					if a.Kind == "said" && (a.Value == 0) != tt.want {
						t.Errorf("front returned %d, want success %v", a.Value, tt.want)
					}
					if a.Kind == "foreground" && ((a.Value == 1) != tt.want || a.Detail != "org.example.player") {
						t.Errorf("evidence %+v: want of org.example.player, with success %v", a, tt.want)
					}
				}
			})
		})
	}
}

// session is one media session as `dumpsys media_session` prints it.
func session(pkg string, active bool, state string, position, updated int64) string {
	return fmt.Sprintf(`    player %[1]s/player (userId=0)
      ownerPid=4000, ownerUid=10100, userId=0
      package=%[1]s
      launchIntent=null
      active=%[2]v
      flags=7
      rating type=0
      state=PlaybackState {state=%[3]s, position=%[4]d, buffered position=0, speed=1.0, updated=%[5]d, actions=823, custom actions=[], active item id=-1, error=null}
      audioAttrs=AudioAttributes: usage=USAGE_MEDIA
`, pkg, active, state, position, updated)
}

func TestPlaying(t *testing.T) {
	const head = "MEDIA SESSION SERVICE (dumpsys media_session)\n\n  Sessions Stack - have 2 sessions:\n"
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(60, 300, false))
		w := begin(t, ph, Segment{Key: "playing", Workload: Program{
			Start: "playing org.example.player",
			Loop:  `read -r want <"$_dir/step" 2>/dev/null && [ "$want" != "$had" ] && { had=$want; playing org.example.player; ev said $? "$want"; }; rest 0.2`,
		}})
		steps := []struct {
			name, sessions string
			want           int64 // position in the evidence; -1: a look without success; -2: none, there was nothing to compare with
		}{
			{"first look", session("org.example.player", true, "3", 1000, 50_000), -2},
			{"nothing moved", session("org.example.player", true, "3", 1000, 50_000), -1},
			{"position moved", session("org.example.player", true, "3", 2000, 50_000), 2000},
			{"only the instant moved", session("org.example.player", true, "3", 2000, 60_000), 2000},
			{"form of Android 14", session("org.example.player", true, "PLAYING(3)", 3000, 4_000_000_123), 3000},
			{"paused", session("org.example.player", true, "2", 4000, 70_000), -1},
			{"first look after the pause", session("org.example.player", true, "3", 4000, 71_000), -2},
			{"another package plays", session("org.example.radio", true, "3", 9000, 80_000) + session("org.example.player", true, "2", 4000, 71_000), -1},
			{"a stale session", session("org.example.player", false, "3", 5000, 90_000), -1},
			{"ours behind another", session("org.example.radio", true, "3", 9000, 80_000) + session("org.example.player", true, "3", 6000, 95_000), -2},
			{"ours behind another, moved", session("org.example.radio", true, "3", 9000, 80_000) + session("org.example.player", true, "PAUSED(2)", 1, 1) + session("org.example.player", true, "PLAYING(3)", 7000, 96_000), 7000},
			{"no session", "", -1},
		}
		var want, got []string
		for i, s := range steps {
			ph.set("media_session", head+s.sessions)
			// The step's number is unique; the loop looks once for each.
			step := fmt.Sprintf("%d", i)
			if err := ph.Push(t.Context(), strings.NewReader(step+"\n"), dir("playing")+"/step", 0o644); err != nil {
				t.Fatal(err)
			}
			w.evidence("said", i+1)
			if s.want > -2 {
				want = append(want, fmt.Sprintf("%s: %d", s.name, max(s.want, 0)))
			}
		}
		step := -1
		var pending []int64
		for _, a := range w.acts {
			switch a.Kind {
			case "playback":
				if step < 0 && a.Value == 0 {
					continue // of the start, before anything was set
				}
				pending = append(pending, a.Value)
				if a.Detail != "org.example.player" {
					t.Errorf("evidence %+v: want that of org.example.player", a)
				}
			case "said":
				step++
				for _, v := range pending {
					got = append(got, fmt.Sprintf("%s: %d", steps[step].name, v))
				}
				if (a.Value == 0) != (len(pending) == 1 && pending[0] > 0) {
					t.Errorf("%s: playing returned %d with evidence %v", steps[step].name, a.Value, pending)
				}
				pending = nil
			}
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("evidence mismatch (-want +got):\n%s", diff)
		}
	})
}

func TestFiles(t *testing.T) {
	t.Parallel()
	for _, shell := range []string{"mksh", "dash"} {
		t.Run(shell, func(t *testing.T) {
			t.Parallel()
			ph := newDebian(t, shell)
			folder := filepath.Join(ph.home, "DCIM")
			write := func(name string) {
				t.Helper()
				path := filepath.Join(folder, name)
				if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(path, []byte("picture"), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			old := func(name string) {
				t.Helper()
				write(name)
				then := time.Now().Add(-time.Hour)
				if err := os.Chtimes(filepath.Join(folder, name), then, then); err != nil {
					t.Fatal(err)
				}
			}
			old("mine before.jpg")
			old("Camera/mine before.jpg")
			ph.set("battery", dump(60, 300, false))
			w := begin(t, ph, Segment{Key: "files", Workload: Program{
				Start: "folder='" + folder + "'",
				Loop:  "newfiles \"$folder\"\n[ -e \"$_dir/sweep\" ] && rm \"$_dir/sweep\" && dropfiles \"$folder\" && ev swept 1\nrest 0.2",
				Stop:  `dropfiles "$folder"`,
			}})
			last := func() int64 {
				var n int64
				for _, a := range w.acts {
					if a.Kind == "files" {
						n = a.Value
					}
				}
				return n
			}
			write("Camera/new 1.jpg")
			w.until("one new file", func() bool { return last() == 1 })
			write("new 2.mp4")
			w.until("two new files", func() bool { return last() == 2 })
			if err := os.WriteFile(ph.home+"/rundown/files/sweep", nil, 0o644); err != nil {
				t.Fatal(err)
			}
			w.evidence("swept", 1)
			write("Camera/new 3.jpg")
			w.until("three files in all", func() bool { return last() == 3 })
			if err := Stop(t.Context(), ph, "files"); err != nil {
				t.Fatal(err)
			}
			var left []string
			err := filepath.WalkDir(folder, func(path string, e os.DirEntry, err error) error {
				if err == nil && !e.IsDir() {
					left = append(left, strings.TrimPrefix(path, folder+"/"))
				}
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff([]string{"Camera/mine before.jpg", "mine before.jpg"}, left); diff != "" {
				t.Errorf("files left mismatch (-want +got):\n%s", diff)
			}
		})
	}
}

func TestOpenURL(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(60, 300, false))
		ph.set("am", "Starting: Intent { act=android.intent.action.VIEW dat=http://localhost:1/Error }\n")
		w := begin(t, ph, Segment{Key: "url", StageURL: "http://localhost:1/s/k/browse", Workload: Program{
			Start: "open_url 'http://localhost:1/s/k/browse/3?v=1&w=a b' org.example.browser\nev said $?\nopen_url http://localhost:1/\nev said $?",
		}})
		w.evidence("said", 2)
		want := "am start -a android.intent.action.VIEW -d http://localhost:1/s/k/browse/3?v=1&w=a b org.example.browser\n" +
			"am start -a android.intent.action.VIEW -d http://localhost:1/\n"
		if got := ph.calls(); got != want {
			t.Errorf("calls: got %q, want %q", got, want)
		}
		var opened []string
		for _, a := range w.acts {
			if a.Kind == "failed" || (a.Kind == "said" && a.Value != 0) {
				t.Errorf("activity %+v: want success", a)
			}
			if a.Kind == "opened" {
				opened = append(opened, fmt.Sprintf("%d %s", a.Value, a.Detail))
			}
		}
		if diff := cmp.Diff([]string{"1 /3?v=1&w=a b"}, opened); diff != "" {
			t.Errorf("pages of the stage that were asked for (-want +got):\n%s", diff)
		}
	})
	t.Run("refused", func(t *testing.T) {
		everyShell(t, func(t *testing.T, ph phone) {
			ph.set("battery", dump(60, 300, false))
			ph.set("am", "Starting: Intent { act=android.intent.action.VIEW }\nError type 3\nError: Activity class {x/y} does not\\nexist.\n")
			w := begin(t, ph, Segment{Key: "url", Workload: Program{Start: "open_url http://localhost:1/\nev said $?"}})
			w.evidence("said", 1)
			want := Activity{Kind: "failed", Value: 1, Detail: `am start: Starting: Intent { act=android.intent.action.VIEW } Error type 3 Error: Activity class {x/y} does unprintable`}
			got := Activity{}
			for _, a := range w.acts {
				if a.Kind == "failed" {
					got = Activity{Kind: a.Kind, Value: a.Value, Detail: a.Detail}
				}
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("activity mismatch (-want +got):\n%s", diff)
			}
		})
	})
}

// Text that a step hands to ev is never able to make a second line or a false one.
func TestEvTakesAnyText(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(60, 300, false))
		long := strings.Repeat("word ", 100)
		w := begin(t, ph, Segment{Key: "text", Workload: Program{Start: strings.Join([]string{
			`ev plain 12 'two  words * ? [a]'`,
			`ev 'two kinds' -5 'back\nslash and tail'`,
			"ev lines 1 'one\ntwo .\r\n\tthree'",
			`ev unicode 3 'caf` + "é" + ` au lait'`,
			`ev big 12345678901`, `ev octal 010`, `ev none`, `ev`,
			`ev long 1 '` + long + `'`,
			`ev wide 1 ` + strings.Repeat("w", 300),
			`ev said 0`,
		}, "\n")}})
		w.evidence("said", 1)
		var got []string
		for _, a := range w.acts {
			if a.Kind != "started" && a.Kind != "said" {
				got = append(got, strings.TrimSpace(fmt.Sprintf("%s %d %s", a.Kind, a.Value, a.Detail)))
			}
		}
		want := []string{
			"plain 12 two words * ? [a]", "two -5 unprintable and tail", "lines 1 one two . three", "unicode 3 unprintable au lait",
			"big 0", "octal 0", "none 0", "unnamed 0", "long 1 " + strings.TrimSpace(strings.Repeat("word ", 40)), "wide 1 overlong",
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("evidence mismatch (-want +got):\n%s", diff)
		}
	})
}
