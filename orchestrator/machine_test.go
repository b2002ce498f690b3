package orchestrator

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

var states = []State{Preparing, Recharging, Settling, Draining, Charging, Collecting, Restoring, Done, Stopped}

func TestEveryRunLeavesThroughRestoring(t *testing.T) {
	for from, exits := range moves {
		for event, to := range exits {
			if to.over() && from != Restoring {
				t.Errorf("%s on %q ends the run in %s without restoring the handset", from, event, to)
			}
			if !slices.Contains(states, to) {
				t.Errorf("%s on %q leads to %q, which is no state", from, event, to)
			}
		}
	}
}

func TestEveryStateButTheLastHasAWayOut(t *testing.T) {
	for _, s := range states {
		if got := len(moves[s]) > 0; got == s.over() {
			t.Errorf("state %s: has moves %v, is over %v", s, got, s.over())
		}
		if _, ok := moves[s][GaveUp]; !ok && !s.over() && s != Restoring {
			t.Errorf("state %s cannot be given up", s)
		}
	}
}

func TestAnUnforeseenEventRestores(t *testing.T) {
	to, err := next(Recharging, StartEdge)
	if to != Restoring || err == nil {
		t.Errorf("next(Recharging, StartEdge) = %s, %v; want Restoring and an error", to, err)
	}
	for _, s := range []State{Settling, Draining, Charging} { // a segment is under way
		if to, err := next(s, ListThrough); to != Collecting || err == nil {
			t.Errorf("next(%s, ListThrough) = %s, %v; want Collecting and an error", s, to, err)
		}
	}
}

// Whatever happens, a segment is begun only from Preparing, and what was begun is
// collected before the run goes on.
func TestWhatIsBegunIsCollected(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, open := Preparing, false
		for range rapid.IntRange(1, 60).Draw(t, "moves") {
			if s.over() {
				break
			}
			var events []Event
			for e := range moves[s] {
				events = append(events, e)
			}
			slices.Sort(events)
			before, event := s, rapid.SampledFrom(events).Draw(t, "event")
			s = moves[s][event]
			switch {
			case event == NotAsPrepared: // by which nothing has begun
				if s != Preparing {
					t.Fatalf("what is not as prepared goes on in %s", s)
				}
				open = false
			case s == Settling:
				if before != Preparing {
					t.Fatalf("a segment is begun from %s", before)
				}
				open = true
			case before == Collecting:
				open = false
			case open && !s.Measures() && s != Collecting:
				t.Fatalf("%s to %s leaves a segment uncollected", before, s)
			}
		}
	})
}
