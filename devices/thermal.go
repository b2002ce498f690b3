package devices

import (
	"context"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// Types of a Temperature that this package looks for.
const (
	ThermalBattery = 2
	ThermalSkin    = 3
)

// A Temperature is one row of the thermal service.
type Temperature struct {
	Name     string
	Type     int     // 0 CPU, 1 GPU, 2 battery, 3 skin, 4 USB port, 5 power amplifier, 6 to 8 battery limits, 9 NPU, …; -1 not known
	Value    float64 // °C, but mV, mA and % for the types 6, 7 and 8, and anything for -1: see Celsius
	Severity int     // 0 none to 6 shutdown
}

// lastType is the highest type of Android's TemperatureType (hardware/interfaces/thermal/aidl,
// 2023: POGO); what comes after it may be of any unit.
const lastType = 19

// Celsius returns the row's temperature; false for the types that are none, for those that
// are not known, and for rows without a number.
func (t Temperature) Celsius() (float64, bool) {
	if t.Type < 0 || t.Type > lastType || (t.Type >= 6 && t.Type <= 8) || math.IsNaN(t.Value) || math.IsInf(t.Value, 0) {
		return 0, false
	}
	return t.Value, true
}

// A Thermal is one reading of the thermal service (Android 10 and later).
type Thermal struct {
	// Status is how hard the system throttles itself: 0 none, 1 light, 2 moderate,
	// 3 severe, 4 critical, 5 emergency, 6 shutdown.
	Status int
	// Overridden: somebody has set the status by hand; it says nothing of the heat.
	Overridden bool
	// Temperatures are the current ones as the hardware gives them where the service
	// prints these; else the ones it last heard of, which may be stale (Cached true).
	Temperatures []Temperature
	Cached       bool
	// SkinC and BatteryC are the hottest skin and battery rows, °C; nil for none. Where the
	// current rows have none of the kind, those last heard of count, and SkinCached or
	// BatteryCached is true.
	SkinC, BatteryC           *float64
	SkinCached, BatteryCached bool
}

var temperatureRow = regexp.MustCompile(`^Temperature\{mValue=([^,{}]+), mType=(-?\d+), mName=(.*), mStatus=(-?\d+)\}$`)

// ParseThermal reads the text of `dumpsys thermalservice`. A text without the status
// line is an error.
func ParseThermal(dump string) (Thermal, error) {
	var (
		t               Thermal
		status          bool
		cached, current []Temperature
		into            *[]Temperature
	)
	for line := range strings.SplitSeq(dump, "\n") {
		line = strings.TrimRight(line, " \t\r")
		text := strings.TrimLeft(line, " \t")
		if dumpTimeout.MatchString(text) {
			return Thermal{}, fmt.Errorf("thermal: the handset's service did not answer in time: %w", ErrCutShort)
		}
		if m := temperatureRow.FindStringSubmatch(text); m != nil {
			if into != nil {
				if row, ok := temperatureFrom(m); ok {
					*into = append(*into, row)
				}
			}
			continue
		}
		key, value, found := strings.Cut(text, ":")
		if !found {
			continue
		}
		value = strings.TrimSpace(value)
		switch {
		case key == "IsStatusOverride":
			t.Overridden = value == "true"
		case key == "Thermal Status" && !status:
			n, err := strconv.Atoi(value)
			if err != nil || n < 0 || n > 6 {
				return Thermal{}, fmt.Errorf("thermal: status %q is none of 0 to 6", Shorten(value, 40))
			}
			t.Status, status = n, true
		case value != "":
		case key == "Cached temperatures":
			into = &cached
		case key == "Current temperatures from HAL":
			into = &current
		default: // cooling devices, thresholds, listeners: another block begins
			into = nil
		}
	}
	if !status {
		return Thermal{}, fmt.Errorf("thermal: no line \"Thermal Status\" in what the handset printed: %s", excerpt(dump))
	}
	t.Temperatures = current
	if len(current) == 0 {
		t.Temperatures, t.Cached = cached, len(cached) > 0
	}
	for _, x := range []struct {
		kind   int
		c      **float64
		cached *bool
	}{{ThermalSkin, &t.SkinC, &t.SkinCached}, {ThermalBattery, &t.BatteryC, &t.BatteryCached}} {
		if *x.c, *x.cached = hottest(t.Temperatures, x.kind), t.Cached; *x.c == nil {
			*x.c, *x.cached = hottest(cached, x.kind), true
		}
		*x.cached = *x.cached && *x.c != nil
	}
	return t, nil
}

func temperatureFrom(m []string) (Temperature, bool) {
	value, err := strconv.ParseFloat(m[1], 64)
	kind, err2 := strconv.Atoi(m[2])
	severity, err3 := strconv.Atoi(m[4])
	if err != nil || err2 != nil || err3 != nil {
		return Temperature{}, false
	}
	return Temperature{Name: m[3], Type: kind, Value: value, Severity: severity}, true
}

// hottest returns the highest reading of a type. A row of exactly 0.0 is a sensor that
// has said nothing yet.
func hottest(rows []Temperature, kind int) *float64 {
	var most *float64
	for _, r := range rows {
		c, ok := r.Celsius()
		if r.Type != kind || !ok || c == 0 || c < -60 || c > 150 {
			continue
		}
		if most == nil || c > *most {
			most = &c
		}
	}
	return most
}

// ReadThermal reads the thermal service once. A handset whose Android has none gives an
// error that says so.
func ReadThermal(ctx context.Context, l Link, f Flavour) (Thermal, error) {
	ways := f.Ways(ReadThermalStatus)
	if len(ways) == 0 {
		return Thermal{}, fmt.Errorf("handset %s: thermal: %s", l.Serial(), f.Lacks(ReadThermalStatus))
	}
	out, err := Run(ctx, l, ways[0])
	if err != nil {
		return Thermal{}, fmt.Errorf("handset %s: thermal: %w", l.Serial(), err)
	}
	t, err := ParseThermal(out)
	if err != nil {
		return Thermal{}, fmt.Errorf("handset %s: %w", l.Serial(), err)
	}
	return t, nil
}
