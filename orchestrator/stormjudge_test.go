package orchestrator_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"maps"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/devices/onboard"
	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
)

// What is not held yet, because what it asks of the product is still being built.
const (
	stormHoldsPower   = true
	stormHoldsFigures = true
	stormHoldsCancel  = true
	stormHoldsLimits  = true
)

// watchOver holds what has to hold at every instant; it looks each 10 s.
func (n *stormNight) watchOver(now time.Time) {
	for _, name := range n.names {
		h := n.handsets[name]
		var said []string
		for _, d := range n.daemons() {
			for _, s := range d.Handsets() {
				if s.Name == name {
					said = append(said, fmt.Sprintf("in %s, waits for %q, problem %q", s.State, s.WaitsFor, s.Problem))
				}
			}
		}
		n.since(n.powered, name, now, n.unasked(name), askedWithin, func(since time.Time) {
			if stormHoldsPower {
				n.fault("somebody is asked about power that should not be", "%s: on since %s, %s", name, since.Format(time.TimeOnly), strings.Join(said, "; "))
			}
		})
		n.sawEmpty(name, now)
		running, _ := n.programs[name].at()
		works := slices.ContainsFunc(running, func(p program) bool { return p.name == "recorder" })
		// The recorder reads every ten seconds, rounds to tenths, and needs two readings.
		// One that sleeps reads nothing, its own daemon included, until it wakes; one whose gauge
		// stands still says nothing, for which its segment ends after half an hour.
		n.since(n.hot, name, now, works && !n.lasts(name, "gauge frozen") && !n.rests(name) && !h.Suspended() && h.BattTempC() > stormStopTempC+0.5, 40*time.Second, func(since time.Time) {
			if stormHoldsLimits {
				n.fault("no limit is passed", "%s: battery at %.1f °C, above %d °C since %s, %s", name, h.BattTempC(), stormStopTempC, since.Format(time.TimeOnly), strings.Join(said, "; "))
			}
		})
	}
}

// rests reports whether a handset rests, so that its own programs sleep.
func (n *stormNight) rests(name string) bool {
	for _, d := range n.daemons() {
		for _, s := range d.Handsets() {
			if s.Name == name && s.Scenario == "idle" {
				return true
			}
		}
	}
	return false
}

// sawEmpty notes when a handset runs empty, whatever its gauge shows, or its cell cannot hold
// the load, and is off by itself.
func (n *stormNight) sawEmpty(name string, now time.Time) {
	e := n.empty[name]
	switch empty := n.handsets[name].TrueSoC() < 0.03 || n.handsets[name].WentOut(); {
	case empty && e == nil:
		n.empty[name] = &stormEvent{kind: "ran empty", handset: name, from: now, until: now.Add(1000 * time.Hour)}
		n.befell = append(n.befell, n.empty[name])
	case !empty && e != nil:
		e.until = now
		delete(n.empty, name)
	}
}

// since has wrong called, once, when something has held for longer than it may.
func (n *stormNight) since(from map[string]time.Time, handset string, now time.Time, holds bool, most time.Duration, wrong func(since time.Time)) {
	since, ok := from[handset]
	switch {
	case !holds:
		delete(from, handset)
	case !ok:
		from[handset] = now
	case !since.IsZero() && now.Sub(since) > most:
		from[handset] = time.Time{} // said
		wrong(since)
	}
}

func pluggedIn(h *simulated.Handset) bool { return h.Powered() }

// stormStopTempC is the plans' temperature limit, °C.
const stormStopTempC = 45

// stormStopLevelPct are the plans' level limits, %, stormLimits those of a segment's time.
var (
	stormStopLevelPct = map[string]int{"pages": 56, "pictures": 10, "charged": 10, "resting": 10}
	stormLimits       = map[string]time.Duration{
		"browse": 70 * time.Minute, "video": 70 * time.Minute, "camera": 70 * time.Minute, "game": 70 * time.Minute, "call": 70 * time.Minute, "topping": 4 * time.Hour,
	}
)

// A stormFigure is a figure beside the truth of the activity that it names.
type stormFigure struct {
	seed              string // of the night
	handset, scenario string
	value, low, high  float64 // hours
	truth, ran        float64 // of the activity as it should be; and of what ran in the window
	points            int
	method, said      string
	held              bool
	halfWidths        float64  // how far off it is, in half-widths of its interval
	befell            []string // kinds of events that befell it
}

// calmWatts are the mean powers of the scenarios on a handset of each flavour when they go
// on as they should, W, at stormScale.
type calmWatts map[simulated.Flavour]map[string]float64

