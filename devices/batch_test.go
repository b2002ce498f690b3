package devices

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"os/exec"
	"strings"
	"testing"
	"time"

	"rundown/devices/hosttest"
)

// A hostLink runs command lines in a shell of this host, with a prelude that stands for
// the handset's own commands.
type hostLink struct {
	shell   string
	prelude string
	cut     int // when above 0: only so many bytes of the output arrive
}

var _ Link = hostLink{}

func (h hostLink) Serial() string { return "HOST" }

func (h hostLink) Shell(ctx context.Context, command string) (Output, error) {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	var out, said bytes.Buffer
	cmd := exec.CommandContext(ctx, h.shell, "-c", h.prelude+"\n"+command)
	cmd.Stdout, cmd.Stderr = &out, &said
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		return Output{}, err
	}
	text := out.String()
	if h.cut > 0 && h.cut < len(text) {
		text = text[:h.cut]
	}
	return Output{Stdout: text, Stderr: said.String(), ExitCode: cmd.ProcessState.ExitCode(), ExitKnown: true}, nil
}
func (hostLink) Push(context.Context, io.Reader, string, fs.FileMode) error {
	return errors.ErrUnsupported
}
func (hostLink) Pull(context.Context, string, int64, io.Writer) (int64, error) {
	return 0, errors.ErrUnsupported
}
func (hostLink) Stat(context.Context, string) (File, error) { return File{}, errors.ErrUnsupported }
func (hostLink) Reverse(context.Context, int, int) error    { return errors.ErrUnsupported }

// shells are those of handsets (mksh) and of this host, as far as they are here.
func shells(t *testing.T) []string {
	var found []string
	for _, s := range []string{"mksh", "sh"} {
		if path, err := exec.LookPath(s); err == nil {
			found = append(found, path)
		}
	}
	if len(found) == 0 {
		hosttest.Missing(t, "no POSIX shell here")
	}
	return found
}

func TestBatchInRealShells(t *testing.T) {
	for _, shell := range shells(t) {
		commands := []string{
			"echo one", "printf 'no newline'", "echo bad >&2; exit 3", "true", "no-such-command-here",
			"printf 'a\\n\\nb\\n\\n'", "cat", "X=1; B() { echo mine; }; exit 0 # a comment", "echo last",
		}
		got, err := Batch(t.Context(), hostLink{shell: shell}, commands)
		if err != nil {
			t.Errorf("%s: Batch = %v", shell, err)
			continue
		}
		want := []struct {
			text string
			code int
		}{{"one\n", 0}, {"no newline", 0}, {"bad\n", 3}, {"", 0}, {"", 127}, {"a\n\nb\n\n", 0}, {"", 0}, {"", 0}, {"last\n", 0}}
		for i, w := range want {
			if got[i].ExitCode != w.code || (w.code != 127 && got[i].Text != w.text) {
				t.Errorf("%s: %q gave %q, exit code %d; want %q, %d", shell, commands[i], got[i].Text, got[i].ExitCode, w.text, w.code)
			}
		}
		if why := got[4].Failed(); !strings.Contains(why, `no command "no-such-command-here"`) {
			t.Errorf("%s: missing command: %q", shell, why)
		}
		if why := got[2].Failed(); !strings.Contains(why, "exit code 3") || !strings.Contains(why, "bad") {
			t.Errorf("%s: failed command: %q", shell, why)
		}
		// Cut anywhere, nothing of it is believed.
		for cut := 1; cut < 150; cut += 7 {
			if got, err := Batch(t.Context(), hostLink{shell: shell, cut: cut}, commands); !errors.Is(err, ErrLinkLost) || got != nil {
				t.Errorf("%s: cut after %d bytes: %v, %v; want ErrLinkLost", shell, cut, got, err)
			}
		}
	}
}

func TestFailedKnowsRefusalsWithExitCode0(t *testing.T) {
	for text, want := range map[string]bool{
		"": false, "Success\n": false, "Error: Activity class {a/b} does not exist.\n": true,
		"\nException occurred while executing 'put':\njava.lang.SecurityException: Permission denial: writing to settings\n": true,
		"Can't find service: nfc\n": true, "mState=on\n" + strings.Repeat("  log line\n", 100) + "java.lang.SecurityException: an old one\n": false,
		"a\n*** SERVICE 'wifi' DUMP TIMEOUT (10000ms) EXPIRED ***\n\n": true,
	} {
		if got := (Result{Command: "x", Text: text}).Failed(); (got != "") != want {
			t.Errorf("Failed of %q = %q, want a reason: %v", text, got, want)
		}
	}
}

// FuzzRefused: what is told apart by words alone is what the expression says of it.
func FuzzRefused(f *testing.F) {
	for _, s := range []string{
		"", "ok\nERROR: no\n", "an error: none", "java.lang.SecurityException", "Security exception: x", "permission DENIAL", "Error type 3", "Exception occurred",
		"unknown command", "a\nInvalid id", "Can't find service: nfc", "sh: x: inaccessible or not found", "\u017fecurityException", "un\u212anown command", "grün\nError: x", "\xffinvalid ",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if got, want := refused(s), refusal.MatchString(s); got != want {
			t.Errorf("refused(%q) = %v, want %v", s, got, want)
		}
	})
}

// FuzzSplitBatch: whatever commands print, each gets exactly its own text back; and cut
// short, nothing is returned.
func FuzzSplitBatch(f *testing.F) {
	f.Add("one", "two\n", 3)
	f.Add("", "\n\nMARK>0 0\n", 0)
	f.Add("MARK<1\n", "x\r\n", 255)
	f.Fuzz(func(t *testing.T, a, b string, code int) {
		const mark = "MARK4GQXK7PZ2W"
		if strings.Contains(a+b, mark) || strings.Contains(a+b, "\r") {
			return
		}
		commands := []string{"a", "b"}
		n := itoa(code)
		text := "noise\n" + mark + "<0\n" + a + "\n" + mark + ">0 0\n" + mark + "<1\n" + b + "\n" + mark + ">1 " + n + "\n"
		for _, sent := range []string{text, strings.ReplaceAll(text, "\n", "\r\n")} {
			got, err := splitBatch(sent, mark, commands)
			if err != nil || len(got) != 2 || got[0].Text != a || got[1].Text != b || got[1].ExitCode != code {
				t.Errorf("splitBatch of %q = %+v, %v", sent, got, err)
			}
		}
		for cut := range len(text) {
			if got, err := splitBatch(text[:cut], mark, commands); !errors.Is(err, ErrLinkLost) || got != nil {
				t.Errorf("cut to %q: %+v, %v", text[:cut], got, err)
			}
		}
	})
}
