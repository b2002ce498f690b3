package orchestrator

import (
	"context"
	"fmt"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/results"
	"rundown/results/sustain"
	"rundown/scenarios"
)

// A goal is what a segment is after: what ends it as it should, and from where it may start.
type goal struct {
	until   string // one of scenarios' Until words
	points  int    // drain target of UntilDrained, percentage points
	toLevel int    // of UntilLevel, %
	cycles  int    // of UntilCycles
	length  time.Duration
}

// goal is that of the segment at hand.
func (r *run) goal() goal {
	at, s := r.list[r.e.Step], r.scenario()
	g := goal{until: at.EndsBy(s)}
	switch g.until {
	case scenarios.UntilDrained:
		g.points = r.points()
	case scenarios.UntilLevel:
		g.toLevel = at.DrainTo
	case scenarios.UntilCycles:
		g.cycles = s.Cycles
	case scenarios.UntilTime, scenarios.UntilSettled:
		g.length = r.limit()
	}
	return g
}

// charges reports whether the handset is on power while the segment is measured.
func (g goal) charges() bool { return g.until == scenarios.UntilFull }

// drains reports whether it is measured from edge to edge, towards a drain target.
func (g goal) drains() bool { return g.until == scenarios.UntilDrained }

// describe enters the goal into a segment's record.
func (g goal) describe(rec *results.Segment) {
	rec.TargetPoints = g.points
	if !g.drains() {
		rec.Until = g.until
	}
	switch g.until {
	case scenarios.UntilLevel:
		rec.Wanted = g.toLevel
	case scenarios.UntilFull:
		rec.Wanted = 100
	case scenarios.UntilCycles:
		rec.Wanted = g.cycles
	case scenarios.UntilTime:
		rec.Wanted = int(g.length.Minutes())
	}
}

// reached enters how far the segment came into its record.
func (r *run) reached(rec *results.Segment, samples []results.Sample) {
	if len(samples) == 0 {
		return
	}
	last := samples[len(samples)-1]
	switch rec.Until {
	case scenarios.UntilLevel, scenarios.UntilFull:
		rec.Reached = last.LevelPct
	case scenarios.UntilCycles:
		rec.Reached = r.cyclesDone()
	case scenarios.UntilSettled:
		rec.Reached = r.lotsDone()
	case scenarios.UntilTime:
		rec.Reached = int((time.Duration(last.UptimeMS)*time.Millisecond - time.Duration(rec.ActivityUpS*float64(time.Second)) + 30*time.Second).Minutes())
	}
}

// needless says why the segment at hand has nothing to do at a level, %, or "".
func (r *run) needless(level int) string {
	if g := r.goal(); g.until == scenarios.UntilLevel && level <= g.toLevel {
		return fmt.Sprintf("the level is %d %%, and it was to be drained to %d %%", level, g.toLevel)
	}
	return ""
}

// instruct tells the recorder how the segment ends on the handset by itself.
func (r *run) instruct(seg *onboard.Segment) {
	plan, g := r.e.Item.Order.Plan, r.goal()
	seg.WarmUpSec, seg.TargetPoints, seg.NoTarget = int(r.warmUp().Seconds()), g.points, !g.drains()
	seg.StopLevelPct = r.stopLevelPct()
	seg.StopOnPower, seg.StopOffPower, seg.UntilFull = !g.charges(), g.charges(), g.charges()
	seg.AsleepEverySec = askAsleep(r.scenario())
	seg.TimeLimitSec, seg.SampleEverySec = r.live.u.LimitS, int(plan.SampleEvery.Seconds())
}

// stopLevelPct is the level at which the segment ends, as its goal or as a limit; 0: none.
func (r *run) stopLevelPct() int {
	switch g := r.goal(); g.until {
	case scenarios.UntilLevel:
		return g.toLevel
	case scenarios.UntilFull:
		return 0
	}
	return r.e.Item.Order.Plan.StopLevelPct
}

// stopTempC is the battery temperature at which the segment ends, °C; 0: none.
func (r *run) stopTempC() float64 {
	if r.goal().charges() {
		return r.e.Item.Order.Plan.RechargeStopTempC
	}
	return r.e.Item.Order.Plan.StopTempC
}

// begun says whether what is to be measured has begun, and returns the event then: the
// start edge has come or, where there is no drain target, all evidence has been seen.
func (r *run) begun() (Event, error) {
	g, goal := r.live, r.goal()
	missing := g.witness.never()
	// A recorder that has reached its target has seen the start edge, also where its mark
	// could not be written: the handset's storage was full meanwhile.
	edge := g.u.StartEdge || g.u.Ended == onboard.EndTarget
	switch {
	case goal.drains() && !edge, !goal.drains() && missing != "":
		return "", nil
	case missing != "":
		return r.spoil("%s when the start edge came", missing)
	}
	r.provenFrom(earlier(g.phoneUntil, g.lookedAt))
	switch {
	case goal.charges():
		return ChargeSeen, nil
	case goal.drains():
		return StartEdge, nil
	}
	return EvidenceSeen, nil
}

