package orchestrator_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"rundown/devices"
	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/scenarios/stage"
)

// inBubble runs a test inside a testing/synctest bubble. The benches that it makes with the
// t that it gets live wholly in there: handsets, daemon and test share the bubble's clock,
// which stands still while anything computes and leaps as soon as everything waits. A night
// takes seconds, and takes the same course on a busy machine as on a quiet one.
//
// What such a bench reaches it reaches in memory: see memoryServer. A test must keep sockets
// and pipes of the operating system out, which hold the clock still, and must not hold a
// mutex over a sleep that somebody else waits for. Plans with calls of the stage have real
// sockets at their far end and belong to a bench of the other kind.
func inBubble(t *testing.T, test func(t *testing.T)) {
	t.Helper()
	inBubbleAt(t, benchStart, test)
}

// inBubbleAt is inBubble at another time of the year than benchStart.
func inBubbleAt(t *testing.T, start time.Time, test func(t *testing.T)) {
	t.Helper()
	warmUp()
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(start))
		bubbles.Store(t, new(simulated.MemoryNet))
		defer bubbles.Delete(t)
		test(t)
	})
}

// bubbles are the tests that run in a bubble, each with its network in memory.
var bubbles sync.Map

// airOf is the network in memory of a test in a bubble; nil for any other test.
func airOf(t testing.TB) *simulated.MemoryNet {
	if air, ok := bubbles.Load(t); ok {
		return air.(*simulated.MemoryNet)
	}
	return nil
}

