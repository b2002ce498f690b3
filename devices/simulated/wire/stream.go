package wire

import (
	"context"
	"io"
	"net"
	"os"
	"sync"
	"time"
)

// A stream carries one service of the phone, over a client's socket or over the device
// transport. Its context ends when the peer is gone or the stream is closed; bytes that
// came before can still be read.
type stream interface {
	io.ReadWriteCloser
	Context() context.Context
}

// An inbox holds what has arrived on a stream and was not read yet.
type inbox struct {
	mu    sync.Mutex
	bytes []byte
	ended error         // what a read returns once bytes are used up
	more  chan struct{} // a token when there may be something to read
	room  chan struct{} // a token when the inbox was emptied
}

func newInbox() *inbox {
	return &inbox{more: make(chan struct{}, 1), room: make(chan struct{}, 1)}
}

func token(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// put adds bytes and returns how many now wait. After end they are thrown away.
func (b *inbox) put(p []byte) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.ended == nil {
		b.bytes = append(b.bytes, p...)
	}
	token(b.more)
	return len(b.bytes)
}

// end lets reads return err after the bytes that are there; the first end counts.
func (b *inbox) end(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.ended == nil {
		b.ended = err
	}
	token(b.more)
	token(b.room)
}

// discard throws away what is there and ends.
func (b *inbox) discard(err error) {
	b.mu.Lock()
	b.bytes = nil
	b.mu.Unlock()
	b.end(err)
}

// read waits for bytes, the end, or the deadline. emptied tells that none are left.
func (b *inbox) read(p []byte, late *deadline) (n int, emptied bool, err error) {
	if len(p) == 0 {
		return 0, false, nil
	}
	for {
		if late.over() {
			return 0, false, os.ErrDeadlineExceeded
		}
		b.mu.Lock()
		if n := copy(p, b.bytes); n > 0 {
			b.bytes = b.bytes[n:]
			emptied := len(b.bytes) == 0
			if emptied {
				b.bytes = nil
				token(b.room)
			}
			if !emptied || b.ended != nil {
				token(b.more)
			}
			b.mu.Unlock()
			return n, emptied, nil
		}
		if err := b.ended; err != nil {
			token(b.more)
			b.mu.Unlock()
			return 0, false, err
		}
		b.mu.Unlock()
		select {
		case <-b.more:
		case <-late.passed():
		}
	}
}

// A deadline is an instant that may be moved while somebody waits for it.
type deadline struct {
	mu    sync.Mutex
	at    time.Time
	timer *time.Timer
	wake  chan struct{} // closed when the instant passes or is moved
}

func (d *deadline) set(at time.Time) {
	if d == nil {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.timer != nil {
		d.timer.Stop()
		d.timer = nil
	}
	if d.wake != nil {
		close(d.wake)
		d.wake = nil
	}
	d.at = at
	if left := time.Until(at); !at.IsZero() && left > 0 {
		wake := make(chan struct{})
		d.wake = wake
		d.timer = time.AfterFunc(left, func() {
			d.mu.Lock()
			defer d.mu.Unlock()
			if d.wake == wake {
				close(wake)
				d.wake = nil
			}
		})
	}
}

func (d *deadline) over() bool {
	if d == nil {
		return false
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	return !d.at.IsZero() && !time.Now().Before(d.at)
}

// passed returns a channel that is closed when over should be asked again.
func (d *deadline) passed() <-chan struct{} {
	if d == nil {
		return nil
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.wake == nil {
		d.wake = make(chan struct{})
		if !d.at.IsZero() && !time.Now().Before(d.at) {
			close(d.wake)
			wake := d.wake
			d.wake = nil
			return wake
		}
	}
	return d.wake
}

// A socketStream is a service on a client's own socket, in the server front end. A pump
// reads ahead, so that the client's end is seen while the service only writes.
type socketStream struct {
	conn   net.Conn // closed by whoever opened the stream, after finish
	ctx    context.Context
	cancel context.CancelFunc
	in     *inbox
	pumped chan struct{}
	once   sync.Once
}

// readAhead is how many bytes a client may send that no one has read. Beyond it the
// client's end is noticed only when a write fails.
const readAhead = 1 << 20

func newSocketStream(ctx context.Context, conn net.Conn) *socketStream {
	s := &socketStream{conn: conn, in: newInbox(), pumped: make(chan struct{})}
	s.ctx, s.cancel = context.WithCancel(ctx)
	go s.pump()
	return s
}

func (s *socketStream) pump() {
	defer close(s.pumped)
	defer s.cancel()
	buf := make([]byte, 32<<10)
	for {
		n, err := s.conn.Read(buf)
		if waiting := s.in.put(buf[:n]); waiting > readAhead {
			select {
			case <-s.in.room:
			case <-s.ctx.Done():
			}
		}
		if err != nil {
			s.in.end(io.EOF)
			return
		}
	}
}

func (s *socketStream) Context() context.Context { return s.ctx }

func (s *socketStream) Read(p []byte) (int, error) {
	n, _, err := s.in.read(p, nil)
	return n, err
}

func (s *socketStream) Write(p []byte) (int, error) {
	if s.ctx.Err() != nil {
		return 0, net.ErrClosed
	}
	return s.conn.Write(p)
}

// Close ends the stream towards the client. What the client still sends is read and
// thrown away: closing the socket over unread bytes would reset the connection and could
// take the last output with it.
func (s *socketStream) Close() error {
	s.once.Do(func() {
		s.cancel()
		s.in.discard(net.ErrClosed)
		s.conn.SetReadDeadline(time.Now().Add(time.Second))
		conn := s.conn
		if g, ok := conn.(*gate); ok {
			conn = g.Conn
		}
		if half, ok := conn.(interface{ CloseWrite() error }); ok {
			half.CloseWrite()
		} else {
			conn.Close()
		}
	})
	return nil
}

// finish closes the stream and waits for the client's end, a second at most.
func (s *socketStream) finish() {
	s.Close()
	<-s.pumped
}
