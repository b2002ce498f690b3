package endurance

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/mat"
)

// A gauge that corrects itself inside a window shows a point, or more, that was not drained, or
// leaves one out that was. Nothing marks the moment but that charge and level part there:
// between two edges twice a point's charge was drawn, or between three edges one point's.
//
// The test is that for a level shift in a time series (Box & Tiao, J. Am. Stat. Assoc. 70
// (1975) 70; Chen & Liu, J. Am. Stat. Assoc. 88 (1993) 284; both from memory): generalised least
// squares of what was drawn at each edge against points, once as shown and once for each place
// and size of a shift, by the same covariance. A single late edge (their additive outlier) is no
// shift, and stands beside it. What they do by ratios of likelihoods is done here by Bayes' rule,
// so that doubt comes out as a probability and widens the interval by just that much.

// A Reanchoring is a correction that a gauge made to its level inside a window.
type Reanchoring struct {
	Points int           // by how many points the level was raised (above 0) or lowered
	At     time.Duration // uptime of the edge by which it had happened
	Level  int           // level that this edge reached, %
	By     string        // what shows it: "charge counter", "integrated current", "time between edges"
	P      float64       // probability that the level was corrected at all
	// Seen: the level was seen above its lowest there, while no power came.
	Seen bool
	// Either: it may be the charge counter that was corrected, and not the level.
	Either bool
}

// Certain reports whether the segment is not what it says: the level was corrected, and what
// was drawn or a rise that was seen says so. Time alone does not: a script's power may vary.
func (r Reanchoring) Certain() bool {
	return r.P >= 0.9 && (r.Seen || r.By != byTime)
}

// String says it for a person.
func (r Reanchoring) String() string {
	way := "raised"
	if r.Points < 0 {
		way = "lowered"
	}
	n := max(r.Points, -r.Points)
	points := fmt.Sprintf("%d point%s around the edge to %d %%", n, map[bool]string{true: "s"}[n > 1], r.Level)
	if r.Either {
		return fmt.Sprintf("level and charge counter part by %s: one of the two was corrected (probability %.0f %%)", points, 100*r.P)
	}
	return fmt.Sprintf("the gauge %s its level by %s, as the %s says (probability %.0f %%)", way, points, r.By, 100*r.P)
}

const (
	byCounter = "charge counter"
	byCurrent = "integrated current"
	byTime    = "time between edges"
)

// How probable corrections are before anything was seen, in a window, and how large. Assumed:
// no public log of handsets was found.
const (
	shiftPrior = 0.02 // of one of a point, either way; of more points a quarter as much each
	// The interval is made with a prior that is larger by waryOver over the points of the window: what a
	// correction does to the hours, and how little shows it, go with one over the points. So
	// intervals of short drains hold the truth of those that had one, not only that of most.
	waryOver = 24
	// restPrior is shiftPrior for a handset that sleeps: gauges correct themselves when little is
	// drawn and the cell's voltage shows its charge (common practice, no source; the size is a guess).
	restPrior = 0.06
	seenPrior = 0.3  // where the level was seen above its lowest: else it is a reading that wavered
	latePrior = 0.05 // of one edge shown a point or so late
	mostShift = 3
	// sizeSD is how far a correction may be from whole points.
	sizeSD = 0.3
	// bendAllowed is the bend, in points, that no correction is made of.
	bendAllowed = 0.1
	// localEdges is how many edges are looked at together: over more, power and voltage change.
	localEdges = 13
)

// drawn is what was drawn at each edge, in points by its mean, with its covariance.
type drawn struct {
	y   []float64
	cov *mat.SymDense
	by  string
}

