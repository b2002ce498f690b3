package reading

import (
	"slices"

	"rundown/devices"
	"rundown/results"
)

// BusyCurrents are the raw currents while a handset worked on its battery or charged it.
func BusyCurrents(samples []results.Sample) (raw []float64) {
	for _, s := range samples {
		if s.CurrentRaw != nil && (s.Plugged == 0 || s.Status == statusCharging) {
			raw = append(raw, float64(*s.CurrentRaw))
		}
	}
	return raw
}

// oddUnits are what was made of odd readings in some segments, each once.
func oddUnits(segments []results.Segment) (list []string) {
	for _, g := range segments {
		if g.Units == nil {
			continue
		}
		for _, text := range g.Units.Notes {
			if !slices.Contains(list, text) {
				list = append(list, text)
			}
		}
	}
	return list
}

// coarseVoltage says whether a handset shows whole volts, of which no power can be made.
func coarseVoltage(units *results.Units) bool { return units != nil && units.Voltage.Each >= 1000 }

// CurrentUnitMA is what a raw 1 of a segment's current is worth, mA, whichever its sign; 0
// where it cannot be told. A segment that was recorded without units is told by its samples.
func CurrentUnitMA(units *results.Units, samples []results.Sample) float64 {
	if units != nil && units.Current.Each > 0 {
		return units.Current.Each
	}
	s, _ := devices.CurrentUnit(BusyCurrents(samples))
	return s.Each
}