// judge holds the night's records against what was true, once all has come to its end.
func (n *stormNight) judge(calm calmWatts) {
	for _, name := range n.names {
		if _, overlaps := n.programs[name].at(); len(overlaps) > 0 {
			what := strings.Fields(overlaps[0])[1] // recorders or workloads
			n.fault("never two "+what+" on a handset", "%s: %s", name, strings.Join(overlaps, "; "))
		}
		n.judgeSettings(name)
		if n.handsets[name].State() == "device" && pluggedIn(n.handsets[name]) {
			n.fault("power is cut in the morning", "%s is on power", name)
		}
	}
	var all []results.Segment
	for _, d := range n.daemons() {
		all = append(all, n.judgeDaemon(d, calm)...)
	}
	n.judgeLeft(all)
}

// judgeDaemon holds the records of one daemon against what was true, and returns its segments.
func (n *stormNight) judgeDaemon(d *orchestrator.Daemon, calm calmWatts) []results.Segment {
	segments := n.segments(d)
	items := map[string]orchestrator.Item{}
	for _, it := range d.Queue() {
		items[it.RunID] = it
	}
	figures, err := d.Reading().Figures(reading.FigureFilter{WithFlagged: true})
	if err != nil {
		n.fault("the figures can be read", "%v", err)
	}
	bySegment := map[string]reading.SegmentFigure{}
	for _, f := range figures {
		for _, each := range f.Each {
			bySegment[each.Segment] = each
		}
	}
	for _, g := range segments {
		n.outcomes[g.Outcome]++
		_, cancelled := n.cancelledAt[items[g.RunID].ID]
		n.judgeReason(g, cancelled)
		samples, err := d.Store().Samples(g.ID)
		if err != nil {
			n.fault("the samples can be read", "%s: %v", n.say(g), err)
		}
		if _, _, ok := g.Window(); ok && g.Scenario != "topping" {
			n.drains++
		}
		n.judgeLimits(g, samples)
		n.judgeSamples(g, samples)
		if g.Outcome != results.Measured {
			continue
		}
		if at, ok := n.cancelledAt[items[g.RunID].ID]; ok && stormHoldsCancel && g.EndedAt.After(at.Add(20*time.Second)) {
			n.fault("what was cancelled is not measured", "%s: cancelled at %s, its last sample is of %s", n.say(g), at.Format(time.TimeOnly), g.EndedAt.Format(time.TimeOnly))
		}
		if g.Scenario == "topping" {
			continue
		}
		f, ok := bySegment[g.ID]
		if !stormHoldsFigures && strings.HasPrefix(f.Reason, "too few points drained") {
			continue
		}
		if !ok || f.Hours.Value <= 0 || f.Hours.Low <= 0 || f.Hours.High < f.Hours.Low {
			n.fault("what is measured has a figure", "%s: %q; edges %+v, activity at %.1f s, warm-up %.0f s", n.say(g), f.Reason, g.Edges, g.ActivityUpS, g.WarmUpS)
			continue
		}
		n.judgeFigure(g, f, calm)
	}
	return segments
}

func (n *stormNight) say(g results.Segment) string {
	var notes []string
	for _, note := range g.Notes {
		notes = append(notes, note.At.Format(time.TimeOnly)+" "+note.Text)
	}
	return fmt.Sprintf("%s %s attempt %d (%s to %s, %s, %q, ended by %q; notes: %s)", g.Handset, g.Scenario, g.Attempt, g.StartedAt.Format(time.TimeOnly), g.EndedAt.Format(time.TimeOnly), g.Outcome, g.Reason, g.EndedBy, strings.Join(notes, "; "))
}

