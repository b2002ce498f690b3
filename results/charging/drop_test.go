package charging

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// course is a charge of a battery of 20 Wh whose power follows a rule, read every 5 s with 1 % of noise.
func course(endS float64, watts func(s float64) float64) Input {
	rng := rand.New(rand.NewPCG(44, 33))
	wh := 0.4
	var in Input
	for s := 0.0; s < endS; s += 5 {
		w := watts(s)
		wh = math.Min(20, wh+w*5/3600)
		w *= 1 + 0.01*rng.NormFloat64()
		in.Samples = append(in.Samples, Sample{T: time.Duration(s) * time.Second, LevelPct: int(100 * wh / 20), BattW: &w})
	}
	return in
}

func taperFrom(s, at, watts, tau float64) float64 { return math.Max(0.3, watts*math.Exp(-(s-at)/tau)) }

// When power first falls from its peak, and to what. About 44 W falling to 33 W near minute 10 is common
// practice, no source; the others are invented.
func TestPowerFirstDrops(t *testing.T) {
	tests := []struct {
		name         string
		endS         float64
		watts        func(s float64) float64
		atS, toW     float64 // toW 0: no plateau
		heldW        float64
		never, taper bool // taper: the drop is the taper's, within a minute or two of its onset
	}{
		{name: "44 W falling to 33 W near minute 10", endS: 4200, atS: 600, heldW: 44, toW: 33, watts: func(s float64) float64 {
			switch {
			case s < 600:
				return 44
			case s < 1600:
				return 33
			}
			return taperFrom(s, 1600, 33, 520)
		}},
		{name: "held until the taper", endS: 4200, atS: 1600, heldW: 27, taper: true, watts: func(s float64) float64 {
			if s < 1600 {
				return 27
			}
			return taperFrom(s, 1600, 27, 600)
		}},
		{name: "a dip of half a minute is no drop", endS: 4200, atS: 1700, heldW: 30, toW: 20, watts: func(s float64) float64 {
			switch {
			case s >= 500 && s < 530:
				return 10
			case s < 1700:
				return 30
			case s < 2400:
				return 20
			}
			return taperFrom(s, 2400, 20, 500)
		}},
		{name: "broken off before it fell", endS: 900, never: true, watts: func(float64) float64 { return 40 }},
		{name: "the last minute is too short to tell", endS: 900, never: true, watts: func(s float64) float64 {
			if s < 840 {
				return 40
			}
			return 20
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f, err := Estimate(course(tt.endS, tt.watts))
			if err != nil {
				t.Fatal(err)
			}
			d := f.Drop
			if tt.never || d == nil {
				if d != nil || !tt.never {
					t.Errorf("drop %+v, want none: %v", d, tt.never)
				}
				return
			}
			within := 20.0
			if tt.taper { // a tenth below the peak is some way down the taper
				within = 100
			}
			if math.Abs(d.S.Value-tt.atS) > within || !tt.taper && (d.S.Low > tt.atS || d.S.High < tt.atS) || d.S.High-d.S.Low > 4*within {
				t.Errorf("falls at %.0f s (%.0f to %.0f), want %.0f", d.S.Value, d.S.Low, d.S.High, tt.atS)
			}
			if math.Abs(d.HeldW/tt.heldW-1) > 0.02 {
				t.Errorf("held %.1f W, want %.1f", d.HeldW, tt.heldW)
			}
			if (d.ToW == nil) != (tt.toW == 0) || d.ToW != nil && math.Abs(*d.ToW/tt.toW-1) > 0.03 {
				t.Errorf("falls to %v, want %g W", d.ToW, tt.toW)
			}
			if want := f.Times[0].LevelPct; d.LevelPct < want { // all of these fall above 20 %
				t.Errorf("at a level of %d %%", d.LevelPct)
			}
		})
	}
}
