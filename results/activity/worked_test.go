package activity

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// Where the share is missing, worked by hand from what each way is said to mean: a look speaks for the time
// since the one before, an event for two of its kind's usual spacings at most, a position for as much as it moved on.
// The window is 100 to 1100 s unless given.
func TestMissingWorkedByHand(t *testing.T) {
	plays := func(_ int, e *Event) { e.Value = float64(e.T.Milliseconds()) }
	// A film of which nothing was seen from 400 to 580 s, where it was at a position, and goes on from there.
	unseen := func(at580 time.Duration, length time.Duration) Kind {
		return Kind{Way: Played, Length: length, Seen: without(every(30*sec, 10*sec, 1100*sec, func(_ int, e *Event) {
			if e.Value = float64(e.T.Milliseconds()); e.T >= 580*sec {
				e.Value = float64((e.T - 580*sec + at580).Milliseconds())
			}
		}), 401*sec, 580*sec)}
	}
	posts := func(value func(i int) float64) []Event {
		return every(10*sec, 0, 1100*sec, func(i int, e *Event) { e.Value = value(i) })
	}
	early := func(slack time.Duration) Kind {
		seen := late(every(20*sec, 0, 1100*sec), 2*sec)
		seen[20].T = 399 * sec
		return Kind{Way: Opened, Slack: slack, Asked: every(20*sec, 0, 1100*sec), Seen: seen}
	}
	tests := []struct {
		name     string
		from, to time.Duration
		kind     Kind
		want     []Span
	}{
		{"the first look finds nothing", sec, 100 * sec, Kind{Seen: every(10*sec, 30*sec, 100*sec, func(i int, e *Event) { e.Value = min(1, float64(i)) })}, []Span{{sec, 30 * sec}}},
		{"three looks are enough to know their spacing", sec, 160 * sec, Kind{Seen: every(40*sec, 0, 81*sec)}, nil},
		{"a lone look speaks for ten seconds on either side", sec, 100 * sec, Kind{Seen: []Event{{T: 50 * sec, Value: 1}}}, []Span{{sec, 40 * sec}, {60 * sec, 100 * sec}}},
		{"the usual spacing of 10, 30 and 30 s is 30 s", sec, 130 * sec, Kind{Seen: []Event{{T: 0, Value: 1}, {T: 10 * sec, Value: 1}, {T: 40 * sec, Value: 1}, {T: 70 * sec, Value: 1}}}, nil},

		// All but the 5 s by which a position may be told late.
		{"a film stands for as long as a look speaks", 0, 0, Kind{Way: Played, Seen: without(every(30*sec, 10*sec, 1100*sec, func(_ int, e *Event) {
			e.Value = float64((min(e.T, 370*sec) + max(0, e.T-430*sec)).Milliseconds())
		}), 400*sec, 401*sec)}, []Span{{375 * sec, 430 * sec}}},
		{"a film that played for 100 s of 180 unseen", 0, 0, unseen(500*sec, 0), []Span{{400 * sec, 480 * sec}}},
		{"a film that stood for 180 s unseen", 0, 0, unseen(400*sec, 0), []Span{{400 * sec, 550 * sec}}},
		// At 400 s of 600 it had 200 to go, at 580 s it had begun anew 100 s before: it did not end by itself.
		{"a film that died unseen and began anew", 0, 0, unseen(100*sec, 600*sec), []Span{{400 * sec, 480 * sec}}},
		// Of 485 s it had 85 to go: the 80 s that there were, and 5 s by which a position may be late.
		{"a film that ended unseen and began anew", 0, 0, unseen(100*sec, 485*sec), nil},
		{"one that was a second longer", 0, 0, unseen(100*sec, 486*sec), []Span{{400 * sec, 480 * sec}}},
		{"a film that was not there, and is later", 0, 0, Kind{Way: Played, Seen: without(every(30*sec, 10*sec, 1100*sec, func(i int, e *Event) {
			if plays(i, e); e.T == 400*sec {
				e.Value = 0
			}
		}), 401*sec, 580*sec)}, []Span{{370 * sec, 550 * sec}}},

		// 60 a second; by the next total 3000 were done in the 105 s from 305 to 410 s, which is 50 s of work.
		{"posts are lost, and the next total says how much was done", 0, 0, Kind{Way: Posted, Seen: without(every(15*sec, 5*sec, 1100*sec, func(i int, e *Event) {
			if e.Value, e.Total = 900, 900*float64(i+1); e.T > 306*sec {
				e.Total -= 6300 - 3000
			}
		}), 306*sec, 396*sec)}, []Span{{305 * sec, 360 * sec}}},
		{"a total after a post without one says nothing of the time between", 0, 0, Kind{Way: Posted, Seen: without(every(15*sec, 5*sec, 1100*sec, func(i int, e *Event) {
			if e.Value = 900; e.T > 396*sec {
				e.Total = 900 * float64(i+1)
			}
		}), 306*sec, 396*sec)}, []Span{{305 * sec, 395 * sec}}},
		{"a quarter of the usual rate goes on", 0, 0, Kind{Way: Posted, Seen: posts(func(i int) float64 { return 600 - 450*float64(i/40%2) })}, nil},
		// 120 of 600 is a fifth: it stood for the other four fifths of its 10 s.
		{"less than a quarter stands for the rest", 0, 0, Kind{Way: Posted, Seen: posts(func(i int) float64 {
			if i == 50 {
				return 120
			}
			return 600
		})}, []Span{{492 * sec, 500 * sec}}},
		{"each post comes twice", 0, 0, Kind{Way: Posted, Seen: append(posts(func(int) float64 { return 600 }), posts(func(int) float64 { return 600 })...)}, nil},
		// Three rates of 60, 60 and 6 a second: the usual one is 60, and the last post stood for nine tenths of its time.
		{"three rates tell the usual one", sec, 30 * sec, Kind{Way: Posted, Seen: []Event{{T: 0, Value: 600}, {T: 10 * sec, Value: 600}, {T: 20 * sec, Value: 600}, {T: 30 * sec, Value: 60}}}, []Span{{21 * sec, 30 * sec}}},
		{"two do not", sec, 20 * sec, Kind{Way: Posted, Seen: []Event{{T: 0, Value: 600}, {T: 10 * sec, Value: 600}, {T: 20 * sec, Value: 60}}}, nil},

		{"a page that never came, with others that come at once", 0, 0, Kind{Way: Opened, Asked: every(20*sec, 0, 1100*sec), Seen: without(every(20*sec, 0, 1100*sec), 400*sec, 401*sec)}, []Span{{400 * sec, 420 * sec}}},
		{"the first page is opened late", 0, 0, Kind{Way: Opened, Asked: every(20*sec, 200*sec, 1100*sec), Seen: late(every(20*sec, 200*sec, 1100*sec), 2*sec)}, []Span{{100 * sec, 200 * sec}}},
		// All come 2 s after they were asked for, but the one of 400 s was seen a second before.
		{"clocks that differ by all that they may", 0, 0, early(sec), nil},
		{"clocks that differ by more", 0, 0, early(sec - 1), []Span{{400 * sec, 420 * sec}}},
		// Pages take 2 s, and ten at least are waited for.
		{"a page that had just the time to come", 100 * sec, 1090 * sec, Kind{Way: Opened, Asked: every(20*sec, 0, 1081*sec), Seen: late(every(20*sec, 0, 1079*sec), 2*sec)}, []Span{{1080 * sec, 1090 * sec}}},
		{"a page that had not", 100 * sec, 1090*sec - 1, Kind{Way: Opened, Asked: every(20*sec, 0, 1081*sec), Seen: late(every(20*sec, 0, 1079*sec), 2*sec)}, nil},
		{"none is opened any more", 0, 0, Kind{Way: Opened, Asked: every(20*sec, 0, 601*sec), Seen: late(every(20*sec, 0, 601*sec), 2*sec)}, []Span{{640 * sec, 1100 * sec}}},
	}
	for _, tt := range tests {
		if tt.to == 0 {
			tt.from, tt.to = 100*sec, 1100*sec
		}
		s, ok := Of(tt.from, tt.to, []Kind{tt.kind})
		if !ok {
			t.Errorf("%s: no share", tt.name)
			continue
		}
		if diff := cmp.Diff(tt.want, s.Missing); diff != "" {
			t.Errorf("%s: missing (-want +got):\n%s", tt.name, diff)
		}
	}
}

