package simulated

import (
	"strings"
	"testing"
	"testing/synctest"

	"github.com/google/go-cmp/cmp"
)

// keysOf are the lines of a dump without their values.
func keysOf(dump string) []string {
	var keys []string
	for line := range strings.Lines(dump) {
		key, _, _ := strings.Cut(strings.TrimRight(line, "\n"), ":")
		keys = append(keys, key)
	}
	return keys
}

// The order of the battery dump's lines by version, after the public outputs that the
// project has on file.
func TestBatteryDumpShapes(t *testing.T) {
	old := []string{"Current Battery Service state", "  AC powered", "  USB powered", "  Wireless powered", "  Max charging current",
		"  Max charging voltage", "  Charge counter", "  status", "  health", "  present", "  level", "  scale", "  voltage", "  temperature", "  technology"}
	dock := append(append([]string{}, old[:4]...), append([]string{"  Dock powered"}, old[4:]...)...)
	recent := append(append([]string{}, dock...), "  Charging state", "  Charging policy")
	broadcast := " Time when the latest updated value of the "
	newest := []string{"Current Battery Service state", "  AC powered", "  USB powered", "  Wireless powered", "  Dock powered", "  Max charging current",
		broadcast + "Max charging current was sent via battery changed broadcast", "  Max charging voltage", "  Charge counter", "  status", "  health", "  present",
		"  level", "  scale", "  voltage", broadcast + "voltage was sent via battery changed broadcast",
		" The last voltage value sent via the battery changed broadcast", "  temperature", "  technology", "  Charging state", "  Charging policy", "  Capacity level"}
	for f, want := range map[Flavour][]string{Android9: old, Android12: old, Android14: recent, Android16: newest} {
		synctest.Test(t, func(t *testing.T) {
			h := New(Options{Android: f})
			defer h.Close()
			if diff := cmp.Diff(want, keysOf(sh(t, h, "dumpsys battery"))); diff != "" {
				t.Errorf("Android %d: lines (-want +got):\n%s", f, diff)
			}
			if got := both(t, h, "dumpsys battery; cmd battery unplug; dumpsys battery").Stdout; !strings.Contains(got, "\n  (UPDATES STOPPED -- use 'reset' to restart)\n  AC powered") {
				t.Errorf("Android %d: unplug does not freeze:\n%s", f, got)
			}
			if got := sh(t, h, "cmd battery set level 7; cmd battery reset; dumpsys battery"); strings.Contains(got, "STOPPED") || strings.Contains(got, "level: 7\n") {
				t.Errorf("Android %d: reset does not mend:\n%s", f, got)
			}
		})
	}
}

