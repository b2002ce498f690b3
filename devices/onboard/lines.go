package onboard

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"rundown/devices"
)

// The files are text, one line a fact, fields parted by single blanks:
//
//	s SEQ UPTIME WALL LEVEL COUNTER VOLTAGE TEMPERATURE CURRENT STATUS PLUGGED CHECK .
//	m UPTIME KIND [TEXT] CHECK .
//	a UPTIME WALL KIND VALUE [DETAIL] CHECK .
//
// UPTIME and WALL are seconds with a decimal fraction, COUNTER, VOLTAGE, TEMPERATURE and
// CURRENT are "-" when absent. The dot marks the end: a line without it was cut short.
// CHECK is the sum, modulo 9973, of each field's value times a weight of its own: 3 for the
// first number after the letter, 5 for the second, and so on in odd numbers, where a clock
// counts as two (its whole seconds, and its fraction with a 1 before it), an absent value as
// 7777, and text as its length in bytes.

// checkModulus is prime and larger than any weight, so that no single changed digit of
// a number leaves a line's check number as it was.
const (
	checkModulus = 9973
	absent       = 7777
)

// A Sample is one reading of the battery at one instant.
type Sample struct {
	Seq        int    // from 1, by 1
	UptimeMS   int64  // handset clock since boot, sleep included
	WallMS     int64  // handset's wall clock, ms since 1970
	LevelPct   int    // 0 to 100
	CounterRaw *int64 // charge counter, unit as the handset reports
	VoltageRaw *int64 // unit as the handset reports: see devices.Units
	TempRaw    *int64 // as well
	CurrentRaw *int64 // sign and unit as the handset reports
	Status     int    // BatteryManager code, 0 not given
	Plugged    int    // bit mask: 1 AC, 2 USB, 4 wireless, 8 dock
}

// The kinds of Mark.
const (
	MarkBegin     = "begin"      // the recorder began; Text is the boot id
	MarkStartEdge = "start-edge" // Text is the level reached, %
	MarkEnd       = "end"        // Text is one of the End words
	MarkUnread    = "unread"     // a reading that gave no level; Text says what was missing
)

// A Mark is an instant that the recorder noted.
type Mark struct {
	UptimeMS   int64
	Kind, Text string
}

// An Activity is a line that the workload wrote. Kinds that are evidence: foreground,
// playback (value: position, ms), files, photos and videos (value: how many so far), drawn
// (value: frames so far, 1 where only that there were some is known), incall, charging,
// asleep (the power manager says so, or with 0 that it is not), slept (value: for how many s since the recorder's last
// reading its own clocks show that the handset was suspended; detail: since how many s that
// reading was, and whether the host looks at this moment), and what a scenario's own steps
// name. Of the conditions, whoever looks: carrier (value: how often Wi-Fi lost or found its
// network since the recorder's last reading, by the kernel; detail: "since", the uptime of that
// reading, s, and the interface's state now, or "unreadable") and saver (battery saver was on at
// the end). Others: started, ended, revived, dialled,
// answered, failed (a step could not be done), missed (a capture that left no file of its
// kind, named in Detail).
type Activity struct {
	UptimeMS, WallMS int64
	Kind             string
	Value            int64
	Detail           string
}

// A Line is one line of a file: exactly one of the three is set.
type Line struct {
	Sample   *Sample
	Mark     *Mark
	Activity *Activity
}

// shownLine is how much of a damaged line a message shows, characters.
const shownLine = 160

// A DamagedLineError is a line that is not what the programs wrote.
type DamagedLineError struct {
	Line int    // in the file, from 1, or since the reader began
	Text string // the line, shortened
	Why  string
}

func (e *DamagedLineError) Error() string {
	return fmt.Sprintf("line %d is damaged (%s): %q", e.Line, e.Why, e.Text)
}

// A SequenceError means that samples are missing, or that one came twice.
type SequenceError struct {
	Line      int // where it was seen
	Want, Got int // sequence numbers
}

func (e *SequenceError) Error() string {
	if e.Got < e.Want {
		return fmt.Sprintf("line %d: sample %d came again after sample %d; left out", e.Line, e.Got, e.Want-1)
	}
	if e.Got == e.Want+1 {
		return fmt.Sprintf("line %d: sample %d is missing", e.Line, e.Want)
	}
	return fmt.Sprintf("line %d: samples %d to %d are missing", e.Line, e.Want, e.Got-1)
}

// A Reader reads the lines of one file as its bytes come in. The zero value is ready.
type Reader struct {
	rest    []byte // of a line whose end has not come yet
	skipped bool   // an overlong line is being passed over
	line    int
	seq     int // of the last sample, 0 before the first
}

// longest is the longest line that is read, bytes. The programs write less than 400.
const longest = 4096

