package wire

import (
	"sync"
	"time"
)

// A Fault is what is wrong at present, written as one would report it. The zero value is
// a sound link.
type Fault struct {
	// LinkDown: nothing listens and no connection lives, until it is cleared. The device
	// front end refuses connections as a phone without adbd does. In the server front end
	// it is the server that is gone; for a phone of that server, its row is "offline".
	LinkDown bool
	// DownUntil is LinkDown up to an instant of the wall clock.
	DownUntil time.Time
	// Frozen: nothing is read or written any more, and no connection is closed.
	Frozen bool
	// Silent: the phone accepts the connection and never sends its CNXN.
	Silent bool
	// Unauthorised: the phone asks for another key for ever.
	Unauthorised bool
	// Absent: the server front end does not list the phone, as after its USB cable was
	// pulled. When it comes back it has a new transport id.
	Absent bool
	// OfflineUnseen: the server front end's trackers hear when a phone comes or goes and
	// not when its state changes, as in adb servers before 2021.
	OfflineUnseen bool
	// WithoutFeatures are features that the phone does not announce and, in the case of
	// "shell_v2", does not understand.
	WithoutFeatures []string
	// NoExitPacket: a shell v2 stream ends without its exit code.
	NoExitPacket bool
	// HalfHeader: a shell v2 stream ends within the header of its exit packet.
	HalfHeader bool
	// SplitHeaders: each shell v2 packet comes in pieces cut within its header. This is
	// no fault of the link: every client must put them together.
	SplitHeaders bool
	// EndlessOutput: a command never ends; after its own output come lines without end.
	EndlessOutput bool
	// CutAfter drops the link once a service has sent this many bytes; 0 is never.
	CutAfter int64
}

func (f Fault) down() bool {
	return f.LinkDown || time.Now().Before(f.DownUntil)
}

// Faults holds the Fault of one phone or one server while front ends serve it. Its zero
// value is sound and ready for use; it is safe for concurrent use. When a method that
// changes it returns, connections that had to go are closed and the listener is shut or,
// if its port is still free, open again; only while the answer to a Special service is on
// its way does that wait for it, a second at most.
type Faults struct {
	mu      sync.Mutex
	now     Fault
	changed chan struct{}
	told    map[*listenerFunc]struct{}
	timer   *time.Timer

	holds    int           // answers that must go out before the link may go
	released chan struct{} // closed when the last of them has; nil while there is none
	heldTell bool          // a change came meanwhile
	heldDrop bool
}

// longestHold bounds how long an answer may keep the link: its peer may not read.
const longestHold = time.Second

type listenerFunc struct{ call func(drop bool) }

// NewFaults returns Faults that begin with what is wrong now.
func NewFaults(now Fault) *Faults {
	f := new(Faults)
	f.Set(now)
	return f
}

// Now returns what is wrong at present. A nil *Faults is always sound.
func (f *Faults) Now() Fault {
	if f == nil {
		return Fault{}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.now
}

// Set replaces what is wrong; Set(Fault{}) mends all.
func (f *Faults) Set(now Fault) {
	f.Change(func(fault *Fault) { *fault = now })
}

// Change edits what is wrong.
func (f *Faults) Change(edit func(*Fault)) {
	f.mu.Lock()
	edit(&f.now)
	if f.timer != nil {
		f.timer.Stop()
		f.timer = nil
	}
	if left := time.Until(f.now.DownUntil); left > 0 {
		f.timer = time.AfterFunc(left, func() { f.tell(false) })
	}
	f.mu.Unlock()
	f.tell(false)
}

// Drop closes all connections at once; new ones are accepted.
func (f *Faults) Drop() { f.tell(true) }

// DropFor closes all connections and refuses new ones for a while.
func (f *Faults) DropFor(d time.Duration) {
	f.Change(func(fault *Fault) { fault.DownUntil = time.Now().Add(d) })
}

// next returns a channel that is closed at the next change. Get it before reading Now.
func (f *Faults) next() <-chan struct{} {
	if f == nil {
		return nil
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.changed == nil {
		f.changed = make(chan struct{})
	}
	return f.changed
}

// attach has call called after each change, from the goroutine that makes it.
func (f *Faults) attach(call func(drop bool)) (detach func()) {
	if f == nil {
		return func() {}
	}
	l := &listenerFunc{call}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.told == nil {
		f.told = make(map[*listenerFunc]struct{})
	}
	f.told[l] = struct{}{}
	return func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		delete(f.told, l)
	}
}

func (f *Faults) tell(drop bool) {
	if f == nil {
		return
	}
	f.mu.Lock()
	if f.holds > 0 {
		f.heldTell, f.heldDrop = true, f.heldDrop || drop
		f.mu.Unlock()
		return
	}
	if f.changed != nil {
		close(f.changed)
		f.changed = nil
	}
	var told []*listenerFunc
	for l := range f.told {
		told = append(told, l)
	}
	f.mu.Unlock()
	for _, l := range told {
		l.call(drop)
	}
}

// hold puts off what a change does to the link until release is called. A phone that is
// told to restart its adbd, or itself, drops the link at once; a real one has said so
// before.
func (f *Faults) hold() (release func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.holds++; f.released == nil {
		f.released = make(chan struct{})
	}
	var once sync.Once
	timer := time.AfterFunc(longestHold, func() { once.Do(f.letGo) })
	return func() {
		timer.Stop()
		once.Do(f.letGo)
	}
}

func (f *Faults) letGo() {
	f.mu.Lock()
	if f.holds--; f.holds > 0 {
		f.mu.Unlock()
		return
	}
	close(f.released)
	f.released = nil
	tell, drop := f.heldTell, f.heldDrop
	f.heldTell, f.heldDrop = false, false
	f.mu.Unlock()
	if tell {
		f.tell(drop)
	}
}

// settle waits until nothing is held, or until done.
func (f *Faults) settle(done <-chan struct{}) {
	for {
		f.mu.Lock()
		released := f.released
		f.mu.Unlock()
		if released == nil {
			return
		}
		select {
		case <-released:
		case <-done:
			return
		}
	}
}
