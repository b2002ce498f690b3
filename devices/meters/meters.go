// Package meters reads the instruments around the handsets: power, voltage and current on
// the charging line, temperature in the room, luminance before a screen.
//
// Three kinds of instrument are read: those that speak SCPI over TCP ([SCPI]), those that
// print lines of numbers on a serial line or as a program does ([Lines]), and a program
// that is run for each reading ([Command]). Each connects by itself, again after a fault,
// and has a deadline for every reading. [Sample] reads one at a steady pace.
//
// Errors a caller decides on: [ErrSilent], [ErrOverrange], [ErrNotANumber], [ErrNoNumber],
// [ErrBlock], [ErrAnother] and *[InstrumentError].
package meters

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"time"
)

// A Quantity is what a meter measures. Values are in its unit, nothing else.
type Quantity string

// The quantities.
const (
	Power       Quantity = "power"       // W
	Voltage     Quantity = "voltage"     // V
	Current     Quantity = "current"     // A
	Temperature Quantity = "temperature" // °C
	Luminance   Quantity = "luminance"   // cd/m²
)

// Unit is the unit of the quantity's values.
func (q Quantity) Unit() string {
	switch q {
	case Power:
		return "W"
	case Voltage:
		return "V"
	case Current:
		return "A"
	case Temperature:
		return "°C"
	case Luminance:
		return "cd/m²"
	}
	return ""
}

var (
	// ErrSilent means that the instrument did not answer within the deadline.
	ErrSilent = errors.New("the instrument does not answer")
	// ErrOverrange means that the instrument says the value is beyond its range.
	ErrOverrange = errors.New("the value is beyond the instrument's range")
	// ErrNotANumber means that the instrument says it has no value.
	ErrNotANumber = errors.New("the instrument has no value")
	// ErrNoNumber means that what the instrument said is no number where one was wanted.
	ErrNoNumber = errors.New("no number")
	// ErrBlock means that the instrument answered with a block of bytes.
	ErrBlock = errors.New("the instrument answered with a block of bytes instead of a number")
	// ErrAnother means that another instrument answers than the one before.
	ErrAnother = errors.New("another instrument answers")
	// ErrNoQuantity means that the meter was not told how to read this quantity.
	ErrNoQuantity = errors.New("the meter does not measure this")
)

// A Meter reads one instrument. It is safe for concurrent use; readings take turns.
type Meter interface {
	// Name says which instrument this is, for reports.
	Name() string
	// Quantities are what it was set up to read, in a fixed order.
	Quantities() []Quantity
	// Read reads a quantity once, in its unit.
	Read(ctx context.Context, q Quantity) (float64, error)
	// Close lets the instrument go.
	Close() error
}

// Of is one quantity of a meter as a function, as a calibration of light takes it.
func Of(m Meter, q Quantity) func(context.Context) (float64, error) {
	return func(ctx context.Context) (float64, error) { return m.Read(ctx, q) }
}

// A Reading is one value with its instant.
type Reading struct {
	// At is when the value was taken, by the clock of Sample: the middle between question
	// and answer, or the answer's instant for an instrument that prints by itself.
	At time.Time
	// Within is half the time between question and answer: At is known to that much.
	Within   time.Duration
	Quantity Quantity
	Value    float64
}

// clock is the wall clock, or the demo's.
type clock interface {
	Now() time.Time
	Sleep(ctx context.Context, d time.Duration) error
}

// A printer is a meter whose values come when it likes, so that the instant of a value is
// that of its coming.
type printer interface{ printsByItself() bool }

// Sample reads all quantities of a meter every so often until ctx ends or the caller has
// enough. Instants lie on a grid from the first on: a reading that takes longer makes
// readings fall out, never late ones pile up. A reading that failed comes with its error,
// its quantity and its instant, and sampling goes on.
func Sample(ctx context.Context, clk clock, m Meter, every time.Duration) iter.Seq2[Reading, error] {
	return func(yield func(Reading, error) bool) {
		p, ok := m.(printer)
		prints := ok && p.printsByItself()
		next := clk.Now()
		for ctx.Err() == nil {
			for _, q := range m.Quantities() {
				asked := clk.Now()
				v, err := m.Read(ctx, q)
				answered := clk.Now()
				if ctx.Err() != nil {
					return
				}
				r := Reading{At: answered, Quantity: q, Value: v}
				if !prints {
					r.Within = answered.Sub(asked) / 2
					r.At = asked.Add(r.Within)
				}
				if err != nil {
					r.Value = 0
				}
				if !yield(r, err) {
					return
				}
			}
			now := clk.Now()
			if every > 0 {
				next = next.Add(every * (1 + max(0, now.Sub(next))/every))
			}
			if err := clk.Sleep(ctx, next.Sub(now)); err != nil {
				return
			}
		}
	}
}

func noQuantity(name string, q Quantity) error {
	return fmt.Errorf("meter %s: %s: %w; name its query or column in the plan file", name, q, ErrNoQuantity)
}
