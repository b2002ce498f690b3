package scenarios

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/fnv"
	"maps"
	"math"
	"math/rand/v2"
	"path"
	"slices"
	"strings"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
)

// A Target is the handset that a scenario is compiled for.
type Target struct {
	ScreenW, ScreenH int // pixels, as the handset is held
	// StageURL is the stage session's address as the handset reaches it, with the
	// session's key and no slash at the end; the activity is put behind it when it is
	// not there: http://127.0.0.1:8790/s/KEY or http://127.0.0.1:8790/s/KEY/browse.
	StageURL string
	Packages map[string]string // role (browser, player, camera) to package
	SDK      int
	ClipPath string // where the lab's clip lies on the handset, below /sdcard
	// ClipLength is how long the clip is, 0 not known. It proves playback for players that
	// tell their position seldom, and does not count for the hash.
	ClipLength time.Duration
	// CallNumber is whom call steps dial; see File.Called. It does not count for the hash.
	CallNumber string
	// Seed chooses where gestures stray within what their step allows (vary). It does
	// not count for the hash.
	Seed int64
}

// reference is what every hash is compiled for, so that it says what the workload is and
// nothing of the handset, the session or the segment.
var reference = Target{
	ScreenW: 1000, ScreenH: 2000,
	StageURL: "http://stage.invalid/s/key",
	Packages: map[string]string{"browser": "role.browser", "player": "role.player", "camera": "role.camera"},
	SDK:      34,
	ClipPath: "/sdcard/Movies/clip.mp4",
	// Of the numbers that Ofcom sets aside for drama: they belong to nobody.
	CallNumber: "+447700900123",
}

// formatOfHash changes when the compiler's output changes in what a handset does.
const formatOfHash = "rundown scenario 1"

// Compile turns a scenario into the program that the onboard workload loop runs on one
// handset. The same scenario and target always give the same bytes.
//
// hash is the SHA-256, in hex, of the program compiled for a reference handset, and of
// the version: it is the same on every handset and in every session. It ends in "+shell"
// when the scenario has shell steps, whose load nobody but their author knows.
//
// The error says what the target lacks: a screen size, a package for a role, the clip.
func Compile(s Scenario, t Target) (program onboard.Program, hash string, err error) {
	if program, err = compile(s, t); err != nil {
		return onboard.Program{}, "", err
	}
	return program, s.Hash(), nil
}

// Hash is the hash that Compile returns, without a handset.
func (s Scenario) Hash() string {
	p, err := compile(s, reference)
	if err != nil { // only a scenario that was never checked
		return ""
	}
	h := sha256.New()
	for _, part := range []string{formatOfHash, s.Version, p.Start, p.Loop, p.Stop, formatNumber(p.LoopS), variation(s)} {
		fmt.Fprintf(h, "%d:%s,", len(part), part)
	}
	if s.Until != "" && s.Until != UntilDrained {
		fmt.Fprintf(h, "until %s %d,", s.Until, s.Cycles)
		if s.StartLevel != nil {
			fmt.Fprintf(h, "from %s to %s,", formatNumber(s.StartLevel.Least), formatNumber(s.StartLevel.Most))
		}
	}
	hash := hex.EncodeToString(h.Sum(nil))
	if s.HasShell() {
		hash += "+shell"
	}
	return hash
}

// HasShell is true when the scenario has shell steps.
func (s Scenario) HasShell() bool {
	return slices.ContainsFunc(slices.Concat(s.Setup, s.Loop, s.Teardown), func(st Step) bool { return st.Verb == "shell" })
}

// variation lists how far the gestures may stray, which the program compiled for one seed
// does not show.
func variation(s Scenario) string {
	var b strings.Builder
	for _, st := range slices.Concat(s.Setup, s.Loop, s.Teardown) {
		fmt.Fprintf(&b, "%s ", formatNumber(st.Vary))
	}
	return b.String()
}

// A compiler writes one part of a program.
type compiler struct {
	s     Scenario
	t     Target
	lines []string
	// counts is true in the loop, where n counts the passes; elsewhere it stands for 1.
	counts bool
	stray  *rand.Rand
}

