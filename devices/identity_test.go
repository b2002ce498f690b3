package devices

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func itoa(n int) string { return strconv.Itoa(n) }

// handsetPrelude stands for a handset's commands, with invented answers.
const handsetPrelude = `
getprop() { case "$1" in
	ro.product.model) echo 'Fake Phone';; ro.product.manufacturer) echo Nobody;; ro.build.version.release) echo 14;;
	ro.build.version.sdk) echo 34;; ro.build.fingerprint) echo nobody/fake:14/1/2:user/release-keys;; ro.build.version.security_patch) echo 2026-01-05;;
	*) echo;; esac; }
cat() { case "$1" in
	*/boot_id) echo 0b9f5a52-59a4-4c6a-8d13-0c8a4d3a1f6e;; /proc/uptime) echo '81234.56 300000.12';; esac; }
settings() { echo 12; }
wm() { echo 'Physical size: 1440x3120'; echo 'Override size: 1080x2340'; }
date() { echo 1780000000.123456789; }
pm() { echo package:com.example.b versionCode:77; echo package:com.example.c versionCode:3; }
dumpsys() { test "$2" = com.example.c || printf 'Activity Resolver Table:\n  x\nPackages:\n  Package [%s] (9f):\n    versionCode=76 minSdk=26 targetSdk=34\n    versionName=7.6 beta\n  Package [other] (1):\n    versionName=9\nHidden system packages:\n  Package [%s] (8e):\n    versionName=1.0\n' "$2" "$2"; }
cmd() { case "$*" in
	*STILL_IMAGE*) printf 'priority=0 preferredOrder=0\ncom.example.camera/.Camera\n';;
	*video/mp4*) printf 'priority=0\nandroid/com.android.internal.app.ResolverActivity\n';;
	*DIAL*) echo 'No activity found';;
	*) printf 'priority=0\ncom.example.web/com.example.web.Main\n';; esac; }
`

func TestIdentifyVersionsRolesUptime(t *testing.T) {
	for _, shell := range shells(t) {
		l := hostLink{shell: shell, prelude: handsetPrelude}
		id, err := Identify(t.Context(), l)
		if err != nil {
			t.Fatalf("%s: %v", shell, err)
		}
		want := Identity{
			Model: "Fake Phone", Maker: "Nobody", AndroidVersion: "14", SDK: 34, Build: "nobody/fake:14/1/2:user/release-keys", SecurityPatch: "2026-01-05",
			BootID: "0b9f5a52-59a4-4c6a-8d13-0c8a4d3a1f6e", ScreenW: 1080, ScreenH: 2340,
		}
		if diff := cmp.Diff(want, id); diff != "" {
			t.Errorf("%s: Identify (-want +got):\n%s", shell, diff)
		}

		versions, err := AppVersions(t.Context(), l, []string{"com.example.a", "com.example.b", "com.example.c"})
		if err != nil {
			t.Fatal(err)
		}
		wantVersions := map[string]string{"com.example.a": "7.6 beta (76)", "com.example.b": "7.6 beta (77)", "com.example.c": "code 3"}
		if diff := cmp.Diff(wantVersions, versions); diff != "" {
			t.Errorf("%s: AppVersions (-want +got):\n%s", shell, diff)
		}
		if got, err := AppVersions(t.Context(), l, []string{"com.example;reboot"}); err == nil {
			t.Errorf("AppVersions of no package name = %v", got)
		}

		for role, want := range map[string]string{"browser": "com.example.web", "camera": "com.example.camera"} {
			if got, err := Resolve(t.Context(), l, role); err != nil || got != want {
				t.Errorf("%s: Resolve(%s) = %q, %v; want %q", shell, role, got, err, want)
			}
		}
		for role, says := range map[string]string{"player": "several apps", "dialer": "No activity found", "fridge": "is no role: want one of browser"} {
			if got, err := Resolve(t.Context(), l, role); err == nil || !strings.Contains(err.Error(), says) {
				t.Errorf("%s: Resolve(%s) = %q, %v; want an error that says %q", shell, role, got, err, says)
			}
		}

		up, wall, err := Uptime(t.Context(), l)
		if err != nil || up != 81234560*time.Millisecond || !wall.Equal(time.Unix(1780000000, 123456789)) {
			t.Errorf("%s: Uptime = %v, %v, %v", shell, up, wall, err)
		}
	}
}

