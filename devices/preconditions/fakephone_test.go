package preconditions

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"strconv"
	"strings"
	"testing"
	"time"

	"mvdan.cc/sh/v3/interp"
	"mvdan.cc/sh/v3/syntax"

	"rundown/devices"
)

// A fakePhone answers command lines as a handset of one Android version does. The lines
// run in a real POSIX shell, so quoting, separators and exit codes are the real ones;
// only Android's own commands are made up, with texts as android versions print them
// (shortened). All values are invented.
type fakePhone struct {
	t        *testing.T
	serial   string
	sdk      int
	settings map[string]string // "global wifi_on" -> value

	battery                         string // text of dumpsys battery
	wifi, data, bluetooth, nfc, loc bool
	airplane                        bool
	volume                          int
	dnd                             int
	saver                           bool
	locked, secureLock              bool
	screenOff                       bool
	modeHz                          float64
	usb                             string
	thermal                         int
	overridden                      bool
	displayDims                     float64 // subtracted from what the display shows, setting steps
	freeKiB                         int64
	autoSync                        bool

	noList  bool            // settings list does not work
	missing map[string]bool // commands that this phone lacks
	refuses bool            // the maker's gate: input and settings are refused
	silent  map[string]bool // command lines that do nothing and say nothing
	away    int             // shell calls that fail with ErrOffline from now on

	ran   []string // every Android command line with its arguments
	calls int      // shell calls
}

var _ devices.Link = (*fakePhone)(nil)

func newFakePhone(t *testing.T, sdk int) *fakePhone {
	return &fakePhone{
		t: t, serial: "FAKE" + strconv.Itoa(sdk), sdk: sdk,
		settings: map[string]string{
			"system screen_brightness": "90", "system screen_brightness_mode": "1", "system screen_off_timeout": "30000",
			"system accelerometer_rotation": "1", "system font_scale": "1.15",
			"secure location_mode": "3", "secure night_display_activated": "0", "secure night_display_auto_mode": "1",
			"global window_animation_scale": "1.0", "global low_power_trigger_level": "15", "global device_name": "it's a 'phone' = mine",
		},
		battery: fakeBattery, wifi: true, data: true, bluetooth: true, nfc: true, loc: true,
		volume: 3, saver: true, locked: true, modeHz: 120, usb: "adb", freeKiB: 40_000_000, autoSync: true,
		missing: map[string]bool{}, silent: map[string]bool{},
	}
}

const fakeBattery = `Current Battery Service state:
  AC powered: false
  USB powered: false
  Wireless powered: false
  Max charging current: 0
  Max charging voltage: 0
  Charge counter: 4300000
  status: 3
  health: 2
  present: true
  level: 96
  scale: 100
  voltage: 4301
  temperature: 268
  technology: Li-ion
`

func (p *fakePhone) Serial() string { return p.serial }

func (p *fakePhone) Shell(ctx context.Context, command string) (devices.Output, error) {
	p.calls++
	if p.away > 0 {
		p.away--
		return devices.Output{}, devices.ErrOffline
	}
	file, err := syntax.NewParser(syntax.Variant(syntax.LangPOSIX)).Parse(strings.NewReader(command), "")
	if err != nil {
		p.t.Errorf("command line is no POSIX shell: %v\n%s", err, command)
		return devices.Output{}, err
	}
	var out, said strings.Builder
	run, err := interp.New(interp.StdIO(nil, &out, &said), interp.ExecHandlers(p.exec))
	if err != nil {
		return devices.Output{}, err
	}
	err = run.Run(ctx, file)
	var code interp.ExitStatus
	if err != nil && !errors.As(err, &code) {
		return devices.Output{}, err
	}
	if p.away > 0 { // dropped by this command
		return devices.Output{}, devices.ErrLinkLost
	}
	return devices.Output{Stdout: out.String(), Stderr: said.String(), ExitCode: int(code), ExitKnown: true}, nil
}

func (p *fakePhone) exec(next interp.ExecHandlerFunc) interp.ExecHandlerFunc {
	return func(ctx context.Context, args []string) error {
		hc := interp.HandlerCtx(ctx)
		if args[0] == "grep" { // the host's, for the ways that filter on the phone
			return next(ctx, args)
		}
		line := strings.Join(args, " ")
		p.ran = append(p.ran, line)
		if p.missing[args[0]] {
			fmt.Fprintf(hc.Stderr, "/system/bin/sh: %s: inaccessible or not found\n", args[0])
			return interp.ExitStatus(127)
		}
		if p.silent[line] {
			return nil
		}
		text, code := p.android(args)
		fmt.Fprint(hc.Stdout, text)
		if code != 0 {
			return interp.ExitStatus(code)
		}
		return nil
	}
}

