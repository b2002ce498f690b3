package reading

import (
	"errors"
	"slices"
	"time"

	"rundown/results"
	"rundown/results/endurance"
	"rundown/results/figure"
	"rundown/scenarios"
)

// An Interval is a value with its 95 % interval.
type Interval = figure.Interval

// A ScenarioFigure is what a handset's segments of one scenario say together.
type ScenarioFigure struct {
	Handset    string            `json:"handset"`
	Scenario   string            `json:"scenario"`
	Imported   bool              `json:"imported,omitempty"` // from a file, not measured here
	Hours      Interval          `json:"hours"`              // from full to empty; zero where there is no figure
	HoursPerWh float64           `json:"hours_per_wh,omitempty"`
	Points     int               `json:"points"` // drained in the segments that were kept
	Kept       int               `json:"segments_kept"`
	Spoiled    int               `json:"segments_spoiled"`
	Flagged    int               `json:"segments_flagged"`
	Skipped    int               `json:"segments_skipped"`
	Cancelled  int               `json:"segments_cancelled,omitempty"`
	Agree      bool              `json:"repeats_agree"`
	Reason     string            `json:"reason,omitempty"` // why there are no hours
	Each       []SegmentFigure   `json:"each,omitempty"`
	Segments   []results.Segment `json:"-"`
}

// A SegmentFigure is what one segment says, with what the figure hangs on.
type SegmentFigure struct {
	Segment       string    `json:"segment"`
	Hours         Interval  `json:"hours"`
	RatePctH      Interval  `json:"rate_pct_h"`
	PowerW        *Interval `json:"power_w,omitempty"`
	CurrentMA     *Interval `json:"current_ma,omitempty"`
	Points        int       `json:"points"`
	VoltageFactor float64   `json:"voltage_factor"`
	// Looks is what the daemon's own looks at the sleeping handset drew, which is taken off
	// the figure; nil where it did not sleep or was not looked at.
	Looks       *OwnDrain `json:"looks,omitempty"`
	Method      string    `json:"method"`
	Learned     string    `json:"learned,omitempty"` // what was used that was learned of the handset, how old and on which OS build
	Budget      []Term    `json:"budget"`
	Assumptions []string  `json:"assumptions,omitempty"`
	Warnings    []string  `json:"warnings,omitempty"`
	Reason      string    `json:"reason,omitempty"` // why there is no figure
}

// An OwnDrain is what the measuring itself drew from a sleeping handset.
type OwnDrain struct {
	Looks   int      `json:"looks"`          // in what was measured
	PerHour float64  `json:"looks_per_hour"` // the same an hour
	PctH    Interval `json:"pct_h"`          // what they drew, of full charge an hour
	Share   float64  `json:"share"`          // of all that was drawn, 0 to 1
	LookS   Interval `json:"look_s"`         // a look draws as much as the handset does in so many s when nobody looks
	Basis   string   `json:"basis"`          // what that rests on
}

// A Term is one line of the budget of an interval.
type Term struct {
	Name  string  `json:"name"`
	SDPct float64 `json:"sd_pct"` // relative standard deviation, %
	Share float64 `json:"share"`  // of the variance, 0 to 1
}

// A FigureFilter chooses what figures are made of.
type FigureFilter struct {
	Handset, Scenario, Plan, Run string
	WithFlagged                  bool // count flagged segments too
}

// takes reports whether a segment is of what the filter names.
func (f FigureFilter) takes(g results.Segment) bool {
	match := func(want, have string) bool { return want == "" || want == have }
	return match(f.Handset, g.Handset) && match(f.Scenario, g.Scenario) && match(f.Plan, g.Plan) && match(f.Run, g.RunID)
}

// A judged is one segment of which hours are worked out: its figure, or why there is none.
type judged struct {
	segment  results.Segment
	handset  results.Handset // as it was in its run
	leftOut  string          // why nothing was worked out: spoiled, cancelled or not begun
	shown    SegmentFigure
	figure   endurance.Figure
	noFigure error
}

// counts reports whether a segment counts when a handset's repeats are put together.
func (j judged) counts(withFlagged bool) bool {
	return j.leftOut == "" && j.noFigure == nil && (withFlagged || j.segment.Outcome != results.Flagged)
}

// judge goes through the segments of one run, or of all when runID is empty, that have ended and of
// which hours are worked out, oldest first. It is the one road to figures: what people are shown and
// what is exported are made of it.
func (rm *Room) judge(runID string, takes func(results.Segment) bool, visit func(judged)) error {
	from := rm.store.Look()
	defer from.End()
	handsets, err := rm.handsetsOf(runID)
	return errors.Join(err, rm.store.EachSegment(runID, func(g results.Segment) error {
		if g.Outcome == results.Underway || !isEndurance(g) || !takes(g) {
			return nil
		}
		j := judged{segment: g, handset: handsets[g.RunID]}
		if why := results.LeftOut(g.Outcome); why != "" {
			j.leftOut = why + ": " + g.Reason
		} else {
			j.shown, j.figure, j.noFigure = rm.estimateOnce(g, j.handset, from)
		}
		visit(j)
		return nil
	}))
}