func TestFlavoursAnswerInTheirOwnWay(t *testing.T) {
	type answer struct {
		command string
		text    string // in stdout, or in stderr when it begins with "2>"
		code    int
	}
	tests := map[Flavour][]answer{
		Android9: {
			{"dumpsys thermalservice", "2>Can't find service: thermalservice", 0},
			{"cmd thermalservice reset", "2>cmd: Can't find service: thermalservice", 20},
			{"cmd wifi status", "Unknown command: status", 255},
			{"cmd location is-location-enabled", "2>No shell command implementation.", 0},
			{"cmd connectivity airplane-mode", "2>No shell command implementation.", 0},
			{"cmd notification set_dnd none", "Unknown command: set_dnd", 255},
			{"cmd battery get level", "Unknown command: get", 255},
			{"cmd media_session volume --stream 3 --get", "2>No shell command implementation.", 0},
			{"media volume --stream 3 --set 7; media volume --stream 3 --get", "Volume is 7 in range [0..15]", 0},
			{"dumpsys wifi", "Wi-Fi is enabled", 0},
			{"dumpsys wifi", "mWifiInfo SSID: \"Bench\"", 0},
			{"am start -n com.none/.Main", "2>Error: Activity class {com.none/.Main} does not exist.", 0},
			{"am start -W -n com.example.camera/.CameraActivity", "ThisTime: ", 0},
			{"dumpsys activity activities", "mResumedActivity: ActivityRecord{", 0},
			{"dumpsys hardware_properties", "Battery temperatures: [", 0},
			{"getprop ro.build.version.sdk", "28", 0},
		},
		Android12: {
			{"dumpsys thermalservice", "Temperature static thresholds from HAL:", 0},
			{"cmd wifi status", "Wifi is connected to \"Bench\"", 0},
			{"cmd wifi status", "RSSI: -", 0},
			{"cmd wifi start-scan", "2>SecurityException: Uid 2000 does not have access to start-scan wifi command", 255},
			{"cmd location set-location-enabled false; cmd location is-location-enabled", "false", 0},
			{"cmd connectivity airplane-mode", "disabled", 0},
			{"cmd bluetooth_manager disable", "2>No shell command implementation.", 0},
			{"cmd display get-brightness", "Unknown command: get-brightness", 255},
			{"cmd media_session volume --stream 3 --set 9; cmd media_session volume --stream 3 --get", "Volume is 9 in range [0..15]", 0},
			{"cmd notification set_dnd none; settings get global zen_mode", "2", 0},
			{"cmd notification set_dnd quiet", "2>Invalid filter", 255},
			{"am start -n com.none/.Main", "2>Error type 3", 1},
			{"am start -W -n com.example.camera/.CameraActivity", "LaunchState: COLD", 0},
			{"dumpsys activity activities", "topResumedActivity=ActivityRecord{", 0},
			{"cmd uimode night yes; cmd uimode night", "Night mode: yes", 0},
			{"cmd battery get level", "9", 0},
			{"cmd battery get none", "Unknown get option: none", 0},
			{"cmd none", "2>cmd: Can't find service: none", 20},
		},
		Android14: {
			{"cmd media_session volume --stream 3 --set 4; cmd media_session volume --stream 3 --get", "[V] Volume is 4 in range [0..15]", 0},
			{"cmd bluetooth_manager disable; settings get global bluetooth_on", "0", 0},
			{"cmd display set-brightness 0.5; cmd display get-brightness", "0.", 0},
			{"cmd display set-brightness 2", "2>Error: brightness should be a number between 0 and 1", 255},
			{"cmd nfc status", "2>cmd: Can't find service: nfc", 20},
			{"dumpsys android.hardware.health.IHealth/default", "batteryFullChargeUah: 4500000", 0},
			{"cmd deviceidle disable all", "Light idle mode disabled", 0},
			{"dumpsys deviceidle disable all; dumpsys deviceidle enabled", "0", 0},
		},
		Android16: {
			{"dumpsys battery", "  Capacity level: 4", 0},
			{"dumpsys telephony.registry", "mCallState=0", 0},
			{"dumpsys bluetooth_manager", "  enabled: true", 0},
			{"svc usb getFunctions", "", 0},
			{"pm list packages --show-versioncode", "package:com.example.camera versionCode:83010", 0},
			{"dumpsys package com.example.browser", "versionName=117.0.2", 0},
			{"cmd package resolve-activity --brief -a android.intent.action.VIEW -d http://localhost/", "com.example.browser/.MainActivity", 0},
			{"cmd package resolve-activity --brief -a android.media.action.STILL_IMAGE_CAMERA", "com.example.camera/.CameraActivity", 0},
			{"cmd package resolve-activity --brief -a android.intent.action.VIEW -t video/mp4 -d content://media/external/video/media/1", "com.example.player/.PlayerActivity", 0},
			{"cmd package resolve-activity --brief -a nothing", "No activity found", 0},
			{"wm size", "Physical size: 1080x2340", 0},
			{"wm size 720x1280; wm size", "Override size: 720x1280", 0},
			{"wm density", "Physical density: 420", 0},
			{"uiautomator dump /sdcard/w.xml; cat /sdcard/w.xml", "UI hierchary dumped to: /sdcard/w.xml\n<?xml", 0},
			{"settings get none key", "2>Invalid namespace 'none'", 255},
			{"settings get system none", "null", 0},
			{"settings put system any 'a b'; settings list system", "any=a b\n", 0},
			{"settings put system any 1; settings delete system any; settings get system any", "Deleted 1 rows\nnull\n", 0},
		},
	}
	for f, answers := range tests {
		for _, a := range answers {
			synctest.Test(t, func(t *testing.T) {
				h := New(Options{Android: f})
				defer h.Close()
				ready(t, h)
				out := both(t, h, a.command)
				text, want := out.Stdout, a.text
				if rest, ok := strings.CutPrefix(a.text, "2>"); ok {
					text, want = out.Stderr, rest
				}
				if !strings.Contains(text, want) || out.ExitCode != a.code {
					t.Errorf("Android %d: %s = %+v, want %q and code %d", f, a.command, out, a.text, a.code)
				}
			})
		}
	}
}

