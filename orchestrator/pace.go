package orchestrator

import (
	"sync"
	"time"

	"rundown/results"
	"rundown/scenarios"
)

// startRates are what is assumed of a scenario's drain, %/h, until a handset has carried
// it out once. Rough and on the slow side: common practice, no source.
var startRates = map[string]float64{"idle": 0.7, "browse": 8, "video": 6, "call": 12, "camera": 12, "game": 14, "sustain": 25}

const otherRate = 8.0 // %/h, for a scenario that is not listed

// overhead is what a segment takes besides warm-up and drain: preparing, the wait for the
// first edge apart, collecting.
const overhead = 3 * time.Minute

// A pace tells how long segments take, from what the handset did before.
type pace struct {
	mu    sync.Mutex
	rates map[[2]string]float64 // handset, scenario: %/h of the latest segment that drained
}

func newPace(segments []results.Segment) *pace {
	p := &pace{rates: map[[2]string]float64{}}
	for _, g := range segments {
		p.learn(g)
	}
	return p
}

// learn takes in a segment that has ended.
func (p *pace) learn(g results.Segment) {
	points := g.Points()
	if g.Outcome != results.Measured && g.Outcome != results.Flagged || points < fewestPoints {
		return
	}
	if rate := rateOf(g.Edges, points); rate > 0 {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.rates[[2]string{g.Handset, g.Scenario}] = rate
	}
}

// rate is the drain to expect, %/h.
func (p *pace) rate(handset, scenario string) float64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	if r, ok := p.rates[[2]string{handset, scenario}]; ok {
		return r
	}
	if r, ok := startRates[scenario]; ok {
		return r
	}
	return otherRate
}

// segment is how long a segment would take from now, the wait for its start edge
// included: one point more than the target.
func (p *pace) segment(handset string, s scenarios.Scenario, plan scenarios.Plan, points int) time.Duration {
	warmUp := plan.WarmUp
	if s.WarmUp > 0 {
		warmUp = s.WarmUp
	}
	hours := float64(points+1) / p.rate(handset, s.Name)
	drain := min(time.Duration(hours*float64(time.Hour)), plan.SegmentLimit)
	return overhead + warmUp + drain
}

// expectedEnd is when the segment under way should end, given how many points it has
// drained and at which edges.
func (p *pace) expectedEnd(now time.Time, r *run, points int, list []results.Edge) time.Time {
	rate := rateOf(list, points)
	if rate <= 0 {
		rate = p.rate(r.h.Name, r.live.rec.Scenario)
	}
	left := float64(r.live.rec.TargetPoints-points) / rate
	end := now.Add(time.Duration(left * float64(time.Hour)))
	if !r.live.startEdge {
		warm := r.live.rec.StartedAt.Add(time.Duration(r.live.rec.WarmUpS * float64(time.Second)))
		if warm.After(now) {
			end = end.Add(warm.Sub(now))
		}
	}
	return end
}

// limits are the plan file's named limits and the bound on runs at once.
type limits struct {
	mu    sync.Mutex
	most  map[string]int
	taken map[string]int
}

func newLimits(l scenarios.Limits) *limits {
	return &limits{most: l.Shared, taken: map[string]int{}}
}

// take holds all the named limits at once, or none and names one that is full.
func (l *limits) take(names []string) (full string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, n := range names {
		if most, bounded := l.most[n]; bounded && l.taken[n] >= most {
			return n
		}
	}
	for _, n := range names {
		l.taken[n]++
	}
	return ""
}

func (l *limits) give(names []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, n := range names {
		l.taken[n]--
	}
}
