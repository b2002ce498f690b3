// Package simulated is a handset that exists in memory only: battery, gauge and heat,
// screen, radios, apps, a POSIX shell with the system's commands, and both adb front ends.
//
// What it draws follows from what the commands that reached it really started. A script
// that forgets to play its film leaves it on the home screen, drawing what a home screen
// draws. It lives by a clock of its own, which may run faster than the host's, and it
// goes wrong on command: see the methods in faults.go.
//
// A [Handset] is a devices.Link within the process; [ServeServer] and [ServeDevice]
// offer it to anything that speaks adb. Tests read the truth about its battery with
// TruthHours and TrueSoC; nothing else may.
//
// All powers, apps and makers' habits here are invented; the shapes of outputs follow
// what public sources show of real handsets.
package simulated

import (
	"container/heap"
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"rundown/devices"
	"rundown/devices/simulated/phoneshell"
	"rundown/devices/simulated/physics"
	"rundown/devices/simulated/wire"
)

var (
	_ devices.Link = (*Handset)(nil)
	_ wire.Phone   = (*Handset)(nil)
	_ wire.Faulty  = (*Handset)(nil)
)

// A Handset is a simulated phone. It is safe for concurrent use.
//
// All of its state stands under one lock. do carries it forward to the present by its
// clock, lets the events of that time happen in their order, and then runs the caller's
// function; whatever must not run under the lock (files, connections, processes) is put
// off with afterwards or chore.
type Handset struct {
	opt     Options
	ways    ways
	clock   Clock
	born    time.Time
	machine *phoneshell.Machine
	net     *network
	link    *wire.Faults

	wallShift atomic.Int64 // ns that the wall clock is off the clock
	upShift   atomic.Int64 // ns of uptime at age 0 of this boot, minus the boot's age
	bootID    atomic.Pointer[string]

	ctxDone context.CancelFunc
	ctx     func() context.Context // the handset's life
	wg      sync.WaitGroup
	jobs    jobs
	linkMu  sync.Mutex // held while the front ends are told of the link

	mu        sync.Mutex
	rng       *rand.Rand
	age       time.Duration // how far the state has been carried, since New
	bootAge   time.Duration // age at the last boot
	events    eventQueue
	eventSeq  int
	after     []func()
	chores    []func()
	wakeAt    time.Duration // age until which the heart sleeps
	wakeUp    context.CancelFunc
	battery   *physics.Phone
	loads     loadLog
	steps     int  // of its throttling that are in force
	emergency bool // it does next to nothing, to cool
	bursts    []*burstOf
	settings  map[string]map[string]string
	props     map[string]string
	screen    screen
	radios    radios
	joining   *event
	sim       bool
	call      *voiceCall
	touched   []string        // words on the screen that were touched
	allowed   map[string]bool // origins whose pages may use camera and microphone
	apps      []*App
	tasks     []*activity
	lastTask  int
	running   map[string]bool
	disabled  map[string]bool
	buckets   map[string]int
	granted   map[string]bool
	media     map[string]int
	override  struct {
		size    string
		density int
	}
	lastMedia, pictures int
	usb                 string
	idle                map[string]bool // deep and light idle, enabled or not
	frozen              *batterySet     // values that cmd battery set or unplug froze
	thermalStatus       int             // overridden, -1 not
	power               supply
	autoBrightness      float64
	dimmed              bool
	poweredOff          bool
	restarting          bool
	faults              faults
	linkState           string
	changed             chan struct{}
	linkEpoch           context.Context
	linkBroke           context.CancelFunc
	closed              bool
	rest                rest
}

