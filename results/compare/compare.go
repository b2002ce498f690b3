package compare

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// The reasons for which nothing can be compared.
var (
	// ErrNoReference means that the side to compare with is not among the sides.
	ErrNoReference = errors.New("no such side")
	// ErrInput means that the sides are not what they should be.
	ErrInput = errors.New("input not usable")
)

// A Side is what is compared: a handset, a run, or a named line-up of several handsets.
type Side struct {
	Name string
	Runs []Run
}

// A Run is what one kept segment says of one scenario, with what it was measured under.
type Run struct {
	Handset  Handset
	Scenario string
	Segment  string // for the person: which one
	Quantity Quantity
	// Value is the quantity's, in its unit: hours from full to empty, h.
	Value float64
	// ChanceSD, BendSD and OwnSD are relative standard deviations of Value (in its unit, where the quantity is compared by difference): of what differs from
	// one run to the next, of the level's bend (the same in each run over the same stretch of levels),
	// and of what is the handset's own in every run. All 0 where it came with no interval.
	ChanceSD, BendSD, OwnSD float64
	// SharedSD is the part of OwnSD that is the same in every scenario of the handset: its cell's voltage
	// and its learned charge. It matters where scenarios are put together (OfMix).
	SharedSD float64
	// FromPct and ToPct are the levels of the start and stop edge; both 0 where not known.
	FromPct, ToPct int
	// Straight says that the hours are not corrected for the level at which the segment began.
	Straight bool
	Imported bool // came from a file, not from a handset
	Flagged  bool // a precondition drifted beyond its tolerance, or too little of it was the activity
	// FlaggedFor is why, for a person; empty: a precondition drifted.
	FlaggedFor string
	Under      Circumstances
}

// A Handset is one physical phone.
type Handset struct {
	ID    string // tells it from all others: its serial
	Model string
	// CapacityMAh and NominalMV are the maker's figures, 0 where not known.
	CapacityMAh, NominalMV float64
}

func (h Handset) wh() float64 { return h.CapacityMAh * h.NominalMV / 1e6 }

// Circumstances are what must be alike for two runs to be compared. An empty one is not known, and
// not alike with one that is.
type Circumstances struct {
	Plan        string            // name and hash of the plan
	Workload    string            // hash and version of the scenario
	Build       string            // OS build
	Calibration string            // luminance curve used
	Supply      string            // charger and cable, of a charge
	Meter       string            // whether a meter was on the charging line, of a charge
	Conditions  map[string]string // each precondition's name and the value read back, as it counts for likeness
	// RoomC is the room's mean temperature, °C; nil where no meter was in the room, which is
	// no difference: most benches have none.
	RoomC *float64
}

// MostRoomK is by how much the rooms of two runs may differ, K. Common practice, no source:
// a handset's power changes little within it.
const MostRoomK = 5

// What can be allowed by name; the name of a condition allows that one.
const (
	AllowPlan        = "plan"
	AllowWorkload    = "workload"
	AllowBuild       = "build"
	AllowCalibration = "calibration"
	AllowConditions  = "conditions"
	AllowRoom        = "room temperature"
	AllowSupply      = "charger"
	AllowMeter       = "meter"
	AllowStart       = "start level"
	AllowFlagged     = "flagged"
)

// Options say what is compared with what.
type Options struct {
	// Reference is the name of the side that the others are compared with; the first when empty.
	Reference string
	// AllPairs compares each side with each that stands before it, instead of with the reference.
	AllPairs bool
	// Allow names mismatches that do not block.
	Allow []string
}

// A Mismatch is something that was not alike on two sides.
type Mismatch struct {
	Side      string `json:"side"`
	Reference string `json:"reference"`
	Scenario  string `json:"scenario"`
	What      string `json:"what"` // the name that allows it
	Says      string `json:"says"` // for a person
	Allowed   bool   `json:"allowed"`
}

// The tests.
const (
	ByRuns     = "Welch"     // repeats, or handsets, on both sides
	ByPairs    = "paired"    // the same handsets on both sides
	ByInterval = "intervals" // one run on a side: what the intervals of the single runs say
)

