package endurance

import (
	"fmt"
	"math"
	"slices"
)

// voltage is the correction for a cell whose voltage falls as it empties.
type voltage struct {
	factor   float64 // mean voltage over window voltage
	variance float64 // relative
	windowMV float64 // mean voltage shown in the window; 0 where none was
	method   string
	warnings []string
}

// Two reference cells: open-circuit voltage (mV) against level for a handset that is empty at
// 3.4 V. A handset's cell is taken as a blend of the two, found from its voltage in the
// window: 0 is the low one, 1 the high one.
var (
	refLevel = []float64{0, 1, 2, 3, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75, 80, 85, 90, 95, 100}
	// The mean of a 4.35 V phone cell (2500 mAh) and a 4.2 V LiCoO2 cell in open-circuit tables of
	// Linux device trees (simple-battery nodes), 3 to 6 mV lower from 30 to 45 %, where the latter is
	// flatter than any phone's.
	refLow = []float64{3400, 3508, 3590, 3624, 3665, 3692, 3716, 3737, 3756, 3772, 3786, 3800, 3818, 3842, 3867, 3902, 3943, 3981, 4020, 4066, 4119, 4161, 4209, 4265}
	// A 4.40 V phone cell (3000 mAh) from the same kind of table, raised by 1 to 6 mV to 50 %
	// and by 30 mV from 85 %, as newer cells are charged further (the raise is ours).
	refHigh = []float64{3406, 3506, 3575, 3625, 3677, 3693, 3719, 3745, 3763, 3777, 3791, 3809, 3831, 3859, 3900, 3949, 4005, 4054, 4108, 4164, 4223, 4279, 4337, 4402}
	// Means over charge of the finer tables, mV, less 6 mV: a handset switches itself off under
	// load a little before its cell is empty at rest (the 6 mV are ours).
	refLowMean, refHighMean = 3881.7, 3926.4
)

// Before its voltage is seen, a cell is taken to lie at blendMean, give or take blendSD.
// Below 45 % or so the two curves run close together, and the voltage says little.
const (
	blendMean, blendSD    = 0.6, 0.45
	blendLeast, blendMost = -0.15, 1.3 // beyond, the cell is none that the references can stand for
)

// withoutWholeVolts leaves out voltages that are shown in whole volts: a window's mean would be
// one of two values. said is a warning then, or "".
func withoutWholeVolts(samples []Sample) (list []Sample, said string) {
	seen := 0
	for _, s := range samples {
		if s.VoltageMV == nil {
			continue
		}
		if seen++; math.Mod(*s.VoltageMV, 1000) != 0 {
			return samples, ""
		}
	}
	if seen < 3 {
		return samples, ""
	}
	list = slices.Clone(samples)
	for i := range list {
		list[i].VoltageMV = nil
	}
	return list, "the handset shows its voltage in whole volts: it was not used"
}

// cellOhm is the series resistance taken for every handset, as it cannot be seen in one
// segment: common practice, no source.
const cellOhm = 0.145

// By how much a handset's resistance and its voltage readings stray from that (sd).
const (
	cellOhmSD   = 0.04
	voltageSDMV = 10.0
)

func ref(curve []float64, level float64) float64 {
	s := series{t: refLevel, v: curve}
	v, _ := s.at(max(0, min(100, level)))
	return v
}

