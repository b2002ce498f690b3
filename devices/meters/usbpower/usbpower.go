// Package usbpower knows the levels at which power comes over USB: it reads the objects
// in which charger and handset negotiate (USB Power Delivery), gives the ceiling of what
// may flow, checks a charger and its cable against the tables, and finds logged power
// that cannot be.
//
// Plain values in, plain values out. Voltages are in mV, currents in mA, powers in mW
// where they are whole numbers of the protocol, and in V, A and W where they are measured.
package usbpower

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// A Kind is how a supply in a power data object gives its power.
type Kind int

// The kinds.
const (
	Fixed    Kind = iota // one voltage
	Battery              // voltage in a range, power limited
	Variable             // voltage in a range, current limited
	PPS                  // voltage set in steps of 20 mV, current limited
	AVS                  // voltage set in steps of 100 mV, extended range, power limited
	SPRAVS               // voltage set in steps of 100 mV from 9 to 20 V, current limited
)

func (k Kind) String() string {
	if k < Fixed || k > SPRAVS {
		return "unknown"
	}
	return [...]string{"fixed", "battery", "variable", "PPS", "AVS", "SPR AVS"}[k]
}

// A PDO is one power data object: one supply that a charger offers. Of a fixed supply
// MinMV and MaxMV are equal. What a kind does not state is 0.
type PDO struct {
	Kind         Kind
	MinMV, MaxMV int
	MaxMA        int // of SPR AVS: up to 15 V
	MaxMA20      int // of SPR AVS: from 15 to 20 V
	MaxMW        int // of Battery and AVS
}

// DecodePDO reads a source's power data object. The bits are those of Linux's
// include/linux/usb/pd.h; AVS as its patch of 2025 has them (tables 6.14 and 6.15 of USB
// PD R3.2). A supply of no voltage is an error, and so is the reserved kind.
func DecodePDO(raw uint32) (PDO, error) {
	bits := func(high, low int) int { return int(raw>>low) & (1<<(high-low+1) - 1) }
	p := PDO{}
	switch kind := bits(31, 30); {
	case kind == 0:
		p = PDO{Kind: Fixed, MinMV: 50 * bits(19, 10), MaxMV: 50 * bits(19, 10), MaxMA: 10 * bits(9, 0)}
	case kind == 1:
		p = PDO{Kind: Battery, MaxMV: 50 * bits(29, 20), MinMV: 50 * bits(19, 10), MaxMW: 250 * bits(9, 0)}
	case kind == 2:
		p = PDO{Kind: Variable, MaxMV: 50 * bits(29, 20), MinMV: 50 * bits(19, 10), MaxMA: 10 * bits(9, 0)}
	case bits(29, 28) == 0:
		p = PDO{Kind: PPS, MaxMV: 100 * bits(24, 17), MinMV: 100 * bits(15, 8), MaxMA: 50 * bits(6, 0)}
	case bits(29, 28) == 1:
		p = PDO{Kind: AVS, MaxMV: 100 * bits(25, 17), MinMV: 100 * bits(15, 8), MaxMW: 1000 * bits(7, 0)}
	case bits(29, 28) == 2:
		p = PDO{Kind: SPRAVS, MinMV: 9000, MaxMV: 15000, MaxMA: 10 * bits(19, 10), MaxMA20: 10 * bits(9, 0)}
		if p.MaxMA20 > 0 {
			p.MaxMV = 20000
		}
	default:
		return PDO{}, fmt.Errorf("power data object %#08x: its kind is reserved", raw)
	}
	if p.MaxMV == 0 || p.MinMV > p.MaxMV {
		return PDO{}, fmt.Errorf("power data object %#08x: %d to %d mV is no range of voltage", raw, p.MinMV, p.MaxMV)
	}
	return p, nil
}

// Watts is the most that the supply gives.
func (p PDO) Watts() float64 {
	switch p.Kind {
	case Battery, AVS:
		return float64(p.MaxMW) / 1000
	case SPRAVS:
		return max(math.Min(float64(p.MaxMV), 15000)*float64(p.MaxMA), float64(p.MaxMV)*float64(p.MaxMA20)) / 1e6
	}
	return float64(p.MaxMV) * float64(p.MaxMA) / 1e6
}

