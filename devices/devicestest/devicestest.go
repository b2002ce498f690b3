// Package devicestest holds the checks that every driver passes: what devices.Link
// promises, tried against a handset, real or simulated.
//
// A driver's test calls [Run]; a real handset may be put under the same checks. They
// write only below one folder of their own, and remove it.
package devicestest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"path"
	"strings"
	"testing"
	"time"

	"rundown/devices"
)

// Folder is where Run writes on the handset: the one place which the adb shell may use
// on every handset.
const Folder = "/data/local/tmp/rundown-devicestest"

// Run puts a link through the checks. open returns a link to a handset that is ready;
// it is called once per check, and cleans up with t.Cleanup.
func Run(t *testing.T, open func(t *testing.T) devices.Link) {
	t.Helper()
	RunIn(t, Folder, open)
}

// RunIn is Run with another folder on the handset; it need not exist.
func RunIn(t *testing.T, folder string, open func(t *testing.T) devices.Link) {
	t.Helper()
	for _, c := range []struct {
		name  string
		check func(t *testing.T, l devices.Link, folder string)
	}{
		{"serial", checkSerial},
		{"exit codes and streams", checkShell},
		{"quoting", checkQuote},
		{"push, stat and pull", checkFiles},
		{"pull from an offset", checkOffset},
		{"missing file", checkMissing},
		{"push replaces", checkReplace},
		{"context ends a call", checkCancel},
		{"calls at once", checkConcurrent},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := open(t)
			folder := path.Join(folder, fmt.Sprintf("%08x", rand.Uint32()))
			t.Cleanup(func() {
				ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
				defer cancel()
				if _, err := devices.Run(ctx, l, "rm -rf "+devices.Quote(folder)); err != nil {
					t.Logf("the check's folder stays on the handset: %v", err)
				}
			})
			c.check(t, l, folder)
		})
	}
}

