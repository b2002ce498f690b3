package simulated_test

import (
	"bytes"
	"context"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/devices/preconditions"
	"rundown/devices/simulated"
)

// curveOf is the luminance curve that a lab would have taken of the handset.
func curveOf(t *testing.T, h *simulated.Handset, most int) *devices.Curve {
	t.Helper()
	var points []devices.CurvePoint
	for i := range 12 {
		setting := 1 + i*(most-1)/11
		points = append(points, devices.CurvePoint{Setting: float64(setting), CdM2: h.LuminanceAt(setting)})
	}
	c, err := devices.NewCurve(points)
	if err != nil {
		t.Fatal(err)
	}
	return &c
}

// What the everyday preconditions ask for can be read, set, seen and put back on every
// one of the invented handsets.
func TestPreconditionsOnInventedHandsets(t *testing.T) {
	for _, i := range simulated.InventedHandsets() {
		t.Run(i.Name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := i.Options
				h := simulated.New(o)
				defer h.Close()
				most := o.BrightnessMax
				facts := preconditions.Handset{Name: i.Name, Curve: curveOf(t, h, most), CurveNote: "simulated"}
				id, err := devices.Identify(t.Context(), h)
				if err != nil {
					t.Fatal(err)
				}
				if id.Model != o.Model || id.ScreenW != o.ScreenW || id.BootID == "" {
					t.Errorf("identity %+v", id)
				}
				before := settings(t, h)
				var changes []preconditions.Change
				report, err := preconditions.Apply(t.Context(), h, facts, preconditions.DefaultSet(), func(c preconditions.Change) error {
					changes = append(changes, c)
					return nil
				})
				if err != nil {
					t.Fatal(err)
				}
				for _, l := range report.Unmet() {
					if o.Android == simulated.Android9 && (l.Name == "do_not_disturb" || l.Name == "airplane_mode") {
						continue // what that version's shell may not do, a person must
					}
					t.Errorf("%s: wanted %s, found %s (%s): %s", l.Name, l.Wanted, l.Found, l.Verdict, l.Mend)
				}
				if got := h.LuminanceNow(); math.Abs(got-300) > 10 {
					t.Errorf("a meter before the screen reads %.0f cd/m², want 300", got)
				}
				if _, err := preconditions.Restore(t.Context(), h, changes); err != nil {
					t.Error(err)
				}
				if after := settings(t, h); after != before {
					t.Errorf("settings before:\n%s\nafter:\n%s", before, after)
				}
			})
		})
	}
}

func settings(t *testing.T, h *simulated.Handset) string {
	t.Helper()
	s, err := devices.Run(t.Context(), h, "settings list system; settings list secure; settings list global")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// The onboard programs run unchanged; what they record agrees with the truth.
func TestSegmentOnInventedHandsets(t *testing.T) {
	for _, i := range simulated.InventedHandsets() {
		t.Run(i.Name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := simulated.New(i.Options)
				defer h.Close()
				ctx := context.Background()
				if err := h.Push(ctx, bytes.NewReader(simulated.Clip(6*time.Hour)), "/sdcard/Movies/clip.mp4", 0o644); err != nil {
					t.Fatal(err)
				}
				scan := "content call --uri content://media --method scan_volume --arg external_primary"
				if i.Options.Android == simulated.Android9 {
					scan = "am broadcast -a android.intent.action.MEDIA_SCANNER_SCAN_FILE -d file:///sdcard/Movies/clip.mp4"
				}
				if _, err := devices.Run(ctx, h, scan+"; settings put system screen_off_timeout 86400000; input keyevent 224; wm dismiss-keyguard"); err != nil {
					t.Fatal(err)
				}
				current, err := onboard.ProbeCurrent(ctx, h)
				if want := i.Options.Nodes == simulated.Readable && !i.Options.Gauge.NoCurrent; err != nil || (current != "") != want {
					t.Errorf("ProbeCurrent = %q, %v; want one: %t", current, err, want)
				}
				const key = "night-1"
				segment := onboard.Segment{
					Key: key, SampleEverySec: 10, WarmUpSec: 300, TargetPoints: 7, StopLevelPct: 5, StopTempRaw: 450,
					TimeLimitSec: 4 * 3600, StopOnPower: true, CurrentPath: current,
					Workload: onboard.Program{
						Start: "am start -W -a android.intent.action.VIEW -d content://media/external/video/media/1 -t video/mp4 --grant-read-uri-permission",
						Loop:  "front com.example.player\nplaying com.example.player\nrest 30",
						Stop:  "am force-stop com.example.player\ninput keyevent 3",
					},
				}
				if err := onboard.Install(ctx, h, segment); err != nil {
					t.Fatal(err)
				}
				if err := onboard.Start(ctx, h, key); err != nil {
					t.Fatal(err)
				}
				h.At(h.Uptime()+20*time.Minute, h.LoseLink)
				h.At(h.Uptime()+3*time.Hour, h.RestoreLink)
				time.Sleep(4 * time.Hour)
				state, err := onboard.Inspect(ctx, h, key)
				if err != nil {
					t.Fatal(err)
				}
				if !state.Ended || state.EndReason != onboard.EndTarget {
					t.Fatalf("the segment ended %t by %q after four hours", state.Ended, state.EndReason)
				}
				edges, last := levels(t, h, key)
				if got := edges[0].LevelPct - last.LevelPct; got != 7 {
					t.Errorf("start edge at %d %%, end at %d %%", edges[0].LevelPct, last.LevelPct)
				}
				from, to := time.Duration(edges[0].UptimeMS)*time.Millisecond, time.Duration(last.UptimeMS)*time.Millisecond
				if moved := evidence(t, h, key, "playback"); moved < 20 {
					t.Errorf("%d lines of playback in %v", moved, to-from)
				}
				// Straight from edge to edge at about 90 % a cell's voltage is above its mean, so
				// plain extrapolation is some per cent long; a gauge that bends adds its own.
				naive := (to - from).Hours() * 100 / 7
				truth := h.TruthHours(from, to)
				if ratio := naive / truth; ratio < 0.9 || ratio > 1.2 {
					t.Errorf("from edge to edge %.2f h, in truth %.2f h", naive, truth)
				}
			})
		})
	}
}

// levels gives the first sample at or after the start edge, and the last one.
func levels(t *testing.T, h *simulated.Handset, key string) (edges []onboard.Sample, last onboard.Sample) {
	t.Helper()
	var b bytes.Buffer
	if _, err := h.Pull(t.Context(), onboard.SamplesPath(key), 0, &b); err != nil {
		t.Fatal(err)
	}
	var r onboard.Reader
	lines, err := r.Feed(b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	started := false
	var before onboard.Sample
	for _, l := range lines {
		switch {
		case l.Mark != nil && l.Mark.Kind == "start-edge":
			started = true
			edges = append(edges, before)
		case l.Sample != nil:
			before = *l.Sample
			last = *l.Sample
		}
	}
	if !started {
		t.Fatal("no start edge in the samples")
	}
	return edges, last
}

func evidence(t *testing.T, h *simulated.Handset, key, kind string) (n int) {
	t.Helper()
	var b bytes.Buffer
	if _, err := h.Pull(t.Context(), onboard.ActivityPath(key), 0, &b); err != nil {
		t.Fatal(err)
	}
	var r onboard.Reader
	lines, err := r.Feed(b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range lines {
		if l.Activity != nil && l.Activity.Kind == kind {
			n++
		}
	}
	return n
}