// Feed reads the next bytes of the file and returns the lines that they complete. A last
// line that is still torn waits for more. A damaged line, and a gap or a repetition among
// the samples, is an error (*DamagedLineError, *SequenceError, joined) while the lines
// after it are still returned: look at both results.
func (r *Reader) Feed(p []byte) ([]Line, error) {
	var lines []Line
	var errs []error
	for len(p) > 0 {
		i := bytes.IndexByte(p, '\n')
		part := p
		if i >= 0 {
			part, p = p[:i], p[i+1:]
		} else {
			p = nil
		}
		if keep := longest + 1 - len(r.rest); len(part) > keep {
			part, r.skipped = part[:keep], true
		}
		r.rest = append(r.rest, part...)
		if i < 0 {
			break
		}
		text := string(bytes.TrimSuffix(r.rest, []byte("\r")))
		tooLong := r.skipped || len(r.rest) > longest
		r.rest, r.skipped = r.rest[:0], false
		r.line++
		if text == "" {
			continue // what a write that failed left behind
		}
		l, err := ParseLine(text)
		if tooLong {
			err = fmt.Errorf("longer than %d bytes", longest)
		}
		if err != nil {
			errs = append(errs, &DamagedLineError{Line: r.line, Text: devices.Shorten(text, shownLine), Why: err.Error()})
			continue
		}
		if s := l.Sample; s != nil {
			if r.seq > 0 && s.Seq != r.seq+1 {
				errs = append(errs, &SequenceError{Line: r.line, Want: r.seq + 1, Got: s.Seq})
				if s.Seq <= r.seq {
					continue
				}
			}
			r.seq = s.Seq
		}
		lines = append(lines, l)
	}
	return lines, errors.Join(errs...)
}

// Close says whether the file ended in a torn line: a *DamagedLineError if so. Call it
// once the whole file has been fed.
func (r *Reader) Close() error {
	if len(r.rest) == 0 {
		return nil
	}
	return &DamagedLineError{Line: r.line + 1, Text: devices.Shorten(string(r.rest), shownLine), Why: "cut short"}
}

// fields hands out a line's fields one after the other and adds up its check number; the
// first fault stays.
type fields struct {
	f      []string
	weight int64
	sum    int64
	err    error
}

func (f *fields) fail(format string, args ...any) {
	if f.err == nil {
		f.err = fmt.Errorf(format, args...)
	}
}

func (f *fields) next(name string) string {
	if len(f.f) == 0 {
		f.fail("%s is missing", name)
		return ""
	}
	s := f.f[0]
	f.f = f.f[1:]
	return s
}

func (f *fields) count(n int64) {
	f.sum += n % checkModulus * f.weight
	f.weight += 2
}

func (f *fields) clock(name string) int64 {
	s := f.next(name)
	ms, err := parseMS(s)
	if err != nil {
		f.fail("%s: %w", name, err)
		return 0
	}
	whole, fraction, _ := strings.Cut(s, ".")
	w, _ := strconv.ParseInt(whole, 10, 64)
	d, _ := strconv.ParseInt("1"+fraction, 10, 64)
	f.count(w)
	f.count(d)
	return ms
}

func (f *fields) number(name string) int64 {
	s := f.next(name)
	n, err := parseWhole(s)
	if err != nil && f.err == nil {
		f.fail("%s: %w", name, err)
	}
	f.count(n)
	return n
}

func (f *fields) between(name string, least, most int64) int64 {
	n := f.number(name)
	if n < least || n > most {
		f.fail("%s: want %d to %d, got %d", name, least, most, n)
	}
	return n
}

func (f *fields) optional(name string) *int64 {
	if len(f.f) > 0 && f.f[0] == "-" {
		f.f = f.f[1:]
		f.count(absent)
		return nil
	}
	n := f.number(name)
	return &n
}

func (f *fields) word(name string) string {
	s := f.next(name)
	f.count(int64(len(s)))
	return s
}

// text takes what is left but for the last two fields.
func (f *fields) text() string {
	if len(f.f) < 2 {
		f.fail("check number or end mark is missing")
		return ""
	}
	s := strings.Join(f.f[:len(f.f)-2], " ")
	f.f = f.f[len(f.f)-2:]
	f.count(int64(len(s)))
	return s
}

func (f *fields) end() error {
	if f.err != nil {
		return f.err
	}
	if len(f.f) != 2 {
		return fmt.Errorf("want 2 fields after the values, got %d", len(f.f))
	}
	want := (f.sum%checkModulus + checkModulus) % checkModulus
	if f.f[0] != strconv.FormatInt(want, 10) {
		return fmt.Errorf("check number: want %d, got %s", want, f.f[0])
	}
	return nil
}