// New makes a handset that has just been switched on, unplugged, with its screen off.
func New(o Options) *Handset {
	o = o.filled()
	h := &Handset{
		opt: o, ways: flavourTable[o.Android], clock: o.Clock, born: o.Clock.Now(), link: new(wire.Faults),
		rng:      rand.New(rand.NewPCG(uint64(o.Seed), 0x5eed)),
		sim:      !o.NoSIM,
		running:  map[string]bool{},
		disabled: map[string]bool{}, buckets: map[string]int{}, granted: map[string]bool{}, media: map[string]int{},
		allowed: map[string]bool{},
		idle:    map[string]bool{"deep": true, "light": true}, usb: "", thermalStatus: -1, autoBrightness: 0.35,
		linkState: "device", changed: make(chan struct{}),
		faults: newFaultState(o.Prints), jobs: jobs{ready: make(chan struct{}, 1)},
	}
	h.rest.rng, h.rest.wakes = rand.New(rand.NewPCG(uint64(o.Seed), 0xa1a2)), map[WakeCause]int{}
	h.rest.mono.init(h)
	ctx, cancel := context.WithCancel(context.Background())
	h.ctx, h.ctxDone = func() context.Context { return ctx }, cancel
	h.linkEpoch, h.linkBroke = context.WithCancel(ctx)
	h.settings, h.props = factorySettings(o, h.ways), factoryProperties(o, h.ways)
	h.radios = radios{wifi: true, data: true, bluetooth: true, nfc: o.NFC, joined: true, rssi: -48 - int(o.Seed%9)}
	h.apps = presetApps()
	for _, a := range o.Apps {
		h.install(a)
	}
	h.battery = physics.NewPhone(o.physics())
	h.net = newNetwork(h)
	h.newBoot()
	h.machine = phoneshell.New(phoneshell.Options{
		Clock:      &h.rest.mono,
		Run:        h.rest.mono.run,
		UptimeBase: h.liveUptime,
		Wall:       h.wall,
		BootID:     func() string { return *h.bootID.Load() },
		FreeBytes:  h.freeBytes,
		Removed:    o.Removed,
		Ran:        o.Ran,
		Others:     h.appProcesses,
		Env:        map[string]string{"HOSTNAME": o.Product},
	})
	for name, run := range commands {
		h.machine.Register(name, func(ctx context.Context, p *phoneshell.Proc, args []string) int {
			return run(h, &call{ctx: ctx, name: name, args: args[1:], in: p.Stdin, out: p.Stdout, err: p.Stderr})
		})
	}
	h.powerNodes()
	h.networkNodes()
	if o.Exchange != nil && o.Number != "" {
		o.Exchange.join(o.Number, h)
	}
	h.wg.Add(1)
	go h.heart(ctx)
	h.jobs.start(ctx, &h.wg)
	return h
}

// Close ends the handset: its processes, its pages, its connections. It returns when all
// goroutines have ended.
func (h *Handset) Close() {
	h.mu.Lock()
	if h.closed {
		h.mu.Unlock()
		return
	}
	h.closed = true
	tasks := h.tasks
	h.mu.Unlock()
	for _, a := range tasks {
		if a.tab != nil {
			a.tab.Close()
		}
	}
	h.ctxDone()
	h.machine.Close()
	h.net.close()
	h.wg.Wait()
}

// newBoot is what is new after each start. The caller holds the lock, or is New.
func (h *Handset) newBoot() {
	h.bootAge = h.age
	if h.age == 0 {
		h.upShift.Store(int64(h.opt.Uptime))
	} else {
		h.upShift.Store(int64(-h.age))
	}
	id := fmt.Sprintf("%08x-%04x-4%03x-8%03x-%012x", h.rng.Uint32(), h.rng.Uint32()&0xffff, h.rng.Uint32()&0xfff, h.rng.Uint32()&0xfff, h.rng.Uint64()&0xffffffffffff)
	h.bootID.Store(&id)
	app := h.appFor(roleHome)
	h.tasks = []*activity{{app: app, class: app.activities[0], task: 1, hash: h.hash()}}
	h.lastTask = 1
	h.running = map[string]bool{app.Package: true}
	set, _ := number(h.settings[system]["screen_brightness"])
	h.screen = screen{bright: h.fractionOf(set), keyguard: h.opt.Lock != NoLock, touched: h.age}
	h.bursts, h.call = nil, nil
	h.idle = map[string]bool{"deep": true, "light": true}
	h.frozen, h.thermalStatus = nil, -1
	h.dimmed = false
	h.loads.boot(h.age, h.battery.Totals(), h.rest.restJ)
}

// do runs f on the state as it is now.
func (h *Handset) do(f func()) {
	h.mu.Lock()
	h.carry(h.clock.Now().Sub(h.born))
	f()
	h.release()
}

// release lets the lock go and does what was put off.
func (h *Handset) release() {
	h.settleSleep()
	after := h.after
	h.after = nil
	for _, f := range h.chores {
		h.jobs.add(f)
	}
	h.chores = nil
	if len(h.events) > 0 && h.events[0].at < h.wakeAt && h.wakeUp != nil {
		h.wakeUp()
	}
	h.mu.Unlock()
	for _, f := range after {
		f()
	}
}

// peek reads state as it was left, without carrying it on: for callers that may hold
// locks of the shell's.
func (h *Handset) peek(f func()) {
	h.mu.Lock()
	f()
	h.mu.Unlock()
}

