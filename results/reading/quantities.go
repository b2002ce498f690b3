package reading

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rundown/results"
	"rundown/results/compare"
	"rundown/results/report"
)

// What differs from one charge, or one stretch of sustained work, of a handset to the next, as a
// relative standard deviation: guesses, which repeats outvote (see compare). Times and energies of
// a charge hang on how warm cell and room are; a rate on what else the handset does.
const (
	chargeScatter = 0.015
	workScatter   = 0.02
)

// Of battery temperatures, in K: what differs from run to run, and what a handset's own sensor is
// off by. Guesses, as above.
const (
	tempScatterK = 0.5
	tempOwnK     = 0.5
)

// The battery temperatures, °C, and the level, %, above which the minutes of a charge are counted. Why these:
// report.BatteryLife.
const (
	hotC    = report.HotC
	hotterC = report.HotterC
	fullPct = report.FullPct
)

// quantities collects what one segment says, as a comparison takes it.
type quantities struct {
	base    compare.Run
	scatter float64
	list    []compare.Run
}

// add takes a value with its 95 % interval; low and high of 0 are none. own says that the interval
// is of the handset's own errors, which repeats share; else of what differs each time.
func (q *quantities) add(of compare.Quantity, i Interval, own bool) {
	r := q.base
	r.Quantity, r.Value, r.ChanceSD = of, i.Value, q.scatter
	if !(i.Value > 0) && !of.Apart {
		return
	}
	sd := 0.0
	switch {
	case i.High <= i.Low:
	case of.Apart:
		sd = (i.High - i.Low) / 2 / 1.96
	case i.Low > 0:
		sd = math.Log(i.High/i.Low) / 2 / 1.96
	default:
		sd = (i.High - i.Value) / i.Value / 1.96
	}
	if own {
		r.OwnSD = sd
	} else {
		r.ChanceSD = math.Hypot(r.ChanceSD, sd)
	}
	q.list = append(q.list, r)
}

// temperature takes a battery temperature, °C.
func (q *quantities) temperature(name string, c *float64) {
	if c == nil {
		return
	}
	r := q.base
	r.Quantity = compare.Quantity{Name: name, Unit: "°C", Apart: true, More: "warmer", Less: "cooler"}
	r.Value, r.ChanceSD, r.OwnSD = *c, tempScatterK, tempOwnK
	q.list = append(q.list, r)
}

func minutes(i Interval) Interval {
	return Interval{Value: i.Value / 60, Low: i.Low / 60, High: i.High / 60}
}

func timeQuantity(name string) compare.Quantity {
	return compare.Quantity{Name: name, Unit: "min", PerWh: true, More: "longer", Less: "shorter"}
}

func amount(name, unit string, perWh bool) compare.Quantity {
	return compare.Quantity{Name: name, Unit: unit, PerWh: perWh, More: "more", Less: "less"}
}

func height(name, unit string) compare.Quantity {
	return compare.Quantity{Name: name, Unit: unit, More: "higher", Less: "lower"}
}

// metered is a quantity of what arrives.
func metered(q compare.Quantity) compare.Quantity {
	q.Needs = "a meter on the charging line"
	return q
}

// Quantities of a charge as they are named wherever it is compared.
const (
	QuantityMain    = "20 to 80 %"
	QuantityFull    = "to full"
	QuantityHottest = "battery temperature, highest"
)

