package reading

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"rundown/results"
	"rundown/results/compare"
	"rundown/results/endurance"
	"rundown/scenarios"
)

// A Choice says what is put beside each other.
type Choice struct {
	// Sides are handsets, runs and line-ups by name; none: every handset of the bench.
	Sides     []string
	Reference string // one of them, or another; the first when empty
	AllPairs  bool   // each with each, instead of with the reference
	Scenarios []string
	Plan      string   // only runs of this plan; empty: all
	Allow     []string // mismatches that do not block, by compare's names
	// From and To bound when measured runs of handsets were begun; zero: of lately (see
	// Lately). Runs named one by one, line-ups and imports are not bound by Lately.
	From, To time.Time
}

// lately is how far back runs are put beside each other when nobody asks for more: what
// is older was measured on other builds.
const lately = 30 * 24 * time.Hour

// The kinds of sides.
const (
	SideHandset = "handset"
	SideRun     = "run"
	SideLineUp  = "line-up"
)

// A Beside is sides put beside each other.
type Beside struct {
	Heading    string             `json:"heading"` // the answer in a sentence
	Sides      []BesideSide       `json:"sides"`
	Comparison compare.Comparison `json:"comparison"`
	// DayMixes compares how long a battery lasts a day mix. Its ratios are tested as a set
	// of their own: they follow from the others.
	DayMixes compare.Comparison `json:"day_mixes"`
	Hours    []SideHours        `json:"hours"`
	// Charges and Sustained compare how the sides charge, and how they hold their speed. Each is
	// a set of its own.
	Charges   ComparedSet `json:"charges"`
	Sustained ComparedSet `json:"sustained"`
	From      time.Time   `json:"from,omitzero"` // measured runs of handsets begun before are left out
	Notes     []string    `json:"notes,omitempty"`
}

// A BesideSide is one side with what it is made of.
type BesideSide struct {
	Name     string   `json:"name"`
	Kind     string   `json:"kind"`
	About    string   `json:"about,omitempty"`
	Handsets []string `json:"handsets"`
	Runs     []string `json:"runs"`
	Segments int      `json:"segments"`
	Imported bool     `json:"imported,omitempty"` // some of it comes from files
	Missing  []string `json:"missing,omitempty"`  // what was meant and has no figure, for a person
}

// SideHours are the hours of one handset of a side at one scenario, or its days of a mix.
type SideHours struct {
	Side     string    `json:"side"`
	Handset  string    `json:"handset"`
	Scenario string    `json:"scenario,omitempty"`
	DayMix   string    `json:"day_mix,omitempty"`
	Hours    *Interval `json:"hours,omitempty"`
	Days     *Interval `json:"days,omitempty"` // of a day mix
	Segments int       `json:"segments,omitempty"`
	Agree    bool      `json:"repeats_agree"`
	Imported bool      `json:"imported,omitempty"`
	Missing  []string  `json:"missing,omitempty"` // scenarios of the mix without a figure
}

// side is one side while it is put together.
type side struct {
	BesideSide
	runs          []Estimated
	charges, work []compare.Run
	// Why charges and sustained work that took place give nothing, the first of several.
	noCharge, noWork string
}

