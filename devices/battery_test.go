package devices

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// anyRaw leaves out the numbers before any unit: the tests of units have those.
var anyRaw = cmpopts.IgnoreFields(Battery{}, "Raw")

// captured reads one of the captured outputs, without the line that says where it is from.
func captured(t testing.TB, name string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "testdata", "dumps", name))
	if err != nil {
		t.Fatal(err)
	}
	source, text, found := strings.Cut(string(b), "\n")
	if !found || !strings.HasPrefix(source, "# source:") {
		t.Fatalf("%s does not begin with its source", name)
	}
	return text
}

// The wanted values are read off the captured outputs by eye.
func TestParseCapturedBatteries(t *testing.T) {
	tests := []struct {
		file string
		want Battery
	}{
		{"plain-old.txt", Battery{
			LevelPct: 100, Scale: 100, VoltageMV: new(int64(4371)), TempC: new(21.5), Status: StatusFull, Health: 2, Present: new(true), AC: true,
			ChargeCounter: new(int64(2996000)), MaxChargingCurrentUA: new(int64(1500000)), MaxChargingVoltageUV: new(int64(5000000)), Technology: "Li-ion",
		}},
		{"plain-recent.txt", Battery{
			LevelPct: 22, Scale: 100, VoltageMV: new(int64(3764)), TempC: new(28.0), Status: StatusCharging, Health: 2, Present: new(true), USB: true,
			ChargeCounter: new(int64(1082000)), MaxChargingCurrentUA: new(int64(500000)), MaxChargingVoltageUV: new(int64(5000000)), Technology: "Li-ion",
			ChargingState: new(4), ChargingPolicy: new(2), CapacityLevel: new(2),
		}},
		{"doubled-key-scaled-counter.txt", Battery{
			LevelPct: 67, Scale: 100, VoltageMV: new(int64(3960)), TempC: new(30.3), Status: StatusCharging, Health: 2, Present: new(true), USB: true,
			ChargeCounter: new(int64(471680)), MaxChargingCurrentUA: new(int64(0)), MaxChargingVoltageUV: new(int64(0)), Technology: "Li-ion",
			Notes: []string{"charge counter 471680 at 67 % makes 704 mAh of full charge, little for a handset: it may be scaled"},
		}},
		{"extra-current-line.txt", Battery{
			LevelPct: 98, Scale: 100, VoltageMV: new(int64(4228)), TempC: new(27.0), Status: StatusCharging, Health: 2, Present: new(true), USB: true,
			MaxChargingCurrentUA: new(int64(500_000)), MaxChargingVoltageUV: new(int64(4_350_000)),
			Notes: []string{"Max charging current 500 taken as mA", "Max charging voltage 4350 taken as mV", "charge counter 1 at 98 % is dead: it was not used"},
		}},
		{"section-before-header.txt", Battery{
			LevelPct: 87, Scale: 100, VoltageMV: new(int64(4402)), TempC: new(32.5), Status: StatusCharging, Health: 2, Present: new(true), USB: true,
			ChargeCounter: new(int64(4864000)), MaxChargingCurrentUA: new(int64(2000000)), MaxChargingVoltageUV: new(int64(5000000)), Technology: "Li-ion",
			ChargingState: new(0), ChargingPolicy: new(0),
		}},
		{"trailing-lines-mah-counter.txt", Battery{
			LevelPct: 80, Scale: 100, VoltageMV: new(int64(4228)), TempC: new(36.4), Status: StatusCharging, Health: 2, Present: new(true), AC: true,
			ChargeCounter: new(int64(4274)), MaxChargingCurrentUA: new(int64(12400000)), MaxChargingVoltageUV: new(int64(11000000)), Technology: "Li-poly",
			ChargingState: new(0), ChargingPolicy: new(0), CapacityLevel: new(4),
			Notes: []string{"charge counter 4274 taken as mAh"},
		}},
	}
	for _, tt := range tests {
		t.Run(tt.file, func(t *testing.T) {
			text := captured(t, tt.file)
			got, err := ParseBattery(text)
			if err != nil {
				t.Fatalf("ParseBattery(%s) = %v", tt.file, err)
			}
			if diff := cmp.Diff(tt.want, got, anyRaw); diff != "" {
				t.Errorf("ParseBattery(%s) (-want +got):\n%s", tt.file, diff)
			}
			// Through a terminal, and with what the dynamic linker likes to say in front.
			crlf := "WARNING: linker: Warning: unused DT entry\r\n" + strings.ReplaceAll(text, "\n", "\r\n")
			if again, err := ParseBattery(crlf); err != nil || !cmp.Equal(got, again) {
				t.Errorf("with CRLF and a warning in front: %+v, %v", again, err)
			}
		})
	}
}

