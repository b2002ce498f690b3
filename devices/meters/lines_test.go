package meters_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"rundown/devices/hosttest"
	"rundown/devices/meters"
)

// printer is an instrument in memory: what is put into it comes out of the source.
type printer struct {
	mu     sync.Mutex
	out    *io.PipeWriter
	opens  int
	asked  []string
	answer string // printed whenever it is asked
}

type printed struct {
	*io.PipeReader
	p *printer
}

func (s printed) Write(b []byte) (int, error) {
	s.p.mu.Lock()
	s.p.asked = append(s.p.asked, string(b))
	s.p.mu.Unlock()
	go s.p.print(s.p.answer)
	return len(b), nil
}

func (p *printer) source(context.Context) (io.ReadCloser, error) {
	r, w := io.Pipe()
	p.mu.Lock()
	defer p.mu.Unlock()
	p.out = w
	p.opens++
	return printed{r, p}, nil
}

func (p *printer) print(text string) {
	p.mu.Lock()
	w := p.out
	p.mu.Unlock()
	io.WriteString(w, text)
}

func lines(t *testing.T, p *printer, o meters.LinesOptions) *meters.Lines {
	t.Helper()
	m, err := meters.NewLines(p.source, o)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestLinesOfAnInstrumentThatPrintsByItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &printer{}
		m := lines(t, p, meters.LinesOptions{Name: "inline", DropFirst: true, Format: meters.LineFormat{
			Columns: []meters.Quantity{"", meters.Voltage, meters.Current}, Factors: map[meters.Quantity]float64{meters.Current: 0.001}}})
		defer m.Close()
		go func() {
			for p.opened() == 0 {
				time.Sleep(time.Millisecond)
			}
			p.print("99 V, 9000 mA\r\n") // the rest of a line: dropped
			for i := range 5 {
				time.Sleep(time.Second)
				p.print(fmt.Sprintf("#%d: %d.5 V, %d00 mA\r\n", i, i, i))
			}
			p.print("#5: 7.5 V, 70") // and cut short
			p.end()
		}()
		for i := range 5 {
			v, err := m.Read(t.Context(), meters.Voltage)
			if err != nil || v != float64(i)+0.5 {
				t.Errorf("line %d: %g V, %v", i, v, err)
			}
			a, err := m.Read(t.Context(), meters.Current) // of the same line, at once
			if want := float64(i) / 10; err != nil || a < want-1e-9 || a > want+1e-9 {
				t.Errorf("line %d: %g A, %v", i, a, err)
			}
		}
		if v, err := m.Read(t.Context(), meters.Voltage); err == nil || !strings.Contains(err.Error(), "has ended") {
			t.Errorf("after the end: %g, %v", v, err)
		}
		// It is opened again for the next reading.
		go func() {
			for p.opened() < 2 {
				time.Sleep(time.Millisecond)
			}
			p.print("x\n#6: 8.5 V, 1 mA\n")
		}()
		if v, err := m.Read(t.Context(), meters.Voltage); v != 8.5 || err != nil {
			t.Errorf("opened again: %g, %v", v, err)
		}
		if _, err := m.Read(t.Context(), meters.Power); !errors.Is(err, meters.ErrNoQuantity) {
			t.Errorf("power: %v", err)
		}
	})
}

func (p *printer) opened() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.opens
}

func (p *printer) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.out.Close()
}

func TestLinesSilent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &printer{}
		m := lines(t, p, meters.LinesOptions{Name: "inline", Format: meters.LineFormat{Pattern: `P=(?P<power>\S+) W`}})
		defer m.Close()
		start := time.Now()
		if _, err := m.Read(t.Context(), meters.Power); !errors.Is(err, meters.ErrSilent) || time.Since(start) != 5*time.Second {
			t.Errorf("%v after %v", err, time.Since(start))
		}
		go p.print("ready\nP=nothing W\nP=9.91E37 W\n" + strings.Repeat("x", 9000) + "P=3 W\n")
		if _, err := m.Read(t.Context(), meters.Power); !errors.Is(err, meters.ErrSilent) || !strings.Contains(err.Error(), `it printed "P=9.91E37 W"`) {
			t.Errorf("%v", err)
		}
		go p.print("P=12.5 W\n")
		if v, err := m.Read(t.Context(), meters.Power); v != 12.5 || err != nil {
			t.Errorf("%g, %v", v, err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if _, err := m.Read(ctx, meters.Power); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("context ends first: %v", err)
		}
	})
}

func TestLinesOfAnInstrumentThatIsAsked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &printer{answer: "21.5 22.5\n"}
		m := lines(t, p, meters.LinesOptions{Name: "probe", Ask: "R\r", Format: meters.LineFormat{Columns: []meters.Quantity{meters.Temperature, meters.Power}}})
		defer m.Close()
		for range 2 {
			if v, err := m.Read(t.Context(), meters.Temperature); v != 21.5 || err != nil {
				t.Errorf("%g, %v", v, err)
			}
			if v, err := m.Read(t.Context(), meters.Power); v != 22.5 || err != nil { // of the same answer
				t.Errorf("%g, %v", v, err)
			}
		}
		p.mu.Lock()
		defer p.mu.Unlock()
		if len(p.asked) != 2 || p.asked[0] != "R\r" {
			t.Errorf("asked %q", p.asked)
		}
	})
}