const (
	pressKey = 27 // CAMERA, the shutter
	// evidenceEvery is how often evidence on the handset is looked for at most: each look
	// costs a dump.
	evidenceEvery = 30 * time.Second
)

func compile(s Scenario, t Target) (onboard.Program, error) {
	if t.ScreenW < 1 || t.ScreenH < 1 {
		return onboard.Program{}, fmt.Errorf("scenario %s: the screen's size is not known", s.Name)
	}
	t.StageURL = strings.TrimRight(t.StageURL, "/")
	if s.Stage != "" && !strings.HasSuffix(t.StageURL, "/"+s.Stage) {
		if t.StageURL == "" {
			return onboard.Program{}, fmt.Errorf("scenario %s: it needs the stage's address, and there is none", s.Name)
		}
		t.StageURL += "/" + s.Stage
	}
	part := func(name string, counts bool, body func(*compiler) error) (string, error) {
		h := fnv.New64a()
		h.Write([]byte(name))
		c := &compiler{s: s, t: t, counts: counts, stray: rand.New(rand.NewPCG(uint64(t.Seed), h.Sum64()))}
		if err := body(c); err != nil {
			return "", fmt.Errorf("scenario %s: %s: %w", s.Name, name, err)
		}
		return strings.Join(c.lines, "\n"), nil
	}
	var p onboard.Program
	var errs [3]error
	p.Start, errs[0] = part("setup", false, (*compiler).start)
	p.Loop, errs[1] = part("loop", true, (*compiler).loop)
	p.Stop, errs[2] = part("teardown", false, (*compiler).stop)
	p.LoopS = nominal(s.Loop).Seconds()
	return p, errors.Join(errs[:]...)
}

// Answering is what runs on a counterpart while another handset calls it: it takes every
// call that rings, writes evidence of kind incall while one is up, and hangs up at the end.
// It is installed as the workload of a segment without a target.
func Answering() onboard.Program {
	return onboard.Program{Start: "input keyevent 224", Loop: "answer\nrest 5", Stop: "hangup\nrest 1\ninput keyevent 3\ninput keyevent 223", LoopS: 5}
}

func (c *compiler) line(format string, args ...any) {
	c.lines = append(c.lines, fmt.Sprintf(format, args...))
}

// start wakes the handset, remembers which photos there are, and does the setup.
func (c *compiler) start() error {
	c.line("input keyevent 224") // WAKEUP: does nothing to a handset that is awake
	c.line("wm dismiss-keyguard")
	if err := c.allow(); err != nil {
		return err
	}
	if c.captures() {
		c.rememberFiles()
	}
	if err := c.steps(c.s.Setup); err != nil {
		return err
	}
	if c.s.ScreenOff {
		c.line("input keyevent 223") // SLEEP
	}
	return nil
}

// loop does the steps and looks for the evidence that is on the handset.
func (c *compiler) loop() error {
	if err := c.steps(c.s.Loop); err != nil {
		return err
	}
	if c.captures() {
		c.listCaptured()
	}
	for _, ev := range c.s.Evidence {
		if err := c.evidence(ev); err != nil {
			return err
		}
	}
	if c.s.Until == UntilCycles || c.s.Until == UntilSettled {
		c.line("thermal") // beside the rates
	}
	return nil
}

// stop does the teardown and leaves the handset at its home screen.
func (c *compiler) stop() error {
	if err := c.steps(c.s.Teardown); err != nil {
		return err
	}
	if c.captures() {
		c.rest(3 * time.Second) // for what is still being stored
		c.listCaptured()
		c.removeCaptured()
	}
	c.line("input keyevent 3") // HOME
	return nil
}

func (c *compiler) steps(steps []Step) error {
	for i, s := range steps {
		if c.counts && s.Verb == "wait" && i+1 < len(steps) && steps[i+1].Verb == "play" && c.t.ClipLength >= time.Second {
			c.line("restfilm %s %d", inSeconds(s.Wait), int(c.t.ClipLength.Seconds()))
			continue
		}
		if err := c.step(s); err != nil {
			return fmt.Errorf("step %d: %s: %w", i+1, s.Verb, err)
		}
	}
	return nil
}

