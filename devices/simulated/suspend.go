package simulated

import (
	"context"
	"io"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"
)

// A Suspend says how the handset suspends while its screen is off, no power comes and
// nothing needs it: its uptime goes on, its processes and their sleeps stand still until
// something wakes it. The zero value stands for the defaults. Every value is invented, of
// a size that public talk of such handsets would not contradict.
type Suspend struct {
	Never bool // it does not suspend at all: for tests that are about something else

	// SuspendedW is its power while it is suspended, W, radios aside; 0 stands for 0.022.
	SuspendedW float64
	// AwakeW is how much more it draws while it is awake with the screen off, W; 0 stands for 0.2.
	AwakeW float64
	// WakeJ is the energy that waking takes by itself, J; 0 stands for 0.4.
	WakeJ float64
	// IdleAfter is how long nothing must have needed it, before it suspends; 0 stands for 500 ms.
	IdleAfter time.Duration

	// LinkHold is how long a packet over the adb link keeps it awake; 0 stands for 3 s.
	LinkHold time.Duration
	// LinkLate is how long a suspended handset takes to notice a packet.
	LinkLate time.Duration
	// LinkDeaf is the share of packets that do not wake a suspended handset: they are
	// answered when something else wakes it. 0 to 1.
	LinkDeaf float64

	// The system's own alarms wake it after times drawn between the two values: Busy while
	// its idle modes are switched off, Light at first, and Deep from DeepAfter on, counted
	// from when it began to rest. 0 stands for 1 and 5 min; 5 and 15 min; 20 and 60 min;
	// 75 min.
	Busy, Light, Deep [2]time.Duration
	DeepAfter         time.Duration
	// AlarmHold is between what times an alarm keeps it awake; 0 stands for 1 and 4 s.
	AlarmHold [2]time.Duration
}

func (s Suspend) filled() Suspend {
	num := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	long := func(v *time.Duration, d time.Duration) {
		if *v == 0 {
			*v = d
		}
	}
	num(&s.SuspendedW, asleepW)
	num(&s.AwakeW, 0.2)
	num(&s.WakeJ, 0.4)
	long(&s.IdleAfter, 500*time.Millisecond)
	long(&s.LinkHold, 3*time.Second)
	long(&s.DeepAfter, 75*time.Minute)
	for v, d := range map[*[2]time.Duration][2]time.Duration{
		&s.Busy: {time.Minute, 5 * time.Minute}, &s.Light: {5 * time.Minute, 15 * time.Minute},
		&s.Deep: {20 * time.Minute, time.Hour}, &s.AlarmHold: {time.Second, 4 * time.Second},
	} {
		if *v == [2]time.Duration{} {
			*v = d
		}
	}
	return s
}

// wakeRise is how long the energy of a wake-up takes.
const wakeRise = 500 * time.Millisecond

// A WakeCause is what woke a suspended handset.
type WakeCause string

// The causes.
const (
	WokenByLink  WakeCause = "link"
	WokenByAlarm WakeCause = "alarm"
	WokenByPower WakeCause = "power"
	WokenByUser  WakeCause = "user" // a key, a call, a boot
)

// nothing happens at an instant to which the truth must be summed up exactly.
func nothing() {}

// never is an age that does not come.
const never = time.Duration(1<<63 - 1)

// rest is what suspending is made of. It stands under the handset's lock, but for the
// clock of the processes.
type rest struct {
	rng        *rand.Rand // of the alarms alone: whoever looks does not change when they come
	mono       monotonic
	resting    bool          // screen off, no power, nothing that plays: the alarms' schedule goes on
	began      time.Duration // age at which resting began
	awakeUntil time.Duration // age until which something holds it awake
	suspend    *event        // when it will suspend
	alarm      *event
	// natural is until when an alarm would have held it awake with nobody looking, and
	// rising until when the energy of that wake-up is drawn.
	natural, rising time.Duration

	wakes  map[WakeCause]int
	restJ  float64 // what it would have drawn with nobody looking, J, as physics.Totals.BaseJ
	lookJ  float64 // what it drew more than that while it rested
	asleep time.Duration
}

// needsAwake says whether something needs the handset awake by itself.
func (h *Handset) needsAwake() bool {
	if h.opt.Suspend.Never || h.screen.on || h.power.on || h.poweredOff || h.call != nil {
		return true
	}
	for _, a := range h.tasks {
		if a.state == playPlaying || a.recording {
			return true
		}
	}
	return false
}

