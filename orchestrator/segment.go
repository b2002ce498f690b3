package orchestrator

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/devices/preconditions"
	"rundown/results"
	"rundown/scenarios"
	"rundown/scenarios/stage"
)

// fewestPoints is how many points a segment must have drained to give a figure at all;
// with fewer, one that ended at a limit is spoiled.
const fewestPoints = 3

// A segment is the daemon's half of a segment under way: the handset does the work, this
// follows its two files, judges the evidence and watches for drift.
type segment struct {
	rec        results.Segment
	u          *underway
	scenario   scenarios.Scenario
	session    *stage.Session // nil: the scenario needs no stage
	samples    onboard.Reader
	activity   onboard.Reader
	witness    *witness
	phoneUntil time.Time // until when the handset's own lines are complete
	last       *onboard.Sample
	heard      *stopwatch    // since the segment was begun or taken up
	jump       time.Duration // by how much the host's clock was set since the segment began
	line       *lifeline     // nil until it is followed
	judgedAt   int           // points at which its interval was looked at last
	overs      int           // looks in a row at which a limit was passed
	taken      bool          // taken up by a restarted daemon
	driftAt    time.Time
	drifting   map[string]bool
	lookedAt   time.Time          // when the handset answered last, by the clock as it was at the start
	gone       int                // looks in a row at which the workload loop did not run
	heardAt    time.Time          // when the stage was last listened to
	unsaved    []results.Evidence // from the stage, not stored yet
	asking     *personAsked       // a person, for what no command can answer; nil: nobody
	oddTemp    bool               // a temperature was none in the units decided, and that is noted
	oddVoltage bool               // the same of a voltage
	lookNext   lookAfter          // of a handset that rests
	bell       *bell              // of a handset that rests; nil: none was hung up
	unwritten  int                // samples that are missing between the first and the last
	powerStep  *powerStep         // a step in the handset's own power; nil: none, or not looked for
	freeBytes  *int64             // storage that was free when its files were collected; nil: not read
}

// note adds to what was seen, once for each text.
func (g *segment) note(at time.Time, format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	for _, n := range g.rec.Notes {
		if n.Text == text {
			return
		}
	}
	g.rec.Notes = append(g.rec.Notes, results.Note{At: at, Text: text})
}

func (g *segment) close() {
	g.bell.stop()
	g.asking.stop(errors.New("its segment has ended"))
	if g.session != nil {
		g.session.Close()
	}
}

// A storeError is the store's, not the handset's: the daemon is stuck, the handset is not.
type storeError struct{ err error }

func (e *storeError) Error() string { return e.err.Error() }
func (e *storeError) Unwrap() error { return e.err }

func stored(err error) error {
	if err == nil {
		return nil
	}
	return &storeError{err}
}

// follow looks at the segment again and again until something ends the state.
func (r *run) follow(ctx context.Context) (Event, error) {
	r.d.meters.begin(r.h.Name, r.live.u.ID)
	defer r.lifelineOf().keep(ctx)()
	for {
		event, err := r.look(ctx)
		if event != "" || err != nil {
			return event, err
		}
		if err := r.d.clock.Sleep(ctx, r.d.pollEvery); err != nil {
			return "", err
		}
	}
}

// look takes in what is new and decides. It returns no event while all is well.
func (r *run) look(ctx context.Context) (Event, error) {
	g := r.live
	if r.cancelled() {
		r.e.StopReason, g.u.Verdict.Cancelled = "cancelled", r.sayCancelled()
		return GaveUp, nil
	}
	if limit, patience := time.Duration(g.u.LimitS)*time.Second, r.patience(); g.heard.read() > limit+patience {
		g.u.Verdict.Unheard = true
		return r.spoil("not heard of until %s after its time limit of %s", patience, limit)
	}
	if r.leftAlone() {
		return "", nil
	}
	l, err := r.d.linkTo(r.h)
	if err == nil {
		asked := r.d.now()
		var event Event
		event, err = r.contact(ctx, l)
		r.lookAgain(asked, err)
		if event != "" || err == nil {
			return event, err
		}
	}
	var kept *storeError
	if ctx.Err() != nil || errors.As(err, &kept) {
		return "", err
	}
	r.hearStage()
	// The handset goes on by itself; what it writes is taken in when it is back. An answer
	// that makes no sense is treated alike: the next look may be luckier.
	r.away(err)
	r.lifelineOf().unheard(err)
	return "", r.noteOutages()
}

