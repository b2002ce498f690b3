package physics

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s = %.6g, want %.6g within %.2g", what, got, want, within)
	}
}

// Half-cell values and cell voltages of Chen et al., J. Electrochem. Soc. 167 (2020)
// 080534, computed from the published formulas.
func TestNMC811Spots(t *testing.T) {
	near(t, "U_neg(0.5)", graphiteSiOxNegative(0.5), 0.133085513, 5e-10)
	near(t, "U_pos(0.5)", nmc811Positive(0.5), 3.971958656, 5e-10)
	want := map[float64]float64{0: 2.5000, 10: 3.2959, 25: 3.5286, 50: 3.7509, 75: 3.9943, 90: 4.0967, 100: 4.2000}
	for pct, v := range want {
		// The stoichiometry is given to four digits, which is worth 3 mV where the curve is steep.
		within := 0.0005
		if pct == 0 {
			within = 0.003
		}
		near(t, "NMC811 open-circuit voltage", FormulaNMC811.Volts(pct/100), v, within)
	}
	near(t, "NMC811 mean", FormulaNMC811.Mean(0, 1), 3.722, 0.0006)
	near(t, "LCO mean", FormulaLCO41.Mean(0, 1), 3.761, 0.006) // table every 5 %, so a little below
}

func TestCurvesRise(t *testing.T) {
	for _, c := range []*Curve{MeasuredLCO42At055A, MeasuredLCO42, FormulaNMC811, FormulaLCO41, Phone435, Phone440, Phone445, Phone435.Blend(Phone445, 0.4)} {
		if c.Source == "" {
			t.Errorf("curve %s names no source", c.Name)
		}
		for i := 1; i <= 2000; i++ {
			if a, b := c.Volts(float64(i-1)/2000), c.Volts(float64(i)/2000); !(b > a) {
				t.Errorf("curve %s: %.5f V at %.2f %%, not above %.5f V before", c.Name, b, float64(i)/20, a)
				break
			}
		}
	}
	if _, err := NewCurve("falls", "", []float64{0, 50, 100}, []float64{3, 4, 3.9}); err == nil {
		t.Error("NewCurve took a falling curve")
	}
	if v := Phone440.Volts(0); math.Abs(v-3.4) > 1e-6 {
		t.Errorf("Phone440 is empty at %.4f V, want 3.4", v)
	}
}

// CALCE CS2 cell 33, cycle 1 at 0.55 A: 1.084924 Ah, so 1.9726 h from full to empty; and at
// constant current every segment of 7 points tells the same.
func TestConstantCurrentReplay(t *testing.T) {
	p := NewPhone(Options{
		SoC: 1, AmbientC: 23,
		Cell:  Cell{OCV: MeasuredLCO42At055A, CapacityMAh: 1084.924, ROhm: 1e-9, CutoffV: 2.6},
		Gauge: GaugeOptions{Rounding: Ceil},
	})
	edge := map[int]float64{}
	last := 101
	for !p.Dead() && p.Up() < 3*time.Hour {
		p.Advance(p.Up()+time.Second, Load{BaseW: 0.55 * MeasuredLCO42At055A.Volts(p.SoC()), Steady: true, NoDrift: true})
		if l := p.Readings().LevelPct; l < last {
			last = l
			edge[l] = p.Up().Hours()
		}
	}
	near(t, "hours to empty at 0.55 A", p.Up().Hours(), 1.9726, 0.002)
	near(t, "energy out, Wh", p.Totals().OutJ/3600, 4.063208, 4.063208*0.003)
	for _, from := range []int{99, 95, 80, 60, 40, 20, 8} {
		got := (edge[from-7] - edge[from]) * 100 / 7
		near(t, "hours from a segment", got, 1.9726, 1.9726*0.001+100.0/7/3600)
	}
}

// The same cycle at constant power: share of energy in segments of 7 points, and how
// far plain extrapolation is off (derived from the full-resolution data of the file).
func TestConstantPowerExtrapolation(t *testing.T) {
	c := Cell{OCV: MeasuredLCO42At055A, CapacityMAh: 1084.924, CutoffV: 2.6}
	full := c.HoursAt(2, 1, 0)
	near(t, "energy, Wh", 2*full, 4.063208, 0.003*4.063208)
	for _, tt := range []struct{ from, want float64 }{
		{100, 1.084}, {95, 1.070}, {90, 1.058}, {80, 1.037}, {70, 1.018}, {60, 1.003}, {50, 0.991},
		{40, 0.982}, {30, 0.974}, {20, 0.963}, {10, 0.937}, {7, 0.895},
	} {
		got := c.HoursAt(2, tt.from/100, tt.from/100-0.07) * 100 / 7 / full
		within := 0.003
		if tt.from <= 10 { // the table's last points are far apart where the curve bends most
			within = 0.008
		}
		near(t, "extrapolated over true", got, tt.want, within)
	}
}

