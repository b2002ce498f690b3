package scenarios

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"go.yaml.in/yaml/v4"
)

// The file is described once, as a tree of shapes (table.go). The reader checks a file
// against the shapes, and Schema writes the same shapes as JSON Schema; so what an
// editor offers and what Load accepts cannot drift apart.

// A shape says what may stand at one place of the file.
type shape interface {
	// read checks a node and returns what it holds, or nil after reporting a fault.
	read(r *reader, n *yaml.Node, path string) *entry
	// schema is the shape in JSON Schema 2020-12.
	schema() map[string]any
	// wants names what is allowed: "want " + wants() reads well.
	wants() string
}

// An entry is one checked piece of the file, or a default.
type entry struct {
	node  *yaml.Node // where it stands; nil for a default
	path  string
	value any // of a scalar: string, int, float64, bool, time.Duration

	keys  []string              // of a mapping, in the file's order
	where map[string]*yaml.Node // its key nodes
	in    map[string]*entry     // its values, defaults filled in
	list  []*entry
	sound bool // nothing below it is at fault
	// of a list
}

func (e *entry) has(key string) bool { return e != nil && e.in[key] != nil }

// given is true when the file itself says it.
func (e *entry) given(key string) bool { return e.has(key) && e.in[key].node != nil }

func (e *entry) at(key string) *entry {
	if e == nil {
		return nil
	}
	return e.in[key]
}

// valueOf is a scalar below a mapping, or the zero value when it is not there.
func valueOf[T any](e *entry, key string) T {
	var zero T
	if !e.has(key) {
		return zero
	}
	v, ok := e.in[key].value.(T)
	if !ok {
		return zero
	}
	return v
}

// A reader walks a file's nodes and collects faults.
type reader struct {
	name   string
	faults Faults
	count  int // of faults, those beyond maxFaults included
	visits int
	spent  bool // too much was visited; say so once
	hints  []string
}

// hint says what a file should have otherwise, although it is read as it is.
func (r *reader) hint(n *yaml.Node, path, format string, args ...any) {
	if len(r.hints) < maxFaults {
		r.hints = append(r.hints, fmt.Sprintf("line %d, %s: ", max(n.Line, 1), path)+fmt.Sprintf(format, args...))
	}
}

const (
	maxDepth  = 24      // the deepest place of the description is half of this
	maxVisits = 200_000 // nodes, each alias counted as often as it is used
	maxFaults = 300     // that are listed; nobody mends more in one go
)

func (r *reader) fault(n *yaml.Node, path, format string, args ...any) {
	if r.count++; r.count > maxFaults {
		return
	}
	line, col := 1, 1
	if n != nil {
		line, col = max(n.Line, 1), max(n.Column, 1)
	}
	r.faults = append(r.faults, Fault{File: r.name, Line: line, Col: col, Path: path, Msg: fmt.Sprintf(format, args...)})
}

// resolve follows an alias and refuses what no place of the file takes: a tag, nothing
// at all, more than can be a plan file.
func (r *reader) resolve(n *yaml.Node, path string, s shape) *yaml.Node {
	r.visits++
	if r.visits > maxVisits {
		if !r.spent {
			r.spent = true
			r.fault(n, "", "the file holds too much: its aliases stand for more than %d values", maxVisits)
		}
		return nil
	}
	if strings.Count(path, ".")+strings.Count(path, "[") > maxDepth {
		r.fault(n, "", "nested deeper than %d", maxDepth)
		return nil
	}
	if n.Kind == yaml.AliasNode && n.Alias != nil {
		n = n.Alias
	}
	if n.Style&yaml.TaggedStyle != 0 {
		r.fault(n, path, "tags are not read here, got %s", n.Tag)
		return nil
	}
	if n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" {
		r.fault(n, path, "want %s, got nothing", s.wants())
		return nil
	}
	return n
}

// found says what a node is, in words of a message.
func found(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "a mapping"
	case yaml.SequenceNode:
		return "a list"
	}
	return shown(n.Value)
}

// shown is text of the file, quoted where needed and cut where long.
func shown(s string) string {
	const most = 40
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	if plainWord.MatchString(s) {
		return s
	}
	return fmt.Sprintf("%q", s)
}

var plainWord = regexp.MustCompile(`^[-+.°%\pL\pN][-+.°%\pL\pN ]*$`)

