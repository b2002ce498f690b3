package reading

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"rundown/results"
	"rundown/results/sustain"
)

// Sustained is what the lots or cycles of one segment say: how the handset held its speed under load.
type Sustained struct {
	Segment  string `json:"segment"`
	Run      string `json:"run"`
	Handset  string `json:"handset"`
	Scenario string `json:"scenario"`
	Outcome  string `json:"outcome"`
	Imported bool   `json:"imported,omitempty"` // from a file, not measured here
	Workload string `json:"workload"`           // what was worked at: "cpu", "gpu", "both", or the scenario
	Form     string `json:"form"`               // "lots": continuous; "cycles"
	Unit     string `json:"rate_unit"`          // "units/s", "frames/s"; of cycles that say nothing else "score"

	Count       int       `json:"lots"` // lots or cycles
	StartRate   float64   `json:"start_rate,omitempty"`
	SettledRate float64   `json:"settled_rate,omitempty"` // of work that has not settled: of its last five minutes
	Settled     *bool     `json:"settled,omitempty"`      // of lots only
	Still       string    `json:"still_changing,omitempty"`
	Held        *Interval `json:"held,omitempty"`     // settled rate over that at the start
	SettleS     *float64  `json:"settle_s,omitempty"` // time to settle, from the beginning of the work
	Throttled   bool      `json:"throttled"`          // false: no throttling seen, which is not that there is none
	Onset       int       `json:"onset_cycle,omitempty"`

	StartTempC    *float64 `json:"start_battery_temp_c,omitempty"`
	MeanTempC     *float64 `json:"mean_battery_temp_c,omitempty"`
	HighestTempC  *float64 `json:"highest_battery_temp_c,omitempty"`
	HighestSkinC  *float64 `json:"highest_skin_temp_c,omitempty"`
	HighestStatus *int     `json:"highest_thermal_status,omitempty"` // by the handset itself: 0 none to 6 shutdown

	PowerW   *float64 `json:"power_w,omitempty"`
	WorkPerJ *float64 `json:"work_per_j,omitempty"`
	Points   *float64 `json:"points,omitempty"` // percentage points of the battery, in all

	Each   []WorkedLot `json:"each"`
	Notes  []string    `json:"notes,omitempty"`
	Reason string      `json:"reason,omitempty"` // why there is no figure
}

// A WorkedLot is one lot or cycle.
type WorkedLot struct {
	Lot      int       `json:"lot"` // from 1
	EndedAt  time.Time `json:"ended_at,omitzero"`
	Rate     float64   `json:"rate"` // work a second
	TookS    *float64  `json:"took_s,omitempty"`
	TempC    *float64  `json:"battery_temp_c,omitempty"` // at its end
	SkinC    *float64  `json:"skin_temp_c,omitempty"`    // highest in it
	Status   *int      `json:"thermal_status,omitempty"` // highest in it
	EnergyJ  *float64  `json:"energy_j,omitempty"`
	PowerW   *float64  `json:"power_w,omitempty"`
	LevelPct *int      `json:"level_pct,omitempty"` // at its end
}

// Evidence of work that the stage was told of and has checked.
const (
	EvidenceLot   = "lot"
	EvidenceCycle = "cycle"
)

// Sustained computes what lots and cycles of segments say, in the order of the segments.
// Spoiled and cancelled segments give no figure, flagged ones only when asked for.
func (rm *Room) Sustained(f FigureFilter) ([]Sustained, error) {
	segments, err := rm.store.Segments(f.Run)
	var list []Sustained
	for _, g := range segments {
		if g.Outcome == results.Underway || !f.takes(g) {
			continue
		}
		some, readErr := rm.sustainedOf(g, f.WithFlagged)
		err = errors.Join(err, readErr)
		list = append(list, some...)
	}
	return list, err
}

