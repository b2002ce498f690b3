package compare

import (
	"fmt"
	"math"
)

// A Quantity is what of a run is compared. The zero value is its hours.
type Quantity struct {
	Name string // "20 to 80 %"; empty: hours
	Unit string // of values and of differences: "min", "W", "°C"
	// Apart: sides are compared by their difference, since a ratio means nothing (a temperature).
	// Else by their ratio.
	Apart bool
	// PerWh: it grows with the battery, so that the ratio is also told with the batteries taken out.
	PerWh      bool
	More, Less string // "longer", "shorter"
	// Needs is what a run without the quantity may have lacked, for a person: "a meter on the charging line".
	Needs string
}

// hours is the zero Quantity in words.
var hours = Quantity{Unit: "h", PerWh: true, More: "longer", Less: "shorter"}

// filled is the quantity with its words.
func (q Quantity) filled() Quantity {
	if q.Name == "" {
		return hours
	}
	return q
}

// of is a value on the scale on which its errors add: its logarithm, or itself where it is
// compared by difference. A standard deviation is relative, or in the quantity's unit.
func (q Quantity) of(v float64) float64 {
	if q.Apart {
		return v
	}
	return math.Log(v)
}

// back turns a value of that scale, or a difference there, into a value, or a ratio.
func (q Quantity) back(v float64) float64 {
	if q.Apart {
		return v
	}
	return math.Exp(v)
}

// allows reports whether a value can be one of the quantity's.
func (q Quantity) allows(v float64) bool {
	return !math.IsInf(v, 0) && !math.IsNaN(v) && (q.Apart || v > 0)
}

// same is the ratio, or difference, of two that are equal.
func (q Quantity) same() float64 { return q.back(0) }

// says is a change that is shown, in words: "12 % longer", "3.1 °C warmer".
func (q Quantity) says(change float64) string {
	if !q.Apart {
		return changed(change, q.More, q.Less, "a difference below 1 %")
	}
	word := q.More
	if change < 0 {
		word = q.Less
	}
	return fmt.Sprintf("%.1f %s %s", math.Abs(change), DifferenceUnit(q.Unit), word)
}

// DifferenceUnit is the unit of a difference of two values in a unit: of temperatures K.
func DifferenceUnit(unit string) string {
	if unit == "°C" {
		return "K"
	}
	return unit
}

// Settling says what would settle a difference that is not shown; "" where it is, or nothing is known.
func Settling(repeatsNeeded int, outOfReach bool) string {
	switch {
	case repeatsNeeded > 0:
		return fmt.Sprintf("%d more a side would settle it", repeatsNeeded)
	case outOfReach:
		return "no number of repeats would settle it"
	}
	return ""
}

// A NotCompared is a side of which nothing was compared, and the one reason for it.
type NotCompared struct {
	Side string `json:"side"`
	Why  string `json:"why"`
}

// Absent are the sides of which nothing of a set was compared for one and the same reason, n
// comparisons being in the set. A reader wants that said once, and not for each quantity.
func Absent(n int, of func(int) (side, leftOut string)) (list []NotCompared) {
	type seen struct {
		why  string
		same bool
	}
	var order []string
	sides := map[string]*seen{}
	for i := range n {
		side, leftOut := of(i)
		s := sides[side]
		if s == nil {
			order = append(order, side)
			sides[side] = &seen{leftOut, leftOut != ""}
			continue
		}
		s.same = s.same && leftOut == s.why
	}
	for _, side := range order {
		if s := sides[side]; s.same {
			list = append(list, NotCompared{side, s.why})
		}
	}
	return list
}