// endedBy turns the recorder's word for why it ended into an event.
func (r *run) endedBy(reason string) (Event, error) {
	v, goal := &r.live.u.Verdict, r.goal()
	if v.Enough > 0 { // told to by the daemon
		v.EndedBy = endNarrow
		return TargetReached, nil
	}
	v.EndedBy = reason
	reached := false
	switch reason {
	case onboard.EndTarget, onboard.EndFull:
		reached = true
	case onboard.EndLevelLimit:
		reached = goal.until == scenarios.UntilLevel
	case onboard.EndTimeLimit:
		reached = (goal.until == scenarios.UntilTime || goal.until == scenarios.UntilSettled) && time.Duration(r.live.u.LimitS)*time.Second >= goal.length
	case onboard.EndStopped:
		if reached = v.Settled || goal.until == scenarios.UntilCycles && r.cyclesDone() >= goal.cycles; reached {
			v.EndedBy = goal.until
		}
	}
	if reached {
		if missing := r.live.witness.never(); missing != "" && !goal.drains() {
			if reason == onboard.EndFull {
				return r.spoil("the battery is full: nothing was charged, so that there was %s until its end", missing)
			}
			return r.spoil("%s until its end", missing)
		}
		return TargetReached, nil
	}
	switch reason {
	case onboard.EndLevelLimit, onboard.EndTemperatureLimit, onboard.EndTimeLimit:
		v.Reason = "ended at the " + reason
		if v.Seen != "" {
			v.Reason += "; " + v.Seen
		}
		return LimitReached, nil
	case onboard.EndNoTemperature:
		return r.spoil("its battery temperature could not be read any more, or not in the unit decided for it, and the limit of %g °C could not be held", r.stopTempC())
	case onboard.EndStandsStill:
		return r.spoil("none of its battery's readings has changed for %s: its gauge has stopped, and the limit of %g °C could not be held", devices.Lasting(readingsStill), r.stopTempC())
	case onboard.EndPowerSeen:
		return r.spoil("power seen: the handset was being charged during the segment")
	case onboard.EndHolderChanged:
		return r.spoil("the handset was taken from the segment while it went on")
	case onboard.EndPowerGone:
		return r.spoil("the power went before the battery was full")
	}
	return r.spoil("the recorder ended by itself: %s", reason)
}

// recorderGone is why a segment is spoiled whose recorder does not run and left no word.
const recorderGone = "the recorder is gone without its end mark (adbd was restarted, or something killed it)"

// afterRestart judges a segment whose handset has restarted since. One whose recorder had
// come to its end before is what its files say, which outlive a restart: its daemon may
// have been away meanwhile.
func (r *run) afterRestart(ctx context.Context, l devices.Link, state onboard.State) (Event, error) {
	g := r.live
	if state.Exists {
		if err := r.takeIn(ctx, l); err != nil {
			return "", err
		}
	}
	if g.u.Ended == "" {
		return r.spoil("the handset restarted during the segment")
	}
	r.hearStage()
	g.lookedAt = g.phoneUntil
	g.note(r.d.now(), "the handset restarted after the recorder had ended")
	if r.e.State == Settling {
		if event, err := r.begun(); event != "" || err != nil {
			return event, err
		}
	}
	return r.endedBy(g.u.Ended)
}

// Least that a segment without a drain target must have reached to be worth a figure when
// something else than its goal ended it.
const (
	fewestCycles    = sustain.MinCycles
	leastWorked     = 8 * time.Minute // the start, and a window of the rule of settling after it
	leastChargedPct = 80              // the last level that charging times are commonly given for: common practice, no source
)

// fellShort says why a segment that ended before its goal gives no figure, or "".
func (r *run) fellShort() string {
	g, goal := r.live, r.goal()
	if points := g.rec.Points(); points < min(fewestPoints, g.rec.TargetPoints) {
		said := "after " + g.rec.Progress()
		if missing := g.unwrittenSaid(); missing != "" {
			said += ", " + missing
		}
		return said
	}
	if g.u.Verdict.Reason == "" {
		return "" // it reached its goal
	}
	switch goal.until {
	case scenarios.UntilSettled:
		if worked := r.workedFor(); worked < leastWorked {
			return fmt.Sprintf("after %.1f min of work", worked.Minutes())
		}
	case scenarios.UntilCycles:
		if g.rec.Reached < min(fewestCycles, goal.cycles) {
			return "after " + g.rec.Progress()
		}
	case scenarios.UntilFull:
		if g.rec.Reached < leastChargedPct {
			return g.rec.Progress()
		}
	}
	return ""
}

// window is the level, %, within which the segment at hand may start.
func (r *run) window() scenarios.Window { return r.e.Item.Order.startWindow(r.h, r.e.Step) }

// startWindow is the level, %, within which the segment at a position of the list may
// start: any for one that drains to a level, else the scenario's own window, the handset's
// or the plan's.
func (o Order) startWindow(h scenarios.Handset, step int) scenarios.Window {
	at := o.list()[step]
	s := o.Scenarios[at.Scenario]
	switch {
	case at.DrainTo > 0:
		return scenarios.Window{Least: 0, Most: 100}
	case s.StartLevel != nil:
		return *s.StartLevel
	case h.StartLevel != nil:
		return *h.StartLevel
	}
	return o.Plan.StartLevel
}
