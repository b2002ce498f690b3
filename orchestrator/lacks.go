package orchestrator

import (
	"context"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/results"
)

// A lack of evidence is judged by two things that must outlive the daemon: since when
// evidence is waited for, and how many lacks were seen. Both stand in the journal. Read from
// the handset's file alone, an old lack would be found again by each daemon that takes the
// segment up, and the second one would spoil it.

// provenFrom has evidence waited for anew from an instant on, by the host's clock as it was
// when the segment began. It reaches the store with the journal's next entry.
func (r *run) provenFrom(at time.Time) {
	g := r.live
	g.witness.restart(at)
	if g.u.ProvenFrom.Before(at) {
		g.u.ProvenFrom = at
	}
}

// waitedSince is since when evidence is waited for in a segment that is taken up again.
func (r *run) waitedSince(rec results.Segment, u *underway) time.Time {
	switch {
	case !u.ProvenFrom.IsZero():
		return u.ProvenFrom
	case rec.ActivityUpS == 0 || rec.Revivals > 0:
		// A journal of an earlier version, and no record of when the activity began, or was
		// started again. Time of which nothing is known is not held against it.
		return r.d.now()
	}
	return u.hostAt(int64(rec.ActivityUpS * 1000))
}

// revive starts the activity again for a lack of evidence that was seen. The journal knows
// before the handset does: a daemon that is killed, or a link that is lost, in between does
// it at the next contact, and the same lack is not seen a second time.
func (r *run) revive(ctx context.Context, l devices.Link) error {
	g := r.live
	missing := g.u.Reviving
	r.log.Warn().Str("missing", missing).Msg("the activity is started again")
	r.provenFrom(g.lookedAt)
	if err := r.d.saveEntry(r.e); err != nil {
		return stored(err)
	}
	if err := r.startAgain(ctx, l); err != nil {
		if linkDown(err) || ctx.Err() != nil {
			return err
		}
		// The segment may have ended by itself meanwhile: the next look tells.
		g.note(r.d.now(), "%s: the activity could not be started again: %s", missing, why(err))
	} else {
		g.note(r.d.now(), "%s: the activity was started again", missing)
	}
	g.rec.Revivals, g.u.Reviving = g.u.Revivals, ""
	if err := r.d.store.PutSegment(g.rec); err != nil {
		return stored(err)
	}
	return stored(r.d.saveEntry(r.e))
}

func (r *run) startAgain(ctx context.Context, l devices.Link) error {
	if err := r.wake(ctx, l); err != nil {
		return err
	}
	return onboard.Revive(ctx, l, r.live.u.Key)
}
