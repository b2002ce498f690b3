// Package resultstest has what tests of a store's readers and writers share: a store of their
// own, a disk that is slow, and what must not wait for either.
package resultstest

import (
	"path/filepath"
	"testing"
	"time"

	"rundown/results"
)

// Opened is a new store in a folder of the test's own; it is closed with the test.
func Opened(t *testing.T) *results.Store {
	t.Helper()
	store, err := results.Open(filepath.Join(t.TempDir(), "rundown.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	return store
}

// SlowDisk has writes of a kind of documents wait in the store until they are let go. waits gets
// one for each that does.
func SlowDisk(store *results.Store, kind string) (waits <-chan struct{}, letGo func()) {
	began, free := make(chan struct{}, 100), make(chan struct{})
	store.Watch(func(w results.Write) {
		if w.Document == kind {
			began <- struct{}{}
			<-free
		}
	})
	return began, func() { close(free) }
}

// soon is how long is waited for what must not wait for something else: long, since it is only
// waited out by a test that fails.
const soon = 20 * time.Second

// Returns fails the test when f does not return: it waits for what it should not.
func Returns(t *testing.T, what string, f func()) {
	t.Helper()
	done := make(chan struct{})
	go func() {
		defer close(done)
		f()
	}()
	select {
	case <-done:
	case <-time.After(soon):
		t.Fatalf("%s waits for something else", what)
	}
}
