package orchestrator

import (
	"rundown/results"
	"rundown/results/reading"
	"rundown/results/report"
)

// Watch has f called whenever a run is about to do something in a state, before it does.
// It must be set before Start.
func (d *Daemon) Watch(f func(handset string, s State)) { d.watch = f }

// Owes reports whether settings are still to be put back on a handset, or a segment to be
// collected from it.
func (d *Daemon) Owes(handset string) bool {
	o, err := d.pendingRestores(handset)
	return err != nil || len(o.Changes) > 0 || len(d.leftOn(handset)) > 0
}

// ReportOf is the report of runs, as a night's is made.
func (d *Daemon) ReportOf(runs []results.Run) (report.Report, error) { return d.room.ReportOf(runs) }

// ForgetEstimates drops what was worked out once: the store is read by a room that knows nothing yet.
func (d *Daemon) ForgetEstimates() {
	d.room, _ = reading.Open(d.store, d.file, d.now, OwedBy(d.store)) // it was opened before
}

// Silence and Lateness say what is wrong with a meter's readings.
var (
	Silence  = silence
	Lateness = lateness
)

// ReadyFresh is how long preconditions that were met count as met.
const ReadyFresh = readyFresh
