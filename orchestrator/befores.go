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
	"rundown/devices/preconditions"
	"rundown/scenarios"
)

// A daemon that takes a handset from another finds its settings as that one had them, not
// as they were. So what each setting was stands on the handset too (onboard.Befores): the
// first who changes it writes it there, whoever has the handset puts that back, and what
// another daemon has left is carried along by the run that takes the handset. A daemon that
// comes back later finds what was put back gone from the list, and leaves it.
//
// What a command changes and not a setting (radios, volume) stands there as the state that its
// precondition had; how it is put back is worked out then.

// keptAs is the name under which a change's old value stands on the handset; "": it does not,
// since it is a key that was pressed, or the link's own form.
func keptAs(c preconditions.Change) string {
	switch {
	case onboard.IsSetting(c.Setting):
		return c.Setting
	case c.Setting == "" && c.State != "" && !c.DropsLink && !c.Press:
		return onboard.OfState(c.Name)
	}
	return ""
}

// backTo is a change whose old value is what stands on the handset.
func backTo(c preconditions.Change, before onboard.Before) preconditions.Change {
	switch {
	case c.Setting != "":
		return c.BackTo(before.Was)
	case before.Was != nil && *before.Was != c.State:
		c.State, c.Undo, c.Before = *before.Was, "", preconditions.SayState(*before.Was)
	}
	return c
}

// A changeBook writes changes down, in the store and on the handset, before they are made.
// It belongs to one pass over the preconditions, during which the handset is this daemon's.
type changeBook struct {
	d       *Daemon
	l       devices.Link
	h       scenarios.Handset
	changes *[]preconditions.Change
	owed    []preconditions.Change // beside these
	save    func() error

	read    bool
	befores onboard.Befores
}

// record is for preconditions.Apply. The errors are the store's and the link's; a handset
// that has no room for the list does without.
func (b *changeBook) record(ctx context.Context, c preconditions.Change) error {
	as := keptAs(c)
	if as == "" {
		return b.keep(c)
	}
	if !b.read {
		befores, err := onboard.ReadBefores(ctx, b.l)
		if err != nil {
			return err
		}
		if befores.ID == "" && !befores.Future {
			befores = onboard.Befores{ID: newID("b", b.d.now())}
		}
		b.befores, b.read = befores, true
	}
	if b.befores.Future {
		return b.keep(c)
	}
	of := func(have preconditions.Change) bool { return keptAs(have) == as }
	mine := slices.ContainsFunc(*b.changes, of) || slices.ContainsFunc(b.owed, of)
	before := b.befores.Of(as)
	if before != nil && (mine || before.Daemon != b.d.self.Daemon) {
		c = backTo(c, *before)
		c.Kept = b.befores.ID
		return b.keep(c)
	}
	next := b.befores // ours that no record knows any more was left as it is by a person
	next.List = slices.DeleteFunc(slices.Clone(next.List), func(e onboard.Before) bool { return e.Setting == as })
	was := c.Was
	if c.Setting == "" {
		was = &c.State
	}
	next.List = append(next.List, onboard.Before{Setting: as, Was: was, For: c.Name, Daemon: b.d.self.Daemon, At: c.At.UTC().Truncate(time.Second)})
	c.Kept = next.ID
	if err := b.keep(c); err != nil {
		return err
	}
	err := onboard.WriteBefores(ctx, b.l, next)
	switch {
	case err == nil:
		b.befores = next
		return nil
	case linkDown(err) || ctx.Err() != nil:
		return err // nothing was changed yet, and the next try comes by here again
	}
	b.d.log.Warn().Err(err).Str("handset", b.h.Name).Str("setting", as).Msg("what a setting was is not kept on the handset; this daemon alone knows it")
	c.Kept = ""
	return b.keep(c)
}

// keep writes a change into the store's record, once for each old value.
func (b *changeBook) keep(c preconditions.Change) error {
	i := slices.IndexFunc(*b.changes, func(have preconditions.Change) bool { return have.Undo == c.Undo && have.Name == c.Name })
	switch {
	case i < 0:
		*b.changes = append(*b.changes, c)
	case (*b.changes)[i].Kept == c.Kept:
		return nil // the same old value, from an earlier segment
	default:
		(*b.changes)[i].Kept = c.Kept
	}
	return b.save()
}

