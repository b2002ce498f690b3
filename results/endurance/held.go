package endurance

import (
	"fmt"
	"math"
)

// Some gauges show 100 % for longer than a point's worth of charge, and count evenly from there. Each point they show is
// then less than a hundredth of full charge, and hours from full are more than 100 such points take. No segment that starts
// lower can see that; a drain that begins at 100 % does, and a charge that goes on at 100 % makes it likely.

// A Held is for how many points' worth of charge a gauge shows 100 %, beyond the half a point that rounding may make.
type Held struct {
	Points, SD float64
	// OnTheWayDown: a drain from 100 % showed it; else a charge that went on at 100 % did, and whether it is so on the
	// way down nobody saw.
	OnTheWayDown bool
}

// heldLeast is from how many points' worth of charge at 100 % on a gauge counts as one that holds it: rounding makes one
// at most, and the rest is reading.
const heldLeast = 1.6

// topOf is the charge that flowed while 100 % was shown: in a drain until the level fell from there, in a charge after it was
// reached. samples are as Observe has them, mirrored for a charge. In the counter's unit, and in the current reading's times h;
// 0 where not seen.
func topOf(all []Sample, charge bool) (counter, current float64) {
	var from, to int // indices of the samples between which 100 % was shown
	if charge {
		for from < len(all) && all[from].LevelPct > 0 {
			from++
		}
		if from == 0 || from == len(all) {
			return 0, 0
		}
		to = len(all) - 1
	} else {
		if all[0].LevelPct != 100 {
			return 0, 0
		}
		for to < len(all) && all[to].LevelPct == 100 {
			to++
		}
		if to == len(all) {
			return 0, 0
		}
	}
	part := all[from : to+1]
	if len(part) < 3 {
		return 0, 0
	}
	if q := pick(part, func(s Sample) *float64 { return s.Counter }); len(q.v) == len(part) {
		counter = math.Max(0, q.v[0]-q.v[len(q.v)-1])
	}
	if i := absolute(part); len(i.v) == len(part) {
		sum := i.integral()
		current = sum.v[len(sum.v)-1] / 3600
	}
	return counter, current
}

// heldOf puts together what observations show of it; nil: nothing was seen. Points is 0 where it was seen not to be.
func (l *Learned) heldOf(list []Observation) *Held {
	var down, up *Held
	for _, o := range list {
		points := 0.0
		switch {
		case l.Counter != nil && o.TopCounter > 0 && o.HasCounter:
			points = 100 * o.TopCounter / l.Counter.Value * scaleTo(o.TopCounter/l.Counter.Value, 0.03)
		case l.Current != nil && o.TopCurrent > 0 && !o.HasCounter:
			points = 100 * o.TopCurrent / l.Current.Value * scaleTo(o.TopCurrent/l.Current.Value, 0.03)
		}
		if points <= 0 || points > 15 {
			continue
		}
		// A handset that was not quite full shows less of it than there is.
		h := &Held{Points: max(0, points-0.5), SD: 0.4}
		if o.Charge {
			if up == nil || h.Points > up.Points {
				up = h
			}
		} else if h.OnTheWayDown = true; down == nil || h.Points > down.Points {
			down = h
		}
	}
	switch {
	case down != nil && down.Points >= heldLeast-0.5:
		return down
	case down != nil:
		return &Held{OnTheWayDown: true} // seen, and it is not held
	case up == nil || up.Points < heldLeast-0.5:
		return nil
	}
	up.Points /= 2 // as likely as not
	up.SD = math.Hypot(up.SD, up.Points)
	return up
}

// full is how much of full charge 100 points are, as a factor of hours, with its relative variance.
func (h *Held) full() (factor, variance float64) {
	if h == nil {
		return 1, 0
	}
	rel := (h.SD/100)*(h.SD/100) + 0.001*0.001*h.Points*h.Points // the cell's voltage is higher up there
	return 1 + h.Points/100, rel
}

func (h *Held) says() string {
	switch {
	case h == nil:
		return "full is where the gauge shows 100 %: whether it holds that for longer than a point, no drain from 100 % showed"
	case h.Points == 0:
		return "the gauge does not hold 100 % for longer than a point, as a drain from there showed"
	case h.OnTheWayDown:
		return fmt.Sprintf("the gauge shows 100 %% for %.1f points' worth of charge, as a drain from there showed: they are counted in", h.Points)
	}
	return fmt.Sprintf("a charge went on for %.1f points' worth while 100 %% was shown; whether the gauge holds 100 %% as long on the way down is not known, and half of it is counted in: a drain that begins at 100 %% tells", 2*h.Points)
}

func (l *Learned) held() *Held {
	if l == nil {
		return nil
	}
	return l.Held
}
