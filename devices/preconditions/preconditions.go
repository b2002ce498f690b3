// Package preconditions puts a handset into the state that a plan asks for, and says
// what it found: each precondition with the value wanted, the value read back, a verdict
// and how to mend it.
//
// Everything that is known about one precondition is one entry of the table in
// registry.go; adding a precondition means adding an entry. Which command an Android
// version wants is not said there but in the one table of devices (flavour.go).
//
// The package knows nothing of plans and runs: it takes a link, facts about the handset
// and a Set, and gives a Report. Errors that leave it are those of the link (devices) and
// of the caller's record function; a precondition that is not met is no error.
package preconditions

import (
	"context"
	"slices"
	"strings"
	"time"

	"rundown/devices"
)

// Kind is how a precondition's wanted value is written.
type Kind int

// The kinds, with what a plan file gives for each.
const (
	OnOff   Kind = iota // on or off
	Number              // a number, met within a tolerance
	Range               // least, most, or both
	Choice              // one of the entry's Choices
	AsFound             // recorded only, never judged
)

// A Mender is who or what mends a precondition that is not met.
type Mender string

// The menders.
const (
	ByShell    Mender = "shell"    // Apply sets it over the link
	ByPower    Mender = "power"    // the power gate, or whoever holds the cable
	ByRecharge Mender = "recharge" // recharging or draining to the start window
	ByWaiting  Mender = "waiting"  // time: the battery cools or warms
	ByHand     Mender = "hand"     // a person at the handset
)

// A Spec describes one precondition: a row of the registry.
type Spec struct {
	Name    string // as plan files write it: on_battery, luminance
	About   string // one sentence for people
	Unit    string // "%", "°C", "cd/m²", "s", "Hz", "dBm", "GB"; empty for none
	Kind    Kind
	Choices []string // of Kind Choice
	// Min and Max bound what a plan may ask for, in Unit (Number and Range).
	Min, Max float64
	// Within is the tolerance of a Number when the plan gives none, in Unit.
	Within float64
	// DriftWithin is the wider tolerance of a Number while a segment drains; 0: Within.
	DriftWithin float64
	// Mender says who mends it. Only ByShell entries are changed by Apply.
	Mender Mender
	// Advisory: not required unless the plan says so.
	Advisory bool
	// Drifts: can change by itself during a drain, so it is watched unless the plan says
	// otherwise.
	Drifts bool
	// Everyday is what DefaultSet wants, as a plan file would write it.
	Everyday any
}

// A Want is one precondition wanted: which, what value, and how strictly. Which of the
// value fields is set follows from the kind of the entry; Spec.Want makes a valid one.
type Want struct {
	Name   string   `json:"name"`
	On     *bool    `json:"on,omitempty"`
	Value  *float64 `json:"value,omitempty"`  // in the entry's unit
	Within *float64 `json:"within,omitempty"` // tolerance of Value; nil: the entry's
	Least  *float64 `json:"least,omitempty"`
	Most   *float64 `json:"most,omitempty"`
	Choice string   `json:"choice,omitempty"`
	// AsFound: recorded, not judged.
	AsFound bool `json:"as_found,omitempty"`
	// Required: a run must not start while it is not met or cannot be read.
	Required bool `json:"required"`
	// Watch: read again during a drain; not met then is drift.
	Watch bool `json:"watch"`
	// DriftWithin is the tolerance of Value during a drain; nil: the entry's.
	DriftWithin *float64 `json:"drift_within,omitempty"`
}

// A Set is what a plan file's preconditions entry becomes: wants in registry order, at
// most one of a name.
type Set struct {
	Name  string `json:"name"`
	Wants []Want `json:"wants"`
}

// Only is the set without what has another name than these.
func (s Set) Only(names []string) Set {
	s.Wants = slices.DeleteFunc(slices.Clone(s.Wants), func(w Want) bool { return !slices.Contains(names, w.Name) })
	return s
}

// A Clock is the time that Apply waits by; the demo's runs faster.
type Clock interface {
	Now() time.Time
	Sleep(ctx context.Context, d time.Duration) error
}

