package orchestrator

import (
	"fmt"
	"math"
	"testing"
	"time"

	"rundown/devices/simulated/fleet"
	"rundown/devices/simulated/physics"
	"rundown/results"
)

func TestStretchOf(t *testing.T) {
	tests := []struct {
		loop   time.Duration
		cycle  int
		window time.Duration
		width  time.Duration
		least  int
	}{
		{30 * time.Second, 1, time.Hour, time.Minute, 1},
		{26750 * time.Millisecond, 12, time.Hour, 80250 * time.Millisecond, 4}, // a whole number of passes, and a round of pages
		{44 * time.Second, 1, time.Hour, 88 * time.Second, 1},
		{10 * time.Minute, 1, time.Hour, 10 * time.Minute, 1},
		{0, 1, time.Hour, time.Minute, 1},
		{30 * time.Second, 1, 8 * time.Hour, 5 * time.Minute, 1},
	}
	for _, tt := range tests {
		if width, least := stretchOf(tt.loop, tt.cycle, tt.window); width != tt.width || least != tt.least {
			t.Errorf("stretchOf(%v, %d, %v) = %v, %d; want %v, %d", tt.loop, tt.cycle, tt.window, width, least, tt.width, tt.least)
		}
	}
}

// Drains of the fleet's phones, as gauges of all classes tell them: nothing happens in the
// first, in the second the handset draws 15 % less for a third of the window.
func TestStepsInTheFleetsPower(t *testing.T) {
	classes := map[string]physics.CounterClass{"fine": physics.FineCounter, "medium": physics.MediumCounter, "coarse": physics.CoarseCounter, "none": physics.NoCounter}
	alarms, found, looked, all := 0, 0, 0, 0
	for name, class := range classes {
		mine := [4]int{}
		for i := range 150 {
			p := fleet.Assumed().NewPhone(class, uint64(7000+i))
			d := p.Drain(fleet.Segment{StartPct: 90, Points: 7, WarmUpS: 180, EveryS: 10, Run: 1})
			from, to := 4*time.Minute, d.Samples[len(d.Samples)-1].T
			width, least := stretchOf(time.Duration(p.LoopS*float64(time.Second)), 1, to-from)
			third := (to - from) / 3
			samples := samplesOfFleet(d.Samples, 0, 0)
			all++
			if (to-from)/width < 12 {
				continue
			}
			if m, _ := flowPower(samples, from, to, width); len(m) < 12 {
				if m, _ := currentPower(results.Segment{LoopS: p.LoopS}, samples, from, to, width); len(m) < 12 {
					continue // nobody can tell
				}
			}
			mine[0]++
			if f, _, _, ok := powerStepIn(results.Segment{LoopS: p.LoopS}, samples, from, to, width, least); ok && math.Abs(f.Change()) >= leastStep {
				mine[1]++
			}
			samples = samplesOfFleet(d.Samples, from+third, from+2*third)
			if f, _, _, ok := powerStepIn(results.Segment{LoopS: p.LoopS}, samples, from, to, width, least); ok && math.Abs(f.Change()) >= leastStep {
				mine[2]++
			}
		}
		t.Logf("counter %s: of %d drains, %d clean ones show a step, and %d with one of 15 %% over a third", name, mine[0], mine[1], mine[2])
		looked, alarms, found = looked+mine[0], alarms+mine[1], found+mine[2]
	}
	if said := fmt.Sprintf("%d of %d looked at, %d false alarms, %d found", looked, all, alarms, found); alarms*100 > looked || found*100 < 95*looked || looked < 400 {
		t.Error(said)
	} else {
		t.Log(said)
	}
}

// samplesOfFleet are a fleet's samples as they are stored, with 15 % less drawn between two
// uptimes.
func samplesOfFleet(list []fleet.Sample, from, to time.Duration) []results.Sample {
	var out []results.Sample
	saved := 0.0
	for i, s := range list {
		one := results.Sample{Seq: i + 1, UptimeMS: s.T.Milliseconds(), LevelPct: s.LevelPct}
		mv := int64(s.VoltageMV)
		one.VoltageMV = &mv
		less := s.T >= from && s.T < to
		if s.CurrentRaw != nil {
			c := *s.CurrentRaw
			if less {
				c = int64(math.Round(0.85 * float64(c)))
			}
			one.CurrentRaw = &c
		}
		if s.CounterRaw != nil {
			if i > 0 && less && list[i-1].CounterRaw != nil {
				saved += 0.15 * float64(*list[i-1].CounterRaw-*s.CounterRaw)
			}
			c := *s.CounterRaw + int64(math.Round(saved))
			one.CounterRaw = &c
		}
		out = append(out, one)
	}
	return out
}
