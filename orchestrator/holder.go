package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/results"
	"rundown/scenarios"
)

// Who may run something on a handset stands on the handset itself (onboard.Holder). A run
// takes the handset before it changes anything there and gives it back when all is put
// back; each segment gets a number of its own in between, so that the programs of one that
// was forgotten end themselves once the next begins.
//
// A handset that another daemon holds is left alone. It counts as free again when that
// daemon gave it back, or when nothing of it runs there and it has not been heard of for
// abandonedAfter, or abandonedSegment: then its host is gone for good, and no measurement of it is lost. While
// something of it runs only a person can take the handset over.

const (
	// abandonedAfter is twice as long as a run waits for a handset that is away: a daemon
	// that could still come back to its run has come back by then.
	abandonedAfter = 2 * linkPatience
	// abandonedSegment is the same where a segment was under way last: one that rests is looked
	// at by its own daemon so seldom, and may have come to its end since.
	abandonedSegment = abandonedAfter + deepSleep
	// heldLook is how often a handset that another daemon holds is looked at, at first and, once
	// it has been held for long under one number, at the least: each look costs it some of the
	// charge that is being measured, and wakes it when it rests.
	heldLook      = 5 * time.Minute
	heldLookLeast = 30 * time.Minute
	// keepEvery is how often a run that only waits says on the handset that it is there, and
	// looks whether it still has it.
	keepEvery = time.Minute
	// takenFor is how long a handset that a person took over is kept for what is queued next.
	takenFor = 15 * time.Minute
)

// The store's kinds of documents about holders.
const (
	documentsDaemon  = "daemon"  // this daemon's own name, one document
	documentsHolding = "holding" // what this daemon holds, by handset name
)

// A holding is what this daemon holds of a handset, or held last.
type holding struct {
	Number int64  `json:"number"`
	Run    string `json:"run,omitempty"`
	Given  bool   `json:"given,omitempty"` // it was given back
	// Bare: it is held for what was done to it outside of a run (bare.go).
	Bare bool `json:"bare,omitempty"`
	// TakenOverAt is when a person took it over and no run has begun since; zero: no.
	TakenOverAt time.Time `json:"taken_over_at,omitzero"`
}

// A HeldBy says who holds a handset that is not this daemon's, as it was seen last.
type HeldBy struct {
	Bench   string    `json:"bench,omitempty"`   // the other daemon's bench
	Host    string    `json:"host,omitempty"`    // the machine that it runs on
	Daemon  string    `json:"daemon,omitempty"`  // its own name
	Run     string    `json:"run,omitempty"`     // of the other daemon
	Since   time.Time `json:"since,omitzero"`    // by its clock
	Number  int64     `json:"number,omitempty"`  // of the holder on the handset
	Problem string    `json:"problem,omitempty"` // why it cannot be said by whom
	Running []string  `json:"running,omitempty"` // segments of it that run there
	SeenAt  time.Time `json:"seen_at"`

	first time.Time // when it was seen first under this number
}

// nextLook is how long after a look the next one is due.
func (h HeldBy) nextLook() time.Duration {
	return min(max(h.SeenAt.Sub(h.first)/2, heldLook), heldLookLeast)
}

// String says by whom, for a sentence: "bench lab 2 on north, since 14 May 21:00".
func (h HeldBy) String() string {
	text := "a daemon that cannot be named (" + h.Problem + ")"
	if h.Problem == "" {
		text = "bench " + h.Bench
		if h.Host != "" {
			text += " on " + h.Host
		}
		if h.Run != "" {
			text += " for its run " + h.Run
		} else {
			text += " outside of a run"
		}
		text += ", since " + devices.At(h.Since)
	}
	return text
}

// A heldError means that another daemon holds a handset.
type heldError struct {
	handset string
	by      HeldBy
}

func (e *heldError) Error() string {
	return fmt.Sprintf("%s is held by %s; wait until it is given back, or take it over: rundown take-over %s", e.handset, e.by, e.handset)
}

func (e *heldError) Unwrap() error { return onboard.ErrHeld }

// loadSelf finds the daemon's own name in the store, or makes it.
func (d *Daemon) loadSelf() error {
	var kept struct {
		ID string `json:"id"`
	}
	err := d.store.Document(documentsDaemon, "self", &kept)
	if err != nil && !errors.Is(err, results.ErrNotFound) {
		d.log.Error().Err(err).Msg("this daemon's own name cannot be read and is made anew: handsets that it holds have to be taken over")
	}
	if kept.ID == "" {
		kept.ID = newID("d", d.now())
		if err := d.store.PutDocument(documentsDaemon, "self", kept); err != nil {
			return err
		}
	}
	host, _ := os.Hostname() // for people only
	d.self = onboard.Holder{Daemon: kept.ID, Bench: cutTo(d.file.Bench.Name, 80), Host: cutTo(host, 80)}
	return nil
}

