package preconditions

import (
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"rundown/devices"
)

// The rules by which what a handset printed becomes a state, one function for each row
// of the registry, and the steps of those rows that are more than a line.

// battery returns the battery reading, or why there is none.
func (r *readings) battery() (devices.Battery, error) {
	text, why := r.text(devices.ReadBatteryState)
	if why != "" {
		return devices.Battery{}, errors.New(why)
	}
	b, err := devices.ParseBattery(text)
	if err == nil && r.handset.Units != nil {
		b = b.In(*r.handset.Units)
	}
	return b, err
}

// frozen says whether the battery readings were made up by somebody.
func (r *readings) frozen() bool {
	_, asked := r.results[devices.ReadBatteryState]
	_, err := r.battery()
	return asked && errors.Is(err, devices.ErrFrozen)
}

// toggle gives the step that turns something on or off and back to what was found.
func (r *readings) toggle(found state, w Want, on, off devices.Operation) ([]step, string) {
	do, undo := off, off
	if *w.On {
		do = on
	}
	if found.on {
		undo = on
	}
	if why := r.flavour.Lacks(do); why != "" {
		return nil, why
	}
	return []step{r.do(do, undo, onOffText(found.on))}, ""
}

// switchKey reads a setting that is one of two values; not set counts as off.
func switchKey(r *readings, k key, off, on string) state {
	value, set, why := r.setting(k)
	switch {
	case why != "":
		return state{unread: why}
	case !set || value == off:
		return state{on: false}
	case value == on:
		return state{on: true}
	}
	return state{unread: fmt.Sprintf("setting %s holds %q, which is neither on nor off", k.name, value)}
}

func recorded(r *readings, keys ...key) state {
	var parts []string
	for _, k := range keys {
		value, set, why := r.setting(k)
		switch {
		case why != "":
			return state{unread: why}
		case !set:
			value = "not set"
		}
		if len(keys) > 1 {
			value = k.name + " " + value
		}
		parts = append(parts, value)
	}
	return state{text: strings.Join(parts, ", ")}
}

func realReadings(r *readings) state {
	_, err := r.battery()
	if errors.Is(err, devices.ErrFrozen) {
		return state{on: false, text: "off: battery updates are stopped, every value is made up"}
	}
	if err != nil {
		return state{unread: err.Error()}
	}
	if text, why := r.text(devices.ReadThermalStatus); why == "" {
		if t, err := devices.ParseThermal(text); err == nil && t.Overridden {
			return state{on: false, text: "off: the thermal status is set by hand"}
		}
	}
	return state{on: true}
}

// dataFunctions are USB functions whose end, when the cable goes, restarts the handset's
// end of the link.
var dataFunctions = []string{"mtp", "ptp", "rndis", "ncm", "midi", "accessory", "audio_source", "mass_storage", "uvc"}

// usbData returns the data functions that are on.
func usbData(text string) (on []string, known bool) {
	for line := range strings.SplitSeq(text, "\n") {
		line = strings.TrimSpace(line)
		if line == "" {
			continue
		}
		for f := range strings.SplitSeq(line, ",") {
			if f = strings.TrimSpace(f); slices.Contains(dataFunctions, f) {
				on = append(on, f)
			}
		}
		return on, true
	}
	return nil, false
}

func linkForm(r *readings) state {
	text, why := r.text(devices.ReadUSB)
	if why != "" {
		return state{unread: why}
	}
	on, known := usbData(text)
	if !known {
		return state{unread: "the handset does not say which USB functions are on"}
	}
	s := state{choice: "any", text: "over USB"}
	if r.overWifi() {
		s.choice, s.text = "wifi", "over Wi-Fi"
		if port, why := r.text(devices.ReadTCPLink); why == "" && strings.Trim(strings.TrimSpace(port), "0-") == "" {
			s.text += " by wireless debugging, which ends when the Wi-Fi network changes"
		}
	}
	if len(on) > 0 {
		s.never = "USB carries data (" + strings.Join(on, ", ") + "): pulling the cable would kill what runs on the handset"
	}
	return s
}

