package orchestrator

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
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
	startEdge  bool
	ended      string // the recorder's word, once its end mark was read
	driftAt    time.Time
	drifting   map[string]bool
	unsaved    int // pieces of evidence since the record was stored
}

// newSegment is the record of the segment at hand.
func (r *run) newSegment() results.Segment {
	s, plan := r.scenario(), r.e.Item.Order.Plan
	return results.Segment{
		ID: r.segmentID(), RunID: r.e.RunID, Handset: r.h.Name, Plan: plan.Name, Scenario: s.Name,
		Index: r.e.Step%len(plan.Segments) + 1, Repeat: r.e.Step/len(plan.Segments) + 1, Attempt: r.e.Attempt,
		Outcome: results.Underway, WorkloadVersion: s.Version, WarmUpS: r.warmUp().Seconds(), SampleEveryS: plan.SampleEvery.Seconds(),
		TargetPoints: r.points(), Conditions: r.e.Report,
	}
}

// segmentID names the segment in the store, and its folder on the handset.
func (r *run) segmentID() string {
	return fmt.Sprintf("%s-%02d-%d", r.e.RunID, r.e.Step+1, r.e.Attempt)
}

// begin puts the onboard programs on the handset and starts them. Each step is journalled
// before it is made; a run that was killed in between begins the same segment again.
func (r *run) begin(ctx context.Context) (Event, error) {
	if r.e.Segment != nil && r.e.Segment.Started {
		return "", r.takeUp()
	}
	r.waitsFor("the activity to start")
	r.e.Segment = &underway{ID: r.segmentID(), Key: r.segmentID()}
	g := &segment{rec: r.newSegment(), u: r.e.Segment, scenario: r.scenario(), drifting: map[string]bool{}}
	g.rec.StartedAt = r.d.now()
	if g.scenario.Stage != "" {
		g.session = r.d.stage.Open(g.scenario.Stage)
		g.u.StageKey = g.session.Key()
	}
	r.live = g
	if err := r.d.saveEntry(r.e); err != nil {
		return "", err
	}
	err := r.reach(ctx, linkPatience, func(l devices.Link) error { return r.start(ctx, l) })
	switch {
	case isStop(ctx, err):
		return "", err
	case err != nil:
		g.u.Verdict.Spoiled = "the activity could not be started: " + why(err)
		return SegmentSpoiled, r.d.store.PutSegment(g.rec)
	}
	return "", nil
}

// start installs and starts the programs over a link that holds at the moment.
func (r *run) start(ctx context.Context, l devices.Link) error {
	g, plan := r.live, r.e.Item.Order.Plan
	id, err := devices.Identify(ctx, l)
	if err != nil {
		return err
	}
	target, err := r.target(ctx, l, id)
	if err != nil {
		return err
	}
	program, hash, err := scenarios.Compile(g.scenario, target)
	if err != nil {
		return err
	}
	current, err := onboard.ProbeCurrent(ctx, l)
	if err != nil {
		return err
	}
	before := r.d.now()
	uptime, _, err := devices.Uptime(ctx, l)
	if err != nil {
		return err
	}
	now := r.d.now()
	g.u.BootID, g.u.HostZero = id.BootID, before.Add(now.Sub(before)/2).Add(-uptime).UTC()
	g.rec.BootID, g.rec.WorkloadHash, g.rec.LoopS = id.BootID, hash, program.LoopS
	g.rec.ActivityUpS = uptime.Seconds()
	g.witness, g.phoneUntil = newWitness(g.scenario.Evidence, now), now
	seg := onboard.Segment{
		Key: g.u.Key, SampleEverySec: int(plan.SampleEvery.Seconds()), WarmUpSec: int(r.warmUp().Seconds()), TargetPoints: r.points(),
		StopLevelPct: plan.StopLevelPct, StopTempDeciC: int(plan.StopTempC * 10), TimeLimitSec: int(r.limit().Seconds()),
		StopOnPower: true, CurrentPath: current, Workload: program,
	}
	if !g.scenario.ScreenOff {
		if _, err := devices.Run(ctx, l, "input keyevent 224; wm dismiss-keyguard"); err != nil {
			return err
		}
	}
	if err := onboard.Install(ctx, l, seg); err != nil {
		return err
	}
	// From here on the handset may be at work: the journal must know before it is.
	g.u.Installed, g.u.Started = true, true
	if err := r.d.saveEntry(r.e); err != nil {
		return err
	}
	if err := r.d.store.PutSegment(g.rec); err != nil {
		return err
	}
	if err := onboard.Start(ctx, l, g.u.Key); err != nil {
		return err
	}
	g.witness.restart(r.d.now()) // installing took its time, and nothing could be seen before
	return nil
}

