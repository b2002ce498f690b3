package instruments

import "rundown/devices/simulated"

// PowerMeter is an instrument on a simulated handset's charging line, at the plug: power,
// voltage and current, with the room's temperature from a probe beside it. volts is what
// the charger supplies; the charger's own regulation is left out.
//
// Its errors are those of a good bench meter: 0.1 % of gain, 0.05 % and 1 mW of noise.
func PowerMeter(h *simulated.Handset, volts, roomC float64) Options {
	return Options{
		Ident: "Simulated,Power Meter," + h.Serial() + ",1",
		Channels: []Channel{
			{Query: PowerQuery, Truth: h.PlugWatts, Gain: 1.001, Noise: 0.0005, NoiseAbs: 0.001, Digit: 0.0001, Range: 300},
			{Query: VoltageQuery, Truth: func() float64 { return volts }, Noise: 0.0002, Digit: 0.0001, Range: 60},
			{Query: CurrentQuery, Truth: func() float64 { return h.PlugWatts() / volts }, Gain: 1.001, Noise: 0.0005, NoiseAbs: 0.0002, Digit: 0.0001, Range: 6},
			{Query: TemperatureQuery, Truth: func() float64 { return roomC }, NoiseAbs: 0.05, Digit: 0.01},
		},
	}
}

// LightMeter is an instrument before a simulated handset's screen, on a white page. gain
// is its calibration's error as a factor (1 for none), noise the relative sd of a reading.
func LightMeter(h *simulated.Handset, gain, noise float64, seed uint64) Options {
	return Options{
		Ident:    "Simulated,Light Meter," + h.Serial() + ",1",
		Seed:     seed,
		Channels: []Channel{{Query: LuminanceQuery, Truth: h.LuminanceNow, Gain: gain, Noise: noise, Digit: 0.01, Range: 100_000}},
	}
}
