package wire

import (
	"bufio"
	"context"
	"crypto/rand"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"
)

// ServeDevice serves the phone to adb servers that connect to l, as its adbd would over
// TCP. stop closes the listener and every connection, ends the commands that run over
// them, and returns when all of that is done. After a LinkDown fault the front end
// listens again at l's address with a listener of its own.
func ServeDevice(l net.Listener, p Phone, opts ...Option) (stop func()) {
	o := options{faults: faultsOf(p)}
	for _, set := range opts {
		set(&o)
	}
	if o.faults == nil {
		o.faults = new(Faults)
	}
	book := new(reverseBook)
	return openDoor(l, o.faults, func(g *gate) {
		serveTransport(g, p, o.faults, book)
	}).stop
}

// A transport is one host's connection to the phone.
type transport struct {
	gate    *gate
	phone   Phone
	faults  *Faults
	banner  Banner
	reverse *reverses

	sendMu sync.Mutex
	sums   atomic.Bool   // payloads carry sums
	most   atomic.Uint32 // agreed maxdata, bytes

	mu      sync.Mutex
	online  bool // CNXN sent
	greeted bool // the host's CNXN is here
	keyed   bool // the host has sent its public key and waits for a person
	streams map[uint32]*transportStream
	givenUp map[uint32]bool // streams opened by the phone and left before an answer
	lastID  uint32
	wg      sync.WaitGroup // services
}

func serveTransport(g *gate, p Phone, f *Faults, book *reverseBook) {
	t := &transport{gate: g, phone: p, faults: f, banner: p.Banner(), streams: make(map[uint32]*transportStream), givenUp: make(map[uint32]bool)}
	if t.banner.Maxdata == 0 {
		t.banner.Maxdata = defaultMaxdata
	}
	if t.banner.Version == 0 {
		t.banner.Version = versionNoSums
	}
	t.most.Store(leastMaxdata)
	t.sums.Store(true)
	t.reverse = &reverses{phone: p, book: book, link: "host-1", dial: t.dialer}

	t.wg.Go(t.watch)
	in := bufio.NewReaderSize(g, 64<<10)
	for {
		msg, err := readPacket(in, max(t.banner.Maxdata, leastMaxdata))
		if err == nil {
			err = t.handle(msg)
		}
		if err != nil {
			break
		}
	}
	g.Close()
	t.closeStreams()
	t.reverse.end()
	t.wg.Wait()
}

// watch follows the phone's state and its faults while the connection lives.
func (t *transport) watch() {
	for {
		fault, state := t.faults.next(), t.phone.Changed()
		t.faults.settle(t.gate.ctx.Done())
		switch t.presence() {
		case presentGone:
			t.gate.Close()
		case presentStranger:
			t.mu.Lock()
			online := t.online
			t.mu.Unlock()
			if online { // the host's key was taken back
				t.gate.Close()
			}
		case presentReady:
			t.mu.Lock()
			waiting := t.greeted && !t.online && t.keyed
			t.mu.Unlock()
			if waiting {
				t.announce()
			}
		}
		select {
		case <-t.gate.ctx.Done():
			return
		case <-fault:
		case <-state:
		}
	}
}

// A presence is how the phone meets a host at this moment.
type presence int

const (
	presentReady    presence = iota
	presentGone              // adbd does not run
	presentSilent            // adbd does not answer
	presentStranger          // adbd does not know the host's key
)

func (t *transport) presence() presence {
	now := t.faults.Now()
	switch {
	case now.down() || now.Absent:
		return presentGone
	case now.Silent:
		return presentSilent
	case now.Unauthorised:
		return presentStranger
	}
	switch state := t.phone.State(); {
	case reachable(state):
		return presentReady
	case state == "unauthorized" || state == "authorizing":
		return presentStranger
	}
	return presentGone
}

// announce sends the phone's CNXN: from now on the host may open streams.
func (t *transport) announce() {
	system := "device"
	if state := t.phone.State(); slices.Contains([]string{"recovery", "sideload", "rescue", "bootloader"}, state) {
		system = state
	}
	banner := fmt.Sprintf("%s::ro.product.name=%s;ro.product.model=%s;ro.product.device=%s;features=%s",
		system, t.banner.Product, t.banner.Model, t.banner.Device, strings.Join(featuresOf(t.phone, t.faults), ","))
	t.mu.Lock()
	t.online = true
	t.mu.Unlock()
	t.send(packet{command: cmdCNXN, arg0: t.banner.Version, arg1: t.banner.Maxdata, data: []byte(banner)})
}

func (t *transport) challenge() {
	token := make([]byte, tokenLen)
	rand.Read(token)
	t.send(packet{command: cmdAUTH, arg0: authToken, data: token})
}

// send writes one packet. An error means that the connection is lost, which the reading
// side sees as well.
func (t *transport) send(p packet) error {
	sums := t.sums.Load() || p.command == cmdCNXN || p.command == cmdAUTH
	buf := p.append(make([]byte, 0, headerLen+len(p.data)), sums)
	t.sendMu.Lock()
	defer t.sendMu.Unlock()
	_, err := t.gate.Write(buf)
	return err
}