// inspect asks what is on the handset. Where nothing waits there it has less time to answer.
func (r *run) inspect(ctx context.Context, l devices.Link) (onboard.State, error) {
	if !r.live.bell.waits() {
		bounded, cancel := context.WithTimeout(ctx, lookLimit)
		defer cancel()
		ctx = bounded
	}
	return onboard.Inspect(ctx, l, r.live.u.Key)
}

// contact is one look at the handset over a link.
func (r *run) contact(ctx context.Context, l devices.Link) (Event, error) {
	g := r.live
	asked := r.d.now()
	state, err := r.inspect(ctx, l)
	if err != nil {
		return "", err
	}
	switch {
	case g.u.BootID != "" && state.BootID != g.u.BootID:
		return r.afterRestart(ctx, l, state)
	case !state.Exists:
		return r.spoil("its files are gone from the handset")
	}
	r.compareClocks(asked, state.UptimeMS)
	if err := r.looked(state.UptimeMS); err != nil {
		return "", err
	}
	r.listen(ctx, l)
	r.hearStage()
	r.regained(ctx, l)
	if err := r.noteOutages(); err != nil {
		return "", err
	}
	if state.StartedBootID == "" && !state.RecorderAlive && !state.Ended && state.SamplesBytes == 0 {
		if r.holderChanged(state) {
			return r.outOfHand(ctx, l)
		}
		// The daemon died, or the link was lost, between installing and starting.
		return "", r.startPrograms(ctx, l)
	}
	if err := r.takeIn(ctx, l); err != nil {
		return "", err
	}
	if r.holderChanged(state) {
		return r.outOfHand(ctx, l)
	}
	if event, err := r.comesAlong(ctx, l); event != "" || err != nil {
		return event, err
	}
	if g.u.Ended != "" || !state.RecorderAlive {
		return r.recorderEnded(ctx, l, state)
	}
	if event, err := r.overLimit(ctx, l); event != "" || err != nil {
		return event, err
	}
	if event, err := r.enoughWork(ctx, func(ctx context.Context) error { return onboard.Stop(ctx, l, g.u.Key) }); event != "" || err != nil {
		return event, err
	}
	if event, err := r.judge(ctx, l, state); event != "" || err != nil {
		return event, err
	}
	return "", r.watchDrift(ctx, l)
}

// comesAlong shows how far the segment is, and says when it has begun or is good enough.
func (r *run) comesAlong(ctx context.Context, l devices.Link) (Event, error) {
	r.showProgress()
	if r.e.State == Settling {
		if event, err := r.begun(); event != "" || err != nil {
			return event, err
		}
	}
	return r.narrowEnough(ctx, l)
}

// recorderEnded says what comes of a segment whose recorder has ended, or has said that it ends.
func (r *run) recorderEnded(ctx context.Context, l devices.Link, state onboard.State) (Event, error) {
	switch ended := r.live.u.Ended; {
	case ended != "" && state.RecorderAlive && !state.Ended:
		r.waitsFor("the activity to be closed on the handset")
		return "", nil // its teardown runs; it is bounded there
	case ended != "":
		r.cutPower(ctx)
		r.driftAtEnd(ctx, l, state)
		return r.endedBy(ended)
	case state.Ended:
		return r.spoil("the recorder ended without its end mark (%s)", state.EndReason)
	default:
		return r.spoil("%s", recorderGone)
	}
}

// overLimit holds the temperature and level limits once more, in the daemon: the handset
// ends its segment by itself at them, and had a moment to do so.
func (r *run) overLimit(ctx context.Context, l devices.Link) (Event, error) {
	over := r.limitPassed()
	if over == "" {
		r.live.overs = 0
		return "", nil
	}
	if r.live.overs++; r.live.overs < 2 {
		return "", nil // its end mark comes with the next look
	}
	r.cutPower(ctx)
	if err := onboard.Stop(ctx, l, r.live.u.Key); err != nil {
		return "", err
	}
	r.live.u.Verdict.Reason = "ended by the daemon: " + over
	return LimitReached, nil
}