// target says what the scenario is compiled for.
func (r *run) target(ctx context.Context, l devices.Link, id devices.Identity) (scenarios.Target, error) {
	g := r.live
	t := scenarios.Target{ScreenW: id.ScreenW, ScreenH: id.ScreenH, SDK: id.SDK, Packages: map[string]string{}}
	for _, role := range g.scenario.Roles() {
		pkg := r.h.Packages[role]
		if pkg == "" {
			var err error
			if pkg, err = devices.Resolve(ctx, l, role); err != nil {
				return t, fmt.Errorf("which app is the %s: %w", role, err)
			}
		}
		t.Packages[role] = pkg
	}
	if g.session != nil {
		base, err := r.stageBase(ctx, l)
		if err != nil {
			return t, err
		}
		t.StageURL = base + g.session.Path()
	}
	if g.scenario.NeedsClip() {
		path, err := r.d.clip.place(ctx, l, r.h)
		if err != nil {
			return t, fmt.Errorf("the clip: %w", err)
		}
		t.ClipPath = path
	}
	return t, nil
}

// stageBase makes the stage reachable for the handset and returns its address there.
func (r *run) stageBase(ctx context.Context, l devices.Link) (string, error) {
	at := r.d.file.Bench.Stage
	if at.Address != "" {
		return "http://" + at.Address, nil
	}
	port, err := r.d.stagePort()
	if err != nil {
		return "", err
	}
	if err := l.Reverse(ctx, at.Port, port); err != nil {
		return "", fmt.Errorf("the stage cannot be reached through the link: %w", err)
	}
	return fmt.Sprintf("http://localhost:%d", at.Port), nil
}

// takeUp finds the segment of the journal again after the daemon was restarted. What the
// handset wrote meanwhile is read from the byte where the daemon stopped.
func (r *run) takeUp() error {
	u := r.e.Segment
	if u == nil {
		return fmt.Errorf("run %s: the journal names no segment in state %s", r.e.RunID, r.e.State)
	}
	rec, err := r.d.store.Segment(u.ID)
	if errors.Is(err, results.ErrNotFound) {
		rec = r.newSegment()
	} else if err != nil {
		return err
	}
	g := &segment{rec: rec, u: u, scenario: r.scenario(), drifting: map[string]bool{}}
	now := r.d.now()
	g.witness, g.phoneUntil = newWitness(g.scenario.Evidence, now), now
	if g.scenario.Stage != "" {
		g.session = r.d.stage.Reopen(u.StageKey, g.scenario.Stage)
	}
	g.startEdge = r.e.State == Draining
	g.rec.Notes = append(g.rec.Notes, results.Note{At: now, Text: "taken up again by a restarted daemon"})
	r.live = g
	return nil
}

// follow looks at the segment again and again until something ends the state.
func (r *run) follow(ctx context.Context) (Event, error) {
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
		r.e.StopReason, g.u.Verdict.Reason = "cancelled", "cancelled"
		return GaveUp, nil
	}
	if late := r.d.now().Sub(g.rec.StartedAt); late > r.limit()+linkPatience {
		return r.spoil("not heard of for %s after its time limit of %s", round(late-r.limit()), round(r.limit()))
	}
	r.hearStage()
	l, err := r.d.linkTo(r.h)
	if err == nil {
		var event Event
		if event, err = r.contact(ctx, l); event != "" || err == nil {
			return event, err
		}
	}
	switch {
	case ctx.Err() != nil:
		return "", ctx.Err()
	case !linkDown(err):
		var failed *devices.CommandError
		if errors.As(err, &failed) {
			return r.spoil("%s", why(err))
		}
		return "", err
	}
	// The handset goes on by itself; what it writes is taken in when it is back.
	r.d.tell(r.h.Name, func(s *HandsetStatus) {
		if s.LinkLostAt.IsZero() {
			s.LinkLostAt = r.d.now()
			r.log.Warn().Err(err).Msg("link lost, the handset goes on alone")
		}
		s.WaitsFor = "the link: " + why(err)
	})
	return "", nil
}

