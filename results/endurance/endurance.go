package endurance

import (
	"errors"
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"rundown/results/figure"
)

// MinPoints is the least number of whole points that gives a figure.
const MinPoints = 3

// The reasons for which there is no figure.
var (
	// ErrTooFewPoints means that fewer than MinPoints whole points were drained after the warm-up.
	ErrTooFewPoints = errors.New("too few points drained")
	// ErrGap means that samples are missing in the window for longer than half of the
	// time a point takes, and more than a few of them.
	ErrGap = errors.New("samples missing")
	// ErrPlugged means that the handset was on power.
	ErrPlugged = errors.New("handset was on power")
	// ErrLevelRose means that the level went up and did not come back.
	ErrLevelRose = errors.New("level went up")
	// ErrInput means that the samples or the other inputs are not what they should be.
	ErrInput = errors.New("input not usable")
)

// An Input is one segment, and what is known of its handset. Only Samples are
// required.
type Input struct {
	// Samples are in order of time, and may begin before the activity and go on after the target.
	Samples []Sample
	// ActivityT is the uptime at which the activity began: warm-up and drift count from it.
	ActivityT time.Duration
	// WarmUpS is how much of the activity is not measured, s.
	WarmUpS float64
	// LoopS is the length of the script's loop, s; 0 where it is not known.
	LoopS float64
	// TargetPoints is the drain target; 0 takes all that was drained.
	TargetPoints int
	// DesignMAh and NominalMV are the maker's figures, 0 where not known. No rate, hours or
	// power comes from them: they size the voltage lost in the cell where no current is
	// known, tell mA from µA, and give HoursPerWh.
	DesignMAh, NominalMV float64
	// LearnedCounter is the handset's full charge as its own counter tells it, in
	// mAh or in the counter's unit (told apart by their powers of 1000), learned in a survey.
	LearnedCounter *float64
	// LearnedCurrent is the same by integrating its current readings over time, whatever their
	// sign, unit and gain.
	LearnedCurrent *float64
	// Learned is all that was learned of the handset; its full charges stand for the two above, and come
	// with their own uncertainty. Nil where only those are known, or nothing.
	Learned *Learned
	// Asleep: the handset slept through much of it by its own clocks. Samples then come when
	// it wakes, minutes or hours apart, which is no fault; and its current readings are those
	// of a handset that is awake, and are not used.
	Asleep bool
	// Looks are the uptimes at which the measuring looked at the sleeping handset, and
	// LooksSeen what looks at it were seen to cost in other segments.
	Looks     []time.Duration
	LooksSeen []LookSeen
}

// An Interval is a value with its 95 % interval.
type Interval = figure.Interval

// interval is a value with a relative standard deviation; the interval is symmetrical in
// the logarithm, as the errors multiply.
func interval(v, relSD float64) Interval {
	f := math.Exp(z95 * relSD)
	return Interval{Value: v, Low: v / f, High: v * f}
}

var z95 = distuv.UnitNormal.Quantile(0.975)

// A Term is one line of the budget of hours.
type Term struct {
	Name  string
	RelSD float64 // relative standard deviation that it adds to the hours
	Share float64 // its share of the variance, 0 to 1
}

// The terms of the budget that differ from one run to the next; all others are the
// handset's own.
const (
	termTiming = "timing of the level edges"
	termWander = "wandering power"
)

// A Figure is what a segment says.
type Figure struct {
	Hours    Interval // from full to empty at this scenario
	RatePctH Interval // in the window, %/h
	// PowerW and CurrentMA are means in the window; nil where the handset gives neither a
	// usable counter nor current and voltage.
	PowerW, CurrentMA *Interval

	// StraightHours is 100/rate: what the level alone would say if a point took as long at
	// every level. It is not a result; it shows what the voltage step did.
	StraightHours float64
	// VoltageFactor is mean voltage over window voltage, by which StraightHours was
	// multiplied.
	VoltageFactor float64
	// Own is what the measuring itself drew, and was taken off hours, rate, power and current;
	// nil: nothing that is known.
	Own *Own
	// HoursPerWh is hours per watt-hour of the maker's capacity and voltage; 0
	// where these are not known.
	HoursPerWh float64

	Points                  int           // whole points between the edges used
	WindowStart, WindowStop time.Duration // uptime of the middles of the edges used
	FromPct, ToPct          int           // levels reached at these edges
	Gauge                   Gauge
	Method                  string // for a person
	Budget                  []Term // largest first
	// Reanchoring is a correction that the gauge probably made to its level in the window; nil
	// where there is no more than a trace of one.
	Reanchoring *Reanchoring
	// Corrected says that gauge or counter corrected themselves in the window, beyond doubt: the
	// segment is not what it says. Empty: they did not, or it is not sure.
	Corrected             string
	CorrectedAt           time.Duration // uptime
	Assumptions, Warnings []string
}

