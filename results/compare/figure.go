package compare

import (
	"math"

	"rundown/results/endurance"
)

// The terms of an endurance figure's budget that are not the same in every run of a handset.
const (
	termTiming = "timing of the level edges"
	termWander = "wandering power"
	termBend   = "bend of the level away from charge"
)

// RunOf is a Run with the hours, levels and errors of a figure; the caller adds on which handset and
// under what circumstances it was measured.
func RunOf(f endurance.Figure) Run {
	r := Run{Hours: f.Hours.Value, FromPct: f.FromPct, ToPct: f.ToPct}
	var chance, bend, own float64
	for _, t := range f.Budget {
		switch t.Name {
		case termTiming, termWander:
			chance += t.RelSD * t.RelSD
		case termBend:
			bend += t.RelSD * t.RelSD
		default:
			own += t.RelSD * t.RelSD
		}
	}
	r.ChanceSD, r.BendSD, r.OwnSD = math.Sqrt(chance), math.Sqrt(bend), math.Sqrt(own)
	return r
}
