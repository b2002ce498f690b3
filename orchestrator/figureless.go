package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rundown/devices"
	"rundown/devices/gates"
	"rundown/devices/onboard"
	"rundown/devices/preconditions"
	"rundown/results"
	"rundown/scenarios"
)

// A segment that gives no figure was not measured, whatever it ended at: it is spoiled, its
// reason names what is known of the cause, and it is carried out again. Where the handset's
// storage was full, what is Rundown's own there is removed first, and a person is asked where
// that is not enough.

// fullBelowBytes is what is left free on a storage that counts as full: a system's last
// megabytes are refused to the shell. Common practice, no source.
const fullBelowBytes = 16 << 20

// roomBytes is the least that is free before a segment is tried again for want of room: a
// night's samples and evidence are a few megabytes.
const roomBytes = 100 << 20

// unmeasuredBecause adds to why a segment was not measured what its files tell of the cause.
func (r *run) unmeasuredBecause() {
	g := r.live
	if g.rec.Outcome != results.Spoiled {
		return
	}
	full := g.freeBytes != nil && *g.freeBytes < fullBelowBytes
	if full {
		g.rec.Reason = strings.TrimPrefix(fmt.Sprintf("%s; the handset's storage is full (%.1f MB free)", g.rec.Reason, float64(*g.freeBytes)/1e6), "; ")
	}
	if said := g.unwrittenSaid(); said != "" && !strings.Contains(g.rec.Reason, said) {
		g.rec.Reason += ", " + said
	}
	r.e.StorageFull = full || g.unwritten > 0 || g.lastUnwritten()
}

// lastUnwritten reports whether the recorder saw its target reached in a reading that is not
// in its file: the mark of its end is written again and again until there is room, a sample once.
func (g *segment) lastUnwritten() bool {
	return g.u.Ended == onboard.EndTarget && g.rec.TargetPoints > 0 && g.rec.Points() < g.rec.TargetPoints && g.u.Verdict.Enough == 0
}

// unwrittenSaid says how many samples are missing in the handset's file, or "".
func (g *segment) unwrittenSaid() string {
	switch {
	case g.unwritten > 0:
	case g.lastUnwritten():
		return "with its last samples missing, which showed the target reached and which the handset could not write down: is its storage full?"
	default:
		return ""
	}
	return fmt.Sprintf("with %d samples missing that the handset could not write down: is its storage full?", g.unwritten)
}

// lookAtStorage reads how much is free where the handset's files lie. What cannot be read
// is not known.
func (r *run) lookAtStorage(ctx context.Context, l devices.Link) {
	if free, err := preconditions.FreeStorage(ctx, l); err == nil {
		r.live.freeBytes = &free
	}
}

// freeOwn removes from the handset what is Rundown's own and not needed there any more:
// segments that are stored, what they have captured, and clips that nothing plays any more.
// It says what it removed, or "".
func (r *run) freeOwn(ctx context.Context, l devices.Link) (removed string, err error) {
	found, err := r.d.collectFrom(ctx, r.h, l, r.d.knows)
	if err != nil {
		return "", err
	}
	segments := 0
	for _, f := range found {
		if f.Removed {
			segments++
		}
	}
	keys, err := onboard.List(ctx, l)
	if err != nil {
		return "", err
	}
	for _, key := range keys { // of this run, which collectFrom leaves alone
		if r.e.Segment != nil && r.e.Segment.Key == key || !strings.HasPrefix(key, r.e.RunID) {
			continue
		}
		rec, err := r.d.store.Segment(strings.TrimSuffix(key, answeringSuffix))
		if err != nil || rec.Outcome == results.Underway || slices.ContainsFunc(r.d.leftOn(r.h.Name), func(e *entry) bool { return e.Segment.Key == key && !e.Segment.Concluded }) {
			continue
		}
		if err := onboard.Remove(ctx, l, key); err != nil {
			return "", err
		}
		segments++
	}
	var said []string
	if segments > 0 {
		said = append(said, fmt.Sprintf("the files of %d segments that are stored", segments))
	}
	if !r.playsClip() {
		clips, err := removeClips(ctx, l, "")
		if err != nil {
			return "", err
		}
		if clips > 0 {
			r.d.clip.forget(r.h.Serial)
			said = append(said, "the clip, which nothing plays any more")
		}
	}
	return strings.Join(said, " and "), nil
}

// playsClip reports whether a segment that is still to come plays the lab's clip.
func (r *run) playsClip() bool {
	return slices.ContainsFunc(r.list[min(r.e.Step, len(r.list)):], func(s scenarios.Segment) bool { return r.e.Item.Order.Scenarios[s.Scenario].NeedsClip() })
}

// How long a person is asked for room, how often it is looked for meanwhile, and how often
// one may say that there is some before it is believed that there is none.
const (
	roomPatience = 30 * time.Minute
	roomEvery    = time.Minute
	roomTries    = 3
)

