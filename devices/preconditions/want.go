package preconditions

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// A WantError says why a value cannot be wanted of a precondition.
type WantError struct {
	Name string // the precondition
	Key  string // the key below it, or empty for the value as a whole
	Msg  string // what is allowed, and what was given
	// Keys are the keys that are allowed, where Key is not one of them.
	Keys []string
}

func (e *WantError) Error() string {
	if e.Key != "" {
		return fmt.Sprintf("%s.%s: %s", e.Name, e.Key, e.Msg)
	}
	return e.Name + ": " + e.Msg
}

// asFound is how a plan file asks for a precondition to be recorded and not judged.
const asFound = "as found"

// Want makes a Want of what a plan file gives: a bool or "on" and "off" (OnOff), a number
// (Number; a duration as "30m" where the unit is s), a word (Choice), "as found" (any
// kind), or a map with the value and how strictly it is meant:
//
//	OnOff, Choice: want, required, watch
//	Number:        want, within, drift_within, required, watch
//	Range:         least, most, required, watch
//
// Errors are *WantError and say what is allowed.
func (s Spec) Want(value any) (Want, error) {
	w := Want{Name: s.Name, Required: !s.Advisory, Watch: s.Drifts}
	if text, ok := value.(string); ok && strings.TrimSpace(text) == asFound {
		return Want{Name: s.Name, AsFound: true}, nil
	}
	if s.Kind == AsFound {
		return Want{}, s.fault("", "want %q, since it is recorded only; got %s", asFound, show(value))
	}
	m, isMap := value.(map[string]any)
	if !isMap {
		if s.Kind == Range {
			return Want{}, s.fault("", "want a mapping with %s; got %s", s.allowed(), show(value))
		}
		return w, s.setValue(&w, "", value)
	}
	for _, key := range slices.Sorted(maps.Keys(m)) {
		if !slices.Contains(s.keys(), key) {
			err := s.fault(key, "unknown key; want %s", strings.Join(s.keys(), ", "))
			err.Keys = s.keys()
			return Want{}, err
		}
	}
	for _, key := range s.keys() {
		given, ok := m[key]
		if !ok {
			continue
		}
		var err error
		switch key {
		case "want":
			if text, isText := given.(string); isText && text == asFound {
				w.AsFound = true
				continue
			}
			err = s.setValue(&w, key, given)
		case "required":
			w.Required, err = s.flag(key, given)
		case "watch":
			w.Watch, err = s.flag(key, given)
		case "least":
			w.Least, err = s.number(key, given, s.Min, s.Max)
		case "most":
			w.Most, err = s.number(key, given, s.Min, s.Max)
		case "within":
			w.Within, err = s.number(key, given, 0, s.Max-s.Min)
		case "drift_within":
			w.DriftWithin, err = s.number(key, given, 0, s.Max-s.Min)
		}
		if err != nil {
			return Want{}, err
		}
	}
	switch {
	case w.AsFound:
		return Want{Name: s.Name, AsFound: true}, nil
	case s.Kind == Range && w.Least == nil && w.Most == nil:
		return Want{}, s.fault("", "want least, most or both, %s", s.bounds())
	case s.Kind == Range && w.Least != nil && w.Most != nil && *w.Least > *w.Most:
		return Want{}, s.fault("least", "want no more than most, %s; got %s", number(*w.Most), number(*w.Least))
	case s.Kind != Range && w.On == nil && w.Value == nil && w.Choice == "":
		return Want{}, s.fault("", "key \"want\" is missing: want %s", s.allowed())
	case w.Within != nil && w.DriftWithin != nil && *w.DriftWithin < *w.Within:
		return Want{}, s.fault("drift_within", "want no less than within, %s; got %s", number(*w.Within), number(*w.DriftWithin))
	}
	return w, nil
}

func (s Spec) setValue(w *Want, key string, given any) error {
	switch s.Kind {
	case OnOff:
		on, ok := onOff(given)
		if !ok {
			return s.fault(key, "want %s; got %s", s.allowed(), show(given))
		}
		w.On = &on
	case Number:
		v, err := s.number(key, given, s.Min, s.Max)
		if err != nil {
			return err
		}
		w.Value = v
	case Choice:
		word, _ := given.(string)
		if off, isBool := given.(bool); isBool && !off {
			word = "off" // YAML 1.1 readers make false of a bare off
		}
		if !slices.Contains(s.Choices, word) {
			return s.fault(key, "want %s; got %s", s.allowed(), show(given))
		}
		w.Choice = word
	case Range, AsFound:
		return s.fault(key, "want %s; got %s", s.allowed(), show(given))
	}
	return nil
}

func (s Spec) flag(key string, given any) (bool, error) {
	b, ok := given.(bool)
	if !ok {
		return false, s.fault(key, "want true or false; got %s", show(given))
	}
	return b, nil
}

func (s Spec) number(key string, given any, least, most float64) (*float64, error) {
	var f float64
	switch v := given.(type) {
	case int:
		f = float64(v)
	case int64:
		f = float64(v)
	case uint64:
		f = float64(v)
	case float64:
		f = v
	case string:
		d, err := time.ParseDuration(v)
		if s.Unit != "s" || err != nil {
			return nil, s.fault(key, "want %s; got %s", s.span(least, most), show(given))
		}
		f = d.Seconds()
	default:
		return nil, s.fault(key, "want %s; got %s", s.span(least, most), show(given))
	}
	if math.IsNaN(f) || f < least || f > most {
		return nil, s.fault(key, "want %s; got %s", s.span(least, most), show(given))
	}
	return &f, nil
}

