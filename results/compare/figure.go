package compare

import (
	"math"
	"strings"

	"rundown/results/endurance"
)

// The terms of an endurance figure's budget that are not the same in every run of a handset.
const (
	termTiming = "timing of the level edges"
	termWander = "wandering power"
	termBend   = "bend of the level away from charge"
)

// The handset's own terms that are the same in every scenario: the cell's voltage, and whatever rests on a
// learned full charge.
const (
	termVoltage = "voltage curve of the cell"
	termLearned = "its learned full charge"
)

// RunOf is a Run with the hours, levels and errors of a figure; the caller adds on which handset and
// under what circumstances it was measured.
func RunOf(f endurance.Figure) Run {
	r := Run{Value: f.Hours.Value, FromPct: f.FromPct, ToPct: f.ToPct}
	var chance, bend, own, shared float64
	for _, t := range f.Budget {
		switch t.Name {
		case termTiming, termWander:
			chance += t.RelSD * t.RelSD
		case termBend:
			bend += t.RelSD * t.RelSD
		default:
			own += t.RelSD * t.RelSD
			if t.Name == termVoltage || strings.HasSuffix(t.Name, termLearned) {
				shared += t.RelSD * t.RelSD
			}
		}
	}
	r.ChanceSD, r.BendSD, r.OwnSD, r.SharedSD = math.Sqrt(chance), math.Sqrt(bend), math.Sqrt(own), math.Sqrt(shared)
	return r
}
