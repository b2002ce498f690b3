// Package logfiles reads what was measured elsewhere: hand-timed or instrument logs as CSV, level against
// time, power against time, or the scores of repeated cycles. It gives plain values for the calculators.
//
// Columns named as in rundown's own export are recognised by themselves; others are named by the caller,
// with their unit. A file is checked whole: every fault is listed with line and column, and then
// nothing of it is used.
package logfiles

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"rundown/results/csvtext"
)

// A Quantity is what a column holds.
type Quantity string

// The quantities. A log needs a time and at least one of level and powers, or a score.
const (
	Time         Quantity = "time"
	Level        Quantity = "level"
	Counter      Quantity = "counter"      // charge counter
	Voltage      Quantity = "voltage"      // of the battery
	Current      Quantity = "current"      // of the battery
	Temperature  Quantity = "temperature"  // of the battery
	BatteryPower Quantity = "power"        // out of or into the battery
	SocketPower  Quantity = "socket power" // at the socket, or what else feeds the charger
	Status       Quantity = "status"       // battery status as Android numbers it: 5 is full
	Plugged      Quantity = "plugged"      // 0 none
	Cycle        Quantity = "cycle"
	Score        Quantity = "score"
	segment      Quantity = "segment"
	workload     Quantity = "workload"
)

// units are each quantity's units with the factor to the unit that Row has; the first is taken where
// none is named.
var units = map[Quantity][]unit{
	Time:         {{"s", 1}, {"ms", 1e-3}, {"min", 60}, {"h", 3600}, {"h:mm:ss", 0}, {"rfc3339", 0}},
	Level:        {{"%", 1}},
	Counter:      {{"raw", 1}},
	Voltage:      {{"mV", 1}, {"V", 1000}, {"uV", 1e-3}, {"µV", 1e-3}},
	Current:      {{"raw", 1}},
	Temperature:  {{"°C", 1}, {"C", 1}, {"dC", 0.1}},
	BatteryPower: {{"W", 1}, {"mW", 1e-3}},
	SocketPower:  {{"W", 1}, {"mW", 1e-3}},
	Status:       {{"", 1}},
	Plugged:      {{"", 1}},
	Cycle:        {{"", 1}},
	Score:        {{"", 1}},
	segment:      {{"", 1}},
	workload:     {{"", 1}},
}

type unit struct {
	name   string
	factor float64 // 0: a form of its own
}

// known are the columns recognised by their names, the better one first where two hold the same.
var known = []struct {
	name string
	is   Quantity
	unit string
}{
	{"t_ms", Time, "ms"}, {"t_s", Time, "s"}, {"t_min", Time, "min"}, {"t_h", Time, "h"}, {"uptime_ms", Time, "ms"}, {"t_host_utc", Time, "rfc3339"}, {"t_handset_utc", Time, "rfc3339"},
	{"elapsed_s", Time, "s"}, {"time_s", Time, "s"}, {"time_ms", Time, "ms"}, {"elapsed", Time, ""}, {"time", Time, ""},
	{"level_pct", Level, "%"}, {"level", Level, "%"},
	{"charge_counter_raw", Counter, "raw"}, {"charge_uah", Counter, "raw"}, {"charge_mah", Counter, "raw"},
	{"voltage_mv", Voltage, "mV"}, {"voltage_v", Voltage, "V"},
	{"current_raw", Current, "raw"}, {"current_ma", Current, "raw"}, {"current_ua", Current, "raw"}, {"current_a", Current, "raw"},
	{"battery_temp_c", Temperature, "C"}, {"temp_c", Temperature, "C"}, {"temp_dc", Temperature, "dC"},
	{"battery_w", BatteryPower, "W"}, {"power_w", BatteryPower, "W"}, {"battery_mw", BatteryPower, "mW"}, {"power_mw", BatteryPower, "mW"},
	{"socket_w", SocketPower, "W"}, {"plug_w", SocketPower, "W"}, {"socket_mw", SocketPower, "mW"}, {"plug_mw", SocketPower, "mW"},
	{"status", Status, ""}, {"plugged", Plugged, ""}, {"cycle", Cycle, ""}, {"lot", Cycle, ""}, {"score", Score, ""}, {"rate_per_s", Score, ""},
	{"segment_id", segment, ""}, {"workload", workload, ""},
}

// A Column is where a quantity is found in the file.
type Column struct {
	Name string // as the head has it; letter case and spaces around it do not count
	Unit string // one of the quantity's; empty for the usual one, or for a time that shows its own form
}

