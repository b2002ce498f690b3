package endurance

import (
	"fmt"
	"time"
)

// A Sample is one reading of the battery at one instant. A value that the handset did not
// give is nil.
type Sample struct {
	T         time.Duration // handset's uptime
	LevelPct  int           // shown level, 0 to 100
	Counter   *float64      // charge counter, in the handset's own unit
	Current   *float64      // current, in the handset's own unit and sign
	VoltageMV *float64
	Plugged   bool // any power source shown
}

// An Edge is one fall of the shown level by a point: after Lo, the last sample above, and
// not after Hi, the first at or below.
type Edge struct {
	LevelPct int // the level reached
	Lo, Hi   time.Duration
}

// Mid is the middle of the interval in which the edge happened.
func (e Edge) Mid() time.Duration { return e.Lo + (e.Hi-e.Lo)/2 }

// Edges are the falls of the running minimum of the level, so that a point back up is no
// edge. A fall of several points between two samples is as many edges with one interval.
// The samples must be in order of time.
func Edges(samples []Sample) []Edge {
	if len(samples) == 0 {
		return nil
	}
	var edges []Edge
	low, above := samples[0].LevelPct, samples[0].T
	for _, s := range samples[1:] {
		for low > s.LevelPct {
			low--
			edges = append(edges, Edge{LevelPct: low, Lo: above, Hi: s.T})
		}
		above = s.T
	}
	return edges
}

// check looks for what makes samples unusable, whatever they say.
func check(samples []Sample) error {
	for i, s := range samples {
		if s.LevelPct < 0 || s.LevelPct > 100 {
			return fmt.Errorf("%w: sample %d shows a level of %d %%, want 0 to 100", ErrInput, i+1, s.LevelPct)
		}
		if i > 0 && s.T <= samples[i-1].T {
			return fmt.Errorf("%w: sample %d at %v is not after the one before, at %v", ErrInput, i+1, s.T, samples[i-1].T)
		}
	}
	return nil
}

// window is the part of a segment that is measured: from one edge to another.
type window struct {
	edges   []Edge
	t0, t1  float64 // s of uptime: the middles of the first and the last edge
	samples []Sample
	first   int // index of the first sample not before t0, in all samples

	refreshS float64 // of the gauge's level, s; known once its kind is
}

func (w window) points() int { return len(w.edges) - 1 }

// length is the window's length, s.
func (w window) length() float64 { return w.t1 - w.t0 }

// cut finds the window: from the first edge that lies wholly after the warm-up to the edge
// in.TargetPoints lower, or to the last one there is.
func cut(in Input) (window, error) {
	var w window
	warm := in.ActivityT + time.Duration(in.WarmUpS*float64(time.Second))
	all := Edges(in.Samples)
	i := 0
	for i < len(all) && all[i].Lo < warm {
		i++
	}
	// The wait for the first edge is part of the warm-up; so is the wait for one that no gap
	// hides, as long as the target can still be reached.
	if n := len(all) - 1 - i; in.TargetPoints > 0 && n >= MinPoints {
		step := (all[len(all)-1].Mid() - all[i].Mid()) / time.Duration(n)
		for i+1+in.TargetPoints < len(all) && all[i].Hi-all[i].Lo > step/2 {
			i++
		}
	}
	// Of edges that came at once the first ones may have been held back for long.
	for i+1 < len(all) && all[i+1].Hi == all[i].Hi && len(all)-2-i >= max(MinPoints, in.TargetPoints) {
		i++
	}
	w.edges = all[i:]
	if n := in.TargetPoints + 1; in.TargetPoints > 0 && len(w.edges) > n {
		for n < len(w.edges) && w.edges[n].Hi == w.edges[n-1].Hi {
			n++ // as well
		}
		w.edges = w.edges[:n]
	}

	// Power first: a handset on power has few edges, and the reason matters more than their
	// number.
	end := in.Samples[len(in.Samples)-1].T
	if len(w.edges) > 0 && in.TargetPoints > 0 && w.points() >= in.TargetPoints {
		end = w.edges[len(w.edges)-1].Hi
	}
	for _, s := range in.Samples {
		if s.Plugged && s.T >= in.ActivityT && s.T <= end {
			return w, fmt.Errorf("%w: a power source was shown %.1f min after the activity began", ErrPlugged, (s.T - in.ActivityT).Minutes())
		}
	}
	if at, up, ok := rose(in.Samples, warm, end); ok {
		return w, fmt.Errorf("%w: %d points above its lowest, from %.1f min after the activity began", ErrLevelRose, up, (at - in.ActivityT).Minutes())
	}
	if w.points() < MinPoints {
		return w, fmt.Errorf("%w: %d whole points between edges after a warm-up of %.0f s, want %d or more", ErrTooFewPoints, max(0, w.points()), in.WarmUpS, MinPoints)
	}
	w.t0, w.t1 = w.edges[0].Mid().Seconds(), w.edges[len(w.edges)-1].Mid().Seconds()
	if w.length() <= 0 {
		return w, fmt.Errorf("%w: all edges fall between the same two samples", ErrTooFewPoints)
	}
	step := w.length() / float64(w.points())
	lo, hi := w.edges[0].Lo, w.edges[len(w.edges)-1].Hi
	most := w.mostGap(in.Samples)
	for i, s := range in.Samples {
		if s.T < lo || s.T > hi {
			continue
		}
		if len(w.samples) == 0 {
			w.first = i
		}
		w.samples = append(w.samples, s)
		if s.T == lo {
			continue
		}
		if gap := (s.T - in.Samples[i-1].T).Seconds(); gap > most && !in.Asleep {
			return w, fmt.Errorf("%w: %.0f s without a sample, %.1f min after the activity began, where a point takes %.0f s", ErrGap, gap, (in.Samples[i-1].T - in.ActivityT).Minutes(), step)
		}
	}
	return w, nil
}

// rose says whether the level went up and stayed up: two points or more above its lowest
// in two samples running, or one point for more than the time of a step, or until the end.
func rose(samples []Sample, from, to time.Duration) (at time.Duration, up int, found bool) {
	if len(samples) == 0 {
		return 0, 0, false
	}
	low, lowAt := samples[0].LevelPct, samples[0].T
	var since time.Duration
	high, run := 0, 0
	var step time.Duration // the longest step seen so far
	for _, s := range samples {
		if s.T > to {
			break
		}
		if s.LevelPct <= low {
			if s.LevelPct < low {
				step = max(step, s.T-lowAt)
				low, lowAt = s.LevelPct, s.T
			}
			run, high = 0, 0
			continue
		}
		if s.T < from {
			continue
		}
		if run == 0 {
			since = s.T
		}
		run++
		high = max(high, s.LevelPct-low)
		if run >= 2 && s.LevelPct-low >= 2 || run >= 3 && step > 0 && s.T-since > step {
			return since, high, true
		}
	}
	return since, high, run >= 3
}
