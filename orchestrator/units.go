package orchestrator

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/devices/preconditions"
	"rundown/results"
	"rundown/results/reading"
	"rundown/scenarios"
)

// documentsUnits is the store's kind for the units that were decided, one document a handset
// and OS build.
const documentsUnits = "units"

// A decided is what the store keeps of a handset's units on one OS build.
type decided struct {
	Handset string        `json:"handset"`
	Build   string        `json:"build"` // ro.build.fingerprint
	At      time.Time     `json:"at"`    // when it was last looked at
	Units   devices.Units `json:"units"`
	Printed string        `json:"printed"` // what the handset printed then
	// Against is what later readings said against it, and was not settled by itself.
	Against []string `json:"against,omitempty"`
	// Changed are the changes of what had only been assumed.
	Changed []results.Note `json:"changed,omitempty"`

	unread string // why the latest look told nothing
}

// A unitBook keeps the bench's units at hand. What is in it is what is in the store.
type unitBook struct {
	mu    sync.Mutex
	store *results.Store
	by    map[string]decided // by observedID
}

func openUnits(store *results.Store) (*unitBook, error) {
	b := &unitBook{store: store, by: map[string]decided{}}
	list, err := results.Documents[decided](store, documentsUnits)
	for _, d := range list {
		b.by[reading.ObservedID(d.Handset, d.Build)] = d
	}
	return b, err
}

// of is what was decided for a handset on a build.
func (b *unitBook) of(handset, build string) (decided, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	d, ok := b.by[reading.ObservedID(handset, build)]
	return d, ok
}

// latest is what was looked at last of a handset, on whichever build.
func (b *unitBook) latest(handset string) (latest decided, ok bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, d := range b.by {
		if d.Handset == handset && (!ok || d.At.After(latest.At)) {
			latest, ok = d, true
		}
	}
	return latest, ok
}

func (b *unitBook) put(d decided) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.store.PutDocument(documentsUnits, reading.ObservedID(d.Handset, d.Build), d); err != nil {
		return err
	}
	b.by[reading.ObservedID(d.Handset, d.Build)] = d
	return nil
}

// forget drops what was decided of a handset on all builds.
func (b *unitBook) forget(handset string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	for id, d := range b.by {
		if d.Handset != handset {
			continue
		}
		if err := b.store.DeleteDocument(documentsUnits, id); err != nil {
			return err
		}
		delete(b.by, id)
	}
	return nil
}

// take puts a look at a handset into what was decided: what was known stays, what was only
// assumed gives way to what is known, and what contradicts is kept and said.
func (d *decided) take(e devices.Evidence, now time.Time) {
	var against []string
	for _, c := range d.Units.Contradictions(e) {
		switch {
		case c.Corrected:
			d.Changed = append(d.Changed, results.Note{At: now, Text: c.Text})
		case c.Limits:
			against = append(against, c.Text)
		default:
			d.Changed = append(d.Changed, results.Note{At: now, Text: c.Text + "; what was decided is kept"})
		}
	}
	if most := 20; len(d.Changed) > most {
		d.Changed = d.Changed[len(d.Changed)-most:]
	}
	for _, text := range against {
		if !slices.Contains(d.Against, text) {
			d.Against = append(d.Against, text)
		}
	}
	d.Units = d.Units.With(devices.DecideUnits(e))
	d.At, d.Printed = now, printed(e)
}

// printed is what a decision rests on, for a person who looks at it later.
func printed(e devices.Evidence) string {
	var parts []string
	for _, b := range e.Readings {
		for _, x := range []struct {
			what string
			n    *int64
		}{{"voltage", b.Raw.Voltage}, {"temperature", b.Raw.Temperature}, {"charge counter", b.Raw.Counter}, {cmp.Or(b.Raw.CurrentKey, "current"), b.Raw.Current}} {
			if x.n != nil {
				parts = append(parts, fmt.Sprintf("%s %d", x.what, *x.n))
			}
		}
		parts = append(parts, fmt.Sprintf("level %d %%", b.LevelPct))
	}
	for _, v := range e.Currents {
		parts = append(parts, fmt.Sprintf("current file %.0f", v))
	}
	if t := e.Thermal; t != nil && t.BatteryC != nil {
		parts = append(parts, fmt.Sprintf("thermal service's battery %.1f °C", *t.BatteryC))
	}
	if s := e.Supply; s != nil && s.Temp != nil {
		parts = append(parts, fmt.Sprintf("kernel's temperature %d", *s.Temp))
	}
	return strings.Join(parts, ", ")
}