// handle acts on one packet; an error ends the connection.
func (t *transport) handle(p packet) error {
	if p.command == cmdCNXN {
		return t.hello(p)
	}
	if t.sums.Load() && p.sum != byteSum(p.data) {
		return errBadSum
	}
	t.mu.Lock()
	online, greeted := t.online, t.greeted
	t.mu.Unlock()
	if p.command == cmdAUTH && greeted && !online {
		if p.arg0 == authPublicKey {
			t.mu.Lock()
			t.keyed = true
			t.mu.Unlock()
		}
		switch t.presence() {
		case presentReady:
			t.announce()
		case presentStranger:
			if p.arg0 != authPublicKey { // after the key it is for a person to decide
				t.challenge()
			}
		}
		return nil
	}
	if !online {
		return nil
	}
	switch p.command {
	case cmdOPEN:
		t.open(p)
	case cmdOKAY:
		if s := t.find(p.arg1); s != nil {
			s.okay(p.arg0)
		} else if t.forgive(p.arg1) {
			t.send(packet{command: cmdCLSE, arg0: p.arg1, arg1: p.arg0})
		}
	case cmdWRTE:
		s := t.find(p.arg1)
		if s == nil || s.remote.Load() != p.arg0 {
			t.send(packet{command: cmdCLSE, arg1: p.arg0})
			return nil
		}
		return s.arrived(p.data)
	case cmdCLSE:
		t.forgive(p.arg1)
		if s := t.find(p.arg1); s != nil && (p.arg0 == 0 || s.remote.Load() == 0 || s.remote.Load() == p.arg0) {
			s.peerClosed()
		}
	}
	return nil
}

// hello takes the host's CNXN. A second one begins the connection anew.
func (t *transport) hello(p packet) error {
	if sum := byteSum(p.data); p.sum != sum && (p.sum != 0 || p.arg0 < versionNoSums) {
		return errBadSum
	}
	t.closeStreams()
	t.reverse.removeAll()
	t.sums.Store(min(p.arg0, t.banner.Version) < versionNoSums)
	t.most.Store(max(min(p.arg1, t.banner.Maxdata), 1))
	t.mu.Lock()
	t.greeted, t.online, t.keyed = true, false, false
	t.mu.Unlock()
	switch t.presence() {
	case presentReady:
		t.announce()
	case presentStranger:
		t.challenge()
	case presentSilent:
		t.mu.Lock()
		t.keyed = true // once it finds its tongue it has nothing to ask
		t.mu.Unlock()
	}
	return nil
}

// open serves an OPEN of the host, or refuses it.
func (t *transport) open(p packet) {
	name := strings.TrimSuffix(string(p.data), "\x00")
	serve, ok := findService(t.phone, t.faults, name, t.reverse)
	if !ok || p.arg0 == 0 {
		t.send(packet{command: cmdCLSE, arg1: p.arg0})
		return
	}
	s := t.newStream(p.arg0)
	if s == nil {
		return
	}
	t.wg.Go(func() {
		defer s.Close()
		if t.send(packet{command: cmdOKAY, arg0: s.local, arg1: p.arg0}) == nil {
			serve(t.faults.cutting(s))
		}
	})
}

// dialer returns how to reach a socket of the host through this connection.
func (t *transport) dialer(spec string) func(context.Context) (net.Conn, error) {
	return func(ctx context.Context) (net.Conn, error) {
		fail := func(err error) (net.Conn, error) {
			return nil, &net.OpError{Op: "dial", Net: "adb", Addr: hostAddr(spec), Err: err}
		}
		s := t.newStream(0)
		if s == nil {
			return fail(syscall.ECONNREFUSED)
		}
		s.spec = spec
		if err := t.send(packet{command: cmdOPEN, arg0: s.local, data: append([]byte(spec), 0)}); err != nil {
			s.Close()
			return fail(err)
		}
		select {
		case <-s.opened:
			return s, nil
		case <-s.ctx.Done():
			select {
			case <-s.opened: // a peer that spoke and left already: its words can be read
				return s, nil
			default:
				return fail(syscall.ECONNREFUSED)
			}
		case <-ctx.Done():
			t.giveUp(s)
			return fail(ctx.Err())
		}
	}
}

// giveUp leaves a stream that the host has not answered yet. The host's end has no name
// until it does, so it is closed then.
func (t *transport) giveUp(s *transportStream) {
	t.mu.Lock()
	t.givenUp[s.local] = true
	t.mu.Unlock()
	s.in.discard(net.ErrClosed)
	s.leave()
	if remote := s.remote.Load(); remote != 0 && t.forgive(s.local) { // the answer came just now
		t.send(packet{command: cmdCLSE, arg0: s.local, arg1: remote})
	}
}

// forgive reports whether the stream was given up, and forgets it.
func (t *transport) forgive(local uint32) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	was := t.givenUp[local]
	delete(t.givenUp, local)
	return was
}

type hostAddr string

func (hostAddr) Network() string  { return "adb" }
func (a hostAddr) String() string { return string(a) }