// sustainedOf is what one segment says, one entry a kind of work.
func (rm *Room) sustainedOf(g results.Segment, withFlagged bool) (list []Sustained, err error) {
	if g.Imported == results.AsSustain {
		h := Sustained{Segment: g.ID, Run: g.RunID, Handset: g.Handset, Scenario: g.Scenario, Outcome: g.Outcome, Workload: g.Scenario, Imported: true}
		_, log, err := rm.importedLog(g.RunID)
		if err == nil {
			err = h.FromFile(g, log)
		}
		if err != nil {
			h.Reason = why(err)
		}
		return []Sustained{h}, nil
	}
	pieces := PiecesOf(g)
	if len(pieces) == 0 {
		return nil, nil
	}
	samples, err := rm.store.Samples(g.ID)
	for _, p := range pieces {
		h := Sustained{Segment: g.ID, Run: g.RunID, Handset: g.Handset, Scenario: g.Scenario, Outcome: g.Outcome, Workload: p.Work, Form: p.Form, Unit: p.unit(), Count: len(p.Lots)}
		h.take(p, g, samples)
		switch {
		case results.LeftOut(g.Outcome) != "":
			h.refuse(results.LeftOut(g.Outcome) + ": " + g.Reason)
		case g.Outcome == results.Flagged && !withFlagged:
			h.refuse("flagged: " + g.Reason)
		}
		list = append(list, h)
	}
	return list, err
}

// refuse leaves the lots as they were and takes away what would be published.
func (h *Sustained) refuse(reason string) {
	h.StartRate, h.SettledRate, h.Settled, h.Still, h.Held, h.SettleS, h.Throttled, h.Onset = 0, 0, nil, "", nil, nil, false, 0
	h.Reason = reason
}

// A Piece is one kind of work with its lots or cycles. Their times count from Zero, the beginning of
// the first.
type Piece struct {
	Work   string
	Form   string // results.FormLots or results.FormCycles
	Zero   time.Time
	Lots   []sustain.Lot
	Hidden int // of them, done while the page was not shown

	page struct{ doneMS, units float64 } // what the page had done by the last one
}

func (p Piece) unit() string {
	if p.Work == "gpu" {
		return "frames/s"
	}
	return "units/s"
}

// workDetail is what a page says of a lot or cycle. A page that says less leaves the rest at nothing.
type workDetail struct {
	Work       string  `json:"work"`
	MS         float64 `json:"ms"`      // how long it took, rests aside
	DoneMS     float64 `json:"done_ms"` // of lots: how long the page has worked by its end
	Total      float64 `json:"total"`   // of lots: how much it has done by then
	Visibility string  `json:"visibility"`
}

// PiecesOf are the lots and cycles of a segment by what they did.
func PiecesOf(g results.Segment) []Piece {
	var list []Piece
	for _, e := range g.Evidence {
		if e.Kind != EvidenceLot && e.Kind != EvidenceCycle || !(e.Value > 0) {
			continue
		}
		var detail workDetail
		_ = json.Unmarshal([]byte(e.Detail), &detail) // of a page that says less
		work, form := detail.Work, results.FormCycles
		if work == "" {
			work = g.Scenario
		}
		if e.Kind == EvidenceLot {
			form = results.FormLots
		}
		took := time.Duration(detail.MS * float64(time.Millisecond))
		i := slices.IndexFunc(list, func(p Piece) bool { return p.Work == work && p.Form == form })
		if i < 0 {
			i = len(list)
			list = append(list, Piece{Work: work, Form: form, Zero: e.At.Add(-took)})
		}
		list[i].add(e, detail, took)
	}
	return list
}

func (p *Piece) add(e results.Evidence, detail workDetail, took time.Duration) {
	l := sustain.Lot{To: e.At.Sub(p.Zero), Rate: e.Value}
	l.From = l.To - took
	if n := len(p.Lots); n > 0 {
		before := p.Lots[n-1]
		ms, units := detail.DoneMS-p.page.doneMS, detail.Total-p.page.units
		switch {
		case p.Form == results.FormLots && detail.DoneMS > 0 && p.page.doneMS > 0 && ms > 0 && units > 0:
			// By the page's own clock, so that it does not matter how long a post was on its way. One that
			// never arrived lies between the two, and its work is in what the page has done in all.
			l.From = before.To
			l.To, l.Rate = l.From+time.Duration(ms*float64(time.Millisecond)), units*1000/ms
		case p.Form == results.FormCycles:
			if l.From = max(l.From, before.To); took == 0 {
				l.From = before.To
			}
		default: // a page that was opened anew: work stood still since its last post
			l.From = max(l.From, before.To)
			l.To = max(l.To, l.From)
		}
	}
	p.page.doneMS, p.page.units = detail.DoneMS, detail.Total
	if detail.Visibility == "hidden" {
		p.Hidden++
	}
	p.Lots = append(p.Lots, l)
}

