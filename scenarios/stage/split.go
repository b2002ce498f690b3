package stage

import (
	"errors"
	"maps"
	"net"
	"slices"
	"sync"
	"time"
)

// A split hands the connections of one listener to two: those that begin like a request
// to the web server, and those that begin like a call's media over TCP, which carries a
// length of two bytes before each packet (RFC 4571, 2006, section 2), so that the first
// byte of the small packet it opens with is 0 or 1 and no letter.
//
// One port for both is what lets a call work through a single port forward.
type split struct {
	from net.Listener
	web  *half
	call *half
	wg   sync.WaitGroup

	mu     sync.Mutex
	kept   map[net.Conn]struct{} // connections that have not said anything yet, and those of calls
	closed bool
}

// firstByteWithin is how long a new connection may stay silent.
const firstByteWithin = 20 * time.Second

// connectionsMost bounds what the stage holds open at once. A browser uses six to a site.
const connectionsMost = 512

func newSplit(l net.Listener) *split {
	s := &split{from: l, kept: map[net.Conn]struct{}{}}
	s.web = &half{addr: l.Addr(), conns: make(chan net.Conn), done: make(chan struct{})}
	s.call = &half{addr: l.Addr(), conns: make(chan net.Conn), done: make(chan struct{})}
	s.wg.Go(s.accept)
	return s
}

func (s *split) accept() {
	room := make(chan struct{}, connectionsMost)
	for pause := 5 * time.Millisecond; ; {
		c, err := s.from.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil { // out of descriptors, most likely: it passes
			time.Sleep(pause)
			pause = min(2*pause, time.Second)
			if s.isClosed() {
				return
			}
			continue
		}
		pause = 5 * time.Millisecond
		select {
		case room <- struct{}{}:
		default:
			_ = c.Close()
			continue
		}
		counted := &countedConn{Conn: c}
		counted.leave = sync.OnceFunc(func() {
			<-room
			s.drop(counted)
		})
		if !s.keep(counted) {
			_ = counted.Close()
			return
		}
		s.wg.Go(func() { s.pass(counted) })
	}
}

func (s *split) isClosed() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.closed
}

// keep notes a connection that Close has to end; false when that is over.
func (s *split) keep(c net.Conn) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.closed {
		s.kept[c] = struct{}{}
	}
	return !s.closed
}

func (s *split) drop(c net.Conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.kept, c)
}

// pass waits for a connection's first byte and hands it to the half it is for.
func (s *split) pass(c net.Conn) {
	var first [1]byte
	_ = c.SetReadDeadline(time.Now().Add(firstByteWithin))
	_, err := c.Read(first[:])
	_ = c.SetReadDeadline(time.Time{})
	if err != nil {
		_ = c.Close()
		return
	}
	to := s.web
	if first[0] < 2 {
		to = s.call // stays kept: nobody else ends one that never becomes a call's
	} else {
		s.drop(c)
	}
	select {
	case to.conns <- &begunConn{Conn: c, first: first[:]}:
	case <-to.done:
		_ = c.Close()
	}
}

// Close ends the listener, both halves and what is kept. Connections handed to the web
// server are its own to end.
func (s *split) Close() error {
	s.mu.Lock()
	s.closed = true
	list := slices.Collect(maps.Keys(s.kept))
	s.mu.Unlock()
	for _, c := range list {
		_ = c.Close()
	}
	err := s.from.Close()
	_, _ = s.web.Close(), s.call.Close()
	s.wg.Wait()
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}

// A half is one side of a split, a listener of its own.
type half struct {
	addr  net.Addr
	conns chan net.Conn
	done  chan struct{}
	once  sync.Once
}

func (h *half) Accept() (net.Conn, error) {
	select {
	case c := <-h.conns:
		return c, nil
	case <-h.done:
		return nil, net.ErrClosed
	}
}

func (h *half) Close() error {
	h.once.Do(func() { close(h.done) })
	return nil
}

func (h *half) Addr() net.Addr { return h.addr }

// A countedConn gives its place back when it is closed.
type countedConn struct {
	net.Conn
	leave func()
}

func (c *countedConn) Close() error {
	c.leave()
	return c.Conn.Close()
}

// A begunConn is a connection whose first byte was read already.
type begunConn struct {
	net.Conn
	first []byte
}

func (c *begunConn) Read(p []byte) (int, error) {
	if len(c.first) > 0 && len(p) > 0 {
		p[0], c.first = c.first[0], c.first[1:]
		return 1, nil
	}
	return c.Conn.Read(p)
}
