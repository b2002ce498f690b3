package preconditions

import (
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rundown/devices"
)

// flavours are Android 9, 10, 11, 12, 13, 14, 15 and 16.
var flavours = []int{28, 29, 30, 31, 33, 34, 35, 36}

func lineOf(t *testing.T, lines []Line, name string) Line {
	t.Helper()
	for _, l := range lines {
		if l.Name == name {
			return l
		}
	}
	t.Fatalf("report has no line %q", name)
	return Line{}
}

func TestCheckChangesNothingAndSaysWhatIsWrong(t *testing.T) {
	for _, sdk := range flavours {
		p := newFakePhone(t, sdk)
		before := maps.Clone(p.settings)
		report, err := Check(t.Context(), p, testHandset(t), DefaultSet())
		if err != nil {
			t.Errorf("SDK %d: Check = %v", sdk, err)
			continue
		}
		if made := p.changes(); len(made) > 0 {
			t.Errorf("SDK %d: Check changed the phone: %q", sdk, made)
		}
		for k, v := range before {
			if p.settings[k] != v {
				t.Errorf("SDK %d: setting %s = %q after Check, want %q", sdk, k, p.settings[k], v)
			}
		}
		want := map[string]Verdict{
			"on_battery": Met, "start_level": Met, "battery_temperature": Met, "wifi": Met, "wifi_signal": Met, "mobile_data": Met,
			"bluetooth": NotMet, "nfc": NotMet, "location": NotMet, "battery_saver": NotMet, "airplane_mode": Met,
			"luminance": NotMet, "adaptive_brightness": NotMet, "night_colour": NotMet, "screen_timeout": NotMet, "rotation": NotMet,
			"keyguard": NotMet, "do_not_disturb": NotMet, "media_volume": NotMet, "free_storage": Met, "extra_dim": Met,
			"automatic_sync": NotMet, "automatic_updates": NotMet, "font_scale": Met, "link": Met, "real_readings": Met,
		}
		for name, verdict := range want {
			l := lineOf(t, report.Lines, name)
			if l.Verdict != verdict {
				t.Errorf("SDK %d: %s: %q, found %q, want verdict %q", sdk, name, l.Verdict, l.Found, verdict)
			}
			if (l.Mend == "") != (verdict == Met) {
				t.Errorf("SDK %d: %s: verdict %q has mend %q", sdk, name, l.Verdict, l.Mend)
			}
		}
		if got, want := report.Apps["com.example.app"], "1.2.3 (42)"; got != want {
			t.Errorf("SDK %d: app version %q, want %q", sdk, got, want)
		}
		if report.Identity.SecurityPatch != "2026-01-05" || report.Identity.SDK != sdk || report.Identity.Build != "nobody/fake/1" || report.Identity.ScreenW != 1080 {
			t.Errorf("SDK %d: identity %+v", sdk, report.Identity)
		}
	}
}

func TestLinesReadLikeATableForAPerson(t *testing.T) {
	p := newFakePhone(t, 34)
	report, err := Check(t.Context(), p, testHandset(t), DefaultSet())
	if err != nil {
		t.Fatal(err)
	}
	got := lineOf(t, report.Lines, "battery_saver")
	want := Line{
		Name: "battery_saver", Wanted: "off", Found: "on, comes on by itself at 15 %", Verdict: NotMet, Required: true, Mender: ByShell, WillSet: true,
		Mend: "turn battery saver off; it also comes on by itself at low level: set its schedule to none in the battery settings",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("battery_saver (-want +got):\n%s", diff)
	}
	for name, found := range map[string]string{
		"luminance":    "140.6 cd/m² (setting 90, confirmed by the display); curve: meter A, 2 May",
		"wifi":         "on, connected",
		"wifi_signal":  "-58 dBm", // the last one in the line: a network's name may hold another
		"media_volume": "20 % (step 3 of 0 to 15)",
		"font_scale":   "1.15",
		"free_storage": "40.96 GB",
		"refresh_rate": "120 Hz",
	} {
		l := lineOf(t, report.Lines, name)
		if name == "luminance" { // the value is the curve's business
			_, l.Found, _ = strings.Cut(l.Found, " ")
			_, found, _ = strings.Cut(found, " ")
		}
		if l.Found != found {
			t.Errorf("%s: found %q, want %q", name, l.Found, found)
		}
	}
}

