package simulated

import (
	"container/heap"
	"context"
	"sync"
	"time"
)

// A Clock is the time that a handset lives in: the host's own, or one that runs faster.
type Clock interface {
	// Now is the instant by this clock.
	Now() time.Time
	// Sleep returns after d of this clock's time, or with the context's error before.
	Sleep(ctx context.Context, d time.Duration) error
}

// WallClock is package time: the host's clock, or the bubble's inside testing/synctest.
func WallClock() Clock { return wallClock{} }

type wallClock struct{}

func (wallClock) Now() time.Time { return time.Now() }

func (wallClock) Sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// NewScaledClock starts at start and runs up to factor times as fast as the host's
// monotonic clock. A factor of 1000 passes an hour in 3.6 s.
//
// While somebody sleeps by it, it advances in small ticks, and a tick that comes late is
// not made up for: on a busy machine everything that lives by this clock gets slower
// alike, instead of some of it missing what the others did in its absence.
func NewScaledClock(start time.Time, factor float64) Clock {
	if factor <= 0 {
		panic("simulated: a clock must run forwards")
	}
	return &scaledClock{at: start, factor: factor, read: time.Now()}
}

// NewSharedClock shows start at the host's instant epoch and runs factor times as fast as
// the host's clock. Every process that makes one of the same three values reads the same
// time, which a scaled clock cannot offer; in return nothing waits for a busy machine.
func NewSharedClock(start time.Time, factor float64, epoch time.Time) Clock {
	if factor <= 0 {
		panic("simulated: a clock must run forwards")
	}
	return sharedClock{start, epoch, factor}
}

type sharedClock struct {
	start, epoch time.Time
	factor       float64
}

func (c sharedClock) Now() time.Time {
	return c.start.Add(time.Duration(float64(time.Since(c.epoch)) * c.factor))
}

func (c sharedClock) Sleep(ctx context.Context, d time.Duration) error {
	return wallClock{}.Sleep(ctx, time.Duration(float64(d)/c.factor))
}

// Real time between two ticks, and the most that one tick counts.
const (
	tickEvery = time.Millisecond
	tickMost  = 3 * tickEvery
)

// longestHold bounds in real time how long work that hangs can keep a clock from going on.
const longestHold = time.Second

type scaledClock struct {
	factor float64

	mu       sync.Mutex
	holds    int       // pieces of real work that take no time by this clock
	heldTo   time.Time // host's clock: the hold ends by then whatever happens
	at       time.Time // by this clock, when the host's clock showed read
	read     time.Time
	sleepers sleepers
	ticking  bool // a goroutine runs while there are sleepers
}

func (c *scaledClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now()
}

func (c *scaledClock) now() time.Time {
	if c.holds > 0 && time.Now().Before(c.heldTo) {
		return c.at
	}
	real := time.Since(c.read)
	if c.ticking {
		real = min(real, tickMost)
	}
	return c.at.Add(time.Duration(float64(real) * c.factor))
}

// hold stops the clock until release is called: for real work, such as a page fetched
// over the host's network, that stands for something whose duration is simulated
// separately. Without it a busy machine would make every page slow in the handset's eyes.
func (c *scaledClock) hold() (release func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at, c.read = c.now(), time.Now()
	c.holds++
	c.heldTo = c.read.Add(longestHold)
	return func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.at, c.read = c.now(), time.Now()
		c.holds--
	}
}

// holdClock stops the handset's clock, where it can be stopped, until release is called.
func (h *Handset) holdClock() (release func()) {
	if c, ok := h.clock.(*scaledClock); ok {
		return c.hold()
	}
	return func() {}
}

func (c *scaledClock) Sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 || ctx.Err() != nil {
		return ctx.Err()
	}
	s := &sleeper{woken: make(chan struct{})}
	c.mu.Lock()
	s.until = c.now().Add(d)
	heap.Push(&c.sleepers, s)
	if !c.ticking {
		c.at, c.read, c.ticking = c.now(), time.Now(), true
		go c.tick()
	}
	c.mu.Unlock()
	select {
	case <-s.woken:
		return nil
	case <-ctx.Done():
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if s.place >= 0 {
		heap.Remove(&c.sleepers, s.place)
	}
	return ctx.Err()
}

// tick advances the clock and wakes whose time has come, until nobody sleeps.
func (c *scaledClock) tick() {
	for {
		time.Sleep(tickEvery)
		c.mu.Lock()
		c.at, c.read = c.now(), time.Now()
		for len(c.sleepers) > 0 && !c.sleepers[0].until.After(c.at) {
			close(heap.Pop(&c.sleepers).(*sleeper).woken)
		}
		if len(c.sleepers) == 0 {
			c.ticking = false
			c.mu.Unlock()
			return
		}
		c.mu.Unlock()
	}
}

type sleeper struct {
	until time.Time
	woken chan struct{}
	place int // in the heap; -1 once out of it
}

// sleepers is a heap, the earliest to wake first.
type sleepers []*sleeper

func (s sleepers) Len() int           { return len(s) }
func (s sleepers) Less(i, j int) bool { return s[i].until.Before(s[j].until) }
func (s sleepers) Swap(i, j int) {
	s[i], s[j] = s[j], s[i]
	s[i].place, s[j].place = i, j
}

func (s *sleepers) Push(x any) {
	w := x.(*sleeper)
	w.place = len(*s)
	*s = append(*s, w)
}

func (s *sleepers) Pop() any {
	last := len(*s) - 1
	w := (*s)[last]
	(*s)[last] = nil
	*s = (*s)[:last]
	w.place = -1
	return w
}
