package orchestrator

import (
	"context"
	"time"
)

// clock is the time that the daemon lives in: the host's, or the demo's, which runs faster.
type clock interface {
	Now() time.Time
	Sleep(ctx context.Context, d time.Duration) error
}

// wallClock is package time.
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

func (d *Daemon) now() time.Time { return d.clock.Now().UTC() }

// longestStep is the most that a stopwatch takes for real between two readings. Nothing
// that waits by one goes so long without looking at it.
const longestStep = 5 * time.Minute

// A stopwatch measures how long something has been waited for by a clock that may be set
// meanwhile: time that runs backwards counts nothing, and a leap forwards longestStep at
// most. What a handset did is measured by the handset's own uptime, never by this.
type stopwatch struct {
	d    *Daemon
	last time.Time
	sum  time.Duration
}

func (d *Daemon) stopwatch() *stopwatch { return &stopwatch{d: d, last: d.now()} }

// read returns the time since the stopwatch was made. It must be called at every turn of
// the loop that waits.
func (s *stopwatch) read() time.Duration {
	now := s.d.now()
	s.sum += min(max(now.Sub(s.last), 0), longestStep)
	s.last = now
	return s.sum
}