func TestRecordsByFlavour(t *testing.T) {
	for f, want := range map[Flavour]string{Android9: " u0 com.example.launcher/.HomeActivity t1}", Android12: " u0 com.example.launcher/.HomeActivity t1}",
		Android14: " u0 com.example.launcher/.HomeActivity} t1}", Android16: " u0 com.example.launcher/.HomeActivity} t1}"} {
		synctest.Test(t, func(t *testing.T) {
			h := New(Options{Android: f})
			defer h.Close()
			if got := sh(t, h, "dumpsys activity activities"); strings.Contains(got, "esumedActivity: Act") || strings.Contains(got, "topResumed") {
				t.Errorf("Android %d: with the screen off something is resumed:\n%s", f, got)
			}
			ready(t, h)
			wantText(t, "activities", sh(t, h, "dumpsys activity activities"), want)
			wantText(t, "window", sh(t, h, "dumpsys window"), "mCurrentFocus=Window{")
			wantText(t, "window", sh(t, h, "dumpsys window"), "com.example.launcher/com.example.launcher.HomeActivity}")
			sh(t, h, "input keyevent 223; input keyevent 224")
			wantText(t, "locked", sh(t, h, "dumpsys window"), "u0 "+flavourTable[f].shadeName+"}")
		})
	}
}

func TestDialects(t *testing.T) {
	for dialect, wants := range map[Dialect][]string{
		DoubledKey:       {"  charge counter: ", "  current now: -", "LLB CAL:\n", "[BattActionChangedLogBuffer]\n", "  Max charging current: 0\n"},
		SectionBefore:    {"Current VENDORX Battery Service state:\n", "  UpdatesStopped: false\n", "\n\n  PhoneTemp: "},
		TrailingLines:    {"VendorBatteryService first usage time:\n", "  mParseNtpTime=\n"},
		ExtraCurrentLine: {"  current: ", "\n  temperature: "},
	} {
		synctest.Test(t, func(t *testing.T) {
			h := New(Options{Battery: dialect})
			defer h.Close()
			ready(t, h)
			dump := sh(t, h, "sleep 5; dumpsys battery")
			for _, want := range wants {
				wantText(t, "the dump", dump, want)
			}
			if n := strings.Count(dump, "\nCurrent Battery Service state:\n") + strings.Count(dump[:1], "C"); n < 1 {
				t.Errorf("dialect %d has no header of its own:\n%s", dialect, dump)
			}
		})
	}
}

func TestNodes(t *testing.T) {
	for access, want := range map[Access]int{Readable: 0, Denied: 1, Missing: 1} {
		synctest.Test(t, func(t *testing.T) {
			h := New(Options{Nodes: access})
			defer h.Close()
			out := both(t, h, "cat /sys/class/power_supply/battery/voltage_now")
			if out.ExitCode != want {
				t.Fatalf("access %d: %+v, want code %d", access, out, want)
			}
			text := map[Access]string{Readable: "", Denied: "Permission denied", Missing: "No such file"}[access]
			wantText(t, "stderr", out.Stderr, text)
			if access == Readable {
				wantText(t, "uevent", sh(t, h, "cat /sys/class/power_supply/battery/uevent"), "POWER_SUPPLY_CAPACITY=93\n")
			}
		})
	}
}
