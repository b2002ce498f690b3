package endurance

import "math"

// A MixPart is one scenario of a day mix.
type MixPart struct {
	HoursPerDay float64  // h a day spent in it, 0 to 24
	Hours       Interval // its endurance, h from full to empty
}

// Mix returns how many days of a mix a full battery lasts. A day takes, of a full battery,
// the sum over its parts of hours a day over hours to empty; the errors of the parts are
// taken as independent, so each counts by its share of the day's drain.
func Mix(parts map[string]MixPart) Interval {
	var day, variance float64
	for _, p := range parts {
		day += p.HoursPerDay / p.Hours.Value
	}
	if day <= 0 {
		return Interval{}
	}
	for _, p := range parts {
		share := p.HoursPerDay / p.Hours.Value / day
		relSD := math.Log(p.Hours.High/p.Hours.Low) / (2 * z95)
		variance += share * share * relSD * relSD
	}
	return interval(1/day, math.Sqrt(variance))
}
