package devices

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// The published output of the example programs of NAG Library routines e01bef, e01bff and
// e01bgf (Mark 26.2, monotone piecewise cubic Hermite interpolation, after Fritsch and
// Butland, "A method for constructing local monotone piecewise cubic interpolants", SIAM
// J. Sci. Stat. Comput. 5, 1984), values to 4 decimals.
func TestCurveAgainstPublishedTable(t *testing.T) {
	c, err := NewCurve([]CurvePoint{
		{7.99, 0}, {8.09, 0.27643e-4}, {8.19, 0.43750e-1}, {8.70, 0.16918}, {9.20, 0.46943},
		{10.00, 0.94374}, {12.00, 0.99864}, {15.00, 0.99992}, {20.00, 0.99999},
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []struct{ x, value float64 }{
		{7.9900, 0.0000}, {9.1910, 0.4640}, {10.3920, 0.9645}, {11.5930, 0.9965}, {12.7940, 0.9992}, {13.9950, 0.9998},
		{15.1960, 0.9999}, {16.3970, 1.0000}, {17.5980, 1.0000}, {18.7990, 1.0000}, {20.0000, 1.0000},
	} {
		if got := c.At(want.x); math.Abs(got-want.value) > 0.00005 {
			t.Errorf("At(%v) = %v, published %v", want.x, got, want.value)
		}
	}
}

func TestNewCurveNamesTheRow(t *testing.T) {
	tests := []struct {
		name   string
		points []CurvePoint
		says   string
	}{
		{"none", nil, "want 3 points or more, got 0"},
		{"two", []CurvePoint{{1, 2}, {3, 4}}, "want 3 points or more, got 2"},
		{"setting falls", []CurvePoint{{1, 2}, {50, 60}, {40, 70}}, "row 3: setting 40 does not rise above the 50"},
		{"setting stays", []CurvePoint{{1, 2}, {1, 60}, {40, 70}}, "row 2: setting 1 does not rise"},
		{"luminance falls", []CurvePoint{{1, 2}, {50, 60}, {80, 59.5}}, "row 3: luminance 59.5 cd/m² does not rise above the 60"},
		{"luminance stays", []CurvePoint{{1, 2}, {50, 2}, {80, 59.5}}, "row 2: luminance 2 cd/m² does not rise"},
		{"negative", []CurvePoint{{1, -2}, {50, 2}, {80, 59.5}}, "row 1: luminance -2 cd/m²: want 0 or more"},
		{"no number", []CurvePoint{{1, 2}, {math.NaN(), 3}, {80, 59.5}}, "row 2: setting NaN"},
		{"too close", []CurvePoint{{0, 0}, {5e-324, 1e308}, {80, 1.5e308}}, "too close together"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := NewCurve(tt.points); err == nil || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("NewCurve(%v) = %v, want an error that says %q", tt.points, err, tt.says)
			}
		})
	}
}

func TestSettingForOutsideSaysTheRange(t *testing.T) {
	c, err := NewCurve([]CurvePoint{{1, 2}, {100, 250}, {255, 610.5}})
	if err != nil {
		t.Fatal(err)
	}
	for _, cdM2 := range []float64{1.9, 611, math.NaN(), math.Inf(1), -1} {
		if got, err := c.SettingFor(cdM2); err == nil || !strings.Contains(err.Error(), "from 2 to 610.5 cd/m²") {
			t.Errorf("SettingFor(%v) = %v, %v; want an error with the range", cdM2, got, err)
		}
	}
	for want, p := range map[float64]float64{1: 2, 100: 250, 255: 610.5} {
		if got, err := c.SettingFor(p); err != nil || math.Abs(got-want) > 1e-9 {
			t.Errorf("SettingFor(%v) = %v, %v; want the reading's own %v", p, got, err, want)
		}
	}
	if got := c.At(300); got != 610.5 {
		t.Errorf("At beyond the curve = %v, want its end", got)
	}
	if _, err := (Curve{}).SettingFor(100); err == nil {
		t.Error("the zero curve gave a setting")
	}
}

// Any rising curve rises throughout, stays between its readings, and its two directions
// agree.
func TestCurveProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 12).Draw(t, "points")
		points := make([]CurvePoint, n)
		var x, y float64
		for i := range points {
			x += rapid.Float64Range(0.5, 500).Draw(t, "step")
			y += rapid.Float64Range(0.01, 300).Draw(t, "rise")
			points[i] = CurvePoint{x, y}
		}
		c, err := NewCurve(points)
		if err != nil {
			t.Fatal(err)
		}
		at := rapid.Float64Range(points[0].Setting, x).Draw(t, "setting")
		v := c.At(at)
		for i := 1; i < n; i++ {
			lo, hi := points[i-1], points[i]
			if at >= lo.Setting && at <= hi.Setting && (v < lo.CdM2-1e-9 || v > hi.CdM2+1e-9) {
				t.Fatalf("At(%v) = %v leaves %v to %v", at, v, lo.CdM2, hi.CdM2)
			}
		}
		if next := c.At(at + (x-at)/7); next < v-1e-9 {
			t.Fatalf("the curve falls after %v", at)
		}
		back, err := c.SettingFor(min(max(v, points[0].CdM2), y))
		if err != nil || math.Abs(c.At(back)-v) > 1e-6*max(1, v) {
			t.Fatalf("SettingFor(%v) = %v, %v, which shows %v", v, back, err, c.At(back))
		}
	})
}
