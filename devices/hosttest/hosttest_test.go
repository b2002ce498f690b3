package hosttest

import (
	"cmp"
	"fmt"
	"path/filepath"
	"testing"
)

// told notes how a test was ended.
type told struct {
	testing.TB
	how string
}

func (t *told) Helper()                   {}
func (t *told) Fatalf(f string, a ...any) { t.how = cmp.Or(t.how, "failed: "+fmt.Sprintf(f, a...)) } // a real one ends the test
func (t *told) Skip(a ...any)             { t.how = cmp.Or(t.how, "skipped: "+fmt.Sprint(a...)) }

func TestAProgramThatIsMissing(t *testing.T) {
	for ci, want := range map[string]string{
		"":     "skipped: no-such-program is not installed (.ci/needs installs what the tests need)",
		"true": "failed: no-such-program is not installed (.ci/needs installs what the tests need), and CI leaves no test out",
	} {
		t.Setenv("CI", ci)
		got := &told{TB: t}
		if Program(got, "no-such-program"); got.how != want {
			t.Errorf("with CI %q it was %q, want %q", ci, got.how, want)
		}
	}
	t.Setenv("CI", "true")
	got := &told{TB: t}
	if path := Program(got, "sh"); got.how != "" || filepath.Base(path) != "sh" {
		t.Errorf("sh: %q at %q, want it found", got.how, path)
	}
}
