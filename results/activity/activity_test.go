package activity

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

const sec = time.Second

// every makes events at a spacing, from from until before to.
func every(spacing, from, to time.Duration, change ...func(i int, e *Event)) (list []Event) {
	for i, t := 0, from; t < to; i, t = i+1, t+spacing {
		e := Event{T: t, Value: 1}
		for _, f := range change {
			f(i, &e)
		}
		list = append(list, e)
	}
	return list
}

// without leaves events out of a stretch.
func without(list []Event, from, to time.Duration) (out []Event) {
	for _, e := range list {
		if e.T < from || e.T >= to {
			out = append(out, e)
		}
	}
	return out
}

// late moves events on.
func late(list []Event, by time.Duration) (out []Event) {
	for _, e := range list {
		e.T += by
		out = append(out, e)
	}
	return out
}

func TestShare(t *testing.T) {
	plays := func(_ int, e *Event) { e.Value = float64(e.T.Milliseconds()) }
	frames := func(i int, e *Event) { e.Value, e.Total = 900, 900*float64(i+1) }
	tests := []struct {
		name     string
		from, to time.Duration // of the window; 100 to 1100 s unless given
		kinds    []Kind
		pct      float64
		within   float64 // of pct; 0.1 unless given
		asked    int     // of the first kind
		seen     int
	}{
		{name: "looks that all find it", kinds: []Kind{{Seen: every(30*sec, 0, 1100*sec)}}, pct: 100, asked: 33, seen: 33},
		{name: "one look in ten finds nothing", kinds: []Kind{{Seen: every(20*sec, 0, 1100*sec, func(i int, e *Event) {
			if i%10 == 6 {
				e.Value = 0
			}
		})}}, pct: 90, asked: 50, seen: 45},
		{name: "looks are missing for five minutes", kinds: []Kind{{Seen: without(every(20*sec, 0, 1100*sec), 401*sec, 701*sec)}}, pct: 70, asked: 35, seen: 35},
		{name: "a look that comes late is no gap", kinds: []Kind{{Seen: every(30*sec, 0, 1100*sec, func(i int, e *Event) {
			if i%5 == 0 {
				e.T += 20 * sec
			}
		})}}, pct: 100, asked: 33, seen: 33},
		{name: "nothing at all", kinds: []Kind{{}}, pct: 0},
		{name: "only before the window", kinds: []Kind{{Seen: every(20*sec, 0, 101*sec)}}, pct: 4, asked: 1, seen: 1}, // one spacing and a late one
		{name: "it ends at half of the window", kinds: []Kind{{Seen: every(20*sec, 0, 601*sec)}}, pct: 54, asked: 26, seen: 26},
		{name: "it goes on after the window", kinds: []Kind{{Seen: every(20*sec, 0, 5000*sec)}}, pct: 100, asked: 50, seen: 50},
		{name: "it begins at half of the window", kinds: []Kind{{Seen: every(20*sec, 600*sec, 1100*sec)}}, pct: 54, asked: 25, seen: 25},
		{name: "two kinds that are missing at different times", kinds: []Kind{
			{Name: "page", Seen: without(every(10*sec, 0, 1100*sec), 301*sec, 401*sec)}, {Name: "foreground", Seen: without(every(10*sec, 0, 1100*sec), 701*sec, 801*sec)},
		}, pct: 80, asked: 90, seen: 90},
		{name: "two kinds that are missing at the same time", kinds: []Kind{
			{Seen: without(every(10*sec, 0, 1100*sec), 301*sec, 401*sec)}, {Seen: without(every(10*sec, 0, 1100*sec), 301*sec, 401*sec)},
		}, pct: 90, asked: 90, seen: 90},

		{name: "a film that plays", kinds: []Kind{{Way: Played, Seen: every(30*sec, 10*sec, 1100*sec, plays)}}, pct: 100, asked: 34, seen: 34},
		{name: "a film that stands for 100 s and goes on", kinds: []Kind{{Way: Played, Seen: every(30*sec, 10*sec, 1100*sec, func(i int, e *Event) {
			e.Value = float64((min(e.T, 400*sec) + max(0, e.T-500*sec)).Milliseconds())
		})}}, pct: 90.5, asked: 34, seen: 34},
		{name: "a film of which every second is a stall", kinds: []Kind{{Way: Played, Seen: every(30*sec, 10*sec, 1100*sec, func(_ int, e *Event) { e.Value = float64(e.T.Milliseconds() / 2) })}}, pct: 50, within: 1, asked: 34, seen: 34},
		{name: "a film that begins anew every ten minutes", kinds: []Kind{{Way: Played, Seen: every(30*sec, 10*sec, 1100*sec, func(_ int, e *Event) { e.Value = float64((e.T % (600 * sec)).Milliseconds()) })}}, pct: 100, asked: 34, seen: 34},
		{name: "a film of ten minutes that is begun anew 40 s after each end", kinds: []Kind{{Way: Played, Length: 600 * sec, Seen: without(every(30*sec, 10*sec, 1100*sec, func(_ int, e *Event) {
			e.Value = float64((e.T % (640 * sec)).Milliseconds())
		}), 600*sec, 641*sec)}}, pct: 100 - 4, within: 0.2, asked: 32, seen: 32},
		{name: "a film of ten minutes that is begun anew 2 s after each end, and looked at half a minute later", kinds: []Kind{{Way: Played, Length: 600 * sec, Seen: without(every(30*sec, 10*sec, 1100*sec, func(_ int, e *Event) {
			e.Value = float64((e.T % (602 * sec)).Milliseconds())
		}), 600*sec, 620*sec)}}, pct: 99.8, within: 0.21, asked: 33, seen: 33},
		{name: "a film that died and was begun anew", kinds: []Kind{{Way: Played, Length: 600 * sec, Seen: every(30*sec, 10*sec, 1100*sec, func(_ int, e *Event) {
			if e.Value = float64(e.T.Milliseconds()); e.T > 400*sec {
				e.Value = float64((e.T - 415*sec).Milliseconds())
			}
		})}}, pct: 99, asked: 34, seen: 34},
		{name: "a position told every ten seconds", kinds: []Kind{{Way: Played, Seen: every(33*sec, 0, 1100*sec, func(_ int, e *Event) { e.Value = float64((e.T - e.T%(10*sec)).Milliseconds()) })}}, pct: 100, within: 0.5, asked: 30, seen: 30},

		{name: "frames all along", kinds: []Kind{{Way: Posted, Seen: every(15*sec, 5*sec, 1100*sec, frames)}}, pct: 100, asked: 66, seen: 66},
		{name: "posts are lost for 90 s, and the next one's total says that frames went on", kinds: []Kind{{Way: Posted, Seen: without(every(15*sec, 5*sec, 1100*sec, frames), 306*sec, 396*sec)}}, pct: 100, asked: 60, seen: 60},
		{name: "posts are lost for 90 s, and nothing says what was done", kinds: []Kind{{Way: Posted, Seen: without(every(15*sec, 5*sec, 1100*sec, func(_ int, e *Event) { e.Value = 900 }), 306*sec, 396*sec)}}, pct: 91, asked: 60, seen: 60},
		{name: "frames stand still for two posts", kinds: []Kind{{Way: Posted, Seen: every(10*sec, 0, 1100*sec, func(i int, e *Event) {
			e.Value = 600
			if i == 40 || i == 41 {
				e.Value = 60
			}
		})}}, pct: 98.2, asked: 100, seen: 100},
		{name: "a handset that throttles itself to a third goes on", kinds: []Kind{{Way: Posted, Seen: every(10*sec, 0, 1100*sec, func(i int, e *Event) {
			if e.Value = 600; i > 60 {
				e.Value = 200
			}
		})}}, pct: 100, asked: 100, seen: 100},

		{name: "every page comes", kinds: []Kind{{Way: Opened, Asked: every(20*sec, 0, 1100*sec), Seen: late(every(20*sec, 0, 1100*sec), 2*sec)}}, pct: 100, asked: 50, seen: 50},
		{name: "one of five pages comes", from: 1, to: 100 * sec, kinds: []Kind{{Way: Opened, Asked: every(20*sec, 1, 100*sec), Seen: []Event{{T: 3 * sec, Value: 1}}}}, pct: 20, within: 0.5, asked: 5, seen: 1},
		{name: "two of seven are refused", from: 1, to: 140 * sec, kinds: []Kind{{Way: Opened, Asked: every(20*sec, 1, 140*sec), Seen: without(late(every(20*sec, 0, 140*sec), 2*sec), 41*sec, 81*sec)}}, pct: 100 * 5.0 / 7, asked: 7, seen: 5},
		{name: "a page with parts missing has not come", kinds: []Kind{{Way: Opened, Asked: every(20*sec, 0, 1100*sec), Seen: late(every(20*sec, 0, 1100*sec, func(i int, e *Event) {
			if i == 20 {
				e.Value = 0
			}
		}), 2*sec)}}, pct: 98, asked: 50, seen: 49},
		{name: "a page that was opened just before the end is not counted against it", to: 1085 * sec, kinds: []Kind{{Way: Opened, Asked: every(20*sec, 0, 1085*sec), Seen: late(every(20*sec, 0, 1080*sec), 2*sec)}}, pct: 100, asked: 49, seen: 49},
		{name: "one opened well before the end is", to: 1099 * sec, kinds: []Kind{{Way: Opened, Asked: every(20*sec, 0, 1085*sec), Seen: late(every(20*sec, 0, 1080*sec), 2*sec)}}, pct: 98.1, asked: 50, seen: 49},
		{name: "the loop hangs", kinds: []Kind{{Way: Opened, Asked: every(20*sec, 0, 600*sec), Seen: late(every(20*sec, 0, 600*sec), 2*sec)}}, pct: 52, asked: 25, seen: 25},
		{name: "clocks a second apart", kinds: []Kind{{Way: Opened, Slack: 2 * sec, Asked: every(20*sec, 0, 1100*sec), Seen: late(every(20*sec, 0, 1100*sec), -sec)}}, pct: 100, asked: 50, seen: 50},
		{name: "a page that takes all its time to come", kinds: []Kind{{Way: Opened, Slack: 2 * sec, Asked: every(20*sec, 0, 1100*sec), Seen: late(every(20*sec, 0, 1100*sec), 19*sec)}}, pct: 100, asked: 50, seen: 50},
		{name: "a page of the setup stands", kinds: []Kind{{Way: Opened, Asked: []Event{{T: 5 * sec}}, Seen: []Event{{T: 6 * sec, Value: 3}}}}, pct: 100},
		{name: "a page of the setup never came", kinds: []Kind{{Way: Opened, Asked: []Event{{T: 5 * sec}}}}, pct: 0},
		{name: "pages that nobody counted when they were opened", kinds: []Kind{{Way: Opened, Seen: every(20*sec, 0, 1100*sec)}}, pct: 100, asked: 50, seen: 50},

		{name: "bursts of photos with a film between", kinds: []Kind{{Way: Captured, Seen: func() (list []Event) {
			for t := time.Duration(0); t < 1100*sec; t += 60 * sec {
				list = append(list, every(6*sec, t, t+24*sec)...)
			}
			return list
		}()}}, pct: 100, asked: 68, seen: 68},
		{name: "every other photo is missed", kinds: []Kind{{Way: Captured, Seen: every(20*sec, 0, 1100*sec, func(i int, e *Event) { e.Value = float64(i % 2) })}}, pct: 48, asked: 50, seen: 25},
		{name: "files as often as their limit wants", kinds: []Kind{{Way: Within, Limit: 240 * sec, Seen: []Event{{T: 50 * sec, Value: 1}, {T: 60 * sec, Value: 2}, {T: 65 * sec, Value: 2}, {T: 300 * sec, Value: 3}, {T: 900 * sec, Value: 4}}}}, pct: 100 - 36, asked: 2, seen: 2},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if tt.to == 0 {
				tt.to = 1100 * sec
			}
			if tt.from == 0 {
				tt.from = 100 * sec
			}
			if tt.within == 0 {
				tt.within = 0.1
			}
			s, ok := Of(tt.from, tt.to, tt.kinds)
			if !ok || math.Abs(s.Pct-tt.pct) > tt.within {
				t.Errorf("share %.2f %%, %v; want %.2f within %g; missing %v", s.Pct, ok, tt.pct, tt.within, s.Missing)
			}
			if c := s.Counts[0]; c.Asked != tt.asked || c.Seen != tt.seen {
				t.Errorf("asked %d, seen %d; want %d, %d", c.Asked, c.Seen, tt.asked, tt.seen)
			}
		})
	}
}