func TestApplySetsReadsBackAndRestores(t *testing.T) {
	for _, sdk := range flavours {
		p := newFakePhone(t, sdk)
		was, wasSettings := *p, maps.Clone(p.settings)
		var changes []Change
		report, err := Apply(t.Context(), p, testHandset(t), DefaultSet(), func(c Change) error {
			changes = append(changes, c)
			return nil
		})
		if err != nil {
			t.Errorf("SDK %d: Apply = %v", sdk, err)
			continue
		}
		unmet := make(map[string]string)
		for _, l := range report.Unmet() {
			unmet[l.Name] = l.Mend
		}
		wantUnmet := map[string]string{}
		if sdk < 29 {
			wantUnmet["do_not_disturb"] = "set do not disturb to priority in the handset's settings (before Android 10 the shell may not switch do not disturb)"
		}
		if diff := cmp.Diff(wantUnmet, unmet); diff != "" {
			t.Errorf("SDK %d: unmet after Apply (-want +got):\n%s", sdk, diff)
		}
		if l := lineOf(t, report.Lines, "shell_permission"); l.Verdict != Met || !l.Required {
			t.Errorf("SDK %d: shell_permission = %+v, want met and required", sdk, l)
		}
		if p.bluetooth || p.nfc || p.loc || p.saver || p.locked || p.settings["system screen_brightness_mode"] != "0" || p.settings["global low_power_trigger_level"] != "0" {
			t.Errorf("SDK %d: Apply left the phone as %+v", sdk, p)
		}
		// 300 cd/m² lies between the curve's points at settings 120 and 180.
		if s := p.settings["system screen_brightness"]; s < "121" || s > "179" {
			t.Errorf("SDK %d: brightness setting %s for 300 cd/m²", sdk, s)
		}
		if p.volume != 8 && p.volume != 7 {
			t.Errorf("SDK %d: volume step %d for 50 %% of 15", sdk, p.volume)
		}

		if _, err := Restore(t.Context(), p, changes); err != nil {
			t.Errorf("SDK %d: Restore = %v", sdk, err)
		}
		p.android([]string{"true"}) // bring the radios' settings up to date
		wasPhone := was
		wasPhone.settings = wasSettings
		wasPhone.android([]string{"true"})
		if diff := cmp.Diff(wasPhone.settings, p.settings); diff != "" {
			t.Errorf("SDK %d: settings after Restore (-before +after):\n%s", sdk, diff)
		}
		type switches struct {
			wifi, data, bluetooth, nfc, loc, airplane, saver, locked bool
			volume, dnd                                              int
		}
		of := func(p fakePhone) switches {
			return switches{p.wifi, p.data, p.bluetooth, p.nfc, p.loc, p.airplane, p.saver, p.locked, p.volume, p.dnd}
		}
		if got, want := of(*p), of(was); got != want {
			t.Errorf("SDK %d: after Restore %+v, before Apply %+v", sdk, got, want)
		}
	}
}