func (c *compiler) step(s Step) error {
	switch s.Verb {
	case "wait":
		c.rest(s.Wait)
		return nil
	case "tap", "swipe", "key":
		for range max(1, s.Times) {
			if len(s.Find) > 0 {
				c.tapElement(s)
			} else {
				c.gesture(s)
			}
			c.rest(s.Wait)
		}
		return nil
	}
	var err error
	switch s.Verb {
	case "open":
		err = c.open(s.Text)
	case "launch":
		err = c.launch(s.Text)
	case "close":
		var pkg string
		if pkg, err = c.app(s.Text); err == nil {
			c.line("am force-stop %s", devices.Quote(pkg))
		}
	case "play":
		err = c.play()
	case "type":
		var words string
		// The handset's input command takes %s for a space.
		words, err = c.word(s.Text, func(t string) string { return strings.ReplaceAll(t, " ", "%s") })
		c.line("input text %s", words)
	case "shell":
		// A shell of its own: what it sets or breaks does not reach the loop.
		c.line("sh -c %s step %s", devices.Quote(s.Text), c.count(0))
	case "capture":
		err = c.capture(s)
		return err
	case "call":
		if s.Text == "end" {
			c.line("hangup")
			break
		}
		var number string
		if c.t.CallNumber == "" {
			err = errors.New("nobody is there to call: give the handset a counterpart in the plan file")
		} else if number, err = CheckNumber(c.t.CallNumber); err == nil {
			c.line("dial %s", devices.Quote(number))
		}
	default:
		err = fmt.Errorf("there is no such verb")
	}
	c.rest(s.Wait)
	return err
}

func (c *compiler) rest(d time.Duration) {
	if d > 0 {
		c.line("rest %s", inSeconds(d))
	}
}

// inSeconds is a length of time as the handset's sleep takes it.
func inSeconds(d time.Duration) string { return formatNumber(math.Round(d.Seconds()*1000) / 1000) }

// Times that an element is looked for, with a second between: a dump takes one to three
// seconds itself, and is a load of its own.
const (
	wantedTries   = 5
	optionalTries = 2
)

// tapElement taps an element by its text; one that is wanted and not there is noted.
func (c *compiler) tapElement(s Step) {
	tries, missing := wantedTries, "ev failed 1 "+devices.Quote("no element with the text "+strings.Join(s.Find, ", or ")+" on the screen")
	if s.MayMiss {
		tries, missing = optionalTries, ":"
	}
	var texts strings.Builder
	for _, t := range s.Find {
		texts.WriteString(" " + devices.Quote(dumped.Replace(t)))
	}
	c.line("taptext %d%s || %s", tries, texts.String(), missing)
}

// dumped is how a text stands in an attribute of uiautomator's dump.
var dumped = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;")

// flavour is what the handset's Android version does its own way.
func (c *compiler) flavour() devices.Flavour { return devices.Flavour{SDK: c.t.SDK} }

// allow grants what a command can grant.
func (c *compiler) allow() error {
	for _, who := range slices.Sorted(maps.Keys(c.s.Permissions)) {
		pkg, err := c.app(who)
		if err != nil {
			return fmt.Errorf("permissions: %w", err)
		}
		for _, name := range c.s.Permissions[who] {
			if name == "notifications" && c.flavour().Lacks(devices.AllowNotices) != "" {
				continue
			}
			c.line("said=$(pm grant %s %s 2>&1) || ev failed 1 \"pm grant: $said\"", devices.Quote(pkg), permissions[name])
		}
	}
	return nil
}

func (c *compiler) gesture(s Step) {
	if s.Verb == "key" {
		c.line("input keyevent %d", keyCodes[s.Text])
		return
	}
	x1, y1 := c.pixel(s.From, s.Vary)
	if s.Verb == "tap" {
		if s.Over == 0 {
			c.line("input tap %d %d", x1, y1)
		} else { // a press: a swipe that stays where it is
			c.line("input swipe %d %d %d %d %d", x1, y1, x1, y1, s.Over.Milliseconds())
		}
		return
	}
	x2, y2 := c.pixel(s.To, s.Vary)
	c.line("input swipe %d %d %d %d %d", x1, y1, x2, y2, s.Over.Milliseconds())
}