// Posts of nothing are none: two of three are, and the usual rate is that of the third, 60 a second. Two of these that
// did a tenth of it stood for nine of their 10 s. Of the window 33 thirds go on, less 18 s.
func TestUsualRateIsOfPostsThatDidSomething(t *testing.T) {
	s, ok := Of(100*sec, 1100*sec, []Kind{{Way: Posted, Seen: every(10*sec, 0, 1100*sec, func(i int, e *Event) {
		switch e.Value = 0; {
		case i == 30 || i == 33:
			e.Value = 60
		case i%3 == 0:
			e.Value = 600
		}
	})}})
	if !ok || !(math.Abs(s.Pct-31.2) <= 1e-9) {
		t.Errorf("share %g %%, %t; want 31.2", s.Pct, ok)
	}
}

// The window's end is no part of it: what is asked for at that instant is not counted.
func TestCountsAreOfTheWindow(t *testing.T) {
	for name, k := range map[string]Kind{
		"looks": {Seen: every(20*sec, 0, 1101*sec)},
		"pages": {Way: Opened, Asked: every(20*sec, 0, 1101*sec), Seen: late(every(20*sec, 0, 1101*sec), 2*sec)},
	} {
		s, _ := Of(100*sec, 1100*sec, []Kind{k})
		if c := s.Counts[0]; c.Asked != 50 || c.Seen != 50 || s.Pct != 100 {
			t.Errorf("%s: %d asked, %d seen, %g %%; want 50, 50, 100: the one at 1100 s comes after the window", name, c.Asked, c.Seen, s.Pct)
		}
	}
}