// body is the smallest reading; all shapes made of it are made up.
const body = "  AC powered: false\n  USB powered: false\n  Wireless powered: false\n  status: 3\n  health: 2\n  present: true\n" +
	"  level: 44\n  scale: 100\n  voltage: 3812\n  temperature: 291\n  technology: Li-ion\n"

func TestParseMadeUpBatteries(t *testing.T) {
	plain := func() Battery {
		return Battery{LevelPct: 44, Scale: 100, VoltageMV: new(int64(3812)), TempC: new(29.1), Status: StatusDischarging, Health: 2, Present: new(true), Technology: "Li-ion"}
	}
	with := func(change func(*Battery)) Battery {
		b := plain()
		change(&b)
		return b
	}
	replace := func(old, new string) string {
		if !strings.Contains(body, old) {
			t.Fatalf("body has no %q", old)
		}
		return batteryHeader + "\n" + strings.Replace(body, old, new, 1)
	}
	tests := []struct {
		name, dump string
		want       Battery
	}{
		{"plain", batteryHeader + "\n" + body, plain()},
		{"no space after the colon", replace("voltage: 3812", "voltage:4191"), with(func(b *Battery) { b.VoltageMV = new(int64(4191)) })},
		{"a maker's line in front of all", replace("  AC", "  mBootCompleted: true\n  AC"), plain()},
		{"modular battery behind", batteryHeader + "\n" + body + "  mod level: 91\n  mod status: 1\n", plain()},
		{"modular battery first, with its own key", replace("  status", "  MOD powered: false\n  mod level: 91\n  status"), plain()},
		{"keys in another case", replace("  level", "  Level: 12\n  LEVEL: 13\n  Capacity level: 3\n  level"), with(func(b *Battery) { b.CapacityLevel = new(3) })},
		{"a later line of a key", batteryHeader + "\n" + body + "  level: 90\n  voltage: 1\n  AC powered: true\n", plain()},
		{"a log in brackets", batteryHeader + "\n" + body + "[EventLogBuffer]\n  Charge counter: 99\nlevel: 1\n", plain()},
		{"a log of time stamps", batteryHeader + "\n" + body + "11-25 10:21:58.123  Sending ACTION_BATTERY_CHANGED: level:43\n  Charge counter: 99\n", plain()},
		{"keys without value and stray lines", replace("  scale", "LLB MAN:\nFailed to write while dumping service battery\n\n  scale"), plain()},
		{"a section with a similar header behind", batteryHeader + "\n" + body + "Current VENDORX Battery Service state:\n  level : 3\n  PhoneTemp: 330\n", plain()},
		{"a section with our keys before the header", "Current VENDORX Battery Service state:\n  level: 3\n  AC powered: true\n" + batteryHeader + "\n" + body, plain()},
		{"not ASCII", replace("  scale", "  電池: 充電なし\n  t\xff\xfe: 1\n  scale"), plain()},
		{"dock", replace("  status", "  Dock powered: true\n  status"), with(func(b *Battery) { b.Dock = true })},
		{"too hot", replace("health: 2", "health: 3"), with(func(b *Battery) { b.Health = 3 })},
		{"health not printed", replace("  health: 2\n", ""), with(func(b *Battery) { b.Health = 0 })},
		{"freezing cold", replace("291", "-87"), with(func(b *Battery) { b.TempC = new(-8.7) })},
		{"volts and whole degrees", replace("voltage: 3812\n  temperature: 291", "voltage: 13\n  temperature: 26"), with(func(b *Battery) {
			b.VoltageMV, b.TempC, b.Notes = new(int64(13000)), new(26.0), []string{"voltage 13 taken as V", "temperature 26 taken as °C: the voltage is in V"}
		})},
		{"microvolts", replace("3812", "3812345"), with(func(b *Battery) { b.Notes = []string{"voltage 3812345 taken as µV"} })},
		{"no voltage", replace("3812", "0"), with(func(b *Battery) { b.VoltageMV, b.Notes = nil, []string{"voltage 0 is none"} })},
		{"a driver's no value", replace("  scale", "  Charge counter: -2147483648\n  scale"), with(func(b *Battery) { b.Notes = []string{`Charge counter "-2147483648" is no value`} })},
		{"another scale", replace("level: 44\n  scale: 100", "level: 90\n  scale: 200"), with(func(b *Battery) { b.LevelPct, b.Scale = 45, 200 })},
		{"zero", replace("level: 44", "level: 0"), with(func(b *Battery) { b.LevelPct = 0 })},
		{"no technology, no newline", batteryHeader + "\n" + strings.TrimSuffix(strings.Replace(body, " Li-ion", "", 1), "\n"), with(func(b *Battery) { b.Technology = "" })},
		{"frozen, in a maker's own words only", replace("  scale", "  UpdatesStopped: false\n  scale"), plain()},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ParseBattery(tt.dump)
			if err != nil {
				t.Fatalf("ParseBattery = %v\n%s", err, tt.dump)
			}
			if diff := cmp.Diff(tt.want, got, anyRaw); diff != "" {
				t.Errorf("ParseBattery (-want +got):\n%s\nof\n%s", diff, tt.dump)
			}
		})
	}
}

