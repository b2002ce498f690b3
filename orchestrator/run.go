package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"rundown/devices"
	"rundown/devices/preconditions"
	"rundown/results"
	"rundown/results/endurance"
	"rundown/results/sustain"
	"rundown/scenarios"
)

// How long a run waits for things that are not the plan's to set.
const (
	sinkPatience  = 3 * time.Hour    // for a level above the start window to come down
	sinkMost      = 25.0             // by how much a level may be above it, %, to be let sink: more would take too long
	linkPatience  = 30 * time.Minute // for a handset that is away, outside a drain
	powerPatience = 2 * time.Minute  // for power to come or go after the gate switched
	restoreTries  = 3                // for settings that will not go back, before they are owed
	gateLimit     = 30 * time.Second // for a power gate that is closed while the daemon starts or stops; real time
	retryEvery    = 5 * time.Second
	readyFresh    = 10 * time.Minute // how long preconditions that were met count as met before the activity begins
	heatHeadroomC = 3.0              // a recharge stopped by heat goes on when the battery is this much cooler
)

// A run is one plan being carried out on one handset. It belongs to that handset's actor:
// no other goroutine touches it.
type run struct {
	d    *Daemon
	h    scenarios.Handset
	gate devices.PowerGate // nil: nothing here can switch the handset's power
	log  zerolog.Logger
	list []scenarios.Segment
	e    *entry
	rec  results.Run
	live *segment // the segment under way; nil outside Settling to Collecting
	held []string // named limits held
	// unread: the gate has switched and could not be confirmed; what it said.
	unread string

	recharged []endurance.Observation // what recharges have shown since the last segment

	keptAt time.Time // when the handset was last told that its daemon is there

	clipTried bool // whether the clip was brought to the handset, or was tried to be
}

// carryOut moves the run from state to state until it is over. The only error that leaves
// it is the context's, or the store's: the journal then has what is needed to go on.
func (r *run) carryOut(ctx context.Context) error {
	defer r.release()
	defer r.d.meters.end(r.h.Name)
	defer r.leavePower(ctx)
	defer func() {
		if r.live != nil {
			r.live.asking.stop(errors.New("its run has ended"))
		}
	}()
	for !r.e.State.over() {
		event, err := r.act(ctx)
		if err != nil {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err() // what the daemon's own stopping has brought about is not journalled
		}
		if err := r.move(event); err != nil {
			return err
		}
	}
	return nil
}

// act does what the state asks for and returns what came of it.
func (r *run) act(ctx context.Context) (Event, error) {
	if r.d.watch != nil {
		r.d.watch(r.h.Name, r.e.State)
	}
	if r.e.State != Settling && !r.e.State.Measures() { // else the segment says so
		r.d.resting(r.h.Name, false)
	}
	switch r.e.State {
	case Preparing:
		return r.prepare(ctx)
	case Recharging:
		return r.recharge(ctx)
	case Settling:
		return r.settle(ctx)
	case Draining, Charging:
		return r.measure(ctx)
	case Collecting:
		return r.collect(ctx)
	case Restoring:
		return r.restore(ctx)
	}
	return "", fmt.Errorf("run %s is in the unknown state %q", r.e.RunID, r.e.State)
}

// move journals the next state before anything is done in it.
func (r *run) move(event Event) error {
	from := r.e.State
	to, err := next(from, event)
	if err != nil {
		r.log.Error().Err(err).Msg("the run is stopped")
		r.e.StopReason = why(err)
		if r.e.Segment != nil && r.e.Segment.Verdict.Spoiled == "" {
			r.e.Segment.Verdict.Spoiled = r.e.StopReason
		}
	}
	r.e.State = to
	if err := r.d.saveEntry(r.e); err != nil {
		return err
	}
	r.log.Info().Str("event", string(event)).Str("from", string(from)).Str("to", string(to)).Str("reason", r.e.StopReason).Msg("moves")
	r.rec.State, r.rec.Reason = string(to), r.e.StopReason
	if to.over() {
		r.rec.EndedAt = r.d.now()
	}
	r.d.tell(r.h.Name, func(s *HandsetStatus) { s.State, s.Problem, s.WaitsFor = string(to), r.e.StopReason, "" })
	r.d.publish(Change{Handset: r.h.Name, Run: r.e.RunID, Kind: "state", Text: strings.TrimSpace(string(to) + " " + r.e.StopReason)})
	if err := r.d.store.PutRun(r.rec); err != nil {
		return err
	}
	if event == LimitReached {
		r.notifyLimit()
	}
	return nil
}

