package simulated

import (
	"slices"
	"time"
)

// TruthHours is how long the handset would last from full to empty at the mean power
// that its script drew in a window of uptime of the present boot, warm-up drift from the
// activity's beginning included; start-up and what wanders in the background are left
// out. It is exact for the simulated cell, and for tests only.
func (h *Handset) TruthHours(fromUp, toUp time.Duration) (hours float64) {
	h.do(func() { hours = h.battery.TruthHours(h.meanWatts(fromUp, toUp)) })
	return hours
}

// TruthHoursAt is TruthHours at a mean power of the script given in W, such as that which a
// scenario draws when it goes on as it should.
func (h *Handset) TruthHoursAt(watts float64) (hours float64) {
	h.do(func() { hours = h.battery.TruthHours(watts) })
	return hours
}

// MeanWatts is the script's mean power in a window of uptime, before drift, W.
func (h *Handset) MeanWatts(fromUp, toUp time.Duration) (w float64) {
	h.do(func() { w = h.meanWatts(fromUp, toUp) })
	return w
}

func (h *Handset) meanWatts(fromUp, toUp time.Duration) float64 {
	a, b, s := h.loadsIn(fromUp, toUp)
	return (b.baseJ - a.baseJ) / s
}

func (h *Handset) meanRest(fromUp, toUp time.Duration) float64 {
	a, b, s := h.loadsIn(fromUp, toUp)
	return (b.restJ - a.restJ) / s
}

// loadsIn are the sums at the ends of a window of uptime, and its length, s.
func (h *Handset) loadsIn(fromUp, toUp time.Duration) (a, b loadPoint, seconds float64) {
	shift := time.Duration(h.upShift.Load())
	from, to := fromUp-shift, min(toUp-shift, h.age)
	if to <= from {
		return a, b, 1
	}
	return h.loads.at(from), h.loads.at(to), (to - from).Seconds()
}

// TrueSoC is the charge in the cell now, 0 to 1.
func (h *Handset) TrueSoC() (soc float64) {
	h.do(func() { soc = h.battery.SoC() })
	return soc
}

// Watts is the power that the handset draws now, W at the cell.
func (h *Handset) Watts() (w float64) {
	h.do(func() { w, _ = h.watts() })
	return w
}

// BattTempC is the battery's true temperature, °C.
func (h *Handset) BattTempC() (c float64) {
	h.do(func() { c = h.battery.BattTempC() })
	return c
}

// WentOut reports whether the handset has switched itself off: its cell is empty, or could
// not hold its voltage under the load.
func (h *Handset) WentOut() (out bool) {
	h.do(func() { out = h.battery.Dead() })
	return out
}

// PlugWatts is what a meter at the charger's plug would read, W.
func (h *Handset) PlugWatts() (w float64) {
	h.do(func() { w = h.battery.PlugW() })
	return w
}

// Showing is what is in front, as PKG/.Activity, and how long it has been there on a
// lit screen; "" with the screen off or locked.
func (h *Handset) Showing() (component string, front time.Duration) {
	h.do(func() {
		if h.usable() {
			component, front = h.front().name(), h.front().front
		}
	})
	return component, front
}

// ForgetLoads drops what is remembered of the loads until now, which grows for as long as
// the handset lives: TruthHours and MeanWatts know nothing of the time before any more.
func (h *Handset) ForgetLoads() {
	h.do(func() { h.loads.points = slices.Clone(h.loads.points[max(0, len(h.loads.points)-2):]) })
}
