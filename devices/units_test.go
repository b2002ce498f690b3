package devices

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// reading is a dump with these lines in place of voltage and temperature.
func reading(t testing.TB, lines ...string) Battery {
	t.Helper()
	text := strings.Replace(body, "  voltage: 3812\n  temperature: 291\n", "  "+strings.Join(lines, "\n  ")+"\n", 1)
	b, err := ParseBattery(batteryHeader + "\n" + text)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func heat(batteryC, skinC float64) *Thermal {
	t := &Thermal{}
	if batteryC != 0 {
		t.BatteryC = &batteryC
	}
	if skinC != 0 {
		t.SkinC = &skinC
	}
	return t
}

// What is physically possible, scale by scale; all readings are made up but for the volts and
// degrees, which were seen.
func TestDecideUnits(t *testing.T) {
	tests := []struct {
		name                 string
		lines                []string
		thermal              *Thermal
		supply               *Supply
		voltage, temperature string
		wantMV               int64   // 0: none
		wantC                float64 // NaN: none
	}{
		{"as Android documents it", []string{"voltage: 3812", "temperature: 291"}, nil, nil, "mV", "0.1 °C", 3812, 29.1},
		{"volts and degrees", []string{"voltage: 13", "temperature: 26"}, nil, nil, "V", "°C (assumed)", 13000, 26},
		{"volts and hot", []string{"voltage: 4", "temperature: 61"}, nil, nil, "V", "°C (assumed)", 4000, 61},
		{"volts and tenths", []string{"voltage: 4", "temperature: 261"}, nil, nil, "V", "0.1 °C", 4000, 26.1},
		{"volts, and tenths of a cold handset as its sensor says", []string{"voltage: 4", "temperature: 26"}, heat(2.5, 0), nil, "V", "0.1 °C", 4000, 2.6},
		{"microvolts and tenths", []string{"voltage: 3812000", "temperature: 291"}, nil, nil, "µV", "0.1 °C", 3812, 29.1},
		{"two cells in series", []string{"voltage: 7730", "temperature: 291"}, nil, nil, "mV", "0.1 °C", 7730, 29.1},
		{"millivolts, and degrees or tenths", []string{"voltage: 3812", "temperature: 26"}, nil, nil, "mV", "cannot be told", 3812, math.NaN()},
		{"millivolts and degrees by the battery's sensor", []string{"voltage: 3812", "temperature: 26"}, heat(27.5, 0), nil, "mV", "°C", 3812, 26},
		{"millivolts and tenths by the battery's sensor", []string{"voltage: 3812", "temperature: 26"}, heat(3.1, 0), nil, "mV", "0.1 °C", 3812, 2.6},
		{"millivolts and degrees by the skin", []string{"voltage: 3812", "temperature: 26"}, heat(0, 31), nil, "mV", "°C", 3812, 26},
		{"the skin between both", []string{"voltage: 3812", "temperature: 26"}, heat(0, 14), nil, "mV", "cannot be told", 3812, math.NaN()},
		{"too near to zero for any sensor to tell", []string{"voltage: 3812", "temperature: 4"}, heat(2, 0), nil, "mV", "cannot be told", 3812, math.NaN()},
		{"degrees by the kernel", []string{"voltage: 3812", "temperature: 26"}, nil, &Supply{Temp: new(int64(264))}, "mV", "°C", 3812, 26},
		{"the kernel in doubt as well", []string{"voltage: 3812", "temperature: 26"}, nil, &Supply{Temp: new(int64(26))}, "mV", "cannot be told", 3812, math.NaN()},
		{"below zero", []string{"voltage: 3812", "temperature: -87"}, nil, nil, "mV", "0.1 °C", 3812, -8.7},
		{"thousandths", []string{"voltage: 3812", "temperature: 26100"}, nil, nil, "mV", "0.001 °C", 3812, 26.1},
		{"hundredths or thousandths", []string{"voltage: 3812", "temperature: 2610"}, nil, nil, "mV", "cannot be told", 3812, math.NaN()},
		{"hundredths by the skin", []string{"voltage: 3812", "temperature: 2610"}, heat(0, 28), nil, "mV", "0.01 °C", 3812, 26.1},
		{"no temperature that a battery has", []string{"voltage: 3812", "temperature: 999999"}, nil, nil, "mV", "cannot be told", 3812, math.NaN()},
		{"no voltage that a battery has", []string{"voltage: 412", "temperature: 291"}, nil, nil, "cannot be told", "0.1 °C", 0, 29.1},
		{"a placeholder", []string{"voltage: 5000", "temperature: 291"}, nil, nil, "mV", "0.1 °C", 0, 29.1},
		{"neither printed", []string{"x: 1"}, nil, nil, "cannot be told", "cannot be told", 0, math.NaN()},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := reading(t, tt.lines...)
			u := DecideUnits(Evidence{Readings: []Battery{b}, Thermal: tt.thermal, Supply: tt.supply})
			if u.Voltage.String() != tt.voltage || u.Temperature.String() != tt.temperature {
				t.Errorf("voltage %s (%s), temperature %s (%s), want %s and %s", u.Voltage, u.Voltage.Why, u.Temperature, u.Temperature.Why, tt.voltage, tt.temperature)
			}
			got := b.In(u)
			if tt.wantMV == 0 && got.VoltageMV != nil || tt.wantMV != 0 && (got.VoltageMV == nil || *got.VoltageMV != tt.wantMV) {
				t.Errorf("voltage read as %v mV, want %d", got.VoltageMV, tt.wantMV)
			}
			if math.IsNaN(tt.wantC) != (got.TempC == nil) || got.TempC != nil && *got.TempC != tt.wantC {
				t.Errorf("temperature read as %v °C, want %v", got.TempC, tt.wantC)
			}
			for what, s := range map[string]Scale{"voltage": u.Voltage, "temperature": u.Temperature} {
				if s.Why == "" {
					t.Errorf("nothing says why the %s is %s", what, s)
				}
			}
			odd := tt.temperature != "0.1 °C" || tt.voltage != "mV" || tt.wantMV == 0
			if odd != (len(got.Notes) > 0) && tt.name != "neither printed" {
				t.Errorf("notes %q", got.Notes)
			}
		})
	}
}