func TestCurrentSolvesPower(t *testing.T) {
	c := Cell{ROhm: 0.13}
	for _, w := range []float64{-10, -1, 0, 0.001, 1, 8, 25} {
		i, ok := c.Current(3.7, w)
		if !ok {
			t.Fatalf("Current(3.7, %g): not ok", w)
		}
		near(t, "power back", i*(3.7-i*c.ROhm), w, 1e-12+1e-12*math.Abs(w))
	}
	if _, ok := c.Current(3.7, 30); ok {
		t.Error("a cell of 0.13 ohm at 3.7 V delivers 30 W; its largest power is 26.3 W")
	}
}

func drain(seed uint64) (*Phone, []Readings) {
	p := NewPhone(Options{
		Seed: seed, SoC: 0.93, AmbientC: 23,
		Power: PowerOptions{Drift: 0.04, WanderSD: 0.02, StartExtra: 0.6},
		Gauge: GaugeOptions{Counter: MediumCounter, BendSDPct: 0.06, LevelRefreshS: 30, CounterRefreshS: 7, CurrentRefreshS: 5, VoltageRefreshS: 5, VoltageNoiseMV: 3, CurrentNoise: 0.02, WholeDegrees: true},
	})
	var rs []Readings
	for range 400 {
		p.Advance(p.Up()+10*time.Second, Load{BaseW: 2.5, Activity: 1, SwingS: 40, Swing: 0.4})
		rs = append(rs, p.Readings())
	}
	return p, rs
}

func TestBalance(t *testing.T) {
	p, rs := drain(3)
	tot, q := p.Totals(), p.Cell().CapacityMAh/1000
	near(t, "charge gone, Ah", (0.93-p.SoC())*q, tot.OutAh, 1e-9)
	near(t, "base energy, J", tot.BaseJ, 2.5*4000, 1e-6)
	if !(tot.DriftJ > tot.BaseJ && tot.DriftJ < 1.04*tot.BaseJ) {
		t.Errorf("energy with drift %.1f J, want between %.1f and 4 %% more", tot.DriftJ, tot.BaseJ)
	}
	// Start-up adds 0.6 x 2.5 W x 45 s; wander averages out.
	near(t, "energy out less the script's, J", tot.OutJ-tot.DriftJ, 0.6*2.5*45, 60)
	last := rs[len(rs)-1]
	near(t, "counter's charge, Ah", float64(*last.CounterRaw)/1e6, p.SoC()*q, 0.00025*q+0.0025)
	if last.TempDeciC%10 != 0 || last.TempDeciC < 250 || last.TempDeciC > 480 {
		t.Errorf("temperature %d tenths, want whole degrees of a warm handset", last.TempDeciC)
	}
	for i := 1; i < len(rs); i++ {
		if rs[i].LevelPct > rs[i-1].LevelPct {
			t.Errorf("level rises from %d to %d while draining", rs[i-1].LevelPct, rs[i].LevelPct)
		}
	}
}

func TestSameSeedSameReadings(t *testing.T) {
	_, a := drain(9)
	_, b := drain(9)
	if diff := cmp.Diff(a, b); diff != "" {
		t.Errorf("two drains of one seed differ (-first +second):\n%s", diff)
	}
	_, c := drain(10)
	if cmp.Equal(a, c) {
		t.Error("two seeds give the same readings")
	}
}

// TruthHours must be what a full run of the phone itself gives.
func TestTruthHoursIsAFullRun(t *testing.T) {
	for _, o := range []Options{
		{Power: PowerOptions{Drift: 0.06, DriftTauS: 1500}},
		{Power: PowerOptions{Drift: -0.05}, Cell: Cell{OCV: FormulaNMC811, CutoffV: 2.7}},
		{Cell: Cell{ROhm: 0.25, CutoffV: 3.5}},
	} {
		o.SoC, o.AmbientC = 1, 23
		l := Load{BaseW: 5, SwingS: 37, Swing: 0.5, Activity: 1, Steady: true}
		p := NewPhone(o)
		want := p.TruthHoursOf(l)
		for !p.Dead() {
			p.Advance(p.Up()+time.Second, l)
		}
		within := 0.001
		if o.Cell.CutoffV == 3.5 { // the run ends in the stronger half of a loop
			within = 0.02
		}
		if got := p.Up().Hours(); math.Abs(got/want-1) > within {
			t.Errorf("%+v: full run %.4f h, TruthHoursOf %.4f h", o.Power, got, want)
		}
	}
	near(t, "hours at 3.9 W without loss", NewPhone(Options{Cell: Cell{ROhm: 1e-12}}).TruthHours(3.9), 4.5*Phone440.Mean(0, 1)/3.9, 1e-3)
}

