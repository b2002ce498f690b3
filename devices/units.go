package devices

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// A Scale says what one of a handset's raw numbers is worth.
type Scale struct {
	Unit string  `json:"unit,omitempty"` // as people write it: "mV", "0.1 °C", "µA", "mAh"; empty: it cannot be told
	Each float64 `json:"each,omitempty"` // mV, °C, mA or mAh that a raw 1 is worth; 0: it cannot be told
	// Assumed: more than one unit is possible, and this is what such a reading is by its
	// definition. A later reading may prove it wrong.
	Assumed bool   `json:"assumed,omitempty"`
	Why     string `json:"why,omitempty"` // what it was told by, or why it cannot be told
}

// Known reports whether the unit is known or assumed.
func (s Scale) Known() bool { return s.Each > 0 }

// String is the unit for a person: "0.1 °C", "mA (assumed)", "cannot be told".
func (s Scale) String() string {
	switch {
	case !s.Known():
		return "cannot be told"
	case s.Assumed:
		return s.Unit + " (assumed)"
	}
	return s.Unit
}

// Units are those in which one handset on one OS build gives the readings of its battery.
// They are decided in one place, DecideUnits, by what is physically possible.
type Units struct {
	Voltage     Scale `json:"voltage"`     // to mV
	Temperature Scale `json:"temperature"` // to °C
	Current     Scale `json:"current"`     // to mA; the sign is the maker's own
	Counter     Scale `json:"counter"`     // to mAh
	// CurrentKey is the dump's own line that has the current, for a handset that lets nobody
	// read its file; empty: there is none. Current is that of the file where there is one.
	CurrentKey string `json:"current_key,omitempty"`
	// Notes say in words where a reading was odd and what was made of it.
	Notes []string `json:"notes,omitempty"`
}

// AndroidUnits are those that Android documents for the battery service: mV, tenths of a
// degree, µA, µAh. What was recorded without units of its own was taken in these.
func AndroidUnits() Units {
	const why = "as Android documents it"
	return Units{
		Voltage: Scale{Unit: "mV", Each: 1, Assumed: true, Why: why}, Temperature: Scale{Unit: "0.1 °C", Each: 0.1, Assumed: true, Why: why},
		Current: Scale{Unit: "µA", Each: 1e-3, Assumed: true, Why: why}, Counter: Scale{Unit: "µAh", Each: 1e-3, Assumed: true, Why: why},
	}
}

// The bounds of what is physically possible, in a handset that answers.
const (
	// LeastCellC and MostCellC, °C: below, the electrolyte hardly conducts and no handset
	// starts; above, every protection circuit has cut the cell off (IEC 62133-2:2017 has cells
	// tested for operation within what their maker states, which is narrower; the bounds
	// themselves are common practice, no source).
	LeastCellC, MostCellC = -20.0, 80.0
	// A lithium cell holds 2.5 to 5 V (common practice, no source); handsets have one or two
	// in series, and a box with a supply where the cell would be up to four's.
	leastCellMV, mostCellMV = 2000.0, 20_000.0 // a whole number of V is rounded down
	// placeholderMV is what drivers without a reading print: more than any cell of a handset
	// holds, less than two of them.
	placeholderMV = 5000
	// believedLeastC and believedMostC bound what is taken for a reading once its unit is
	// known: a battery that burns is no reading to be dropped.
	believedLeastC, believedMostC = -40.0, 150.0
	// Working or charging, no handset takes or draws 15 A; one that is awake draws more than
	// 15 mA at least now and then, and never less than 3 mA (common practice, no source).
	mostMA, leastMA = 15_000.0, 3.0
	// What a handset's battery may hold, mAh (common practice, no source).
	leastFullMAh, mostFullMAh = 500.0, 30_000.0
)

// Evidence is all that bears on a handset's units.
type Evidence struct {
	// Readings are of the battery service, at least one; only their raw numbers count.
	Readings []Battery
	Thermal  *Thermal // of about the same time; nil: it has none
	Supply   *Supply  // the kernel's own view; nil: it may not be read
	// Currents are readings of the file from which the recorder takes the current, in its
	// own unit, while the handset worked or charged.
	Currents    []float64
	CurrentFile bool    // there is such a file, so that the dump's own line does not count
	CapacityMAh float64 // the maker's; 0 not known
}

// DecideUnits tells the units of a handset's readings: the one place where that is done. A
// scale is known where only one is physically possible, or where other readings of the
// same handset tell which; assumed where the definition has to do; and else it cannot be
// told, and says why.
func DecideUnits(e Evidence) Units {
	var u Units
	u.Voltage = u.decideVoltage(e)
	u.Temperature = u.decideTemperature(e)
	u.Current = u.decideCurrent(e)
	u.Counter = u.decideCounter(e)
	return u
}

