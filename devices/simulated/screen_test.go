package simulated

import (
	"math"
	"testing"
	"testing/synctest"
	"time"
)

func TestScreenGoesOffByItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{})
		defer h.Close()
		sh(t, h, "input keyevent 224")
		wantText(t, "woken", sh(t, h, "dumpsys power"), "mWakefulness=Awake")
		wantText(t, "woken", sh(t, h, "dumpsys window policy"), "showing=true")
		time.Sleep(25 * time.Second)
		sh(t, h, "input tap 500 500") // starts the half minute again
		time.Sleep(25 * time.Second)
		wantText(t, "touched", sh(t, h, "dumpsys power"), "Display Power: state=ON")
		time.Sleep(10 * time.Second)
		wantText(t, "left alone", sh(t, h, "dumpsys power"), "mWakefulness=Asleep")
	})
}

func TestFilmHoldsTheScreenOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{Lock: NoLock})
		defer h.Close()
		sh(t, h, "input keyevent 224")
		id := pushClip(t, h, 30*time.Minute)
		sh(t, h, "input keyevent 224; am start -a android.intent.action.VIEW -d content://media/external/video/media/"+id+" -t video/mp4")
		time.Sleep(29 * time.Minute)
		wantText(t, "during the film", sh(t, h, "dumpsys power"), "mWakefulness=Awake")
		time.Sleep(2 * time.Minute)
		wantText(t, "after it", sh(t, h, "dumpsys power"), "mWakefulness=Asleep")
	})
}

func TestLocks(t *testing.T) {
	for _, tt := range []struct {
		lock Lock
		open bool
	}{{NoLock, true}, {SwipeLock, true}, {SecureLock, false}} {
		synctest.Test(t, func(t *testing.T) {
			h := New(Options{Lock: tt.lock})
			defer h.Close()
			sh(t, h, "input keyevent 224; wm dismiss-keyguard")
			what, _ := h.Showing()
			if open := what != ""; open != tt.open {
				t.Errorf("lock %d: open = %t, want %t", tt.lock, open, tt.open)
			}
			want := "mKeyguardShowing=true"
			if tt.open {
				want = "mKeyguardShowing=false"
			}
			wantText(t, "activities", sh(t, h, "dumpsys activity activities"), want)
		})
	}
}

func TestSwipeOpensTheLock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{})
		defer h.Close()
		sh(t, h, "input keyevent 224; input swipe 500 1800 500 600 200")
		if what, _ := h.Showing(); what != "com.example.launcher/.HomeActivity" {
			t.Errorf("in front: %q", what)
		}
	})
}

func TestBrightness(t *testing.T) {
	tests := []struct {
		name    string
		o       Options
		command string
		key     string // of dumpsys display
		want    string
		cdM2    float64
	}{
		{"whole steps of 255", Options{Android: Android12}, "settings put system screen_brightness 102", "mBrightnessState=", "0.39763778", PowerLaw(2, 520, 1.9)(101.0 / 254)},
		{"old", Options{Android: Android9}, "settings put system screen_brightness 102", "mBrightness=", "102", PowerLaw(2, 520, 1.9)(0.4)},
		{"4095 steps", Options{Android: Android16, BrightnessMax: 4095}, "settings put system screen_brightness 2048", "mBrightnessState=", "0.5", PowerLaw(2, 520, 1.9)(0.5)},
		{"by the display's command", Options{Android: Android14}, "cmd display set-brightness 0.25", "mBrightnessState=", "0.25", PowerLaw(2, 520, 1.9)(0.25)},
		{"float key that drives", Options{Android: Android12}, "settings put system screen_brightness_float 0.75", "mBrightnessState=", "0.75", PowerLaw(2, 520, 1.9)(0.75)},
		{"float key that does not", Options{Android: Android16}, "settings put system screen_brightness 255; settings put system screen_brightness_float 0.1", "mBrightnessState=", "1.0", 520},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := New(tt.o)
				defer h.Close()
				ready(t, h)
				sh(t, h, "settings put system screen_brightness_mode 0; "+tt.command)
				if got := value(t, sh(t, h, "dumpsys display"), tt.key); got != tt.want {
					t.Errorf("%s = %s, want %s", tt.key, got, tt.want)
				}
				if got := h.LuminanceNow(); math.Abs(got-tt.cdM2) > 0.01*tt.cdM2 {
					t.Errorf("luminance %.1f cd/m², want %.1f", got, tt.cdM2)
				}
			})
		})
	}
}

func TestBrighterCostsMore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{RefreshHz: []float64{60, 120}})
		defer h.Close()
		ready(t, h)
		sh(t, h, "settings put system screen_brightness_mode 0; settings put system peak_refresh_rate 60")
		time.Sleep(time.Minute)
		last := 0.0
		for _, command := range []string{"settings put system screen_brightness 1", "settings put system screen_brightness 128",
			"settings put system screen_brightness 255", "settings put system peak_refresh_rate 120"} {
			sh(t, h, command)
			time.Sleep(time.Second)
			w := h.Watts()
			if w <= last+0.05 {
				t.Errorf("after %q %.3f W, want more than %.3f W", command, w, last)
			}
			last = w
		}
		wantText(t, "display", sh(t, h, "dumpsys display"), "mActiveModeId=2")
	})
}

func TestDimsWhenHot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{Android: Android14})
		defer h.Close()
		ready(t, h)
		sh(t, h, "settings put system screen_brightness_mode 0; settings put system screen_brightness 255")
		h.DimAbove(30, 0.5)
		before := h.LuminanceNow()
		h.SetAmbientC(35)
		time.Sleep(2 * time.Hour)
		if after := h.LuminanceNow(); after > before/2 {
			t.Errorf("at %.1f °C %.0f cd/m², want less than half of %.0f", h.BattTempC(), after, before)
		}
		if got := sh(t, h, "settings get system screen_brightness"); got != "255\n" {
			t.Errorf("the setting became %q, want it left alone", got)
		}
		wantText(t, "the dump", sh(t, h, "dumpsys display"), "mBrightnessState=0.5")
	})
}
