package stage

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"sort"
)

// Bounds of what one cycle may claim.
const (
	workersMost = 64
	unitsMost   = 20_000_000 // a worker's, in one cycle: far beyond any phone, and 0.1 s to check
)

// A workerDone is what one worker did in a cycle: how many units, and their digest.
type workerDone struct {
	Units  int    `json:"units"`
	Digest uint32 `json:"digest"`
}

// checkCycle holds a cycle's work against the stage's own computation. It returns the
// detail with a note of whether there was work to check ("checked"), and an error when
// the work or the score made of it does not come out.
func checkCycle(value float64, detail json.RawMessage) (json.RawMessage, error) {
	var d struct {
		MS      float64      `json:"ms"`
		Workers []workerDone `json:"workers"`
	}
	if len(detail) == 0 {
		detail = json.RawMessage("{}")
	}
	if err := json.Unmarshal(detail, &d); err != nil {
		return detail, fmt.Errorf("detail: %w", err)
	}
	if len(d.Workers) == 0 {
		return addField(detail, "checked", false), nil
	}
	if len(d.Workers) > workersMost {
		return detail, fmt.Errorf("workers: want at most %d, got %d", workersMost, len(d.Workers))
	}
	if !(d.MS > 0) {
		return detail, errors.New("ms: want more than 0")
	}
	workers, total := append([]workerDone(nil), d.Workers...), 0
	sort.Slice(workers, func(i, j int) bool { return workers[i].Units < workers[j].Units })
	counts := make([]int, len(workers))
	for i, w := range workers {
		if w.Units < 1 || w.Units > unitsMost {
			return detail, fmt.Errorf("units: want 1 to %d, got %d", unitsMost, w.Units)
		}
		counts[i] = w.Units
		total += w.Units
	}
	for i, want := range digests(counts) {
		if workers[i].Digest != want {
			return detail, fmt.Errorf("digest of %d units: want %d, got %d: the handset computed wrongly, or counted wrongly", counts[i], want, workers[i].Digest)
		}
	}
	// The page rounds its score to two decimals.
	if rate := float64(total) * 1000 / d.MS; math.Abs(rate-value) > 0.006+rate*1e-9 {
		return detail, fmt.Errorf("value: %d units in %g ms make %.2f a second, got %g", total, d.MS, rate, value)
	}
	return addField(detail, "checked", true), nil
}

// addField sets a member of a JSON object.
func addField(object json.RawMessage, name string, value any) json.RawMessage {
	members := map[string]json.RawMessage{}
	member, err := json.Marshal(value)
	if err != nil || len(object) > 0 && json.Unmarshal(object, &members) != nil {
		return object
	}
	members[name] = member
	out, err := json.Marshal(members)
	if err != nil {
		return object
	}
	return out
}
