package devices

import (
	"errors"
	"fmt"
	"strings"
)

// A Dump is what is read from one captured output: exactly one of the three is set.
type Dump struct {
	Battery *Battery // of `dumpsys battery`
	Thermal *Thermal // of `dumpsys thermalservice`
	Supply  *Supply  // of a power supply's uevent
}

// LookAt reads one captured output by what it is: of the battery service, of the thermal
// service, or a power supply's uevent. Lines that begin with "#" are a person's own.
func LookAt(text string) (Dump, error) {
	var kept []string
	for line := range strings.SplitAfterSeq(text, "\n") {
		if !strings.HasPrefix(line, "#") {
			kept = append(kept, line)
		}
	}
	text = strings.Join(kept, "")
	battery, err := ParseBattery(text)
	if err == nil {
		return Dump{Battery: &battery}, nil
	}
	if t, thermalErr := ParseThermal(text); thermalErr == nil {
		return Dump{Thermal: &t}, nil
	}
	if strings.Contains(text, batteryHeader) { // it is one, and damaged
		return Dump{}, err
	}
	if s, supplyErr := ParseSupply(text); supplyErr == nil {
		return Dump{Supply: &s}, nil
	}
	if strings.Contains(text, "Thermal Status") {
		_, err = ParseThermal(text)
		return Dump{}, err
	}
	return Dump{}, fmt.Errorf("%w: it begins %s", errUnknownDump, excerpt(text))
}

var errUnknownDump = errors.New("this is neither the output of dumpsys battery, of dumpsys thermalservice, nor a power supply's uevent")