// listening is what an instrument of a test answers on: a free port of the bubble's network
// in memory, or of the loopback.
func listening(t *testing.T) net.Listener {
	t.Helper()
	listen := new(net.ListenConfig).Listen
	if air := airOf(t); air != nil {
		listen = air.Listen
	}
	l, err := listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// bubbleBench runs a test on a bench in a bubble that is started as it is made.
func bubbleBench(t *testing.T, names []string, plans string, test func(b *bench), change ...func(name string, o *simulated.Options)) {
	t.Helper()
	inBubble(t, func(t *testing.T) { test(newBench(t, names, plans, change...)) })
}

// warmUp makes outside of any bubble what a process makes once and every bubble uses: the
// stage's pages, and the channels of the store's compressor, which would belong to the first
// bubble that came along.
var warmUp = sync.OnceFunc(func() {
	var air simulated.MemoryNet
	s := stage.New(stage.Config{Listen: "127.0.0.1:0", Open: air.Listen})
	if err := s.Start(context.Background()); err != nil {
		panic(err)
	}
	if err := s.Stop(context.Background()); err != nil {
		panic(err)
	}
	dir, err := os.MkdirTemp("", "rundown-test-")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	store, err := results.Open(filepath.Join(dir, "rundown.db"))
	if err != nil {
		panic(err)
	}
	g, at := results.Segment{ID: "r-1", RunID: "r"}, time.Now()
	sample := results.Sample{Seq: 1, HostAt: at, PhoneAt: at}
	err = store.PutSegment(g)
	_, appended := store.AppendSamples(g.ID, []results.Sample{sample})
	if err := errors.Join(err, appended, store.Close()); err != nil {
		panic(err)
	}
})

// memoryFolder is a folder for one test, in memory where the system has such a place, so
// that a store's syncs cost nothing.
func memoryFolder(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "rundown-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

// A memoryServer is the adb server of a bench without sockets: the handsets as the daemon
// reaches them, with a link's deadlines. It can be killed and started again, and cuts
// answers short on demand.
type memoryServer struct {
	handsets map[string]*simulated.Handset // by serial
	order    []string

	mu       sync.Mutex
	up       bool
	cut      int                      // bytes of output after which an answer is lost; 0: none
	latency  time.Duration            // of each call
	lag      map[string]time.Duration // and more to some handsets, by serial
	changed  chan struct{}
	epoch    context.Context
	endEpoch context.CancelFunc
}

// memoryName is how the server without sockets is listed.
const memoryName = "in memory"

// shellWithin is the deadline of one command, as the real link has it.
const shellWithin = time.Minute

func newMemoryServer(b *bench) *memoryServer {
	s := &memoryServer{handsets: map[string]*simulated.Handset{}, changed: make(chan struct{})}
	for _, name := range b.names {
		serial := b.serials[name]
		s.order = append(s.order, serial)
		s.handsets[serial] = b.handsets[name]
	}
	s.start()
	b.t.Cleanup(s.kill)
	return s
}

func (s *memoryServer) set(up bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.up == up {
		return
	}
	s.up = up
	if up {
		s.epoch, s.endEpoch = context.WithCancel(context.Background())
	} else {
		s.endEpoch()
	}
	close(s.changed)
	s.changed = make(chan struct{})
}

func (s *memoryServer) start() { s.set(true) }

// kill ends the server: calls under way are lost, and the ports that it forwarded.
func (s *memoryServer) kill() {
	s.set(false)
	for _, h := range s.handsets {
		h.DropReverses()
	}
}

// cutAfter makes every answer end after so many bytes of output; 0 stops that.
func (s *memoryServer) cutAfter(bytes int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cut = bytes
}

func (s *memoryServer) state() (up bool, changed <-chan struct{}, epoch context.Context, cut int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.up, s.changed, s.epoch, s.cut
}

// advice is what a person should do about a state of a link.
var advice = map[string]string{
	"offline": "check the cable", "unauthorized": "answer the handset's question whether it trusts this host",
}

// Follow reports what is seen, now and at each change.
func (s *memoryServer) Follow(ctx context.Context, report func(seen []orchestrator.Seen, absent []string)) error {
	for ctx.Err() == nil {
		up, changed, _, _ := s.state()
		next, stop := context.WithCancel(ctx)
		var watchers sync.WaitGroup
		watch := func(c <-chan struct{}) {
			watchers.Go(func() {
				select {
				case <-c:
					stop()
				case <-next.Done():
				}
			})
		}
		watch(changed)
		var seen []orchestrator.Seen
		for _, serial := range s.order {
			h := s.handsets[serial]
			watch(h.Changed()) // before the state is read, so that no change is missed
			if state := h.State(); up {
				seen = append(seen, orchestrator.Seen{Serial: serial, Server: memoryName, State: state, Ready: state == "device", Advice: advice[state]})
			}
		}
		if up {
			report(seen, nil)
		} else {
			report(nil, []string{memoryName})
		}
		<-next.Done()
		stop()
		watchers.Wait()
	}
	return ctx.Err()
}

func (s *memoryServer) Link(serial, _ string) devices.Link {
	return memoryLink{s, s.handsets[serial], context.Background()}
}

// A memoryLink is a handset through the server.
type memoryLink struct {
	server *memoryServer
	h      *simulated.Handset
	client context.Context // ends with the process whose link it is
}

// within gives a call its context: it ends with its deadline and with the server.
func (l memoryLink) within(ctx context.Context, limit time.Duration) (bounded context.Context, end func(error) error, err error) {
	if latency := l.server.latency + l.server.lag[l.h.Serial()]; latency > 0 {
		t := time.NewTimer(latency)
		defer t.Stop()
		select {
		case <-t.C:
		case <-ctx.Done():
		case <-l.client.Done():
		}
	}
	up, _, epoch, _ := l.server.state()
	if !up || l.client.Err() != nil {
		return nil, nil, fmt.Errorf("handset %s: %w", l.h.Serial(), devices.ErrNoServer)
	}
	bounded, lose := context.WithCancelCause(ctx)
	bounded, cancel := context.WithTimeout(bounded, limit)
	stop := context.AfterFunc(epoch, func() { lose(devices.ErrLinkLost) })
	die := context.AfterFunc(l.client, func() { lose(devices.ErrLinkLost) })
	return bounded, func(err error) error {
		lost := errors.Is(context.Cause(bounded), devices.ErrLinkLost)
		stop()
		die()
		cancel()
		lose(nil)
		if lost && err != nil {
			return fmt.Errorf("handset %s: %w", l.h.Serial(), devices.ErrLinkLost)
		}
		return err
	}, nil
}

func (l memoryLink) Serial() string { return l.h.Serial() }

func (l memoryLink) Shell(ctx context.Context, command string) (devices.Output, error) {
	ctx, end, err := l.within(ctx, shellWithin)
	if err != nil {
		return devices.Output{}, err
	}
	out, err := l.h.Shell(ctx, command)
	if err = end(err); err != nil {
		return devices.Output{}, err
	}
	if _, _, _, cut := l.server.state(); cut > 0 && len(out.Stdout)+len(out.Stderr) > cut {
		return devices.Output{}, fmt.Errorf("handset %s: %w", l.h.Serial(), devices.ErrLinkLost)
	}
	return out, nil
}

func (l memoryLink) StreamShell(ctx context.Context, command string, stdout, stderr io.Writer) (int, error) {
	ctx, end, err := l.within(ctx, 1000*time.Hour)
	if err != nil {
		return -1, err
	}
	code, err := l.h.StreamShell(ctx, command, stdout, stderr)
	return code, end(err)
}

func (l memoryLink) Push(ctx context.Context, content io.Reader, path string, mode fs.FileMode) error {
	ctx, end, err := l.within(ctx, 30*time.Minute)
	if err != nil {
		return err
	}
	return end(l.h.Push(ctx, content, path, mode))
}

func (l memoryLink) Pull(ctx context.Context, path string, offset int64, w io.Writer) (int64, error) {
	ctx, end, err := l.within(ctx, 30*time.Minute)
	if err != nil {
		return 0, err
	}
	if _, _, _, cut := l.server.state(); cut > 0 {
		var all bytes.Buffer
		_, err := l.h.Pull(ctx, path, offset, &all)
		if err == nil && all.Len() > cut {
			all.Truncate(cut)
			err = fmt.Errorf("handset %s: %w", l.h.Serial(), devices.ErrLinkLost)
		}
		n, copied := io.Copy(w, &all)
		return n, end(errors.Join(err, copied))
	}
	n, err := l.h.Pull(ctx, path, offset, w)
	return n, end(err)
}

func (l memoryLink) Stat(ctx context.Context, path string) (devices.File, error) {
	ctx, end, err := l.within(ctx, shellWithin)
	if err != nil {
		return devices.File{}, err
	}
	f, err := l.h.Stat(ctx, path)
	return f, end(err)
}

func (l memoryLink) Reverse(ctx context.Context, devicePort, hostPort int) error {
	ctx, end, err := l.within(ctx, shellWithin)
	if err != nil {
		return err
	}
	return end(l.h.Reverse(ctx, devicePort, hostPort))
}