// lookAtUnits decides the units of a handset's readings, or holds those decided before against
// what it prints now, and stores that.
func (d *Daemon) lookAtUnits(ctx context.Context, l devices.Link, h scenarios.Handset) (decided, error) {
	file, err := onboard.ProbeCurrent(ctx, l)
	if err != nil {
		return decided{}, err
	}
	e, build, err := devices.ReadEvidence(ctx, l, file, h.CapacityMAh)
	if err != nil && (build == "" || linkDown(err) || ctx.Err() != nil) {
		return decided{}, err
	}
	had, known := d.units.of(h.Name, build)
	if !known {
		had = decided{Handset: h.Name, Build: build}
	}
	if err != nil {
		had.unread = why(err)
		return had, nil // other preconditions may say what is wrong with it
	}
	had.take(e, d.now())
	if !known {
		d.log.Info().Str("handset", h.Name).Str("build", build).Str("units", had.Units.Says()).Str("printed", had.Printed).Msg("units of its readings decided")
	}
	d.tell(h.Name, func(s *HandsetStatus) { s.Units = had.Units.Says() })
	return had, stored(d.units.put(had))
}

// unitsName is the line of the precondition report that has the units of the readings.
const unitsName = reading.UnitsCondition

// line says how the units stand, as a precondition: a limit cannot be held in a unit that
// nobody knows.
func (u decided) line() preconditions.Line {
	l := preconditions.Line{Name: unitsName, Wanted: "known", Found: u.Units.Says(), Verdict: preconditions.Met, Required: true, Mender: preconditions.ByHand}
	notes := slices.Clone(u.Units.Notes)
	switch {
	case u.unread != "":
		l.Verdict, l.Found = preconditions.CannotRead, u.unread
		l.Mend = "see what the handset prints to \"dumpsys battery\""
		return l
	case len(u.Against) > 0:
		l.Verdict = preconditions.NotMet
		notes = append(slices.Clone(u.Against), notes...)
		l.Mend = "see with \"rundown dump\" what the handset prints; where it is sound, \"rundown learned forget " + u.Handset + "\" has its units decided anew"
	case !u.Units.Temperature.Known():
		l.Verdict = preconditions.CannotRead
		if !slices.Contains(notes, u.Units.Temperature.Why) {
			notes = append([]string{u.Units.Temperature.Why}, notes...)
		}
		l.Mend = "no limit of temperature can be held, so that nothing is measured on it: bring it to room temperature (its battery above 10 °C) and check again, " +
			"and see with \"rundown dump\" what it prints"
	}
	if len(notes) > 0 {
		l.Found += "; " + strings.Join(notes, "; ")
	}
	return l
}

// errUnits means that a handset's temperature cannot be compared with a limit.
var errUnits = errors.New("the unit of its battery temperature cannot be told, and no limit can be held")

// latestUnits are the units last decided for a handset; false where it was not looked at yet.
func (d *Daemon) latestUnits(handset string) (devices.Units, bool) {
	u, ok := d.units.latest(handset)
	return u.Units, ok
}

// inUnits is a reading in the handset's own units, where they are known.
func (d *Daemon) inUnits(handset string, b devices.Battery) devices.Battery {
	if u, ok := d.latestUnits(handset); ok {
		return b.In(u)
	}
	return b
}

// readingsStill is for how long no value of a handset's battery may change, below 100 %, while
// its temperature has a limit: a gauge that has stopped shows no heat. It is a guess on the safe
// side of handsets that print whole degrees and volts, and whose level takes a quarter of an hour
// for a point. One that rests is read too seldom for it, and one that waits for the power of a charge, or
// is full on it, may be as calm as that.
const readingsStill = 30 * time.Minute