// A figureKey is what belongs together: what was imported is never mixed with what was measured.
type figureKey struct {
	handset, scenario string
	imported          bool
}

// figureGroups are segments by what belongs together, in the order in which they were seen first.
type figureGroups struct {
	order []figureKey
	by    map[figureKey][]judged
}

func (gs *figureGroups) add(j judged) {
	key := figureKey{j.segment.Handset, j.segment.Scenario, j.segment.Imported != ""}
	if gs.by == nil {
		gs.by = map[figureKey][]judged{}
	}
	if gs.by[key] == nil {
		gs.order = append(gs.order, key)
	}
	gs.by[key] = append(gs.by[key], j)
}

// Figures computes the figures of everything stored, by handset in the bench's order and
// scenario in the order of the segments. Spoiled and cancelled segments never count,
// flagged ones only when asked for.
func (rm *Room) Figures(f FigureFilter) ([]ScenarioFigure, error) {
	var groups figureGroups
	err := rm.judge(f.Run, f.takes, groups.add)
	rm.sortByBench(groups.order)
	var list []ScenarioFigure
	for _, key := range groups.order {
		list = append(list, scenarioFigure(key, groups.by[key], f.WithFlagged))
	}
	return list, err
}

// scenarioFigure puts together what belongs together.
func scenarioFigure(key figureKey, segments []judged, withFlagged bool) ScenarioFigure {
	fig := ScenarioFigure{Handset: key.handset, Scenario: key.scenario, Imported: key.imported, Agree: true}
	for _, j := range segments {
		fig.Segments = append(fig.Segments, j.segment)
		switch j.segment.Outcome {
		case results.Spoiled:
			fig.Spoiled++
		case results.Cancelled:
			fig.Cancelled++
		case results.Skipped:
			fig.Skipped++
		case results.Flagged:
			fig.Flagged++
		}
		switch {
		case j.leftOut != "":
			fig.Reason = j.leftOut
			continue
		case j.segment.Outcome == results.Flagged && !withFlagged:
			fig.Reason = "flagged: " + j.segment.Reason
			continue
		}
		fig.Each = append(fig.Each, j.shown)
		if j.noFigure != nil {
			fig.Reason = j.shown.Reason
		}
	}
	if t := together(segments, withFlagged); t.segments > 0 {
		fig.Hours, fig.HoursPerWh, fig.Agree, fig.Kept, fig.Points, fig.Reason = t.hours, t.perWh, t.agree, t.segments, t.points, ""
	}
	return fig
}

// A repeated is what the segments of one scenario say of a handset together.
type repeated struct {
	hours    Interval
	perWh    float64 // hours per watt-hour of its rated energy as it was in the first of them; 0 where that is not known
	agree    bool
	segments int // that count; 0: nothing is said
	points   int
}

// together puts those that count of a scenario's segments together.
func together(segments []judged, withFlagged bool) (r repeated) {
	var list []endurance.Figure
	var first results.Handset
	for _, j := range segments {
		if !j.counts(withFlagged) {
			continue
		}
		if len(list) == 0 {
			first = j.handset
		}
		list = append(list, j.figure)
		r.points += j.figure.Points
	}
	if r.segments = len(list); r.segments == 0 {
		return r
	}
	r.hours, r.agree = endurance.Combine(list)
	switch {
	case len(list) == 1:
		r.perWh = list[0].HoursPerWh
	case first.CapacityMAh > 0 && first.NominalMV > 0:
		r.perWh = endurance.HoursPerWh(r.hours.Value, first.CapacityMAh, first.NominalMV)
	}
	return r
}

// handsetsOf are the handsets as they were in one run, or in all when runID is empty, by run.
func (rm *Room) handsetsOf(runID string) (map[string]results.Handset, error) {
	by := map[string]results.Handset{}
	if runID != "" {
		if r, err := rm.store.Run(runID); err == nil { // one that there is not has no segments either
			by[runID] = r.Handset
		}
		return by, nil
	}
	runs, err := rm.store.Runs()
	for _, r := range runs {
		by[r.ID] = r.Handset
	}
	return by, err
}

func (rm *Room) sortByBench(keys []figureKey) {
	place := rm.places()
	slices.SortStableFunc(keys, func(a, b figureKey) int { return place[a.handset] - place[b.handset] })
}

