package meters

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"net"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"
)

// A Query is how one quantity is asked for.
type Query struct {
	Ask    string  // as the instrument's manual has it, e.g. "MEAS:POW?"; one line
	Field  int     // which of several values between commas, from 1; 0 stands for 1
	Factor float64 // makes the quantity's unit of what the instrument sends; 0 stands for 1
}

// CommonQueries are the measurement queries that SCPI-99 (volume 2, 3) has in common; an
// instrument's manual may have others.
var CommonQueries = map[Quantity]Query{
	Power:       {Ask: "MEAS:POW?"},
	Voltage:     {Ask: "MEAS:VOLT?"},
	Current:     {Ask: "MEAS:CURR?"},
	Temperature: {Ask: "MEAS:TEMP?"},
}

// SCPIOptions say how an instrument is spoken to.
type SCPIOptions struct {
	Name    string // for messages and reports; "" stands for what the instrument calls itself
	Queries map[Quantity]Query
	// Setup are commands sent after each connection, e.g. to choose a range. They are
	// waited for (*OPC?), and what the instrument says against them is an error.
	Setup   []string
	Timeout time.Duration // of each question; 0 stands for 5 s
	// NoErrorQueue is set for instruments that do not know SYSTem:ERRor?.
	NoErrorQueue bool
	// Dial opens the connection; nil stands for the host's network.
	Dial func(ctx context.Context, network, addr string) (net.Conn, error)
}

// An InstrumentError is what an instrument's error queue said.
type InstrumentError struct {
	Code int // negative: the standard's; positive: the instrument's own
	Text string
}

func (e *InstrumentError) Error() string {
	return fmt.Sprintf("the instrument says %d, %s", e.Code, e.Text)
}

// SCPI is an instrument that speaks the common commands of IEEE 488.2 over a TCP socket
// (usually port 5025). It connects when it is first asked, and again after a fault: a
// question that was not answered in time ends the connection, as its late answer would be
// taken for that of the next.
type SCPI struct {
	addr string
	o    SCPIOptions
	turn chan struct{} // holds one token; who has it may talk

	conn  net.Conn
	in    *bufio.Reader
	ident string
}

var _ Meter = (*SCPI)(nil)

// NewSCPI returns the instrument at host:port. Nothing is sent yet. A query that is no
// single line is an error.
func NewSCPI(addr string, o SCPIOptions) (*SCPI, error) {
	if _, _, err := net.SplitHostPort(addr); err != nil {
		return nil, fmt.Errorf("meter %s: want host:port: %w", addr, err)
	}
	if o.Timeout <= 0 {
		o.Timeout = 5 * time.Second
	}
	if o.Dial == nil {
		o.Dial = new(net.Dialer).DialContext
	}
	queries := map[Quantity]Query{}
	for q, query := range o.Queries {
		if !strings.HasSuffix(strings.Fields(query.Ask + " x")[0], "?") {
			return nil, fmt.Errorf("meter %s: %s: %q is no query: its header ends in a question mark", addr, q, shorten(query.Ask))
		}
		if err := oneLine(query.Ask); err != nil {
			return nil, fmt.Errorf("meter %s: %s: %w", addr, q, err)
		}
		if query.Field == 0 {
			query.Field = 1
		}
		if query.Factor == 0 {
			query.Factor = 1
		}
		queries[q] = query
	}
	o.Queries = queries
	for _, c := range o.Setup {
		if err := oneLine(c); err != nil {
			return nil, fmt.Errorf("meter %s: setup: %w", addr, err)
		}
		if strings.Contains(c, "?") {
			return nil, fmt.Errorf("meter %s: setup: %q is a query; its answer would be taken for another's", addr, shorten(c))
		}
	}
	s := &SCPI{addr: addr, o: o, turn: make(chan struct{}, 1)}
	s.turn <- struct{}{}
	return s, nil
}

