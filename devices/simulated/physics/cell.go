package physics

import (
	"fmt"
	"math"
)

// A Curve is a cell's open-circuit voltage against its charge, strictly rising.
// The zero value is not usable; take one of the published curves, or [NewCurve].
type Curve struct {
	Name   string // for a person
	Source string // where the numbers are from
	grid   []float64
}

// gridSteps is how finely a curve is tabulated: 0.1 % of charge, so that a look-up is
// an index and not a search.
const gridSteps = 1000

// NewCurve makes a curve through points of charge (per cent, from 0 to 100) and voltage
// (V), both strictly rising, straight between them.
func NewCurve(name, source string, chargePct, volts []float64) (*Curve, error) {
	n := len(chargePct)
	if n < 2 || n != len(volts) {
		return nil, fmt.Errorf("voltage curve %s: want as many voltages as charges and at least 2, got %d and %d", name, len(volts), n)
	}
	if chargePct[0] != 0 || chargePct[n-1] != 100 {
		return nil, fmt.Errorf("voltage curve %s: want charge from 0 to 100 %%, got %g to %g", name, chargePct[0], chargePct[n-1])
	}
	for i := 1; i < n; i++ {
		if !(chargePct[i] > chargePct[i-1]) || !(volts[i] > volts[i-1]) {
			return nil, fmt.Errorf("voltage curve %s: point %d (%g %%, %g V) does not rise above the one before", name, i+1, chargePct[i], volts[i])
		}
	}
	c := &Curve{Name: name, Source: source, grid: make([]float64, gridSteps+1)}
	j := 1
	for i := range c.grid {
		s := 100 * float64(i) / gridSteps
		for j < n-1 && s > chargePct[j] {
			j++
		}
		f := (s - chargePct[j-1]) / (chargePct[j] - chargePct[j-1])
		c.grid[i] = volts[j-1] + f*(volts[j]-volts[j-1])
	}
	return c, nil
}

func mustCurve(name, source string, chargePct, volts []float64) *Curve {
	c, err := NewCurve(name, source, chargePct, volts)
	if err != nil {
		panic(err)
	}
	return c
}

// Volts is the open-circuit voltage (V) at a charge of soc, 0 to 1; beyond the ends it
// is that of the end.
func (c *Curve) Volts(soc float64) float64 {
	x := soc * gridSteps
	if !(x > 0) {
		return c.grid[0]
	}
	i := int(x)
	if i >= gridSteps {
		return c.grid[gridSteps]
	}
	return c.grid[i] + (x-float64(i))*(c.grid[i+1]-c.grid[i])
}

// Mean is the mean open-circuit voltage (V) over the charge from a to b, 0 to 1.
func (c *Curve) Mean(a, b float64) float64 {
	const n = 4000
	sum := 0.0
	for i := range n {
		sum += c.Volts(a + (b-a)*(float64(i)+0.5)/n)
	}
	return sum / n
}

// Blend is the curve u of the way from c to d; u may lie outside 0 to 1.
func (c *Curve) Blend(d *Curve, u float64) *Curve {
	out := &Curve{Name: fmt.Sprintf("%.2f %s + %.2f %s", 1-u, c.Name, u, d.Name), Source: c.Source + "; " + d.Source, grid: make([]float64, gridSteps+1)}
	for i := range out.grid {
		out.grid[i] = (1-u)*c.grid[i] + u*d.grid[i]
	}
	return out
}

// Lifted is the curve raised by rise volts everywhere: a cell of the same chemistry
// charged a little further, as makers have done from year to year.
func (c *Curve) Lifted(rise float64) *Curve {
	out := &Curve{Name: fmt.Sprintf("%s %+.0f mV", c.Name, 1000*rise), Source: c.Source + ", lifted (invented)", grid: make([]float64, gridSteps+1)}
	for i, v := range c.grid {
		out.grid[i] = v + rise
	}
	return out
}

// EmptyAt is the curve of the same cell in a handset that switches off at an
// open-circuit voltage of volts: 0 % is moved there, and charge is counted anew.
func (c *Curve) EmptyAt(volts float64) *Curve {
	lo, hi := 0.0, 1.0
	for range 60 {
		if mid := (lo + hi) / 2; c.Volts(mid) < volts {
			lo = mid
		} else {
			hi = mid
		}
	}
	out := &Curve{Name: c.Name, Source: fmt.Sprintf("%s, empty at %.2f V", c.Source, volts), grid: make([]float64, gridSteps+1)}
	for i := range out.grid {
		out.grid[i] = c.Volts(hi + (1-hi)*float64(i)/gridSteps)
	}
	return out
}

