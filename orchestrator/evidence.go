package orchestrator

import (
	"fmt"
	"time"

	"rundown/devices"
	"rundown/results"
	"rundown/scenarios"
)

// A witness judges whether the activity really ran, from the evidence that arrived. It
// has no clock of its own: every call says until when the evidence is complete.
type witness struct {
	wanted []scenarios.Evidence
	last   []time.Time // when each kind was seen last; the start until then
	seen   []bool
}

// newWitness starts to wait for the evidence of a scenario at an instant.
func newWitness(wanted []scenarios.Evidence, from time.Time) *witness {
	w := &witness{wanted: wanted, last: make([]time.Time, len(wanted)), seen: make([]bool, len(wanted))}
	w.restart(from)
	return w
}

// restart begins to count anew, after the activity was brought back or measuring began.
func (w *witness) restart(from time.Time) {
	for i := range w.last {
		if w.last[i].Before(from) {
			w.last[i] = from
		}
	}
}

// stageHeardFrom says that what reaches the host over the stage could not be heard before
// an instant.
func (w *witness) stageHeardFrom(at time.Time) {
	for i, want := range w.wanted {
		if atStage(want.Kind) && w.last[i].Before(at) {
			w.last[i] = at
		}
	}
}

// saw takes in one piece of evidence. Pieces from before the latest restart, which a
// restarted daemon reads again, still show that there was some.
func (w *witness) saw(e results.Evidence) {
	for i, want := range w.wanted {
		if !shows(e.Kind, want.Kind) || e.Value <= 0 {
			continue
		}
		w.seen[i] = true
		if e.At.After(w.last[i]) {
			w.last[i] = e.At
		}
	}
}

// atStage says whether a kind of evidence reaches the host over the stage and not through
// the handset's own file.
func atStage(kind string) bool {
	return kind == "page" || kind == "frames" || kind == "call" || kind == "lot" || kind == "cycle"
}

// isEvidence tells what a scenario's steps write, of what was asked and what was done, from
// the bookkeeping of the onboard programs, which shows no more than that they ran.
func isEvidence(kind string) bool {
	switch kind {
	case "started", "ended", "revived", "failed":
		return false
	}
	return true
}

// missing names the first kind of evidence that is overdue, or "". The handset's own
// evidence is complete until phoneUntil, the stage's until stageUntil.
func (w *witness) missing(phoneUntil, stageUntil time.Time) string {
	for i, want := range w.wanted {
		if want.Once && w.seen[i] {
			continue
		}
		until := phoneUntil
		if atStage(want.Kind) {
			until = stageUntil
		}
		if quiet := until.Sub(w.last[i]); quiet > limitOf(want) {
			return fmt.Sprintf("no %s evidence for %s (limit %s)", want.Kind, round(quiet), round(limitOf(want)))
		}
	}
	return ""
}

// firstLimit is how long evidence that comes once, when the activity begins, is waited for.
// Common practice, no source.
const firstLimit = 3 * time.Minute

func limitOf(want scenarios.Evidence) time.Duration {
	if want.Limit == 0 {
		return firstLimit
	}
	return want.Limit
}

// never names a kind of evidence that has not been seen at all, or "".
func (w *witness) never() string {
	for i, want := range w.wanted {
		if !w.seen[i] {
			return fmt.Sprintf("no %s evidence at all", want.Kind)
		}
	}
	return ""
}

// lastSeen is the oldest of the latest pieces of evidence: until then all is proven.
func (w *witness) lastSeen() time.Time {
	var oldest time.Time
	for i, at := range w.last {
		if w.wanted[i].Once && w.seen[i] && len(w.last) > 1 {
			continue // it stands
		}
		if oldest.IsZero() || at.Before(oldest) {
			oldest = at
		}
	}
	return oldest
}

func round(d time.Duration) string { return devices.Lasting(d.Round(time.Second)) }
