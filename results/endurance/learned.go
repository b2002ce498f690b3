package endurance

import (
	"cmp"
	"math"
	"slices"
	"sort"
	"time"

	"gonum.org/v1/gonum/mat"
)

// A Learned is what observations of one handset say of it together.
type Learned struct {
	// Counter and Current are full charge in the charge counter's own unit and by integrating the current
	// readings (their unit times hours); nil where nothing can be said.
	Counter, Current *Full
	// Curve is the cell's voltage against level, of the latest survey; nil without one.
	Curve *VoltageCurve
	// Bend is how far the shown level lies from true charge, of the latest survey; empty without one.
	Bend []BendPoint
	// BendSD is the standard deviation of that bend, points, measured in the latest survey; 0 without one.
	BendSD float64
	Gauge  Gauge
	// StepRaw is the counter's step in its own unit, 0 where too small to be seen; RefreshS is how often the gauge
	// moves, s, at best the time between samples.
	StepRaw, RefreshS float64
	// Held is set where the gauge shows 100 % for longer than a point.
	Held *Held
	// Drift is how its power drifts as it warms; nil where no drain shows it.
	Drift           *Drift
	Surveys, Drains int // observations used, surveys apart from other drains
	Charges         int
	Newest          time.Time // end of the latest observation
}

// A Full is a full charge with its uncertainty.
type Full struct {
	Value float64
	RelSD float64 // relative standard deviation
	// at and weight say how each edge's bend went into Value; k is the bend's covariance.
	at, weight []float64
	k          kernel
}

// Interval is the full charge with its 95 % interval.
func (f Full) Interval() Interval { return interval(f.Value, f.RelSD) }

// A BendPoint is the bend at one level: Points above 0 where more charge is left than the level says.
// Its zero is where the survey's own straight line is, so that only differences mean something.
type BendPoint struct {
	Pct        float64
	Points, SD float64
}

// agePerDay is by how much full charge may have changed in a day, relative, one standard deviation: a fifth
// lost in two years of use. Common practice, no source.
const agePerDay = 0.0003

// chargeSD is how far a charge's account of full charge may be from a drain's, relative, one standard deviation:
// gauges count what flows in with another error than what flows out. Assumed.
const chargeSD = 0.01

// mostKept is how many observations are put together: the latest few surveys, and the latest of the others.
const (
	mostSurveys = 2
	mostOthers  = 24
)

// Kept are those of a handset's observations that still count, oldest first: what a later one of the same
// kind has made superfluous is left out.
func Kept(all []Observation) []Observation {
	sorted := slices.Clone(all)
	slices.SortStableFunc(sorted, func(a, b Observation) int { return b.At.Compare(a.At) }) // latest first
	var out []Observation
	surveys, others := 0, 0
	for _, o := range sorted {
		if o.Survey() {
			if surveys++; surveys <= mostSurveys {
				out = append(out, o)
			}
		} else if others++; others <= mostOthers {
			out = append(out, o)
		}
	}
	slices.Reverse(out)
	return out
}

