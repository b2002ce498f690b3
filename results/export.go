package results

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
)

// A Column describes one column of an exported table. A value that was not measured is
// empty in CSV and null in JSON Lines and Parquet, never 0.
type Column struct {
	Name  string `json:"name"` // with the unit in it: level_pct, voltage_mv, t_host_utc
	Type  string `json:"type"` // "string", "integer", "number", "boolean", "time" (RFC 3339, UTC)
	Unit  string `json:"unit,omitempty"`
	About string `json:"about"`
}

// A Table describes one kind of exported table: a row for each record.
type Table struct {
	Name    string   `json:"name"`
	About   string   `json:"about"`
	Columns []Column `json:"columns"`
	rows    func(s *Store, f Filter, row func(...any) error) error
}

// Tables are all tables of what was recorded that can be exported, in the order in which people ask for them.
// Each row begins with the handset, run and, but for runs themselves, segment that it belongs to.
func Tables() []Table { return tables }

var key = []Column{
	{"handset", "string", "", "the handset's name on the bench"},
	{"run_id", "string", "", "the run"},
	{"segment_id", "string", "", "the segment"},
	{"scenario", "string", "", "the scenario of the segment"},
	{"imported", "boolean", "", "from a file, not measured by rundown"},
}

func keyed(columns ...Column) []Column { return append(slices.Clone(key), columns...) }