// cutTo shortens text to so many bytes, between two characters.
func cutTo(s string, most int) string {
	if len(s) <= most {
		return s
	}
	for most > 0 && !utf8.RuneStart(s[most]) {
		most--
	}
	return s[:most]
}

func (d *Daemon) holding(handset string) (h holding) {
	if err := d.store.Document(documentsHolding, handset, &h); err != nil && !errors.Is(err, results.ErrNotFound) {
		d.log.Error().Err(err).Str("handset", handset).Msg("what this daemon holds cannot be read")
	}
	return h
}

// elsewhere says who else holds a handset, from a look at it; nil: nobody.
func (d *Daemon) elsewhere(h scenarios.Handset, look onboard.Holding) *HeldBy {
	by := &HeldBy{Number: look.Number, SeenAt: d.now(), first: d.now()}
	d.tell(h.Name, func(s *HandsetStatus) {
		if s.HeldBy != nil && s.HeldBy.Number == look.Number {
			by.first = s.HeldBy.first
		}
	})
	for _, key := range look.Keys() {
		if !d.knows(key) {
			by.Running = append(by.Running, key)
		}
	}
	mine := d.holding(h.Name)
	ours := look.Number > 0 && look.Number == mine.Number && !mine.Given
	runs := len(by.Running) > 0
	switch look.Condition {
	case onboard.HoldsHeld:
		w := look.Who
		by.Bench, by.Host, by.Daemon, by.Run, by.Since = w.Bench, w.Host, w.Daemon, w.Run, w.Since
		if w.Daemon == d.self.Daemon {
			return nil
		}
	case onboard.HoldsFuture:
		by.Problem = "its holder was written by a later version of Rundown"
	case onboard.HoldsDamaged:
		by.Problem = "its holder is damaged"
		if ours {
			return nil // only the words are lost
		}
	default:
		by.Problem = "its programs run there under no holder, or under an earlier version of Rundown"
		if !runs {
			return nil
		}
	}
	patience := abandonedAfter
	if look.Condition == onboard.HoldsHeld && look.Who.Segment != "" || look.Lies {
		patience = abandonedSegment
	}
	if !runs && look.Quiet >= patience {
		return nil
	}
	return by
}

// knows reports whether a segment on a handset is of a run of this daemon.
func (d *Daemon) knows(key string) bool {
	run := strings.TrimSuffix(key, answeringSuffix)
	for range 2 { // step and attempt
		at := strings.LastIndexByte(run, '-')
		if at < 0 {
			return false
		}
		run = run[:at]
	}
	_, err := d.store.Run(run)
	return !errors.Is(err, results.ErrNotFound)
}

// showHeld tells the bench who holds a handset; nil: nobody else does.
func (d *Daemon) showHeld(handset string, by *HeldBy) {
	fresh := false
	d.tell(handset, func(s *HandsetStatus) {
		fresh = by != nil && (s.HeldBy == nil || s.HeldBy.Number != by.Number)
		s.HeldBy = by
	})
	if fresh {
		d.log.Warn().Str("handset", handset).Stringer("by", by).Msg("another daemon holds the handset")
		d.publish(Change{Kind: "holder", Handset: handset, Text: "held by " + by.String()})
	}
}

// heldElsewhere says who else holds a handset at the moment. One that cannot be reached is
// held by nobody that could be asked; one that was seen to be held is looked at again only
// after a while. It reports a fault of the link, and nothing then.
func (d *Daemon) heldElsewhere(ctx context.Context, h scenarios.Handset) (*HeldBy, error) {
	var seen *HeldBy
	d.tell(h.Name, func(s *HandsetStatus) { seen = s.HeldBy })
	if seen != nil && d.now().Sub(seen.SeenAt).Abs() < seen.nextLook() {
		return seen, nil
	}
	return d.heldNow(ctx, h)
}

// heldNow says who else holds a handset, as the handset says it now: it may have been given back,
// or taken, since it was looked at.
func (d *Daemon) heldNow(ctx context.Context, h scenarios.Handset) (*HeldBy, error) {
	l, err := d.linkTo(h)
	if err != nil {
		return nil, err
	}
	look, err := onboard.Held(ctx, l)
	if err != nil {
		return nil, err
	}
	by := d.elsewhere(h, look)
	d.showHeld(h.Name, by)
	return by, nil
}

