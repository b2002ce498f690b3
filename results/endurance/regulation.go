package endurance

import (
	"math"
	"slices"
)

// The smartphone test of Regulation (EU) 2023/1669 (OJ L 214, 31.8.2023), Annex IV point 1.2.1: this cycle, over and over
// from full until the handset switches itself off. The text was seen in copies, not in the Official Journal.
var regulationCycle = []struct {
	Scenario string // what stands for it here
	Minutes  float64
}{
	{"voicecall", 4}, // phone call
	{"idle", 120},    // four times 30
	{"browse", 9},    // web browsing
	{"stream", 4},    // video streaming
	{"game", 1},      // gaming
	{"transfer", 8},  // data up and down over http
	{"video", 4},     // local video playback
}

// RegulationScenarios are the scenarios whose endurance the regulation's formula needs.
func RegulationScenarios() (names []string) {
	for _, p := range regulationCycle {
		names = append(names, p.Scenario)
	}
	return names
}

// Regulation is the endurance in a battery's hours by the cycle of Regulation (EU) 2023/1669, calculated from the endurance
// of its parts: no cycle was run, so that it is no declared value and none that market surveillance would find. missing
// are the parts of which there is none; then there are no hours.
//
// The index in 1/W (h per Wh) that goes with it is HoursPerWh of these hours.
func Regulation(hours map[string]Interval) (end Interval, missing []string) {
	parts := map[string]MixPart{}
	minutes := 0.0
	for _, p := range regulationCycle {
		minutes += p.Minutes
		h, ok := hours[p.Scenario]
		if !ok || !(h.Value > 0) {
			missing = append(missing, p.Scenario)
			continue
		}
		parts[p.Scenario] = MixPart{HoursPerDay: p.Minutes / 60, Hours: h}
	}
	slices.Sort(missing)
	if len(missing) > 0 {
		return Interval{}, missing
	}
	cycles := Mix(parts)
	to2 := func(v float64) float64 { return math.Round(100*v*minutes/60) / 100 } // as the regulation states it
	return Interval{Value: to2(cycles.Value), Low: to2(cycles.Low), High: to2(cycles.High)}, nil
}

// energyClasses are the classes of Regulation (EU) 2023/1669, Annex II, with the index, 1/W, above
// which each begins; G is what lies below. Seen in restatements of the annex.
var energyClasses = []struct {
	class         string
	phone, tablet float64
}{{"A", 2.70, 7.90}, {"B", 2.30, 6.32}, {"C", 1.95, 5.06}, {"D", 1.66, 4.04}, {"E", 1.41, 3.24}, {"F", 1.20, 2.59}}

// EnergyClass is the class, A to G, that an energy efficiency index, 1/W, falls into once it is
// rounded to two decimals as the regulation has it; "" for no index. Of an index that was
// calculated from parts it is a calculated class, and no declared one.
func EnergyClass(index float64, tablet bool) string {
	if !(index > 0) {
		return ""
	}
	index = math.Round(100*index) / 100
	for _, c := range energyClasses {
		above := c.phone
		if tablet {
			above = c.tablet
		}
		if index > above {
			return c.class
		}
	}
	return "G"
}