// drawnAt chooses the best account of what was drawn at the edges.
func drawnAt(in Input, w window, counter counterReading, current currentReading) drawn {
	n, d := len(w.edges), float64(w.points())
	perS := d / w.length()
	at := make([]float64, n)
	for i, e := range w.edges {
		at[i] = e.Mid().Seconds()
	}
	out := drawn{y: at, by: byTime}
	loop := in.LoopS
	if loop <= 0 {
		loop = 60
	}
	walk, own := wanderRate*perS, 0.1*loop*perS
	own *= own
	volts := pick(w.samples, func(s Sample) *float64 { return s.VoltageMV })
	if len(volts.t) > n {
		// At the same power a lower voltage draws more.
		for i := range volts.v {
			volts.v[i] = 1 / volts.v[i]
		}
		if y, ok := readAt(volts.integral(), at); ok {
			out.y = y
		}
	}
	try := func(s series, sign float64, by string, stepWalk, stepOwn float64) bool {
		y, ok := readAt(s, at)
		if !ok {
			return false
		}
		for i := range y {
			y[i] *= sign
		}
		if y[n-1] <= y[0] {
			return false
		}
		out.y, out.by, walk, own = y, by, stepWalk, stepOwn
		return true
	}
	counted, stale := false, counter.jump.stale > 0 // then the current stood still as well
	if counter.mA > 0 && !stale {
		q := pick(w.samples, func(s Sample) *float64 { return s.Counter })
		full := q.v[0] - q.v[len(q.v)-1]
		step := 0.0
		if full > 0 {
			step = counter.step / full * d
		}
		counted = try(q, -1, byCounter, 0, step*step/6)
	}
	if !counted && !stale && current.mA > 0 {
		try(absolute(w.samples).integral(), 1, byCurrent, max(current.variance*d, 0.02*0.02), 0)
	}
	k := newKernel(bendAllowed)
	scale := d / (out.y[n-1] - out.y[0])
	y0 := out.y[0]
	y := make([]float64, n)
	for i := range y {
		y[i] = (out.y[i] - y0) * scale
	}
	out.y = y
	out.cov = mat.NewSymDense(n, nil)
	for i, e := range w.edges {
		width := (e.Hi - e.Lo).Seconds()
		for j := i; j < n; j++ {
			v := walk*float64(min(i, j)) + k.between(float64(e.LevelPct), float64(w.edges[j].LevelPct))
			if i == j {
				v += (width*width+w.refreshS*w.refreshS)/12*perS*perS + own + 1e-6
			}
			out.cov.SetSym(i, j, v)
		}
	}
	return out
}

func readAt(s series, at []float64) ([]float64, bool) {
	y := make([]float64, len(at))
	for i, t := range at {
		v, ok := s.at(t)
		if !ok {
			return nil, false
		}
		y[i] = v
	}
	return y, true
}

// A shift is one thing that may have happened: nothing, a late edge, or a correction.
type shift struct {
	points int // of the correction; 0: none
	from   int // the first edge after it, or the late one
	late   bool
	seen   bool
	prior  float64
	log    float64 // of prior times likelihood
	p      float64
}

// shifts are all that may have happened among edges lo to hi-1.
func shifts(w window, lo, hi int, rises []int, hidden, likely float64) (list []shift) {
	places := float64(hi - lo - 1)
	rest := 1.0
	add := func(s shift) {
		list = append(list, s)
		rest -= s.prior
	}
	for j := lo + 1; j < hi; j++ {
		for size := 1; size <= mostShift; size++ {
			prior := likely
			if size > 1 {
				prior /= 4
			}
			if size+1 < hi-lo { // else nothing is left of the window
				add(shift{points: -size, from: j, prior: prior / places})
			}
			up := prior / places * hidden
			seen := rises[j] >= size
			if rises[j] == size {
				up = seenPrior
			}
			add(shift{points: size, from: j, seen: seen, prior: up})
		}
		if j < hi-1 {
			add(shift{from: j, late: true, prior: latePrior / places})
		}
	}
	if lo > 0 {
		add(shift{from: lo, late: true, prior: latePrior / places})
	}
	return append(list, shift{prior: max(rest, 0.1)})
}

// positions are the points truly drained at each edge if s happened. A level that is lowered
// makes edges of its own, all at one instant, at which any part of a point may have been
// drained: onItsWay.
func (s shift) positions(n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = float64(i)
		switch {
		case s.onItsWay(i):
			x[i] = float64(s.from) - 0.5
		case s.points != 0 && i >= s.from:
			x[i] += float64(s.points)
		}
	}
	return x
}

// onItsWay reports whether edge i is one that a lowering made.
func (s shift) onItsWay(i int) bool { return s.points < 0 && i >= s.from && i < s.from-s.points }