// giveUp ends the run before its list is through. What fails only because the daemon is
// stopping ends nothing.
func (r *run) giveUp(ctx context.Context, format string, args ...any) (Event, error) {
	if ctx.Err() != nil {
		return "", ctx.Err()
	}
	if r.e.StopReason == "" {
		r.e.StopReason = fmt.Sprintf(format, args...)
	}
	return GaveUp, nil
}

// prepare brings the handset to where the next segment may start: preconditions applied,
// read back and met, level in the window, its named limits free.
func (r *run) prepare(ctx context.Context) (Event, error) {
	if r.e.StopReason != "" {
		return GaveUp, nil
	}
	if err := r.standBy(ctx); err != nil {
		return "", err
	}
	if r.cancelled() {
		return r.giveUp(ctx, "cancelled")
	}
	if r.e.Step < len(r.list) {
		if event, err := r.takeHandset(ctx); event != "" || err != nil {
			return event, err
		}
		level, err := r.level(ctx)
		switch {
		case isStop(ctx, err):
			return "", err
		case err != nil:
			return r.giveUp(ctx, "battery cannot be read: %s", why(err))
		}
		if err := r.skip(level); err != nil {
			return "", err
		}
	}
	if r.e.Step >= len(r.list) {
		return ListThrough, nil
	}
	scenario := r.scenario()
	r.d.tell(r.h.Name, func(s *HandsetStatus) {
		s.Scenario, s.Segment, s.Segments, s.PointsDone, s.Progress = scenario.Name, r.e.Step+1, len(r.list), 0, ""
		s.Points = r.goal().points
	})
	r.showRunEnd(0)
	if event, err := r.roomAgain(ctx); event != "" || err != nil {
		return event, err
	}
	if err := r.bringClip(ctx); err != nil {
		return "", err
	}
	return r.ready(ctx, scenario)
}

// level reads the battery level, %.
func (r *run) level(ctx context.Context) (int, error) {
	battery, err := r.battery(ctx)
	return battery.LevelPct, err
}

func (r *run) battery(ctx context.Context) (battery devices.Battery, err error) {
	err = r.reach(ctx, linkPatience, func(l devices.Link) (err error) {
		if battery, err = devices.ReadBattery(ctx, l); err != nil {
			return err
		}
		return r.keep(ctx, l)
	})
	if err == nil {
		battery = r.d.inUnits(r.h.Name, battery)
		r.d.sawBattery(r.h, battery)
	}
	return battery, err
}

// ready waits until level and preconditions are such that the segment may begin.
func (r *run) ready(ctx context.Context, scenario scenarios.Scenario) (Event, error) {
	window := r.window()
	waited, room := r.d.stopwatch(), roomSearch{}
	for {
		battery, err := r.battery(ctx)
		switch {
		case isStop(ctx, err):
			return "", err
		case err != nil:
			return r.giveUp(ctx, "battery cannot be read: %s", why(err))
		}
		if float64(battery.LevelPct) < window.Least {
			if r.gate == nil {
				return r.giveUp(ctx, "level %d %%, below the start window of %g to %g %%, and no power gate is set up: charge it and queue again", battery.LevelPct, window.Least, window.Most)
			}
			return LevelTooLow, nil
		}
		if battery.Plugged() != 0 && r.gate != nil {
			if why := r.switchPower(ctx, false); why != "" {
				return r.giveUp(ctx, "%s", why)
			}
		}
		if float64(battery.LevelPct) > window.Most && battery.Plugged() == 0 {
			if event, err := r.tooFull(ctx, scenario, battery.LevelPct, window, waited); event != "" || err != nil {
				return event, err
			}
			continue
		}
		report, err := r.apply(ctx)
		var kept *storeError
		switch {
		case isStop(ctx, err) || errors.As(err, &kept):
			return "", err
		case err != nil:
			return r.giveUp(ctx, "preconditions cannot be set: %s", why(err))
		}
		unmet := report.Unmet()
		if len(unmet) == 0 {
			break
		}
		if event, err := r.mend(ctx, scenario, unmet, waited, &room); event != "" || err != nil {
			return event, err
		}
	}
	r.e.ReadyAt, r.e.Claims = r.d.now(), r.claims()
	return r.hold(ctx, scenario, r.e.holdsAt(r.e.Step))
}

