// Package gates is what lets power to a handset or cuts it, beside the lab's own command
// (devices.CommandGate): a port of a USB hub that the host switches ([USBPort]) and a
// person who is asked ([ByHand]).
//
// A gate that says it has switched proves nothing: many hubs claim to cut power and keep
// it on. [Verify] wraps any gate and reads on the handset, within a time limit, that
// power is really gone or really back. A [Keeper] brings gates to their safe state when
// the daemon stops.
//
// Errors a caller decides on: [ErrNoPort], [ErrNoRight], [ErrNoSwitch], [ErrNotSwitched],
// [ErrHubBehind] of a USB port; [ErrDeclined], [ErrUnanswered] of a person; [ErrStaysOn],
// [ErrStaysOff], [ErrUnread] of the handset's own word.
package gates

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"rundown/devices"
)

var (
	// ErrStaysOn means that the gate says it is closed and the handset still sees power.
	ErrStaysOn = errors.New("power stays on")
	// ErrStaysOff means that the gate says it is open and the handset sees no power.
	ErrStaysOff = errors.New("power does not come")
	// ErrUnread means that the handset could not be read, so that nobody knows.
	ErrUnread = errors.New("the handset could not be read, so power is not confirmed")
)

// clock is the wall clock, or the demo's.
type clock interface {
	Now() time.Time
	Sleep(ctx context.Context, d time.Duration) error
}

// Power is what a handset says of the power that reaches it.
type Power struct {
	Plugged  bool   // any source seen
	Sources  string // named for people: "USB", "AC and wireless"; "" for none
	Charging bool   // the charger says that it charges
}

// A Phone tells whether power reaches it.
type Phone interface {
	Power(ctx context.Context) (Power, error)
}

// A Handset is a Phone read over its link, by its battery service.
type Handset struct{ Link devices.Link }

// Power implements Phone. Values that somebody has frozen on the handset are an error
// (devices.ErrFrozen), as they prove nothing.
func (h Handset) Power(ctx context.Context) (Power, error) {
	b, err := devices.ReadBattery(ctx, h.Link)
	if err != nil {
		return Power{}, err
	}
	return PowerOf(b), nil
}

// PowerOf is what a battery reading says of power.
func PowerOf(b devices.Battery) Power {
	return Power{Plugged: b.Plugged() != 0, Sources: b.Sources(), Charging: b.Status == devices.StatusCharging}
}

// is says whether the reading shows power as wanted. A handset that sees no source and
// still charges contradicts itself and is not believed.
func (p Power) is(on bool) bool {
	if on {
		return p.Plugged
	}
	return !p.Plugged && !p.Charging
}

func (p Power) text() string {
	switch {
	case p.Plugged:
		return "it sees power (" + p.Sources + ")"
	case p.Charging:
		return "it sees no source and says that it is charging"
	}
	return "it sees no power"
}

// VerifyOptions say how the handset is watched. Zero values stand for what is said at each.
type VerifyOptions struct {
	Limit time.Duration // for the change to show on the handset; 0 stands for 30 s
	Every time.Duration // between two readings; 0 stands for 1 s
	Clock clock         // nil stands for the host's
}

func (o VerifyOptions) filled() VerifyOptions {
	if o.Limit <= 0 {
		o.Limit = 30 * time.Second
	}
	if o.Every <= 0 {
		o.Every = time.Second
	}
	if o.Clock == nil {
		o.Clock = wallClock{}
	}
	return o
}

// Verified is a gate that returns only when the handset confirms.
type Verified struct {
	gate  devices.PowerGate
	phone Phone
	name  string // the handset's
	o     VerifyOptions
}

var _ devices.PowerGate = (*Verified)(nil)

// Verify wraps a gate. name is the handset's, for messages.
func Verify(gate devices.PowerGate, phone Phone, name string, o VerifyOptions) *Verified {
	return &Verified{gate: gate, phone: phone, name: name, o: o.filled()}
}

// Name implements devices.PowerGate.
func (v *Verified) Name() string { return v.gate.Name() }

// Open implements devices.PowerGate: power is on when it returns nil.
func (v *Verified) Open(ctx context.Context) error { return v.set(ctx, true) }

