// Package activity works out how much of a measured window an activity really went on: its
// share of the window, where it was missing, and what was asked of it and seen.
//
// Plain values in, plain values out: no store, no clock, no logger. All times are counted
// from one instant, which one does not matter.
package activity

import (
	"cmp"
	"slices"
	"time"
)

// A Way is how a kind of evidence tells what went on.
type Way int

// The ways.
const (
	// Looked: each look says whether it went on, and speaks for the time since the look
	// before. A look that found nothing is an Event with the Value 0.
	Looked Way = iota
	// Played: as Looked, the Value being a position in ms that moves on by 1 s a second while
	// it goes on. One that stands, or falls behind, is time without it.
	Played
	// Captured: as Looked, by attempts of which several follow one another and then none for
	// a while.
	Captured
	// Posted: each event says how much was done since the one before, and speaks for that time.
	Posted
	// Opened: pages that were asked for, and those that have come. A page stands until the
	// next is asked for.
	Opened
	// Within: each event speaks for the time since the one before, for at most the limit.
	Within
)

// An Event is one piece of evidence, or something that was asked for.
type Event struct {
	T     time.Duration
	Value float64 // 0: it was looked for and not there
	// Total is what was done since the activity began, where the evidence says so; 0: it does
	// not. Of Posted only: what could not be told at the time is told by the next total.
	Total float64
}

// A Kind is all evidence of one kind, in any order, also from outside the window.
type Kind struct {
	Name string
	Way  Way
	// Asked is what was asked for, of Opened only.
	Asked []Event
	Seen  []Event
	// Limit is the longest time that one event may speak for, of Within.
	Limit time.Duration
	// Length is how long what is played is, of Played; 0: not known.
	Length time.Duration
	// Slack is by how much the clocks of Asked and Seen may differ, of Opened.
	Slack time.Duration
}

// A Span is a stretch of time, its end left out.
type Span struct{ From, To time.Duration }

// Length is how long it is.
func (s Span) Length() time.Duration { return s.To - s.From }

// A Count is what was asked and seen of one kind in the window.
type Count struct {
	Kind  string
	Asked int
	Seen  int
	Pct   float64 // of the window in which this kind alone says that it went on, %
}

// A Share is what Of works out.
type Share struct {
	Pct     float64 // of the window in which all kinds say that the activity went on, %; 0 to 100
	Counts  []Count // in the order of the kinds
	Missing []Span  // of the window, in which one of them at least does not say so
}

// How far one event may speak, in typical spacings of its kind: one that comes a little
// late is no gap, one that is left out is. And by how much a position may be told late, as
// players that tell it every few seconds do. Both are common practice, no source.
const (
	reachSpacings = 2.0
	positionLate  = 5 * time.Second
)

// stalledBelow is the part of its usual rate below which a posted activity counts as
// standing still for the rest of the time: a handset that throttles itself to a third still
// does what it was asked. Common practice, no source.
const stalledBelow = 0.25

// least is the shortest time that an event speaks for, however close others lie; and the
// shortest for which a page that was opened just before the end is waited for.
const least = 10 * time.Second

// Of works out the share of the window from from to to. ok is false where there is no
// window or no kind of evidence: there is no share then.
func Of(from, to time.Duration, kinds []Kind) (s Share, ok bool) {
	if to <= from || len(kinds) == 0 {
		return Share{}, false
	}
	window := Span{from, to}
	var missing []Span
	for _, k := range kinds {
		gaps, asked, seen := k.missing(window)
		gaps = union(gaps, window)
		s.Counts = append(s.Counts, Count{Kind: k.Name, Asked: asked, Seen: seen, Pct: covered(gaps, window)})
		missing = append(missing, gaps...)
	}
	s.Missing = union(missing, window)
	s.Pct = covered(s.Missing, window)
	return s, true
}

// covered is how much of a window is not in the gaps, %.
func covered(gaps []Span, window Span) float64 {
	var sum time.Duration
	for _, g := range gaps {
		sum += g.Length()
	}
	return 100 * (1 - float64(sum)/float64(window.Length()))
}

