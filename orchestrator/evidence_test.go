package orchestrator

import (
	"testing"
	"time"

	"rundown/results"
	"rundown/scenarios"
)

func TestWitness(t *testing.T) {
	start := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	at := func(minutes int) time.Time { return start.Add(time.Duration(minutes) * time.Minute) }
	wanted := []scenarios.Evidence{{Kind: "page", Limit: 2 * time.Minute}, {Kind: "foreground", Limit: 3 * time.Minute}}
	type piece struct {
		minute int
		kind   string
		value  float64
	}
	tests := []struct {
		name         string
		seen         []piece
		phone, stage int // minutes until which each source is complete
		want         string
	}{
		{name: "nothing is overdue yet", phone: 2, stage: 2},
		{name: "a page is overdue at the stage", phone: 3, stage: 3, want: "no page evidence for 3 min (limit 2 min)"},
		{name: "both arrive", seen: []piece{{1, "page", 1}, {3, "page", 2}, {2, "foreground", 1}}, phone: 5, stage: 5},
		{name: "a foreground that was not there is no evidence", seen: []piece{{1, "page", 1}, {4, "page", 2}, {1, "foreground", 1}, {4, "foreground", 0}}, phone: 5, stage: 5, want: "no foreground evidence for 4 min (limit 3 min)"},
		{name: "the phone's lines are judged only as far as they were read", seen: []piece{{9, "page", 1}}, phone: 3, stage: 10},
		{name: "old evidence read late does not turn time back", seen: []piece{{4, "page", 1}, {2, "page", 2}, {4, "foreground", 1}}, phone: 6, stage: 6},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := newWitness(wanted, start)
			for _, p := range tt.seen {
				w.saw(results.Evidence{At: at(p.minute), Kind: p.kind, Value: p.value})
			}
			if got := w.missing(at(tt.phone), at(tt.stage)); got != tt.want {
				t.Errorf("missing = %q, want %q", got, tt.want)
			}
		})
	}
}

func TestWitnessKnowsWhatWasNeverSeen(t *testing.T) {
	w := newWitness([]scenarios.Evidence{{Kind: "playback", Limit: time.Minute}}, time.Unix(0, 0))
	w.restart(time.Unix(500, 0)) // brought back: the limit counts anew, but that is no evidence
	if got := w.never(); got == "" {
		t.Error("never() is empty although nothing was seen")
	}
	w.saw(results.Evidence{At: time.Unix(510, 0), Kind: "playback", Value: 10})
	if got := w.never(); got != "" {
		t.Errorf("never() = %q after evidence was seen", got)
	}
}
