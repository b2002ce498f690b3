package endurance

import (
	"fmt"
	"math"
	"time"
)

// Plain is the rule of thumb, time times 100 over points, shown beside a figure for
// comparison only: the time from the first reading after the warm-up until the level is seen
// points lower, both in whole per cent.
//
// relU is the standard uncertainty that whole per cent alone give it: two readings, each
// good to half a point either way, so 1/sqrt(6) of a point.
func Plain(in Input) (hours, relU float64, err error) {
	if err := check(in.Samples); err != nil {
		return 0, 0, err
	}
	warm := in.ActivityT + time.Duration(in.WarmUpS*float64(time.Second))
	d := in.TargetPoints
	if d <= 0 {
		return 0, 0, fmt.Errorf("%w: the drain target is %d points", ErrInput, d)
	}
	start := -1
	for i, s := range in.Samples {
		if s.T < warm {
			continue
		}
		if start < 0 {
			start = i
		}
		if s.LevelPct <= in.Samples[start].LevelPct-d {
			return (s.T - in.Samples[start].T).Hours() * 100 / float64(d), 1 / math.Sqrt(6) / float64(d), nil
		}
	}
	return 0, 0, fmt.Errorf("%w: the level did not fall by %d", ErrTooFewPoints, d)
}
