package orchestrator

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"rundown/devices"
	"rundown/devices/adb"
	"rundown/scenarios"
)

// Seen is one handset as an adb server lists it.
type Seen struct {
	Serial string `json:"serial"`
	Server string `json:"server"`
	State  string `json:"state"` // "device" when it can be used
	Model  string `json:"model,omitempty"`
	Advice string `json:"advice,omitempty"` // what a person should do to make it usable
	Ready  bool   `json:"ready"`
}

// Links is where handsets are reached: the bench's adb servers, or a test's own.
type Links interface {
	// Follow reports everything that is seen, now and at each change, until ctx ends.
	// A server that does not answer is reported in absent.
	Follow(ctx context.Context, report func(seen []Seen, absent []string)) error
	// Link returns the way to a handset through the server that lists it.
	Link(serial, server string) devices.Link
}

// ErrNotLooked means that an adb server has not told yet what it sees: the daemon has only
// begun. Nothing is missing because of that.
var ErrNotLooked = errors.New("not looked yet")

// A slowLinks is Links that knows which of its servers have reported nothing so far; of
// others the board has heard all with the first report.
type slowLinks interface{ Unheard() []string }

// adbLinks are the adb servers of a bench.
type adbLinks struct {
	servers map[string]*adb.Server
	order   []string

	mu    sync.Mutex
	heard map[string]bool // servers that have reported once
}

func newADBLinks(addresses []string, o adb.Options) *adbLinks {
	l := &adbLinks{servers: map[string]*adb.Server{}, heard: map[string]bool{}}
	for _, a := range addresses {
		if _, have := l.servers[a]; !have {
			l.servers[a] = adb.New(a, func(own *adb.Options) { *own = o })
			l.order = append(l.order, a)
		}
	}
	return l
}

func (l *adbLinks) Link(serial, server string) devices.Link {
	return l.servers[server].Handset(serial)
}

func (l *adbLinks) Follow(ctx context.Context, report func([]Seen, []string)) error {
	var mu sync.Mutex
	latest := map[string]adb.Listing{}
	var wg sync.WaitGroup
	for _, address := range l.order {
		wg.Go(func() {
			_ = l.servers[address].Track(ctx, func(listing adb.Listing) {
				mu.Lock()
				defer mu.Unlock()
				latest[address] = listing
				var seen []Seen
				var absent []string
				for _, a := range l.order {
					if known, ok := latest[a]; ok && !known.Present {
						absent = append(absent, a)
					}
					for _, row := range latest[a].Devices {
						seen = append(seen, Seen{
							Serial: row.Serial, Server: a, State: string(row.State), Model: row.Model,
							Advice: row.Advice(), Ready: row.Ready(),
						})
					}
				}
				report(seen, absent)
				l.mu.Lock()
				defer l.mu.Unlock()
				l.heard[address] = true // after the report: who asks in between waits a moment more
			})
		})
	}
	wg.Wait()
	return ctx.Err()
}

// Unheard implements slowLinks.
func (l *adbLinks) Unheard() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(l.order), func(a string) bool { return l.heard[a] })
}

// unheard names an adb server of which the daemon has not heard yet and that may have a
// handset: the one given or, where none is, any of the bench; "" when there is none.
func (d *Daemon) unheard(server string) string {
	known := d.board.reported()
	slow, ok := d.links.(slowLinks)
	switch {
	case !ok && known:
		return ""
	case !ok && server != "":
		return server
	case !ok:
		return "the bench"
	}
	for _, a := range slow.Unheard() {
		if server == "" || server == a {
			return a
		}
	}
	return ""
}

// firstLook is how long an actor waits at most to hear of its handset for the first time.
// A server that does not answer is heard as absent before that.
const firstLook = 30 * time.Second

// awaitFirstLook waits until the handset's adb server has told what it sees.
func (d *Daemon) awaitFirstLook(ctx context.Context, h scenarios.Handset) {
	for waited := d.stopwatch(); waited.read() < firstLook && ctx.Err() == nil; {
		_, seen, changed := d.board.find(h)
		if seen || d.unheard(h.Server) == "" {
			return
		}
		nap := d.sleeping(ctx, time.Second)
		select {
		case <-changed:
		case <-nap.done:
		}
		nap.end()
	}
}

// keepConnected keeps the handsets that are linked over Wi-Fi connected, until ctx ends.
func (l *adbLinks) keepConnected(ctx context.Context, handsets []scenarios.Handset, log zerolog.Logger) {
	var wg sync.WaitGroup
	for _, h := range handsets {
		if h.Connect == "" {
			continue
		}
		server := h.Server
		if server == "" {
			server = l.order[0]
		}
		wg.Go(func() {
			_ = l.servers[server].KeepConnected(ctx, h.Connect, func(err error) {
				if err != nil {
					log.Warn().Str("handset", h.Name).Err(err).Msg("not connected over Wi-Fi")
				}
			})
		})
	}
	wg.Wait()
}

// A board is what is seen on the bench right now. Actors wait on it for their handset.
type board struct {
	mu     sync.Mutex
	seen   []Seen
	absent []string
	known  bool           // at least one report has come
	turn   int            // reports so far
	lost   map[string]int // by serial: how often one that was ready was so no more
	wake   chan struct{}
}

func newBoard() *board { return &board{wake: make(chan struct{})} }

func (b *board) update(seen []Seen, absent []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.countLosses(seen)
	b.seen, b.absent, b.known = slices.Clone(seen), slices.Clone(absent), true
	b.turn++
	close(b.wake)
	b.wake = make(chan struct{})
}

// find returns how a handset is seen, and a channel that is closed when anything changes.
func (b *board) find(h scenarios.Handset) (Seen, bool, <-chan struct{}) {
	b.mu.Lock()
	defer b.mu.Unlock()
	var found Seen
	ok := false
	for _, s := range b.seen {
		if (s.Serial == h.Serial || h.Connect != "" && s.Serial == h.Connect) && (h.Server == "" || h.Server == s.Server) {
			if !ok || s.Ready && !found.Ready { // the same handset by cable and by Wi-Fi
				found, ok = s, true
			}
		}
	}
	return found, ok, b.wake
}

func (b *board) all() (seen []Seen, absent []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.seen), slices.Clone(b.absent)
}

// reported reports whether anything was heard of the bench so far.
func (b *board) reported() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.known
}

// turns counts the changes of what is seen.
func (b *board) turns() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.turn
}

// linkDown reports whether an error means that the handset cannot be reached at the
// moment, so that what was tried is tried again when it is back.
func linkDown(err error) bool {
	for _, down := range []error{ErrNotLooked, devices.ErrNoServer, devices.ErrNoHandset, devices.ErrOffline, devices.ErrUnauthorised, devices.ErrNoPermission, devices.ErrTimeout, devices.ErrLinkLost} {
		if errors.Is(err, down) {
			return true
		}
	}
	return false
}

// why is an error as one line for a person.
func why(err error) string { return devices.OneLine(err.Error()) }