func setLink(r *readings, _ state, _ Want) ([]step, string) {
	text, _ := r.text(devices.ReadUSB)
	on, _ := usbData(text)
	if len(on) == 0 {
		return nil, "" // whether the link runs over Wi-Fi is for whoever linked it
	}
	if why := r.flavour.Lacks(devices.USBNoData); why != "" {
		return nil, why
	}
	return []step{{
		target: string(devices.USBNoData), before: "USB functions " + strings.Join(on, ","),
		ways: r.flavour.Ways(devices.USBNoData), undo: either(r.flavour.Ways(devices.USBFunctions, on[0])),
		dropsLink: true,
	}}, ""
}

func onBattery(r *readings) state {
	b, err := r.battery()
	if err != nil {
		return state{unread: err.Error()}
	}
	if b.Plugged() != 0 {
		return state{on: false, text: "off: powered by " + b.Sources()}
	}
	return state{on: true}
}

func levelState(r *readings) state {
	b, err := r.battery()
	if err != nil {
		return state{unread: err.Error()}
	}
	return state{value: float64(b.LevelPct)}
}

func temperatureState(r *readings) state {
	b, err := r.battery()
	if err != nil {
		return state{unread: err.Error()}
	}
	switch {
	case b.TempC == nil && b.Raw.Temperature != nil:
		return state{unread: fmt.Sprintf("the handset prints %d, whose unit cannot be told", *b.Raw.Temperature)}
	case b.TempC == nil:
		return state{unread: "the handset gives no battery temperature"}
	}
	return state{value: *b.TempC}
}

func heatState(r *readings) state {
	text, why := r.text(devices.ReadThermalStatus)
	if why != "" {
		return state{unread: why}
	}
	t, err := devices.ParseThermal(text)
	if err != nil {
		return state{unread: err.Error()}
	}
	names := [...]string{"none", "light", "moderate", "severe", "critical", "emergency", "shutdown"}
	s := state{on: t.Status > 0, text: onOffText(t.Status > 0)}
	if t.Status > 0 {
		s.text += ", " + names[t.Status]
	}
	if t.SkinC != nil {
		s.text += fmt.Sprintf(", skin %.1f °C", *t.SkinC)
	}
	return s
}

var (
	wifiEnabled   = regexp.MustCompile(`(?m)^Wi-?[Ff]i is (enabled|disabled)`)
	wifiConnected = regexp.MustCompile(`(?m)^Wi-?[Ff]i is connected to |Supplicant state: COMPLETED`)
	// The last one in its line: a network's name, which stands before it, may hold another.
	wifiRSSI = regexp.MustCompile(`(?m)^.*WifiInfo.*\bRSSI: (-\d+)`)
)

func wifiState(r *readings) state {
	text, why := r.text(devices.ReadWifi)
	said, readable := match(wifiEnabled, text)
	value, set, whyKey := r.setting(kWifi)
	keyReadable := whyKey == "" && set
	keyOn := value == "1" || value == "2" // 2: on although airplane mode is on; 3: off because of it
	switch {
	case !readable && !keyReadable:
		if why == "" {
			why = "the handset does not say whether Wi-Fi is on"
		}
		return state{unread: why}
	case !readable:
		return state{on: keyOn}
	}
	s := state{on: said == "enabled"}
	if s.on && wifiConnected.MatchString(text) {
		s.text = "on, connected"
	} else if s.on {
		s.unlessOn = "not connected" // a handset that has left its network is not as agreed
	}
	if keyReadable && keyOn != s.on {
		s.never = "its setting says " + onOffText(keyOn)
	}
	return s
}

func setWifi(r *readings, found state, w Want) ([]step, string) {
	switch {
	case !*w.On && r.overWifi():
		return nil, "the link itself runs over Wi-Fi; link the handset over USB to measure with Wi-Fi off"
	case *w.On && found.on && found.never == "":
		return nil, "" // on, but not connected: which network it joins is set by hand
	}
	return r.toggle(found, w, devices.WifiOn, devices.WifiOff)
}

