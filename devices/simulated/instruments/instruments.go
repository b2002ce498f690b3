// Package instruments is measuring instruments that exist in memory only: they speak SCPI
// over TCP, measure what a simulated handset really does, and are wrong in ways of their
// own: gain, offset, noise, a last digit, a range, delay, and faults on command.
//
// They know the common commands of IEEE 488.2 that a meter needs, the error queue of
// SCPI, and one MEASure query for each channel. Everything about them is invented.
package instruments

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"
)

// A Form is how an instrument writes numbers: the numeric response data of IEEE 488.2.
type Form int

// The forms.
const (
	NR3 Form = iota // +1.23400E+01
	NR2             // 12.34
	NR1             // 12
)

// A Channel is one thing that an instrument measures, with the instrument's errors.
type Channel struct {
	// Query is the header by which it is asked for, in the standard's notation: capitals
	// are the short form, brackets may be left out: "MEASure[:SCALar]:POWer[:DC]?".
	Query string
	// Truth is what is to be measured, in the channel's unit.
	Truth func() float64

	Gain     float64 // 0 stands for 1
	Offset   float64
	Noise    float64 // sd, relative to the value
	NoiseAbs float64 // sd, in the unit
	Digit    float64 // last digit; 0 stands for all digits of the form
	Range    float64 // beyond it the answer is 9.9E37; 0 stands for no limit
	Form     Form
}

// The queries that instruments made here know when a Channel names none.
const (
	PowerQuery       = "MEASure[:SCALar]:POWer[:DC]?"
	VoltageQuery     = "MEASure[:SCALar]:VOLTage[:DC]?"
	CurrentQuery     = "MEASure[:SCALar]:CURRent[:DC]?"
	TemperatureQuery = "MEASure[:SCALar]:TEMPerature?"
	LuminanceQuery   = "MEASure[:SCALar]:LUMinance?"
)

// Options say what instrument is made.
type Options struct {
	Ident    string // answer to *IDN?; "" stands for a name that says that it is simulated
	Channels []Channel
	Seed     uint64
	Queue    int // entries of the error queue; 0 stands for 10
	// Sleep is what Faults.Delay goes by; nil stands for the host's clock.
	Sleep func(ctx context.Context, d time.Duration) error
}

// Faults are what an instrument does wrong, plain fields as in a fault report.
type Faults struct {
	Delay    time.Duration // before each answer
	Silent   bool          // takes commands, answers nothing
	Refuse   bool          // ends connections as they come, and those there are
	NoValue  bool          // measures 9.91E37
	Overload bool          // measures 9.9E37
	Block    bool          // measures a block of bytes
	CutAfter int           // bytes of a measured answer after which the connection ends; 0: none
	Text     string        // measures this text
	Ident    string        // is another instrument suddenly
}

// An Instrument serves SCPI on a TCP port of the loopback until it is closed.
type Instrument struct {
	o        Options
	listener net.Listener
	cancel   context.CancelFunc
	wg       sync.WaitGroup

	mu     sync.Mutex
	rng    *rand.Rand
	faults Faults
	queue  []entry
	conns  map[net.Conn]bool
	heard  []string
}

type entry struct {
	code int
	text string
}

// Serve makes an instrument and listens on addr ("127.0.0.1:0" for any free port).
func Serve(addr string, o Options) (*Instrument, error) {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("simulated instrument: %w", err)
	}
	return ServeOn(l, o)
}