// limitRaw enters a temperature limit, °C, into what a recorder is told; 0 is none.
func limitRaw(seg *onboard.Segment, u devices.Units, stopTempC float64) error {
	if stopTempC <= 0 {
		return nil
	}
	raw, ok := u.RawTemp(stopTempC)
	if !ok {
		return fmt.Errorf("%w: %s", errUnits, u.Temperature.Why)
	}
	seg.StopTempRaw, seg.TempPerDegree = raw, int(1/u.Temperature.Each+0.5)
	if seg.AsleepEverySec == 0 {
		seg.StillSec = int(readingsStill.Seconds())
	}
	return nil
}

// units are those of the segment under way.
func (g *segment) units() devices.Units {
	switch {
	case g.u != nil && g.u.Units != nil:
		return *g.u.Units
	case g.rec.Units != nil:
		return unitsOf(*g.rec.Units)
	}
	return devices.AndroidUnits()
}

// setUnits gives a segment the units in which its samples will come.
func (g *segment) setUnits(u devices.Units) {
	g.u.Units, g.rec.Units = &u, recordUnits(u)
}

func recordUnits(u devices.Units) *results.Units {
	unit := func(s devices.Scale) results.Unit {
		return results.Unit{Name: s.Unit, Each: s.Each, Assumed: s.Assumed, Why: s.Why}
	}
	return &results.Units{Voltage: unit(u.Voltage), Temperature: unit(u.Temperature), Current: unit(u.Current), Counter: unit(u.Counter), Notes: u.Notes}
}

func unitsOf(u results.Units) devices.Units {
	scale := func(r results.Unit) devices.Scale {
		return devices.Scale{Unit: r.Name, Each: r.Each, Assumed: r.Assumed, Why: r.Why}
	}
	return devices.Units{Voltage: scale(u.Voltage), Temperature: scale(u.Temperature), Current: scale(u.Current), Counter: scale(u.Counter), Notes: u.Notes}
}

// noteOddReading says once in a segment that a reading is none in the units that were decided.
func (r *run) noteOddReading(s *onboard.Sample, out results.Sample) {
	u, at := r.live.units(), out.HostAt
	for _, x := range []struct {
		what string
		raw  *int64
		none bool
		in   devices.Scale
		said *bool
	}{
		{"temperature", s.TempRaw, out.TempC == nil, u.Temperature, &r.live.oddTemp}, {"voltage", s.VoltageRaw, out.VoltageMV == nil, u.Voltage, &r.live.oddVoltage},
	} {
		if x.raw == nil || !x.none || *x.said || *x.raw == 0 {
			continue
		}
		*x.said = true
		r.live.note(at, "reading %d: %s %d is none in %s, which was decided before the segment (%s); such readings are left out", s.Seq, x.what, *x.raw, x.in, x.in.Why)
	}
}

// settleCurrent tells the unit of the current from a segment that has ended: many readings
// tell what the one at its start did not.
func (r *run) settleCurrent(samples []results.Sample) error {
	g := r.live
	if g.rec.Units == nil || r.rec.Handset.Build == "" {
		return nil
	}
	s, ok := devices.CurrentUnit(reading.BusyCurrents(samples))
	if !ok || s.Assumed && g.rec.Units.Current.Each > 0 {
		return nil
	}
	was := g.rec.Units.Current
	if was.Each > 0 && !was.Assumed && was.Each != s.Each {
		g.note(g.rec.EndedAt, "current was decided to be in %s (%s), and this segment says %s: %s", was.Name, was.Why, s.Unit, s.Why)
	}
	g.rec.Units.Current = results.Unit{Name: s.Unit, Each: s.Each, Assumed: s.Assumed, Why: s.Why}
	d, known := r.d.units.of(r.h.Name, r.rec.Handset.Build)
	if !known {
		return nil
	}
	if before := d.Units.Current; before.Known() && !before.Assumed && before.Each != s.Each {
		d.Changed = append(d.Changed, results.Note{At: g.rec.EndedAt, Text: fmt.Sprintf("current was decided to be in %s, and segment %s says %s", before.Unit, g.rec.ID, s.Unit)})
	} else {
		d.Units.Current = s
	}
	return r.d.units.put(d)
}