func (p PDO) String() string {
	volts := fmt.Sprintf("%g V", float64(p.MaxMV)/1000)
	if p.MinMV != p.MaxMV {
		volts = fmt.Sprintf("%g to %g V", float64(p.MinMV)/1000, float64(p.MaxMV)/1000)
	}
	switch p.Kind {
	case Battery, AVS:
		return fmt.Sprintf("%v %s, %g W", p.Kind, volts, float64(p.MaxMW)/1000)
	case SPRAVS:
		return fmt.Sprintf("%v %s, %g A to 15 V and %g A above", p.Kind, volts, float64(p.MaxMA)/1000, float64(p.MaxMA20)/1000)
	}
	return fmt.Sprintf("%v %s, %g A", p.Kind, volts, float64(p.MaxMA)/1000)
}

// A Request is what a handset asked for: one of the charger's supplies.
type Request struct {
	Object   int // which of the charger's objects, from 1
	OutMV    int // voltage asked for; that of the supply where it is fixed
	OpMA     int // current that it works with
	MaxMA    int // current that it may take at most (fixed and variable supplies)
	OpMW     int // power that it works with (battery supplies)
	Mismatch bool
}

// DecodeRequest reads a request data object beside the objects that the charger offered,
// as its bits mean other things for each kind of supply.
func DecodeRequest(raw uint32, offered []PDO) (Request, error) {
	bits := func(high, low int) int { return int(raw>>low) & (1<<(high-low+1) - 1) }
	// Extended range counts objects up to 13 with the bit that was reserved before.
	r := Request{Object: bits(31, 28), Mismatch: bits(26, 26) == 1}
	if r.Object < 1 || r.Object > len(offered) {
		return Request{}, fmt.Errorf("request %#08x: asks for object %d of %d", raw, r.Object, len(offered))
	}
	switch p := offered[r.Object-1]; p.Kind {
	case Fixed, Variable:
		r.OutMV, r.OpMA, r.MaxMA = p.MaxMV, 10*bits(19, 10), 10*bits(9, 0)
	case Battery:
		r.OutMV, r.OpMW = p.MaxMV, 250*bits(19, 10)
	case PPS:
		r.OutMV, r.OpMA = 20*bits(19, 9), 50*bits(6, 0)
	case AVS, SPRAVS:
		r.OutMV, r.OpMA = 25*bits(19, 9), 50*bits(6, 0)
	}
	return r, nil
}

// Ceiling is the most that may flow under a request to a supply, by its voltage and the
// current of the supply: V x I of what was negotiated.
func (r Request) Ceiling(offered []PDO) (Ceiling, error) {
	if r.Object < 1 || r.Object > len(offered) {
		return Ceiling{}, fmt.Errorf("request for object %d of %d", r.Object, len(offered))
	}
	p := offered[r.Object-1]
	c := Ceiling{Name: fmt.Sprintf("%v at %g V", p.Kind, float64(r.OutMV)/1000), Volts: float64(r.OutMV) / 1000}
	ma := p.MaxMA
	switch {
	case p.Kind == SPRAVS && r.OutMV > 15000:
		ma = p.MaxMA20
	case p.Kind == Battery || p.Kind == AVS:
		c.Watts = float64(p.MaxMW) / 1000
		c.Amps = c.Watts / c.Volts
		return c, nil
	}
	c.Amps = float64(ma) / 1000
	c.Watts = c.Volts * c.Amps
	return c, nil
}

// A Ceiling is a level of USB power: no more than Watts flows at it.
type Ceiling struct {
	Name  string
	Volts float64
	Amps  float64
	Watts float64
}

