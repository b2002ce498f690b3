package preconditions

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"rundown/devices"
)

// Check reads every precondition of the set and changes nothing. What only trying would
// tell, the shell's permission, is a line that is not required here. Errors are those of
// the link.
func Check(ctx context.Context, l devices.Link, h Handset, s Set) (Report, error) {
	report, wants, err := begin(ctx, l, h, s)
	if err != nil {
		return Report{}, err
	}
	r, err := read(ctx, l, h, report.Identity.Flavour(), entriesOf(wants))
	if err != nil {
		return Report{}, err
	}
	for _, w := range wants {
		e := find(w.Name)
		line, found := e.judge(r, w, false)
		if e.Name == namePermission {
			line.Required = false
		}
		steps, whyNot := e.plan(r, found, w, line)
		line.WillSet = len(steps) > 0
		line.Mend = because(line.Mend, whyNot)
		report.Lines = append(report.Lines, line)
	}
	return report, nil
}

// Times of Apply: how long settings and radios may take to follow, how long one way is
// given before the next is tried, and how long a link that was dropped may stay away.
const (
	followLimit = 15 * time.Second
	wayLimit    = 3 * time.Second
	returnLimit = 60 * time.Second
)

// Apply puts the handset into the state that the set wants, as far as the shell may, and
// reads everything back, by another path than the one that wrote where the handset has
// one. What the shell may do is tried first; when it is refused, nothing is changed.
//
// record is called with each change before it is made; when it fails, nothing further is
// changed and its error is returned. Errors are that, and those of the link; the changes
// made until then have been recorded.
func Apply(ctx context.Context, l devices.Link, h Handset, s Set, record func(Change) error) (Report, error) {
	report, wants, err := begin(ctx, l, h, s)
	if err != nil {
		return Report{}, err
	}
	if record == nil {
		return Report{}, errors.New("preconditions: nothing may be changed without a record of the changes")
	}
	a := &applying{
		link: l, handset: h, record: record, flavour: report.Identity.Flavour(),
		jobs: make(map[string]*job), refused: make(map[string]string),
	}
	r, err := read(ctx, l, h, a.flavour, entriesOf(wants))
	if err != nil {
		return Report{}, err
	}
	refusal, err := a.tryPermission(ctx)
	if err != nil {
		return Report{}, err
	}
	if refusal == "" {
		if err := a.setAll(ctx, r, wants); err != nil {
			return Report{}, err
		}
		// The last word is one reading of everything: a later change may have undone an earlier.
		if r, err = read(ctx, l, h, a.flavour, entriesOf(wants)); err != nil {
			return Report{}, err
		}
	}
	report.At = h.now()
	for _, w := range wants {
		report.Lines = append(report.Lines, a.line(r, w, refusal))
	}
	return report, nil
}

// Watch reads the preconditions that are watched during a drain, by their wider
// tolerances, and changes nothing. A line that is not met is drift; one that cannot be
// read is none, and says why.
func Watch(ctx context.Context, l devices.Link, h Handset, s Set) ([]Line, error) {
	var watched []Want
	for _, w := range effective(h, s) {
		if w.Watch {
			watched = append(watched, w)
		}
	}
	if len(watched) == 0 {
		return nil, nil
	}
	sdk, err := sdkOf(ctx, l, h)
	if err != nil {
		return nil, err
	}
	r, err := read(ctx, l, h, devices.Flavour{SDK: sdk}, entriesOf(watched))
	if err != nil {
		return nil, err
	}
	var lines []Line
	for _, w := range watched {
		line, _ := find(w.Name).judge(r, w, true)
		lines = append(lines, line)
	}
	return lines, nil
}

// sdkOf is the handset's Android version, asked where it is not known.
func sdkOf(ctx context.Context, l devices.Link, h Handset) (int, error) {
	if h.SDK != 0 {
		return h.SDK, nil
	}
	out, err := devices.Run(ctx, l, "getprop ro.build.version.sdk")
	if err != nil {
		return 0, fmt.Errorf("handset %s: %w", name(h, l), err)
	}
	sdk, err := strconv.Atoi(strings.TrimSpace(out))
	if err != nil {
		return 0, fmt.Errorf("handset %s: its Android version cannot be read: %q", name(h, l), strings.TrimSpace(out))
	}
	return sdk, nil
}