// HoursPerWh is hours of endurance per watt-hour of rated battery energy, 1/W, to two
// decimals: what the energy label's index is made of.
func HoursPerWh(hours, ratedMAh, nominalMV float64) float64 {
	return math.Round(100*hours*1e6/(ratedMAh*nominalMV)) / 100
}

// Estimate computes the figure of one segment. Its error is one of the sentinels of this package,
// wrapped with the reason.
func Estimate(in Input) (Figure, error) {
	if len(in.Samples) == 0 {
		return Figure{}, fmt.Errorf("%w: no samples", ErrTooFewPoints)
	}
	for name, v := range map[string]float64{"warm-up": in.WarmUpS, "loop length": in.LoopS, "capacity": in.DesignMAh, "voltage": in.NominalMV, "drain target": float64(in.TargetPoints)} {
		if !(v >= 0) || math.IsInf(v, 0) {
			return Figure{}, fmt.Errorf("%w: %s is %g", ErrInput, name, v)
		}
	}
	if err := check(in.Samples); err != nil {
		return Figure{}, err
	}
	var wholeVolts string
	in.Samples, wholeVolts = withoutWholeVolts(in.Samples)
	in = in.asSlept()
	w, err := cut(in)
	if err != nil {
		return Figure{}, err
	}
	if l := in.Learned; l != nil {
		in.LearnedCounter, in.LearnedCurrent = nil, nil
		if l.Counter != nil {
			in.LearnedCounter = &l.Counter.Value
		}
		if l.Current != nil {
			in.LearnedCurrent = &l.Current.Value
		}
	}

	f := Figure{
		Points:      w.points(),
		WindowStart: w.edges[0].Mid(), WindowStop: w.edges[len(w.edges)-1].Mid(),
		FromPct: w.edges[0].LevelPct, ToPct: w.edges[len(w.edges)-1].LevelPct,
	}
	if wholeVolts != "" {
		f.Warnings = append(f.Warnings, wholeVolts)
	}
	if gap := longGap(in, w); gap != "" {
		f.Warnings = append(f.Warnings, gap)
	}
	counter := readCounter(in, w)
	current := readCurrent(in, w)
	f.Gauge = counter.gauge
	w.refreshS = refreshS[f.Gauge]
	level := levelRate(w)
	bend := bendSD[f.Gauge]
	if in.Learned != nil && in.Learned.BendSD > 0 {
		bend = in.Learned.BendSD
	}
	level.bend = bendVariance(bend, w.points())
	if in.Learned == nil || in.Learned.Surveys == 0 { // a survey measures bend and bow together
		level.bend += bowVariance(float64(f.FromPct)+0.5, float64(f.ToPct)+0.5)
	}
	f.Warnings = append(f.Warnings, append(counter.warnings, current.warnings...)...)
	corrected := reanchored(in, w, counter, current)
	level = corrected.correct(level, w)
	if corrected.says(in) {
		says := corrected.found.String() + ", while no power came"
		f.Warnings = append(f.Warnings, says+"; the interval was widened by that")
		if f.Reanchoring = &corrected.found; corrected.found.Certain() {
			f.Corrected, f.CorrectedAt = says, corrected.found.At
		}
	}
	if f.Reanchoring == nil && !in.Asleep && level.shift > level.timing+level.bend {
		f.Warnings = append(f.Warnings, fmt.Sprintf("%d points do not tell whether the gauge corrected its level by one meanwhile, and the interval allows for that: drain more, or repeat", f.Points))
	}
	if j := counter.jump; j.says != "" && !j.broke() {
		f.Corrected, f.CorrectedAt = j.says, j.at
	}

	charge, chargeTerm := (*charge)(nil), ""
	switch {
	case counter.rate > 0:
		charge, chargeTerm = &counter.charge, "charge counter and its learned full charge"
		f.Method = "level edges and charge counter"
	case current.rate > 0:
		charge, chargeTerm = &current.charge, "integrated current and its learned full charge"
		f.Method = "level edges and integrated current"
	default:
		f.Method = "level edges"
	}

	// The script's own wandering is seen by a counter, else it is assumed.
	wander := wanderPrior(w.length())
	if charge != nil {
		wander = charge.wander
	}
	vl := level.timing + level.bend + level.shift
	both := fused{log: math.Log(level.rate), variance: vl}
	if charge != nil {
		// A bend that was learned in this very window is in both rates: then they agree and say no more than one.
		shared := max(0, min(charge.shared, level.bend, charge.variance))
		both = fuse(level.rate, vl, charge.rate, charge.variance, shared, in.Learned != nil, charge == &current.charge && current.lock > lockSeen)
		if both.sound < 0.5 {
			f.Warnings = append(f.Warnings, fmt.Sprintf("the level says %.2f %%/h and the %s %.2f: more apart than their errors explain, so the interval was widened",
				level.rate, map[bool]string{true: "charge counter", false: "integrated current"}[charge == &counter.charge], charge.rate))
		}
	}
	v, disagree, share := both.variance, both.disagree, both.share
	full, held := in.Learned.held().full()
	rate := math.Exp(both.log) / full
	f.RatePctH = interval(rate, math.Sqrt(v+disagree+wander+held))
	f.StraightHours = 100 / rate

	volt := voltageStep(in, w, rate, counter, current)
	f.VoltageFactor = volt.factor
	f.Warnings = append(f.Warnings, volt.warnings...)
	f.Method += ", " + volt.method
	hours := f.StraightHours * volt.factor
	drifts := in.Learned.drift()
	drifts.see(powerBlocks(in, w, counter, current), 0)
	ahead, drift := drifts.ahead(w.t0-in.ActivityT.Seconds(), w.t1-in.ActivityT.Seconds(), 3600*hours)
	hours *= math.Exp(-ahead)
	f.Hours = interval(hours, math.Sqrt(v+disagree+wander+held+volt.variance+drift))
	if in.DesignMAh > 0 && in.NominalMV > 0 {
		f.HoursPerWh = hours * 1e6 / (in.DesignMAh * in.NominalMV)
	}

	f.PowerW, f.CurrentMA = power(w, counter, current, volt, wander)
	looks := f.restful(ownDrain(in, w, f.Gauge, rate))
	f.Budget = budget([]Term{
		{Name: termTiming, RelSD: (1 - share) * math.Sqrt(level.timing)},
		{Name: "bend of the level away from charge", RelSD: (1 - share) * math.Sqrt(level.bend)},
		{Name: "correction of the level by the gauge", RelSD: (1 - share) * math.Sqrt(level.shift)},
		{Name: chargeTerm, RelSD: share * math.Sqrt(chargeVariance(charge))},
		{Name: "bend that level and learned charge have in common", RelSD: math.Sqrt(both.common)},
		{Name: "disagreement of level and charge", RelSD: math.Sqrt(disagree)},
		{Name: "how long the gauge shows 100 %", RelSD: math.Sqrt(held)},
		{Name: termWander, RelSD: math.Sqrt(wander)},
		{Name: "voltage curve of the cell", RelSD: math.Sqrt(volt.variance)},
		{Name: "drift of the power with warmth after the window", RelSD: math.Sqrt(drift)},
		{Name: termLooks, RelSD: looks},
	})
	f.Assumptions = append(assumptions(f, in, charge != nil, bend, drifts), f.Assumptions...)
	if f.FromPct >= 98 {
		f.Warnings = append(f.Warnings, "the window begins near full, where some gauges hold the level: start at 98 % or below")
	}
	if in.TargetPoints > 0 && f.Points < in.TargetPoints {
		f.Warnings = append(f.Warnings, fmt.Sprintf("%d of %d points were drained", f.Points, in.TargetPoints))
	}
	return f, nil
}

