package devices

import (
	"errors"
	"strconv"
	"strings"
)

// A Supply is the kernel's own view of the battery: the attributes of its power supply, by
// the kernel's documentation (Documentation/ABI/testing/sysfs-class-power) in µV, µA, µAh and
// tenths of a degree. Drivers differ, so that they are raw here; nil where there is none.
type Supply struct {
	Name        string
	CapacityPct *int
	Status      string // Charging, Discharging, "Not charging", Full, Unknown
	Voltage     *int64
	Current     *int64
	Temp        *int64
	Counter     *int64
	FullDesign  *int64 // charge when new
}

// ParseSupply reads the text of a power supply's uevent: KEY=value lines, with the prefix
// POWER_SUPPLY_ or without. An error says that there is no such line.
func ParseSupply(text string) (Supply, error) {
	var s Supply
	lines := 0
	for line := range strings.SplitSeq(text, "\n") {
		key, value, found := strings.Cut(strings.TrimSpace(line), "=")
		if !found || key != strings.ToUpper(key) {
			continue
		}
		key, value = strings.TrimPrefix(key, "POWER_SUPPLY_"), strings.TrimSpace(value)
		// A driver without the property prints the number of an error instead.
		number := func() *int64 {
			n, err := strconv.ParseInt(value, 10, 64)
			if err != nil || n == -1<<31 || n == -22 || n == -19 || n == -61 || n == -5 {
				return nil
			}
			return &n
		}
		lines++
		switch key {
		case "NAME":
			s.Name = value
		case "STATUS":
			s.Status = value
		case "CAPACITY":
			if n := number(); n != nil && *n >= 0 && *n <= 100 {
				pct := int(*n)
				s.CapacityPct = &pct
			}
		case "VOLTAGE_NOW":
			s.Voltage = number()
		case "CURRENT_NOW":
			s.Current = number()
		case "TEMP":
			s.Temp = number()
		case "CHARGE_COUNTER":
			s.Counter = number()
		case "CHARGE_FULL_DESIGN":
			s.FullDesign = number()
		default:
			lines-- // a line that tells nothing
		}
	}
	if lines == 0 {
		return Supply{}, errors.New("supply: no line of a power supply in what the handset printed: " + excerpt(text))
	}
	return s, nil
}

// Reading is the supply as a reading of the battery, so that its units are decided and
// applied as those of the battery service.
func (s Supply) Reading() Battery {
	b := Battery{Scale: 100, Raw: Raw{Voltage: s.Voltage, Temperature: s.Temp, Counter: s.Counter, Current: s.Current}}
	if s.CapacityPct != nil {
		b.LevelPct = *s.CapacityPct
	}
	b.Status = map[string]int{"Charging": StatusCharging, "Discharging": StatusDischarging, "Not charging": StatusNotCharging, "Full": StatusFull}[s.Status]
	b.AC = b.Status != 0 && b.Status != StatusDischarging // some source, the supply does not say which
	return b.In(DecideUnits(Evidence{Readings: []Battery{b}}))
}