// Charging: power and current within the limits, monotone, an end. The shares of the two
// phases are those of any lithium-ion charge at a moderate rate: CALCE CS2 cell 33, cycle 1
// at 0.5 C: 88.3 % of the charge in the constant-current phase, in 72.1 % of the time.
func TestCharge(t *testing.T) {
	p := NewPhone(Options{SoC: 0, AmbientC: 23, Cell: Cell{OCV: MeasuredLCO42, CapacityMAh: 1085, ROhm: 0.15},
		Charger: ChargerOptions{MaxW: 0.55 * 3.85, Steps: []ChargeStep{{0, 1}}, CVOhm: 0.28, FullV: 4.2}})
	taperAh, taperS, last := 0.0, 0.0, 0
	for !p.Readings().Full {
		p.Advance(p.Up()+time.Second, Load{BaseW: 0.05, PlugOpen: true})
		r := p.Readings()
		if r.LevelPct < last {
			t.Fatalf("level falls from %d to %d while charging", last, r.LevelPct)
		}
		last = r.LevelPct
		if taperS == 0 && p.SoC() > 0.5 && p.BattW() < 0.95*0.55*3.85 {
			taperAh, taperS = p.Totals().InAh, p.Up().Seconds()
		}
		if p.Up() > 6*time.Hour {
			t.Fatal("no end of charge after 6 h")
		}
	}
	tot := p.Totals()
	near(t, "share of charge before the taper", taperAh/tot.InAh, 0.883, 0.06)
	near(t, "share of time before the taper", taperS/p.Up().Seconds(), 0.721, 0.10)
	near(t, "efficiency", (tot.InJ+0.05*p.Up().Seconds())/tot.PlugJ, 0.88, 0.001)
	if s := p.SoC(); s < 0.97 {
		t.Errorf("ended at a charge of %.3f, want near 1", s)
	}
}

// Chargers of the usual sizes: power within what they may give, warm but not locked out, and an end.
func TestChargersOfAllSizes(t *testing.T) {
	for _, maxW := range []float64{5, 18, 30, 67} {
		p := NewPhone(Options{SoC: 0.02, AmbientC: 23, Charger: ChargerOptions{MaxW: maxW}})
		hottest, strongest := 0.0, 0.0
		for !p.Readings().Full && p.Up() < 8*time.Hour {
			p.Advance(p.Up()+time.Second, Load{BaseW: 0.3, PlugOpen: true})
			hottest, strongest = max(hottest, p.BattTempC()), max(strongest, p.BattW())
		}
		t.Logf("%.0f W: full after %v, at most %.1f °C", maxW, p.Up(), hottest)
		if !p.Readings().Full {
			t.Errorf("%.0f W: not full after 8 h", maxW)
		}
		if hottest > 45.5 || strongest > maxW*1.0001 || strongest < maxW*0.95 {
			t.Errorf("%.0f W: %.1f W into the cell, %.1f °C", maxW, strongest, hottest)
		}
	}
}

// The corner points 0, 10, 45 and 60 °C of the JEITA guideline of 20 April 2007.
func TestChargeTemperatureBands(t *testing.T) {
	for _, tt := range []struct {
		tempC        float64
		least, most  float64
		loweredVolts bool
	}{
		{-1, 0, 0, false}, {5, 0.05, 0.5, false}, {10, 1, 1, false}, {25, 1, 1, false}, {44.9, 0.3, 1, false}, {47, 0.1, 1, true}, {55, 0.1, 1, true}, {61, 0, 0, false},
	} {
		share, lower := tempShare(tt.tempC)
		if share < tt.least || share > tt.most || (lower > 0) != tt.loweredVolts {
			t.Errorf("at %g °C: share %g, lowered by %g V", tt.tempC, share, lower)
		}
	}
}

