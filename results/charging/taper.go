package charging

import (
	"math"
	"sort"
)

// A search finds where power leaves its last plateau for good.
//
// Power is cut into steps and one last stretch, a plateau with the decline that follows it: the cut is the one that
// explains the readings best, each further step having its price. That the steps are sought together with the decline, and not one by one
// between neighbouring readings, is what lets readings a minute apart serve.
type search struct {
	t, y  []float64 // s; log of power, at readings or means of them
	sd    float64   // of one y
	end   int       // power is gone from here on
	price float64   // of a step, in units of variance
}

const (
	// taperTo is the share of its plateau down to which a decline is followed: below, cells differ too much.
	taperTo = 0.4
	// cellS is the least spacing at which power is looked at: a step takes as long to be seen by a gauge that refreshes.
	cellS = 20.0
	// hopeless is how much worse than the best a stretch's start may be for the rest of it to be tried, in units of variance.
	hopeless = 100
	// mostCells is how many stretches of time are looked at; a long charge is looked at more coarsely, and finely at the end.
	mostCells = 200
)

// A hinge is a plateau and its decline: log power is level + slope (t - at) before the onset at, and
// level - fall x - bow x² with x = t - at after it.
type hinge struct {
	at, level float64
	cost      float64 // of explaining its readings, in units of variance
}

// taper finds the onset in readings everyS apart. Where it cannot be told, the second result says why.
func taper(p trace, everyS, peak float64) (*Taper, string) {
	s := newSearch(p, everyS, peak)
	if len(s.t) < 6 {
		return nil, "too few readings of power to tell a taper from a step"
	}
	steps, sums := s.stairs(), s.moments()
	type found struct {
		hinge
		readings int
		total    float64
	}
	best := found{total: math.Inf(1)}
	var all []found
	for i := 0; i < s.end-3; i++ {
		to, ok := s.declines(i)
		if !ok {
			continue
		}
		// Readings below the decline count as if they were explained: all stretches are judged on the same ones.
		rest := steps[i] + s.price + float64(s.end-to)
		if rest > best.total+hopeless {
			continue
		}
		for _, h := range s.hinges(sums, i, to) {
			f := found{h, to - i, rest + h.cost}
			all = append(all, f)
			if f.total < best.total {
				best = f
			}
		}
	}
	switch {
	case len(all) == 0:
		return nil, "the charge was not followed until power had fallen to 40 % of its last plateau"
	case steps[s.end] <= best.total:
		return nil, "steps alone explain the course of power"
	}
	low, high := best.at, best.at
	// Power waves, so what is left over after the fit hangs together over minutes, and it takes more of it to tell two onsets
	// apart than if readings were independent. With 7 the interval holds the truth in 19 of 20 simulated charges.
	worth := 7 * max(1, best.cost/max(1, float64(best.readings)-4))
	for _, f := range all {
		if f.total <= best.total+worth {
			low, high = min(low, f.at), max(high, f.at)
		}
	}
	half := max(15, everyS/2+5)
	return &Taper{AtS: best.at, LowS: low - half, HighS: high + half, PlateauW: math.Exp(best.level)}, ""
}

func newSearch(p trace, everyS, peak float64) search {
	var s search
	gone := len(p.t)
	for gone > 0 && p.v[gone-1] < 0.02*peak {
		gone--
	}
	cell := max(cellS, (p.t[len(p.t)-1]-max(0, p.t[0]))/mostCells)
	var w []float64
	for i := 0; i < gone; {
		if p.t[i] <= rampS || p.v[i] < 0.02*peak { // a pause says nothing of a taper
			i++
			continue
		}
		j, at := i, 0.0
		w = w[:0]
		for ; j < gone && (j == i || p.t[j] < p.t[i]+cell-everyS/2); j++ {
			if p.v[j] < 0.02*peak {
				continue
			}
			w = append(w, math.Log(p.v[j]))
			at += p.t[j]
		}
		sort.Float64s(w)
		s.t, s.y = append(s.t, at/float64(len(w))), append(s.y, middle(w))
		i = j
	}
	s.end = len(s.t)
	var second []float64
	for i := 1; i+1 < len(s.y); i++ {
		second = append(second, math.Abs(s.y[i-1]-2*s.y[i]+s.y[i+1]))
	}
	if len(second) > 0 {
		sort.Float64s(second)
		s.sd = 1.4826 / math.Sqrt(6) * middle(second)
	}
	s.sd = min(0.05, max(0.012, s.sd))
	s.price = 8 + 2*math.Log(float64(max(1, len(s.y))))
	return s
}

// stairs are, for each reading, the least cost of explaining all before it by steps.
func (s search) stairs() []float64 {
	n := len(s.y)
	sum, sq := make([]float64, n+1), make([]float64, n+1)
	for i, y := range s.y {
		sum[i+1], sq[i+1] = sum[i]+y, sq[i]+y*y
	}
	cost := make([]float64, n+1)
	for j := 1; j <= n; j++ {
		cost[j] = math.Inf(1)
		for i := range j {
			m := sum[j] - sum[i]
			sse := sq[j] - sq[i] - m*m/float64(j-i)
			cost[j] = min(cost[j], cost[i]+s.price+sse/(s.sd*s.sd))
		}
	}
	return cost
}

