package endurance

import (
	"fmt"
	"math"
	"slices"
)

// mostGap is how long, s, a window may be without a sample: half of the time a point takes. Where samples are far apart
// anyway, a few that are lost hide no more than the edges' own intervals say; so it is then as long as four of
// their usual spacing, up to ten minutes and a seventh of the window.
func (w window) mostGap(samples []Sample) float64 {
	step := w.length() / float64(w.points())
	return max(step/2, min(4*usualSpacing(samples), w.length()/7, 600))
}

// usualSpacing is the middle of the times between samples, s; 0 with fewer than two.
func usualSpacing(samples []Sample) float64 {
	var spacing []float64
	for i := 1; i < len(samples); i++ {
		spacing = append(spacing, (samples[i].T - samples[i-1].T).Seconds())
	}
	if spacing == nil {
		return 0
	}
	slices.Sort(spacing)
	return spacing[len(spacing)/2]
}

// longGap says of a stretch without samples that stands out from their usual spacing how much it may matter, or is
// empty. A clock that was set forward looks just the same: only what was drawn meanwhile tells.
func longGap(in Input, w window) string {
	if in.Asleep || len(w.samples) < 5 {
		return ""
	}
	gap, where := 0.0, 0
	for i := 1; i < len(w.samples); i++ {
		if d := (w.samples[i].T - w.samples[i-1].T).Seconds(); d > gap {
			gap, where = d, i
		}
	}
	usual := usualSpacing(w.samples)
	extra := gap - usual
	if gap < 4*usual || extra < 0.02*w.length() {
		return ""
	}
	a, b := w.samples[where-1], w.samples[where]
	from := (a.T - in.ActivityT).Minutes()
	if q := pick(w.samples, func(s Sample) *float64 { return s.Counter }); a.Counter != nil && b.Counter != nil && len(q.v) == len(w.samples) {
		fell, all := *a.Counter-*b.Counter, q.v[0]-q.v[len(q.v)-1]
		moves := 0
		for i := 1; i < len(q.v); i++ {
			if q.v[i] != q.v[i-1] {
				moves++
			}
		}
		if all > 0 && moves > 30 { // else it is the level in other words
			before := all - fell
			expected := before / (w.length() - gap) * gap
			if math.Abs(fell-expected) < 0.25*expected {
				return "" // as much was drawn as in so long a time elsewhere
			}
			if fell < 0.5*expected {
				return fmt.Sprintf("%.0f s without a sample, %.1f min after the activity began, in which the charge counter shows little drawn: a clock that was set forward by so much makes hours %.0f %% too long", gap, from, 100*extra/w.length())
			}
		}
	}
	return fmt.Sprintf("%.0f s without a sample, %.1f min after the activity began, where they are %.0f s apart: if a clock was set forward there, hours are %.0f %% too long", gap, from, usual, 100*extra/w.length())
}
