package devices

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestParseCapturedThermal(t *testing.T) {
	got, err := ParseThermal(captured(t, "thermal.txt"))
	if err != nil {
		t.Fatal(err)
	}
	// Read off the block "Current temperatures from HAL" by eye; the cached block has
	// 32.401 and 30.000002.
	if got.Status != 0 || got.Overridden || got.Cached || len(got.Temperatures) != 13 {
		t.Errorf("status %d, overridden %v, cached %v, %d rows, want 0, false, false, 13", got.Status, got.Overridden, got.Cached, len(got.Temperatures))
	}
	if got.SkinC == nil || *got.SkinC != 30.147001 || got.BatteryC == nil || *got.BatteryC != 28.000002 {
		t.Errorf("skin %v, battery %v, want 30.147001 and 28.000002", got.SkinC, got.BatteryC)
	}
	if want := (Temperature{Name: "gpu0-usr", Type: 1, Value: 32.9}); got.Temperatures[9] != want {
		t.Errorf("row 10 = %+v, want %+v", got.Temperatures[9], want)
	}
}

// All shapes here are made up.
func TestParseMadeUpThermal(t *testing.T) {
	const head = "IsStatusOverride: false\nThermal Status: 2\n"
	row := func(s string) string { return "\tTemperature{" + s + "}\n" }
	tests := []struct {
		name, dump string
		want       Thermal
	}{
		{"status only", head, Thermal{Status: 2}},
		{"set by hand", "IsStatusOverride: true\nThermal Status: 0\n", Thermal{Overridden: true}},
		{"cached only, one sensor silent", head + "Cached temperatures:\n" + row("mValue=0.0, mType=2, mName=SUBBAT, mStatus=0") + row("mValue=31.5, mType=2, mName=BATTERY, mStatus=1") + "HAL Ready: false\n",
			Thermal{Status: 2, Cached: true, BatteryC: new(31.5), BatteryCached: true, Temperatures: []Temperature{{Name: "SUBBAT", Type: 2}, {Name: "BATTERY", Type: 2, Value: 31.5, Severity: 1}}}},
		{"millivolts, milliamperes and percent are no degrees", head + "Current temperatures from HAL:\n" +
			row("mValue=3850.0, mType=6, mName=vbat, mStatus=0") + row("mValue=1200.0, mType=7, mName=ibat, mStatus=0") + row("mValue=55.0, mType=8, mName=soc, mStatus=0"),
			Thermal{Status: 2, Temperatures: []Temperature{{Name: "vbat", Type: 6, Value: 3850}, {Name: "ibat", Type: 7, Value: 1200}, {Name: "soc", Type: 8, Value: 55}}}},
		{"names with spaces, commas and braces", head + "Current temperatures from HAL:\n" + row("mValue=40.25, mType=3, mName=back cover, left {a}, mStatus=2"),
			Thermal{Status: 2, SkinC: new(40.25), Temperatures: []Temperature{{Name: "back cover, left {a}", Type: 3, Value: 40.25, Severity: 2}}}},
		{"the hottest skin, no NaN, no threshold rows", head + "Current temperatures from HAL:\n" + row("mValue=NaN, mType=3, mName=a, mStatus=0") + row("mValue=33.0, mType=3, mName=b, mStatus=0") + row("mValue=36.0, mType=3, mName=c, mStatus=0") +
			"Current cooling devices from HAL:\n\tCoolingDevice{mValue=0, mType=2, mName=x}\n" + row("mValue=99.0, mType=3, mName=not here, mStatus=0") +
			"Temperature static thresholds from HAL:\n\tTemperatureThreshold{mType=3, mName=SKIN, mHotThrottlingThresholds=[NaN, 50.0]}\n",
			Thermal{Status: 2, SkinC: new(36.0), Temperatures: []Temperature{{Name: "a", Type: 3, Value: math.NaN()}, {Name: "b", Type: 3, Value: 33}, {Name: "c", Type: 3, Value: 36}}}},
		{"a battery that stands only in the cached block", head + "Cached temperatures:\n" + row("mValue=29.0, mType=2, mName=battery, mStatus=0") + row("mValue=50.0, mType=3, mName=skin, mStatus=0") +
			"Current temperatures from HAL:\n" + row("mValue=33.0, mType=3, mName=skin, mStatus=0"),
			Thermal{Status: 2, SkinC: new(33.0), BatteryC: new(29.0), BatteryCached: true, Temperatures: []Temperature{{Name: "skin", Type: 3, Value: 33}}}},
		{"sensors of unknown type", head + "Current temperatures from HAL:\n" + row("mValue=-0.117, mType=-1, mName=ibat-sys, mStatus=0") + row("mValue=812.0, mType=77, mName=later, mStatus=0"),
			Thermal{Status: 2, Temperatures: []Temperature{{Name: "ibat-sys", Type: -1, Value: -0.117}, {Name: "later", Type: 77, Value: 812}}}},
		{"CRLF", strings.ReplaceAll(head+"Current temperatures from HAL:\n"+row("mValue=33.0, mType=3, mName=b, mStatus=0"), "\n", "\r\n"),
			Thermal{Status: 2, SkinC: new(33.0), Temperatures: []Temperature{{Name: "b", Type: 3, Value: 33}}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ParseThermal(tt.dump)
			if err != nil {
				t.Fatal(err)
			}
			nan := cmp.Comparer(func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) })
			if diff := cmp.Diff(tt.want, got, nan); diff != "" {
				t.Errorf("ParseThermal (-want +got):\n%s", diff)
			}
		})
	}
	for name, dump := range map[string]string{
		"nothing": "", "no service": "Can't find service: thermalservice\n", "status 9": "Thermal Status: 9\n", "status none": "Thermal Status: \n",
	} {
		if got, err := ParseThermal(dump); err == nil {
			t.Errorf("%s: ParseThermal = %+v, want an error", name, got)
		}
	}
	if _, err := ParseThermal(head + "*** SERVICE 'thermalservice' DUMP TIMEOUT (10000ms) EXPIRED ***\n"); !errors.Is(err, ErrCutShort) {
		t.Errorf("after a time-out: %v, want ErrCutShort", err)
	}
}

