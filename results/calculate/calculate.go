// Package calculate works one log out: the drain, the charge or the cycles that it holds.
//
// It joins the reader of foreign files to the calculators and says nothing of its own.
package calculate

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"rundown/results/charging"
	"rundown/results/csvtext"
	"rundown/results/endurance"
	"rundown/results/figure"
	"rundown/results/logfiles"
	"rundown/results/sustain"
)

// What a log may be worked out as.
const (
	AsEndurance = "endurance"
	AsCharge    = "charge"
	AsSustain   = "sustain"
)

// ErrUntold means that a log's columns do not tell what it is, ErrOption that an option holds what cannot be.
var (
	ErrUntold = errors.New("its columns do not tell what it is: say endurance, charge or sustain")
	ErrOption = errors.New("option not usable")
)

// Options are what the log itself does not say. A 0 is not known.
type Options struct {
	As string // one of the As words; empty: by what the columns are
	// AtChange says whether each line is the moment at which the level changed, as in a log taken by hand; nil: by how the log looks.
	AtChange *bool

	// Of endurance:
	WarmUpS, LoopS       float64 // left out at the beginning; length of the script's loop, s
	Points               int     // drain target; 0: all that was drained
	DesignMAh, NominalMV float64 // the maker's; together they give hours per watt-hour
	LearnedMAh           float64 // full charge in the charge counter's units
	LearnedByCurrentMAh  float64 // full charge by integrating the current readings
}

// A Result is what a log says: one of Endurance, Charge and Sustain.
type Result struct {
	File      string     `json:"file"`
	As        string     `json:"as"`
	Endurance *Endurance `json:"endurance,omitempty"`
	Charge    *Charge    `json:"charge,omitempty"`
	Sustain   *Sustain   `json:"sustain,omitempty"`
	Warnings  []string   `json:"warnings"`
}

// An Interval is a value with its 95 % interval.
type Interval = figure.Interval

// What capacities may be, mAh: no handset's cell is smaller, and what a counter of another unit calls its full charge is not larger.
const (
	leastMAh       = 100
	mostMAh        = 50_000
	mostLearnedMAh = 1_000_000
)

// Capacity checks a maker's rated capacity, mAh, of which 0 is not known. Its error is ErrOption.
func Capacity(mAh float64) error { return between("design charge", "mAh", mAh, leastMAh, mostMAh) }

func between(what, unit string, v, least, most float64) error {
	if v == 0 || v >= least && v <= most {
		return nil
	}
	return fmt.Errorf("%w: %s: want %g to %g %s, got %g", ErrOption, what, least, most, unit, v)
}

func (o Options) check() error {
	err := errors.Join(
		Capacity(o.DesignMAh),
		between("nominal voltage", "mV", o.NominalMV, 1000, 9000),
		between("learned charge", "mAh", o.LearnedMAh, leastMAh, mostLearnedMAh),
		between("learned charge by current", "mAh", o.LearnedByCurrentMAh, leastMAh, mostLearnedMAh),
		between("warm-up", "s", o.WarmUpS, math.SmallestNonzeroFloat64, 86_400),
		between("loop", "s", o.LoopS, math.SmallestNonzeroFloat64, 86_400),
		between("points", "percentage points", float64(o.Points), 1, 100),
	)
	if err == nil && o.NominalMV > 0 && o.DesignMAh == 0 {
		err = fmt.Errorf("%w: a nominal voltage is for hours per watt-hour, and these need the design charge too", ErrOption)
	}
	return err
}

// Endurance is what a drain says.
type Endurance struct {
	Hours         Interval  `json:"hours"` // from full to empty
	RatePctH      Interval  `json:"rate_pct_h"`
	PowerW        *Interval `json:"power_w,omitempty"`
	CurrentMA     *Interval `json:"current_ma,omitempty"`
	StraightHours float64   `json:"straight_hours"` // by time x 100 / points
	VoltageFactor float64   `json:"voltage_factor"`
	HoursPerWh    *float64  `json:"hours_per_wh,omitempty"` // of the maker's capacity and voltage, where both are known
	Points        int       `json:"points"`
	Window        Window    `json:"window"`
	Method        string    `json:"method"`
	Budget        []Term    `json:"budget"`
	Assumptions   []string  `json:"assumptions"`
}

