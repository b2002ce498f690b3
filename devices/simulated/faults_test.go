package simulated

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"rundown/devices"
)

// background starts a program that outlives its shell and counts into a file.
const background = `setsid sh -c 'trap "" HUP; i=0; while :; do i=$((i+1)); echo $i > /data/local/tmp/count; sleep 1; done' </dev/null >/dev/null 2>&1 & echo $!`

func count(t *testing.T, h *Handset) int {
	t.Helper()
	b, err := h.readFile("/data/local/tmp/count")
	if err != nil {
		t.Fatal(err)
	}
	n, err := strconv.Atoi(strings.TrimSpace(string(b)))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestLinkLostAndBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{Suspend: Suspend{Never: true}})
		defer h.Close()
		sh(t, h, background)
		changed := h.Changed()
		h.At(time.Minute, h.LoseLink)
		h.At(10*time.Minute, h.RestoreLink)
		_, err := h.Shell(t.Context(), "sleep 600")
		if !errors.Is(err, devices.ErrLinkLost) {
			t.Errorf("a command under way: %v, want ErrLinkLost", err)
		}
		if up := h.Uptime(); up != time.Minute {
			t.Errorf("lost at %v, want 1m", up)
		}
		select {
		case <-changed:
		default:
			t.Error("nobody was told of the change")
		}
		if _, err := h.Shell(t.Context(), "true"); !errors.Is(err, devices.ErrOffline) {
			t.Errorf("meanwhile: %v, want ErrOffline", err)
		}
		if _, err := h.Stat(t.Context(), "/sdcard"); !errors.Is(err, devices.ErrOffline) {
			t.Errorf("meanwhile: %v, want ErrOffline", err)
		}
		time.Sleep(9*time.Minute + time.Second)
		if got := count(t, h); got < 590 {
			t.Errorf("the program counted to %d in ten minutes: it did not go on without the link", got)
		}
		sh(t, h, "true")
	})
}

func TestAdbdRestartKillsAll(t *testing.T) {
	for name, restart := range map[string]func(h *Handset){
		"by itself": (*Handset).RestartAdbd,
		"by a change of USB functions": func(h *Handset) {
			_, _ = h.Shell(h.ctx(), "svc usb setFunctions mtp")
		},
		"by tcpip": func(h *Handset) { h.Special("tcpip:5555") },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := New(Options{})
				defer h.Close()
				sh(t, h, background)
				boot := sh(t, h, "cat /proc/sys/kernel/random/boot_id")
				time.Sleep(time.Minute)
				restart(h)
				synctest.Wait()
				before := count(t, h)
				time.Sleep(time.Minute)
				if after := count(t, h); after != before {
					t.Errorf("the program went on from %d to %d", before, after)
				}
				if got := sh(t, h, "cat /proc/sys/kernel/random/boot_id"); got != boot {
					t.Errorf("boot id %q became %q", boot, got)
				}
			})
		})
	}
}

func TestReboot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{})
		defer h.Close()
		ready(t, h)
		sh(t, h, background)
		boot := sh(t, h, "cat /proc/sys/kernel/random/boot_id")
		sh(t, h, "echo kept > /data/local/tmp/kept; settings put system screen_brightness 77; settings get global boot_count")
		time.Sleep(time.Hour)
		h.Reboot()
		if h.State() == "device" {
			t.Error("the link stays during a reboot")
		}
		time.Sleep(time.Minute)
		if got := sh(t, h, "cat /proc/sys/kernel/random/boot_id"); got == boot || len(strings.TrimSpace(got)) != 36 {
			t.Errorf("boot id %q before, %q after", boot, got)
		}
		up, err := strconv.ParseFloat(strings.Fields(sh(t, h, "cat /proc/uptime"))[0], 64)
		if err != nil || up < 20 || up > 40 {
			t.Errorf("uptime %v s, %v; want about 25 s", up, err)
		}
		if got := sh(t, h, "cat /data/local/tmp/kept; settings get system screen_brightness; settings get global boot_count"); got != "kept\n77\n13\n" {
			t.Errorf("kept: %q", got)
		}
		if list := h.machine.Processes(); len(list) != 0 {
			t.Errorf("processes that outlived the reboot: %v", list)
		}
		wantText(t, "after the reboot", sh(t, h, "dumpsys window policy; dumpsys power"), "mWakefulness=Asleep")
		if h.TruthHours(0, h.Uptime()) < 20 {
			t.Errorf("the truth looks back past the boot: %.1f h", h.TruthHours(0, h.Uptime()))
		}
	})
}

