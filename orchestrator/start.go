package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/results"
	"rundown/scenarios"
)

// newSegment is the record of the segment at hand.
func (r *run) newSegment() results.Segment {
	s, plan := r.scenario(), r.e.Item.Order.Plan
	g := results.Segment{
		ID: r.segmentID(), RunID: r.e.RunID, Handset: r.h.Name, Plan: plan.Name, Scenario: s.Name,
		Index: r.e.Step%len(plan.Segments) + 1, Repeat: r.e.Step/len(plan.Segments) + 1, Attempt: r.e.Attempt,
		Outcome: results.Underway, WorkloadVersion: s.Version, WarmUpS: r.warmUp().Seconds(), SampleEveryS: plan.SampleEvery.Seconds(),
		Conditions: r.e.Report,
	}
	r.goal().describe(&g)
	return g
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
	g := &segment{rec: r.newSegment(), u: &underway{ID: r.segmentID(), Key: r.segmentID()}, scenario: r.scenario(), drifting: map[string]bool{}, heard: r.d.stopwatch()}
	g.rec.StartedAt = r.d.now()
	r.live = g
	if before := r.e.Segment; before != nil && before.Answering != nil { // a daemon was killed just before the start
		g.u.Answering = before.Answering
		if err := r.disengage(ctx); err != nil {
			return "", err
		}
		g.rec.Evidence = nil // of calls that were not made
	}
	r.e.Segment = g.u
	if g.scenario.Stage != "" {
		g.session = r.d.stage.Open(g.scenario.Stage)
		g.u.StageKey = g.session.Key()
	}
	r.d.meters.begin(r.h.Name, g.u.ID)
	if err := r.d.saveEntry(r.e); err != nil {
		return "", err
	}
	err := r.reach(ctx, linkPatience, func(l devices.Link) error { return r.start(ctx, l) })
	var kept *storeError
	var held *heldError
	switch {
	case isStop(ctx, err) || errors.As(err, &kept):
		return "", err
	case errors.Is(err, errNotAsPrepared):
		return r.unprepared(ctx)
	case errors.As(err, &held) && held.handset == r.h.Name:
		r.takenBy(held.by)
		g.u.Verdict.Spoiled = r.e.TakenOver
		return SegmentSpoiled, r.d.store.PutSegment(g.rec)
	case err != nil:
		g.u.Verdict.Spoiled = "the activity could not be started: " + why(err)
		return SegmentSpoiled, r.d.store.PutSegment(g.rec)
	}
	return "", nil
}

// errNotAsPrepared: preconditions that were met once may not be by now. A handset that was away,
// or whose daemon was, may have been used by a person or another daemon meanwhile.
var errNotAsPrepared = errors.New("the handset was prepared too long ago")

// unprepared goes back to preparing a segment of which nothing has begun.
func (r *run) unprepared(ctx context.Context) (Event, error) {
	g := r.live
	if err := r.disengage(ctx); err != nil {
		return "", err
	}
	if err := r.d.store.DropUnbegun(g.u.ID); err != nil { // its record was stored just before the start
		return "", err
	}
	r.log.Warn().Time("prepared", r.e.ReadyAt).Msg("prepared anew: the activity could not begin at once")
	g.close()
	r.live, r.e.Segment = nil, nil
	return NotAsPrepared, nil
}

