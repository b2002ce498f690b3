package scenarios

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/devices/meters"
	"rundown/devices/meters/usbpower"
)

const metered = `
bench:
  luminance_max_age: 90 d
  handsets:
    - name: Alder
      serial: A
      charger: {text: wall 3, watts: 30, levels: [{volts: 5 V, amps: 3 A}, {volts: 9, amps: 3}, {volts: 15, amps: 2}]}
      cable: {text: short, amps: 3}
    - {name: Birch, serial: B}
  meters:
    - name: line
      handset: Alder
      every: 2 s
      timeout: 1 s
      accuracy_pct: 0.5
      scpi: {address: "192.0.2.4:5025", setup: ["CONF:X"], error_queue: off, queries: {power: "MEAS:POW?", current: {ask: "FETC? 1", field: 3, factor: 0.001}}}
    - {name: room, room: on, serial: {port: /dev/ttyUSB0, ask: "T?", ask_end: crlf, columns: [skip, temperature], factors: {temperature: 0.1}}}
    - {name: light, light: on, digit_cd_m2: 0.1, command: {run: [light, now], stays: on, pattern: 'L=(?P<luminance>\\d+)'}}
    - {name: inline, handset: Birch, record: {time: T, time_as: ms, zone: Europe/Berlin, voltage: U, current: "#3", factor: 0.001}}
plans: {p: {segments: [charge]}}
`

func TestMeters(t *testing.T) {
	f := parse(t, strings.ReplaceAll(metered, `\\`, `\`))
	five := 5 * time.Second
	want := []Meter{
		{Name: "line", Handset: "Alder", Every: 2 * time.Second, Timeout: time.Second, AccuracyPct: 0.5, SCPI: &SCPIMeter{
			Address: "192.0.2.4:5025", Setup: []string{"CONF:X"},
			Queries: map[meters.Quantity]meters.Query{"power": {Ask: "MEAS:POW?", Field: 1, Factor: 1}, "current": {Ask: "FETC? 1", Field: 3, Factor: 0.001}},
		}},
		{Name: "room", Room: true, Every: time.Minute, Timeout: five, Lines: &LinesMeter{
			Port: "/dev/ttyUSB0", Baud: 9600, Ask: "T?\r\n",
			Format: meters.LineFormat{Columns: []meters.Quantity{"", "temperature"}, Factors: map[meters.Quantity]float64{"temperature": 0.1}},
		}},
		{Name: "light", Light: true, Every: time.Second, Timeout: five, DigitCdM2: 0.1, Lines: &LinesMeter{
			Command: []string{"light", "now"}, Stays: true, Format: meters.LineFormat{Pattern: `L=(?P<luminance>\d+)`, Factors: map[meters.Quantity]float64{}},
		}},
		{Name: "inline", Handset: "Birch", Every: time.Second, Timeout: five, Record: &MeterRecord{Time: "T", TimeAs: "ms", Zone: "Europe/Berlin", Voltage: "U", Current: "#3", Factor: 0.001}},
	}
	if diff := cmp.Diff(want, f.Bench.Meters); diff != "" {
		t.Errorf("meters (-want +got):\n%s", diff)
	}
	if f.Bench.LuminanceMaxAge != 90*24*time.Hour {
		t.Errorf("luminance_max_age = %v, want 90 days", f.Bench.LuminanceMaxAge)
	}
	h, _ := f.Handset("Alder")
	if diff := cmp.Diff(Supply{
		Charger: &usbpower.Charger{Text: "wall 3", Watts: 30, Levels: []usbpower.Level{{Volts: 5, Amps: 3}, {Volts: 9, Amps: 3}, {Volts: 15, Amps: 2}}},
		Cable:   &usbpower.Cable{Text: "short", Amps: 3},
	}, h.Supply); diff != "" {
		t.Errorf("supply (-want +got):\n%s", diff)
	}
	if got := f.PowerNotes(); len(got) != 0 {
		t.Errorf("notes on a charger that keeps to the power rule: %q", got)
	}
	for _, tt := range []struct{ old, new, want string }{
		{"{volts: 9, amps: 3}, ", "", "by the power rule a USB PD charger of 30 W also has: fixed 9 V, 3 A"},
		{"{volts: 15, amps: 2}", "{volts: 11, amps: 6}", "11 V, 6 A (66 W) is no level of USB PD's fixed supplies"},
	} {
		f := parse(t, strings.Replace(metered, tt.old, tt.new, 1))
		if got := strings.Join(f.PowerNotes(), "; "); !strings.Contains(got, tt.want) {
			t.Errorf("with %s: notes %q, want %q", tt.new, got, tt.want)
		}
	}
}

func TestMeterFaults(t *testing.T) {
	for _, tt := range []struct{ name, old, new, want string }{
		{"no such handset", "handset: Birch, record", "handset: Brich, record", `no handset "Brich" (did you mean "Birch"?)`},
		{"two of one name", "name: room,", "name: line,", `meter "line" is already in line`},
		{"no query", `power: "MEAS:POW?"`, `power: "MEAS:POW"`, "is no query: its header ends in a question mark"},
		{"a query in the setup", `"CONF:X"`, `"*IDN?"`, "is a query; its answer would be taken for another's"},
		{"a room without temperature", "[skip, temperature]", "[skip, power]", "a meter with room reads temperature"},
		{"the same quantity twice", "[skip, temperature]", "[temperature, temperature]", "temperature is named twice"},
		{"columns and pattern", "columns: [skip, temperature]", "columns: [temperature], pattern: x", "want either columns or a pattern"},
		{"a pattern that is none", `'L=(?P<luminance>`, `'L=((?P<luminance>`, "pattern: error parsing regexp"},
		{"half of a power", `voltage: U, current: "#3"`, "voltage: U", "want a column of power, or one of voltage and one of current"},
		{"of two", "room: on,", "room: on, light: on,", "want one of handset, room: on or light: on, got 2"},
		{"too often", "every: 2 s", "every: 1 ms", "want"},
		{"a cable alone", "cable: {text: short", "cable: {tex: short", "unknown key"},
		{"a level that is none", "{volts: 5 V, amps: 3 A}", "{volts: 500, amps: 3}", "levels[0].volts: want 1 to 60 V"},
	} {
		if !strings.Contains(metered, tt.old) {
			t.Fatalf("%s: the file has no %q", tt.name, tt.old)
		}
		_, err := Parse("t.yaml", []byte(strings.Replace(metered, tt.old, tt.new, 1)))
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", tt.name, err, tt.want)
		}
	}
}
