package accuracy

import (
	"fmt"
	"io"
	"math"

	"rundown/results/charging"
)

// ChargeEveries are the spacings of samples at which charges are tried, s: all that a plan may ask for.
var ChargeEveries = []float64{1, 5, 10, 15, 20, 25, 30, 60, 120, 300}

// A Share is how often something held, of how many.
type Share struct{ Held, Of int }

func (s *Share) add(held bool) {
	s.Of++
	if held {
		s.Held++
	}
}

// Pct is the share in per cent, NaN of none.
func (s Share) Pct() float64 {
	if s.Of == 0 {
		return math.NaN()
	}
	return 100 * float64(s.Held) / float64(s.Of)
}

// MarshalJSON writes the share with how many it is of.
func (s Share) MarshalJSON() ([]byte, error) {
	if s.Of == 0 {
		return []byte(`null`), nil
	}
	return fmt.Appendf(nil, `{"pct":%.2f,"of":%d}`, s.Pct(), s.Of), nil
}

// A ChargeRow is one kind of charge, sampled every so often. Energies and powers are read with sensors whose gain is off, by 2 % and 0.3 %
// (standard deviations): errors leave that aside, covers do not.
type ChargeRow struct {
	Kind   ChargeKind `json:"kind"`
	EveryS float64    `json:"every_s"`
	N      int        `json:"n"`
	// Taper: how often an onset is given; of these, how often it is within a minute and a sample, and how often its interval holds the
	// truth. Where the record has no taper, one that is given is never right.
	TaperGiven  Share `json:"taper_given"`
	TaperRight  Share `json:"taper_right"`
	TaperCover  Share `json:"taper_cover"`
	TaperLosing Share `json:"taper_false"` // given where the record has none
	Energy      Stat  `json:"energy"`      // into the cell
	EnergyCover Share `json:"energy_cover"`
	PlugCover   Share `json:"plug_energy_cover"`
	Peak        Stat  `json:"peak"`
	PeakCover   Share `json:"peak_cover"`
	Hold        Stat  `json:"hold"`
	HoldCover   Share `json:"hold_cover"`
	ShownCover  Share `json:"shown_cover"`  // of times to levels, as shown
	ChargeCover Share `json:"charge_cover"` // of times to levels, by charge
	Span        Stat  `json:"from_20_to_80"`
	SpanCover   Share `json:"from_20_to_80_cover"` // by charge
	Refused     int   `json:"refused"`
}

// ChargeRows charge n simulated handsets of one kind and work each out as it is sampled at each of the spacings: every second one with
// plug-in seen between two samples, the others with plug-in known.
func ChargeRows(seed uint64, n int, kind ChargeKind, everies []float64) []ChargeRow {
	charges := make([]*SimulatedCharge, n)
	figures := make([][]*charging.Figure, n)
	atOnce(n, func(i int) {
		c := NewSimulatedCharge(seedOf(seed, i), kind)
		for _, every := range everies {
			var at *charging.Figure
			if f, err := charging.Estimate(c.Log(every, true, i%2 == 1)); err == nil {
				at = &f
			}
			figures[i] = append(figures[i], at)
		}
		c.trace = nil // a charge of hours is large
		charges[i] = c
	})
	var rows []ChargeRow
	for j, every := range everies {
		row := ChargeRow{Kind: kind, EveryS: every, N: n}
		var energy, peak, hold, span errors
		for i, c := range charges {
			f := figures[i][j]
			if f == nil {
				row.Refused++
				continue
			}
			row.score(c, *f, c.PlugSeenS(every, i%2 == 1), &energy, &peak, &hold, &span)
		}
		row.Energy, row.Peak, row.Hold, row.Span = energy.stat(), peak.stat(), hold.stat(), span.stat()
		rows = append(rows, row)
	}
	return rows
}

// score compares one figure with the truth. zeroS is from which instant it counts, s after plug-in.
func (r *ChargeRow) score(c *SimulatedCharge, f charging.Figure, zeroS float64, energy, peak, hold, span *errors) {
	switch {
	case math.IsNaN(c.OnsetS):
		r.TaperLosing.add(f.Taper != nil)
	default:
		r.TaperGiven.add(f.Taper != nil)
		if f.Taper != nil {
			off := f.Taper.AtS + zeroS - c.OnsetS
			r.TaperRight.add(math.Abs(off) <= 60+r.EveryS)
			r.TaperCover.add(f.Taper.LowS+zeroS <= c.OnsetS && c.OnsetS <= f.Taper.HighS+zeroS)
		}
	}
	// A record that ends before the charge has no energy that it could be held against.
	if f.BattWh != nil && !math.IsNaN(c.FullS) {
		energy.add(f.BattWh.Value, c.BattWh*c.cellGain)
		r.EnergyCover.add(f.BattWh.Holds(c.BattWh))
	}
	if f.PlugWh != nil && !math.IsNaN(c.FullS) {
		r.PlugCover.add(f.PlugWh.Holds(c.PlugWh))
	}
	if f.PeakW != nil {
		peak.add(f.PeakW.Value, c.PeakW*c.cellGain)
		r.PeakCover.add(f.PeakW.Holds(c.PeakW))
		if !math.IsNaN(c.FullS) {
			hold.add(f.HoldS.Value, c.HoldS)
			r.HoldCover.add(f.HoldS.Holds(c.HoldS))
		}
	}
	// Times count from where plug-in was taken to be, and their intervals have how far that may be off.
	for _, t := range f.Times {
		if truth, ok := c.ShownS[t.LevelPct]; ok && t.S != nil {
			r.ShownCover.add(t.S.Holds(truth))
		}
		if truth, ok := c.ByS[t.LevelPct]; ok && t.ChargeS != nil {
			r.ChargeCover.add(t.ChargeS.Holds(truth))
		}
	}
	for _, s := range f.Spans {
		from, okFrom := c.ByS[20]
		to, okTo := c.ByS[80]
		if s.FromPct == 20 && s.ChargeS != nil && okFrom && okTo {
			span.add(s.ChargeS.Value, to-from)
			r.SpanCover.add(s.ChargeS.Holds(to - from))
		}
	}
}

