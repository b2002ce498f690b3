package orchestrator

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/results"
	"rundown/results/activity"
	"rundown/results/endurance"
	"rundown/scenarios"
)

// A handset that rests on battery with its screen off suspends, and each look over the
// link may wake it: drain that the measuring causes. So it is left alone but for the plan's
// looks_per_hour, and its record says when it was looked at and what that cost. What its
// programs need of the host they do without meanwhile: limits and target are the recorder's.

// evidenceSlept is the recorder's own evidence of sleep: by its clocks the handset was
// suspended, so that nobody can have used it. It stands for evidence of kind asleep.
const evidenceSlept = "slept"

const evidenceAsleep = "asleep"

// askAsleepEvery is after how long without sleep the recorder asks the power manager
// whether the screen is off. A handset that is awake is read every few seconds anyway.
const askAsleepEvery = time.Minute

// asleepReach is for how long before it evidence of sleep speaks: two asks and a slow answer.
const asleepReach = 2*askAsleepEvery + 30*time.Second

// asSeen is evidence of sleep as the calculator of shares takes it: what the clocks show to
// have been slept is seen all the while.
func asSeen(e results.Evidence, zero time.Time) (events []activity.Event) {
	for back := sleptFor(e) / asleepReach * asleepReach; back >= 0; back -= asleepReach {
		events = append(events, activity.Event{T: e.At.Add(-back).Sub(zero), Value: e.Value})
	}
	if slept := sleptFor(e); slept > 0 {
		events = append(events, activity.Event{T: e.At.Add(-slept).Sub(zero), Value: e.Value})
	}
	return events
}

// rests reports whether the segment at hand rests on battery with its screen off.
func (r *run) rests() bool { return r.scenario().ScreenOff && !r.goal().charges() }

// shows reports whether evidence of one kind is evidence of another that is wanted.
func shows(kind, wanted string) bool {
	return kind == wanted || kind == evidenceSlept && wanted == evidenceAsleep
}

// sleptFor is how much of the time before a piece of evidence it explains: nobody uses a
// handset that is suspended.
func sleptFor(e results.Evidence) time.Duration {
	if e.Kind != evidenceSlept {
		return 0
	}
	return time.Duration(e.Value * float64(time.Second))
}

// askAsleep is after how many s the recorder looks for evidence of sleep; 0: none is wanted.
func askAsleep(s scenarios.Scenario) int {
	for _, e := range s.Evidence {
		if e.Kind == evidenceAsleep {
			return int(max(min(askAsleepEvery, e.Limit/4), time.Second).Seconds())
		}
	}
	return 0
}

// Looks come in stretches: with the plan's spacing in one, none in the next. What the
// handset draws in the two kinds shows what a look costs it.
const leastStretch = time.Hour

// A lookAfter is when a resting handset is looked at next, by the time since its segment
// was begun or taken up.
type lookAfter struct {
	due   time.Duration
	tries int           // looks in a row that brought no answer
	left  time.Duration // how long the segment should still have taken at the latest look
}

// lookLimit is how long a look may take at a handset on which nothing waits that would say when
// power comes: the next one follows at once.
const lookLimit = 15 * time.Second

// Of looks that bring no answer so many are tried again after a while, before the next one
// that is due: a handset that sleeps may answer late, or not the first time.
const (
	lookTries  = 3
	lookSooner = 2 * time.Minute
)

// deepSleep is how long a handset that sleeps may not hear the link at all.
const deepSleep = 2 * time.Hour

// patience is for how long beyond its time limit the segment under way may not be heard of.
func (r *run) patience() time.Duration {
	if r.rests() {
		return linkPatience + deepSleep
	}
	return linkPatience
}

// leftAlone reports whether the handset is left alone for now.
func (r *run) leftAlone() bool {
	g := r.live
	since := g.heard.read()
	r.d.resting(r.h.Name, r.mayLook())
	if !r.mayLook() || g.lookNext.due <= since || g.bell.rang() || r.bellBroke() {
		r.d.tell(r.h.Name, func(s *HandsetStatus) { s.NextLook = time.Time{} })
		return false
	}
	next := r.d.now().Add(g.lookNext.due - since)
	r.d.tell(r.h.Name, func(s *HandsetStatus) { s.NextLook = next })
	return true
}

// mayLook reports whether the handset rests now, so that each look at it counts.
func (r *run) mayLook() bool {
	g := r.live
	plugged := g.last != nil && g.last.Plugged != 0
	return r.rests() && g.u.Started && g.u.Ended == "" && !plugged
}

