// Package figure holds what every figure is given as: a value with its 95 % interval.
// Calculators give it, rows of tables carry it, and programs that ask the daemon read it.
package figure

import "fmt"

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

func (i Interval) String() string { return fmt.Sprintf("%.4g (%.4g to %.4g)", i.Value, i.Low, i.High) }