// contact is one look at the handset over a link.
func (r *run) contact(ctx context.Context, l devices.Link) (Event, error) {
	g := r.live
	state, err := onboard.Inspect(ctx, l, g.u.Key)
	if err != nil {
		return "", err
	}
	r.regained(ctx, l)
	switch {
	case g.u.BootID != "" && state.BootID != g.u.BootID:
		return r.spoil("the handset restarted during the segment")
	case !state.Exists:
		return r.spoil("its files are gone from the handset")
	}
	if err := r.takeIn(ctx, l); err != nil {
		return "", err
	}
	r.showProgress()
	if g.ended != "" {
		return r.endedBy(g.ended)
	}
	if !state.RecorderAlive && !state.Ended {
		return r.spoil("the recorder is gone without its end mark (adbd was restarted, or something killed it)")
	}
	if g.startEdge && r.e.State == Settling {
		if missing := g.witness.never(); missing != "" {
			return r.spoil("%s when the start edge came", missing)
		}
		g.witness.restart(g.phoneUntil)
		return StartEdge, nil
	}
	if event, err := r.judge(ctx, l); event != "" || err != nil {
		return event, err
	}
	return "", r.watchDrift(ctx, l)
}

// regained makes good what a lost link took with it.
func (r *run) regained(ctx context.Context, l devices.Link) {
	lost := false
	r.d.tell(r.h.Name, func(s *HandsetStatus) {
		lost = !s.LinkLostAt.IsZero()
		s.LinkLostAt, s.WaitsFor = time.Time{}, ""
	})
	if lost && r.live.session != nil {
		if _, err := r.stageBase(ctx, l); err != nil {
			r.log.Warn().Err(err).Msg("the stage could not be made reachable again")
		}
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
	r.damaged(damage)
	if _, err := r.d.store.AppendSamples(g.u.ID, r.hearRecorder(lines)); err != nil {
		return err
	}
	moved := int64(len(text))
	g.u.SamplesAt += moved
	if text, err = wholeLines(ctx, l, onboard.ActivityPath(g.u.Key), g.u.ActivityAt); err != nil {
		return err
	}
	lines, damage = g.activity.Feed(text)
	r.damaged(damage)
	for _, line := range lines {
		if a := line.Activity; a != nil {
			g.witness.saw(r.proof(a))
		}
	}
	g.u.ActivityAt += int64(len(text))
	if moved+int64(len(text)) == 0 {
		return nil
	}
	return r.d.saveEntry(r.e)
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
			g.startEdge = true
		case line.Mark != nil && line.Mark.Kind == "end":
			g.ended = line.Mark.Text
		}
	}
	return samples
}

func (r *run) sample(s *onboard.Sample) results.Sample {
	out := results.Sample{
		Seq: s.Seq, HostAt: r.live.u.hostAt(s.UptimeMS), PhoneAt: time.UnixMilli(s.WallMS).UTC(), UptimeMS: s.UptimeMS,
		LevelPct: s.LevelPct, CounterRaw: s.CounterRaw, VoltageMV: s.VoltageMV, CurrentRaw: s.CurrentRaw, Status: s.Status, Plugged: s.Plugged,
	}
	if s.TempDeciC != nil {
		c := float64(*s.TempDeciC) / 10
		out.TempC = &c
	}
	return out
}

func (r *run) proof(a *onboard.Activity) results.Evidence {
	return results.Evidence{At: r.live.u.hostAt(a.UptimeMS), UptimeMS: a.UptimeMS, Kind: a.Kind, Value: float64(a.Value), Detail: a.Detail}
}

func (r *run) damaged(err error) {
	if err != nil {
		r.live.rec.Notes = append(r.live.rec.Notes, results.Note{At: r.d.now(), Text: why(err)})
		r.log.Warn().Err(err).Msg("a line of the handset's file is damaged")
	}
}

// hearStage takes in what the handset's page has posted.
func (r *run) hearStage() {
	g := r.live
	if g.session == nil || g.witness == nil {
		return
	}
	for _, p := range g.session.Seen() {
		e := results.Evidence{At: p.At.UTC(), Kind: p.Kind, Value: p.Value, Detail: p.Detail}
		g.witness.saw(e)
		g.rec.Evidence = append(g.rec.Evidence, e)
		g.unsaved++
	}
	if g.unsaved >= 20 { // what a crash may cost of the stage's evidence; the handset's own is in its file
		if err := r.d.store.PutSegment(g.rec); err == nil {
			g.unsaved = 0
		}
	}
}