// Compare puts sides beside each other, scenario by scenario. ErrRequest for names that are
// not there, or fewer than two sides. An error of the store costs the runs that it names;
// it comes with the rest.
func (rm *Room) Compare(c Choice) (Beside, error) {
	sides, from, err := rm.gather(&c)
	if err != nil && len(sides) == 0 {
		return Beside{}, err
	}
	out := Beside{From: from}
	var list, mixes, charges, work []compare.Side
	noCharge, noWork := map[string]string{}, map[string]string{}
	for _, s := range sides {
		noCharge[s.Name], noWork[s.Name] = s.noCharge, s.noWork
		charges, work = append(charges, compare.Side{Name: s.Name, Runs: s.charges}), append(work, compare.Side{Name: s.Name, Runs: s.work})
		out.Sides = append(out.Sides, s.BesideSide)
		one := compare.Side{Name: s.Name}
		for _, e := range s.runs {
			one.Runs = append(one.Runs, e.Compared)
		}
		list = append(list, one)
	}
	options := compare.Options{Reference: c.Reference, AllPairs: c.AllPairs, Allow: c.Allow}
	var failed error
	if out.Comparison, failed = compare.Compare(list, options); failed != nil {
		return out, fmt.Errorf("%w: %w", ErrRequest, failed)
	}
	if out.Comparison.Ratios == nil {
		out.Comparison.Ratios = []compare.Ratio{}
	}
	for _, set := range []struct {
		to      *ComparedSet
		sides   []compare.Side
		what    string
		one     string // of it
		lacking map[string]string
		first   []string
	}{
		{&out.Charges, charges, "charging", "charge", noCharge, []string{QuantityMain, QuantityFull, QuantityHottest}},
		{&out.Sustained, work, "sustained work", "sustained work", noWork, []string{"rate at the start", "share held", QuantityHottest}},
	} {
		if *set.to, failed = comparedSet(set.one, set.sides, set.lacking, options); failed != nil {
			return out, fmt.Errorf("%w: %w", ErrRequest, failed)
		}
		set.to.Heading = set.to.heading(set.what, out.Comparison.Reference, set.first)
	}
	if out.Heading = out.Comparison.Heading(); len(out.Comparison.Ratios) == 0 {
		// Nothing of how long they last: what there is says what the page is of.
		out.Heading = cmp.Or(strings.Join(slices.DeleteFunc([]string{out.Charges.Heading, out.Sustained.Heading}, func(s string) bool { return s == "" }), ". "), "There is nothing yet by which these can be compared")
	}
	mixes = rm.mixSides(list, c)
	if out.DayMixes, failed = compare.Compare(mixes, options); failed != nil {
		return out, fmt.Errorf("%w: %w", ErrRequest, failed)
	}
	if out.DayMixes.Ratios == nil {
		out.DayMixes.Ratios = []compare.Ratio{}
	}
	out.Hours = rm.sideHours(sides, c)
	for _, s := range sides {
		if s.Imported {
			out.Notes = append(out.Notes, s.Name+" has imported figures: they were not measured by rundown")
		}
		for _, m := range s.Missing {
			out.Notes = append(out.Notes, s.Name+": "+m)
		}
	}
	return out, err
}

// mixSides are the sides seen through each day mix of the plan file.
func (rm *Room) mixSides(list []compare.Side, c Choice) []compare.Side {
	mixes := make([]compare.Side, len(list))
	for i, s := range list {
		mixes[i].Name = s.Name
		if len(c.Scenarios) > 0 {
			continue
		}
		for _, name := range slices.Sorted(maps.Keys(rm.file.DayMixes)) {
			seen, _ := compare.OfMix(s, name, rm.file.DayMixes[name].Hours, c.Allow)
			mixes[i].Runs = append(mixes[i].Runs, seen.Runs...)
		}
	}
	return mixes
}

// sideHours are each side's hours, handset by handset, and what they make of the day mixes.
func (rm *Room) sideHours(sides []side, c Choice) []SideHours {
	list := []SideHours{}
	flagged := slices.Contains(c.Allow, compare.AllowFlagged)
	for _, s := range sides {
		type key struct {
			handset, scenario string
			imported          bool
		}
		var order []key
		figures := map[key][]endurance.Figure{}
		for _, e := range s.runs {
			if e.Compared.Flagged && !flagged {
				continue
			}
			k := key{e.Run.Handset.Name, e.Segment.Scenario, e.Segment.Imported != ""}
			if figures[k] == nil {
				order = append(order, k)
			}
			figures[k] = append(figures[k], e.Figure)
		}
		var all []ScenarioFigure
		for _, k := range order {
			hours, agree := endurance.Combine(figures[k])
			list = append(list, SideHours{Side: s.Name, Handset: k.handset, Scenario: k.scenario, Hours: &hours, Segments: len(figures[k]), Agree: agree, Imported: k.imported})
			if k.imported && figures[key{k.handset, k.scenario, false}] != nil {
				continue
			}
			all = append(all, ScenarioFigure{Handset: k.handset, Scenario: k.scenario, Hours: hours, Kept: len(figures[k])})
		}
		if len(c.Scenarios) > 0 {
			continue
		}
		for _, m := range rm.mixesOf(all) {
			one := SideHours{Side: s.Name, Handset: m.Handset, DayMix: m.Mix, Agree: true, Missing: m.Missing}
			if len(m.Missing) == 0 {
				days := m.Days
				one.Days = &days
			}
			list = append(list, one)
		}
	}
	return list
}

// mixesOf are the day mixes of whatever handsets have figures, on the bench or not.
func (rm *Room) mixesOf(figures []ScenarioFigure) (list []MixFigure) {
	var order []string
	for _, f := range figures {
		if !slices.Contains(order, f.Handset) {
			order = append(order, f.Handset)
		}
	}
	hours := hoursOf(figures)
	for _, name := range order {
		for _, mix := range slices.Sorted(maps.Keys(rm.file.DayMixes)) {
			list = append(list, mixFigure(name, rm.file.DayMixes[mix], hours[name]))
		}
	}
	return list
}

// Lately is the instant from which on handsets' runs count when nobody asks for more; zero
// where nothing was measured yet.
func (rm *Room) Lately() time.Time {
	runs, _ := rm.store.Runs()
	return latelyOf(runs)
}