// notHeld refuses what a person asks for on a handset that another daemon holds.
func (d *Daemon) notHeld(ctx context.Context, h scenarios.Handset) error {
	by, err := d.heldNow(ctx, h)
	if err != nil || by == nil {
		return err
	}
	return fmt.Errorf("%w: %w", ErrNotNow, &heldError{h.Name, *by})
}

// takeFor makes this daemon the holder of a handset for a run and a segment of it, or for
// the run alone, ends whatever else of Rundown runs there, and returns its number. A
// *heldError says who else holds it.
func (d *Daemon) takeFor(ctx context.Context, l devices.Link, h scenarios.Handset, run, segment string) (int64, error) {
	look, err := onboard.Held(ctx, l)
	if err != nil {
		return 0, err
	}
	by := d.elsewhere(h, look)
	d.showHeld(h.Name, by)
	if by != nil {
		return 0, &heldError{h.Name, *by}
	}
	return d.takeOver(ctx, l, h, look, holding{Run: run}, segment)
}

// takeOver takes a handset as it was found, whoever held it.
func (d *Daemon) takeOver(ctx context.Context, l devices.Link, h scenarios.Handset, look onboard.Holding, as holding, segment string) (int64, error) {
	log := d.log.With().Str("handset", h.Name).Logger()
	want, before := d.self, d.holding(h.Name)
	want.Run, want.Segment, want.Since = as.Run, segment, d.now().UTC().Truncate(time.Second)
	if look.Number < before.Number { // the folder was removed there: numbers go on all the same
		want.Number = min(before.Number+1, onboard.MaxNumber)
	}
	switch look.Condition {
	case onboard.HoldsDamaged:
		log.Warn().Int64("number", look.Number).Str("line", look.Line).Msg("the holder on the handset is damaged; it is replaced")
	case onboard.HoldsHeld, onboard.HoldsFuture:
		if look.Who.Daemon != d.self.Daemon {
			log.Warn().Int64("number", look.Number).Str("line", look.Line).Stringer("quiet", look.Quiet.Round(time.Minute)).Msg("the handset is taken from another daemon")
		}
	}
	var err error
	if as.Number, err = onboard.Take(ctx, l, want, look); err != nil {
		return 0, err
	}
	if as != before {
		if err := d.store.PutDocument(documentsHolding, h.Name, as); err != nil {
			return 0, stored(err)
		}
	}
	if len(look.Running) == 0 {
		return as.Number, nil
	}
	ended, err := onboard.EndAll(ctx, l)
	if err != nil || len(ended) == 0 {
		return as.Number, err
	}
	log.Warn().Strs("segments", ended).Msg("programs of earlier segments still ran on the handset; ended")
	d.publish(Change{Kind: "holder", Handset: h.Name, Run: as.Run, Text: "ended what still ran there of " + strings.Join(ended, ", ")})
	return as.Number, d.collectEnded(ctx, h, l, ended)
}

// collectEnded collects what was just ended, as far as it is of runs of this daemon. What
// cannot be collected stays on the handset, and is tried again after the run.
func (d *Daemon) collectEnded(ctx context.Context, h scenarios.Handset, l devices.Link, keys []string) error {
	found, err := d.collectFrom(ctx, h, l, func(key string) bool { return slices.Contains(keys, key) && d.knows(key) && !isAnswering(key) })
	for _, f := range found {
		d.log.Info().Str("handset", h.Name).Str("segment", f.Segment).Str("outcome", f.Outcome).Msg(f.Text)
	}
	if err != nil && (linkDown(err) || ctx.Err() != nil) {
		return err
	}
	if err != nil {
		d.log.Error().Err(err).Str("handset", h.Name).Msg("what still ran on the handset could not be collected; its files stay there")
	}
	return nil
}

