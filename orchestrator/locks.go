package orchestrator

import "sync"

// handsetLocks are one lock a handset: what is held while a handset is asked for something
// must not hold up the others, of which one may be slow, or hang until its deadline.
type handsetLocks struct {
	mu sync.Mutex
	by map[string]*sync.Mutex
}

// lock takes a handset's lock and returns what lets go of it.
func (l *handsetLocks) lock(handset string) (unlock func()) {
	l.mu.Lock()
	if l.by == nil {
		l.by = map[string]*sync.Mutex{}
	}
	own, ok := l.by[handset]
	if !ok {
		own = &sync.Mutex{}
		l.by[handset] = own
	}
	l.mu.Unlock()
	own.Lock()
	return own.Unlock
}

// nightsTold are the nights whose end was published.
type nightsTold struct {
	mu sync.Mutex
	by map[string]bool
}

// first reports whether a night's end is told for the first time, and remembers it.
func (n *nightsTold) first(night string) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.by[night] {
		return false
	}
	if n.by == nil {
		n.by = map[string]bool{}
	}
	n.by[night] = true
	return true
}
