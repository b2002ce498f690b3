package orchestrator

import (
	"context"
	"fmt"
	"strings"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/results"
	"rundown/results/endurance"
)

// collect ends what still runs on the handset, pulls the whole files, stores what is
// missing, settles the outcome, and removes the files. It may be repeated at any point.
func (r *run) collect(ctx context.Context) (Event, error) {
	r.release()
	if r.live == nil {
		if err := r.takeUp(); err != nil {
			return "", err
		}
	}
	g := r.live
	r.waitsFor("the files to be collected")
	r.hearStage()
	if g.u.Started {
		err := r.reach(ctx, linkPatience, func(l devices.Link) error { return r.pullAll(ctx, l) })
		switch {
		case isStop(ctx, err):
			return "", err
		case err != nil:
			r.note("segment %s could not be collected, its files are left on the handset: %s", g.u.ID, why(err))
			if g.u.Verdict.Spoiled == "" {
				g.u.Verdict.Spoiled = "not collected: " + why(err)
			}
		}
	}
	if err := r.conclude(); err != nil {
		return "", err
	}
	if g.u.Started {
		// Stored for good: only now may the handset's copy go. One that cannot be removed
		// now is found and removed by the next run.
		if l, err := r.d.linkTo(r.h); err == nil && !strings.HasPrefix(g.u.Verdict.Spoiled, "not collected") {
			if err := onboard.Remove(ctx, l, g.u.Key); err != nil {
				r.log.Warn().Err(err).Msg("files not removed from the handset")
			}
		}
	}
	if g.session != nil {
		g.session.Close()
	}
	outcome := g.rec.Outcome
	r.live, r.e.Segment = nil, nil
	r.count(outcome)
	return Collected, nil
}

// pullAll makes the stored samples equal to the file on the handset.
func (r *run) pullAll(ctx context.Context, l devices.Link) error {
	g := r.live
	state, err := onboard.Inspect(ctx, l, g.u.Key)
	if err != nil {
		return err
	}
	if !state.Exists {
		return nil
	}
	if state.RecorderAlive || state.WorkloadAlive {
		if err := onboard.Stop(ctx, l, g.u.Key); err != nil {
			return err
		}
	}
	g.u.SamplesAt, g.u.ActivityAt = 0, 0
	g.samples, g.activity = onboard.Reader{}, onboard.Reader{}
	text, err := wholeLines(ctx, l, onboard.SamplesPath(g.u.Key), 0)
	if err != nil {
		return err
	}
	lines, damage := g.samples.Feed(text)
	r.damaged(damage)
	if _, err := r.d.store.AppendSamples(g.u.ID, r.hearRecorder(lines)); err != nil {
		return err
	}
	if text, err = wholeLines(ctx, l, onboard.ActivityPath(g.u.Key), 0); err != nil {
		return err
	}
	lines, damage = g.activity.Feed(text)
	r.damaged(damage)
	kept := g.rec.Evidence[:0]
	for _, e := range g.rec.Evidence {
		if e.UptimeMS == 0 { // from the stage; the handset's own come from its file below
			kept = append(kept, e)
		}
	}
	g.rec.Evidence = kept
	for _, line := range lines {
		if line.Activity != nil {
			g.rec.Evidence = append(g.rec.Evidence, r.proof(line.Activity))
		}
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
	}
	if g.ended != "" && g.u.Verdict.EndedBy == "" {
		g.u.Verdict.EndedBy = g.ended
	}
	g.rec.EndedBy = g.u.Verdict.EndedBy
	g.rec.Edges = edges(samples)
	r.settleOutcome()
	r.log.Info().Str("segment", g.rec.ID).Str("scenario", g.rec.Scenario).Str("outcome", g.rec.Outcome).Str("reason", g.rec.Reason).Int("samples", g.rec.Samples).Msg("segment collected")
	r.d.publish(Change{Handset: r.h.Name, Run: r.e.RunID, Kind: "segment", Text: strings.TrimSpace(g.rec.Scenario + " " + g.rec.Outcome + " " + g.rec.Reason)})
	r.d.pace.learn(g.rec)
	return r.d.store.PutSegment(g.rec)
}

// settleOutcome decides what the segment is worth. What is not what it says is spoiled;
// what is, but not under the agreed conditions, is flagged.
func (r *run) settleOutcome() {
	g := r.live
	g.rec.Outcome, g.rec.Reason = results.Measured, g.u.Verdict.Reason
	points := g.rec.Points()
	if g.u.Verdict.Spoiled == "" {
		g.u.Verdict.Spoiled = r.unproven()
	}
	switch {
	case g.u.Verdict.Spoiled != "":
		g.rec.Outcome, g.rec.Reason = results.Spoiled, g.u.Verdict.Spoiled
	case points < min(fewestPoints, g.rec.TargetPoints):
		g.rec.Outcome = results.Spoiled
		g.rec.Reason = strings.TrimPrefix(fmt.Sprintf("%s, after %d of %d points", g.rec.Reason, points, g.rec.TargetPoints), ", ")
	}
	if g.rec.Outcome != results.Measured {
		return
	}
	for _, d := range g.rec.Drift {
		if !d.Tolerated {
			g.rec.Outcome, g.rec.Reason = results.Flagged, fmt.Sprintf("%s: wanted %s, found %s at %s", d.Name, d.Wanted, d.Found, d.At.Format("15:04"))
			return
		}
	}
}

// unproven looks at the whole record of evidence for a hole between start and stop edge
// that nobody was there to see, and names it, or "".
func (r *run) unproven() string {
	g := r.live
	first, last, ok := g.rec.Window()
	if !ok {
		return ""
	}
	from, to := g.u.hostAt(first), g.u.hostAt(last)
	for _, want := range g.scenario.Evidence {
		at, hole := from, time.Duration(0)
		for _, e := range g.rec.Evidence {
			if e.Kind == want.Kind && e.Value > 0 && e.At.After(at) {
				hole = max(hole, min64(e.At, to).Sub(at))
				at = e.At
			}
		}
		hole = max(hole, to.Sub(at))
		// Twice the limit: the daemon needs one to see it, and a revival takes its time.
		if hole > 2*want.Limit {
			return fmt.Sprintf("no %s evidence for %s between start and stop edge (limit %s)", want.Kind, round(hole), round(want.Limit))
		}
	}
	return ""
}

func min64(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// count moves the run on to the next segment, or to another attempt at this one.
func (r *run) count(outcome string) {
	plan := r.e.Item.Order.Plan
	if outcome != results.Spoiled {
		r.e.SpoiledInARow, r.e.Attempt = 0, 1
		r.e.Step++
		return
	}
	r.e.SpoiledInARow++
	if most := r.d.file.Limits.QuarantineAfter; most > 0 && r.e.SpoiledInARow >= most && r.e.StopReason == "" {
		r.e.StopReason = fmt.Sprintf("%d segments spoiled in a row, see each one's reason", r.e.SpoiledInARow)
	}
	if r.e.Attempt <= plan.RestartSpoiled {
		r.e.Attempt++
		return
	}
	r.e.Attempt = 1
	r.e.Step++
}

// edges are the level edges of the stored samples.
func edges(samples []results.Sample) []results.Edge {
	var list []results.Edge
	for _, e := range endurance.Edges(enduranceSamples(samples)) {
		list = append(list, results.Edge{LevelPct: e.LevelPct, LoUpMS: e.Lo.Milliseconds(), HiUpMS: e.Hi.Milliseconds()})
	}
	return list
}