func TestRebootByCommand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{})
		defer h.Close()
		if _, err := h.Shell(t.Context(), "reboot; sleep 100"); !errors.Is(err, devices.ErrLinkLost) {
			t.Errorf("reboot: %v, want ErrLinkLost", err)
		}
		time.Sleep(bootTime)
		sh(t, h, "true")
	})
}

func TestDialogAndCrash(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{Android: Android12})
		defer h.Close()
		ready(t, h)
		id := pushClip(t, h, time.Hour)
		play := "am start -a android.intent.action.VIEW -d content://media/external/video/media/" + id + " -t video/mp4"
		sh(t, h, play)
		h.Dialog()
		wantText(t, "dialog", sh(t, h, "dumpsys activity activities"), "topResumedActivity=ActivityRecord{")
		wantText(t, "dialog", sh(t, h, "dumpsys activity activities"), "com.android.systemui/.NoticeActivity")
		wantText(t, "under a dialog", sh(t, h, "dumpsys media_session"), "{state=2,")
		sh(t, h, "input keyevent 4; input keyevent 126")
		wantText(t, "dialog answered", sh(t, h, "dumpsys media_session"), "{state=3,")
		h.CrashApp()
		if what, _ := h.Showing(); what != "com.example.launcher/.HomeActivity" {
			t.Errorf("after a crash %q is in front", what)
		}
		wantText(t, "after a crash", sh(t, h, "dumpsys media_session"), "have 0 sessions")
		h.Dialog()
		sh(t, h, play)
		if what, _ := h.Showing(); what != "com.example.player/.PlayerActivity" {
			t.Errorf("started over a dialog: %q in front", what)
		}
	})
}

func TestGaugeFaults(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{ScalePower: 4})
		defer h.Close()
		ready(t, h)
		level := func() int {
			n, err := strconv.Atoi(value(t, sh(t, h, "dumpsys battery"), "level:"))
			if err != nil {
				t.Fatal(err)
			}
			return n
		}
		h.FreezeGauge(true)
		before, soc := level(), h.TrueSoC()
		time.Sleep(time.Hour)
		if after := level(); after != before || h.TrueSoC() > soc-0.05 {
			t.Errorf("frozen gauge: level %d to %d, charge %.2f to %.2f", before, after, soc, h.TrueSoC())
		}
		h.FreezeGauge(false)
		time.Sleep(time.Minute)
		if level() >= before {
			t.Errorf("a gauge that goes on shows %d, want less than %d", level(), before)
		}
		at := level()
		h.ShiftLevel(+1)
		if got := level(); got != at+1 {
			t.Errorf("level %d after a step up from %d", got, at)
		}
		h.ShiftLevel(-1)

		h.SkipPoint()
		last := level()
		for last == level() {
			time.Sleep(10 * time.Second)
		}
		if got := level(); got != last-2 {
			t.Errorf("level went from %d to %d, want two points at once", last, got)
		}
	})
}

func TestCounterFaults(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{})
		defer h.Close()
		for fault, want := range map[CounterFault]string{CounterZero: "Charge counter: 0\n", CounterNegative: "Charge counter: -4", CounterSound: "Charge counter: 4"} {
			h.SetCounter(fault)
			wantText(t, fmt.Sprint("counter fault ", fault), sh(t, h, "dumpsys battery"), want)
		}
		h.SetCounter(CounterAbsent)
		if got := sh(t, h, "dumpsys battery"); strings.Contains(got, "Charge counter") {
			t.Errorf("an absent counter is printed:\n%s", got)
		}
	})
}

// A counter that corrects itself moves by its points and counts on from there; the level does not move.
func TestCounterJumps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{})
		defer h.Close()
		read := func() (counter float64, level string) {
			for line := range strings.Lines(sh(t, h, "dumpsys battery")) {
				name, value, _ := strings.Cut(strings.TrimSpace(line), ": ")
				switch name {
				case "Charge counter":
					counter, _ = strconv.ParseFloat(value, 64)
				case "level":
					level = value
				}
			}
			return counter, level
		}
		before, level := read()
		h.ShiftCounter(-2)
		time.Sleep(time.Minute)
		after, same := read()
		full := before / h.TrueSoC()
		if moved := 100 * (after - before) / full; math.Abs(moved+2) > 0.1 || same != level {
			t.Errorf("counter moved by %.2f points of full charge and level from %s to %s, want -2 and no change", moved, level, same)
		}
	})
}