// ParseColumn reads "quantity=column" or "quantity=column@unit", as in "time=Elapsed@h:mm:ss" or
// "level=Battery".
func ParseColumn(s string) (Quantity, Column, error) {
	name, column, ok := strings.Cut(s, "=")
	q := Quantity(strings.TrimSpace(name))
	if !ok || strings.TrimSpace(column) == "" {
		return "", Column{}, fmt.Errorf("column mapping %q: want quantity=column or quantity=column@unit, such as time=Elapsed@h:mm:ss", s)
	}
	if !slices.Contains(Quantities(), q) {
		return "", Column{}, fmt.Errorf("column mapping %q: no quantity %q; there are %s", s, q, listed(Quantities()))
	}
	c := Column{Name: strings.TrimSpace(column)}
	if i := strings.LastIndex(column, "@"); i >= 0 {
		c = Column{strings.TrimSpace(column[:i]), strings.TrimSpace(column[i+1:])}
		if _, ok := unitOf(q, c.Unit); !ok {
			return "", Column{}, fmt.Errorf("column mapping %q: no unit %q of %s; there are %s", s, c.Unit, q, unitNames(q))
		}
	}
	return q, c, nil
}

// Quantities are those that a mapping may name.
func Quantities() []Quantity {
	return []Quantity{Time, Level, Counter, Voltage, Current, Temperature, BatteryPower, SocketPower, Status, Plugged, Cycle, Score}
}

func unitOf(q Quantity, name string) (unit, bool) {
	for _, u := range units[q] {
		if u.name == name {
			return u, true
		}
	}
	return unit{}, false
}

func unitNames(q Quantity) string {
	var names []string
	for _, u := range units[q] {
		names = append(names, u.name)
	}
	return strings.Join(names, ", ")
}

func listed[T ~string](list []T) string {
	var b strings.Builder
	for i, x := range list {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(string(x))
	}
	return b.String()
}

// Options say how to read a file; the zero value is for files whose columns are recognised.
type Options struct {
	Columns map[Quantity]Column
	// Only chooses one of several logs in the file, by segment, or segment/workload.
	Only string
}

// A Row is one line of the file. What the line does not give is nil.
type Row struct {
	Line int           // in the file, from 1
	T    time.Duration // see Log
	// Level is what the handset showed, %, 0 to 100.
	Level             *float64
	Counter, Current  *float64 // in the file's own unit and sign
	VoltageMV, TempC  *float64
	BatteryW, SocketW *float64
	Plugged, Full     bool
	PluggedKnown      bool
	Cycle             int
	Score             *float64
}

// A Log is one file, read.
type Log struct {
	File string
	// Rows are in order of time, or of cycles. Elapsed times are as in the file; clock times and uptimes count
	// from the first row.
	Rows []Row
	// Start is the first row's instant where the file has instants, else zero.
	Start time.Time
	// Taken says which column was taken for what, Ignored which ones were not.
	Taken   map[Quantity]Column
	Ignored []string
	// Notes say what in the file was put right, for a person.
	Notes []string
}

// A Fault is one thing that is wrong in a file.
type Fault struct {
	File         string
	Line, Column int // from 1; Column in bytes, 0 where the whole line is meant
	Says         string
}

func (f Fault) String() string {
	file := csvtext.Plain(f.File)
	switch {
	case f.Line == 0:
		return fmt.Sprintf("%s: %s", file, f.Says)
	case f.Column == 0:
		return fmt.Sprintf("%s:%d: %s", file, f.Line, f.Says)
	}
	return fmt.Sprintf("%s:%d:%d: %s", file, f.Line, f.Column, f.Says)
}

// Faults is all that is wrong in a file.
type Faults []Fault

// mostFaults is how many faults are listed: a wrong unit makes as many as there are lines.
const mostFaults = 20

func (f Faults) Error() string {
	var b strings.Builder
	for i, one := range f {
		if i == mostFaults {
			fmt.Fprintf(&b, "\n%s: and %d more", csvtext.Plain(one.File), len(f)-i)
			break
		}
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(one.String())
	}
	return b.String()
}

// Read reads a log; name is the file's, for messages. Its error is Faults, or Several with the
// names to choose from, or that of r.
func Read(name string, r io.Reader, o Options) (Log, error) {
	content, err := Content(name, r)
	if err != nil {
		return Log{}, err
	}
	return Parse(name, content, o)
}