// Readings are the battery's readings on the clock of a piece's lots; watts may be nil.
func (p Piece) Readings(samples []results.Sample, watts []*float64) (list []sustain.Reading) {
	for i, s := range samples {
		r := sustain.Reading{T: s.HostAt.Sub(p.Zero), LevelPct: s.LevelPct, BatteryC: s.TempC}
		if watts != nil {
			r.PowerW = watts[i]
		}
		list = append(list, r)
	}
	return list
}

func (h *Sustained) take(p Piece, g results.Segment, samples []results.Sample) {
	readings := p.Readings(samples, WattsOutOfBattery(g, samples))
	var thermal []sustain.Thermal
	for _, e := range g.Evidence {
		if e.Kind != "thermal" {
			continue
		}
		t := sustain.Thermal{T: e.At.Sub(p.Zero), Status: int(e.Value)}
		if text, ok := strings.CutPrefix(e.Detail, "skin_c="); ok {
			if c, err := strconv.ParseFloat(text, 64); err == nil {
				t.SkinC = &c
			}
		}
		thermal = append(thermal, t)
	}
	slices.SortFunc(thermal, func(a, b sustain.Thermal) int { return cmp.Compare(a.T, b.T) })
	s := sustain.DescribeCycles(p.Lots, readings, thermal)
	if p.Form == results.FormLots {
		s = sustain.DescribeLots(p.Lots, readings, thermal)
	}
	h.rated(s)
	h.StartTempC, h.MeanTempC, h.HighestTempC, h.HighestSkinC, h.HighestStatus = s.StartC, s.MeanC, s.HighestC, s.HighestSkinC, s.HighestStatus
	h.PowerW, h.WorkPerJ, h.Points = s.PowerW, s.WorkPerJ, s.Points
	for _, l := range s.Lines {
		took := (l.To - l.From).Seconds()
		h.Each = append(h.Each, WorkedLot{Lot: l.Number, EndedAt: p.Zero.Add(l.To), Rate: l.Rate, TookS: &took, TempC: l.BatteryC, SkinC: l.SkinC, Status: l.Status, EnergyJ: l.EnergyJ, PowerW: l.PowerW(), LevelPct: l.LevelPct})
	}
	if g.Until == "cycles" && g.Reached < g.Wanted {
		h.Notes = append(h.Notes, g.Progress()+": "+g.Reason)
	}
	if p.Hidden > 0 {
		h.Notes = append(h.Notes, fmt.Sprintf("the page was not shown at the end of %d of %d %s: a browser may give it less time then", p.Hidden, len(p.Lots), p.Form))
	}
	if s.HighestStatus != nil && *s.HighestStatus >= thermalEmergency {
		h.Notes = append(h.Notes, "the handset's thermal status reached emergency: it was about to shut down")
	}
	if len(thermal) == 0 {
		h.Notes = append(h.Notes, "the handset tells no thermal status")
	}
	if s.PowerW == nil {
		h.Notes = append(h.Notes, "no power: the handset shows no usable current throughout")
	}
}

// thermalEmergency is the thermal status from which a handset shuts down what it can (Android,
// PowerManager, THERMAL_STATUS_EMERGENCY, API level 29).
const thermalEmergency = 5

// rated takes over what the rates say, or why they say nothing.
func (h *Sustained) rated(s sustain.Series) {
	if s.Err != nil {
		h.Reason = why(s.Err)
		return
	}
	held := s.Held
	h.StartRate, h.SettledRate, h.Settled, h.Still, h.Held, h.Throttled, h.Onset = s.Start, s.Settled, s.HasSettled, s.Still, &held, s.Throttled, s.Onset
	if s.ToSettle != nil {
		took := s.ToSettle.Seconds()
		h.SettleS = &took
	}
}

// WattsOutOfBattery is the power drawn from the battery at each sample, W, by the handset's
// own voltage and current; nil where one of them is missing.
func WattsOutOfBattery(g results.Segment, samples []results.Sample) []*float64 {
	draws := 0
	for _, s := range samples {
		if s.CurrentRaw != nil && *s.CurrentRaw != 0 && s.Plugged == 0 {
			draws++
		}
	}
	unit := CurrentUnitMA(g.Units, samples)
	// Makers do not agree on the sign; without power it can only go out.
	return wattsBy(g, samples, unit > 0 && draws >= fewestReadings, func(raw int64) float64 { return math.Abs(float64(raw)) * unit })
}