func TestGatesOfMakers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{})
		defer h.Close()
		h.RefuseSettings(true)
		h.RefuseInput(true)
		for _, command := range []string{"settings put system screen_brightness 9", "settings delete system screen_brightness", "input keyevent 224", "cmd display set-brightness 0.1"} {
			if out := both(t, h, command); out.ExitCode == 0 || !strings.Contains(out.Stderr, "SecurityException") {
				t.Errorf("%s = %+v, want a SecurityException", command, out)
			}
		}
		if got := sh(t, h, "settings get system screen_brightness"); got != "102\n" {
			t.Errorf("the setting became %q", got)
		}
		h.RefuseSettings(false)
		h.IgnoreSetting("system", "screen_brightness", true)
		if got := sh(t, h, "settings put system screen_brightness 9; settings get system screen_brightness"); got != "102\n" {
			t.Errorf("an ignored write gave %q", got)
		}
	})
}

func TestOutputFaults(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{})
		defer h.Close()
		h.CarriageReturns(true)
		if got := sh(t, h, "echo a; echo b"); got != "a\r\nb\r\n" {
			t.Errorf("with carriage returns %q", got)
		}
		h.CarriageReturns(false)
		h.WarnFirst("WARNING: linker: unsupported flags")
		if got := sh(t, h, "echo a"); got != "WARNING: linker: unsupported flags\na\n" {
			t.Errorf("with a warning %q", got)
		}
		h.WarnFirst("")
		h.HangOn("dumpsys battery")
		ctx, cancel := contextFor(t, time.Minute)
		defer cancel()
		if _, err := h.Shell(ctx, "dumpsys battery"); !errors.Is(err, devices.ErrTimeout) {
			t.Errorf("a command that hangs: %v, want ErrTimeout", err)
		}
		sh(t, h, "dumpsys power")
	})
}

func TestStorageFull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{})
		defer h.Close()
		ready(t, h)
		h.FillStorage(true)
		out := both(t, h, "echo x > /data/local/tmp/x")
		if out.ExitCode == 0 {
			t.Errorf("a write to a full storage: %+v", out)
		}
		if err := h.Push(t.Context(), bytes.NewReader([]byte("x")), "/data/local/tmp/x", 0o644); err == nil {
			t.Error("a push to a full storage succeeds")
		}
		sh(t, h, "am start -a android.media.action.STILL_IMAGE_CAMERA; input keyevent 27; sleep 2")
		if got := sh(t, h, "ls /sdcard/DCIM/Camera"); got != "" {
			t.Errorf("a photo on a full storage: %q", got)
		}
		h.FillStorage(false)
		sh(t, h, "echo x > /data/local/tmp/x")
	})
}

func TestClockJump(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{})
		defer h.Close()
		up := h.Uptime()
		before := strings.TrimSpace(sh(t, h, "date +%s"))
		h.JumpWallClock(-2 * time.Hour)
		after := strings.TrimSpace(sh(t, h, "date +%s"))
		a, err1 := strconv.Atoi(before)
		b, err2 := strconv.Atoi(after)
		if err1 != nil || err2 != nil || a-b < 7199 || a-b > 7200 {
			t.Errorf("date +%%s gave %s, then %s", before, after)
		}
		if h.Uptime() < up {
			t.Error("the uptime jumped too")
		}
	})
}

func TestSaverRefusesWhilePowered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{})
		defer h.Close()
		ready(t, h)
		sh(t, h, "settings put system screen_brightness_mode 0")
		bright, watts := h.LuminanceNow(), h.Watts()
		h.SetBatterySaver(true)
		if got := sh(t, h, "settings get global low_power; cmd power set-mode 1"); got != "1\n" {
			t.Errorf("low_power = %q", got)
		}
		time.Sleep(time.Minute)
		if h.LuminanceNow() >= bright || h.Watts() >= watts {
			t.Error("the saver saves nothing")
		}
		h.Plug(true)
		if got := sh(t, h, "cmd power set-mode 1; settings get global low_power"); got != "0\n" {
			t.Errorf("on the charger low_power = %q, want 0", got)
		}
	})
}

func TestPowerCutsTheLinkWhereTheyShareACable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{LinkNeedsPower: true, ChargerUSB: true})
		defer h.Close()
		if err := h.Gate().Open(t.Context()); err != nil {
			t.Fatal(err)
		}
		wantText(t, "battery", sh(t, h, "dumpsys battery"), "  USB powered: true\n")
		if err := h.Gate().Close(t.Context()); err != nil {
			t.Fatal(err)
		}
		if _, err := h.Shell(t.Context(), "true"); !errors.Is(err, devices.ErrOffline) {
			t.Errorf("with the cable cut: %v, want ErrOffline", err)
		}
		if err := h.Gate().Open(t.Context()); err != nil {
			t.Fatal(err)
		}
		sh(t, h, "true")
	})
}

