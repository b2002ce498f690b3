package orchestrator

import "fmt"

// A State is where a run stands.
type State string

// The states of a run. A segment passes through Preparing to Collecting; the run begins
// and goes on in Preparing, and always leaves by way of Restoring.
const (
	Preparing  State = "Preparing"  // preconditions applied and read back
	Recharging State = "Recharging" // power gate open, level below the start window
	Settling   State = "Settling"   // activity started, evidence awaited, nothing measured yet
	Draining   State = "Draining"   // from the start edge on; without a drain target, from the first evidence on
	Charging   State = "Charging"   // a charge that is measured: power gate open, until the battery is full
	Collecting State = "Collecting" // files pulled whole, checked, stored, removed
	Restoring  State = "Restoring"  // every changed setting put back, screen off
	Done       State = "Done"
	Stopped    State = "Stopped" // ended before its list was through; the reason is recorded
)

// An Event is what moves a run from one state to the next.
type Event string

// The events, each named for what was seen.
const (
	LevelTooLow    Event = "level too low"
	Ready          Event = "ready"
	ListThrough    Event = "list through"
	GaveUp         Event = "gave up" // with a reason: unmet, cancelled, no time left, handset gone
	InWindow       Event = "in window"
	StartEdge      Event = "start edge"
	EvidenceSeen   Event = "evidence seen" // of a segment without a drain target
	ChargeSeen     Event = "charge seen"
	NotAsPrepared  Event = "not as prepared" // the activity did not begin while the preparation was fresh
	TargetReached  Event = "target reached"
	LimitReached   Event = "limit reached"
	SegmentSpoiled Event = "segment spoiled"
	Collected      Event = "collected"
	RestoredDone   Event = "restored, list through"
	RestoredEarly  Event = "restored, stopped early"
)

// moves is the whole state machine of a run. A pair that is not listed is a bug: next
// reports it, and the run is stopped with its segment collected and the handset restored.
//
// What happens in each state is in run.go, one method a state, in this order.
var moves = map[State]map[Event]State{
	Preparing: {
		LevelTooLow: Recharging,
		Ready:       Settling,
		ListThrough: Restoring,
		GaveUp:      Restoring,
	},
	Recharging: {
		InWindow: Preparing,
		GaveUp:   Restoring,
	},
	Settling: {
		StartEdge:      Draining,
		EvidenceSeen:   Draining,
		ChargeSeen:     Charging,
		LimitReached:   Collecting, // too hot, too low or too late before it began
		SegmentSpoiled: Collecting, // power seen, no evidence, rebooted
		GaveUp:         Collecting, // cancelled: what was recorded is kept
		NotAsPrepared:  Preparing,  // nothing of it has begun
	},
	Draining: {
		TargetReached:  Collecting,
		LimitReached:   Collecting,
		SegmentSpoiled: Collecting,
		GaveUp:         Collecting,
	},
	Charging: {
		TargetReached:  Collecting,
		LimitReached:   Collecting,
		SegmentSpoiled: Collecting,
		GaveUp:         Collecting,
	},
	Collecting: {
		Collected: Preparing, // the next segment, or this one again
		GaveUp:    Restoring,
	},
	Restoring: {
		RestoredDone:  Done,
		RestoredEarly: Stopped,
	},
}

// next returns the state that follows. After an event that is not foreseen the run is over:
// what is under way on the handset is collected, and the handset restored.
func next(s State, e Event) (State, error) {
	to, ok := moves[s][e]
	switch {
	case ok:
		return to, nil
	case s == Settling || s.Measures():
		to = Collecting
	default:
		to = Restoring
	}
	return to, fmt.Errorf("state machine: %q in state %s is not foreseen", e, s)
}

// Measures reports whether a segment is being measured in this state.
func (s State) Measures() bool { return s == Draining || s == Charging }

// over reports whether a run in this state has ended.
func (s State) over() bool { return s == Done || s == Stopped }
