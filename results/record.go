// Package results holds what was recorded of runs and what follows from it: runs,
// segments, samples, level edges, precondition reports, drift and evidence, their store
// (one bbolt file) and their export.
//
// It knows neither adb nor plans: whoever measures translates into these records.
// Nothing measured is ever overwritten; a segment is marked, never deleted.
package results

import "time"

// A Run is one plan carried out on one handset.
type Run struct {
	ID       string    `json:"id"`
	Handset  Handset   `json:"handset"`
	Plan     string    `json:"plan"`
	PlanHash string    `json:"plan_hash"` // SHA-256 of the plan as resolved, hex
	Night    string    `json:"night,omitempty"`
	QueuedAt time.Time `json:"queued_at"` // host clock, UTC, as all times here
	// StartedAt and EndedAt are zero until then.
	StartedAt time.Time `json:"started_at,omitzero"`
	EndedAt   time.Time `json:"ended_at,omitzero"`
	State     string    `json:"state"`            // the state machine's word, or "Queued", "Done", "Stopped"
	Reason    string    `json:"reason,omitempty"` // why it stopped, for a person
	Notes     []Note    `json:"notes,omitempty"`
	// Imported is set where the run comes from a file; nil where it was measured here.
	Imported *Imported `json:"imported,omitempty"`
}

// A Handset is what was known of the handset when the run began.
type Handset struct {
	Name           string `json:"name"`
	Serial         string `json:"serial"`
	Model          string `json:"model,omitempty"`
	AndroidVersion string `json:"android_version,omitempty"`
	SDK            int    `json:"sdk,omitempty"`
	Build          string `json:"build,omitempty"` // ro.build.fingerprint
	SecurityPatch  string `json:"security_patch,omitempty"`
	// CapacityMAh and NominalMV are the maker's figures, 0 where not known.
	CapacityMAh float64           `json:"capacity_mah,omitempty"`
	NominalMV   float64           `json:"nominal_mv,omitempty"`
	Apps        map[string]string `json:"apps,omitempty"`        // package to version
	Calibration string            `json:"calibration,omitempty"` // which luminance curve was used
	Supply      string            `json:"supply,omitempty"`      // charger and cable, with their levels
}

// A Note is something that was seen or said at an instant.
type Note struct {
	At   time.Time `json:"at"`
	Text string    `json:"text"`
}

// The outcome of a segment.
const (
	Measured  = "measured"  // ran from start edge to stop edge, nothing against it
	Flagged   = "flagged"   // measured, but a precondition drifted beyond its tolerance
	Spoiled   = "spoiled"   // not what it says: kept, repeated, never a figure
	Cancelled = "cancelled" // a person ended it: kept, not repeated, never a figure
	Skipped   = "skipped"   // not begun: no time left, or nothing to do
	Underway  = "underway"  // not ended yet
)

// LeftOut is why a segment of an outcome gives no figure, in a word, or "" where it may
// give one.
func LeftOut(outcome string) string {
	switch outcome {
	case Spoiled, Cancelled:
		return outcome
	case Skipped:
		return "not begun"
	case Underway:
		return "under way"
	}
	return ""
}

// A Segment is one scenario carried out once within a run, from its start edge until
// the drain target.
type Segment struct {
	ID       string `json:"id"`
	RunID    string `json:"run_id"`
	Handset  string `json:"handset"` // the handset's name on the bench
	Plan     string `json:"plan"`
	Scenario string `json:"scenario"`
	Index    int    `json:"index"`   // position in the run, from 1
	Repeat   int    `json:"repeat"`  // which repeat of the plan, from 1
	Attempt  int    `json:"attempt"` // from 1; more when an earlier one was spoiled
	Outcome  string `json:"outcome"`
	// Imported is what the file behind it serves (AsEndurance, AsCharge, AsSustain); empty
	// where the segment was measured here.
	Imported string `json:"imported,omitempty"`
	Reason   string `json:"reason,omitempty"` // why it was spoiled, flagged, cancelled, or ended early

	WorkloadHash    string  `json:"workload_hash"` // SHA-256 of the compiled scenario, hex
	WorkloadVersion string  `json:"workload_version,omitempty"`
	ClipSHA256      string  `json:"clip_sha256,omitempty"` // of the local video that it plays, hex; empty: none
	LoopS           float64 `json:"loop_s,omitempty"`      // nominal length of one loop, s; 0 unknown
	WarmUpS         float64 `json:"warm_up_s"`
	SampleEveryS    float64 `json:"sample_every_s"`
	TargetPoints    int     `json:"target_points"` // drain target, percentage points; 0 where something else ends it
	// Until is what ends the segment where that is not a drain target: "level", "full",
	// "cycles" or "time"; empty: the drain target. Wanted is then the level (%), the cycles or
	// the minutes that it was after, and Reached how far it came.
	Until   string `json:"until,omitempty"`
	Wanted  int    `json:"wanted,omitempty"`
	Reached int    `json:"reached,omitempty"`

	BootID    string    `json:"boot_id"`
	StartedAt time.Time `json:"started_at"` // activity started, host clock
	EndedAt   time.Time `json:"ended_at,omitzero"`
	// ActivityUpS is the handset's uptime when the activity began, s.
	ActivityUpS float64 `json:"activity_up_s"`

	// Units are those of the handset's own readings; nil in what was recorded before they were
	// decided, in Android's own then.
	Units *Units `json:"units,omitempty"`

	Edges      []Edge      `json:"edges,omitempty"`
	Conditions []Condition `json:"conditions,omitempty"`
	Drift      []Drift     `json:"drift,omitempty"`
	Evidence   []Evidence  `json:"evidence,omitempty"`
	// Outages are when the link or the stage could not be reached, oldest first. Activity is
	// what was asked and seen in what was measured, ActivityPct the part of it in which the
	// activity went on, %; nil where nothing was measured, or nobody counted.
	Outages     []Outage        `json:"outages,omitempty"`
	Activity    []ActivityCount `json:"activity,omitempty"`
	ActivityPct *float64        `json:"activity_pct,omitempty"`
	Revivals    int             `json:"revivals"`
	Notes       []Note          `json:"notes,omitempty"`
	EndedBy     string          `json:"ended_by,omitempty"` // the recorder's word for why it stopped
	Samples     int             `json:"samples"`            // how many are stored
	Readings    int             `json:"readings,omitempty"` // of meters; how many are stored

	Wakes *Wakes `json:"wakes,omitempty"` // of a segment that rested with its screen off

	RoomTempC *float64 `json:"room_temp_c,omitempty"` // mean while it went on, °C; nil where no meter is in the room

	Records []MeterRecord `json:"records,omitempty"` // of separate meters, attached afterwards
}