// settleSleep lets the handset begin or end its rest by how things stand now.
func (h *Handset) settleSleep() {
	r := &h.rest
	if h.needsAwake() {
		if r.mono.frozen() {
			cause := WokenByUser
			if h.power.on {
				cause = WokenByPower
			}
			h.resume(cause)
		}
		h.cancel(r.suspend)
		h.cancel(r.alarm)
		r.suspend, r.alarm, r.resting = nil, nil, false
		r.mono.plan(never)
		return
	}
	if !r.resting {
		r.resting, r.began, r.natural, r.rising = true, h.age, h.age+h.opt.Suspend.IdleAfter, 0
		h.at(r.natural, nothing)
		h.armAlarm()
	}
	if r.suspend == nil && !r.mono.frozen() {
		h.armSuspend()
	}
}

// armSuspend sets the instant at which the handset suspends, if nothing comes in between.
func (h *Handset) armSuspend() {
	r := &h.rest
	at := max(h.age, r.awakeUntil) + h.opt.Suspend.IdleAfter
	r.mono.plan(at)
	r.suspend = h.at(at, func() {
		r.suspend = nil
		if r.awakeUntil+h.opt.Suspend.IdleAfter > h.age {
			h.armSuspend()
			return
		}
		r.mono.freeze(h.age)
	})
}

// armAlarm sets when the system wakes the handset next. The schedule does not know
// whether somebody has woken it meanwhile.
func (h *Handset) armAlarm() {
	r, o := &h.rest, h.opt.Suspend
	between := func(v [2]time.Duration) time.Duration {
		return v[0] + time.Duration(r.rng.Float64()*float64(v[1]-v[0]))
	}
	every := o.Busy
	switch {
	case h.idle["deep"] && h.age-r.began >= o.DeepAfter:
		every = o.Deep
	case h.idle["deep"] || h.idle["light"]:
		every = o.Light
	}
	hold := between(o.AlarmHold)
	r.alarm = h.at(h.age+between(every), func() {
		if r.mono.frozen() {
			h.resume(WokenByAlarm)
		}
		h.holdAwake(hold)
		r.natural, r.rising = h.age+hold+o.IdleAfter, h.age+wakeRise
		h.at(r.natural, nothing)
		h.at(r.rising, nothing)
		h.armAlarm()
	})
}

// holdAwake keeps the handset awake for a while from now on.
func (h *Handset) holdAwake(d time.Duration) {
	h.rest.awakeUntil = max(h.rest.awakeUntil, h.age+d)
}

// resume ends the handset's sleep.
func (h *Handset) resume(cause WakeCause) {
	r := &h.rest
	r.asleep += r.mono.thaw(h.age)
	r.wakes[cause]++
	if w := h.opt.Suspend.WakeJ; w > 0 && !h.poweredOff {
		h.burst(w/wakeRise.Seconds(), wakeRise)
	}
	r.suspend = nil
	h.settleSleep()
}

// packet is a packet that reaches the handset over the link. It wakes one that sleeps,
// as well as that one can be woken; the end of ctx is the end of whoever waits for it.
func (h *Handset) packet(ctx context.Context) {
	if h.rest.mono.plannedAt.Load() == int64(never) {
		return // not at rest
	}
	for {
		var asleep, deaf bool
		var awake <-chan struct{}
		h.do(func() {
			if asleep = h.rest.mono.frozen(); !asleep {
				h.holdAwake(h.opt.Suspend.LinkHold)
				return
			}
			awake = h.rest.mono.awake()
			deaf = h.opt.Suspend.LinkDeaf > 0 && h.rng.Float64() < h.opt.Suspend.LinkDeaf
		})
		if !asleep {
			return
		}
		if deaf {
			select {
			case <-awake:
				continue
			case <-ctx.Done():
				return
			}
		}
		if late := h.opt.Suspend.LinkLate; late > 0 && h.clock.Sleep(ctx, late) != nil {
			return
		}
		h.do(func() {
			if h.rest.mono.frozen() {
				h.resume(WokenByLink)
			}
			h.holdAwake(h.opt.Suspend.LinkHold)
		})
		return
	}
}

// A holdingWriter is the handset's side of a stream over the link: what goes out comes
// back as an acknowledgement, which holds the handset awake as any packet does.
type holdingWriter struct {
	h *Handset
	w io.Writer
}

func (w holdingWriter) Write(p []byte) (int, error) {
	if w.h.rest.mono.plannedAt.Load() != int64(never) {
		w.h.do(func() { w.h.holdAwake(w.h.opt.Suspend.LinkHold) })
	}
	return w.w.Write(p)
}