func TestLineFormatsAreChecked(t *testing.T) {
	for name, f := range map[string]meters.LineFormat{
		"nothing":         {},
		"both":            {Columns: []meters.Quantity{meters.Power}, Pattern: "(?P<power>.)"},
		"no quantity":     {Columns: []meters.Quantity{"", ""}},
		"unknown":         {Columns: []meters.Quantity{"watts"}},
		"twice":           {Columns: []meters.Quantity{meters.Power, meters.Power}},
		"no such pattern": {Pattern: "(?P<power>"},
		"unknown group":   {Pattern: "(?P<flux>.)"},
		"no named group":  {Pattern: "(.)"},
	} {
		if _, err := meters.NewLines(nil, meters.LinesOptions{Format: f}); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// Whatever is printed, a value comes only of a whole line, and is one of its numbers.
func FuzzLines(f *testing.F) {
	f.Add("1.5 2.5\n")
	f.Add("x\n3 4\n5")
	f.Add("9.91E37 1\n")
	f.Fuzz(func(t *testing.T, text string) {
		m, err := meters.NewLines(func(context.Context) (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil },
			meters.LinesOptions{Format: meters.LineFormat{Columns: []meters.Quantity{meters.Power, meters.Voltage}}})
		if err != nil {
			t.Fatal(err)
		}
		defer m.Close()
		v, err := m.Read(t.Context(), meters.Voltage)
		if err != nil {
			return
		}
		whole := text[:strings.LastIndexByte(text, '\n')+1]
		if math.IsNaN(v) || math.Abs(v) >= 9.9e37 || !strings.ContainsAny(whole, "0123456789") {
			t.Errorf("%q, of which %q are whole lines, was read as %g", text, whole, v)
		}
	})
}

// A pseudo-terminal is a serial line but for its speed: the far end is the instrument.
func pty(t *testing.T) (far *os.File, device string) {
	t.Helper()
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		hosttest.Missing(t, fmt.Sprintf("this host has no pseudo-terminals: %v", err))
	}
	far = os.NewFile(uintptr(fd), "ptmx")
	t.Cleanup(func() { far.Close() })
	if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	return far, fmt.Sprintf("/dev/pts/%d", n)
}

func TestSerialLine(t *testing.T) {
	far, device := pty(t)
	m, err := meters.NewLines(meters.Serial(device, 9600), meters.LinesOptions{Name: "serial", Timeout: 20 * time.Second, DropFirst: true,
		Format: meters.LineFormat{Columns: []meters.Quantity{meters.Power}}})
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	stop := make(chan struct{})
	var wg sync.WaitGroup
	defer wg.Wait()
	defer close(stop)
	wg.Go(func() { // it prints all the time, whether somebody reads or not
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			case <-time.After(5 * time.Millisecond):
				far.WriteString("+1.25E+01\r\n")
			}
		}
	})
	for range 5 {
		if v, err := m.Read(t.Context(), meters.Power); v != 12.5 || err != nil {
			t.Fatalf("%g, %v", v, err)
		}
	}
	if err := m.Close(); err != nil { // while it prints
		t.Errorf("Close: %v", err)
	}
}

func TestSerialLineThatIsNone(t *testing.T) {
	file := t.TempDir() + "/plain"
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		device string
		baud   int
		says   string
	}{
		{file, 9600, "is no serial line"},
		{file + "-not-there", 9600, "is the instrument plugged in"},
		{file, 12345, "no usual speed"},
	} {
		if _, err := meters.Serial(tt.device, tt.baud)(t.Context()); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("Serial(%s, %d): %v; want %q", tt.device, tt.baud, err, tt.says)
		}
	}
}