// A Ratio is one side beside another at one scenario.
type Ratio struct {
	Scenario  string   `json:"scenario"`
	Quantity  Quantity `json:"-"`
	Side      string   `json:"side"`
	Reference string   `json:"reference"`

	// SideHours and ReferenceHours are the values, of whatever quantity: geometric means over runs or handsets; Low and High are 0 where there
	// is no interval.
	SideHours      Interval `json:"side_hours"`
	ReferenceHours Interval `json:"reference_hours"`
	// Ratio is hours of the side over hours of the reference; the side's value less the reference's of a
	// quantity that is compared by difference. Its interval holds the scatter
	// of the repeats and the handsets' own errors.
	Ratio        Interval `json:"ratio"`
	SideRuns     int      `json:"side_runs"`
	RefRuns      int      `json:"reference_runs"`
	SideHandsets int      `json:"side_handsets"`
	RefHandsets  int      `json:"reference_handsets"`

	By string  `json:"by"` // which test decided
	DF float64 `json:"-"`  // its effective degrees of freedom; may be infinite
	P  float64 `json:"p"`
	// PAdjusted is P corrected by Holm for all ratios of the comparison.
	PAdjusted float64 `json:"p_adjusted"`
	// Shown says that PAdjusted is below 0.05.
	Shown bool `json:"significant"`
	// Repeats is the plain test on log hours, which knows nothing of the handsets' own errors: it says
	// whether the runs differ, not whether the handsets do. Nil without repeats on both sides.
	Repeats *TTest `json:"repeats,omitempty"`
	// Says is the outcome in words: "12 % longer", "no difference shown", "left out".
	Says string `json:"conclusion"`
	// LeftOut is why there is no ratio; empty where there is one.
	LeftOut string `json:"left_out,omitempty"`

	// Battery puts the ratio beside that of the batteries; nil where a capacity is not known.
	Battery *BatteryEffect `json:"battery,omitempty"`
	// RepeatsNeeded is how many more runs a side (handsets, where both sides are several), counted from the side
	// with fewer, would show a difference as large as this one (80 % power, 95 %); 0 where it is shown.
	RepeatsNeeded int `json:"repeats_needed,omitempty"`
	// OutOfReach says that no number of repeats would: it lies within the handsets' own errors.
	OutOfReach bool     `json:"out_of_reach,omitempty"`
	Notes      []string `json:"notes,omitempty"`
	// OfRuns are those of the notes that are on the runs themselves.
	OfRuns []string `json:"-"`
}

// A BatteryEffect is how much of a ratio the batteries explain.
type BatteryEffect struct {
	// Ratio of the rated energies (or of the rated charges, where a nominal voltage is not known),
	// geometric means over a side's handsets. It is a rating, and so has no interval.
	Ratio  float64 `json:"ratio"`
	Energy bool    `json:"energy"` // whether it is of energies
	// Rest is the ratio of hours over the ratio of batteries: above 1 the side does more with each watt-hour.
	Rest Interval `json:"rest"`
	// SidePerWh and ReferencePerWh are hours per rated watt-hour; 0 where a voltage is not known.
	SidePerWh      float64 `json:"side_hours_per_wh,omitempty"`
	ReferencePerWh float64 `json:"reference_hours_per_wh,omitempty"`
	Says           string  `json:"conclusion"`
}

// A Comparison is a set of ratios, tested together.
type Comparison struct {
	Reference  string     `json:"reference,omitempty"` // empty when all pairs are compared
	Ratios     []Ratio    `json:"ratios"`
	Mismatches []Mismatch `json:"mismatches,omitempty"`
	Tested     int        `json:"tested"` // ratios that the correction is for
}

// priorRuns is how many runs the calculator's expectation of a run's scatter counts for beside the
// scatter seen. With two or three repeats the scatter seen alone says next to nothing.
const priorRuns = 6

// sameStretch is how far apart two start levels may be, in points, and still be the same stretch of
// the level's bend.
const sameStretch = 3

