package scenarios

import (
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"mvdan.cc/sh/v3/syntax"

	"rundown/devices"
	"rundown/devices/hosttest"
	"rundown/devices/onboard"
)

func aTarget() Target {
	return Target{
		ScreenW: 1080, ScreenH: 2400, StageURL: "http://127.0.0.1:8790/s/k1", SDK: 34,
		Packages:   map[string]string{"browser": "org.example.web", "player": "org.example.player", "camera": "org.example.camera"},
		ClipPath:   "/sdcard/Movies/clip.mp4",
		CallNumber: "+447700900456",
	}
}

// scenarioOf reads one scenario from the body of its YAML.
func scenarioOf(t *testing.T, body string) Scenario {
	t.Helper()
	f := parse(t, "bench: {handsets: [{name: A, serial: S}]}\nscenarios:\n  s:\n    "+strings.ReplaceAll(strings.TrimSpace(body), "\n", "\n    ")+"\n")
	return f.Scenarios["s"]
}

func compiled(t *testing.T, s Scenario, target Target) (onboard.Program, string) {
	t.Helper()
	p, hash, err := Compile(s, target)
	if err != nil {
		t.Fatal(err)
	}
	return p, hash
}

const everyVerb = `
stage: browse
setup:
  - launch: org.example.reader
  - open: "{stage}/a?v={n}"
    wait: 1500 ms
loop:
  - open: "{stage}/{n of 12}?v={n}"
    wait: 6 s
  - tap: [0.5, 0]
  - tap: [0, 1]
    over: 800 ms
  - swipe: up
    times: 2
    wait: 1 s
  - swipe: {from: [0.1, 0.2], to: [1, 1]}
    over: 50 ms
  - key: PAGE_DOWN
    times: 2
  - type: "it's {n} of $HOME"
  - shell: "settings get system font_scale; echo $1"
  - wait: 0.25 s
teardown:
  - close: browser
  - close: org.example.reader
evidence:
  - {kind: page}
  - {kind: foreground, of: browser}
  - {kind: playback, of: org.example.reader, limit: 8 min}
`

func TestProgramOfEveryVerb(t *testing.T) {
	p, hash := compiled(t, scenarioOf(t, everyVerb), aTarget())
	want := onboard.Program{
		Start: `input keyevent 224
wm dismiss-keyguard
app=$(cmd package resolve-activity --brief -a android.intent.action.MAIN -c android.intent.category.LAUNCHER 'org.example.reader')
app=${app##*"
"}
case $app in
*/*) am start -n "$app" >/dev/null ;;
*) ev failed 1 'no activity to launch in org.example.reader' ;;
esac
open_url 'http://127.0.0.1:8790/s/k1/browse/a?v='1 'org.example.web'
rest 1.5`,
		Loop: `open_url 'http://127.0.0.1:8790/s/k1/browse/'"$(((n - 1) % 12 + 1))"'?v='"$n" 'org.example.web'
rest 6
input tap 540 0
input swipe 0 2399 0 2399 800
input swipe 540 1799 540 600 300
rest 1
input swipe 540 1799 540 600 300
rest 1
input swipe 108 480 1079 2399 50
input keyevent 93
input keyevent 93
input text 'it'\''s%s'"$n"'%sof%s$HOME'
sh -c 'settings get system font_scale; echo $1' step "$n"
rest 0.25
if [ $((n % 3)) -eq 0 ]; then
front 'org.example.web'
fi
if [ $((n % 3)) -eq 0 ]; then
playing 'org.example.reader'
fi`,
		Stop: `am force-stop 'org.example.web'
am force-stop 'org.example.reader'
input keyevent 3`,
		LoopS: 9.7,
	}
	if diff := cmp.Diff(want, p); diff != "" {
		t.Errorf("program (-want +got):\n%s", diff)
	}
	if !regexp.MustCompile(`^[0-9a-f]{64}\+shell$`).MatchString(hash) {
		t.Errorf("hash = %q, want 64 hex digits marked as holding shell steps", hash)
	}
}