// start installs and starts the programs over a link that holds at the moment.
func (r *run) start(ctx context.Context, l devices.Link) error {
	g := r.live
	if g.u.Started { // the link was lost in the middle of an earlier try
		return r.startPrograms(ctx, l)
	}
	if r.d.now().Sub(r.e.ReadyAt).Abs() > readyFresh {
		return &finalError{errNotAsPrepared}
	}
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
	prepared := r.e.Holder
	if g.u.Holder, err = r.d.takeFor(ctx, l, r.h, r.e.RunID, g.u.Key); err != nil {
		return heldIsFinal(err)
	}
	if r.e.Holder = g.u.Holder; prepared > 0 && g.u.Holder > prepared+1 { // somebody else had it, and put back what is theirs
		return &finalError{errNotAsPrepared}
	}
	if err := r.engage(ctx); err != nil {
		return err
	}
	current, err := onboard.ProbeCurrent(ctx, l)
	if err != nil {
		return err
	}
	units, ok := r.d.units.of(r.h.Name, id.Build)
	if !ok {
		if units, err = r.d.lookAtUnits(ctx, l, r.h); err != nil {
			return err
		}
	}
	g.setUnits(units.Units)
	before := r.d.now()
	uptime, _, err := devices.Uptime(ctx, l)
	if err != nil {
		return err
	}
	now := r.d.now()
	g.u.BootID, g.u.HostZero, g.u.ZeroWithin = id.BootID, before.Add(now.Sub(before)/2).Add(-uptime).UTC(), now.Sub(before)/2
	g.rec.BootID, g.rec.WorkloadHash, g.rec.LoopS = id.BootID, workloadHash(hash, g.scenario.Stage, g.rec.ClipSHA256), program.LoopS
	g.rec.ActivityUpS = uptime.Seconds()
	g.witness, g.phoneUntil = newWitness(g.scenario.Evidence, now), now
	g.u.ProvenFrom = now
	limit := r.allowed()
	g.u.LimitS = int(limit.Seconds())
	seg := onboard.Segment{Key: g.u.Key, CurrentPath: current, StageURL: target.StageURL, Workload: program, Holder: g.u.Holder}
	if current == "" {
		seg.CurrentKey = units.Units.CurrentKey
	}
	r.instruct(&seg)
	if err := limitRaw(&seg, units.Units, r.stopTempC()); err != nil {
		return err
	}
	if err := r.wake(ctx, l); err != nil {
		return err
	}
	if err := onboard.Install(ctx, l, seg); err != nil {
		return err
	}
	// From here on the handset may be at work: the journal must know before it is, and what
	// the journal calls started must have its record. One that is only recorded is begun anew.
	if err := r.d.store.PutSegment(g.rec); err != nil {
		return stored(err)
	}
	g.u.Installed, g.u.Started = true, true
	if err := r.d.saveEntry(r.e); err != nil {
		return stored(err)
	}
	return r.startPrograms(ctx, l)
}

// wake switches the screen on for a scenario that needs it.
func (r *run) wake(ctx context.Context, l devices.Link) error {
	if r.live.scenario.ScreenOff {
		return nil
	}
	return devices.LightUnlocked(ctx, l)
}

// startPrograms starts the recorder. A second try, after a link that was lost in the
// middle of the first, finds it at work, or even finished.
func (r *run) startPrograms(ctx context.Context, l devices.Link) error {
	err := onboard.Start(ctx, l, r.live.u.Key)
	if err != nil && !errors.Is(err, onboard.ErrEnded) { // else the next look tells how
		return err
	}
	r.provenFrom(r.d.now()) // installing took its time, and nothing could be seen before
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
	t.CallNumber, _, _, _ = r.d.file.Called(r.h)
	if g.scenario.NeedsClip() {
		placed, err := r.d.clip.place(ctx, l, r.h, r.waitsFor)
		if err != nil {
			return t, fmt.Errorf("the clip: %w", err)
		}
		t.ClipPath, t.ClipLength, g.rec.ClipSHA256 = placed.Path, placed.Length, placed.SHA256
		g.u.ClipLength = placed.Length
	}
	return t, nil
}

// takeUp finds the segment of the journal again after the daemon was restarted. The
// samples go on from the byte where the daemon stopped. The evidence is read again from
// the segment's start, and waited for since when it was before, so that the witness knows
// all that it knew.
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
	if rec.StartedAt.IsZero() {
		rec.StartedAt = r.d.now()
	}
	heard, err := results.Documents[[]results.Evidence](r.d.store, heardOf(u.ID))
	if err != nil {
		r.log.Error().Err(err).Msg("some evidence from the stage cannot be read")
	}
	if len(heard) > 0 {
		rec.Evidence = slices.Concat(heard...)
	}
	g := &segment{rec: rec, u: u, scenario: r.scenario(), drifting: map[string]bool{}, heard: r.d.stopwatch(), taken: true}
	g.rec.Revivals, u.Revivals = max(rec.Revivals, u.Revivals), max(rec.Revivals, u.Revivals)
	from := r.waitedSince(rec, u)
	g.witness, g.phoneUntil = newWitness(g.scenario.Evidence, from), from
	u.ActivityAt = 0
	for _, e := range rec.Evidence {
		if e.UptimeMS == 0 {
			g.witness.saw(e)
		}
	}
	// What a page posted while nobody listened is lost. That hole is judged at the end,
	// when the whole record is looked at; it is no reason to start the activity again.
	g.witness.stageHeardFrom(r.d.now())
	for _, d := range rec.Drift {
		g.drifting[d.Name] = true
	}
	if rec.Outcome == results.Underway {
		r.d.room.GoesOn(u.ID)
		if g.scenario.Stage != "" {
			g.session = r.d.stage.Reopen(u.StageKey, g.scenario.Stage)
		}
	}
	g.note(r.d.now(), "taken up again by a restarted daemon")
	r.live = g
	return nil
}