// Compare puts the sides beside each other, scenario by scenario in the order in which the
// sides have them. Its error is ErrInput or ErrNoReference, wrapped with the reason.
func Compare(sides []Side, o Options) (Comparison, error) {
	if err := check(sides); err != nil {
		return Comparison{}, err
	}
	var pairs [][2]Side
	c := Comparison{}
	if o.AllPairs {
		for i := range sides {
			for j := range i {
				pairs = append(pairs, [2]Side{sides[i], sides[j]})
			}
		}
	} else {
		c.Reference = cmp.Or(o.Reference, sides[0].Name)
		at := slices.IndexFunc(sides, func(s Side) bool { return s.Name == c.Reference })
		if at < 0 {
			var names []string
			for _, s := range sides {
				names = append(names, s.Name)
			}
			return Comparison{}, fmt.Errorf("%w: the reference %q is none of %s", ErrNoReference, c.Reference, strings.Join(names, ", "))
		}
		for i, s := range sides {
			if i != at {
				pairs = append(pairs, [2]Side{s, sides[at]})
			}
		}
	}

	var plans []planning
	for _, k := range kindsOf(sides) {
		scenario := k.scenario
		for _, p := range pairs {
			var plan planning
			r := Ratio{Scenario: scenario, Quantity: k.quantity, Side: p[0].Name, Reference: p[1].Name}
			a, b := of(p[0], k), of(p[1], k)
			if len(a) == 0 && len(b) == 0 {
				continue
			}
			hadA, hadB := len(a) > 0, len(b) > 0
			a, b, mismatches := alike(a, b, p, scenario, o.Allow)
			c.Mismatches = append(c.Mismatches, mismatches...)
			blocked := slices.DeleteFunc(slices.Clone(mismatches), func(m Mismatch) bool { return m.Allowed || m.What == AllowFlagged })
			switch {
			case len(blocked) > 0:
				var what []string
				for _, m := range blocked {
					if !slices.Contains(what, m.What) {
						what = append(what, m.What)
					}
				}
				r.LeftOut = "not measured alike: " + strings.Join(what, ", ")
			case len(a) == 0:
				r.LeftOut = k.lacking(p[0].Name, hadA)
			case len(b) == 0:
				r.LeftOut = k.lacking(p[1].Name, hadB)
			default:
				plan = r.measure(a, b)
			}
			c.Ratios = append(c.Ratios, r)
			plans = append(plans, plan)
		}
	}
	c.correct(plans)
	return c, nil
}

// counted names what was tested: ratios, where all of it is one.
func (c *Comparison) counted() string {
	if slices.ContainsFunc(c.Ratios, func(r Ratio) bool { return r.Quantity.Apart }) {
		return "comparisons"
	}
	return "ratios"
}

func check(sides []Side) error {
	if len(sides) < 2 {
		return fmt.Errorf("%w: %d side, want 2 or more", ErrInput, len(sides))
	}
	seen := map[string]bool{}
	for _, s := range sides {
		if s.Name == "" || seen[s.Name] {
			return fmt.Errorf("%w: side %q: each side needs a name of its own", ErrInput, s.Name)
		}
		seen[s.Name] = true
		for _, r := range s.Runs {
			for _, v := range []float64{r.ChanceSD, r.BendSD, r.OwnSD, r.Handset.CapacityMAh, r.Handset.NominalMV} {
				if !(v >= 0) || math.IsInf(v, 0) {
					return fmt.Errorf("%w: %s, %s, segment %s: %g is no standard deviation, capacity or voltage", ErrInput, s.Name, r.Scenario, r.Segment, v)
				}
			}
			if q := r.Quantity.filled(); !q.allows(r.Value) {
				return fmt.Errorf("%w: %s, %s, segment %s: %g %s", ErrInput, s.Name, kind{r.Scenario, r.Quantity}, r.Segment, r.Value, q.Unit)
			}
			if r.Handset.ID == "" {
				return fmt.Errorf("%w: %s, %s, segment %s does not say on which handset", ErrInput, s.Name, r.Scenario, r.Segment)
			}
		}
	}
	return nil
}

// A kind is what is compared with its like: a quantity at a scenario.
type kind struct {
	scenario string
	quantity Quantity
}

func (k kind) String() string {
	if k.quantity.Name == "" {
		return k.scenario
	}
	return k.scenario + ", " + k.quantity.Name
}

// lacking is why a side has none of the kind; flagged says that it has, and all of it is flagged.
func (k kind) lacking(side string, flagged bool) string {
	text := side + " has no figure of " + k.String()
	switch {
	case flagged:
		return "what " + side + " has of " + k.scenario + " is flagged"
	case k.quantity.Needs != "":
		text += ", which needs " + k.quantity.Needs
	}
	return text
}