// pixel is a position in pixels, strayed by up to vary of the screen in each direction
// and kept on it.
func (c *compiler) pixel(at [2]float64, vary float64) (x, y int) {
	to := func(f float64, size int) int {
		if vary > 0 {
			f += (2*c.stray.Float64() - 1) * vary
		}
		return int(math.Round(min(max(f, 0), 1) * float64(size-1)))
	}
	x = to(at[0], c.t.ScreenW)
	y = to(at[1], c.t.ScreenH)
	return x, y
}

// count is the shell's word for {n}, or for {n of k}: 1 to k, again and again.
func (c *compiler) count(of int) string {
	switch {
	case !c.counts:
		return "1"
	case of == 0:
		return `"$n"`
	}
	return fmt.Sprintf(`"$(((n - 1) %% %d + 1))"`, of)
}

// word is text with its placeholders as one word of shell: literal text, changed by as,
// in single quotes, the count between them.
func (c *compiler) word(text string, as func(string) string) (string, error) {
	pieces, err := template(text)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	literal := ""
	flush := func() {
		if literal != "" {
			b.WriteString(devices.Quote(literal))
			literal = ""
		}
	}
	for _, p := range pieces {
		switch {
		case p.stage:
			if c.s.Stage == "" {
				return "", fmt.Errorf("{stage} is used, but the scenario names no stage")
			}
			literal += c.t.StageURL
		case p.count:
			flush()
			b.WriteString(c.count(p.of))
		default:
			literal += as(p.text)
		}
	}
	flush()
	return b.String(), nil
}

// app is the package of a role, or the package itself.
func (c *compiler) app(name string) (string, error) {
	if !isRole(name) {
		if !packageForm.MatchString(name) {
			return "", fmt.Errorf("%q is neither a role nor a package", name)
		}
		return name, nil
	}
	pkg := c.t.Packages[name]
	if pkg == "" {
		return "", fmt.Errorf("no app is known on this handset for the role %s: name one under packages in the plan file", name)
	}
	return pkg, nil
}

// appIfKnown is the quoted package of a role behind a space, or nothing: the handset's
// own choice.
func (c *compiler) appIfKnown(role string) string {
	if pkg := c.t.Packages[role]; pkg != "" {
		return " " + devices.Quote(pkg)
	}
	return ""
}

func (c *compiler) open(address string) error {
	word, err := c.word(address, func(t string) string { return t })
	if err != nil {
		return err
	}
	c.line("open_url %s%s", word, c.appIfKnown("browser"))
	return nil
}

func (c *compiler) launch(name string) error {
	if name == "camera" {
		c.line("am start -a android.media.action.STILL_IMAGE_CAMERA%s >/dev/null", c.appIfKnown("camera"))
		return nil
	}
	pkg, err := c.app(name)
	if err != nil {
		return err
	}
	// The launcher's activity is looked up: am resolves an implicit one only where it
	// declares itself a default. The component is the answer's last line.
	c.line("app=$(cmd package resolve-activity --brief -a android.intent.action.MAIN -c android.intent.category.LAUNCHER %s)", devices.Quote(pkg))
	c.line(`app=${app##*"`)
	c.line(`"}`)
	c.line(`case $app in`)
	c.line(`*/*) am start -n "$app" >/dev/null ;;`)
	c.line(`*) ev failed 1 %s ;;`, devices.Quote("no activity to launch in "+pkg))
	c.line(`esac`)
	return nil
}

