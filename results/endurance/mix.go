package endurance

import (
	"cmp"
	"maps"
	"math"
	"slices"
)

// A MixPart is one scenario of a day mix.
type MixPart struct {
	HoursPerDay float64  // h a day spent in it, 0 to 24
	Hours       Interval // its endurance, h from full to empty
}

// Mix returns how many days of a mix a full battery lasts. A day takes, of a full battery,
// the sum over its parts of hours a day over hours to empty; the errors of the parts are
// taken as independent, so each counts by its share of the day's drain.
func Mix(parts map[string]MixPart) Interval {
	days, _ := mix(parts)
	return days
}

// A Sensitivity says how much one part of a mix matters.
type Sensitivity struct {
	Scenario    string
	HoursPerDay float64
	Share       float64 // of what a day takes from the battery, 0 to 1
	// DaysIfMore is by how many days the result changes (it falls) when a day has a tenth more of this part, the others
	// as they are.
	DaysIfMore float64
	// DaysIfLonger is by how many days it changes when the part's own endurance is 10 % longer.
	DaysIfLonger float64
}

// MixSensitivity says how much each part of a mix matters, the largest share first.
func MixSensitivity(parts map[string]MixPart) []Sensitivity {
	days, shares := mix(parts)
	var list []Sensitivity
	for name, p := range parts {
		s := shares[name]
		list = append(list, Sensitivity{
			Scenario: name, HoursPerDay: p.HoursPerDay, Share: s,
			DaysIfMore:   days.Value/(1+0.1*s) - days.Value,
			DaysIfLonger: days.Value/(1-s+s/1.1) - days.Value,
		})
	}
	slices.SortFunc(list, func(a, b Sensitivity) int {
		return cmp.Or(cmp.Compare(b.Share, a.Share), cmp.Compare(a.Scenario, b.Scenario))
	})
	return list
}

func mix(parts map[string]MixPart) (days Interval, shares map[string]float64) {
	var day, variance float64
	names := slices.Sorted(maps.Keys(parts)) // always summed in one order, so that a figure is the same to its last digit
	for _, name := range names {
		day += parts[name].HoursPerDay / parts[name].Hours.Value
	}
	if !(day > 0) {
		return Interval{}, nil
	}
	shares = map[string]float64{}
	for _, name := range names {
		p := parts[name]
		share := p.HoursPerDay / p.Hours.Value / day
		shares[name] = share
		relSD := math.Log(p.Hours.High/p.Hours.Low) / (2 * z95)
		variance += share * share * relSD * relSD
	}
	return interval(1/day, math.Sqrt(variance)), shares
}