// declines is the first reading from which power stays below taperTo of that about reading i; ok is false where it never does, or
// falls there at once.
func (s search) declines(i int) (to int, ok bool) {
	w := append([]float64(nil), s.y[i:min(i+3, len(s.y))]...)
	sort.Float64s(w)
	limit := middle(w) + math.Log(taperTo)
	to = s.end
	for to > i && s.y[to-1] < limit {
		to--
	}
	if to == s.end || to-i < 3 {
		return 0, false
	}
	return to, true
}

// hinges are the best fits to readings from first up to to, one for each onset that is tried.
func (s search) hinges(sums []moments, first, to int) []hinge {
	var list []hinge
	const parts = 2 // onsets tried between two readings
	for k := first; k < to-2; k++ {
		for j := range parts {
			at := s.t[k] + (s.t[k+1]-s.t[k])*float64(j)/parts
			if h, ok := s.fit(sums, first, k+1, to, at); ok {
				list = append(list, h)
			}
		}
	}
	return list
}

// How far a plateau may slope and a decline may bow, as standard deviations: wide enough for a constant
// current into a cell whose voltage rises, and for cells whose taper is no exponential; invented.
const (
	slopeSD = 0.08 / 3.6 // of log power, a ks: 8 % an hour
	bowSD   = 0.15       // of the square of the fall a ks
)

// moments are sums over readings of t^k and of y t^k, t in ks.
type moments struct {
	t  [5]float64
	y  [3]float64
	yy float64
}

// moments are the sums over the readings before each.
func (s search) moments() []moments {
	list := make([]moments, len(s.t)+1)
	for i, t := range s.t {
		m := list[i]
		x, y := t/1000, s.y[i]
		for k, p := 0, 1.0; k < 5; k++ {
			m.t[k] += p
			if k < 3 {
				m.y[k] += y * p
			}
			p *= x
		}
		m.yy += y * y
		list[i+1] = m
	}
	return list
}

// about are the sums of the readings from a to b about an instant at, in ks: of (t - at)^k.
func about(a, b moments, at float64) moments {
	var raw, out moments
	for k := range 5 {
		raw.t[k] = b.t[k] - a.t[k]
	}
	for k := range 3 {
		raw.y[k] = b.y[k] - a.y[k]
	}
	out.yy = b.yy - a.yy
	binomial := [5][5]float64{{1}, {1, 1}, {1, 2, 1}, {1, 3, 3, 1}, {1, 4, 6, 4, 1}}
	for k := range 5 {
		power := 1.0
		for j := k; j >= 0; j-- {
			out.t[k] += binomial[k][j] * raw.t[j] * power
			if k < 3 {
				out.y[k] += binomial[k][j] * raw.y[j] * power
			}
			power *= -at
		}
	}
	return out
}

// fit is the least-squares fit for an onset before reading after. ok is false where power does not fall after it.
func (s search) fit(sums []moments, first, after, to int, at float64) (hinge, bool) {
	// Normal equations of level, slope, fall and bow; slope and bow are held to be small.
	l := about(sums[first], sums[after], at/1000)
	r := about(sums[after], sums[to], at/1000)
	a := [4][5]float64{
		{l.t[0] + r.t[0], l.t[1], -r.t[1], -r.t[2], l.y[0] + r.y[0]},
		{l.t[1], l.t[2], 0, 0, l.y[1]},
		{-r.t[1], 0, r.t[2], r.t[3], -r.y[1]},
		{-r.t[2], 0, r.t[3], r.t[4], -r.y[2]},
	}
	span := (s.t[to-1] - at) / 1000
	if span <= 0 {
		return hinge{}, false
	}
	pace := -math.Log(taperTo) / span
	a[1][1] += sq(s.sd / slopeSD)
	a[3][3] += sq(s.sd / (bowSD * pace * pace))
	b, ok := solve(a)
	if !ok || b[2] <= 0 {
		return hinge{}, false
	}
	cost := l.yy + r.yy
	for k := range 4 {
		cost -= b[k] * a[k][4]
	}
	return hinge{at, b[0], max(0, cost) / (s.sd * s.sd)}, true
}

// solve solves four linear equations by elimination.
func solve(a [4][5]float64) (x [4]float64, ok bool) {
	for c := range 4 {
		p := c
		for r := c + 1; r < 4; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[p][c]) {
				p = r
			}
		}
		if math.Abs(a[p][c]) < 1e-12 {
			return x, false
		}
		a[c], a[p] = a[p], a[c]
		for r := c + 1; r < 4; r++ {
			f := a[r][c] / a[c][c]
			for k := c; k < 5; k++ {
				a[r][k] -= f * a[c][k]
			}
		}
	}
	for r := 3; r >= 0; r-- {
		x[r] = a[r][4]
		for k := r + 1; k < 4; k++ {
			x[r] -= a[r][k] * x[k]
		}
		x[r] /= a[r][r]
	}
	return x, true
}