// compared are the quantities of a charge that can be put beside those of another. Times from
// plug-in are compared from one start level only.
func (c Charge) compared(base compare.Run) []compare.Run {
	q := quantities{base: base, scatter: chargeScatter}
	q.base.Under.Supply, q.base.Under.Meter = c.Supply, "without one"
	switch {
	case c.Imported && c.Meter == "" && c.SocketWh == nil && c.PeakSocketW == nil:
		q.base.Under.Meter = "" // a file does not say
	case c.Meter != "" || c.SocketWh != nil || c.PeakSocketW != nil:
		q.base.Under.Meter = "with one"
	}
	fromStart := func(name string, toPct float64, i Interval) {
		q.add(timeQuantity(name), minutes(i), false)
		last := &q.list[len(q.list)-1]
		// Where within its point the level began is not known: a rectangle of a point (JCGM 100:2008, 4.3.7).
		last.ChanceSD = math.Hypot(last.ChanceSD, 1/math.Sqrt(12)/max(toPct-float64(c.FromPct), 1))
		last.FromPct, last.Straight = max(c.FromPct, 1), true // 0 stands for one that is not known
	}
	for _, t := range c.Times {
		if t.S != nil && t.LevelPct < 100 && t.S.Value > 0 { // when 100 is shown hangs on the gauge more than on the charge
			fromStart(fmt.Sprintf("to %d %%", t.LevelPct), float64(t.LevelPct), *t.S)
		}
	}
	if c.FullS != nil && *c.FullS > 0 {
		fromStart(QuantityFull, 100, Interval{Value: *c.FullS})
	}
	for _, s := range c.Spans {
		q.add(timeQuantity(fmt.Sprintf("%d to %d %%", s.FromPct, s.ToPct)), minutes(s.S), false)
	}
	some := func(of compare.Quantity, i *Interval, own bool) {
		if i != nil {
			q.add(of, *i, own)
		}
	}
	some(height("peak into the battery", "W"), c.PeakW, true)
	some(metered(height("peak arriving", "W")), c.PeakSocketW, true)
	if c.Hold != nil && c.PeakOf != "" {
		hold := timeQuantity("within 90 % of the peak " + whereOf(c.PeakOf))
		hold.PerWh = false
		q.add(hold, minutes(*c.Hold), false)
	}
	if d := c.FirstDrop; d != nil && c.PeakOf != "" {
		where := whereOf(c.PeakOf)
		first := timeQuantity("until power first falls by a tenth " + where)
		first.PerWh = false
		q.add(first, minutes(d.S), false)
		if d.HeldW > 0 {
			q.add(height("held until then "+where, "W"), around(d.HeldW, heldSD), true)
		}
		if d.ToW != nil {
			q.add(height("held after that "+where, "W"), around(*d.ToW, heldSD), true)
		}
	}
	if c.Taper != nil && c.TaperPct != nil && c.PeakOf != "" && c.Taper.Value > 0 {
		fromStart("until the taper "+whereOf(c.PeakOf), float64(*c.TaperPct), *c.Taper)
	}
	some(amount("energy into the battery", "Wh", true), c.BatteryWh, true)
	some(metered(amount("energy arriving", "Wh", true)), c.SocketWh, true)
	if c.BatteryWh != nil && c.FullS != nil && *c.FullS > 0 {
		perS := 3600 / *c.FullS
		q.add(height("mean power into the battery, to full", "W"), Interval{Value: c.BatteryWh.Value * perS, Low: c.BatteryWh.Low * perS, High: c.BatteryWh.High * perS}, true)
	}
	if c.Efficiency != nil && c.BatteryWh != nil && c.SocketWh != nil && c.BatteryWh.Low > 0 && c.SocketWh.Low > 0 {
		half := math.Hypot(math.Log(c.BatteryWh.High/c.BatteryWh.Low), math.Log(c.SocketWh.High/c.SocketWh.Low)) / 2
		e := 100 * *c.Efficiency
		q.add(metered(height("efficiency, into the battery of what arrives", "%")), Interval{Value: e, Low: e * math.Exp(-half), High: e * math.Exp(half)}, true)
	}
	q.temperature(QuantityHottest, c.HighestTempC)
	q.temperature("battery temperature, mean", c.MeanTempC)
	if c.HotS != nil {
		r := q.base
		r.Quantity = compare.Quantity{Name: fmt.Sprintf("battery above %g °C", hotC), Unit: "min", Apart: true, More: "longer", Less: "shorter"}
		r.Value, r.ChanceSD = *c.HotS/60, hotScatterMin
		q.list = append(q.list, r)
	}
	return q.list
}

// hotScatterMin is by how much the minutes above a temperature differ between two charges of a
// handset, min: a guess. A battery that stays near that temperature crosses it early or late.
const hotScatterMin = 2.0

// heldSD is what the handset's own current sensor is off by, relative: assumed, as for its energies.
const heldSD = 0.02

func around(v, sd float64) Interval {
	return Interval{Value: v, Low: v * (1 - 1.96*sd), High: v * (1 + 1.96*sd)}
}

// whereOf says which power hold and taper are of.
func whereOf(source string) string {
	if source == "plug" {
		return "(arriving)"
	}
	return "(into the battery)"
}

