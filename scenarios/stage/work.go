package stage

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"sort"
)

// Bounds of what one post of work may claim.
const (
	workersMost = 64
	unitsMost   = 20_000_000 // a worker's, in one cycle: far beyond any phone, and 0.1 s to check
	roundUnits  = 1 << 23    // after so many, a worker on lots begins anew; web/sustain.js has the same
)

// A workerDone is what one worker did in a cycle or, on lots, since it began: how many units, and their digest.
type workerDone struct {
	Units  int    `json:"units"`
	Before int    `json:"before"` // of lots: units of the rounds before this one, whose digests were posted then
	Digest uint32 `json:"digest"`
}

// checkCycle holds a cycle's work against the stage's own computation. It returns the
// detail with a note of whether there was work to check ("checked"), and an error when
// the work or the rate made of it does not come out.
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
	if !(d.MS > 0) {
		return detail, errors.New("ms: want more than 0")
	}
	total, err := checkWorkers(d.Workers)
	if err != nil {
		return detail, err
	}
	if err := checkRate(value, float64(total), d.MS); err != nil {
		return detail, err
	}
	return addField(detail, "checked", true), nil
}

// checkLot does so for a lot, whose workers count from the beginning of the work. It also returns how much
// the page has done in all, and how much of it in this lot: nobody but the page's session knows what it had
// done before.
func checkLot(value float64, detail json.RawMessage) (checked json.RawMessage, total, units float64, err error) {
	var d struct {
		MS      float64      `json:"ms"`
		DoneMS  float64      `json:"done_ms"`
		Units   float64      `json:"units"`
		Total   float64      `json:"total"`
		Workers []workerDone `json:"workers"`
	}
	if err := json.Unmarshal(detail, &d); err != nil {
		return detail, 0, 0, fmt.Errorf("detail: %w", err)
	}
	switch {
	case !(d.MS > 0) || !(d.DoneMS >= d.MS-1): // each is rounded by itself
		return detail, 0, 0, fmt.Errorf("ms: want more than 0 and done_ms not less, got %g and %g", d.MS, d.DoneMS)
	case !(d.Units > 0) || !(d.Total >= d.Units):
		return detail, 0, 0, fmt.Errorf("units: want more than 0 and total not less, got %g and %g", d.Units, d.Total)
	}
	if err := checkRate(value, d.Units, d.MS); err != nil {
		return detail, 0, 0, err
	}
	if len(d.Workers) == 0 {
		return addField(detail, "checked", false), d.Total, d.Units, nil
	}
	counted, err := checkWorkers(d.Workers)
	if err != nil {
		return detail, 0, 0, err
	}
	if float64(counted) != d.Total {
		return detail, 0, 0, fmt.Errorf("total: the workers did %d units in all, got %g", counted, d.Total)
	}
	return addField(detail, "checked", true), d.Total, d.Units, nil
}

// checkWorkers holds the digests of workers against the stage's own, and adds up their units.
func checkWorkers(list []workerDone) (total int, err error) {
	if len(list) > workersMost {
		return 0, fmt.Errorf("workers: want at most %d, got %d", workersMost, len(list))
	}
	workers := append([]workerDone(nil), list...)
	sort.Slice(workers, func(i, j int) bool { return workers[i].Units < workers[j].Units })
	counts := make([]int, len(workers))
	for i, w := range workers {
		switch {
		case w.Units < 1 || w.Units > unitsMost:
			return 0, fmt.Errorf("units: want 1 to %d, got %d", unitsMost, w.Units)
		case w.Before < 0 || w.Before%roundUnits != 0 || w.Before > 1<<40:
			return 0, fmt.Errorf("before: want whole rounds of %d units, got %d", roundUnits, w.Before)
		}
		counts[i] = w.Units
		total += w.Before + w.Units
	}
	for i, want := range digests(counts) {
		if workers[i].Digest != want {
			return 0, fmt.Errorf("digest of %d units: want %d, got %d: the handset computed wrongly, or counted wrongly", counts[i], want, workers[i].Digest)
		}
	}
	return total, nil
}

// checkRate holds a rate against the work and the time that it is made of. The page rounds it to two decimals.
func checkRate(value, units, ms float64) error {
	if rate := units * 1000 / ms; math.Abs(rate-value) > 0.006+rate*1e-9 {
		return fmt.Errorf("value: %g units in %g ms make %.2f a second, got %g", units, ms, rate, value)
	}
	return nil
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