func TestPlayByVersion(t *testing.T) {
	target := aTarget()
	target.SDK = 28
	p, _ := compiled(t, Builtin()["video"], target)
	if want := "am start -a android.intent.action.VIEW -d 'file:///sdcard/Movies/clip.mp4' -t video/mp4 'org.example.player' >/dev/null"; !strings.Contains(p.Start, want) || strings.Contains(p.Start, "content query") {
		t.Errorf("Android 9:\n%s\nwant %s", p.Start, want)
	}
}

func TestSameInputSameBytes(t *testing.T) {
	for name, s := range Builtin() {
		p, hash := compiled(t, s, aTarget())
		for range 5 {
			if again, h := compiled(t, s, aTarget()); again != p || h != hash {
				t.Errorf("%s: compiled twice, it differs", name)
			}
		}
		if h := s.Hash(); h != hash || h == "" {
			t.Errorf("%s: Hash = %q, Compile says %q", name, h, hash)
		}
	}
}

// The hashes of the built-in scenarios, so that none changes unnoticed: results with
// different ones are not compared. Whoever changes a built-in scenario, or what the
// compiler makes of it, raises its version and puts the new hash here.
func TestBuiltinHashesStay(t *testing.T) {
	got := map[string]string{}
	for name, s := range Builtin() {
		got[name] = s.Hash()[:16]
	}
	want := map[string]string{}
	b, err := os.ReadFile("testdata/builtin_hashes.txt")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(b)) {
		if name, hash, ok := strings.Cut(strings.TrimSpace(line), " "); ok && name != "#" {
			want[name] = hash
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("testdata/builtin_hashes.txt (-want +got):\n%s", diff)
	}
}

func TestHashSaysWhatTheWorkloadIsAndNothingElse(t *testing.T) {
	s := Builtin()["browse"]
	hash := s.Hash()
	other := Target{
		ScreenW: 720, ScreenH: 1600, StageURL: "http://192.0.2.1:9/s/other", SDK: 28, Seed: 99,
		Packages: map[string]string{"browser": "org.example.another"},
	}
	if _, h := compiled(t, s, other); h != hash {
		t.Error("the hash depends on the handset or the session")
	}
	changed := map[string]func(*Scenario){
		"version":  func(s *Scenario) { s.Version = "2" },
		"a wait":   func(s *Scenario) { s.Loop[0].Wait += time.Second },
		"vary":     func(s *Scenario) { s.Loop[1].Vary = 0.03 },
		"a step":   func(s *Scenario) { s.Loop = s.Loop[:2] },
		"teardown": func(s *Scenario) { s.Teardown = nil },
		"screen":   func(s *Scenario) { s.ScreenOff = true },
		"shell":    func(s *Scenario) { s.Setup = []Step{{Verb: "shell", Text: "true"}} },
	}
	seen := []string{hash}
	for name, change := range changed {
		c := s
		c.Loop = slices.Clone(s.Loop)
		change(&c)
		h := c.Hash()
		if slices.Contains(seen, h) {
			t.Errorf("%s does not change the hash", name)
		}
		if strings.HasSuffix(h, "+shell") != (name == "shell") {
			t.Errorf("%s: hash %s", name, h)
		}
		seen = append(seen, h)
	}
	s.Name, s.About = "renamed", "in other words"
	if s.Hash() != hash {
		t.Error("the hash depends on the name or the description")
	}
}

