package adb

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strconv"
	"time"

	"rundown/devices"
)

// maxService is the longest service a request can name: its length is four hex digits.
const maxService = 0xffff

// A failure is a FAIL reply and its text.
type failure struct{ text string }

func (f *failure) Error() string { return f.text }

// errGarbled means that what came is not this protocol.
var errGarbled = errors.New("the reply is not adb's protocol")

// A socket is one conversation with an adb server. It is closed when the context or the
// deadline under which it was opened ends, so that no read or write outlives them.
type socket struct {
	conn net.Conn
	r    *bufio.Reader
	idle time.Duration // longest time for one read or write; 0: only the whole deadline counts

	// why turns the error of a read or write into what ended it: the caller's context,
	// a deadline (devices.ErrTimeout), or else err itself.
	why func(err error) error
	end func() // closes the socket
}

// timedConn arms the idle deadline before each read and write.
type timedConn struct{ s *socket }

func (t timedConn) Read(p []byte) (int, error) {
	if t.s.idle > 0 {
		_ = t.s.conn.SetReadDeadline(time.Now().Add(t.s.idle)) // fails only on a closed socket; the read says so
	}
	return t.s.conn.Read(p)
}

func (s *socket) Read(p []byte) (int, error) { return s.r.Read(p) }

func (s *socket) Write(p []byte) (int, error) {
	if s.idle > 0 {
		_ = s.conn.SetWriteDeadline(time.Now().Add(s.idle))
	}
	return s.conn.Write(p)
}

// open connects to the server. limit is the deadline of the whole conversation; 0 leaves
// it to ctx.
func (s *Server) open(ctx context.Context, limit time.Duration) (*socket, error) {
	caller, cancel := ctx, context.CancelFunc(func() {})
	if limit > 0 {
		ctx, cancel = context.WithTimeout(ctx, limit)
	}
	why := func(err error) error {
		switch {
		case errors.Is(caller.Err(), context.DeadlineExceeded):
			return fmt.Errorf("%w (the caller's: %w)", devices.ErrTimeout, context.DeadlineExceeded)
		case caller.Err() != nil:
			if cause := context.Cause(caller); cause != caller.Err() {
				return fmt.Errorf("%w: %w", caller.Err(), cause)
			}
			return caller.Err()
		case ctx.Err() != nil:
			return fmt.Errorf("%w of %s", devices.ErrTimeout, devices.Lasting(limit))
		case errors.Is(err, os.ErrDeadlineExceeded):
			return fmt.Errorf("%w: no byte moved for a while", devices.ErrTimeout)
		}
		return err
	}
	conn, err := (&net.Dialer{Timeout: s.o.DialTimeout}).DialContext(ctx, "tcp", s.addr)
	if err != nil {
		defer cancel()
		if caller.Err() != nil {
			return nil, fmt.Errorf("adb server %s: %w", s.addr, why(err))
		}
		return nil, s.noServer(err)
	}
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	sock := &socket{conn: conn, why: why, end: func() { stop(); conn.Close(); cancel() }}
	sock.r = bufio.NewReaderSize(timedConn{sock}, 128<<10)
	return sock, nil
}

// ask sends a service and reads OKAY or FAIL.
func (s *socket) ask(service string) error {
	if len(service) > maxService {
		return fmt.Errorf("request of %d bytes is longer than adb can carry (%d): push it as a file and run that", len(service), maxService)
	}
	if _, err := fmt.Fprintf(s, "%04x%s", len(service), service); err != nil {
		return err
	}
	return readStatus(s)
}

// readStatus reads OKAY (nil) or FAIL and its text (*failure).
func readStatus(r io.Reader) error {
	var status [4]byte
	if _, err := io.ReadFull(r, status[:]); err != nil {
		return err
	}
	switch string(status[:]) {
	case "OKAY":
		return nil
	case "FAIL":
		text, err := readString(r)
		if err != nil {
			return err
		}
		return &failure{text}
	}
	return fmt.Errorf("%w: want OKAY or FAIL, got %q", errGarbled, status[:])
}

// readString reads a text after its length in four hex digits.
func readString(r io.Reader) (string, error) {
	var digits [4]byte
	if _, err := io.ReadFull(r, digits[:]); err != nil {
		return "", cut(err)
	}
	n, err := strconv.ParseUint(string(digits[:]), 16, 16)
	if err != nil {
		return "", fmt.Errorf("%w: want a length of four hex digits, got %q", errGarbled, digits[:])
	}
	text := make([]byte, n)
	if _, err := io.ReadFull(r, text); err != nil {
		return "", cut(err)
	}
	return string(text), nil
}

// cut marks an end inside a reply as such.
func cut(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}

// request asks the server one question and returns its text. serial is the handset that
// the question is about, or "".
func (s *Server) request(ctx context.Context, limit time.Duration, serial, service string) (string, error) {
	sock, err := s.open(ctx, limit)
	if err != nil {
		return "", about(serial, err)
	}
	defer sock.end()
	if err := sock.ask(service); err != nil {
		return "", s.requestError(sock, serial, service, err)
	}
	text, err := readString(sock)
	if err != nil {
		return "", s.requestError(sock, serial, service, err)
	}
	return text, nil
}
