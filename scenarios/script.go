package scenarios

import (
	"embed"
	"fmt"
	"io/fs"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"go.yaml.in/yaml/v4"

	"rundown/devices"
)

//go:embed builtin/*.yaml
var builtinFiles embed.FS

// Builtin returns the scenarios that every file has without saying so, by name. They are
// read from the YAML in builtin/, which is written as a user would write it.
func Builtin() map[string]Scenario { return maps.Clone(builtins()) }

var builtinShape = &object{noun: "a file of scenarios", fields: []field{
	{key: "scenarios", shape: &dictionary{noun: "scenarios by name", key: scenarioName(), value: scenarioShape, least: 1}, required: true},
}}

var builtins = sync.OnceValue(func() map[string]Scenario {
	all := map[string]Scenario{}
	paths, err := fs.Glob(builtinFiles, "builtin/*.yaml")
	if err != nil {
		panic(err)
	}
	for _, path := range paths {
		text, err := builtinFiles.ReadFile(path)
		if err != nil {
			panic(err)
		}
		r := &reader{name: path}
		root := r.document(text)
		var e *entry
		if root != nil {
			e = builtinShape.read(r, root, "")
		}
		if e != nil && len(r.faults) == 0 {
			b := &builder{r: r, e: e}
			for name, s := range each(e.at("scenarios")) {
				built := b.scenario(name, s, Scenario{})
				for _, steps := range [][]Step{built.Setup, built.Loop, built.Teardown} {
					for i := range steps {
						steps[i].Line = 0
					}
				}
				all[name] = built
			}
		}
		if len(r.faults) > 0 {
			panic(r.faults.sorted()) // a test reads them all
		}
	}
	return all
})

// scenarios resolves extends over the built-in scenarios and the file's own. One that
// extends its own name changes the built-in one.
func (b *builder) scenarios(e *entry) map[string]Scenario {
	out := Builtin()
	var resolve func(b *builder, name string, e *entry, under []string) Scenario
	resolve = func(b *builder, name string, e *entry, under []string) Scenario {
		var base Scenario
		if from := e.at("extends"); from != nil {
			on := b.refer(from, "scenario", b.scenarioNames())
			next, own := b.e.at("scenarios").in[on]
			builtin, isBuiltin := builtins()[on]
			switch {
			case isBuiltin && (on == name || !own):
				if base = builtin; on == "sustain" && meansCycles(e) {
					b.r.hint(from.node, from.path, "sustain works without a pause since its version 3; this one counts cycles and is read as extending cycles")
					base = builtins()["cycles"]
				}
			case slices.Contains(under, on):
				// A circle that began elsewhere is reported there.
			case own && b.comesBack(on, name):
				b.r.fault(from.node, from.path, "extends goes round in a circle: %s, %s", name, on)
			case own && b.deep(on):
				b.tooDeep(from)
			case own:
				// Its faults are reported in its own turn, not here.
				base = resolve(&builder{r: &reader{}, e: b.e, known: b.known}, on, next, append(under, name))
			}
		}
		return b.scenario(name, e, base)
	}
	for name, s := range each(e) {
		out[name] = resolve(b, name, s, nil)
	}
	return out
}

// meansCycles says whether an entry that extends sustain speaks of cycles: until its version 3, sustain
// worked in cycles, and plan files of then mean what is the scenario cycles now.
func meansCycles(e *entry) bool {
	if e.has("cycles") || valueOf[string](e, "until") == UntilCycles {
		return true
	}
	if l := e.at("evidence"); l != nil && slices.ContainsFunc(l.list, func(ev *entry) bool { return valueOf[string](ev, "kind") == "cycle" }) {
		return true
	}
	for _, part := range []string{"setup", "loop"} {
		if l := e.at(part); l != nil && slices.ContainsFunc(l.list, func(st *entry) bool { return strings.Contains(valueOf[string](st, "open"), "cycle_s=") }) {
			return true
		}
	}
	return false
}

// countsInCycles gives the page of the stage the cycles of half a minute that it had by itself until version 3
// of sustain, where a scenario counts cycles and does not say how long they are.
func (s *Scenario) countsInCycles() {
	counts := s.Until == UntilCycles || slices.ContainsFunc(s.Evidence, func(ev Evidence) bool { return ev.Kind == "cycle" })
	if s.Stage != "sustain" || !counts {
		return
	}
	for _, part := range []*[]Step{&s.Setup, &s.Loop} {
		for i, st := range *part {
			if !opensStage(st) || strings.Contains(st.Text, "cycle_s=") {
				continue
			}
			*part = slices.Clone(*part) // what it extends keeps its own
			joint := "?"
			if strings.Contains(st.Text, "?") {
				joint = "&"
			}
			(*part)[i].Text += joint + "cycle_s=" + strconv.Itoa(int(cycleEvery.Seconds()))
		}
	}
}