// endedBy turns the recorder's end mark into an event.
func (r *run) endedBy(reason string) (Event, error) {
	r.live.u.Verdict.EndedBy = reason
	switch reason {
	case "target":
		if r.e.State == Settling { // both edges came between two looks
			return StartEdge, nil
		}
		return TargetReached, nil
	case "level limit", "temperature limit", "time limit":
		r.live.u.Verdict.Reason = "ended at the " + reason
		return LimitReached, nil
	case "power seen":
		return r.spoil("power seen: the handset was being charged during the segment")
	}
	return r.spoil("the recorder ended by itself: %s", reason)
}

// judge brings the activity back once when its evidence is overdue, and gives the segment
// up the second time.
func (r *run) judge(ctx context.Context, l devices.Link) (Event, error) {
	g := r.live
	missing := g.witness.missing(g.phoneUntil, r.d.now())
	if missing == "" {
		return "", nil
	}
	if g.rec.Revivals > 0 {
		return r.spoil("%s, for the second time", missing)
	}
	g.rec.Revivals++
	g.rec.Notes = append(g.rec.Notes, results.Note{At: r.d.now(), Text: missing + ": the activity was started again"})
	r.log.Warn().Str("missing", missing).Msg("the activity is started again")
	if err := r.d.store.PutSegment(g.rec); err != nil {
		return "", err
	}
	g.witness.restart(r.d.now())
	if err := onboard.Revive(ctx, l, g.u.Key); err != nil {
		if linkDown(err) || ctx.Err() != nil {
			return "", err
		}
		// The segment may have ended by itself meanwhile: the next look tells.
		g.rec.Notes = append(g.rec.Notes, results.Note{At: r.d.now(), Text: "not started again: " + why(err)})
	}
	return "", nil
}

// watchDrift reads the preconditions that may drift, every so often.
func (r *run) watchDrift(ctx context.Context, l devices.Link) error {
	g, now := r.live, r.d.now()
	if g.driftAt.IsZero() {
		g.driftAt = now
	}
	if r.e.State != Draining || now.Sub(g.driftAt) < r.e.Item.Order.Plan.DriftEvery {
		return nil
	}
	g.driftAt = now
	lines, err := preconditions.Watch(ctx, l, r.d.facts(r.h, r.e.Item.Order.Plan), r.e.Item.Order.Set)
	if err != nil {
		return err
	}
	for _, line := range lines {
		out := line.Verdict == preconditions.NotMet
		if out && !g.drifting[line.Name] {
			g.rec.Drift = append(g.rec.Drift, results.Drift{At: now.UTC(), Name: line.Name, Wanted: line.Wanted, Found: line.Found, Tolerated: !line.Required})
			r.log.Warn().Str("precondition", line.Name).Str("wanted", line.Wanted).Str("found", line.Found).Msg("drift")
			if err := r.d.store.PutSegment(g.rec); err != nil {
				return err
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

// showProgress tells the bench how far the segment is.
func (r *run) showProgress() {
	g := r.live
	if g.last == nil {
		return
	}
	samples, err := r.d.store.Samples(g.u.ID)
	if err != nil {
		return
	}
	so := g.rec
	so.Edges = edges(samples)
	list, points := so.Edges, so.Points()
	now := r.d.now()
	r.d.tell(r.h.Name, func(s *HandsetStatus) {
		s.LevelPct, s.ReadAt = g.last.LevelPct, g.phoneUntil
		if g.last.TempDeciC != nil {
			c := float64(*g.last.TempDeciC) / 10
			s.TempC = &c
		}
		s.PointsDone, s.EvidenceAt = points, g.witness.lastSeen()
		s.ExpectedEnd = r.d.pace.expectedEnd(now, r, points, list)
		s.RatePctH = rateOf(list, points)
	})
}

// rateOf is the plain rate since the start edge, %/h, for a person who watches; the
// figure itself is made by the calculator.
func rateOf(list []results.Edge, points int) float64 {
	if points < 1 {
		return 0
	}
	last := list[len(list)-1]
	for _, e := range list {
		if e.LevelPct-last.LevelPct == points {
			if hours := float64(last.HiUpMS-e.HiUpMS) / 3.6e6; hours > 0 {
				return float64(points) / hours
			}
		}
	}
	return 0
}
