package reading

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"rundown/results"
	"rundown/results/endurance"
)

// DocumentsLearned is the store's kind for what was learned of handsets, one document a handset and OS build.
const DocumentsLearned = "learned"

// An Observed is what the store keeps of a handset on one OS build: the observations themselves. What they say together is
// worked out when it is wanted, so that age counts and no segment is judged by itself.
type Observed struct {
	Handset      string                  `json:"handset"`
	Build        string                  `json:"build"` // ro.build.fingerprint
	Observations []endurance.Observation `json:"observations"`
}

// ObservedID is the identifier under which the store keeps what a handset taught on an OS build.
func ObservedID(handset, build string) string { return handset + "\t" + build }

// observations are what handsets have taught, kept at hand. mu is not held over a fit either.
type observations struct {
	documents[Observed]                                          // by ObservedID
	builds              map[string][]string                      // of each handset, in the order of their latest observation
	fits                map[observedBy]func() *endurance.Learned // each fitted once, by who wants it first; the others wait for that one
	version             int                                      // counts what was learned and forgotten
	fit                 func([]endurance.Observation, time.Time, string) *endurance.Learned
}

func newObservations() *observations {
	s := &observations{builds: map[string][]string{}, fits: map[observedBy]func() *endurance.Learned{}, fit: endurance.Learn}
	s.kind, s.id = DocumentsLearned, func(t Observed) string { return ObservedID(t.Handset, t.Build) }
	s.changed = s.relearn
	return s
}

// An observedBy is what one figure asks of what was observed.
type observedBy struct {
	id, without string
	week        int64
}

// order brings each handset's builds into the order in which they were seen.
func (s *observations) order() {
	clear(s.builds)
	list := make([]Observed, 0, len(s.by))
	for _, t := range s.by {
		list = append(list, t)
	}
	latest := func(t Observed) (at time.Time) {
		for _, o := range t.Observations {
			if o.At.After(at) {
				at = o.At
			}
		}
		return at
	}
	slices.SortFunc(list, func(a, b Observed) int {
		return cmp.Or(latest(a).Compare(latest(b)), cmp.Compare(a.Build, b.Build))
	})
	for _, t := range list {
		s.builds[t.Handset] = append(s.builds[t.Handset], t.Build)
	}
}

// relearn drops what was made of what they taught before.
func (s *observations) relearn() {
	s.version++
	clear(s.fits)
	s.order()
}

// taught is what a handset taught on a build.
func (s *observations) taught(handset, build string) Observed {
	s.mu.Lock()
	defer s.mu.Unlock()
	if t, ok := s.by[ObservedID(handset, build)]; ok {
		return t
	}
	return Observed{Handset: handset, Build: build}
}

// taughtBy is what a handset taught on all builds, the latest first.
func (s *observations) taughtBy(handset string) (list []Observed) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, build := range slices.Backward(s.builds[handset]) {
		list = append(list, s.by[ObservedID(handset, build)])
	}
	return list
}

// Taught is what a handset taught on a build; without observations where that is nothing.
func (rm *Room) Taught(handset, build string) Observed { return rm.observations.taught(handset, build) }

// TaughtBy is what a handset taught on all builds, the latest first.
func (rm *Room) TaughtBy(handset string) []Observed { return rm.observations.taughtBy(handset) }

// of is what is known of a handset on a build at an instant, the segment called without aside; nil is nothing. other is a
// build of which something is known instead, or "".
func (s *observations) of(handset, build string, at time.Time, without string) (l *endurance.Learned, other string) {
	fit, other := s.observedBy(handset, build, at, without)
	if fit == nil {
		return nil, other
	}
	return fit(), ""
}