// mend sees to what is unmet, or waits for it, until the next look; an event says that neither helps.
func (r *run) mend(ctx context.Context, scenario scenarios.Scenario, unmet []preconditions.Line, waited *stopwatch, room *roomSearch) (Event, error) {
	if r.cancelled() {
		return r.giveUp(ctx, "cancelled")
	}
	if r.gate != nil && slices.ContainsFunc(unmet, func(l preconditions.Line) bool { return l.Mender == preconditions.ByRecharge }) {
		if level, err := r.level(ctx); err == nil && float64(level) < r.window().Least {
			return LevelTooLow, nil // it sank while the rest was being set
		}
	}
	if least, said, ok := r.roomFor(unmet); ok {
		return r.makeRoom(ctx, room, least, said)
	}
	if !worthWaiting(unmet) || waited.read() > r.e.Item.Order.Plan.SettleLimit {
		return r.giveUp(ctx, "precondition unmet: %s", sayUnmet(unmet))
	}
	r.waitsFor(sayUnmet(unmet))
	r.sleepScreen(ctx, scenario)
	return "", r.restTurn(ctx, scenario, sayUnmet(unmet))
}

// tooFull lets the level sink into the start window until the next look, or ends the run.
func (r *run) tooFull(ctx context.Context, scenario scenarios.Scenario, levelPct int, window scenarios.Window, waited *stopwatch) (Event, error) {
	by := r.e.Item.FinishBy
	switch {
	case r.cancelled():
		return r.giveUp(ctx, "cancelled")
	case !by.IsZero() && r.d.now().After(by):
		return r.giveUp(ctx, "the night ended while the level had to sink into the start window")
	case waited.read() > sinkPatience:
		return r.giveUp(ctx, "level %d %%, above the start window of %g to %g %% for %s with the screen on: the gauge may be stuck", levelPct, window.Least, window.Most, round(sinkPatience))
	case float64(levelPct) > window.Most+sinkMost:
		return r.giveUp(ctx, "level %d %%, far above the start window of %g to %g %% of %s: put a segment before it that drains the handset, such as {scenario: game, drain_to: %g}", levelPct, window.Least, window.Most, scenario.Name, window.Most)
	}
	return "", r.sink(ctx, levelPct, window)
}

// sleepScreen lets a handset rest with its screen off before a scenario that wants it off
// anyway: one that waits to cool at 2 % has no charge to spare.
func (r *run) sleepScreen(ctx context.Context, s scenarios.Scenario) {
	if !s.ScreenOff {
		return
	}
	r.screenOff(ctx)
}

func (r *run) screenOff(ctx context.Context) {
	if l, err := r.d.linkTo(r.h); err == nil {
		err = devices.DarkenScreen(ctx, l)
		if err != nil && ctx.Err() == nil {
			r.log.Warn().Err(err).Msg("the screen could not be put to sleep while it waits")
		}
	}
}

// sink keeps the screen on until the next look, so that a level above the start window,
// such as that of a handset fresh from its charger, comes down into it by itself.
func (r *run) sink(ctx context.Context, levelPct int, window scenarios.Window) error {
	err := r.reach(ctx, linkPatience, func(l devices.Link) error { return devices.LightScreen(ctx, l) })
	if isStop(ctx, err) {
		return err
	}
	if err != nil {
		r.log.Warn().Err(err).Msg("the screen could not be lit to let the level sink")
	}
	r.waitsFor(fmt.Sprintf("the level to sink from %d to %g %%", levelPct, window.Most))
	return r.d.clock.Sleep(ctx, r.d.pollEvery)
}

