// Package reading says what follows from what a store holds: figures, charges, cycles,
// comparisons, day mixes, what was learned of handsets, and all of that as rows of the exported
// tables and as reports.
//
// It reads and never writes, and it knows no daemon, no handset and no stage: a store, a plan file
// as a view of it, and a clock are all that a Room is made of, so that a copy of a store says the
// same as the daemon that wrote it. What a Room keeps in memory follows the store: it hears of each
// write. What cannot be read of a store is left out and named in an error; the rest comes with it.
// ErrRequest and results.ErrNotFound leave it too.
package reading

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"rundown/devices"
	"rundown/results"
	"rundown/scenarios"
)

// ErrRequest means that what was asked for names something that is not there.
var ErrRequest = errors.New("request")

// Lines of a precondition report that say how the bench was, not how the handset was to be: they
// are no reason to call two segments unlike.
const (
	RoomCondition  = "room_temperature"
	UnitsCondition = "battery_units"
)

// A Room reads one store and says what follows from what is in it. It writes nothing, and what
// it keeps in memory follows the store: whoever writes there, the room hears of it.
type Room struct {
	store *results.Store
	file  scenarios.File // day mixes, line-ups, the bench's handsets and meters
	now   func() time.Time
	owed  func(results.Run) string // nil: nothing is owed to any handset

	loading      sync.Mutex // held while something of the store is read that stays in memory
	observations *observations
	looks        *looks
	estimates    estimates
}

// Open begins to read a store, as a plan file sees it. An error names what could not be read;
// the rest is there. owed says of a run, in words for its report, what is still owed to its
// handset; it may be nil.
func Open(store *results.Store, file scenarios.File, now func() time.Time, owed func(results.Run) string) (*Room, error) {
	rm := &Room{store: store, file: file, now: now, owed: owed, observations: newObservations(), looks: newLooks()}
	store.Watch(rm.heard)
	rm.loading.Lock()
	defer rm.loading.Unlock()
	return rm, errors.Join(rm.observations.load(store), rm.looks.load(store))
}

// BenchOf is a plan file as far as a store tells it: the handsets that were measured, as they were in
// their latest run, by name. Day mixes, line-ups and what meters are good to stand in a plan file only.
// What cannot be read of the store is left out and named in the error.
func BenchOf(store *results.Store) (scenarios.File, error) {
	runs, err := store.Runs()
	latest := map[string]results.Handset{}
	for _, r := range runs { // in the order of time
		if r.Imported == nil {
			latest[r.Handset.Name] = r.Handset
		}
	}
	var file scenarios.File
	for _, name := range slices.Sorted(maps.Keys(latest)) {
		h := latest[name]
		file.Bench.Handsets = append(file.Bench.Handsets, scenarios.Handset{Name: name, Serial: h.Serial, CapacityMAh: h.CapacityMAh, NominalMV: h.NominalMV})
	}
	return file, err
}

// heard drops or reads again what a write makes old.
func (rm *Room) heard(w results.Write) {
	rm.estimates.heard(w)
	if w.Kind != results.WroteDocument {
		return
	}
	switch w.Document {
	case DocumentsLearned:
		rm.loading.Lock()
		defer rm.loading.Unlock()
		rm.observations.reload(rm.store, w.ID)
	case DocumentsLooks:
		rm.loading.Lock()
		defer rm.loading.Unlock()
		rm.looks.reload(rm.store, w.ID)
	}
}

// Annotations are what people have said of a run, oldest first.
func (rm *Room) Annotations(runID string) ([]results.Annotation, error) {
	if _, err := rm.store.Run(runID); err != nil {
		return nil, err
	}
	list, err := rm.store.Annotations(runID)
	if list == nil {
		list = []results.Annotation{}
	}
	return list, err
}

// NoHandset says that a name is none of the bench's, and which are.
func NoHandset(file scenarios.File, name string) error {
	var names []string
	for _, h := range file.Bench.Handsets {
		names = append(names, h.Name)
	}
	return fmt.Errorf("no handset %q on the bench; there are %v: %w", name, names, results.ErrNotFound)
}

// why is an error in one line, for a person.
func why(err error) string { return devices.OneLine(err.Error()) }