func TestCelsiusOfUnknownTypes(t *testing.T) {
	for _, x := range []struct {
		kind int
		want bool
	}{{-1, false}, {0, true}, {2, true}, {3, true}, {6, false}, {7, false}, {8, false}, {9, true}, {19, true}, {20, false}} {
		if _, ok := (Temperature{Type: x.kind, Value: 31}).Celsius(); ok != x.want {
			t.Errorf("a sensor of type %d taken as °C: %v, want %v", x.kind, ok, x.want)
		}
	}
}

// FuzzParseThermal: what is accepted lies in range, and skin and battery are rows of it.
func FuzzParseThermal(f *testing.F) {
	f.Add(captured(f, "thermal.txt"))
	f.Add("Thermal Status: 1\nCached temperatures:\nTemperature{mValue=1e999, mType=3, mName=, mStatus=0}\n")
	f.Fuzz(func(t *testing.T, dump string) {
		th, err := ParseThermal(dump)
		if err != nil {
			return
		}
		if th.Status < 0 || th.Status > 6 {
			t.Errorf("status %d", th.Status)
		}
		for kind, c := range map[int]*float64{ThermalSkin: th.SkinC, ThermalBattery: th.BatteryC} {
			other := !th.Cached && map[int]bool{ThermalSkin: th.SkinCached, ThermalBattery: th.BatteryCached}[kind]
			if c == nil || other { // of another block
				continue
			}
			found := false
			for _, row := range th.Temperatures {
				v, ok := row.Celsius()
				found = found || ok && row.Type == kind && v == *c
				if ok && row.Type == kind && v > *c && v <= 150 {
					t.Errorf("type %d: %v, but a row has %v", kind, *c, v)
				}
			}
			if !found {
				t.Errorf("type %d: %v is in no row", kind, *c)
			}
		}
	})
}