// A monotonic clock is that of the handset's processes: it stands still while the handset
// is suspended, and so do they.
type monotonic struct {
	h         *Handset
	plannedAt atomic.Int64 // age at which the handset will suspend or has suspended; never: it is not at rest

	mu      sync.Mutex
	stopped bool
	since   time.Duration // age at which it stopped
	lost    time.Duration // how long it has stood still in all, the present stop aside
	running context.Context
	stop    context.CancelFunc // ends running
	resumed chan struct{}      // closed at the end of the present stop
}

func (m *monotonic) init(h *Handset) {
	m.h = h
	m.plannedAt.Store(int64(never))
	m.running, m.stop = context.WithCancel(context.Background())
}

func (m *monotonic) plan(age time.Duration) { m.plannedAt.Store(int64(age)) }

func (m *monotonic) frozen() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.stopped
}

// awake is closed once the present stop is over; nil without one.
func (m *monotonic) awake() <-chan struct{} {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.stopped {
		return nil
	}
	return m.resumed
}

func (m *monotonic) freeze(age time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.stopped, m.since, m.resumed = true, age, make(chan struct{})
	m.stop()
}

// thaw lets the clock go on, and says how long it stood.
func (m *monotonic) thaw(age time.Duration) time.Duration {
	m.mu.Lock()
	defer m.mu.Unlock()
	stood := age - m.since
	m.stopped, m.lost = false, m.lost+stood
	m.running, m.stop = context.WithCancel(context.Background())
	close(m.resumed)
	return stood
}

// read is the clock: time since the handset was made, sleep left out.
func (m *monotonic) read() (at time.Duration, running context.Context, resumed chan struct{}) {
	m.settle()
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.stopped {
		return m.since - m.lost, nil, m.resumed
	}
	return m.h.clock.Now().Sub(m.h.born) - m.lost, m.running, nil
}

// settle carries the handset on where it should have suspended by now.
func (m *monotonic) settle() {
	if p := m.plannedAt.Load(); p != int64(never) && m.h.clock.Now().Sub(m.h.born) >= time.Duration(p) {
		m.h.do(func() {})
	}
}

// Now is an instant of a clock that stands still with the handset.
func (m *monotonic) Now() time.Time {
	at, _, _ := m.read()
	return m.h.born.Add(at)
}

// Sleep returns after d of the time in which the handset was awake.
func (m *monotonic) Sleep(ctx context.Context, d time.Duration) error {
	at, running, resumed := m.read()
	for end := at + d; ; at, running, resumed = m.read() {
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case resumed != nil:
			select {
			case <-resumed:
			case <-ctx.Done():
			}
		case at >= end:
			return nil
		default:
			nap, cancel := context.WithCancel(ctx)
			stop := context.AfterFunc(running, cancel)
			_ = m.h.clock.Sleep(nap, end-at)
			stop()
			cancel()
		}
	}
}

// run returns once the handset's processors run, or ctx ends: processes call it before
// each of their commands.
func (m *monotonic) run(ctx context.Context) {
	if m.plannedAt.Load() == int64(never) {
		return
	}
	for {
		_, _, resumed := m.read()
		if resumed == nil {
			return
		}
		select {
		case <-resumed:
		case <-ctx.Done():
			return
		}
	}
}

// Wakes is what was truly seen of a handset's sleep since it was made.
type Wakes struct {
	By     map[WakeCause]int
	Asleep time.Duration // suspended in all
	LookJ  float64       // energy that it drew at rest because it was looked at, J at the cell
}

// Wakes tells how often the handset was woken, by what, and what that cost: for tests.
func (h *Handset) Wakes() (w Wakes) {
	h.do(func() {
		w = Wakes{By: map[WakeCause]int{}, Asleep: h.rest.asleep, LookJ: h.rest.lookJ}
		for c, n := range h.rest.wakes {
			w.By[c] = n
		}
	})
	return w
}

// PressPower presses the handset's power key: a person who picks it up.
func (h *Handset) PressPower() {
	h.fault(func() {
		if h.screen.on {
			h.sleepNow()
			return
		}
		h.wake()
	})
}

// Suspended says whether the handset is suspended now.
func (h *Handset) Suspended() (asleep bool) {
	h.do(func() { asleep = h.rest.mono.frozen() })
	return asleep
}

// RestWatts is the mean power, W, that the handset would have drawn in a window of uptime
// had nobody looked at it and nothing of a segment's run on it.
func (h *Handset) RestWatts(fromUp, toUp time.Duration) (w float64) {
	h.do(func() { w = h.meanRest(fromUp, toUp) })
	return w
}

// RestHours is TruthHours at that power: how long it would rest if nobody looked.
func (h *Handset) RestHours(fromUp, toUp time.Duration) (hours float64) {
	h.do(func() { hours = h.battery.TruthHours(h.meanRest(fromUp, toUp)) })
	return hours
}