func (n *stormNight) judgeFigure(g results.Segment, f reading.SegmentFigure, calm calmWatts) {
	spec := n.plan.Handsets[slices.Index(n.names, g.Handset)]
	watts, ok := calm[stormFlavours[spec.Flavour]][g.Scenario]
	if !ok {
		n.fault("the storm knows the truth", "of %s on Android %v", g.Scenario, stormFlavours[spec.Flavour])
		return
	}
	one := stormFigure{
		seed: n.seed, handset: g.Handset, scenario: g.Scenario, value: f.Hours.Value, low: f.Hours.Low, high: f.Hours.High, points: f.Points, method: f.Method,
		truth: n.handsets[g.Handset].TruthHoursAt(watts),
	}
	for _, e := range n.during(g.Handset, g.StartedAt, g.EndedAt) {
		if !slices.Contains(one.befell, e.kind) {
			one.befell = append(one.befell, e.kind)
		}
	}
	unconfirmed := slices.ContainsFunc(g.Conditions, func(c results.Condition) bool { return strings.Contains(c.Found, "not confirmed by the display") })
	if slices.Contains(one.befell, "dims itself") && unconfirmed {
		return // a known limit: nothing on such a handset tells what its screen gives, and its record says so
	}
	first, last, _ := g.Window()
	one.ran = n.handsets[g.Handset].TruthHours(time.Duration(first)*time.Millisecond, time.Duration(last)*time.Millisecond)
	one.said = n.say(g)
	one.held = one.low <= one.truth && one.truth <= one.high
	one.halfWidths = math.Abs(one.value-one.truth) / ((one.high - one.low) / 2)
	n.figures = append(n.figures, one)
	if one.halfWidths > 3 {
		n.fault("no figure is off by more than three half-widths", "%s: %.3f h (%.3f to %.3f), truth %.3f h, what ran would have lasted %.3f h; %s, %d points, warnings %q",
			n.say(g), one.value, one.low, one.high, one.truth, one.ran, one.method, one.points, f.Warnings)
	}
}

// causes tells what a reason blames, and which events bring that about. A reason that is none
// of these names no cause, and one that blames what never befell its handset names a wrong one.
var causes = []struct {
	says string   // in the reason
	of   []string // kinds of events; none: it needs none
}{
	{"taken over", nil}, // it says by whom; also one that was not heard of for long
	{"without a look at the battery", slices.Concat(linkKinds, daemonKinds, []string{"switched off"})},
	{"handset was taken", []string{"taken over", "holder file"}},
	{"holder", []string{"holder file"}},
	{"samples missing", []string{"storage full"}},
	{"restarted", []string{"reboot", "switched off", "ran empty"}},
	{"recorder is gone", []string{"adbd restarts", "reboot", "switched off", "ran empty"}},
	{"power seen", powerKinds},
	{"the power went", slices.Concat(powerKinds, daemonKinds, []string{"switched off"})},
	{"not heard of", slices.Concat(linkKinds, []string{"switched off", "settings barred"})},
	{"could not be started", slices.Concat(linkKinds, deviceKinds)},
	{"battery is full", nil},
	{"workload loop is gone", slices.Concat(linkKinds, deviceKinds)},
	{"evidence", slices.Concat(linkKinds, deviceKinds, daemonKinds, powerKinds, []string{"handset clock jumps"})}, // by which captures are told apart
	{"the handset was suspended for", []string{"screen off"}},
	{"no figure: handset was on power", powerKinds},
	{"the handset's own power was", slices.Concat(linkKinds, deviceKinds, daemonKinds, powerKinds, []string{"saver on", "dims itself", "hot room"})},
	{"no figure", []string{"gauge frozen", "gauge skips", "gauge re-anchors", "counter jumps", "storage full", "shell hangs", "CR LF", "warnings first", "hot room", "dims itself"}},
	{"found on the handset", []string{"collected by hand", "another daemon", "taken over"}},
	{"the activity went on in", slices.Concat(linkKinds, deviceKinds, daemonKinds, powerKinds, []string{"handset clock jumps", "saver on"})},
	// A charge whose power waits for a daemon that is not there comes to its limit.
	{"ended at the time limit, at", slices.Concat(daemonKinds, powerKinds, linkKinds)},
	{"its gauge has stopped", []string{"gauge frozen"}},
	{"did not answer", linkKinds},
	{"time limit", []string{"gauge frozen", "gauge skips", "gauge re-anchors", "shell hangs", "storage full", "dims itself"}},
	{"the gauge raised its level", []string{"gauge re-anchors", "gauge skips", "gauge frozen"}},
	{"the gauge lowered its level", []string{"gauge re-anchors", "gauge skips", "gauge frozen"}},
	{"level and charge counter part", []string{"gauge re-anchors", "gauge skips", "gauge frozen", "counter jumps", "counter breaks"}},
	{"the charge counter went", []string{"counter jumps", "counter breaks", "gauge frozen"}},
	{"temperature limit", []string{"hot room"}},
	{"battery at", []string{"hot room"}},
	{"level limit", nil},
	{"battery unreadable", []string{"shell hangs", "CR LF", "warnings first"}},
	{"wifi", []string{"Wi-Fi lost", "reboot", "switched off"}},
	{"on_battery", slices.Concat(powerKinds, daemonKinds)},
	{"battery_saver", []string{"saver on"}},
	{"luminance", []string{"dims itself", "settings barred", "saver on"}},
	{"brightness", []string{"dims itself", "settings barred", "saver on"}},
	{"free_storage", []string{"storage full"}},
	{"storage", []string{"storage full"}},
	{"heat_throttling", []string{"hot room"}},
	// What another daemon has put back, on a handset that did not say any more whose it was.
	{"bluetooth: wanted", []string{"holder file"}},
	{"location: wanted", []string{"holder file"}},
}

