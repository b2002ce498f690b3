package orchestrator

import (
	"fmt"
	"math"
	"time"

	"rundown/devices"
	"rundown/results"
	"rundown/results/changepoint"
	"rundown/results/reading"
)

// A segment's own power goes up and down with the steps of its script; over whole passes of
// the loop it stays as it is. A stretch in which it was another, that no step of the script
// explains, is noted: the activity went on differently, or something else ran. Beside a lost
// link, or evidence that did not come, it is what that did to the activity, and flags.

// leastStep is the change of power, as a fraction, below which a step is not worth a word:
// cells that warm and voltages that fall move it by as much. Common practice, no source.
const leastStep = 0.05

// A stretch of power is no shorter than shortestStretch, so that several readings are in each,
// and there are at most mostStretches in a segment.
const (
	shortestStretch = time.Minute
	mostStretches   = 96
)

// A powerStep is a stretch in which the handset's own power was another.
type powerStep struct {
	span
	text string
}

// judgePower looks for a step in the power of what was measured, and notes it.
func (r *run) judgePower(samples []results.Sample) {
	g := r.live
	g.powerStep = nil
	from, to, ok := r.provenSpan()
	// Sustained work is about the power that a handset gives up as it gets hot.
	if !ok || r.rests() || r.goal().charges() || g.scenario.Stage == "sustain" {
		return
	}
	width, least := stretchOf(time.Duration(g.rec.LoopS*float64(time.Second)), g.scenario.Cycle(), to.Sub(from))
	f, in, unit, ok := powerStepIn(g.rec, samples, g.u.uptimeAt(from), g.u.uptimeAt(to), width, least)
	if !ok || math.Abs(f.Change()) < leastStep {
		return
	}
	word := "higher"
	if f.Change() < 0 {
		word = "lower"
	}
	found := &powerStep{span: span{g.u.hostAt(in[0].Milliseconds()), g.u.hostAt(in[1].Milliseconds())}}
	values := "by its charge counter"
	if unit != "" {
		values = fmt.Sprintf("%.3g instead of %.3g %s", f.Inside, f.Outside, unit)
	}
	found.text = fmt.Sprintf("from %s to %s the handset's own power was %.0f %% %s than in the rest (%s), and no step of the script explains it",
		devices.AtSecond(found.from), devices.AtSecond(found.to), 100*math.Abs(f.Change()), word, values)
	g.powerStep = found
	g.note(r.d.now(), "%s", found.text)
}

// stretchOf is over which time power is averaged in a window, a whole number of passes of the
// loop, and how many such stretches its cycle takes at least.
func stretchOf(loop time.Duration, cycle int, window time.Duration) (width time.Duration, least int) {
	if loop <= 0 {
		loop = shortestStretch
	}
	passes := max(math.Ceil(shortestStretch.Seconds()/loop.Seconds()), math.Ceil(window.Seconds()/mostStretches/loop.Seconds()), 1)
	width = time.Duration(passes * float64(loop))
	return width, int(math.Ceil(float64(cycle) / passes))
}

// powerStepIn looks for a step in the power between two uptimes: by how fast the charge
// counter falls, times the voltage, where it is fine enough, since what it counts misses
// nothing; else by current and voltage, where the current is read often enough for the loop.
// in is its beginning and end, uptime; unit that of the means, empty for the counter's own.
func powerStepIn(rec results.Segment, samples []results.Sample, from, to, width time.Duration, least int) (f changepoint.Found, in [2]time.Duration, unit string, ok bool) {
	means, which := flowPower(samples, from, to, width)
	if len(means) < changepoint.Fewest {
		means, which = currentPower(rec, samples, from, to, width)
		unit = "W"
	}
	if f, ok = changepoint.Find(means, least); !ok {
		return f, in, unit, false
	}
	in = [2]time.Duration{from + time.Duration(which[f.From])*width, from + time.Duration(which[f.To-1]+1)*width}
	return f, in, unit, true
}

// flowPower is the power over stretches of time by charge counter and voltage.
func flowPower(samples []results.Sample, from, to, width time.Duration) (means []float64, which []int) {
	var counted, read []time.Duration
	var counter, volts []float64
	for _, s := range samples {
		t := time.Duration(s.UptimeMS) * time.Millisecond
		if s.CounterRaw != nil {
			counted, counter = append(counted, t), append(counter, float64(*s.CounterRaw))
		}
		if s.VoltageMV != nil {
			read, volts = append(read, t), append(volts, float64(*s.VoltageMV)/1e3)
		}
	}
	flow := changepoint.Flow(counted, counter, from, to, width)
	voltage, of := changepoint.Means(read, volts, from, to, width)
	for i, k := range of {
		if k < len(flow) {
			means, which = append(means, flow[k]*voltage[i]), append(which, k)
		}
	}
	return means, which
}

// currentPower is the same by current and voltage; nil where the current changes so seldom
// that a pass of the loop has fewer than fewestPhases readings: they may then be of other
// moments of the loop later on, and look like a step.
func currentPower(rec results.Segment, samples []results.Sample, from, to, width time.Duration) (means []float64, which []int) {
	var at []time.Duration
	var watts []float64
	changes := 0
	for i, w := range reading.WattsOutOfBattery(rec, samples) {
		if w == nil {
			continue
		}
		if n := len(at); n > 0 && (samples[i-1].CurrentRaw == nil || *samples[i].CurrentRaw != *samples[i-1].CurrentRaw) {
			changes++
		}
		at, watts = append(at, time.Duration(samples[i].UptimeMS)*time.Millisecond), append(watts, *w)
	}
	if changes == 0 {
		return nil, nil
	}
	every := (at[len(at)-1] - at[0]) / time.Duration(changes)
	if rec.LoopS > 0 && rec.LoopS < fewestPhases*every.Seconds() {
		return nil, nil
	}
	return changepoint.Means(at, watts, from, to, width)
}

const fewestPhases = 5

// leastMissing is for how long evidence must be missing beside a step to say anything of it:
// the time between two looks.
const leastMissing = 30 * time.Second

// stepBeside says why a step in the power flags the segment, or "".
func (r *run) stepBeside(missing []span) string {
	found := r.live.powerStep
	if found == nil {
		return ""
	}
	text := found.text
	if beside := r.outagesIn([]span{found.span}); beside != "" {
		return text + "; " + beside
	}
	for _, m := range missing {
		if m.length() >= leastMissing && m.meets(found.span, besideOutage) {
			return text + fmt.Sprintf("; nothing shows the activity from %s for %s", devices.AtSecond(m.from), round(m.length()))
		}
	}
	return ""
}

// uptimeAt is the handset's uptime at an instant by the host's clock as it was at the start.
func (u *underway) uptimeAt(at time.Time) time.Duration { return at.Sub(u.HostZero) }
