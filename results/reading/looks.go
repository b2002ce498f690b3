package reading

import (
	"fmt"
	"slices"

	"rundown/results/endurance"
)

// DocumentsLooks is the store's kind for what looks at sleeping handsets cost, one
// document a handset and OS build.
const DocumentsLooks = "look costs"

// LookCosts is one document of DocumentsLooks.
type LookCosts struct {
	Handset string               `json:"handset"`
	Build   string               `json:"build"`
	Seen    []endurance.LookSeen `json:"seen"` // oldest first
}

// looks are what looks at sleeping handsets were seen to cost, kept at hand, by ObservedID.
type looks struct{ documents[LookCosts] }

func newLooks() *looks {
	b := &looks{}
	b.kind, b.id = DocumentsLooks, func(c LookCosts) string { return ObservedID(c.Handset, c.Build) }
	return b
}

// of is what was seen of a handset on an OS build, but for one segment; oldest first.
func (b *looks) of(handset, build, without string) []endurance.LookSeen {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(b.by[ObservedID(handset, build)].Seen), func(s endurance.LookSeen) bool { return s.ID == without })
}

// LooksSeen are what looks at a handset were seen to cost on an OS build, in all segments but one;
// oldest first.
func (rm *Room) LooksSeen(handset, build, without string) []endurance.LookSeen {
	return rm.looks.of(handset, build, without)
}

// LookedAtOn are the builds on which looks at a handset were seen to cost something.
func (rm *Room) LookedAtOn(handset string) []string { return rm.looks.builds(handset) }

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
	c := b.by[ObservedID(handset, build)]
	if len(c.Seen) == 0 {
		return ""
	}
	return fmt.Sprintf(" %d looks to %s", len(c.Seen), c.Seen[len(c.Seen)-1].ID)
}
