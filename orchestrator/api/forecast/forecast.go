package forecast

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"rundown/orchestrator"
	"rundown/results/sustain"
	"rundown/scenarios"
)

// What is assumed where nothing was measured yet. Common practice, no source; the width
// of a forecast says how little is known.
const (
	assumedRate    = 9.0  // %/h of a scenario that nobody has carried out
	assumedRelSD   = 0.35 // and its relative standard deviation
	othersRelSD    = 0.2  // of a rate taken from the bench's other handsets
	ownRelSD       = 0.05 // of a rate from one segment of the handset's own
	leastRelSD     = 0.02 // of one from several
	assumedCharge  = 40.0 // %/h of a recharge
	chargeRelSD    = 0.25
	aroundASegment = 3 * time.Minute // preparing and collecting
	z95            = 1.96
)

// A Part is one stretch of a forecast.
type Part struct {
	Kind      string    `json:"kind" enum:"drain,recharge,rest"`
	Scenario  string    `json:"scenario,omitempty"`
	From      time.Time `json:"from"`
	To        time.Time `json:"to"`
	LevelFrom float64   `json:"level_from_pct"`
	LevelTo   float64   `json:"level_to_pct"`
}

// A Forecast says when a run would end, with the 95 % interval of that instant.
type Forecast struct {
	Handset   string    `json:"handset"`
	Plan      string    `json:"plan"`
	Begin     time.Time `json:"begin"`
	FirstEdge time.Time `json:"first_start_edge,omitzero"`
	End       time.Time `json:"end"`
	Earliest  time.Time `json:"earliest_end"` // low end of the 95 % interval
	Latest    time.Time `json:"latest_end"`   // high end
	FinishBy  time.Time `json:"finish_by,omitzero"`
	Level     float64   `json:"level_pct"` // assumed at the beginning
	Parts     []Part    `json:"parts"`
	Basis     string    `json:"basis"` // what the rates come from, in words
}

// Late is by how much the forecast ends after its window; 0 when in time or unbounded.
func (f Forecast) Late() time.Duration {
	if f.FinishBy.IsZero() || !f.End.After(f.FinishBy) {
		return 0
	}
	return f.End.Sub(f.FinishBy)
}

// Plan forecasts a plan on named handsets (none: the whole bench) if it began at an
// instant (zero: now). Unknown names are an orchestrator.ErrRequest.
func (o *Forecasts) Plan(plan string, handsets []string, begin time.Time) ([]Forecast, error) {
	file := o.d.File()
	p, ok := file.Plans[plan]
	if !ok {
		return nil, fmt.Errorf("%w: no plan %q in the plan file", orchestrator.ErrRequest, plan)
	}
	if len(handsets) == 0 {
		for _, h := range file.Bench.Handsets {
			handsets = append(handsets, h.Name)
		}
	}
	if begin.IsZero() {
		begin = o.d.Now()
	}
	status := map[string]orchestrator.HandsetStatus{}
	for _, h := range o.d.Handsets() {
		status[h.Name] = h
	}
	list := []Forecast{}
	for _, name := range handsets {
		h, ok := file.Handset(name)
		if !ok {
			return nil, fmt.Errorf("%w: no handset %q on the bench", orchestrator.ErrRequest, name)
		}
		level := float64(status[name].LevelPct)
		if status[name].ReadAt.IsZero() {
			level = p.StartLevel.Most
		}
		w := o.walk(h, p, begin, level)
		w.scenarios = file.Scenarios
		w.carryOut(repeated(p))
		list = append(list, w.forecast(name, plan))
	}
	return list, nil
}

// Item forecasts a queue item: what is left of its run, or the whole of it when it waits
// and begins at an instant (zero: as soon as it may).
func (o *Forecasts) Item(it orchestrator.Item, status orchestrator.HandsetStatus, shapes []Shape, begin time.Time) (Forecast, error) {
	h, ok := o.d.File().Handset(it.Handset)
	if !ok {
		return Forecast{}, errors.New(it.Handset + " is no longer in the plan file")
	}
	now := o.d.Now()
	if begin.IsZero() {
		begin = now
	}
	if it.NotBefore.After(begin) {
		begin = it.NotBefore
	}
	p, list := it.Order.Plan, repeated(it.Order.Plan)
	level := float64(status.LevelPct)
	if status.ReadAt.IsZero() {
		level = p.StartLevel.Most
	}
	w := o.walk(h, p, begin, level)
	w.scenarios = it.Order.Scenarios
	if it.State == orchestrator.Running && status.Run == it.RunID {
		left := max(0, min(len(list), status.Segment-1))
		switch orchestrator.State(status.State) {
		case orchestrator.Settling, orchestrator.Draining, orchestrator.Charging, orchestrator.Collecting:
			current := list[min(left, len(list)-1)]
			w.underway(current.Scenario, status, shapes)
			left++
		case orchestrator.Recharging:
			w.recharge()
		case orchestrator.Restoring, orchestrator.Done, orchestrator.Stopped:
			left = len(list)
		}
		w.carryOut(list[min(left, len(list)):])
	} else {
		w.carryOut(list)
	}
	f := w.forecast(it.Handset, it.Plan)
	f.FinishBy = it.FinishBy
	return f, nil
}

