package endurance

import "math"

// Combine puts repeats of one scenario on one handset together: the geometric mean of
// their hours. What differs from one run to the next (timing, wandering power) averages;
// the handset's own errors (bend, cell, learned charge, drift) are the same in each and do
// not, so the interval never gets narrower than those. Nothing is dropped: repeats that lie
// further apart than chance explains widen the interval, and agree is false.
func Combine(figures []Figure) (hours Interval, agree bool) {
	switch len(figures) {
	case 0:
		return Interval{}, true
	case 1:
		return figures[0].Hours, true
	}
	n := float64(len(figures))
	var mean, own, chance float64
	for _, f := range figures {
		mean += math.Log(f.Hours.Value) / n
		for _, t := range f.Budget {
			switch t.Name {
			case termTiming, termWander:
				chance += t.RelSD * t.RelSD / n
			default:
				own += t.RelSD * t.RelSD / n
			}
		}
	}
	var spread float64
	for _, f := range figures {
		d := math.Log(f.Hours.Value) - mean
		spread += d * d / (n - 1)
	}
	// Three standard deviations: a repeat that disagrees by chance is rare enough to be looked at.
	agree = spread <= 9*chance || chance == 0 && spread == 0
	return interval(math.Exp(mean), math.Sqrt(own+math.Max(chance, spread)/n)), agree
}