func within(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

func shell(t *testing.T, l devices.Link, command string) devices.Output {
	t.Helper()
	out, err := l.Shell(within(t), command)
	if err != nil {
		t.Fatalf("Shell(%q): %v", command, err)
	}
	return out
}

func checkSerial(t *testing.T, l devices.Link, _ string) {
	if l.Serial() == "" {
		t.Error(`Serial() = "", want the handset's name`)
	}
}

func checkShell(t *testing.T, l devices.Link, _ string) {
	for _, tt := range []struct {
		command        string
		stdout, stderr string
		code           int
	}{
		{"echo one; echo two", "one\ntwo\n", "", 0},
		{"echo out; echo err >&2; exit 7", "out\n", "err\n", 7},
		{"exit 255", "", "", 255},
		{"false", "", "", 1},
		{"printf 'no line feed'", "no line feed", "", 0},
		{"printf '\\n\\n'", "\n\n", "", 0},
		{"echo a # a comment", "a\n", "", 0},
		{"echo 'a\r'", "a\r\n", "", 0},
		{"true", "", "", 0},
		{"cat", "", "", 0}, // standard input is empty, not open
	} {
		out := shell(t, l, tt.command)
		want := devices.Output{Stdout: tt.stdout, Stderr: tt.stderr, ExitCode: tt.code, ExitKnown: true}
		if out.Stderr == "" { // a link that cannot separate the streams merges them
			want.Stdout, want.Stderr = tt.stdout+tt.stderr, ""
		}
		if !out.ExitKnown { // a link that knows no exit codes says so, and says 0
			want.ExitCode, want.ExitKnown = 0, false
		}
		if out != want {
			t.Errorf("Shell(%q) = %+v, want %+v", tt.command, out, want)
		}
	}
	_, err := devices.Run(within(t), l, "echo why >&2; exit 3")
	var fail *devices.CommandError
	if out := shell(t, l, "false"); out.ExitKnown && (!errors.As(err, &fail) || fail.ExitCode != 3 || !strings.Contains(fail.Stderr, "why")) {
		t.Errorf("Run of a failing command = %v, want a CommandError with code 3 and its message", err)
	}
}

// hostile are texts that a shell would take apart, expand or run if quoting leaked.
var hostile = []string{
	"plain", "", " two  words ", "it's", "''", `"$HOME" $(id) ` + "`id`", "a;b|c&d>e<f", "*?[a-z]{x,y}~", `back\slash\n\\`,
	"-n", "--", "#no comment", "!history", "tab\tand\nline feed", "ends in line feed\n", "Grüße, 手机", "'; exit 9; '", "$((1+1))", "a=b", "%s%d%%",
}

func checkQuote(t *testing.T, l devices.Link, _ string) {
	for _, s := range hostile {
		if out := shell(t, l, "printf %s "+devices.Quote(s)); out.Stdout != s || out.ExitCode != 0 {
			t.Errorf("printf of %q quoted gives %+v, want it unchanged", s, out)
		}
	}
}

// content is n bytes in which every value occurs, also those that a terminal or a text
// mode would change; it begins with line ends of both kinds.
func content(n int) []byte {
	b := []byte("\r\n\n\r\x00\x04\x1a")
	r := rand.New(rand.NewPCG(1, uint64(n)))
	for len(b) < n {
		b = append(b, byte(r.Uint32()))
	}
	return b[:n]
}

func push(t *testing.T, l devices.Link, to string, b []byte) {
	t.Helper()
	if err := l.Push(within(t), bytes.NewReader(b), to, 0o644); err != nil {
		t.Fatalf("Push of %d bytes to %s: %v", len(b), to, err)
	}
}

func checkFiles(t *testing.T, l devices.Link, folder string) {
	for _, n := range []int{0, 1, 65535, 65536, 65537, 300_000} {
		// The folder does not exist before the first push, and the name needs quoting.
		to, want := path.Join(folder, "new folder", fmt.Sprintf("it's %d bytes, all", n)), content(n)
		push(t, l, to, want)
		f, err := l.Stat(within(t), to)
		if err != nil || f.Size != int64(n) || !f.Mode.IsRegular() || f.Mode.Perm()&0o600 != 0o600 {
			t.Errorf("Stat(%q) = %+v, %v; want a regular file of %d bytes that its owner may read and write", to, f, err, n)
		}
		var got bytes.Buffer
		if m, err := l.Pull(within(t), to, 0, &got); err != nil || m != int64(n) || !bytes.Equal(got.Bytes(), want) {
			t.Errorf("Pull(%q) = %d, %v, equal %t; want the %d bytes pushed", to, m, err, bytes.Equal(got.Bytes(), want), n)
		}
	}
	if f, err := l.Stat(within(t), path.Join(folder, "new folder")); err != nil || !f.Mode.IsDir() {
		t.Errorf("Stat of a folder = %+v, %v; want a folder", f, err)
	}
	out := shell(t, l, "cat "+devices.Quote(path.Join(folder, "new folder", "it's 1 bytes, all")))
	if out.Stdout != "\r" {
		t.Errorf("the shell reads %q from a pushed file, want %q", out.Stdout, "\r")
	}
}

func checkOffset(t *testing.T, l devices.Link, folder string) {
	to, all := path.Join(folder, "log's"), content(200_000)
	push(t, l, to, all)
	for _, offset := range []int64{1, 2, 65536, 131073, 199_999, 200_000, 200_001, 1 << 40} {
		want := all[min(offset, int64(len(all))):]
		var got bytes.Buffer
		n, err := l.Pull(within(t), to, offset, &got)
		if err != nil || n != int64(len(want)) || !bytes.Equal(got.Bytes(), want) {
			t.Errorf("Pull from %d = %d, %v, equal %t; want the last %d bytes", offset, n, err, bytes.Equal(got.Bytes(), want), len(want))
		}
	}
	// A file that grows is followed without a byte twice or missing.
	grown := path.Join(folder, "grown")
	var got bytes.Buffer
	for i := range 3 {
		shell(t, l, fmt.Sprintf("echo line %d >> %s", i, devices.Quote(grown)))
		if _, err := l.Pull(within(t), grown, int64(got.Len()), &got); err != nil {
			t.Fatalf("Pull of what was added: %v", err)
		}
	}
	if want := "line 0\nline 1\nline 2\n"; got.String() != want {
		t.Errorf("following a growing file gives %q, want %q", got.String(), want)
	}
}

func checkMissing(t *testing.T, l devices.Link, folder string) {
	missing := path.Join(folder, "not there")
	if _, err := l.Stat(within(t), missing); !errors.Is(err, devices.ErrNotExist) {
		t.Errorf("Stat of a missing file = %v, want ErrNotExist", err)
	}
	for _, offset := range []int64{0, 100} {
		var got bytes.Buffer
		n, err := l.Pull(within(t), missing, offset, &got)
		if !errors.Is(err, devices.ErrNotExist) || n != 0 || got.Len() != 0 {
			t.Errorf("Pull of a missing file from %d = %d, %v (%q written); want 0, ErrNotExist", offset, n, err, got.String())
		}
	}
	if _, err := l.Stat(within(t), missing); err == nil || errors.Is(err, fs.ErrPermission) {
		t.Errorf("Stat of a missing file after pulls = %v", err)
	}
}

func checkReplace(t *testing.T, l devices.Link, folder string) {
	to := path.Join(folder, "replaced")
	push(t, l, to, content(70_000))
	push(t, l, to, []byte("short"))
	var got bytes.Buffer
	if _, err := l.Pull(within(t), to, 0, &got); err != nil || got.String() != "short" {
		t.Errorf("Pull of a replaced file = %q, %v; want the new content only", got.String(), err)
	}
}

func checkCancel(t *testing.T, l devices.Link, _ string) {
	ctx, cancel := context.WithCancel(within(t))
	cancel()
	if _, err := l.Shell(ctx, "echo never"); !errors.Is(err, context.Canceled) {
		t.Errorf("Shell under a cancelled context = %v, want context.Canceled", err)
	}
	ctx, cancel = context.WithTimeout(within(t), 300*time.Millisecond)
	defer cancel()
	begin := time.Now()
	// 20 days: too long even for a handset whose clock runs ten thousand times faster.
	_, err := l.Shell(ctx, "sleep 1728000")
	if took := time.Since(begin); err == nil || took > 30*time.Second {
		t.Errorf("Shell of a long sleep under a short deadline = %v after %v, want an error soon", err, took)
	}
	if !errors.Is(err, devices.ErrTimeout) && !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("Shell past its deadline = %v, want ErrTimeout or the context's error", err)
	}
	if out := shell(t, l, "echo still here"); out.Stdout != "still here\n" {
		t.Errorf("Shell after a call that was ended = %+v", out)
	}
}

func checkConcurrent(t *testing.T, l devices.Link, folder string) {
	const calls = 4
	errs := make(chan error, calls)
	for i := range calls {
		go func() {
			ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
			defer cancel()
			to, want := path.Join(folder, fmt.Sprint("at once ", i)), content(10_000+i)
			if err := l.Push(ctx, bytes.NewReader(want), to, 0o600); err != nil {
				errs <- err
				return
			}
			out, err := l.Shell(ctx, "wc -c < "+devices.Quote(to))
			if err == nil && strings.TrimSpace(out.Stdout) != fmt.Sprint(len(want)) {
				err = fmt.Errorf("wc says %q of %d bytes", out.Stdout, len(want))
			}
			errs <- err
		}()
	}
	for range calls {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
}