var tables = []Table{
	{"samples", "One row a reading of battery and temperature.", keyed(
		Column{"seq", "integer", "", "number of the sample within its segment"},
		Column{"t_host_utc", "time", "", "host's clock, from the handset's uptime and the offset read when the segment began"},
		Column{"t_handset_utc", "time", "", "the handset's own wall clock; it may jump"},
		Column{"uptime_ms", "integer", "ms", "the handset's clock since boot, sleep included; durations come from this one"},
		Column{"level_pct", "integer", "%", "level that the handset reports"},
		Column{"charge_counter_raw", "integer", "", "charge counter in the unit that this handset uses (µAh by definition, not always)"},
		Column{"voltage_mv", "integer", "mV", "battery voltage"},
		Column{"battery_temp_c", "number", "°C", "battery temperature"},
		Column{"current_raw", "integer", "", "current in this handset's sign and unit"},
		Column{"status", "integer", "", "battery status: 1 unknown, 2 charging, 3 discharging, 4 not charging, 5 full"},
		Column{"plugged", "integer", "", "power seen, sum of 1 mains, 2 USB, 4 wireless, 8 dock; 0 none"},
	), bySegment(func(s *Store, g Segment, row func(...any) error) error {
		samples, err := s.Samples(g.ID)
		for _, p := range samples {
			if err := row(p.Seq, p.HostAt, p.PhoneAt, p.UptimeMS, p.LevelPct, p.CounterRaw, p.VoltageMV, p.TempC, p.CurrentRaw, p.Status, p.Plugged); err != nil {
				return err
			}
		}
		return err
	})},
	{"readings", "One row a reading of a meter beside a segment: on the charging line or in the room.", keyed(
		Column{"meter", "string", "", "the meter's name in the plan file"},
		Column{"record", "string", "", "the file that it came in, by the beginning of its SHA-256; empty where the daemon read the meter itself"},
		Column{"t_host_utc", "time", "", "host's clock; of a record as lined up with the handset's own"},
		Column{"within_ms", "integer", "ms", "half the time between question and answer, or the half-width of the line-up's 95 % interval"},
		Column{"t_meter_utc", "time", "", "the meter's own clock, of a record"},
		Column{"power_w", "number", "W", "arriving power"},
		Column{"voltage_v", "number", "V", "voltage on the charging line"},
		Column{"current_a", "number", "A", "current on the charging line"},
		Column{"temperature_c", "number", "°C", "temperature, of the room where the meter is in the room"},
	), bySegment(func(s *Store, g Segment, row func(...any) error) error {
		list, err := s.Readings(g.ID)
		for _, r := range list {
			if err := row(r.Meter, r.Record, r.At, r.Within.Milliseconds(), r.MeterAt, r.PowerW, r.VoltageV, r.CurrentA, r.TempC); err != nil {
				return err
			}
		}
		return err
	})},
	{"edges", "One row a level edge: the reported level fell by a point (or more) within the interval.", keyed(
		Column{"level_pct", "integer", "%", "level reached"},
		Column{"lo_uptime_ms", "integer", "ms", "uptime of the last sample above"},
		Column{"hi_uptime_ms", "integer", "ms", "uptime of the first sample at or below"},
		Column{"measured", "boolean", "", "whether it lies between the segment's start edge and stop edge"},
	), bySegment(func(_ *Store, g Segment, row func(...any) error) error {
		first, last, ok := g.Window()
		for _, e := range g.Edges {
			if err := row(e.LevelPct, e.LoUpMS, e.HiUpMS, ok && e.HiUpMS >= first && e.HiUpMS <= last); err != nil {
				return err
			}
		}
		return nil
	})},
	{"segments", "One row a segment, whatever became of it.", keyed(
		Column{"plan", "string", "", "the plan"},
		Column{"index", "integer", "", "position in the plan's list, from 1"},
		Column{"repeat", "integer", "", "which repeat of the list, from 1"},
		Column{"attempt", "integer", "", "from 1; more when an earlier one was spoiled"},
		Column{"outcome", "string", "", "measured, flagged, spoiled, cancelled, skipped, underway"},
		Column{"reason", "string", "", "why it was flagged, spoiled, cancelled, skipped or ended early"},
		Column{"ended_by", "string", "", "what ended it on the handset"},
		Column{"points", "integer", "percentage points", "points from the start edge to the last measured edge"},
		Column{"target_points", "integer", "percentage points", "drain target"},
		Column{"started_utc", "time", "", "when the activity was started, host's clock"},
		Column{"ended_utc", "time", "", "time of the last sample, host's clock"},
		Column{"start_edge_uptime_ms", "integer", "ms", "uptime of the start edge, end of its interval"},
		Column{"stop_edge_uptime_ms", "integer", "ms", "uptime of the last measured edge, end of its interval"},
		Column{"warm_up_s", "number", "s", "time from the activity's start that is left out"},
		Column{"loop_s", "number", "s", "nominal length of one loop of the scenario"},
		Column{"sample_every_s", "number", "s", "time between two samples"},
		Column{"samples", "integer", "", "samples stored"},
		Column{"revivals", "integer", "", "how often the activity was brought back"},
		Column{"looks", "integer", "", "how often the daemon looked at the resting handset in what was measured; empty where the screen was on"},
		Column{"looks_per_hour", "number", "1/h", "the same an hour"},
		Column{"slept_s", "number", "s", "how long the handset was suspended in what was measured, by its recorder's clocks"},
		Column{"wakes_seen", "integer", "", "how often its recorder saw that it had woken, at least"},
		Column{"look_cost_pct_h", "number", "%/h", "what the looks drew, as known at the segment's end; empty where there is no figure"},
		Column{"look_cost_pct_h_low", "number", "%/h", "lower end of its 95 % interval"},
		Column{"look_cost_pct_h_high", "number", "%/h", "upper end"},
		Column{"activity_pct", "number", "%", "part of what was measured in which the activity went on, by its evidence; empty where nobody counted"},
		Column{"activity", "string", "", "what was asked and seen, as in 5 of 7 pages opened have loaded"},
		Column{"link_lost_s", "number", "s", "for how long the link was lost"},
		Column{"stage_lost_s", "number", "s", "for how long the handset could not reach the stage"},
		Column{"room_temp_c", "number", "°C", "mean temperature of the room; empty where no meter is in it"},
		Column{"boot_id", "string", "", "the handset's boot"},
		Column{"workload_hash", "string", "", "SHA-256 of the compiled scenario"},
		Column{"workload_version", "string", "", "the scenario's version"},
		Column{"clip_sha256", "string", "", "SHA-256 of the local video that was played; empty: none"},
	), bySegment(func(_ *Store, g Segment, row func(...any) error) error {
		var first, last *int64
		if f, l, ok := g.Window(); ok {
			first, last = &f, &l
		}
		var looks, seen *int64
		var perHour, slept, cost, low, high *float64
		if w := g.Wakes; w != nil {
			l, s := int64(w.Looks), int64(w.Seen)
			looks, seen, perHour, slept = &l, &s, &w.LooksPerH, &w.SleptS
			if c := w.Cost; c != nil {
				cost, low, high = &c.PctH, &c.LowPctH, &c.HighPctH
			}
		}
		return row(g.Plan, g.Index, g.Repeat, g.Attempt, g.Outcome, g.Reason, g.EndedBy, g.Points(), g.TargetPoints, g.StartedAt, g.EndedAt,
			first, last, g.WarmUpS, g.LoopS, g.SampleEveryS, g.Samples, g.Revivals, looks, perHour, slept, seen, cost, low, high,
			g.ActivityPct, g.ActivitySays(), g.OutageS(OutageLink), g.OutageS(OutageStage), g.RoomTempC, g.BootID, g.WorkloadHash, g.WorkloadVersion, g.ClipSHA256)
	})},
	{"conditions", "One row a precondition as it was read back before the segment, and one a drift during it.", keyed(
		Column{"kind", "string", "", "precondition or drift"},
		Column{"at_utc", "time", "", "when a drift was seen, host's clock"},
		Column{"name", "string", "", "the precondition"},
		Column{"wanted", "string", "", "value wanted"},
		Column{"found", "string", "", "value read back"},
		Column{"verdict", "string", "", "met, not met, cannot be read"},
		Column{"required", "boolean", "", "whether the plan requires it; a drift of it flags the segment"},
	), bySegment(func(_ *Store, g Segment, row func(...any) error) error {
		for _, c := range g.Conditions {
			if err := row("precondition", time.Time{}, c.Name, c.Wanted, c.Found, c.Verdict, c.Required); err != nil {
				return err
			}
		}
		for _, d := range g.Drift {
			if err := row("drift", d.At, d.Name, d.Wanted, d.Found, "not met", !d.Tolerated); err != nil {
				return err
			}
		}
		return nil
	})},
	{"outages", "One row each time in which the link or the stage could not be reached during a segment.", keyed(
		Column{"what", "string", "", "link: the handset could not be reached; stage: the handset could not reach the stage"},
		Column{"from_utc", "time", "", "host's clock"},
		Column{"to_utc", "time", "", "host's clock; empty where it lasted to the segment's end"},
		Column{"why", "string", "", "what was seen of it"},
	), bySegment(func(_ *Store, g Segment, row func(...any) error) error {
		for _, o := range g.Outages {
			if err := row(o.What, o.From, o.To, o.Why); err != nil {
				return err
			}
		}
		return nil
	})},
	{"activity", "One row a kind of evidence of a segment: what was asked in what was measured, and what was seen.", keyed(
		Column{"kind", "string", "", "page, playback, photos, frames, ..., as in the table evidence"},
		Column{"asked", "integer", "", "pages opened, captures made, looks, posts"},
		Column{"seen", "integer", "", "pages loaded, files left, looks that found it, posts with something done"},
		Column{"share_pct", "number", "%", "part of what was measured in which this kind alone says that the activity went on"},
	), bySegment(func(_ *Store, g Segment, row func(...any) error) error {
		for _, c := range g.Activity {
			if err := row(c.Kind, c.Asked, c.Seen, c.Pct); err != nil {
				return err
			}
		}
		return nil
	})},
	{"evidence", "One row a proof that the activity ran, a look that did not find it (value 0), or something that was asked for.", keyed(
		Column{"t_host_utc", "time", "", "host's clock"},
		Column{"uptime_ms", "integer", "ms", "the handset's clock since boot; empty where the proof reached the host directly"},
		Column{"kind", "string", "", "page, playback, files, photos, videos, frames, drawn, call, incall, charging, foreground, asleep (the system said so), slept (value: for how many s, by the recorder's clocks), cycle; opened: a page was asked for; missed: a capture left no file"},
		Column{"value", "number", "", "what was counted: page number, position, files, frames"},
		Column{"detail", "string", "", "more, as the handset or its page said it"},
	), bySegment(func(_ *Store, g Segment, row func(...any) error) error {
		for _, e := range g.Evidence {
			var up *int64
			if e.UptimeMS != 0 {
				up = &e.UptimeMS
			}
			if err := row(e.At, up, e.Kind, e.Value, e.Detail); err != nil {
				return err
			}
		}
		return nil
	})},
	promptTable,
	runTable,
}

