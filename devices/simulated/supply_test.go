package simulated_test

import (
	"errors"
	"testing"
	"time"

	"rundown/devices"
	"rundown/devices/simulated"
)

// Gates that lie, a charger that a person plugs in and a pad: what the handset itself says
// of its power is the truth.
func TestPowerThatNoGateSwitches(t *testing.T) {
	clock := simulated.NewScaledClock(time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC), 600)
	h := simulated.New(simulated.Options{ChargerUSB: true, Clock: clock})
	defer h.Close()
	gate := h.Gate()
	for _, step := range []struct {
		name string
		do   func() error
		want string
	}{
		{"gate opened", func() error { return gate.Open(t.Context()) }, "USB"},
		{"a lie", func() error { h.LieClosing(2); return gate.Close(t.Context()) }, "USB"},
		{"another", func() error { return gate.Close(t.Context()) }, "USB"},
		{"the third try works", func() error { return gate.Close(t.Context()) }, ""},
		{"an opening that does nothing", func() error { h.LieOpening(-1); return gate.Open(t.Context()) }, ""},
		{"and once more", func() error { return gate.Open(t.Context()) }, ""},
		{"it opens again", func() error { h.LieOpening(0); return gate.Open(t.Context()) }, "USB"},
		{"it closes late", func() error { h.SwitchLate(time.Minute); return gate.Close(t.Context()) }, "USB"},
		{"and has closed then", func() error { return clock.Sleep(t.Context(), 2*time.Minute) }, ""},
		{"opens late, and is closed meanwhile", func() error { return errors.Join(gate.Open(t.Context()), gate.Close(t.Context())) }, ""},
		{"which holds", func() error { return clock.Sleep(t.Context(), 2*time.Minute) }, ""},
		{"it opens as it should", func() error { h.SwitchLate(0); return gate.Open(t.Context()) }, "USB"},
		{"a person's charger beside it", func() error { h.PlugCharger(true); return nil }, "AC"},
		{"which the gate does not cut", func() error { return gate.Close(t.Context()) }, "AC"},
		{"on a pad", func() error { h.LayOnPad(true); return nil }, "AC and wireless"},
		{"the charger pulled", func() error { h.PlugCharger(false); return gate.Close(t.Context()) }, "wireless"},
		{"taken off the pad", func() error { h.LayOnPad(false); return nil }, ""},
	} {
		if err := step.do(); err != nil {
			t.Fatalf("%s: %v", step.name, err)
		}
		b, err := devices.ReadBattery(t.Context(), h)
		if err != nil || b.Sources() != step.want || h.Powered() != (step.want != "") {
			t.Errorf("%s: the handset says %q (truly powered: %v), %v; want %q", step.name, b.Sources(), h.Powered(), err, step.want)
		}
	}
}
