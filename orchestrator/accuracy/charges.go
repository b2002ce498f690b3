package accuracy

import (
	"math"
	"math/rand/v2"
	"time"

	"rundown/devices/simulated/physics"
	"rundown/results/charging"
)

// ChargeStats are the errors of charging figures over a simulated fleet, per cent of the truth unless named otherwise.
type ChargeStats struct {
	EveryS                       float64
	From20To80, To80             Stat
	Peak, Hold, Energy, EnergyIn Stat
	TaperS                       Stat    // absolute, s
	TaperWithinMinute            float64 // share, %
	Refused                      int
}

// Charges charges n simulated phones from 2 % to full, the gauge's sensors without an error of gain, and compares what the
// calculator says with the truth: true charge for times, true power into the cell for the rest. The gauge measures power anew at each reading; charges whose
// gauge does not are in slowcharges.go.
func Charges(seed uint64, n int, everyS float64) ChargeStats {
	out := ChargeStats{EveryS: everyS}
	var span, to80, peak, hold, energy, plug, taper errors
	near := 0
	for i := range n {
		r := rand.New(rand.NewPCG(seedOf(seed, i), 0x94d049bb133111eb))
		between := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
		full := between(3500, 5500)
		steps := []physics.ChargeStep{{FromSoC: 0, Share: 1}, {FromSoC: between(0.25, 0.45), Share: between(0.65, 0.85)}, {FromSoC: between(0.55, 0.68), Share: between(0.45, 0.6)}}
		most := between(15, 45)
		ph := physics.NewPhone(physics.Options{
			Seed: seedOf(seed, i), SoC: 0.015, AmbientC: 22,
			Cell:    physics.Cell{OCV: physics.Phone435.Blend(physics.Phone445, between(0, 0.8)), CapacityMAh: full, ROhm: 0.05},
			Heat:    physics.HeatOptions{KPerW: 1.5}, // cooled, so that heat does not throttle it
			Charger: physics.ChargerOptions{MaxW: most, Steps: steps, RampS: between(1, 4), Ripple: 0.015},
			Gauge: physics.GaugeOptions{
				Rounding: physics.Rounding(r.IntN(3)), LevelRefreshS: between(5, 20), CurrentNoise: 0.015, VoltageNoiseMV: 3,
			},
		})
		// Screen and radios are off; the charger feeds what is left of them.
		load := physics.Load{BaseW: 0.05, Steady: true, NoDrift: true, PlugOpen: true}
		var in charging.Input
		var clean, atPlug []float64 // W into the cell and at the plug, every half second
		var t20, t80, onset, held float64
		next := everyS * r.Float64()
		for t := 0.5; t < 8*3600; t += 0.5 {
			ph.Advance(time.Duration(t*float64(time.Second)), load)
			p := ph.BattW()
			clean, atPlug = append(clean, p), append(atPlug, ph.PlugW())
			soc := ph.SoC()
			share := 1.0
			for _, s := range steps {
				if soc >= s.FromSoC {
					share = s.Share
				}
			}
			switch {
			case soc >= 0.2 && t20 == 0:
				t20 = t
			case soc >= 0.8 && t80 == 0:
				t80 = t
			}
			if p > 0.995*most*share*0.98 {
				onset = t // the last instant at which the charger gave all of its step
				if share == steps[2].Share {
					held += 0.5
				}
			}
			if t >= next {
				x := ph.Readings()
				amps := math.Abs(float64(*x.CurrentRaw)) / 1e6
				watts, plugged := amps*float64(x.VoltageMV)/1000, ph.PlugW()
				in.Samples = append(in.Samples, charging.Sample{T: time.Duration(t * float64(time.Second)), LevelPct: x.LevelPct, BattW: &watts, PlugW: &plugged, Full: x.Full})
				next += everyS * (0.95 + 0.1*r.Float64())
			}
			if n := len(in.Samples); n > 0 && in.Samples[n-1].Full {
				break
			}
		}
		in.Levels = []int{50, 80}
		f, err := charging.Estimate(in)
		if err != nil || f.Taper == nil || f.PeakW == nil || f.BattWh == nil || f.PlugWh == nil || len(f.Spans) < 2 || f.Spans[1].ChargeS == nil || len(f.Times) < 2 || f.Times[1].ChargeS == nil {
			out.Refused++
			continue
		}
		peakW, holdS := truthOfPeak(clean)
		wh, plugWh := 0.0, 0.0
		for k := range clean {
			wh += clean[k] * 0.5 / 3600
			plugWh += atPlug[k] * 0.5 / 3600
		}
		span.add(f.Spans[1].ChargeS.Value, t80-t20)
		to80.add(f.Times[1].ChargeS.Value, t80)
		peak.add(f.PeakW.Value, peakW)
		hold.add(f.HoldS.Value, holdS)
		energy.add(f.BattWh.Value, wh)
		plug.add(f.PlugWh.Value, plugWh)
		if held < 120 { // its last step is no plateau, from which a taper could be told
			continue
		}
		taper.e = append(taper.e, f.Taper.AtS-onset)
		if math.Abs(f.Taper.AtS-onset) <= 60 {
			near++
		}
	}
	out.From20To80, out.To80, out.Peak, out.Hold, out.Energy, out.EnergyIn, out.TaperS = span.stat(), to80.stat(), peak.stat(), hold.stat(), energy.stat(), plug.stat(), taper.stat()
	out.TaperWithinMinute = 100 * float64(near) / float64(max(1, len(taper.e)))
	return out
}

// truthOfPeak is the largest mean power over a minute, W, and for how long power was within 90 % of it, s, of power in steps
// of half a second.
func truthOfPeak(watts []float64) (peakW, holdS float64) {
	const minute = 120 // steps
	sum := 0.0
	for i, p := range watts {
		sum += p
		if i >= minute {
			sum -= watts[i-minute]
			peakW = max(peakW, sum/minute)
		}
	}
	for _, p := range watts {
		if p >= 0.9*peakW {
			holdS += 0.5
		}
	}
	return peakW, holdS
}