// compared are the quantities of a piece of sustained work that can be put beside those of another.
func (h Sustained) compared(base compare.Run) []compare.Run {
	q := quantities{base: base, scatter: workScatter}
	if h.Workload != "" && h.Workload != h.Scenario {
		q.base.Scenario = h.Scenario + ", " + h.Workload
	}
	rate := func(name string, v float64) {
		if v > 0 {
			q.add(compare.Quantity{Name: name, Unit: h.Unit, More: "faster", Less: "slower"}, Interval{Value: v}, false)
		}
	}
	rate("rate at the start", h.StartRate)
	rate(h.SayEnd(), h.SettledRate)
	if h.Held != nil {
		q.add(height("share held", "%"), Interval{Value: 100 * h.Held.Value, Low: 100 * h.Held.Low, High: 100 * h.Held.High}, false)
	}
	if h.SettleS != nil && *h.SettleS > 0 {
		q.add(compare.Quantity{Name: "time to settle", Unit: "min", More: "longer", Less: "shorter"}, Interval{Value: *h.SettleS / 60, Low: max(*h.SettleS-settleGrainS, settleGrainS) / 60, High: (*h.SettleS + settleGrainS) / 60}, false)
	}
	q.temperature(QuantityHottest, h.HighestTempC)
	q.temperature("battery temperature, mean", h.MeanTempC)
	q.temperature("skin temperature, highest", h.HighestSkinC)
	if h.PowerW != nil {
		q.add(height("power, mean", "W"), Interval{Value: *h.PowerW}, false)
	}
	if h.WorkPerJ != nil {
		q.add(amount("work for a joule", "1/J", false), Interval{Value: *h.WorkPerJ}, false)
	}
	if n := len(h.Each); h.Points != nil && *h.Points > 0 && n > 1 {
		worked := h.Each[n-1].EndedAt.Sub(h.Each[0].EndedAt)
		if h.Each[0].TookS != nil {
			worked += time.Duration(*h.Each[0].TookS * float64(time.Second))
		}
		if hours := worked.Hours(); hours > 0 {
			perH := 1 / hours
			p := *h.Points * perH
			// The level is read in whole points at both ends.
			q.add(height("battery, points an hour", "%/h"), Interval{Value: p, Low: max(p-perH, 0), High: p + perH}, false)
		}
	}
	return q.list
}

// settleGrainS is how finely the time to settle is told, s: about a lot.
const settleGrainS = 60

// segmentQuantities are what the charge, or the sustained work, of one segment says, as a comparison
// takes it.
type segmentQuantities struct {
	segment, scenario string
	charge, work      []compare.Run
	// Why a charge, or sustained work, that took place gives nothing to compare.
	noCharge, noWork string
}

// quantitiesOf works that out for the kept segments of a run, once when it has ended.
func (rm *Room) quantitiesOf(r results.Run) ([]segmentQuantities, error) {
	from := rm.store.Look()
	defer from.End()
	rm.estimates.mu.Lock()
	have, ok := rm.estimates.others[r.ID]
	rm.estimates.mu.Unlock()
	if ok {
		return have, nil
	}
	segments, err := rm.store.Segments(r.ID)
	var list []segmentQuantities
	for _, g := range segments {
		if g.Outcome == results.Underway || g.Outcome == results.Skipped {
			continue
		}
		one, base := segmentQuantities{segment: g.ID, scenario: g.Scenario}, baseOf(r, g)
		if chargedIn(g) {
			if c := rm.chargeOf(g, r.Handset, true); c.Reason == "" {
				one.charge = c.compared(base)
			} else {
				one.noCharge = cmp.Or(c.Reason, "no figure")
			}
		}
		var work []Sustained
		if works(g) {
			var workErr error
			work, workErr = rm.sustainedOf(g, true)
			err = errors.Join(err, workErr)
		}
		for _, h := range work {
			if h.Reason == "" {
				one.work = append(one.work, h.compared(base)...)
			} else {
				one.noWork = cmp.Or(h.Reason, "no figure")
			}
		}
		if len(one.charge)+len(one.work) > 0 || one.noCharge+one.noWork != "" {
			list = append(list, one)
		}
	}
	if err != nil || r.EndedAt.IsZero() {
		return list, err
	}
	rm.estimates.mu.Lock()
	defer rm.estimates.mu.Unlock()
	if rm.estimates.others == nil || len(rm.estimates.others) >= estimatesKept/4 {
		rm.estimates.others = map[string][]segmentQuantities{}
	}
	if from.Holds(r.ID) {
		rm.estimates.others[r.ID] = list
	}
	return list, nil
}

// works reports whether a segment is one of sustained work, also where it gave nothing.
func works(g results.Segment) bool {
	return g.Outcome == results.Measured || g.Outcome == results.Flagged || g.Imported == results.AsSustain || len(PiecesOf(g)) > 0
}