func oneLine(text string) error {
	if strings.TrimSpace(text) == "" || strings.ContainsAny(text, "\n\r\x00") {
		return fmt.Errorf("%s: want one line", quoted(text))
	}
	return nil
}

// Name implements Meter.
func (s *SCPI) Name() string {
	if s.o.Name != "" {
		return s.o.Name
	}
	return s.addr
}

// Quantities implements Meter.
func (s *SCPI) Quantities() []Quantity { return slices.Sorted(maps.Keys(s.o.Queries)) }

// Identity is what the instrument calls itself: maker, model, serial number, firmware.
func (s *SCPI) Identity(ctx context.Context) (string, error) {
	if err := s.lock(ctx); err != nil {
		return "", err
	}
	defer s.unlock()
	if err := s.connect(ctx); err != nil {
		return "", s.because(err)
	}
	return s.ident, nil
}

// Query sends one query and returns its answer without the line's end.
func (s *SCPI) Query(ctx context.Context, ask string) (string, error) {
	if err := oneLine(ask); err != nil {
		return "", s.because(err)
	}
	if err := s.lock(ctx); err != nil {
		return "", err
	}
	defer s.unlock()
	answer, err := s.query(ctx, ask)
	if err != nil {
		return "", s.because(err)
	}
	return answer, nil
}

// Read implements Meter.
func (s *SCPI) Read(ctx context.Context, q Quantity) (float64, error) {
	query, ok := s.o.Queries[q]
	if !ok {
		return 0, noQuantity(s.Name(), q)
	}
	answer, err := s.Query(ctx, query.Ask)
	if err != nil {
		return 0, err
	}
	text, err := field(answer, query.Field)
	if err != nil {
		return 0, fmt.Errorf("meter %s: %s: %w", s.Name(), query.Ask, err)
	}
	v, err := ParseNumber(text)
	if err != nil {
		return 0, fmt.Errorf("meter %s: %s: %w", s.Name(), query.Ask, err)
	}
	return v * query.Factor, nil
}

// Errors empties the instrument's error queue (SCPI-99, volume 2, 21.8) and returns what
// was in it, the oldest first.
func (s *SCPI) Errors(ctx context.Context) ([]InstrumentError, error) {
	if err := s.lock(ctx); err != nil {
		return nil, err
	}
	defer s.unlock()
	if err := s.connect(ctx); err != nil {
		return nil, s.because(err)
	}
	errs, err := s.errorQueue(ctx)
	return errs, s.because(err)
}

// Close implements Meter.
func (s *SCPI) Close() error {
	<-s.turn
	defer s.unlock()
	return s.drop()
}

func (s *SCPI) because(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("meter %s: %w", s.Name(), err)
}

func (s *SCPI) lock(ctx context.Context) error {
	select {
	case <-s.turn:
		return nil
	case <-ctx.Done():
		return s.because(ctx.Err())
	}
}

func (s *SCPI) unlock() { s.turn <- struct{}{} }

func (s *SCPI) drop() error {
	if s.conn == nil {
		return nil
	}
	err := s.conn.Close()
	s.conn, s.in = nil, nil
	return err
}

// query is Query for who has the turn. When the instrument keeps silent, its error queue
// is asked for the reason.
func (s *SCPI) query(ctx context.Context, ask string) (string, error) {
	if err := s.connect(ctx); err != nil {
		return "", err
	}
	answer, err := s.exchange(ctx, ask)
	if errors.Is(err, ErrSilent) && ctx.Err() == nil && !s.o.NoErrorQueue {
		if said := s.explain(ctx); said != nil {
			return "", fmt.Errorf("%q: %w; %w", ask, err, said)
		}
	}
	if err != nil {
		return "", fmt.Errorf("%q: %w", ask, err)
	}
	return answer, nil
}

// explain asks over a new connection what the instrument has against the last question.
// Nil when it does not tell.
func (s *SCPI) explain(ctx context.Context) error {
	if err := s.dial(ctx); err != nil {
		return nil
	}
	errs, err := s.errorQueue(ctx)
	s.drop() // the next question begins with a connection that is set up
	if err != nil || len(errs) == 0 {
		return nil
	}
	return &errs[0]
}

