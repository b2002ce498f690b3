package charging

import (
	"math"
)

// RefreshS is how late a gauge may show a level, s: assumed.
const RefreshS = 20

// bendPct is how far the shown level may be bent away from charge at one level, points, as half of a 95 % interval: assumed.
const bendPct = 0.25

// levels are the levels that were shown, against s from plug-in.
type levels struct {
	t     []float64
	shown []int
}

func levelsOf(samples []Sample, since func(Sample) float64) levels {
	var l levels
	for _, s := range samples {
		// Before power came the level did not rise.
		l.t, l.shown = append(l.t, max(0, since(s))), append(l.shown, s.LevelPct)
	}
	return l
}

// at is the level shown at a moment.
func (l levels) at(s float64) int {
	shown := l.shown[0]
	for i, t := range l.t {
		if t > s {
			break
		}
		shown = l.shown[i]
	}
	return shown
}

// An edge is when a level was first shown: surely between two samples, lo and hi. Where several levels were passed
// between these, each is taken to have come in its turn, and Low and High are narrower.
type edge struct {
	Interval
	lo, hi float64
}

// first is the edge to a level; ok is false where it was shown from the start or never.
func (l levels) first(pct int) (e edge, ok bool) {
	for k, shown := range l.shown {
		if shown < pct {
			continue
		}
		if k == 0 {
			return e, false
		}
		below := l.shown[0] // the highest so far: a step back is no edge
		for _, s := range l.shown[:k] {
			below = max(below, s)
		}
		lo, hi := l.t[k-1], l.t[k]
		passed := float64(shown - below)
		pace := (hi - lo) / passed
		v := lo + pace*(float64(pct-below)-0.5)
		// Power may have changed meanwhile, and with it the pace.
		half := pace * (0.5 + 0.15*(passed-1))
		return edge{interval(v, max(lo, v-half), min(hi, v+half)), lo, hi}, true
	}
	return e, false
}

// times are those to the levels that are wanted, as shown and by charge. plugWithin is how far plug-in may be off, s.
func (l levels) times(wanted []int, c *counted, fullS *Interval, refreshS, plugWithin float64) (list []LevelTime) {
	for _, pct := range wanted {
		t := LevelTime{LevelPct: pct}
		if i, ok := l.first(pct); ok {
			shown := wider(interval(i.Value, i.lo, i.hi), plugWithin)
			t.S = &shown
		}
		switch {
		case pct == 100:
			if fullS != nil {
				i := wider(*fullS, plugWithin)
				t.ChargeS = &i
			}
		case c != nil:
			t.ChargeS = c.at(pct, plugWithin)
		default:
			t.ChargeS = l.byCharge(pct, refreshS, plugWithin)
		}
		if t.S != nil || t.ChargeS != nil {
			list = append(list, t)
		}
	}
	return list
}

// byCharge is when the cell held so much charge. A gauge shows a level anywhere from a point too early (rounding up) to on time
// (rounding down), and later still by its refresh: so charge reached it between the moments at which it and the next level were
// shown.
func (l levels) byCharge(pct int, refreshS, plugWithin float64) *Interval {
	a, ok := l.first(pct)
	b, next := l.first(pct + 1)
	if !ok || !next {
		return nil
	}
	bend := bendPct * (b.Value - a.Value)
	v := (a.Value + b.Value - refreshS) / 2
	return afterPlug(interval(v, min(v, a.Low-refreshS-bend), b.High+bend), plugWithin)
}

// span is the time from one level to another, as shown and by charge; ok is false where their edges were not both seen.
func (l levels) span(from, to int, c *counted, refreshS float64) (s Span, ok bool) {
	a, okA := l.first(from)
	b, okB := l.first(to)
	if !okA || !okB || b.Value <= a.Value {
		return s, false
	}
	s = Span{FromPct: from, ToPct: to, S: between(interval(a.Value, a.lo, a.hi), interval(b.Value, b.lo, b.hi))}
	if c != nil {
		x, y := c.at(from, 0), c.at(to, 0)
		if x != nil && y != nil {
			i := between(*x, *y)
			s.ChargeS = &i
		}
		return s, true
	}
	a1, ok1 := l.first(from + 1)
	b1, ok2 := l.first(to + 1)
	if !ok1 || !ok2 {
		return s, true
	}
	// Both edges are early by the same part of a point, whichever way the gauge rounds. What
	// is left are the samples, the refreshes and the level's bend at either end.
	paceA, paceB := a1.Value-a.Value, b1.Value-b.Value
	early := (paceB - paceA) / 2
	half := func(i edge) float64 { return (i.High - i.Low) / 2 }
	sd2 := (sq(half(a)) + sq(half(b)) + 2*sq(refreshS/2)) / 3
	bend := math.Hypot(bendPct*paceA, bendPct*paceB) / 1.96
	w := math.Abs(early) + 1.96*math.Sqrt(sd2+bend*bend)
	v := s.S.Value + early
	charge := interval(v, v-w, v+w)
	s.ChargeS = &charge
	return s, true
}