// Comparable are all sides that can be put beside each other, by name and kind: handsets
// that have runs, those of the bench first, then line-ups.
func (rm *Room) Comparable() ([]BesideSide, error) {
	runs, err := rm.store.Runs()
	list := []BesideSide{}
	add := func(name string) {
		s := BesideSide{Name: name, Kind: SideHandset, Handsets: []string{name}, Runs: []string{}}
		found, measured := false, false
		for _, r := range runs {
			if r.Handset.Name == name {
				found, measured = true, measured || r.Imported == nil
			}
		}
		if s.Imported = found && !measured; found {
			list = append(list, s)
		}
	}
	var others []string
	onBench := map[string]bool{}
	for _, h := range rm.file.Bench.Handsets {
		onBench[h.Name] = true
		add(h.Name)
	}
	for _, r := range runs {
		if !onBench[r.Handset.Name] && !slices.Contains(others, r.Handset.Name) {
			others = append(others, r.Handset.Name)
		}
	}
	slices.Sort(others)
	for _, name := range others {
		add(name)
	}
	for _, name := range slices.Sorted(maps.Keys(rm.file.LineUps)) {
		list = append(list, BesideSide{Name: name, Kind: SideLineUp, About: rm.file.LineUps[name].About, Handsets: []string{}, Runs: []string{}})
	}
	return list, err
}

func latelyOf(runs []results.Run) time.Time {
	newest := time.Time{}
	for _, r := range runs {
		if r.Imported == nil && r.StartedAt.After(newest) {
			newest = r.StartedAt
		}
	}
	if newest.IsZero() {
		return newest
	}
	return newest.Add(-lately)
}

// gather finds the sides that a choice names, with their figures. It fills in the sides
// and the reference where the choice leaves them open.
func (rm *Room) gather(c *Choice) (sides []side, from time.Time, err error) {
	runs, err := rm.store.Runs()
	if err != nil && len(runs) == 0 {
		return nil, from, err
	}
	if from = c.From; from.IsZero() {
		from = latelyOf(runs)
	}
	if c.Plan != "" && !slices.ContainsFunc(runs, func(r results.Run) bool { return r.Plan == c.Plan }) && rm.file.Plans[c.Plan].Name == "" {
		return nil, from, fmt.Errorf("%w: no plan %q in the plan file, and no run of one", ErrRequest, c.Plan)
	}
	names := slices.Clone(c.Sides)
	if len(names) == 0 {
		for _, h := range rm.file.Bench.Handsets {
			if slices.ContainsFunc(runs, func(r results.Run) bool { return r.Handset.Name == h.Name }) {
				names = append(names, h.Name)
			}
		}
		if len(rm.file.Bench.Handsets) == 0 { // a store by itself
			names = handsetsIn(runs)
		}
	}
	if c.Reference != "" && !slices.Contains(names, c.Reference) {
		names = append([]string{c.Reference}, names...)
	}
	if len(names) < 2 {
		return nil, from, fmt.Errorf("%w: want two sides or more to compare; there are %s", ErrRequest, rm.sidesThere(runs))
	}
	seen := map[string]bool{}
	var problems []error
	for _, name := range names {
		if seen[name] {
			problems = append(problems, fmt.Errorf("%w: %s is named twice", ErrRequest, name))
			continue
		}
		seen[name] = true
		s, failed := rm.gatherSide(name, runs, *c, from)
		if errors.Is(failed, ErrRequest) {
			problems = append(problems, failed)
			continue
		}
		err = errors.Join(err, failed)
		sides = append(sides, s)
	}
	if len(problems) > 0 {
		return nil, from, errors.Join(problems...)
	}
	return sides, from, err
}

// sidesThere names what can be put beside each other, for messages.
func (rm *Room) sidesThere(runs []results.Run) string {
	names := handsetsIn(runs)
	text := "no handsets with runs"
	if len(names) > 0 {
		text = "the handsets " + strings.Join(names, ", ")
	}
	if ups := slices.Sorted(maps.Keys(rm.file.LineUps)); len(ups) > 0 {
		text += " and the line-ups " + strings.Join(ups, ", ")
	}
	return text
}

// handsetsIn are the handsets that have runs, by name.
func handsetsIn(runs []results.Run) (names []string) {
	for _, r := range runs {
		if !slices.Contains(names, r.Handset.Name) {
			names = append(names, r.Handset.Name)
		}
	}
	slices.Sort(names)
	return names
}

