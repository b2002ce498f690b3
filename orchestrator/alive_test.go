package orchestrator

import (
	"context"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"rundown/results"
)

func TestLoopsThatStandStillAreNamed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPulses()
		clock := beatingClock{wallClock{}}
		ctx, cancel := context.WithCancel(t.Context())
		stand := make(chan struct{})
		go p.living(ctx, "goes round", time.Minute, func(ctx context.Context) {
			for clock.Sleep(ctx, 10*time.Second) == nil {
			}
		})
		go p.living(ctx, "sleeps long", time.Minute, func(ctx context.Context) { _ = clock.Sleep(ctx, 3*time.Hour) })
		go p.living(ctx, "stands", time.Minute, func(ctx context.Context) {
			_ = clock.Sleep(ctx, time.Second)
			<-stand
			_ = clock.Sleep(ctx, time.Hour)
		})
		go p.living(ctx, "has ended", time.Minute, func(context.Context) {})
		time.Sleep(30 * time.Second)
		if got := p.stuck(); len(got) != 1 || !strings.HasPrefix(got[0], "has ended") {
			t.Errorf("after half a minute stuck are %v, want only the loop that has ended", got)
		}
		time.Sleep(2 * time.Minute)
		if got := p.stuck(); len(got) != 2 || got[1] != "stands (last heard of 2 min 29 s ago)" {
			t.Errorf("stuck are %v, want also the one that stands", got)
		}
		close(stand)
		synctest.Wait()
		if got := p.stuck(); len(got) != 1 {
			t.Errorf("gone on, and stuck are %v", got)
		}
		cancel()
		synctest.Wait()
		if got := p.stuck(); len(got) != 1 {
			t.Errorf("after the end stuck are %v", got)
		}
	})
}

func TestAliveTriesTheLocks(t *testing.T) {
	store, err := results.Open(filepath.Join(t.TempDir(), "rundown.db"))
	if err != nil {
		t.Fatal(err)
	}
	d := New(Config{})
	if d.queue, err = openQueue(store); err != nil {
		t.Fatal(err)
	}
	if d.pace, err = openPace(store); err != nil {
		t.Fatal(err)
	}
	d.store = store
	if err := d.Alive(t.Context()); err != nil {
		t.Errorf("nothing is held: %v", err)
	}
	d.queue.mu.Lock()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if err := d.Alive(ctx); err == nil || !strings.Contains(err.Error(), "records do not answer") {
		t.Errorf("the queue is held: %v", err)
	}
	if err := d.Alive(ctx); err == nil || !strings.Contains(err.Error(), "an earlier look") {
		t.Errorf("asked again: %v", err)
	}
	d.queue.mu.Unlock()
	for deadline := time.Now().Add(10 * time.Second); d.Alive(t.Context()) != nil; time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("it does not come back to life")
		}
	}
	_ = store.Close()
	if err := d.Alive(t.Context()); err == nil || !strings.Contains(err.Error(), "the store does not answer") {
		t.Errorf("the store is closed: %v", err)
	}
}