func sq(x float64) float64 { return x * x }

// between is the time between two moments, each with its interval: errors of the two do not hang together.
func between(a, b Interval) Interval {
	v := b.Value - a.Value
	return interval(v, v-math.Hypot(b.Value-b.Low, a.High-a.Value), v+math.Hypot(b.High-b.Value, a.Value-a.Low))
}

// afterPlug widens the interval of a moment by how far plug-in may be off; nothing comes before plug-in.
func afterPlug(i Interval, within float64) *Interval {
	i = wider(i, within)
	i = interval(max(0, i.Value), max(0, i.Low), max(0, i.High))
	return &i
}

func wider(i Interval, by float64) Interval { return interval(i.Value, i.Low-by, i.High+by) }

func interval(value, low, high float64) Interval { return Interval{Value: value, Low: low, High: high} }

// counted is charge against time by power, for a handset whose level is seen not to follow charge.
type counted struct {
	t, pct []float64
	start  float64 // %
	sdPct  float64 // how well it was counted, %
}

// The voltage of a lithium-ion cell while it is charged at half its capacity an hour and then held at its last voltage, V against
// charge in %: cell CS2_33, cycle 1, of the University of Maryland's CALCE battery data. Of a handset's cell only the
// course of it matters here, and that is much alike.
var (
	cellPct   = []float64{0.4, 9, 17.5, 26, 34.5, 43, 51.6, 60.2, 68.7, 77.2, 85.7, 88.3, 100}
	cellVolts = []float64{3.585, 3.808, 3.860, 3.898, 3.918, 3.9425, 3.974, 4.0115, 4.057, 4.112, 4.178, 4.200, 4.200}
)

// count counts the charge that energy carried into the cell until it was full, from the level at which it began.
func count(a account, from int) *counted {
	if len(a.course.t) < 2 || a.joules <= 0 {
		return nil
	}
	volts := trace{cellPct, cellVolts}
	c := &counted{start: float64(from), sdPct: 100 * a.sd / a.joules}
	// Energy in the shape of the cell's voltage gives charge.
	const parts = 200
	energy := make([]float64, parts+1) // from the start to each of so many equal parts of charge
	for i := range parts {
		energy[i+1] = energy[i] + volts.at(c.start+(100-c.start)*(float64(i)+0.5)/parts)
	}
	k := 0
	for i, t := range a.course.t {
		want := max(0, min(1, a.course.v[i]/a.joules)) * energy[parts]
		for k < parts-1 && energy[k+1] < want {
			k++
		}
		f := float64(k) + max(0, (want-energy[k])/(energy[k+1]-energy[k]))
		c.t, c.pct = append(c.t, t), append(c.pct, c.start+(100-c.start)*min(1, f/parts))
	}
	return c
}

// left is how much charge was still to come at a moment, points.
func (c *counted) left(s float64) float64 { return 100 - trace{c.t, c.pct}.at(s) }

// at is when charge reached a level. The level at the start is good to a point, the cell's voltage makes up to a point more in
// the middle, and nothing at the ends.
func (c *counted) at(pct int, plugWithin float64) *Interval {
	x := (float64(pct) - c.start) / (100 - c.start)
	if x <= 0 {
		return nil
	}
	half := 0.3 + (1 - x) + 4*x*(1-x) + 1.96*c.sdPct*math.Sqrt(x*(1-x))
	when := func(pct float64) float64 {
		for i := 1; i < len(c.pct); i++ {
			if c.pct[i] >= pct && c.pct[i] > c.pct[i-1] {
				f := max(0, (pct-c.pct[i-1])/(c.pct[i]-c.pct[i-1]))
				return c.t[i-1] + f*(c.t[i]-c.t[i-1])
			}
		}
		return c.t[len(c.t)-1]
	}
	return afterPlug(interval(when(float64(pct)), when(float64(pct)-half), when(float64(pct)+half)), plugWithin)
}
