package systemd

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// manager is the service manager's end: a datagram socket of the kind that sd_notify(3)
// describes, and the watchdog's variables of sd_watchdog_enabled(3).
func manager(t *testing.T, watchdog time.Duration) *net.UnixConn {
	t.Helper()
	dir, err := os.MkdirTemp("", "sd") // t.TempDir's names are too long for a socket's
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	path := filepath.Join(dir, "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	t.Setenv("NOTIFY_SOCKET", path)
	if watchdog > 0 {
		t.Setenv("WATCHDOG_USEC", fmt.Sprint(watchdog.Microseconds()))
		t.Setenv("WATCHDOG_PID", fmt.Sprint(os.Getpid()))
	}
	return c
}

// hear returns the assignments of the next datagram.
func hear(t *testing.T, c *net.UnixConn, within time.Duration) (map[string]string, bool) {
	t.Helper()
	b := make([]byte, 4096)
	_ = c.SetReadDeadline(time.Now().Add(within))
	n, err := c.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return nil, false
	}
	if err != nil {
		t.Fatal(err)
	}
	said := map[string]string{}
	for line := range strings.SplitSeq(string(b[:n]), "\n") {
		name, value, ok := strings.Cut(line, "=")
		if !ok {
			t.Errorf("%q is no assignment", line)
		}
		said[name] = value
	}
	return said, true
}

func TestReadyAndStopping(t *testing.T) {
	c := manager(t, 0)
	if err := Ready("2 handsets\nWATCHDOG=1"); err != nil {
		t.Fatal(err)
	}
	if said, ok := hear(t, c, 10*time.Second); !ok || said["READY"] != "1" || said["STATUS"] != "2 handsets WATCHDOG=1" || len(said) != 2 {
		t.Errorf("ready said %v", said)
	}
	if err := Stopping(); err != nil {
		t.Fatal(err)
	}
	if said, ok := hear(t, c, 10*time.Second); !ok || said["STOPPING"] != "1" {
		t.Errorf("stopping said %v", said)
	}
	_ = c.Close()
	if err := Ready("nobody hears"); !errors.Is(err, ErrNotSent) {
		t.Errorf("with nobody at the socket: %v", err)
	}
}

func TestWithoutAServiceManager(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	if err := errors.Join(Ready("well"), Stopping()); err != nil {
		t.Error(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := Watch(ctx, func(context.Context) error { t.Error("asked for nothing"); return nil }, nil, nil); err != nil {
		t.Error(err)
	}
	t.Setenv("WATCHDOG_USEC", "often")
	t.Setenv("WATCHDOG_PID", fmt.Sprint(os.Getpid()))
	if err := Watch(t.Context(), nil, nil, nil); err == nil {
		t.Error("a period that is no number is taken")
	}
}

// The watchdog is fed as long as the daemon lives, and not for a moment longer.
func TestWatchdogIsFedOnlyByTheLiving(t *testing.T) {
	c := manager(t, 40*time.Millisecond)
	var mu sync.Mutex
	var fault error
	var reports []error
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		ended <- Watch(ctx, func(ctx context.Context) error {
			if _, bounded := ctx.Deadline(); !bounded {
				t.Error("the question has no limit")
			}
			mu.Lock()
			defer mu.Unlock()
			return fault
		}, func() string { return "all is well" }, func(err error) {
			mu.Lock()
			defer mu.Unlock()
			reports = append(reports, err)
		})
	}()
	for range 3 {
		if said, ok := hear(t, c, 10*time.Second); !ok || said["WATCHDOG"] != "1" || said["STATUS"] != "all is well" {
			t.Fatalf("alive, and it said %v", said)
		}
	}
	mu.Lock()
	fault = errors.New("stuck: nights")
	mu.Unlock()
	said, ok := hear(t, c, 10*time.Second)
	for ok && said["WATCHDOG"] == "1" { // sent before the fault
		said, ok = hear(t, c, 10*time.Second)
	}
	for range 3 {
		if !ok || said["STATUS"] != "stuck: nights" || said["WATCHDOG"] != "" {
			t.Fatalf("stuck, and it said %v", said)
		}
		said, ok = hear(t, c, 10*time.Second)
	}
	mu.Lock()
	if len(reports) != 1 {
		t.Errorf("the fault was reported %d times", len(reports))
	}
	fault = nil
	mu.Unlock()
	for said["WATCHDOG"] != "1" {
		if said, ok = hear(t, c, 10*time.Second); !ok {
			t.Fatal("alive again, and the watchdog is not fed")
		}
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}
