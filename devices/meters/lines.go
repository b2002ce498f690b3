package meters

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"
)

// A LineFormat says where in a printed line the values are. One of Columns and Pattern is
// given.
type LineFormat struct {
	// Columns are the quantities of the numbers in a line, in their order; "" skips one.
	// Whatever stands between the numbers is left alone.
	Columns []Quantity
	// Pattern is a regular expression (Go's syntax) with groups named after quantities:
	// `P=(?P<power>\S+)`. Lines that do not match are passed over.
	Pattern string
	// Factors make a quantity's unit of the number printed; left out stands for 1.
	Factors map[Quantity]float64
}

// Check says what is wrong with a format.
func (f LineFormat) Check() error {
	_, err := f.parser()
	return err
}

// parser is a LineFormat ready for use.
type parser struct {
	columns []Quantity
	pattern *regexp.Regexp
	factors map[Quantity]float64
	all     []Quantity
}

var known = []Quantity{Power, Voltage, Current, Temperature, Luminance}

func (f LineFormat) parser() (parser, error) {
	p := parser{columns: f.Columns, factors: f.Factors}
	if (f.Pattern == "") == (len(f.Columns) == 0) {
		return p, errors.New("line format: want either columns or a pattern")
	}
	names := f.Columns
	if f.Pattern != "" {
		re, err := regexp.Compile(f.Pattern)
		if err != nil {
			return p, fmt.Errorf("line format: pattern: %w", err)
		}
		p.pattern = re
		for _, name := range re.SubexpNames() {
			names = append(names, Quantity(name))
		}
	}
	for _, q := range names {
		if q == "" {
			continue
		}
		if !slices.Contains(known, q) {
			return p, fmt.Errorf("line format: %q is no quantity; want one of %v", q, known)
		}
		if slices.Contains(p.all, q) {
			return p, fmt.Errorf("line format: %s is named twice", q)
		}
		p.all = append(p.all, q)
	}
	if len(p.all) == 0 {
		return p, errors.New("line format: no quantity is named")
	}
	return p, nil
}

var numberInLine = regexp.MustCompile(`[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?`)

// parse returns a line's values; false for a line that is none of the format's.
func (p parser) parse(line string) (map[Quantity]float64, bool) {
	values := map[Quantity]float64{}
	put := func(q Quantity, text string) bool {
		if q == "" {
			return true
		}
		v, err := ParseNumber(text)
		if err != nil {
			return false
		}
		if f, ok := p.factors[q]; ok {
			v *= f
		}
		values[q] = v
		return true
	}
	if p.pattern == nil {
		numbers := numberInLine.FindAllString(line, len(p.columns)+1)
		if len(numbers) < len(p.columns) {
			return nil, false
		}
		for i, q := range p.columns {
			if !put(q, numbers[i]) {
				return nil, false
			}
		}
		return values, true
	}
	m := p.pattern.FindStringSubmatch(line)
	if m == nil {
		return nil, false
	}
	for i, name := range p.pattern.SubexpNames() {
		if !put(Quantity(name), m[i]) {
			return nil, false
		}
	}
	return values, true
}

// A Source opens what prints the lines. If it can be written to, LinesOptions.Ask may be.
type Source func(ctx context.Context) (io.ReadCloser, error)

// LinesOptions say how a printing instrument is read.
type LinesOptions struct {
	Name    string
	Format  LineFormat
	Timeout time.Duration // for a fresh line; 0 stands for 5 s
	// Ask is sent before each reading, for instruments that print only when asked.
	Ask string
	// DropFirst leaves the first line after opening alone: on a serial line it may be the
	// rest of one.
	DropFirst bool
}

// Lines is an instrument that prints lines of numbers, by itself or when asked. It is
// opened when it is first read, and again when it ends.
type Lines struct {
	open  Source
	o     LinesOptions
	parse parser

	mu     sync.Mutex
	stream *stream // nil when closed
}

// stream is what one opening of the source has printed so far.
type stream struct {
	from io.ReadCloser
	done chan struct{}

	mu    sync.Mutex
	seq   int // lines that had values
	last  map[Quantity]float64
	taken map[Quantity]int // seq of the line from which each was last read
	odd   string           // the last line without values, for messages
	ended error
	fresh chan struct{} // closed at the next line
}

var (
	_ Meter   = (*Lines)(nil)
	_ printer = (*Lines)(nil)
)

// NewLines returns an instrument that prints what open opens.
func NewLines(open Source, o LinesOptions) (*Lines, error) {
	p, err := o.Format.parser()
	if err != nil {
		return nil, fmt.Errorf("meter %s: %w", o.Name, err)
	}
	if o.Timeout <= 0 {
		o.Timeout = 5 * time.Second
	}
	return &Lines{open: open, o: o, parse: p}, nil
}