// weigh gives each shift its log of prior times marginal likelihood, with start and slope free.
// The scale of the covariance is taken as known to so many degrees of freedom.
func (d drawn) weigh(lo, hi int, list []shift, dof float64) {
	n := hi - lo
	for k := range list {
		s := &list[k]
		cov := mat.NewSymDense(n, nil)
		x := s.positions(hi)
		for i := range n {
			for j := i; j < n; j++ {
				v := d.cov.At(lo+i, lo+j)
				if s.late && i == j && lo+i == s.from {
					v++ // it may be anywhere within a point or so
				}
				switch way, wayJ := s.onItsWay(lo+i), s.onItsWay(lo+j); {
				case way && wayJ:
					v += 1.0 / 12 // uniform over a point, and the same for all
				case s.points != 0 && lo+i >= s.from && lo+j >= s.from && !way && !wayJ:
					v += sizeSD * sizeSD
				}
				cov.SetSym(i, j, v)
			}
		}
		s.log = math.Inf(-1)
		if line, ok := fitLine(cov, x[lo:hi], d.y[lo:hi]); ok && line.slope > 0 {
			s.log = math.Log(s.prior) - line.logDet/2 - (dof+float64(n)-2)/2*math.Log(dof+line.rss)
		}
	}
	most := math.Inf(-1)
	for _, s := range list {
		most = max(most, s.log)
	}
	sum := 0.0
	for k := range list {
		list[k].p = math.Exp(list[k].log - most)
		sum += list[k].p
	}
	for k := range list {
		list[k].p /= sum
	}
}

// rises are by how many points the level was seen above its lowest before each edge.
func rises(w window) []int {
	out := make([]int, len(w.edges))
	for _, s := range w.samples {
		for j := 1; j < len(w.edges); j++ {
			if up := s.LevelPct - w.edges[j-1].LevelPct; s.T > w.edges[j-1].Hi && s.T < w.edges[j].Hi && up > 0 {
				out[j] = max(out[j], up)
			}
		}
	}
	return out
}

// A correction is what the test makes of a window.
type correction struct {
	found Reanchoring
	wary  float64 // its probability as the interval takes it
	list  []shift // all that may have happened, with their probabilities as the interval takes them
}

// reanchored looks for corrections of the level in a window.
func reanchored(in Input, w window, counter counterReading, current currentReading) correction {
	var c correction
	n := len(w.edges)
	if n < 4 {
		return c
	}
	d := drawnAt(in, w, counter, current)
	dof := 12.0
	if d.by == byTime {
		dof = 6
	}
	up := rises(w)
	every := w.length() / float64(max(1, len(w.samples)-1))
	hidden := min(1, every*float64(w.points())/w.length())
	likely, wary := shiftPrior, shiftPrior*max(1, waryOver/float64(w.points()))
	if in.Asleep {
		likely, wary = restPrior, restPrior
	}
	for lo := 0; ; lo += localEdges / 2 {
		hi := min(n, lo+localEdges)
		lo = max(0, min(lo, hi-localEdges))
		list := shifts(w, lo, hi, up, hidden, likely)
		d.weigh(lo, hi, list, dof)
		p, best := corrections(list)
		if p > c.found.P {
			e := w.edges[best.from]
			// While it slept nobody saw which of the two moved.
			either := in.Asleep && d.by == byCounter && !best.seen
			if wary > likely {
				list = shifts(w, lo, hi, up, hidden, wary)
				d.weigh(lo, hi, list, dof)
			}
			c = correction{found: Reanchoring{Points: best.points, At: e.Mid(), Level: e.LevelPct, By: d.by, P: p, Seen: best.seen, Either: either}, list: list}
			c.wary, _ = corrections(list)
		}
		if hi == n {
			break
		}
	}
	return c
}

// corrections are how probable it is that there was any, and the likeliest.
func corrections(list []shift) (p float64, best shift) {
	for _, s := range list {
		if s.points != 0 {
			p += s.p
			if s.p > best.p {
				best = s
			}
		}
	}
	return p, best
}

// A correction that is as improbable as traced does not count; one from doubtful on is said, of
// a handset that sleeps from restDoubtful on: what is expected before anything was seen is no news.
const (
	traced       = 0.02
	doubtful     = 0.03
	restDoubtful = 0.2
)

// says reports whether the correction is worth a word.
func (c correction) says(in Input) bool {
	if in.Asleep {
		return c.found.P >= restDoubtful
	}
	return c.found.P >= doubtful
}

// correct takes a correction into the rate by level: each thing that may have happened counts by
// its probability.
func (c correction) correct(l level, w window) level {
	if c.wary < traced {
		return l
	}
	type outcome struct{ p, log, own float64 }
	var all []outcome
	mean, sum := 0.0, 0.0
	for _, s := range c.list {
		if s.p < 1e-4 {
			continue
		}
		o := outcome{p: s.p, log: math.Log(l.rate)}
		if s.points != 0 {
			x := s.positions(len(w.edges))
			o.log = math.Log(levelRateOf(w, s).rate)
			o.own = sizeSD / (x[len(x)-1] - x[0])
		}
		mean += o.p * o.log
		sum += o.p
		all = append(all, o)
	}
	mean /= sum
	v := 0.0
	for _, o := range all {
		v += o.p / sum * ((o.log-mean)*(o.log-mean) + o.own*o.own)
	}
	l.rate = math.Exp(mean)
	l.shift = v
	return l
}

