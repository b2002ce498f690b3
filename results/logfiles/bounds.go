package logfiles

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"rundown/results/csvtext"
)

// MaxBytes bounds a log: a day of readings, one a second, takes a third of it.
const MaxBytes = 16 << 20

// Content reads a log whole, and no more of it than a log can have. Its error is Faults, or that of r.
func Content(name string, r io.Reader) ([]byte, error) {
	content, err := csvtext.Read(r, MaxBytes)
	var f csvtext.Fault
	switch {
	case errors.As(err, &f):
		return nil, Faults{{name, f.Line, f.Column, f.Says}}
	case err != nil:
		return nil, fmt.Errorf("%s: %w", csvtext.Plain(name), err)
	}
	return content, nil
}

// shown is how much of a field is shown in a message.
const shown = 60

func short(s string) string { return csvtext.Short(s, shown) }

// heading is a column's name in a message.
func heading(s string) string { return csvtext.Plain(short(strings.TrimSpace(s))) }

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
	return fmt.Sprintf("%s: %v: choose one of %s", csvtext.Plain(s.File), ErrSeveral, headings(s.Names))
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