func (u *Units) note(format string, args ...any) {
	if text := fmt.Sprintf(format, args...); !slices.Contains(u.Notes, text) {
		u.Notes = append(u.Notes, text)
	}
}

// candidates are scales that a number might have, and the bounds of what it may be, in
// their common unit.
type candidates struct {
	scales      []Scale
	least, most float64
}

// possible are those under which all numbers lie within the bounds.
func (c candidates) possible(raw []int64) (list []Scale) {
	for _, s := range c.scales {
		if !slices.ContainsFunc(raw, func(n int64) bool { return float64(n)*s.Each < c.least || float64(n)*s.Each > c.most }) {
			list = append(list, s)
		}
	}
	return list
}

var voltageScales = candidates{[]Scale{{Unit: "V", Each: 1000}, {Unit: "mV", Each: 1}, {Unit: "µV", Each: 1e-3}}, leastCellMV, mostCellMV}

// decideVoltage: the bounds of V, mV and µV do not touch, so that one reading is enough.
func (u *Units) decideVoltage(e Evidence) Scale {
	raw := numbers(e.Readings, func(r Raw) *int64 { return r.Voltage })
	raw = slices.DeleteFunc(raw, func(n int64) bool { return n == 0 }) // no reading
	if len(raw) == 0 {
		return Scale{Why: "the handset prints no voltage"}
	}
	list := voltageScales.possible(raw)
	if len(list) != 1 {
		u.note("voltage %s is none that a battery has in V, mV or µV", listed(raw))
		return Scale{Why: fmt.Sprintf("no battery has a voltage of %s in V, mV or µV", listed(raw))}
	}
	s := list[0]
	s.Why = fmt.Sprintf("%s is possible only in %s", listed(raw), s.Unit)
	if s.Unit != "mV" {
		u.note("voltage %s taken as %s", listed(raw), s.Unit)
	}
	return s
}

var (
	tenths    = Scale{Unit: "0.1 °C", Each: 0.1}
	degrees   = Scale{Unit: "°C", Each: 1}
	hundreds  = Scale{Unit: "0.01 °C", Each: 0.01}
	thousands = Scale{Unit: "0.001 °C", Each: 0.001}
)

// temperatureScales are the scales that numbers may have. Finer ones than tenths, which are
// the definition, are looked at only where tenths are impossible: else each reading in
// tenths would be one of a frozen handset in hundredths.
func temperatureScales(raw []int64) []Scale {
	coarse := candidates{[]Scale{degrees, tenths}, LeastCellC, MostCellC}
	if list := coarse.possible(raw); len(list) > 0 {
		return list
	}
	return candidates{[]Scale{hundreds, thousands}, LeastCellC, MostCellC}.possible(raw)
}

func (u *Units) decideTemperature(e Evidence) Scale {
	raw := numbers(e.Readings, func(r Raw) *int64 { return r.Temperature })
	if len(raw) == 0 {
		return Scale{Why: "the handset prints no battery temperature"}
	}
	list := temperatureScales(raw)
	said := func(s Scale, why string) Scale {
		s.Why = why
		if s.Unit != tenths.Unit {
			u.note("temperature %s taken as %s: %s", listed(raw), s.Unit, why)
		}
		return s
	}
	switch len(list) {
	case 0:
		u.note("temperature %s is none that a battery has in °C, 0.1, 0.01 or 0.001 °C", listed(raw))
		return Scale{Why: fmt.Sprintf("no battery has a temperature of %s in °C or parts of it", listed(raw))}
	case 1:
		if list[0].Unit == tenths.Unit {
			return said(list[0], fmt.Sprintf("no battery is at %s °C, and Android documents tenths", listed(raw)))
		}
		return said(list[0], fmt.Sprintf("%s is possible only in %s", listed(raw), list[0].Unit))
	}
	newest := float64(raw[len(raw)-1])
	for _, near := range e.nearby() {
		if s, ok := nearest(list, newest, near.c, near.within); ok {
			return said(s, fmt.Sprintf("%s says %.1f °C", near.what, near.c))
		}
	}
	// Builds that print V print °C as well: one was seen, and none that does otherwise. Taken
	// for tenths, a hot battery would be missed.
	if u.Voltage.Unit == "V" && list[0].Unit == degrees.Unit {
		s := said(list[0], "the voltage is in V")
		s.Assumed = true
		return s
	}
	var either []string
	for _, s := range list {
		either = append(either, fmt.Sprintf("%.4g °C", newest*s.Each))
	}
	why := fmt.Sprintf("temperature %.0f may be %s, and no other reading of the handset tells which", newest, strings.Join(either, " or "))
	u.note("%s", why)
	return Scale{Why: why}
}

// A nearby is another reading that the battery's temperature cannot be far from.
type nearby struct {
	what      string
	c, within float64
}

func (e Evidence) nearby() (list []nearby) {
	if t := e.Thermal; t != nil && !t.Overridden {
		if t.BatteryC != nil {
			what := "the thermal service's battery sensor"
			if t.BatteryCached {
				what += " (as last heard of)"
			}
			list = append(list, nearby{what, *t.BatteryC, 5})
		}
		if t.SkinC != nil {
			list = append(list, nearby{"the thermal service's skin sensor", *t.SkinC, 10})
		}
	}
	if s := e.Supply; s != nil && s.Temp != nil {
		if only := temperatureScales([]int64{*s.Temp}); len(only) == 1 {
			list = append(list, nearby{"the kernel", float64(*s.Temp) * only[0].Each, 5})
		}
	}
	return list
}

// nearest is the scale that brings raw near c where all others are clearly further off.
func nearest(list []Scale, raw, c, within float64) (Scale, bool) {
	off := func(s Scale) float64 { return math.Abs(raw*s.Each - c) }
	sorted := slices.SortedFunc(slices.Values(list), func(a, b Scale) int { return int(math.Copysign(1, off(a)-off(b))) })
	if off(sorted[0]) > within || off(sorted[1]) < 1.5*within || off(sorted[1]) < 2*off(sorted[0]) {
		return Scale{}, false
	}
	return sorted[0], true
}

// fewestCurrents is how many readings of the current tell its unit for certain where one
// alone could be either.
const fewestCurrents = 5

// CurrentUnit tells the unit of a handset's raw current readings, of whichever sign, taken
// while it works or charges. ok is false where they say nothing.
//
// In mA no handset reaches 15000, and in µA each one does at times.
func CurrentUnit(raw []float64) (s Scale, ok bool) {
	var sizes []float64
	for _, v := range raw {
		// Drivers print the least 32-bit number, or a thousandth of it, for a property that
		// they do not have.
		if v = math.Abs(v); v >= 1 && v != -math.MinInt32 && v != 2147483 && !math.IsInf(v, 0) {
			sizes = append(sizes, v)
		}
	}
	if len(sizes) == 0 {
		return Scale{}, false
	}
	slices.Sort(sizes)
	high := sizes[len(sizes)*19/20] // one reading that is off decides nothing where there are many
	switch {
	case high < mostMA:
		s = Scale{Unit: "mA", Each: 1, Why: fmt.Sprintf("in µA %.0f would be %.3g mA, too little for a handset at work", high, high/1000)}
		s.Assumed = len(sizes) < fewestCurrents || high >= 1000*leastMA
	case high <= 1000*mostMA:
		s = Scale{Unit: "µA", Each: 1e-3, Why: fmt.Sprintf("in mA %.0f would be %.3g A, more than a handset draws or takes", high, high/1000)}
	default:
		return Scale{}, false
	}
	return s, true
}

func (u *Units) decideCurrent(e Evidence) Scale {
	busy, shown := slices.Clone(e.Currents), e.CurrentFile
	for _, b := range e.Readings {
		if b.Raw.Current == nil {
			continue
		}
		u.CurrentKey = b.Raw.CurrentKey
		if !e.CurrentFile { // the dump's own line, as nothing better may be read
			if shown = true; b.busy() {
				busy = append(busy, float64(*b.Raw.Current))
			}
		}
	}
	s, ok := CurrentUnit(busy)
	switch {
	case ok:
		return s
	case len(busy) > 0:
		return Scale{Why: fmt.Sprintf("%.0f is no current of a handset in mA or µA", busy[len(busy)-1])}
	case shown:
		return Scale{Why: "the handset is at rest on power: what little flows tells no unit"}
	}
	return Scale{Why: "the handset shows no current"}
}

// busy says whether current flows that must be a working handset's, or a charger's.
func (b Battery) busy() bool { return b.Plugged() == 0 || b.Status == StatusCharging }

func (u *Units) decideCounter(e Evidence) Scale {
	for _, b := range slices.Backward(e.Readings) { // the latest that tells
		if b.Raw.Counter == nil {
			continue
		}
		s, _, note := CounterUnit(*b.Raw.Counter, b.LevelPct, e.CapacityMAh)
		if note != "" {
			u.note("%s", note)
		}
		if s.Known() || s.Why != "" {
			return s
		}
	}
	return Scale{Why: "the handset has no charge counter"}
}

// CounterUnit tells the unit of a charge counter from one reading at a level, %, by what it
// makes of full charge; capacityMAh is the maker's, 0 where not known. A dead counter shows a
// value that no charge is. note is what a person should know of it, or "".
func CounterUnit(raw int64, levelPct int, capacityMAh float64) (s Scale, dead bool, note string) {
	if levelPct <= 0 {
		return Scale{}, false, "" // an empty battery has nothing to be counted
	}
	// The level may be half a point or more beside the counter's idea of it.
	low, high := float64(raw)*100/(float64(levelPct)+1), float64(raw)*100/max(float64(levelPct)-1, 0.5)
	within := func(least, most float64) bool { return high >= least && low <= most }
	full := float64(raw) * 100 / float64(levelPct)
	switch {
	case raw == 0:
		return Scale{Why: "0 is no charge"}, true, "charge counter 0 is dead: it was not used"
	case raw < 0:
		return Scale{Why: fmt.Sprintf("%d is no charge", raw)}, false, fmt.Sprintf("charge counter %d is no charge: only its changes count", raw)
	case within(1000*leastFullMAh, 1000*mostFullMAh):
		s = Scale{Unit: "µAh", Each: 1e-3, Why: fmt.Sprintf("%d at %d %% makes %.0f mAh of full charge", raw, levelPct, full/1000)}
	case within(leastFullMAh, mostFullMAh):
		s = Scale{Unit: "mAh", Each: 1, Why: fmt.Sprintf("%d at %d %% makes %.0f mAh of full charge", raw, levelPct, full)}
		note = fmt.Sprintf("charge counter %d taken as mAh", raw)
	case high < leastFullMAh:
		return Scale{Why: fmt.Sprintf("%d at %d %% is no charge in µAh or mAh", raw, levelPct)}, true, fmt.Sprintf("charge counter %d at %d %% is dead: it was not used", raw, levelPct)
	default:
		return Scale{Why: fmt.Sprintf("%d at %d %% would be a full charge of %.3g mAh or %.3g Ah", raw, levelPct, full/1000, full/1000)}, false,
			fmt.Sprintf("charge counter %d at %d %% is neither µAh nor mAh: it is scaled in a way of the maker's own, and only its changes count", raw, levelPct)
	}
	if capacityMAh > 0 {
		if ratio := full * s.Each / capacityMAh; ratio < 0.4 || ratio > 1.6 {
			note = strings.TrimPrefix(note+fmt.Sprintf("; charge counter %d at %d %% makes %.0f mAh of full charge where the maker says %.0f: it is scaled by %.2g or so, and only its changes count",
				raw, levelPct, full*s.Each, capacityMAh, ratio), "; ")
			return Scale{Why: fmt.Sprintf("it is scaled by %.2g or so in %s", ratio, s.Unit)}, false, note
		}
	} else if full*s.Each < 1000 {
		note = strings.TrimPrefix(note+fmt.Sprintf("; charge counter %d at %d %% makes %.0f mAh of full charge, little for a handset: it may be scaled", raw, levelPct, full*s.Each), "; ")
		s.Assumed = true
	}
	return s, false, note
}

// MV is a raw voltage in mV, nil where it is none: no number, one that no battery has, or
// the placeholder of a driver that has no reading.
func (u Units) MV(raw *int64) *int64 {
	if raw == nil || !u.Voltage.Known() {
		return nil
	}
	mv := float64(*raw) * u.Voltage.Each
	if mv < leastCellMV || mv > mostCellMV || mv == placeholderMV && u.Voltage.Unit != "V" {
		return nil
	}
	n := int64(math.Round(mv))
	return &n
}

// TempC is a raw temperature in °C, nil where it is none.
func (u Units) TempC(raw *int64) *float64 {
	if raw == nil || !u.Temperature.Known() {
		return nil
	}
	c := float64(*raw) / math.Round(1/u.Temperature.Each) // so that 267 tenths are 26.7 to the last digit
	if c < believedLeastC || c > believedMostC {
		return nil
	}
	return &c
}

// RawTemp is a limit in °C as the handset's own number, rounded down so that a limit is met
// at it or before; false where its unit is not known.
func (u Units) RawTemp(c float64) (int, bool) {
	if !u.Temperature.Known() {
		return 0, false
	}
	return int(math.Floor(c*math.Round(1/u.Temperature.Each) + 1e-6)), true
}

// In is a reading in the units of its handset. What they leave nil, and what contradicts
// them, its notes say.
func (b Battery) In(u Units) Battery {
	b.Notes = slices.Clone(b.Raw.Notes)
	b.VoltageMV, b.TempC = u.MV(b.Raw.Voltage), u.TempC(b.Raw.Temperature)
	if v := b.Raw.Voltage; v != nil && b.VoltageMV == nil {
		switch {
		case *v == 0:
			b.note("voltage 0 is none")
		case u.Voltage.Known() && float64(*v)*u.Voltage.Each == placeholderMV:
			b.note("voltage %d %s is a placeholder: no cell of a handset stands there", *v, u.Voltage.Unit)
		case u.Voltage.Known():
			b.note("voltage %d is none in %s", *v, u.Voltage.Unit)
		}
	}
	if t := b.Raw.Temperature; t != nil && b.TempC == nil && u.Temperature.Known() {
		b.note("temperature %d is none in %s", *t, u.Temperature.Unit)
	}
	b.ChargeCounter = b.Raw.Counter
	if c := b.Raw.Counter; c != nil && b.LevelPct > 0 {
		if _, dead, _ := CounterUnit(*c, b.LevelPct, 0); dead {
			b.ChargeCounter = nil
		}
	}
	for _, n := range u.Notes {
		if !slices.Contains(b.Notes, n) {
			b.Notes = append(b.Notes, n)
		}
	}
	return b
}

// A Contradiction is what a new reading says against units that were decided before.
type Contradiction struct {
	Text string // for a person
	// Corrected: what was decided was only assumed, and the new reading tells for certain.
	Corrected bool
	// Limits: the limits of a segment hang on it.
	Limits bool
}

// Contradictions are what new evidence says against these units; none where all holds.
func (u Units) Contradictions(e Evidence) (list []Contradiction) {
	now := DecideUnits(e)
	for _, x := range []struct {
		what        string
		before, now Scale
		limits      bool // a build that changes the unit of its voltage has changed that of its temperature as well
	}{
		{"voltage", u.Voltage, now.Voltage, true}, {"temperature", u.Temperature, now.Temperature, true},
		{"current", u.Current, now.Current, false}, {"charge counter", u.Counter, now.Counter, false},
	} {
		if x.before.Known() && x.now.Known() && !x.now.Assumed && x.before.Each != x.now.Each {
			list = append(list, Contradiction{
				Text:      fmt.Sprintf("%s was decided to be in %s (%s), and now it is in %s (%s)", x.what, x.before, x.before.Why, x.now, x.now.Why),
				Corrected: x.before.Assumed, Limits: x.limits,
			})
		}
	}
	for _, b := range e.Readings {
		if t := b.Raw.Temperature; t != nil && u.Temperature.Known() && u.TempC(t) == nil && !now.Temperature.Known() {
			list = append(list, Contradiction{Text: fmt.Sprintf("temperature was decided to be in %s (%s), and now it prints %d, which is none in it", u.Temperature, u.Temperature.Why, *t), Limits: true})
			break
		}
	}
	return list
}

// With are these units with what newer ones know and these do not, or only assumed. What
// was known stays: whoever has both looks at Contradictions first.
func (u Units) With(newer Units) Units {
	for _, x := range []struct {
		have *Scale
		now  Scale
	}{{&u.Voltage, newer.Voltage}, {&u.Temperature, newer.Temperature}, {&u.Current, newer.Current}, {&u.Counter, newer.Counter}} {
		better := x.now.Known() && (!x.have.Known() || x.have.Assumed && !x.now.Assumed)
		if better || !x.have.Known() && x.now.Why != "" {
			*x.have = x.now
		}
	}
	u.CurrentKey, u.Notes = newer.CurrentKey, newer.Notes
	return u
}

// Says is all of it in a line: "voltage mV, temperature 0.1 °C, current µA, charge counter µAh".
func (u Units) Says() string {
	var parts []string
	for _, x := range []struct {
		what string
		s    Scale
	}{{"voltage", u.Voltage}, {"temperature", u.Temperature}, {"current", u.Current}, {"charge counter", u.Counter}} {
		parts = append(parts, x.what+" "+x.s.String())
	}
	return strings.Join(parts, ", ")
}

func numbers(readings []Battery, of func(Raw) *int64) (list []int64) {
	for _, b := range readings {
		if n := of(b.Raw); n != nil && !slices.Contains(list, *n) {
			list = append(list, *n)
		}
	}
	return list
}

func listed(raw []int64) string {
	var parts []string
	for _, n := range raw {
		parts = append(parts, fmt.Sprint(n))
	}
	return strings.Join(parts, ", ")
}
