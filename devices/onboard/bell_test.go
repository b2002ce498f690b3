package onboard

import (
	"context"
	"errors"
	"io"
	"sync/atomic"
	"testing"
	"time"

	"rundown/devices"
)

// A command that waits on the handset comes back when what it waits for has come, and not before.
func TestWaitingOnTheHandset(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(60, 300, false))
		w := begin(t, ph, Segment{Key: "bell"})
		w.readings(1)
		ends := waiting(t, func(ctx context.Context, armed func()) error { return AwaitEnd(ctx, ph, "bell", armed) })
		power := waiting(t, func(ctx context.Context, armed func()) error { return AwaitPower(ctx, ph, armed) })
		w.readings(2)
		if ends.came() || power.came() {
			t.Fatal("it came back before anything happened")
		}
		ph.set("battery", dump(60, 300, true))
		if err := power.wait(); err != nil {
			t.Errorf("power came: %v", err)
		}
		if ends.came() {
			t.Error("the segment goes on, and it came back")
		}
		if err := Stop(t.Context(), ph, "bell"); err != nil {
			t.Fatal(err)
		}
		if err := ends.wait(); err != nil {
			t.Errorf("the segment has ended: %v", err)
		}
	})
}

// Whoever takes the handset is not disturbed by what another daemon left to wait for power.
func TestWaitingEndsWhenTheHandsetIsTaken(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(60, 300, false))
		power := waiting(t, func(ctx context.Context, armed func()) error { return AwaitPower(ctx, ph, armed) })
		look, err := Held(t.Context(), ph)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Take(t.Context(), ph, Holder{Daemon: "d1", Bench: "other", Since: time.Unix(1900000000, 0)}, look); err != nil {
			t.Fatal(err)
		}
		if err := power.wait(); err == nil {
			t.Error("no power came, and it says so")
		}
	})
}

func TestWaitingNeedsAStream(t *testing.T) {
	if err := AwaitPower(t.Context(), struct{ devices.Link }{}, nil); !errors.Is(err, ErrNoBell) {
		t.Errorf("got %v, want %v", err, ErrNoBell)
	}
}

// What a handset prints beside its answer changes nothing, however much it is.
func TestHearing(t *testing.T) {
	n := 0
	h := &hearing{word: "waits", then: func() { n++ }}
	for range 2000 {
		_, _ = io.WriteString(h, "WARNING: linker: something\n")
	}
	_, _ = io.WriteString(h, "wai")
	_, _ = io.WriteString(h, "ts\ncome\n")
	if said := h.String(); n != 1 || len(said) > 8192 {
		t.Errorf("heard %d times, %d bytes kept", n, len(said))
	}
}

// A waiter is one command that waits.
type waiter struct {
	t    *testing.T
	done chan error
	gone atomic.Bool
}

// waiting begins to wait, and returns when the handset has said that it does.
func waiting(t *testing.T, wait func(ctx context.Context, armed func()) error) *waiter {
	t.Helper()
	w := &waiter{t: t, done: make(chan error, 1)}
	armed := make(chan struct{})
	ctx, end := context.WithCancel(t.Context())
	go func() {
		err := wait(ctx, func() { close(armed) })
		w.gone.Store(true)
		w.done <- err
	}()
	t.Cleanup(end)
	select {
	case <-armed:
	case err := <-w.done:
		t.Fatalf("it does not wait: %v", err)
	case <-time.After(time.Minute):
		t.Fatal("the handset does not say that it waits")
	}
	return w
}

func (w *waiter) came() bool { return w.gone.Load() }

func (w *waiter) wait() error {
	w.t.Helper()
	select {
	case err := <-w.done:
		return err
	case <-time.After(2 * time.Minute):
		w.t.Fatal("it did not come back")
		return nil
	}
}