func every5() []float64 {
	s := make([]float64, 21)
	for i := range s {
		s[i] = 5 * float64(i)
	}
	return s
}

// MeasuredLCO42At055A is a measured discharge of a 1.1 Ah prismatic LiCoO2 phone-type
// cell at 0.55 A, charged to 4.2 V: voltage under that current, not open circuit.
var MeasuredLCO42At055A = mustCurve("measured LiCoO2 4.2 V, under 0.55 A",
	"University of Maryland CALCE battery data, set CS2, cell 33, cycle 1 (file of 4 October 2010), https://web.calce.umd.edu/batteries/data",
	append([]float64{0, 1.5}, every5()[1:]...), measuredLCO)

// The point at 1.5 % is not in the published 5 % table: it is placed so that the last 5 % holds
// the energy that was measured there, 0.1782 Wh.
var measuredLCO = []float64{2.6995, 3.3174, 3.4895, 3.5666, 3.5967, 3.6252, 3.6449, 3.6596, 3.6731, 3.6881, 3.7054, 3.7253,
	3.7476, 3.7738, 3.8041, 3.8370, 3.8722, 3.9103, 3.9512, 3.9943, 4.0399, 4.1051}

// MeasuredLCO42 is the same cell without its current: lifted by 0.55 A times the step of
// 0.095 V that opening the circuit made at 4.2 V on charge (0.55 A to a 2 min rest: 4.2001
// to 4.1184 V, same cycle), so an estimate of the open-circuit voltage.
var MeasuredLCO42 = MeasuredLCO42At055A.Lifted(4.2001 - 4.1184)

// FormulaNMC811 is a 5 Ah NMC811 / graphite-SiOx cell, 2.5 to 4.2 V, by formula.
var FormulaNMC811 = func() *Curve {
	// Stoichiometry at 0 and 100 %, solved so that the cell shows 2.5 V and 4.2 V.
	const x0, x1, y0, y1 = 0.0263, 0.9106, 0.8540, 0.2638
	c := &Curve{Name: "NMC811 4.2 V", Source: "Chen et al., J. Electrochem. Soc. 167 (2020) 080534", grid: make([]float64, gridSteps+1)}
	for i := range c.grid {
		s := float64(i) / gridSteps
		c.grid[i] = nmc811Positive(y0+(y1-y0)*s) - graphiteSiOxNegative(x0+(x1-x0)*s)
	}
	return c
}()

// graphiteSiOxNegative and nmc811Positive are the half-cell potentials (V) of Chen et
// al. (2020) against stoichiometry.
func graphiteSiOxNegative(x float64) float64 {
	return 1.9793*math.Exp(-39.3631*x) + 0.2482 - 0.0909*math.Tanh(29.8538*(x-0.1234)) -
		0.04478*math.Tanh(14.9159*(x-0.2769)) - 0.0205*math.Tanh(30.4444*(x-0.6103))
}

func nmc811Positive(y float64) float64 {
	return -0.8090*y + 4.4875 - 0.0428*math.Tanh(18.5138*(y-0.5542)) -
		17.7326*math.Tanh(15.7890*(y-0.3117)) + 17.5842*math.Tanh(15.9308*(y-0.3120))
}

// FormulaLCO41 is a LiCoO2 / graphite cell in the window 3.105 to 4.1 V, flat from 10 to
// 35 %: hard on gauges that infer charge from voltage.
var FormulaLCO41 = mustCurve("LiCoO2 4.1 V",
	"Marquis et al. (2019) parameter set with the Dualfoil fits, tabulated every 5 %",
	every5(), []float64{3.1050, 3.6176, 3.6818, 3.6908, 3.6921, 3.6938, 3.6971, 3.7022, 3.7153, 3.7345, 3.7450,
		3.7537, 3.7648, 3.7794, 3.7985, 3.8221, 3.8490, 3.8756, 3.9040, 4.0084, 4.1000})

// deviceTreeCharge are the charges at which the phone-cell tables below are given.
var deviceTreeCharge = []float64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 13, 16, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75, 80, 85, 90, 95, 100}