// places are the bench's handsets' places among others: below 0, where one that is not on it has 0.
func (rm *Room) places() map[string]int {
	place := map[string]int{}
	for i, h := range rm.file.Bench.Handsets {
		place[h.Name] = i - len(rm.file.Bench.Handsets)
	}
	return place
}

// figure computes one segment's figure.
func (rm *Room) figure(g results.Segment, h results.Handset) (SegmentFigure, endurance.Figure, error) {
	out := SegmentFigure{Segment: g.ID}
	samples, err := rm.store.Samples(g.ID)
	if err != nil {
		out.Reason = why(err)
		return out, endurance.Figure{}, err
	}
	learned, beside, warning := rm.LearnedFor(g, h)
	est, err := endurance.Estimate(rm.EstimateInput(g, h, samples, learned))
	if err != nil {
		out.Reason = why(err)
		return out, est, err
	}
	out = segmentFigure(g.ID, est)
	out.Learned = beside
	if warning != "" {
		out.Warnings = append(out.Warnings, warning)
	}
	return out, est, nil
}

// segmentFigure is a figure as it is shown.
func segmentFigure(segment string, est endurance.Figure) SegmentFigure {
	out := SegmentFigure{
		Segment: segment, Hours: est.Hours, RatePctH: est.RatePctH, PowerW: est.PowerW, CurrentMA: est.CurrentMA, Points: est.Points, VoltageFactor: est.VoltageFactor,
		Method: est.Method, Assumptions: est.Assumptions, Warnings: slices.Clone(est.Warnings),
	}
	if o := est.Own; o != nil {
		out.Looks = &OwnDrain{Looks: o.Looks, PerHour: o.LooksPerH, PctH: o.PctH, Share: o.Share, LookS: o.LookS, Basis: o.Basis}
	}
	for _, t := range est.Budget {
		out.Budget = append(out.Budget, Term{Name: t.Name, SDPct: 100 * t.RelSD, Share: t.Share})
	}
	return out
}

// EnduranceSamples are stored samples as the calculator takes them.
func EnduranceSamples(samples []results.Sample) []endurance.Sample {
	list := make([]endurance.Sample, len(samples))
	number := func(v *int64) *float64 {
		if v == nil {
			return nil
		}
		f := float64(*v)
		return &f
	}
	for i, s := range samples {
		list[i] = endurance.Sample{
			T: time.Duration(s.UptimeMS) * time.Millisecond, LevelPct: s.LevelPct, Counter: number(s.CounterRaw), Current: number(s.CurrentRaw),
			VoltageMV: number(s.VoltageMV), Plugged: s.Plugged != 0,
		}
	}
	return list
}

// EstimateInput is a segment as the calculator of endurance takes it.
func (rm *Room) EstimateInput(g results.Segment, h results.Handset, samples []results.Sample, learned *endurance.Learned) endurance.Input {
	in := endurance.Input{
		Samples: EnduranceSamples(samples), ActivityT: time.Duration(g.ActivityUpS * float64(time.Second)), WarmUpS: g.WarmUpS,
		LoopS: g.LoopS, TargetPoints: g.TargetPoints, DesignMAh: h.CapacityMAh, NominalMV: h.NominalMV, Learned: learned, Asleep: g.Slept(),
	}
	if g.Slept() {
		for _, at := range g.Wakes.LooksAtMS {
			in.Looks = append(in.Looks, time.Duration(at)*time.Millisecond)
		}
		in.LooksSeen = rm.looks.of(g.Handset, h.Build, g.ID)
	}
	return in
}

// NoFigure says why what was measured gives no figure, or "". A segment that is to bring the
// handset to a level, or to go on for a time, has done what it is for, figure or not.
func (rm *Room) NoFigure(g results.Segment, h results.Handset) string {
	var err error
	switch {
	case IsCharge(g):
		c := Charge{Segment: g.ID, Run: g.RunID}
		err = rm.charge(&c, g)
	case g.Until == scenarios.UntilLevel, g.Until == scenarios.UntilTime:
		return ""
	case len(PiecesOf(g)) > 0:
		list, workErr := rm.sustainedOf(g, true)
		if err = workErr; err == nil && !slices.ContainsFunc(list, func(h Sustained) bool { return h.Reason == "" }) {
			reason := "no sustained work"
			if len(list) > 0 {
				reason = list[0].Reason
			}
			return "no figure: " + reason
		}
	case g.Until == scenarios.UntilSettled:
		return "no figure: none of its lots was reported"
	case g.Until == scenarios.UntilCycles:
		return "no figure: none of its cycles was reported"
	default:
		_, _, err = rm.figure(g, h)
	}
	if err == nil {
		return ""
	}
	return "no figure: " + why(err)
}