// The answers to a question for room.
const (
	roomMade   = "done"
	roomGiveUp = "end the run"
)

// A roomSearch is how far a run has gone in looking for room.
type roomSearch struct {
	freed bool // what is Rundown's own is gone
	asked int
}

// makeRoom does the next thing that may bring room on the handset: removing what is Rundown's
// own, then asking a person. least is what has to be free, bytes, and unmet why it is looked
// for. No event: look again.
func (r *run) makeRoom(ctx context.Context, s *roomSearch, least int64, unmet string) (Event, error) {
	if !s.freed {
		s.freed = true
		removed := ""
		err := r.reach(ctx, linkPatience, func(l devices.Link) (err error) {
			removed, err = r.freeOwn(ctx, l)
			return err
		})
		switch {
		case isStop(ctx, err):
			return "", err
		case err != nil:
			r.log.Warn().Err(err).Msg("what is Rundown's own could not be removed from the handset")
		case removed != "":
			r.note("for room, removed from the handset: %s", removed)
			return "", nil
		}
	}
	if s.asked >= roomTries {
		return r.giveUp(ctx, "precondition unmet: %s; said to be mended %d times", unmet, s.asked)
	}
	s.asked++
	wanted, release := r.whileWanted(ctx)
	defer release()
	asked, seen := context.WithCancelCause(wanted)
	looked := make(chan struct{})
	go func() {
		defer close(looked)
		beside := context.WithValue(asked, pulseKey{}, nil) // its sleeps are no sign of life of the actor's
		for r.d.clock.Sleep(beside, roomEvery) == nil {
			if free, ok := r.freeNow(beside); ok && free >= least {
				seen(gates.ErrSeen)
			}
		}
	}()
	answer, err := r.d.prompt(asked, Prompt{
		Handset: r.h.Name, Run: r.e.RunID, Choices: []string{roomMade, roomGiveUp}, Default: roomGiveUp, Limit: roomPatience,
		Text: fmt.Sprintf("make room on %s: delete files or apps until %.1f GB are free", r.h.Name, float64(least)/1e9),
		Why:  "its storage is full, and nothing of Rundown's own is left there to be removed; " + unmet,
	})
	cause := context.Cause(asked)
	seen(nil)
	<-looked
	switch {
	case err == nil && answer.Choice == roomMade, errors.Is(cause, gates.ErrSeen):
		return "", nil
	case errors.Is(cause, errCancelled), errors.Is(cause, errNightEnded):
		return r.giveUp(ctx, "%s", why(cause))
	case err != nil:
		return "", err
	}
	by := "nobody made room in time"
	if !answer.ByDefault {
		by = answer.By + " ended it"
	}
	return r.giveUp(ctx, "precondition unmet: %s; %s", unmet, by)
}

func (r *run) freeNow(ctx context.Context) (bytes int64, ok bool) {
	l, err := r.d.linkTo(r.h)
	if err == nil {
		bytes, err = preconditions.FreeStorage(ctx, l)
	}
	return bytes, err == nil
}

// roomAgain sees to it that there is room before a segment is tried again that was spoiled
// for want of it, whatever the plan's preconditions are.
func (r *run) roomAgain(ctx context.Context) (Event, error) {
	for s := (roomSearch{}); r.e.StorageFull; {
		free := int64(0)
		err := r.reach(ctx, linkPatience, func(l devices.Link) (err error) {
			free, err = preconditions.FreeStorage(ctx, l)
			return err
		})
		switch {
		case isStop(ctx, err):
			return "", err
		case err != nil:
			r.note("how much storage is free cannot be read: %s", why(err))
		}
		if err != nil || free >= roomBytes && s.freed {
			r.e.StorageFull = false
			break
		}
		event, err := r.makeRoom(ctx, &s, roomBytes, fmt.Sprintf("%s: wanted %.1f GB, found %.1f GB", preconditions.Storage, float64(roomBytes)/1e9, float64(free)/1e9))
		if event != "" || err != nil {
			return event, err
		}
	}
	return "", nil
}

// roomFor is the bytes that have to be free where room is all that is missing, and whether
// that is so.
func (r *run) roomFor(unmet []preconditions.Line) (least int64, said string, ok bool) {
	i := slices.IndexFunc(unmet, func(l preconditions.Line) bool { return l.Name == preconditions.Storage })
	if i < 0 || !worthWaiting(slices.Delete(slices.Clone(unmet), i, i+1)) {
		return 0, "", false
	}
	for _, w := range r.e.Item.Order.Set.Wants {
		if w.Name == preconditions.Storage && w.Least != nil {
			least = int64(*w.Least * 1e9)
		}
	}
	return least, sayUnmet(unmet[i : i+1]), true
}
