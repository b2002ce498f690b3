package results

import "fmt"

// Window is the stretch that is measured: from the start edge, the first level edge that
// lies wholly behind the warm-up, to the edge TargetPoints lower, or the last one if it did not get
// that far; without a drain target, to the last edge. Both are the ends of their edges' intervals, in ms of the handset's uptime.
// ok is false with fewer than two such edges.
func (g Segment) Window() (startUpMS, stopUpMS int64, ok bool) {
	start, stop, ok := g.window()
	if !ok {
		return 0, 0, false
	}
	return g.Edges[start].HiUpMS, g.Edges[stop].HiUpMS, true
}

// Points is how many percentage points lie within the Window; 0 without one.
func (g Segment) Points() int {
	start, stop, ok := g.window()
	if !ok {
		return 0
	}
	return g.Edges[start].LevelPct - g.Edges[stop].LevelPct
}

func (g Segment) window() (start, stop int, ok bool) {
	warm := (g.ActivityUpS + g.WarmUpS) * 1000
	for start < len(g.Edges) && float64(g.Edges[start].LoUpMS) < warm {
		start++
	}
	if start >= len(g.Edges)-1 {
		return 0, 0, false
	}
	if g.TargetPoints == 0 { // all that was drained
		return start, len(g.Edges) - 1, true
	}
	stop = start
	for stop < len(g.Edges)-1 && g.Edges[start].LevelPct-g.Edges[stop].LevelPct < g.TargetPoints {
		stop++
	}
	return start, stop, true
}

// Progress says how far the segment came towards what ends it, as in "5 of 7 points".
func (g Segment) Progress() string {
	switch g.Until {
	case "level", "full":
		return fmt.Sprintf("at %d %%, to %d %%", g.Reached, g.Wanted)
	case "cycles":
		return fmt.Sprintf("%d of %d cycles", g.Reached, g.Wanted)
	case "settled":
		return fmt.Sprintf("%d lots of work", g.Reached)
	case "time":
		return fmt.Sprintf("%d of %d min", g.Reached, g.Wanted)
	}
	return fmt.Sprintf("%d of %d points", g.Points(), g.TargetPoints)
}
