package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rundown/devices"
	"rundown/devices/preconditions"
	"rundown/results"
	"rundown/scenarios"
)

// documentsPending is the store's kind for settings to be put back, by handset name: of a run
// that ended while the handset was away or did not let them be put back.
const documentsPending = "owed"

// pendingRestores are the settings of a handset that a run has changed and could not put back. They are
// pending until they are put back or a person says to leave it.
type pendingRestores struct {
	Run     string                 `json:"run"`
	Changes []preconditions.Change `json:"changes"`
	Tries   int                    `json:"tries"` // in which the handset was reached
	TriedAt time.Time              `json:"tried_at,omitzero"`
	Error   string                 `json:"error,omitempty"` // of the last try
}

// Owed is what is still to be put back on a handset, as it is shown.
type Owed struct {
	Run     string       `json:"run" doc:"that changed it last"`
	Since   time.Time    `json:"since" doc:"when the oldest of them was changed"`
	Tries   int          `json:"tries" doc:"how often it was tried with the handset in reach"`
	TriedAt time.Time    `json:"tried_at,omitzero"`
	Error   string       `json:"error,omitempty" doc:"why the last try failed"`
	Changes []OwedChange `json:"changes"`
}

// An OwedChange is one setting that is to be put back.
type OwedChange struct {
	Name      string    `json:"name" doc:"the precondition for which it was changed"`
	Before    string    `json:"before" doc:"what it is to be put back to"`
	ChangedAt time.Time `json:"changed_at"`
}

// say names the changes for a person.
func (o Owed) say() string {
	var said []string
	for _, c := range o.Changes {
		said = append(said, fmt.Sprintf("%s to %s", c.Name, c.Before))
	}
	return strings.Join(said, ", ")
}

// Say is what is owed in a line for a person, with what can be done about it.
func (o Owed) Say(handset string) string {
	said := "to be put back: " + o.say()
	if o.Error != "" {
		said += fmt.Sprintf("; tried %d times: %s", o.Tries, o.Error)
	}
	return said + "; it is tried at each contact. To leave it as it is: rundown settings leave " + handset
}

func (d *Daemon) pendingRestores(handset string) (pendingRestores, error) {
	return pendingIn(d.store, handset)
}

func pendingIn(store *results.Store, handset string) (o pendingRestores, err error) {
	if err = store.Document(documentsPending, handset, &o); errors.Is(err, results.ErrNotFound) {
		err = nil
	}
	return o, err
}

// OwedBy says of a store's runs, in words for a report, which settings each has left to be put back on
// its handset; "" where it left none.
func OwedBy(store *results.Store) func(results.Run) string {
	return func(run results.Run) string {
		o, err := pendingIn(store, run.Handset.Name)
		if err != nil || len(o.Changes) == 0 || o.Run != run.ID {
			return ""
		}
		return "settings are " + o.shown().Say(run.Handset.Name)
	}
}

// pendingShown is what is owed to a handset; nil: nothing.
func (d *Daemon) pendingShown(handset string) *Owed {
	o, err := d.pendingRestores(handset)
	if err != nil || len(o.Changes) == 0 {
		return nil // what cannot be read is in the log
	}
	return o.shown()
}

func (o pendingRestores) shown() *Owed {
	s := &Owed{Run: o.Run, Since: o.Changes[0].At, Tries: o.Tries, TriedAt: o.TriedAt, Error: o.Error}
	for _, c := range o.Changes {
		s.Changes = append(s.Changes, OwedChange{Name: c.Name, Before: c.Before, ChangedAt: c.At})
		if c.At.Before(s.Since) {
			s.Since = c.At
		}
	}
	return s
}

// owe writes down what is still to be put back, before the run forgets it.
func (r *run) owe(left []preconditions.Change, tries int, because string) error {
	o, err := r.d.pendingRestores(r.h.Name)
	if err != nil {
		return err
	}
	for _, c := range left {
		same := func(have preconditions.Change) bool { return have.Name == c.Name && have.Undo == c.Undo }
		if !slices.ContainsFunc(o.Changes, same) { // a second attempt at the same
			o.Changes = append(o.Changes, c)
		}
	}
	if len(o.Changes) == 0 {
		return nil
	}
	o.Run, o.Tries, o.TriedAt, o.Error = r.e.RunID, tries, r.d.now(), because
	return r.d.store.PutDocument(documentsPending, r.h.Name, o)
}

// putBack puts every changed setting back, newest first, and owes what the handset does
// not let be put back or cannot be reached for. It then leaves the handset on its home
// screen with the screen off, where the shell may press keys.
func (r *run) putBack(ctx context.Context) error {
	left := r.e.Changes
	for try := 1; len(left) > 0; try++ {
		var said error
		err := r.reach(ctx, linkPatience, func(l devices.Link) error {
			if err := r.d.mayTouch(ctx, l, r.h); err != nil {
				return err
			}
			if left, said = r.d.putBackOn(ctx, l, r.h, left); linkDown(said) {
				return said
			}
			return nil
		})
		var held *heldError
		switch {
		case isStop(ctx, err):
			return err
		case errors.As(err, &held):
			r.note("its settings are put back when the handset is given back by %s", held.by)
			return r.owe(left, try-1, "")
		case err != nil:
			r.note("the handset is away; its settings are put back when it is there again: %s", why(err))
			return r.owe(left, try-1, "")
		case len(left) == 0:
		case try == restoreTries:
			if err := r.owe(left, try, why(said)); err != nil {
				return err
			}
			o := pendingRestores{Changes: left, Tries: try, Error: why(said)}
			r.note("settings are %s", o.shown().Say(r.h.Name))
			left = nil
		default:
			r.log.Warn().Err(said).Int("try", try).Msg("settings did not go back")
			if err := r.d.clock.Sleep(ctx, retryEvery); err != nil {
				return err
			}
		}
	}
	if l, err := r.d.linkTo(r.h); err == nil {
		if r.d.mayTouch(ctx, l, r.h) != nil {
			return ctx.Err()
		}
		if err := goHome(ctx, l); err != nil && !linkDown(err) && ctx.Err() == nil {
			r.note("it was not left on its home screen with the screen off: %s", why(err))
		}
		if err := r.d.giveBack(ctx, l, r.h); err != nil && ctx.Err() == nil {
			r.log.Warn().Err(err).Msg("the handset could not be given back yet")
		}
	}
	return ctx.Err()
}

