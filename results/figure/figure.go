// Package figure holds what every figure is given as: a value with its 95 % interval.
// Calculators give it, rows of tables carry it, and programs that ask the daemon read it.
package figure

import (
	"fmt"
	"math"
	"strconv"
)

// An Interval is a value with its 95 % interval. Low and High enclose Value; the unit is
// that of the field which holds it.
type Interval struct {
	Value float64 `json:"value"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
}

// HalfWidth is half the interval as a fraction of the value: 0.03 says within 3 %.
func (i Interval) HalfWidth() float64 { return (i.High - i.Low) / (2 * i.Value) }

// Holds reports whether a value lies within the interval.
func (i Interval) Holds(value float64) bool { return i.Low <= value && value <= i.High }

// Minutes says an interval of seconds in minutes.
func (i Interval) Minutes() string {
	return fmt.Sprintf("%.1f min (%.1f to %.1f)", i.Value/60, i.Low/60, i.High/60)
}

func (i Interval) String() string {
	return fmt.Sprintf("%s (%s to %s)", Say(i.Value, 4), Say(i.Low, 4), Say(i.High, 4))
}

// Say writes a number to so many significant digits, never with an exponent: whole digits before the point are
// kept, however many they are.
func Say(v float64, digits int) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return fmt.Sprint(v)
	}
	if math.Abs(v) >= math.Pow10(digits) {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', digits, 64), 64) // written right here
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}
