package csvtext

import (
	"bytes"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"unicode/utf8"
)

// all are the rows of a text, and the first thing that is wrong with it.
func all(text string) (rows [][]string, err error) {
	content, err := Read(strings.NewReader(text), 1<<20)
	if err != nil {
		return nil, err
	}
	in := Rows(content, Separator(content))
	for {
		row, err := in.Read()
		switch {
		case errors.Is(err, io.EOF):
			return rows, nil
		case err != nil:
			return rows, FaultOf(err)
		}
		rows = append(rows, slices.Clone(row))
	}
}

// Fields and rows as RFC 4180 (2005), section 2, has them, and what programs make of it: byte order
// marks, semicolons and tabs, comments, rows of unequal length, empty fields between tabs.
func TestRows(t *testing.T) {
	for _, tt := range []struct {
		name, text string
		want       [][]string
	}{
		{"RFC 4180, 2.1 and 2.2", "aaa,bbb,ccc\r\nzzz,yyy,xxx", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"RFC 4180, 2.6", "\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx", [][]string{{"aaa", "b\nbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"RFC 4180, 2.7", `"aaa","b""bb","ccc"`, [][]string{{"aaa", `b"bb`, "ccc"}}},
		{"byte order mark", "\ufeffa,b\n1,2\n", [][]string{{"a", "b"}, {"1", "2"}}},
		{"semicolons", "a;b\n1,5;2\n", [][]string{{"a", "b"}, {"1,5", "2"}}},
		{"tabs with an empty field", "a\tb\tc\n1\t\t3\n", [][]string{{"a", "b", "c"}, {"1", "", "3"}}},
		{"comments, before the head too", "# by hand, on two days\na;b\n# a pause\n1;2\n", [][]string{{"a", "b"}, {"1", "2"}}},
		{"unequal rows", "a,b\n1\n1,2,3\n", [][]string{{"a", "b"}, {"1"}, {"1", "2", "3"}}},
		{"space before a field", "a, b\n1, \"2, 3\"\n", [][]string{{"a", "b"}, {"1", "2, 3"}}},
		{"empty", "", nil},
	} {
		rows, err := all(tt.text)
		if err != nil || !slices.EqualFunc(rows, tt.want, slices.Equal[[]string]) {
			t.Errorf("%s: %q, %v; want %q", tt.name, rows, err, tt.want)
		}
	}
}

// What is wrong is said with its line, and where that helps with its byte.
func TestFaults(t *testing.T) {
	for _, tt := range []struct{ name, text, want string }{
		{"lines that end in CR alone", "a,b\r1,2\r", "line 1: the lines end in CR alone, so that the file is one line: save it with LF or CR LF"},
		{"UTF-16", "\xff\xfea\x00", "line 1: the file is UTF-16: save it as CSV in UTF-8"},
		{"UTF-16, big endian", "\xfe\xff\x00a", "line 1: the file is UTF-16: save it as CSV in UTF-8"},
		{"a zero byte", "a,b\n1,\x002\n", "line 2, byte 3: a zero byte: the file is no text"},
		{"a line without end", "a,b\n" + strings.Repeat("1", MaxLine+1), "line 2: a line of more than 64 KiB: this is no log of readings, or it has lost its line ends"},
		{"too long", strings.Repeat("1,2\n", 1<<18+1), "line 262145: the file goes on after 1 MiB, and that is as much as is read: split it by logs, or leave out readings"},
		{"a quotation that does not close", "a,b\n1,2\n3,\"4\n5,6\n", "line 3: a quoted field that begins in this line is not closed, or is followed by more than a separator"},
		{"a quotation mark within a field", "a,b\n1,2\"3\n", `line 2, byte 4: a quotation mark within a field that does not begin with one`},
	} {
		rows, err := all(tt.text)
		var f Fault
		if !errors.As(err, &f) || err.Error() != tt.want {
			t.Errorf("%s: %v after %d rows\nwant %s", tt.name, err, len(rows), tt.want)
		}
	}
	if _, err := Read(iotest.ErrReader(io.ErrClosedPipe), 10); !errors.Is(err, io.ErrClosedPipe) {
		t.Errorf("a reader that fails: %v", err)
	}
	if exact, err := Read(strings.NewReader("1,2\n"), 4); err != nil || string(exact) != "1,2\n" {
		t.Errorf("as long as may be: %q, %v", exact, err)
	}
}

func TestWords(t *testing.T) {
	for _, tt := range []struct{ text, comma, want string }{{"1,5", ";", "1.5"}, {"1,5", ",", "1,5"}, {"1,234.5", ";", "1,234.5"}, {"1,234,5", "\t", "1,234,5"}, {"15", ";", "15"}} {
		if got := DecimalPoint(tt.text, rune(tt.comma[0])); got != tt.want {
			t.Errorf("DecimalPoint(%q, %q) = %q, want %q", tt.text, tt.comma, got, tt.want)
		}
	}
	for _, tt := range []struct{ text, want string }{{"level %", "level %"}, {"a\x1b[31mb", `"a\x1b[31mb"`}, {"a\u202eb", `"a\u202eb"`}, {"\xff", `"\xff"`}} {
		if got := Plain(tt.text); got != tt.want {
			t.Errorf("Plain(%q) = %s, want %s", tt.text, got, tt.want)
		}
	}
	for _, tt := range []struct{ text, want string }{{"Ähre", "Ähr…"}, {"Ähr", "Ähr"}, {"", ""}} {
		if got := Short(tt.text, 3); got != tt.want {
			t.Errorf("Short(%q) = %q, want %q", tt.text, got, tt.want)
		}
	}
}

func TestSeparator(t *testing.T) {
	for _, tt := range []struct {
		text string
		want rune
	}{
		{"a,b;c,d\n", ','}, {"a;b,c;d\n", ';'}, {"a\tb\n", '\t'}, {"one\n", ','},
		{"# a;b;c\n\n1,2\n", ','}, {"102;300,5\n", ';'}, {"10,5;300,5\n", ';'}, {"1,5\t2,5\t3\n", '\t'}, {"1,2,3;4\n", ','}, {"a,b;c\n", ','},
	} {
		if got := Separator([]byte(tt.text)); got != tt.want {
			t.Errorf("Separator(%q) = %q, want %q", tt.text, got, tt.want)
		}
	}
}

func TestColumn(t *testing.T) {
	for _, tt := range []struct {
		head  string
		names []string
		want  int
		says  string
	}{
		{"time,Power,level", []string{"power"}, 1, ""},
		{"time, \"power\" ,level", []string{"POWER"}, 1, ""},
		{"time,level", []string{"power"}, -1, ""},
		{"a,cd/m2", []string{"cd_m2", "cd/m2"}, 1, ""},
		{"power,time,Power", []string{"power"}, 0, "power is named twice, as columns 1 and 3: rename one of them"},
		{"cd_m2,cd/m2", []string{"cd_m2", "cd/m2"}, 0, "cd/m2 is named twice, as columns 1 and 2: rename one of them"},
	} {
		got, err := Column(strings.Split(tt.head, ","), tt.names...)
		if got != tt.want || (err == nil) != (tt.says == "") || err != nil && err.Error() != tt.says {
			t.Errorf("Column(%q, %q) = %d, %v; want %d, %q", tt.head, tt.names, got, err, tt.want, tt.says)
		}
	}
}

// Whatever a file holds, it is read or refused with words that can be printed, and no row is longer than its text.
func FuzzRows(f *testing.F) {
	f.Add([]byte("a;b\n1,5;\"2\n"))
	f.Add([]byte("\ufeffa\tb\r\n1\t\r\n"))
	f.Add([]byte("a,b\r1,2\r"))
	f.Fuzz(func(t *testing.T, text []byte) {
		content, err := Read(bytes.NewReader(text), 1<<16)
		if err != nil {
			if !utf8.ValidString(err.Error()) {
				t.Fatalf("%q", err)
			}
			return
		}
		in := Rows(content, Separator(content))
		for n := 0; ; n++ {
			row, err := in.Read()
			if errors.Is(err, io.EOF) {
				return
			}
			if err != nil {
				if says := FaultOf(err); says.Says == "" || says.Line < 1 {
					t.Fatalf("%+v of %v", says, err)
				}
				return
			}
			if n > len(content) || len(strings.Join(row, "")) > len(content) {
				t.Fatalf("%d rows, %q", n, row)
			}
		}
	})
}