// Learn puts a handset's observations together for use at an instant: older ones count less. The one called without is
// left out, since a segment must not be judged by itself. Nil where nothing is learned.
//
// Charge between level edges is a full charge times the points between them, plus the level's bend, which is the same each
// time a level is passed. So many nights over the same seven points say little more than one, and one that goes on where
// another ended says much; a generalised least-squares fit with the bend as a Gaussian process has just that.
func Learn(all []Observation, at time.Time, without string) *Learned {
	kept := slices.DeleteFunc(Kept(all), func(o Observation) bool { return o.ID == without })
	var l Learned
	var survey *Observation
	judged, counted := 0, 0 // drains, and those whose counter could be used
	for i, o := range kept {
		switch {
		case o.Charge:
			l.Charges++
		case o.Survey():
			l.Surveys++
			survey = &kept[i]
		default:
			l.Drains++
		}
		if o.At.After(l.Newest) {
			l.Newest = o.At
		}
		if o.Charge {
			continue
		}
		// At a steady load even a fine counter moves by the same amount each time and looks stepped; once it did not, it
		// is fine. A coarse one may look better where the load is heavy, never in most drains.
		if judged++; o.HasCounter {
			counted++
			if l.Gauge != GaugeFine {
				l.Gauge, l.StepRaw = o.Gauge, o.StepRaw
			}
		}
		l.RefreshS = o.RefreshS
	}
	if 2*counted < judged || counted == 0 {
		l.Gauge, l.StepRaw = GaugeNone, 0
		for _, o := range kept {
			if o.Gauge == GaugeCoarse {
				l.Gauge = GaugeCoarse
			}
		}
	}
	bend := bendSD[l.Gauge]
	if survey != nil {
		l.RefreshS = survey.RefreshS
		l.Curve = curveOf(*survey)
		l.BendSD, l.Bend = measureBend(*survey, at)
		bend = l.BendSD
	}
	if l.Gauge == GaugeFine || l.Gauge == GaugeMedium || judged == 0 {
		l.Counter = fit(pickObservations(kept, func(o Observation) bool { return o.HasCounter }), counterOf, false, bend, at)
	}
	l.Current = fit(pickObservations(kept, func(o Observation) bool { return o.HasCurrent && !o.Charge }), currentOf, true, bend, at)
	if l.Counter == nil && l.Current == nil {
		return nil
	}
	l.Held = l.heldOf(kept)
	drift := assumedDrift()
	for _, o := range kept {
		drift.see(o.Powers, transferSD)
	}
	if drift.Seen > 0 {
		l.Drift = &drift
	}
	return &l
}

func pickObservations(list []Observation, want func(Observation) bool) (out []Observation) {
	for _, o := range list {
		if want(o) {
			out = append(out, o)
		}
	}
	return out
}

// counterOf and currentOf are the charge drawn since the first edge.
func counterOf(o Observation, i int) float64 { return o.Edges[0].Counter - o.Edges[i].Counter }
func currentOf(o Observation, i int) float64 { return o.Edges[i].Current }

// kernel is the covariance of the bend at two levels so many points apart.
type kernel struct {
	waves [102]float64
	bow   float64 // sd of a bow over the whole of the charge, points at its middle
}

// newKernel is that of waves of 12 to 60 points, each counted alike, with an sd in points.
func newKernel(sd float64) (k kernel) {
	for d := range k.waves {
		n := 0.0
		for l := 12.0; l <= 60; l++ {
			k.waves[d] += math.Cos(2 * math.Pi * float64(d) / l)
			n++
		}
		k.waves[d] *= sd * sd / n
	}
	return k
}

func (k *kernel) between(a, b float64) float64 {
	d := min(math.Abs(a-b), float64(len(k.waves)-2))
	i := int(d)
	f := d - float64(i)
	return k.waves[i] + f*(k.waves[i+1]-k.waves[i]) + k.bow*k.bow*bowed(a)*bowed(b)
}

// rows are the edges of several observations as one fit takes them, in points of a first guess of full charge.
type rows struct {
	z, at []float64 // charge drawn since the observation's first edge; level of the edge
	of    []int     // which observation
	cov   *mat.SymDense
	full  float64 // the guess
	n     int     // observations
}

// fewerEdges thins an observation's edges to about so many, the first and the last among them.
func fewerEdges(o Observation, most int) []int {
	n := len(o.Edges)
	var out []int
	last := -1
	for i := range min(n, most) {
		k := i
		if n > most {
			k = int(math.Round(float64(i) * float64(n-1) / float64(most-1)))
		}
		if k != last {
			out = append(out, k)
		}
		last = k
	}
	return out
}

// guessOf is full charge by an observation's ends alone.
func guessOf(o Observation, drawn func(Observation, int) float64) float64 {
	last := len(o.Edges) - 1
	return 100 * drawn(o, last) / float64(o.Edges[0].UpperPct-o.Edges[last].UpperPct)
}

