package scenarios

import (
	"maps"
	"slices"
	"strings"
)

// names are what a reference may name.
type names struct {
	list []string // sorted, for messages
	has  map[string]bool
}

func newNames(list []string) *names {
	n := &names{has: map[string]bool{}}
	for _, name := range list {
		n.has[name] = true
	}
	n.list = slices.Sorted(maps.Keys(n.has))
	return n
}

// names are the keys that a section of the file has, whether sound or not, and others
// that are there without being written.
func (b *builder) names(others []string, section ...string) *names {
	key := strings.Join(section, ".")
	if n := b.known[key]; n != nil {
		return n
	}
	list, e := slices.Clone(others), b.e
	for _, s := range section {
		e = e.at(s)
	}
	if e != nil {
		list = slices.AppendSeq(list, maps.Keys(e.where))
	}
	return b.remember(key, list)
}

func (b *builder) remember(key string, list []string) *names {
	if b.known == nil {
		b.known = map[string]*names{}
	}
	b.known[key] = newNames(list)
	return b.known[key]
}

// handsets are the names of the bench's handsets.
func (b *builder) handsets() *names {
	const key = "bench.handsets"
	if n := b.known[key]; n != nil {
		return n
	}
	var list []string
	if hs := b.e.at("bench").at("handsets"); hs != nil {
		for _, h := range hs.list {
			list = append(list, valueOf[string](h, "name"))
		}
	}
	return b.remember(key, list)
}

func (b *builder) setNames() *names { return b.names([]string{builtinSet}, "preconditions") }

// scenarioNames are the built-in ones and the file's own.
func (b *builder) scenarioNames() *names {
	return b.names(slices.Collect(maps.Keys(builtins())), "scenarios")
}

// refer checks that a name exists, and lists what does when not.
func (b *builder) refer(at *entry, noun string, known *names) string {
	if at == nil {
		return ""
	}
	got, _ := at.value.(string)
	switch {
	case at.node == nil || known.has[got]:
	case b.r.count >= maxFaults:
		b.r.fault(at.node, at.path, "no %s %q", noun, got) // counted, not listed
	case len(known.list) == 0:
		b.r.fault(at.node, at.path, "no %s %q: the file has none", noun, got)
	default:
		b.r.fault(at.node, at.path, "no %s %q%s; known are %s", noun, got, didYouMean(got, known.list), listed(known.list))
	}
	return got
}