// Close implements devices.PowerGate: power is gone when it returns nil.
func (v *Verified) Close(ctx context.Context) error { return v.set(ctx, false) }

func (v *Verified) set(ctx context.Context, on bool) error {
	var err error
	if on {
		err = v.gate.Open(ctx)
	} else {
		err = v.gate.Close(ctx)
	}
	if err != nil {
		return err
	}
	err = await(ctx, v.phone, on, v.o)
	switch {
	case err == nil || ctx.Err() != nil:
		return err
	case errors.Is(err, ErrUnread):
		return fmt.Errorf("handset %s: power gate %s says that it is %s: %w; a handset linked through the cable that the gate cuts has to be linked over Wi-Fi", v.name, v.gate.Name(), openWord(on), err)
	case errors.Is(err, ErrStaysOn):
		return fmt.Errorf("handset %s: power gate %s says that it is closed: %w; many hubs claim to switch a port's power and do not: use a hub that does, or another gate; see that no second cable or charging pad feeds the handset", v.name, v.gate.Name(), err)
	}
	return fmt.Errorf("handset %s: power gate %s says that it is open: %w; check cable, plug and charger", v.name, v.gate.Name(), err)
}

func openWord(on bool) string {
	if on {
		return "open"
	}
	return "closed"
}

// agree is how many readings in a row must say the same: the battery service may print
// what it heard a moment ago.
const agree = 2

// await reads the phone until it shows power as wanted. Its error wraps ErrStaysOn,
// ErrStaysOff or ErrUnread.
func await(ctx context.Context, phone Phone, on bool, o VerifyOptions) error {
	deadline := o.Clock.Now().Add(o.Limit)
	seen := 0
	for {
		p, err := phone.Power(ctx)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err == nil && p.is(on):
			if seen++; seen >= agree {
				return nil
			}
		default:
			seen = 0
		}
		// A reading as wanted is waited for to be confirmed, however late the link let it come.
		if seen == 0 && !o.Clock.Now().Before(deadline) {
			switch {
			case err != nil:
				return fmt.Errorf("%w within %s: %w", ErrUnread, devices.Lasting(o.Limit), err)
			case on:
				return fmt.Errorf("%w: after %s %s", ErrStaysOff, devices.Lasting(o.Limit), p.text())
			}
			return fmt.Errorf("%w: after %s %s", ErrStaysOn, devices.Lasting(o.Limit), p.text())
		}
		if err := o.Clock.Sleep(ctx, o.Every); err != nil {
			return err
		}
	}
}

// A Safe state is what a gate is brought to when the daemon stops.
type Safe int

// The safe states. Cut is what leaves no cell charging unattended; Feed is for handsets
// that would run empty; Leave touches nothing, for gates that only a person can move.
const (
	Leave Safe = iota
	Cut
	Feed
)

func (s Safe) String() string {
	switch s {
	case Cut:
		return "closed"
	case Feed:
		return "open"
	}
	return "as it is"
}

// A Keeper holds gates and their safe states. It is safe for concurrent use.
type Keeper struct {
	mu    sync.Mutex
	gates []kept
}

type kept struct {
	handset string
	gate    devices.PowerGate
	safe    Safe
}

// Add takes a gate into keeping.
func (k *Keeper) Add(handset string, gate devices.PowerGate, safe Safe) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.gates = append(k.gates, kept{handset, gate, safe})
}

// MakeSafe brings all gates to their safe state, all at once and within limit, even when
// ctx has ended, as it has when a daemon stops. The error joins those of all gates.
func (k *Keeper) MakeSafe(ctx context.Context, limit time.Duration) error {
	k.mu.Lock()
	gates := append([]kept(nil), k.gates...)
	k.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), limit)
	defer cancel()
	errs := make([]error, len(gates))
	var wg sync.WaitGroup
	for i, g := range gates {
		wg.Go(func() {
			var err error
			switch g.safe {
			case Cut:
				err = g.gate.Close(ctx)
			case Feed:
				err = g.gate.Open(ctx)
			}
			if err != nil {
				errs[i] = fmt.Errorf("handset %s: power gate %s is not in its safe state (%v): %w", g.handset, g.gate.Name(), g.safe, err)
			}
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

type wallClock struct{}

func (wallClock) Now() time.Time { return time.Now() }

func (wallClock) Sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
