package devices

import (
	"math"
	"testing"
)

// Slopes of the monotone cubic at and between the knots. Between: published output of NAG
// Library e01bgf (Mark 26.2) for the data of e01bef. At the knots: the three-point
// harmonic means of Fritsch and Butland (1984) as recomputed by another library from the
// same rounded data.
func TestCurveSlopesAgainstPublishedTable(t *testing.T) {
	c, err := NewCurve([]CurvePoint{
		{7.99, 0}, {8.09, 0.27643e-4}, {8.19, 0.43750e-1}, {8.70, 0.16918}, {9.20, 0.46943},
		{10.00, 0.94374}, {12.00, 0.99864}, {15.00, 0.99992}, {20.00, 0.99999},
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []struct{ x, slope, relative float64 }{
		{9.1910, 6.060e-1, 1e-3}, {10.3920, 4.569e-2, 1e-3}, {11.5930, 9.917e-3, 1e-3}, {12.7940, 6.249e-4, 1e-3}, {13.9950, 2.708e-4, 1e-3},
		{15.1960, 2.809e-5, 1e-3}, {16.3970, 2.034e-5, 1e-3}, {17.5980, 1.308e-5, 1e-3}, {18.7990, 6.297e-6, 1e-3},
		{8.09, 5.525107e-4, 1e-6}, {8.19, 0.3358730165, 1e-9}, {8.70, 0.3494445540, 1e-9}, {9.20, 0.5969623906, 1e-9},
		{10.00, 0.0603259705, 1e-8}, {12.00, 8.983279e-4, 1e-6}, {15.00, 2.940517e-5, 1e-6},
	} {
		if got := c.fit.PredictDerivative(want.x); math.Abs(got-want.slope) > want.relative*want.slope {
			t.Errorf("slope at %v = %v, published %v", want.x, got, want.slope)
		}
	}
}