// begin reads what a report says besides its lines.
func begin(ctx context.Context, l devices.Link, h Handset, s Set) (Report, []Want, error) {
	wants := effective(h, s)
	for _, w := range wants {
		if err := w.check(); err != nil {
			return Report{}, nil, fmt.Errorf("preconditions %s: %w", s.Name, err)
		}
	}
	id, err := devices.Identify(ctx, l)
	if err != nil {
		return Report{}, nil, err
	}
	report := Report{At: h.now(), Handset: name(h, l), Set: s.Name, Identity: id}
	var packages []string
	for _, role := range devices.Roles() {
		pkg := h.Packages[role]
		if pkg == "" {
			pkg, err = devices.Resolve(ctx, l, role)
			if linkFailed(err) {
				return Report{}, nil, err
			}
			if err != nil {
				continue // which app a scenario needs is the scenario's business
			}
		}
		if !slices.Contains(packages, pkg) {
			packages = append(packages, pkg)
		}
	}
	if report.Apps, err = devices.AppVersions(ctx, l, packages); err != nil {
		return Report{}, nil, err
	}
	return report, wants, nil
}

// effective is the set with what is the handset's own put in.
func effective(h Handset, s Set) []Want {
	wants := slices.Clone(s.Wants)
	for i, w := range wants {
		if w.Name == nameStartLevel && !w.AsFound && h.StartLevel != [2]float64{} {
			wants[i].Least, wants[i].Most = &h.StartLevel[0], &h.StartLevel[1]
		}
	}
	return wants
}

// check refuses a want that its entry cannot judge, such as one made without Spec.Want.
func (w Want) check() error {
	e := find(w.Name)
	switch {
	case e == nil:
		return fmt.Errorf("there is no precondition %q", w.Name)
	case w.AsFound || e.Kind == AsFound:
		return nil
	case e.Kind == OnOff && w.On == nil,
		e.Kind == Number && w.Value == nil,
		e.Kind == Range && w.Least == nil && w.Most == nil,
		e.Kind == Choice && !slices.Contains(e.Choices, w.Choice):
		return fmt.Errorf("%s: want %s", w.Name, e.allowed())
	}
	return nil
}

func entriesOf(wants []Want) []*entry {
	entries := make([]*entry, len(wants))
	for i, w := range wants {
		entries[i] = find(w.Name)
	}
	return entries
}

// judge compares what was found with what is wanted.
func (e *entry) judge(r *readings, w Want, drift bool) (Line, state) {
	s := e.state(r)
	line := Line{Name: e.Name, Wanted: w.text(e.Spec), Required: w.Required, Mender: e.Mender, Verdict: Met}
	if s.unread != "" {
		line.Found, line.Verdict = s.unread, CannotRead
		switch {
		case e.Name == namePermission:
			line.Mend = e.mendText(w)
		case e.Name == "luminance" && r.handset.Curve == nil:
			line.Mend = noCurve
		case slices.Contains(e.reads, devices.ReadBatteryState) && r.frozen():
			line.Mend = "see real_readings"
		default:
			line.Mend = "look at it on the handset itself, or let the plan do without it (required: false)"
		}
		return line, s
	}
	line.Found = s.text
	if line.Found == "" {
		switch e.Kind {
		case OnOff:
			line.Found = onOffText(s.on)
		case Choice:
			line.Found = s.choice
		case Number, Range, AsFound:
			line.Found = withUnit(number(s.value), e.Unit)
		}
	}
	for _, but := range []string{s.unlessOff, s.unlessOn} {
		if but != "" {
			line.Found += ", " + but
		}
	}
	if s.never != "" {
		line.Found += "; " + s.never
	}
	if e.Name == "luminance" && r.handset.CurveNote != "" {
		line.Found += "; curve: " + r.handset.CurveNote
	}
	if !w.AsFound && !s.meets(e, w, drift) {
		line.Verdict, line.Mend = NotMet, e.mendText(w)
	}
	return line, s
}

func (s state) meets(e *entry, w Want, drift bool) bool {
	if s.never != "" {
		return false
	}
	switch e.Kind {
	case OnOff:
		return s.on == *w.On && (*w.On || s.unlessOff == "") && (!*w.On || s.unlessOn == "")
	case Number:
		return math.Abs(s.value-*w.Value) <= max(w.within(e.Spec, drift), s.slack)
	case Range:
		return (w.Least == nil || s.value >= *w.Least) && (w.Most == nil || s.value <= *w.Most)
	case Choice:
		return s.choice == w.Choice || (e.Name == nameLink && w.Choice == "any")
	}
	return true
}