// play starts the clip in the player; in the loop only when it does not play already.
func (c *compiler) play() error {
	if c.t.ClipPath == "" {
		return errors.New("the lab's clip is not on the handset")
	}
	if c.counts {
		// Not playing(): a player's state may stand for minutes while the clip runs.
		c.line("case $(dumpsys media_session) in")
		c.line("*'{state=3,'* | *'{state=PLAYING(3),'*) ;;")
		c.line("*)")
	}
	const view = "am start -a android.intent.action.VIEW"
	if ways := c.flavour().Ways(devices.PlayFile, "file://"+c.t.ClipPath); len(ways) > 0 {
		c.line("%s%s >/dev/null", ways[0], c.appIfKnown("player"))
	} else {
		c.findClip()
		if !c.counts {
			// Not in the media store: it was pushed and not seen yet.
			c.line(`if [ -z "$clip" ]; then`)
			c.line("content call --uri content://media --method scan_volume --arg external_primary >/dev/null")
			c.line("rest 3")
			c.findClip()
			c.line("fi")
		}
		c.line(`if [ -n "$clip" ]; then`)
		c.line(`%s -d "content://media/external/video/media/$clip" -t video/mp4 --grant-read-uri-permission%s >/dev/null`, view, c.appIfKnown("player"))
		c.line("else")
		c.line("ev failed 1 'the clip is not in the media store'")
		c.line("fi")
	}
	if c.counts {
		if c.t.ClipLength >= time.Second {
			c.line("begun")
		}
		c.line(";;")
		c.line("esac")
	}
	return nil
}

// findClip leaves the clip's number in the media store in clip, or nothing. A row reads
// "Row: 0 _id=33, _data=/storage/emulated/0/Movies/clip.mp4".
func (c *compiler) findClip() {
	name := "/" + path.Base(c.t.ClipPath)
	c.line("clip=$(content query --uri content://media/external/video/media --projection _id:_data)")
	c.line("case $clip in")
	c.line("*%s*)", devices.Quote(name))
	c.line("clip=${clip%%%%%s*}", quotedInBraces(name))
	c.line("clip=${clip##*_id=}")
	c.line("clip=${clip%%%%,*}")
	c.line(";;")
	c.line("*) clip= ;;")
	c.line("esac")
}

// quotedInBraces quotes a pattern inside ${ }, where shells differ over single quotes.
func quotedInBraces(s string) string {
	var b strings.Builder
	for _, r := range s {
		if strings.ContainsRune("\\\"$`", r) {
			b.WriteByte('\\')
		}
		b.WriteRune(r)
	}
	return `"` + b.String() + `"`
}

func (c *compiler) capture(s Step) error {
	switch s.Text {
	case "photo":
		for range max(1, s.Times) {
			c.line("input keyevent %d", pressKey)
			c.rest(s.Wait)
			c.proveCapture("photos")
		}
		return nil
	case "video start":
		c.line("am start -a android.media.action.VIDEO_CAMERA%s >/dev/null", c.appIfKnown("camera"))
		c.line("rest 2")
		c.line("input keyevent %d", pressKey)
	case "video stop":
		c.line("input keyevent %d", pressKey)
		c.rest(s.Wait)
		c.proveCapture("videos")
		return nil
	default:
		return fmt.Errorf("want %s, got %q", oneOf(captures), s.Text)
	}
	c.rest(s.Wait)
	return nil
}

// proveCapture looks for the file that a capture must have left, where the scenario wants
// evidence of that kind.
func (c *compiler) proveCapture(kind string) {
	for _, ev := range c.s.Evidence {
		if ev.Kind == kind {
			c.line("captured %s %s", kind, devices.Quote(ev.Of))
		}
	}
}

// makes says whether the scenario's captures leave files of a kind.
func (c *compiler) makes(kind string) bool {
	return slices.ContainsFunc(slices.Concat(c.s.Setup, c.s.Loop), func(st Step) bool {
		return st.Verb == "capture" && (st.Text == "photo") == (kind == "photos")
	})
}

func (c *compiler) captures() bool {
	return slices.ContainsFunc(slices.Concat(c.s.Setup, c.s.Loop, c.s.Teardown), func(st Step) bool { return st.Verb == "capture" })
}

// folder is where captured files appear.
func (c *compiler) folder() string {
	for _, ev := range c.s.Evidence {
		if ev.Kind == "files" || ev.Kind == "photos" || ev.Kind == "videos" {
			return ev.Of
		}
	}
	return "/sdcard/DCIM/Camera"
}

