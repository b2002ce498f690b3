package physics

// ChargerOptions describe the charger and the charging circuit together.
type ChargerOptions struct {
	// MaxW is the largest power into the cell, at its terminals; 0 means 18.
	MaxW float64
	// FullV is the voltage held at the end; 0 means the one at which charging ends just
	// short of 100 %.
	FullV float64
	// CVOhm is the polarisation resistance that makes current taper at constant
	// voltage; 0 means 0.25 of the cell's volt per C of current.
	CVOhm float64
	// TerminateC is the current at which charging ends, as a fraction of capacity per hour; 0 means 0.05.
	TerminateC float64
	// Efficiency is power into the handset's cell and load over power at the plug; 0 means 0.88.
	Efficiency float64
	// Steps lower the power as charge rises; nil means full power to 55 %, 0.75 of it to
	// 80 %, 0.55 after. Invented, as steps differ from maker to maker.
	Steps []ChargeStep
	// RampS is the time constant with which the power comes up; 0 means 5.
	RampS float64
	// Ripple is the relative sd of the plug's power from one reading to the next.
	Ripple float64
}

// A ChargeStep limits charging power from a charge of FromSoC (0 to 1) on to Share of the largest.
type ChargeStep struct{ FromSoC, Share float64 }

func (o ChargerOptions) filled(c Cell) ChargerOptions {
	def := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	def(&o.MaxW, 18)
	def(&o.CVOhm, 0.25/(c.CapacityMAh/1000))
	def(&o.TerminateC, 0.05)
	def(&o.FullV, c.OCV.Volts(1)+0.8*o.TerminateC*c.CapacityMAh/1000*o.CVOhm)
	def(&o.Efficiency, 0.88)
	def(&o.RampS, 5)
	if o.Steps == nil {
		o.Steps = []ChargeStep{{0, 1}, {0.55, 0.75}, {0.80, 0.55}}
	}
	return o
}

// tempShare is how much of the charging current the cell's temperature allows, and by
// how much the held voltage is lowered (V). The bands are the JEITA guideline's (20 April
// 2007) with the defaults of a charger circuit's data sheet (BQ25611D, ZHCSKO3B, 2020):
// none below 0 and above 60 °C, 20 % from 0 to 10 °C, 4.1 V a cell from 45 to 60 °C. The
// slide from 40 to 45 °C is common practice, no source.
func tempShare(tempC float64) (share, lowerV float64) {
	switch {
	case tempC < 0 || tempC > 60:
		return 0, 0
	case tempC < 10:
		return 0.2, 0
	case tempC < 40:
		return 1, 0
	case tempC < 45:
		return 1 - 0.1*(tempC-40), 0
	default:
		return 0.5, 0.1
	}
}

// chargingHeat is the share of the power into the cell that warms the handset: the cell's own loss
// and the circuit's. Common practice, no source.
const chargingHeat = 0.08

// amps is the current (A) that flows into the cell c at an open-circuit voltage ocv. ramp is how
// far the charger has come up, 0 to 1.
func (o ChargerOptions) amps(c Cell, ocv, soc, tempC, ramp float64) float64 {
	share, lower := tempShare(tempC)
	step := 1.0
	for _, s := range o.Steps {
		if soc >= s.FromSoC {
			step = s.Share
		}
	}
	out, _ := c.Current(ocv, -o.MaxW*share*step*ramp)
	cc := -out
	cv := (o.FullV - lower - ocv) / o.CVOhm
	return max(0, min(cc, cv))
}
