package forecast

import (
	"fmt"

	"rundown/results"
	"rundown/results/figure"
	"rundown/results/reading"
)

// besideKept is how many comparisons are held in memory.
const besideKept = 100

type besides struct {
	beside reading.Beside
	err    error
}

// Beside puts sides beside each other, worked out once for as long as nothing was stored or
// learned of which it is made.
func (o *Forecasts) Beside(c reading.Choice) (reading.Beside, error) {
	have := o.beside.get(fmt.Sprintf("%+v", c), o.madeOf(), func() besides {
		b, err := o.d.Reading().Compare(c)
		return besides{b, err}
	})
	return have.beside, have.err
}

// SegmentHours are the endurances of a run's segments that were kept, by segment.
func (o *Forecasts) SegmentHours(r results.Run) map[string]figure.Interval {
	by := map[string]figure.Interval{}
	list, _ := o.d.Reading().Estimates(r) // what cannot be read is said where the run is shown
	for _, e := range list {
		by[e.Segment.ID] = e.Shown.Hours
	}
	return by
}