// A Filter chooses what is exported; empty fields choose everything.
type Filter struct {
	Handset, Run, Plan, Scenario string
	From, To                     time.Time // of the segment's start, host's clock; To is left out
}

func (f Filter) takes(g Segment) bool {
	match := func(want, have string) bool { return want == "" || want == have }
	return match(f.Handset, g.Handset) && match(f.Run, g.RunID) && match(f.Plan, g.Plan) && match(f.Scenario, g.Scenario) &&
		(f.From.IsZero() || !g.StartedAt.Before(f.From)) && (f.To.IsZero() || g.StartedAt.Before(f.To))
}

// Chosen is an error, which is ErrNotFound, where the store has no run or no handset of the filter's
// names: what was meant is something else. known are handsets that may have no run yet.
func (s *Store) Chosen(f Filter, known ...string) error {
	if f.Run != "" {
		if _, err := s.Run(f.Run); errors.Is(err, ErrNotFound) {
			return fmt.Errorf("%w: there is no run %q", ErrNotFound, f.Run)
		} else if err != nil {
			return err
		}
	}
	if f.Handset == "" || slices.Contains(known, f.Handset) {
		return nil
	}
	runs, err := s.Runs()
	for _, r := range runs {
		known = append(known, r.Handset.Name)
	}
	if slices.Contains(known, f.Handset) || err != nil && len(known) == 0 {
		return nil
	}
	slices.Sort(known)
	if known = slices.Compact(known); len(known) == 0 {
		return fmt.Errorf("%w: there is no handset %q, nor any other", ErrNotFound, f.Handset)
	}
	return fmt.Errorf("%w: there is no handset %q; there are %s", ErrNotFound, f.Handset, strings.Join(known, ", "))
}