func TestIdentifyNeedsTheAndroidVersion(t *testing.T) {
	l := hostLink{shell: shells(t)[0], prelude: "getprop() { echo; }\ncat() { echo no >&2; return 1; }\nsettings() { echo 12; }\nwm() { echo; }"}
	if _, err := Identify(t.Context(), l); err == nil || !strings.Contains(err.Error(), "Android version") {
		t.Errorf("Identify = %v", err)
	}
	l.prelude += "\ngetprop() { case $1 in *sdk) echo 28;; *) echo;; esac; }"
	id, err := Identify(t.Context(), l)
	if err != nil || id.BootID != "count:12" {
		t.Errorf("Identify where the boot id is not readable = %+v, %v", id, err)
	}
}

func TestReadBatteryNamesTheHandset(t *testing.T) {
	l := hostLink{shell: shells(t)[0], prelude: "dumpsys() { echo \"Can't find service: battery\"; }"}
	if _, err := ReadBattery(t.Context(), l); err == nil || !strings.Contains(err.Error(), "handset HOST") {
		t.Errorf("ReadBattery = %v", err)
	}
	l.prelude = "dumpsys() { printf '" + strings.ReplaceAll(batteryHeader+"\n"+body, "\n", "\\n") + "'; }"
	if b, err := ReadBattery(t.Context(), l); err != nil || b.LevelPct != 44 {
		t.Errorf("ReadBattery = %+v, %v", b, err)
	}
	if _, err := ReadThermal(t.Context(), l, Flavour{SDK: 28}); err == nil || !strings.Contains(err.Error(), "from version 10 on") {
		t.Errorf("ReadThermal on Android 9 = %v", err)
	}
}

func TestParseClocks(t *testing.T) {
	for text, want := range map[string]time.Time{
		"1780000000.000000001\n": time.Unix(1780000000, 1), "1780000000.N\n": time.Unix(1780000000, 0), // Android 8 knows no %N
		"1780000000.%N\r\n": time.Unix(1780000000, 0), "1780000000": time.Unix(1780000000, 0),
	} {
		if got, err := parseDate(text); err != nil || !got.Equal(want) {
			t.Errorf("parseDate(%q) = %v, %v; want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"", "Wed Nov 25", "1780000000.5", "-3.000000000"} {
		if got, err := parseDate(text); err == nil {
			t.Errorf("parseDate(%q) = %v, want an error", text, got)
		}
	}
	for _, text := range []string{"", "12", "12.3", "12.34", "x 1"} {
		if got, err := parseUptime(text); err == nil {
			t.Errorf("parseUptime(%q) = %v, want an error", text, got)
		}
	}
}

func TestTheTableOfVersions(t *testing.T) {
	ops := make(map[Operation]bool)
	for _, w := range ways {
		ops[w.op] = true
		if (w.command == "") == (w.lacks == "") {
			t.Errorf("%s: a row has either a command or a reason: %+v", w.op, w)
		}
		if w.to != 0 && w.from > w.to {
			t.Errorf("%s: from %d to %d", w.op, w.from, w.to)
		}
	}
	for op := range ops {
		for sdk := 26; sdk <= 36; sdk++ {
			f := Flavour{SDK: sdk}
			if found, why := f.Ways(op, "a", "b"), f.Lacks(op); (len(found) == 0) != (why != "") {
				t.Errorf("SDK %d: %s: ways %q, lacks %q", sdk, op, found, why)
			}
		}
	}
	for _, tt := range []struct {
		sdk  int
		op   Operation
		args []string
		want string
	}{
		{28, WifiOff, nil, "[svc wifi disable]"},
		{30, WifiOff, nil, "[cmd wifi set-wifi-enabled disabled svc wifi disable]"},
		{29, AirplaneOn, nil, "[]"},
		{30, SetVolume, []string{"7"}, "[media volume --stream 3 --set '7']"},
		{34, SetVolume, []string{"7"}, "[cmd media_session volume --stream 3 --set '7' cmd audio set-volume 3 '7']"},
		{31, SetDisturb, []string{"it's"}, `[cmd notification set_dnd 'it'\''s']`},
		{32, BluetoothOff, nil, "[svc bluetooth disable]"},
		{33, BluetoothOff, nil, "[cmd bluetooth_manager disable svc bluetooth disable]"},
	} {
		if got := fmt.Sprint(Flavour{SDK: tt.sdk}.Ways(tt.op, tt.args...)); got != tt.want {
			t.Errorf("SDK %d: Ways(%s) = %s, want %s", tt.sdk, tt.op, got, tt.want)
		}
	}
}