func wifiSignal(r *readings) state {
	text, why := r.text(devices.ReadWifi)
	if why != "" {
		return state{unread: why}
	}
	if !wifiConnected.MatchString(text) {
		return state{value: math.Inf(-1), text: "not connected"}
	}
	said, ok := match(wifiRSSI, text)
	dBm, err := strconv.Atoi(said)
	if !ok || err != nil || dBm <= -127 {
		return state{unread: "the handset is connected but gives no signal strength"}
	}
	return state{value: float64(dBm)}
}

func dataState(r *readings) state {
	known, on := false, false
	for _, k := range []key{kData, kData1, kData2} { // one for each SIM on some handsets
		value, set, why := r.setting(k)
		if why != "" {
			return state{unread: why}
		}
		known = known || set
		on = on || (set && value == "1")
	}
	if !known {
		return state{on: false, text: "off: the handset has no setting for it, so perhaps no modem"}
	}
	return state{on: on}
}

// absent says whether the handset has no such service at all.
func (r *readings) absent(op devices.Operation) bool {
	return strings.Contains(r.results[op].Text, "Can't find service")
}

const hasNone = "off: this handset has none"

var (
	bluetoothEnabled = regexp.MustCompile(`(?m)^\s*enabled: (true|false)\s*$`)
	nfcStateLine     = regexp.MustCompile(`(?mi)^\s*mState=(on|off|turning on|turning off)\b`)
)

func bluetoothState(r *readings) state {
	if r.absent(devices.ReadBluetooth) {
		return state{on: false, text: hasNone}
	}
	text, why := r.text(devices.ReadBluetooth)
	said, readable := match(bluetoothEnabled, text)
	value, set, whyKey := r.setting(kBluetooth)
	keyReadable := whyKey == "" && set
	keyOn := value == "1" || value == "2"
	switch {
	case !readable && !keyReadable:
		if why == "" {
			why = "the handset does not say whether Bluetooth is on"
		}
		return state{unread: why}
	case !readable:
		return state{on: keyOn}
	}
	s := state{on: said == "true"}
	if keyReadable && keyOn != s.on {
		s.never = "its setting says " + onOffText(keyOn)
	}
	return s
}

func nfcState(r *readings) state {
	if r.absent(devices.ReadNFC) {
		return state{on: false, text: hasNone}
	}
	text, why := r.text(devices.ReadNFC)
	if why != "" {
		return state{unread: why}
	}
	said, ok := match(nfcStateLine, text)
	if !ok {
		return state{unread: "the handset does not say whether NFC is on"}
	}
	said = strings.ToLower(said)
	return state{on: said != "off", text: said}
}

func locationState(r *readings) state {
	value, set, why := r.setting(kLocation)
	keyOn := set && value != "0"
	if r.flavour.Lacks(devices.ReadLocation) != "" {
		if why != "" {
			return state{unread: why}
		}
		return state{on: keyOn}
	}
	text, whyText := r.text(devices.ReadLocation)
	said := strings.TrimSpace(text)
	switch {
	case whyText == "" && (said == "true" || said == "false"):
		s := state{on: said == "true"}
		if why == "" && set && keyOn != s.on {
			s.never = "its setting says " + onOffText(keyOn)
		}
		return s
	case why == "" && set:
		return state{on: keyOn}
	case whyText != "":
		return state{unread: whyText}
	}
	return state{unread: fmt.Sprintf("the handset answered %q", said)}
}

func setLocation(r *readings, found state, w Want) ([]step, string) {
	steps, whyNot := r.toggle(found, w, devices.LocationOn, devices.LocationOff)
	// Where location is a plain setting, its modes between off and high accuracy are
	// put back as they were.
	if value, set, _ := r.setting(kLocation); whyNot == "" && set && r.flavour.Lacks(devices.ReadLocation) != "" && (value == "1" || value == "2") {
		steps[0].undo = fmt.Sprintf("{ %s; } && settings put secure location_mode %s", steps[0].undo, devices.Quote(value))
		steps[0].before = "mode " + value
	}
	return steps, whyNot
}

