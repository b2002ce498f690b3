package results

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// csvWriter writes rows as RFC 4180 (2005) has them, with LF between. A text that a spreadsheet
// would take for a formula has an apostrophe before it: see harmless.
func csvWriter(t Table, w io.Writer) (put func([]any) error, err error) {
	var line []byte
	for i, c := range t.Columns {
		if i > 0 {
			line = append(line, ',')
		}
		line = appendField(line, c.Name)
	}
	if _, err := w.Write(append(line, '\n')); err != nil {
		return nil, err
	}
	var days dayText
	return func(values []any) error {
		line = line[:0]
		for i, v := range values {
			if i > 0 {
				line = append(line, ',')
			}
			switch v := pointed(v).(type) {
			case string:
				line = appendField(line, harmless(v))
			case float64:
				line = strconv.AppendFloat(line, v, 'g', -1, 64)
			default:
				line = days.value(line, v)
			}
		}
		line = append(line, '\n')
		_, err := w.Write(line)
		return err
	}, nil
}

// harmless is a text as a spreadsheet shows it: where it begins with what makes a formula of it
// there, an apostrophe stands before. (From memory: the advice of the Open Worldwide Application
// Security Project on CSV injection.) Numbers are no texts and stay as they are.
func harmless(text string) string {
	if text != "" && strings.IndexByte("=+-@\t\r", text[0]) >= 0 {
		return "'" + text
	}
	return text
}

// appendField writes a text as a field, in quotation marks where it needs them: encoding/csv decides alike.
func appendField(line []byte, text string) []byte {
	if text == "" {
		return line
	}
	first, _ := utf8.DecodeRuneInString(text)
	if text != `\.` && !strings.ContainsAny(text, ",\"\r\n") && !unicode.IsSpace(first) {
		return append(line, text...)
	}
	line = append(line, '"')
	for {
		before, after, more := strings.Cut(text, `"`)
		line = append(line, before...)
		if !more {
			return append(line, '"')
		}
		line = append(line, `""`...)
		text = after
	}
}

// linesWriter writes each row as a JSON object on a line of its own.
func linesWriter(t Table, w io.Writer) (put func([]any) error) {
	names := make([][]byte, len(t.Columns))
	for i, c := range t.Columns {
		names[i] = append(strconv.AppendQuote([]byte{','}, c.Name), ':')
	}
	names[0][0] = '{'
	var line []byte
	var days dayText
	return func(values []any) error {
		line = line[:0]
		for i, v := range values {
			line = append(line, names[i]...)
			switch v := pointed(v).(type) {
			case nil:
				line = append(line, "null"...)
			case time.Time:
				if v.IsZero() {
					line = append(line, "null"...)
				} else {
					line = append(days.value(append(line, '"'), v), '"')
				}
			case string, float64:
				var err error
				if line, err = appendJSON(line, v); err != nil {
					return fmt.Errorf("column %s: %w", t.Columns[i].Name, err)
				}
			default:
				line = days.value(line, v)
			}
		}
		line = append(line, '}', '\n')
		_, err := w.Write(line)
		return err
	}
}

// appendJSON writes a number or a text as encoding/json does, which it asks where that is not plain.
func appendJSON(line []byte, v any) ([]byte, error) {
	switch v := v.(type) {
	case float64:
		if size := math.Abs(v); size == 0 || size >= 1e-6 && size < 1e21 {
			return strconv.AppendFloat(line, v, 'f', -1, 64), nil
		}
	case string:
		if !strings.ContainsFunc(v, func(r rune) bool { return r < ' ' || r > '~' || strings.ContainsRune(`"\<>&`, r) }) {
			return append(append(append(line, '"'), v...), '"'), nil
		}
	}
	text, err := json.Marshal(v)
	return append(line, text...), err
}

// pointed is what a value points to; nil where there is none.
func pointed(v any) any {
	switch p := v.(type) {
	case *bool:
		if p == nil {
			return nil
		}
		return *p
	case *int64:
		if p == nil {
			return nil
		}
		return *p
	case *float64:
		if p == nil {
			return nil
		}
		return *p
	}
	return v
}

// cell is a value as CSV has it, but for what a spreadsheet needs.
func cell(v any) string {
	switch v := pointed(v).(type) {
	case string:
		return v
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64)
	default:
		return string(new(dayText).value(nil, v))
	}
}

// A dayText writes times as RFC 3339 in UTC with milliseconds. Rows that follow each other are mostly of
// one day, whose date is written once.
type dayText struct {
	day  int64 // since 1970
	date []byte
}

const msPerDay = 24 * 60 * 60 * 1000

// value writes what every format writes alike: whole numbers, truths and times; nothing for nil and for
// a time without a date.
func (d *dayText) value(line []byte, v any) []byte {
	switch v := v.(type) {
	case nil:
		return line
	case int:
		return strconv.AppendInt(line, int64(v), 10)
	case int64:
		return strconv.AppendInt(line, v, 10)
	case bool:
		return strconv.AppendBool(line, v)
	case time.Time:
		if v.IsZero() {
			return line
		}
		return d.time(line, v)
	}
	return fmt.Append(line, v)
}

func (d *dayText) time(line []byte, t time.Time) []byte {
	ms := t.UnixMilli()
	day := ms / msPerDay
	if ms -= day * msPerDay; ms < 0 {
		ms, day = ms+msPerDay, day-1
	}
	if d.date == nil || day != d.day {
		d.day, d.date = day, t.UTC().AppendFormat(d.date[:0], "2006-01-02T")
	}
	line = append(line, d.date...)
	for _, part := range []struct {
		of    int64
		after byte
	}{{60 * 60 * 1000, ':'}, {60 * 1000, ':'}, {1000, '.'}} {
		n := ms / part.of
		ms -= n * part.of
		line = append(line, byte('0'+n/10), byte('0'+n%10), part.after)
	}
	return append(line, byte('0'+ms/100), byte('0'+ms/10%10), byte('0'+ms%10), 'Z')
}
