package onboard

import (
	"errors"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func p(n int64) *int64 { return &n }

// A whole reading and one without its optional values. The check numbers were worked out
// by hand from the rule in lines.go: for the second, 1*3+5*5+105*7+7*9+1*11+0*13+
// 7777*(15+17+19+21)+0*23+0*25 = 560781, which is 2293 modulo 9973.
const (
	bareLine = "s 1 5.05 7 0 - - - - 0 0 2293 ."
	markLine = "m 5.05 end level limit 660 ." // 5*3+105*5+3*7+11*9 = 660
)

func TestParseLine(t *testing.T) {
	tests := []struct {
		name, line string
		want       Line
		err        string // part of the message; empty: none
	}{
		{name: "bare sample", line: bareLine, want: Line{Sample: &Sample{Seq: 1, UptimeMS: 5050, WallMS: 7000}}},
		{name: "mark with a blank in its text", line: markLine, want: Line{Mark: &Mark{UptimeMS: 5050, Kind: MarkEnd, Text: EndLevelLimit}}},
		{name: "a digit changed", line: strings.Replace(bareLine, "5.05", "6.05", 1), err: "check number"},
		{name: "a digit lost", line: strings.Replace(bareLine, "5.05", "5.5", 1), err: "check number"},
		{name: "cut short", line: bareLine[:len(bareLine)-3], err: "no end mark"},
		{name: "cut inside a number, next line joined", line: "s 1 5.05 7 0 - - - s 2 6.05 8 0 - - - - 0 0 2293 .", err: "want a whole number"},
		{name: "zeros from a lost block", line: "s 1 5.05 \x00\x00\x00\x00 .", err: "not printable"},
		{name: "level above 100", line: Line{Sample: &Sample{Seq: 1, LevelPct: 101}}.String(), err: "want 0 to 100"},
		{name: "number with a zero in front", line: strings.Replace(bareLine, "s 1", "s 01", 1), err: "whole number"},
		{name: "another letter", line: "x 1 2 .", err: "unknown kind"},
		{name: "two blanks", line: strings.Replace(bareLine, "s 1", "s  1", 1), err: "empty field"},
		{name: "only an end mark", line: "s .", err: "sequence number: want a whole number"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ParseLine(tt.line)
			if tt.err != "" {
				if err == nil || !strings.Contains(err.Error(), tt.err) {
					t.Fatalf("ParseLine(%q) = %v, %v; want an error with %q", tt.line, got, err, tt.err)
				}
				return
			}
			if err != nil {
				t.Fatalf("ParseLine(%q): %v", tt.line, err)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("ParseLine(%q) mismatch (-want +got):\n%s", tt.line, diff)
			}
		})
	}
}

// sampleLine is an invented reading.
func sampleLine(seq int) Line {
	return Line{Sample: &Sample{
		Seq: seq, UptimeMS: 3_000_000_120 + int64(seq)*10_000, WallMS: 1_795_600_000_123 + int64(seq)*10_000,
		LevelPct: 93, CounterRaw: p(3_204_000), VoltageRaw: p(4211), TempRaw: p(-13), CurrentRaw: p(-326_171), Status: 3,
	}}
}

func TestEveryChangedDigitIsSeen(t *testing.T) {
	line := sampleLine(12).String()
	for i := range len(line) {
		if line[i] < '0' || line[i] > '9' {
			continue
		}
		for d := byte('0'); d <= '9'; d++ {
			changed := line[:i] + string(d) + line[i+1:]
			if _, err := ParseLine(changed); d != line[i] && err == nil {
				t.Errorf("ParseLine(%q) took a line that was %q", changed, line)
			}
		}
	}
	for i := range len(line) {
		if _, err := ParseLine(line[:i]); err == nil {
			t.Errorf("ParseLine(%q) took a line that was cut short", line[:i])
		}
	}
}

