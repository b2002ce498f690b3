package orchestrator

import (
	"context"
	"sync/atomic"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/scenarios"
)

// A bell is a command that waits on a handset which is left alone, until there is something to
// look at: its segment has ended, or power has come. It wakes nothing.
type bell struct {
	armed atomic.Bool   // the handset has said that it waits
	rings chan struct{} // closed when it has called
	done  chan struct{}
	end   context.CancelFunc
	at    time.Time // when it was hung up
	short int       // bells in a row, with this one, that were hung up soon after the one before
}

// bellAgain is how soon after it was hung up a handset whose bell broke is looked at, which wakes
// it: something happened to its link, or to itself. Where bells break as soon as they hang,
// bellsShort in a row, one that rests is looked at as if it had none.
const (
	bellAgain  = 30 * time.Second
	bellShort  = 10 * time.Minute
	bellsShort = 6
)

// hang leaves a command on the handset, until it has come to its end or ctx ends.
func hang(ctx context.Context, at time.Time, wait func(ctx context.Context, armed func()) error) *bell {
	b := &bell{rings: make(chan struct{}), done: make(chan struct{}), at: at}
	ctx, b.end = context.WithCancel(ctx)
	go func() {
		defer close(b.done)
		defer b.end()
		if wait(ctx, func() { b.armed.Store(true) }) == nil {
			close(b.rings)
		}
	}()
	return b
}

// rang reports whether the handset has called; false of nil.
func (b *bell) rang() bool {
	if b == nil {
		return false
	}
	select {
	case <-b.rings:
		return true
	default:
		return false
	}
}

// broken reports whether the command is gone, and has not called; true of nil.
func (b *bell) broken() bool {
	if b == nil {
		return true
	}
	select {
	case <-b.done:
		return !b.rang()
	default:
		return false
	}
}

// waits reports whether the command is on the handset and waits there; false of nil.
func (b *bell) waits() bool { return !b.broken() && !b.rang() && b.armed.Load() }

// stop takes the command away; safe on nil.
func (b *bell) stop() {
	if b != nil {
		b.end()
		<-b.done
	}
}

// listen has the handset of the segment under way say by itself when that has ended. It is
// called at a look, which has just woken the handset.
func (r *run) listen(ctx context.Context, l devices.Link) {
	g := r.live
	if !r.mayLook() || g.bell.waits() {
		return
	}
	before := g.bell
	before.stop()
	g.bell = hang(ctx, r.d.now(), func(ctx context.Context, armed func()) error {
		return onboard.AwaitEnd(ctx, l, g.u.Key, armed)
	})
	if before != nil && g.bell.at.Sub(before.at).Abs() < bellShort {
		g.bell.short = before.short + 1
	}
}

// hangForPower has a handset on battery say by itself when power comes.
func (d *Daemon) hangForPower(ctx context.Context, l devices.Link) *bell {
	return hang(ctx, d.now(), func(ctx context.Context, armed func()) error { return onboard.AwaitPower(ctx, l, armed) })
}

// bellBroke reports whether the command that waited on the resting handset is gone without
// having called, and the handset can be asked why.
func (r *run) bellBroke() bool {
	b := r.live.bell
	if b == nil || !b.broken() || b.short >= bellsShort || r.d.now().Sub(b.at).Abs() < bellAgain {
		return false
	}
	_, err := r.d.linkTo(r.h)
	return err == nil
}

// A lookout has a handset on which nothing is under way, or whose run waits, say by itself when
// power comes. Where nothing waits on it any more, the handset is read instead.
type lookout struct{ bell *bell }

// rings is closed when the handset calls; nil while nothing waits on it.
func (o *lookout) rings() <-chan struct{} {
	if o.bell == nil {
		return nil
	}
	return o.bell.rings
}

// calls reports, once, whether the handset is to be read now: it has called, or the command that
// waited there is gone. From then on it is read as often as its power asks for.
func (o *lookout) calls(now time.Time) bool {
	b := o.bell
	if b == nil || !b.rang() && (!b.broken() || now.Sub(b.at).Abs() < bellAgain) {
		return false
	}
	o.bell = nil
	return true
}

// listen hangs a bell on a handset that has just been read and had no power, unless one waits
// there.
func (o *lookout) listen(ctx context.Context, d *Daemon, h scenarios.Handset) {
	fresh := false
	d.withPower(h.Name, func(s *powerState) bool {
		fresh = !s.on && !s.seenAt.IsZero() && d.now().Sub(s.seenAt).Abs() < d.pollEvery
		return false
	})
	if !fresh || o.bell.waits() || d.heldBy(h.Name) != nil {
		return
	}
	if l, err := d.linkTo(h); err == nil {
		o.stop()
		o.bell = d.hangForPower(ctx, l)
	}
}

// stop takes the command away.
func (o *lookout) stop() {
	o.bell.stop()
	o.bell = nil
}
