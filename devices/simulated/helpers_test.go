package simulated

import (
	"context"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"rundown/devices"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// made is a handset that ends with its test.
func made(t *testing.T, o Options) *Handset {
	t.Helper()
	h := New(o)
	t.Cleanup(h.Close)
	return h
}

// sh runs a command line that must end with 0, and gives its output.
func sh(t *testing.T, h *Handset, command string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	out, err := devices.Run(ctx, h, command)
	if err != nil {
		t.Fatalf("%s: %v", command, err)
	}
	return out
}

// both runs a command line and gives all that it left.
func both(t *testing.T, h *Handset, command string) devices.Output {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	out, err := h.Shell(ctx, command)
	if err != nil {
		t.Fatalf("%s: %v", command, err)
	}
	return out
}

// ready wakes and unlocks the handset and takes it to its home screen.
func ready(t *testing.T, h *Handset) {
	t.Helper()
	sh(t, h, "settings put system screen_off_timeout 86400000; input keyevent 224; wm dismiss-keyguard; input keyevent 3")
}

// value is what follows "key" on the first line that begins with it, spaces aside.
func value(t *testing.T, dump, key string) string {
	t.Helper()
	for line := range strings.Lines(dump) {
		if rest, ok := strings.CutPrefix(strings.TrimSpace(line), key); ok {
			return strings.TrimSpace(rest)
		}
	}
	t.Fatalf("no line begins with %q in:\n%s", key, dump)
	return ""
}

func wantText(t *testing.T, what, got, want string) {
	t.Helper()
	if !strings.Contains(got, want) {
		t.Errorf("%s = %q, want %q in it", what, got, want)
	}
}

func contextFor(t *testing.T, d time.Duration) (context.Context, context.CancelFunc) {
	t.Helper()
	return context.WithTimeout(t.Context(), d)
}
