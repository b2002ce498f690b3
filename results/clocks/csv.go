package clocks

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"rundown/results/csvtext"
)

// A Format says how a meter writes its record. Columns are named as in the file's line of
// names (capitals do not matter), or given by number, from 1, as "#1".
type Format struct {
	Time string // column of the time
	// TimeAs is how the time is written: Seconds, Milliseconds, or a layout of Go's package
	// time, e.g. "2006-01-02 15:04:05.000"; "" tries RFC 3339 and then seconds.
	TimeAs string
	// Start is the instant of 0 for Seconds and Milliseconds; the zero value stands for the
	// meter's own beginning, 1 January 1970, which Align brings into place.
	Start time.Time
	Zone  *time.Location // of a layout without a zone; nil stands for UTC

	// Power is the column of power; or Voltage and Current are, and power is their product.
	Power, Voltage, Current string
	Factor                  float64 // makes W of what the columns give; 0 stands for 1
}

// Forms of a time that is a number.
const (
	Seconds      = "s"
	Milliseconds = "ms"
)

// Limits of what is read.
const (
	mostBytes  = 1 << 30
	mostRows   = 5_000_000
	mostFaults = 20
	preamble   = 200 // lines before the line of names
)

// ReadCSV reads a meter's record. The file's first lines may be a preamble; the first
// line that has all columns named is that of the names. Commas, semicolons and tabs
// between fields are told apart by that line, and with semicolons or tabs a decimal comma
// is understood. Rows with an empty value are drop-outs and are left out. All faults come
// out at once, each with its line; time that runs backwards is one.
func ReadCSV(r io.Reader, f Format) ([]Point, error) {
	if f.Factor == 0 {
		f.Factor = 1
	}
	if f.Zone == nil {
		f.Zone = time.UTC
	}
	if f.Start.IsZero() {
		f.Start = time.Unix(0, 0).UTC()
	}
	want := []string{f.Time}
	switch {
	case f.Time == "":
		return nil, errors.New("meter's record: no column of time is named")
	case f.Power != "" && f.Voltage == "" && f.Current == "":
		want = append(want, f.Power)
	case f.Power == "" && f.Voltage != "" && f.Current != "":
		want = append(want, f.Voltage, f.Current)
	default:
		return nil, errors.New("meter's record: want a column of power, or one of voltage and one of current")
	}
	text, err := csvtext.Read(r, mostBytes)
	if err != nil {
		return nil, fmt.Errorf("meter's record: %w", err)
	}
	comma, line, at, rest, err := f.names(text, want)
	if err != nil {
		return nil, err
	}
	rows := csvtext.Rows(rest, comma)
	rows.LazyQuotes = true // meters quote units as they like
	rows.Comment = 0       // and write no comments: such a row is a fault, not left out
	var points []Point
	var faults []error
	fault := func(line int, format string, args ...any) {
		faults = append(faults, fmt.Errorf("line %d: "+format, append([]any{line}, args...)...))
	}
	for len(faults) < mostFaults {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			wrong := csvtext.FaultOf(err)
			wrong.Line += line
			faults = append(faults, wrong)
			break
		}
		n, _ := rows.FieldPos(0)
		n += line
		if len(row) == 1 && strings.TrimSpace(row[0]) == "" {
			continue
		}
		var fields [3]string
		short := false
		for i, c := range at {
			if c >= len(row) {
				short = true
				break
			}
			fields[i] = strings.TrimSpace(row[c])
		}
		if short {
			// A last line may be cut off where the meter was switched off; any other is a fault.
			if _, err := rows.Read(); errors.Is(err, io.EOF) {
				break
			}
			fault(n, "%d fields, and column %q is not among them", len(row), want[len(want)-1])
			continue
		}
		instant, err := f.instant(fields[0], comma)
		if err != nil {
			fault(n, "%v", err)
			continue
		}
		value, empty := f.Factor, false
		for i := 1; i < len(at); i++ {
			if fields[i] == "" {
				empty = true
				break
			}
			v, err := number(fields[i], comma)
			if err != nil {
				fault(n, "%s %v", want[i], err)
				empty = true
				break
			}
			value *= v
		}
		if empty {
			continue
		}
		if len(points) > 0 && instant.Before(points[len(points)-1].At) {
			fault(n, "time runs backwards, from %s to %s; was the meter's clock set, or are these two records", points[len(points)-1].At.Format(time.RFC3339Nano), instant.Format(time.RFC3339Nano))
			continue
		}
		if len(points) == mostRows {
			return nil, fmt.Errorf("meter's record: line %d: more than %d rows", n, mostRows)
		}
		points = append(points, Point{instant, value})
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	if len(points) == 0 {
		return nil, errors.New("meter's record: no row has a value")
	}
	return points, nil
}