// A scalar is one value written as text or number.
type scalar struct {
	want  string
	parse func(text string) (any, error) // nil error, or what is wrong; see badly
	json  map[string]any
	bare  bool // a number: quotes make it text, which it is not
}

// A mishap is a parse error that says all there is to say; any other error is told as
// "want ..., got ...".
type mishap string

func (m mishap) Error() string { return string(m) }

func (s *scalar) wants() string          { return s.want }
func (s *scalar) schema() map[string]any { return maps.Clone(s.json) }

func (s *scalar) read(r *reader, n *yaml.Node, path string) *entry {
	n = r.resolve(n, path, s)
	if n == nil {
		return nil
	}
	if n.Kind != yaml.ScalarNode {
		r.fault(n, path, "want %s, got %s", s.want, found(n))
		return nil
	}
	if s.bare && n.ShortTag() == "!!str" && n.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle) != 0 {
		r.fault(n, path, "want %s, got text in quotes: %s", s.want, shown(n.Value))
		return nil
	}
	v, err := s.parse(n.Value)
	switch err := err.(type) {
	case nil:
		return &entry{node: n, path: path, value: v, sound: true}
	case mishap:
		r.fault(n, path, "%s", string(err))
	default:
		r.fault(n, path, "want %s, got %s", s.want, found(n))
	}
	return nil
}

// A field is one key of an object.
type field struct {
	key      string
	about    string
	shape    shape
	required bool
	def      any // the default, as a plan file would have it: text, number or bool; nil: none
	// was is the key's name in plan files of before, which are still read; empty: it had no other.
	was string
}

// An object is a mapping with known keys.
type object struct {
	noun   string // "a plan", for messages
	fields []field
	// check looks at what hangs together within one object, after its fields.
	check func(r *reader, e *entry)
	// also is added to the schema: what check enforces, as far as it can be said there.
	also map[string]any
}

func (o *object) wants() string { return o.noun + " with its keys" }

func (o *object) read(r *reader, n *yaml.Node, path string) *entry {
	before := r.count
	n = r.resolve(n, path, o)
	if n == nil {
		return nil
	}
	e := mapping(r, n, path, o.wants())
	if e == nil {
		return nil
	}
	known := map[string]*field{}
	names := make([]string, 0, len(o.fields))
	for i := range o.fields {
		known[o.fields[i].key] = &o.fields[i]
		names = append(names, o.fields[i].key)
	}
	good := true
	o.renamed(r, e, path)
	for _, key := range e.keys {
		f, ok := known[key]
		if !ok {
			if hint := didYouMean(key, names); hint != "" {
				r.fault(e.where[key], path, "unknown key %q%s", key, hint)
			} else {
				r.fault(e.where[key], path, "unknown key %q; known are %s", key, listed(names))
			}
			delete(e.in, key)
			continue
		}
		if e.in[key] = f.shape.read(r, e.in[key].node, join(path, key)); e.in[key] == nil {
			delete(e.in, key)
			good = false
		}
	}
	for i := range o.fields {
		f := &o.fields[i]
		if _, there := e.where[f.key]; there {
			continue
		}
		switch {
		case f.required:
			r.fault(n, path, "%s is missing: want %s", f.key, f.shape.wants())
			good = false
		case f.def != nil:
			e.in[f.key] = defaultOf(f, join(path, f.key))
		}
	}
	if good && o.check != nil {
		o.check(r, e)
	}
	e.sound = r.count == before
	return e
}

// renamed gives keys by their old names their new ones, and says so.
func (o *object) renamed(r *reader, e *entry, path string) {
	for _, f := range o.fields {
		i := slices.Index(e.keys, f.was)
		if f.was == "" || i < 0 {
			continue
		}
		at := e.where[f.was]
		if _, twice := e.where[f.key]; twice {
			r.fault(at, path, "%s is the old name of %s, which is there too: want one of them", f.was, f.key)
			continue
		}
		e.keys[i] = f.key
		e.where[f.key], e.in[f.key] = at, e.in[f.was]
		delete(e.where, f.was)
		delete(e.in, f.was)
		r.hint(at, join(path, f.was), "it is called %s now", f.key)
	}
}