// takeHandset makes the run the holder of its handset. While another daemon holds it, or
// while it answers the calls of another run, the run waits; one that had it and lost it to
// a person who took it over is over.
func (r *run) takeHandset(ctx context.Context) (Event, error) {
	claim := []string{claimOn(r.h.Name)}
	for waited := r.d.stopwatch(); ; {
		var number int64
		var err error
		free := slices.Contains(r.held, claim[0]) || r.d.limits.take(claim) == ""
		if free {
			err = r.reach(ctx, linkPatience, func(l devices.Link) (err error) {
				if number, err = r.d.takeFor(ctx, l, r.h, r.e.RunID, ""); err != nil || number == r.e.Holder {
					return heldIsFinal(err)
				}
				return r.carryAlong(ctx, l)
			})
			if !slices.Contains(r.held, claim[0]) {
				r.d.limits.give(claim)
			}
		}
		var held *heldError
		var kept *storeError
		by := r.e.Item.FinishBy
		switch {
		case isStop(ctx, err) || errors.As(err, &kept):
			return "", err
		case errors.Is(err, onboard.ErrNoRoom):
			// Nobody else has it. The precondition of free storage says what to do, or frees it;
			// no segment begins before its own number is written.
			return "", nil
		case err == nil && free:
			r.e.Holder, r.keptAt = number, r.d.now()
			return "", stored(r.d.saveEntry(r.e))
		case r.cancelled():
			return r.giveUp(ctx, "cancelled")
		case errors.As(err, &held) && r.e.Holder > 0:
			return r.lostHandset(ctx, held.by)
		case err != nil && !errors.As(err, &held):
			return r.giveUp(ctx, "the handset cannot be taken for the run: %s", why(err))
		case !by.IsZero() && r.d.now().After(by):
			return r.giveUp(ctx, "the night ended while the handset was not free: %s", r.saysHeld(held))
		}
		r.waitsFor(r.saysHeld(held))
		pause := heldLook
		if held != nil {
			pause = held.by.nextLook()
		}
		for next := waited.read() + pause; waited.read() < next && !r.cancelled(); {
			if held == nil || r.handsetFree() {
				next = 0 // its calls end soon, or a person has just taken it over
			}
			if err := r.d.clock.Sleep(ctx, retryEvery); err != nil {
				return "", err
			}
		}
	}
}

// heldIsFinal keeps reach from trying again what only time or a person can change.
func heldIsFinal(err error) error {
	var held *heldError
	if errors.As(err, &held) || errors.Is(err, onboard.ErrNoRoom) {
		return &finalError{err}
	}
	return err
}

// A finalError is not tried again by reach.
type finalError struct{ err error }

func (e *finalError) Error() string { return e.err.Error() }
func (e *finalError) Unwrap() error { return e.err }

func (r *run) saysHeld(held *heldError) string {
	if held == nil {
		return "the calls that it answers for another run to end"
	}
	return waitsForHolder(held.by, r.h.Name)
}

// heldWords begin what a handset waits for while another daemon holds it.
const heldWords = "the handset, which is held by "

func waitsForHolder(by HeldBy, handset string) string {
	return heldWords + by.String() + ", to be given back; or take it over: rundown take-over " + handset
}

// handsetFree reports whether nobody else is known to hold the handset any more.
func (r *run) handsetFree() (free bool) {
	r.d.tell(r.h.Name, func(s *HandsetStatus) { free = s.HeldBy == nil })
	return free
}

// lostHandset ends a run whose handset was taken over.
func (r *run) lostHandset(ctx context.Context, by HeldBy) (Event, error) {
	r.takenBy(by)
	return r.giveUp(ctx, "%s", sayTaken(by))
}

// takenBy notes that the handset is another daemon's from now on: nothing is begun, and
// nothing put back there, until it is given back.
func (r *run) takenBy(by HeldBy) {
	r.d.showHeld(r.h.Name, &by)
	r.e.TakenOver = sayTaken(by)
	if r.e.StopReason == "" {
		r.e.StopReason = r.e.TakenOver
	}
}

func sayTaken(by HeldBy) string { return "the handset was taken over by " + by.String() }

// holderChanged reports whether the segment under way does not hold its handset any more.
func (r *run) holderChanged(state onboard.State) bool {
	g := r.live
	return g.heldAnew(state) && (g.u.Ended == "" || g.u.Ended == onboard.EndHolderChanged)
}

// heldAnew reports whether the handset's holder is not the segment's any more, also after its end.
func (g *segment) heldAnew(state onboard.State) bool {
	return g.u.Holder > 0 && state.Holder != g.u.Holder
}

// outOfHand spoils a segment whose handset has another holder, and says which.
func (r *run) outOfHand(ctx context.Context, l devices.Link) (Event, error) {
	look, err := onboard.Held(ctx, l)
	if err != nil {
		return "", err
	}
	if by := r.d.elsewhere(r.h, look); by != nil {
		r.takenBy(*by)
		return r.spoil("%s", r.e.TakenOver)
	}
	switch who := look.Who; {
	case who.Daemon != "" && who.Daemon != r.d.self.Daemon: // and given back, or left
		by := HeldBy{Bench: who.Bench, Host: who.Host, Run: who.Run, Since: who.Since}
		return r.spoil("%s, and has been given back", sayTaken(by))
	case look.Condition == onboard.HoldsHeld && who.Segment != r.live.u.Key:
		return r.spoil("the handset was taken for segment %s meanwhile", who.Segment)
	}
	return r.spoil("the handset was taken from the segment, or its holder was removed there by hand: who has it cannot be told (%s/holders)", onboard.Root)
}

// keep says on the handset, now and then, that its daemon is there, while no segment does
// so, and finds out whether the handset is still this run's.
func (r *run) keep(ctx context.Context, l devices.Link) error {
	if r.e.Holder == 0 || r.e.Segment != nil || r.e.TakenOver != "" || r.d.now().Sub(r.keptAt) < keepEvery {
		return nil
	}
	held, err := onboard.StillHeld(ctx, l, r.e.Holder)
	if err != nil {
		return err
	}
	if !held { // unless it only answers calls for another run
		look, err := onboard.Held(ctx, l)
		if err != nil {
			return err
		}
		if by := r.d.elsewhere(r.h, look); by != nil {
			r.takenBy(*by)
			return &finalError{&heldError{r.h.Name, *by}}
		}
	}
	r.keptAt = r.d.now()
	return nil
}

// mayTouch refuses to change anything on a handset that is another daemon's by now.
func (d *Daemon) mayTouch(ctx context.Context, l devices.Link, h scenarios.Handset) error {
	look, err := onboard.Held(ctx, l)
	if err != nil {
		return err
	}
	by := d.elsewhere(h, look)
	d.showHeld(h.Name, by)
	if by != nil {
		return &finalError{&heldError{h.Name, *by}}
	}
	return nil
}

// giveBack gives a handset back, if it is this daemon's.
func (d *Daemon) giveBack(ctx context.Context, l devices.Link, h scenarios.Handset) error {
	mine := d.holding(h.Name)
	if mine.Number == 0 || mine.Given {
		return nil
	}
	if err := onboard.Release(ctx, l, mine.Number); err != nil {
		return err
	}
	mine.Given, mine.TakenOverAt = true, time.Time{}
	return stored(d.store.PutDocument(documentsHolding, h.Name, mine))
}

// owesBack reports whether a handset that no run is on has still to be given back. One that
// a person took over is kept a while for what is queued next.
func (d *Daemon) owesBack(h scenarios.Handset) bool {
	mine := d.holding(h.Name)
	if mine.Number == 0 || mine.Given {
		return false
	}
	if run, err := d.store.Run(mine.Run); err == nil && !State(run.State).over() {
		return false // it answers the calls of another handset's run, which gives it back
	}
	if mine.Bare && d.needsBare(h.Name) {
		return false
	}
	if mine.TakenOverAt.IsZero() {
		return true
	}
	_, waits := d.queue.nextFor(h.Name, d.now())
	return !waits && d.now().Sub(mine.TakenOverAt).Abs() > takenFor
}

// TakeOver takes a handset that another daemon holds, because a person says so. What runs
// there ends; its files stay for that daemon to collect, whose run ends by itself. Only what
// another daemon holds can be taken over: else ErrNotNow.
func (d *Daemon) TakeOver(ctx context.Context, handset string) (HeldBy, error) {
	h, l, err := d.atHand(handset)
	if err != nil {
		return HeldBy{}, err
	}
	if !d.engaged.take(handset) {
		return HeldBy{}, fmt.Errorf("%s: %w: it is in a run of this bench, or its screen is being calibrated", handset, ErrNotNow)
	}
	defer d.queue.nudge()
	defer d.engaged.give(handset)
	look, err := onboard.Held(ctx, l)
	if err != nil {
		return HeldBy{}, err
	}
	by := d.elsewhere(h, look)
	if by == nil {
		d.showHeld(handset, nil)
		return HeldBy{}, fmt.Errorf("%s: %w: no other daemon holds it", handset, ErrNotNow)
	}
	_, err = d.takeOver(ctx, l, h, look, holding{TakenOverAt: d.now()}, "")
	if errors.Is(err, onboard.ErrChanged) {
		return *by, fmt.Errorf("%w: %w", ErrNotNow, err)
	}
	if err != nil {
		return *by, err
	}
	d.showHeld(handset, nil)
	d.log.Warn().Str("handset", handset).Stringer("from", *by).Msg("a person took the handset over")
	d.publish(Change{Kind: "holder", Handset: handset, Text: "taken over from " + by.String()})
	return *by, nil
}