// names finds the line of names: what separates fields, how many lines are gone with it,
// where the wanted columns are, and what follows.
func (f Format) names(text []byte, want []string) (comma rune, line int, at []int, rest []byte, err error) {
	byNumber := true
	for _, w := range want {
		byNumber = byNumber && strings.HasPrefix(w, "#")
	}
	rest = text
	for line < preamble && len(rest) > 0 {
		first, after, _ := bytes.Cut(rest, []byte("\n"))
		for _, comma := range []rune{',', ';', '\t'} {
			fields := strings.Split(strings.TrimRight(string(first), "\r"), string(comma))
			at, twice := f.find(fields, want)
			if twice != nil {
				return 0, 0, nil, nil, fmt.Errorf("meter's record: line %d: %w, or take the column by its number, such as #%d", line+1, twice, len(fields))
			}
			if at != nil {
				if !byNumber {
					return comma, line + 1, at, after, nil
				}
				// Without names, the first line of values is where the record begins.
				if _, err := f.instant(strings.Trim(fields[at[0]], ` "`), comma); err == nil {
					return comma, line, at, rest, nil
				}
			}
		}
		line, rest = line+1, after
	}
	return 0, 0, nil, nil, fmt.Errorf("meter's record: none of the first %d lines has the columns %q", line, want)
}

// find is where the wanted columns are in a line, from 0; nil when it does not have them all.
// One that it has twice is an error.
func (f Format) find(fields, want []string) (at []int, err error) {
	for _, w := range want {
		column, twice := -1, error(nil)
		if text, numbered := strings.CutPrefix(w, "#"); numbered {
			if n, err := strconv.Atoi(text); err == nil && n >= 1 && n <= len(fields) {
				column = n - 1
			}
		} else {
			column, twice = csvtext.Column(fields, w)
		}
		if column < 0 {
			return nil, nil
		}
		at, err = append(at, column), cmp.Or(err, twice)
	}
	return at, err
}

// Instant reads one instant as the meter's record writes it.
func (f Format) Instant(text string) (time.Time, error) {
	if f.Zone == nil {
		f.Zone = time.UTC
	}
	if f.Start.IsZero() {
		f.Start = time.Unix(0, 0).UTC()
	}
	return f.instant(strings.TrimSpace(text), ';')
}

func (f Format) instant(text string, comma rune) (time.Time, error) {
	unit := time.Second
	switch f.TimeAs {
	case Milliseconds:
		unit = time.Millisecond
	case Seconds:
	case "":
		if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
			return t.UTC(), nil
		}
	default:
		t, err := time.ParseInLocation(f.TimeAs, text, f.Zone)
		if err != nil {
			return time.Time{}, fmt.Errorf("time %q is not written as %q", shorten(text), f.TimeAs)
		}
		return t.UTC(), nil
	}
	v, err := number(text, comma)
	// Beyond 200 years a duration overflows.
	if err != nil || math.Abs(v)*float64(unit) > 6e18 {
		return time.Time{}, fmt.Errorf("time %q is no number of %s", shorten(text), unitName(unit))
	}
	return f.Start.Add(time.Duration(math.Round(v * float64(unit)))), nil
}

func unitName(unit time.Duration) string {
	if unit == time.Millisecond {
		return "milliseconds"
	}
	return "seconds"
}

// number reads a value; a decimal comma where fields are not separated by commas.
func number(text string, comma rune) (float64, error) {
	plain := csvtext.DecimalPoint(text, comma)
	if strings.Trim(plain, "0123456789+-.eE") != "" {
		return 0, fmt.Errorf("%q is no number", shorten(text))
	}
	v, err := strconv.ParseFloat(plain, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, fmt.Errorf("%q is no number", shorten(text))
	}
	return v, nil
}

func shorten(text string) string { return csvtext.Short(strings.ToValidUTF8(text, "?"), 40) }