// observedBy is the fit that of asks for, made by the first who calls it; nil: nothing is known.
func (s *observations) observedBy(handset, build string, at time.Time, without string) (fit func() *endurance.Learned, other string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	t, ok := s.by[ObservedID(handset, build)]
	if !ok {
		if builds := s.builds[handset]; len(builds) > 0 {
			other = builds[len(builds)-1]
		}
		return nil, other
	}
	if !slices.ContainsFunc(t.Observations, func(o endurance.Observation) bool { return o.ID == without }) {
		without = ""
	}
	const week = 7 * 24 * 3600
	key := observedBy{ObservedID(handset, build), without, at.Unix() / week}
	fit, ok = s.fits[key]
	if !ok {
		learn := s.fit
		fit = sync.OnceValue(func() *endurance.Learned { return learn(t.Observations, at, without) })
		s.fits[key] = fit
	}
	return fit, ""
}

// A Learned is what is known of one handset on one OS build, for people and for other programs.
type Learned struct {
	Handset string `json:"handset"`
	Build   string `json:"build" doc:"OS build (fingerprint) on which it was learned; on another one it is not used"`
	InUse   bool   `json:"in_use" doc:"whether the handset's latest run was on this build"`
	// Counter and Current are full charge in the handset's own units.
	Counter       *Interval    `json:"full_charge_counter,omitempty" doc:"full charge in the charge counter's own unit (µAh by definition, mAh on some)"`
	Current       *Interval    `json:"full_charge_current_h,omitempty" doc:"full charge by integrating the current readings: their own unit times hours"`
	Gauge         string       `json:"gauge" doc:"quality of the charge counter: fine, medium, coarse, no-counter"`
	StepRaw       float64      `json:"counter_step_raw,omitempty" doc:"step of the charge counter in its own unit; left out where too small to be seen"`
	RefreshS      float64      `json:"refresh_s,omitempty" doc:"how often the gauge's reading changes, s; at best the time between samples"`
	BendSD        float64      `json:"bend_sd_points,omitempty" doc:"how far the shown level bends away from charge, points, one standard deviation, as measured"`
	Bend          []Bend       `json:"bend,omitempty"`
	Curve         []CurvePoint `json:"voltage_curve,omitempty"`
	HeldPoints    *float64     `json:"held_points,omitempty" doc:"for how many points' worth of charge 100 % is shown beyond the usual half, as a drain from 100 % or a charge to it shows; left out where none was seen"`
	DriftPct      *float64     `json:"drift_pct,omitempty" doc:"by how much power has grown once the handset is warm, %; left out where no drain shows it"`
	DriftSDPct    *float64     `json:"drift_sd_pct,omitempty" doc:"standard deviation of that"`
	Surveys       int          `json:"surveys"`
	Segments      int          `json:"segments"`
	Recharges     int          `json:"recharges"`
	NewestAt      time.Time    `json:"newest_at" doc:"end of the latest observation"`
	AgeDays       float64      `json:"age_days"`
	From          []string     `json:"from" doc:"the segments and recharges that taught it"`
	NothingUsable bool         `json:"nothing_usable,omitempty" doc:"observations are kept, but full charge cannot be told from them"`
}

// A Bend is how far the shown level lies from true charge at one level.
type Bend struct {
	LevelPct float64 `json:"level_pct"`
	Points   float64 `json:"points"` // more charge is left than the level says where above 0
	SD       float64 `json:"sd_points"`
}

// A CurvePoint is the cell's voltage at one level, with what the current loses in the cell added.
type CurvePoint struct {
	LevelPct float64 `json:"level_pct"`
	MV       float64 `json:"open_circuit_mv"`
}

// Learned returns what is known of one handset, or of all when the name is empty, by handset in the bench's order, the
// latest build first.
func (rm *Room) Learned(handset string) ([]Learned, error) {
	if handset != "" {
		if _, ok := rm.file.Handset(handset); !ok {
			return nil, NoHandset(rm.file, handset)
		}
	}
	runs, err := rm.store.Runs()
	builds := map[string]string{}
	for _, r := range runs { // in the order of time
		if r.Handset.Build != "" {
			builds[r.Handset.Name] = r.Handset.Build
		}
	}
	list := []Learned{}
	for _, h := range rm.file.Bench.Handsets {
		if handset != "" && h.Name != handset {
			continue
		}
		for _, t := range rm.observations.taughtBy(h.Name) {
			list = append(list, rm.said(t, t.Build == builds[h.Name]))
		}
	}
	return list, err
}