// defaultOf reads a field's default through its own shape, so that a wrong one in the
// table cannot pass (every default is read by a test).
func defaultOf(f *field, path string) *entry {
	s, ok := f.shape.(*scalar)
	if !ok {
		// An object or list by default: read from what the empty one gives.
		scratch := &reader{}
		kind, tag := yaml.MappingNode, "!!map"
		if _, isList := f.shape.(*list); isList {
			kind, tag = yaml.SequenceNode, "!!seq"
		}
		e := f.shape.read(scratch, &yaml.Node{Kind: kind, Tag: tag}, path)
		if e == nil {
			panic(fmt.Sprintf("scenarios: default of %s: %v", path, scratch.faults))
		}
		e.node = nil
		return e
	}
	v, err := s.parse(fmt.Sprint(f.def))
	if err != nil {
		panic(fmt.Sprintf("scenarios: default of %s: %v: %v", path, f.def, err))
	}
	return &entry{path: path, value: v, sound: true}
}

func (o *object) schema() map[string]any {
	properties, required := map[string]any{}, []any{}
	for _, f := range o.fields {
		s := f.shape.schema()
		if f.about != "" {
			s["description"] = f.about
		}
		if f.def != nil && f.def != empty {
			s["default"] = f.def
		}
		properties[f.key] = s
		if f.required {
			required = append(required, f.key)
		}
	}
	m := map[string]any{"type": "object", "properties": properties, "additionalProperties": false}
	if len(required) > 0 {
		m["required"] = required
	}
	maps.Copy(m, o.also)
	return m
}

// empty as a field's default means: as if the mapping were there without keys.
const empty = "{}"

// A dictionary is a mapping whose keys the file chooses.
type dictionary struct {
	noun  string // "plans by name"
	key   *scalar
	value shape
	least int
}

func (d *dictionary) wants() string { return d.noun }

func (d *dictionary) read(r *reader, n *yaml.Node, path string) *entry {
	before := r.count
	n = r.resolve(n, path, d)
	if n == nil {
		return nil
	}
	e := mapping(r, n, path, d.noun)
	if e == nil {
		return nil
	}
	for _, key := range slices.Clone(e.keys) {
		if d.key != nil {
			if _, err := d.key.parse(key); err != nil {
				r.fault(e.where[key], path, "want %s as the key, got %s", d.key.want, shown(key))
				e.drop(key)
				continue
			}
		}
		if e.in[key] = d.value.read(r, e.in[key].node, join(path, key)); e.in[key] == nil {
			e.drop(key)
		}
	}
	if len(e.where) < d.least {
		r.fault(n, path, "want %s, got none", d.noun)
	}
	e.sound = r.count == before
	return e
}

// drop forgets a key whose value is of no use; where keeps it, so that references to it
// are not reported on top of its own fault.
func (e *entry) drop(key string) {
	delete(e.in, key)
	e.keys = slices.DeleteFunc(e.keys, func(k string) bool { return k == key })
}

func (d *dictionary) schema() map[string]any {
	m := map[string]any{"type": "object", "additionalProperties": d.value.schema()}
	if d.key != nil {
		m["propertyNames"] = d.key.schema()
	}
	if d.least > 0 {
		m["minProperties"] = d.least
	}
	return m
}

// A list is a sequence of one shape.
type list struct {
	noun        string // "1 to 64 steps"
	value       shape
	least, most int
	check       func(r *reader, e *entry)
}

func (l *list) wants() string { return l.noun }

func (l *list) read(r *reader, n *yaml.Node, path string) *entry {
	before := r.count
	n = r.resolve(n, path, l)
	if n == nil {
		return nil
	}
	if n.Kind != yaml.SequenceNode {
		r.fault(n, path, "want %s, got %s", l.noun, found(n))
		return nil
	}
	if len(n.Content) < l.least || len(n.Content) > l.most {
		r.fault(n, path, "want %s, got %d", l.noun, len(n.Content))
		return nil
	}
	e := &entry{node: n, path: path}
	for i, c := range n.Content {
		if v := l.value.read(r, c, fmt.Sprintf("%s[%d]", path, i)); v != nil {
			e.list = append(e.list, v)
		}
	}
	if r.count == before && l.check != nil { // what is missing in an item cannot be compared
		l.check(r, e)
	}
	e.sound = r.count == before
	return e
}