func TestNoShareWithoutAWindowOrEvidence(t *testing.T) {
	if _, ok := Of(10*sec, 10*sec, []Kind{{}}); ok {
		t.Error("a share of no window")
	}
	if _, ok := Of(0, 10*sec, nil); ok {
		t.Error("a share of no evidence")
	}
}

func TestMissingSaysWhere(t *testing.T) {
	s, _ := Of(0, 100*sec, []Kind{{Seen: every(10*sec, 0, 100*sec, func(i int, e *Event) {
		if i == 3 || i == 4 || i == 8 {
			e.Value = 0
		}
	})}})
	if diff := cmp.Diff([]Span{{20 * sec, 40 * sec}, {70 * sec, 80 * sec}}, s.Missing); diff != "" {
		t.Errorf("missing (-want +got):\n%s", diff)
	}
}

// Whatever the evidence, a share lies between 0 and 100, is that of what is missing, is none
// the larger for evidence that was taken away, and does not hang on the order or the origin.
func TestShareHolds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		way := Way(rapid.IntRange(int(Looked), int(Within)).Draw(t, "way"))
		event := rapid.Custom(func(t *rapid.T) Event {
			return Event{T: time.Duration(rapid.IntRange(-50, 1200).Draw(t, "t")) * sec, Value: float64(rapid.IntRange(0, 3).Draw(t, "value")), Total: float64(rapid.IntRange(0, 900).Draw(t, "total"))}
		})
		k := Kind{Way: way, Limit: 60 * sec, Slack: 2 * sec, Seen: rapid.SliceOfN(event, 0, 60).Draw(t, "seen")}
		if way == Opened {
			k.Asked = rapid.SliceOfN(event, 0, 40).Draw(t, "asked")
		}
		s, ok := Of(0, 1000*sec, []Kind{k})
		if !ok || s.Pct < -1e-9 || s.Pct > 100+1e-9 {
			t.Fatalf("share %g, %v", s.Pct, ok)
		}
		var sum time.Duration
		for i, m := range s.Missing {
			if m.Length() <= 0 || m.From < 0 || m.To > 1000*sec || i > 0 && m.From <= s.Missing[i-1].To {
				t.Fatalf("missing %v", s.Missing)
			}
			sum += m.Length()
		}
		if math.Abs(s.Pct-100*(1-sum.Seconds()/1000)) > 1e-6 {
			t.Errorf("share %g with %v missing", s.Pct, sum)
		}
		if c := s.Counts[0]; c.Seen > c.Asked {
			t.Errorf("%d seen of %d asked", c.Seen, c.Asked)
		}
		moved := k
		moved.Seen, moved.Asked = late(k.Seen, 77*sec), late(k.Asked, 77*sec)
		rand.Shuffle(len(moved.Asked), func(i, j int) { moved.Asked[i], moved.Asked[j] = moved.Asked[j], moved.Asked[i] })
		if again, _ := Of(77*sec, 1077*sec, []Kind{moved}); way == Opened && math.Abs(again.Pct-s.Pct) > 1e-6 {
			t.Errorf("share %g, and %g at another time and in another order", s.Pct, again.Pct)
		}
		if way == Opened && len(k.Asked) > 0 && len(k.Seen) > 0 {
			fewer := k
			fewer.Seen = k.Seen[1:]
			if less, _ := Of(0, 1000*sec, []Kind{fewer}); less.Counts[0].Seen > s.Counts[0].Seen {
				t.Errorf("%d pages came, and with a load less %d", s.Counts[0].Seen, less.Counts[0].Seen)
			}
		}
	})
}
