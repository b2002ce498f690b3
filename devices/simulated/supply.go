package simulated

import (
	"context"

	"rundown/devices"
)

// supply is the power that comes from outside.
type supply struct{ on bool }

// Masks of what powers the handset, as the system numbers them.
const (
	maskAC  = 1
	maskUSB = 2
)

func (h *Handset) plugged() bool { return h.power.on }

func (h *Handset) pluggedMask() int {
	switch {
	case !h.power.on:
		return 0
	case h.opt.ChargerUSB:
		return maskUSB
	}
	return maskAC
}

// setPower plugs the charger in or out. The handset wakes for either, as most do.
func (h *Handset) setPower(on bool) {
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

// Plug lets power to the handset or cuts it, whatever its gate is told: power that comes
// by mistake, or a plug pulled.
func (h *Handset) Plug(on bool) { h.fault(func() { h.setPower(on) }) }

// Gate is the handset's power gate. It says that it has switched when it has.
func (h *Handset) Gate() devices.PowerGate { return gate{h} }

type gate struct{ h *Handset }

func (g gate) Name() string { return "simulated" }

func (g gate) Open(ctx context.Context) error  { return g.set(ctx, true) }
func (g gate) Close(ctx context.Context) error { return g.set(ctx, false) }

func (g gate) set(ctx context.Context, on bool) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	g.h.Plug(on)
	return nil
}
