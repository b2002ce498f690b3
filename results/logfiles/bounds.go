package logfiles

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"
)

const (
	// MaxBytes bounds a log: a day of readings, one a second, takes a third of it.
	MaxBytes = 16 << 20
	// maxLine bounds one line of it, bytes. A log's line has some hundreds; what is longer is no text or has lost its line ends.
	maxLine = 64 << 10
)

// Content reads a log whole, and no more of it than a log can have. Its error is Faults, or that of r.
func Content(name string, r io.Reader) ([]byte, error) {
	content, err := io.ReadAll(io.LimitReader(r, MaxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", Plain(name), err)
	}
	if f, ok := unreadable(content); ok {
		f.File = name
		return nil, Faults{f}
	}
	return content, nil
}

// unreadable finds what keeps a content from being read as lines at all.
func unreadable(content []byte) (Fault, bool) {
	if bytes.HasPrefix(content, []byte{0xff, 0xfe}) || bytes.HasPrefix(content, []byte{0xfe, 0xff}) {
		return Fault{Line: 1, Says: "the file is UTF-16: save it as CSV in UTF-8"}, true
	}
	if bytes.IndexByte(content, '\n') < 0 && bytes.IndexByte(bytes.TrimRight(content, "\r"), '\r') >= 0 {
		return Fault{Line: 1, Says: "the lines end in CR alone, so that the file is one line: save it with LF or CR LF"}, true
	}
	line, rest := 1, content
	for len(rest) > 0 {
		one, after, more := bytes.Cut(rest, []byte{'\n'})
		switch {
		case len(one) > maxLine:
			return Fault{Line: line, Says: fmt.Sprintf("a line of more than %d KiB: this is no log of readings, or it has lost its line ends", maxLine>>10)}, true
		case bytes.IndexByte(one, 0) >= 0:
			return Fault{Line: line, Column: bytes.IndexByte(one, 0) + 1, Says: "a zero byte: the file is no text"}, true
		}
		if !more {
			break
		}
		line, rest = line+1, after
	}
	if len(content) > MaxBytes {
		return Fault{Line: line, Says: fmt.Sprintf("the file goes on after %d MiB, and that is as much as is read: split it by logs, or leave out readings", MaxBytes>>20)}, true
	}
	return Fault{}, false
}

// Plain is a text from a file or a name of one as it may be printed on a terminal: as it is, or quoted
// where it holds what a terminal would act on or not show.
func Plain(s string) string {
	if utf8.ValidString(s) && !strings.ContainsFunc(s, func(r rune) bool { return !strconv.IsPrint(r) }) {
		return s
	}
	return strconv.Quote(s)
}

// shown is how much of a field is shown in a message.
const shown = 60

// short is the beginning of a text.
func short(s string) string {
	n := 0
	for i := range s {
		if n++; n > shown {
			return s[:i] + "…"
		}
	}
	return s
}

// heading is a column's name in a message.
func heading(s string) string { return Plain(short(strings.TrimSpace(s))) }

// quoted is a field in a message.
func quoted(s string) string { return strconv.Quote(short(s)) }

// headings are the names in a head, as many as a message bears.
func headings(head []string) string {
	const most = 30
	var list []string
	for i, h := range head {
		if i == most {
			list = append(list, fmt.Sprintf("and %d more", len(head)-most))
			break
		}
		list = append(list, heading(h))
	}
	return strings.Join(list, ", ")
}

// ErrSeveral means that the file holds several segments or workloads and none was chosen.
var ErrSeveral = errors.New("several logs in one file")

// Several is the error of a file that holds several logs, with their names to choose from. It is ErrSeveral.
type Several struct {
	File  string
	Names []string
}

func (s Several) Error() string {
	return fmt.Sprintf("%s: %v: choose one of %s", Plain(s.File), ErrSeveral, headings(s.Names))
}

// Is makes Several ErrSeveral.
func (s Several) Is(target error) bool { return target == ErrSeveral }

// ParseColumns reads mappings as ParseColumn does. A quantity that is named twice is refused.
func ParseColumns(list []string) (map[Quantity]Column, error) {
	columns := map[Quantity]Column{}
	for _, text := range list {
		q, c, err := ParseColumn(text)
		if err != nil {
			return nil, err
		}
		if before, twice := columns[q]; twice {
			return nil, fmt.Errorf("column mapping %s: %s is %s already", quoted(text), q, heading(before.Name))
		}
		columns[q] = c
	}
	return columns, nil
}
