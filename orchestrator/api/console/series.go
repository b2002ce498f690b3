package console

import (
	"fmt"
	"math"
	"slices"

	"rundown/orchestrator/api/forecast"
	"rundown/results"
	"rundown/results/reading"
)

// A chargeTable is what one charge of a run says.
type chargeTable struct {
	Name  string
	Rows  [][2]string
	Notes []runNote
}

// A workTable is what the sustained work of a run's segment says.
type workTable struct {
	Name  string
	Rows  [][2]string
	Notes []runNote
}

// series are the figures of a run's charges and of its sustained load.
func (c *Console) series(rec results.Run, shapes []forecast.Shape) (charges []chargeTable, work []workTable) {
	if !slices.ContainsFunc(shapes, func(s forecast.Shape) bool { return s.Until != "" }) {
		return nil, nil
	}
	name := func(segment, scenario string) string {
		i := slices.IndexFunc(shapes, func(s forecast.Shape) bool { return s.ID == segment })
		return fmt.Sprintf("%d %s", i+1, scenario)
	}
	remarks := func(reason string, notes []string) (list []runNote) {
		if reason != "" {
			list = append(list, runNote{Text: "No figure: " + reason, Hand: true})
		}
		for _, n := range notes {
			list = append(list, runNote{Text: capital(n)})
		}
		return list
	}
	of := reading.FigureFilter{Run: rec.ID, WithFlagged: true}
	list, _ := c.d.Reading().Charges(of)
	for _, one := range list {
		rows := one.Rows()
		for i := range rows {
			rows[i][0] = capital(rows[i][0])
		}
		charges = append(charges, chargeTable{name(one.Segment, one.Scenario), rows, remarks(one.Reason, one.Notes)})
	}
	found, _ := c.d.Reading().Sustained(of)
	for _, h := range found {
		rows := h.Rows()
		for i := range rows {
			rows[i][0] = capital(rows[i][0])
		}
		work = append(work, workTable{name(h.Segment, h.Scenario) + ", " + h.Workload, rows, remarks(h.Reason, h.Notes)})
	}
	return charges, work
}

// arriving is the power at the handset's charging line as its meter read it, W, and into
// is that into the battery by the handset's own gauge, both while it had power.
func (c *Console) arriving(a axis, s forecast.Shape, samples []results.Sample, unit float64) (arriving, into []drawn) {
	if s.Until != "full" {
		return nil, nil
	}
	gap := drawn{v: math.NaN()}
	arriving, into = append(arriving, gap), append(into, gap)
	record := ""
	g, _ := c.d.Store().Segment(s.ID) // a record may have been attached since its shape was made
	for _, r := range g.Records {
		if r.ReplacedAt.IsZero() {
			record = r.Name
		}
	}
	list, _ := c.d.Store().Readings(s.ID)
	list = slices.DeleteFunc(list, func(r results.Reading) bool { return r.PowerW == nil || r.Record != record || !a.holds(r.At) })
	every := max(1, len(list)/drawnSamples)
	for i := 0; i < len(list); i += every {
		arriving = append(arriving, drawn{list[i].At, *list[i].PowerW})
	}
	for _, p := range samples {
		if p.CurrentRaw != nil && p.VoltageMV != nil && p.Plugged != 0 {
			into = append(into, drawn{p.HostAt, math.Abs(float64(*p.CurrentRaw)) * unit * float64(*p.VoltageMV) / 1000})
		}
	}
	return arriving, into
}

// highest is the highest value of curves.
func highest(lists ...[]drawn) float64 {
	most := 0.0
	for _, list := range lists {
		for _, r := range list {
			if !math.IsNaN(r.v) {
				most = math.Max(most, r.v)
			}
		}
	}
	return most
}