func TestRadios(t *testing.T) {
	for _, f := range Flavours() {
		synctest.Test(t, func(t *testing.T) {
			h := New(Options{Android: f, NFC: true})
			defer h.Close()
			ready(t, h)
			time.Sleep(time.Minute)
			all := h.Watts()
			get := func(key string) string { return strings.TrimSpace(sh(t, h, "settings get global "+key)) }
			sh(t, h, "svc wifi disable; svc data disable; svc bluetooth disable; svc nfc disable; settings put secure location_mode 0")
			if got := get("wifi_on") + get("mobile_data") + get("bluetooth_on"); got != "000" {
				t.Errorf("Android %d: all off shows %q", f, got)
			}
			wantText(t, "nfc", sh(t, h, "dumpsys nfc"), "mState=off")
			time.Sleep(time.Minute)
			if h.Watts() > all-0.08 {
				t.Errorf("Android %d: %.3f W with radios, %.3f W without", f, all, h.Watts())
			}
			sh(t, h, "settings put global wifi_on 1") // a mirror that moves nothing
			h.do(func() {
				if h.radios.wifi {
					t.Errorf("Android %d: writing the mirror switched the radio", f)
				}
			})
			sh(t, h, "svc wifi enable; svc data enable")
			time.Sleep(3 * time.Second)
			wantText(t, "data", sh(t, h, "dumpsys telephony.registry"), "mDataConnectionState=2")
			h.LoseWiFi()
			h.do(func() {
				if h.wifiUp() || !h.radios.wifi {
					t.Errorf("Android %d: a lost network: up %t, radio on %t", f, h.wifiUp(), h.radios.wifi)
				}
			})
			h.RestoreWiFi()
			time.Sleep(3 * time.Second)
			h.do(func() {
				if !h.wifiUp() {
					t.Errorf("Android %d: Wi-Fi does not come back", f)
				}
			})
		})
	}
}

func TestCalls(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{})
		defer h.Close()
		ready(t, h)
		state := func() string { return value(t, sh(t, h, "dumpsys telephony.registry"), "mCallState=") }
		sh(t, h, "am start -a android.intent.action.CALL -d tel:5550100")
		if got := state(); got != "2" {
			t.Errorf("call state %s, want 2", got)
		}
		sh(t, h, "input keyevent 6")
		if got := state(); got != "0" {
			t.Errorf("call state %s after its end, want 0", got)
		}
		for _, number := range []string{"112", "911", "tel:9-9-9"} {
			sh(t, h, "am start -a android.intent.action.CALL -d tel:"+strings.TrimPrefix(number, "tel:"))
			if got := state(); got != "0" {
				t.Errorf("%s was called", number)
			}
		}
		h.RemoveSIM(true)
		sh(t, h, "am start -a android.intent.action.CALL -d tel:5550100")
		if got := state() + sh(t, h, "getprop gsm.sim.state"); got != "0ABSENT\n" {
			t.Errorf("without a SIM %q", got)
		}
	})
}

func TestCameraTakesPhotosAndFilms(t *testing.T) {
	for _, f := range Flavours() {
		synctest.Test(t, func(t *testing.T) {
			h := New(Options{Android: f})
			defer h.Close()
			ready(t, h)
			sh(t, h, "input keyevent 27; sleep 2") // no camera in front: nothing
			sh(t, h, "am start -a android.media.action.STILL_IMAGE_CAMERA; sleep 1; input keyevent 27; sleep 2; input keyevent 27; sleep 2; input tap 540 2200; sleep 2")
			if got := strings.Count(sh(t, h, "ls /sdcard/DCIM/Camera"), ".jpg\n"); got != 3 {
				t.Errorf("Android %d: %d photos, want 3", f, got)
			}
			sh(t, h, "am start -a android.media.action.VIDEO_CAMERA; sleep 1; input keyevent 27; sleep 10; input keyevent 27; sleep 1")
			name := strings.TrimSpace(sh(t, h, "ls /sdcard/DCIM/Camera/*.mp4"))
			b, err := h.readFile(name)
			if err != nil {
				t.Fatal(err)
			}
			if d, err := filmLength(b); err != nil || d < 9*time.Second || d > 13*time.Second {
				t.Errorf("Android %d: a film of %v, %v; want about 10 s", f, d, err)
			}
			wantText(t, "media", sh(t, h, "content query --uri content://media/external/images/media --projection _id:_data"), "Row: 2 _id=3, _data=/storage/emulated/0/DCIM/Camera/IMG_")
			sh(t, h, "input keyevent 223; input keyevent 27; sleep 2")
			if got := strings.Count(sh(t, h, "ls /sdcard/DCIM/Camera"), ".jpg\n"); got != 3 {
				t.Errorf("Android %d: with the screen off a photo was taken", f)
			}
		})
	}
}