// A Compared is one quantity of one side beside the reference's.
type Compared struct {
	Scenario  string `json:"scenario"`
	Quantity  string `json:"quantity"`
	Unit      string `json:"unit"`
	Side      string `json:"side"`
	Reference string `json:"reference"`

	SideValue      *Interval `json:"side_value,omitempty"` // in the unit; without an interval where it has none
	ReferenceValue *Interval `json:"reference_value,omitempty"`
	// One of the two: the ratio of the values, or the side's value less the reference's, in the unit
	// (temperatures: K).
	Ratio      *Interval `json:"ratio,omitempty"`
	Difference *Interval `json:"difference,omitempty"`
	// RatioPerWh is the ratio with the batteries' rated energies (or charges) taken out.
	RatioPerWh *Interval `json:"ratio_per_battery,omitempty"`

	SideRuns      int      `json:"side_runs"`
	ReferenceRuns int      `json:"reference_runs"`
	Test          string   `json:"by,omitempty"`
	P             float64  `json:"p,omitempty"`
	PAdjusted     float64  `json:"p_adjusted,omitempty"`
	Significant   bool     `json:"significant"`
	Conclusion    string   `json:"conclusion"`
	LeftOut       string   `json:"left_out,omitempty"`
	RepeatsNeeded int      `json:"repeats_needed,omitempty"`
	OutOfReach    bool     `json:"out_of_reach,omitempty"`
	Notes         []string `json:"notes,omitempty"`
}

// A ComparedSet are quantities of one part of the work, tested together.
type ComparedSet struct {
	Heading    string             `json:"heading,omitempty"` // the answer in a sentence; empty without any
	Quantities []Compared         `json:"quantities"`
	Tested     int                `json:"tested"` // for which the correction is
	Mismatches []compare.Mismatch `json:"mismatches,omitempty"`
	// Absent are the sides of which nothing was compared, with the one reason for it.
	Absent []compare.NotCompared `json:"absent,omitempty"`
}

// comparedSet puts the sides' quantities beside each other. what names them ("charge"), and lacking is why
// a side has none at all, where something is known of that.
func comparedSet(what string, sides []compare.Side, lacking map[string]string, o compare.Options) (ComparedSet, error) {
	out := ComparedSet{Quantities: []Compared{}}
	c, err := compare.Compare(sides, o)
	if err != nil {
		return out, err
	}
	none := map[string]string{}
	for _, s := range sides {
		if len(s.Runs) == 0 {
			none[s.Name] = s.Name + " has no " + what
			if why := lacking[s.Name]; why != "" {
				none[s.Name] = fmt.Sprintf("%s has no %s that counts: %s", s.Name, what, why)
			}
		}
	}
	for i := range c.Ratios {
		if r := &c.Ratios[i]; r.LeftOut != "" {
			r.LeftOut = cmp.Or(none[r.Side], none[r.Reference], r.LeftOut)
		}
	}
	out.Absent = compare.Absent(len(c.Ratios), func(i int) (side, leftOut string) { return c.Ratios[i].Side, c.Ratios[i].LeftOut })
	out.Tested = c.Tested
	// A charge is not alike once, not once a quantity.
	seen := map[compare.Mismatch]bool{}
	for _, m := range c.Mismatches {
		if !seen[m] {
			seen[m] = true
			out.Mismatches = append(out.Mismatches, m)
		}
	}
	for _, r := range c.Ratios {
		out.Quantities = append(out.Quantities, comparedOf(r))
	}
	return out, nil
}

func comparedOf(r compare.Ratio) Compared {
	given := func(i Interval) *Interval {
		if i == (Interval{}) {
			return nil
		}
		return &i
	}
	one := Compared{
		Scenario: r.Scenario, Quantity: r.Quantity.Name, Unit: r.Quantity.Unit, Side: r.Side, Reference: r.Reference, SideValue: given(r.SideHours), ReferenceValue: given(r.ReferenceHours),
		SideRuns: r.SideRuns, ReferenceRuns: r.RefRuns, Test: r.By, P: r.P, PAdjusted: r.PAdjusted, Significant: r.Shown, Conclusion: r.Says, LeftOut: r.LeftOut,
		RepeatsNeeded: r.RepeatsNeeded, OutOfReach: r.OutOfReach, Notes: r.OfRuns,
	}
	if r.LeftOut != "" {
		return one
	}
	if r.Quantity.Apart {
		one.Difference = &r.Ratio
	} else {
		one.Ratio = &r.Ratio
	}
	if r.Battery != nil {
		one.RatioPerWh = given(r.Battery.Rest)
	}
	return one
}

