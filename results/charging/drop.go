package charging

import "math"

// A Drop is the first time that power falls from its peak by more than a tenth and stays there: the first step down, or the taper
// where there is no step.
type Drop struct {
	S        Interval // s from plug-in
	LevelPct int      // then; 0 where no levels are known
	HeldW    float64  // mean power from when it came up until then, W
	// ToW is the power of the plateau on which it then stays, W; nil where it glides on down, as in a taper.
	ToW *float64
}

const (
	// dropStaysS is how long power has to stay down, s: it dips for seconds at a time.
	dropStaysS = 120
	// plateauWithinS is how soon after its fall power has to stand still for the fall to be one to a plateau, s.
	plateauWithinS = 180
)

// drop finds the first fall of the running median m below holdShare of the peak, in readings everyS apart; nil where power was
// followed and never fell, or never came up.
func drop(m trace, peak, everyS float64, plateaus []Plateau) *Drop {
	fell := func(limit float64) (s float64, ok bool) {
		up := false
		for i := 1; i < len(m.v); i++ {
			up = up || m.v[i-1] >= limit
			if !up || m.v[i] >= limit || m.v[i-1] < limit {
				continue
			}
			stays := m.t[len(m.t)-1]-m.t[i] >= dropStaysS
			for j := i; j < len(m.v) && m.t[j]-m.t[i] < dropStaysS && stays; j++ {
				stays = m.v[j] < limit
			}
			if stays {
				f := (m.v[i-1] - limit) / (m.v[i-1] - m.v[i])
				return m.t[i-1] + f*(m.t[i]-m.t[i-1]), true
			}
		}
		return 0, false
	}
	limit := holdShare * peak
	at, ok := fell(limit)
	if !ok {
		return nil
	}
	// The line is no better than the peak, and a step is seen within a reading of when it was.
	early, late := at, at
	if s, ok := fell(limit * 1.015); ok {
		early = s
	}
	if s, ok := fell(limit / 1.015); ok {
		late = s
	}
	d := Drop{S: interval(at, math.Min(early, at)-everyS-RefreshS/2.0, math.Max(late, at)+everyS+RefreshS/2.0)}
	d.S.Low = math.Max(0, d.S.Low)
	sum, n := 0.0, 0.0
	for i, t := range m.t {
		if t >= rampS && t < at {
			sum, n = sum+m.v[i], n+1
		}
	}
	if n > 0 {
		d.HeldW = sum / n
	}
	for _, p := range plateaus {
		if p.FromS >= at-medianS && p.FromS <= at+plateauWithinS && p.W < limit {
			w := p.W
			d.ToW = &w
			break
		}
	}
	return &d
}