// keys are the keys that a mapping below this precondition may have.
func (s Spec) keys() []string {
	switch s.Kind {
	case Number:
		return []string{"want", "within", "drift_within", "required", "watch"}
	case Range:
		return []string{"least", "most", "required", "watch"}
	case AsFound:
		return nil
	}
	return []string{"want", "required", "watch"}
}

// allowed says what a plan may ask for, for messages and help.
func (s Spec) allowed() string {
	switch s.Kind {
	case OnOff:
		return "on, off or " + strconv.Quote(asFound)
	case Number:
		return s.bounds()
	case Range:
		return "least, most or both, " + s.bounds() + ", or " + strconv.Quote(asFound)
	case Choice:
		return strings.Join(s.Choices, ", ") + " or " + strconv.Quote(asFound)
	}
	return strconv.Quote(asFound)
}

// Allowed says what a plan may ask for, for messages, help and the file's schema.
func (s Spec) Allowed() string { return s.allowed() }

func (s Spec) bounds() string { return s.span(s.Min, s.Max) }

func (s Spec) span(least, most float64) string {
	text := fmt.Sprintf("%s to %s", number(least), number(most))
	if s.Unit == "s" {
		return text + " s, or a duration such as 30m"
	}
	return withUnit(text, s.Unit)
}

func (s Spec) fault(key, format string, args ...any) *WantError {
	return &WantError{Name: s.Name, Key: key, Msg: fmt.Sprintf(format, args...)}
}

func onOff(given any) (on, ok bool) {
	switch v := given.(type) {
	case bool:
		return v, true
	case string:
		return v == "on", v == "on" || v == "off"
	}
	return false, false
}

func show(given any) string {
	switch v := given.(type) {
	case nil:
		return "nothing"
	case string:
		return strconv.Quote(v)
	case float64:
		return number(v)
	case map[string]any:
		return "a mapping"
	case []any:
		return "a list"
	}
	return fmt.Sprint(given)
}

func number(f float64) string {
	if math.Abs(f) < 1e15 {
		f = math.Round(f*100) / 100
	}
	return strconv.FormatFloat(f, 'f', -1, 64)
}

func withUnit(text, unit string) string {
	if unit == "" {
		return text
	}
	return text + " " + unit
}

// text says what is wanted, for the report.
func (w Want) text(s Spec) string {
	switch {
	case w.AsFound || s.Kind == AsFound:
		return asFound
	case w.On != nil:
		return onOffText(*w.On)
	case w.Value != nil:
		if within := w.within(s, false); within > 0 {
			return withUnit(number(*w.Value)+" ± "+number(within), s.Unit)
		}
		return withUnit(number(*w.Value), s.Unit)
	case w.Least != nil && w.Most != nil:
		return withUnit(number(*w.Least)+" to "+number(*w.Most), s.Unit)
	case w.Least != nil:
		return "at least " + withUnit(number(*w.Least), s.Unit)
	case w.Most != nil:
		return "at most " + withUnit(number(*w.Most), s.Unit)
	}
	return w.Choice
}

// within is the tolerance of a Number, the wider one during a drain.
func (w Want) within(s Spec, drift bool) float64 {
	within := s.Within
	if w.Within != nil {
		within = *w.Within
	}
	if !drift {
		return within
	}
	if w.DriftWithin != nil {
		return *w.DriftWithin
	}
	return max(within, s.DriftWithin)
}

func onOffText(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

// NewSet puts wants into registry order. A name that the registry does not have, or one
// given twice, is an error.
func NewSet(name string, wants ...Want) (Set, error) {
	return Set{Name: name}.With(wants...)
}

// With returns the set with wants added; one of a name that it has already replaces that.
// A name given twice among wants, or that the registry does not have, is an error.
func (s Set) With(wants ...Want) (Set, error) {
	byName := make(map[string]Want)
	for _, w := range s.Wants {
		byName[w.Name] = w
	}
	given := make(map[string]bool)
	for _, w := range wants {
		if _, known := Lookup(w.Name); !known {
			return Set{}, fmt.Errorf("preconditions %s: there is no precondition %q", s.Name, w.Name)
		}
		if given[w.Name] {
			return Set{}, fmt.Errorf("preconditions %s: %s is given twice", s.Name, w.Name)
		}
		given[w.Name] = true
		byName[w.Name] = w
	}
	merged := Set{Name: s.Name}
	for _, e := range registry {
		if w, ok := byName[e.Name]; ok {
			merged.Wants = append(merged.Wants, w)
		}
	}
	return merged, nil
}

// DefaultSet is the everyday set: what the trade commonly asks for (common practice, no
// source), each entry as its Everyday says.
func DefaultSet() Set {
	set := Set{Name: "everyday"}
	for _, e := range registry {
		if e.Everyday == nil {
			continue
		}
		w, err := e.Want(e.Everyday)
		if err != nil {
			panic("preconditions: the registry's own default is refused: " + err.Error()) // a test reads them all
		}
		set.Wants = append(set.Wants, w)
	}
	return set
}

// Registry returns every precondition, in the order of reports.
func Registry() []Spec {
	specs := make([]Spec, len(registry))
	for i, e := range registry {
		specs[i] = e.Spec
	}
	return specs
}

// Lookup returns the precondition of a name.
func Lookup(name string) (Spec, bool) {
	e := find(name)
	if e == nil {
		return Spec{}, false
	}
	return e.Spec, true
}

func find(name string) *entry {
	for _, e := range registry {
		if e.Name == name {
			return e
		}
	}
	return nil
}
