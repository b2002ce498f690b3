package endurance

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// surveyPoints is the least number of points between the first and the last edge of a drain that
// makes it a survey: enough to see the cell's voltage curve and how the level bends.
const surveyPoints = 60

// An Observation is what one drain or one charge shows of the handset itself: how much charge, in the
// handset's own units, lies between the level edges. It is small enough to be kept for years.
type Observation struct {
	ID     string    `json:"id"` // of what it was taken from
	At     time.Time `json:"at"` // when that ended
	Charge bool      `json:"charge,omitempty"`
	Edges  []Passage `json:"edges"` // in order of time, in a drain falling
	MA     float64   `json:"ma"`    // mean current, mA; 0 where it is not known
	Gauge  Gauge     `json:"gauge"`
	// RatePctH is the mean rate between the first and the last edge, %/h, above 0.
	RatePctH float64 `json:"rate_pct_h"`
	// HasCounter and HasCurrent say which of the two readings can be used.
	HasCounter bool `json:"has_counter,omitempty"`
	HasCurrent bool `json:"has_current,omitempty"`
	// CurrentScatter and CurrentLock are relative variances of the integrated current over the whole
	// observation: by the scatter of the readings, and by their falling in step with the script's loop.
	CurrentScatter float64 `json:"current_scatter,omitempty"`
	CurrentLock    float64 `json:"current_lock,omitempty"`
	// StepRaw is the counter's step in its own unit, 0 where too small to be seen; RefreshS how often the
	// counter moves, or where there is none the current reading, s: at least the time between samples.
	StepRaw  float64 `json:"step_raw,omitempty"`
	RefreshS float64 `json:"refresh_s,omitempty"`
	// TopCounter and TopCurrent are the charge that flowed while 100 % was shown, in the units of the edges; 0 where
	// it never was.
	TopCounter float64 `json:"top_counter,omitempty"`
	TopCurrent float64 `json:"top_current_h,omitempty"`
	// Powers are how the power went with time, of a drain whose readings show it.
	Powers []PowerBlock `json:"powers,omitempty"`
}

// A Passage is what had flowed when the shown level passed from one whole per cent to the next.
type Passage struct {
	UpperPct int     `json:"upper_pct"`            // the level above the edge
	WidthS   float64 `json:"width_s"`              // of the interval in which the edge lies
	Counter  float64 `json:"counter,omitempty"`    // in the counter's own unit
	Current  float64 `json:"current_h,omitempty"`  // integral of the current readings since the first edge, their unit times h
	MV       float64 `json:"voltage_mv,omitempty"` // mean of the voltage shown until the next edge; 0 not known
}

// Points is how many points lie between the first and the last edge.
func (o Observation) Points() int {
	if len(o.Edges) == 0 {
		return 0
	}
	d := o.Edges[0].UpperPct - o.Edges[len(o.Edges)-1].UpperPct
	return max(d, -d)
}

// Survey says whether it is long enough to be one.
func (o Observation) Survey() bool { return !o.Charge && o.Points() >= surveyPoints }