// union joins spans that touch, within a window, in order.
func union(spans []Span, window Span) []Span {
	var list []Span
	for _, s := range spans {
		if s = (Span{max(s.From, window.From), min(s.To, window.To)}); s.Length() > 0 {
			list = append(list, s)
		}
	}
	slices.SortFunc(list, func(a, b Span) int { return cmp.Compare(a.From, b.From) })
	var out []Span
	for _, s := range list {
		if n := len(out); n > 0 && s.From <= out[n-1].To {
			out[n-1].To = max(out[n-1].To, s.To)
			continue
		}
		out = append(out, s)
	}
	return out
}

// missing is where the kind does not say that the activity went on, unordered and not cut
// to the window, and what of it was asked and seen within the window.
func (k Kind) missing(w Span) (gaps []Span, asked, seen int) {
	events := ordered(k.Seen)
	if k.Way == Opened {
		if open := ordered(k.Asked); len(open) > 0 {
			return pages(open, events, w, k.Slack)
		}
	}
	for _, e := range events {
		if e.T >= w.From && e.T < w.To {
			if asked++; e.Value > 0 {
				seen++
			}
		}
	}
	return k.spoken(events, w), asked, seen
}

// spoken is the time before, between and after events for which none of them speaks.
func (k Kind) spoken(events []Event, w Span) (gaps []Span) {
	quantile := 0.5
	if k.Way == Captured {
		quantile = 0.9 // the pause between two bursts is part of the activity
	}
	reach := time.Duration(reachSpacings * float64(spacing(events, quantile)))
	if k.Way == Within {
		reach = k.Limit
	}
	reach = max(reach, least)
	rate := usualRate(events)
	position := positions{length: k.Length}
	var last Event // nothing is known of the time before the first
	first := true
	for _, e := range events {
		from := last.T
		if first {
			from = max(e.T-reach, w.From)
		}
		switch {
		case e.Value <= 0:
			gaps = append(gaps, Span{from, e.T})
		default:
			span := Span{from, e.T}
			if span.Length() > reach {
				spoken := k.saysOfGap(last, e, rate, reach)
				gaps = append(gaps, Span{span.From, span.To - spoken})
			} else if k.Way == Posted && !first {
				if late := stalled(last, e, rate); late > 0 {
					gaps = append(gaps, Span{span.To - late, span.To})
				}
			}
			if k.Way == Played {
				if late := position.behind(e); late > 0 && span.Length() <= reach {
					gaps = append(gaps, Span{e.T - min(late, span.Length()), e.T})
				}
			}
		}
		if first && e.T-reach > w.From {
			gaps = append(gaps, Span{w.From, e.T - reach})
		}
		last, first = e, false
	}
	switch {
	case first:
		gaps = append(gaps, w)
	case last.Value <= 0:
		gaps = append(gaps, Span{last.T, w.To}) // it was not there when it was last looked for
	case w.To-last.T > reach:
		gaps = append(gaps, Span{last.T + reach, w.To})
	}
	return gaps
}

// saysOfGap is how much of the time since the event before an event speaks for, when that
// is longer than its reach: more than that only where a total or a position shows what was
// done meanwhile.
func (k Kind) saysOfGap(before, e Event, rate float64, reach time.Duration) time.Duration {
	usual := reach
	if k.Way != Within {
		usual = time.Duration(float64(reach) / reachSpacings)
	}
	gap := e.T - before.T
	if k.Way == Posted && rate > 0 && before.Total > 0 && e.Total > before.Total {
		usual = max(usual, time.Duration((e.Total-before.Total)/rate*float64(time.Second)))
	}
	if k.Way == Played && before.Value > 0 {
		usual = max(usual, k.played(before, e))
	}
	return min(gap, usual)
}

// stalled is for how long of the time since the event before a posted activity stood still.
func stalled(before, e Event, rate float64) time.Duration {
	gap := e.T - before.T
	if rate <= 0 || gap <= 0 {
		return 0
	}
	if part := e.Value / gap.Seconds() / rate; part < stalledBelow {
		return time.Duration((1 - part) * float64(gap))
	}
	return 0
}

// usualRate is the median of what events report a second; 0 with too few of them.
func usualRate(events []Event) float64 {
	var rates []float64
	for i := 1; i < len(events); i++ {
		if gap := events[i].T - events[i-1].T; gap > 0 && events[i].Value > 0 {
			rates = append(rates, events[i].Value/gap.Seconds())
		}
	}
	if len(rates) < 3 {
		return 0
	}
	slices.Sort(rates)
	return rates[len(rates)/2]
}

