package orchestrator

import "rundown/scenarios"

// What a person must know before a plan of a kind is carried out with nobody there, beside
// the caution about lithium cells that holds for every run.
const (
	chargeCaution = "This plan charges a lithium cell from end to end. Have somebody near who can pull the plug, or a smoke detector that wakes somebody; " +
		"use only a charger and a cable that are whole and meant for the handset; follow the maker's instructions and the building's fire rules."
	heatCaution = "This plan works handsets at full load for long: they get hot enough to hurt when held. Let them cool before you touch them, and keep them apart and uncovered."
)

// Cautions are what a person must know before the order is carried out, in an order of
// their own; empty: nothing beside what holds for every run.
func (o Order) Cautions() []string {
	var calls, charges, heats bool
	for _, at := range o.Plan.Segments {
		s := o.Scenarios[at.Scenario]
		calls = calls || s.NeedsCounterpart()
		charges = charges || at.EndsBy(s) == scenarios.UntilFull
		heats = heats || s.Stage == "sustain"
	}
	var list []string
	for _, c := range []struct {
		holds bool
		text  string
	}{{calls, scenarios.CallCaution}, {charges, chargeCaution}, {heats, heatCaution}} {
		if c.holds {
			list = append(list, c.text)
		}
	}
	return list
}

// Cautions are those of a plan of the plan file for some handsets, with what may be asked
// of a person on handsets on which it has not been carried out before. An unknown plan has
// none.
func (d *Daemon) Cautions(plan string, handsets ...string) []string {
	o, err := d.order(plan)
	if err != nil {
		return nil
	}
	return d.CautionsOf(o, handsets...)
}

// CautionsOf does so for a plan as it was queued.
func (d *Daemon) CautionsOf(o Order, handsets ...string) []string {
	list := o.Cautions()
	for _, h := range handsets {
		list = append(list, d.firstTimes(o, h)...)
	}
	return list
}