func TestGesturesStrayWithinWhatTheStepAllows(t *testing.T) {
	s := scenarioOf(t, "loop: [{tap: [0.02, 0.98], times: 200, vary: 0.1, wait: 1 s}]\nevidence: [{kind: foreground, of: browser, limit: 1 h}]")
	programs := map[int64]string{}
	for seed := range int64(3) {
		target := aTarget()
		target.Seed = seed
		p, _ := compiled(t, s, target)
		programs[seed] = p.Loop
		taps := regexp.MustCompile(`input tap (-?\d+) (-?\d+)`).FindAllStringSubmatch(p.Loop, -1)
		if len(taps) != 200 {
			t.Fatalf("%d taps, want 200", len(taps))
		}
		var xs []int
		for _, tap := range taps {
			x, _ := strconv.Atoi(tap[1])
			y, _ := strconv.Atoi(tap[2])
			if x < 0 || x > 130 || y < 2111 || y > 2399 {
				t.Errorf("tap at %d, %d strays too far", x, y)
			}
			xs = append(xs, x)
		}
		if slices.Max(xs)-slices.Min(xs) < 100 {
			t.Errorf("taps lie within %d to %d px: they hardly stray", slices.Min(xs), slices.Max(xs))
		}
	}
	if programs[0] == programs[1] || programs[1] == programs[2] {
		t.Error("the seed changes nothing")
	}
}

func TestWhatATargetLacks(t *testing.T) {
	for _, tt := range []struct {
		scenario string
		change   func(*Target)
		want     string
	}{
		{"voicecall", func(t *Target) { t.CallNumber = "" }, "scenario voicecall: setup: step 1: call: nobody is there to call: give the handset a counterpart in the plan file"},
		{"voicecall", func(t *Target) { t.CallNumber = "112" }, "scenario voicecall: setup: step 1: call: telephone number 112: it begins with the emergency number 112"},
		{"call", func(t *Target) { t.Packages = nil }, "scenario call: setup: permissions: no app is known on this handset for the role browser"},
		{"browse", func(t *Target) { t.ScreenW = 0 }, "scenario browse: the screen's size is not known"},
		{"browse", func(t *Target) { t.StageURL = "" }, "scenario browse: it needs the stage's address, and there is none"},
		{"browse", func(t *Target) { t.Packages = nil }, "no app is known on this handset for the role browser: name one under packages in the plan file"},
		{"video", func(t *Target) { t.ClipPath = "" }, "scenario video: setup: step 1: play: the lab's clip is not on the handset"},
	} {
		target := aTarget()
		tt.change(&target)
		if _, _, err := Compile(Builtin()[tt.scenario], target); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: Compile = %v, want %s", tt.scenario, err, tt.want)
		}
	}
}

func TestStageAddressWithAndWithoutActivity(t *testing.T) {
	with, without := aTarget(), aTarget()
	with.StageURL += "/browse/"
	a, _ := compiled(t, Builtin()["browse"], with)
	b, _ := compiled(t, Builtin()["browse"], without)
	if a != b || !strings.Contains(a.Loop, "/s/k1/browse/'") {
		t.Errorf("the two differ:\n%s\n%s", a.Loop, b.Loop)
	}
}

func TestWhatAScenarioNeeds(t *testing.T) {
	want := map[string]struct {
		roles string
		clip  bool
	}{
		"browse": {"browser", false}, "video": {"player", true}, "call": {"browser", false},
		"camera": {"camera", false}, "game": {"browser", false}, "idle": {"", false}, "sustain": {"browser", false}, "cycles": {"browser", false},
		"charge": {"", false}, "voicecall": {"", false},
	}
	for name, s := range Builtin() {
		if got := strings.Join(s.Roles(), " "); got != want[name].roles || s.NeedsClip() != want[name].clip {
			t.Errorf("%s: roles %q, clip %t; want %+v", name, got, s.NeedsClip(), want[name])
		}
	}
	s := scenarioOf(t, everyVerb)
	if got := s.Packages(); !slices.Equal(got, []string{"org.example.reader"}) {
		t.Errorf("packages = %v", got)
	}
}

