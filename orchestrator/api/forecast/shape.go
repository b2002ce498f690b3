package forecast

import (
	"slices"
	"strings"
	"time"

	"rundown/results"
	"rundown/results/endurance"
)

// A Level is the level that a handset reported from an instant on.
type Level struct {
	At  time.Time
	Pct float64
}

// A Shape is a segment as it is drawn.
type Shape struct {
	results.Segment         // without evidence
	Levels          []Level // each change of the level, and the last sample
	StartEdge       time.Time
	StopEdge        time.Time // the last edge so far while it is under way
	Ended           time.Time // the last sample
	Points          int       // from start edge to stop edge
}

// Shapes are the segments of a run in their order.
func (o *Forecasts) Shapes(runID string) ([]Shape, error) {
	o.shapesMu.Lock()
	have, ok := o.ended[runID]
	o.shapesMu.Unlock()
	if ok {
		return slices.Clone(have), nil
	}
	look := o.d.Store().Look()
	defer look.End()
	// Whether it has ended is asked first: what is added to a run that had drops it again.
	run, runErr := o.d.Store().Run(runID)
	segments, err := o.d.Store().Segments(runID)
	var list []Shape
	for _, g := range segments {
		o.shapesMu.Lock()
		have, ok := o.shapes[g.ID]
		o.shapesMu.Unlock()
		if !ok {
			have = o.shape(g)
			if g.Outcome != results.Underway {
				o.shapesMu.Lock()
				if len(o.shapes) >= shapesKept {
					clear(o.shapes)
				}
				if look.Holds(g.ID) {
					o.shapes[g.ID] = have
				}
				o.shapesMu.Unlock()
			}
		}
		list = append(list, have)
	}
	if runErr == nil && err == nil && !run.EndedAt.IsZero() {
		o.shapesMu.Lock()
		if len(o.ended) >= shapesKept/4 {
			clear(o.ended)
		}
		if look.Holds(runID) {
			o.ended[runID] = slices.Clone(list)
		}
		o.shapesMu.Unlock()
	}
	return list, err
}

// written drops the shapes that a write makes old, such as that of a segment that is
// collected the morning after.
func (o *Forecasts) written(w results.Write) {
	if w.Kind == results.WroteDocument {
		return
	}
	o.shapesMu.Lock()
	defer o.shapesMu.Unlock()
	delete(o.shapes, w.ID)
	delete(o.ended, w.ID)
	for run := range o.ended {
		if strings.HasPrefix(w.ID, run+"-") {
			delete(o.ended, run)
		}
	}
}

func (o *Forecasts) shape(g results.Segment) Shape {
	s := Shape{Segment: g, Ended: g.EndedAt}
	s.Evidence = nil
	samples, _ := o.d.Store().Samples(g.ID) // what can be read is drawn
	if len(samples) == 0 {
		return s
	}
	for i, p := range samples {
		if i == 0 || p.LevelPct != samples[i-1].LevelPct || i == len(samples)-1 {
			s.Levels = append(s.Levels, Level{p.HostAt, float64(p.LevelPct)})
		}
	}
	last := samples[len(samples)-1]
	s.Ended = last.HostAt
	if g.Outcome == results.Underway {
		s.Edges = Edges(samples)
	}
	zero := last.HostAt.Add(-time.Duration(last.UptimeMS) * time.Millisecond)
	if start, stop, ok := s.Window(); ok {
		s.StartEdge, s.StopEdge = zero.Add(time.Duration(start)*time.Millisecond), zero.Add(time.Duration(stop)*time.Millisecond)
		s.Points = s.Segment.Points()
	}
	if g.Until != "" { // no drain target: measured from beginning to end
		s.StartEdge, s.StopEdge = samples[0].HostAt, last.HostAt
	}
	return s
}

// Edges are the level edges of samples.
func Edges(samples []results.Sample) []results.Edge {
	in := make([]endurance.Sample, len(samples))
	for i, p := range samples {
		in[i] = endurance.Sample{T: time.Duration(p.UptimeMS) * time.Millisecond, LevelPct: p.LevelPct, Plugged: p.Plugged != 0}
	}
	var list []results.Edge
	for _, e := range endurance.Edges(in) {
		list = append(list, results.Edge{LevelPct: e.LevelPct, LoUpMS: e.Lo.Milliseconds(), HiUpMS: e.Hi.Milliseconds()})
	}
	return list
}

// Thin leaves out samples for a picture: two that stay are at least every apart, and
// about most stay (0: no bound). The first and the last stay, and both sides of each
// change of the level, so that the staircase is drawn as it was.
func Thin(samples []results.Sample, every time.Duration, most int) []results.Sample {
	n := len(samples)
	if n == 0 {
		return nil
	}
	if span := time.Duration(samples[n-1].UptimeMS-samples[0].UptimeMS) * time.Millisecond; most > 0 && n > most {
		every = max(every, span/time.Duration(most))
	}
	kept := samples[:0:0]
	last := int64(0)
	for i, p := range samples {
		edge := i > 0 && p.LevelPct != samples[i-1].LevelPct || i+1 < n && p.LevelPct != samples[i+1].LevelPct
		if i == 0 || i == n-1 || edge || p.UptimeMS-last >= every.Milliseconds() {
			kept = append(kept, p)
			last = p.UptimeMS
		}
	}
	return kept
}

// Track is what is known of a handset's level between two instants: the levels of its
// segments, and between them the readings that were taken.
func (o *Forecasts) Track(handset string, shapes []Shape, from, to time.Time) []Level {
	var list []Level
	inside := func(at time.Time) bool {
		for _, s := range shapes {
			if !at.Before(s.StartedAt) && !at.After(s.Ended) {
				return true
			}
		}
		return false
	}
	for _, s := range shapes {
		list = append(list, s.Levels...)
	}
	for _, r := range o.Readings(handset, from) {
		if !inside(r.At) {
			list = append(list, Level{r.At, float64(r.Pct)})
		}
	}
	list = slices.DeleteFunc(list, func(l Level) bool { return l.At.Before(from) || l.At.After(to) })
	slices.SortStableFunc(list, func(a, b Level) int { return a.At.Compare(b.At) })
	return list
}