// Ceilings are the levels of the tables, rising. Up to 7.5 W: TI TPS254900A-Q1 data
// sheet, table 8-4 (SDP, CDP, DCP of USB BC1.2); 1.5 A and 3 A at 5 V: USB Type-C, as in
// Linux Documentation/ABI/testing/sysfs-class-usb_power_delivery; 9 to 20 V: the power
// rule of USB PD; 28 to 48 V: extended range of USB PD R3.1 (recalled; products of V and A).
var Ceilings = []Ceiling{
	{"USB 2.0 port", 5, 0.5, 2.5},
	{"USB 3.0 port", 5, 0.9, 4.5},
	{"1.5 A charging port", 5, 1.5, 7.5},
	{"3 A Type-C", 5, 3, 15},
	{"PD 9 V", 9, 3, 27},
	{"PD 15 V", 15, 3, 45},
	{"PD 20 V, 3 A cable", 20, 3, 60},
	{"PD 20 V, 5 A cable", 20, 5, 100},
	{"PD 28 V, 5 A extended-range cable", 28, 5, 140},
	{"PD 36 V, 5 A extended-range cable", 36, 5, 180},
	{"PD 48 V, 5 A extended-range cable", 48, 5, 240},
}

// Offers are the fixed supplies that a charger of a rated power has to have by the power
// rule of USB PD in the standard range: 5, 9, 15, 20 V, each level in full before the
// next, 3 A at most but for 20 V above 60 W. watts from 0.5 to 100; beyond, an error.
func Offers(watts float64) ([]PDO, error) {
	if math.IsNaN(watts) || watts < 0.5 || watts > 100 {
		return nil, fmt.Errorf("USB PD charger of %g W: want 0.5 to 100 W in the standard range", watts)
	}
	var offers []PDO
	for _, level := range []struct {
		mv   int
		from float64 // W, above which the level exists
	}{{5000, 0}, {9000, 15}, {15000, 27}, {20000, 45}} {
		if watts <= level.from && level.mv > 5000 {
			break
		}
		// In whole units of 10 mA, not above the rating.
		ma := 10 * int(math.Floor(watts*1e6/float64(level.mv)/10+1e-9))
		if most := 3000; level.mv < 20000 || watts <= 60 {
			ma = min(ma, most)
		}
		offers = append(offers, PDO{Kind: Fixed, MinMV: level.mv, MaxMV: level.mv, MaxMA: min(ma, 5000)})
	}
	return offers, nil
}

// A Charger is what a lab writes down of one: what it is, and its levels as they stand on it.
type Charger struct {
	Text   string // make, model, serial number
	Watts  float64
	Levels []Level
}

// A Level is one line of a charger's label.
type Level struct {
	Volts, Amps float64
}

// A Cable is what a lab writes down of one.
type Cable struct {
	Text     string
	Amps     float64 // 3 for one without a marker, 5 for one with
	Extended bool    // made for more than 20 V
}

// ErrNoLevels means that a charger has no level at all to check.
var ErrNoLevels = errors.New("the charger's levels are not stated")