// rowsOf gathers the edges with the covariance of all but the bend.
func rowsOf(list []Observation, drawn func(Observation, int) float64, current bool, most int, at time.Time) rows {
	var r rows
	type guess struct{ full, points float64 }
	var guesses []guess
	total := 0.0
	for _, o := range list {
		if g := guessOf(o, drawn); g > 0 && !math.IsInf(g, 0) {
			guesses = append(guesses, guess{g, float64(o.Points())})
			total += float64(o.Points())
		}
	}
	// The median, each point counted alike, so that one that broke does not decide.
	slices.SortFunc(guesses, func(a, b guess) int { return cmp.Compare(a.full, b.full) })
	below := 0.0
	for _, g := range guesses {
		if below += g.points; below >= total/2 {
			r.full = g.full
			break
		}
	}
	if !(r.full > 0) {
		return rows{}
	}
	var own []float64                  // variance of each edge alone
	var counted []float64              // what the counter's offset adds, points: the handset's own, and so the same in all
	var pairs []func(i, j int) float64 // by observation
	for _, o := range list {
		alone := guessOf(o, drawn)
		if !(alone > 0) {
			continue
		}
		unit := scaleTo(alone, r.full)
		// Of the same handset, but nowhere near: a reading that broke. It would pull the fit.
		if alone *= unit; !(alone > 0.5*r.full && alone < 2*r.full) {
			continue
		}
		days := at.Sub(o.At).Abs().Hours() / 24
		scale := 0.001*0.001 + agePerDay*agePerDay*days*days
		if o.Charge {
			scale += chargeSD * chargeSD
		}
		offset, walk := 0.0, 0.0
		span := float64(o.Points())
		if current {
			scale += o.CurrentLock
			walk = o.CurrentScatter * span // points² a point
		} else if o.MA > 0 {
			offset = 1 / o.MA // a counter counts 1 mA too much or too little
		}
		perS := o.RatePctH / 3600
		for _, i := range fewerEdges(o, most) {
			e := o.Edges[i]
			step := 100 * o.StepRaw * unit / r.full
			r.z = append(r.z, 100*drawn(o, i)*unit/r.full)
			r.at = append(r.at, float64(e.UpperPct)-0.5)
			r.of = append(r.of, r.n)
			own = append(own, (e.WidthS*e.WidthS+refreshS[o.Gauge]*refreshS[o.Gauge])/12*perS*perS+step*step/12)
			counted = append(counted, offset*math.Abs(float64(e.UpperPct-o.Edges[0].UpperPct)))
		}
		first := float64(o.Edges[0].UpperPct) - 0.5
		pairs = append(pairs, func(i, j int) float64 {
			a, b := math.Abs(r.at[i]-first), math.Abs(r.at[j]-first)
			return scale*a*b + walk*min(a, b)
		})
		r.n++
	}
	if len(r.z) == 0 {
		return rows{}
	}
	r.cov = mat.NewSymDense(len(r.z), nil)
	for i := range r.z {
		for j := i; j < len(r.z); j++ {
			v := counted[i] * counted[j]
			if r.of[i] == r.of[j] {
				v += pairs[r.of[i]](i, j)
			}
			if i == j {
				v += own[i]
			}
			r.cov.SetSym(i, j, v)
		}
	}
	return r
}

// solved is a generalised least-squares fit of rows: a free start for each observation, and one slope.
type solved struct {
	slope, variance float64
	weight          []float64 // of each row in the slope
	residual        *mat.VecDense
	inverse         *mat.VecDense // of the covariance, times the residual
	chol            mat.Cholesky
	logLikelihood   float64 // restricted, but for a constant
}