// What onboard asks of a program: it parses by itself in the handset's shell and in
// POSIX, it has no pipe, sets no name with an underscore, and opens no descriptor above 2.
func TestProgramsKeepToTheCommonShell(t *testing.T) {
	all := Builtin()
	all["every verb"] = scenarioOf(t, everyVerb)
	for name, s := range all {
		for _, sdk := range []int{28, 34} {
			target := aTarget()
			target.SDK = sdk
			p, _ := compiled(t, s, target)
			for part, text := range map[string]string{"start": p.Start, "loop": p.Loop, "stop": p.Stop} {
				for _, variant := range []syntax.LangVariant{syntax.LangPOSIX, syntax.LangMirBSDKorn, syntax.LangBash} {
					f, err := syntax.NewParser(syntax.Variant(variant)).Parse(strings.NewReader(text), "")
					if err != nil {
						t.Errorf("%s %s as %v: %v\n%s", name, part, variant, err, text)
						continue
					}
					syntax.Walk(f, func(n syntax.Node) bool {
						switch n := n.(type) {
						case *syntax.BinaryCmd:
							if n.Op == syntax.Pipe || n.Op == syntax.PipeAll {
								t.Errorf("%s %s has a pipe", name, part)
							}
						case *syntax.Assign:
							if n.Name != nil && (strings.HasPrefix(n.Name.Value, "_") || n.Name.Value == "n") {
								t.Errorf("%s %s sets %s, which is not its own", name, part, n.Name.Value)
							}
						case *syntax.Redirect:
							if n.N != nil && n.N.Value > "2" {
								t.Errorf("%s %s uses descriptor %s", name, part, n.N.Value)
							}
						}
						return true
					})
				}
			}
		}
	}
}

// shells are those that a program is really run in: mksh is the handset's own.
func shells(t *testing.T) []string {
	t.Helper()
	var all []string
	for _, sh := range []string{"mksh", "dash"} {
		if path, err := exec.LookPath(sh); err == nil {
			all = append(all, path)
		}
	}
	if len(all) == 0 {
		hosttest.Missing(t, "neither mksh nor dash is installed")
	}
	return all
}

// run runs a program as the onboard workload loop does, with every command of the
// handset replaced by one that notes its arguments, and returns the notes.
func run(t *testing.T, sh, dir string, p onboard.Program, more string, loops int) []string {
	t.Helper()
	script := `_nl='
'
_dir=$1
note() { for a in "$@"; do printf '<%s>' "$a"; done >>"$_dir/log"; echo >>"$_dir/log"; }
for c in input wm ev rest front playing newfiles captured taptext dial hangup pm open_url am sh; do eval "$c() { note $c \"\$@\"; }"; done
content() { note content "$@"; [ "$1" = query ] && echo 'Row: 0 _id=12, _data=/storage/emulated/0/Movies/other.mp4
Row: 1 _id=33, _data=/storage/emulated/0/Movies/clip.mp4
Row: 2 _id=51, _data=/storage/emulated/0/Movies/clip.mp4.old'; }
cmd() { note cmd "$@"; echo 'priority=0 preferredOrder=0
org.example.reader/.Main'; }
dumpsys() { case $1 in power) echo '  mWakefulness=Asleep' ;; *) echo nothing plays ;; esac; }
` + more + `
program_start() {
:
` + p.Start + `
}
program_loop() {
:
` + p.Loop + `
}
program_stop() {
:
` + p.Stop + `
}
program_start
n=0
while [ "$n" -lt ` + strconv.Itoa(loops) + ` ]; do
	n=$((n + 1))
	program_loop
	command -v between >/dev/null && between
done
program_stop
`
	c := exec.Command(sh, "-c", script, "workload", dir)
	c.Env = []string{"PATH=" + os.Getenv("PATH"), "HOME=/nowhere"}
	out, err := c.CombinedOutput()
	if err != nil || len(out) > 0 {
		t.Fatalf("%s: %v\n%s\nof\n%s", sh, err, out, script)
	}
	log, err := os.ReadFile(filepath.Join(dir, "log"))
	if err != nil {
		t.Fatal(err)
	}
	return strings.Split(strings.TrimSuffix(string(log), "\n"), "\n")
}

