package devices

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/interp"
)

// A CurvePoint is one reading of the full white screen, taken with a luminance meter at
// the screen's centre, perpendicular to it.
type CurvePoint struct {
	Setting float64 // brightness setting, in the handset's own units
	CdM2    float64 // luminance of the full white screen, cd/m²
}

// A Curve gives a screen's luminance at a brightness setting, and the setting for a
// luminance wanted. Between its points it is the monotone piecewise cubic of Fritsch and
// Butland (1984): it never leaves the two readings on either side of it.
type Curve struct {
	points []CurvePoint
	fit    *interp.FritschButland
}

// NewCurve makes a curve of at least three points in which the setting and the luminance
// both rise from row to row. The error names the row, counted from 1.
func NewCurve(points []CurvePoint) (Curve, error) {
	const fewest = 3
	if len(points) < fewest {
		return Curve{}, fmt.Errorf("luminance curve: want %d points or more, got %d", fewest, len(points))
	}
	xs, ys := make([]float64, len(points)), make([]float64, len(points))
	for i, p := range points {
		switch {
		case !finite(p.Setting) || p.Setting < 0:
			return Curve{}, fmt.Errorf("luminance curve: row %d: setting %g: want 0 or more", i+1, p.Setting)
		case !finite(p.CdM2) || p.CdM2 < 0:
			return Curve{}, fmt.Errorf("luminance curve: row %d: luminance %g cd/m²: want 0 or more", i+1, p.CdM2)
		case i > 0 && p.Setting <= points[i-1].Setting:
			return Curve{}, fmt.Errorf("luminance curve: row %d: setting %g does not rise above the %g of the row before", i+1, p.Setting, points[i-1].Setting)
		case i > 0 && p.CdM2 <= points[i-1].CdM2:
			return Curve{}, fmt.Errorf("luminance curve: row %d: luminance %g cd/m² does not rise above the %g of the row before", i+1, p.CdM2, points[i-1].CdM2)
		}
		xs[i], ys[i] = p.Setting, p.CdM2
	}
	fit := new(interp.FritschButland)
	if err := fit.Fit(xs, ys); err != nil {
		return Curve{}, fmt.Errorf("luminance curve: %w", err)
	}
	// Two readings so close that their slope overflows make a curve that is none.
	for i := 1; i < len(xs); i++ {
		if mid := fit.Predict(xs[i-1] + (xs[i]-xs[i-1])/2); !finite(mid) {
			return Curve{}, fmt.Errorf("luminance curve: rows %d and %d lie too close together to interpolate between", i, i+1)
		}
	}
	return Curve{points: append([]CurvePoint(nil), points...), fit: fit}, nil
}

// Range returns the curve's first and last point.
func (c Curve) Range() (darkest, brightest CurvePoint) {
	if len(c.points) == 0 {
		return CurvePoint{}, CurvePoint{}
	}
	return c.points[0], c.points[len(c.points)-1]
}

// At returns the luminance, cd/m², at a setting. A setting outside the curve gives the
// luminance of the nearest end: a curve says nothing about what lies beyond it. The zero
// Curve gives NaN.
func (c Curve) At(setting float64) float64 {
	if len(c.points) == 0 {
		return math.NaN()
	}
	return c.fit.Predict(setting)
}

// SettingFor returns the setting, not rounded, at which the screen shows cdM2. A
// luminance outside the curve is an error that gives the curve's range.
func (c Curve) SettingFor(cdM2 float64) (float64, error) {
	if len(c.points) == 0 {
		return 0, errors.New("luminance curve: no points")
	}
	lo, hi := c.Range()
	if !(cdM2 >= lo.CdM2 && cdM2 <= hi.CdM2) { // NaN is outside as well
		return 0, fmt.Errorf("luminance curve: %g cd/m² is outside the curve, which was taken from %g to %g cd/m²", cdM2, lo.CdM2, hi.CdM2)
	}
	// The cubic rises throughout, so bisection cannot miss; 200 halvings reach the last bit.
	a, b := lo.Setting, hi.Setting
	for range 200 {
		mid := a + (b-a)/2
		if mid <= a || mid >= b {
			break
		}
		if c.fit.Predict(mid) < cdM2 {
			a = mid
		} else {
			b = mid
		}
	}
	if cdM2-c.fit.Predict(a) < c.fit.Predict(b)-cdM2 {
		return a, nil
	}
	return b, nil
}

func finite(f float64) bool { return !math.IsNaN(f) && !math.IsInf(f, 0) }
