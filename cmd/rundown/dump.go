package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"strings"

	"rundown/devices"
	"rundown/results/figure"
)

// dumpCmd shows what would be read from what a handset prints, without handset or daemon.
type dumpCmd struct {
	Files    []string `arg:"" name:"file" help:"Outputs of one handset, each in a file of its own; - is the standard input."`
	Capacity float64  `help:"The maker's capacity, mAh." name:"design-mah" placeholder:"MAH"`
}

func (c *dumpCmd) Help() string {
	return "Takes what dumpsys battery and dumpsys thermalservice print, and a power supply's uevent, as text. Several files are taken as of one handset and one moment: " +
		"one may tell the unit of another. A handset that is new to a bench is looked at like this, and what it prints can be sent on.\n\n" +
		"Examples:\n  adb shell dumpsys battery >battery.txt\n  rundown dump battery.txt\n" +
		"  adb shell dumpsys thermalservice >thermal.txt\n  adb shell cat /sys/class/power_supply/battery/uevent >uevent.txt\n  rundown dump battery.txt thermal.txt uevent.txt"
}

// mostDump is the longest output that is looked at, bytes; handsets print some thousands.
const mostDump = 4 << 20

// A lookedAt is one file as it was read.
type lookedAt struct {
	File     string        `json:"file"`
	Kind     string        `json:"kind"` // "battery service", "thermal service" or "power supply"
	Readings []dumpReading `json:"readings,omitempty"`
	Sensors  []dumpSensor  `json:"sensors,omitempty"`
	Says     []string      `json:"says"` // what else was read
	Notes    []string      `json:"notes"`
	Begins   *bool         `json:"limit_can_be_held,omitempty"` // whether a limit of temperature can be held on such readings
}

// A dumpReading is one number with what is made of it.
type dumpReading struct {
	Reading string   `json:"reading"`
	Printed *int64   `json:"printed"` // null: not printed
	Value   *float64 `json:"value"`   // null: not known
	In      string   `json:"value_unit"`
	Unit    string   `json:"printed_in"`
	Told    string   `json:"told_by,omitempty"`
}

// A dumpSensor is one row of the thermal service.
type dumpSensor struct {
	Name    string   `json:"name"`
	Type    int      `json:"type"`
	Printed float64  `json:"printed"`
	Celsius *float64 `json:"celsius"` // null: no temperature
}

func (c *dumpCmd) Run(e *env) error {
	all := devices.Evidence{CapacityMAh: c.Capacity}
	var dumps []devices.Dump
	for _, name := range c.Files {
		text, err := readDump(name)
		if err != nil {
			return err
		}
		d, err := devices.LookAt(text)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		switch {
		case d.Battery != nil:
			all.Readings = append(all.Readings, *d.Battery)
		case d.Thermal != nil:
			all.Thermal = d.Thermal
		case d.Supply != nil:
			all.Supply = d.Supply
		}
		dumps = append(dumps, d)
	}
	var list []lookedAt
	for i, d := range dumps {
		one := lookedAt{File: c.Files[i], Says: []string{}, Notes: []string{}}
		switch {
		case d.Battery != nil:
			u := devices.DecideUnits(all)
			one.battery("battery service", d.Battery.In(u), true, u)
			one.Says = append(one.Says, sayState(*d.Battery))
		case d.Supply != nil:
			b := d.Supply.Reading()
			u := devices.DecideUnits(devices.Evidence{Readings: []devices.Battery{b}, Thermal: all.Thermal, CapacityMAh: c.Capacity})
			one.battery("power supply", b.In(u), d.Supply.CapacityPct != nil, u)
			one.Says = append(one.Says, fmt.Sprintf("status %q", d.Supply.Status))
		default:
			one.thermal(*d.Thermal)
		}
		list = append(list, one)
	}
	if e.json {
		return e.printJSON(list)
	}
	for i, x := range list {
		if i > 0 {
			fmt.Fprintln(e.out)
		}
		x.print(e.out)
	}
	return nil
}

func readDump(name string) (string, error) {
	var from io.Reader = os.Stdin
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return "", err
		}
		defer f.Close()
		from = f
	}
	b, err := io.ReadAll(io.LimitReader(from, mostDump+1))
	switch {
	case err != nil:
		return "", err
	case len(b) > mostDump:
		return "", fmt.Errorf("%s: longer than %d MB: this is no output of a handset's battery or thermal service", name, mostDump>>20)
	}
	return string(b), nil
}