// Phone435 is the cell of a phone of the 4.35 V class, empty at 3.4 V.
var Phone435 = mustCurve("phone cell 4.35 V",
	"open-circuit table of a 2300 mAh phone cell in the Linux device trees (simple-battery node, 25 °C)",
	deviceTreeCharge, []float64{3.000, 3.326, 3.458, 3.542, 3.602, 3.643, 3.660, 3.665, 3.669, 3.672, 3.674, 3.676, 3.684, 3.712,
		3.740, 3.760, 3.769, 3.776, 3.789, 3.808, 3.831, 3.866, 3.916, 3.956, 3.994, 4.046, 4.094, 4.148, 4.206, 4.266, 4.342}).EmptyAt(3.4)

// Phone440 is the cell of a phone of the 4.40 V class, empty at 3.4 V.
var Phone440 = mustCurve("phone cell 4.40 V",
	"open-circuit table of a 3000 mAh phone cell in the Linux device trees (simple-battery node, 25 °C)",
	deviceTreeCharge, []float64{3.000, 3.340, 3.462, 3.542, 3.600, 3.643, 3.668, 3.676, 3.680, 3.682, 3.684, 3.686, 3.693, 3.712,
		3.734, 3.753, 3.770, 3.786, 3.804, 3.826, 3.850, 3.884, 3.930, 3.984, 4.030, 4.081, 4.134, 4.190, 4.247, 4.306, 4.372}).EmptyAt(3.4)

// Phone445 is a cell of the 4.45 V class: no public table was found, so it is the 4.40 V
// one stretched above 3.4 V to 4.42 V at rest. Invented.
var Phone445 = func() *Curve {
	c := &Curve{Name: "phone cell 4.45 V", Source: Phone440.Source + ", stretched to 4.42 V (invented)", grid: make([]float64, gridSteps+1)}
	k := (4.42 - 3.4) / (4.372 - 3.4)
	for i, v := range Phone440.grid {
		c.grid[i] = 3.4 + k*(v-3.4)
	}
	return c
}()

// A Cell is one lithium-ion cell.
type Cell struct {
	OCV *Curve
	// CapacityMAh is what the cell holds now between 0 and 100 %, ageing included.
	CapacityMAh float64
	// ROhm is its series resistance.
	ROhm float64
	// CutoffV is the terminal voltage at which the handset switches itself off.
	CutoffV float64
}

// Current is the discharge current (A) that delivers watts at the terminals from
// an open-circuit voltage ocv, solved from P = I (OCV - I R). ok is false where
// the cell cannot deliver that much: the current is then that of its largest power.
// A negative power charges, and gives a negative current.
func (c Cell) Current(ocv, watts float64) (amps float64, ok bool) {
	if c.ROhm == 0 {
		return watts / ocv, true
	}
	d := ocv*ocv - 4*c.ROhm*watts
	if d < 0 {
		return ocv / (2 * c.ROhm), false
	}
	// The form that does not cancel when R P is small.
	return 2 * watts / (ocv + math.Sqrt(d)), true
}

// HoursAt is how long the cell lasts from the charge from down to the charge to (0 to
// 1) at constant power, or until its terminals fall to the cut-off voltage.
func (c Cell) HoursAt(watts, from, to float64) float64 {
	return c.hours(func(ocv, _ float64) (float64, float64, bool) {
		a, ok := c.Current(ocv, watts)
		return a, a, ok
	}, from, to)
}

// hours integrates time over charge, so that its error does not grow with the load:
// dt = Q ds / I, where current says what flows (A) at an open-circuit voltage after so many
// hours, on average and at most, and whether the cell can deliver it.
func (c Cell) hours(current func(ocv, hours float64) (amps, peak float64, ok bool), from, to float64) float64 {
	const n = 4000
	h, ds := 0.0, (from-to)/n
	q := c.CapacityMAh / 1000
	for i := range n {
		ocv := c.OCV.Volts(from - (float64(i)+0.5)*ds)
		amps, _, _ := current(ocv, h)
		if amps <= 0 {
			return math.Inf(1)
		}
		// Half a step ahead in time, at the pace of the step's own start.
		amps, peak, ok := current(ocv, h+q*ds/amps/2)
		if !ok || ocv-peak*c.ROhm <= c.CutoffV {
			return h
		}
		h += q * ds / amps
	}
	return h
}