func chargeVariance(c *charge) float64 {
	if c == nil {
		return 0
	}
	return c.variance
}

// budget gives each term its share, drops those that add nothing and puts the largest first.
func budget(terms []Term) []Term {
	sum := 0.0
	var out []Term
	for _, t := range terms {
		if t.RelSD > 0 {
			sum += t.RelSD * t.RelSD
			out = append(out, t)
		}
	}
	for i := range out {
		out[i].Share = out[i].RelSD * out[i].RelSD / sum
		for j := i; j > 0 && out[j].RelSD > out[j-1].RelSD; j-- {
			out[j], out[j-1] = out[j-1], out[j]
		}
	}
	return out
}

func assumptions(f Figure, in Input, fused bool, bend float64, drifts Drift) []string {
	a := []string{
		drifts.says(),
		fmt.Sprintf("the shown level bends away from true charge by %.2f point (one standard deviation, %s gauge), and over the whole of it by %.2f, which no window shows: a survey does", bend, f.Gauge, bowSD),
	}
	if in.Learned != nil && in.Learned.BendSD > 0 {
		a[1] = fmt.Sprintf("the shown level bends away from true charge by %.2f point (one standard deviation, as measured in this handset's survey)", bend)
	}
	if !fused && (in.LearnedCounter != nil || in.LearnedCurrent != nil) {
		a = append(a, "what was learned of the handset's full charge could not be used")
	}
	a = append(a, in.Learned.held().says())
	if f.PowerW != nil {
		a = append(a, "the handset's current sensor is within 1 % (charge counter) or 2 % (current readings), one standard deviation")
	}
	return a
}

// wanderPrior is the relative variance of a mean power over s seconds when background
// work comes and goes: 2 % with a correlation time of a minute, about. Assumed.
func wanderPrior(s float64) float64 { return wanderRate / s }

const wanderRate = 0.007 * 0.007 * 1000 // s