const gateText = "\nException occurred while executing 'put':\njava.lang.SecurityException: Permission denial: writing to settings requires:android.permission.WRITE_SECURE_SETTINGS\n"

func (p *fakePhone) put(k, v string) { p.settings[k] = v }

func bit(b bool) string {
	if b {
		return "1"
	}
	return "0"
}

// android is what the phone's own commands do and print.
func (p *fakePhone) android(args []string) (text string, code uint8) {
	p.put("global wifi_on", bit(p.wifi))
	p.put("global mobile_data", bit(p.data))
	p.put("global bluetooth_on", bit(p.bluetooth))
	p.put("global airplane_mode_on", bit(p.airplane))
	p.put("global zen_mode", strconv.Itoa(p.dnd))
	p.put("global low_power", bit(p.saver))
	line := strings.Join(args, " ")
	switch {
	case args[0] == "settings":
		return p.settingsCommand(args)
	case args[0] == "getprop":
		return map[string]string{
			"ro.product.model": "Fake Phone", "ro.product.manufacturer": "Nobody", "ro.build.version.release": "0",
			"ro.build.version.sdk": strconv.Itoa(p.sdk), "ro.build.fingerprint": "nobody/fake/1", "ro.build.version.security_patch": "2026-01-05",
			"sys.usb.state": p.usb, "service.adb.tcp.port": "5555",
		}[args[1]] + "\n", 0
	case args[0] == "cat":
		return "0b9f5a52-59a4-4c6a-8d13-0c8a4d3a1f6e\n", 0
	case line == "wm size":
		return "Physical size: 1080x2400\n", 0
	case line == "wm dismiss-keyguard":
		p.locked = p.locked && p.secureLock
	case args[0] == "input":
		if p.refuses {
			return "Exception in thread \"main\" java.lang.SecurityException: Injecting input events requires the caller (or the source of the instrumentation, if any) to have the INJECT_EVENTS permission.\n", 0
		}
		p.screenOff = args[2] == "223"
		p.locked = p.locked || p.screenOff
	case strings.HasPrefix(line, "cmd package resolve-activity"):
		pkg := "com.example.app"
		if strings.Contains(line, "STILL_IMAGE") {
			pkg = "com.example.camera"
		}
		return "priority=0 preferredOrder=0 match=0x108000 specificIndex=-1 isDefault=true\n" + pkg + "/.Main\n", 0
	case args[0] == "pm":
		return "package:com.example.app versionCode:42\npackage:com.example.camera versionCode:7\n", 0
	case strings.HasPrefix(line, "dumpsys package "):
		return "Packages:\n  Package [" + args[2] + "] (1a2b):\n    versionCode=41 minSdk=26\n    versionName=1.2.3\n", 0
	case args[0] == "df":
		return fmt.Sprintf("Filesystem     1K-blocks    Used Available Use%% Mounted on\n/dev/block/dm-5 113000000 70000000 %d 62%% /data\n", p.freeKiB), 0
	case args[0] == "dumpsys":
		return p.dump(args[1:]), 0
	case args[0] == "svc" || args[0] == "cmd" || args[0] == "media":
		return p.control(line)
	case args[0] == "true":
	default:
		p.t.Errorf("the fake phone knows no command %q", line)
		return "", 127
	}
	return "", 0
}

func (p *fakePhone) settingsCommand(args []string) (string, uint8) {
	switch args[1] {
	case "list":
		if p.noList {
			return "Unknown command: list\n", 1
		}
		var b strings.Builder
		for k, v := range maps.All(p.settings) {
			if space, name, _ := strings.Cut(k, " "); space == args[2] {
				fmt.Fprintf(&b, "%s=%s\n", name, v)
			}
		}
		return b.String(), 0
	case "get":
		if v, set := p.settings[args[2]+" "+args[3]]; set {
			return v + "\n", 0
		}
		return "null\n", 0
	}
	if p.refuses {
		return gateText, 0
	}
	if args[1] == "delete" {
		delete(p.settings, args[2]+" "+args[3])
		return "Deleted 1 rows\n", 0
	}
	if args[3] == "location_providers_allowed" { // + and - change the list; the mode follows
		return "", 0
	}
	p.put(args[2]+" "+args[3], args[4])
	switch args[3] {
	case "low_power":
		p.saver = args[4] == "1"
	case "location_mode":
		p.loc = args[4] != "0"
	case "peak_refresh_rate":
		p.modeHz, _ = strconv.ParseFloat(args[4], 64)
	case "zen_mode", "airplane_mode_on":
		p.t.Errorf("%v has no effect without a broadcast that the shell may not send", args)
	}
	return "", 0
}

