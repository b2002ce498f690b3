package instruments

import (
	"bufio"
	"fmt"
	"math"
	"net"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/devices/simulated"
)

// The forms that SCPI-99, volume 1, 6.2.1 allows a header.
func TestMatches(t *testing.T) {
	tests := []struct {
		spec, header string
		want         bool
	}{
		{PowerQuery, "MEAS:POW?", true},
		{PowerQuery, "measure:power?", true},
		{PowerQuery, ":MEAS:SCAL:POW:DC?", true},
		{PowerQuery, "MEASure:POWer:DC?", true},
		{PowerQuery, "MEAS:POW", false},
		{PowerQuery, "MEASU:POW?", false},
		{PowerQuery, "MEAS:POW:AC?", false},
		{PowerQuery, "POW?", false},
		{"SYSTem:ERRor[:NEXT]?", "SYST:ERR?", true},
		{"SYSTem:ERRor[:NEXT]?", "syst:error:next?", true},
		{"SYSTem:ERRor[:NEXT]?", "SYST:ERR:COUN?", false},
	}
	for _, tt := range tests {
		if got := Matches(tt.spec, tt.header); got != tt.want {
			t.Errorf("Matches(%q, %q) = %v", tt.spec, tt.header, got)
		}
	}
}

// session is a plain connection: what a person with a terminal would see.
type session struct {
	t *testing.T
	c net.Conn
	r *bufio.Reader
}

func connect(t *testing.T, in *Instrument) *session {
	t.Helper()
	c, err := net.Dial("tcp", in.Addr())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	c.SetDeadline(time.Now().Add(20 * time.Second))
	return &session{t, c, bufio.NewReader(c)}
}

func (s *session) ask(message string) string {
	s.t.Helper()
	fmt.Fprintf(s.c, "%s\n", message)
	line, err := s.r.ReadString('\n')
	if err != nil {
		s.t.Fatalf("%q: %v", message, err)
	}
	return strings.TrimSuffix(line, "\n")
}

func serve(t *testing.T, o Options) *Instrument {
	t.Helper()
	in, err := Serve("127.0.0.1:0", o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(in.Close)
	return in
}

func TestTheErrorQueueIsTheStandards(t *testing.T) {
	in := serve(t, Options{Queue: 3})
	s := connect(t, in)
	for range 5 {
		fmt.Fprintf(s.c, "NO:SUCH:THING\n")
	}
	var got []string
	for range 5 {
		got = append(got, s.ask("SYST:ERR?"))
	}
	// SCPI-99, volume 2, 21.8.1: first in, first out; -350 in the last place; then 0.
	want := []string{`-113,"Undefined header"`, `-113,"Undefined header"`, `-350,"Queue overflow"`, `0,"No error"`, `0,"No error"`}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("queue mismatch (-want +got):\n%s", diff)
	}
	fmt.Fprintf(s.c, "NO:SUCH\n*CLS\n")
	if got := s.ask("syst:err:next?"); got != `0,"No error"` {
		t.Errorf("after *CLS: %s", got)
	}
	if got := s.ask("*IDN?;*OPC?;SYST:VERS?"); got != "Simulated,Meter,0,1;1;1999.0" {
		t.Errorf("three queries in one message: %q", got)
	}
}

func TestMeasuresAHandsetsPlug(t *testing.T) {
	clock := simulated.NewScaledClock(time.Now(), 100)
	h := simulated.New(simulated.Options{LevelPct: 20, Clock: clock})
	t.Cleanup(h.Close)
	in := serve(t, PowerMeter(h, 9, 23.5))
	s := connect(t, in)
	number := func(message string) float64 {
		t.Helper()
		text := s.ask(message)
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatalf("%q: %v", message, err)
		}
		return v
	}
	if got := number("MEAS:POW?"); math.Abs(got) > 0.01 {
		t.Errorf("unplugged: %g W", got)
	}
	h.Plug(true)
	if err := clock.Sleep(t.Context(), time.Minute); err != nil {
		t.Fatal(err)
	}
	got, truth := number("MEAS:POW?"), h.PlugWatts()
	if truth < 5 || math.Abs(got-truth) > 0.02*truth {
		t.Errorf("plugged in: %g W, truth %g W", got, truth)
	}
	if got := number("MEAS:CURR?"); math.Abs(got-truth/9) > 0.02*truth/9 {
		t.Errorf("%g A at %g W and 9 V", got, truth)
	}
	if got := number("MEAS:TEMP?"); math.Abs(got-23.5) > 0.5 {
		t.Errorf("room at %g °C, want 23.5", got)
	}
}

func TestErrorsOfAChannel(t *testing.T) {
	truth := 10.0
	in := serve(t, Options{Seed: 4, Channels: []Channel{
		{Query: "MEASure:A?", Truth: func() float64 { return truth }, Gain: 1.02, Offset: 0.1, Digit: 0.5, Form: NR2},
		{Query: "MEASure:B?", Truth: func() float64 { return truth }, Noise: 0.1},
		{Query: "MEASure:C?", Truth: func() float64 { return -truth }, Range: 5, Form: NR1},
		{Query: "MEASure:D?", Truth: func() float64 { return truth / 3 }, Form: NR1},
	}})
	s := connect(t, in)
	for message, want := range map[string]string{"MEAS:A?": "10.50000", "MEAS:C?": "-9.900000E+37", "MEAS:D?": "3"} {
		if got := s.ask(message); got != want {
			t.Errorf("%s = %s, want %s", message, got, want)
		}
	}
	sum, squares := 0.0, 0.0
	const n = 400
	for range n {
		v, err := strconv.ParseFloat(s.ask("MEAS:B?"), 64)
		if err != nil {
			t.Fatal(err)
		}
		sum, squares = sum+v, squares+v*v
	}
	mean := sum / n
	if sd := math.Sqrt(squares/n - mean*mean); math.Abs(mean-10) > 0.2 || math.Abs(sd-1) > 0.15 {
		t.Errorf("noise of 10 %% of 10: mean %g, sd %g", mean, sd)
	}
}