// voltageStep finds the factor from mean voltage to window voltage at the window's level.
func voltageStep(in Input, w window, rate float64, counter counterReading, current currentReading) voltage {
	// The shown level that an edge reaches is true to half a point, whatever the rounding.
	mid := (float64(w.edges[0].LevelPct)+float64(w.edges[len(w.edges)-1].LevelPct))/2 + 0.5
	lo, hi := ref(refLow, mid), ref(refHigh, mid)
	fullMV := func(u float64) float64 { return refLowMean + u*(refHighMean-refLowMean) }
	fixed := fullMV(blendMean) / (lo + blendMean*(hi-lo))
	shown := pick(w.samples, func(s Sample) *float64 {
		if s.VoltageMV == nil || *s.VoltageMV < 2000 || *s.VoltageMV > 5000 {
			return nil
		}
		return s.VoltageMV
	})
	mv, ok := shown.mean(w.t0, w.t1)
	if !ok || len(shown.t) < 3 {
		return voltage{factor: fixed, variance: 0.007 * 0.007, method: "corrected by a typical cell's voltage",
			warnings: []string{"the handset shows no voltage: a typical cell's curve was used"}}
	}
	mA := 0.0
	v := voltage{windowMV: mv}
	switch {
	case counter.mA > 0:
		mA = counter.mA
	case current.mA > 0:
		mA = current.mA
	case in.DesignMAh > 0:
		mA = in.DesignMAh * rate / 100
	default:
		mA = 4500 * rate / 100
		v.warnings = append(v.warnings, "neither current nor capacity is known: the voltage lost in the cell was taken as that of 4500 mAh")
	}
	drop := mA * cellOhm
	if l := in.Learned; l != nil && l.Curve != nil {
		if factor, ok := l.Curve.factor(w, mv, drop); ok {
			v.factor, v.variance, v.method = factor, curveSD*curveSD, "corrected by the voltage curve learned of this handset"
			return v
		}
		v.warnings = append(v.warnings, "the voltage is not that of the curve learned of this handset (another temperature, or another cell): the curve was not used")
	}
	// How far the voltage is from that of the middle cell has two causes: another cell, whose mean
	// differs by a part of that, or another resistance, whose mean differs by all of it. Linear
	// estimate of the mean from both, with reading noise as a third.
	off := mv + drop - (lo + blendMean*(hi-lo))
	byCell, byOhm := (hi-lo)*blendSD, cellOhmSD*mA
	meanByCell := (refHighMean - refLowMean) * blendSD
	shownVar := byCell*byCell + byOhm*byOhm + voltageSDMV*voltageSDMV
	together := meanByCell*byCell + byOhm*byOhm
	fitted := (fullMV(blendMean) + together/shownVar*off - drop) / mv
	if sd := math.Hypot(voltageSDMV, byOhm); off < (blendLeast-blendMean)*(hi-lo)-sd || off > (blendMost-blendMean)*(hi-lo)+sd {
		// Of the cells that are none of the family, some have the typical shape lower down and some
		// are flatter: public tables of 4.1 and 4.2 V cells lie on both sides of this middle.
		v.factor, v.variance, v.method = (fixed+fitted)/2, 0.015*0.015, "corrected by a guess at the cell's voltage"
		v.warnings = append(v.warnings, fmt.Sprintf("the cell's voltage (%.0f mV at %.0f %%) is that of no known kind of phone cell: half-way to a typical curve was taken, and the interval is wider", mv, mid))
		return v
	}
	v.factor = fitted
	left := (meanByCell*meanByCell + byOhm*byOhm - together*together/shownVar) / (mv * mv)
	rel := 0.0015 + 0.0025*math.Abs(mid-59)/30
	v.variance = max(rel*rel, left)
	v.method = "corrected by the cell's voltage"
	return v
}

// curveSD is what is left of the voltage step's uncertainty once the handset's own curve is known, relative, one
// standard deviation: its ends, which no survey reaches, and its resistance. Assumed.
const curveSD = 0.002

// How far a window's voltage may lie from the learned curve's, mV.
const curveWithinMV = 60.0

// factor is the mean voltage over the window's by a learned curve, at a current that loses drop mV in the cell. Both are of
// the curve, so that an error of the resistance hardly counts. ok is false where the window's voltage is
// another one.
func (c *VoltageCurve) factor(w window, shownMV, drop float64) (factor float64, ok bool) {
	from, to := float64(w.edges[0].LevelPct)+0.5, float64(w.edges[len(w.edges)-1].LevelPct)+0.5
	here := c.mean(to, from) - drop
	if math.Abs(here-shownMV) > curveWithinMV {
		return 0, false
	}
	return (c.mean(0, 100) - drop) / here, true
}