// A Handset holds the facts about one handset that a verdict needs.
type Handset struct {
	Name      string
	Curve     *devices.Curve // nil: no luminance curve known
	CurveNote string         // when and how the curve was taken, for the report
	// CurveFraction: the curve's settings are fractions, 0 to 1, as cmd display
	// set-brightness takes them, not values of the setting screen_brightness.
	CurveFraction bool
	// StartLevel replaces the set's start_level window, %; zero: the set's.
	StartLevel [2]float64
	// Packages by role (browser, player, camera); a role left out is resolved on the
	// handset. Their versions go into the report.
	Packages map[string]string
	// SDK is the handset's Android level where it is known, so that Watch need not ask; 0: it asks.
	SDK int
	// Units are those of the handset's readings where they are known; nil: each reading is
	// taken by itself.
	Units *devices.Units
	// Clock is nil for the wall clock.
	Clock Clock
}

func (h Handset) now() time.Time {
	if h.Clock == nil {
		return time.Now().UTC()
	}
	return h.Clock.Now().UTC()
}

func (h Handset) sleep(ctx context.Context, d time.Duration) error {
	if h.Clock != nil {
		return h.Clock.Sleep(ctx, d)
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Verdict says how a precondition stands.
type Verdict string

// The verdicts.
const (
	Met        Verdict = "met"
	NotMet     Verdict = "not met"
	CannotRead Verdict = "cannot be read"
)

// A Line is one precondition of a report.
type Line struct {
	Name     string  `json:"name"`
	Wanted   string  `json:"wanted"`
	Found    string  `json:"found"` // what was read back; the reason when it cannot be read
	Verdict  Verdict `json:"verdict"`
	Required bool    `json:"required"`
	Mend     string  `json:"mend,omitempty"` // what a person does about it; empty when met
	Mender   Mender  `json:"mender"`
	WillSet  bool    `json:"will_set"` // Apply would set it, or has
}

// A Report is the table of all preconditions for one handset.
type Report struct {
	At       time.Time         `json:"at"` // host clock, UTC
	Handset  string            `json:"handset"`
	Set      string            `json:"set"`
	Identity devices.Identity  `json:"identity"`
	Apps     map[string]string `json:"apps"` // package to version
	Lines    []Line            `json:"lines"`
}

// Unmet returns the lines that are required and not met; one that cannot be read is not met.
func (r Report) Unmet() []Line {
	var lines []Line
	for _, l := range r.Lines {
		if l.Required && l.Verdict != Met {
			lines = append(lines, l)
		}
	}
	return lines
}

// A Change is one change made to the handset, with what puts it back. It is recorded
// before it is made, so that it can be put back whatever happens in between.
type Change struct {
	Name   string    `json:"name"`   // the precondition
	Undo   string    `json:"undo"`   // complete shell command that puts the old value back
	Before string    `json:"before"` // the old value, for people
	At     time.Time `json:"at"`     // host clock, UTC
	// DropsLink: the change makes the handset restart its end of the link; both making
	// it and undoing it lose the link for some seconds.
	DropsLink bool `json:"drops_link,omitempty"`
	// Setting is the setting that was changed, "system screen_brightness", and Was its old
	// value, nil where it was not set. Setting is empty where a command was given instead:
	// State then is what the precondition's state was, only to be compared. Both are empty
	// in records from before they were kept.
	Setting string  `json:"setting,omitempty"`
	Was     *string `json:"was,omitempty"`
	State   string  `json:"state,omitempty"`
	// Press: it is undone by pressing a key, which is tried once and never owed.
	Press bool `json:"press,omitempty"`
	// Kept is the ID of the list on the handset in which the setting's old value stands as well
	// (onboard.Befores): once it does not any more, somebody has put it back. Empty: in none.
	Kept string `json:"kept,omitempty"`
}

// BackTo is the change with another old value of its setting, one from before it was found.
func (c Change) BackTo(was *string) Change {
	space, name, _ := strings.Cut(c.Setting, " ")
	back := putsBack(key{space, name}, was)
	c.Was, c.Undo, c.Before = back.was, back.undo, back.before
	return c
}