// heading is the answer in a sentence: what is shown of the quantities that are asked for first,
// or how many others are.
func (s ComparedSet) heading(what, reference string, first []string) string {
	var order []string
	said := map[string][]string{}
	tested, others := map[string]int{}, map[string]int{}
	for _, c := range s.Quantities {
		if !slices.Contains(order, c.Side) {
			order = append(order, c.Side)
		}
		if c.LeftOut == "" {
			tested[c.Side]++
		}
		switch {
		case !c.Significant:
		case slices.Contains(first, c.Quantity):
			said[c.Side] = append(said[c.Side], c.Quantity+" "+c.Conclusion)
		default:
			others[c.Side]++
		}
	}
	if len(order) == 0 {
		return ""
	}
	var parts []string
	for _, side := range order {
		text := strings.Join(said[side], ", ")
		switch {
		case tested[side] == 0:
			text = "not compared"
		case text == "" && others[side] == 0:
			text = "no difference shown"
		case text == "":
			text = fmt.Sprintf("%d of %d quantities differ", others[side], tested[side])
		}
		parts = append(parts, side+" "+text)
	}
	if reference == "" { // each with each
		shown := 0
		for _, c := range s.Quantities {
			if c.Significant {
				shown++
			}
		}
		return fmt.Sprintf("%d of %d differences of %s are shown", shown, s.Tested, what)
	}
	return "Against " + reference + ", " + what + ": " + strings.Join(parts, "; ")
}

// Present are the quantities of the sides that are not Absent.
func (s ComparedSet) Present() []Compared {
	return slices.DeleteFunc(slices.Clone(s.Quantities), func(c Compared) bool {
		return slices.ContainsFunc(s.Absent, func(a compare.NotCompared) bool { return a.Side == c.Side })
	})
}

// SayValue is a value of the quantity in words.
func (c Compared) SayValue(i *Interval) string {
	if i == nil {
		return "-"
	}
	return digits(i.Value) + " " + c.Unit
}

// SayChange is the ratio, or the difference, with its 95 % interval; "" where it was left out.
func (c Compared) SayChange() string {
	switch {
	case c.Ratio != nil:
		return fmt.Sprintf("%.3f (%.3f to %.3f)", c.Ratio.Value, c.Ratio.Low, c.Ratio.High)
	case c.Difference != nil:
		return fmt.Sprintf("%+.1f %s (%+.1f to %+.1f)", c.Difference.Value, compare.DifferenceUnit(c.Unit), c.Difference.Low, c.Difference.High)
	}
	return ""
}

// digits is a number to three figures, or to a tenth.
func digits(v float64) string {
	switch a := math.Abs(v); {
	case a == 0:
		return "0"
	case a >= 10:
		return fmt.Sprintf("%.1f", v)
	case a >= 1:
		return fmt.Sprintf("%.2f", v)
	}
	return fmt.Sprintf("%.3f", v)
}

// QuantityRows are what charges and sustained work show, as rows of the exported table.
func (b Beside) QuantityRows() (rows []results.QuantityRow) {
	for _, part := range []struct {
		of  string
		set ComparedSet
	}{{"charging", b.Charges}, {"sustained work", b.Sustained}} {
		for _, c := range part.set.Quantities {
			row := results.QuantityRow{
				Of: part.of, Scenario: c.Scenario, Quantity: c.Quantity, Unit: c.Unit, Side: c.Side, Reference: c.Reference, SideValue: c.SideValue, ReferenceValue: c.ReferenceValue,
				Ratio: c.Ratio, Difference: c.Difference, PerWh: c.RatioPerWh, SideRuns: c.SideRuns, ReferenceRuns: c.ReferenceRuns, Test: c.Test, Shown: c.Significant, Says: c.Conclusion, LeftOut: c.LeftOut, Notes: c.Notes,
			}
			if c.LeftOut == "" {
				p, set := c.P, c.PAdjusted
				row.P, row.PAdjusted = &p, &set
			}
			if c.RepeatsNeeded > 0 {
				n := int64(c.RepeatsNeeded)
				row.RepeatsNeeded = &n
			}
			rows = append(rows, row)
		}
	}
	return rows
}