func TestParseBatteryRefuses(t *testing.T) {
	whole := batteryHeader + "\n" + body
	tests := []struct {
		name, dump string
		is         error
		says       string
	}{
		{"frozen", strings.Replace(whole, "state:\n", "state:\n  (UPDATES STOPPED -- use 'reset' to restart)\n", 1), ErrFrozen, "dumpsys battery reset"},
		{"nothing", "", nil, "printed: nothing"},
		{"no such service", "Can't find service: battery\n", nil, "Can't find service"},
		{"header indented", "  " + whole, nil, "no line"},
		{"a similar header", strings.Replace(whole, "Current", "Current VENDORX", 1), nil, "no line"},
		{"no level", strings.Replace(whole, "  level: 44\n", "", 1), ErrCutShort, "level"},
		{"level above the scale", strings.Replace(whole, "44", "101", 1), nil, "outside 0 to 100"},
		{"level below 0", strings.Replace(whole, "44", "-1", 1), nil, "outside 0 to 100"},
		{"level is no number", strings.Replace(whole, "44", "44%", 1), nil, "no whole number"},
		{"level too long", strings.Replace(whole, "44", "99999999999999999999", 1), nil, "no whole number"},
		{"scale 0", strings.Replace(whole, "scale: 100", "scale: 0", 1), nil, "scale"},
		{"cut within the level", whole[:strings.Index(whole, "44")+1], ErrCutShort, `"level"`},
		{"cut before the level", whole[:strings.Index(whole, "  level")], ErrCutShort, "level"},
		{"cut within the temperature", whole[:strings.Index(whole, "291")+2], ErrCutShort, `"temperature"`},
		{"no power line", strings.NewReplacer("AC powered", "a", "USB powered", "b", "Wireless powered", "c").Replace(whole), nil, "power is connected"},
		{"power unknown", strings.Replace(whole, "AC powered: false", "AC powered: fal", 1), nil, "neither true nor false"},
		{"service too slow", whole + "*** SERVICE 'battery' DUMP TIMEOUT (10000ms) EXPIRED ***\n", ErrCutShort, "in time"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ParseBattery(tt.dump)
			if err == nil || (tt.is != nil && !errors.Is(err, tt.is)) || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("ParseBattery = %+v, %v; want an error (%v) that says %q", got, err, tt.is, tt.says)
			}
		})
	}
}

