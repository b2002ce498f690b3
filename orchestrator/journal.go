package orchestrator

import (
	"slices"
	"time"

	"rundown/devices"
	"rundown/devices/preconditions"
	"rundown/results"
	"rundown/scenarios"
)

// documentsJournal is the store's kind of journal entries, one a run, by run ID.
const documentsJournal = "journal"

// An entry is what the journal knows of a run: enough to go on from any instant after
// the daemon died. It is written before each move is made and before each change to the
// handset, and dropped only when the run is over.
type entry struct {
	RunID string `json:"run_id"`
	Item  Item   `json:"item"`
	State State  `json:"state"`
	// Step is the position in the plan's list, repeats laid end to end, from 0.
	Step    int `json:"step"`
	Attempt int `json:"attempt"` // of the segment at Step, from 1
	// StopReason is set once the run is to end before its list is through.
	StopReason string `json:"stop_reason,omitempty"`
	// GateOpen: the power gate was told to open and has not been seen to close since.
	GateOpen bool `json:"gate_open,omitempty"`
	// Changes made to the handset's settings, oldest first, not yet put back.
	Changes []preconditions.Change `json:"changes,omitempty"`
	// Report is the precondition report of the segment being prepared or under way.
	Report []results.Condition `json:"report,omitempty"`
	// ReadyAt is when that report was met.
	ReadyAt time.Time `json:"ready_at,omitzero"`
	// Holder is the number under which the run holds its handset; 0: not yet.
	Holder int64 `json:"holder,omitempty"`
	// TakenOver says who took the handset over from this run.
	TakenOver string `json:"taken_over,omitempty"`
	// StorageFull: the attempt before was spoiled for want of storage.
	StorageFull bool `json:"storage_full,omitempty"`
	// Claims are the handsets that the segment under way keeps busy, as named limits.
	Claims []string `json:"claims,omitempty"`
	// Segment is the one under way, from Settling to Collecting.
	Segment *underway `json:"segment,omitempty"`
}

// An underway segment: what the daemon must know to take it up again.
type underway struct {
	ID        string    `json:"id"`
	Key       string    `json:"key"` // its folder on the handset
	StageKey  string    `json:"stage_key,omitempty"`
	StagePath string    `json:"stage_path,omitempty"`
	Installed bool      `json:"installed"` // the files are on the handset
	Started   bool      `json:"started"`   // the recorder was told to begin
	BootID    string    `json:"boot_id"`
	HostZero  time.Time `json:"host_zero"` // host clock at the handset's uptime 0
	// ZeroWithin is how far HostZero may be off: half the time that asking took.
	ZeroWithin time.Duration `json:"zero_within_ns,omitempty"`
	// Holder is the number under which its programs run; 0 in journals of before.
	Holder int64 `json:"holder,omitempty"`
	// SamplesAt and ActivityAt are how much of the handset's files has been taken in, bytes.
	SamplesAt  int64 `json:"samples_at"`
	ActivityAt int64 `json:"activity_at"`
	// ProvenFrom is since when evidence is waited for: the activity's start, the power that a
	// charge needs, the beginning of what is measured, or a revival. Host clock, as HostZero.
	ProvenFrom time.Time `json:"proven_from,omitzero"`
	// Revivals counts the lacks of evidence that were seen. Reviving is what was missing while
	// the activity is still to be started again for it.
	Revivals int    `json:"revivals,omitempty"`
	Reviving string `json:"reviving,omitempty"`
	// PowerSeen: power was seen on the handset for a charge that is measured.
	PowerSeen bool `json:"power_seen,omitempty"`
	// LooksAtMS is when the daemon looked at a handset that rests, ms of its uptime.
	LooksAtMS []int64 `json:"looks_at_ms,omitempty"`
	// Unanswered counts the looks, beyond those, that brought no answer and may have woken it.
	Unanswered int `json:"unanswered,omitempty"`
	// Uncounted: the handset does not say how often Wi-Fi lost its network between two looks.
	Uncounted bool `json:"uncounted,omitempty"`
	// StartEdge: the start edge stands in what has been taken in.
	StartEdge bool `json:"start_edge,omitempty"`
	// LookedAt is when the handset answered last, by the host's clock as it was at the start;
	// zero: never, or in a journal of an earlier version.
	LookedAt time.Time `json:"looked_at,omitzero"`
	// Ended is the recorder's word for why it ended, once its end mark was read.
	Ended string `json:"ended,omitempty"`
	// LimitS is the time limit that the recorder was given, s.
	LimitS int `json:"limit_s,omitempty"`
	// Units are those in which its samples come; nil in entries of earlier versions.
	Units *devices.Units `json:"units,omitempty"`
	// ClipLength is how long the clip is that it plays; 0: none, or not known.
	ClipLength time.Duration `json:"clip_length_ns,omitempty"`
	// Answering is the handset of the bench that takes this segment's calls, if one does.
	Answering *answering `json:"answering,omitempty"`
	// Left: its files could not be collected and are left on the handset.
	Left bool `json:"left,omitempty"`
	// Concluded: it is stored, and only its removal from the handset is left to be done.
	Concluded bool `json:"concluded,omitempty"`
	// Verdict is how it ended, once that is known; Collecting turns it into an outcome.
	Verdict verdict `json:"verdict"`
}