// goHome leaves a handset on its home screen with the screen off. It is tried once: a
// handset whose shell may press no keys will not press them the second time either, and
// nothing is changed by it that would be owed.
func goHome(ctx context.Context, l devices.Link) error {
	return devices.LeaveHome(ctx, l)
}

// pendingPause is how long is waited after so many tries that the handset did not let succeed:
// it may need its owner, or only another moment.
func pendingPause(tries int) time.Duration {
	return min(time.Minute<<min(max(tries-restoreTries, 0), 10), time.Hour)
}

// payOwed puts back what is owed to a handset that can be reached: at once when it has
// just come back, and else every so often.
func (d *Daemon) payOwed(ctx context.Context, h scenarios.Handset, l devices.Link, back bool) {
	log := d.log.With().Str("handset", h.Name).Logger()
	o, err := d.pendingRestores(h.Name)
	if err != nil {
		log.Error().Err(err).Msg("what is owed to the handset is not readable")
		return
	}
	pause, since := pendingPause(o.Tries), d.now().Sub(o.TriedAt)
	if back {
		pause = min(pause, time.Minute) // a link that comes and goes is no reason to ask all the time
	}
	if len(o.Changes) == 0 || o.Tries > 0 && since >= 0 && since < pause || !d.engaged.take(h.Name) {
		return
	}
	defer d.engaged.give(h.Name)
	if by, err := d.heldElsewhere(ctx, h); err != nil || by != nil {
		return // they are put back when it is given back
	}
	left, err := d.putBackOn(ctx, l, h, o.Changes)
	switch {
	case ctx.Err() != nil || linkDown(err):
		return // the next contact begins where this one did: what is as it was counts as put back
	case len(left) > 0:
		o.Changes, o.Error, o.TriedAt = left, why(err), d.now()
		o.Tries++
		log.Warn().Err(err).Int("try", o.Tries).Msg("settings of an earlier run did not go back")
		if err := d.store.PutDocument(documentsPending, h.Name, o); err != nil {
			log.Error().Err(err).Msg("that settings were tried to be put back could not be written down")
		}
		return
	}
	if err := d.store.DeleteDocument(documentsPending, h.Name); err != nil {
		log.Error().Err(err).Msg("that settings were put back could not be written down; it is done once more")
		return
	}
	log.Info().Str("run", o.Run).Msg("settings of an earlier run were put back")
	d.noteOnRun(o.Run, "settings were put back: "+o.shown().say())
	d.publish(Change{Kind: "state", Handset: h.Name, Run: o.Run, Text: "settings put back"})
	if err := goHome(ctx, l); err != nil && ctx.Err() == nil {
		log.Warn().Err(err).Msg("the handset was not left on its home screen with the screen off")
	}
}

// LeaveSettings has what is owed to a handset left as it is, since a person says so, and
// returns what that was. ErrRequest for an unknown handset, ErrNotNow when nothing is
// owed, or when somebody has the handset just now.
func (d *Daemon) LeaveSettings(ctx context.Context, handset, by string) (Owed, error) {
	if _, ok := d.file.Handset(handset); !ok {
		return Owed{}, fmt.Errorf("%w: no handset %q on the bench; there are %v", ErrRequest, handset, d.handsetNames())
	}
	if d.busy(handset) != "" || !d.engaged.takeSoon(ctx, handset) {
		return Owed{}, fmt.Errorf("%s: %w: it is in a run, which tries to put its settings back at the end, or being calibrated, or they are being put back at this moment", handset, ErrNotNow)
	}
	defer d.engaged.give(handset)
	o, err := d.pendingRestores(handset)
	switch {
	case err != nil:
		return Owed{}, err
	case len(o.Changes) == 0:
		return Owed{}, fmt.Errorf("%s: %w: no settings are owed to it", handset, ErrNotNow)
	}
	if err := d.store.DeleteDocument(documentsPending, handset); err != nil {
		return Owed{}, err
	}
	d.forget(ctx, handset, o.Changes)
	shown := *o.shown()
	d.noteOnRun(o.Run, fmt.Sprintf("left as it is by %s, not put back: %s", by, shown.say()))
	d.publish(Change{Kind: "state", Handset: handset, Run: o.Run, Text: "settings left as they are"})
	return shown, nil
}

// noteOnRun adds a note to the record of a run that is over. Whoever calls it has the
// handset, so that nobody else writes the record.
func (d *Daemon) noteOnRun(run, text string) {
	d.addNote(run, results.Note{At: d.now(), Text: text})
}

func (d *Daemon) addNote(run string, n results.Note) {
	d.noting.Lock()
	defer d.noting.Unlock()
	rec, err := d.store.Run(run)
	if err == nil {
		rec.Notes = append(rec.Notes, n)
		err = d.store.PutRun(rec)
	}
	if err != nil && !errors.Is(err, results.ErrNotFound) {
		d.log.Error().Err(err).Str("run", run).Str("note", n.Text).Msg("a note on a run could not be stored")
	}
}