func (e *entry) mendText(w Want) string {
	if e.mend == nil || w.AsFound {
		return ""
	}
	return e.mend(w)
}

// plan gives the steps for a line that is not met. One that cannot be read is left
// alone: what cannot be read cannot be put back.
func (e *entry) plan(r *readings, found state, w Want, line Line) (steps []step, whyNot string) {
	if e.set == nil || line.Verdict != NotMet || w.AsFound {
		return nil, ""
	}
	return e.set(r, found, w)
}

// A job is the steps of one precondition, and how far they have been tried.
type job struct {
	steps    []step
	tried    []int     // ways tried of each step
	since    time.Time // the last try
	accepted bool      // the handset took at least one of them
}

type applying struct {
	link    devices.Link
	handset Handset
	flavour devices.Flavour
	record  func(Change) error
	jobs    map[string]*job
	refused map[string]string // by precondition: what the handset said, or why it was not set
}

// tryPermission does one harmless thing of each sort that is about to be done: a key
// that only wakes the screen, and a setting written as it is. It returns what the
// handset said when it refused, or "".
func (a *applying) tryPermission(ctx context.Context) (refusal string, err error) {
	const probe = "input keyevent 224"
	results, err := devices.Batch(ctx, a.link, []string{probe, "settings get system screen_off_timeout", "settings get system screen_brightness"})
	if err != nil {
		return "", fmt.Errorf("handset %s: trying what its shell may do: %w", name(a.handset, a.link), err)
	}
	if why := results[0].Failed(); why != "" {
		return why, nil
	}
	for i, k := range []key{kTimeout, kBrightness} {
		value := strings.TrimSpace(results[i+1].Text)
		if results[i+1].Failed() != "" || value == "null" || value == "" {
			continue
		}
		put := fmt.Sprintf("settings put %s %s %s", k.space, k.name, devices.Quote(value))
		written, err := devices.Batch(ctx, a.link, []string{put, "settings get " + k.space + " " + k.name})
		if err != nil {
			return "", fmt.Errorf("handset %s: trying what its shell may do: %w", name(a.handset, a.link), err)
		}
		if why := written[0].Failed(); why != "" {
			return why, nil
		}
		if back := strings.TrimSpace(written[1].Text); back != value {
			return fmt.Sprintf("setting %s was written as %q and read back as %q", k.name, value, back), nil
		}
		return "", nil
	}
	return "", nil
}

// setAll sets what is not met, in registry order, and waits until it is.
func (a *applying) setAll(ctx context.Context, r *readings, wants []Want) error {
	var err error
	if i := slices.IndexFunc(wants, func(w Want) bool { return w.Name == nameLink }); i >= 0 {
		// The link comes back in its final form before anything else is set.
		going, err := a.advance(ctx, r, wants[i])
		if err != nil {
			return err
		}
		if going {
			if r, err = read(ctx, a.link, a.handset, a.flavour, entriesOf(wants)); err != nil {
				return err
			}
		}
	}
	begun := a.handset.now()
	for pause := 200 * time.Millisecond; ; pause = min(2*pause, 2*time.Second) {
		pending := false
		for _, w := range wants {
			going, err := a.advance(ctx, r, w)
			if err != nil {
				return err
			}
			pending = pending || going
		}
		if !pending || a.handset.now().Sub(begun) > followLimit {
			return nil
		}
		if err := a.handset.sleep(ctx, pause); err != nil {
			return err
		}
		// Everything is read again, since one change can undo another: airplane mode takes
		// radios with it.
		if r, err = read(ctx, a.link, a.handset, a.flavour, entriesOf(wants)); err != nil {
			return err
		}
	}
}

// advance makes the next move for one precondition that is not met: its first steps, or
// the next way of them when the last has had its time. going is false when it is met, or
// when nothing can be waited for.
func (a *applying) advance(ctx context.Context, r *readings, w Want) (going bool, err error) {
	e := find(w.Name)
	if e.set == nil {
		return false, nil
	}
	line, found := e.judge(r, w, false)
	j := a.jobs[e.Name]
	switch {
	case line.Verdict == Met:
		return false, nil
	case j == nil:
		if j, err = a.begin(e, r, found, w, line); j == nil || err != nil {
			return false, err
		}
	case a.handset.now().Sub(j.since) < wayLimit:
		return j.accepted, nil
	}
	j.since = a.handset.now()
	for i, s := range j.steps {
		for j.tried[i] < len(s.ways) {
			command := s.ways[j.tried[i]]
			j.tried[i]++
			said, err := a.run(ctx, command, s.dropsLink)
			if err != nil {
				return false, err
			}
			if said == "" {
				j.accepted = true
				break
			}
			a.refused[e.Name] = said
		}
	}
	return j.accepted, nil
}

