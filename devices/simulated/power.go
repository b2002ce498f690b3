package simulated

import (
	"sort"
	"time"

	"rundown/devices/simulated/physics"
)

// The powers of what a handset is made of, W at the cell, at ScalePower 1. Invented, of
// the size that public teardowns of such handsets would not contradict.
const (
	asleepW    = 0.022   // suspended, radios aside
	awakeW     = 0.24    // system and memory with the screen on
	panelW     = 0.16    // a black screen
	whiteW     = 0.00235 // per cd/m²
	fastHzW    = 0.0032  // per Hz above 60
	wifiW      = 0.018
	mobileW    = 0.026
	bluetoothW = 0.012
	locationW  = 0.055 // while the screen is on
	nfcW       = 0.004
	voiceW     = 0.62
	searchW    = 0.09 // a radio that looks for its network
)

// pagePower is what a page of the stage makes the browser draw, W, by its activity.
var pagePower = map[string]float64{"browse": 0.05, "call": 1.95, "game": 2.35, "sustain": 4.1, "light": 0.12}

// A burst is work that is over soon: a page that loads, a list that rolls, a program
// that starts.
type burstOf struct{ watts float64 }

func (h *Handset) burst(watts float64, d time.Duration) {
	if d <= 0 || h.poweredOff {
		return
	}
	b := &burstOf{watts}
	h.bursts = append(h.bursts, b)
	h.at(h.age+d, func() {
		for i, other := range h.bursts {
			if other == b {
				h.bursts = append(h.bursts[:i], h.bursts[i+1:]...)
				return
			}
		}
	})
}

// toolDelay is how long one of the system's commands takes, and lets it draw its power.
// Where the tools start a virtual machine of their own each call costs most of a second.
func (h *Handset) toolDelay(d time.Duration) time.Duration {
	w := 0.4
	if h.ways.javaTools {
		d += 650 * time.Millisecond
		w = 0.9
	}
	h.do(func() { h.burst(w, d) })
	return d
}

// watts is what the handset draws now, and what it does in one number: the same number
// means the same activity, for the drift that comes with warming up. A film that begins
// again or a camera that starts to record is the same activity still.
func (h *Handset) watts() (w float64, doing int) {
	sum := 0.0
	for _, b := range h.bursts {
		sum += b.watts
	}
	return h.draws(!h.rest.mono.frozen(), sum)
}

// restWatts is what it would draw now had nobody looked at it while it rests.
func (h *Handset) restWatts() float64 {
	bursts := 0.0
	if h.age < h.rest.rising {
		bursts = h.opt.Suspend.WakeJ / wakeRise.Seconds()
	}
	w, _ := h.draws(h.age < h.rest.natural, bursts)
	return w
}

// draws is watts for a handset whose processors run or not, with so much for work that is
// soon over.
func (h *Handset) draws(awake bool, bursts float64) (w float64, doing int) {
	if h.poweredOff {
		return 0, 0
	}
	w = h.opt.Suspend.SuspendedW
	if awake && !h.screen.on && !h.opt.Suspend.Never {
		w += h.opt.Suspend.AwakeW
	}
	if h.screen.on {
		w = awakeW + panelW + whiteW*h.luminance() + fastHzW*max(0, h.refreshHz()-60)
		if h.locationOn() {
			w += locationW
		}
		doing = 1
	}
	if h.usable() {
		a := h.front()
		w += a.power(h)
		doing = 2 + 8*int(a.app.role)
		if a.tab != nil {
			doing += map[string]int{"call": 3, "game": 4, "sustain": 5}[a.tab.Activity()]
		}
	}
	if h.radios.wifi {
		w += wifiW
		if !h.radios.joined {
			w += searchW
		}
	}
	if h.mobileUp() {
		w += mobileW
	}
	if h.radios.bluetooth {
		w += bluetoothW
	}
	if h.radios.nfc && h.screen.on {
		w += nfcW
	}
	if h.call != nil {
		w += voiceW
	}
	w += bursts
	if h.setting(global, "low_power") == "1" {
		w *= 0.9
	}
	return w * h.opt.ScalePower, doing
}

// longestStep is how long a load is taken to be the same; heat feeds back on it.
const longestStep = 20 * time.Second

// live passes time under the present load: battery, counters of pages and players.
func (h *Handset) live(to time.Duration) {
	for h.age < to {
		next := min(to, h.age+longestStep)
		d := next - h.age
		w, doing := h.watts()
		h.battery.Advance(next-h.bootAge, physics.Load{BaseW: w, Activity: doing, PlugOpen: h.power.on})
		if unseen := w; h.rest.resting {
			unseen = h.restWatts()
			h.rest.lookJ += (w - unseen) * d.Seconds()
			h.rest.restJ += unseen * d.Seconds()
		} else {
			h.rest.restJ += unseen * d.Seconds()
		}
		h.age = next
		if h.screen.on {
			h.screen.shown += d
		}
		if h.usable() {
			a := h.front()
			if !a.hung {
				a.front += d
			}
			fps := a.app.FPS
			if a.tab != nil && (a.tab.Activity() == "game" || a.tab.Activity() == "call") {
				fps = 60
			}
			a.draws(fps*d.Seconds(), h.uptime())
			if a.state == playPlaying {
				a.position += d
			}
		}
		h.loads.add(h.age, h.battery.Totals(), h.rest.restJ)
		h.watchBattery()
	}
}

// watchBattery switches off an empty handset, dims a hot one and mends the level that is
// shown.
func (h *Handset) watchBattery() {
	temp := h.battery.BattTempC()
	switch {
	case h.faults.dimAboveC > 0 && temp >= h.faults.dimAboveC:
		h.dimmed = true
	case temp < h.faults.dimAboveC-2 || h.faults.dimAboveC == 0:
		h.dimmed = false
	}
	h.faults.followLevel(h.battery.Readings().LevelPct)
	switch {
	case h.battery.Dead() && !h.poweredOff:
		h.powerOff()
	case h.poweredOff && !h.restarting && h.power.on && h.battery.SoC() > 0.012 && !h.faults.staysOff:
		h.startUp(bootTime)
	}
}

// A loadLog remembers how much the script's mean power had summed up to, by age.
type loadLog struct {
	points []loadPoint
}

type loadPoint struct {
	age          time.Duration
	baseJ, restJ float64
}

const loadGrain = 5 * time.Second

func (l *loadLog) boot(age time.Duration, t physics.Totals, restJ float64) {
	l.points = append(l.points, loadPoint{age, t.BaseJ, restJ})
}

func (l *loadLog) add(age time.Duration, t physics.Totals, restJ float64) {
	n := len(l.points)
	if n >= 2 && age-l.points[n-2].age < loadGrain {
		l.points[n-1] = loadPoint{age, t.BaseJ, restJ} // still within the last grain
		return
	}
	l.points = append(l.points, loadPoint{age, t.BaseJ, restJ})
}

// at are the sums at an age, straight between the points.
func (l *loadLog) at(age time.Duration) loadPoint {
	n := len(l.points)
	i := sort.Search(n, func(i int) bool { return l.points[i].age >= age })
	switch {
	case n == 0:
		return loadPoint{}
	case i == 0:
		return l.points[0]
	case i == n:
		return l.points[n-1]
	}
	a, b := l.points[i-1], l.points[i]
	if b.age == a.age {
		return b
	}
	f := float64(age-a.age) / float64(b.age-a.age)
	return loadPoint{age, a.baseJ + (b.baseJ-a.baseJ)*f, a.restJ + (b.restJ-a.restJ)*f}
}
