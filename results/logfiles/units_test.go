package logfiles

import (
	"math"
	"testing"
)

// The same quantity in each unit a column may have: what is stored is one and the same. Prefixes
// as in the SI brochure (BIPM, 9th edition, 2019, table 7); dC are the tenths of a degree of
// Android's battery properties.
func TestEveryUnit(t *testing.T) {
	want := map[Quantity]float64{Voltage: 3875, Temperature: 30.5, BatteryPower: 4.25, SocketPower: 4.25, Level: 92, Counter: 3875, Current: 3875, Score: 3875}
	written := map[string]string{
		"mV": "3875", "V": "3.875", "uV": "3875000", "µV": "3875000", "°C": "30.5", "C": "30.5", "dC": "305", "W": "4.25", "mW": "4250", "%": "92", "raw": "3875", "": "3875",
	}
	of := func(q Quantity, r Row) *float64 {
		return map[Quantity]*float64{Voltage: r.VoltageMV, Temperature: r.TempC, BatteryPower: r.BatteryW, SocketPower: r.SocketW,
			Level: r.Level, Counter: r.Counter, Current: r.Current, Score: r.Score}[q]
	}
	for q, list := range units {
		if want[q] == 0 {
			continue
		}
		for _, u := range list {
			text, columns := "When,level,It\n0,93,"+written[u.name]+"\n60,92,"+written[u.name]+"\n", map[Quantity]Column{Time: {"when", "s"}, q: {"it", u.name}}
			l := read(t, text, Options{Columns: columns})
			if got := of(q, l.Rows[1]); got == nil || math.Abs(*got-want[q]) > 1e-9*want[q] {
				t.Errorf("%s: %s %q is read as %v, want %g", q, written[u.name], u.name, got, want[q])
			}
		}
	}
}