func (s *SCPI) dial(ctx context.Context) error {
	limited, cancel := context.WithTimeout(ctx, s.o.Timeout)
	defer cancel()
	conn, err := s.o.Dial(limited, "tcp", s.addr)
	if err != nil {
		if ctx.Err() == nil && limited.Err() != nil {
			return fmt.Errorf("%w: no connection to %s within %v", ErrSilent, s.addr, s.o.Timeout)
		}
		return fmt.Errorf("no connection to %s; is the instrument on, and its socket port right: %w", s.addr, err)
	}
	s.conn, s.in = conn, bufio.NewReader(conn)
	return nil
}

// connect opens the connection when there is none, clears the instrument's status, learns
// who it is and sets it up.
func (s *SCPI) connect(ctx context.Context) error {
	if s.conn != nil && s.in.Buffered() > 0 {
		s.drop() // it said more than it was asked: whose answer the next is, nobody knows
	}
	if s.conn != nil {
		return nil
	}
	if err := s.dial(ctx); err != nil {
		return err
	}
	if err := s.greet(ctx); err != nil {
		s.drop()
		return err
	}
	return nil
}

func (s *SCPI) greet(ctx context.Context) error {
	if err := s.send(ctx, "*CLS"); err != nil {
		return err
	}
	ident, err := s.exchange(ctx, "*IDN?")
	if err != nil {
		return fmt.Errorf("\"*IDN?\": %w", err)
	}
	if s.ident != "" && ident != s.ident {
		return fmt.Errorf("%w at %s: %s, and before it was %s", ErrAnother, s.addr, quoted(ident), quoted(s.ident))
	}
	if len(s.o.Setup) > 0 {
		for _, c := range s.o.Setup {
			if err := s.send(ctx, c); err != nil {
				return err
			}
		}
		done, err := s.exchange(ctx, "*OPC?")
		if err != nil {
			return fmt.Errorf("setup %q: waiting for its end (*OPC?): %w", s.o.Setup, err)
		}
		if strings.TrimSpace(done) != "1" {
			return fmt.Errorf("setup %q: *OPC? was answered with %s, want 1: %w", s.o.Setup, quoted(done), ErrNoNumber)
		}
		if !s.o.NoErrorQueue {
			errs, err := s.errorQueue(ctx)
			if err != nil {
				return err
			}
			if len(errs) > 0 {
				return fmt.Errorf("setup %q: %w", s.o.Setup, &errs[0])
			}
		}
	}
	s.ident = ident
	return nil
}

// mostErrors is more than any queue holds; an instrument that goes on is broken.
const mostErrors = 100

func (s *SCPI) errorQueue(ctx context.Context) ([]InstrumentError, error) {
	var errs []InstrumentError
	for range mostErrors {
		answer, err := s.exchange(ctx, "SYST:ERR?")
		if err != nil {
			return errs, fmt.Errorf("\"SYST:ERR?\": %w", err)
		}
		e, err := ParseError(answer)
		if err != nil {
			return errs, err
		}
		if e.Code == 0 {
			return errs, nil
		}
		errs = append(errs, e)
	}
	return errs, fmt.Errorf("the instrument's error queue does not end after %d", mostErrors)
}

// ParseError reads an answer to SYSTem:ERRor?: a number, a comma and a quoted text
// (SCPI-99, volume 2, 21.8.1).
func ParseError(answer string) (InstrumentError, error) {
	code, text, found := strings.Cut(strings.TrimSpace(answer), ",")
	n, err := strconv.Atoi(strings.TrimSpace(code))
	if !found || err != nil || n < -32768 || n > 32767 {
		return InstrumentError{}, fmt.Errorf("%w: %s is no entry of an error queue, as in 0,\"No error\"", ErrNoNumber, quoted(answer))
	}
	text = strings.TrimSpace(text)
	if len(text) >= 2 && text[0] == '"' && text[len(text)-1] == '"' {
		text = strings.ReplaceAll(text[1:len(text)-1], `""`, `"`)
	}
	return InstrumentError{Code: n, Text: shorten(text)}, nil
}

