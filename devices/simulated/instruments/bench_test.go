package instruments_test

import (
	"context"
	"math"
	"testing"
	"time"

	"rundown/devices"
	"rundown/devices/luminance"
	"rundown/devices/meters"
	"rundown/devices/simulated"
	"rundown/devices/simulated/instruments"
)

// A charge as a meter sees it: a simulated handset, an instrument at its plug, read over
// TCP every 5 s by the handset's own fast clock; the energy is held against the truth.
func TestAChargeIsMeteredOverTCP(t *testing.T) {
	clock := simulated.NewScaledClock(time.Date(2026, 3, 4, 22, 0, 0, 0, time.UTC), 120)
	h := simulated.New(simulated.Options{Serial: "SIM9", LevelPct: 30, Clock: clock})
	t.Cleanup(h.Close)
	in, err := instruments.Serve("127.0.0.1:0", instruments.PowerMeter(h, 9, 23))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(in.Close)
	m, err := meters.NewSCPI(in.Addr(), meters.SCPIOptions{Timeout: 30 * time.Second, Queries: map[meters.Quantity]meters.Query{
		meters.Power: {Ask: "MEAS:POW?"}, meters.Temperature: {Ask: "MEAS:TEMP?"},
	}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close() })
	h.Plug(true)
	var last meters.Reading
	powers, rooms, truth, joules, exact := 0, 0, 0.0, 0.0, 0.0
	for r, err := range meters.Sample(t.Context(), clock, m, 5*time.Second) {
		if err != nil {
			t.Fatal(err)
		}
		if r.Quantity == meters.Temperature {
			rooms++
			if math.Abs(r.Value-23) > 0.5 {
				t.Errorf("room at %g °C", r.Value)
			}
			continue
		}
		now := h.PlugWatts()
		if powers > 0 {
			dt := r.At.Sub(last.At).Seconds()
			if dt <= 0 {
				t.Errorf("reading %d does not follow the one before: %v", powers, dt)
			}
			joules += dt * (r.Value + last.Value) / 2
			exact += dt * (now + truth) / 2
		}
		last, truth = r, now
		if powers++; powers == 60 {
			break
		}
	}
	if rooms < 55 || exact < 60*5*5 {
		t.Errorf("%d readings of the room, %g J", rooms, exact)
	}
	// The instrument's gain is 0.1 % off, and power moves between reading and truth.
	if math.Abs(joules-exact) > 0.02*exact {
		t.Errorf("metered %.0f J, truth %.0f J", joules, exact)
	}
}

// lit turns the screen on for white and off for black: a simulated panel is all white.
type lit struct{ h *simulated.Handset }

func (l lit) White(ctx context.Context) error {
	_, err := devices.Run(ctx, l.h, "settings put system screen_off_timeout 86400000; input keyevent 224; wm dismiss-keyguard")
	return err
}

func (l lit) Black(ctx context.Context) error {
	_, err := devices.Run(ctx, l.h, "input keyevent 223")
	return err
}

// A screen is calibrated with an instrument that reads it over TCP.
func TestAScreenIsCalibratedOverTCP(t *testing.T) {
	clock := simulated.NewScaledClock(time.Now(), 500)
	h := simulated.New(simulated.Options{Serial: "SIM8", Clock: clock})
	t.Cleanup(h.Close)
	in, err := instruments.Serve("127.0.0.1:0", instruments.LightMeter(h, 1.01, 0.005, 3))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(in.Close)
	m, err := meters.NewSCPI(in.Addr(), meters.SCPIOptions{Timeout: 30 * time.Second, Queries: map[meters.Quantity]meters.Query{meters.Luminance: {Ask: "MEAS:LUM?"}}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close() })
	screen, err := luminance.NewHandsetScreen(h, luminance.Whole255, lit{h})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := screen.Prepare(t.Context()); err != nil {
		t.Fatal(err)
	}
	c, err := luminance.Calibrate(t.Context(), screen, luminance.MeterFunc(meters.Of(m, meters.Luminance)), luminance.Options{
		Clock: clock, Settle: 200 * time.Millisecond, WarmUp: time.Minute,
		Instrument: luminance.Instrument{Name: "simulated light meter", AccuracyPct: 2, DigitCdM2: 0.01},
	})
	if err != nil {
		t.Fatal(err)
	}
	if got := h.LuminanceNow(); math.Abs(got-300) > c.U95 {
		t.Errorf("the screen shows %g cd/m², stated 300 ± %g", got, c.U95)
	}
}
