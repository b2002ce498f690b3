package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/results"
	"rundown/results/endurance"
	"rundown/results/reading"
)

// collect ends what still runs on the handset, pulls the whole files, stores what is
// missing, settles the outcome, and removes the files. It may be repeated at any point.
func (r *run) collect(ctx context.Context) (Event, error) {
	kept := r.e.chargeAfter(r.e.Step)
	r.releaseBut(slices.Concat(kept, r.e.Claims))
	r.leavePower(ctx)
	if r.live == nil {
		if err := r.takeUp(); err != nil {
			return "", err
		}
	}
	g := r.live
	r.waitsFor("the files to be collected")
	r.hearStage()
	r.noteRefused()
	if err := r.disengage(ctx); err != nil {
		return "", err
	}
	r.releaseBut(kept)                     // whoever has answered the calls is free now
	if g.rec.Outcome == results.Underway { // else a crash came between storing and moving on
		if err := r.pullOrLeave(ctx); err != nil {
			return "", err
		}
		r.leaveMeters()
		if err := r.conclude(); err != nil {
			return "", err
		}
	}
	if err := r.d.store.DeleteDocuments(heardOf(g.u.ID)); err != nil {
		return "", err
	}
	if g.u.Started && !g.u.Verdict.Unheard && !g.u.Left {
		if err := r.removeFiles(ctx); err != nil {
			return "", err
		}
	}
	if !r.cancelled() && r.e.TakenOver == "" {
		if err := r.judgeHealth(g.rec); err != nil {
			return "", err
		}
	}
	g.close()
	outcome := g.rec.Outcome
	r.live, r.e.Segment = nil, nil
	r.count(outcome)
	return Collected, nil
}

// removePatience is how long a handset that is away is waited for only to tidy it up.
const removePatience = 2 * time.Minute

// removeFiles removes the handset's copy of a segment that is stored for good. Where that
// cannot be done now it is written down, and done when the handset is there again.
func (r *run) removeFiles(ctx context.Context) error {
	u := r.live.u
	err := r.reach(ctx, removePatience, func(l devices.Link) error { return onboard.Remove(ctx, l, u.Key) })
	if err == nil || ctx.Err() != nil {
		return nil
	}
	r.log.Warn().Err(err).Str("segment", u.ID).Msg("stored; its files are not removed from the handset yet")
	u.Concluded = true
	return r.d.store.PutDocument(documentsLeft, u.ID, r.e)
}

// pullOrLeave pulls the files of the segment under way, or writes down that they are left
// on a handset that cannot be reached.
func (r *run) pullOrLeave(ctx context.Context) error {
	g := r.live
	if !g.u.Started {
		return nil
	}
	var kept *storeError
	err := r.reach(ctx, linkPatience, func(l devices.Link) error { return r.pullAll(ctx, l) })
	switch {
	case err == nil:
		g.u.Left = false
		if g.u.Verdict.Unheard { // heard after all
			g.u.Verdict.Spoiled, g.u.Verdict.Unheard = "", false
			if g.u.Ended != "" {
				_, _ = r.endedBy(g.u.Ended) // for what it leaves in the verdict
			}
		}
		return nil
	case isStop(ctx, err) || errors.As(err, &kept):
		return err
	}
	switch {
	case g.u.Verdict.cancelledWords() != "":
		g.u.Verdict.Unheard = true
	case g.u.Verdict.Spoiled == "":
		g.u.Verdict.Spoiled, g.u.Verdict.Unheard = "its files could not be collected: "+why(err), true
	}
	g.u.Left = true
	g.note(r.d.now(), "its files are left on the handset, to be collected when it is back")
	r.log.Warn().Err(err).Str("segment", g.u.ID).Msg("not collected, its files are left on the handset")
	return r.d.store.PutDocument(documentsLeft, g.u.ID, r.e)
}

// pullAll makes what is stored equal to the files on the handset.
func (r *run) pullAll(ctx context.Context, l devices.Link) error {
	g := r.live
	state, err := onboard.Inspect(ctx, l, g.u.Key)
	if err != nil {
		return err
	}
	if !state.Exists {
		return nil
	}
	r.lookAtStorage(ctx, l)
	if state.RecorderAlive || state.WorkloadAlive || !state.Ended {
		if err := onboard.End(ctx, l, g.u.Key); err != nil {
			return err
		}
	}
	if err := r.pullSamples(ctx, l); err != nil {
		return err
	}
	text, err := wholeLines(ctx, l, onboard.ActivityPath(g.u.Key), 0)
	if err != nil {
		return err
	}
	var activity onboard.Reader
	lines, damage := activity.Feed(text)
	r.damaged("activity", damage)
	kept := g.rec.Evidence[:0]
	for _, e := range g.rec.Evidence {
		if e.UptimeMS == 0 { // from the stage; the handset's own come from its file below
			kept = append(kept, e)
		}
	}
	g.rec.Evidence = kept
	for _, line := range lines {
		if a := line.Activity; a != nil {
			if isEvidence(a.Kind) {
				g.rec.Evidence = append(g.rec.Evidence, r.proof(a))
			}
			r.bookkeeping(a)
		}
	}
	return nil
}

