package logfiles

import (
	"errors"
	"io"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"unicode"
)

// endless is a file without an end and without a line's end.
type endless struct{ read int }

func (e *endless) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = 'x'
	}
	e.read += len(b)
	return len(b), nil
}

// A file that is no log costs what a log may cost, however long it is.
func TestALogIsBounded(t *testing.T) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	e := &endless{}
	_, err := Read("big.csv", e, Options{})
	runtime.ReadMemStats(&after)
	if err == nil || err.Error() != "big.csv:1: a line of more than 64 KiB: this is no log of readings, or it has lost its line ends" {
		t.Errorf("a first line without an end: %v", err)
	}
	if e.read > 3*MaxBytes || after.TotalAlloc-before.TotalAlloc > 12*MaxBytes {
		t.Errorf("%d bytes were read and %d allocated", e.read, after.TotalAlloc-before.TotalAlloc)
	}
	lines := strings.Repeat("60,92\n", MaxBytes/6+1)
	_, err = Read("long.csv", strings.NewReader("t_s,level\n"+lines), Options{})
	if err == nil || !strings.Contains(err.Error(), "the file goes on after 16 MiB") || !strings.HasPrefix(err.Error(), "long.csv:27") {
		t.Errorf("a file that is too long: %v", err)
	}
	broken := errors.New("the disk is gone")
	if _, err := Read("gone.csv", io.MultiReader(strings.NewReader("t_s,level\n"), failing{broken}), Options{}); !errors.Is(err, broken) {
		t.Errorf("a file that cannot be read: %v", err)
	}
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error) { return 0, f.err }

// What is chosen has to be there, and what is not chosen is not read.
func TestOnlyOneOfSeveral(t *testing.T) {
	const text = "segment_id,t_s,level\na,0,93\na,60,92\n,90,50\nb,0,80\nb,60,79\n"
	_, err := Read("log.csv", strings.NewReader(text), Options{})
	var several Several
	if !errors.Is(err, ErrSeveral) || !errors.As(err, &several) || strings.Join(several.Names, " ") != "a b" || err.Error() != "log.csv: several logs in one file: choose one of a, b" {
		t.Errorf("none chosen: %v", err)
	}
	l, err := Read("log.csv", strings.NewReader(text), Options{Only: "b"})
	if err != nil || len(l.Rows) != 2 || *l.Rows[0].Level != 80 {
		t.Errorf("b: %+v, %v", l.Rows, err)
	}
	if _, err := Read("log.csv", strings.NewReader(text), Options{Only: "c"}); err == nil || err.Error() != `log.csv:1: no readings of "c"; there are a, b` {
		t.Errorf("c: %v", err)
	}
	if _, err := Read("log.csv", strings.NewReader("t_s,level\n0,93\n"), Options{Only: "b"}); err == nil || !strings.HasPrefix(err.Error(), `log.csv:1:1: only "b" is asked for, and the head names neither segment_id nor workload`) {
		t.Errorf("b of a file with one log: %v", err)
	}
}

func TestMappingsThatContradict(t *testing.T) {
	if _, err := ParseColumns([]string{"time=A@s", "time=B@s"}); err == nil || !strings.Contains(err.Error(), "time is A already") {
		t.Errorf("a quantity named twice: %v", err)
	}
	columns, err := ParseColumns([]string{"time=A@s", "level=A"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Read("log.csv", strings.NewReader("A,B\n0,93\n"), Options{Columns: columns}); err == nil || !strings.Contains(err.Error(), "log.csv:1:1: the column A is named for time and for level") {
		t.Errorf("a column named twice: %v", err)
	}
}

// Nothing that a terminal would act on comes out of a message, whatever stands in the file or in its name.
func FuzzMessagesArePlain(f *testing.F) {
	f.Add("a\x1b[31m.csv", "\x1b]0;title\a,t_s\n1,2\n", "x")
	f.Add("log.csv", "t_s,level\n0,\u202e93\n", "")
	f.Add("log.csv", "segment_id,t_s,level\n\x07,0,93\nb,0,93\n", "")
	f.Fuzz(func(t *testing.T, name, text, only string) {
		l, err := Read(name, strings.NewReader(text), Options{Only: only})
		says := ""
		if err != nil {
			says = err.Error()
		} else if _, err := l.Endurance(false); err != nil {
			says = err.Error()
		}
		if i := strings.IndexFunc(says, func(r rune) bool { return r != '\n' && !strconv.IsPrint(r) || r == unicode.ReplacementChar }); i >= 0 && !strings.ContainsRune(name+text+only, unicode.ReplacementChar) {
			t.Errorf("unprintable at %d of %q", i, says)
		}
	})
}
