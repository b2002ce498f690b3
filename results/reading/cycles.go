package reading

import (
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"rundown/results"
	"rundown/results/sustain"
)

// A HeatSeries is what the cycles of one segment say: how the handset held its speed under
// repeated load.
type HeatSeries struct {
	Segment  string `json:"segment"`
	Run      string `json:"run"`
	Handset  string `json:"handset"`
	Scenario string `json:"scenario"`
	Outcome  string `json:"outcome"`
	Imported bool   `json:"imported,omitempty"` // from a file, not measured here
	Workload string `json:"workload"`           // what a cycle does: "cpu", "gpu", "both", or the scenario

	Cycles    int       `json:"cycles"`
	First     float64   `json:"first_score"`
	Peak      float64   `json:"peak_score,omitempty"`    // median of the cycles that cannot be told from the best
	Best      float64   `json:"best_score,omitempty"`    // best single cycle; above the peak by chance
	Settled   float64   `json:"settled_score,omitempty"` // median of the last third
	Retained  *Interval `json:"retained,omitempty"`      // settled over peak
	Worst     float64   `json:"worst,omitempty"`         // least running median of three over the peak
	Throttled bool      `json:"throttled"`               // false: no throttling seen, which is not that there is none
	Onset     int       `json:"onset_cycle,omitempty"`   // first cycle from which the score stays below 95 % of the peak

	MeanTempC     *float64 `json:"mean_battery_temp_c,omitempty"`
	HighestTempC  *float64 `json:"highest_battery_temp_c,omitempty"`
	HighestSkinC  *float64 `json:"highest_skin_temp_c,omitempty"`
	HighestStatus *int     `json:"highest_thermal_status,omitempty"` // by the handset itself: 0 none to 6 shutdown

	EnergyJ        *float64 `json:"energy_j_per_cycle,omitempty"`
	ScorePerJ      *float64 `json:"score_per_j,omitempty"`
	PointsPerCycle *float64 `json:"points_per_cycle,omitempty"`

	Each   []HeatCycle `json:"each"`
	Notes  []string    `json:"notes,omitempty"`
	Reason string      `json:"reason,omitempty"` // why there is no figure
}

// A HeatCycle is one cycle of a series.
type HeatCycle struct {
	Cycle    int       `json:"cycle"` // from 1
	EndedAt  time.Time `json:"ended_at,omitzero"`
	Score    float64   `json:"score"`
	TempC    *float64  `json:"battery_temp_c,omitempty"` // at its end
	SkinC    *float64  `json:"skin_temp_c,omitempty"`    // highest in it
	Status   *int      `json:"thermal_status,omitempty"` // highest in it
	EnergyJ  *float64  `json:"energy_j,omitempty"`
	LevelPct *int      `json:"level_pct,omitempty"` // at its end
}

// EvidenceCycle is a cycle of work that the stage was told of and has checked.
const EvidenceCycle = "cycle"

// HeatSeries computes what the cycles of segments say, in the order of the segments.
// Spoiled and cancelled segments give no figure, flagged ones only when asked for.
func (rm *Room) HeatSeries(f FigureFilter) ([]HeatSeries, error) {
	segments, err := rm.store.Segments(f.Run)
	var list []HeatSeries
	for _, g := range segments {
		if g.Outcome == results.Underway || !f.takes(g) {
			continue
		}
		some, readErr := rm.heatOf(g, f.WithFlagged)
		err = errors.Join(err, readErr)
		list = append(list, some...)
	}
	return list, err
}