// send writes one line.
func (s *SCPI) send(ctx context.Context, line string) error {
	defer s.guard(ctx)()
	_, err := io.WriteString(s.conn, line+"\n")
	return s.ioFault(ctx, err)
}

// exchange sends a query and reads its answer.
func (s *SCPI) exchange(ctx context.Context, ask string) (string, error) {
	defer s.guard(ctx)()
	if _, err := io.WriteString(s.conn, ask+"\n"); err != nil {
		return "", s.ioFault(ctx, err)
	}
	answer, err := readAnswer(s.in)
	if errors.Is(err, errBlockWithoutEnd) {
		s.drop() // where the block ends cannot be told on a socket
	}
	if errors.Is(err, ErrBlock) {
		return "", err
	}
	return answer, s.ioFault(ctx, err)
}

// guard puts the deadline on the connection, and lets the context cut it short.
func (s *SCPI) guard(ctx context.Context) (release func()) {
	conn := s.conn
	_ = conn.SetDeadline(time.Now().Add(s.o.Timeout))
	stop := context.AfterFunc(ctx, func() { _ = conn.SetDeadline(time.Unix(1, 0)) })
	return func() { stop() }
}

// ioFault makes the error of a connection one of ours and ends the connection.
func (s *SCPI) ioFault(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	s.drop()
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case errors.Is(err, os.ErrDeadlineExceeded):
		return fmt.Errorf("%w within %v", ErrSilent, s.o.Timeout)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return fmt.Errorf("the instrument ended the connection before its answer was complete: %w", io.ErrUnexpectedEOF)
	}
	return err
}

// Limits of what is read of one answer.
const (
	mostLine  = 64 << 10
	mostBlock = 64 << 20
)

// errBlockWithoutEnd is ErrBlock for a block after which the connection is of no use.
var errBlockWithoutEnd = fmt.Errorf("%w", ErrBlock)

// readAnswer reads one response message up to its new line (IEEE 488.2-1992, 8.5). A
// block of definite length (8.7.9: "#", how many digits, that many digits of length, the
// bytes) is read past and is ErrBlock; one of indefinite length (8.7.10, "#0") or too long
// is as well, and its end cannot be found.
func readAnswer(r *bufio.Reader) (string, error) {
	first, err := r.Peek(1)
	if err != nil {
		return "", err
	}
	if first[0] == '#' {
		head, err := r.Peek(2)
		if err != nil {
			return "", err
		}
		if head[1] >= '0' && head[1] <= '9' {
			return "", skipBlock(r)
		}
	}
	var line []byte
	for {
		part, err := r.ReadSlice('\n')
		line = append(line, part...)
		if err == nil {
			return strings.TrimRight(string(line), "\r\n"), nil
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			return "", err
		}
		if len(line) > mostLine {
			return "", fmt.Errorf("the instrument's answer is longer than %d bytes", mostLine)
		}
	}
}

func skipBlock(r *bufio.Reader) error {
	var head [2]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		return err
	}
	if head[1] == '0' {
		return errBlockWithoutEnd
	}
	digits := make([]byte, head[1]-'0')
	if _, err := io.ReadFull(r, digits); err != nil {
		return err
	}
	n, err := strconv.ParseUint(string(digits), 10, 32)
	if err != nil || n > mostBlock {
		return errBlockWithoutEnd
	}
	if _, err := io.CopyN(io.Discard, r, int64(n)); err != nil {
		return err
	}
	for range mostLine { // what follows up to the new line
		b, err := r.ReadByte()
		if err != nil {
			return err
		}
		if b == '\n' {
			return fmt.Errorf("%w (%d bytes)", ErrBlock, n)
		}
	}
	return errBlockWithoutEnd
}
