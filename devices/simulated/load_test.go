package simulated

import (
	"bytes"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"rundown/devices/simulated/physics"
)

// pushClip puts a film on the handset and has its media store know it.
func pushClip(t *testing.T, h *Handset, length time.Duration) (id string) {
	t.Helper()
	if err := h.Push(t.Context(), bytes.NewReader(Clip(length)), "/sdcard/Movies/clip.mp4", 0o644); err != nil {
		t.Fatal(err)
	}
	if h.ways.scanByBroadcast {
		sh(t, h, "am broadcast -a android.intent.action.MEDIA_SCANNER_SCAN_FILE -d file:///sdcard/Movies/clip.mp4")
	} else {
		sh(t, h, "content call --uri content://media --method scan_volume --arg external_primary")
	}
	row := sh(t, h, "content query --uri content://media/external/video/media --projection _id:_data")
	if want := "Row: 0 _id=1, _data=/storage/emulated/0/Movies/clip.mp4\n"; row != want {
		t.Fatalf("media rows = %q, want %q", row, want)
	}
	return "1"
}

// meanOver is the mean power that the handset draws in the next stretch of time.
func meanOver(h *Handset, d time.Duration) float64 {
	from := h.Uptime()
	time.Sleep(d)
	return h.MeanWatts(from, h.Uptime())
}

// What a script forgets to start must not be drawn; what it starts must.
func TestPowerFollowsWhatWasStarted(t *testing.T) {
	for _, f := range Flavours() {
		synctest.Test(t, func(t *testing.T) {
			h := New(Options{Android: f})
			defer h.Close()
			time.Sleep(time.Minute)
			asleep := meanOver(h, 10*time.Minute)
			ready(t, h)
			time.Sleep(time.Minute)
			home := meanOver(h, 10*time.Minute)
			id := pushClip(t, h, 2*time.Hour)
			time.Sleep(time.Minute)
			if idle := meanOver(h, 10*time.Minute); math.Abs(idle-home) > 0.01 {
				t.Errorf("Android %d: with a clip that nobody plays %.3f W, want the home screen's %.3f W", f, idle, home)
			}
			sh(t, h, "am start -a android.intent.action.VIEW -d content://media/external/video/media/"+id+" -t video/mp4 --grant-read-uri-permission")
			time.Sleep(time.Minute)
			playing := meanOver(h, 10*time.Minute)
			if !(asleep < 0.15 && home > asleep+0.4 && playing > home+0.4) {
				t.Errorf("Android %d: asleep %.3f, home %.3f, playing %.3f W; want each well above the one before", f, asleep, home, playing)
			}
			sh(t, h, "am force-stop com.example.player")
			time.Sleep(time.Minute)
			if after := meanOver(h, 10*time.Minute); math.Abs(after-home) > 0.01 {
				t.Errorf("Android %d: after the player was stopped %.3f W, want %.3f W", f, after, home)
			}
		})
	}
}

func TestClipEnds(t *testing.T) {
	for _, loops := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			h := New(Options{PlayerLoops: loops})
			defer h.Close()
			ready(t, h)
			id := pushClip(t, h, 10*time.Minute)
			sh(t, h, "am start -W -a android.intent.action.VIEW -d content://media/external/video/media/"+id+" -t video/mp4")
			time.Sleep(9 * time.Minute)
			wantText(t, "before the end", sh(t, h, "dumpsys media_session"), "state=PLAYING(3)")
			time.Sleep(2 * time.Minute)
			got, want := sh(t, h, "dumpsys media_session"), "state=STOPPED(1)"
			if loops {
				want = "state=PLAYING(3)"
			}
			wantText(t, "after it", got, want)
		})
	}
}

// A player that has no film to play shows so, and draws what an idle menu draws.
func TestNoFilmNoPlayback(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{Android: Android9})
		defer h.Close()
		ready(t, h)
		for _, address := range []string{"content://media/external/video/media/7", "file:///sdcard/Movies/none.mp4", "file:///sdcard/Movies/text.mp4"} {
			sh(t, h, "echo no film > /sdcard/Movies/text.mp4; am start -a android.intent.action.VIEW -t video/mp4 -d "+address)
			wantText(t, address, sh(t, h, "dumpsys media_session"), "state=PlaybackState {state=7,")
		}
		pushClip9 := Clip(time.Hour)
		if err := h.Push(t.Context(), bytes.NewReader(pushClip9), "/sdcard/Movies/film.mp4", 0o644); err != nil {
			t.Fatal(err)
		}
		sh(t, h, "am start -a android.intent.action.VIEW -t video/mp4 -d file:///storage/emulated/0/Movies/film.mp4")
		wantText(t, "Android 9 plays file addresses", sh(t, h, "dumpsys media_session"), "state=PlaybackState {state=3,")
	})
}

