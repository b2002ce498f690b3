package orchestrator

import (
	"errors"
	"maps"
	"slices"
	"sync"
	"time"

	"rundown/results"
	"rundown/scenarios"
)

// startRates are what is assumed of a scenario's drain, %/h, until a handset has carried
// it out once. Rough and on the slow side: common practice, no source.
var startRates = map[string]float64{"idle": 0.7, "browse": 8, "video": 6, "call": 12, "camera": 12, "game": 14, "sustain": 25, "cycles": 18, "voicecall": 6}

const otherRate = 8.0 // %/h, for a scenario that is not listed

// overhead is what a segment takes besides warm-up and drain: preparing, the wait for the
// first edge apart, collecting.
const overhead = 3 * time.Minute

// startRecharge is what is assumed of a recharge, %/h, until a handset has been recharged
// once. On the slow side: common practice, no source.
const startRecharge = 25.0

// documentsPace is the store's kind for how fast handsets were recharged, by handset name.
const documentsPace = "pace"

// documentsRates is the store's kind for how fast handsets drained, by handset name:
// what a year of segments taught, without reading them at each start.
const documentsRates = "rates"

// documentsLearnt is the store's kind for what was learnt from segments that were stored
// by an earlier version, by kind; once each.
const documentsLearnt = "learnt"

// ratesKept is how many of a handset's latest rates at a scenario are kept.
const ratesKept = 5

// drained is how fast a handset drained in its latest segments of one scenario.
type drained struct {
	RatesPctH []float64 `json:"rates_pct_h"`  // latest last
	Last      string    `json:"last_segment"` // learnt from last, so that none counts twice after a crash
}

// A pace tells how long segments and recharges take, from what the handset did before.
// Whoever learns holds writing from before it reads until memory has what the store has;
// mu is never held over the disk.
type pace struct {
	store     *results.Store
	writing   sync.Mutex
	mu        sync.Mutex
	drains    map[string]map[string]drained // handset, scenario
	recharges map[string]float64            // handset: %/h of the latest recharge
}

// openPace reads what was learnt. A store from before rates were kept is read whole, once;
// the error names what could not be read of it.
func openPace(store *results.Store) (*pace, error) {
	p := &pace{store: store, drains: map[string]map[string]drained{}, recharges: map[string]float64{}}
	done := false
	if err := store.Document(documentsLearnt, documentsRates, &done); err != nil && !errors.Is(err, results.ErrNotFound) {
		return p, err
	}
	if !done {
		return p, p.learnAll()
	}
	kept, err := results.Documents[handsetRates](store, documentsRates)
	for _, k := range kept {
		p.drains[k.Handset] = k.Scenarios
	}
	return p, err
}

// handsetRates is one document of documentsRates.
type handsetRates struct {
	Handset   string             `json:"handset"`
	Scenarios map[string]drained `json:"scenarios"`
}

func (p *pace) learnAll() error {
	bad := p.store.EachSegment("", func(g results.Segment) error {
		if next, ok := p.taken(g); ok {
			p.drains[g.Handset] = next
		}
		return nil
	})
	for handset, scenarios := range p.drains {
		if err := p.keep(handset, scenarios); err != nil {
			return errors.Join(bad, err)
		}
	}
	return errors.Join(bad, p.store.PutDocument(documentsLearnt, documentsRates, true))
}

// learn takes in a segment that has ended, and keeps what it says.
func (p *pace) learn(g results.Segment) error {
	p.writing.Lock()
	defer p.writing.Unlock()
	p.mu.Lock()
	next, ok := p.taken(g)
	p.mu.Unlock()
	if !ok {
		return nil
	}
	if err := p.keep(g.Handset, next); err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.drains[g.Handset] = next
	return nil
}

// taken is what is known of a segment's handset with the segment, whose caller makes it
// known; false: it says nothing new.
func (p *pace) taken(g results.Segment) (next map[string]drained, ok bool) {
	points := g.Points()
	if g.Imported != "" || g.Outcome != results.Measured && g.Outcome != results.Flagged || points < fewestPoints {
		return nil, false
	}
	rate := rateOf(g.Edges, points)
	have := p.drains[g.Handset][g.Scenario]
	if rate <= 0 || have.Last == g.ID {
		return nil, false
	}
	rates := append(slices.Clone(have.RatesPctH), rate)
	if next = maps.Clone(p.drains[g.Handset]); next == nil {
		next = map[string]drained{}
	}
	next[g.Scenario] = drained{RatesPctH: rates[max(0, len(rates)-ratesKept):], Last: g.ID}
	return next, true
}

func (p *pace) keep(handset string, scenarios map[string]drained) error {
	return p.store.PutDocument(documentsRates, handset, handsetRates{handset, scenarios})
}

// Rates are the rates, %/h, of the latest segments that drained, latest last, by handset
// and scenario: at most ratesKept each.
func (d *Daemon) Rates() map[[2]string][]float64 {
	p := d.pace
	p.mu.Lock()
	defer p.mu.Unlock()
	all := map[[2]string][]float64{}
	for handset, scenarios := range p.drains {
		for scenario, have := range scenarios {
			all[[2]string{handset, scenario}] = slices.Clone(have.RatesPctH)
		}
	}
	return all
}

