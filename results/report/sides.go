package report

import (
	"slices"

	"rundown/results"
)

// A Side is what a comparison has as one: a handset, runs, or a line-up of several handsets.
type Side struct {
	Name     string
	Runs     []string
	Handsets int
	Imported bool
}

// sideOf is the side that a row belongs to, with the handset where the side is several; the handset where
// the report is of no sides.
func (r Report) sideOf(w results.Whose) string {
	for _, s := range r.Sides {
		if slices.Contains(s.Runs, w.RunID) {
			if s.Handsets > 1 && s.Name != w.Handset {
				return s.Name + ": " + w.Handset
			}
			return s.Name
		}
	}
	return w.Handset
}

// sidedCurves are the curves by their sides' names.
func (r Report) sidedCurves() []results.CurveRow {
	if len(r.Sides) == 0 {
		return r.Curves
	}
	rows := slices.Clone(r.Curves)
	for i := range rows {
		rows[i].Handset = r.sideOf(rows[i].Whose)
	}
	return rows
}

// sidedLots are the lots by their sides' names.
func (r Report) sidedLots() []results.LotRow {
	if len(r.Sides) == 0 {
		return r.Lots
	}
	rows := slices.Clone(r.Lots)
	for i := range rows {
		rows[i].Handset = r.sideOf(rows[i].Whose)
	}
	return rows
}
