package simulated

import (
	"math"
	"slices"
	"strconv"
	"time"
)

// screen is the panel and the lock before it.
type screen struct {
	on       bool
	bright   float64       // fraction of the range that was set last, by whichever key drives the screen
	keyguard bool          // the lock shows, or would when the screen came on
	touched  time.Duration // age of the handset at the last user activity
	off      *event        // when the timeout will switch it off
	shown    time.Duration // how long it has been on since boot
}

// fractionOf is the place of an integer brightness setting in its range, 0 to 1, by the
// system's own rule: 0 and 1 are the darkest, the maximum is 1.
func (h *Handset) fractionOf(setting float64) float64 {
	most := float64(h.opt.BrightnessMax)
	if !h.ways.brightnessFloat {
		return clamp(setting/most, 0, 1)
	}
	return clamp((setting-1)/(most-1), 0, 1)
}

// settingOf is the integer setting that stands for a fraction of the range.
func (h *Handset) settingOf(fraction float64) int {
	most := float64(h.opt.BrightnessMax)
	if !h.ways.brightnessFloat {
		return int(math.Round(fraction * most))
	}
	return int(math.Round(fraction*(most-1) + 1))
}

// setBrightness moves the screen and the keys that tell of it.
func (h *Handset) setBrightness(fraction float64) {
	h.screen.bright = fraction
	h.settings[system]["screen_brightness"] = strconv.Itoa(h.settingOf(fraction))
	if h.ways.brightnessFloat {
		h.settings[system]["screen_brightness_float"] = float32Text(fraction)
	}
}

// wantedBrightness is the fraction that the settings ask for.
func (h *Handset) wantedBrightness() float64 {
	if h.settingInt(system, "screen_brightness_mode", 0) == 1 {
		return h.autoBrightness
	}
	return h.screen.bright
}

// brightness is the fraction that the panel really shows: a hot handset dims itself, and
// so does one that saves its battery.
func (h *Handset) brightness() float64 {
	f := h.wantedBrightness()
	if h.setting(global, "low_power") == "1" {
		f *= 0.5
	}
	if h.dimmed {
		f *= h.faults.dimFactor
	}
	return f
}

// luminance is what the screen gives, cd/m², full white.
func (h *Handset) luminance() float64 {
	if !h.screen.on {
		return 0
	}
	return h.opt.Luminance(h.brightness())
}

// LuminanceNow is what a luminance meter before the full white screen would read, cd/m².
func (h *Handset) LuminanceNow() (cdM2 float64) {
	h.do(func() { cdM2 = h.luminance() })
	return cdM2
}

// LuminanceAt is what the meter would read at an integer brightness setting, screen on,
// no dimming. It is the handset's true curve, which a lab would have to measure.
func (h *Handset) LuminanceAt(setting int) (cdM2 float64) {
	return h.opt.Luminance(h.fractionOf(float64(setting)))
}

// refreshHz is the panel's rate now.
func (h *Handset) refreshHz() float64 {
	rates := slices.Sorted(slices.Values(h.opt.RefreshHz))
	if !h.ways.refreshKeys || h.setting(global, "low_power") == "1" {
		return rates[0]
	}
	peak, ok := number(h.setting(system, "peak_refresh_rate"))
	if !ok || peak <= 0 {
		peak = rates[len(rates)-1]
	}
	rate := rates[0]
	for _, r := range rates {
		if r <= peak+0.5 {
			rate = r
		}
	}
	return rate
}

// touch is user activity: the timeout starts again.
func (h *Handset) touch() {
	h.screen.touched = h.age
	h.armScreen()
}

// wake switches the screen on; the lock stays in front until it is dismissed.
func (h *Handset) wake() {
	if h.poweredOff {
		return
	}
	if !h.screen.on {
		h.screen.on = true
		h.front().resumed(h)
	}
	h.touch()
}

func (h *Handset) sleepNow() {
	if !h.screen.on {
		return
	}
	h.front().paused(h)
	h.screen.on = false
	h.screen.keyguard = h.opt.Lock != NoLock
	h.cancel(h.screen.off)
}

// usable says whether a touch reaches the activity in front.
func (h *Handset) usable() bool { return h.screen.on && !h.screen.keyguard && !h.poweredOff }

func (h *Handset) unlock() {
	if h.opt.Lock == SecureLock || !h.screen.keyguard {
		return
	}
	h.screen.keyguard = false
	if h.screen.on {
		h.front().resumed(h)
	}
}

// armScreen sets the instant at which the screen goes off by itself.
func (h *Handset) armScreen() {
	h.cancel(h.screen.off)
	h.screen.off = nil
	if !h.screen.on || h.poweredOff {
		return
	}
	ms, err := strconv.ParseInt(h.setting(system, "screen_off_timeout"), 10, 64)
	if err != nil || ms <= 0 {
		ms = 15000
	}
	ms = max(ms, 1000)
	at := h.screen.touched + time.Duration(min(ms, math.MaxInt64/int64(time.Millisecond)))*time.Millisecond
	at = max(at, h.age)
	h.screen.off = h.at(at, func() {
		if h.staysOn() {
			h.screen.touched = h.age // looked at again after another timeout
			h.armScreen()
			return
		}
		h.sleepNow()
	})
}

// staysOn says whether something holds the screen on past its timeout.
func (h *Handset) staysOn() bool {
	stay := h.settingInt(global, "stay_on_while_plugged_in", 0)
	if stay&h.pluggedMask() != 0 {
		return true
	}
	return h.usable() && h.front().keepsScreenOn(h)
}

func clamp(v, least, most float64) float64 { return math.Max(least, math.Min(most, v)) }
