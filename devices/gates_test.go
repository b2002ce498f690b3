package devices

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func TestCommandGate(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "a port; $(touch x)")
	g := NewCommandGate([]string{"touch", file}, []string{"rm", file})
	if g.Name() != "command touch" {
		t.Errorf("Name = %q", g.Name())
	}
	if err := g.Open(t.Context()); err != nil {
		t.Fatal(err)
	}
	// The argument reached the program as it stands: no shell has read it.
	if entries, err := os.ReadDir(dir); err != nil || len(entries) != 1 || entries[0].Name() != filepath.Base(file) {
		t.Errorf("after Open: %v, %v", entries, err)
	}
	if err := g.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	err := g.Close(t.Context())
	if err == nil || !strings.Contains(err.Error(), "No such file") || !strings.Contains(err.Error(), "close") {
		t.Errorf("a command that fails: %v, want what it said", err)
	}
	if err := NewCommandGate(nil, []string{"no-such-program-here"}).Close(t.Context()); err == nil || !strings.Contains(err.Error(), "no-such-program-here") {
		t.Errorf("a program that is not there: %v", err)
	}
	if err := NewCommandGate(nil, []string{"true"}).Open(t.Context()); err == nil || !strings.Contains(err.Error(), "no command to open") {
		t.Errorf("no command: %v", err)
	}
}

func TestCommandGateHasADeadline(t *testing.T) {
	g := &CommandGate{open: []string{"sleep", "600"}, limit: 50 * time.Millisecond}
	if err := g.Open(t.Context()); !errors.Is(err, ErrTimeout) || !strings.Contains(err.Error(), "was stopped") {
		t.Errorf("Open = %v, want ErrTimeout", err)
	}
	g.limit = time.Minute
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := g.Open(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("Open, cancelled = %v", err)
	}
}