// Observe looks at one drain, or at one charge when charge is true. Of in it uses Samples, ActivityT,
// LoopS and DesignMAh. The warm-up counts: charge is charge, however it was used. The error says why nothing can be
// learned from it, and is one of this package's sentinels.
func Observe(in Input, id string, at time.Time, charge bool) (Observation, error) {
	o := Observation{ID: id, At: at, Charge: charge}
	in = in.asSlept()
	if err := check(in.Samples); err != nil {
		return o, err
	}
	in.Samples, _ = withoutWholeVolts(in.Samples)
	// At 100 % what flows before the activity begins counts as well.
	samples := slices.DeleteFunc(slices.Clone(in.Samples), func(s Sample) bool {
		return s.T < in.ActivityT && (charge || s.Plugged || s.LevelPct < 100) || charge && !s.Plugged
	})
	if charge { // a charge is a drain in a mirror
		for i := range samples {
			samples[i].LevelPct = 100 - samples[i].LevelPct
			if c := samples[i].Counter; c != nil {
				v := -*c
				samples[i].Counter = &v
			}
		}
	}
	if len(samples) == 0 {
		return o, fmt.Errorf("%w: no samples", ErrTooFewPoints)
	}
	for _, s := range samples {
		if s.Plugged != charge {
			return o, fmt.Errorf("%w: a power source was shown %.1f min after the activity began", ErrPlugged, (s.T - in.ActivityT).Minutes())
		}
	}
	if at, up, ok := rose(samples, samples[0].T, samples[len(samples)-1].T); ok {
		return o, fmt.Errorf("%w: by %d points, from %.1f min after the activity began", ErrLevelRose, up, (at - in.ActivityT).Minutes())
	}
	o.TopCounter, o.TopCurrent = topOf(samples, charge)
	edges := Edges(samples)
	// Near full and near empty gauges hold the level back or let it run: what lies there is not
	// the middle's charge per point.
	edges = slices.DeleteFunc(edges, func(e Edge) bool {
		upper := e.LevelPct + 1
		if charge {
			upper = 100 - e.LevelPct
		}
		return upper > 98 || upper < 4
	})
	w := window{edges: edges}
	if w.points() < MinPoints {
		return o, fmt.Errorf("%w: %d whole points between edges, want %d or more", ErrTooFewPoints, max(0, w.points()), MinPoints)
	}
	w.t0, w.t1 = edges[0].Mid().Seconds(), edges[len(edges)-1].Mid().Seconds()
	if w.length() <= 0 {
		return o, fmt.Errorf("%w: all edges fall between the same two samples", ErrTooFewPoints)
	}
	gap := 0.0
	for i, s := range samples {
		if s.T < edges[0].Lo || s.T > edges[len(edges)-1].Hi {
			continue
		}
		if len(w.samples) == 0 {
			w.first = i
		} else {
			gap = max(gap, (s.T - samples[i-1].T).Seconds())
		}
		w.samples = append(w.samples, s)
	}
	view := Input{Samples: samples, LoopS: in.LoopS, DesignMAh: in.DesignMAh, ActivityT: in.ActivityT, Asleep: in.Asleep}
	counter, current := readCounter(view, w), readCurrent(view, w)
	o.Gauge, o.RatePctH = counter.gauge, 3600*float64(w.points())/w.length()
	o.HasCounter = counter.mA > 0
	// The integral misses what flowed in a gap; a counter does not.
	o.HasCurrent = current.mA > 0 && gap <= w.length()/float64(w.points())/2
	switch {
	case o.HasCounter:
		o.MA = counter.mA
	case o.HasCurrent:
		o.MA = current.mA
	case !o.HasCurrent:
		return o, fmt.Errorf("%w: neither a charge counter nor current readings that can be used", ErrInput)
	}
	if !charge {
		o.Powers = powerBlocks(view, w, counter, current)
	}
	o.StepRaw = counter.step
	o.CurrentScatter, o.CurrentLock = current.variance-current.lock, current.lock

	q := pick(w.samples, func(s Sample) *float64 { return s.Counter })
	i := pick(w.samples, func(s Sample) *float64 {
		if s.Current == nil {
			return nil
		}
		v := math.Abs(*s.Current)
		return &v
	})
	volts := pick(w.samples, func(s Sample) *float64 { return s.VoltageMV })
	if o.HasCounter {
		o.RefreshS = refresh(q)
	} else {
		o.RefreshS = refresh(i)
	}
	drawn := i.integral()
	base, _ := drawn.at(w.t0)
	for k, e := range edges {
		p := Passage{UpperPct: e.LevelPct + 1, WidthS: (e.Hi - e.Lo).Seconds()}
		mid := e.Mid().Seconds()
		if o.HasCounter {
			var ok bool
			if p.Counter, ok = q.at(mid); !ok {
				continue
			}
		}
		if o.HasCurrent {
			v, ok := drawn.at(mid)
			if !ok {
				continue
			}
			p.Current = (v - base) / 3600
		}
		if k+1 < len(edges) {
			p.MV, _ = volts.mean(mid, edges[k+1].Mid().Seconds())
		}
		if charge {
			p.UpperPct, p.Counter, p.MV = 100-e.LevelPct, -p.Counter, 0
		}
		o.Edges = append(o.Edges, p)
	}
	if o.Points() < MinPoints {
		return o, fmt.Errorf("%w: %d whole points with readings around their edges, want %d or more", ErrTooFewPoints, o.Points(), MinPoints)
	}
	return o, nil
}

// refresh is the mean time between readings that differ from the one before, s.
func refresh(s series) float64 {
	moves := 0
	for i := 1; i < len(s.v); i++ {
		if s.v[i] != s.v[i-1] {
			moves++
		}
	}
	if moves == 0 {
		return 0
	}
	return (s.t[len(s.t)-1] - s.t[0]) / float64(moves)
}