// gaugeAlarms begin the reasons of drains in which the gauge is said to have corrected itself. A
// test that is right in all but so many of sound drains says so now and then of one.
var gaugeAlarms = []string{"the gauge raised its level", "the gauge lowered its level", "level and charge counter part", "the charge counter went"}

// linkKinds are events that keep the daemon and the stage from a handset, deviceKinds those
// that keep an activity from going on.
var (
	powerKinds  = []string{"power comes", "charger plugged in", "laid on a pad", "gate does not close", "gate switches late", "gate does not open", "gate tested"}
	daemonKinds = []string{"daemon stopped", "daemon killed", "another daemon", "taken over"}
	linkKinds   = []string{
		"ran empty",
		"link lost", "no longer authorised", "link blips", "adb server down", "answers cut", "adbd restarts", "stage out of reach", "shell hangs", "Wi-Fi lost",
	}
	deviceKinds = []string{
		"reboot", "switched off", "dialog on top", "call on top", "app crashes", "app hangs", "app disabled", "screen off", "storage full", "input refused",
	}
)

// causeWithin is how long before a segment or after its last sample its cause may have been:
// so long is a handset waited for that is away. One that rests is looked at after an hour and a
// quarter at the latest, and waited for two hours longer.
func causeWithin(g results.Segment) time.Duration {
	if g.Scenario == "idle" {
		return 35*time.Minute + 75*time.Minute + 2*time.Hour
	}
	return 35 * time.Minute
}

// clockJumped reports whether a segment's times are those of a handset's own clock, as its record
// says, and that clock was set at some time of the night.
func (n *stormNight) clockJumped(g results.Segment) bool {
	return slices.ContainsFunc(g.Notes, func(note results.Note) bool { return strings.Contains(note.Text, "by the handset's own clock only") }) &&
		slices.ContainsFunc(n.befell, func(e *stormEvent) bool { return e.handset == g.Handset && e.kind == "handset clock jumps" })
}

// judgeReason holds what a segment says of itself against what befell its handset. cancelled:
// its run was, at whatever time; a handset that is away learns of it late.
func (n *stormNight) judgeReason(g results.Segment, cancelled bool) {
	switch g.Outcome {
	case results.Cancelled:
		if !(cancelled && strings.Contains(g.Reason, "cancelled")) && !strings.Contains(g.Reason, "taken over") {
			n.fault("what is not measured names a cause that was there", "%s; its run was cancelled: %t", n.say(g), cancelled)
		}
		n.reasons[g.Outcome+": "+g.Reason]++
		return
	case results.Measured:
		return
	case results.Underway:
		n.fault("no segment is left under way", "%s", n.say(g))
		return
	}
	n.reasons[g.Outcome+": "+g.Reason]++
	named := false
	from, until := g.StartedAt.Add(-causeWithin(g)), g.EndedAt.Add(causeWithin(g))
	if n.clockJumped(g) {
		from, until = time.Time{}, n.clock.Now()
	}
	befell := n.during(g.Handset, from, until)
	for _, c := range causes {
		if !strings.Contains(g.Reason, c.says) {
			continue
		}
		named = true
		if c.of == nil || slices.ContainsFunc(befell, func(e *stormEvent) bool { return slices.Contains(c.of, e.kind) }) {
			return
		}
	}
	if slices.ContainsFunc(gaugeAlarms, func(says string) bool { return strings.HasPrefix(g.Reason, says) }) {
		n.alarms = append(n.alarms, n.say(g)) // how many of these there may be, the storm says as a whole
		return
	}
	switch {
	case strings.TrimSpace(g.Reason) == "":
		n.fault("what is not measured says why", "%s", n.say(g))
	case !named:
		n.fault("what is not measured names its cause", "%s; edges %+v, activity at %.1f s, warm-up %.0f s", n.say(g), g.Edges, g.ActivityUpS, g.WarmUpS)
	default:
		n.fault("what is not measured names a cause that was there", "%s; it was befallen by %v", n.say(g), befell)
	}
}

