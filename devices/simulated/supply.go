package simulated

import (
	"context"
	"time"

	"rundown/devices"
)

// supply is the power that comes from outside.
type supply struct {
	on      bool // from any of the three
	outlet  bool // what the gate switches
	charger bool // another one's plug, which no gate switches
	pad     bool // a wireless charger under the handset
	// How often the gate will still say that it has switched and do nothing; negative: always.
	lieClosing, lieOpening int
	// late is how long after it has said so the gate switches, and switching when it will.
	late      time.Duration
	switching *event
}

// Masks of what powers the handset, as the system numbers them.
const (
	maskAC       = 1
	maskUSB      = 2
	maskWireless = 4
)

func (h *Handset) plugged() bool { return h.power.on }

func (h *Handset) pluggedMask() int {
	mask := 0
	switch {
	case h.power.charger, h.power.outlet && !h.opt.ChargerUSB:
		mask = maskAC
	case h.power.outlet:
		mask = maskUSB
	}
	if h.power.pad {
		mask |= maskWireless
	}
	return mask
}

// setPower lets power to the handset by its outlet or cuts it. The handset wakes for
// either, as most do.
func (h *Handset) setPower(on bool) {
	h.power.outlet = on
	h.powered()
}

// powered follows what the handset is attached to.
func (h *Handset) powered() {
	on := h.power.outlet || h.power.charger || h.power.pad
	if h.power.on == on {
		return
	}
	h.power.on = on
	if on {
		h.settings[global]["low_power"] = "0"
		if h.poweredOff {
			h.faults.staysOff = false
		}
	}
	h.watchBattery()
	h.wake()
	if h.opt.LinkNeedsPower && !h.poweredOff {
		if on {
			h.setLink("device")
		} else {
			h.setLink("offline")
		}
	}
}

// Plug lets power to the handset or cuts it at its outlet, whatever its gate is told:
// power that comes by mistake, or a plug pulled.
func (h *Handset) Plug(on bool) { h.fault(func() { h.setPower(on) }) }

// PlugCharger is a person who plugs another charger in, or out again: no gate switches it.
func (h *Handset) PlugCharger(on bool) {
	h.fault(func() {
		h.power.charger = on
		h.powered()
	})
}

// LayOnPad is a person who lays the handset on a wireless charger, or takes it off.
func (h *Handset) LayOnPad(on bool) {
	h.fault(func() {
		h.power.pad = on
		h.powered()
	})
}

// Powered reports whether power reaches the handset: the truth, for tests.
func (h *Handset) Powered() (on bool) {
	h.do(func() { on = h.power.on })
	return on
}

// Gate is the handset's power gate. It says that it has switched when it has, unless
// LieClosing or LieOpening make it lie.
func (h *Handset) Gate() devices.PowerGate { return gate{h} }

// LieClosing makes the gate say that it has closed and do nothing, the next so many times,
// as a hub does whose port has no switch, or a relay that sticks; negative: from now on
// always, 0: no more. LieOpening is the same for opening.
func (h *Handset) LieClosing(times int) { h.fault(func() { h.power.lieClosing = times }) }
func (h *Handset) LieOpening(times int) { h.fault(func() { h.power.lieOpening = times }) }

// SwitchLate makes the gate say at once that it has switched, and switch so much later, as
// one behind a slow relay or a queue of somebody's server does. What it was told last holds.
func (h *Handset) SwitchLate(by time.Duration) { h.fault(func() { h.power.late = by }) }

type gate struct{ h *Handset }

func (g gate) Name() string { return "simulated" }

func (g gate) Open(ctx context.Context) error  { return g.set(ctx, true) }
func (g gate) Close(ctx context.Context) error { return g.set(ctx, false) }

func (g gate) set(ctx context.Context, on bool) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	g.h.fault(func() {
		lies := &g.h.power.lieClosing
		if on {
			lies = &g.h.power.lieOpening
		}
		if *lies != 0 {
			*lies = max(*lies-1, -1)
			return
		}
		g.h.cancel(g.h.power.switching)
		if g.h.power.late <= 0 {
			g.h.setPower(on)
			return
		}
		g.h.power.switching = g.h.at(g.h.age+g.h.power.late, func() { g.h.setPower(on) })
	})
	return nil
}