// Check holds a charger and a cable against the tables. What it returns is the highest
// ceiling that the two together have, and what a person should know of them.
func Check(charger Charger, cable Cable) (Ceiling, []string, error) {
	if len(charger.Levels) == 0 {
		return Ceiling{}, nil, fmt.Errorf("charger %s: %w", charger.Text, ErrNoLevels)
	}
	var notes []string
	note := func(format string, args ...any) { notes = append(notes, fmt.Sprintf(format, args...)) }
	amps := cable.Amps
	switch {
	case amps == 0:
		amps = 3
		note("the cable's current is not stated; 3 A is taken, as for one without a marker")
	case amps != 3 && amps != 5:
		note("a cable of %g A is in no table: USB Type-C has 3 A and, with a marker, 5 A", cable.Amps)
	}
	best := Ceiling{}
	fixed := []float64{5, 9, 15, 20, 28, 36, 48}
	has5 := false
	for _, l := range charger.Levels {
		if !(l.Volts > 0 && l.Volts <= 60 && l.Amps > 0 && l.Amps <= 20) {
			return Ceiling{}, notes, fmt.Errorf("charger %s: level of %g V, %g A: want up to 60 V and 20 A", charger.Text, l.Volts, l.Amps)
		}
		has5 = has5 || l.Volts == 5
		w := l.Volts * l.Amps
		switch {
		case !slices.Contains(fixed, l.Volts):
			note("%g V, %g A (%.4g W) is no level of USB PD's fixed supplies; power at it comes by another protocol, and no table has its ceiling", l.Volts, l.Amps, w)
		case l.Amps > 5:
			note("%g V, %g A is more than the 5 A that any USB Type-C cable carries", l.Volts, l.Amps)
		case l.Volts < 20 && l.Amps > 3:
			note("%g V, %g A is more than the 3 A of the power rule below 20 V", l.Volts, l.Amps)
		}
		here := Ceiling{Name: fmt.Sprintf("%g V, %g A", l.Volts, l.Amps), Volts: l.Volts, Amps: l.Amps}
		if here.Amps > amps {
			note("the cable (%g A) holds the level of %g V, %g A to %g A", amps, l.Volts, l.Amps, amps)
			here.Amps = amps
			here.Name += fmt.Sprintf(" through a cable of %g A", amps)
		}
		if l.Volts > 20 && !cable.Extended {
			note("the level of %g V needs an extended-range cable and is not reached", l.Volts)
			continue
		}
		here.Watts = here.Volts * here.Amps
		if here.Watts > best.Watts {
			best = here
		}
		if charger.Watts > 0 && w > charger.Watts*1.02 {
			note("%g V, %g A is %.4g W, more than the charger's %g W", l.Volts, l.Amps, w, charger.Watts)
		}
	}
	if !has5 {
		note("no level of 5 V is stated, which every USB charger has")
	}
	if charger.Watts >= 0.5 && charger.Watts <= 100 {
		offers, err := Offers(charger.Watts)
		if err != nil {
			return best, notes, err
		}
		var lacks []string
		for _, o := range offers {
			if !slices.ContainsFunc(charger.Levels, func(l Level) bool {
				return l.Volts*1000 == float64(o.MaxMV) && l.Amps*1000 >= float64(o.MaxMA)-10
			}) {
				lacks = append(lacks, o.String())
			}
		}
		if len(lacks) > 0 {
			note("by the power rule a USB PD charger of %g W also has: %s", charger.Watts, strings.Join(lacks, "; "))
		}
	}
	return best, notes, nil
}

// A Point is measured power at an instant of a log.
type Point struct {
	At    time.Time
	Watts float64
}

// A MeterError is how far a meter may be off: Pct of the reading plus Watts.
type MeterError struct {
	Pct   float64
	Watts float64
}

// SourceTolerancePct is how far a source's voltage may lie above its level while all is
// well: 5 % for the fixed supplies of USB PD (recalled from the specification).
const SourceTolerancePct = 5

// An Excess is a stretch of a log with more power than there can be.
type Excess struct {
	From, To time.Time
	Watts    float64 // the most in it
	Points   int
	Allowed  float64 // W
}

func (e Excess) String() string {
	return fmt.Sprintf("%.4g W from %s to %s, where at most %.4g W can flow (ceiling, source's tolerance and meter's error): a fault of the data, not a fast charger", e.Watts, e.From.Format(time.RFC3339), e.To.Format(time.RFC3339), e.Allowed)
}

// Exceeds finds where a log shows more power than a ceiling, the source's tolerance and
// the meter's error allow. The log is in the order of time; what is no number is left out.
func Exceeds(log []Point, c Ceiling, m MeterError) []Excess {
	allowed := c.Watts*(1+SourceTolerancePct/100.)*(1+m.Pct/100) + m.Watts
	var all []Excess
	open := false
	for _, p := range log {
		if math.IsNaN(p.Watts) {
			continue
		}
		if p.Watts <= allowed {
			open = false
			continue
		}
		if !open {
			all = append(all, Excess{From: p.At, Allowed: allowed})
			open = true
		}
		e := &all[len(all)-1]
		e.To, e.Watts, e.Points = p.At, max(e.Watts, p.Watts), e.Points+1
	}
	return all
}
