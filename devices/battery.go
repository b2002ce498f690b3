package devices

import (
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// ErrFrozen means that somebody has stopped the handset's battery updates, so that every
// value it prints is made up. `dumpsys battery reset` on the handset ends that.
var ErrFrozen = errors.New("battery updates are stopped on the handset and every value is made up; run \"dumpsys battery reset\" on it")

// ErrCutShort means that a reading ends before its end; none of its values is used.
var ErrCutShort = errors.New("the reading is cut short")

// Bits of Battery.Plugged.
const (
	PluggedAC       = 1
	PluggedUSB      = 2
	PluggedWireless = 4
	PluggedDock     = 8
)

// Codes of Battery.Status. They say what the charger does, not whether a cable is in:
// handsets report "not charging" unplugged, and "charging" while they hold a level.
const (
	StatusUnknown     = 1
	StatusCharging    = 2
	StatusDischarging = 3
	StatusNotCharging = 4
	StatusFull        = 5
)

// A Battery is one reading of the battery service. A value that the handset does not
// print, or prints as no such value can be, is nil.
type Battery struct {
	LevelPct  int // level of the scale, in %, 0 to 100
	Scale     int // what the handset counts its level up to, 100 on all but odd builds
	VoltageMV *int64
	// TempC is nil as well where the reading alone does not tell its unit: see In.
	TempC   *float64
	Status  int // StatusCharging and so on; 0 not printed
	Health  int // 1 unknown, 2 good, 3 overheat, 4 dead, 5 over voltage, 6 failure, 7 cold; 0 not printed
	Present *bool

	AC, USB, Wireless, Dock bool // power sources seen

	// ChargeCounter is the gauge's remaining charge in the handset's own unit: µAh by
	// definition, mAh or worse on some; nil where it is a dead value.
	ChargeCounter *int64
	// MaxChargingCurrentUA and MaxChargingVoltageUV are what the charger offers.
	MaxChargingCurrentUA, MaxChargingVoltageUV *int64
	ChargingState                              *int // 1 normal, 2 too cold, 3 too hot, 4 long life, 5 adaptive
	ChargingPolicy                             *int // 1 default, 2 long life, 3 adaptive
	CapacityLevel                              *int // -1 unsupported, 0 unknown, 1 critical to 5 full
	Technology                                 string

	// Raw are the numbers as printed, before any unit.
	Raw Raw

	// Notes say where a value was odd and what was made of it.
	Notes []string
}

// Raw are what a handset printed of its battery, in its own units; nil where it printed none.
type Raw struct {
	Voltage, Temperature, Counter, Current *int64
	// CurrentKey is the key of the line that has Current: makers' own, Android has none.
	CurrentKey string
	// Notes say what was odd whatever the units.
	Notes []string
}

// currentKeys are the keys under which makers print the current, with what was seen there.
var currentKeys = []string{
	"current now", // in mA, negative while it discharges
	"current",     // in µA
}

// Plugged returns the power sources seen as a mask of PluggedAC and so on; 0 on battery.
func (b Battery) Plugged() int {
	mask := 0
	for bit, on := range map[int]bool{PluggedAC: b.AC, PluggedUSB: b.USB, PluggedWireless: b.Wireless, PluggedDock: b.Dock} {
		if on {
			mask |= bit
		}
	}
	return mask
}

// Sources names the power sources seen, for people: "USB", "AC and wireless"; "" on battery.
func (b Battery) Sources() string {
	var names []string
	for _, s := range []struct {
		on   bool
		name string
	}{{b.AC, "AC"}, {b.USB, "USB"}, {b.Wireless, "wireless"}, {b.Dock, "dock"}} {
		if s.on {
			names = append(names, s.name)
		}
	}
	return strings.Join(names, " and ")
}

// The battery service's text, and how it is read (android-side facts, by version, are in
// flavour.go):
//
//   - Values count only after the line batteryHeader. Makers print sections of their own,
//     with a similar header, before it.
//   - A key is the whole text between the leading spaces and the colon, with its case:
//     "charge counter", "mod level" and "Capacity level" are other keys than ours.
//   - The first line of a key wins; unknown lines are skipped, wherever they are.
//   - A line that starts with "[" or with a time stamp begins a maker's log of old
//     readings: nothing after it counts.
const batteryHeader = "Current Battery Service state:"

var (
	logStamp    = regexp.MustCompile(`^\d\d-\d\d \d\d:\d\d`)
	dumpTimeout = regexp.MustCompile(`^\*\*\* SERVICE .* DUMP TIMEOUT`)
)

// ParseBattery reads the text of `dumpsys battery`. ErrFrozen when the values are made
// up, ErrCutShort when the text ends within a value that is measured or the service did
// not finish; other errors say what is missing.
func ParseBattery(dump string) (Battery, error) {
	values := make(map[string]string)
	inside := false
	torn := "" // key of a last line that lacks its end
	for rest := dump; rest != ""; {
		line, after, ended := strings.Cut(rest, "\n")
		rest = after
		line = strings.TrimRight(line, " \t\r")
		text := strings.TrimLeft(line, " \t")
		if strings.HasPrefix(text, "(UPDATES STOPPED") {
			return Battery{}, ErrFrozen
		}
		if dumpTimeout.MatchString(text) {
			return Battery{}, fmt.Errorf("battery: the handset's service did not answer in time: %w", ErrCutShort)
		}
		if !inside {
			inside = line == batteryHeader
			continue
		}
		if strings.HasPrefix(text, "[") || logStamp.MatchString(text) {
			break
		}
		key, value, found := strings.Cut(text, ":")
		if !found {
			if !ended {
				torn = text
			}
			continue
		}
		if _, seen := values[key]; seen {
			continue
		}
		values[key] = strings.TrimSpace(value)
		if !ended {
			torn = key
		}
	}
	if !inside {
		return Battery{}, fmt.Errorf("battery: no line %q in what the handset printed: %s", batteryHeader, excerpt(dump))
	}
	// What a lost byte at the end would turn into a smaller number is no reading. The
	// lines that come last in a whole reading are codes and words, which cannot hurt.
	switch torn {
	case "level", "scale", "voltage", "temperature", "Charge counter", "status", "health",
		"AC powered", "USB powered", "Wireless powered", "Dock powered":
		return Battery{}, fmt.Errorf("battery: the text ends within %q: %w", torn, ErrCutShort)
	}
	return batteryFrom(values)
}

func batteryFrom(values map[string]string) (Battery, error) {
	b := Battery{Scale: 100, Technology: values["technology"]}

	sources := 0
	for key, into := range map[string]*bool{
		"AC powered": &b.AC, "USB powered": &b.USB, "Wireless powered": &b.Wireless, "Dock powered": &b.Dock,
	} {
		text, printed := values[key]
		if !printed {
			continue
		}
		on, err := strictBool(text)
		if err != nil {
			return Battery{}, fmt.Errorf("battery: %s: %w", key, err)
		}
		*into = on
		sources++
	}
	if sources == 0 {
		return Battery{}, errors.New("battery: no line says whether power is connected (AC, USB or Wireless powered)")
	}
	if text, printed := values["present"]; printed {
		if p, err := strictBool(text); err == nil {
			b.Present = &p
		}
	}

	level, printed := values["level"]
	if !printed {
		return Battery{}, fmt.Errorf("battery: no line \"level\": %w", ErrCutShort)
	}
	n, err := strconv.Atoi(level)
	if err != nil {
		return Battery{}, fmt.Errorf("battery: level %q is no whole number", level)
	}
	if text, printed := values["scale"]; printed {
		if b.Scale, err = strconv.Atoi(text); err != nil || b.Scale <= 0 || b.Scale > 1_000_000 {
			return Battery{}, fmt.Errorf("battery: scale %q is no whole number above 0", text)
		}
	}
	if n < 0 || n > b.Scale {
		return Battery{}, fmt.Errorf("battery: level %d is outside 0 to %d", n, b.Scale)
	}
	b.LevelPct = n * 100 / b.Scale

	b.Status = int(deref(b.number(values, "status")))
	b.Health = int(deref(b.number(values, "health")))
	b.Raw.Counter = b.number(values, "Charge counter")
	b.Raw.Voltage, b.Raw.Temperature = b.number(values, "voltage"), b.number(values, "temperature")
	for _, key := range currentKeys {
		if b.Raw.Current = b.number(values, key); b.Raw.Current != nil {
			b.Raw.CurrentKey = key
			break
		}
	}
	b.readOffer(values)
	b.ChargingState = b.code(values, "Charging state")
	b.ChargingPolicy = b.code(values, "Charging policy")
	b.CapacityLevel = b.code(values, "Capacity level")
	b.Raw.Notes = b.Notes
	return b.In(DecideUnits(Evidence{Readings: []Battery{b}})), nil
}

// readOffer reads what the charger offers, in µA and µV by definition and in mA and mV on
// some builds. Chargers offer 3 to 60 V, so that the voltage tells which it is.
func (b *Battery) readOffer(values map[string]string) {
	ua, uv := b.number(values, "Max charging current"), b.number(values, "Max charging voltage")
	milli := func(n *int64, least, most int64) bool { return n != nil && *n >= least && *n <= most }
	if milli(uv, 3000, 60_000) || (uv == nil || *uv == 0) && milli(ua, 50, 20_000) {
		for _, x := range []struct {
			what, unit string
			n          **int64
		}{{"Max charging current", "mA", &ua}, {"Max charging voltage", "mV", &uv}} {
			if *x.n != nil && **x.n != 0 {
				b.note("%s %d taken as %s", x.what, **x.n, x.unit)
				micro := **x.n * 1000
				*x.n = &micro
			}
		}
	}
	b.MaxChargingCurrentUA, b.MaxChargingVoltageUV = ua, uv
}

// number returns a key's value, or nil and a note. The least 32-bit number is what
// drivers print for a value that they do not have.
func (b *Battery) number(values map[string]string, key string) *int64 {
	text, printed := values[key]
	if !printed || text == "" {
		return nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n == math.MinInt32 || n == math.MinInt64 {
		b.note("%s %q is no value", key, Shorten(text, 40))
		return nil
	}
	return &n
}

func (b *Battery) code(values map[string]string, key string) *int {
	n := b.number(values, key)
	if n == nil || *n < -1000 || *n > 1000 {
		return nil
	}
	c := int(*n)
	return &c
}

func (b *Battery) note(format string, args ...any) {
	b.Notes = append(b.Notes, fmt.Sprintf(format, args...))
}

// ReadBattery reads the battery service once.
func ReadBattery(ctx context.Context, l Link) (Battery, error) {
	out, err := Run(ctx, l, "dumpsys battery")
	if err != nil {
		return Battery{}, fmt.Errorf("handset %s: battery: %w", l.Serial(), err)
	}
	b, err := ParseBattery(out)
	if err != nil {
		return Battery{}, fmt.Errorf("handset %s: %w", l.Serial(), err)
	}
	return b, nil
}

func strictBool(text string) (bool, error) {
	switch text {
	case "true":
		return true, nil
	case "false":
		return false, nil
	}
	return false, fmt.Errorf("%q is neither true nor false", Shorten(text, 40))
}

func deref(n *int64) int64 {
	if n == nil || *n < math.MinInt32 || *n > math.MaxInt32 {
		return 0
	}
	return *n
}

// excerpt returns the beginning of what a handset printed, on one line, for a message.
func excerpt(text string) string {
	text = OneLine(text)
	if text == "" {
		return "nothing"
	}
	return strconv.Quote(Shorten(text, 120))
}