// Parse is Read for what Content gave.
func Parse(name string, content []byte, o Options) (Log, error) {
	content = bytes.TrimPrefix(content, []byte("\ufeff"))
	comma := csvtext.Separator(content)
	p := &parser{name: name, in: csvtext.Rows(content, comma), decimalComma: comma != ',', only: o.Only}
	return p.read(o)
}

type parser struct {
	name         string
	in           *csv.Reader
	decimalComma bool
	only         string
	head         int // line of the head
	faults       Faults
	log          Log
	at           map[Quantity]int  // field of each quantity
	unit         map[Quantity]unit // its unit
	form         string            // of times without a unit, once seen
	instant      time.Time         // the first one
	groups       []string
	fields       []string
	stamps       []stamp // of each row, where there are times
}

// A stamp is a row's time as it stands in the file.
type stamp struct {
	column int
	text   string
}

func (p *parser) fault(field int, format string, args ...any) {
	line, column := 0, 0
	if field >= 0 && field < len(p.fields) {
		line, column = p.in.FieldPos(field)
	} else if len(p.fields) > 0 {
		line, _ = p.in.FieldPos(0)
	}
	p.faults = append(p.faults, Fault{p.name, line, column, fmt.Sprintf(format, args...)})
}

func (p *parser) read(o Options) (Log, error) {
	p.log = Log{File: p.name, Taken: map[Quantity]Column{}}
	head, err := p.in.Read()
	if errors.Is(err, io.EOF) {
		return Log{}, Faults{{File: p.name, Line: 1, Says: "the file is empty: want a line of column names, then one line a reading"}}
	}
	if err != nil {
		return Log{}, p.csvFault(err)
	}
	p.fields = head
	p.head, _ = p.in.FieldPos(0)
	p.columns(slices.Clone(head), o.Columns)
	if len(p.faults) > 0 {
		return Log{}, p.faults
	}
	p.in.FieldsPerRecord = len(head)
	for {
		p.fields, err = p.in.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			var parse *csv.ParseError
			if errors.As(err, &parse) && errors.Is(parse.Err, csv.ErrFieldCount) {
				p.fault(-1, "%d fields, and the head names %d columns", len(p.fields), p.in.FieldsPerRecord)
				continue
			}
			p.faults = append(p.faults, p.csvFault(err)...)
			break
		}
		p.row()
	}
	if len(p.groups) > 1 && p.only == "" {
		return Log{}, Several{p.name, p.groups}
	}
	if len(p.log.Rows) == 0 && len(p.faults) == 0 {
		says := "no readings below the head"
		if p.only != "" && len(p.groups) > 0 {
			says = fmt.Sprintf("no readings of %s; there are %s", quoted(p.only), headings(p.groups))
		}
		p.faults = append(p.faults, Fault{File: p.name, Line: p.head, Says: says})
	}
	p.order()
	if len(p.faults) > 0 {
		slices.SortStableFunc(p.faults, func(a, b Fault) int { return cmp.Compare(a.Line, b.Line) })
		return Log{}, p.faults
	}
	p.settle()
	return p.log, nil
}

func (p *parser) csvFault(err error) Faults {
	f := csvtext.FaultOf(err)
	return Faults{{p.name, f.Line, f.Column, f.Says}}
}

// named is the column that a quantity was taken from, for messages.
func (p *parser) named(q Quantity) string { return heading(p.log.Taken[q].Name) }

func same(a, b string) bool { return strings.EqualFold(strings.TrimSpace(a), strings.TrimSpace(b)) }