// A Window is the stretch of the log that the figure is of: between the edges of two levels.
type Window struct {
	FromS   float64 `json:"from_s"` // by the log's own time
	ToS     float64 `json:"to_s"`
	FromPct int     `json:"from_pct"` // the level reached at this edge
	ToPct   int     `json:"to_pct"`
}

// A Term is one line of the budget of an interval.
type Term struct {
	Name  string  `json:"name"`
	SDPct float64 `json:"sd_pct"` // relative standard deviation, %
	Share float64 `json:"share"`  // of the variance, 0 to 1
}

// Charge is what a charge says.
type Charge struct {
	FromPct *int      `json:"from_pct"` // nil where the log has no levels
	Times   []TimeTo  `json:"time_to"`
	Spans   []Between `json:"between"`
	Source  string    `json:"power_of"` // "cell" or "plug"; empty where no power was measured
	PeakW   *Interval `json:"peak_w,omitempty"`
	HoldS   *float64  `json:"above_90pct_peak_s,omitempty"`
	Hold    *Interval `json:"hold_s,omitempty"` // the same with its interval
	BattWh  *Interval `json:"energy_into_battery_wh,omitempty"`
	PlugWh  *Interval `json:"energy_at_plug_wh,omitempty"`
	Taper   *Taper    `json:"taper,omitempty"`
	End     *End      `json:"end,omitempty"`
}

// A TimeTo is when a level was reached, from plug-in: as first shown, and by charge. Either may not be known.
type TimeTo struct {
	LevelPct int       `json:"level_pct"`
	S        *Interval `json:"s,omitempty"`
	ChargeS  *Interval `json:"by_charge_s,omitempty"`
}

// Between is how long the charge took from one level to another: as shown, and by charge where that can be told.
type Between struct {
	FromPct int       `json:"from_pct"`
	ToPct   int       `json:"to_pct"`
	S       Interval  `json:"s"`
	ChargeS *Interval `json:"by_charge_s,omitempty"`
}

// A Taper is where the taper sets in.
type Taper struct {
	AtS      float64  `json:"at_s"`
	Between  Interval `json:"between_s"`           // the same with its interval
	LevelPct *int     `json:"level_pct,omitempty"` // nil where the log has no levels
	PlateauW float64  `json:"plateau_w"`
}

// An End is when the battery was full, and by which rule.
type End struct {
	AtS  float64 `json:"at_s"`
	Rule string  `json:"rule"`
}

// Sustain is what repeated cycles say.
type Sustain struct {
	Cycles      int      `json:"cycles"`
	StartRate   float64  `json:"start_rate"` // of the cycles that cannot be told from the fastest
	SettledRate float64  `json:"settled_rate"`
	Held        Interval `json:"held"` // settled rate over that at the start
	Throttled   bool     `json:"throttled"`
	Onset       *int     `json:"onset_cycle"` // first from which the rate stays below 95 % of that at the start; nil: none
}

// Log works a log out. The error says why there is no figure, and names the file once.
func Log(file string, log logfiles.Log, o Options) (Result, error) {
	r := Result{File: file, As: o.As, Warnings: []string{}}
	if err := o.check(); err != nil {
		return r, err // of the request, not of the file
	}
	if r.As == "" {
		r.As = log.As()
	}
	var err error
	switch r.As {
	case AsCharge:
		err = r.charge(log)
	case AsSustain:
		err = r.sustain(log)
	case AsEndurance:
		err = r.endurance(log, o)
	default:
		err = ErrUntold
	}
	if r.Warnings == nil {
		r.Warnings = []string{}
	}
	if err != nil && !errors.As(err, new(logfiles.Faults)) && !errors.Is(err, logfiles.ErrLacks) { // these two name it
		err = fmt.Errorf("%s: %w", csvtext.Plain(file), err)
	}
	return r, err
}