// looked notes that the resting handset answered at an uptime. The journal keeps it:
// whoever takes the segment up knows of all the looks.
func (r *run) looked(uptimeMS int64) error {
	if !r.mayLook() {
		return nil
	}
	u := r.live.u
	u.LooksAtMS = append(u.LooksAtMS, uptimeMS)
	return stored(r.d.saveEntry(r.e))
}

// lookAgain sets when the handset is looked at next, after a look that was begun at an
// instant. One that brought no answer may have woken it all the same, and counts.
func (r *run) lookAgain(asked time.Time, err error) {
	g := r.live
	if !r.mayLook() {
		g.lookNext = lookAfter{}
		return
	}
	since := g.heard.read()
	g.lookNext.due = r.nextLook(since)
	if err == nil {
		g.lookNext.tries = 0
		return
	}
	g.lookNext.tries++
	alone := g.bell.waits()
	if alone || g.lookNext.tries <= lookTries {
		r.countLook(asked)
	} else {
		g.u.Unanswered++
	}
	switch {
	case !alone: // nobody would hear of power that comes
		g.lookNext.due = since
	case g.lookNext.tries%lookTries != 0:
		g.lookNext.due = min(g.lookNext.due, since+lookSooner)
	}
}

// notAnswered says why a rest is doubtful in which a handset was asked again and again; "" if
// it was not. What that drew is not known: it may have woken it each time, or never.
func (g *segment) notAnswered() string {
	if g.u.Unanswered == 0 || !g.rec.Slept() {
		return ""
	}
	return fmt.Sprintf("the handset did not answer %d looks while nothing there would have told of power, and was asked all the while: what that drew is not known", lookTries+g.u.Unanswered)
}

// countLook counts a look at an instant which brought no answer that says when it was.
func (r *run) countLook(asked time.Time) {
	g := r.live
	n, up := len(g.u.LooksAtMS), r.steady(asked).Sub(g.u.HostZero).Milliseconds()
	if !g.u.HostZero.IsZero() && up > 0 && (n == 0 || g.u.LooksAtMS[n-1] < up) {
		g.u.LooksAtMS = append(g.u.LooksAtMS, up)
	}
}

// nextLook is when the handset is looked at next, by the time since the segment began: at
// the plan's spacing, not in every other stretch, and when it should have ended. A handset that
// does not say what became of its Wi-Fi meanwhile is not left alone for a whole stretch.
func (r *run) nextLook(since time.Duration) time.Duration {
	g := r.live
	spacing := time.Hour / time.Duration(r.e.Item.Order.Plan.Looks())
	stretch := max(leastStretch, 2*spacing)
	soonest := since + spacing
	next := soonest
	if n := next / stretch; n%2 == 1 && !g.u.Uncounted {
		next = (n + 1) * stretch
	}
	const margin = 30 * time.Second
	if g.u.LimitS > 0 && g.last != nil {
		// By the handset's own time: the segment may have begun before it was taken up.
		ran := time.Duration(g.last.UptimeMS)*time.Millisecond - time.Duration(g.rec.ActivityUpS*float64(time.Second))
		left := time.Duration(g.u.LimitS)*time.Second - ran
		if r.e.State.Measures() && g.lookNext.left > 0 {
			left = min(left, g.lookNext.left*21/20)
		}
		next = max(soonest, min(next, since+left+margin))
	}
	return next
}

// drawAtRest are the preconditions that change by themselves and are felt in a rest.
var drawAtRest = []string{"airplane_mode", "wifi", "mobile_data", "bluetooth", "battery_saver"}

// driftAtEnd looks once, after its end, whether the conditions of a segment still held at
// which nobody looked meanwhile.
func (r *run) driftAtEnd(ctx context.Context, l devices.Link, state onboard.State) {
	if !r.rests() {
		return
	}
	if g := r.live; g.heldAnew(state) {
		g.note(r.d.now(), "the handset has had another holder since the end: whether the conditions held until then is not known")
		return
	}
	r.live.driftAt = r.live.lookedAt.Add(-r.e.Item.Order.Plan.DriftEvery)
	if err := r.watchDrift(ctx, l); err != nil {
		r.log.Warn().Err(err).Msg("the conditions could not be read after the rest")
	}
}