// Name implements Meter.
func (l *Lines) Name() string { return l.o.Name }

// Quantities implements Meter.
func (l *Lines) Quantities() []Quantity { return slices.Clone(l.parse.all) }

func (l *Lines) printsByItself() bool { return l.o.Ask == "" }

// Read implements Meter. Of an instrument that prints by itself it returns the newest
// line that this quantity was not yet read from, or waits for the next.
func (l *Lines) Read(ctx context.Context, q Quantity) (float64, error) {
	if !slices.Contains(l.parse.all, q) {
		return 0, noQuantity(l.o.Name, q)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	limited, cancel := context.WithTimeout(ctx, l.o.Timeout)
	defer cancel()
	s, err := l.running(limited)
	if err != nil {
		return 0, fmt.Errorf("meter %s: %w", l.o.Name, err)
	}
	if l.o.Ask != "" && s.due(q) {
		if err := s.ask(l.o.Ask); err != nil {
			l.stop()
			return 0, fmt.Errorf("meter %s: asking it: %w", l.o.Name, err)
		}
	}
	v, err := s.next(limited, q)
	switch {
	case err == nil:
		return v, nil
	case ctx.Err() != nil:
		return 0, fmt.Errorf("meter %s: %w", l.o.Name, ctx.Err())
	case limited.Err() != nil:
		odd := ""
		s.mu.Lock()
		if s.odd != "" {
			odd = fmt.Sprintf(" with values (it printed %s)", quoted(s.odd))
		}
		s.mu.Unlock()
		return 0, fmt.Errorf("meter %s: %w: no line%s within %v", l.o.Name, ErrSilent, odd, l.o.Timeout)
	}
	l.stop() // it has ended; the next reading opens it again
	return 0, fmt.Errorf("meter %s: %w", l.o.Name, err)
}

// Close implements Meter.
func (l *Lines) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.stop()
}

func (l *Lines) stop() error {
	s := l.stream
	if s == nil {
		return nil
	}
	l.stream = nil
	err := s.from.Close()
	<-s.done
	return err
}

func (l *Lines) running(ctx context.Context) (*stream, error) {
	if l.stream != nil {
		return l.stream, nil
	}
	from, err := l.open(ctx)
	if err != nil {
		return nil, err
	}
	s := &stream{from: from, done: make(chan struct{}), taken: map[Quantity]int{}, fresh: make(chan struct{})}
	go s.follow(l.parse, l.o.DropFirst)
	l.stream = s
	return s, nil
}

// follow reads lines until the source ends. A last line without its end is none: what is
// cut off might make a smaller number.
func (s *stream) follow(p parser, dropFirst bool) {
	defer close(s.done)
	in := bufio.NewReaderSize(s.from, 4096)
	for {
		raw, err := in.ReadSlice('\n')
		if errors.Is(err, bufio.ErrBufferFull) {
			dropFirst = true // too long for a line of numbers: the rest of it is left alone
			continue
		}
		if err != nil {
			s.end(err)
			return
		}
		if dropFirst {
			dropFirst = false
			continue
		}
		line := strings.TrimSpace(string(raw))
		values, ok := p.parse(line)
		s.mu.Lock()
		if ok {
			s.seq, s.last = s.seq+1, values
			close(s.fresh)
			s.fresh = make(chan struct{})
		} else if line != "" {
			s.odd = line
		}
		s.mu.Unlock()
	}
}

func (s *stream) end(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if errors.Is(err, io.EOF) {
		err = errors.New("the instrument's output has ended")
	}
	s.ended = err
	close(s.fresh)
	s.fresh = make(chan struct{})
}

// due says whether a quantity was read from the newest line already, so that a new one
// has to be asked for.
func (s *stream) due(q Quantity) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.taken[q] == s.seq
}

func (s *stream) ask(text string) error {
	w, ok := s.from.(io.Writer)
	if !ok {
		return errors.New("it cannot be written to")
	}
	_, err := io.WriteString(w, text)
	return err
}

func (s *stream) next(ctx context.Context, q Quantity) (float64, error) {
	for {
		s.mu.Lock()
		if s.taken[q] < s.seq {
			s.taken[q] = s.seq
			v := s.last[q]
			s.mu.Unlock()
			return v, nil
		}
		if s.ended != nil {
			err := s.ended
			s.mu.Unlock()
			return 0, err
		}
		fresh := s.fresh
		s.mu.Unlock()
		select {
		case <-fresh:
		case <-ctx.Done():
			return 0, ctx.Err()
		}
	}
}