// apply sets the preconditions and keeps the report and what must be put back.
func (r *run) apply(ctx context.Context) (report preconditions.Report, err error) {
	r.waitsFor("preconditions being set")
	var units decided
	err = r.reach(ctx, linkPatience, func(l devices.Link) error {
		if units, err = r.d.lookAtUnits(ctx, l, r.h); err != nil {
			return err
		}
		book := changeBook{d: r.d, l: l, h: r.h, changes: &r.e.Changes, save: func() error { return stored(r.d.saveEntry(r.e)) }}
		report, err = preconditions.Apply(ctx, l, r.d.facts(r.h, r.window()), r.e.Item.Order.Set, func(c preconditions.Change) error { return book.record(ctx, c) })
		return err
	})
	if err != nil {
		return report, err
	}
	r.d.complete(r.h.Name, &report)
	report.Lines = append(report.Lines, units.line())
	r.e.Report = conditions(report)
	r.rec.Handset = handsetRecord(r.h, report)
	_, r.rec.Handset.Calibration, _ = r.d.curveOf(r.h)
	return report, stored(r.d.store.PutRun(r.rec))
}

// worthWaiting reports whether time alone mends everything that is unmet. A call ends, and a
// dialog is answered by whoever passes by.
func worthWaiting(unmet []preconditions.Line) bool {
	for _, l := range unmet {
		if l.Mender != preconditions.ByWaiting && l.Name != preconditions.OnTop {
			return false
		}
	}
	return true
}

func sayUnmet(unmet []preconditions.Line) string {
	var said []string
	for _, l := range unmet {
		text := fmt.Sprintf("%s: wanted %s, found %s", l.Name, l.Wanted, l.Found)
		if l.Mend != "" {
			text += " (" + l.Mend + ")"
		}
		said = append(said, text)
	}
	return strings.Join(said, "; ")
}

// hold waits until the scenario's named limits are free. What is held already stays so.
// The handset waits with its screen off, and is looked at again when that took long.
func (r *run) hold(ctx context.Context, scenario scenarios.Scenario, names []string) (Event, error) {
	defer r.d.waitsLong(r.h.Name)()
	waited, slept := r.d.stopwatch(), false
	names = slices.DeleteFunc(slices.Clone(names), func(n string) bool { return slices.Contains(r.held, n) })
	for {
		if full := r.d.limits.take(names); full == "" {
			r.held = append(r.held, names...)
			if waited.read() > readyFresh {
				event, err := r.ready(ctx, scenario)
				if event != Ready {
					r.release() // it has to be recharged first, or its run ends
				}
				return event, err
			}
			return Ready, nil
		} else {
			if handset, ok := strings.CutPrefix(full, claimOn("")); ok {
				full = handset + ", which another run needs,"
			} else {
				full = "limit " + full
			}
			r.waitsFor(full + " to be free")
		}
		if waited.read() > time.Minute && !slept {
			slept = true
			r.screenOff(ctx)
		}
		if r.cancelled() {
			return r.giveUp(ctx, "cancelled")
		}
		if err := r.d.clock.Sleep(ctx, retryEvery); err != nil {
			return "", err
		}
	}
}

func (r *run) release() { r.releaseBut(nil) }

// releaseBut lets go of all that is held but these.
func (r *run) releaseBut(kept []string) {
	keeps := func(n string) bool { return slices.Contains(kept, n) }
	r.d.limits.give(slices.DeleteFunc(slices.Clone(r.held), keeps))
	r.held = slices.DeleteFunc(slices.Clone(r.held), func(n string) bool { return !keeps(n) })
}

// settle starts the activity and waits for the start edge.
func (r *run) settle(ctx context.Context) (Event, error) {
	if r.live == nil {
		if event, err := r.begin(ctx); event != "" || err != nil {
			return event, err
		}
	}
	if r.goal().charges() && !(r.e.GateOpen && r.live.u.PowerSeen) {
		if event, err := r.connectPower(ctx); event != "" || err != nil {
			return event, err
		}
	}
	return r.follow(ctx)
}