func (r rows) solve(k kernel, noise float64) (s solved, ok bool) {
	n := len(r.z)
	cov := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			v := r.cov.At(i, j) + k.between(r.at[i], r.at[j])
			if i == j {
				v += (noise - 1) * r.cov.At(i, i)
			}
			cov.SetSym(i, j, v)
		}
	}
	if !s.chol.Factorize(cov) {
		return s, false
	}
	x := mat.NewDense(n, r.n+1, nil)
	for i := range n {
		x.Set(i, 0, -r.at[i])
		x.Set(i, 1+r.of[i], 1)
	}
	var cx, info mat.Dense
	if s.chol.SolveTo(&cx, x) != nil {
		return s, false
	}
	info.Mul(x.T(), &cx)
	sym := mat.NewSymDense(r.n+1, nil)
	for i := range r.n + 1 {
		for j := i; j < r.n+1; j++ {
			sym.SetSym(i, j, info.At(i, j))
		}
	}
	var ci mat.Cholesky
	if !ci.Factorize(sym) {
		return s, false
	}
	var inv mat.SymDense
	if ci.InverseTo(&inv) != nil {
		return s, false
	}
	z := mat.NewVecDense(n, slices.Clone(r.z))
	var xtz, beta mat.VecDense
	xtz.MulVec(cx.T(), z)
	beta.MulVec(&inv, &xtz)
	s.slope, s.variance = beta.AtVec(0), inv.At(0, 0)
	s.weight = make([]float64, n)
	for i := range n {
		for j := range r.n + 1 {
			s.weight[i] += inv.At(0, j) * cx.At(i, j)
		}
	}
	var fitted mat.VecDense
	fitted.MulVec(x, &beta)
	s.residual = mat.NewVecDense(n, nil)
	s.residual.SubVec(z, &fitted)
	s.inverse = mat.NewVecDense(n, nil)
	if s.chol.SolveVecTo(s.inverse, s.residual) != nil {
		return s, false
	}
	s.logLikelihood = -(s.chol.LogDet() + ci.LogDet() + mat.Dot(s.residual, s.inverse)) / 2
	return s, s.slope > 0
}

// fit is the full charge that observations say together.
func fit(list []Observation, drawn func(Observation, int) float64, current bool, bend float64, at time.Time) *Full {
	if len(list) == 0 {
		return nil
	}
	r := rowsOf(list, drawn, current, 24, at)
	if len(r.z) == 0 {
		return nil
	}
	k := newKernel(bend)
	k.bow = bowSD
	s, ok := r.solve(k, 1)
	if !ok {
		return nil
	}
	f := &Full{Value: s.slope * r.full, at: r.at, weight: s.weight, k: k}
	v := s.variance
	// Observations that lie further apart than their errors explain (something was counted wrongly) widen it.
	const weight = 6
	if dof := float64(len(r.z) - r.n - 1); dof > 0 {
		chi2 := mat.Dot(s.residual, s.inverse)
		v *= max(1, (weight+chi2)/(weight+dof))
	}
	f.RelSD = math.Sqrt(v) / s.slope
	return f
}

// shared is the relative covariance of a rate by this full charge and a rate by level edges in a window: both have
// the bend there, unless it was learned elsewhere.
func (f *Full) shared(w window) float64 {
	if f == nil {
		return 0
	}
	from, to := float64(w.edges[0].LevelPct)+0.5, float64(w.edges[len(w.edges)-1].LevelPct)+0.5
	sum := 0.0
	for i, x := range f.at {
		sum -= f.weight[i] * (f.k.between(x, from) - f.k.between(x, to))
	}
	return sum / (from - to)
}

func (l *Learned) counter() *Full {
	if l == nil {
		return nil
	}
	return l.Counter
}

func (l *Learned) current() *Full {
	if l == nil {
		return nil
	}
	return l.Current
}

