package simulated

import (
	"context"
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// quiet is a handset that nothing wakes by itself.
func quiet(o Options) Options {
	long := [2]time.Duration{1000 * time.Hour, 1001 * time.Hour}
	o.Suspend.Busy, o.Suspend.Light, o.Suspend.Deep = long, long, long
	return o
}

func seconds(t *testing.T, h *Handset, file string) time.Duration {
	t.Helper()
	b, err := h.readFile(file)
	if err != nil {
		t.Fatal(err)
	}
	word, _, _ := strings.Cut(strings.TrimSpace(string(b)), " ")
	s, err := strconv.ParseFloat(word, 64)
	if err != nil {
		t.Fatal(err)
	}
	return time.Duration(s * float64(time.Second))
}

// What sleeps stands still while its handset is suspended, and goes on afterwards with
// what was left; uptime goes on.
func TestSleepStandsStillInSuspend(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(quiet(Options{}))
		defer h.Close()
		sh(t, h, "(sleep 10; cat /proc/uptime >/data/local/tmp/woke) </dev/null >/dev/null 2>&1 &")
		time.Sleep(time.Hour)
		if !h.Suspended() {
			t.Fatal("not suspended after an hour with the screen off")
		}
		if _, err := h.readFile("/data/local/tmp/woke"); err == nil {
			t.Fatal("a process ran on while its handset was suspended")
		}
		if up := h.Uptime(); up < time.Hour {
			t.Errorf("uptime %v, want it to go on", up)
		}
		h.Plug(true) // which wakes it
		time.Sleep(20 * time.Second)
		// Of the ten seconds some three and a half had passed before it suspended.
		if woke := seconds(t, h, "/data/local/tmp/woke") - time.Hour; woke < 5*time.Second || woke > 8*time.Second {
			t.Errorf("woke %v after the hour, want the rest of its sleep, 5 s to 8 s", woke)
		}
		if w := h.Wakes(); w.By[WokenByPower] != 1 || w.Asleep < 59*time.Minute {
			t.Errorf("%+v, want one wake-up by power and an hour's sleep", w)
		}
	})
}

func TestWhatWakesAndWhatItCosts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := quiet(Options{})
		o.Suspend.WakeJ, o.Suspend.AwakeW, o.Suspend.LinkHold = 1, 0.3, 4*time.Second
		h := New(o)
		defer h.Close()
		time.Sleep(time.Minute)
		asleep := h.Watts()
		if math.Abs(asleep-(asleepW+wifiW+mobileW+bluetoothW)) > 1e-9 {
			t.Errorf("suspended it draws %.3f W", asleep)
		}
		before := h.Wakes()
		for range 10 {
			sh(t, h, "true")
			if w := h.Watts(); w < asleep+0.29 {
				t.Errorf("just looked at it draws %.3f W, want %.3f W more than asleep", w, 0.3)
			}
			time.Sleep(5 * time.Minute)
		}
		after := h.Wakes()
		if n := after.By[WokenByLink] - before.By[WokenByLink]; n != 10 {
			t.Errorf("%d wake-ups by the link, want 10", n)
		}
		// 1 J for each, 4.5 s at 0.3 W, and next to nothing for a shell.
		if got := after.LookJ - before.LookJ; got < 10*2.3 || got > 10*2.4 {
			t.Errorf("ten looks cost %.2f J, want 23.5", got)
		}
		h.Plug(true)
		h.Plug(false)
		sh(t, h, "input keyevent 223")
		time.Sleep(time.Minute)
		h.PressPower()
		w := h.Wakes()
		if w.By[WokenByPower] != 1 || w.By[WokenByUser] != 1 || w.By[WokenByAlarm] != 0 {
			t.Errorf("%v, want one by power and one by its key", w.By)
		}
	})
}

// The truth of a rest does not depend on whether somebody looks, and what looking costs
// is what it draws more.
func TestRestTruthWithoutLooks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		alone, watched := New(Options{Seed: 5}), New(Options{Seed: 5})
		defer alone.Close()
		defer watched.Close()
		for range 4 * 60 * 6 {
			time.Sleep(15 * time.Second)
			sh(t, watched, "cat /proc/uptime")
		}
		from, to := 10*time.Minute, 6*time.Hour
		if a, b := alone.RestWatts(from, to), watched.RestWatts(from, to); math.Abs(a-b) > 1e-4*a {
			t.Errorf("at rest %.5f W left alone, %.5f W looked at", a, b)
		}
		if a, b := alone.MeanWatts(from, to), alone.RestWatts(from, to); math.Abs(a-b) > 1e-9 {
			t.Errorf("left alone it drew %.5f W and would have drawn %.5f W", a, b)
		}
		if a, b := watched.MeanWatts(from, to), watched.RestWatts(from, to); a < 1.5*b {
			t.Errorf("looked at every 15 s it drew %.3f W against %.3f W", a, b)
		}
		w := alone.Wakes()
		if n := w.By[WokenByAlarm]; n < 12 || n > 30 {
			t.Errorf("%d wake-ups by alarm in six hours, want 7 or so in the first hour and a quarter and one in 40 min after it", n)
		}
		if w.By[WokenByLink] != 0 || w.LookJ > 0 {
			t.Errorf("nobody looked, and %+v", w)
		}
	})
}

func TestHandsetThatDoesNotHear(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := quiet(Options{})
		o.Suspend.LinkLate = 7 * time.Second
		late := New(o)
		defer late.Close()
		o.Suspend.LinkLate, o.Suspend.LinkDeaf = 0, 1
		deaf := New(o)
		defer deaf.Close()
		time.Sleep(time.Minute)
		began := time.Now()
		sh(t, late, "true")
		if took := time.Since(began); took < 7*time.Second || took > 8*time.Second {
			t.Errorf("answered after %v, want 7 s", took)
		}
		began = time.Now()
		sh(t, late, "true")
		if took := time.Since(began); took > time.Second {
			t.Errorf("awake it answered after %v", took)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		defer cancel()
		if _, err := deaf.Shell(ctx, "true"); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("a handset that hears nothing: %v, want the deadline", err)
		}
		if deaf.Wakes().By[WokenByLink] != 0 {
			t.Error("it was woken by what it did not hear")
		}
	})
}

func TestNeedsKeepItAwake(t *testing.T) {
	for name, need := range map[string]func(h *Handset){
		"power":  func(h *Handset) { h.Plug(true); sh(t, h, "input keyevent 223") },
		"screen": func(h *Handset) { ready(t, h) },
		"call": func(h *Handset) {
			ready(t, h)
			sh(t, h, "am start -a android.intent.action.CALL -d tel:+447700900123; input keyevent 223")
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := New(quiet(Options{Lock: NoLock}))
				defer h.Close()
				need(h)
				time.Sleep(10 * time.Minute)
				if h.Suspended() {
					t.Error("suspended all the same")
				}
			})
		})
	}
}

func TestSuspendedHandsetCanBeKilledAndRebooted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(quiet(Options{}))
		defer h.Close()
		sh(t, h, "setsid sh -c 'while :; do sleep 1; done' </dev/null >/dev/null 2>&1 &")
		time.Sleep(time.Hour)
		h.RestartAdbd()
		if n := len(h.machine.Processes()); n != 0 {
			t.Errorf("%d processes outlived their daemon", n)
		}
		h.Reboot()
		time.Sleep(time.Minute)
		sh(t, h, "true")
	})
}
