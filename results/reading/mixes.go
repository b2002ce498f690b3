package reading

import (
	"maps"
	"slices"
	"strings"

	"rundown/results/endurance"
	"rundown/scenarios"
)

// A MixFigure is the endurance of a handset for a stated mix of hours a day.
type MixFigure struct {
	Handset string    `json:"handset"`
	Mix     string    `json:"day_mix"`
	Days    Interval  `json:"days"`              // from full to empty, what the mix does not name left out
	Missing []string  `json:"missing,omitempty"` // scenarios of the mix without a figure: no days then
	Parts   []MixPart `json:"parts,omitempty"`   // the largest first
	// StandbyH is what the mix leaves of 24 h; WithStandby are the days when the handset lies idle in it. Left out where
	// the mix names idle itself or leaves nothing, or idle was not measured.
	StandbyH    float64   `json:"standby_h,omitempty"`
	WithStandby *Interval `json:"days_with_standby,omitempty"`
}

// A MixPart says how much one scenario of a mix matters.
type MixPart struct {
	Scenario     string  `json:"scenario"`
	HoursPerDay  float64 `json:"hours_per_day"`
	SharePct     float64 `json:"share_pct" doc:"of what a day takes from the battery, %"`
	DaysIfMore   float64 `json:"days_if_10pct_more" doc:"change of the days when a day has a tenth more of it"`
	DaysIfLonger float64 `json:"days_if_10pct_longer" doc:"change of the days when the handset lasts a tenth longer at it"`
}

// MixFigures put each handset's figures together with the plan file's day mixes. A day
// mix costs, of a full battery, the sum over its scenarios of hours a day over hours to
// empty; the figures' errors are taken as independent.
func (rm *Room) MixFigures(figures []ScenarioFigure) []MixFigure {
	hours := hoursOf(figures)
	var list []MixFigure
	for _, h := range rm.file.Bench.Handsets {
		if hours[h.Name] == nil {
			continue
		}
		for _, name := range slices.Sorted(maps.Keys(rm.file.DayMixes)) {
			list = append(list, mixFigure(h.Name, rm.file.DayMixes[name], hours[h.Name]))
		}
	}
	return list
}

// hoursOf are the hours to empty by handset and scenario.
func hoursOf(figures []ScenarioFigure) map[string]map[string]Interval {
	hours := map[string]map[string]Interval{}
	for _, f := range figures {
		if hours[f.Handset] == nil {
			hours[f.Handset] = map[string]Interval{}
		}
		if f.Kept > 0 && !f.Imported { // what was imported is never mixed with what was measured
			hours[f.Handset][f.Scenario] = f.Hours
		}
	}
	return hours
}

const idleScenario = "idle"

func mixFigure(handset string, mix scenarios.DayMix, hours map[string]Interval) MixFigure {
	m := MixFigure{Handset: handset, Mix: mix.Name}
	parts := map[string]endurance.MixPart{}
	left := 24.0
	for name, perDay := range mix.Hours {
		left -= perDay
		i, ok := hours[name]
		if !ok {
			m.Missing = append(m.Missing, name)
			continue
		}
		parts[name] = endurance.MixPart{HoursPerDay: perDay, Hours: i}
	}
	slices.Sort(m.Missing)
	if len(m.Missing) > 0 {
		return m
	}
	m.Days = endurance.Mix(parts)
	for _, s := range endurance.MixSensitivity(parts) {
		m.Parts = append(m.Parts, MixPart{s.Scenario, s.HoursPerDay, 100 * s.Share, s.DaysIfMore, s.DaysIfLonger})
	}
	if _, named := mix.Hours[idleScenario]; named || left < 0.01 {
		return m
	}
	if i, ok := hours[idleScenario]; ok {
		m.StandbyH = left
		parts[idleScenario] = endurance.MixPart{HoursPerDay: left, Hours: i}
		with := endurance.Mix(parts)
		m.WithStandby = &with
	}
	return m
}

// A RegulationFigure is what the smartphone cycle of Regulation (EU) 2023/1669 would come to.
type RegulationFigure struct {
	Handset string    `json:"handset"`
	Hours   *Interval `json:"hours,omitempty"`
	// IndexPerW is hours per watt-hour of the maker's capacity and voltage, 1/W; 0 where these are not in the plan file.
	IndexPerW float64 `json:"index_per_w,omitempty"`
	// Class is the regulation's class of a smartphone, A to G, that such an index would fall into; empty without an index.
	Class   string   `json:"calculated_class,omitempty"`
	Missing []string `json:"missing,omitempty"` // scenarios of the cycle that were not measured: no hours then
	Label   string   `json:"label"`             // to stand beside it wherever it is shown
}

// RegulationFigures calculate the cycle's endurance for each handset of which the idle time and at least one other part of the
// cycle were measured.
func (rm *Room) RegulationFigures(figures []ScenarioFigure) []RegulationFigure {
	hours := hoursOf(figures)
	list := []RegulationFigure{}
	for _, h := range rm.file.Bench.Handsets {
		if _, ok := hours[h.Name][idleScenario]; !ok || len(hours[h.Name]) < 2 {
			continue
		}
		f := RegulationFigure{Handset: h.Name, Label: "calculated from " + strings.Join(endurance.RegulationScenarios(), ", ") +
			" as measured on this bench, by the cycle of Regulation (EU) 2023/1669, Annex IV; not a declared value"}
		end, missing := endurance.Regulation(hours[h.Name])
		if f.Missing = missing; len(missing) == 0 {
			i := end
			f.Hours = &i
			if h.CapacityMAh > 0 && h.NominalMV > 0 {
				f.IndexPerW = endurance.HoursPerWh(end.Value, h.CapacityMAh, h.NominalMV)
				f.Class = endurance.EnergyClass(f.IndexPerW, false)
			}
		}
		list = append(list, f)
	}
	return list
}
