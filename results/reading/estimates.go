package reading

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"io"
	"maps"
	"slices"
	"strings"
	"sync"

	"rundown/devices/preconditions"
	"rundown/results"
	"rundown/results/compare"
	"rundown/results/endurance"
)

// An Estimated segment is one that was kept and gives hours.
type Estimated struct {
	Segment  results.Segment
	Run      results.Run
	Shown    SegmentFigure
	Figure   endurance.Figure
	Compared compare.Run // as a comparison takes it
}

// estimates keep the figures of segments that have ended: they change only when something
// is learned of their handset, or something of them is stored. They hear of that from the
// store itself (heard), so that no way of storing something can be forgotten.
type estimates struct {
	mu      sync.Mutex
	by      map[string]keptEstimate        // by segment
	runs    map[string]keptRun             // of runs that have ended
	others  map[string][]segmentQuantities // of runs that have ended
	live    map[string]bool                // segments under way, of which no figure is kept
	version int                            // counts what was stored that figures may be made of
}

type keptRun struct {
	learned string
	list    []Estimated
}

// heard drops what a write makes old.
func (e *estimates) heard(w results.Write) {
	e.mu.Lock()
	defer e.mu.Unlock()
	isOf := func(run string) bool { return strings.HasPrefix(w.ID, run+"-") }
	switch w.Kind {
	case results.WroteRun:
		delete(e.runs, w.ID)
		delete(e.others, w.ID)
		for id := range e.by {
			if strings.HasPrefix(id, w.ID+"-") {
				delete(e.by, id)
			}
		}
	case results.WroteSegment, results.WroteSamples, results.WroteReadings:
		if w.Kind == results.WroteSegment {
			if delete(e.live, w.ID); w.Outcome == results.Underway {
				e.begun(w.ID)
			}
		} else if e.live[w.ID] {
			return // twelve handsets write samples all night long
		}
		delete(e.by, w.ID)
		maps.DeleteFunc(e.runs, func(run string, _ keptRun) bool { return isOf(run) })
		maps.DeleteFunc(e.others, func(run string, _ []segmentQuantities) bool { return isOf(run) })
	default:
		return
	}
	e.version++
}

// begun knows a segment as one that is under way. The caller holds the lock.
func (e *estimates) begun(segment string) {
	if e.live == nil {
		e.live = map[string]bool{}
	}
	e.live[segment] = true
}

// goesOn knows a segment that was taken up again as one that is under way.
func (e *estimates) goesOn(segment string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.begun(segment)
}

// GoesOn knows a segment that was taken up again as one that is under way.
func (rm *Room) GoesOn(segment string) { rm.estimates.goesOn(segment) }

// StoredVersion changes whenever something was stored of which figures may be made.
func (rm *Room) StoredVersion() int {
	rm.estimates.mu.Lock()
	defer rm.estimates.mu.Unlock()
	return rm.estimates.version
}

type keptEstimate struct {
	learned string // what was known of the handset then
	shown   SegmentFigure
	figure  endurance.Figure
	err     error
}

// learnedStamp tells what was known of a segment's handset: a figure made with the same
// observations is the same figure.
func (rm *Room) learnedStamp(g results.Segment, h results.Handset) string {
	if g.Imported != "" {
		return "" // nothing learned is used
	}
	looks := rm.looks.stamp(g.Handset, h.Build)
	rm.observations.mu.Lock()
	defer rm.observations.mu.Unlock()
	t, ok := rm.observations.by[ObservedID(g.Handset, h.Build)]
	if !ok {
		return strings.Join(rm.observations.builds[g.Handset], "\n") + looks // that there is another build is said beside the figure
	}
	sum := fnv.New64a()
	for _, o := range t.Observations {
		_, _ = io.WriteString(sum, o.ID+"\n") // a hash does not fail
	}
	return fmt.Sprintf("%x%s", sum.Sum(nil), looks)
}

// estimatesKept is how many segments' figures are held in memory.
const estimatesKept = 20_000