// limitPassed says which limit the latest reading passes, or "".
func (r *run) limitPassed() string {
	last, stopLevelPct, stopTempC := r.live.last, r.stopLevelPct(), r.stopTempC()
	var tempC *float64
	if last != nil {
		tempC = r.live.units().TempC(last.TempRaw)
	}
	switch {
	case last == nil:
	case stopTempC > 0 && tempC != nil && *tempC >= stopTempC:
		return fmt.Sprintf("battery at %.1f °C (limit %g)", *tempC, stopTempC)
	case stopLevelPct > 0 && last.LevelPct <= stopLevelPct:
		return fmt.Sprintf("level %d %% (limit %d)", last.LevelPct, stopLevelPct)
	}
	return ""
}

// cutPower closes the power gate of a handset that has become too hot, whatever the gate
// was thought to be, and keeps what the daemon itself saw.
func (r *run) cutPower(ctx context.Context) {
	over := r.limitPassed()
	if over == "" {
		return
	}
	said := "the daemon read: " + over
	if r.gate != nil {
		if err := r.closeGate(ctx); err != nil {
			said += "; power gate " + r.gate.Name() + " does not close: " + why(err)
		} else {
			said += "; power gate " + r.gate.Name() + " closed"
		}
	}
	r.live.u.Verdict.Seen = said
	r.live.note(r.d.now(), "%s", said)
	r.log.Warn().Msg(said)
}

// compareClocks finds out whether the host's clock was set since the segment began, from
// the handset's uptime. Time stamps and the judgement of evidence go on from the clock as
// it was then; durations are the handset's in any case.
func (r *run) compareClocks(asked time.Time, uptimeMS int64) {
	g := r.live
	up := time.Duration(uptimeMS) * time.Millisecond
	g.lookedAt = g.u.hostAt(uptimeMS) // whatever the host's clock says now
	earliest, latest := asked.Add(-up).Add(-g.u.ZeroWithin), r.d.now().Add(-up).Add(g.u.ZeroWithin)
	jump := time.Duration(0)
	switch {
	case g.u.HostZero.IsZero():
		return
	case g.u.HostZero.Before(earliest):
		jump = earliest.Sub(g.u.HostZero)
	case g.u.HostZero.After(latest):
		jump = latest.Sub(g.u.HostZero)
	}
	const least = 10 * time.Second // clocks that run a little differently are no jump
	if (jump - g.jump).Abs() >= least {
		g.note(r.d.now(), "the host's clock was set by about %s; time stamps of this segment go on by the clock as it was", round(jump-g.jump))
		r.log.Warn().Stringer("by", jump-g.jump).Msg("the host's clock was set")
		g.jump = jump
		r.lifelineOf().jump.Store(int64(jump))
	}
}

// steady is an instant by the host's clock as it was when the segment began.
func (r *run) steady(t time.Time) time.Time { return t.Add(-r.live.jump) }

// regained makes good what a lost link took with it. The way to the stage is made anew at
// each look: a link that was gone for an instant may not have been seen to be.
func (r *run) regained(ctx context.Context, l devices.Link) {
	lost := false
	r.d.tell(r.h.Name, func(s *HandsetStatus) {
		lost = !s.LinkLostAt.IsZero()
		s.LinkLostAt, s.WaitsFor = time.Time{}, ""
	})
	if lost {
		r.d.publish(Change{Kind: "link", Handset: r.h.Name, Run: r.e.RunID, Text: "back"})
	}
	line := r.lifelineOf()
	line.heard()
	if line.staged {
		_ = line.renew(ctx, l, r.d.board.losses(r.h)) // it is in the log, and tried again
	}
}

// takeIn reads what the handset wrote since the last look, stores it, and moves the
// offsets on. Only whole lines are taken, so an offset always stands at a line's start.
func (r *run) takeIn(ctx context.Context, l devices.Link) error {
	g := r.live
	text, err := wholeLines(ctx, l, onboard.SamplesPath(g.u.Key), g.u.SamplesAt)
	if err != nil {
		return err
	}
	lines, damage := g.samples.Feed(text)
	r.damagedNow("samples", damage)
	if _, err := r.d.store.AppendSamples(g.u.ID, r.hearRecorder(lines)); err != nil {
		return stored(err)
	}
	moved := int64(len(text))
	g.u.SamplesAt += moved
	if text, err = wholeLines(ctx, l, onboard.ActivityPath(g.u.Key), g.u.ActivityAt); err != nil {
		return err
	}
	lines, damage = g.activity.Feed(text)
	r.damagedNow("activity", damage)
	for _, line := range lines {
		if a := line.Activity; a != nil {
			if isEvidence(a.Kind) {
				g.witness.saw(r.proof(a))
			}
			r.uncounted(a)
			r.bookkeeping(a)
		}
	}
	g.u.ActivityAt += int64(len(text))
	g.u.LookedAt = g.lookedAt
	if moved+int64(len(text)) == 0 {
		return nil
	}
	return stored(r.d.saveEntry(r.e))
}