// heatOf are the series of one segment, one a kind of work.
func (rm *Room) heatOf(g results.Segment, withFlagged bool) (list []HeatSeries, err error) {
	if g.Imported == results.AsSustain {
		h := HeatSeries{Segment: g.ID, Run: g.RunID, Handset: g.Handset, Scenario: g.Scenario, Outcome: g.Outcome, Workload: g.Scenario, Imported: true}
		_, log, err := rm.importedLog(g.RunID)
		if err == nil {
			err = h.FromFile(g, log)
		}
		if err != nil {
			h.Reason = why(err)
		}
		return []HeatSeries{h}, nil
	}
	cycles := cyclesOf(g)
	if len(cycles) == 0 {
		return nil, nil
	}
	samples, err := rm.store.Samples(g.ID)
	for _, w := range cycles {
		h := HeatSeries{Segment: g.ID, Run: g.RunID, Handset: g.Handset, Scenario: g.Scenario, Outcome: g.Outcome, Workload: w.name, Cycles: len(w.cycles)}
		h.take(w, g, samples)
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

// refuse leaves the cycles as they were and takes away what would be published.
func (h *HeatSeries) refuse(reason string) {
	h.Peak, h.Best, h.Settled, h.Retained, h.Worst, h.Throttled, h.Onset, h.Reason = 0, 0, 0, nil, 0, false, 0, reason
}

// A workload is one kind of cycle with the cycles of it.
type workload struct {
	name   string
	zero   time.Time
	cycles []sustain.Cycle
}

// cyclesOf are the cycles of a segment by what they did. Their times count from the first
// cycle's beginning.
func cyclesOf(g results.Segment) []workload {
	var list []workload
	for _, e := range g.Evidence {
		if e.Kind != EvidenceCycle || !(e.Value > 0) {
			continue
		}
		var detail struct {
			Work string  `json:"work"`
			MS   float64 `json:"ms"`
		}
		_ = json.Unmarshal([]byte(e.Detail), &detail) // of a page that says less
		name := detail.Work
		if name == "" {
			name = g.Scenario
		}
		took := time.Duration(detail.MS * float64(time.Millisecond))
		i := slices.IndexFunc(list, func(w workload) bool { return w.name == name })
		if i < 0 {
			i = len(list)
			list = append(list, workload{name: name, zero: e.At.Add(-took)})
		}
		w := &list[i]
		c := sustain.Cycle{To: e.At.Sub(w.zero), Score: e.Value}
		c.From = c.To - took
		if n := len(w.cycles); n > 0 {
			if c.From = max(c.From, w.cycles[n-1].To); took == 0 {
				c.From = w.cycles[n-1].To
			}
		}
		w.cycles = append(w.cycles, c)
	}
	return list
}

func (h *HeatSeries) take(w workload, g results.Segment, samples []results.Sample) {
	watts := WattsOutOfBattery(g, samples)
	var readings []sustain.Reading
	for i, s := range samples {
		readings = append(readings, sustain.Reading{T: s.HostAt.Sub(w.zero), LevelPct: s.LevelPct, BatteryC: s.TempC, PowerW: watts[i]})
	}
	var thermal []sustain.Thermal
	for _, e := range g.Evidence {
		if e.Kind != "thermal" {
			continue
		}
		t := sustain.Thermal{T: e.At.Sub(w.zero), Status: int(e.Value)}
		if text, ok := strings.CutPrefix(e.Detail, "skin_c="); ok {
			if c, err := strconv.ParseFloat(text, 64); err == nil {
				t.SkinC = &c
			}
		}
		thermal = append(thermal, t)
	}
	slices.SortFunc(thermal, func(a, b sustain.Thermal) int { return int(a.T - b.T) })
	s := sustain.Describe(w.cycles, readings, thermal)
	h.First = s.First
	h.scored(s)
	h.MeanTempC, h.HighestTempC, h.HighestSkinC, h.HighestStatus = s.MeanC, s.HighestC, s.HighestSkinC, s.HighestStatus
	h.EnergyJ, h.ScorePerJ, h.PointsPerCycle = s.EnergyJ, s.ScorePerJ, s.PointsPerCycle
	for _, l := range s.Lines {
		h.Each = append(h.Each, HeatCycle{Cycle: l.Number, EndedAt: w.zero.Add(l.To), Score: l.Score, TempC: l.BatteryC, SkinC: l.SkinC, Status: l.Status, EnergyJ: l.EnergyJ, LevelPct: l.LevelPct})
	}
	if g.Until == "cycles" && g.Reached < g.Wanted {
		h.Notes = append(h.Notes, g.Progress()+": "+g.Reason)
	}
	if len(thermal) == 0 {
		h.Notes = append(h.Notes, "the handset tells no thermal status")
	}
	if s.EnergyJ == nil {
		h.Notes = append(h.Notes, "no energy: the handset shows no usable current throughout")
	}
}

// scored takes over what the scores say, or why they say nothing.
func (h *HeatSeries) scored(s sustain.Series) {
	if s.Err != nil {
		h.Reason = why(s.Err)
		return
	}
	retained := s.Retention
	h.Peak, h.Best, h.Settled, h.Retained, h.Worst, h.Throttled, h.Onset = s.Peak, s.Best, s.Settled, &retained, s.Worst, s.Throttled, s.Onset
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

// HeatRows are series of cycles as their export has them.
func HeatRows(list []HeatSeries) (series []results.SustainRow, cycles []results.CycleRow) {
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
			Whose: of, Workload: h.Workload, Cycles: h.Cycles, Peak: h.Peak, Settled: h.Settled, Worst: h.Worst, Throttled: h.Throttled,
			MeanTempC: h.MeanTempC, HighestTempC: h.HighestTempC, EnergyJPerCycle: h.EnergyJ, ScorePerJ: h.ScorePerJ, PointsPerCycle: h.PointsPerCycle, Reason: h.Reason,
		}
		if h.Retained != nil {
			row.Retention = *h.Retained
		}
		if h.Onset > 0 {
			row.Onset = whole(&h.Onset)
		}
		series = append(series, row)
		for _, c := range h.Each {
			cycles = append(cycles, results.CycleRow{
				Whose: of, Workload: h.Workload, Cycle: c.Cycle, Score: c.Score, TempC: c.TempC, ThermalLevel: whole(c.Status), EnergyJ: c.EnergyJ, LevelPct: whole(c.LevelPct),
			})
		}
	}
	return series, cycles
}
