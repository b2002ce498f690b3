package sustain

import (
	"math"
	"time"
)

// A Cycle is one cycle of work, on the same clock as the readings.
type Cycle struct {
	From, To time.Duration
	Score    float64 // work per second, above 0
}

// A Reading is the battery at one instant.
type Reading struct {
	T        time.Duration
	LevelPct int
	BatteryC *float64 // nil where not read
	PowerW   *float64 // drawn from the battery; nil where the handset shows no current
}

// A Thermal is one reading of the handset's thermal service.
type Thermal struct {
	T      time.Duration
	Status int      // 0 none, 1 light, 2 moderate, 3 severe, 4 critical, 5 emergency, 6 shutdown (Android, PowerManager THERMAL_STATUS)
	SkinC  *float64 // hottest skin sensor; nil where not told
}

// A Line is one cycle with what was measured during it. What was not measured is nil.
type Line struct {
	Cycle
	Number   int      // from 1
	BatteryC *float64 // at its end
	SkinC    *float64 // highest in it
	Status   *int     // highest in it
	EnergyJ  *float64 // from the battery
	LevelPct *int     // at its end
}

// A Series is a heat series: the figure of its scores beside temperature, throttling by the
// handset's own account, and energy.
type Series struct {
	Figure
	Err   error // why Figure holds nothing: see Estimate
	Lines []Line
	First float64 // score of the first cycle

	MeanC, HighestC *float64 // battery, from the beginning of the first cycle to the end of the last
	HighestSkinC    *float64
	HighestStatus   *int
	// EnergyJ is the mean of the cycles' energies and ScorePerJ the mean score over it; nil
	// unless every cycle has its energy.
	EnergyJ, ScorePerJ *float64
	// PointsPerCycle is the fall of the level over the whole series, per cycle; good to a
	// point in the whole at either end.
	PointsPerCycle *float64
}

// Describe puts a heat series together. The cycles are in order; readings and thermal
// readings are in order of time and may lie outside of them.
func Describe(cycles []Cycle, readings []Reading, thermal []Thermal) Series {
	var s Series
	scores := make([]float64, len(cycles))
	for i, c := range cycles {
		scores[i] = c.Score
		s.Lines = append(s.Lines, lineOf(i+1, c, readings, thermal))
	}
	s.Figure, s.Err = Estimate(scores)
	if len(cycles) == 0 {
		return s
	}
	s.First = scores[0]
	from, to := cycles[0].From, cycles[len(cycles)-1].To
	s.temperatures(readings, from, to)
	s.energies()
	a, b := at(readings, from), at(readings, to)
	if a != nil && b != nil {
		points := float64(a.LevelPct-b.LevelPct) / float64(len(cycles))
		s.PointsPerCycle = &points
	}
	for _, l := range s.Lines {
		s.HighestSkinC = highest(s.HighestSkinC, l.SkinC)
		s.HighestStatus = highest(s.HighestStatus, l.Status)
	}
	return s
}

func lineOf(number int, c Cycle, readings []Reading, thermal []Thermal) Line {
	l := Line{Cycle: c, Number: number}
	if r := at(readings, c.To); r != nil && r.T >= c.From {
		l.BatteryC, l.LevelPct = r.BatteryC, &r.LevelPct
	}
	for _, t := range thermal {
		if t.T >= c.From && t.T <= c.To {
			l.Status, l.SkinC = highest(l.Status, &t.Status), highest(l.SkinC, t.SkinC)
		}
	}
	l.EnergyJ = energy(readings, c.From, c.To)
	return l
}

// at is the last reading not after an instant; nil where there is none.
func at(readings []Reading, t time.Duration) *Reading {
	var last *Reading
	for i := range readings {
		if readings[i].T > t {
			break
		}
		last = &readings[i]
	}
	return last
}

func highest[T int | float64](a, b *T) *T {
	if a == nil || b != nil && *b > *a {
		return b
	}
	return a
}

// widestGap is the longest time over which power is interpolated, s: a reading that is
// missing now and then is bridged, a stretch without is not.
const widestGap = 60

// energy integrates power over a stretch by the trapezoidal rule, with power at its ends
// interpolated; nil where a part of it has no power.
func energy(readings []Reading, from, to time.Duration) *float64 {
	if to <= from {
		return nil // a cycle of which only the end is known
	}
	total := 0.0
	reached := from
	for i := 1; i < len(readings); i++ {
		a, b := readings[i-1], readings[i]
		lo, hi := max(a.T, from), min(b.T, to)
		if hi <= lo {
			continue
		}
		if lo > reached || a.PowerW == nil || b.PowerW == nil || (b.T-a.T).Seconds() > widestGap {
			return nil
		}
		slope := (*b.PowerW - *a.PowerW) / (b.T - a.T).Seconds()
		watts := func(t time.Duration) float64 { return *a.PowerW + slope*(t-a.T).Seconds() }
		total += (watts(lo) + watts(hi)) / 2 * (hi - lo).Seconds()
		reached = hi
	}
	if reached < to || math.IsNaN(total) {
		return nil
	}
	return &total
}

// temperatures are the mean over time and the highest of the battery's.
func (s *Series) temperatures(readings []Reading, from, to time.Duration) {
	var sum, weight float64
	for i, r := range readings {
		if r.BatteryC == nil || r.T < from || r.T > to {
			continue
		}
		s.HighestC = highest(s.HighestC, r.BatteryC)
		w := 1.0 // of a lone reading
		if len(readings) > 1 {
			w = (readings[min(i+1, len(readings)-1)].T - readings[max(i-1, 0)].T).Seconds()
		}
		sum, weight = sum+w**r.BatteryC, weight+w
	}
	if weight > 0 {
		mean := sum / weight
		s.MeanC = &mean
	}
}

func (s *Series) energies() {
	sum, score := 0.0, 0.0
	for _, l := range s.Lines {
		if l.EnergyJ == nil {
			return
		}
		sum, score = sum+*l.EnergyJ, score+l.Score
	}
	if n := float64(len(s.Lines)); sum > 0 {
		mean, per := sum/n, score/sum
		s.EnergyJ, s.ScorePerJ = &mean, &per
	}
}