// judgeLimits: the sample that shows a limit passed, and one more.
func (n *stormNight) judgeLimits(g results.Segment, samples []results.Sample) {
	if !stormHoldsLimits {
		return
	}
	stopLevelPct := stormStopLevelPct[g.Plan]
	hot, low := 0, 0
	for _, s := range samples {
		if s.TempC != nil && *s.TempC >= stormStopTempC {
			hot++
		}
		if s.LevelPct <= stopLevelPct && g.Scenario != "topping" {
			low++
		}
	}
	if hot > 2 {
		n.fault("no limit is passed by more than two samples", "%s: %d samples at %d °C or above", n.say(g), hot, stormStopTempC)
	}
	if low > 2 {
		n.fault("no limit is passed by more than two samples", "%s: %d samples at %d %% or below", n.say(g), low, stopLevelPct)
	}
	// A handset that rests sees the time only when it wakes, which it does by itself now and then.
	most := stormLimits[g.Scenario]
	late := 0
	for _, s := range samples {
		if most > 0 && time.Duration(s.UptimeMS-samples[0].UptimeMS)*time.Millisecond > most+30*time.Second {
			late++
		}
	}
	if late > 2 {
		took := time.Duration(samples[len(samples)-1].UptimeMS-samples[0].UptimeMS) * time.Millisecond
		n.fault("no limit is passed by more than two samples", "%s: recorded for %v, allowed were %v, %d samples after that", n.say(g), took, most, late)
	}
}

// judgeSamples holds what is stored against the file that the handset had.
func (n *stormNight) judgeSamples(g results.Segment, samples []results.Sample) {
	file, ok := n.files.of(g.ID)
	if !ok {
		var left bytes.Buffer
		if _, err := n.handsets[g.Handset].Pull(n.t.Context(), onboard.SamplesPath(g.ID), 0, &left); err != nil {
			if len(samples) > 0 {
				n.fault("every sample of a handset is stored, and no other", "%s: %d samples are stored, and the handset never had its file", n.say(g), len(samples))
			}
			return
		}
		file = left.Bytes()
	}
	if diff := sameSamples(samples, file, n.printsOf(g.Handset)); diff != "" {
		n.fault("every sample of a handset is stored, and no other", "%s (-file +stored):\n%s", n.say(g), diff)
	}
}

// printsOf is how a handset prints its battery.
func (n *stormNight) printsOf(handset string) simulated.Printing {
	return stormPrintings[n.plan.Handsets[slices.Index(n.names, handset)].Prints]
}

// judgeLeft looks for recordings of which the store knows nothing.
func (n *stormNight) judgeLeft(segments []results.Segment) {
	known := map[string]bool{}
	for _, g := range segments {
		known[g.ID] = true
	}
	n.files.mu.Lock()
	defer n.files.mu.Unlock()
	for _, id := range slices.Sorted(maps.Keys(n.files.files)) {
		if !known[id] && len(phoneSamples(n.files.files[id], simulated.Printing{})) > 0 {
			n.fault("every sample of a handset is stored, and no other", "segment %s was removed from its handset and is not in the store", id)
		}
	}
}

// judgeSettings: what was changed is back, or owed and shown.
func (n *stormNight) judgeSettings(name string) {
	h := n.handsets[name]
	if h.State() != "device" {
		return
	}
	after := allSettings(n.t, h)
	if after == n.before[name] {
		return
	}
	was := strings.Split(n.before[name], "\n")
	is := strings.Split(after, "\n")
	changed := slices.DeleteFunc(slices.Concat(only(was, is), only(is, was)), func(line string) bool {
		// The saver was the storm's own doing.
		return strings.Contains(line, "low_power") && slices.ContainsFunc(n.befell, func(e *stormEvent) bool { return e.handset == name && e.kind == "saver on" })
	})
	if len(changed) == 0 || n.left[name] {
		return
	}
	for _, d := range n.daemons() {
		for _, s := range d.Handsets() {
			if s.Name == name && s.Owed != nil {
				return // and shown
			}
		}
	}
	n.fault("every changed setting is back, or owed and shown", "%s (-before +after):\n%s", name, cmp.Diff(was, is))
}

// only are the lines of a that are not in b.
func only(a, b []string) (list []string) {
	for _, line := range a {
		if !slices.Contains(b, line) {
			list = append(list, line)
		}
	}
	return list
}