func kindsOf(sides []Side) (kinds []kind) {
	for _, s := range sides {
		for _, r := range s.Runs {
			if k := (kind{r.Scenario, r.Quantity}); !slices.Contains(kinds, k) {
				kinds = append(kinds, k)
			}
		}
	}
	return kinds
}

func of(s Side, k kind) (runs []Run) {
	for _, r := range s.Runs {
		if (kind{r.Scenario, r.Quantity}) == k {
			runs = append(runs, r)
		}
	}
	return runs
}

// handsets are a side's runs by handset, in the order in which they come.
func handsets(runs []Run) (groups [][]Run) {
	at := map[string]int{}
	for _, r := range runs {
		i, ok := at[r.Handset.ID]
		if !ok {
			i = len(groups)
			at[r.Handset.ID] = i
			groups = append(groups, nil)
		}
		groups[i] = append(groups[i], r)
	}
	return groups
}

// A mean is a side's mean on the quantity's scale, the log hours, with what its variance is made of.
type mean struct {
	log    float64
	chance part    // what more runs would make smaller
	own    float64 // variance of what they would not
	runs   Summary // the observations of the plain test
	// scatter is the standard deviation of one observation, as planning takes it.
	scatter float64
	unknown bool // no interval came with the hours and there is no scatter to see
}

// meanOf is the mean of one handset's runs, or of several handsets' means.
func meanOf(runs []Run) mean {
	groups := handsets(runs)
	if len(groups) == 1 {
		return oneHandset(runs)
	}
	var logs []float64
	var measuring, own float64
	oneModel := true
	unknown := 0
	n := float64(len(groups))
	for _, g := range groups {
		m := oneHandset(g)
		logs = append(logs, m.log)
		measuring += (m.chance.variance + m.own) / n
		own += m.own / n
		oneModel = oneModel && g[0].Handset.Model != "" && g[0].Handset.Model == groups[0][0].Handset.Model
		if m.unknown {
			unknown++
		}
	}
	s := Summarise(logs)
	out := mean{log: s.Mean, runs: s, scatter: math.Sqrt(max(s.SD*s.SD, measuring))}
	out.chance = part{out.scatter * out.scatter / n, n - 1}
	// Handsets of one model share cell, gauge and warming, so more of them do not average those.
	if oneModel {
		out.own = own
	}
	out.unknown = out.scatter == 0
	return out
}

func oneHandset(runs []Run) mean {
	n := float64(len(runs))
	var logs []float64
	var chance, bend, own float64
	for _, r := range runs {
		logs = append(logs, r.Quantity.filled().of(r.Value))
		chance += r.ChanceSD * r.ChanceSD / n
		bend += r.BendSD * r.BendSD / n
		own += r.OwnSD * r.OwnSD / n
	}
	s := Summarise(logs)
	df := n - 1
	variance := s.SD * s.SD
	if chance > 0 {
		// What is expected of a run counts as so many further runs.
		variance = (priorRuns*chance + df*variance) / (priorRuns + df)
		df += priorRuns
	}
	return mean{
		log: s.Mean, runs: s, scatter: math.Sqrt(variance),
		chance:  part{variance / n, df},
		own:     own + bend/float64(stretches(runs)),
		unknown: variance == 0,
	}
}

// stretches is how many stretches of level that do not overlap the runs cover: the bend of each is
// its own, so that repeats from different levels do average it.
func stretches(runs []Run) int {
	ordered := slices.SortedFunc(slices.Values(runs), func(a, b Run) int { return b.FromPct - a.FromPct })
	n, floor := 1, ordered[0].ToPct
	for _, r := range ordered[1:] {
		if r.FromPct > 0 && r.FromPct <= floor {
			n, floor = n+1, r.ToPct
		}
	}
	return n
}

// sameLevels says whether all runs began at about the same level.
func sameLevels(runs []Run) bool {
	lo, hi := 101, 0
	for _, r := range runs {
		lo, hi = min(lo, r.FromPct), max(hi, r.FromPct)
	}
	return lo > 0 && hi-lo <= sameStretch
}

