package forecast

import (
	"slices"
	"strings"
	"time"

	"rundown/orchestrator"
	"rundown/results"
)

// apart is the rest on the bench that parts two nights.
const apart = 4 * time.Hour

// A Night is what was carried out without a long rest in between: named in the plan file,
// or queued by hand.
type Night struct {
	From, To time.Time // first start and last end so far; To is now while it goes on
	Runs     []results.Run
	Waiting  []orchestrator.Item // queued and not begun; only in the latest night
	Going    bool
}

// Plans names the plans of the night, each once.
func (n Night) Plans() []string {
	var list []string
	for _, r := range n.Runs {
		list = append(list, r.Plan)
	}
	for _, it := range n.Waiting {
		list = append(list, it.Plan)
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// Nights are all nights, oldest first. What waits belongs to the latest one that goes on,
// or makes one of its own.
func (o *Forecasts) Nights() ([]Night, error) {
	runs, err := o.Runs()
	slices.SortStableFunc(runs, func(a, b results.Run) int { return a.StartedAt.Compare(b.StartedAt) })
	now := o.d.Now()
	var list []Night
	for _, r := range runs {
		if r.Imported != nil { // it was no night of this bench
			continue
		}
		end := r.EndedAt
		going := end.IsZero()
		if going {
			end = now
		}
		if n := len(list); n == 0 || r.StartedAt.Sub(list[n-1].To) > apart {
			list = append(list, Night{From: r.StartedAt, To: end})
		}
		night := &list[len(list)-1]
		night.Runs = append(night.Runs, r)
		night.Going = night.Going || going
		if end.After(night.To) {
			night.To = end
		}
	}
	var waiting []orchestrator.Item
	for _, it := range o.d.Queue() {
		if it.State == orchestrator.Waiting {
			waiting = append(waiting, it)
		}
	}
	if len(waiting) == 0 {
		return list, err
	}
	if n := len(list); n == 0 || !list[n-1].Going {
		list = append(list, Night{From: now, To: now})
	}
	night := &list[len(list)-1]
	night.Waiting, night.Going = waiting, true
	return list, err
}

// Name is how a night is asked for: the instant of its first start, to the second.
func (n Night) Name() string { return strings.TrimSuffix(n.From.UTC().Format("20060102T150405Z"), "Z") }