// A reading that is cut anywhere is refused or gives the whole reading's values: never a
// smaller number.
func TestCutBatteriesNeverShrink(t *testing.T) {
	for _, name := range []string{"plain-old.txt", "plain-recent.txt", "section-before-header.txt", "trailing-lines-mah-counter.txt"} {
		text := captured(t, name)
		whole, err := ParseBattery(text)
		if err != nil {
			t.Fatal(err)
		}
		for n := range len(text) {
			cut, err := ParseBattery(text[:n])
			if err != nil {
				continue
			}
			if cut.LevelPct != whole.LevelPct || cut.Scale != whole.Scale || cut.Plugged() != whole.Plugged() ||
				(cut.VoltageMV != nil && *cut.VoltageMV != *whole.VoltageMV) || (cut.TempC != nil && *cut.TempC != *whole.TempC) ||
				(cut.ChargeCounter != nil && *cut.ChargeCounter != *whole.ChargeCounter) {
				t.Errorf("%s cut to %d bytes reads as %+v, whole %+v", name, n, cut, whole)
			}
		}
	}
}

func TestPlugged(t *testing.T) {
	for _, tt := range []struct {
		b       Battery
		mask    int
		sources string
	}{
		{Battery{}, 0, ""},
		{Battery{AC: true}, 1, "AC"},
		{Battery{USB: true, Wireless: true}, 6, "USB and wireless"},
		{Battery{AC: true, USB: true, Wireless: true, Dock: true}, 15, "AC and USB and wireless and dock"},
	} {
		if got := tt.b.Plugged(); got != tt.mask || tt.b.Sources() != tt.sources {
			t.Errorf("%+v: Plugged %d, Sources %q, want %d, %q", tt.b, got, tt.b.Sources(), tt.mask, tt.sources)
		}
	}
}

// FuzzParseBattery: a reading that is accepted lies in range, does not depend on line
// ends, on unknown lines, or on what stands before the header.
func FuzzParseBattery(f *testing.F) {
	for _, name := range []string{"plain-old.txt", "plain-recent.txt", "doubled-key-scaled-counter.txt", "extra-current-line.txt", "section-before-header.txt", "trailing-lines-mah-counter.txt"} {
		f.Add(captured(f, name))
	}
	f.Add(batteryHeader + "\n" + body)
	f.Fuzz(func(t *testing.T, dump string) {
		b, err := ParseBattery(dump)
		if err != nil {
			return
		}
		if b.LevelPct < 0 || b.LevelPct > 100 || b.Scale <= 0 || b.Plugged() < 0 || b.Plugged() > 15 {
			t.Errorf("out of range: %+v", b)
		}
		if b.TempC != nil && (*b.TempC < -60 || *b.TempC > 150) || b.VoltageMV != nil && (*b.VoltageMV < 1 || *b.VoltageMV > 100_000) {
			t.Errorf("out of range: %v °C, %v mV", b.TempC, b.VoltageMV)
		}
		// What comes in front of the header does not count, unless it is the header.
		if again, err := ParseBattery("Current VENDORX Battery Service state:\n  level: 1\n  voltage: 9\n" + dump); err != nil || !cmp.Equal(b, again) {
			t.Errorf("with a section in front: %+v, %v; without %+v", again, err, b)
		}
		if strings.Contains(dump, "\r") {
			return
		}
		if again, err := ParseBattery(strings.ReplaceAll(dump, "\n", "\r\n")); err != nil || !cmp.Equal(b, again) {
			t.Errorf("with CRLF: %+v, %v; without %+v", again, err, b)
		}
		at := strings.Index("\n"+dump, "\n"+batteryHeader+"\n")
		if at < 0 {
			return
		}
		at += len(batteryHeader) + 1
		if again, err := ParseBattery(dump[:at] + "  mod level: " + strconv.Itoa(b.LevelPct+1) + "\n  Level: 7\nLLB MAN:\n" + dump[at:]); err != nil || !cmp.Equal(b, again) {
			t.Errorf("with unknown lines: %+v, %v; without %+v", again, err, b)
		}
	})
}
