package main

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"rundown/devices/hosttest"
)

// The units are what systemd itself takes without a word.
func TestUnitsAreSound(t *testing.T) {
	analyze := hosttest.Program(t, "systemd-analyze")
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	var units []string
	for _, name := range []string{"rundown.service", "rundown-adb.service"} {
		text, err := os.ReadFile(filepath.Join("packaging", "systemd", name))
		if err != nil {
			t.Fatal(err)
		}
		// It looks for the programs, which are not installed where the tests run.
		text = regexp.MustCompile(`(?m)^(ExecStart=|ExecStopPost=-)\S+`).ReplaceAll(text, []byte("${1}"+self))
		units = append(units, filepath.Join(dir, name))
		if err := os.WriteFile(units[len(units)-1], text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	out, err := exec.CommandContext(ctx, analyze, append([]string{"verify"}, units...)...).CombinedOutput()
	if err != nil || len(out) > 0 {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
}

// The unit's command line is one that this program takes.
func TestUnitStartsThisProgram(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("packaging", "systemd", "rundown.service"))
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`(?m)^ExecStart=/usr/local/bin/rundown (.*) \$RUNDOWN_OPTIONS$`).FindSubmatch(text)
	if m == nil {
		t.Fatal("the unit has no command line")
	}
	dir := t.TempDir()
	plan := filepath.Join(dir, "bench.yaml")
	adb, stage, api := free(t), free(t), free(t)
	bench := fmt.Sprintf("bench:\n  adb_servers: [%s]\n  stage: {listen: %q}\n  handsets:\n    - {name: Alder, serial: A1}\n    - {name: Birch, serial: B1}\nplans:\n  everyday:\n    segments: [browse]\n", adb, stage)
	if err := os.WriteFile(plan, []byte(bench), 0o600); err != nil {
		t.Fatal(err)
	}
	line := strings.NewReplacer("/etc/rundown/bench.yaml", plan, "/var/lib/rundown", filepath.Join(dir, "data")).Replace(string(m[1]))

	// The service manager's end of it: sd_notify(3), sd_watchdog_enabled(3).
	socket, err := os.MkdirTemp("", "sd") // t.TempDir's names are too long for a socket's
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(socket) })
	notify := filepath.Join(socket, "notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: notify, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	t.Setenv("NOTIFY_SOCKET", notify)
	t.Setenv("WATCHDOG_USEC", "100000")
	t.Setenv("WATCHDOG_PID", fmt.Sprint(os.Getpid()))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var out, errOut strings.Builder
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, append(strings.Fields(line), "--listen", api), &out, &errOut) }()
	said := func() string {
		t.Helper()
		b := make([]byte, 4096)
		_ = manager.SetReadDeadline(time.Now().Add(3 * time.Minute))
		n, err := manager.Read(b)
		if err != nil {
			t.Fatalf("nothing was said: %v", err)
		}
		return string(b[:n])
	}
	if got := said(); got != "READY=1\nSTATUS=2 handsets, 0 in runs" {
		t.Errorf("first it said %q", got)
	}
	if c, err := net.Dial("tcp", api); err != nil { // ready means that it answers
		t.Error(err)
	} else {
		_ = c.Close()
	}
	for range 3 {
		if got := said(); !strings.HasPrefix(got, "WATCHDOG=1\n") {
			t.Errorf("the watchdog is not fed, it said %q", got)
		}
	}
	cancel()
	last := said()
	for strings.HasPrefix(last, "WATCHDOG=1\n") {
		last = said()
	}
	if !strings.HasPrefix(last, "STOPPING=1") {
		t.Errorf("at the end it said %q", last)
	}
	select {
	case code := <-ended:
		if code != exitOK {
			t.Errorf("exit code %d: %s", code, errOut.String())
		}
	case <-time.After(time.Minute):
		t.Fatal("it does not stop")
	}
}

// free is a loopback address on which nothing listens.
func free(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}
