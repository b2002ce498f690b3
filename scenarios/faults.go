package scenarios

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// A Fault is one thing that is wrong in a plan file, and where.
type Fault struct {
	File string
	Line int    // from 1
	Col  int    // from 1, in characters
	Path string // the place in words of the file: plans.everyday.segments[2].drain
	Msg  string // what is wrong and what is allowed
}

func (f Fault) String() string {
	if f.Path == "" {
		return fmt.Sprintf("%s:%d:%d: %s", f.File, f.Line, f.Col, f.Msg)
	}
	return fmt.Sprintf("%s:%d:%d: %s: %s", f.File, f.Line, f.Col, f.Path, f.Msg)
}

// Faults is everything that is wrong in a plan file, in the order of the file.
// It is the error that Load and Parse return.
type Faults []Fault

// Error is one line for each fault.
func (fs Faults) Error() string {
	lines := make([]string, len(fs))
	for i, f := range fs {
		lines[i] = f.String()
	}
	return strings.Join(lines, "\n")
}

// sorted brings faults into the order of the file and drops what is said twice of one
// place, as happens when an alias is used twice.
func (fs Faults) sorted() Faults {
	slices.SortStableFunc(fs, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col), cmp.Compare(a.Path, b.Path), cmp.Compare(a.Msg, b.Msg))
	})
	return slices.Compact(fs)
}

// didYouMean is ` (did you mean "drain"?)`, or empty when nothing known is near.
func didYouMean(got string, known []string) string {
	best, bestAt := "", 1+max(1, min(3, len(got)/3))
	for _, k := range known {
		if d := distance(strings.ToLower(got), strings.ToLower(k)); d < bestAt && d < len(got) {
			best, bestAt = k, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf(" (did you mean %q?)", best)
}

// distance counts the insertions, deletions, replacements and swaps of neighbours that
// turn a into b (optimal string alignment).
func distance(a, b string) int {
	const most = 64 // names are short; a long one is near nothing
	ra, rb := []rune(a), []rune(b)
	if len(ra) > most || len(rb) > most {
		return most
	}
	d := make([][]int, len(ra)+1)
	for i := range d {
		d[i] = make([]int, len(rb)+1)
		d[i][0] = i
	}
	for j := range d[0] {
		d[0][j] = j
	}
	for i := 1; i <= len(ra); i++ {
		for j := 1; j <= len(rb); j++ {
			cost := 1
			if ra[i-1] == rb[j-1] {
				cost = 0
			}
			d[i][j] = min(d[i-1][j]+1, d[i][j-1]+1, d[i-1][j-1]+cost)
			if i > 1 && j > 1 && ra[i-1] == rb[j-2] && ra[i-2] == rb[j-1] {
				d[i][j] = min(d[i][j], d[i-2][j-2]+1)
			}
		}
	}
	return d[len(ra)][len(rb)]
}

// oneOf lists what is allowed: "a, b or c".
func oneOf(names []string) string {
	switch len(names) {
	case 0:
		return "nothing"
	case 1:
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
}

// listed is "a, b and c", cut where there are very many.
func listed(names []string) string {
	const most = 24
	switch n := len(names); {
	case n == 0:
		return "none"
	case n == 1:
		return names[0]
	case n > most:
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most-4], ", "), n-most+4)
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}
