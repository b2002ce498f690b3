package results

import (
	"slices"
	"strings"
	"sync"
)

// A Write is one record that was stored, changed or removed.
type Write struct {
	Kind WriteKind
	// ID is that of the run, of the segment (also where samples or looks of it were
	// written), or of the document; empty where all documents of a kind were removed.
	ID       string
	Document string // the document's kind
	Outcome  string // of a segment that was stored; empty: it was removed
}

// A WriteKind is what a Write was of.
type WriteKind int

// What can be written.
const (
	WroteRun WriteKind = iota
	WroteSegment
	WroteSamples
	WroteReadings
	WroteDocument
)

// watchers are those who want to hear of writes.
type watchers struct {
	mu    sync.Mutex
	list  []*func(Write)
	looks map[*Look]struct{}
}

// Watch has f called with each write from now on, until stop is called. The write is in
// the file by then, and whoever made it has not gone on yet: f hears of it before anybody
// can rely on it, and keeps the writer waiting for as long as it takes. It may read and
// write the store.
func (s *Store) Watch(f func(Write)) (stop func()) {
	s.watchers.mu.Lock()
	defer s.watchers.mu.Unlock()
	own := &f
	s.watchers.list = append(slices.Clone(s.watchers.list), own)
	return func() {
		s.watchers.mu.Lock()
		defer s.watchers.mu.Unlock()
		s.watchers.list = slices.DeleteFunc(slices.Clone(s.watchers.list), func(other *func(Write)) bool { return other == own })
	}
}

// wrote tells the watchers, and hands err on: what failed was not written.
func (s *Store) wrote(err error, writes ...Write) error {
	if err != nil {
		return err
	}
	s.watchers.mu.Lock()
	list := s.watchers.list
	for r := range s.watchers.looks {
		for _, w := range writes {
			r.old[w.ID] = true
		}
	}
	s.watchers.mu.Unlock()
	for _, f := range list {
		for _, w := range writes {
			(*f)(w)
		}
	}
	return nil
}

// A Look is a stretch in which something is read from the store that is to be kept in
// memory. What is written meanwhile may or may not be in what was read.
type Look struct {
	s   *Store
	old map[string]bool // identifiers of what was written since
}

// Look begins a look; it is ended by End.
func (s *Store) Look() *Look {
	l := &Look{s: s, old: map[string]bool{}}
	s.watchers.mu.Lock()
	defer s.watchers.mu.Unlock()
	if s.watchers.looks == nil {
		s.watchers.looks = map[*Look]struct{}{}
	}
	s.watchers.looks[l] = struct{}{}
	return l
}

// End ends the look.
func (l *Look) End() {
	l.s.watchers.mu.Lock()
	defer l.s.watchers.mu.Unlock()
	delete(l.s.watchers.looks, l)
}

// Holds reports whether nothing of a run with all that belongs to it, or of a segment and
// its run, was written since the look began. Who keeps what was read, and drops it when
// Watch tells of a write, does both under one lock: then nothing old is ever kept.
func (l *Look) Holds(id string) bool {
	l.s.watchers.mu.Lock()
	defer l.s.watchers.mu.Unlock()
	for old := range l.old {
		if old == id || strings.HasPrefix(old, segmentPrefix(id)) || strings.HasPrefix(id, segmentPrefix(old)) {
			return false
		}
	}
	return true
}