// putBackOn puts changes back as the handset itself says they were, and returns those that
// are still to be put back. What another daemon has put back since is left as it is.
func (d *Daemon) putBackOn(ctx context.Context, l devices.Link, h scenarios.Handset, changes []preconditions.Change) (left []preconditions.Change, err error) {
	if !slices.ContainsFunc(changes, func(c preconditions.Change) bool { return keptAs(c) != "" }) {
		return preconditions.Restore(ctx, l, changes)
	}
	befores, err := onboard.ReadBefores(ctx, l)
	if err != nil {
		return changes, err
	}
	var owed, cannot []preconditions.Change
	var gone, done []string
	var failed []error
	for _, c := range changes {
		as := keptAs(c)
		switch before := befores.Of(as); {
		case as == "":
		case before != nil:
			c = backTo(c, *before)
		case c.Kept != "" && c.Kept == befores.ID:
			gone = append(gone, c.Before)
			continue
		}
		if c.Undo == "" { // a state from before this daemon found it
			undo, err := preconditions.BackTo(ctx, l, c.Name, c.State)
			switch {
			case linkDown(err) || ctx.Err() != nil:
				return changes, err
			case err != nil:
				cannot, failed = append(cannot, c), append(failed, err)
				continue
			case undo == "":
				done = append(done, as)
				continue
			}
			c.Undo = undo
		}
		owed, done = append(owed, c), append(done, as)
	}
	if len(gone) > 0 {
		d.log.Info().Str("handset", h.Name).Strs("settings", gone).Msg("settings have been put back by whoever had the handset since")
	}
	left, err = preconditions.Restore(ctx, l, owed)
	left = append(cannot, left...)
	taken := d.takeOff(ctx, l, h, befores, func(e onboard.Before) bool {
		return slices.Contains(done, e.Setting) && !slices.ContainsFunc(left, func(c preconditions.Change) bool { return keptAs(c) == e.Setting })
	})
	if taken != nil {
		return changes, errors.Join(err, taken)
	}
	return left, errors.Join(append(failed, err)...)
}

// takeOff takes settings off the handset's list. The error is the link's.
func (d *Daemon) takeOff(ctx context.Context, l devices.Link, h scenarios.Handset, befores onboard.Befores, which func(onboard.Before) bool) error {
	if !slices.ContainsFunc(befores.List, which) {
		return nil
	}
	befores.List = slices.DeleteFunc(slices.Clone(befores.List), which)
	err := onboard.WriteBefores(ctx, l, befores)
	if err != nil && !linkDown(err) && ctx.Err() == nil {
		// What is back must not stand there any more; then nothing else does either.
		d.log.Warn().Err(err).Str("handset", h.Name).Msg("the list of what the settings were is removed from the handset")
		err = onboard.DropBefores(ctx, l)
	}
	return err
}

// carryAlong has the run put back at its end what another daemon has changed on the handset
// and not put back.
func (r *run) carryAlong(ctx context.Context, l devices.Link) error {
	befores, err := onboard.ReadBefores(ctx, l)
	if err != nil {
		return err
	}
	var theirs []preconditions.Change
	var said []string
	for _, e := range befores.List {
		has := func(c preconditions.Change) bool { return keptAs(c) == e.Setting }
		if e.Daemon == r.d.self.Daemon || slices.ContainsFunc(r.e.Changes, has) {
			continue
		}
		c := preconditions.Change{Name: e.For, At: e.At, Kept: befores.ID}
		if e.Setting != onboard.OfState(e.For) {
			c.Setting = e.Setting
		}
		c = backTo(c, e)
		if keptAs(c) == "" {
			continue // a state that is not one
		}
		theirs, said = append(theirs, c), append(said, fmt.Sprintf("%s to %s", c.Name, c.Before))
	}
	if len(theirs) == 0 {
		return nil
	}
	r.e.Changes = append(theirs, r.e.Changes...)
	r.note("what another daemon had changed on the handset is put back at the end of this run: %s", strings.Join(said, ", "))
	return nil
}
