package devices

import (
	"context"
	"fmt"
	"strconv"
	"strings"
)

// ReadEvidence reads what bears on a handset's units in two short calls, and its OS build.
// currentFile is the file from which its current is read, "" for none; capacityMAh is the
// maker's, 0 where not known. What only helps, and cannot be read, is left out; an error says
// why the battery itself cannot be read.
func ReadEvidence(ctx context.Context, l Link, currentFile string, capacityMAh float64) (e Evidence, build string, err error) {
	results, err := Batch(ctx, l, []string{"getprop ro.build.fingerprint", "getprop ro.build.version.sdk"})
	if err != nil {
		return e, "", fmt.Errorf("handset %s: units: %w", l.Serial(), err)
	}
	build = strings.TrimSpace(results[0].Text)
	sdk, _ := strconv.Atoi(strings.TrimSpace(results[1].Text)) // without it, the thermal service is not asked
	f := Flavour{SDK: sdk}
	ops := []Operation{ReadBatteryState, ReadThermalStatus, ReadSupply}
	var asked []Operation
	var commands []string
	for _, op := range ops {
		if ways := f.Ways(op); len(ways) > 0 && (sdk > 0 || op != ReadThermalStatus) {
			asked, commands = append(asked, op), append(commands, ways[0])
		}
	}
	if currentFile != "" {
		commands = append(commands, "cat "+Quote(currentFile))
	}
	if results, err = Batch(ctx, l, commands); err != nil {
		return e, build, fmt.Errorf("handset %s: units: %w", l.Serial(), err)
	}
	for i, op := range asked {
		text := results[i].Text
		if why := results[i].Failed(); why != "" && op != ReadBatteryState {
			continue
		}
		switch op {
		case ReadBatteryState:
			b, err := ParseBattery(text)
			if err != nil {
				return e, build, fmt.Errorf("handset %s: %w", l.Serial(), err)
			}
			e.Readings = []Battery{b}
		case ReadThermalStatus:
			if t, err := ParseThermal(text); err == nil {
				e.Thermal = &t
			}
		case ReadSupply:
			if s, err := ParseSupply(text); err == nil {
				e.Supply = &s
			}
		}
	}
	e.CapacityMAh, e.CurrentFile = capacityMAh, currentFile != ""
	if e.CurrentFile && e.Readings[0].busy() {
		if v, err := strconv.ParseFloat(strings.TrimSpace(results[len(results)-1].Text), 64); err == nil {
			e.Currents = []float64{v}
		}
	}
	return e, build, nil
}