func repeated(p scenarios.Plan) []scenarios.Segment {
	var list []scenarios.Segment
	for range max(1, p.Repeat) {
		list = append(list, p.Segments...)
	}
	return list
}

// A walk goes through a plan's segments as they are expected.
type walk struct {
	o         *Forecasts
	h         scenarios.Handset
	p         scenarios.Plan
	scenarios map[string]scenarios.Scenario
	begin, at time.Time
	level     float64
	variance  float64 // of at, s²
	parts     []Part
	first     time.Time
	basis     map[string]bool
	window    scenarios.Window
}

func (o *Forecasts) walk(h scenarios.Handset, p scenarios.Plan, begin time.Time, level float64) *walk {
	w := &walk{o: o, h: h, p: p, begin: begin, at: begin, level: level, basis: map[string]bool{}, window: p.StartLevel}
	if h.StartLevel != nil {
		w.window = *h.StartLevel
	}
	return w
}

func (w *walk) add(kind, scenario string, took time.Duration, to float64) {
	if took <= 0 {
		return
	}
	w.parts = append(w.parts, Part{kind, scenario, w.at, w.at.Add(took), w.level, to})
	w.at, w.level = w.at.Add(took), to
}

func (w *walk) vary(took time.Duration, rel float64) {
	w.variance += math.Pow(took.Seconds()*rel, 2)
}

// recharge goes up to the top of the start window.
func (w *walk) recharge() {
	if w.level >= w.window.Most {
		return
	}
	took := hours((w.window.Most - w.level) / assumedCharge)
	w.vary(took, chargeRelSD)
	w.add("recharge", "", took, w.window.Most)
	w.basis["recharge assumed at 40 %/h"] = true
}

// charge is a charge to full that is measured.
func (w *walk) charge(scenario string) {
	took := hours(orchestrator.ChargeTaper * (100 - w.level) / assumedCharge)
	w.vary(took, chargeRelSD)
	if w.first.IsZero() {
		w.first = w.at
	}
	w.add("recharge", scenario, took, 100)
	w.add("rest", "", aroundASegment, 100)
	w.basis["charge assumed at 40 %/h, slower at its end"] = true
}

// underway is the rest of the segment at hand.
func (w *walk) underway(scenario string, status orchestrator.HandsetStatus, shapes []Shape) {
	pace := w.o.pace(w.h.Name, scenario)
	rate, rel := pace.rate, pace.relSD
	if status.RatePctH > 0 && status.PointsDone >= 2 {
		// One point more or less at either end, while the segment is young.
		rate, rel = status.RatePctH, math.Max(leastRelSD, 0.5/float64(status.PointsDone))
	}
	if len(shapes) > 0 && shapes[len(shapes)-1].StartEdge.IsZero() && !status.ExpectedEnd.IsZero() {
		rate, rel = pace.rate, pace.relSD
	}
	left := float64(max(0, status.Points-status.PointsDone))
	took := hours(left / rate)
	if end := status.ExpectedEnd; !end.IsZero() && end.After(w.at) {
		took = end.Sub(w.at)
	}
	if w.first.IsZero() {
		w.first = w.at
	}
	w.vary(took, rel)
	if status.State == string(orchestrator.Charging) {
		w.add("recharge", scenario, took, 100)
	} else {
		w.add("drain", scenario, took, math.Max(0, w.level-left))
	}
	w.add("rest", "", aroundASegment/2, w.level)
}