// Several readings tell what one does not: none of them may be impossible.
func TestDecideUnitsBySeveralReadings(t *testing.T) {
	u := DecideUnits(Evidence{Readings: []Battery{reading(t, "voltage: 3812", "temperature: 79"), reading(t, "voltage: 3812", "temperature: 83")}})
	if u.Temperature.Unit != "0.1 °C" || u.Temperature.Assumed {
		t.Errorf("79 and 83 taken as %s (%s): 83 °C is none of a battery", u.Temperature, u.Temperature.Why)
	}
}

func TestRawTemp(t *testing.T) {
	for _, x := range []struct {
		s    Scale
		c    float64
		want int
	}{{tenths, 45, 450}, {tenths, 42.5, 425}, {tenths, 37.3, 373}, {degrees, 45, 45}, {degrees, 42.5, 42}, {thousands, 45, 45000}, {tenths, -5, -50}} {
		if got, ok := (Units{Temperature: x.s}).RawTemp(x.c); !ok || got != x.want {
			t.Errorf("a limit of %g °C in %s is %d, %v, want %d", x.c, x.s.Unit, got, ok, x.want)
		}
	}
	if _, ok := (Units{}).RawTemp(45); ok {
		t.Error("a limit was given in a unit that is not known")
	}
}

func TestCurrentUnit(t *testing.T) {
	steady := func(v float64) []float64 { return []float64{v, -v, v, v * 0.98, v * 1.1, v} }
	for _, x := range []struct {
		name string
		raw  []float64
		want string // "": cannot be told
	}{
		{"µA", steady(-326171), "µA"},
		{"one reading in µA", []float64{326000}, "µA"},
		{"mA", steady(-975), "mA"},
		{"one reading in mA", []float64{172}, "mA (assumed)"},
		{"a charger's 12 A in mA", steady(12400), "mA (assumed)"},
		{"a charger's 12 A in µA", steady(12_400_000), "µA"},
		// Most of the time 8 mA, and a burst now and then: no handset draws 200 A.
		{"rest in µA", append(steady(8000), 210_000), "µA"},
		{"none", nil, ""},
		{"zeros", []float64{0, 0, 0}, ""},
		{"a property that is not there", []float64{-2147483648, -2147483}, ""},
		{"too much in any unit", steady(4e8), ""},
	} {
		s, ok := CurrentUnit(x.raw)
		if got := s.String(); ok != (x.want != "") || ok && got != x.want {
			t.Errorf("%s: %v told as %q, %v, want %q", x.name, x.raw, got, ok, x.want)
		}
	}
}

