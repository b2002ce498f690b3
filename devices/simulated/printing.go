package simulated

import (
	"math"
	"strconv"
)

// Printing is how a build departs from Android's units in what it prints of its battery. The
// zero value prints mV and tenths of a degree. Unit of current and of charge counter are
// the gauge's (physics.GaugeOptions).
type Printing struct {
	VoltageUV float64 // what one is worth, µV: 1e6 prints whole volts, 1 µV; 0 stands for 1000
	TempMC    float64 // what one is worth, thousandths of a degree: 1000 prints whole degrees; 0 stands for 100
	// Voltage is a number at which the voltage stands still: a placeholder, or a supply where
	// the cell would be; 0: none.
	Voltage       int
	NoTemperature bool // the line is missing
	MilliOffer    bool // Max charging current and voltage in mA and mV
	// NoSensors leaves battery and skin out of what the thermal service prints, and
	// CachedOnly leaves the battery in what it last heard of alone.
	NoSensors, CachedOnly bool
}

func (p Printing) voltage(mv int) string {
	if p.Voltage != 0 {
		return strconv.Itoa(p.Voltage)
	}
	if p.VoltageUV == 0 {
		return strconv.Itoa(mv)
	}
	return strconv.Itoa(int(1000 * float64(mv) / p.VoltageUV)) // as integers are divided
}

func (p Printing) temperature(deciC int) string {
	if p.TempMC == 0 {
		return strconv.Itoa(deciC)
	}
	return strconv.Itoa(int(math.Round(100 * float64(deciC) / p.TempMC)))
}

// Print makes the handset print in other units from now on, as after its framework was
// started anew with another configuration.
func (h *Handset) Print(p Printing) { h.fault(func() { h.faults.prints = p }) }