// estimateOnce is estimate, worked out once, of a segment that was read in a look.
func (rm *Room) estimateOnce(g results.Segment, h results.Handset, from *results.Look) (SegmentFigure, endurance.Figure, error) {
	learned := rm.learnedStamp(g, h)
	rm.estimates.mu.Lock()
	have, ok := rm.estimates.by[g.ID]
	rm.estimates.mu.Unlock()
	if ok && have.learned == learned {
		return have.shown, have.figure, have.err
	}
	shown, figure, err := rm.estimate(g, h)
	if g.Outcome == results.Underway {
		return shown, figure, err
	}
	rm.estimates.mu.Lock()
	defer rm.estimates.mu.Unlock()
	if rm.estimates.by == nil || len(rm.estimates.by) >= estimatesKept {
		rm.estimates.by = map[string]keptEstimate{}
	}
	if !from.Holds(g.ID) {
		return shown, figure, err
	}
	rm.estimates.by[g.ID] = keptEstimate{learned, shown, figure, err}
	return shown, figure, err
}

// Estimates are a run's segments that were kept and give hours, flagged ones too.
//
// A segment here is without its evidence.
func (rm *Room) Estimates(r results.Run) ([]Estimated, error) {
	stamp := rm.learnedStamp(results.Segment{Handset: r.Handset.Name}, r.Handset)
	from := rm.store.Look()
	defer from.End()
	rm.estimates.mu.Lock()
	have, ok := rm.estimates.runs[r.ID]
	rm.estimates.mu.Unlock()
	if ok && have.learned == stamp {
		return slices.Clone(have.list), nil
	}
	segments, err := rm.store.Segments(r.ID)
	var list []Estimated
	for _, g := range segments {
		if g.Outcome != results.Measured && g.Outcome != results.Flagged || g.Imported != "" && g.Imported != results.AsEndurance {
			continue
		}
		shown, figure, failed := rm.estimateOnce(g, r.Handset, from)
		if failed != nil {
			continue // it says why where the run is shown
		}
		one := Estimated{g, r, shown, figure, compared(r, g, figure)}
		one.Segment.Evidence = nil
		list = append(list, one)
	}
	if err != nil || r.EndedAt.IsZero() {
		return list, err
	}
	rm.estimates.mu.Lock()
	defer rm.estimates.mu.Unlock()
	if rm.estimates.runs == nil || len(rm.estimates.runs) >= estimatesKept/4 {
		rm.estimates.runs = map[string]keptRun{}
	}
	if from.Holds(r.ID) {
		rm.estimates.runs[r.ID] = keptRun{stamp, list}
	}
	return slices.Clone(list), nil
}

// compared is a segment's figure with all that must be alike on two sides.
func compared(r results.Run, g results.Segment, f endurance.Figure) compare.Run {
	one, under := compare.RunOf(f), baseOf(r, g)
	one.Handset, one.Scenario, one.Segment, one.Flagged, one.FlaggedFor, one.Imported, one.Under = under.Handset, under.Scenario, under.Segment, under.Flagged, under.FlaggedFor, under.Imported, under.Under
	return one
}

// baseOf is on which handset and under what a segment was measured, as a comparison takes it.
func baseOf(r results.Run, g results.Segment) (one compare.Run) {
	one.Handset = compare.Handset{ID: cmp.Or(r.Handset.Serial, r.Handset.Name), Model: r.Handset.Model, CapacityMAh: r.Handset.CapacityMAh, NominalMV: r.Handset.NominalMV}
	one.Scenario, one.Segment, one.Flagged, one.Imported = g.Scenario, g.ID, g.Outcome == results.Flagged, g.Imported != ""
	if one.Flagged {
		one.FlaggedFor = g.Reason
	}
	one.Under = compare.Circumstances{Plan: r.Plan, Build: r.Handset.Build, Calibration: r.Handset.Calibration, Conditions: map[string]string{}}
	if r.PlanHash != "" {
		one.Under.Plan += " " + short(r.PlanHash)
	}
	// The hash of a compiled scenario has the handset's own packages in it: the version is what two handsets share.
	if g.WorkloadVersion != "" {
		one.Under.Workload = "version " + g.WorkloadVersion
	} else if g.WorkloadHash != "" {
		one.Under.Workload = short(g.WorkloadHash)
	}
	for _, c := range g.Conditions {
		if c.Name != RoomCondition && c.Name != UnitsCondition && c.Name != preconditions.OnTop {
			one.Under.Conditions[c.Name] = condition(c)
		}
	}
	one.Under.RoomC = g.RoomTempC
	return one
}

// condition is a precondition as it counts for likeness: the value wanted, which two
// handsets may reach by different readings, and what was found where that was not it.
func condition(c results.Condition) string {
	if c.Verdict == "not met" {
		return c.Wanted + ", but found " + c.Found
	}
	return c.Wanted
}

// short is a hash as people tell it from others.
func short(hash string) string { return hash[:min(12, len(hash))] }