func TestCounterUnit(t *testing.T) {
	for _, x := range []struct {
		raw   int64
		level int
		mAh   float64
		want  string
		dead  bool
	}{
		{2_996_000, 100, 0, "µAh", false},
		{4274, 80, 0, "mAh", false},
		{748, 17, 0, "mAh", false},
		{45, 1, 0, "mAh", false}, // a nearly empty 4500 mAh
		{45_000, 1, 0, "µAh", false},
		{139, 98, 0, "cannot be told", true},
		{139, 3, 0, "mAh", false},
		{0, 50, 0, "cannot be told", true},
		{1, 98, 0, "cannot be told", true},
		{4, 60, 0, "cannot be told", true},
		{-1_200_000, 60, 0, "cannot be told", false}, // relative: it counts from somewhere
		{471_680, 67, 0, "µAh (assumed)", false},
		{471_680, 67, 7040, "cannot be told", false}, // a tenth
		{471_680, 67, 700, "µAh", false},
		{60_000, 50, 0, "cannot be told", false},
		{139, 0, 0, "cannot be told", false},
	} {
		s, dead, note := CounterUnit(x.raw, x.level, x.mAh)
		if s.String() != x.want || dead != x.dead {
			t.Errorf("counter %d at %d %% (maker's %g mAh) is in %s, dead %v, want %s, %v", x.raw, x.level, x.mAh, s, dead, x.want, x.dead)
		}
		if (dead || s.Assumed || !s.Known() && x.level > 0 || s.Unit == "mAh") != (note != "") {
			t.Errorf("counter %d at %d %%: note %q", x.raw, x.level, note)
		}
	}
}

// Units once decided are not changed by a reading: what contradicts them is said.
func TestContradictions(t *testing.T) {
	usual := DecideUnits(Evidence{Readings: []Battery{reading(t, "voltage: 3812", "temperature: 291")}})
	volts := DecideUnits(Evidence{Readings: []Battery{reading(t, "voltage: 4", "temperature: 26")}})
	for _, x := range []struct {
		name    string
		u       Units
		lines   []string
		wants   string // "": none
		settled bool   // what was only assumed is known now
	}{
		{"the same", usual, []string{"voltage: 3777", "temperature: 306"}, "", false},
		{"cold, which alone could be degrees", usual, []string{"voltage: 3777", "temperature: 26"}, "", false},
		{"suddenly volts", usual, []string{"voltage: 4", "temperature: 300"}, "voltage was decided to be in mV", false},
		{"suddenly thousandths", usual, []string{"voltage: 3800", "temperature: 30100"}, "temperature was decided to be in 0.1 °C", false},
		{"on fire", usual, []string{"voltage: 3800", "temperature: 1010"}, "", false},
		{"degrees that were tenths", volts, []string{"voltage: 4", "temperature: 261"}, "temperature was decided to be in °C", true},
	} {
		got := x.u.Contradictions(Evidence{Readings: []Battery{reading(t, x.lines...)}})
		if (len(got) == 0) != (x.wants == "") || len(got) > 0 && (!strings.Contains(got[0].Text, x.wants) || got[0].Corrected != x.settled || !got[0].Limits) {
			t.Errorf("%s: %+v, want one that says %q, corrected %v", x.name, got, x.wants, x.settled)
		}
	}
	if c := usual.TempC(new(int64(1010))); c == nil || *c != 101 {
		t.Errorf("a battery of 101 °C is read as %v", c)
	}
	// What was known stays, what was assumed gives way to what is known.
	if u := volts.With(usual); u.Temperature.Unit != "0.1 °C" || u.Voltage.Unit != "V" {
		t.Errorf("V and °C (assumed), then mV and 0.1 °C: %s", u.Says())
	}
	if u := usual.With(DecideUnits(Evidence{Readings: []Battery{reading(t, "voltage: 3812", "temperature: 26")}})); u.Temperature.Unit != "0.1 °C" {
		t.Errorf("0.1 °C, then one that cannot be told: %s", u.Says())
	}
}