// afterwards puts f off until the lock is free; it runs before do returns.
func (h *Handset) afterwards(f func()) { h.after = append(h.after, f) }

// chore puts f off to the handset's own goroutine, in order: what may have to wait for
// the very command that caused it. Only fault does the chores itself.
func (h *Handset) chore(f func()) { h.chores = append(h.chores, f) }

// An event is something that happens by itself at an age of the handset.
type event struct {
	at    time.Duration
	seq   int
	f     func()
	index int // in the queue, -1 when it is not there
}

type eventQueue []*event

func (q eventQueue) Len() int { return len(q) }
func (q eventQueue) Less(i, j int) bool {
	return q[i].at < q[j].at || q[i].at == q[j].at && q[i].seq < q[j].seq
}
func (q eventQueue) Swap(i, j int) {
	q[i], q[j] = q[j], q[i]
	q[i].index, q[j].index = i, j
}
func (q *eventQueue) Push(e any) {
	e.(*event).index = len(*q)
	*q = append(*q, e.(*event))
}
func (q *eventQueue) Pop() any {
	old := *q
	e := old[len(old)-1]
	old[len(old)-1] = nil
	*q = old[:len(old)-1]
	e.index = -1
	return e
}

// at has f run under the lock when the handset reaches an age.
func (h *Handset) at(age time.Duration, f func()) *event {
	h.eventSeq++
	e := &event{at: max(age, h.age), seq: h.eventSeq, f: f}
	heap.Push(&h.events, e)
	return e
}

func (h *Handset) cancel(e *event) {
	if e != nil && e.index >= 0 && e.index < len(h.events) && h.events[e.index] == e {
		heap.Remove(&h.events, e.index)
	}
}

// carry brings the state forward to an age, through every event on the way.
func (h *Handset) carry(to time.Duration) {
	for len(h.events) > 0 && h.events[0].at <= to {
		e := heap.Pop(&h.events).(*event)
		h.live(e.at)
		e.f()
		h.settleSleep()
	}
	h.live(to)
}

// heartbeat is the longest time for which nobody looks at the state.
const heartbeat = 20 * time.Second

// heart carries the state on while nobody asks, so that events happen in time.
func (h *Handset) heart(ctx context.Context) {
	defer h.wg.Done()
	for ctx.Err() == nil {
		h.mu.Lock()
		h.carry(h.clock.Now().Sub(h.born))
		h.wakeAt = h.age + heartbeat
		if len(h.events) > 0 {
			h.wakeAt = min(h.wakeAt, h.events[0].at)
		}
		d := h.wakeAt - h.age
		nap, wakeUp := context.WithCancel(ctx)
		h.wakeUp = wakeUp
		h.release()
		_ = h.clock.Sleep(nap, d) // ends early when an earlier event was added
		wakeUp()
	}
}

// uptime is the time since boot at the state's age; liveUptime is the one now, free of
// locks.
func (h *Handset) uptime() time.Duration { return h.age + time.Duration(h.upShift.Load()) }

func (h *Handset) liveUptime() time.Duration {
	return h.clock.Now().Sub(h.born) + time.Duration(h.upShift.Load())
}

// Uptime is the handset's time since its last boot.
func (h *Handset) Uptime() time.Duration { return h.liveUptime() }

// wall is the handset's own wall clock.
func (h *Handset) wall() time.Time {
	return h.clock.Now().Add(time.Duration(h.wallShift.Load()))
}

func (h *Handset) hash() string { return fmt.Sprintf("%07x", h.rng.Uint32()&0xfffffff) }

// jobs is a goroutine that does chores one after the other.
type jobs struct {
	mu    sync.Mutex
	list  []func()
	ready chan struct{}
}

func (j *jobs) start(ctx context.Context, wg *sync.WaitGroup) {
	wg.Go(func() {
		for {
			select {
			case <-ctx.Done():
				return
			case <-j.ready:
			}
			for f := j.next(); f != nil; f = j.next() {
				f()
			}
		}
	})
}

func (j *jobs) add(f func()) {
	j.mu.Lock()
	j.list = append(j.list, f)
	j.mu.Unlock()
	select {
	case j.ready <- struct{}{}:
	default:
	}
}

func (j *jobs) next() func() {
	j.mu.Lock()
	defer j.mu.Unlock()
	if len(j.list) == 0 {
		return nil
	}
	f := j.list[0]
	j.list = j.list[1:]
	return f
}
