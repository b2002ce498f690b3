package reading

import (
	"sync"

	"rundown/results"
)

// documents are those of one kind, kept at hand as the store has them. mu is never held over the
// disk, so that nobody waits for a handset that is not theirs.
type documents[T any] struct {
	kind    string
	id      func(T) string
	changed func() // called with mu held; nil: nobody minds

	mu sync.Mutex
	by map[string]T
}

// load reads them all. What cannot be read is left out and named in the error.
func (d *documents[T]) load(store *results.Store) error {
	list, err := results.Documents[T](store, d.kind)
	by := make(map[string]T, len(list))
	for _, one := range list {
		by[d.id(one)] = one
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.by = by
	d.tell()
	return err
}

// reload reads one of them again, or all where no identifier is given. One that is gone, or cannot
// be read, is none.
func (d *documents[T]) reload(store *results.Store, id string) {
	if id == "" {
		_ = d.load(store)
		return
	}
	var one T
	err := store.Document(d.kind, id, &one)
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.by[id] = one; err != nil {
		delete(d.by, id)
	}
	d.tell()
}

func (d *documents[T]) tell() {
	if d.changed != nil {
		d.changed()
	}
}