func TestGaugeFaults(t *testing.T) {
	run := func(g GaugeOptions) []Readings {
		p := NewPhone(Options{SoC: 0.923, AmbientC: 23, Gauge: g, Cell: Cell{CapacityMAh: 4000}})
		var rs []Readings
		for range 1800 {
			p.Advance(p.Up()+time.Second, Load{BaseW: 3, Steady: true})
			rs = append(rs, p.Readings())
		}
		return rs
	}
	count := func(rs []Readings, f func(a, b Readings) bool) (n int) {
		for i := 1; i < len(rs); i++ {
			if f(rs[i-1], rs[i]) {
				n++
			}
		}
		return n
	}
	counterMoves := func(a, b Readings) bool { return *a.CounterRaw != *b.CounterRaw }
	fine := run(GaugeOptions{Counter: FineCounter, CounterRefreshS: 10})
	if n := count(fine, counterMoves); n < 178 || n > 180 {
		t.Errorf("a fine counter refreshed every 10 s moved %d times in 1800 s", n)
	}
	coarse := run(GaugeOptions{Counter: CoarseCounter})
	moved := (*coarse[0].CounterRaw - *coarse[len(coarse)-1].CounterRaw)
	if n := int64(count(coarse, counterMoves)); n == 0 || moved != 40000*n {
		t.Errorf("a coarse counter moved %d times by %d µAh together, want 40000 each", n, moved)
	}
	if n := count(run(GaugeOptions{Counter: FineCounter, CounterUnit: DeadCounter}), counterMoves); n != 0 {
		t.Errorf("a dead counter moved %d times", n)
	}
	mah := run(GaugeOptions{Counter: FineCounter, CounterUnit: MilliAmpHours})
	if c := *mah[0].CounterRaw; c < 3600 || c > 4000 {
		t.Errorf("counter in mAh shows %d", c)
	}
	ma := run(GaugeOptions{CurrentUnitUA: 1000, CurrentPositive: true})
	if c := *ma[5].CurrentRaw; c < 600 || c > 900 {
		t.Errorf("current as positive mA shows %d at 3 W", c)
	}
	if c := *run(GaugeOptions{})[5].CurrentRaw; c > -600000 || c < -900000 {
		t.Errorf("current as negative µA shows %d at 3 W", c)
	}
	floor, ceil := run(GaugeOptions{})[0].LevelPct, run(GaugeOptions{Rounding: Ceil})[0].LevelPct
	if floor != 92 || ceil != 93 {
		t.Errorf("a charge of 92.3 %% shows %d rounded down and %d up", floor, ceil)
	}
	rng := NewPhone(Options{}).rng
	bent := newGauge(GaugeOptions{BendSDPct: 0.15}, rng, rng)
	ss := 0.0
	for i := range 900 {
		b := bent.bend(5 + float64(i)/10)
		ss += b * b
	}
	if sd := math.Sqrt(ss / 900); sd < 0.06 || sd > 0.3 {
		t.Errorf("bend of sd 0.15 has %.3f over 5 to 95 %%", sd)
	}
}

func TestFreezeAndReboot(t *testing.T) {
	p := NewPhone(Options{SoC: 0.8, AmbientC: 23})
	p.Freeze(true)
	before := p.Readings()
	p.Advance(time.Hour, Load{BaseW: 3})
	if diff := cmp.Diff(before.LevelPct, p.Readings().LevelPct); diff != "" {
		t.Errorf("a frozen gauge moved:\n%s", diff)
	}
	p.Freeze(false)
	p.Reboot()
	if p.Up() != 0 {
		t.Errorf("uptime %v after a reboot", p.Up())
	}
	p.Advance(time.Minute, Load{BaseW: 3})
	if l := p.Readings().LevelPct; l >= before.LevelPct || p.SoC() > 0.75 {
		t.Errorf("level %d, charge %.3f after an hour at 3 W", l, p.SoC())
	}
}

func BenchmarkAdvance(b *testing.B) {
	p := NewPhone(Options{SoC: 1, AmbientC: 23, Power: PowerOptions{Drift: 0.03, WanderSD: 0.02, StartExtra: 0.5},
		Gauge: GaugeOptions{Counter: FineCounter, BendSDPct: 0.03, LevelRefreshS: 20, CounterRefreshS: 2, CurrentRefreshS: 2, VoltageRefreshS: 2, CurrentNoise: 0.01, VoltageNoiseMV: 2}})
	l := Load{BaseW: 0.1, Activity: 1, SwingS: 40, Swing: 0.3}
	for b.Loop() {
		p.Advance(p.Up()+time.Second, l)
	}
}