// ServeOn makes an instrument that answers on a listener, which it closes in the end.
func ServeOn(l net.Listener, o Options) (*Instrument, error) {
	if o.Ident == "" {
		o.Ident = "Simulated,Meter,0,1"
	}
	if o.Queue <= 0 {
		o.Queue = 10
	}
	if o.Sleep == nil {
		o.Sleep = sleep
	}
	for _, c := range o.Channels {
		if c.Truth == nil || c.Query == "" {
			return nil, errors.Join(fmt.Errorf("simulated instrument: channel %q: want a query and a truth", c.Query), l.Close())
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	in := &Instrument{o: o, listener: l, cancel: cancel, rng: rand.New(rand.NewPCG(o.Seed, 0x5c91)), conns: map[net.Conn]bool{}}
	in.wg.Go(func() { in.accept(ctx) })
	return in, nil
}

// Addr is where the instrument listens.
func (in *Instrument) Addr() string { return in.listener.Addr().String() }

// SetFaults makes the instrument do these things wrong from now on, and no others.
func (in *Instrument) SetFaults(f Faults) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.faults = f
	if f.Refuse {
		for c := range in.conns {
			c.Close()
		}
	}
}

// Heard are the program messages received so far, in their order.
func (in *Instrument) Heard() []string {
	in.mu.Lock()
	defer in.mu.Unlock()
	return append([]string(nil), in.heard...)
}

// Close ends the instrument and its connections.
func (in *Instrument) Close() {
	in.cancel()
	in.listener.Close()
	in.mu.Lock()
	for c := range in.conns {
		c.Close()
	}
	in.mu.Unlock()
	in.wg.Wait()
}

func (in *Instrument) accept(ctx context.Context) {
	for {
		c, err := in.listener.Accept()
		if err != nil {
			return
		}
		in.mu.Lock()
		refused := in.faults.Refuse || ctx.Err() != nil
		if !refused {
			in.conns[c] = true
		}
		in.mu.Unlock()
		if refused {
			c.Close()
			continue
		}
		in.wg.Go(func() {
			in.talk(ctx, c)
			c.Close()
			in.mu.Lock()
			delete(in.conns, c)
			in.mu.Unlock()
		})
	}
}

// talk answers one connection, program message by program message.
func (in *Instrument) talk(ctx context.Context, c net.Conn) {
	lines := bufio.NewScanner(c)
	for lines.Scan() {
		message := strings.TrimSpace(lines.Text())
		in.mu.Lock()
		in.heard = append(in.heard, message)
		in.mu.Unlock()
		var answers []string
		for _, unit := range split(message, ';') {
			if answer := in.do(strings.TrimSpace(unit)); answer != "" {
				answers = append(answers, answer)
			}
		}
		in.mu.Lock()
		f := in.faults
		in.mu.Unlock()
		if len(answers) == 0 || f.Silent {
			continue
		}
		if f.Delay > 0 && in.o.Sleep(ctx, f.Delay) != nil {
			return
		}
		out := strings.Join(answers, ";") + "\n"
		if f.CutAfter > 0 && strings.HasPrefix(strings.ToUpper(message), "MEAS") {
			c.Write([]byte(out[:min(f.CutAfter, len(out))]))
			return
		}
		if _, err := c.Write([]byte(out)); err != nil {
			return
		}
	}
}

// do carries out one program message unit and returns its answer, "" for none.
func (in *Instrument) do(unit string) string {
	header, _, _ := strings.Cut(unit, " ")
	header = strings.TrimPrefix(header, ":")
	in.mu.Lock()
	defer in.mu.Unlock()
	switch strings.ToUpper(header) {
	case "":
		return ""
	case "*IDN?":
		if in.faults.Ident != "" {
			return in.faults.Ident
		}
		return in.o.Ident
	case "*CLS":
		in.queue = nil
		return ""
	case "*RST", "*OPC", "*WAI":
		return ""
	case "*OPC?":
		return "1"
	case "*TST?", "*ESR?", "*STB?":
		return "0"
	}
	switch {
	case Matches("SYSTem:ERRor[:NEXT]?", header):
		if len(in.queue) == 0 {
			return `0,"No error"`
		}
		e := in.queue[0]
		in.queue = in.queue[1:]
		return fmt.Sprintf("%d,\"%s\"", e.code, strings.ReplaceAll(e.text, `"`, `""`))
	case Matches("SYSTem:VERSion?", header):
		return "1999.0"
	}
	for _, c := range in.o.Channels {
		if Matches(c.Query, header) {
			return in.measure(c)
		}
		// What a channel is asked about may also be configured: any setting is taken.
		if rest, ok := strings.CutPrefix(c.Query, "MEASure"); ok && Matches("CONFigure"+strings.TrimSuffix(rest, "?"), header) {
			return ""
		}
	}
	in.fault(-113, "Undefined header")
	return ""
}

// fault puts an entry into the error queue; the last place says that there were more
// (SCPI-99, volume 2, 21.8.1).
func (in *Instrument) fault(code int, text string) {
	switch {
	case len(in.queue) < in.o.Queue:
		in.queue = append(in.queue, entry{code, text})
	default:
		in.queue[in.o.Queue-1] = entry{-350, "Queue overflow"}
	}
}

func (in *Instrument) measure(c Channel) string {
	switch f := in.faults; {
	case f.NoValue:
		return "9.91E+37"
	case f.Overload:
		return "9.9E+37"
	case f.Block:
		return "#15\x00\x01\n\x02\x03"
	case f.Text != "":
		return f.Text
	}
	// Truth takes its own locks; nothing of it comes back here.
	v := c.Truth()
	gain := c.Gain
	if gain == 0 {
		gain = 1
	}
	v = v*gain*(1+c.Noise*in.rng.NormFloat64()) + c.Offset + c.NoiseAbs*in.rng.NormFloat64()
	if c.Range > 0 && math.Abs(v) > c.Range {
		return write(c.Form, math.Copysign(9.9e37, v))
	}
	if c.Digit > 0 {
		v = c.Digit * math.Round(v/c.Digit)
	}
	return write(c.Form, v)
}

func write(form Form, v float64) string {
	if math.Abs(v) > 1e30 {
		form = NR3
	}
	switch form {
	case NR1:
		return strconv.FormatFloat(math.Round(v), 'f', 0, 64)
	case NR2:
		return strconv.FormatFloat(v, 'f', 5, 64)
	}
	return fmt.Sprintf("%+.6E", v)
}

// Matches says whether a header is one that a specification in the standard's notation
// allows (SCPI-99, volume 1, 6.2.1): each mnemonic in its short or long form and any
// case, what is in brackets left out or not.
func Matches(spec, header string) bool {
	header = strings.ToUpper(strings.TrimPrefix(header, ":"))
	if strings.HasSuffix(spec, "?") != strings.HasSuffix(header, "?") {
		return false
	}
	var pattern strings.Builder
	pattern.WriteByte('^')
	for i, part := range mnemonic.FindAllString(strings.TrimSuffix(spec, "?"), -1) {
		optional := strings.HasPrefix(part, "[")
		name := strings.Trim(part, "[]:")
		short := strings.TrimRight(name, "abcdefghijklmnopqrstuvwxyz")
		colon := ":"
		if i == 0 {
			colon = ""
		}
		fmt.Fprintf(&pattern, "(?:%s(?:%s|%s))", colon, short, strings.ToUpper(name))
		if optional {
			pattern.WriteByte('?')
		}
	}
	pattern.WriteString(`\??$`)
	ok, err := regexp.MatchString(pattern.String(), header)
	return err == nil && ok
}

var mnemonic = regexp.MustCompile(`\[:?[A-Za-z0-9]+\]|:?[A-Za-z0-9]+`)

// split cuts a message at a separator outside quotes.
func split(text string, at byte) []string {
	var parts []string
	from, quote := 0, byte(0)
	for i := range len(text) {
		switch c := text[i]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == at:
			parts = append(parts, text[from:i])
			from = i + 1
		}
	}
	return append(parts, text[from:])
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