// begin plans the steps of one precondition and writes their changes down, before any is
// made. It returns nil when there is nothing that could be done.
func (a *applying) begin(e *entry, r *readings, found state, w Want, line Line) (*job, error) {
	steps, whyNot := e.plan(r, found, w, line)
	if whyNot != "" {
		a.refused[e.Name] = whyNot
	}
	if len(steps) == 0 {
		return nil, nil
	}
	for _, s := range steps {
		change := Change{
			Name: e.Name, Undo: s.undo, Before: s.before, At: a.handset.now(), DropsLink: s.dropsLink,
			Setting: s.setting, Was: s.was, State: found.compared(), Press: s.press,
		}
		if err := a.record(change); err != nil {
			return nil, fmt.Errorf("handset %s: %s was not changed, since the change could not be written down first: %w", name(a.handset, a.link), e.Name, err)
		}
	}
	delete(a.refused, e.Name)
	j := &job{steps: steps, tried: make([]int, len(steps))}
	a.jobs[e.Name] = j
	return j, nil
}

// run carries out one command and returns what the handset said against it.
func (a *applying) run(ctx context.Context, command string, dropsLink bool) (said string, err error) {
	results, err := devices.Batch(ctx, a.link, []string{command})
	if dropsLink && (err == nil || dropped(err)) {
		if err == nil && results[0].Failed() != "" {
			return results[0].Failed(), nil
		}
		return "", a.awaitLink(ctx)
	}
	if err != nil {
		return "", fmt.Errorf("handset %s: %w", name(a.handset, a.link), err)
	}
	return results[0].Failed(), nil
}

// awaitLink waits until the handset answers again.
func (a *applying) awaitLink(ctx context.Context) error {
	begun := a.handset.now()
	for {
		// A link that is about to be dropped may answer once more.
		if err := a.handset.sleep(ctx, time.Second); err != nil {
			return err
		}
		_, err := devices.Batch(ctx, a.link, []string{"true"})
		if err == nil {
			return nil
		}
		if !dropped(err) || a.handset.now().Sub(begun) > returnLimit {
			return fmt.Errorf("handset %s: the link did not come back within %v of being put into its final form; look at the cable and at the handset's USB setting: %w",
				name(a.handset, a.link), returnLimit, err)
		}
	}
}

// dropped says whether an error is what a restart of the handset's end of the link looks like.
func dropped(err error) bool {
	return errors.Is(err, devices.ErrLinkLost) || errors.Is(err, devices.ErrOffline) ||
		errors.Is(err, devices.ErrNoHandset) || errors.Is(err, devices.ErrTimeout) || errors.Is(err, devices.ErrUnauthorised)
}

// linkFailed says whether an error is the link's, not the handset's answer.
func linkFailed(err error) bool {
	return dropped(err) || errors.Is(err, devices.ErrNoServer) || errors.Is(err, devices.ErrNoPermission) ||
		errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)
}

// line is the report's line after setting.
func (a *applying) line(r *readings, w Want, refusal string) Line {
	e := find(w.Name)
	line, _ := e.judge(r, w, false)
	_, line.WillSet = a.jobs[e.Name]
	switch {
	case e.Name == namePermission && refusal == "":
		line.Found, line.Verdict, line.Mend = "on: a key and a setting were accepted", Met, ""
		if w.On != nil && !*w.On {
			line.Verdict, line.Mend = NotMet, e.mendText(w)
		}
	case e.Name == namePermission:
		line.Found, line.Verdict, line.Mend = "off: "+refusal, NotMet, e.mendText(w)
		if w.On != nil && !*w.On || w.AsFound {
			line.Verdict, line.Mend = Met, ""
		}
	case line.Verdict == Met:
	case line.Verdict == CannotRead:
	case refusal != "" && e.set != nil:
		line.Mend = "give the shell its permission (see " + namePermission + "), or " + line.Mend
	default:
		line.Mend = because(line.Mend, a.refused[e.Name])
	}
	return line
}

// because adds to what a person does why Apply cannot.
func because(mend, why string) string {
	switch {
	case why == "":
		return mend
	case mend == "":
		return why
	}
	return mend + " (" + why + ")"
}