// pullSamples makes the stored samples equal to the file on the handset. Where the two
// differ the file is right, but what only the store has stays: a file may have lost what
// had been streamed from it.
func (r *run) pullSamples(ctx context.Context, l devices.Link) error {
	g := r.live
	text, err := wholeLines(ctx, l, onboard.SamplesPath(g.u.Key), 0)
	if err != nil {
		return err
	}
	var reader onboard.Reader
	lines, damage := reader.Feed(text)
	r.damaged("samples", damage)
	file := r.hearRecorder(lines)
	for i := 1; i < len(file); i++ {
		if file[i].UptimeMS < file[i-1].UptimeMS && g.u.Verdict.Spoiled == "" {
			g.u.Verdict.Spoiled = fmt.Sprintf("the handset's clock since boot ran backwards at sample %d", file[i].Seq)
		}
	}
	added, err := r.d.store.CompleteSamples(g.u.ID, file)
	if err != nil {
		return &storeError{err}
	}
	if added > 0 {
		r.log.Info().Str("segment", g.u.ID).Int("samples", added).Msg("samples completed from the handset's file")
	}
	return nil
}

// conclude settles the outcome from what is stored, and stores the record.
func (r *run) conclude() error {
	g := r.live
	samples, err := r.d.store.Samples(g.u.ID)
	if err != nil {
		return err
	}
	g.rec.Samples = len(samples)
	g.rec.EndedAt = r.d.now()
	if n := len(samples); n > 0 {
		g.rec.EndedAt = samples[n-1].HostAt
		g.unwritten = samples[n-1].Seq - samples[0].Seq + 1 - n
	}
	if g.u.Ended != "" && g.u.Ended != onboard.EndStopped { // the recorder's own word
		g.u.Verdict.EndedBy = g.u.Ended
	}
	if n := g.u.Verdict.Enough; n > 0 {
		g.u.Verdict.EndedBy, g.rec.TargetPoints = endNarrow, n
	}
	if g.line != nil {
		g.rec.Outages, _ = g.line.take()
	}
	g.rec.Outages = closeOutages(g.rec.Outages, g.rec.EndedAt)
	g.rec.EndedBy = g.u.Verdict.EndedBy
	g.rec.Edges = edges(samples)
	r.reached(&g.rec, samples)
	if err := r.settleCurrent(samples); err != nil {
		return err
	}
	r.judgeConditions()
	g.rec.Wakes = r.wakes(g.rec) // its gauge is judged, and its figure made, by how it slept
	r.judgeGauge(samples)
	r.judgePower(samples)
	r.settleOutcome(samples)
	r.unmeasuredBecause()
	r.settleWakes(samples)
	r.log.Info().Str("segment", g.rec.ID).Str("scenario", g.rec.Scenario).Str("outcome", g.rec.Outcome).Str("reason", g.rec.Reason).Int("samples", g.rec.Samples).Msg("segment collected")
	if err := r.d.putCollected(&g.rec); err != nil {
		return err
	}
	if err := r.d.pace.learn(g.rec); err != nil {
		return err
	}
	if err := r.learnFrom(samples); err != nil {
		r.log.Error().Err(err).Msg("what the segment shows of its handset could not be stored")
	}
	// Told last: whoever hears of it finds it in the store.
	r.d.publish(Change{Handset: r.h.Name, Run: r.e.RunID, Kind: "segment", Text: strings.TrimSpace(g.rec.Scenario + " " + g.rec.Outcome + " " + g.rec.Reason)})
	return nil
}