// Photos and videos that a segment takes are removed at its end, and nothing else: the
// names that were there before stand in one file of the segment's folder ($_dir, as the
// workload loop has it), those that came while it captured in another, and only the
// latter are removed. Both files outlive a workload that is brought back.

func (c *compiler) rememberFiles() {
	c.line(`if [ ! -e "$_dir/before.txt" ]; then`)
	c.line(`for file in %s/*; do`, devices.Quote(c.folder()))
	c.line(`echo "$file"`)
	c.line(`done >"$_dir/before.txt"`)
	c.line(`fi`)
}

func (c *compiler) listCaptured() {
	c.line(`if [ -e "$_dir/before.txt" ]; then`)
	c.line(`: >>"$_dir/captured.txt"`)
	c.line(`known=$(cat "$_dir/before.txt" "$_dir/captured.txt")`)
	c.line(`for file in %s/*; do`, devices.Quote(c.folder()))
	c.line(`case $file in`)
	c.line(`*.jpg | *.jpeg | *.heic | *.heif | *.dng | *.mp4 | *.3gp | *.mov | *.JPG) ;;`)
	c.line(`*) continue ;;`)
	c.line(`esac`)
	c.line(`[ -f "$file" ] && [ "$file" -nt "$_dir/began" ] || continue`)
	c.line(`case "$_nl$known$_nl" in`)
	c.line(`*"$_nl$file$_nl"*) ;;`)
	c.line(`*) echo "$file" >>"$_dir/captured.txt" ;;`)
	c.line(`esac`)
	c.line(`done`)
	c.line(`fi`)
}

func (c *compiler) removeCaptured() {
	c.line(`if [ -e "$_dir/captured.txt" ]; then`)
	c.line(`while read -r file; do`)
	c.line(`rm -f "$file"`)
	c.line(`done <"$_dir/captured.txt"`)
	c.line(`fi`)
}

// lookPasses is after how many passes of a loop evidence on the handset is looked for.
func lookPasses(ev Evidence, loop []Step) int {
	return max(int(min(evidenceEvery, ev.Limit/4)/max(nominal(loop), time.Second)), 1)
}

// evidence looks for what is to be seen on the handset; what is seen at the stage needs
// nothing here.
func (c *compiler) evidence(ev Evidence) error {
	if slices.Contains(stageEvidence, ev.Kind) || ev.Kind == "asleep" { // which is the recorder's to see
		return nil
	}
	look := ""
	switch ev.Kind {
	case "foreground":
		pkg, err := c.app(ev.Of)
		if err != nil {
			return fmt.Errorf("evidence %s: %w", ev.Kind, err)
		}
		look = "front " + devices.Quote(pkg)
	case "drawn":
		pkg, err := c.app(ev.Of)
		if err != nil {
			return fmt.Errorf("evidence %s: %w", ev.Kind, err)
		}
		look = "drawn " + devices.Quote(pkg)
	case "incall", "charging":
		look = ev.Kind
	case "photos", "videos":
		if c.makes(ev.Kind) {
			return nil // looked for at each capture
		}
		look = ev.Kind + " " + devices.Quote(ev.Of)
	case "playback":
		switch {
		case ev.Of == "" || ev.Of == "player":
			look = "playing" + c.appIfKnown("player")
		default:
			pkg, err := c.app(ev.Of)
			if err != nil {
				return fmt.Errorf("evidence %s: %w", ev.Kind, err)
			}
			look = "playing " + devices.Quote(pkg)
		}
		if (ev.Of == "" || ev.Of == "player") && c.s.NeedsClip() && look != "playing" && c.t.ClipLength >= time.Second {
			look += fmt.Sprintf(" %d", int(c.t.ClipLength.Seconds()))
		}
	case "files":
		look = "newfiles " + devices.Quote(ev.Of)
	default:
		return fmt.Errorf("there is no evidence of kind %q", ev.Kind)
	}
	if passes := lookPasses(ev, c.s.Loop); passes > 1 {
		c.line("if [ $((n %% %d)) -eq 0 ]; then", passes)
		c.line("%s", look)
		c.line("fi")
		return nil
	}
	c.line("%s", look)
	return nil
}
