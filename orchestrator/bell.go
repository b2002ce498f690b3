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
	armed atomic.Bool // the handset has said that it waits
	rung  atomic.Bool
	done  chan struct{}
	end   context.CancelFunc
	at    time.Time // when it was hung up
	short int       // bells in a row, with this one, that were hung up soon after the one before
}

// bellAgain is how soon after it was hung up a resting handset whose bell broke is looked at,
// which wakes it: something happened to its link, or to itself. Where bells break as soon as they
// hang, bellsShort in a row, it is looked at as if it had none.
const (
	bellAgain  = time.Minute
	bellShort  = 10 * time.Minute
	bellsShort = 6
)

// hang leaves a command on the handset, until it has come to its end or ctx ends.
func hang(ctx context.Context, at time.Time, wait func(ctx context.Context, armed func()) error) *bell {
	b := &bell{done: make(chan struct{}), at: at}
	ctx, b.end = context.WithCancel(ctx)
	go func() {
		defer close(b.done)
		defer b.end()
		if wait(ctx, func() { b.armed.Store(true) }) == nil {
			b.rung.Store(true)
		}
	}()
	return b
}

// rang reports whether the handset has called; false of nil.
func (b *bell) rang() bool { return b != nil && b.rung.Load() }

// broken reports whether the command is gone, and has not called; true of nil.
func (b *bell) broken() bool {
	if b == nil {
		return true
	}
	select {
	case <-b.done:
		return !b.rung.Load()
	default:
		return false
	}
}

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
	if !r.mayLook() || !g.bell.broken() && g.bell.armed.Load() {
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

// listenIdle has a handset that nobody drives say by itself when power comes, if it has just
// been read and had none. It returns the bell that hangs now.
func (d *Daemon) listenIdle(ctx context.Context, h scenarios.Handset, l devices.Link, power *bell) *bell {
	fresh := false
	d.withPower(h.Name, func(s *powerState) bool {
		fresh = !s.on && !s.seenAt.IsZero() && d.now().Sub(s.seenAt).Abs() < d.pollEvery
		return false
	})
	if l == nil || !fresh || !power.broken() || d.heldBy(h.Name) != nil {
		return power
	}
	return d.hangForPower(ctx, l)
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