// restTurn waits between two looks at a handset that waits on battery for what time alone
// mends. One that waits with its screen off is left alone as the plan says, since it has
// no charge to spare; cancelling ends the wait at once.
func (r *run) restTurn(ctx context.Context, s scenarios.Scenario, what string) error {
	if !s.ScreenOff {
		return r.d.clock.Sleep(ctx, 6*retryEvery)
	}
	spacing := time.Hour / time.Duration(r.e.Item.Order.Plan.Looks())
	waited, until := r.d.stopwatch(), r.d.now().Add(spacing)
	var power lookout
	defer power.stop()
	r.d.tell(r.h.Name, func(s *HandsetStatus) { s.WaitsFor, s.NextLook = what, until })
	defer r.d.tell(r.h.Name, func(s *HandsetStatus) { s.NextLook = time.Time{} })
	r.d.resting(r.h.Name, true)
	defer r.d.resting(r.h.Name, false)
	for waited.read() < spacing && !r.cancelled() {
		switch l, err := r.d.linkTo(r.h); {
		case err != nil: // whatever waited there is gone with the link
		case power.bell == nil:
			power.bell = r.d.hangForPower(ctx, l)
		case waited.read() >= bellAgain && power.calls(r.d.now()):
			return nil
		}
		if err := r.d.clock.Sleep(ctx, retryEvery); err != nil {
			return err
		}
	}
	return nil
}

// wakes is what a resting segment's record says of its sleep and of the looks at it; nil
// for one whose screen was on.
func (r *run) wakes(rec results.Segment) *results.Wakes {
	if !r.rests() {
		return nil
	}
	w := &results.Wakes{LooksAtMS: slices.Clone(r.live.u.LooksAtMS)}
	from, to, ok := rec.Window()
	if !ok {
		from, to = int64(rec.ActivityUpS*1000), int64(rec.ActivityUpS*1000)
		if last := r.live.last; last != nil {
			to = max(to, last.UptimeMS)
		}
	}
	for _, at := range w.LooksAtMS {
		if at >= from && at <= to {
			w.Looks++
		}
	}
	if w.OfS = float64(to-from) / 1000; w.OfS > 0 {
		w.LooksPerH = float64(w.Looks) * 3600 / w.OfS
	}
	for _, e := range rec.Evidence {
		if e.Kind != evidenceSlept || e.UptimeMS <= from || e.UptimeMS > to {
			continue
		}
		// What was slept before the window is not in it.
		w.SleptS += min(e.Value, float64(e.UptimeMS-from)/1000)
		w.Seen++
		if strings.HasSuffix(e.Detail, "looked at") {
			w.AtLook++
		}
	}
	return w
}

// settleWakes enters into a segment's record what its looks cost, and keeps what it shows
// of that for the handset's later segments.
func (r *run) settleWakes(samples []results.Sample) {
	g := r.live
	if g.rec.Wakes = r.wakes(g.rec); g.rec.Wakes == nil {
		if slept := g.suspended(); slept != "" {
			g.note(g.rec.EndedAt, "%s", slept)
		}
		return
	}
	if !g.rec.Slept() {
		if g.rec.Wakes.OfS > 2*leastStretch.Seconds() {
			g.note(g.rec.EndedAt, "the handset was never seen to sleep in its rest: something kept it awake")
		}
		return
	}
	learned, _, _ := r.d.room.LearnedFor(g.rec, r.rec.Handset)
	figure, err := endurance.Estimate(r.d.room.EstimateInput(g.rec, r.rec.Handset, samples, learned))
	if err != nil || figure.Own == nil {
		return
	}
	own := figure.Own
	g.rec.Wakes.Cost = &results.WakeCost{PctH: own.PctH.Value, LowPctH: own.PctH.Low, HighPctH: own.PctH.High, LookS: own.LookS.Value, Basis: own.Basis}
	if kept := g.rec.Outcome == results.Measured || g.rec.Outcome == results.Flagged; own.Seen != nil && kept {
		seen := *own.Seen
		seen.ID, seen.At = g.rec.ID, g.rec.EndedAt
		if err := r.d.observer.looked(r.h.Name, r.rec.Handset.Build, seen); err != nil {
			r.log.Error().Err(err).Msg("what looks cost the handset could not be stored")
		}
	}
}

// sleepNoted is from how much sleep on a segment whose screen should be on says so, s.
const sleepNoted = 60.0

// suspended says how long a handset slept in a segment that wants it awake, or "".
func (g *segment) suspended() string {
	slept := 0.0
	for _, e := range g.rec.Evidence {
		if e.Kind == evidenceSlept {
			slept += e.Value
		}
	}
	if slept < sleepNoted || g.scenario.ScreenOff {
		return ""
	}
	return fmt.Sprintf("the handset was suspended for %s of the segment, by its own clocks: its screen was off and nothing ran", round(time.Duration(slept*float64(time.Second))))
}