func (p *fakePhone) dump(args []string) string {
	switch strings.Join(args, " ") {
	case "battery":
		return p.battery
	case "thermalservice":
		return fmt.Sprintf("IsStatusOverride: %v\nThermal Status: %d\nCached temperatures:\nHAL Ready: true\nCurrent temperatures from HAL:\n\tTemperature{mValue=31.5, mType=3, mName=skin, mStatus=0}\n", p.overridden, p.thermal)
	case "display":
		setting, _ := strconv.ParseFloat(p.settings["system screen_brightness"], 64)
		state := ""
		if p.sdk >= 30 {
			state = fmt.Sprintf("    mBrightnessState=%v\n", (setting-p.displayDims-1)/254)
		}
		return "DISPLAY MANAGER (dumpsys display)\n" + state + "    mActiveModeId=2\n    mSupportedModes=[{id=1, width=1080, height=2400, fps=60.0}, {id=2, width=1080, height=2400, fps=" + fmt.Sprint(p.modeHz) + "}]\n"
	case "power":
		on, awake := "ON", "Awake"
		if p.screenOff {
			on, awake = "OFF", "Asleep"
		}
		return "Power Manager State:\n  mWakefulness=" + awake + "\n  mScreenOffTimeoutSetting=" + p.settings["system screen_off_timeout"] + "\nDisplay Power: state=" + on + "\n"
	case "activity activities":
		if p.sdk < 29 {
			return "ACTIVITY MANAGER ACTIVITIES\n" // then the policy is asked
		}
		return fmt.Sprintf("ACTIVITY MANAGER ACTIVITIES\n  KeyguardController:\n    mKeyguardShowing=%v\n", p.locked)
	case "window policy":
		return fmt.Sprintf("WINDOW MANAGER POLICY STATE\n    showing=%v\n    showingAndNotOccluded=%v\n", p.locked, p.locked)
	case "wifi":
		return fmt.Sprintf("Wi-Fi is %s\nStay-awake conditions: 0\nmWifiInfo SSID: lab, BSSID: 02:00:00:00:00:00, Supplicant state: COMPLETED, RSSI: -58, Link speed: 433Mbps\n", enabled(p.wifi))
	case "bluetooth_manager":
		return fmt.Sprintf("Bluetooth Status\n  enabled: %v\n  state: ON\n", p.bluetooth)
	case "nfc":
		return "mState=" + onOffText(p.nfc) + "\n"
	case "content":
		return fmt.Sprintf("Data connected: true\nAuto sync: u0=%v\n", p.autoSync)
	}
	return "Can't find service: " + args[0] + "\n"
}

func enabled(on bool) string {
	if on {
		return "enabled"
	}
	return "disabled"
}

// control knows each verb from the Android version on that has it.
func (p *fakePhone) control(line string) (string, uint8) {
	since := func(sdk int) bool { return p.sdk >= sdk }
	word := line[strings.LastIndexByte(line, ' ')+1:]
	n, _ := strconv.Atoi(word)
	switch {
	case line == "cmd wifi status" && since(30):
		text := "Wifi is " + enabled(p.wifi) + "\nWifi scanning is only available when wifi is enabled\n"
		if p.wifi {
			text += "==== Primary ClientModeManager instance ====\nWifi is connected to \"RSSI: -20 lab\"\nWifiInfo: SSID: \"RSSI: -20 lab\", BSSID: 02:00:00:00:00:00, Supplicant state: COMPLETED, RSSI: -58, Link speed: 433Mbps\n"
		}
		return text, 0
	case strings.HasPrefix(line, "cmd wifi set-wifi-enabled ") && since(30):
		p.wifi = word == "enabled"
	case strings.HasPrefix(line, "svc wifi "):
		p.wifi = word == "enable"
	case strings.HasPrefix(line, "svc data "):
		p.data = word == "enable"
	case strings.HasPrefix(line, "cmd connectivity airplane-mode ") && since(30):
		p.airplane = word == "enable"
	case strings.HasPrefix(line, "cmd bluetooth_manager ") && since(33), strings.HasPrefix(line, "svc bluetooth "):
		p.bluetooth = word == "enable"
	case strings.HasPrefix(line, "cmd nfc ") && since(35):
		p.nfc = word == "enable-nfc"
	case strings.HasPrefix(line, "svc nfc "):
		p.nfc = word == "enable"
	case line == "cmd location is-location-enabled" && since(31):
		return fmt.Sprintf("%v\n", p.loc), 0
	case strings.HasPrefix(line, "cmd location set-location-enabled ") && since(31):
		p.loc = word == "true"
		p.put("secure location_mode", map[bool]string{true: "3", false: "0"}[p.loc])
	case strings.HasPrefix(line, "cmd power set-mode ") && since(28):
		p.saver = word == "1"
	case strings.HasPrefix(line, "cmd notification set_dnd ") && since(29):
		mode, ok := map[string]int{"off": 0, "priority": 1, "none": 2, "alarms": 3}[word]
		if !ok {
			return "Exception occurred while executing 'set_dnd':\njava.lang.IllegalArgumentException: Invalid filter\n", 255
		}
		p.dnd = mode
	case line == "cmd media_session volume --stream 3 --get" && since(31), line == "media volume --stream 3 --get" && !since(31):
		return fmt.Sprintf("[V] will get volume\n[V] Volume is %d in range [0..15]\n", p.volume), 0
	case strings.HasPrefix(line, "cmd media_session volume --stream 3 --set ") && since(31),
		strings.HasPrefix(line, "media volume --stream 3 --set ") && !since(31),
		strings.HasPrefix(line, "cmd audio set-volume 3 ") && since(33):
		p.volume = n
	case line == "svc usb setScreenUnlockedFunctions" && since(28):
	case line == "svc usb setFunctions" && since(28):
		if p.usb != "adb" {
			p.usb, p.away = "adb", 3
		}
	case strings.HasPrefix(line, "svc usb setFunctions ") && since(28):
		p.usb, p.away = word+",adb", 1
	default:
		return "Unknown command: " + line + "\n", 255
	}
	return "", 0
}

