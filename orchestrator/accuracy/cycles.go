package accuracy

import (
	"math"
	"math/rand/v2"

	"rundown/results/sustain"
)

// CycleStats are the errors of sustained-load figures over simulated series of cycles, per cent of the truth.
type CycleStats struct {
	Flat               bool // the handsets do not throttle
	Retention, Settled Stat
	OnsetWithinOne     float64 // share of the handsets that settle below 90 %, %; NaN for flat ones
	FalseOnsets        float64 // share of those that never fall below 95 %, %
	Refused            int
}

// Cycles makes n series of 20 to 40 cycles: noise of 0.5 to 1.5 %, one cycle in 33 lower by 8 to 30 % (something in
// the background), a slow first cycle in three of ten, and, unless flat, a fall from cycle 3 to 10 on to between 50 and 95 %.
// The spreads are invented.
func Cycles(seed uint64, n int, flat bool) CycleStats {
	out := CycleStats{Flat: flat, OnsetWithinOne: math.NaN()}
	var retention, settled errors
	onsets, hits, calm, alarms := 0, 0, 0, 0
	for i := range n {
		r := rand.New(rand.NewPCG(seedOf(seed, i), 0xbf58476d1ce4e5b9))
		cycles, noise := 20+r.IntN(21), 0.005+0.01*r.Float64()
		low, from, tau := 1.0, cycles, 1.0
		if !flat {
			low, from, tau = 0.5+0.45*r.Float64(), 2+r.IntN(8), 0.6+1.9*r.Float64()
		}
		below := 0
		var scores []float64
		for k := range cycles {
			x := 1.0
			if k >= from {
				x = low + (1-low)*math.Exp(-float64(k-from+1)/tau)
			}
			if below == 0 && x < 0.95 {
				below = k + 1
			}
			switch {
			case k == 0 && r.IntN(10) < 3:
				x *= 0.85 + 0.1*r.Float64()
			case r.IntN(33) == 0:
				x *= 0.7 + 0.22*r.Float64()
			}
			scores = append(scores, 1000*x*(1+noise*r.NormFloat64()))
		}
		f, err := sustain.OfCycles(scores)
		if err != nil {
			out.Refused++
			continue
		}
		retention.add(f.Held.Value, low)
		retention.iv++
		if f.Held.Holds(low) {
			retention.held++
		}
		settled.add(f.Settled, 1000*low)
		switch {
		case below == 0:
			calm++
			if f.Onset != 0 {
				alarms++
			}
		case low < 0.90: // between 90 and 95 % noise decides
			onsets++
			if d := f.Onset - below; f.Onset != 0 && d >= -1 && d <= 1 {
				hits++
			}
		}
	}
	out.Retention, out.Settled = retention.stat(), settled.stat()
	if onsets > 0 {
		out.OnsetWithinOne = 100 * float64(hits) / float64(onsets)
	}
	out.FalseOnsets = 100 * float64(alarms) / float64(max(1, calm))
	return out
}