// wholeLines reads a handset's file from an offset up to its last line end.
func wholeLines(ctx context.Context, l devices.Link, path string, offset int64) ([]byte, error) {
	var buf bytes.Buffer
	if _, err := l.Pull(ctx, path, offset, &buf); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, nil // not written yet
		}
		return nil, err
	}
	return buf.Bytes()[:bytes.LastIndexByte(buf.Bytes(), '\n')+1], nil
}

// hearRecorder notes the recorder's marks and returns its samples as records.
func (r *run) hearRecorder(lines []onboard.Line) []results.Sample {
	g := r.live
	var samples []results.Sample
	for _, line := range lines {
		switch {
		case line.Sample != nil:
			g.last = line.Sample
			g.phoneUntil = g.u.hostAt(line.Sample.UptimeMS)
			samples = append(samples, r.sample(line.Sample))
		case line.Mark != nil && line.Mark.Kind == "start-edge":
			g.u.StartEdge = true
		case line.Mark != nil && line.Mark.Kind == "end":
			g.u.Ended = line.Mark.Text
		}
	}
	return samples
}

func (r *run) sample(s *onboard.Sample) results.Sample {
	u := r.live.units()
	out := results.Sample{
		Seq: s.Seq, HostAt: r.live.u.hostAt(s.UptimeMS), PhoneAt: time.UnixMilli(s.WallMS).UTC(), UptimeMS: s.UptimeMS,
		LevelPct: s.LevelPct, CounterRaw: s.CounterRaw, VoltageMV: u.MV(s.VoltageRaw), TempC: u.TempC(s.TempRaw), CurrentRaw: s.CurrentRaw,
		Status: s.Status, Plugged: s.Plugged,
	}
	if r.live.u.HostZero.IsZero() {
		out.HostAt = out.PhoneAt // a segment of which the host knows nothing
	}
	r.noteOddReading(s, out)
	return out
}

func (r *run) proof(a *onboard.Activity) results.Evidence {
	return results.Evidence{At: r.live.u.hostAt(a.UptimeMS), UptimeMS: a.UptimeMS, Kind: a.Kind, Value: float64(a.Value), Detail: a.Detail}
}

// bookkeeping notes what the onboard programs write about themselves. A step that failed
// is worth a note; that the loop began or ended is not.
func (r *run) bookkeeping(a *onboard.Activity) {
	if len(r.live.rec.Notes) >= mostNotes {
		return
	}
	switch at := r.live.u.hostAt(a.UptimeMS); a.Kind {
	case "failed":
		r.live.note(at, "a step of the scenario failed: %s", a.Detail)
	case "missed":
		r.live.note(at, "a capture left no new file among the %s", a.Detail)
	}
}

// mostNotes bounds what a scenario whose every step fails leaves in its record.
const mostNotes = 50

// damaged notes lines of a handset's file that are damaged, and samples that are missing
// or twice, from a reading of the whole file.
func (r *run) damaged(file string, err error) {
	if err == nil {
		return
	}
	for text := range strings.SplitSeq(err.Error(), "\n") {
		if len(r.live.rec.Notes) < mostNotes {
			r.live.note(r.d.now(), "%s file: %s", file, text)
		}
	}
	r.log.Warn().Err(err).Str("file", file).Msg("the handset's file is damaged")
}

// damagedNow does so while the file is followed. After a restart of the daemon its line
// numbers count from there, so only the log has them; the whole file is read at the end.
func (r *run) damagedNow(file string, err error) {
	if r.live.taken && err != nil {
		r.log.Warn().Err(err).Str("file", file).Msg("the handset's file is damaged")
		return
	}
	r.damaged(file, err)
}