// measure watches the segment until it ends.
func (r *run) measure(ctx context.Context) (Event, error) {
	if r.live == nil {
		if err := r.takeUp(); err != nil {
			return "", err
		}
	}
	return r.follow(ctx)
}

// restore puts every changed setting back, newest first, and leaves the handset on its
// home screen with the screen off. For a handset that is away it writes down what is owed:
// that is done when the handset is back, whether anything is queued for it or not.
func (r *run) restore(ctx context.Context) (Event, error) {
	r.release()
	// Who has the handset by now may be charging it by the same gate, if this run did not open it.
	if r.e.GateOpen || r.e.TakenOver == "" || r.d.heldBy(r.h.Name) == nil {
		if err := r.closeGate(ctx); err != nil && !isStop(ctx, err) {
			r.note("power gate %s does not close: cut the power by hand: %s", r.gate.Name(), why(err))
		}
	}
	r.waitsFor("settings being put back")
	if err := r.putBack(ctx); err != nil {
		return "", err
	}
	r.e.Changes = nil
	if r.e.StopReason != "" {
		return RestoredEarly, nil
	}
	return RestoredDone, nil
}

// answerTries is how often something is tried whose answer makes no sense, or that fails
// on the handset, before it is believed.
const answerTries = 3

// reach runs f with a link to the handset. While the handset is away it waits and tries
// again, up to patience; the last error is returned then. What f cannot do for another
// reason it tries answerTries times.
func (r *run) reach(ctx context.Context, patience time.Duration, f func(devices.Link) error) error {
	return r.reachOn(ctx, r.h, patience, f)
}

// reachOn does so with a link to any handset of the bench.
func (r *run) reachOn(ctx context.Context, h scenarios.Handset, patience time.Duration, f func(devices.Link) error) error {
	waited := r.d.stopwatch()
	for tries := 1; ; {
		l, err := r.d.linkTo(h)
		if err == nil {
			err = f(l)
			var kept *storeError
			var final *finalError
			switch {
			case ctx.Err() != nil || errors.As(err, &kept):
				return errors.Join(err, ctx.Err())
			case errors.As(err, &final):
				return final.err
			case err == nil:
				r.d.tell(h.Name, func(s *HandsetStatus) { s.LinkLostAt = time.Time{} })
				return nil
			case !linkDown(err):
				if tries++; tries > answerTries {
					return err
				}
				r.log.Warn().Err(err).Msg("tried again")
			}
		}
		if linkDown(err) {
			if h.Name == r.h.Name {
				r.away(err)
			} else {
				r.waitsFor("the link to " + h.Name + ": " + why(err))
			}
			if r.cancelled() && !errors.Is(err, ErrNotLooked) || waited.read() > patience {
				return err
			}
		}
		if err := r.d.clock.Sleep(ctx, retryEvery); err != nil {
			return err
		}
	}
}

// away shows that the handset cannot be reached at the moment, and what to do.
func (r *run) away(err error) {
	first, now := false, r.d.now()
	var seen HandsetStatus
	r.d.tell(r.h.Name, func(s *HandsetStatus) {
		if first = s.LinkLostAt.IsZero(); first {
			s.LinkLostAt = now
		}
		s.WaitsFor = "the link: " + why(err)
		seen = *s
	})
	if now.Sub(seen.LinkLostAt) >= LinkLostLong {
		r.notifyLinkLost(seen)
	}
	if first {
		r.log.Warn().Err(err).Msg("link lost; what runs on the handset goes on by itself")
		r.d.publish(Change{Kind: "link", Handset: r.h.Name, Run: r.e.RunID, Text: "lost: " + why(err)})
	}
}

// isStop reports whether an error only says that the daemon is stopping.
func isStop(ctx context.Context, err error) bool { return err != nil && ctx.Err() != nil }

// standBy holds the run while its item is paused.
func (r *run) standBy(ctx context.Context) error {
	defer r.d.waitsLong(r.h.Name)()
	for {
		it, ok := r.d.queue.item(r.e.Item.ID)
		if !ok || !it.Paused || it.State == Cancelled {
			return nil
		}
		r.waitsFor("to be resumed")
		if err := r.d.clock.Sleep(ctx, retryEvery); err != nil {
			return err
		}
	}
}