func (r *Result) endurance(log logfiles.Log, o Options) error {
	atChange := log.AtChange()
	if o.AtChange != nil {
		atChange = *o.AtChange
	}
	samples, err := log.Endurance(atChange)
	if err != nil {
		return err
	}
	in := endurance.Input{Samples: samples, WarmUpS: o.WarmUpS, LoopS: o.LoopS, TargetPoints: o.Points, DesignMAh: o.DesignMAh, NominalMV: o.NominalMV}
	if o.LearnedMAh > 0 {
		in.LearnedCounter = &o.LearnedMAh
	}
	if o.LearnedByCurrentMAh > 0 {
		in.LearnedCurrent = &o.LearnedByCurrentMAh
	}
	f, err := endurance.Estimate(in)
	if err != nil {
		return fmt.Errorf("no figure: %w", err)
	}
	r.Endurance = &Endurance{
		Hours: f.Hours, RatePctH: f.RatePctH, PowerW: f.PowerW, CurrentMA: f.CurrentMA, StraightHours: f.StraightHours,
		VoltageFactor: f.VoltageFactor, Points: f.Points, Method: f.Method, Assumptions: f.Assumptions,
		Window: Window{f.WindowStart.Seconds(), f.WindowStop.Seconds(), f.FromPct, f.ToPct},
	}
	if f.HoursPerWh > 0 {
		r.Endurance.HoursPerWh = &f.HoursPerWh
	}
	for _, t := range f.Budget {
		r.Endurance.Budget = append(r.Endurance.Budget, Term{t.Name, 100 * t.RelSD, t.Share})
	}
	r.Warnings = slices.Concat(log.Notes, f.Warnings)
	if atChange {
		r.Warnings = append(r.Warnings, "each line is taken for the moment at which the level was seen to change")
	}
	return nil
}

func (r *Result) charge(log logfiles.Log) error {
	samples, leveled, err := log.Charge()
	if err != nil {
		return err
	}
	in := charging.Input{Samples: samples, NoLevels: !leveled}
	if len(samples) > 0 {
		in.PlugT = samples[0].T
	}
	f, err := charging.Estimate(in)
	if err != nil {
		return fmt.Errorf("no figure: %w", err)
	}
	c := &Charge{Source: f.Source, PeakW: f.PeakW, Hold: f.HoldS, BattWh: f.BattWh, PlugWh: f.PlugWh}
	if c.Hold != nil {
		c.HoldS = &c.Hold.Value
	}
	if leveled {
		c.FromPct = &f.FromPct
	}
	for _, t := range f.Times {
		c.Times = append(c.Times, TimeTo{t.LevelPct, t.S, t.ChargeS})
	}
	for _, s := range f.Spans {
		c.Spans = append(c.Spans, Between{s.FromPct, s.ToPct, s.S, s.ChargeS})
	}
	if f.Taper != nil {
		c.Taper = &Taper{AtS: f.Taper.AtS, Between: Interval{Value: f.Taper.AtS, Low: f.Taper.LowS, High: f.Taper.HighS}, PlateauW: f.Taper.PlateauW}
		if leveled {
			c.Taper.LevelPct = &f.Taper.LevelPct
		}
	}
	if f.End != nil {
		c.End = &End{f.End.AtS, f.End.Rule}
	}
	r.Charge, r.Warnings = c, slices.Concat(log.Notes, f.Warnings)
	return nil
}

func (r *Result) sustain(log logfiles.Log) error {
	scores, err := log.Scores()
	if err != nil {
		return err
	}
	f, err := sustain.OfCycles(scores)
	if err != nil {
		return fmt.Errorf("no figure: %w", err)
	}
	r.Sustain = &Sustain{Cycles: f.Count, StartRate: f.Start, SettledRate: f.Settled, Held: f.Held, Throttled: f.Throttled}
	if f.Onset > 0 {
		r.Sustain.Onset = &f.Onset
	}
	r.Warnings = log.Notes
	return nil
}
