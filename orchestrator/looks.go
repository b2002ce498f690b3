package orchestrator

import (
	"fmt"
	"slices"
	"sync"

	"rundown/results"
	"rundown/results/endurance"
)

// documentsLooks is the store's kind for what looks at sleeping handsets cost, one
// document a handset and OS build.
const documentsLooks = "look costs"

// lookCosts is one document of documentsLooks.
type lookCosts struct {
	Handset string               `json:"handset"`
	Build   string               `json:"build"`
	Seen    []endurance.LookSeen `json:"seen"` // oldest first
}

// looks are what looks at sleeping handsets were seen to cost, kept at hand.
type looks struct {
	mu sync.Mutex
	by map[string]lookCosts // by teachingID
}

// load reads them all. What cannot be read is left out and named in the error.
func (b *looks) load(store *results.Store) error {
	list, err := results.Documents[lookCosts](store, documentsLooks)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.by = map[string]lookCosts{}
	for _, c := range list {
		b.by[teachingID(c.Handset, c.Build)] = c
	}
	return err
}

// reload reads one of them again, or all where no identifier is given.
func (b *looks) reload(store *results.Store, id string) {
	if id == "" {
		_ = b.load(store)
		return
	}
	var c lookCosts
	err := store.Document(documentsLooks, id, &c)
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.by[id] = c; err != nil {
		delete(b.by, id)
	}
}

// of is what was seen of a handset on an OS build, but for one segment; oldest first.
func (b *looks) of(handset, build, without string) []endurance.LookSeen {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(b.by[teachingID(handset, build)].Seen), func(s endurance.LookSeen) bool { return s.ID == without })
}

// builds are those on which looks at a handset were seen to cost something.
func (b *looks) builds(handset string) (list []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, c := range b.by {
		if c.Handset == handset {
			list = append(list, c.Build)
		}
	}
	slices.Sort(list)
	return list
}

// stamp changes whenever something was seen or forgotten.
func (b *looks) stamp(handset, build string) string {
	b.mu.Lock()
	defer b.mu.Unlock()
	c := b.by[teachingID(handset, build)]
	if len(c.Seen) == 0 {
		return ""
	}
	return fmt.Sprintf(" %d looks to %s", len(c.Seen), c.Seen[len(c.Seen)-1].ID)
}
