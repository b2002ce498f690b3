package endurance

import (
	"strings"
	"testing"
	"time"
)

// A counter that stops, breaks or stands still for a while is no gauge that corrected itself, and
// what is left of it makes no figure; one that jumps is.
func TestCountersThatJump(t *testing.T) {
	const every, point = 10.0, 600.0 // s
	drain := func(counter func(t, fine float64) float64) Input {
		in := Input{TargetPoints: 5, DesignMAh: 4000}
		full := 4000e3
		in.LearnedCounter = &full
		for at := 0.0; at <= 6.5*point; at += every {
			v, mv := counter(at, full*(0.9-at/point/100)), 3900-at/100
			in.Samples = append(in.Samples, Sample{T: time.Duration(at * float64(time.Second)), LevelPct: 90 - int(at/point), Counter: &v, VoltageMV: &mv})
		}
		return in
	}
	for _, x := range []struct {
		name      string
		counter   func(t, fine float64) float64
		corrected string // "": not
		used      bool
	}{
		{"sound", func(_, fine float64) float64 { return fine }, "", true},
		{"a point up", func(at, fine float64) float64 {
			if at > 2000 {
				fine += 40e3
			}
			return fine
		}, "above what was drawn", false},
		{"half a point down", func(at, fine float64) float64 {
			if at > 2000 {
				fine -= 20e3
			}
			return fine
		}, "below what was drawn", false},
		{"zero from the middle on", func(at, fine float64) float64 {
			if at > 2000 {
				return 0
			}
			return fine
		}, "", false},
		{"zero soon after the start", func(at, fine float64) float64 {
			if at > 640 {
				return 0
			}
			return fine
		}, "", false},
		{"another sign from the middle on", func(at, fine float64) float64 {
			if at > 2000 {
				return -fine
			}
			return fine
		}, "", false},
		{"stands still for ten minutes", func(at, fine float64) float64 {
			if at > 1500 && at < 2100 {
				return 4000e3 * (0.9 - 1500/point/100)
			}
			return fine
		}, "", true},
		{"stood still until the window began", func(at, fine float64) float64 {
			if at < 650 {
				return 4000e3
			}
			return fine
		}, "", true},
		{"each point", func(at, _ float64) float64 { return 40e3 * float64(90-int(at/point)) }, "", false},
	} {
		f, err := Estimate(drain(x.counter))
		if err != nil {
			t.Errorf("%s: %v", x.name, err)
			continue
		}
		if used := strings.Contains(f.Method, "and charge counter"); used != x.used || x.corrected == "" && f.Corrected != "" || !strings.Contains(f.Corrected, x.corrected) {
			t.Errorf("%s: method %q, corrected %q; want %q, counter used: %v; warnings %q", x.name, f.Method, f.Corrected, x.corrected, x.used, f.Warnings)
		}
		if want := 6 * point / 3600 / 6 * 100; f.Hours.Low > want*f.VoltageFactor || f.Hours.High < want*f.VoltageFactor {
			t.Errorf("%s: %+v, want %.2f times the voltage's %.3f", x.name, f.Hours, want, f.VoltageFactor)
		}
	}
}
