package simulated

import (
	"context"
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

func (wallClock) Sleep(ctx context.Context, d time.Duration) error { return sleep(ctx, d) }

// NewScaledClock starts at start and runs factor times as fast as the host's monotonic
// clock. A factor of 1000 passes an hour in 3.6 s.
func NewScaledClock(start time.Time, factor float64) Clock {
	if factor <= 0 {
		panic("simulated: a clock must run forwards")
	}
	return &scaledClock{start: start, factor: factor, began: time.Now()}
}

type scaledClock struct {
	start  time.Time
	factor float64
	began  time.Time
}

func (c *scaledClock) Now() time.Time {
	return c.start.Add(time.Duration(float64(time.Since(c.began)) * c.factor))
}

func (c *scaledClock) Sleep(ctx context.Context, d time.Duration) error {
	return sleep(ctx, time.Duration(float64(d)/c.factor))
}

func sleep(ctx context.Context, d time.Duration) error {
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
