package scenarios

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"
	"go.yaml.in/yaml/v4/plugin/loaderlimits"

	"rundown/devices"
	"rundown/devices/preconditions"
)

// maxFile is the largest plan file that is read, bytes.
const maxFile = 1 << 20

// Load reads and checks the plan file at path. What is wrong with the file itself comes
// back as Faults, all at once; a file that cannot be read is any other error.
func Load(path string) (File, error) {
	f, err := os.Open(path)
	if err != nil {
		return File{}, fmt.Errorf("plan file: %w", err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return File{}, fmt.Errorf("plan file: %w", err)
	}
	return Parse(filepath.Base(path), b)
}

// Parse checks the text of a plan file; name stands in its messages. The error is Faults.
func Parse(name string, b []byte) (File, error) {
	r := &reader{name: name}
	root := r.document(b)
	if root == nil {
		return File{}, r.faults.sorted()
	}
	e := fileShape.read(r, root, "")
	if e == nil {
		return File{}, r.within(b)
	}
	if r.spent { // what it refers to would be counted as often again
		return File{}, r.within(b)
	}
	f := build(r, e)
	if len(r.faults) > 0 {
		return File{}, r.within(b)
	}
	f.Hints = r.hints
	return f, nil
}

// within sorts the faults and keeps each of them inside the file: a value that is
// missing at the very end is reported where the file ends.
func (r *reader) within(b []byte) Faults {
	lines := strings.Split(string(b), "\n")
	for i := range r.faults {
		f := &r.faults[i]
		f.Line = min(max(f.Line, 1), len(lines))
		f.Col = min(max(f.Col, 1), utf8.RuneCountInString(lines[f.Line-1])+1)
	}
	sorted := r.faults.sorted()
	if more := r.count - maxFaults; more > 0 {
		last := sorted[len(sorted)-1]
		sorted = append(sorted, Fault{File: r.name, Line: last.Line, Col: last.Col, Msg: fmt.Sprintf("%d more faults are not listed", more)})
	}
	return sorted
}

// document parses the YAML and returns the node below the document, or nil.
func (r *reader) document(b []byte) *yaml.Node {
	if len(b) > maxFile {
		r.fault(nil, "", "the file is larger than 1 MiB")
		return nil
	}
	if bad := invalidUTF8(b); bad >= 0 {
		line := 1 + bytes.Count(b[:bad], []byte("\n"))
		col := 1 + utf8.RuneCount(b[bytes.LastIndexByte(b[:bad], '\n')+1:bad])
		r.fault(&yaml.Node{Line: line, Column: col}, "", "the file is not UTF-8 text")
		return nil
	}
	loader, err := yaml.NewLoader(bytes.NewReader(b), yaml.WithPlugin(loaderlimits.New(loaderlimits.DepthValue(maxDepth))))
	if err != nil {
		r.fault(nil, "", "cannot read YAML: %v", err)
		return nil
	}
	var doc yaml.Node
	switch err := loader.Load(&doc); {
	case errors.Is(err, io.EOF):
		r.fault(nil, "", "the file is empty: want at least a bench with its handsets")
		return nil
	case err != nil:
		r.syntax(err, b)
		return nil
	}
	var second yaml.Node
	switch err := loader.Load(&second); {
	case errors.Is(err, io.EOF):
	case err != nil:
		r.syntax(err, b)
		return nil
	default:
		r.fault(&second, "", "want one document, got a second one")
		r.faults = r.within(b)
		return nil
	}
	if doc.Kind != yaml.DocumentNode || len(doc.Content) != 1 {
		r.fault(nil, "", "the file is empty: want at least a bench with its handsets")
		return nil
	}
	return doc.Content[0]
}

// syntax reports what the YAML library could not read.
func (r *reader) syntax(err error, b []byte) {
	var le *yaml.LoadError
	if !errors.As(err, &le) {
		r.fault(nil, "", "not YAML: %v", err)
		return
	}
	msg := le.Message
	if le.ContextMsg != "" {
		msg += ", " + le.ContextMsg
		if le.ContextMark.Line > 0 {
			msg += fmt.Sprintf(" that began in line %d", le.ContextMark.Line)
		}
	}
	r.fault(&yaml.Node{Line: le.Mark.Line, Column: le.Mark.Column}, "", "not YAML: %s", strings.TrimPrefix(msg, "yaml: "))
	r.faults = r.within(b)
}

func invalidUTF8(b []byte) int {
	for i := 0; i < len(b); {
		c, n := utf8.DecodeRune(b[i:])
		if c == utf8.RuneError && n <= 1 {
			return i
		}
		i += n
	}
	return -1
}

// build turns the checked tree into a File and checks what refers to what.
func build(r *reader, e *entry) File {
	b := &builder{r: r, e: e}
	f := File{
		Bench:    b.bench(e.at("bench")),
		Limits:   b.limits(e.at("limits")),
		DayMixes: map[string]DayMix{},
		LineUps:  map[string]LineUp{},
		Plans:    map[string]Plan{},
		Nights:   map[string]Night{},
	}
	f.Notices = noticesOf(e.at("notices"))
	f.Preconditions = b.sets(e.at("preconditions"))
	b.built = f.Preconditions
	f.Scenarios = b.scenarios(e.at("scenarios"))
	for name, m := range each(e.at("day_mixes")) {
		f.DayMixes[name] = b.dayMix(name, m)
	}
	for name, l := range each(e.at("line_ups")) {
		f.LineUps[name] = b.lineUp(name, l)
	}
	for name, p := range each(e.at("plans")) {
		f.Plans[name] = b.plan(name, p, f.Scenarios)
		b.settles(f.Plans[name], p, f.Scenarios)
	}
	for name, n := range each(e.at("nights")) {
		f.Nights[name] = b.night(name, n)
	}
	return f
}

// each goes over a dictionary in the file's order.
func each(e *entry) func(func(string, *entry) bool) {
	return func(yield func(string, *entry) bool) {
		if e == nil {
			return
		}
		for _, key := range e.keys {
			if v := e.in[key]; v != nil && !yield(key, v) {
				return
			}
		}
	}
}

type builder struct {
	r *reader
	e *entry // the whole file

	built map[string]preconditions.Set
	known map[string]*names // by section; a large file refers to itself often
}

func (b *builder) bench(e *entry) Bench {
	if e == nil {
		return Bench{}
	}
	out := Bench{Name: valueOf[string](e, "name"), Servers: words(e.at("adb_servers")), Clip: valueOf[string](e, "clip")}
	if len(out.Servers) == 0 {
		out.Servers = []string{"127.0.0.1:5037"}
	}
	if s := e.at("stage"); s != nil {
		out.Stage = Stage{Listen: valueOf[string](s, "listen"), Address: valueOf[string](s, "address"), Port: valueOf[int](s, "port")}
		if out.Stage.Address != "" && validHost(out.Stage.Address) { // no port: the one that it listens on
			_, port, _ := net.SplitHostPort(out.Stage.Listen)
			out.Stage.Address = net.JoinHostPort(out.Stage.Address, port)
		}
		if out.Stage.Address != "" && isLoopback(out.Stage.Listen) {
			at := s.at("listen")
			if at.node == nil {
				at = s.at("address")
			}
			b.r.fault(at.node, at.path, "handsets cannot reach %s: with an address, listen must not be on loopback; :%d listens everywhere", out.Stage.Listen, out.Stage.Port)
		}
	}
	out.Meters, out.LuminanceMaxAge = b.meters(e.at("meters")), valueOf[time.Duration](e, "luminance_max_age")
	var names, serials = map[string]*entry{}, map[string]*entry{}
	if hs := e.at("handsets"); hs != nil {
		for _, h := range hs.list {
			out.Handsets = append(out.Handsets, b.handset(h, out.Servers))
			b.unique(h.at("name"), names, "handset", strings.ToLower)
			b.unique(h.at("serial"), serials, "serial", func(s string) string { return s })
		}
		for i, h := range hs.list {
			if h.has("counterpart") && h.sound && i < len(out.Handsets) {
				b.counterpart(h.at("counterpart"), &out.Handsets[i], hs)
			}
		}
	}
	return out
}

// counterpart checks whom a handset calls: a number that may be called, or another handset
// of the bench that has one.
func (b *builder) counterpart(at *entry, h *Handset, all *entry) {
	if strings.HasPrefix(h.Counterpart, "+") || !strings.ContainsFunc(h.Counterpart, unicode.IsLetter) {
		number, err := CheckNumber(h.Counterpart)
		switch {
		case err != nil:
			b.r.fault(at.node, at.path, "%v", err)
		case number == h.Number:
			b.r.fault(at.node, at.path, "%s is the handset's own number", number)
		default:
			h.Counterpart = number
		}
		return
	}
	b.refer(at, "handset", b.handsets())
	for _, other := range all.list {
		switch {
		case valueOf[string](other, "name") != h.Counterpart:
		case h.Counterpart == h.Name:
			b.r.fault(at.node, at.path, "want another handset than itself")
		case !other.has("number"):
			b.r.fault(at.node, at.path, "handset %q has no number: want number, its SIM's", h.Counterpart)
		case valueOf[string](other, "number") == h.Number:
			b.r.fault(at.node, at.path, "handset %q has the same number", h.Counterpart)
		}
	}
}

// Called is whom a handset's calls go to: the number, and the handset of the bench that
// answers it, if there is one. ok is false when it has no counterpart.
func (f File) Called(h Handset) (number string, by Handset, onBench, ok bool) {
	switch other, found := f.Handset(h.Counterpart); {
	case h.Counterpart == "":
		return "", Handset{}, false, false
	case found:
		return other.Number, other, true, true
	}
	for _, other := range f.Bench.Handsets {
		if other.Number == h.Counterpart {
			return h.Counterpart, other, true, true
		}
	}
	return h.Counterpart, Handset{}, false, true
}

// unique reports a second handset of the same name or serial.
func (b *builder) unique(at *entry, seen map[string]*entry, noun string, fold func(string) string) {
	if at == nil {
		return
	}
	got := at.value.(string)
	if first, twice := seen[fold(got)]; twice {
		b.r.fault(at.node, at.path, "%s %q is already in line %d", noun, got, first.node.Line)
		return
	}
	seen[fold(got)] = at
}

func (b *builder) handset(e *entry, servers []string) Handset {
	h := Handset{
		Name:        valueOf[string](e, "name"),
		Serial:      valueOf[string](e, "serial"),
		Connect:     valueOf[string](e, "connect"),
		CapacityMAh: valueOf[float64](e, "capacity_mah"),
		NominalMV:   valueOf[float64](e, "nominal_mv"),
		Packages:    map[string]string{},
	}
	if e.has("adb_server") {
		h.Server = b.refer(e.at("adb_server"), "adb server", newNames(servers))
	}
	if w := e.at("start_level_pct"); w != nil {
		win := windowOf(w)
		h.StartLevel = &win
	}
	if l := e.at("luminance"); l != nil {
		h.CurveDate = valueOf[string](l, "measured")
		if ps := l.at("points"); ps != nil {
			for _, p := range ps.list {
				h.Luminance = append(h.Luminance, LuminancePoint{Setting: valueOf[float64](p, "setting"), CdM2: valueOf[float64](p, "cd_m2")})
			}
		}
	}
	h.Gate = gateOf(e.at("power_gate"))
	h.Supply = b.supply(e)
	h.Number, h.Counterpart = valueOf[string](e, "number"), valueOf[string](e, "counterpart")
	if p := e.at("packages"); p != nil {
		for _, role := range roles {
			if p.has(role) {
				h.Packages[role] = valueOf[string](p, role)
			}
		}
	}
	return h
}

func windowOf(e *entry) Window {
	return Window{Least: valueOf[float64](e, "least"), Most: valueOf[float64](e, "most")}
}

func words(e *entry) []string {
	if e == nil {
		return nil
	}
	var all []string
	for _, w := range e.list {
		s, _ := w.value.(string)
		all = append(all, s)
	}
	return all
}

func (b *builder) limits(e *entry) Limits {
	l := Limits{Shared: map[string]int{}}
	if e == nil {
		return l
	}
	l.RunsAtOnce, l.SetAsideAfter = valueOf[int](e, "runs_at_once"), valueOf[int](e, "set_aside_after")
	for name, n := range each(e.at("shared")) {
		l.Shared[name], _ = n.value.(int)
	}
	return l
}

func (b *builder) dayMix(name string, e *entry) DayMix {
	m := DayMix{Name: name, Hours: map[string]float64{}}
	h := e.at("hours")
	for scenario, n := range each(h) {
		key := &entry{node: h.where[scenario], path: n.path, value: scenario}
		b.refer(key, "scenario", b.scenarioNames())
		m.Hours[scenario], _ = n.value.(float64)
	}
	return m
}

func (b *builder) plan(name string, e *entry, known map[string]Scenario) Plan {
	p := Plan{
		Name:              name,
		Preconditions:     b.refer(e.at("preconditions"), "set of preconditions", b.setNames()),
		DrainPoints:       valueOf[int](e, "drain"),
		Repeat:            valueOf[int](e, "repeat"),
		RestartSpoiled:    valueOf[int](e, "restart_spoiled"),
		SampleEvery:       valueOf[time.Duration](e, "sample_every"),
		WarmUp:            valueOf[time.Duration](e, "warm_up"),
		StopLevelPct:      valueOf[int](e, "stop_level_pct"),
		StopTempC:         valueOf[float64](e, "stop_temp_c"),
		SegmentLimit:      valueOf[time.Duration](e, "segment_limit"),
		RechargeLimit:     valueOf[time.Duration](e, "recharge_limit"),
		RechargeStopTempC: valueOf[float64](e, "recharge_stop_temp_c"),
		SettleLimit:       valueOf[time.Duration](e, "settle_limit"),
		DriftEvery:        valueOf[time.Duration](e, "drift_every"),
		LooksPerHour:      valueOf[int](e, "looks_per_hour"),
		ParkPct:           valueOf[int](e, "park"),
	}
	if a := e.at("activity_share"); a != nil {
		p.ActivityShare = ActivityShare{FlagBelowPct: valueOf[float64](a, "flag_below_pct"), SpoilBelowPct: valueOf[float64](a, "spoil_below_pct")}
	}
	if e.has("day_mix") {
		p.DayMix = b.refer(e.at("day_mix"), "day mix", b.names(nil, "day_mixes"))
	}
	p.StartLevel = b.startLevel(p.Preconditions)
	if w := e.at("start_level_pct"); w != nil {
		p.StartLevel = windowOf(w)
	}
	if n := b.enough(e); n != nil {
		p.Enough, p.DrainPoints = n, n.Most
	}
	if p.Survey = valueOf[bool](e, "survey"); p.Survey {
		b.survey(&p, e)
	}
	b.reach(p, e, known)
	if ss := e.at("segments"); ss != nil {
		for _, s := range ss.list {
			p.Segments = append(p.Segments, b.segment(s))
		}
	}
	return p
}

// startLevel is the start window that a set of preconditions asks for, %.
func (b *builder) startLevel(set string) Window {
	win := Window{Least: 90, Most: 100}
	for _, w := range b.built[set].Wants {
		if w.Name != "start_level" {
			continue
		}
		if w.Least != nil {
			win.Least = *w.Least
		}
		if w.Most != nil {
			win.Most = *w.Most
		}
	}
	return win
}

// reach checks that every segment can take its points before it ends at the stop level.
func (b *builder) reach(p Plan, e *entry, scenarios map[string]Scenario) {
	if !e.sound {
		return
	}
	room := p.StartLevel.Least - float64(p.StopLevelPct)
	drains := func(s *entry) bool {
		name, short := s.value.(string)
		if !short {
			name = valueOf[string](s, "scenario")
		}
		if s.has("drain_to") {
			return false
		}
		known, there := scenarios[name]
		return !there || known.Until == UntilDrained && known.StartLevel == nil
	}
	if ss := e.at("segments"); ss != nil {
		for _, s := range ss.list {
			known := scenarios[valueOf[string](s, "scenario")]
			for _, key := range []string{"drain", "drain_to", "enough"} {
				if !s.has(key) || known.Until == "" || known.Until == UntilDrained {
					continue
				}
				b.r.fault(s.at(key).node, s.at(key).path, "a segment of %s takes no points: it ends by until: %s", known.Name, known.Until)
			}
		}
		if !slices.ContainsFunc(ss.list, drains) {
			return
		}
	}
	check := func(at *entry, drain int) {
		if at != nil && at.node != nil && float64(drain) > room {
			b.r.fault(at.node, at.path, "a segment that starts at %s %% cannot take %d points: it ends at the stop level of %d %%",
				formatNumber(p.StartLevel.Least), drain, p.StopLevelPct)
		}
	}
	for _, key := range []string{"drain", "enough", "start_level_pct", "stop_level_pct"} {
		if e.given(key) { // one of them is enough to point at
			check(e.at(key), p.DrainPoints)
			break
		}
	}
	if ss := e.at("segments"); ss != nil {
		for _, s := range ss.list {
			if s.has("drain") && drains(s) {
				check(s.at("drain"), valueOf[int](s, "drain"))
			}
			if s.in != nil && s.has("enough") && drains(s) {
				check(s.at("enough"), valueOf[int](s.at("enough"), "most"))
			}
		}
	}
}

// settles checks that each segment's own warm-up fits into the settle limit, and that its
// evidence can have come by its end.
func (b *builder) settles(p Plan, e *entry, known map[string]Scenario) {
	ss := e.at("segments")
	if ss == nil || !e.sound {
		return
	}
	for i, s := range p.Segments {
		warm := s.WarmUp
		if warm == 0 {
			warm = known[s.Scenario].WarmUp
		}
		if warm >= p.SettleLimit && p.SettleLimit > p.WarmUp {
			b.r.fault(ss.list[i].node, ss.list[i].path, "the warm-up of %s does not fit into the plan's settle limit of %s", devices.Lasting(warm), devices.Lasting(p.SettleLimit))
		}
		if warm == 0 {
			warm = p.WarmUp
		}
		s, of := p.Segments[i], known[s.Scenario]
		if least, kind := of.LeastWarmUp(); s.EndsBy(of) == UntilDrained && warm < least {
			at := ss.list[i]
			if at.given("warm_up") {
				at = at.at("warm_up")
			}
			b.r.fault(at.node, at.path, "a warm-up of %s is too short for %s: its first %s evidence comes %s after its start at the earliest, and a segment that is measured from before that is spoiled; want at least %s", devices.Lasting(warm), s.Scenario, kind, devices.Lasting(least), devices.Lasting(least))
		}
	}
}

func (b *builder) segment(e *entry) Segment {
	if e.in == nil { // the short form: the scenario's name alone
		return Segment{Scenario: b.refer(e, "scenario", b.scenarioNames())}
	}
	s := Segment{
		Scenario:    b.refer(e.at("scenario"), "scenario", b.scenarioNames()),
		DrainPoints: valueOf[int](e, "drain"),
		DrainTo:     valueOf[int](e, "drain_to"),
		Enough:      b.enough(e),
		WarmUp:      valueOf[time.Duration](e, "warm_up"),
		Limit:       valueOf[time.Duration](e, "limit"),
	}
	if s.Enough != nil {
		s.DrainPoints = s.Enough.Most
	}
	return s
}

// enough is when a plan's segments, or one of them, have drained enough; nil where the file does not say.
func (b *builder) enough(e *entry) *Enough {
	at := e.at("enough")
	if at == nil {
		return nil
	}
	for _, key := range []string{"drain", "drain_to"} {
		if e.given(key) {
			b.r.fault(at.node, at.path, "want either %s or enough, whose most is the drain target", key)
		}
	}
	return &Enough{HalfWidthPct: valueOf[float64](at, "half_width_pct"), Least: valueOf[int](at, "least"), Most: valueOf[int](at, "most")}
}

// survey lays the defaults of a survey over a plan: from near full down to the stop level, however long that takes.
func (b *builder) survey(p *Plan, e *entry) {
	for _, key := range []string{"drain", "enough"} {
		if e.given(key) {
			b.r.fault(e.at(key).node, e.at(key).path, "a survey drains from start_level_pct to stop_level_pct: leave %s out", key)
		}
	}
	if ss := e.at("segments"); ss != nil {
		for _, s := range ss.list {
			for _, key := range []string{"drain", "drain_to", "enough"} {
				if s.in != nil && s.given(key) {
					b.r.fault(s.at(key).node, s.at(key).path, "a survey drains from start_level_pct to stop_level_pct: leave %s out", key)
				}
			}
		}
	}
	if !e.given("start_level_pct") {
		p.StartLevel = Window{Least: 95, Most: 99}
	}
	if !e.given("stop_level_pct") {
		p.StopLevelPct = 5
	}
	if !e.given("segment_limit") {
		p.SegmentLimit = 24 * time.Hour
	}
	// The start edge lies a point or two below the start level: so the target comes before the stop level.
	p.DrainPoints = int(p.StartLevel.Least) - p.StopLevelPct - 2
	if p.DrainPoints < leastSurvey && e.sound {
		at := e.at("survey")
		b.r.fault(at.node, at.path, "from %s %% to %d %% a survey sees too little: want %d points or more between start_level_pct and stop_level_pct", formatNumber(p.StartLevel.Least), p.StopLevelPct, leastSurvey+2)
	}
}

// leastSurvey is how many points a survey takes at least.
const leastSurvey = 60

func (b *builder) night(name string, e *entry) Night {
	n := Night{
		Name: name,
		Cron: valueOf[string](e, "starts"),
		End:  valueOf[string](e, "ends"),
		Zone: valueOf[string](e, "zone"),
		Plan: b.refer(e.at("plan"), "plan", b.names(nil, "plans")),
	}
	if hs := e.at("handsets"); hs != nil {
		for _, h := range hs.list {
			n.Handsets = append(n.Handsets, b.refer(h, "handset", b.handsets()))
		}
	}
	return n
}

// sets resolves extends. The built-in set is there unless the file has one of its name;
// a set that extends its own name changes the built-in one.
func (b *builder) sets(e *entry) map[string]preconditions.Set {
	builtin := preconditions.DefaultSet()
	builtin.Name = builtinSet
	out := map[string]preconditions.Set{builtinSet: builtin}
	var resolve func(name string, e *entry, under []string) preconditions.Set
	resolve = func(name string, e *entry, under []string) preconditions.Set {
		set := preconditions.Set{Name: name}
		if from := e.at("extends"); from != nil {
			base := b.refer(from, "set of preconditions", b.setNames())
			next, own := b.e.at("preconditions").in[base]
			switch {
			case base == name && name == builtinSet, !own && base == builtinSet:
				set.Wants = slices.Clone(builtin.Wants)
			case base == name || slices.Contains(under, base):
				b.r.fault(from.node, from.path, "extends goes round in a circle: %s", strings.Join(append(under, name, base), ", "))
			case own && len(under) >= maxExtends:
				b.tooDeep(from)
			case own:
				set.Wants = slices.Clone(resolve(base, next, append(under, name)).Wants)
			}
		}
		var own []preconditions.Want
		for _, spec := range preconditions.Registry() {
			if at := e.at(spec.Name); at != nil {
				if w, ok := b.wanted(spec, set.Wants, at); ok {
					own = append(own, w)
				}
			}
		}
		merged, err := set.With(own...)
		if err != nil { // names come from the registry, each once
			panic(fmt.Sprintf("scenarios: %v", err))
		}
		return merged
	}
	for name, s := range each(e) {
		out[name] = resolve(name, s, nil)
	}
	return out
}

// wanted makes a want of one entry of the file. The long form changes what the set that
// it extends wants; the short form and a new value replace it.
func (b *builder) wanted(spec preconditions.Spec, under []preconditions.Want, e *entry) (preconditions.Want, bool) {
	if !e.sound {
		return preconditions.Want{}, false
	}
	var value any = e.value
	if e.in != nil {
		m := map[string]any{}
		if i := slices.IndexFunc(under, func(w preconditions.Want) bool { return w.Name == spec.Name }); i >= 0 {
			m = asWritten(under[i])
		}
		if e.has("least") || e.has("most") {
			delete(m, "least")
			delete(m, "most")
		}
		for key := range e.in {
			m[key] = e.in[key].value
		}
		if m["want"] == asFound && spec.Kind == preconditions.Range && (m["least"] != nil || m["most"] != nil) {
			delete(m, "want")
		}
		value = m
		if m["want"] == asFound {
			value = asFound
		}
	}
	w, err := spec.Want(value)
	var bad *preconditions.WantError
	switch {
	case err == nil:
		return w, true
	case errors.As(err, &bad):
		at := e
		if e.has(bad.Key) {
			at = e.at(bad.Key)
		}
		b.r.fault(at.node, at.path, "%s", bad.Msg)
	default:
		b.r.fault(e.node, e.path, "%v", err)
	}
	return w, false
}

// asWritten is a want as a plan file's long form would have it.
func asWritten(w preconditions.Want) map[string]any {
	if w.AsFound {
		return map[string]any{"want": asFound}
	}
	m := map[string]any{"required": w.Required, "watch": w.Watch}
	for key, v := range map[string]*float64{"want": w.Value, "within": w.Within, "drift_within": w.DriftWithin, "least": w.Least, "most": w.Most} {
		if v != nil {
			m[key] = *v
		}
	}
	if w.On != nil {
		m["want"] = *w.On
	}
	if w.Choice != "" {
		m["want"] = w.Choice
	}
	return m
}

// Handset is the handset of that name.
func (f File) Handset(name string) (Handset, bool) {
	for _, h := range f.Bench.Handsets {
		if h.Name == name {
			return h, true
		}
	}
	return Handset{}, false
}

func isLoopback(hostport string) bool {
	h, _, err := net.SplitHostPort(hostport)
	if err != nil {
		return false
	}
	ip, err := netip.ParseAddr(h)
	return h == "localhost" || err == nil && ip.IsLoopback()
}
