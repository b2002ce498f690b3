package outlook

import (
	"fmt"

	"rundown/orchestrator"
	"rundown/results"
)

// besideKept is how many comparisons are held in memory.
const besideKept = 100

type keptBeside struct {
	upTo    int64
	learned int
	beside  orchestrator.Beside
	err     error
}

// Beside puts sides beside each other, worked out once for as long as no segment has ended
// and nothing was learned.
func (o *Outlook) Beside(c orchestrator.Choice) (orchestrator.Beside, error) {
	key, upTo, learned := fmt.Sprintf("%+v", c), o.lastSegment(), o.d.LearnedVersion()
	o.besideMu.Lock()
	have, ok := o.beside[key]
	o.besideMu.Unlock()
	if ok && have.upTo == upTo && have.learned == learned {
		return have.beside, have.err
	}
	b, err := o.d.Compare(c)
	o.besideMu.Lock()
	defer o.besideMu.Unlock()
	if len(o.beside) >= besideKept {
		clear(o.beside)
	}
	o.beside[key] = keptBeside{upTo, learned, b, err}
	return b, err
}

// SegmentHours are the endurances of a run's segments that were kept, by segment.
func (o *Outlook) SegmentHours(r results.Run) map[string]orchestrator.Interval {
	by := map[string]orchestrator.Interval{}
	list, _ := o.d.Estimates(r) // what cannot be read is said where the run is shown
	for _, e := range list {
		by[e.Segment.ID] = e.Shown.Hours
	}
	return by
}