func (r *run) cancelled() bool {
	it, ok := r.d.queue.item(r.e.Item.ID)
	return ok && it.State == Cancelled
}

// skip passes over segments that have nothing to do at this level, or that would not end in
// time by their estimate, recharge included, and says so in the record of each.
func (r *run) skip(level int) error {
	for ; r.e.Step < len(r.list); r.e.Step++ {
		reason := r.needless(level)
		if by := r.e.Item.FinishBy; reason == "" && !by.IsZero() {
			if need, _ := r.estimate(r.e.Step, level); r.d.now().Add(need).After(by) {
				reason = fmt.Sprintf("would take about %s, and the night ends at %s", devices.Lasting(need.Round(time.Minute)), devices.At(by))
			}
		}
		if reason == "" {
			return nil
		}
		g := r.newSegment()
		g.Outcome, g.Reason = results.Skipped, reason
		g.StartedAt, g.EndedAt = r.d.now(), r.d.now()
		r.e.Attempt = 1
		if err := r.d.store.PutSegment(g); err != nil {
			return err
		}
		r.log.Info().Str("scenario", g.Scenario).Str("reason", g.Reason).Msg("segment not begun")
	}
	return nil
}

// allowed is the time limit of the segment at hand: the plan's, or what is left of the
// night, so that a handset that drains more slowly than was expected keeps to it too.
func (r *run) allowed() time.Duration {
	limit := r.limit()
	if by := r.e.Item.FinishBy; !by.IsZero() {
		limit = min(limit, by.Sub(r.d.now())-overhead)
	}
	return max(limit, time.Minute)
}

func (r *run) scenario() scenarios.Scenario {
	return r.e.Item.Order.Scenarios[r.list[r.e.Step].Scenario]
}

// points is the drain target of the segment at hand, percentage points.
func (r *run) points() int {
	if own := r.list[r.e.Step].DrainPoints; own > 0 {
		return own
	}
	return r.e.Item.Order.Plan.DrainPoints
}

func (r *run) warmUp() time.Duration {
	s := r.list[r.e.Step]
	for _, d := range []time.Duration{s.WarmUp, r.scenario().WarmUp} {
		if d > 0 {
			return d
		}
	}
	return r.e.Item.Order.Plan.WarmUp
}

func (r *run) limit() time.Duration {
	if own := r.list[r.e.Step].Limit; own > 0 {
		return own
	}
	plan := r.e.Item.Order.Plan
	if r.list[r.e.Step].EndsBy(r.scenario()) == scenarios.UntilSettled {
		if plan.SegmentLimit > 0 {
			return min(plan.SegmentLimit, sustain.LongestWork)
		}
		return sustain.LongestWork
	}
	return plan.SegmentLimit
}

func (r *run) waitsFor(what string) {
	r.d.tell(r.h.Name, func(s *HandsetStatus) { s.WaitsFor = what })
}

func (r *run) note(format string, args ...any) {
	n := results.Note{At: r.d.now(), Text: fmt.Sprintf(format, args...)}
	r.rec.Notes = append(r.rec.Notes, n)
	r.log.Warn().Msg(n.Text)
}

// conditions turns a report into records.
func conditions(report preconditions.Report) []results.Condition {
	var list []results.Condition
	for _, l := range report.Lines {
		list = append(list, results.Condition{Name: l.Name, Wanted: l.Wanted, Found: l.Found, Verdict: string(l.Verdict), Required: l.Required, Mend: l.Mend})
	}
	return list
}

func handsetRecord(h scenarios.Handset, report preconditions.Report) results.Handset {
	id := report.Identity
	return results.Handset{
		Name: h.Name, Serial: h.Serial, Model: id.Model, AndroidVersion: id.AndroidVersion, SDK: id.SDK, Build: id.Build,
		SecurityPatch: id.SecurityPatch, CapacityMAh: h.CapacityMAh, NominalMV: h.NominalMV, Apps: report.Apps, Supply: h.Supply.String(),
	}
}