// maxExtends is how many scenarios or sets may stand upon each other.
const maxExtends = 8

func (b *builder) tooDeep(from *entry) {
	b.r.fault(from.node, from.path, "want at most %d that extend each other", maxExtends)
}

// under is the name of the file's scenario that one of them extends, or "".
func (b *builder) under(name string) string {
	next := valueOf[string](b.e.at("scenarios").at(name), "extends")
	if _, builtin := builtins()[next]; builtin && (next == name || !b.e.at("scenarios").has(next)) {
		return ""
	}
	return next
}

// comesBack says whether following extends from one of the file's scenarios leads to
// another.
func (b *builder) comesBack(from, to string) bool {
	for i := 0; from != "" && i <= maxExtends; i++ {
		if from == to {
			return true
		}
		from = b.under(from)
	}
	return false
}

// deep says whether more scenarios than may stand upon each other do. A circle is not
// deep: it is reported where it is closed.
func (b *builder) deep(from string) bool {
	seen := map[string]bool{}
	for range maxExtends {
		if from == "" || seen[from] {
			return false
		}
		seen[from] = true
		from = b.under(from)
	}
	return from != "" && !seen[from]
}

// scenario lays one entry of the file over the scenario that it extends.
func (b *builder) scenario(name string, e *entry, s Scenario) Scenario {
	before := b.r.count
	s.Name = name
	s.Evidence = slices.DeleteFunc(slices.Clone(s.Evidence), func(ev Evidence) bool { return ev.Implied }) // of the steps of what it extends
	for key, to := range map[string]*string{"about": &s.About, "version": &s.Version, "stage": &s.Stage, "until": &s.Until, "ask": &s.Ask} {
		if e.has(key) {
			*to = valueOf[string](e, key)
		}
	}
	if s.Version == "" {
		s.Version = "1"
	}
	if e.has("until") && s.Until != UntilCycles && !e.has("cycles") {
		s.Cycles = 0 // of what it extends
	}
	if s.Until == "" {
		s.Until = UntilDrained
	}
	if e.has("cycles") {
		s.Cycles = valueOf[int](e, "cycles")
	}
	if w := e.at("start_level_pct"); w != nil {
		win := windowOf(w)
		s.StartLevel = &win
	}
	if p := e.at("permissions"); p != nil {
		s.Permissions = map[string][]string{}
		for who, list := range each(p) {
			s.Permissions[who] = words(list)
		}
	}
	if e.has("screen_off") {
		s.ScreenOff = valueOf[bool](e, "screen_off")
	}
	if e.has("warm_up") {
		s.WarmUp = valueOf[time.Duration](e, "warm_up")
	}
	if h := e.at("holds"); h != nil {
		s.Holds = nil
		for _, l := range h.list {
			s.Holds = append(s.Holds, b.refer(l, "shared limit", b.names(nil, "limits", "shared")))
		}
	}
	for key, to := range map[string]*[]Step{"setup": &s.Setup, "loop": &s.Loop, "teardown": &s.Teardown} {
		if l := e.at(key); l != nil {
			*to = nil
			for _, st := range l.list {
				if st.sound {
					*to = append(*to, step(st))
				}
			}
		}
	}
	if l := e.at("evidence"); l != nil {
		s.Evidence = nil
		for _, ev := range l.list {
			s.Evidence = append(s.Evidence, Evidence{
				Kind: valueOf[string](ev, "kind"), Of: valueOf[string](ev, "of"), Limit: valueOf[time.Duration](ev, "limit"),
			})
		}
	}
	s.countsInCycles()
	s.Evidence = append(s.Evidence, s.implied()...)
	// What hangs together is only looked at in a scenario that is sound so far.
	if e.sound && b.r.count == before && len(s.Loop) > 0 {
		b.hangsTogether(e, s)
	}
	return s
}