// measureBend finds how far a survey's level bends from charge: the sd that makes its edges most likely, weighed with
// what is assumed of such gauges (a factor of 1.6 either way is one standard deviation), and the bend itself.
func measureBend(o Observation, at time.Time) (sd float64, bend []BendPoint) {
	sd = bendSD[o.Gauge]
	drawn, current := counterOf, false
	if !o.HasCounter {
		drawn, current = currentOf, true
	}
	r := rowsOf([]Observation{o}, drawn, current, 60, at)
	if len(r.z) < 20 {
		return sd, nil
	}
	const spread = 0.5
	best := math.Inf(-1)
	type point struct{ sd, log float64 }
	var grid []point
	for u := -1.5; u <= 1.51; u += 0.25 {
		for _, noise := range []float64{0.25, 1, 4} {
			s, ok := r.solve(newKernel(sd*math.Exp(u)), noise)
			if !ok {
				continue
			}
			p := point{sd * math.Exp(u), s.logLikelihood - u*u/(2*spread*spread)}
			best = max(best, p.log)
			grid = append(grid, p)
		}
	}
	sum, v := 0.0, 0.0
	for _, p := range grid {
		w := math.Exp(p.log - best)
		sum += w
		v += w * p.sd * p.sd
	}
	if sum == 0 {
		return sd, nil
	}
	sd = math.Sqrt(v / sum)
	k := newKernel(sd)
	s, ok := r.solve(k, 1)
	if !ok {
		return sd, nil
	}
	low, high := slices.Min(r.at), slices.Max(r.at)
	c := mat.NewVecDense(len(r.at), nil)
	var solved mat.VecDense
	for pct := 5 * math.Ceil(low/5); pct <= high; pct += 5 {
		for i, x := range r.at {
			c.SetVec(i, k.between(x, pct))
		}
		if s.chol.SolveVecTo(&solved, c) != nil {
			return sd, nil
		}
		// More drawn than the points say by this level is less left: the residual is minus the bend.
		bend = append(bend, BendPoint{Pct: pct, Points: -mat.Dot(c, s.inverse), SD: math.Sqrt(max(0, k.waves[0]-mat.Dot(c, &solved)))})
	}
	return sd, bend
}

// A VoltageCurve is a cell's open-circuit voltage against shown level, as one handset's survey has it: what was
// shown plus what its current loses in the cell by the resistance taken for every handset.
type VoltageCurve struct {
	Pct, MV []float64 // rising
}

// curveOf takes it from a survey, in steps of 5 points; nil where it shows no voltage.
func curveOf(o Observation) *VoltageCurve {
	sum, n := 0.0, 0.0
	for _, e := range o.Edges {
		if e.MV > 2000 && e.MV < 5000 {
			sum += e.MV
			n++
		}
	}
	if n < surveyPoints/2 {
		return nil
	}
	var c VoltageCurve
	for lo := 0.0; lo < 100; lo += 5 {
		mv, pct, k := 0.0, 0.0, 0.0
		for i := 0; i+1 < len(o.Edges); i++ {
			e := o.Edges[i]
			mid := (float64(e.UpperPct) + float64(o.Edges[i+1].UpperPct) - 1) / 2
			if e.MV < 2000 || e.MV > 5000 || mid < lo || mid >= lo+5 {
				continue
			}
			// At the same power a lower voltage takes more current.
			mv += e.MV + o.MA*(sum/n)/e.MV*cellOhm
			pct += mid
			k++
		}
		if k > 0 {
			c.Pct, c.MV = append(c.Pct, pct/k), append(c.MV, mv/k)
		}
	}
	return &c
}

// at is the voltage at a level; beyond the ends as a typical cell goes on from there.
func (c *VoltageCurve) at(pct float64) float64 {
	n := len(c.Pct)
	typical := func(p float64) float64 { return ref(refLow, p) + blendMean*(ref(refHigh, p)-ref(refLow, p)) }
	switch {
	case pct <= c.Pct[0]:
		return c.MV[0] + typical(pct) - typical(c.Pct[0])
	case pct >= c.Pct[n-1]:
		return c.MV[n-1] + typical(pct) - typical(c.Pct[n-1])
	}
	i := sort.SearchFloat64s(c.Pct, pct)
	f := (pct - c.Pct[i-1]) / (c.Pct[i] - c.Pct[i-1])
	return c.MV[i-1] + f*(c.MV[i]-c.MV[i-1])
}

// mean is the mean voltage between two levels.
func (c *VoltageCurve) mean(from, to float64) float64 {
	const steps = 200
	sum := 0.0
	for i := range steps {
		sum += c.at(from + (to-from)*(float64(i)+0.5)/steps)
	}
	return sum / steps
}