// carryOut adds segments that have not begun.
func (w *walk) carryOut(list []scenarios.Segment) {
	for _, s := range list {
		ends := s.EndsBy(w.scenarios[s.Scenario])
		if ends == scenarios.UntilFull {
			w.charge(s.Scenario)
			continue
		}
		if w.level < w.window.Least && ends != scenarios.UntilLevel {
			w.recharge()
		}
		warm := w.p.WarmUp
		for _, d := range []time.Duration{w.scenarios[s.Scenario].WarmUp, s.WarmUp} {
			if d > 0 {
				warm = d
			}
		}
		pace := w.o.pace(w.h.Name, s.Scenario)
		w.basis[pace.basis] = true
		// The start edge is the first one after the warm-up: half a point later, on average.
		before := aroundASegment/2 + warm
		fall := pace.rate * (warm.Hours()) // the activity draws during its warm-up too
		wait := hours(0.5 / pace.rate)
		w.add("rest", "", before+wait, math.Max(0, w.level-fall-0.5))
		if w.first.IsZero() {
			w.first = w.at
		}
		limit := w.p.SegmentLimit
		switch {
		case s.Limit > 0:
			limit = s.Limit
		case ends == scenarios.UntilSettled:
			limit = shortest(limit, sustain.LongestWork)
		}
		points := float64(s.DrainPoints)
		switch {
		case ends == scenarios.UntilLevel:
			points = max(0, w.level-float64(s.DrainTo))
		case ends == scenarios.UntilTime:
			points = limit.Hours() * pace.rate
		case ends == scenarios.UntilSettled:
			points = shortest(limit, orchestrator.UsualWork).Hours() * pace.rate
		case ends == scenarios.UntilCycles:
			points = (time.Duration(w.scenarios[s.Scenario].Cycles) * orchestrator.CycleLength(w.scenarios[s.Scenario])).Hours() * pace.rate
		case points == 0:
			points = float64(w.p.DrainPoints)
		}
		took := hours(points / pace.rate)
		if limit > 0 {
			took = min(took, limit)
		}
		w.vary(took, pace.relSD)
		w.add("drain", s.Scenario, took, math.Max(0, w.level-points))
		w.add("rest", "", aroundASegment/2, w.level)
	}
}

func (w *walk) forecast(handset, plan string) Forecast {
	half := time.Duration(z95 * math.Sqrt(w.variance) * float64(time.Second))
	var basis []string
	for b := range w.basis {
		if b != "" {
			basis = append(basis, b)
		}
	}
	slices.Sort(basis)
	f := Forecast{
		Handset: handset, Plan: plan, Begin: w.begin, FirstEdge: w.first, End: w.at, Earliest: w.at.Add(-half), Latest: w.at.Add(half), Parts: w.parts,
	}
	if len(w.parts) > 0 {
		f.Level = w.parts[0].LevelFrom
	}
	if f.Earliest.Before(w.begin) {
		f.Earliest = w.begin
	}
	for i, b := range basis {
		if i > 0 {
			f.Basis += "; "
		}
		f.Basis += b
	}
	if f.Parts == nil {
		f.Parts = []Part{}
	}
	return f
}

// shortest is the shorter of a limit and another; 0 is no limit.
func shortest(limit, other time.Duration) time.Duration {
	if limit == 0 {
		return other
	}
	return min(limit, other)
}

func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

// A seenPace is how fast a handset drains at a scenario, from what it did before.
type seenPace struct {
	rate, relSD float64
	basis       string
}

// pace is what to expect of a handset at a scenario: from its own segments, from the
// bench's other handsets, or assumed.
func (o *Forecasts) pace(handset, scenario string) seenPace {
	all := o.d.Rates()
	if own := all[[2]string{handset, scenario}]; len(own) > 0 {
		return paceOf(own)
	}
	var others []float64
	for key, rates := range all {
		if key[1] == scenario && len(rates) > 0 {
			others = append(others, paceOf(rates).rate)
		}
	}
	if len(others) > 0 {
		slices.Sort(others)
		return seenPace{rate: others[len(others)/2], relSD: othersRelSD, basis: scenario + " from other handsets"}
	}
	return seenPace{rate: assumedRate, relSD: assumedRelSD, basis: fmt.Sprintf("%s assumed at %g %%/h", scenario, assumedRate)}
}

// paceOf is the mean of rates with their scatter.
func paceOf(rates []float64) seenPace {
	p := seenPace{relSD: ownRelSD}
	for _, r := range rates {
		p.rate += r / float64(len(rates))
	}
	if n := len(rates); n > 1 {
		ss := 0.0
		for _, r := range rates {
			ss += math.Pow(r/p.rate-1, 2)
		}
		p.relSD = math.Max(leastRelSD, math.Sqrt(ss/float64(n-1)))
	}
	return p
}