// hangsTogether checks what no single key shows: that the loop rests, that evidence can
// come in time, and that the stage is asked for where it is used.
func (b *builder) hangsTogether(e *entry, s Scenario) {
	at := func(key string) (*yaml.Node, string) {
		if e.has(key) {
			return e.at(key).node, e.at(key).path
		}
		return e.node, e.path
	}
	if n, path := at("loop"); nominal(s.Loop) < time.Second {
		b.r.fault(n, path, "the loop must rest: want at least 1 s of wait in all")
	}
	for key, steps := range map[string][]Step{"setup": s.Setup, "loop": s.Loop, "teardown": s.Teardown} {
		times := 0
		for _, st := range steps {
			times += max(1, st.Times)
			if st.Verb == "open" && strings.HasPrefix(st.Text, "{stage}") && s.Stage == "" {
				n, path := at(key)
				b.r.fault(n, path, "{stage} is used, but the scenario names no stage: want stage: %s", oneOf(stageActivities))
			}
		}
		if times > maxTimes {
			n, path := at(key)
			b.r.fault(n, path, "want at most %d steps, each counted as often as it is done, got %d", maxTimes, times)
		}
	}
	if n, path := at("until"); (s.Until == UntilCycles) != (s.Cycles > 0) {
		b.r.fault(n, path, "until: cycles and a number of cycles go together")
	} else if s.Until == UntilCycles && !slices.ContainsFunc(s.Evidence, func(ev Evidence) bool { return ev.Kind == "cycle" }) {
		b.r.fault(n, path, "until: cycles wants evidence of kind cycle, which counts them")
	} else if s.Until == UntilSettled && !slices.ContainsFunc(s.Evidence, func(ev Evidence) bool { return ev.Kind == "lot" }) {
		b.r.fault(n, path, "until: settled wants evidence of kind lot, whose rate settles")
	}
	for i, ev := range s.Evidence {
		n, path := at("evidence")
		if l := e.at("evidence"); l != nil && i < len(l.list) {
			n, path = l.list[i].node, l.list[i].path
		}
		if slices.Contains(stageEvidence, ev.Kind) && s.Stage == "" {
			b.r.fault(n, path, "evidence of kind %s comes from the stage, but the scenario names no stage: want stage: %s", ev.Kind, oneOf(stageActivities))
		}
		if l := nominal(s.Loop); l > ev.Limit && !ev.Implied {
			b.r.fault(n, path, "the loop takes %s, longer than the limit of %s for this evidence", devices.Lasting(l), devices.Lasting(ev.Limit))
		}
	}
}

// maxTimes bounds a compiled part, in single actions.
const maxTimes = 2000

// step turns a checked step into a Step.
func step(e *entry) Step {
	s := Step{Line: max(e.node.Line, 0), Verb: verbOf(e), Times: 1}
	s.Wait, s.Over = valueOf[time.Duration](e, "wait"), valueOf[time.Duration](e, "over")
	s.Vary = valueOf[float64](e, "vary")
	if e.has("times") {
		s.Times = valueOf[int](e, "times")
	}
	switch s.Verb {
	case "tap":
		if t := e.at("tap"); t.in != nil {
			s.Find, s.MayMiss = words(t.at("text")), valueOf[bool](t, "may_miss")
			break
		}
		s.From = position(e.at("tap"))
		s.To = s.From
	case "swipe":
		if v := e.at("swipe"); v.in == nil {
			s.From, s.To = stroke(v.value.(string))
		} else {
			s.From, s.To = position(v.at("from")), position(v.at("to"))
		}
		if s.Over == 0 {
			s.Over = 300 * time.Millisecond
		}
	case "wait":
	default:
		s.Text = valueOf[string](e, s.Verb)
	}
	return s
}

func position(e *entry) [2]float64 {
	var p [2]float64
	for i, v := range e.list {
		p[i] = v.value.(float64)
	}
	return p
}

// stroke is a swipe by its direction: the way that the finger goes, half the screen.
func stroke(direction string) (from, to [2]float64) {
	switch direction {
	case "up":
		return [2]float64{0.5, 0.75}, [2]float64{0.5, 0.25}
	case "down":
		return [2]float64{0.5, 0.25}, [2]float64{0.5, 0.75}
	case "left":
		return [2]float64{0.75, 0.5}, [2]float64{0.25, 0.5}
	}
	return [2]float64{0.25, 0.5}, [2]float64{0.75, 0.5}
}

// nominal is how long steps take by their own account: waits, swipes and presses.
func nominal(steps []Step) time.Duration {
	var d time.Duration
	for _, s := range steps {
		d += time.Duration(max(1, s.Times)) * (s.Over + s.Wait)
	}
	return d
}

// Cycle is after how many passes the loop begins anew with what it opens: {n of 12} counts to
// twelve. At most mostCycle: what takes longer is no cycle that a segment would see.
func (s Scenario) Cycle() int {
	cycle := 1
	for _, st := range s.Loop {
		pieces, err := template(st.Text)
		if err != nil {
			continue // refused when it was read
		}
		for _, p := range pieces {
			if p.count && p.of > 0 {
				a, b := cycle, p.of
				for b > 0 {
					a, b = b, a%b
				}
				cycle = min(cycle/a*p.of, mostCycle)
			}
		}
	}
	return cycle
}

const mostCycle = 1000

// A piece of a template is literal text, or a placeholder.
type piece struct {
	text  string
	stage bool // {stage}
	count bool // {n} or {n of Of}
	of    int  // 0: the count itself
}

