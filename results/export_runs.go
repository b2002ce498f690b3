package results

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
)

var runTable = Table{Name: "runs", About: "One row a run: which handset it was on, as what it was known then, and what became of it.", Columns: []Column{
	{"handset", "string", "", "the handset's name on the bench"},
	{"run_id", "string", "", "the run"},
	{"imported", "boolean", "", "from a file, not measured by rundown"},
	{"plan", "string", "", "the plan"},
	{"plan_hash", "string", "", "SHA-256 of the plan as resolved"},
	{"night", "string", "", "the night of the plan file that queued it; empty where a person did"},
	{"queued_utc", "time", "", "when it was queued, host's clock"},
	{"started_utc", "time", "", "when it began"},
	{"ended_utc", "time", "", "when it ended; empty while it goes on"},
	{"state", "string", "", "Done, Stopped (ended before its list was through), or where it stands"},
	{"reason", "string", "", "why it was stopped"},
	{"serial", "string", "", "the handset's serial number"},
	{"model", "string", "", "its model"},
	{"android_version", "string", "", "its Android"},
	{"sdk", "integer", "", "its API level"},
	{"build", "string", "", "its OS build's fingerprint"},
	{"security_patch", "string", "", "its security patch level"},
	{"capacity_mah", "number", "mAh", "its battery's rated charge, as the maker states it"},
	{"nominal_mv", "number", "mV", "its battery's nominal voltage, as the maker states it"},
	{"calibration", "string", "", "which luminance curve was used"},
	{"charger", "string", "", "charger and cable, with their levels"},
	{"apps", "string", "", "packages of the apps that took part, with their versions"},
	{"workloads", "string", "", "its scenarios, with their versions and the beginning of their hashes"},
	{"segments", "integer", "", "segments that were begun"},
	{"measured", "integer", "", "of these, measured"},
	{"flagged", "integer", "", "of these, measured under conditions that had changed, or in doubt"},
	{"spoiled", "integer", "", "of these, spoiled"},
	{"notes", "string", "", "what was noted of the run"},
}, rows: runRows}

// runRows is every run as the exported table has it. Of a filter by scenario or time, those with a
// segment that it takes.
func runRows(s *Store, f Filter, row func(...any) error) error {
	type seen struct {
		taken     bool
		outcomes  map[string]int
		workloads map[string]bool
	}
	of := map[string]*seen{}
	bad := s.EachSegment(f.Run, func(g Segment) error {
		one := of[g.RunID]
		if one == nil {
			one = &seen{outcomes: map[string]int{}, workloads: map[string]bool{}}
			of[g.RunID] = one
		}
		one.taken = one.taken || f.takes(g)
		if g.Outcome == Skipped {
			return nil
		}
		one.outcomes[""]++
		one.outcomes[g.Outcome]++
		if g.WorkloadHash != "" {
			one.workloads[strings.TrimSpace(fmt.Sprintf("%s %s", g.Scenario, g.WorkloadVersion))+" "+g.WorkloadHash[:min(8, len(g.WorkloadHash))]] = true
		}
		return nil
	})
	runs, err := s.Runs()
	bad = errors.Join(bad, err)
	for _, r := range runs {
		one := of[r.ID]
		if one == nil {
			one = &seen{}
		}
		if !one.taken && (f.Scenario != "" || !f.takes(Segment{RunID: r.ID, Handset: r.Handset.Name, Plan: r.Plan, StartedAt: r.StartedAt})) {
			continue
		}
		h := r.Handset
		if err := row(h.Name, r.ID, r.Imported != nil, r.Plan, r.PlanHash, r.Night, r.QueuedAt, r.StartedAt, r.EndedAt, r.State, r.Reason, h.Serial, h.Model,
			h.AndroidVersion, positive(int64(h.SDK)), h.Build, h.SecurityPatch, positive(h.CapacityMAh), positive(h.NominalMV), h.Calibration, h.Supply,
			listed(h.Apps), strings.Join(slices.Sorted(maps.Keys(one.workloads)), "; "),
			one.outcomes[""], one.outcomes[Measured], one.outcomes[Flagged], one.outcomes[Spoiled], noted(r.Notes)); err != nil {
			return err
		}
	}
	return bad
}

// positive is a value that is not known where it is 0.
func positive[T int64 | float64](v T) any {
	if v <= 0 {
		return nil
	}
	return v
}

func listed(versions map[string]string) string {
	var list []string
	for _, name := range slices.Sorted(maps.Keys(versions)) {
		list = append(list, strings.TrimSpace(name+" "+versions[name]))
	}
	return strings.Join(list, "; ")
}

func noted(notes []Note) string {
	var list []string
	for _, n := range notes {
		list = append(list, n.Text)
	}
	return strings.Join(list, "; ")
}