func saverState(r *readings) state {
	s := switchKey(r, kSaver, "0", "1")
	if s.unread != "" {
		return s
	}
	var alone []string
	if level, set, _ := r.setting(kSaverLevel); set && level != "0" && level != "" {
		alone = append(alone, "at "+level+" %")
	}
	if v, _, _ := r.setting(kSaverAuto); v == "1" {
		alone = append(alone, "by routine")
	}
	if v, _, _ := r.setting(kSaverSticky); v == "1" {
		alone = append(alone, "again after charging")
	}
	if len(alone) > 0 {
		s.unlessOff = "comes on by itself " + strings.Join(alone, " and ")
	}
	return s
}

func setSaver(r *readings, found state, w Want) ([]step, string) {
	var steps []step
	if found.on != *w.On {
		s, whyNot := r.toggle(found, w, devices.SaverOn, devices.SaverOff)
		if whyNot != "" {
			return nil, whyNot
		}
		steps = append(steps, s...)
	}
	if *w.On {
		return steps, ""
	}
	for _, k := range []key{kSaverLevel, kSaverAuto, kSaverSticky} {
		if _, set, _ := r.setting(k); set {
			steps = append(steps, r.putUnless(k, "0")...)
		}
	}
	return steps, ""
}

// disturbModes are the values of the setting; the index is what it holds.
var disturbModes = [...]struct{ choice, word string }{
	{"off", "off"}, {"priority", "priority"}, {"silence", "none"}, {"alarms", "alarms"},
}

func disturbState(r *readings) state {
	value, set, why := r.setting(kDisturb)
	if why != "" {
		return state{unread: why}
	}
	if !set {
		value = "0"
	}
	n, err := strconv.Atoi(value)
	if err != nil || n < 0 || n >= len(disturbModes) {
		return state{unread: fmt.Sprintf("setting %s holds %q, which is no mode", kDisturb.name, value)}
	}
	return state{choice: disturbModes[n].choice}
}

func setDisturb(r *readings, found state, w Want) ([]step, string) {
	if why := r.flavour.Lacks(devices.SetDisturb); why != "" {
		return nil, why
	}
	word := func(choice string) string {
		for _, m := range disturbModes {
			if m.choice == choice {
				return m.word
			}
		}
		return "off"
	}
	return []step{{
		target: string(devices.SetDisturb), before: found.choice,
		ways: r.flavour.Ways(devices.SetDisturb, word(w.Choice)),
		undo: either(r.flavour.Ways(devices.SetDisturb, word(found.choice))),
	}}, ""
}

var volumeLine = regexp.MustCompile(`(?i)volume is (\d{1,5}) in range \[(\d{1,5})\.\.(\d{1,5})\]`)

type volume struct{ now, least, most int }

func parseVolume(text string) (volume, bool) {
	m := volumeLine.FindStringSubmatch(text)
	if m == nil {
		return volume{}, false
	}
	var v volume
	v.now, _ = strconv.Atoi(m[1])
	v.least, _ = strconv.Atoi(m[2])
	v.most, _ = strconv.Atoi(m[3])
	return v, v.least < v.most && v.now >= v.least && v.now <= v.most
}

func volumeState(r *readings) state {
	text, why := r.text(devices.ReadVolume)
	if why != "" {
		return state{unread: why}
	}
	v, ok := parseVolume(text)
	if !ok {
		return state{unread: "the handset does not give its media volume"}
	}
	span := float64(v.most - v.least)
	percent := 100 * float64(v.now-v.least) / span
	return state{
		value: percent, slack: 50/span + 1e-9,
		text: fmt.Sprintf("%s %% (step %d of %d to %d)", number(math.Round(percent)), v.now, v.least, v.most),
	}
}