// leastJump is the smallest correction of a counter that is looked for, points of full charge: a
// loop's strong part between two samples moves it by less beside the rest. One of more than
// mostJump is no correction but a counter that broke; the level then stands by itself.
const leastJump, mostJump = 0.3, 20.0

// A counterJump is one move of a counter that no draw explains.
type counterJump struct {
	points float64       // by which it went up (above 0) or down
	at     time.Duration // uptime of the first reading after it
	says   string        // for a person; empty: there was none
	// stale is how many readings the counter had stood still for by its first move of the window,
	// which was not explained: since when it stood, nobody saw, and they say nothing.
	stale int
}

// broke reports whether the counter did not correct itself but stopped to be one.
func (j counterJump) broke() bool { return math.Abs(j.points) > mostJump }

// jumpOf finds a counter that corrected itself: one move between two samples that stands far
// out of all others and of what was drawn by then, by the current where there is one.
func jumpOf(in Input, w window, q series) (j counterJump) {
	if len(q.v) < 8 || in.Asleep { // what was drawn in sleep nobody saw
		return j
	}
	drawn := q.t
	if current := absolute(w.samples); len(current.v) > len(q.v)/2 {
		if y, ok := readAt(current.integral(), q.t); ok && y[len(y)-1] > y[0] {
			drawn = y
		}
	}
	// The middle of what the counter fell by for what was drawn, over several samples each, is
	// not moved by one jump.
	const stride = 4
	var ratios []float64
	for i := stride; i < len(q.v); i += stride {
		if e := drawn[i] - drawn[i-stride]; e > 0 {
			ratios = append(ratios, (q.v[i-stride]-q.v[i])/e)
		}
	}
	if len(ratios) == 0 {
		return j
	}
	slices.Sort(ratios)
	scale := ratios[len(ratios)/2]
	last := len(q.v) - 1
	full := scale * (drawn[last] - drawn[0]) / (q.t[last] - q.t[0]) * w.length() * 100 / float64(w.points())
	if full <= 0 {
		return stopped(q)
	}
	var sizes []float64
	most, where := 0.0, 0
	since := 0 // a counter that stood still catches up with what was drawn meanwhile
	for i := 1; i < len(q.v); i++ {
		up := 100 * (q.v[i] - q.v[i-1] + scale*(drawn[i]-drawn[since])) / full
		if q.v[i] == q.v[i-1] {
			continue
		}
		since = i
		sizes = append(sizes, math.Abs(up))
		if math.Abs(up) > math.Abs(most) {
			most, where = up, i
		}
	}
	slices.Sort(sizes)
	least := leastJump
	if len(sizes) < 8 { // a coarse counter moves when it will
		least = mostJump
	}
	if len(sizes) > 1 {
		least = max(least, 3*sizes[len(sizes)-2])
	}
	if math.Abs(most) < least {
		return j
	}
	way := "above"
	if most < 0 {
		way = "below"
	}
	if from := slices.IndexFunc(q.v, func(v float64) bool { return v != q.v[0] }); from == where {
		j.stale = where
		return j
	}
	j.points, j.at = most, time.Duration(q.t[where]*float64(time.Second))
	j.says = fmt.Sprintf("the charge counter went from %.0f to %.0f, %.1f points of full charge %s what was drawn leaves, while no power came", q.v[where-1], q.v[where], math.Abs(most), way)
	return j
}

// stopped finds a counter that stands still for most of a window, after one move that makes up
// most of all it did: it fell to 0, say. A coarse one moves a point at a time.
func stopped(q series) (j counterJump) {
	most, all, where := 0.0, 0.0, 0
	for i := 1; i < len(q.v); i++ {
		move := math.Abs(q.v[i] - q.v[i-1])
		all += move
		if move > most {
			most, where = move, i
		}
	}
	if most <= 0.6*all || all == 0 {
		return j
	}
	j.points, j.at = 100*(q.v[where]-q.v[where-1])/most, time.Duration(q.t[where]*float64(time.Second))
	j.says = fmt.Sprintf("the charge counter went from %.0f to %.0f and stood still for most of the window", q.v[where-1], q.v[where])
	return j
}
