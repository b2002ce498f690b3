package orchestrator

import (
	"context"
	"slices"
	"time"

	"rundown/devices/onboard"
	"rundown/results"
	"rundown/results/reading"
	"rundown/results/sustain"
	"rundown/scenarios"
)

// Sustained work is told by the stage, lot by lot or cycle by cycle; the handset's own programs know nothing of
// it. So it is the daemon that ends such a segment, and the recorder's time limit where the daemon is away.

// cyclesDone is how many cycles of work the stage was told of in this segment, lotsDone how many lots.
func (r *run) cyclesDone() int { return r.told(reading.EvidenceCycle) }

func (r *run) lotsDone() int { return r.told(reading.EvidenceLot) }

func (r *run) told(kind string) int {
	n := 0
	for _, e := range r.live.rec.Evidence {
		if e.Kind == kind && e.Value > 0 {
			n++
		}
	}
	return n
}

// lots is the longest piece of continuous work of the segment so far.
func (r *run) lots() (longest reading.Piece) {
	for _, p := range reading.PiecesOf(r.live.rec) {
		if p.Form == results.FormLots && len(p.Lots) > len(longest.Lots) {
			longest = p
		}
	}
	return longest
}

// workedFor is how long the segment has worked on lots.
func (r *run) workedFor() time.Duration {
	lots := r.lots().Lots
	if len(lots) == 0 {
		return 0
	}
	return lots[len(lots)-1].To - lots[0].From
}

// pausedWork says whether the segment has sustained work that must not pause: a handset that rests cools.
func (r *run) pausedWork() bool {
	switch r.goal().until {
	case scenarios.UntilCycles:
		return r.cyclesDone() > 0
	case scenarios.UntilSettled:
		return r.lotsDone() > 0
	}
	return false
}

// enoughWork ends the segment on the handset once all its cycles are done, or the rate of its lots has settled.
func (r *run) enoughWork(ctx context.Context, stop func(context.Context) error) (Event, error) {
	if r.e.State != Draining {
		return "", nil
	}
	switch goal := r.goal(); goal.until {
	case scenarios.UntilSettled:
		if done, err := r.settled(); !done || err != nil {
			return "", err
		}
	case scenarios.UntilCycles:
		if r.cyclesDone() < goal.cycles || r.lastCycleUnread(goal.cycles) {
			return "", nil
		}
	default:
		return "", nil
	}
	if err := stop(ctx); err != nil {
		return "", err
	}
	return r.endedBy(onboard.EndStopped)
}

// lastCycleUnread says whether the handset has not been read since its last cycle: one without a reading after
// it has no energy.
func (r *run) lastCycleUnread(left int) bool {
	return slices.ContainsFunc(r.live.rec.Evidence, func(e results.Evidence) bool {
		if e.Kind != reading.EvidenceCycle || e.Value <= 0 {
			return false
		}
		left--
		return left == 0 && e.At.After(r.live.phoneUntil)
	})
}

// settled looks at each new lot whether the rate has settled. That it has is journalled before the handset is
// told to end, so that a restarted daemon carries it through.
func (r *run) settled() (bool, error) {
	g := r.live
	if g.u.Verdict.Settled {
		return true, nil
	}
	n := r.lotsDone()
	if n == 0 || n == g.judgedAt {
		return false, nil
	}
	samples, err := r.d.store.Samples(g.u.ID)
	if err != nil {
		return false, stored(err)
	}
	p := r.lots()
	read := time.Duration(0)
	if len(samples) > 0 {
		read = samples[len(samples)-1].HostAt.Sub(p.Zero)
	}
	// Of the latest lots the handset's temperature at their end is still to come.
	p.Lots = slices.DeleteFunc(p.Lots, func(l sustain.Lot) bool { return l.To > read })
	g.judgedAt = n
	done, still := sustain.Settled.At(p.Lots, p.Readings(samples, nil))
	if !done {
		r.log.Debug().Int("lots", n).Str("still", still).Msg("the rate has not settled")
		return false, nil
	}
	g.u.Verdict.Settled = true
	if err := r.d.saveEntry(r.e); err != nil {
		return false, stored(err)
	}
	return true, nil
}