func (l *list) schema() map[string]any {
	return map[string]any{"type": "array", "items": l.value.schema(), "minItems": l.least, "maxItems": l.most}
}

// either takes a short form for what is written often and a long form for the rest: the
// kind of node decides which.
type either struct {
	scalar  shape // the short form, a word or number
	mapping shape // the long form
}

func (a *either) wants() string {
	return a.scalar.wants() + " or " + a.mapping.wants()
}

func (a *either) read(r *reader, n *yaml.Node, path string) *entry {
	n = r.resolve(n, path, a)
	if n == nil {
		return nil
	}
	switch n.Kind {
	case yaml.MappingNode:
		return a.mapping.read(r, n, path)
	case yaml.ScalarNode:
		return a.scalar.read(r, n, path)
	}
	r.fault(n, path, "want %s, got %s", a.wants(), found(n))
	return nil
}

func (a *either) schema() map[string]any {
	return map[string]any{"anyOf": []any{a.scalar.schema(), a.mapping.schema()}}
}

// oneOrMore takes a single value where a list of one would do.
type oneOrMore struct {
	noun  string
	value *scalar
	most  int
}

func (o *oneOrMore) list() *list { return &list{noun: o.noun, value: o.value, least: 1, most: o.most} }

func (o *oneOrMore) wants() string { return o.noun }

func (o *oneOrMore) read(r *reader, n *yaml.Node, path string) *entry {
	n = r.resolve(n, path, o)
	if n == nil {
		return nil
	}
	if n.Kind == yaml.SequenceNode {
		return o.list().read(r, n, path)
	}
	one := o.value.read(r, n, path)
	if one == nil {
		return nil
	}
	return &entry{node: n, path: path, list: []*entry{one}, sound: true}
}

func (o *oneOrMore) schema() map[string]any {
	return map[string]any{"anyOf": []any{o.value.schema(), o.list().schema()}}
}

// listOr takes a list or a mapping.
type listOr struct {
	list    *list
	mapping *object
}

func (l *listOr) wants() string { return l.list.wants() + ", or " + l.mapping.wants() }

func (l *listOr) read(r *reader, n *yaml.Node, path string) *entry {
	n = r.resolve(n, path, l)
	switch {
	case n == nil:
		return nil
	case n.Kind == yaml.SequenceNode:
		return l.list.read(r, n, path)
	case n.Kind == yaml.MappingNode:
		return l.mapping.read(r, n, path)
	}
	r.fault(n, path, "want %s, got %s", l.wants(), found(n))
	return nil
}

func (l *listOr) schema() map[string]any {
	return map[string]any{"anyOf": []any{l.list.schema(), l.mapping.schema()}}
}

// mapping splits a mapping node into keys and values and refuses duplicate keys and
// keys that are not text.
func mapping(r *reader, n *yaml.Node, path, want string) *entry {
	if n.Kind != yaml.MappingNode {
		r.fault(n, path, "want %s, got %s", want, found(n))
		return nil
	}
	e := &entry{node: n, path: path, in: map[string]*entry{}, where: map[string]*yaml.Node{}}
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, v := n.Content[i], n.Content[i+1]
		if k.Kind == yaml.AliasNode && k.Alias != nil {
			k = k.Alias
		}
		switch {
		case k.Kind != yaml.ScalarNode || k.ShortTag() == "!!null":
			r.fault(k, path, "want text as the key, got %s", foundKey(k))
			continue
		case k.ShortTag() == "!!merge":
			r.fault(k, path, "merge keys are not read; use extends, or an alias for the whole value")
			continue
		}
		if first, twice := e.where[k.Value]; twice {
			r.fault(k, path, "duplicate key %q, first in line %d", k.Value, first.Line)
			continue
		}
		e.where[k.Value] = k
		e.keys = append(e.keys, k.Value)
		e.in[k.Value] = &entry{node: v}
	}
	return e
}

func foundKey(k *yaml.Node) string {
	if k.Kind == yaml.ScalarNode {
		return "nothing"
	}
	return found(k)
}

func join(path, key string) string {
	if !plainKey.MatchString(key) {
		key = fmt.Sprintf("%q", key)
	}
	if path == "" {
		return key
	}
	return path + "." + key
}

var plainKey = regexp.MustCompile(`^[\pL\pN_-]+$`)
