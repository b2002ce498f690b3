package orchestrator

import (
	"maps"
	"sync"

	"rundown/scenarios"
)

// limits are the plan file's named limits and the bound on runs at once.
type limits struct {
	mu      sync.Mutex
	most    map[string]int // by name
	taken   map[string]int
	runs    int // under way
	runsMax int // 0: no bound
}

// newLimits takes the plan file's, and one for each handset: a segment claims its own, and
// the one that answers its calls.
func newLimits(l scenarios.Limits, handsets []scenarios.Handset) *limits {
	most := maps.Clone(l.Shared)
	if most == nil {
		most = map[string]int{}
	}
	for _, h := range handsets {
		most[claimOn(h.Name)] = 1
	}
	return &limits{most: most, taken: map[string]int{}, runsMax: l.RunsAtOnce}
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

// takeAnyway holds the named limits for a segment that a handset is carrying out already:
// the daemon was restarted, and whoever comes next has to wait for it.
func (l *limits) takeAnyway(names []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, n := range names {
		l.taken[n]++
	}
}

func (l *limits) give(names []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, n := range names {
		l.taken[n]--
	}
}

// takeRun counts one more run, if the bound on runs at once allows.
func (l *limits) takeRun() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.runsMax > 0 && l.runs >= l.runsMax {
		return false
	}
	l.runs++
	return true
}

// takeRunAnyway counts a run that was under way when the daemon started.
func (l *limits) takeRunAnyway() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.runs++
}

func (l *limits) giveRun() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.runs--
}