func (rm *Room) said(t Observed, inUse bool) Learned {
	now := rm.now()
	out := Learned{Handset: t.Handset, Build: t.Build, InUse: inUse}
	for _, o := range t.Observations {
		out.From = append(out.From, o.ID)
		if o.At.After(out.NewestAt) {
			out.NewestAt = o.At
		}
	}
	out.AgeDays = now.Sub(out.NewestAt).Hours() / 24
	l := endurance.Learn(t.Observations, now, "")
	if l == nil {
		out.NothingUsable = true
		return out
	}
	for _, f := range []struct {
		from *endurance.Full
		to   **Interval
	}{{l.Counter, &out.Counter}, {l.Current, &out.Current}} {
		if f.from != nil {
			i := f.from.Interval()
			*f.to = &i
		}
	}
	out.Gauge, out.StepRaw, out.RefreshS, out.BendSD = l.Gauge.String(), l.StepRaw, l.RefreshS, l.BendSD
	out.Surveys, out.Segments, out.Recharges = l.Surveys, l.Drains, l.Charges
	if l.Held != nil {
		out.HeldPoints = &l.Held.Points
	}
	if l.Drift != nil {
		mean, sd := 100*l.Drift.Mean, 100*l.Drift.SD
		out.DriftPct, out.DriftSDPct = &mean, &sd
	}
	for _, b := range l.Bend {
		out.Bend = append(out.Bend, Bend{b.Pct, b.Points, b.SD})
	}
	if l.Curve != nil {
		for i, pct := range l.Curve.Pct {
			out.Curve = append(out.Curve, CurvePoint{pct, l.Curve.MV[i]})
		}
	}
	return out
}

// LearnedVersion changes whenever something was learned or forgotten.
func (rm *Room) LearnedVersion() int {
	rm.observations.mu.Lock()
	defer rm.observations.mu.Unlock()
	return rm.observations.version
}

// LearnedFor is what a segment's figure may use of its handset, with a line that names it beside the figure, or a
// warning that there is something which does not hold for it.
func (rm *Room) LearnedFor(g results.Segment, h results.Handset) (l *endurance.Learned, beside, warning string) {
	l, other := rm.observations.of(g.Handset, h.Build, g.EndedAt, g.ID)
	switch {
	case l != nil:
		return l, sayLearned(l, h.Build, g.EndedAt), ""
	case other != "" && h.Build != "":
		return nil, "", fmt.Sprintf("what was learned of %s is of another OS build (%s) and was not used: a survey on this one (%s) makes the interval narrower", g.Handset, other, h.Build)
	}
	return nil, "", ""
}

// sayLearned names in one line what was learned, from what, how old and of which build.
func sayLearned(l *endurance.Learned, build string, at time.Time) string {
	var from []string
	for _, x := range []struct {
		n    int
		noun string
	}{{l.Surveys, "survey"}, {l.Drains, "segment"}, {l.Charges, "recharge"}} {
		switch {
		case x.n == 1:
			from = append(from, "1 "+x.noun)
		case x.n > 1:
			from = append(from, fmt.Sprintf("%d %ss", x.n, x.noun))
		}
	}
	full, by := l.Counter, "charge counter"
	if full == nil {
		full, by = l.Current, "integrated current"
	}
	age := "on the same day"
	if days := int(at.Sub(l.Newest).Hours() / 24); days > 0 {
		age = fmt.Sprintf("%d days earlier", days)
	} else if days < 0 {
		age = fmt.Sprintf("%d days later", -days)
	}
	return fmt.Sprintf("full charge by the %s within %.1f %%, learned from %s, the latest %s, on OS build %s", by, 100*full.Interval().HalfWidth(), strings.Join(from, ", "), age, build)
}