// columns finds each quantity's field in the head.
func (p *parser) columns(head []string, wanted map[Quantity]Column) {
	p.at, p.unit = map[Quantity]int{}, map[Quantity]unit{}
	used := map[int]Quantity{}
	take := func(q Quantity, field int, c Column) {
		if other, twice := used[field]; twice {
			p.fault(field, "the column %s is named for %s and for %s, and holds one of them", heading(head[field]), other, q)
			return
		}
		for i := field + 1; i < len(head); i++ {
			if same(head[i], head[field]) {
				p.fault(i, "the head names %s twice, as columns %d and %d: rename one of them", heading(head[field]), field+1, i+1)
				return
			}
		}
		p.at[q] = field
		used[field] = q
		p.unit[q], _ = unitOf(q, c.Unit)
		if c.Unit == "" {
			p.unit[q] = units[q][0]
			if q == Time {
				p.unit[q] = unit{} // shown by its form
			}
		}
		p.log.Taken[q] = Column{strings.TrimSpace(head[field]), p.unit[q].name}
	}
	for _, q := range Quantities() {
		c, ok := wanted[q]
		if !ok {
			continue
		}
		if _, ok := unitOf(q, c.Unit); c.Unit != "" && !ok {
			p.fault(0, "no unit %s of %s; there are %s", quoted(c.Unit), q, unitNames(q))
			continue
		}
		field := slices.IndexFunc(head, func(h string) bool { return same(h, c.Name) })
		if field < 0 {
			p.fault(0, "no column %s for %s; the head has %s", quoted(c.Name), q, headings(head))
			continue
		}
		take(q, field, c)
	}
	for _, k := range known {
		if _, has := p.at[k.is]; has {
			continue
		}
		field := slices.IndexFunc(head, func(h string) bool { return same(h, k.name) })
		if _, taken := used[field]; field >= 0 && !taken {
			take(k.is, field, Column{k.name, k.unit})
		}
	}
	for i, h := range head {
		if _, taken := used[i]; !taken {
			p.log.Ignored = append(p.log.Ignored, strings.TrimSpace(h))
		}
	}
	if len(p.faults) > 0 {
		return
	}
	_, bySegment := p.at[segment]
	_, byWorkload := p.at[workload]
	if p.only != "" && !bySegment && !byWorkload {
		p.fault(0, "only %s is asked for, and the head names neither segment_id nor workload: the file holds one log", quoted(p.only))
		return
	}
	_, scored := p.at[Score]
	_, timed := p.at[Time]
	_, level := p.at[Level]
	_, battery := p.at[BatteryPower]
	_, socket := p.at[SocketPower]
	switch {
	case scored && !timed:
	case !timed:
		p.fault(0, "no column is recognised as the time (such as t_s, t_ms, t_host_utc) or as a score; the head has %s; name it, as in time=COLUMN@s", headings(head))
	case !scored && !level && !battery && !socket:
		p.fault(0, "no column is recognised as a level (level_pct), a power (battery_w, socket_w) or a score; the head has %s; name it, as in level=COLUMN", headings(head))
	}
}

// text is a field without the blanks around it; ok is false where the file has no such column or
// nothing in it.
func (p *parser) text(q Quantity) (string, bool) {
	i, ok := p.at[q]
	if !ok {
		return "", false
	}
	s := strings.TrimSpace(p.fields[i])
	return s, s != "" && !slices.Contains(missing, strings.ToLower(s))
}

// missing are the words by which programs write that there is no value.
var missing = []string{"nan", "na", "n/a", "null", "none", "nil", "-", "--"}

// number is a field in the unit of Row, nil where it is empty or faulty.
func (p *parser) number(q Quantity, low, high float64, want string) *float64 {
	s, ok := p.text(q)
	if !ok {
		return nil
	}
	v, ok := p.parse(s)
	if q == Level {
		if rest, percent := strings.CutSuffix(s, "%"); percent {
			v, ok = p.parse(strings.TrimSpace(rest))
		}
	}
	v *= p.unit[q].factor
	if !ok || !(v >= low && v <= high) {
		p.fault(p.at[q], "%s: want %s, got %s", p.named(q), want, quoted(s))
		return nil
	}
	return &v
}

func (p *parser) parse(s string) (float64, bool) {
	if p.decimalComma && !strings.Contains(s, ".") {
		s = strings.Replace(s, ",", ".", 1)
	}
	if strings.ContainsAny(s, "xX_pP") { // Go's own forms of numbers
		return 0, false
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, false
	}
	return v, true
}