func TestReader(t *testing.T) {
	one, two, four, five := sampleLine(1), sampleLine(2), sampleLine(4), sampleLine(5)
	end := Line{Mark: &Mark{UptimeMS: 5, Kind: MarkEnd, Text: EndTarget}}
	proof := Line{Activity: &Activity{UptimeMS: 70, WallMS: 80, Kind: "files", Value: 3, Detail: "/sdcard/DCIM"}}
	tests := []struct {
		name  string
		feeds []string
		want  []Line
		errs  []string // in order, parts of each feed's messages joined
		rest  string   // part of Close's message
	}{
		{name: "nothing"},
		{name: "in order", feeds: []string{one.String() + "\n" + two.String() + "\n"}, want: []Line{one, two}},
		{name: "carriage returns", feeds: []string{one.String() + "\r\n" + proof.String() + "\r\n"}, want: []Line{one, proof}},
		{name: "torn line waits", feeds: []string{one.String()[:20], one.String()[20:] + "\n" + end.String()}, want: []Line{one}, rest: "line 2 is damaged (cut short)"},
		{
			name:  "a damaged line between good ones",
			feeds: []string{one.String() + "\ns 2 gar", "bage .\n" + end.String() + "\n"},
			want:  []Line{one, end}, errs: []string{`line 2 is damaged (uptime: want seconds, got "garbage"): "s 2 garbage ."`},
		},
		{name: "after a failed write", feeds: []string{one.String()[:9] + "\n\n" + one.String() + "\n"}, want: []Line{one}, errs: []string{"line 1 is damaged (no end mark)"}},
		{name: "gap", feeds: []string{two.String() + "\n" + five.String() + "\n"}, want: []Line{two, five}, errs: []string{"line 2: samples 3 to 4 are missing"}},
		{name: "one missing", feeds: []string{four.String() + "\n", sampleLine(6).String() + "\n"}, want: []Line{four, sampleLine(6)}, errs: []string{"line 2: sample 5 is missing"}},
		{name: "again", feeds: []string{two.String() + "\n" + two.String() + "\n" + one.String() + "\n"}, want: []Line{two}, errs: []string{"sample 2 came again after sample 2", "sample 1 came again after sample 2"}},
		{
			name:  "a line without end",
			feeds: []string{strings.Repeat("x", longest), strings.Repeat("x", 3*longest), "\n" + one.String() + "\n"},
			want:  []Line{one}, errs: []string{"line 1 is damaged (longer than 4096 bytes)"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var r Reader
			var got []Line
			var said []string
			for _, f := range tt.feeds {
				lines, err := r.Feed([]byte(f))
				got = append(got, lines...)
				if err != nil {
					said = append(said, err.Error())
				}
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("lines mismatch (-want +got):\n%s", diff)
			}
			all := strings.Join(said, "\n")
			if len(tt.errs) == 0 && all != "" {
				t.Errorf("errors: got %s, want none", all)
			}
			for _, e := range tt.errs {
				if !strings.Contains(all, e) {
					t.Errorf("errors: got %q, want one with %q", all, e)
				}
			}
			err := r.Close()
			if (err != nil) != (tt.rest != "") || (err != nil && !strings.Contains(err.Error(), tt.rest)) {
				t.Errorf("Close() = %v, want %q", err, tt.rest)
			}
		})
	}
}

func TestErrorsAreTold(t *testing.T) {
	var r Reader
	_, err := r.Feed([]byte(sampleLine(1).String() + "\nrubbish\n" + sampleLine(3).String() + "\n"))
	var damaged *DamagedLineError
	var gap *SequenceError
	if !errors.As(err, &damaged) || damaged.Line != 2 || damaged.Text != "rubbish" {
		t.Errorf("damaged line: got %+v", damaged)
	}
	if !errors.As(err, &gap) || gap.Want != 2 || gap.Got != 3 || gap.Line != 3 {
		t.Errorf("gap: got %+v", gap)
	}
}

func FuzzParseLine(f *testing.F) {
	f.Add(bareLine)
	f.Add(markLine)
	f.Add(sampleLine(7).String())
	f.Add(Line{Activity: &Activity{UptimeMS: 1, WallMS: 2, Kind: "playback", Value: -4, Detail: "org.example.player"}}.String())
	f.Add("s 1 5.05 7 0 - - - - 0 0 2293")
	f.Fuzz(func(t *testing.T, s string) {
		l, err := ParseLine(s)
		if err != nil {
			return
		}
		back, err := ParseLine(l.String())
		if err != nil {
			t.Fatalf("ParseLine(%q) = %v, written %q, which is refused: %v", s, l, l.String(), err)
		}
		if diff := cmp.Diff(l, back); diff != "" {
			t.Errorf("ParseLine(%q) written and read back (-first +second):\n%s", s, diff)
		}
		if cut := s[:len(s)-1]; cut != "" {
			if _, err := ParseLine(cut); err == nil {
				t.Errorf("ParseLine(%q) took a line without its end", cut)
			}
		}
	})
}

// FuzzReader feeds the same bytes whole and in random pieces: the lines, and what is said
// of damaged ones, are the same.
func FuzzReader(f *testing.F) {
	f.Add([]byte(sampleLine(1).String()+"\r\n"+sampleLine(2).String()+"\n\nbad\n"+markLine+"\nm 5.0"), uint64(1))
	f.Add([]byte(strings.Repeat("y", longest)+"\r\n"+bareLine+"\n"), uint64(2))
	f.Fuzz(func(t *testing.T, file []byte, seed uint64) {
		var whole, pieces Reader
		want, wantErr := whole.Feed(file)
		rnd := rand.New(rand.NewPCG(seed, 0))
		var got []Line
		var errs []string
		for rest := file; len(rest) > 0; {
			n := min(1+rnd.IntN(40), len(rest))
			lines, err := pieces.Feed(rest[:n])
			rest = rest[n:]
			got = append(got, lines...)
			if err != nil {
				errs = append(errs, err.Error())
			}
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("lines of %q whole and in pieces (-whole +pieces):\n%s", file, diff)
		}
		said := ""
		if wantErr != nil {
			said = wantErr.Error()
		}
		if all := strings.Join(errs, "\n"); all != said {
			t.Errorf("errors of %q: whole %q, in pieces %q", file, said, all)
		}
		if (whole.Close() == nil) != (pieces.Close() == nil) {
			t.Errorf("Close of %q: whole %v, in pieces %v", file, whole.Close(), pieces.Close())
		}
	})
}