// measure fills in the ratio of a over b, which are alike and not empty.
func (r *Ratio) measure(a, b []Run) planning {
	ga, gb := handsets(a), handsets(b)
	r.SideRuns, r.RefRuns, r.SideHandsets, r.RefHandsets = len(a), len(b), len(ga), len(gb)
	ma, mb := meanOf(a), meanOf(b)
	q := r.Quantity.filled()
	r.SideHours, r.ReferenceHours = ma.back(q), mb.back(q)

	common := 0
	for _, g := range ga {
		if slices.ContainsFunc(b, func(x Run) bool { return x.Handset.ID == g[0].Handset.ID }) {
			common++
		}
	}
	var log float64
	parts := []part{ma.chance, mb.chance}
	own := ma.own + mb.own
	scatterA, scatterB := ma.scatter, mb.scatter
	unknown := ma.unknown || mb.unknown
	switch {
	case common > 1 && common == len(ga) && common == len(gb):
		r.By = ByPairs
		var la, lb []float64
		var least float64 // the measuring alone, of one difference
		for _, g := range ga {
			at := slices.IndexFunc(gb, func(x []Run) bool { return x[0].Handset.ID == g[0].Handset.ID })
			one, other := oneHandset(g), oneHandset(gb[at])
			la, lb = append(la, one.log), append(lb, other.log)
			least += (one.chance.variance + other.chance.variance) / float64(common)
		}
		if t, err := Paired(la, lb); err == nil {
			r.Repeats = &t
		}
		d := make([]float64, common)
		for i := range d {
			d[i] = la[i] - lb[i]
		}
		s := Summarise(d)
		log = s.Mean
		variance := max(s.SD*s.SD, least)
		parts = []part{{variance / float64(common), float64(common - 1)}}
		own = bendLeft(a, b)
		scatterA, scatterB = math.Sqrt(variance/2), math.Sqrt(variance/2)
		unknown = variance == 0
	default:
		log = ma.log - mb.log
		r.By = ByInterval
		if ma.runs.N > 1 && mb.runs.N > 1 {
			r.By = ByRuns
			if t, err := Welch(ma.runs, mb.runs); err == nil {
				r.Repeats = &t
			}
		}
		switch {
		case common == 1 && len(ga) == 1 && len(gb) == 1:
			own = bendLeft(a, b)
			r.Notes = append(r.Notes, "the same handset on both sides: its own errors cancel")
		case common > 0:
			r.Notes = append(r.Notes, "some handsets are on both sides, so the sides are not independent: name the same ones on both to have them paired")
		}
	}
	r.Ratio.Value = q.back(log)
	if len(ga) == 1 && len(a) == 1 || len(gb) == 1 && len(b) == 1 {
		r.Notes = append(r.Notes, "one run on a side: how much that handset differs from run to run was not seen")
	}
	if slices.ContainsFunc(append(slices.Clone(a), b...), func(x Run) bool { return x.Imported }) {
		r.Notes = append(r.Notes, "imported figures are among them")
	}
	r.OfRuns = slices.Clone(r.Notes)
	if unknown {
		r.Ratio = Interval{}
		r.LeftOut = "no interval: the figure of a side came without one and it has no repeats"
		return planning{}
	}
	all := append(parts, part{own, math.Inf(1)})
	r.DF = effectiveDF(all)
	variance := 0.0
	for _, p := range all {
		variance += p.variance
	}
	t := outcome(log, math.Sqrt(variance), r.DF)
	r.Ratio = Interval{Value: q.back(log), Low: q.back(t.Difference.Low), High: q.back(t.Difference.High)}
	r.P = t.P
	if q.PerWh {
		r.Battery = batteryEffect(ga, gb, *r)
	}
	return planning{log, scatterA, scatterB, math.Sqrt(own), min(ma.runs.N, mb.runs.N)}
}

// planning is what the number of further runs follows from.
type planning struct {
	difference, scatterA, scatterB, own float64
	have                                int
}

// bendLeft is the variance that is left of the level's bend when a handset is compared with
// itself: none over the same stretch of levels, else that of both.
func bendLeft(a, b []Run) float64 {
	if sameLevels(append(slices.Clone(a), b...)) {
		return 0
	}
	sum := 0.0
	for _, runs := range [][]Run{a, b} {
		for _, g := range handsets(runs) {
			for _, x := range g {
				sum += x.BendSD * x.BendSD / float64(len(g)*stretches(g)*len(handsets(runs)))
			}
		}
	}
	return sum
}

