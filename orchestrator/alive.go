package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"rundown/devices"
	"rundown/results"
)

// How long a loop of the daemon may go without a sign of life, beyond the sleep that it
// has announced. An actor's longest single step is a file that is pushed to a handset or
// pulled from it, which the link bounds at half an hour; the others only look at records.
const (
	actorQuiet   = 45 * time.Minute
	watchQuiet   = 5 * time.Minute
	recordsLimit = 20 * time.Second // for every lock and the store to be had once
)

// pulses are the signs of life of the daemon's loops. A loop gives one whenever it sleeps
// by the daemon's clock, which each does at every turn: see beatingClock.
type pulses struct {
	mu    sync.Mutex
	loops map[string]*pulse

	probing chan struct{} // holds one while the locks are tried
}

// A pulse is one loop's. Times are real, whatever clock the daemon lives by, and stand
// still while the host sleeps.
type pulse struct {
	all   *pulses
	quiet time.Duration
	last  time.Time
	until time.Time // without another sign until then the loop is stuck
}

func newPulses() *pulses { return &pulses{loops: map[string]*pulse{}, probing: make(chan struct{}, 1)} }

type pulseKey struct{}

// living runs a loop whose sleeps are its signs of life, until the loop ends.
func (p *pulses) living(ctx context.Context, name string, quiet time.Duration, loop func(context.Context)) {
	own := &pulse{all: p, quiet: quiet}
	p.mu.Lock()
	p.loops[name] = own
	p.mu.Unlock()
	own.beat(0)
	defer func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		delete(p.loops, name)
		if ctx.Err() == nil { // nothing but the daemon's end should end it
			p.loops[name] = &pulse{last: own.last}
		}
	}()
	loop(context.WithValue(ctx, pulseKey{}, own))
}

// beat is a sign of life before a sleep of so long; 0: after it.
func (p *pulse) beat(sleep time.Duration) {
	p.all.mu.Lock()
	defer p.all.mu.Unlock()
	p.last = time.Now()
	p.until = p.last.Add(sleep + p.quiet)
}

// stuck names the loops that have given no sign of life for too long.
func (p *pulses) stuck() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	var list []string
	for name, own := range p.loops {
		if now := time.Now(); now.After(own.until) {
			list = append(list, fmt.Sprintf("%s (last heard of %s ago)", name, devices.Lasting(now.Sub(own.last).Round(time.Second))))
		}
	}
	slices.Sort(list)
	return list
}

// A beatingClock makes every sleep a sign of life of the loop in whose context it is slept.
type beatingClock struct{ clock }

func (c beatingClock) Sleep(ctx context.Context, d time.Duration) error {
	if p, ok := ctx.Value(pulseKey{}).(*pulse); ok {
		p.beat(d)
		defer p.beat(0)
	}
	return c.clock.Sleep(ctx, d)
}

// Alive reports whether the daemon's own loops go round (each handset's actor, the
// watchers of nights and of prompts) and its records can be had; the error names what
// does not. It may be asked often.
func (d *Daemon) Alive(ctx context.Context) error {
	var err error
	if stuck := d.pulses.stuck(); len(stuck) > 0 {
		err = fmt.Errorf("stuck: %s", strings.Join(stuck, ", "))
	}
	return errors.Join(err, d.recordsAnswer(ctx))
}

// passes waits until a lock can be had.
func passes(m *sync.Mutex) {
	m.Lock()
	defer m.Unlock()
}

// recordsAnswer takes each lock and reads from the store once.
func (d *Daemon) recordsAnswer(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, recordsLimit)
	defer cancel()
	select {
	case d.pulses.probing <- struct{}{}:
	case <-ctx.Done():
		return errors.New("the daemon's records do not answer: an earlier look still waits for them")
	}
	done := make(chan error, 1)
	go func() {
		defer func() { <-d.pulses.probing }()
		d.queue.changed()
		for _, writing := range []*sync.Mutex{&d.queue.writing, &d.pace.writing} { // held over the disk
			passes(writing)
		}
		d.board.turns()
		d.Changes(1 << 62)
		d.Prompts()
		d.limits.take(nil)
		d.pace.rate("", "")
		err := d.store.Document("health", "never written", new(any))
		if errors.Is(err, results.ErrNotFound) {
			err = nil
		}
		done <- err
	}()
	select {
	case err := <-done:
		if err != nil {
			return fmt.Errorf("the store does not answer: %w", err)
		}
		return nil
	case <-ctx.Done():
		return fmt.Errorf("the daemon's records do not answer within %s", devices.Lasting(recordsLimit))
	}
}