func (rm *Room) gatherSide(name string, runs []results.Run, c Choice, from time.Time) (side, error) {
	s := side{BesideSide: BesideSide{Name: name, Handsets: []string{}, Runs: []string{}}}
	var errs []error
	taken := map[string]bool{}
	take := func(meant string, fits func(results.Run) bool) {
		before := s.Segments
		for _, r := range runs {
			if taken[r.ID] || !fits(r) || c.Plan != "" && r.Plan != c.Plan {
				continue
			}
			list, err := rm.Estimates(r)
			errs = append(errs, err)
			kept := 0
			for _, e := range list {
				if len(c.Scenarios) > 0 && !slices.Contains(c.Scenarios, e.Segment.Scenario) {
					continue
				}
				kept++
				s.runs = append(s.runs, e)
			}
			others, err := rm.quantitiesOf(r)
			errs = append(errs, err)
			for _, o := range others {
				if len(c.Scenarios) > 0 && !slices.Contains(c.Scenarios, o.scenario) {
					continue
				}
				s.charges, s.work = append(s.charges, o.charge...), append(s.work, o.work...)
				s.noCharge, s.noWork = cmp.Or(s.noCharge, o.noCharge), cmp.Or(s.noWork, o.noWork)
				if len(o.charge)+len(o.work) == 0 {
					continue
				}
				if !slices.ContainsFunc(list, func(e Estimated) bool { return e.Segment.ID == o.segment }) {
					kept++ // else it is counted for its hours
				}
			}
			if kept == 0 {
				continue
			}
			taken[r.ID] = true
			s.Segments += kept
			s.Runs = append(s.Runs, r.ID)
			s.Imported = s.Imported || r.Imported != nil
			if !slices.Contains(s.Handsets, r.Handset.Name) {
				s.Handsets = append(s.Handsets, r.Handset.Name)
			}
		}
		if s.Segments == before {
			s.Missing = append(s.Missing, "no figure of "+meant)
		}
	}
	// Measured runs of a handset are of lately, imported ones of whenever they were.
	inTime := func(r results.Run) bool {
		return (c.To.IsZero() || r.StartedAt.Before(c.To)) && (!r.StartedAt.Before(from) || r.Imported != nil && c.From.IsZero())
	}
	l, isLineUp := rm.file.LineUps[name]
	isRun := slices.ContainsFunc(runs, func(r results.Run) bool { return r.ID == name })
	isHandset := slices.ContainsFunc(runs, func(r results.Run) bool { return r.Handset.Name == name }) ||
		slices.ContainsFunc(rm.file.Bench.Handsets, func(h scenarios.Handset) bool { return h.Name == name })
	switch {
	case isLineUp:
		s.Kind, s.About = SideLineUp, l.About
		for _, m := range l.Members {
			take(memberText(m), func(r results.Run) bool { return memberFits(m, r) })
		}
	case isRun:
		s.Kind = SideRun
		take("the run", func(r results.Run) bool { return r.ID == name })
	case isHandset:
		s.Kind = SideHandset
		// What was imported of a handset stands for it only where nothing was measured: it would not be alike.
		mine := func(imported bool) func(results.Run) bool {
			return func(r results.Run) bool {
				return r.Handset.Name == name && inTime(r) && (r.Imported != nil) == imported
			}
		}
		take("it since "+from.Format(time.DateOnly), mine(false))
		switch beside := slices.ContainsFunc(runs, mine(true)); {
		case s.Segments == 0 && beside:
			s.Missing = nil
			take("it", mine(true))
		case beside:
			s.Missing = append(s.Missing, "what was imported of it is left out beside what was measured; name its runs, or a line-up with imported: on, to have it")
		}
	default:
		return s, fmt.Errorf("%w: no handset, run or line-up %q; there are %s", ErrRequest, name, rm.sidesThere(runs))
	}
	return s, errors.Join(errs...)
}

func memberFits(m scenarios.Member, r results.Run) bool {
	return (m.Run == "" || m.Run == r.ID) && (m.Handset == "" || m.Handset == r.Handset.Name) && (m.Plan == "" || m.Plan == r.Plan) &&
		(m.From.IsZero() || !r.StartedAt.Before(m.From)) && (m.To.IsZero() || r.StartedAt.Before(m.To)) &&
		(m.Imported == nil || *m.Imported == (r.Imported != nil))
}

// memberText is what a member means, for messages.
func memberText(m scenarios.Member) string {
	text := cmp.Or(m.Handset, "run "+m.Run)
	if m.Handset != "" && m.Run != "" {
		text += ", run " + m.Run
	}
	if m.Plan != "" {
		text += ", plan " + m.Plan
	}
	if !m.From.IsZero() {
		text += ", from " + m.From.Format(time.DateOnly)
	}
	if !m.To.IsZero() {
		text += ", to " + m.To.AddDate(0, 0, -1).Format(time.DateOnly)
	}
	if m.Imported != nil {
		text += map[bool]string{true: ", imported", false: ", measured"}[*m.Imported]
	}
	return text
}