// judgeStore opens the store of a daemon that has ended, and holds a copy and the exports
// against it.
func (n *stormNight) judgeStore(data string) {
	s, err := results.Open(filepath.Join(data, "rundown.db"))
	if err != nil {
		n.fault("the store opens", "%v", err)
		return
	}
	defer s.Close()
	at := filepath.Join(data, "copy.db")
	if err := s.BackUp(at); err != nil {
		n.fault("the store can be copied", "%v", err)
		return
	}
	copied, err := results.Open(at)
	if err != nil {
		n.fault("a copy of the store opens", "%v", err)
		return
	}
	defer copied.Close()
	for _, table := range results.Tables() {
		var here, there bytes.Buffer
		rows, err := results.Export(s, table, "csv", results.Filter{}, &here)
		if err != nil {
			n.fault("the exports are whole", "%s: %v", table.Name, err)
			continue
		}
		if _, err := results.Export(copied, table, "csv", results.Filter{}, &there); err != nil || !bytes.Equal(here.Bytes(), there.Bytes()) {
			n.fault("a copy of the store is equal to it", "table %s: %v", table.Name, err)
		}
		if lines, err := csv.NewReader(&here).ReadAll(); err != nil || len(lines) != rows+1 {
			n.fault("the exports are whole", "%s: %d lines for %d rows and a head, %v", table.Name, len(lines), rows, err)
		}
	}
	segments, err := s.Segments("")
	if err != nil {
		n.fault("the store opens", "%v", err)
	}
	count := 0
	for _, g := range segments {
		samples, err := s.Samples(g.ID)
		if err != nil || len(samples) != g.Samples {
			n.fault("a segment's record says how many samples it has", "%s says %d, and %d are stored, %v", n.say(g), g.Samples, len(samples), err)
		}
		count += len(samples)
	}
	for _, table := range results.Tables() {
		if table.Name != "samples" {
			continue
		}
		for _, format := range results.Formats() {
			var out bytes.Buffer
			if rows, err := results.Export(s, table, format, results.Filter{}, &out); err != nil || rows != count {
				n.fault("the exports are whole", "%s as %s: %d rows of %d samples, %v", table.Name, format, rows, count, err)
			}
		}
	}
	if left, _ := filepath.Glob(filepath.Join(data, ".backup-*")); len(left) > 0 {
		n.fault("no half copies are left", "%q", left)
	}
}

// calmly measures what the scenarios draw on a handset of each flavour when nothing happens.
func calmly(t *testing.T) calmWatts {
	calm := calmWatts{}
	var names []string
	flavours := map[string]simulated.Flavour{}
	for i, f := range stormFlavours {
		name := fmt.Sprintf("H%d", i+1)
		names = append(names, name)
		flavours[name] = f
		calm[f] = map[string]float64{}
	}
	bubbleBench(t, names, `
plans:
  calm:
    drain: 5
    start_level_pct: {least: 20, most: 96}
    segments: [browse, video, call, camera, game, {scenario: idle, drain: 3}]
    segment_limit: 30 h
`, func(b *bench) {
		for _, name := range b.names {
			silence(b.handsets[name])
		}
		b.startDaemon()
		b.queue("calm")
		lists := b.finish(120 * time.Hour)
		for _, name := range b.names {
			if len(lists[name]) != 6 {
				b.t.Fatalf("a calm night on Android %v: %d segments, want 6: %+v", flavours[name], len(lists[name]), b.status(name))
			}
			for _, g := range lists[name] {
				first, last, ok := g.Window()
				if !ok || g.Outcome != results.Measured {
					b.t.Fatalf("a calm night on Android %v: %s %s %s", flavours[name], g.Scenario, g.Outcome, g.Reason)
				}
				from, to := time.Duration(first)*time.Millisecond, time.Duration(last)*time.Millisecond
				calm[flavours[name]][g.Scenario] = b.handsets[name].MeanWatts(from, to)
				if g.Scenario == "idle" { // what it draws with nobody looking
					calm[flavours[name]][g.Scenario] = b.handsets[name].RestWatts(from, to)
				}
			}
		}
	}, func(name string, o *simulated.Options) {
		o.Android, o.ScalePower, o.Heat = flavours[name], stormScale, stormHeat
	})
	return calm
}

// silence is somebody who switches do not disturb to priority on a handset, which the shell
// may not do on the oldest of them.
func silence(h *simulated.Handset) {
	var out bytes.Buffer
	h.Exec(context.Background(), "settings put global zen_mode 1", nil, &out, &out)
}
