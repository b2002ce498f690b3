package forecast

import "sync"

// A version tells what figures were made of: what was stored, and what was learned.
type version struct{ stored, learned int }

// latest keeps what was worked out last for each question, bounded. It is worked out
// without a lock: whoever asks the same meanwhile waits for it, and nobody else does.
type latest[K comparable, V any] struct {
	mu   sync.Mutex
	most int // questions kept
	by   map[K]answer[V]
}

type answer[V any] struct {
	from version
	made func() V
}

func (l *latest[K, V]) get(k K, from version, work func() V) V {
	l.mu.Lock()
	have, ok := l.by[k]
	if !ok || have.from != from {
		if l.by == nil || len(l.by) >= l.most {
			l.by = map[K]answer[V]{}
		}
		have = answer[V]{from, sync.OnceValue(work)}
		l.by[k] = have
	}
	l.mu.Unlock()
	return have.made()
}