func TestFilmLengthOfRealHeaders(t *testing.T) {
	for _, d := range []time.Duration{time.Second, 90 * time.Minute} {
		if got, err := filmLength(Clip(d)); err != nil || got != d {
			t.Errorf("filmLength(Clip(%v)) = %v, %v", d, got, err)
		}
	}
	for _, b := range [][]byte{nil, []byte("no film at all"), Clip(time.Minute)[:40], {0, 0, 0, 1, 'm', 'o', 'o', 'v', 0}} {
		if got, err := filmLength(b); err == nil {
			t.Errorf("filmLength(%q) = %v, want an error", b, got)
		}
	}
}

func FuzzFilmLength(f *testing.F) {
	f.Add(Clip(time.Minute))
	f.Add(Clip(time.Hour)[:60])
	f.Fuzz(func(t *testing.T, b []byte) {
		d, err := filmLength(b)
		if err == nil && (d <= 0 || d > 25*time.Hour) {
			t.Errorf("a film of %v", d)
		}
	})
}

// The truth is what a constant load of the measured mean would give by the cell alone.
func TestTruthMatchesADrainToTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{LevelPct: 100, ScalePower: 3})
		defer h.Close()
		ready(t, h)
		sh(t, h, "settings put system screen_brightness_mode 0; settings put system screen_brightness 200; settings put global stay_on_while_plugged_in 0")
		start := h.Uptime()
		time.Sleep(time.Hour)
		truth := h.TruthHours(start, h.Uptime())
		var dead time.Duration
		for h.State() == "device" && dead == 0 {
			time.Sleep(time.Minute)
			if h.State() != "device" {
				dead = h.Uptime() - start
			}
			if h.Uptime() > 48*time.Hour {
				t.Fatal("the handset never ran empty")
			}
		}
		if got := dead.Hours(); math.Abs(got-truth) > 0.02*truth {
			t.Errorf("ran %.3f h from full, TruthHours said %.3f h", got, truth)
		}
		// Empty and unplugged it stays off; on the charger it starts again.
		if _, err := h.Shell(t.Context(), "true"); err == nil {
			t.Error("an empty handset answers")
		}
		if err := h.Gate().Open(t.Context()); err != nil {
			t.Fatal(err)
		}
		time.Sleep(20 * time.Minute)
		wantText(t, "battery on the charger", sh(t, h, "dumpsys battery"), "  AC powered: true\n")
	})
}

func TestChargeToFull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{LevelPct: 20, Charger: physics.ChargerOptions{MaxW: 25}})
		defer h.Close()
		if err := h.Gate().Open(t.Context()); err != nil {
			t.Fatal(err)
		}
		time.Sleep(5 * time.Minute)
		wantText(t, "charging", sh(t, h, "dumpsys battery"), "  status: 2\n")
		if w := h.PlugWatts(); w < 15 || w > 40 {
			t.Errorf("at the plug %.1f W, want about 25 W and its losses", w)
		}
		time.Sleep(4 * time.Hour)
		dump := sh(t, h, "dumpsys battery")
		wantText(t, "full", dump, "  status: 5\n")
		wantText(t, "full", dump, "  level: 100\n")
		if err := h.Gate().Close(t.Context()); err != nil {
			t.Fatal(err)
		}
		dump = sh(t, h, "dumpsys battery")
		wantText(t, "unplugged", dump, "  AC powered: false\n")
		wantText(t, "unplugged", dump, "  status: 3\n")
	})
}

// Two handsets of the same seed live the same life, whenever they are looked at.
func TestLookingChangesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := InventedHandsets()[0].Options
		a, b := New(o), New(o)
		defer a.Close()
		defer b.Close()
		for range 200 {
			time.Sleep(77 * time.Second)
			a.TrueSoC()
		}
		if x, y := a.TrueSoC(), b.TrueSoC(); math.Abs(x-y) > 1e-4 {
			t.Errorf("looked at often: %.6f, left alone: %.6f", x, y)
		}
	})
}