func TestChangesAreRecordedBeforeTheyAreMade(t *testing.T) {
	p := newFakePhone(t, 34)
	var early []string
	_, err := Apply(t.Context(), p, testHandset(t), DefaultSet(), func(c Change) error {
		if c.Undo == "" || c.Name == "" || c.Before == "" || c.At.IsZero() {
			t.Errorf("change is not complete: %+v", c)
		}
		if c.Name == "bluetooth" {
			early = p.changes()
			if !p.bluetooth {
				t.Error("Bluetooth was turned off before its change was recorded")
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if early == nil {
		t.Error("no change of bluetooth was recorded")
	}
}

func TestARecordThatFailsStopsEverything(t *testing.T) {
	p := newFakePhone(t, 34)
	full := errors.New("disc full")
	_, err := Apply(t.Context(), p, testHandset(t), DefaultSet(), func(Change) error { return full })
	if !errors.Is(err, full) {
		t.Errorf("Apply = %v, want the record's error", err)
	}
	// Trying what the shell may do writes one setting as it is and wakes the screen.
	want := []string{"input keyevent 224", "settings put system screen_off_timeout 30000"}
	if diff := cmp.Diff(want, p.changes()); diff != "" {
		t.Errorf("commands after a failed record (-want +got):\n%s", diff)
	}
}

func TestAMakersGateIsSeenBeforeAnythingIsChanged(t *testing.T) {
	for _, sdk := range flavours {
		p := newFakePhone(t, sdk)
		p.refuses = true
		was := maps.Clone(p.settings)
		report, err := Apply(t.Context(), p, testHandset(t), DefaultSet(), func(c Change) error {
			t.Errorf("SDK %d: change %+v recorded", sdk, c)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		l := lineOf(t, report.Lines, "shell_permission")
		if l.Verdict != NotMet || !strings.Contains(l.Found, "SecurityException") || !strings.Contains(l.Mend, "developer option") {
			t.Errorf("SDK %d: shell_permission = %+v", sdk, l)
		}
		if l := lineOf(t, report.Lines, "bluetooth"); l.Verdict != NotMet || !strings.Contains(l.Mend, "shell_permission") {
			t.Errorf("SDK %d: bluetooth = %+v", sdk, l)
		}
		for k, v := range was {
			if p.settings[k] != v {
				t.Errorf("SDK %d: %s = %q, was %q", sdk, k, p.settings[k], v)
			}
		}
	}
}

func TestTheNextWayIsTriedWhereOneDoesNothing(t *testing.T) {
	p := newFakePhone(t, 35)
	p.silent["cmd media_session volume --stream 3 --set 8"] = true // as some builds of Android 14 and later do
	p.silent["cmd nfc disable-nfc"] = true
	report, err := Apply(t.Context(), p, testHandset(t), DefaultSet(), func(Change) error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"media_volume", "nfc"} {
		if l := lineOf(t, report.Lines, name); l.Verdict != Met {
			t.Errorf("%s = %+v, want met by the second way", name, l)
		}
	}
}

func TestWhatNeverFollowsIsReportedNotMet(t *testing.T) {
	p := newFakePhone(t, 31)
	p.silent["svc bluetooth disable"] = true
	h := testHandset(t)
	begun := h.Clock.Now()
	report, err := Apply(t.Context(), p, h, DefaultSet(), func(Change) error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	l := lineOf(t, report.Lines, "bluetooth")
	if l.Verdict != NotMet || l.Found != "on" || l.Mend != "turn Bluetooth off in the handset's settings" {
		t.Errorf("bluetooth = %+v", l)
	}
	if waited := h.Clock.Now().Sub(begun); waited < followLimit || waited > followLimit+10*wayLimit {
		t.Errorf("Apply waited %v, want about %v", waited, followLimit)
	}
}

func TestASettingThatTheRadioDoesNotFollowIsNotMet(t *testing.T) {
	r := &readings{flavour: devices.Flavour{SDK: 34}, results: map[devices.Operation]devices.Result{
		devices.ReadWifi: {Text: "Wifi is enabled\n"},
	}, settings: map[key]string{kWifi: "0"}}
	w, err := find("wifi").Want(true)
	if err != nil {
		t.Fatal(err)
	}
	line, _ := find("wifi").judge(r, w, false)
	if line.Verdict != NotMet || line.Found != "on, not connected; its setting says off" {
		t.Errorf("wifi = %+v", line)
	}
}

func TestTheLinkIsPutIntoItsFinalFormFirst(t *testing.T) {
	p := newFakePhone(t, 33)
	p.usb = "mtp,adb"
	var changes []Change
	report, err := Apply(t.Context(), p, testHandset(t), DefaultSet(), func(c Change) error {
		changes = append(changes, c)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if l := lineOf(t, report.Lines, "link"); l.Verdict != Met || l.Found != "over USB" {
		t.Errorf("link = %+v", l)
	}
	if len(changes) == 0 || changes[0].Name != "link" || !changes[0].DropsLink || changes[0].Undo != "svc usb setFunctions 'mtp'" {
		t.Errorf("first change = %+v, want the link's", changes)
	}
	if _, err := Restore(t.Context(), p, changes); err != nil {
		t.Errorf("Restore = %v", err)
	}
	if p.usb != "mtp,adb" {
		t.Errorf("USB functions after Restore: %q", p.usb)
	}
}

func TestRadiosThatCarryTheLinkAreNotCut(t *testing.T) {
	p := newFakePhone(t, 34)
	p.serial = "192.0.2.7:5555"
	var wants []Want
	for name, value := range map[string]any{"wifi": false, "airplane_mode": true} {
		s, _ := Lookup(name)
		w, err := s.Want(value)
		if err != nil {
			t.Fatal(err)
		}
		wants = append(wants, w)
	}
	set, err := NewSet("flight", wants...)
	if err != nil {
		t.Fatal(err)
	}
	report, err := Apply(t.Context(), p, testHandset(t), set, func(c Change) error { t.Errorf("change %+v", c); return nil })
	if err != nil {
		t.Fatal(err)
	}
	if !p.wifi || p.airplane {
		t.Error("the link's own radio was cut")
	}
	for _, l := range report.Lines {
		if l.Verdict != NotMet || !strings.Contains(l.Mend, "the link itself runs over Wi-Fi") {
			t.Errorf("%+v", l)
		}
	}
}

func TestWithoutACurveLuminanceSaysSo(t *testing.T) {
	p := newFakePhone(t, 34)
	h := testHandset(t)
	h.Curve = nil
	report, err := Apply(t.Context(), p, h, DefaultSet(), func(Change) error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	l := lineOf(t, report.Lines, "luminance")
	if l.Verdict != CannotRead || !strings.Contains(l.Found, "no luminance curve") || !strings.Contains(l.Mend, "luminance meter") {
		t.Errorf("luminance = %+v", l)
	}
	if got := p.settings["system screen_brightness"]; got != "90" {
		t.Errorf("brightness setting = %s, want it left alone", got)
	}
	if !slices.ContainsFunc(report.Unmet(), func(l Line) bool { return l.Name == "luminance" }) {
		t.Error("a required precondition that cannot be read counts as met")
	}
}

func TestWatchSeesDrift(t *testing.T) {
	p := newFakePhone(t, 34)
	h := testHandset(t)
	if _, err := Apply(t.Context(), p, h, DefaultSet(), func(Change) error { return nil }); err != nil {
		t.Fatal(err)
	}
	drift := func() map[string]string {
		made := len(p.changes())
		lines, err := Watch(t.Context(), p, h, DefaultSet())
		if err != nil {
			t.Fatal(err)
		}
		if len(p.changes()) != made {
			t.Errorf("Watch changed the phone: %q", p.changes()[made:])
		}
		found := make(map[string]string)
		for _, l := range lines {
			if l.Verdict == NotMet {
				found[l.Name] = l.Found
			}
		}
		return found
	}
	if got := drift(); len(got) != 0 {
		t.Errorf("drift right after Apply: %v", got)
	}
	p.displayDims = 5 // within the wider tolerance of a drain
	if got := drift(); len(got) != 0 {
		t.Errorf("drift at 5 steps less: %v", got)
	}
	p.displayDims, p.saver, p.wifi, p.thermal = 60, true, false, 2 // a hot phone dims itself; its saver comes on
	p.battery = strings.Replace(p.battery, "USB powered: false", "USB powered: true", 1)
	got := drift()
	for name, found := range map[string]string{
		"luminance": "but the display shows", "battery_saver": "on", "wifi": "off", "heat_throttling": "on, moderate, skin 31.5 °C", "on_battery": "off: powered by USB",
	} {
		if !strings.Contains(got[name], found) {
			t.Errorf("drift of %s: %q, want %q", name, got[name], found)
		}
	}
	if len(got) != 5 {
		t.Errorf("drift = %v, want 5 lines", got)
	}
	// A screen that is off has no luminance, which is no drift.
	p.displayDims, p.screenOff = 90, true
	if found, ok := drift()["luminance"]; ok {
		t.Errorf("luminance of a dark screen drifted: %q", found)
	}
}

func TestWhatIsMissingOnAPhoneCannotBeRead(t *testing.T) {
	p := newFakePhone(t, 34)
	p.missing["df"] = true
	p.noList = true // settings are read key by key then
	report, err := Check(t.Context(), p, testHandset(t), DefaultSet())
	if err != nil {
		t.Fatal(err)
	}
	if l := lineOf(t, report.Lines, "free_storage"); l.Verdict != CannotRead || l.Found != `the handset has no command "df" that the shell may run` {
		t.Errorf("free_storage = %+v", l)
	}
	if l := lineOf(t, report.Lines, "font_scale"); l.Found != "1.15" {
		t.Errorf("font_scale = %+v", l)
	}
	if l := lineOf(t, report.Lines, "location"); l.Verdict != NotMet {
		t.Errorf("location = %+v", l)
	}
	p.missing["settings"] = true
	if report, err = Check(t.Context(), p, testHandset(t), DefaultSet()); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"rotation", "adaptive_brightness", "do_not_disturb", "font_scale"} {
		if l := lineOf(t, report.Lines, name); l.Verdict != CannotRead || !strings.Contains(l.Found, `no command "settings"`) {
			t.Errorf("%s = %+v", name, l)
		}
	}
}

func TestFrozenReadingsAreNotBelieved(t *testing.T) {
	p := newFakePhone(t, 34)
	p.battery = strings.Replace(p.battery, "state:\n", "state:\n  (UPDATES STOPPED -- use 'reset' to restart)\n", 1)
	report, err := Check(t.Context(), p, testHandset(t), DefaultSet())
	if err != nil {
		t.Fatal(err)
	}
	if l := lineOf(t, report.Lines, "real_readings"); l.Verdict != NotMet || !strings.Contains(l.Mend, "dumpsys battery reset") {
		t.Errorf("real_readings = %+v", l)
	}
	for _, name := range []string{"on_battery", "start_level", "battery_temperature"} {
		if l := lineOf(t, report.Lines, name); l.Verdict != CannotRead {
			t.Errorf("%s = %+v, want it not read", name, l)
		}
	}
	p = newFakePhone(t, 34)
	p.overridden = true
	if report, err = Check(t.Context(), p, testHandset(t), DefaultSet()); err != nil {
		t.Fatal(err)
	}
	if l := lineOf(t, report.Lines, "real_readings"); l.Verdict != NotMet {
		t.Errorf("real_readings with the thermal status set by hand = %+v", l)
	}
}

func TestRestoreTriesAllAndJoinsErrors(t *testing.T) {
	p := newFakePhone(t, 34)
	p.missing["nonsense-command"] = true
	left, err := Restore(t.Context(), p, []Change{
		{Name: "rotation", Undo: "settings put system user_rotation '3'", Before: "user_rotation=3"},
		{Name: "wifi", Undo: "nonsense-command", Before: "on"},
		{Name: "rotation", Undo: "settings put system user_rotation '1'", Before: "user_rotation=1"},
	})
	if err == nil || !strings.Contains(err.Error(), "wifi was not put back to on") {
		t.Errorf("Restore = %v, want what was not put back", err)
	}
	if len(left) != 1 || left[0].Name != "wifi" {
		t.Errorf("left to be undone: %+v, want wifi alone", left)
	}
	if got := p.settings["system user_rotation"]; got != "3" {
		t.Errorf("user_rotation = %q: want the oldest value, since the newest change is undone first", got)
	}
}

func TestUndoOfAnOddValueIsOneSafeCommand(t *testing.T) {
	odd := "it's $(reboot); `reboot` \"x\" \\ & \n=1"
	r := &readings{settings: map[key]string{kFontScale: odd}}
	p := newFakePhone(t, 34)
	if _, err := p.Shell(t.Context(), r.put(kFontScale, "1.0").undo); err != nil {
		t.Fatal(err)
	}
	if got := p.settings["system font_scale"]; got != odd {
		t.Errorf("restored %q, want %q", got, odd)
	}
	if want := []string{"settings put system font_scale " + odd}; !slices.Equal(p.ran, want) {
		t.Errorf("ran %q, want %q", p.ran, want)
	}
}

func TestStartLevelOfTheHandsetComesFirst(t *testing.T) {
	p := newFakePhone(t, 34)
	h := testHandset(t)
	h.StartLevel = [2]float64{40, 60}
	report, err := Check(t.Context(), p, h, DefaultSet())
	if err != nil {
		t.Fatal(err)
	}
	if l := lineOf(t, report.Lines, "start_level"); l.Verdict != NotMet || l.Wanted != "40 to 60 %" || l.Found != "96 %" || l.Mender != ByRecharge {
		t.Errorf("start_level = %+v", l)
	}
}

func TestReportCostsFewRoundTrips(t *testing.T) {
	p := newFakePhone(t, 34)
	if _, err := Check(t.Context(), p, testHandset(t), DefaultSet()); err != nil {
		t.Fatal(err)
	}
	// Identity, one question for each role, versions, preconditions.
	if most := 3 + len(devices.Roles()); p.calls > most {
		t.Errorf("Check took %d shell calls, want at most %d", p.calls, most)
	}
	p.calls = 0
	h := testHandset(t)
	h.SDK = 34
	if _, err := Watch(t.Context(), p, h, DefaultSet()); err != nil {
		t.Fatal(err)
	}
	if p.calls != 1 {
		t.Errorf("Watch took %d shell calls, want 1", p.calls)
	}
}

func TestTheLitDisplayOfSeveralCounts(t *testing.T) {
	for dump, want := range map[string]string{
		"mBrightnessState=0.0\nmBrightnessState=0.39763778\n":  "0.39763778",
		"mBrightnessState=NaN\n  mBrightnessState=-1.0\n":      "",
		"    mBrightnessState=0.5\n    mBrightnessState=0.7\n": "0.5",
		"mBrightnessState=0.0\n":                               "0.0",
	} {
		if got, _ := shownBrightness(dump); got != want {
			t.Errorf("shownBrightness(%q) = %q, want %q", dump, got, want)
		}
	}
}