func (p *fakePhone) Push(context.Context, io.Reader, string, fs.FileMode) error {
	return errors.ErrUnsupported
}
func (p *fakePhone) Pull(context.Context, string, int64, io.Writer) (int64, error) {
	return 0, errors.ErrUnsupported
}
func (p *fakePhone) Stat(context.Context, string) (devices.File, error) {
	return devices.File{}, errors.ErrUnsupported
}
func (p *fakePhone) Reverse(context.Context, int, int) error { return errors.ErrUnsupported }

// changes are the command lines run that are not mere reads.
func (p *fakePhone) changes() []string {
	var made []string
	for _, c := range p.ran {
		switch {
		case strings.HasPrefix(c, "settings put"), strings.HasPrefix(c, "settings delete"), strings.HasPrefix(c, "svc "),
			strings.HasPrefix(c, "input "), c == "wm dismiss-keyguard",
			strings.HasPrefix(c, "cmd ") && !strings.Contains(c, "status") && !strings.Contains(c, "--get") && !strings.Contains(c, "is-location") && !strings.Contains(c, "resolve-activity"),
			strings.HasPrefix(c, "media ") && !strings.Contains(c, "--get"):
			made = append(made, c)
		}
	}
	return made
}

// A testClock runs at once.
type testClock struct{ at time.Time }

func (c *testClock) Now() time.Time { return c.at }
func (c *testClock) Sleep(ctx context.Context, d time.Duration) error {
	c.at = c.at.Add(d)
	return ctx.Err()
}

func testHandset(t *testing.T) Handset {
	// Invented readings.
	curve, err := devices.NewCurve([]devices.CurvePoint{{Setting: 1, CdM2: 2}, {Setting: 50, CdM2: 60}, {Setting: 120, CdM2: 210}, {Setting: 180, CdM2: 380}, {Setting: 255, CdM2: 640}})
	if err != nil {
		t.Fatal(err)
	}
	return Handset{Name: "shelf-1", Curve: &curve, CurveNote: "meter A, 2 May", Clock: &testClock{at: time.Date(2026, 5, 4, 20, 0, 0, 0, time.UTC)}}
}

// fuzzReadings answers every question with one text and every setting with one value.
func fuzzReadings(text, setting string, sdk int) *readings {
	r := &readings{
		flavour: devices.Flavour{SDK: sdk}, serial: "F",
		results: make(map[devices.Operation]devices.Result), settings: make(map[key]string),
	}
	curve, err := devices.NewCurve([]devices.CurvePoint{{Setting: 0, CdM2: 1}, {Setting: 100, CdM2: 200}, {Setting: 255, CdM2: 600}})
	if err != nil {
		panic(err)
	}
	r.handset.Curve = &curve
	for _, e := range registry {
		for _, op := range e.reads {
			if len(r.flavour.Ways(op)) > 0 {
				r.results[op] = devices.Result{Command: "x", Text: text}
			}
		}
		for _, k := range e.keys {
			r.settings[k] = setting
		}
	}
	return r
}
