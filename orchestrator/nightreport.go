package orchestrator

import (
	"errors"
	"strings"

	"rundown/results"
	"rundown/results/report"
)

// NightReport is the report of the latest night of that name; an empty name stands for
// whatever was queued last. results.ErrNotFound when there was none.
func (d *Daemon) NightReport(night string) (report.Report, error) {
	n, err := d.NightSummary(night)
	if err != nil {
		return report.Report{}, err
	}
	var runs []results.Run
	var bad []error
	for _, h := range n.Handsets {
		if h.Run == "" {
			continue
		}
		r, err := d.store.Run(h.Run)
		if err != nil {
			bad = append(bad, err)
			continue
		}
		runs = append(runs, r)
	}
	r, err := d.room.ReportOf(runs)
	if !n.Over {
		r.About = strings.TrimPrefix(r.About+"; the night is not over", "; ")
	}
	return r, errors.Join(append(bad, err)...)
}