// row takes one line.
func (p *parser) row() {
	var group []string
	for _, q := range []Quantity{segment, workload} {
		if s, ok := p.text(q); ok {
			group = append(group, s)
		}
	}
	if p.only != "" && len(group) == 0 {
		return
	}
	if name := strings.Join(group, "/"); name != "" {
		if !slices.Contains(p.groups, name) {
			if len(p.groups) < 1000 {
				p.groups = append(p.groups, name)
			}
		}
		if p.only != "" && p.only != name && p.only != group[0] {
			return
		}
		if p.only == "" && len(p.groups) > 1 {
			return // refused at the end; no use in faults of mixed logs
		}
	}
	line, _ := p.in.FieldPos(0)
	r := Row{Line: line}
	before := len(p.faults)
	if _, timed := p.at[Time]; timed {
		t, ok := p.time()
		if !ok {
			return
		}
		r.T = t
		_, column := p.in.FieldPos(p.at[Time])
		p.stamps = append(p.stamps, stamp{column, strings.Clone(p.fields[p.at[Time]])})
	}
	const huge = 1e15
	r.Level = p.number(Level, 0, 100, "a level of 0 to 100 %")
	r.Counter = p.number(Counter, -huge, huge, "a number")
	r.Current = p.number(Current, -huge, huge, "a number")
	r.VoltageMV = p.number(Voltage, 1000, 30_000, "a battery voltage of 1000 to 30 000 mV (name the unit if it is another)")
	r.TempC = p.number(Temperature, -60, 150, "a temperature of -60 to 150 °C (name the unit if it is another)")
	r.BatteryW = p.number(BatteryPower, -1000, 1000, "a power of -1000 to 1000 W (name the unit if it is another)")
	r.SocketW = p.number(SocketPower, -1000, 1000, "a power of -1000 to 1000 W (name the unit if it is another)")
	if s := p.number(Status, 0, 5, "a battery status of 0 to 5"); s != nil {
		r.Full = *s == 5
	}
	if s := p.number(Plugged, 0, 15, "0 for no power, or 1 to 15"); s != nil {
		r.Plugged, r.PluggedKnown = *s != 0, true
	}
	if _, scored := p.at[Score]; scored {
		r.Cycle = len(p.log.Rows) + 1
		r.Score = p.number(Score, math.SmallestNonzeroFloat64, huge, "a score above 0")
		if r.Score == nil && len(p.faults) == before {
			p.fault(p.at[Score], "%s: no score", p.named(Score))
		}
		if _, counted := p.at[Cycle]; counted {
			c := p.number(Cycle, 0, 1e6, "the number of a cycle")
			n := len(p.log.Rows)
			switch {
			case c == nil:
				if len(p.faults) == before {
					p.fault(p.at[Cycle], "%s: no number of the cycle", p.named(Cycle))
				}
			case *c != math.Trunc(*c), n > 0 && int(*c) != p.log.Rows[n-1].Cycle+1:
				p.fault(p.at[Cycle], "%s: want %s, got %s: cycles must follow one another with none left out", p.named(Cycle), p.nextCycle(), heading(p.fields[p.at[Cycle]]))
			}
			if c != nil {
				r.Cycle = int(*c)
			}
		}
	}
	// A line with a fault stays, so that the next one is compared with it; nothing is used in the end.
	p.log.Rows = append(p.log.Rows, r)
}

func (p *parser) nextCycle() string {
	if n := len(p.log.Rows); n > 0 {
		return strconv.Itoa(p.log.Rows[n-1].Cycle + 1)
	}
	return "a whole number"
}

// time is the row's time, from the first instant where the file has instants.
func (p *parser) time() (time.Duration, bool) {
	s, ok := p.text(Time)
	if !ok {
		p.fault(p.at[Time], "%s: no time", p.named(Time))
		return 0, false
	}
	u := p.unit[Time]
	form := u.name
	if form == "" { // the form says it
		switch {
		case strings.Contains(s, "T") || strings.Contains(s, "t"):
			form = "rfc3339"
		case strings.Contains(s, ":"):
			form = "h:mm:ss"
		default:
			p.fault(p.at[Time], "%s: %s has no unit: name it, as in time=%s@s (%s)", p.named(Time), quoted(s), p.named(Time), unitNames(Time))
			return 0, false
		}
		if p.form == "" {
			p.form = form
		}
		if p.form != form {
			p.fault(p.at[Time], "%s: want a time as %s like those before, got %s", p.named(Time), p.form, quoted(s))
			return 0, false
		}
	}
	var d time.Duration
	switch form {
	case "rfc3339":
		at, err := time.Parse(time.RFC3339, strings.ToUpper(s))
		if err != nil || at.Year() < 1970 || at.Year() > 2200 {
			p.fault(p.at[Time], "%s: want an instant such as 2030-05-14T21:00:00Z, got %s", p.named(Time), quoted(s))
			return 0, false
		}
		if p.instant.IsZero() {
			p.instant = at
		}
		return at.Sub(p.instant), true
	case "h:mm:ss":
		d, ok = clock(strings.Replace(s, ",", ".", 1))
	default:
		var v float64
		v, ok = p.parse(s)
		v *= u.factor
		ok = ok && v >= 0 && v < 9e9 // s; a Duration holds a little more
		d = time.Duration(math.Round(v * 1e9))
	}
	if !ok {
		want := map[string]string{"h:mm:ss": "a time as h:mm:ss, such as 1:02:30"}[form]
		if want == "" {
			want = "a time in " + form
		}
		p.fault(p.at[Time], "%s: want %s, got %s", p.named(Time), want, quoted(s))
	}
	return d, ok
}