// SustainRows are pieces of sustained work as their export has them.
func SustainRows(list []Sustained) (pieces []results.SustainRow, lots []results.LotRow) {
	whole := func(v *int) *int64 {
		if v == nil {
			return nil
		}
		n := int64(*v)
		return &n
	}
	for _, h := range list {
		of := results.Whose{Handset: h.Handset, RunID: h.Run, SegmentID: h.Segment, Scenario: h.Scenario, Imported: h.Imported}
		row := results.SustainRow{
			Whose: of, Workload: h.Workload, Form: h.Form, Count: h.Count, StartRate: h.StartRate, Settled: h.Settled, SettledRate: h.SettledRate, Throttled: h.Throttled, SettleS: h.SettleS,
			StartTempC: h.StartTempC, MeanTempC: h.MeanTempC, HighestTempC: h.HighestTempC, HighestSkinC: h.HighestSkinC, HighestThermalLevel: whole(h.HighestStatus),
			PowerW: h.PowerW, WorkPerJ: h.WorkPerJ, Points: h.Points, Still: h.Still, Reason: h.Reason,
		}
		if h.Held != nil {
			row.Held = *h.Held
		}
		if h.Onset > 0 {
			row.Onset = whole(&h.Onset)
		}
		pieces = append(pieces, row)
		for _, c := range h.Each {
			lots = append(lots, results.LotRow{
				Whose: of, Workload: h.Workload, Form: h.Form, Lot: c.Lot, Rate: c.Rate, TookS: c.TookS, TempC: c.TempC, SkinC: c.SkinC, ThermalLevel: whole(c.Status), EnergyJ: c.EnergyJ, PowerW: c.PowerW, LevelPct: whole(c.LevelPct),
			})
		}
	}
	return pieces, lots
}

// Rows say what sustained work was found to be, as people read it: a name and a value each.
func (h Sustained) Rows() (rows [][2]string) {
	add := func(name, format string, args ...any) {
		rows = append(rows, [2]string{name, fmt.Sprintf(format, args...)})
	}
	add(h.Form, "%d", h.Count)
	if h.Held != nil {
		add("rate at the start", "%s", h.SayRate(h.StartRate))
		add(h.SayEnd(), "%s", h.SayRate(h.SettledRate))
		add("share held", "%s", h.SayHeld())
		add("time to settle", "%s", h.SaySettle())
		add("throttling", "%s", h.SayThrottling())
	}
	temp := func(name string, v *float64) {
		if v != nil {
			add(name, "%.1f °C", *v)
		}
	}
	temp("battery at the start", h.StartTempC)
	temp("battery, highest", h.HighestTempC)
	temp("battery, mean", h.MeanTempC)
	temp("skin, highest", h.HighestSkinC)
	if h.HighestStatus != nil {
		add("thermal status, highest", "%d", *h.HighestStatus)
	}
	if h.PowerW != nil {
		add("power, mean", "%.2f W", *h.PowerW)
	}
	if h.WorkPerJ != nil {
		add("work for a joule", "%.3g", *h.WorkPerJ)
	}
	return rows
}

// SayEnd names the rate at the end.
func (h Sustained) SayEnd() string {
	if h.Settled != nil && !*h.Settled {
		return "rate of the last 5 min"
	}
	return "settled rate"
}

// SayRate is a rate with its unit.
func (h Sustained) SayRate(rate float64) string {
	digits := 0
	for v := rate; v < 100 && digits < 3; v *= 10 {
		digits++
	}
	return strings.TrimSpace(fmt.Sprintf("%.*f %s", digits, rate, h.Unit))
}

// SayHeld is the share held with its 95 % interval; "" without a figure.
func (h Sustained) SayHeld() string {
	if h.Held == nil {
		return ""
	}
	return fmt.Sprintf("%.1f %% (%.1f to %.1f)", 100*h.Held.Value, 100*h.Held.Low, 100*h.Held.High)
}

// SaySettle is how long the rate took to settle, or why there is no such time.
func (h Sustained) SaySettle() string {
	switch {
	case h.SettleS != nil && *h.SettleS == 0:
		return "settled from the start"
	case h.SettleS != nil:
		return fmt.Sprintf("%.1f min", *h.SettleS/60)
	case h.Settled != nil:
		return "not settled: " + h.Still
	}
	return "not told of cycles"
}

// SayThrottling is what is said of throttling.
func (h Sustained) SayThrottling() string {
	switch {
	case h.Onset > 0:
		return fmt.Sprintf("from cycle %d", h.Onset)
	case h.Throttled:
		return "yes"
	}
	return "none seen"
}
