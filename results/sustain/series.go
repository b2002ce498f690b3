package sustain

import (
	"math"
	"time"
)

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

// A Line is one lot or cycle with what was measured during it. What was not measured is nil.
type Line struct {
	Lot
	Number   int      // from 1
	BatteryC *float64 // at its end
	SkinC    *float64 // highest in it
	Status   *int     // highest in it
	EnergyJ  *float64 // from the battery
	LevelPct *int     // at its end
}

// PowerW is the mean power drawn from the battery in it; nil where it has no energy.
func (l Line) PowerW() *float64 {
	if l.EnergyJ == nil {
		return nil
	}
	w := *l.EnergyJ / (l.To - l.From).Seconds()
	return &w
}

// A Series is sustained load: the figure of its rates beside temperature, throttling by the
// handset's own account, and energy.
type Series struct {
	Figure
	Err   error // why Figure holds nothing: see OfLots and OfCycles
	Lines []Line

	// Battery, from the beginning of the first lot or cycle to the end of the last.
	StartC, MeanC, HighestC *float64
	HighestSkinC            *float64
	HighestStatus           *int
	// PowerW is the mean power drawn while it worked, WorkPerJ the work over the energy; nil unless
	// four fifths of the time at least have it.
	PowerW, WorkPerJ *float64
	// Points is the fall of the level over the whole, percentage points; good to a point at either end.
	Points *float64
}

// enoughPower is the part of the working time whose power must be known for a mean of it.
const enoughPower = 0.8

// DescribeLots puts continuous work together, DescribeCycles cycles with or without rests. Lots
// are in order; readings and thermal readings are in order of time and may lie outside of them.
func DescribeLots(lots []Lot, readings []Reading, thermal []Thermal) Series {
	s := describe(lots, readings, thermal)
	s.Figure, s.Err = OfLots(lots, readings)
	return s
}

// DescribeCycles does so for cycles.
func DescribeCycles(cycles []Lot, readings []Reading, thermal []Thermal) Series {
	s := describe(cycles, readings, thermal)
	s.Figure, s.Err = OfCycles(rates(cycles))
	return s
}

func describe(lots []Lot, readings []Reading, thermal []Thermal) Series {
	var s Series
	for i, l := range lots {
		s.Lines = append(s.Lines, lineOf(i+1, l, readings, thermal))
	}
	if len(lots) == 0 {
		return s
	}
	from, to := lots[0].From, lots[len(lots)-1].To
	s.temperatures(readings, from, to)
	s.energies()
	a, b := at(readings, from), at(readings, to)
	if a != nil && b != nil {
		points := float64(a.LevelPct - b.LevelPct)
		s.Points, s.StartC = &points, a.BatteryC
	}
	for _, l := range s.Lines {
		s.HighestSkinC = highest(s.HighestSkinC, l.SkinC)
		s.HighestStatus = highest(s.HighestStatus, l.Status)
	}
	return s
}

func lineOf(number int, c Lot, readings []Reading, thermal []Thermal) Line {
	l := Line{Lot: c, Number: number}
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
		return nil // one of which only the end is known
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
	var joules, work, known, all float64
	for _, l := range s.Lines {
		took := (l.To - l.From).Seconds()
		all += took
		if l.EnergyJ != nil {
			joules, work, known = joules+*l.EnergyJ, work+l.Rate*took, known+took
		}
	}
	if joules > 0 && known >= enoughPower*all {
		mean, per := joules/known, work/joules
		s.PowerW, s.WorkPerJ = &mean, &per
	}
}