// ParseLine reads one whole line, without its line feed.
func ParseLine(s string) (Line, error) {
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' {
			return Line{}, fmt.Errorf("byte %d is not printable", i+1)
		}
	}
	if !strings.HasSuffix(s, " .") {
		return Line{}, errors.New("no end mark")
	}
	f := &fields{f: strings.Split(s, " "), weight: 3}
	for _, part := range f.f {
		if part == "" {
			return Line{}, errors.New("an empty field")
		}
	}
	var l Line
	switch letter := f.next("letter"); letter {
	case "s":
		l.Sample = &Sample{
			Seq:        int(f.between("sequence number", 1, 1<<31-1)),
			UptimeMS:   f.clock("uptime"),
			WallMS:     f.clock("wall clock"),
			LevelPct:   int(f.between("level", 0, 100)),
			CounterRaw: f.optional("charge counter"),
			VoltageRaw: f.optional("voltage"),
			TempRaw:    f.optional("temperature"),
			CurrentRaw: f.optional("current"),
			Status:     int(f.between("status", -1<<31, 1<<31-1)),
			Plugged:    int(f.between("power sources", 0, 15)),
		}
	case "m":
		l.Mark = &Mark{UptimeMS: f.clock("uptime"), Kind: f.word("kind"), Text: f.text()}
	case "a":
		l.Activity = &Activity{
			UptimeMS: f.clock("uptime"),
			WallMS:   f.clock("wall clock"),
			Kind:     f.word("kind"),
			Value:    f.number("value"),
			Detail:   f.text(),
		}
	default:
		return Line{}, fmt.Errorf("unknown kind of line %q", letter)
	}
	if err := f.end(); err != nil {
		return Line{}, err
	}
	return l, nil
}

// String is the line as the programs write it, without a line feed; clocks have three
// decimals. Values outside what ParseLine takes give a line that it refuses.
func (l Line) String() string {
	w := &writer{weight: 3}
	switch {
	case l.Sample != nil:
		s := l.Sample
		w.b.WriteString("s")
		w.number(int64(s.Seq))
		w.clock(s.UptimeMS)
		w.clock(s.WallMS)
		w.number(int64(s.LevelPct))
		w.optional(s.CounterRaw)
		w.optional(s.VoltageRaw)
		w.optional(s.TempRaw)
		w.optional(s.CurrentRaw)
		w.number(int64(s.Status))
		w.number(int64(s.Plugged))
	case l.Mark != nil:
		w.b.WriteString("m")
		w.clock(l.Mark.UptimeMS)
		w.text(l.Mark.Kind)
		w.text(l.Mark.Text)
	case l.Activity != nil:
		a := l.Activity
		w.b.WriteString("a")
		w.clock(a.UptimeMS)
		w.clock(a.WallMS)
		w.text(a.Kind)
		w.number(a.Value)
		w.text(a.Detail)
	default:
		return ""
	}
	return fmt.Sprintf("%s %d .", w.b.String(), (w.sum%checkModulus+checkModulus)%checkModulus)
}

type writer struct {
	b           strings.Builder
	weight, sum int64
}

func (w *writer) count(n int64) {
	w.sum += n % checkModulus * w.weight
	w.weight += 2
}

func (w *writer) number(n int64) {
	fmt.Fprintf(&w.b, " %d", n)
	w.count(n)
}

func (w *writer) clock(ms int64) {
	fmt.Fprintf(&w.b, " %d.%03d", ms/1000, ms%1000)
	w.count(ms / 1000)
	w.count(1000 + ms%1000)
}

func (w *writer) optional(n *int64) {
	if n == nil {
		w.b.WriteString(" -")
		w.count(absent)
		return
	}
	w.number(*n)
}

func (w *writer) text(s string) {
	if s != "" {
		w.b.WriteString(" " + s)
	}
	w.count(int64(len(s)))
}

// parseWhole reads a whole number as the programs write it: no sign but a minus, no zero
// in front.
func parseWhole(s string) (int64, error) {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || strconv.FormatInt(n, 10) != s {
		return 0, fmt.Errorf("want a whole number, got %q", s)
	}
	return n, nil
}

// parseMS reads seconds with at most nine decimals as whole milliseconds, rounded down.
func parseMS(s string) (int64, error) {
	whole, fraction, dot := strings.Cut(s, ".")
	bad := fmt.Errorf("want seconds, got %q", s)
	n, err := parseWhole(whole)
	if err != nil || n < 0 || n > 1<<40 || whole == "-0" || (dot && fraction == "") || len(fraction) > 9 {
		return 0, bad
	}
	for i := range len(fraction) {
		if fraction[i] < '0' || fraction[i] > '9' {
			return 0, bad
		}
	}
	ms, _ := strconv.ParseInt((fraction + "000")[:3], 10, 64)
	return n*1000 + ms, nil
}
