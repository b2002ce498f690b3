package scenarios

import (
	"fmt"
	"time"
)

// A LineUp is several handsets that stand for one side of a comparison: this year's, last
// year's, the rivals.
type LineUp struct {
	Name    string
	About   string
	Members []Member
}

// A Member says which figures of which handset count in a line-up. Empty fields choose
// everything.
type Member struct {
	Handset string // by name; need not be on the bench (any more)
	Run     string // one run, by its identifier
	Plan    string
	From    time.Time // only runs begun on this day or later, host's time zone
	To      time.Time // only runs begun before this day ends; the end of that day here
	// Imported: nil takes measured and imported figures, true only imported ones, false
	// only measured ones.
	Imported *bool
}

// day is a calendar day of the host's time zone.
func day() *scalar {
	return &scalar{
		want: "a day such as 2030-05-14",
		parse: func(s string) (any, error) {
			at, err := time.ParseInLocation(time.DateOnly, s, time.Local)
			switch {
			case err != nil:
				return nil, errWrong
			case at.Year() < 2000 || at.Year() > 2200:
				return nil, mishap(fmt.Sprintf("want a day such as 2030-05-14, got %s: the year is not one of a handset", shown(s)))
			}
			return at, nil
		},
		json: map[string]any{"type": "string", "format": "date"},
	}
}

var memberShape = &object{
	noun: "a member of a line-up",
	fields: []field{
		{key: "handset", about: "A handset by name; it need not be on the bench, so last year's and imported ones may stand here.", shape: name("a handset's name")},
		{key: "run", about: "One run, by its identifier.", shape: matching("a run's identifier as `rundown runs` lists it", `^[A-Za-z0-9-]{1,64}$`)},
		{key: "plan", about: "Only runs of this plan.", shape: name("a plan's name")},
		{key: "from", about: "Only runs begun on this day or later, host's time zone.", shape: day()},
		{key: "to", about: "Only runs begun on this day or earlier.", shape: day()},
		{key: "imported", about: "on: only imported figures; off: only measured ones; left out: both.", shape: onOff()},
	},
	check: func(r *reader, e *entry) {
		if !e.has("handset") && !e.has("run") {
			r.fault(e.node, e.path, "want a handset or a run: which figures are meant?")
		}
		from, to := valueOf[time.Time](e, "from"), valueOf[time.Time](e, "to")
		if e.has("from") && e.has("to") && to.Before(from) {
			r.fault(e.at("to").node, e.at("to").path, "want %s or later, the day of from", from.Format(time.DateOnly))
		}
	},
	also: map[string]any{"anyOf": []any{map[string]any{"required": []any{"handset"}}, map[string]any{"required": []any{"run"}}}},
}

var lineUpShape = &object{
	noun: "a line-up",
	fields: []field{
		{key: "about", about: "What it stands for, for reports.", shape: text("a line of up to 200 characters", 200)},
		{key: "members", about: "Which handsets, and which of their runs.", shape: &list{noun: "1 to 100 members", value: memberShape, least: 1, most: 100}, required: true},
	},
}

func (b *builder) lineUp(name string, e *entry) LineUp {
	l := LineUp{Name: name, About: valueOf[string](e, "about")}
	if b.handsets().has[name] {
		at := b.e.at("line_ups")
		b.r.fault(at.where[name], e.path, "a handset of the bench has this name: a comparison could not tell them apart")
	}
	if ms := e.at("members"); ms != nil {
		for _, m := range ms.list {
			one := Member{Handset: valueOf[string](m, "handset"), Run: valueOf[string](m, "run"), Plan: valueOf[string](m, "plan"), From: valueOf[time.Time](m, "from")}
			if to := valueOf[time.Time](m, "to"); !to.IsZero() {
				one.To = to.AddDate(0, 0, 1)
			}
			if m.has("imported") {
				on := valueOf[bool](m, "imported")
				one.Imported = &on
			}
			l.Members = append(l.Members, one)
		}
	}
	return l
}