// rate is the drain to expect, %/h.
func (p *pace) rate(handset, scenario string) float64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	if have := p.drains[handset][scenario].RatesPctH; len(have) > 0 {
		return have[len(have)-1]
	}
	if r, ok := startRates[scenario]; ok {
		return r
	}
	return otherRate
}

func (p *pace) learnRecharge(handset string, ratePctH float64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.recharges[handset] = ratePctH
}

// recharge is how long a recharge by so many points would take.
func (p *pace) recharge(handset string, points float64) time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	rate, ok := p.recharges[handset]
	if !ok {
		rate = startRecharge
	}
	return time.Duration(max(points, 0) / rate * float64(time.Hour))
}

// learnRecharge takes in a recharge that was long enough to say something.
func (r *run) learnRecharge(points int, took time.Duration) error {
	if points < fewestPoints || took <= 0 {
		return nil
	}
	rate := float64(points) / took.Hours()
	r.d.pace.learnRecharge(r.h.Name, rate)
	return r.d.store.PutDocument(documentsPace, r.h.Name, rate)
}

// estimate is how long the segment at a position of the list would take from now, with
// the recharge before it and the wait for its start edge (one point more than the
// target), when the handset is at level; after is the level that it would leave.
func (r *run) estimate(step int, level int) (need time.Duration, after int) {
	at := *r // a copy: the position decides which segment is meant
	entry := *r.e
	entry.Step, at.e = step, &entry
	window := at.window()
	if float64(level) < window.Least && r.gate != nil {
		need = r.d.pace.recharge(r.h.Name, window.Most-float64(level))
		level = int(window.Most)
	}
	took, after := at.lasts(level)
	return need + overhead + at.warmUp() + min(took, at.limit()), after
}

// CycleLength is what is assumed of a cycle of a scenario's work, rest and all: pages take a moment between them.
func CycleLength(s scenarios.Scenario) time.Duration { return s.CycleLength() + 3*time.Second }

// UsualWork is how long continuous work usually goes on until its rate has settled. Invented; at least two windows
// of the rule are needed, and handsets take 10 to 20 min to warm through.
const UsualWork = 20 * time.Minute

// ChargeTaper is how much longer a charge to full takes than its pace in the middle says.
// Common practice, no source.
const ChargeTaper = 1.3

// lasts is how long the segment at hand should take from its start at a level, and the
// level that it would leave.
func (r *run) lasts(level int) (took time.Duration, after int) {
	goal, rate := r.goal(), r.d.pace.rate(r.h.Name, r.scenario().Name)
	drain := func(points int) (time.Duration, int) {
		return time.Duration(float64(max(points, 0)) / rate * float64(time.Hour)), level - max(points, 0)
	}
	switch goal.until {
	case scenarios.UntilLevel:
		return drain(level - goal.toLevel)
	case scenarios.UntilFull:
		return time.Duration(ChargeTaper * float64(r.d.pace.recharge(r.h.Name, float64(100-level)))), 100
	case scenarios.UntilCycles:
		took = time.Duration(goal.cycles) * CycleLength(r.scenario())
		return took, level - int(took.Hours()*rate)
	case scenarios.UntilSettled:
		took = min(UsualWork, goal.length)
		return took, level - int(took.Hours()*rate)
	case scenarios.UntilTime:
		return goal.length, level - int(goal.length.Hours()*rate)
	}
	return drain(goal.points + 1)
}

// showRunEnd tells the bench when the run should be over: the segment under way, left
// from now, and all that follow.
func (r *run) showRunEnd(left time.Duration) {
	r.d.tell(r.h.Name, func(s *HandsetStatus) {
		if s.ReadAt.IsZero() {
			return
		}
		step, level := r.e.Step, s.LevelPct
		if r.live != nil {
			_, after := r.lasts(level)
			if r.goal().drains() {
				after = level - max(r.live.rec.TargetPoints-s.PointsDone, 0)
			}
			step, level = step+1, after
		}
		for ; step < len(r.list); step++ {
			need, after := r.estimate(step, level)
			left, level = left+need, after
		}
		s.RunEnd = r.d.now().Add(left)
	})
}

// segmentLeft is how long the segment under way still takes, given how many points it has
// drained and at which edges.
func (r *run) segmentLeft(points int, list []results.Edge) time.Duration {
	g := r.live
	rate := rateOf(list, points)
	if rate <= 0 {
		rate = r.d.pace.rate(r.h.Name, g.rec.Scenario)
	}
	left := time.Duration(float64(max(g.rec.TargetPoints-points, 0)) / rate * float64(time.Hour))
	ran := time.Duration(g.last.UptimeMS)*time.Millisecond - time.Duration(g.rec.ActivityUpS*float64(time.Second))
	if goal := r.goal(); !goal.drains() {
		left, _ = r.lasts(g.last.LevelPct)
		switch goal.until {
		case scenarios.UntilCycles:
			left = time.Duration(max(goal.cycles-r.cyclesDone(), 0)) * CycleLength(r.scenario())
		case scenarios.UntilSettled:
			left = max(min(UsualWork, goal.length)-ran, 2*time.Minute)
		case scenarios.UntilTime:
			left = goal.length - ran
		}
	} else if !g.u.StartEdge {
		left += max(time.Duration(g.rec.WarmUpS*float64(time.Second))-ran, 0)
	}
	if limit := time.Duration(g.u.LimitS) * time.Second; limit > 0 {
		left = min(left, max(limit-ran, 0))
	}
	return left
}