// positions follow a position that should move on as fast as time does.
type positions struct {
	length time.Duration // of the film; 0: not known
	begun  bool
	origin Event // where this stretch of playing began
	last   Event
	owed   time.Duration // by how much it has fallen behind for good
}

// played is for how long a film was played between two positions. One that is lower than the
// one before is another stretch: the film began anew. It has played since then and, where
// its length is known, what it had left before; unless it had more left than there was time:
// then it did not end by itself, and nothing shows how long it still played.
func (k Kind) played(before, e Event) time.Duration {
	ms := func(v float64) time.Duration { return time.Duration(v * float64(time.Millisecond)) }
	if e.Value >= before.Value {
		return ms(e.Value - before.Value)
	}
	since := ms(e.Value)
	if left := max(k.Length-ms(before.Value), 0); left <= e.T-before.T-since+positionLate {
		return since + left
	}
	return since
}

// behind is by how much more the position has fallen behind with this event.
func (p *positions) behind(e Event) time.Duration {
	before := p.last
	p.last = e
	if !p.begun || e.Value < before.Value {
		again := p.begun && p.length > 0
		p.begun, p.origin, p.owed = true, e, 0
		if !again {
			return 0
		}
		return max(e.T-before.T-Kind{Length: p.length}.played(before, e)-positionLate, 0)
	}
	moved := time.Duration((e.Value - p.origin.Value) * float64(time.Millisecond))
	late := e.T - p.origin.T - moved - positionLate
	if late <= p.owed {
		return 0
	}
	more := late - p.owed
	p.owed = late
	return more
}

// pages finds the stretches of pages that did not come. A page counts as come when it was
// seen before the next one was asked for; one that was asked for so shortly before the end
// of the window that it could not have come yet counts neither way.
func pages(open, seen []Event, w Span, slack time.Duration) (gaps []Span, asked, came int) {
	loaded := make([]time.Duration, len(open)) // how long each took; 0: it did not come
	for _, e := range seen {
		if e.Value <= 0 {
			continue
		}
		after, _ := slices.BinarySearchFunc(open, e.T+1, func(o Event, t time.Duration) int { return cmp.Compare(o.T, t) })
		switch before := after - 1; {
		case before >= 0 && loaded[before] == 0:
			loaded[before] = max(e.T-open[before].T, time.Millisecond)
		case after < len(open) && loaded[after] == 0 && open[after].T-e.T <= slack:
			loaded[after] = time.Millisecond // seen before it was asked for, by clocks that differ
		}
	}
	slowest, reach := least, time.Duration(reachSpacings*float64(spacing(open, 0.9)))
	for _, took := range loaded {
		slowest = max(slowest, 2*took)
	}
	for i, o := range open {
		until := w.To
		if i+1 < len(open) {
			until = open[i+1].T
		}
		inside := o.T >= w.From && o.T < w.To
		switch {
		case loaded[i] > 0:
			if inside {
				asked, came = asked+1, came+1
			}
			if reach > 0 && until-o.T > reach {
				gaps = append(gaps, Span{o.T + reach, until}) // nothing more was asked for
			}
		case until >= w.To && w.To-o.T < slowest:
			// It had no time to come.
		default:
			if inside {
				asked++
			}
			gaps = append(gaps, Span{o.T, until})
		}
	}
	if open[0].T > w.From {
		gaps = append(gaps, Span{w.From, open[0].T})
	}
	return gaps, asked, came
}

// spacing is a quantile of the times between events; 0 with fewer than three events.
func spacing(events []Event, quantile float64) time.Duration {
	if len(events) < 3 {
		return 0
	}
	gaps := make([]time.Duration, 0, len(events)-1)
	for i := 1; i < len(events); i++ {
		gaps = append(gaps, events[i].T-events[i-1].T)
	}
	slices.Sort(gaps)
	return gaps[int(quantile*float64(len(gaps)-1)+0.5)]
}

func ordered(events []Event) []Event {
	list := slices.Clone(events)
	slices.SortStableFunc(list, func(a, b Event) int { return cmp.Compare(a.T, b.T) })
	return list
}