// The kernel's own view, as captured; the wanted values are read off the file by eye.
func TestParseCapturedSupply(t *testing.T) {
	s, err := ParseSupply(captured(t, "uevent.txt"))
	if err != nil {
		t.Fatal(err)
	}
	want := Supply{Name: "battery", CapacityPct: new(44), Status: "Not charging", Voltage: new(int64(3815175)), Current: new(int64(976)), Temp: new(int64(313))}
	if diff := cmp.Diff(want, s); diff != "" {
		t.Errorf("ParseSupply (-want +got):\n%s", diff)
	}
	b := s.Reading()
	if b.VoltageMV == nil || *b.VoltageMV != 3815 || b.TempC == nil || *b.TempC != 31.3 {
		t.Errorf("read as %v mV and %v °C, want 3815 and 31.3", b.VoltageMV, b.TempC)
	}
	// 976 at rest on power: nothing tells whether it is µA, which it is here.
	if u := DecideUnits(Evidence{Readings: []Battery{b}}); u.Current.Known() {
		t.Errorf("976 at rest on power told as %s", u.Current)
	}
	prefixed := "POWER_SUPPLY_" + strings.ReplaceAll(strings.TrimSpace(captured(t, "uevent.txt")), "\n", "\nPOWER_SUPPLY_")
	if again, err := ParseSupply(prefixed); err != nil || !cmp.Equal(s, again) {
		t.Errorf("with the kernel's prefix: %+v, %v", again, err)
	}
	if _, err := ParseSupply("cat: /sys/class/power_supply/battery/uevent: Permission denied\n"); err == nil {
		t.Error("a refusal was taken for a supply")
	}
}

// Every captured output is read by what it is, so that none lies there for nothing.
func TestEveryCapturedOutputIsRead(t *testing.T) {
	files, err := os.ReadDir(filepath.Join("..", "testdata", "dumps"))
	if err != nil {
		t.Fatal(err)
	}
	read := 0
	for _, f := range files {
		if f.Name() == "README.md" {
			continue
		}
		d, err := LookAt(captured(t, f.Name()))
		if err != nil {
			t.Errorf("%s: %v", f.Name(), err)
			continue
		}
		read++
		if d.Battery == nil && d.Thermal == nil && d.Supply == nil {
			t.Errorf("%s: nothing is read from it", f.Name())
		}
	}
	if read < 8 {
		t.Errorf("%d captured outputs, want 8 or more", read)
	}
}

// FuzzUnits: whatever two numbers are printed, what comes out lies in what is believed, and
// no number is read in two ways by units that were decided from it.
func FuzzUnits(f *testing.F) {
	for _, x := range [][3]int64{{3812, 291, 0}, {13, 26, 0}, {4, 61, 610}, {3812, 26, 264}, {5000, 2610, 0}, {math.MinInt64 + 1, math.MaxInt64, 1}} {
		f.Add(x[0], x[1], x[2])
	}
	f.Fuzz(func(t *testing.T, voltage, temperature, kernel int64) {
		b := Battery{LevelPct: 50, Scale: 100, Raw: Raw{Voltage: &voltage, Temperature: &temperature}}
		u := DecideUnits(Evidence{Readings: []Battery{b}, Supply: &Supply{Temp: &kernel}})
		got := b.In(u)
		if got.TempC != nil && (*got.TempC < LeastCellC || *got.TempC > MostCellC) || got.VoltageMV != nil && (*got.VoltageMV < 2000 || *got.VoltageMV > 20_000) {
			t.Errorf("%d and %d read as %v mV, %v °C", voltage, temperature, got.VoltageMV, got.TempC)
		}
		if u.Temperature.Known() != (got.TempC != nil) {
			t.Errorf("temperature %d is in %s, and read as %v", temperature, u.Temperature, got.TempC)
		}
		if c := u.Contradictions(Evidence{Readings: []Battery{b}, Supply: &Supply{Temp: &kernel}}); len(c) > 0 {
			t.Errorf("units contradict what they were decided from: %+v", c)
		}
	})
}