// A verdict is what is known against a segment, or what ended it.
type verdict struct {
	Spoiled string `json:"spoiled,omitempty"` // why it is not what it says
	// Unheard: Spoiled says only that the handset could not be reached. What its files
	// say counts, once they are there.
	Unheard bool `json:"unheard,omitempty"`
	// Cancelled is when a person cancelled it, in words: whatever else is known, that counts.
	Cancelled string `json:"cancelled,omitempty"`
	EndedBy   string `json:"ended_by,omitempty"`
	Reason    string `json:"reason,omitempty"` // why it ended early although not spoiled
	// Enough is after how many points the daemon ended it because its hours were known well enough; 0: it did not.
	Enough int `json:"enough,omitempty"`
	// Settled says that the daemon ended it because the rate of its work had settled.
	Settled bool   `json:"settled,omitempty"`
	Seen    string `json:"seen,omitempty"` // what the daemon itself saw of a limit, and did
	// Doubt is why it is kept and flagged: the gauge corrected itself, and it is not carried out again.
	Doubt string `json:"doubt,omitempty"`
}

// holds are the named limits that the entry's run holds: those of a scenario that is
// starting or draining on the handset.
func (e *entry) holds() []string {
	if (e.State == Settling || e.State.Measures()) && e.Step < len(e.Item.Order.list()) {
		return e.holdsAt(e.Step)
	}
	return nil
}

// holdsAt are the named limits of the segment at a position of the list, and the handsets
// that it claims; of one that empties the handset for a charge also those of the charge: an
// empty handset must not wait for its turn.
func (e *entry) holdsAt(step int) []string {
	list := e.Item.Order.list()
	names := slices.Concat(e.Item.Order.Scenarios[list[step].Scenario].Holds, e.Claims)
	for _, n := range e.chargeAfter(step) {
		if !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	return names
}

// chargeAfter are the named limits of the charge for which the segment at a position
// empties the handset; none where it does not.
func (e *entry) chargeAfter(step int) []string {
	list := e.Item.Order.list()
	endsBy := func(i int) string { return list[i].EndsBy(e.Item.Order.Scenarios[list[i].Scenario]) }
	if step+1 >= len(list) || endsBy(step) != scenarios.UntilLevel || endsBy(step+1) != scenarios.UntilFull {
		return nil
	}
	return e.Item.Order.Scenarios[list[step+1].Scenario].Holds
}

// chargesOn reports whether a charge that is measured was under way.
func (e *entry) chargesOn() bool {
	list := e.Item.Order.list()
	if e.State != Settling && e.State != Charging || e.Segment == nil || !e.Segment.Started || e.Step >= len(list) {
		return false
	}
	return list[e.Step].EndsBy(e.Item.Order.Scenarios[list[e.Step].Scenario]) == scenarios.UntilFull
}

// hostAt is the host's time at an uptime of the handset.
func (u *underway) hostAt(uptimeMS int64) time.Time {
	return u.HostZero.Add(time.Duration(uptimeMS) * time.Millisecond)
}

func (d *Daemon) saveEntry(e *entry) error {
	return d.store.PutDocument(documentsJournal, e.RunID, e)
}

// loadEntry puts an entry back to what the journal holds, after a write that failed.
func (d *Daemon) loadEntry(e *entry) error {
	var kept entry
	if err := d.store.Document(documentsJournal, e.RunID, &kept); err != nil {
		return err
	}
	*e = kept
	return nil
}

func (d *Daemon) dropEntry(e *entry) error {
	return d.store.DeleteDocument(documentsJournal, e.RunID)
}