func (t *transport) find(local uint32) *transportStream {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.streams[local]
}

// newStream returns nil when the connection is not open for streams.
func (t *transport) newStream(remote uint32) *transportStream {
	s := &transportStream{t: t, in: newInbox(), credit: make(chan struct{}, 1), opened: make(chan struct{})}
	s.ctx, s.cancel = context.WithCancel(t.gate.ctx)
	t.mu.Lock()
	defer t.mu.Unlock()
	if !t.online || t.gate.ctx.Err() != nil {
		s.cancel()
		return nil
	}
	for t.lastID++; t.lastID == 0 || t.streams[t.lastID] != nil || t.givenUp[t.lastID]; t.lastID++ {
	}
	s.local = t.lastID
	if remote != 0 {
		s.okay(remote)
	}
	t.streams[s.local] = s
	return s
}

func (t *transport) closeStreams() {
	t.mu.Lock()
	var open []*transportStream
	for _, s := range t.streams {
		open = append(open, s)
	}
	t.mu.Unlock()
	for _, s := range open {
		s.peerClosed()
	}
}

// A transportStream is one stream of a transport, and a net.Conn for those that the phone
// opened. In each direction a WRTE waits for the OKAY to the one before.
type transportStream struct {
	t      *transport
	ctx    context.Context
	cancel context.CancelFunc
	local  uint32
	remote atomic.Uint32 // 0 until the peer has accepted
	opened chan struct{} // closed then
	once   sync.Once
	spec   string

	in        *inbox
	ackDue    atomic.Int32 // WRTE taken and not yet answered
	readLate  deadline
	writeMu   sync.Mutex
	credit    chan struct{} // a token when the next WRTE may go out
	writeLate deadline
}

func (s *transportStream) Context() context.Context { return s.ctx }

func (s *transportStream) okay(remote uint32) {
	if s.remote.CompareAndSwap(0, remote) {
		token(s.credit)
		close(s.opened)
	} else if s.remote.Load() == remote {
		token(s.credit)
	}
}

// arrived takes the payload of a WRTE. It is answered when all of it was read, so that
// a slow reader slows the peer down.
func (s *transportStream) arrived(data []byte) error {
	s.ackDue.Add(1)
	waiting := s.in.put(data)
	if len(data) == 0 {
		s.acknowledge()
	}
	if most := 2 * int(max(s.t.banner.Maxdata, leastMaxdata)); waiting > most {
		return fmt.Errorf("peer sent %d bytes without waiting for an answer", waiting)
	}
	return nil
}

func (s *transportStream) acknowledge() {
	for due := s.ackDue.Swap(0); due > 0; due-- {
		s.t.send(packet{command: cmdOKAY, arg0: s.local, arg1: s.remote.Load()})
	}
}

func (s *transportStream) Read(p []byte) (int, error) {
	n, emptied, err := s.in.read(p, &s.readLate)
	if emptied && s.ctx.Err() == nil {
		s.acknowledge()
	}
	return n, err
}

func (s *transportStream) Write(p []byte) (int, error) {
	s.writeMu.Lock()
	defer s.writeMu.Unlock()
	for done := 0; done < len(p); {
		if s.writeLate.over() {
			return done, os.ErrDeadlineExceeded
		}
		select {
		case <-s.ctx.Done():
			return done, net.ErrClosed
		case <-s.writeLate.passed():
			continue
		case <-s.credit:
		}
		if s.ctx.Err() != nil {
			return done, net.ErrClosed
		}
		part := p[done:min(len(p), done+int(s.t.most.Load()))]
		if err := s.t.send(packet{command: cmdWRTE, arg0: s.local, arg1: s.remote.Load(), data: part}); err != nil {
			return done, err
		}
		done += len(part)
	}
	return len(p), nil
}

// leave takes the stream out of the transport and reports whether it was still there.
func (s *transportStream) leave() (first bool) {
	s.once.Do(func() {
		first = true
		s.t.mu.Lock()
		delete(s.t.streams, s.local)
		s.t.mu.Unlock()
		s.cancel()
	})
	return first
}

// peerClosed ends the stream from the other side; what has arrived can still be read.
func (s *transportStream) peerClosed() {
	s.in.end(io.EOF)
	s.leave()
}

func (s *transportStream) Close() error {
	s.in.discard(net.ErrClosed)
	if s.leave() {
		s.t.send(packet{command: cmdCLSE, arg0: s.local, arg1: s.remote.Load()})
	}
	return nil
}

func (s *transportStream) LocalAddr() net.Addr  { return hostAddr(s.t.phone.Serial()) }
func (s *transportStream) RemoteAddr() net.Addr { return hostAddr(s.spec) }

func (s *transportStream) SetDeadline(at time.Time) error {
	s.readLate.set(at)
	s.writeLate.set(at)
	return nil
}

func (s *transportStream) SetReadDeadline(at time.Time) error  { s.readLate.set(at); return nil }
func (s *transportStream) SetWriteDeadline(at time.Time) error { s.writeLate.set(at); return nil }

var _ net.Conn = (*transportStream)(nil)
