// Package csvtext opens CSV that somebody else has written: a spreadsheet, a meter, a program
// on another desk. It finds what keeps a text from being read as lines at all, what parts the
// fields, and says in words where a quotation went wrong. What the columns mean is the caller's.
//
// It imports nothing of the house.
package csvtext

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"
)

// MaxLine bounds one line, bytes. A line of a log has some hundreds; what is longer is no text
// or has lost its line ends.
const MaxLine = 64 << 10

// A Fault is one thing that is wrong in a text.
type Fault struct {
	Line, Column int // from 1; Column in bytes, 0 where the whole line is meant; both 0 where none is
	Says         string
}

func (f Fault) Error() string {
	switch {
	case f.Line == 0:
		return f.Says
	case f.Column == 0:
		return fmt.Sprintf("line %d: %s", f.Line, f.Says)
	}
	return fmt.Sprintf("line %d, byte %d: %s", f.Line, f.Column, f.Says)
}

// Read reads a text whole, no more than most bytes of it, without its byte order mark. Its
// error is a Fault, or that of r.
func Read(r io.Reader, most int64) ([]byte, error) {
	text, err := io.ReadAll(io.LimitReader(r, most+1))
	if err != nil {
		return nil, err
	}
	if f := unreadable(text, most); f != nil {
		return nil, *f
	}
	return bytes.TrimPrefix(text, []byte("\ufeff")), nil
}

// unreadable finds what keeps a text from being read as lines; nil: nothing does.
func unreadable(text []byte, most int64) *Fault {
	if bytes.HasPrefix(text, []byte{0xff, 0xfe}) || bytes.HasPrefix(text, []byte{0xfe, 0xff}) {
		return &Fault{Line: 1, Says: "the file is UTF-16: save it as CSV in UTF-8"}
	}
	if bytes.IndexByte(text, '\n') < 0 && bytes.IndexByte(bytes.TrimRight(text, "\r"), '\r') >= 0 {
		return &Fault{Line: 1, Says: "the lines end in CR alone, so that the file is one line: save it with LF or CR LF"}
	}
	line, rest := 1, text
	for len(rest) > 0 {
		one, after, more := bytes.Cut(rest, []byte{'\n'})
		switch {
		case len(one) > MaxLine:
			return &Fault{Line: line, Says: fmt.Sprintf("a line of more than %d KiB: this is no log of readings, or it has lost its line ends", MaxLine>>10)}
		case bytes.IndexByte(one, 0) >= 0:
			return &Fault{Line: line, Column: bytes.IndexByte(one, 0) + 1, Says: "a zero byte: the file is no text"}
		}
		if !more {
			break
		}
		line, rest = line+1, after
	}
	if int64(len(text)) > most {
		return &Fault{Line: line, Says: fmt.Sprintf("the file goes on after %d MiB, and that is as much as is read: split it by logs, or leave out readings", most>>20)}
	}
	return nil
}

// Separator is what parts the fields of the first line that is neither empty nor begins with
// "#": a comma, a semicolon or a tab, whichever is there most often; but where semicolons or tabs
// part numbers, the commas are theirs.
func Separator(text []byte) rune {
	for line := range bytes.Lines(text) {
		if line = bytes.TrimSpace(line); len(line) == 0 || line[0] == '#' {
			continue
		}
		best, most := ',', bytes.Count(line, []byte{','})
		for _, c := range []rune{';', '\t'} {
			if numbers(strings.Split(string(line), string(c)), c) {
				return c
			}
			if n := bytes.Count(line, []byte(string(c))); n > most {
				best, most = c, n
			}
		}
		return best
	}
	return ','
}

// numbers reports whether fields are two numbers or more.
func numbers(fields []string, comma rune) bool {
	for _, f := range fields {
		if _, err := strconv.ParseFloat(DecimalPoint(strings.TrimSpace(f), comma), 64); err != nil {
			return false
		}
	}
	return len(fields) > 1
}

// Column finds the field of a line of names that has one of the names, in capitals or not: at
// counts from 0, -1 where none has. Two that have are a Fault without its line.
func Column(head []string, names ...string) (at int, err error) {
	at = -1
	for i, field := range head {
		for _, name := range names {
			if !strings.EqualFold(strings.Trim(field, " \"\t"), name) {
				continue
			}
			if at >= 0 {
				return at, Fault{Says: fmt.Sprintf("%s is named twice, as columns %d and %d: rename one of them", Plain(Short(name, 40)), at+1, i+1)}
			}
			at = i
			break
		}
	}
	return at, nil
}

// Rows reads the rows of a text whose fields are parted by comma, each of any number of fields.
// Lines that begin with "#" are left out. The slice of one row is good until the next.
func Rows(text []byte, comma rune) *csv.Reader {
	rows := csv.NewReader(bytes.NewReader(text))
	rows.Comma, rows.Comment, rows.FieldsPerRecord, rows.TrimLeadingSpace, rows.ReuseRecord = comma, '#', -1, comma != '\t', true
	return rows
}

// FaultOf puts what Rows' reader finds wrong into words. Lines count from the text's first.
func FaultOf(err error) Fault {
	var parse *csv.ParseError
	if !errors.As(err, &parse) {
		return Fault{Says: err.Error()}
	}
	switch {
	case errors.Is(parse.Err, csv.ErrQuote): // found where the file ends, or where another quotation mark comes
		return Fault{parse.StartLine, 0, "a quoted field that begins in this line is not closed, or is followed by more than a separator"}
	case errors.Is(parse.Err, csv.ErrBareQuote):
		return Fault{parse.Line, parse.Column, "a quotation mark within a field that does not begin with one"}
	}
	return Fault{parse.Line, parse.Column, parse.Err.Error()}
}

// DecimalPoint is a number as strconv reads it: where fields are not parted by commas, its one
// comma is a decimal comma.
func DecimalPoint(text string, comma rune) string {
	if comma != ',' && strings.Count(text, ",") == 1 && !strings.Contains(text, ".") {
		return strings.Replace(text, ",", ".", 1)
	}
	return text
}

// Plain is a text from a file or a name of one as it may be printed on a terminal: as it is, or quoted
// where it holds what a terminal would act on or not show.
func Plain(s string) string {
	if utf8.ValidString(s) && !strings.ContainsFunc(s, func(r rune) bool { return !strconv.IsPrint(r) }) {
		return s
	}
	return strconv.Quote(s)
}

// Short is the beginning of a text, of so many characters.
func Short(s string, most int) string {
	n := 0
	for i := range s {
		if n++; n > most {
			return s[:i] + "…"
		}
	}
	return s
}