// What is wanted of charges from slow logs: shares in per cent, and errors.
const (
	taperRightGoal = 95.0
	coverGoal      = 93.0
	taperGivenGoal = 90.0 // of the usual charges, so that honesty is no silence
	spanGoal       = 2.0  // % at 10 s and below
	holdGoal       = 5.0  // the same
)

// goals are the goals of a row, each beside its figure.
func (r ChargeRow) goals() (list []Check) {
	at := fmt.Sprintf("charge, %s, every %.0f s: ", r.Kind, r.EveryS)
	share := func(name string, s Share, least, most float64) {
		if s.Of > 0 {
			list = append(list, check(at+name, "%", s.Pct(), least, most))
		}
	}
	if r.EveryS > charging.MostEveryS {
		share("taper given", r.TaperGiven, 0, 0)
	} else {
		share("taper within a minute and a sample, where given", r.TaperRight, taperRightGoal, unbounded)
		if r.Kind == UsualCharge {
			share("taper given", r.TaperGiven, taperGivenGoal, unbounded)
		}
		share("cover of energy into the cell", r.EnergyCover, coverGoal, unbounded)
		share("cover of energy at the plug", r.PlugCover, coverGoal, unbounded)
	}
	share("taper given where there is none", r.TaperLosing, 0, 5)
	share("cover of times, as shown", r.ShownCover, coverGoal, unbounded)
	share("cover of times, by charge", r.ChargeCover, coverGoal, unbounded)
	share("cover of 20 to 80 %, by charge", r.SpanCover, coverGoal, unbounded)
	if r.Kind == UsualCharge && r.EveryS <= 10 {
		list = append(list, check(at+"20 to 80 % by charge, 95 % error", "%", r.Span.P95, 0, spanGoal),
			check(at+"time within 90 % of the peak, 95 % error", "%", r.Hold.P95, 0, holdGoal))
	}
	return list
}

// AllChargeRows are the usual charges at all spacings and each other kind at three of them.
func AllChargeRows(seed uint64, n int) []ChargeRow {
	rows := ChargeRows(seed, n, UsualCharge, ChargeEveries)
	for _, kind := range ChargeKinds[1:] {
		rows = append(rows, ChargeRows(seed+1, max(20, n/2), kind, []float64{10, 60, 300})...)
	}
	return rows
}

// printCharges writes the table of charges.
func printCharges(w io.Writer, rows []ChargeRow, markdown bool) error {
	head := []string{"charges", "every", "taper given", "within 1 min + a sample", "its cover", "energy: 95 % error", "cover", "at the plug: cover", "peak: 95 % error", "cover", "hold: 95 % error", "cover",
		"times shown: cover", "by charge: cover", "20 to 80 %: 95 % error", "cover"}
	var cells [][]string
	last := ChargeKind("")
	for _, r := range rows {
		kind := string(r.Kind)
		if r.Kind == last {
			kind = ""
		}
		last = r.Kind
		slow := r.EveryS > charging.MostEveryS
		pct := func(s Share, least float64) string {
			switch {
			case s.Of == 0:
				return "-"
			case least == 0:
				return fmt.Sprintf("%.0f", s.Pct())
			}
			return beside(s.Pct(), 0, least, unbounded)
		}
		off := func(s Stat, goal float64) string {
			if s.N == 0 {
				return "-"
			}
			return beside(s.P95, 1, 0, goal)
		}
		right, given := pct(r.TaperRight, taperRightGoal), pct(r.TaperGiven, 0)
		if r.TaperLosing.Of > 0 {
			given, right = pct(r.TaperLosing, 0), "has none"
		} else if r.Kind == UsualCharge && !slow {
			given = pct(r.TaperGiven, taperGivenGoal)
		}
		span, hold := off(r.Span, 0), off(r.Hold, 0)
		if r.Kind == UsualCharge && r.EveryS <= 10 {
			span, hold = off(r.Span, spanGoal), off(r.Hold, holdGoal)
		}
		cells = append(cells, []string{kind, fmt.Sprintf("%.0f s", r.EveryS), given, right, pct(r.TaperCover, 0), off(r.Energy, 0), pct(r.EnergyCover, coverGoal), pct(r.PlugCover, coverGoal),
			off(r.Peak, 0), pct(r.PeakCover, 0), hold, pct(r.HoldCover, 0), pct(r.ShownCover, coverGoal), pct(r.ChargeCover, coverGoal), span, pct(r.SpanCover, coverGoal)})
	}
	if err := printTable(w, head, cells, markdown); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, `
Charges by a generator of its own, %d of the usual kind, with gauges that look every 5 to 20 s. Shares and covers in per cent, errors in per cent of the
truth with the sensors' gain aside; - is not given. By charge: against true charge, as shown: against what the handset showed. In
brackets the goal.

`, rows[0].N)
	return err
}
