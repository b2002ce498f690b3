package orchestrator

import (
	"context"

	"rundown/orchestrator/doctor"
)

// Examine looks at everything around this daemon's bench; api is where the daemon answers
// requests, "" when it does not. Handsets that are in a run are asked nothing.
func (d *Daemon) Examine(ctx context.Context, api string) doctor.Report {
	given := func(handset string) string {
		if g := d.gates[handset]; g != nil {
			return g.Name()
		}
		return ""
	}
	return doctor.Examine(ctx, doctor.Options{
		File: d.file, DataDir: d.dataDir, API: api, Running: true, Busy: d.busy, Now: d.now, Gate: given,
	})
}
