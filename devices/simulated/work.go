package simulated

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"time"
)

// Throttling is how a handset slows down as it gets hot, the temperatures being those of its battery. The
// usual one goes down evenly; real handsets do it in other ways too, all of which tests can have.
type Throttling struct {
	// FromC is the temperature above which it slows down, and SlopePerC by how much of its full speed for each °C,
	// down to Least.
	FromC, SlopePerC, Least float64
	// StepsC makes steps of it: at each temperature it falls by StepBy, and comes back up when the battery is
	// BackC cooler. One step with a small BackC makes a saw-tooth of the handset's speed.
	StepsC []float64
	StepBy float64
	BackC  float64
	// EmergencyC is the temperature from which it does next to nothing until the battery is BackC cooler.
	EmergencyC float64
	// Lasting adds a slow loss that nothing gives back, a part of its speed an hour: a rate that never settles.
	Lasting float64
}

func (t Throttling) orDefault() Throttling {
	if t.FromC == 0 {
		t.FromC, t.SlopePerC = 41, 0.06
	}
	if t.Least == 0 {
		t.Least = 0.45
	}
	if t.BackC == 0 {
		t.BackC = 2
	}
	return t
}

// emergencySpeed is what is left of the speed in a thermal emergency.
const emergencySpeed = 0.08

// throttle is how much of its speed the handset keeps when it is hot.
func (h *Handset) throttle() float64 {
	t, c := h.opt.Throttling.orDefault(), h.battery.BattTempC()
	left := clamp(1-(c-t.FromC)*t.SlopePerC, t.Least, 1)
	if len(t.StepsC) > 0 {
		for h.steps < len(t.StepsC) && c >= t.StepsC[h.steps] {
			h.steps++
		}
		for h.steps > 0 && c < t.StepsC[h.steps-1]-t.BackC {
			h.steps--
		}
		left = math.Max(t.Least, 1-float64(h.steps)*t.StepBy)
	}
	if t.Lasting > 0 {
		left *= math.Exp(-t.Lasting * h.age.Hours())
	}
	if t.EmergencyC > 0 {
		h.emergency = c >= t.EmergencyC || h.emergency && c >= t.EmergencyC-t.BackC
	}
	if h.emergency {
		left = emergencySpeed
	}
	return left
}

// fullRate is how many units of the stage's work a simulated handset does in a second at its full speed, and
// fullFrames how many frames of its scene. Invented.
const (
	fullRate   = 3000
	fullFrames = 120
)

// workNoise is how much the speed wanders from step to step, one standard deviation: something else always runs.
const workNoise = 0.02

// workStep is how long the speed of the work is taken to be the same.
const workStep = 2 * time.Second

// work does the stage's sustained work, in lots or in cycles: it posts after each how much was done, which
// is as much as the handset's throttling lets it do. A page that is not shown stands still, as that of a
// browser that saves power does.
func (p *readPage) work(ctx context.Context, s stageBlock) {
	rate, began := float64(fullRate), p.h.clock.Now()
	scatter := rand.New(rand.NewPCG(uint64(p.h.opt.Seed), 0x5eed))
	if s.Work == "gpu" {
		rate = fullFrames
	}
	var total, before float64
	at := began
	for n, seq := 1, 1; ; {
		if !p.waitShown(ctx) {
			return
		}
		speed := 0.0
		p.h.do(func() { speed = rate * p.h.throttle() * (1 + workNoise*scatter.NormFloat64()) })
		step := workStep
		if s.Lot > 0 { // to the end of the lot at most
			step = min(step, time.Duration((s.Lot-(total-before))/speed*float64(time.Second))+time.Millisecond)
		} else {
			step = min(step, max(at.Add(time.Duration(s.CycleS*float64(time.Second))).Sub(p.h.clock.Now()), time.Millisecond))
		}
		stepFrom := p.h.clock.Now()
		if p.h.clock.Sleep(ctx, step) != nil {
			return
		}
		now := p.h.clock.Now()
		if p.isShown() {
			total += speed * now.Sub(stepFrom).Seconds()
		}
		took := now.Sub(at)
		if s.Lot > 0 && total-before < s.Lot || s.Lot == 0 && took.Seconds() < s.CycleS {
			continue
		}
		ms := round(took.Seconds()*1000, 1)
		units := math.Round(total) - math.Round(before)
		r := report{Seq: seq, Kind: "cycle", Value: round(units*1000/ms, 2), Detail: map[string]any{"cycle": n, "ms": ms, "work": s.Work, "visibility": "visible"}}
		if s.Lot > 0 {
			r.Kind = "lot"
			r.Detail["lot"], r.Detail["units"], r.Detail["total"], r.Detail["done_ms"] = n, units, math.Round(total), round(now.Sub(began).Seconds()*1000, 1)
			delete(r.Detail, "cycle")
		}
		if errors.Is(p.post(ctx, s.Post, r), errGone) {
			return
		}
		n, seq = n+1, seq+1
		if s.RestS > 0 {
			p.h.do(func() { p.h.pageDoes(p, "browse") }) // it shows what it has done
			if p.h.clock.Sleep(ctx, time.Duration(s.RestS*float64(time.Second))) != nil {
				return
			}
			p.h.do(func() { p.h.pageDoes(p, s.Activity) })
			now = p.h.clock.Now()
		}
		at, before = now, total
	}
}