// AllTables are the recorded tables and the computed ones.
func AllTables() []Table { return append(slices.Clone(tables), ComputedTables()...) }

// Formats are the formats that Export writes.
func Formats() []string { return []string{"csv", "jsonl", "parquet"} }

// Takes says whether a run or segment of these is chosen; at is when it began.
func (f Filter) Takes(handset, run, plan, scenario string, at time.Time) bool {
	return f.takes(Segment{Handset: handset, RunID: run, Plan: plan, Scenario: scenario, StartedAt: at})
}

// TableNames are the names of AllTables, in their order.
func TableNames() (names []string) {
	for _, t := range AllTables() {
		names = append(names, t.Name)
	}
	return names
}

// TableNamed returns the table of a name, recorded or computed; the error lists the names.
func TableNamed(name string) (Table, error) {
	for _, t := range AllTables() {
		if t.Name == name {
			return t, nil
		}
	}
	if now := renamedTables[name]; now != "" {
		return Table{}, fmt.Errorf("no table %q any more: it is %s now, with other columns", name, now)
	}
	return Table{}, fmt.Errorf("no table %q: there are %s", name, strings.Join(TableNames(), ", "))
}

// renamedTables are names that tables had before.
var renamedTables = map[string]string{"cycles": "lots"}

// Export writes one table in one format to w, segment by segment, and returns the rows
// written. What cannot be read of the store is left out and named in the error; the rest
// is written all the same.
func Export(s *Store, t Table, format string, f Filter, w io.Writer) (rows int, err error) {
	buffered := bufio.NewWriterSize(w, 1<<16)
	put, flush, err := rowWriter(t, format, buffered)
	if err != nil {
		return 0, err
	}
	var writing error
	bad := t.rows(s, f, func(values ...any) error {
		rows++
		if len(values) != len(t.Columns) {
			return fmt.Errorf("%d values for %d columns of %s", len(values), len(t.Columns), t.Name)
		}
		writing = put(values)
		return writing
	})
	if writing != nil {
		return rows, writing // for a reader that has gone
	}
	return rows, errors.Join(bad, flush(), buffered.Flush())
}

// bySegment makes the rows of a table that goes by segments, of what makes those of one, without their
// key. Nothing more is read once a row could not be written.
func bySegment(rows func(s *Store, g Segment, row func(...any) error) error) func(*Store, Filter, func(...any) error) error {
	return func(s *Store, f Filter, row func(...any) error) error {
		var bad []error
		var whole []any
		bad = append(bad, s.EachSegment(f.Run, func(g Segment) error {
			if !f.takes(g) {
				return nil
			}
			whole = append(whole[:0], g.Handset, g.RunID, g.ID, g.Scenario, g.Imported != "")
			var writing error
			bad = append(bad, rows(s, g, func(values ...any) error {
				whole = append(whole[:len(key)], values...)
				writing = row(whole...)
				return writing
			}))
			return writing
		}))
		return errors.Join(bad...)
	}
}

func rowWriter(t Table, format string, w io.Writer) (put func([]any) error, flush func() error, err error) {
	nothing := func() error { return nil }
	switch format {
	case "csv":
		put, err := csvWriter(t, w)
		return put, nothing, err
	case "jsonl":
		return linesWriter(t, w), nothing, nil
	case "parquet":
		return parquetWriter(t, w)
	}
	return nil, nil, fmt.Errorf("no format %q: there are %s", format, strings.Join(Formats(), ", "))
}

// Describe writes the machine-readable description of all tables, as JSON.
func Describe(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(map[string]any{
		"format_version": FormatVersion,
		"about":          "Rundown's exported tables. Empty (CSV) or null (JSON Lines, Parquet) is not measured, never zero. All times are UTC.",
		"tables":         AllTables(),
	})
}