func setVolume(r *readings, _ state, w Want) ([]step, string) {
	text, _ := r.text(devices.ReadVolume)
	v, ok := parseVolume(text)
	if !ok {
		return nil, "the handset does not give its media volume"
	}
	to := v.least + int(math.Round(*w.Value/100*float64(v.most-v.least)))
	return []step{{
		target: string(devices.SetVolume), before: fmt.Sprintf("step %d", v.now),
		ways: r.flavour.Ways(devices.SetVolume, strconv.Itoa(to)),
		// One of the ways does nothing on some handsets and says nothing: undo by all.
		undo: strings.Join(r.flavour.Ways(devices.SetVolume, strconv.Itoa(v.now)), "; "),
	}}, ""
}

func updatesState(r *readings) state {
	value, _, why := r.setting(kUpdates)
	if why != "" {
		return state{unread: why}
	}
	return state{on: value != "1"}
}

var syncLine = regexp.MustCompile(`(?mi)^\s*auto sync:(.*)$`)

func syncState(r *readings) state {
	text, why := r.text(devices.ReadSync)
	if why != "" {
		return state{unread: why}
	}
	said, ok := match(syncLine, text)
	switch {
	case !ok || !(strings.Contains(said, "true") || strings.Contains(said, "false")):
		return state{unread: "the handset does not say whether automatic sync is on"}
	case strings.Contains(said, "true"):
		return state{on: true}
	}
	return state{on: false}
}

func keyguardState(r *readings) state {
	activities, why := r.text(devices.ReadKeyguard)
	policy, whyPolicy := r.text(devices.ReadKeyguardOld)
	for _, try := range []struct {
		re   *regexp.Regexp
		text string
	}{{keyguardShowing, activities}, {policyShowing, policy}, {oldLockscreen, policy}} {
		if said, ok := match(try.re, try.text); ok {
			return state{on: said == "true"}
		}
	}
	for _, w := range []string{why, whyPolicy} {
		if w != "" {
			return state{unread: w}
		}
	}
	return state{unread: "the handset does not say whether its lock screen is in front"}
}

func rotationState(r *readings) state {
	auto := switchKey(r, kRotationAuto, "0", "1")
	if auto.unread != "" {
		return auto
	}
	if auto.on {
		return state{choice: "automatic"}
	}
	value, set, why := r.setting(kRotation)
	switch {
	case why != "":
		return state{unread: why}
	case !set || value == "0":
		return state{choice: "portrait"}
	case value == "1":
		return state{choice: "landscape"}
	case value == "2":
		return state{choice: "upside down"}
	case value == "3":
		return state{choice: "landscape, turned right"}
	}
	return state{unread: fmt.Sprintf("setting %s holds %q, which is no rotation", kRotation.name, value)}
}

func setRotation(r *readings, _ state, w Want) ([]step, string) {
	if w.Choice == "automatic" {
		return r.putUnless(kRotationAuto, "1"), ""
	}
	to := map[string]string{"portrait": "0", "landscape": "1"}[w.Choice]
	return append(r.putUnless(kRotationAuto, "0"), r.putUnless(kRotation, to)...), ""
}

var storageLine = regexp.MustCompile(`(?m)^\S+\s+\d+\s+\d+\s+(\d+)\s+\d+%`)

func storageState(r *readings) state {
	text, why := r.text(devices.ReadStorage)
	if why != "" {
		return state{unread: why}
	}
	free, err := freeBytes(text)
	if err != nil {
		return state{unread: err.Error()}
	}
	return state{value: float64(free) / 1e9}
}

// freeBytes is what df says is free.
func freeBytes(text string) (int64, error) {
	said, ok := match(storageLine, text)
	kib, err := strconv.ParseInt(said, 10, 64)
	if !ok || err != nil || kib > math.MaxInt64/1024 {
		return 0, errors.New("the handset does not say how much storage is free")
	}
	return kib * 1024, nil
}

// FreeStorage is how much storage is free on the handset for what a run leaves there, bytes.
// Errors are those of the link, or that the handset does not say.
func FreeStorage(ctx context.Context, l devices.Link) (int64, error) {
	text, err := devices.Run(ctx, l, devices.Flavour{}.Ways(devices.ReadStorage)[0])
	if err != nil {
		return 0, err
	}
	return freeBytes(text)
}