func TestProgramInRealShells(t *testing.T) {
	for _, sh := range shells(t) {
		p, _ := compiled(t, scenarioOf(t, everyVerb), aTarget())
		got := run(t, sh, t.TempDir(), p, "", 14)
		var opened []string
		for _, l := range got {
			if strings.HasPrefix(l, "<open_url>") {
				opened = append(opened, l)
			}
		}
		if want := "<open_url><http://127.0.0.1:8790/s/k1/browse/2?v=14><org.example.web>"; opened[len(opened)-1] != want || len(opened) != 15 {
			t.Errorf("%s: %d pages opened, the last %s; want 15, the last %s", sh, len(opened), opened[len(opened)-1], want)
		}
		for _, want := range []string{
			"<am><start><-n><org.example.reader/.Main>",
			"<open_url><http://127.0.0.1:8790/s/k1/browse/a?v=1><org.example.web>",
			"<open_url><http://127.0.0.1:8790/s/k1/browse/12?v=12><org.example.web>",
			"<input><text><it's%s3%sof%s$HOME>",
			"<sh><-c><settings get system font_scale; echo $1><step><3>",
			"<am><force-stop><org.example.reader>",
		} {
			// am's own output is thrown away, notes go to the log.
			if !slices.Contains(got, want) {
				t.Errorf("%s: %s is missing from\n%s", sh, want, strings.Join(got, "\n"))
			}
		}
		if n := strings.Count(strings.Join(got, "\n"), "<front>"); n != 4 {
			t.Errorf("%s: looked at the foreground %d times in 14 passes of 9.7 s, want 4", sh, n)
		}

		p, _ = compiled(t, Builtin()["video"], aTarget())
		got = run(t, sh, t.TempDir(), p, "", 1)
		if want := "<am><start><-a><android.intent.action.VIEW><-d><content://media/external/video/media/33><-t><video/mp4><--grant-read-uri-permission><org.example.player>"; !slices.Contains(got, want) {
			t.Errorf("%s: %s is missing from\n%s", sh, want, strings.Join(got, "\n"))
		}
		playing := "dumpsys() { echo '      state=PlaybackState {state=PLAYING(3), position=5, updated=9}'; }"
		got = run(t, sh, t.TempDir(), p, playing, 3)
		if n := strings.Count(strings.Join(got, "\n"), "android.intent.action.VIEW"); n != 1 {
			t.Errorf("%s: the clip was started %d times although it plays, want once", sh, n)
		}

		p, _ = compiled(t, Builtin()["idle"], aTarget())
		got = run(t, sh, t.TempDir(), p, "", 1)
		if want := []string{
			"<input><keyevent><224>", "<wm><dismiss-keyguard>", "<input><keyevent><223>",
			"<rest><300>", "<input><keyevent><3>",
		}; !slices.Equal(got, want) {
			t.Errorf("%s: idle did\n%s\nwant\n%s", sh, strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
	}
}

func TestHostileTextReachesNoShell(t *testing.T) {
	texts := []string{`'; reboot; '`, "$(reboot)", "`reboot`", `"$HOME"`, `\'\\`, "a&b|c;d>e<f", "*", "~", "$x", "$((", "--", "-n", "!x", "#y"}
	for _, sh := range shells(t) {
		for _, text := range texts {
			s := Scenario{Name: "s", Loop: []Step{
				{Verb: "type", Text: text},
				{Verb: "open", Text: "http://x/" + text},
				{Verb: "shell", Text: text},
				{Verb: "launch", Text: "org.example.reader"},
				{Verb: "wait", Wait: time.Minute},
			}, Evidence: []Evidence{{Kind: "files", Of: "/sdcard/" + text, Limit: time.Minute}}}
			target := aTarget()
			target.Packages = map[string]string{"browser": text}
			p, _ := compiled(t, s, target)
			got := run(t, sh, t.TempDir(), p, "reboot() { note REBOOT; }", 1)
			for _, want := range []string{
				"<input><text><" + strings.ReplaceAll(text, " ", "%s") + ">",
				"<open_url><http://x/" + text + "><" + text + ">",
				"<sh><-c><" + text + "><step><1>",
				"<newfiles></sdcard/" + text + ">",
			} {
				if !slices.Contains(got, want) {
					t.Errorf("%s: %s is missing from\n%s", sh, want, strings.Join(got, "\n"))
				}
			}
			if slices.Contains(got, "<REBOOT>") {
				t.Errorf("%s: %q was run", sh, text)
			}
		}
	}
}

func TestCameraRemovesItsOwnFilesAndNoOthers(t *testing.T) {
	for _, sh := range shells(t) {
		dir, folder := t.TempDir(), filepath.Join(t.TempDir(), "DCIM it's", "Camera")
		if err := os.MkdirAll(filepath.Join(folder, "album"), 0o755); err != nil {
			t.Fatal(err)
		}
		old, began := time.Now().Add(-48*time.Hour), time.Now().Add(-time.Minute)
		put := func(name string, at time.Time) {
			path := filepath.Join(folder, name)
			if err := os.WriteFile(path, []byte("x"), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.Chtimes(path, at, at); err != nil {
				t.Fatal(err)
			}
		}
		put("IMG_old.jpg", old)
		put("IMG_edited.jpg", time.Now().Add(time.Hour)) // there before, touched during the segment
		put("VID old.mp4", old)
		put("album/IMG_sub.jpg", old)
		if err := os.WriteFile(filepath.Join(dir, "began"), nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(filepath.Join(dir, "began"), began, began); err != nil {
			t.Fatal(err)
		}
		s := Builtin()["camera"]
		s.Evidence = slices.Clone(s.Evidence)
		s.Evidence[0].Of, s.Evidence[1].Of = folder, folder
		p, _ := compiled(t, s, aTarget())
		between := "photos=" + devices.Quote(folder) + `
between() {
	: >"$photos/IMG_new$n.jpg"
	: >"$photos/VID new$n.mp4"
	: >"$photos/notes$n.txt"
	: >"$photos/.pending-$n.jpg"
	: >"$photos/album/IMG_new$n.jpg"
	touch -d 2001-01-01 "$photos/IMG_restored$n.jpg"
}`
		run(t, sh, dir, p, between, 2)

		var left []string
		err := filepath.WalkDir(folder, func(path string, d os.DirEntry, err error) error {
			if err == nil && !d.IsDir() {
				rel, _ := filepath.Rel(folder, path)
				left = append(left, rel)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		want := []string{
			".pending-1.jpg", ".pending-2.jpg", "IMG_edited.jpg", "IMG_old.jpg", "IMG_restored1.jpg", "IMG_restored2.jpg",
			"VID old.mp4", "album/IMG_new1.jpg", "album/IMG_new2.jpg", "album/IMG_sub.jpg", "notes1.txt", "notes2.txt",
		}
		if diff := cmp.Diff(want, left); diff != "" {
			t.Errorf("%s: files left (-want +got):\n%s", sh, diff)
		}
		listed, err := os.ReadFile(filepath.Join(dir, "captured.txt"))
		if err != nil {
			t.Fatal(err)
		}
		if n := strings.Count(string(listed), "\n"); n != 4 {
			t.Errorf("%s: %d files listed as captured, want 4:\n%s", sh, n, listed)
		}
	}
}

func TestBuiltinIsACopy(t *testing.T) {
	b := Builtin()
	maps.DeleteFunc(b, func(string, Scenario) bool { return true })
	if len(Builtin()) != 10 {
		t.Errorf("%d built-in scenarios left", len(Builtin()))
	}
}