// clock reads h:mm:ss, with a fraction of the second or not; hours may have any number of digits.
func clock(s string) (time.Duration, bool) {
	parts := strings.Split(s, ":")
	if len(parts) != 3 || len(parts[0]) == 0 || len(parts[0]) > 5 || len(parts[1]) != 2 || len(parts[2]) < 2 {
		return 0, false
	}
	h, errH := strconv.ParseUint(parts[0], 10, 31)
	m, errM := strconv.ParseUint(parts[1], 10, 31)
	whole, fraction, dotted := strings.Cut(parts[2], ".")
	sec, errS := strconv.ParseUint(whole, 10, 31)
	var nano uint64
	if dotted {
		if len(fraction) == 0 || len(fraction) > 9 {
			return 0, false
		}
		var err error
		if nano, err = strconv.ParseUint((fraction + "00000000")[:9], 10, 32); err != nil {
			return 0, false
		}
	}
	if errH != nil || errM != nil || errS != nil || m > 59 || sec > 59 || len(whole) != 2 {
		return 0, false
	}
	return time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(sec)*time.Second + time.Duration(nano), true
}

// order brings the rows into the order of time. A file that has the newest first, or is out of order throughout as a
// database gives it, is put right and a note says so; a line that stands twice counts once. Single lines that are out
// of order are faults: most likely their time was mistyped, or the clock was set.
func (p *parser) order() {
	rows := p.log.Rows
	if len(p.stamps) != len(rows) || len(rows) < 2 {
		return
	}
	place := make([]int, len(rows))
	for i := range place {
		place[i] = i
	}
	backward, forward := 0, 0
	for i := 1; i < len(rows); i++ {
		if rows[i].T < rows[i-1].T {
			backward++
		} else if rows[i].T > rows[i-1].T {
			forward++
		}
	}
	uptime := same(p.log.Taken[Time].Name, "uptime_ms") // runs backward where the handset restarted
	switch {
	case forward == 0 && backward > 1:
		slices.Reverse(place)
		p.log.Notes = append(p.log.Notes, "the file has its newest line first: it was read from its end")
	case backward > len(rows)/10 && len(rows) >= 20 && !uptime:
		slices.SortStableFunc(place, func(a, b int) int { return cmp.Compare(rows[a].T, rows[b].T) })
		p.log.Notes = append(p.log.Notes, "the file's lines are in no order: they were sorted by their time")
	}
	var out []Row
	twice := 0
	for _, i := range place {
		r := rows[i]
		if n := len(out); n > 0 && r.T <= out[n-1].T {
			if before := out[n-1]; r.T == before.T && r.says(before) {
				twice++
				continue
			}
			why := ""
			if p.form == "h:mm:ss" || p.unit[Time].name == "h:mm:ss" {
				why = "; over midnight, write dates too (2030-05-14T23:59:30Z)"
			}
			p.faults = append(p.faults, Fault{p.name, r.Line, p.stamps[i].column,
				fmt.Sprintf("%s: %s is not after the time of line %d%s", p.named(Time), quoted(p.stamps[i].text), out[n-1].Line, why)})
		}
		out = append(out, r)
	}
	if twice > 0 {
		p.log.Notes = append(p.log.Notes, fmt.Sprintf("%d lines that stand twice were counted once", twice))
	}
	if !p.instant.IsZero() { // counted from the first line of the file
		first := out[0].T
		p.instant = p.instant.Add(first)
		for i := range out {
			out[i].T -= first
		}
	}
	p.log.Rows = out
}

// says reports whether two rows say the same, wherever they stand.
func (r Row) says(o Row) bool {
	r.Line, r.Cycle, o.Line, o.Cycle = 0, 0, 0, 0
	return reflect.DeepEqual(r, o)
}

// settle makes clock times and uptimes count from the first row.
func (p *parser) settle() {
	p.log.Start = p.instant
	if p.form != "" && p.log.Taken[Time].Unit == "" {
		p.log.Taken[Time] = Column{p.log.Taken[Time].Name, p.form}
	}
	first := p.log.Rows[0].T
	taken := p.log.Taken[Time]
	if taken.Unit == "h:mm:ss" || same(taken.Name, "uptime_ms") || first > 24*time.Hour {
		for i := range p.log.Rows {
			p.log.Rows[i].T -= first
		}
	}
}