// back is the mean in the quantity's unit, with its own interval.
func (m mean) back(q Quantity) Interval {
	if m.unknown {
		return Interval{Value: q.back(m.log)}
	}
	parts := []part{m.chance, {m.own, math.Inf(1)}}
	t := outcome(m.log, math.Sqrt(m.chance.variance+m.own), effectiveDF(parts))
	return Interval{Value: q.back(m.log), Low: q.back(t.Difference.Low), High: q.back(t.Difference.High)}
}

func batteryEffect(ga, gb [][]Run, r Ratio) *BatteryEffect {
	// The geometric mean of a quantity over handsets; 0 where one does not have it.
	mean := func(groups [][]Run, of func(Handset) float64) float64 {
		sum := 0.0
		for _, g := range groups {
			sum += math.Log(of(g[0].Handset)) / float64(len(groups))
		}
		return math.Exp(sum)
	}
	e := BatteryEffect{}
	a, b := mean(ga, Handset.wh), mean(gb, Handset.wh)
	if a > 0 && b > 0 {
		e.Energy = true
		e.SidePerWh, e.ReferencePerWh = r.SideHours.Value/a, r.ReferenceHours.Value/b
	} else {
		charge := func(h Handset) float64 { return h.CapacityMAh }
		a, b = mean(ga, charge), mean(gb, charge)
		if !(a > 0 && b > 0) {
			return nil
		}
	}
	e.Ratio = a / b
	e.Rest = Interval{Value: r.Ratio.Value / e.Ratio, Low: r.Ratio.Low / e.Ratio, High: r.Ratio.High / e.Ratio}
	battery := map[bool]string{true: "watt-hours", false: "mAh"}[e.Energy]
	size := changed(e.Ratio, "more", "fewer", "as many "+battery)
	if size != "as many "+battery {
		size += " " + battery
	}
	switch rest := changed(e.Rest.Value, "more", "less", "as much"); {
	case e.Rest.Low <= 1 && e.Rest.High >= 1:
		e.Says = size + ": the battery explains it"
	case r.Quantity.Name != "":
		e.Says = fmt.Sprintf("%s, and for each of them %s", size, r.Quantity.says(e.Rest.Value))
	default:
		e.Says = fmt.Sprintf("%s, and %s from each of them", size, rest)
	}
	return &e
}

// changed is a ratio in words, to whole per cent: "12 % longer".
func changed(ratio float64, up, down, same string) string {
	percent := math.Round(100 * (ratio - 1))
	switch {
	case percent > 0:
		return fmt.Sprintf("%.0f %% %s", percent, up)
	case percent < 0:
		return fmt.Sprintf("%.0f %% %s", -percent, down)
	}
	return same
}

// correct runs Holm's correction over the ratios there are, and says what each shows and what would
// settle what is open.
func (c *Comparison) correct(plans []planning) {
	var p []float64
	for _, r := range c.Ratios {
		if r.LeftOut == "" {
			p = append(p, r.P)
		}
	}
	c.Tested = len(p)
	corrected := Holm(p)
	for i := range c.Ratios {
		r := &c.Ratios[i]
		if r.LeftOut != "" {
			r.Says = "left out"
			continue
		}
		r.PAdjusted, corrected = corrected[0], corrected[1:]
		r.Shown = r.PAdjusted < 0.05
		switch {
		case r.Shown:
			r.Says = r.Quantity.filled().says(r.Ratio.Value)
		default:
			r.Says = "no difference shown"
			plan := plans[i]
			if n, ok := RunsToShow(plan.difference, plan.scatterA, plan.scatterB, plan.own); ok {
				r.RepeatsNeeded = max(1, n-plan.have)
			} else {
				r.OutOfReach = true
			}
			if r.P < 0.05 {
				r.Notes = append(r.Notes, fmt.Sprintf("its own interval leaves out %g, but among %d %s one may do so by chance", r.Quantity.filled().same(), c.Tested, c.counted()))
			}
			switch {
			case r.OutOfReach:
				r.Notes = append(r.Notes, "a difference this small is within what repeats on these handsets can settle: no number of them would show it")
			default:
				what := map[bool]string{true: "handset", false: "run"}[r.SideHandsets > 1 && r.RefHandsets > 1]
				if r.RepeatsNeeded > 1 {
					what += "s"
				}
				r.Notes = append(r.Notes, fmt.Sprintf("%d more %s a side would settle a difference of this size (80 %% power)", r.RepeatsNeeded, what))
			}
		}
	}
}