// hearStage takes in what the handset's page has posted.
func (r *run) hearStage() {
	g := r.live
	if g.session == nil || g.witness == nil {
		return
	}
	now := r.steady(r.d.now())
	if g.lookedAt.After(g.heardAt) {
		now = g.lookedAt
	}
	defer func() { g.heardAt = now }()
	for _, p := range g.session.Seen() {
		at := r.steady(p.At.UTC())
		if at.After(now) || at.Before(g.heardAt) {
			at = now // it came since the last look, around an instant at which the clock was set
		}
		e := results.Evidence{At: at, Kind: p.Kind, Value: p.Value, Detail: p.Detail}
		g.witness.saw(e)
		g.rec.Evidence = append(g.rec.Evidence, e)
		g.unsaved = append(g.unsaved, e)
	}
	if len(g.unsaved) == 0 {
		return
	}
	// The handset's own evidence is in its file; this is nowhere but here. It is stored
	// apart, since the record would be written anew each time.
	if err := r.d.store.PutDocument(heardOf(g.u.ID), fmt.Sprintf("%08d", len(g.rec.Evidence)), g.unsaved); err != nil {
		r.log.Error().Err(err).Msg("evidence from the stage could not be stored; tried again")
		return
	}
	g.unsaved = nil
}

// heardOf is the store's kind for what the stage heard of a segment under way.
func heardOf(segment string) string { return "heard " + segment }

// judge brings the activity back once when its evidence is overdue or its loop is gone,
// and gives the segment up the second time.
func (r *run) judge(ctx context.Context, l devices.Link, state onboard.State) (Event, error) {
	g, now := r.live, r.live.lookedAt
	if wait, event, err := r.askPerson(ctx); wait || event != "" || err != nil {
		return event, err
	}
	missing := g.witness.missing(g.phoneUntil, now)
	if g.gone++; state.WorkloadAlive {
		g.gone = 0
	}
	if g.u.Reviving != "" {
		return "", r.revive(ctx, l)
	}
	if missing == "" && g.gone >= 3 { // at first it may not run yet
		missing = "the workload loop is gone from the handset"
	}
	if missing == "" {
		return "", nil
	}
	switch {
	case r.pausedWork():
		return r.spoil("%s: work that pauses lets the handset cool", missing)
	case g.u.Revivals > 0:
		return r.spoil("%s, for the second time", missing)
	}
	g.u.Revivals, g.u.Reviving = g.u.Revivals+1, missing
	return "", r.revive(ctx, l)
}

// watchDrift reads the preconditions that may drift, every so often.
func (r *run) watchDrift(ctx context.Context, l devices.Link) error {
	g, now := r.live, r.live.lookedAt
	if g.driftAt.IsZero() {
		g.driftAt = now
	}
	if !r.e.State.Measures() || now.Sub(g.driftAt) < r.e.Item.Order.Plan.DriftEvery {
		return nil
	}
	g.driftAt = now
	set := r.e.Item.Order.Set
	if r.rests() && g.u.Ended == "" {
		set = set.Only(drawAtRest) // the rest would keep the handset awake; it is looked for at the end
	}
	lines, err := preconditions.Watch(ctx, l, r.d.facts(r.h, r.window()), set)
	if err != nil {
		return err
	}
	for _, line := range lines {
		if line.Name == preconditions.OnBattery && r.goal().charges() || line.Name == preconditions.ScreenLuminance && g.scenario.ScreenOff {
			continue
		}
		out := line.Verdict == preconditions.NotMet
		if out && !g.drifting[line.Name] {
			g.rec.Drift = append(g.rec.Drift, results.Drift{At: now.UTC(), Name: line.Name, Wanted: line.Wanted, Found: line.Found, Tolerated: !line.Required})
			r.log.Warn().Str("precondition", line.Name).Str("wanted", line.Wanted).Str("found", line.Found).Msg("drift")
			if err := r.d.store.PutSegment(g.rec); err != nil {
				return stored(err)
			}
		}
		g.drifting[line.Name] = out
	}
	return nil
}

// spoil ends the segment as one that is not what it says.
func (r *run) spoil(format string, args ...any) (Event, error) {
	r.live.u.Verdict.Spoiled = fmt.Sprintf(format, args...)
	return SegmentSpoiled, nil
}
