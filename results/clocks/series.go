package clocks

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// plugged is what the plug-in moment says: seconds from each record's start.
type plugged struct {
	shift, within float64 // s, in the records' own time
	at            float64 // s after the meter record's start
}

// series is a record in seconds from its start, without what is no number.
type series struct {
	start time.Time
	t, v  []float64
	every float64 // s, the usual distance of two points
}

func tidy(points []Point) (series, error) {
	kept := make([]Point, 0, len(points))
	for _, p := range points {
		if !math.IsNaN(p.Value) && !math.IsInf(p.Value, 0) {
			kept = append(kept, p)
		}
	}
	slices.SortStableFunc(kept, func(a, b Point) int { return a.At.Compare(b.At) })
	kept = slices.CompactFunc(kept, func(a, b Point) bool { return a.At.Equal(b.At) })
	if len(kept) < fewest {
		return series{}, fmt.Errorf("%w: %d, want %d or more", ErrTooFew, len(kept), fewest)
	}
	s := series{start: kept[0].At}
	var steps []float64
	for i, p := range kept {
		s.t = append(s.t, p.At.Sub(s.start).Seconds())
		s.v = append(s.v, p.Value)
		if i > 0 {
			steps = append(steps, s.t[i]-s.t[i-1])
		}
	}
	slices.Sort(steps)
	s.every = steps[len(steps)/2]
	if s.end() > 30*24*3600 || s.every <= 0 {
		return series{}, fmt.Errorf("%w: %d points over %.0f days are no record of a charge", ErrTooFew, len(s.t), s.end()/86400)
	}
	return s, nil
}

func (s series) end() float64 { return s.t[len(s.t)-1] }

// fresh returns the record without the values that a gauge holds until its next one: of
// equal values in a row only the first was read, and the others say nothing of their
// instants. held is false, and the record as it is, where equal neighbours are chance.
func (s series) fresh() (out series, held bool) {
	equal, powered := 0, 0
	for i := 1; i < len(s.v); i++ {
		if s.v[i] > 0 {
			powered++
			if s.v[i] == s.v[i-1] {
				equal++
			}
		}
	}
	if equal < powered*3/10 {
		return s, false
	}
	out.start = s.start
	var steps []float64
	for i := range s.v {
		if i > 0 && s.v[i] == s.v[i-1] {
			continue
		}
		if n := len(out.t); n > 0 {
			steps = append(steps, s.t[i]-out.t[n-1])
		}
		out.t, out.v = append(out.t, s.t[i]), append(out.v, s.v[i])
	}
	if len(out.t) < fewest {
		return s, false
	}
	slices.Sort(steps)
	out.every = steps[len(steps)/2]
	return out, true
}

// filled returns the record with one or two missing points put in on the straight line
// between their neighbours. Were they left out, a shift that hides a step in such a hole
// would cost nothing, and the fit would look for holes.
func (s series) filled() series {
	out := series{start: s.start, every: s.every}
	for i := range s.t {
		if i > 0 {
			gap := s.t[i] - s.t[i-1]
			if missing := math.Round(gap/s.every) - 1; gap > 1.5*s.every && missing <= 2 {
				for k := 1.0; k <= missing; k++ {
					share := k / (missing + 1)
					out.t = append(out.t, s.t[i-1]+share*gap)
					out.v = append(out.v, s.v[i-1]+share*(s.v[i]-s.v[i-1]))
				}
			}
		}
		out.t, out.v = append(out.t, s.t[i]), append(out.v, s.v[i])
	}
	return out
}

// gap is the distance of two points across which nothing is interpolated.
func (s series) gap() float64 { return 2.5 * s.every }

// plugIn finds when power came: the first step from below a tenth of the usual high power
// to above it that lasts. Nil where the record begins with power, or has none.
func (s series) plugIn() *Moment {
	sorted := slices.Clone(s.v)
	slices.Sort(sorted)
	high := sorted[len(sorted)*9/10]
	threshold := high / 10
	if high <= 0 || s.v[0] > threshold {
		return nil
	}
	const lasts = 3
	for i := 1; i+lasts <= len(s.v); i++ {
		if s.v[i-1] <= threshold && slices.Min(s.v[i:i+lasts]) > threshold {
			if s.t[i]-s.t[i-1] > s.gap() {
				return nil // it came while nothing was recorded
			}
			at := func(t float64) time.Time { return s.start.Add(seconds(t)) }
			return &Moment{After: at(s.t[i-1]), By: at(s.t[i])}
		}
	}
	return nil
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }
