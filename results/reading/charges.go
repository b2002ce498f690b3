package reading

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"rundown/devices/meters/usbpower"
	"rundown/results"
	"rundown/results/charging"
	"rundown/results/logfiles"
	"rundown/scenarios"
)

// A Charge is what one segment in which a handset was charged says.
type Charge struct {
	Segment   string    `json:"segment"`
	Run       string    `json:"run"`
	Handset   string    `json:"handset"`
	Scenario  string    `json:"scenario"`
	Outcome   string    `json:"outcome"`
	Imported  bool      `json:"imported,omitempty"` // from a file, not measured here
	Supply    string    `json:"supply,omitempty"`   // charger and cable
	PluggedAt time.Time `json:"plugged_at,omitzero"`
	// PluggedWithinS is half the interval between the samples without and with power, s.
	PluggedWithinS float64 `json:"plugged_within_s"`
	FromPct        int     `json:"from_pct"`
	ToPct          int     `json:"to_pct"`

	Times []LevelTime `json:"times,omitempty"` // from plug-in
	FullS *float64    `json:"full_s,omitempty"`
	// FullRule says by which rule the charge was seen to be full.
	FullRule string `json:"full_rule,omitempty"`
	Spans    []Span `json:"spans,omitempty"` // from one level to another

	PeakW       *Interval `json:"peak_w,omitempty"`        // into the battery: highest 60 s running median
	PeakSocketW *Interval `json:"peak_socket_w,omitempty"` // the same of arriving power
	Above90S    *float64  `json:"above_90_pct_of_peak_s,omitempty"`
	Hold        *Interval `json:"hold_s,omitempty"`  // the same with its interval
	PeakOf      string    `json:"peak_of,omitempty"` // what hold and taper are of: "cell" or "plug"
	TaperS      *float64  `json:"taper_s,omitempty"`
	Taper       *Interval `json:"taper_between_s,omitempty"` // the same with its interval
	TaperPct    *int      `json:"taper_pct,omitempty"`
	// FirstDrop is when the power that PeakOf names first falls from its peak by more than a tenth.
	FirstDrop *PowerDrop `json:"first_drop,omitempty"`

	BatteryWh  *Interval `json:"battery_wh,omitempty"`
	SocketWh   *Interval `json:"socket_wh,omitempty"`
	ChargeMAh  *float64  `json:"charge_mah,omitempty"`
	Efficiency *float64  `json:"efficiency,omitempty"` // energy into the battery over arriving energy

	MeanTempC    *float64 `json:"mean_battery_temp_c,omitempty"`
	HighestTempC *float64 `json:"highest_battery_temp_c,omitempty"`
	HighestAtPct *int     `json:"highest_battery_temp_at_pct,omitempty"`
	HotS         *float64 `json:"above_40_c_s,omitempty"`             // with the battery above 40 °C, s
	Hot45S       *float64 `json:"above_45_c_s,omitempty"`             // above 45 °C
	HotFullS     *float64 `json:"above_40_c_from_80_pct_s,omitempty"` // above 40 °C while the level was 80 % or more

	Meter  string   `json:"meter,omitempty"` // whose readings arriving power is
	Notes  []string `json:"notes,omitempty"`
	Reason string   `json:"reason,omitempty"` // why there is no figure
}

// A LevelTime is when a level was reached, s from plug-in: as the handset first showed it, and by charge. Either may not be known.
type LevelTime struct {
	LevelPct int       `json:"level_pct"`
	S        *Interval `json:"s,omitempty"`
	ChargeS  *Interval `json:"by_charge_s,omitempty"`
}

// A Span is how long the charge took from one level to another, s: as shown, and by charge where that can be told.
type Span struct {
	FromPct int       `json:"from_pct"`
	ToPct   int       `json:"to_pct"`
	S       Interval  `json:"s"`
	ChargeS *Interval `json:"by_charge_s,omitempty"`
}

// IsCharge reports whether a handset is charged in a segment on purpose.
func IsCharge(g results.Segment) bool {
	return g.Until == scenarios.UntilFull
}

// Charges computes the figures of charging segments, in the order of the segments.
// Spoiled and cancelled ones give none; flagged ones only when asked for.
func (rm *Room) Charges(f FigureFilter) ([]Charge, error) {
	handsets, err := rm.handsetsOf(f.Run)
	segments, segErr := rm.store.Segments(f.Run)
	err = errors.Join(err, segErr)
	var list []Charge
	for _, g := range segments {
		if !chargedIn(g) || g.Outcome == results.Underway || g.Outcome == results.Skipped || !f.takes(g) {
			continue
		}
		list = append(list, rm.chargeOf(g, handsets[g.RunID], f.WithFlagged))
	}
	return list, err
}

// chargedIn reports whether a segment is a charge, measured or imported.
func chargedIn(g results.Segment) bool { return IsCharge(g) || g.Imported == results.AsCharge }

// chargeOf is what a segment that is over, and is a charge, says.
func (rm *Room) chargeOf(g results.Segment, h results.Handset, withFlagged bool) Charge {
	c := Charge{Segment: g.ID, Run: g.RunID, Handset: g.Handset, Scenario: g.Scenario, Outcome: g.Outcome, Supply: h.Supply}
	var err error
	switch {
	case results.LeftOut(g.Outcome) != "":
		c.Reason = results.LeftOut(g.Outcome) + ": " + g.Reason
	case g.Outcome == results.Flagged && !withFlagged:
		c.Reason = "flagged: " + g.Reason
	case g.Imported != "":
		var log logfiles.Log
		if _, log, err = rm.importedLog(g.RunID); err == nil {
			err = c.FromFile(g, log)
		}
	default:
		err = rm.charge(&c, g)
	}
	if err != nil {
		c.Reason = why(err)
	}
	return c
}

// charge computes one charge.
func (rm *Room) charge(c *Charge, g results.Segment) error {
	samples, err := rm.store.Samples(g.ID)
	if err != nil {
		return err
	}
	readings, err := rm.store.Readings(g.ID)
	if err != nil {
		c.Notes = append(c.Notes, "some readings of meters cannot be read: "+why(err))
	}
	if len(samples) == 0 {
		return charging.ErrTooFewSamples
	}
	for i, s := range samples {
		if s.Plugged != 0 {
			before := samples[max(i-1, 0)].HostAt
			c.PluggedAt, c.PluggedWithinS = before.Add(s.HostAt.Sub(before)/2), s.HostAt.Sub(before).Seconds()/2
			if i == 0 {
				c.Notes = append(c.Notes, "it had power from the first sample on: plug-in was not seen, and times count from there")
			}
			break
		}
	}
	if c.PluggedAt.IsZero() {
		return errors.New("no power came")
	}
	c.FromPct, c.ToPct = samples[0].LevelPct, samples[len(samples)-1].LevelPct
	if c.FromPct > 2 {
		c.Notes = append(c.Notes, fmt.Sprintf("began at %d %%, above the 2 %% from which charges are compared", c.FromPct))
	}
	plug := rm.socketOf(c, g, readings)
	in := charging.Input{PlugT: c.PluggedAt.Sub(samples[0].HostAt), PlugWithin: time.Duration(c.PluggedWithinS * float64(time.Second)), PlugGainSD: plug.gainSD}
	into := WattsIntoBattery(g, samples)
	for i, s := range samples {
		one := charging.Sample{T: s.HostAt.Sub(samples[0].HostAt), LevelPct: s.LevelPct, BattW: into[i], Full: s.Status == statusFull}
		if n := len(in.Samples); n > 0 && one.T <= in.Samples[n-1].T {
			continue // the same millisecond by the host's clock
		}
		if w, ok := plug.mean(s.HostAt, spacing(samples, i)); ok {
			one.PlugW = &w
		}
		in.Samples = append(in.Samples, one)
	}
	fig, err := charging.Estimate(in)
	if err != nil {
		return err
	}
	c.take(fig)
	c.temperatures(samples)
	if mah, ok := chargeInto(g, samples); ok {
		c.ChargeMAh = &mah
	}
	if fig.BattWh != nil && fig.PlugWh != nil && fig.PlugWh.Value > 0 {
		e := fig.BattWh.Value / fig.PlugWh.Value
		c.Efficiency = &e
		if e > 1 {
			c.Notes = append(c.Notes, "more energy went into the battery than arrived: the handset's current or the meter is off")
		}
	}
	c.socketPeak(plug, samples)
	rm.ceiling(c, plug)
	return nil
}

// take takes over what the calculator says.
func (c *Charge) take(f charging.Figure) {
	for _, t := range f.Times {
		c.Times = append(c.Times, LevelTime{t.LevelPct, t.S, t.ChargeS})
	}
	for _, s := range f.Spans {
		c.Spans = append(c.Spans, Span{s.FromPct, s.ToPct, s.S, s.ChargeS})
	}
	if f.End != nil {
		c.FullS, c.FullRule = &f.End.AtS, f.End.Rule
	}
	c.BatteryWh, c.SocketWh = f.BattWh, f.PlugWh
	if f.Source != "" {
		c.PeakOf = f.Source
		if f.HoldS != nil {
			c.Above90S, c.Hold = &f.HoldS.Value, f.HoldS
		}
		if f.Source == "cell" {
			c.PeakW = f.PeakW
		}
	}
	if f.Taper != nil {
		c.TaperS, c.TaperPct = &f.Taper.AtS, &f.Taper.LevelPct
		c.Taper = &Interval{Value: f.Taper.AtS, Low: f.Taper.LowS, High: f.Taper.HighS}
	}
	if d := f.Drop; d != nil {
		c.FirstDrop = &PowerDrop{S: d.S, LevelPct: d.LevelPct, HeldW: d.HeldW, ToW: d.ToW}
	}
	c.Notes = append(c.Notes, f.Warnings...)
}

func (c *Charge) temperatures(samples []results.Sample) {
	var sum, weight, hot, hot45, hotFull float64
	for i, s := range samples {
		if s.TempC == nil || s.HostAt.Before(c.PluggedAt) {
			continue
		}
		w := spacing(samples, i).Seconds()
		sum, weight = sum+w**s.TempC, weight+w
		if *s.TempC > hotC {
			hot += w
			if s.LevelPct >= fullPct {
				hotFull += w
			}
		}
		if *s.TempC > hotterC {
			hot45 += w
		}
		if c.HighestTempC == nil || *s.TempC > *c.HighestTempC {
			c.HighestTempC, c.HighestAtPct = s.TempC, &s.LevelPct
		}
	}
	if weight > 0 {
		mean := sum / weight
		c.MeanTempC, c.HotS, c.Hot45S, c.HotFullS = &mean, &hot, &hot45, &hotFull
	}
}

// spacing is the time that a sample stands for.
func spacing(samples []results.Sample, i int) time.Duration {
	from, to := max(i-1, 0), min(i+1, len(samples)-1)
	if to == from {
		return 0
	}
	return samples[to].HostAt.Sub(samples[from].HostAt) / time.Duration(to-from)
}

// Codes of BatteryManager's status.
const (
	statusCharging = 2
	statusFull     = 5
)

// currentScale makes mA into the battery of a segment's raw current: the unit as it was
// decided, the sign from what it shows while it says that it charges. ok is false where it
// shows none.
func currentScale(g results.Segment, samples []results.Sample) (mA float64, ok bool) {
	var charging []float64
	for _, s := range samples {
		if s.CurrentRaw != nil && *s.CurrentRaw != 0 && s.Plugged != 0 && s.Status == statusCharging {
			charging = append(charging, float64(*s.CurrentRaw))
		}
	}
	mA = CurrentUnitMA(g.Units, samples)
	if len(charging) < fewestReadings || mA == 0 {
		return 0, false
	}
	slices.Sort(charging)
	if charging[len(charging)/2] < 0 {
		mA = -mA
	}
	return mA, true
}

// fewestReadings of the current are needed to make power of them.
const fewestReadings = 5

// WattsIntoBattery is the power into the battery at each sample, W, by the handset's own
// voltage and current; nil where one of them is missing.
func WattsIntoBattery(g results.Segment, samples []results.Sample) []*float64 {
	scale, ok := currentScale(g, samples)
	return wattsBy(g, samples, ok, func(raw int64) float64 { return float64(raw) * scale })
}

// wattsBy is voltage times current at each sample, W.
func wattsBy(g results.Segment, samples []results.Sample, ok bool, mA func(raw int64) float64) []*float64 {
	list := make([]*float64, len(samples))
	if !ok || coarseVoltage(g.Units) {
		return list
	}
	for i, s := range samples {
		if s.CurrentRaw == nil || s.VoltageMV == nil {
			continue
		}
		w := mA(*s.CurrentRaw) / 1e3 * float64(*s.VoltageMV) / 1e3
		list[i] = &w
	}
	return list
}

// chargeInto is the charge into the battery while it had power, mAh, by the handset's own
// current.
func chargeInto(g results.Segment, samples []results.Sample) (mah float64, ok bool) {
	scale, ok := currentScale(g, samples)
	if !ok {
		return 0, false
	}
	for i := 1; i < len(samples); i++ {
		a, b := samples[i-1], samples[i]
		if a.CurrentRaw == nil || b.CurrentRaw == nil || b.Plugged == 0 {
			continue
		}
		mah += scale * float64(*a.CurrentRaw+*b.CurrentRaw) / 2 * (float64(b.UptimeMS-a.UptimeMS) / 3.6e6)
	}
	return mah, true
}

// A socket is arriving power as a meter read it.
type socket struct {
	meter  string
	at     []time.Time
	watts  []float64
	every  time.Duration // usual spacing
	gainSD float64       // relative; 0: the calculator's own assumption
	pct    float64       // accuracy as stated, %
}

// socketOf picks the readings of arriving power: those of an attached record that counts,
// else those of the handset's own meter.
func (rm *Room) socketOf(c *Charge, g results.Segment, readings []results.Reading) socket {
	record, meter := "", ""
	for _, r := range g.Records {
		if r.ReplacedAt.IsZero() {
			record, meter = r.Name, r.Meter
			c.Notes = append(c.Notes, r.Says)
			c.Notes = append(c.Notes, r.Notes...)
		}
	}
	var s socket
	for _, r := range readings {
		if r.PowerW == nil || r.Record != record || meter != "" && r.Meter != meter {
			continue
		}
		if meter == "" {
			meter = r.Meter
		}
		s.at, s.watts = append(s.at, r.At), append(s.watts, *r.PowerW)
	}
	if len(s.at) < 2 {
		return socket{}
	}
	s.meter = meter
	c.Meter = meter
	var steps []time.Duration
	for i := 1; i < len(s.at); i++ {
		steps = append(steps, s.at[i].Sub(s.at[i-1]))
	}
	slices.Sort(steps)
	s.every = steps[len(steps)/2]
	if m, ok := rm.file.Bench.Meter(meter); ok && m.AccuracyPct > 0 {
		// A stated accuracy is rectangular: JCGM 100:2008, 4.3.7.
		s.pct, s.gainSD = m.AccuracyPct, m.AccuracyPct/100/math.Sqrt(3)
	}
	return s
}

// mean is the mean of the readings within half of a width on either side of an instant or,
// where the meter is read more seldom than that, the straight line between its neighbours.
// ok is false in a gap.
func (s socket) mean(at time.Time, width time.Duration) (w float64, ok bool) {
	n := len(s.at)
	from, _ := slices.BinarySearchFunc(s.at, at.Add(-width/2), time.Time.Compare)
	sum, count := 0.0, 0
	for i := from; i < n && s.at[i].Before(at.Add(width/2)); i++ {
		sum += s.watts[i]
		count++
	}
	if count > 0 {
		return sum / float64(count), true
	}
	if from == 0 || from == n || s.at[from].Sub(s.at[from-1]) > 3*s.every {
		return 0, false
	}
	a, b := s.at[from-1], s.at[from]
	f := at.Sub(a).Seconds() / b.Sub(a).Seconds()
	return s.watts[from-1] + f*(s.watts[from]-s.watts[from-1]), true
}

// socketPeak is the peak of arriving power at the meter's own spacing.
func (c *Charge) socketPeak(s socket, samples []results.Sample) {
	if len(s.at) == 0 {
		return
	}
	in := charging.Input{PlugGainSD: s.gainSD}
	for i, at := range s.at {
		t := at.Sub(c.PluggedAt)
		if n := len(in.Samples); n > 0 && t <= in.Samples[n-1].T {
			continue
		}
		in.Samples = append(in.Samples, charging.Sample{T: t, LevelPct: levelAt(samples, at), PlugW: &s.watts[i]})
	}
	f, err := charging.Estimate(in)
	if err != nil {
		c.Notes = append(c.Notes, "no peak of arriving power: "+why(err))
		return
	}
	if f.Source == "plug" {
		c.PeakSocketW = f.PeakW
	}
}

func levelAt(samples []results.Sample, at time.Time) int {
	i, _ := slices.BinarySearchFunc(samples, at, func(s results.Sample, at time.Time) int { return s.HostAt.Compare(at) })
	return samples[min(i, len(samples)-1)].LevelPct
}

// ceiling holds arriving power against the most that charger and cable can give.
func (rm *Room) ceiling(c *Charge, s socket) {
	h, ok := rm.file.Handset(c.Handset)
	if !ok || c.Supply == "" || h.Supply.String() != c.Supply {
		return // recorded with another charger than the plan file has now
	}
	most, notes, ok := h.Supply.Check()
	if !ok {
		return
	}
	for _, n := range notes {
		c.Notes = append(c.Notes, "charger: "+n)
	}
	var log []usbpower.Point
	for i, at := range s.at {
		log = append(log, usbpower.Point{At: at, Watts: s.watts[i]})
	}
	for i, e := range usbpower.Exceeds(log, most, usbpower.MeterError{Pct: s.pct, Watts: 0.05}) {
		if i == 3 {
			c.Notes = append(c.Notes, "and more such stretches")
			break
		}
		c.Notes = append(c.Notes, e.String())
	}
}

// Rows are the charge for a person to read: names and values, in the order in which they
// are asked for. What was not measured is left out.
func (c Charge) Rows() (rows [][2]string) {
	row := func(name, format string, args ...any) {
		rows = append(rows, [2]string{name, fmt.Sprintf(format, args...)})
	}
	measured := func(name string, i *Interval, unit string) {
		if i != nil {
			row(name, "%.1f %s (%.1f to %.1f)", i.Value, unit, i.Low, i.High)
		}
	}
	if c.Supply != "" {
		row("charger and cable", "%s", c.Supply)
	}
	if !c.PluggedAt.IsZero() {
		row("power came", "%s, at %d %%", c.PluggedAt.Local().Format("2006-01-02 15:04"), c.FromPct)
	}
	both := func(name string, shown, charge *Interval) {
		if said := charging.SayTimes(shown, charge); said != "" {
			row(name, "%s", said)
		}
	}
	for _, t := range c.Times {
		both(fmt.Sprintf("to %d %%", t.LevelPct), t.S, t.ChargeS)
	}
	for _, s := range c.Spans {
		both(fmt.Sprintf("%d to %d %%", s.FromPct, s.ToPct), &s.S, s.ChargeS)
	}
	if c.FullS != nil {
		row("to full", "%.1f min (%s)", *c.FullS/60, c.FullRule)
	}
	measured("peak into the battery", c.PeakW, "W")
	measured("peak arriving", c.PeakSocketW, "W")
	if c.Hold != nil {
		row("within 90 % of peak", "%s", c.Hold.Minutes())
	}
	if c.Taper != nil && c.TaperPct != nil {
		row("taper sets in", "after %s, at %d %%", c.Taper.Minutes(), *c.TaperPct)
	}
	if said := c.SayDrop(); said != "" {
		row("power first falls by more than a tenth", "%s", said)
	}
	if said := c.SayKept(); said != "" {
		row("peak power is kept", "%s", said)
	}
	measured("energy into the battery", c.BatteryWh, "Wh")
	measured("energy arriving", c.SocketWh, "Wh")
	if c.Meter != "" {
		row("arriving power by", "meter %s", c.Meter)
	}
	if c.Efficiency != nil {
		row("efficiency", "%.0f %%", 100**c.Efficiency)
	}
	if c.ChargeMAh != nil {
		row("charge into the battery", "%.0f mAh", *c.ChargeMAh)
	}
	if c.MeanTempC != nil && c.HighestTempC != nil && c.HighestAtPct != nil {
		row("battery temperature", "mean %.1f °C, highest %.1f °C at %d %%", *c.MeanTempC, *c.HighestTempC, *c.HighestAtPct)
		if c.HotS != nil {
			row(fmt.Sprintf("battery above %g °C", hotC), "%.1f min", *c.HotS/60)
		}
		if c.Hot45S != nil && c.HotFullS != nil && *c.HotS > 0 {
			row(fmt.Sprintf("battery above %g °C", hotterC), "%.1f min", *c.Hot45S/60)
			row(fmt.Sprintf("battery above %g °C at %d %% or more", hotC, fullPct), "%.1f min", *c.HotFullS/60)
		}
	}
	return rows
}