func TestCommand(t *testing.T) {
	watts := meters.LineFormat{Columns: []meters.Quantity{meters.Power}}
	tests := []struct {
		name   string
		argv   []string
		format meters.LineFormat
		want   float64
		err    error
		says   string
	}{
		{name: "one number", argv: []string{"echo", "12.5"}, format: watts, want: 12.5},
		{name: "last line counts", argv: []string{"printf", `1\n2\nbye\n`}, format: watts, want: 2},
		{name: "no shell reads it", argv: []string{"echo", "$(touch x); 3"}, format: watts, want: 3},
		{name: "cut short", argv: []string{"printf", `1\n29`}, format: watts, want: 1},
		{name: "no number", argv: []string{"echo", "off"}, format: watts, err: meters.ErrNoNumber, says: `"off"`},
		{name: "fails", argv: []string{"ls", "/no-such-file-here"}, format: watts, says: "No such file"},
		{name: "no such program", argv: []string{"no-such-program-here"}, format: watts, says: "no-such-program-here"},
		{name: "does not end", argv: []string{"sh", "-c", "sleep 600 & wait"}, format: watts, err: meters.ErrSilent, says: "was stopped"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			limit := 30 * time.Second
			if tt.err == meters.ErrSilent {
				limit = 100 * time.Millisecond
			}
			m, err := meters.NewCommand("c", tt.argv, tt.format, limit)
			if err != nil {
				t.Fatal(err)
			}
			v, err := m.Read(t.Context(), meters.Power)
			bad := tt.err != nil || tt.says != ""
			if v != tt.want || (err != nil) != bad || (tt.err != nil && !errors.Is(err, tt.err)) || (err != nil && !strings.Contains(err.Error(), tt.says)) {
				t.Errorf("%g, %v; want %g, %v saying %q", v, err, tt.want, tt.err, tt.says)
			}
		})
	}
	if _, err := meters.NewCommand("c", nil, watts, 0); err == nil {
		t.Error("no program: no error")
	}
}

func TestProgramThatPrintsOn(t *testing.T) {
	m, err := meters.NewLines(meters.Program([]string{"sh", "-c", "i=0; while :; do i=$((i+1)); echo $i; sleep 0.01; done"}),
		meters.LinesOptions{Name: "p", Timeout: 20 * time.Second, Format: meters.LineFormat{Columns: []meters.Quantity{meters.Power}}})
	if err != nil {
		t.Fatal(err)
	}
	before := 0.0
	for range 3 {
		v, err := m.Read(t.Context(), meters.Power)
		if err != nil || v <= before {
			t.Errorf("%g after %g, %v", v, before, err)
		}
		before = v
	}
	m.Close()
	if _, err := meters.Program([]string{"no-such-program-here"})(t.Context()); err == nil {
		t.Error("no such program: no error")
	}
}

// clock is the bubble's.
type clock struct{}

func (clock) Now() time.Time { return time.Now() }

func (clock) Sleep(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// slow is a meter that takes a while and fails at times.
type slow struct {
	takes []time.Duration
	fails map[int]bool
	reads int
}

func (s *slow) Name() string                  { return "slow" }
func (s *slow) Quantities() []meters.Quantity { return []meters.Quantity{meters.Power} }
func (s *slow) Close() error                  { return nil }
func (s *slow) Read(ctx context.Context, _ meters.Quantity) (float64, error) {
	n := s.reads
	s.reads++
	if n < len(s.takes) {
		time.Sleep(s.takes[n])
	}
	if s.fails[n] {
		return 0, meters.ErrSilent
	}
	return float64(n), ctx.Err()
}

func TestSampleKeepsItsGrid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		m := &slow{takes: []time.Duration{200 * time.Millisecond, 0, 2300 * time.Millisecond, 0, 0}, fails: map[int]bool{3: true}}
		type got struct {
			at, within time.Duration
			v          float64
			bad        bool
		}
		var all []got
		for r, err := range meters.Sample(t.Context(), clock{}, m, time.Second) {
			all = append(all, got{r.At.Sub(start), r.Within, r.Value, err != nil})
			if len(all) == 5 {
				break
			}
		}
		// The third takes 2.3 s from the second second on: the readings of 3 and 4 s fall out.
		want := []got{{100 * time.Millisecond, 100 * time.Millisecond, 0, false}, {time.Second, 0, 1, false},
			{3150 * time.Millisecond, 1150 * time.Millisecond, 2, false}, {5 * time.Second, 0, 0, true}, {6 * time.Second, 0, 4, false}}
		for i, w := range want {
			if all[i] != w {
				t.Errorf("reading %d: %+v, want %+v", i, all[i], w)
			}
		}
		ctx, cancel := context.WithTimeout(t.Context(), 3500*time.Millisecond)
		defer cancel()
		n := 0
		for range meters.Sample(ctx, clock{}, &slow{}, time.Second) {
			n++
		}
		if n != 4 {
			t.Errorf("%d readings in 3.5 s", n)
		}
	})
}

func TestSampleStampsAPrintersLinesAtTheirComing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &printer{}
		m := lines(t, p, meters.LinesOptions{Name: "p", Format: meters.LineFormat{Columns: []meters.Quantity{meters.Power}}})
		defer m.Close()
		start := time.Now()
		go func() {
			time.Sleep(700 * time.Millisecond)
			p.print("5\n")
		}()
		for r, err := range meters.Sample(t.Context(), clock{}, m, time.Second) {
			if at := r.At.Sub(start); err != nil || r.Value != 5 || at != 700*time.Millisecond || r.Within != 0 {
				t.Errorf("%+v after %v, %v", r, at, err)
			}
			break
		}
		if v, err := meters.Of(m, meters.Luminance)(t.Context()); !errors.Is(err, meters.ErrNoQuantity) {
			t.Errorf("%g, %v", v, err)
		}
	})
}
