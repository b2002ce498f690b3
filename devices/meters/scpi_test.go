package meters_test

import (
	"bufio"
	"context"
	"errors"
	"io"
	"math"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"rundown/devices/meters"
	"rundown/devices/simulated/instruments"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// Numbers as IEEE 488.2-1992 has instruments send them (8.7.2 NR1, 8.7.3 NR2, 8.7.4 NR3;
// 7.7.2 for what a listener takes), and what SCPI-99 (volume 1, 7.2.1.4 and 7.2.1.5)
// sends instead of a number. Examples are those of instruments' manuals.
func TestParseNumber(t *testing.T) {
	tests := []struct {
		text string
		want float64
		err  error
	}{
		{"146", 146, nil}, {"+146", 146, nil}, {"-12345", -12345, nil}, {"0", 0, nil}, {"-0", 0, nil}, {"007", 7, nil},
		{"12.3", 12.3, nil}, {"+1.2345", 1.2345, nil}, {"-0.123", -0.123, nil},
		{"1.0E9", 1e9, nil}, {"7.056E3", 7056, nil}, {"+1.0E-2", 0.01, nil}, {"-2.3E+4", -23000, nil}, {"+1.23400E+01", 12.34, nil},
		{".5", 0.5, nil}, {"5.", 5, nil}, {"1e3", 1000, nil}, {" 3.5\t", 3.5, nil},
		{"9.91E37", 0, meters.ErrNotANumber}, {"9.91E+37", 0, meters.ErrNotANumber}, {"9.910000E+37", 0, meters.ErrNotANumber}, {"NAN", 0, meters.ErrNotANumber},
		{"9.9E37", 0, meters.ErrOverrange}, {"-9.9E37", 0, meters.ErrOverrange}, {"+9.900000E+37", 0, meters.ErrOverrange}, {"INF", 0, meters.ErrOverrange}, {"NINF", 0, meters.ErrOverrange}, {"1E400", 0, meters.ErrOverrange},
		{"", 0, meters.ErrNoNumber}, {"-", 0, meters.ErrNoNumber}, {".", 0, meters.ErrNoNumber}, {"E5", 0, meters.ErrNoNumber}, {"1.2.3", 0, meters.ErrNoNumber}, {"1,2", 0, meters.ErrNoNumber},
		{"1.2W", 0, meters.ErrNoNumber}, {"0x1F", 0, meters.ErrNoNumber}, {"#H1F", 0, meters.ErrNoNumber}, {"1_000", 0, meters.ErrNoNumber}, {"1E", 0, meters.ErrNoNumber}, {"OVLD", 0, meters.ErrNoNumber}, {"--1", 0, meters.ErrNoNumber},
	}
	for _, tt := range tests {
		got, err := meters.ParseNumber(tt.text)
		if got != tt.want || !errors.Is(err, tt.err) || (err == nil) != (tt.err == nil) {
			t.Errorf("ParseNumber(%q) = %g, %v; want %g, %v", tt.text, got, err, tt.want, tt.err)
		}
	}
}

func FuzzParseNumber(f *testing.F) {
	f.Add("+1.23400E+01")
	f.Add("9.91E37")
	f.Add("1_0")
	f.Fuzz(func(t *testing.T, s string) {
		v, err := meters.ParseNumber(s)
		if err != nil {
			if v != 0 {
				t.Errorf("ParseNumber(%q) = %g with error %v", s, v, err)
			}
			return
		}
		if math.IsNaN(v) || math.Abs(v) >= 9.9e37 {
			t.Errorf("ParseNumber(%q) = %g", s, v)
		}
		if strings.Trim(strings.TrimSpace(s), "0123456789+-.eE") != "" {
			t.Errorf("ParseNumber(%q) = %g: not of a number's characters", s, v)
		}
	})
}

// Entries of an error queue as SCPI-99, volume 2, 21.8.1 and its examples have them.
func TestParseError(t *testing.T) {
	tests := []struct {
		text string
		want meters.InstrumentError
		ok   bool
	}{
		{`0,"No error"`, meters.InstrumentError{Code: 0, Text: "No error"}, true},
		{`+0,"No error"`, meters.InstrumentError{Code: 0, Text: "No error"}, true},
		{`-113,"Undefined header"`, meters.InstrumentError{Code: -113, Text: "Undefined header"}, true},
		{`-131, "Invalid suffix;FREQ ""2"" HZ"`, meters.InstrumentError{Code: -131, Text: `Invalid suffix;FREQ "2" HZ`}, true},
		{`201,"Fan"`, meters.InstrumentError{Code: 201, Text: "Fan"}, true},
		{`No error`, meters.InstrumentError{}, false},
		{`99999,"x"`, meters.InstrumentError{}, false},
		{``, meters.InstrumentError{}, false},
	}
	for _, tt := range tests {
		got, err := meters.ParseError(tt.text)
		if got != tt.want || (err == nil) != tt.ok {
			t.Errorf("ParseError(%q) = %+v, %v", tt.text, got, err)
		}
	}
}

func serve(t *testing.T, o instruments.Options) *instruments.Instrument {
	t.Helper()
	in, err := instruments.Serve("127.0.0.1:0", o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(in.Close)
	return in
}

// bench is an instrument with two channels and the meter that reads it.
func bench(t *testing.T, o meters.SCPIOptions) (*instruments.Instrument, *meters.SCPI) {
	t.Helper()
	in := serve(t, instruments.Options{Channels: []instruments.Channel{
		{Query: instruments.PowerQuery, Truth: func() float64 { return 12.5 }},
		{Query: instruments.CurrentQuery, Truth: func() float64 { return 1250 }, Form: instruments.NR2},
	}})
	if o.Queries == nil {
		o.Queries = map[meters.Quantity]meters.Query{meters.Power: {Ask: "MEAS:POW?"}, meters.Current: {Ask: "MEAS:POW?;:MEAS:CURR?", Factor: 0.001}}
	}
	if o.Timeout == 0 {
		o.Timeout = 20 * time.Second
	}
	m, err := meters.NewSCPI(in.Addr(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close() })
	return in, m
}

func TestSCPIReads(t *testing.T) {
	in, m := bench(t, meters.SCPIOptions{Setup: []string{"CONF:POW 20"}, Queries: map[meters.Quantity]meters.Query{
		meters.Power: {Ask: "MEAS:POW?"}, meters.Current: {Ask: "MEAS:CURR?", Factor: 0.001},
	}})
	if got, err := m.Read(t.Context(), meters.Power); got != 12.5 || err != nil {
		t.Errorf("power %g, %v", got, err)
	}
	if got, err := m.Read(t.Context(), meters.Current); math.Abs(got-1.25) > 1e-12 || err != nil {
		t.Errorf("current %g, %v", got, err)
	}
	if id, err := m.Identity(t.Context()); id != "Simulated,Meter,0,1" || err != nil {
		t.Errorf("identity %q, %v", id, err)
	}
	if _, err := m.Read(t.Context(), meters.Temperature); !errors.Is(err, meters.ErrNoQuantity) {
		t.Errorf("temperature: %v", err)
	}
	want := []string{"*CLS", "*IDN?", "CONF:POW 20", "*OPC?", "SYST:ERR?", "MEAS:POW?", "MEAS:CURR?"}
	if got := in.Heard(); !slices.Equal(got, want) {
		t.Errorf("the instrument heard %q, want %q", got, want)
	}
	if got := m.Quantities(); !slices.Equal(got, []meters.Quantity{meters.Current, meters.Power}) {
		t.Errorf("quantities %v", got)
	}
}

func TestSCPIFields(t *testing.T) {
	in, m := bench(t, meters.SCPIOptions{Queries: map[meters.Quantity]meters.Query{
		meters.Power: {Ask: "MEAS:POW?", Field: 3}, meters.Voltage: {Ask: "MEAS:POW?"}, meters.Current: {Ask: "MEAS:POW?", Field: 4},
	}})
	in.SetFaults(instruments.Faults{Text: "5.01, 2.0,+1.002E+01"})
	if got, err := m.Read(t.Context(), meters.Power); got != 10.02 || err != nil {
		t.Errorf("third value: %g, %v", got, err)
	}
	if got, err := m.Read(t.Context(), meters.Voltage); got != 5.01 || err != nil {
		t.Errorf("first value: %g, %v", got, err)
	}
	if _, err := m.Read(t.Context(), meters.Current); !errors.Is(err, meters.ErrNoNumber) || !strings.Contains(err.Error(), "has 3") {
		t.Errorf("fourth of three: %v", err)
	}
}

func TestSCPIFaults(t *testing.T) {
	tests := []struct {
		name   string
		faults instruments.Faults
		want   error
		says   string
	}{
		{"no value", instruments.Faults{NoValue: true}, meters.ErrNotANumber, ""},
		{"beyond the range", instruments.Faults{Overload: true}, meters.ErrOverrange, ""},
		{"a block of bytes with a new line in it", instruments.Faults{Block: true}, meters.ErrBlock, "5 bytes"},
		{"a block without end", instruments.Faults{Text: "#0\x01\x02"}, meters.ErrBlock, ""},
		{"words", instruments.Faults{Text: "OVLD"}, meters.ErrNoNumber, `"OVLD"`},
		{"nothing", instruments.Faults{Text: " "}, meters.ErrNoNumber, "nothing"},
		{"ends within a number", instruments.Faults{CutAfter: 4}, io.ErrUnexpectedEOF, "before its answer was complete"},
		{"two answers to one question", instruments.Faults{Text: "1\n2"}, nil, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in, m := bench(t, meters.SCPIOptions{})
			in.SetFaults(tt.faults)
			_, err := m.Read(t.Context(), meters.Power)
			if !errors.Is(err, tt.want) || (err == nil) != (tt.want == nil) || (err != nil && !strings.Contains(err.Error(), tt.says)) {
				t.Errorf("%v; want %v saying %q", err, tt.want, tt.says)
			}
			// Whatever happened, the next answer is that of the next question.
			in.SetFaults(instruments.Faults{})
			for range 3 {
				if got, err := m.Read(t.Context(), meters.Power); got != 12.5 || err != nil {
					t.Errorf("afterwards: %g, %v", got, err)
				}
			}
		})
	}
}

func TestSCPISlowAndSilentInstruments(t *testing.T) {
	t.Run("slow, within the deadline", func(t *testing.T) {
		in, m := bench(t, meters.SCPIOptions{})
		in.SetFaults(instruments.Faults{Delay: 200 * time.Millisecond})
		if got, err := m.Read(t.Context(), meters.Power); got != 12.5 || err != nil {
			t.Errorf("%g, %v", got, err)
		}
	})
	t.Run("too slow: its late answer is nobody's", func(t *testing.T) {
		in, m := bench(t, meters.SCPIOptions{Timeout: 400 * time.Millisecond, NoErrorQueue: true, Queries: map[meters.Quantity]meters.Query{
			meters.Power: {Ask: "MEAS:POW?"}, meters.Current: {Ask: "MEAS:CURR?"},
		}})
		if _, err := m.Identity(t.Context()); err != nil {
			t.Fatal(err)
		}
		in.SetFaults(instruments.Faults{Delay: 600 * time.Millisecond})
		if _, err := m.Read(t.Context(), meters.Power); !errors.Is(err, meters.ErrSilent) || !strings.Contains(err.Error(), "within 400ms") {
			t.Errorf("%v", err)
		}
		in.SetFaults(instruments.Faults{})
		got, err := m.Read(t.Context(), meters.Current)
		for range 20 { // a busy machine may make it miss its short deadline
			if err == nil {
				break
			}
			got, err = m.Read(t.Context(), meters.Current)
		}
		if got != 1250 || err != nil {
			t.Errorf("the answer to the next question: %g, %v", got, err)
		}
	})
	t.Run("silent because it does not know the query", func(t *testing.T) {
		in, m := bench(t, meters.SCPIOptions{Timeout: 500 * time.Millisecond, Queries: map[meters.Quantity]meters.Query{meters.Power: {Ask: "FETC:POW?"}}})
		_, err := m.Read(t.Context(), meters.Power)
		var said *meters.InstrumentError
		if !errors.Is(err, meters.ErrSilent) || !errors.As(err, &said) || said.Code != -113 || !strings.Contains(err.Error(), "Undefined header") {
			t.Errorf("%v", err)
		}
		if heard := in.Heard(); heard[len(heard)-1] != "SYST:ERR?" {
			t.Errorf("heard %q", heard)
		}
	})
	t.Run("silent altogether", func(t *testing.T) {
		in, m := bench(t, meters.SCPIOptions{Timeout: 200 * time.Millisecond})
		in.SetFaults(instruments.Faults{Silent: true})
		start := time.Now()
		if _, err := m.Read(t.Context(), meters.Power); !errors.Is(err, meters.ErrSilent) || !strings.Contains(err.Error(), `"*IDN?"`) {
			t.Errorf("%v", err)
		}
		if took := time.Since(start); took < 200*time.Millisecond {
			t.Errorf("gave up after %v", took)
		}
	})
	t.Run("context ends first", func(t *testing.T) {
		in, m := bench(t, meters.SCPIOptions{})
		if _, err := m.Identity(t.Context()); err != nil {
			t.Fatal(err)
		}
		in.SetFaults(instruments.Faults{Silent: true})
		ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
		defer cancel()
		if _, err := m.Read(ctx, meters.Power); !errors.Is(err, context.DeadlineExceeded) || errors.Is(err, meters.ErrSilent) {
			t.Errorf("%v", err)
		}
	})
	t.Run("off and on again", func(t *testing.T) {
		in, m := bench(t, meters.SCPIOptions{})
		if _, err := m.Read(t.Context(), meters.Power); err != nil {
			t.Fatal(err)
		}
		in.SetFaults(instruments.Faults{Refuse: true})
		if _, err := m.Read(t.Context(), meters.Power); err == nil {
			t.Error("read from an instrument that was off")
		}
		in.SetFaults(instruments.Faults{})
		if got, err := m.Read(t.Context(), meters.Power); got != 12.5 || err != nil {
			t.Errorf("on again: %g, %v", got, err)
		}
	})
	t.Run("another instrument at the same address", func(t *testing.T) {
		in, m := bench(t, meters.SCPIOptions{})
		if _, err := m.Read(t.Context(), meters.Power); err != nil {
			t.Fatal(err)
		}
		in.SetFaults(instruments.Faults{Refuse: true})
		m.Read(t.Context(), meters.Power)
		in.SetFaults(instruments.Faults{Ident: "Simulated,Other,7,1"})
		if _, err := m.Read(t.Context(), meters.Power); !errors.Is(err, meters.ErrAnother) || !strings.Contains(err.Error(), "Simulated,Other,7,1") {
			t.Errorf("%v", err)
		}
	})
	t.Run("nothing listens", func(t *testing.T) {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		l.Close()
		m, err := meters.NewSCPI(l.Addr().String(), meters.SCPIOptions{Queries: meters.CommonQueries})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := m.Read(t.Context(), meters.Power); err == nil || !strings.Contains(err.Error(), "is the instrument on") {
			t.Errorf("%v", err)
		}
	})
	t.Run("a setup that it refuses", func(t *testing.T) {
		_, m := bench(t, meters.SCPIOptions{Setup: []string{"CONF:FLUX 3"}})
		_, err := m.Read(t.Context(), meters.Power)
		var said *meters.InstrumentError
		if !errors.As(err, &said) || said.Code != -113 || !strings.Contains(err.Error(), "CONF:FLUX 3") {
			t.Errorf("%v", err)
		}
	})
}

func TestSCPIErrors(t *testing.T) {
	in, m := bench(t, meters.SCPIOptions{})
	if _, err := m.Identity(t.Context()); err != nil {
		t.Fatal(err)
	}
	c, err := net.Dial("tcp", in.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	io.WriteString(c, "A\nB\n*OPC?\n") // somebody else talks nonsense to it
	if _, err := bufio.NewReader(c).ReadString('\n'); err != nil {
		t.Fatal(err)
	}
	errs, err := m.Errors(t.Context())
	if err != nil || len(errs) != 2 || errs[0].Code != -113 {
		t.Errorf("%v, %v", errs, err)
	}
	if errs, err := m.Errors(t.Context()); err != nil || len(errs) != 0 {
		t.Errorf("afterwards: %v, %v", errs, err)
	}
}

func TestSCPIRefusesWhatIsNoQuery(t *testing.T) {
	for name, o := range map[string]meters.SCPIOptions{
		"no question mark": {Queries: map[meters.Quantity]meters.Query{meters.Power: {Ask: "MEAS:POW"}}},
		"two lines":        {Queries: map[meters.Quantity]meters.Query{meters.Power: {Ask: "MEAS:POW?\n*RST"}}},
		"empty":            {Queries: map[meters.Quantity]meters.Query{meters.Power: {}}},
		"query in setup":   {Setup: []string{"*TST?"}},
		"lines in setup":   {Setup: []string{"A\nB"}},
	} {
		if _, err := meters.NewSCPI("127.0.0.1:5025", o); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, err := meters.NewSCPI("meter", meters.SCPIOptions{}); err == nil || !strings.Contains(err.Error(), "host:port") {
		t.Errorf("an address without a port: %v", err)
	}
}

// Whatever bytes an instrument sends, a reading ends, and its error leaves no reading.
func FuzzSCPIAnswer(f *testing.F) {
	f.Add("1.5\n")
	f.Add("#15\x00\x01\n\x02\x03\n")
	f.Add("#9999999999\n")
	f.Add("#0abc\n")
	f.Fuzz(func(t *testing.T, answer string) {
		m, err := meters.NewSCPI("127.0.0.1:1", meters.SCPIOptions{
			NoErrorQueue: true, Timeout: 5 * time.Second, Queries: map[meters.Quantity]meters.Query{meters.Power: {Ask: "P?"}},
			Dial: func(context.Context, string, string) (net.Conn, error) {
				host, far := net.Pipe()
				go func() {
					defer far.Close()
					r := bufio.NewReader(far)
					for line, err := r.ReadString('\n'); err == nil; line, err = r.ReadString('\n') {
						switch line {
						case "*IDN?\n":
							io.WriteString(far, "fuzz\n")
						case "P?\n":
							io.WriteString(far, answer)
							return
						}
					}
				}()
				return host, nil
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		defer m.Close()
		v, err := m.Read(t.Context(), meters.Power)
		if err != nil && v != 0 || errors.Is(err, meters.ErrSilent) {
			t.Errorf("answer %q: %g, %v", answer, v, err)
		}
		if first, _, whole := strings.Cut(answer, "\n"); err == nil && (!whole || strings.HasPrefix(first, "#")) {
			t.Errorf("answer %q, which has no end or is a block, was read as %g", answer, v)
		}
	})
}