// A MeterRecord is a file that a separate meter recorded and that was attached to a segment,
// with how its clock was lined up with the host's. Its readings are the segment's.
type MeterRecord struct {
	Name       string    `json:"name"` // the beginning of SHA256; the readings carry it
	SHA256     string    `json:"sha256"`
	Meter      string    `json:"meter"`
	File       string    `json:"file,omitempty"`
	AttachedAt time.Time `json:"attached_at"`
	// ReplacedAt is when another record of the same meter took its place; zero: it counts.
	ReplacedAt time.Time `json:"replaced_at,omitzero"`
	Points     int       `json:"points"`
	// At RefUTC of the meter's clock ShiftS is added to get the host's, and away from it
	// RatePPM microseconds more for every second; the U95 are half-widths of 95 % intervals.
	RefUTC      time.Time `json:"ref_utc"`
	ShiftS      float64   `json:"shift_s"`
	ShiftU95S   float64   `json:"shift_u95_s"`
	RatePPM     float64   `json:"rate_ppm"`
	RateU95PPM  float64   `json:"rate_u95_ppm"`
	By          string    `json:"by"`          // what the line-up rests on
	Correlation float64   `json:"correlation"` // of both records as lined up; 0 for none
	Says        string    `json:"says"`        // all this in one line
	Notes       []string  `json:"notes,omitempty"`
}

// A Sample is one reading of battery and temperature at one instant. A value that the
// handset did not give is nil.
type Sample struct {
	Seq        int       `json:"seq"`
	HostAt     time.Time `json:"t_host_utc"`    // host clock, from the uptime and the offset read at the start
	PhoneAt    time.Time `json:"t_handset_utc"` // the handset's wall clock as it said
	UptimeMS   int64     `json:"uptime_ms"`     // handset clock since boot, sleep included
	LevelPct   int       `json:"level_pct"`
	CounterRaw *int64    `json:"charge_counter_raw,omitempty"` // unit as the handset reports
	VoltageMV  *int64    `json:"voltage_mv,omitempty"`
	TempC      *float64  `json:"battery_temp_c,omitempty"`
	CurrentRaw *int64    `json:"current_raw,omitempty"` // sign and unit as the handset reports
	Status     int       `json:"status"`                // BatteryManager code, 0 not given
	Plugged    int       `json:"plugged"`               // bit mask: 1 AC, 2 USB, 4 wireless, 8 dock
}

// An Edge is one change of the reported level, downward, with the interval in which it
// happened: after the last sample above (LoUpMS) and not after the first at or below (HiUpMS].
type Edge struct {
	LevelPct int   `json:"level_pct"` // the level reached
	LoUpMS   int64 `json:"lo_uptime_ms"`
	HiUpMS   int64 `json:"hi_uptime_ms"`
}

// A Condition is one line of a precondition report.
type Condition struct {
	Name     string `json:"name"`
	Wanted   string `json:"wanted"`
	Found    string `json:"found"`
	Verdict  string `json:"verdict"` // "met", "not met", "cannot be read"
	Required bool   `json:"required"`
	Mend     string `json:"mend,omitempty"`
}

// Drift is a precondition that was met at the start and is not met later.
type Drift struct {
	At        time.Time `json:"at"`
	Name      string    `json:"name"`
	Wanted    string    `json:"wanted"`
	Found     string    `json:"found"`
	Tolerated bool      `json:"tolerated"`
}

// Evidence is one proof that the activity really ran; with the Value 0 it was looked for and
// not there. What was asked for stands among them: a page that was opened ("opened", with
// its address below the stage), a capture that left no file ("missed", with its kind).
type Evidence struct {
	At       time.Time `json:"at"`
	UptimeMS int64     `json:"uptime_ms,omitempty"` // 0 where the proof reached the host, not the phone's file
	Kind     string    `json:"kind"`                // "page", "playback", "photos", "frames", "call", "foreground", "opened", ...
	Value    float64   `json:"value"`
	Detail   string    `json:"detail,omitempty"`
}