// settleOutcome decides what the segment is worth. What was cancelled is that; what is not what it says is spoiled;
// what is, but not under the agreed conditions, is flagged.
func (r *run) settleOutcome(samples []results.Sample) {
	g := r.live
	missing, wanted := r.countActivity(samples), r.shareWanted()
	if g.settleCancelled() {
		return
	}
	g.rec.Outcome, g.rec.Reason = results.Measured, g.u.Verdict.Reason
	if g.u.Verdict.Spoiled == "" {
		g.u.Verdict.Spoiled = r.unproven()
	}
	if g.u.Verdict.Spoiled == "" {
		g.u.Verdict.Spoiled = r.shortOfActivity(wanted.SpoilBelowPct, missing)
	}
	if g.u.Verdict.Spoiled != "" {
		g.rec.Outcome, g.rec.Reason = results.Spoiled, g.u.Verdict.Spoiled
	} else if short := r.fellShort(); short != "" {
		if slept := g.suspended(); slept != "" {
			short += "; " + slept
		}
		g.rec.Outcome, g.rec.Reason = results.Spoiled, strings.TrimPrefix(g.rec.Reason+", "+short, ", ")
	}
	if g.rec.Outcome != results.Measured {
		return
	}
	var flags []string
	if doubt := g.u.Verdict.Doubt; doubt != "" {
		flags = append(flags, doubt)
	}
	if i := slices.IndexFunc(g.rec.Drift, func(d results.Drift) bool { return !d.Tolerated }); i >= 0 {
		d := g.rec.Drift[i]
		flags = append(flags, fmt.Sprintf("%s: wanted %s, found %s at %s", d.Name, d.Wanted, d.Found, devices.At(d.At)))
	}
	if short := r.shortOfActivity(wanted.FlagBelowPct, missing); short != "" {
		flags = append(flags, short)
	}
	if asked := g.notAnswered(); asked != "" {
		flags = append(flags, asked)
	}
	if beside := r.stepBeside(missing); beside != "" {
		flags = append(flags, beside)
	}
	if len(flags) > 0 {
		g.rec.Outcome, g.rec.Reason = results.Flagged, strings.Join(flags, "; ")
	}
	if none := r.d.room.NoFigure(r.live.rec, r.rec.Handset); none != "" {
		g.rec.Outcome, g.rec.Reason = results.Spoiled, strings.TrimPrefix(g.rec.Reason+"; "+none, "; ")
	}
}

// unproven looks at the whole record of evidence for a hole between start and stop edge
// that nobody was there to see, and names it, or "".
func (r *run) unproven() string {
	g := r.live
	from, to, ok := r.provenSpan()
	if !ok {
		return ""
	}
	for _, want := range g.scenario.Evidence {
		if want.Once && slices.ContainsFunc(g.rec.Evidence, func(e results.Evidence) bool { return shows(e.Kind, want.Kind) && e.Value > 0 && e.At.Before(to) }) {
			continue
		}
		at, hole := from, time.Duration(0)
		for _, e := range g.rec.Evidence {
			if shows(e.Kind, want.Kind) && e.Value > 0 && e.At.After(at) {
				hole = max(hole, earlier(e.At, to).Sub(at)-sleptFor(e))
				at = e.At
			}
		}
		last := to.Sub(at)
		hole = max(hole, last)
		// Twice the limit and two looks: the daemon needs one of each to see it, and a revival
		// takes its time. At the end nothing shows that the activity came back.
		if hole > 2*(limitOf(want)+r.d.pollEvery) || last > limitOf(want) {
			return fmt.Sprintf("no %s evidence for %s in what was measured (limit %s)", want.Kind, round(hole), round(limitOf(want)))
		}
	}
	return ""
}

// provenSpan is the stretch for which there must be evidence: from start edge to stop edge
// or, without a drain target, from when all evidence had come for the first time to the end.
func (r *run) provenSpan() (from, to time.Time, ok bool) {
	g := r.live
	if r.goal().drains() {
		first, last, ok := g.rec.Window()
		return g.u.hostAt(first), g.u.hostAt(last), ok
	}
	for _, want := range g.scenario.Evidence {
		i := slices.IndexFunc(g.rec.Evidence, func(e results.Evidence) bool { return shows(e.Kind, want.Kind) && e.Value > 0 })
		if i < 0 {
			return from, to, false
		}
		if at := g.rec.Evidence[i].At; at.After(from) {
			from = at
		}
	}
	return from, g.rec.EndedAt, true
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// count moves the run on to the next segment, or to another attempt at this one.
func (r *run) count(outcome string) {
	if outcome == results.Spoiled && r.e.Attempt <= r.e.Item.Order.Plan.RestartSpoiled {
		r.e.Attempt++
		return
	}
	r.e.Attempt = 1
	r.e.Step++
}

// edges are the level edges of the stored samples.
func edges(samples []results.Sample) []results.Edge {
	var list []results.Edge
	for _, e := range endurance.Edges(reading.EnduranceSamples(samples)) {
		list = append(list, results.Edge{LevelPct: e.LevelPct, LoUpMS: e.Lo.Milliseconds(), HiUpMS: e.Hi.Milliseconds()})
	}
	return list
}