func (x *lookedAt) battery(kind string, b devices.Battery, hasLevel bool, u devices.Units) {
	x.Kind = kind
	add := func(name, in string, printed *int64, value float64, known bool, s devices.Scale) {
		r := dumpReading{Reading: name, Printed: printed, In: in, Unit: s.String(), Told: s.Why}
		if printed != nil && known {
			r.Value = &value
		}
		x.Readings = append(x.Readings, r)
	}
	worth := func(raw *int64, s devices.Scale) float64 {
		if raw == nil {
			return 0
		}
		return float64(*raw) * s.Each
	}
	if level := int64(b.LevelPct); hasLevel {
		add("level", "%", &level, float64(level), true, devices.Scale{Unit: "%", Each: 1})
	}
	mv, c := 0.0, 0.0
	if b.VoltageMV != nil {
		mv = float64(*b.VoltageMV)
	}
	if b.TempC != nil {
		c = *b.TempC
	}
	add("voltage", "mV", b.Raw.Voltage, mv, b.VoltageMV != nil, u.Voltage)
	add("temperature", "°C", b.Raw.Temperature, c, b.TempC != nil, u.Temperature)
	add("charge counter", "mAh", b.Raw.Counter, worth(b.Raw.Counter, u.Counter), u.Counter.Known(), u.Counter)
	current := "current"
	if b.Raw.CurrentKey != "" {
		current += fmt.Sprintf(", line %q", b.Raw.CurrentKey)
	}
	add(current, "mA", b.Raw.Current, worth(b.Raw.Current, u.Current), u.Current.Known(), u.Current)
	x.Notes = append(x.Notes, b.Notes...)
	holds := b.TempC != nil
	x.Begins = &holds
}

// sayState is what a battery's dump says besides its readings.
func sayState(b devices.Battery) string {
	said := fmt.Sprintf("power: %s; status %d, health %d", dash(b.Sources()), b.Status, b.Health)
	var parts []string
	if n := b.MaxChargingCurrentUA; n != nil {
		parts = append(parts, fmt.Sprintf("%.0f mA", float64(*n)/1000))
	}
	if n := b.MaxChargingVoltageUV; n != nil {
		parts = append(parts, fmt.Sprintf("%.0f mV", float64(*n)/1000))
	}
	if len(parts) > 0 {
		said += "; the charger offers at most " + strings.Join(parts, " and ")
	}
	return said
}

func (x *lookedAt) thermal(t devices.Thermal) {
	x.Kind = "thermal service"
	for _, s := range t.Temperatures {
		one := dumpSensor{Name: s.Name, Type: s.Type, Printed: s.Value}
		if c, ok := s.Celsius(); ok {
			one.Celsius = &c
		}
		if math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
			one.Printed = 0 // JSON has neither; it is no temperature either way
		}
		x.Sensors = append(x.Sensors, one)
	}
	from := func(cached bool) string {
		if cached {
			return ", as last heard of"
		}
		return ""
	}
	x.Says = append(x.Says, fmt.Sprintf("status %d of 6; battery %s%s; skin %s%s", t.Status, celsius(t.BatteryC), from(t.BatteryCached), celsius(t.SkinC), from(t.SkinCached)))
	if t.Overridden {
		x.Notes = append(x.Notes, "the status was set by hand and says nothing of the heat")
	}
}

func (x lookedAt) print(w io.Writer) {
	fmt.Fprintf(w, "%s: %s\n", x.File, x.Kind)
	if len(x.Readings) > 0 {
		rows := [][]string{{"READING", "PRINTED", "READ AS", "PRINTED IN", "TOLD BY"}}
		for _, r := range x.Readings {
			printed, value := "-", "none"
			if r.Printed != nil {
				printed = fmt.Sprint(*r.Printed)
			}
			if r.Value != nil {
				value = figure.Say(*r.Value, 5) + " " + r.In
			}
			rows = append(rows, []string{r.Reading, printed, value, r.Unit, r.Told})
		}
		table(w, rows...)
	}
	if len(x.Sensors) > 0 {
		rows := [][]string{{"SENSOR", "TYPE", "PRINTED", "READ AS"}}
		for _, s := range x.Sensors {
			as := "no temperature"
			if s.Celsius != nil {
				as = celsius(s.Celsius)
			}
			rows = append(rows, []string{fmt.Sprintf("%.40q", s.Name), fmt.Sprint(s.Type), fmt.Sprintf("%g", s.Printed), as})
		}
		table(w, rows...)
	}
	for _, text := range x.Says {
		fmt.Fprintln(w, text)
	}
	for _, text := range x.Notes {
		fmt.Fprintln(w, "note:", text)
	}
	if x.Begins != nil && !*x.Begins {
		fmt.Fprintln(w, "No segment would begin on such readings alone: no limit of temperature can be held.")
	}
}