var placeholder = regexp.MustCompile(`\{[^{}]*\}`)

// template splits text at its placeholders: {stage}, {n}, {n of 12}.
func template(s string) ([]piece, error) {
	var all []piece
	at := 0
	for _, m := range placeholder.FindAllStringIndex(s, -1) {
		if m[0] > at {
			all = append(all, piece{text: s[at:m[0]]})
		}
		inside := s[m[0]+1 : m[1]-1]
		at = m[1]
		switch {
		case inside == "stage":
			all = append(all, piece{stage: true})
		case inside == "n":
			all = append(all, piece{count: true})
		default:
			k, ok := strings.CutPrefix(inside, "n of ")
			of, err := strconv.Atoi(k)
			if !ok || err != nil || of < 2 || of > 10000 {
				return nil, fmt.Errorf("unknown placeholder %s; known are {stage}, {n} and {n of 2} to {n of 10000}", shown("{"+inside+"}"))
			}
			all = append(all, piece{count: true, of: of})
		}
	}
	if at < len(s) {
		all = append(all, piece{text: s[at:]})
	}
	return all, nil
}

// keyCodes are the keys of a handset by name (android.view.KeyEvent). POWER is not among
// them, since it toggles: SLEEP and WAKEUP do not. CALL is not, since it dials.
var keyCodes = map[string]int{
	"HOME": 3, "BACK": 4, "ENDCALL": 6,
	"DPAD_UP": 19, "DPAD_DOWN": 20, "DPAD_LEFT": 21, "DPAD_RIGHT": 22, "DPAD_CENTER": 23,
	"VOLUME_UP": 24, "VOLUME_DOWN": 25, "CAMERA": 27, "TAB": 61, "SPACE": 62, "ENTER": 66, "DEL": 67, "FOCUS": 80, "MENU": 82,
	"MEDIA_PLAY_PAUSE": 85, "MEDIA_STOP": 86, "MEDIA_NEXT": 87, "MEDIA_PREVIOUS": 88,
	"PAGE_UP": 92, "PAGE_DOWN": 93, "ESCAPE": 111, "MEDIA_PLAY": 126, "MEDIA_PAUSE": 127,
	"MUTE": 91, "VOLUME_MUTE": 164, "APP_SWITCH": 187, "SLEEP": 223, "WAKEUP": 224,
}

func keyNames() []string { return slices.Sorted(maps.Keys(keyCodes)) }

// Roles are the roles (browser, player, camera) whose packages Compile needs.
func (s Scenario) Roles() []string {
	var need []string
	add := func(role string) {
		if isRole(role) && !slices.Contains(need, role) {
			need = append(need, role)
		}
	}
	for _, st := range slices.Concat(s.Setup, s.Loop, s.Teardown) {
		switch st.Verb {
		case "open":
			add("browser")
		case "play":
			add("player")
		case "capture":
			add("camera")
		case "launch", "close":
			add(st.Text)
		}
	}
	for _, ev := range s.Evidence {
		switch {
		case ev.Kind == "playback" && ev.Of == "":
			add("player")
		case ev.Kind == "playback", ev.Kind == "foreground", ev.Kind == "drawn":
			add(ev.Of)
		}
	}
	for who := range s.Permissions {
		add(who)
	}
	slices.Sort(need)
	return need
}

// Packages are the packages that the scenario names itself, whose versions belong in
// the record and which must be installed.
func (s Scenario) Packages() []string {
	var all []string
	add := func(p string) {
		if packageForm.MatchString(p) && !slices.Contains(all, p) {
			all = append(all, p)
		}
	}
	for _, st := range slices.Concat(s.Setup, s.Loop, s.Teardown) {
		if st.Verb == "launch" || st.Verb == "close" {
			add(st.Text)
		}
	}
	for _, ev := range s.Evidence {
		if ev.Kind != "files" && ev.Kind != "photos" && ev.Kind != "videos" {
			add(ev.Of)
		}
	}
	for who := range s.Permissions {
		add(who)
	}
	slices.Sort(all)
	return all
}

// NeedsCounterpart is true when the scenario calls somebody; see File.Called. CallCaution
// is for whoever starts it.
func (s Scenario) NeedsCounterpart() bool {
	return slices.ContainsFunc(slices.Concat(s.Setup, s.Loop, s.Teardown), func(st Step) bool { return st.Verb == "call" })
}

// NeedsClip is true when the scenario plays the lab's clip, which must be on the handset.
func (s Scenario) NeedsClip() bool {
	return slices.ContainsFunc(slices.Concat(s.Setup, s.Loop, s.Teardown), func(st Step) bool { return st.Verb == "play" })
}
