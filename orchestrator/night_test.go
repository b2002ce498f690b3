package orchestrator_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
)

const everydayPlan = `
plans:
  everyday:
    drain: 7
    start_level_pct: {least: 70, most: 94}
    segments: [browse, video, call, camera, game]
`

const shortPlan = `
plans:
  short:
    drain: 3
    start_level_pct: {least: 70, most: 94}
    segments: [browse]
`

// The everyday plan, through both adb front ends, on handsets of different systems.
func TestEverydayPlan(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("a whole night")
	}
	flavours := map[string]simulated.Flavour{"Alder": simulated.Android14, "Cedar": simulated.Android12}
	for name, f := range map[string]front{"simulated adb server": overServer, "stock adb server": overStockADB} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, []string{"Alder", "Cedar"}, everydayPlan, func(name string, o *simulated.Options) { o.Android = flavours[name] }).start(f)
			b.queue("everyday")
			for handset, segments := range b.finish(5 * time.Minute) {
				var kept []string
				for _, g := range segments {
					if g.Outcome != results.Measured {
						t.Logf("%s %s attempt %d: %s, %s", handset, g.Scenario, g.Attempt, g.Outcome, g.Reason)
						continue
					}
					kept = append(kept, g.Scenario)
					if g.Points() != 7 || g.EndedBy != "target" {
						t.Errorf("%s %s: %d points, ended by %q; want 7, target", handset, g.Scenario, g.Points(), g.EndedBy)
					}
				}
				if got, want := strings.Join(kept, " "), "browse video call camera game"; got != want {
					t.Errorf("%s kept %q, want %q", handset, got, want)
				}
			}
			figures, err := b.daemon.Reading().Figures(reading.FigureFilter{})
			if err != nil || len(figures) != 10 {
				t.Fatalf("%d figures, %v; want 10", len(figures), err)
			}
			for _, f := range figures {
				truth := b.truth(f.Segments[len(f.Segments)-1])
				// 9 % is far outside the interval: this is about the way, not about the last per cent.
				if e := 100 * (f.Hours.Value/truth - 1); e < -9 || e > 9 {
					t.Errorf("%s %s: %.2f h, truth %.2f h, off by %.1f %%", f.Handset, f.Scenario, f.Hours.Value, truth, e)
				}
			}
			b.stopDaemon()
			for name, h := range b.handsets {
				if on := show(t, h, "settings get system screen_brightness_mode"); strings.TrimSpace(on) == "0" {
					t.Errorf("%s: adaptive brightness was on before the run and is off after it", name)
				}
			}
		})
	}
}

func show(t *testing.T, h *simulated.Handset, command string) string {
	t.Helper()
	out, err := h.Shell(t.Context(), command)
	if err != nil {
		t.Fatal(err)
	}
	return out.Stdout
}

// A handset on which the player never starts shows a list of films for hours. That is not
// a video segment, whatever the battery did.
func TestNoEvidenceNoSegment(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, `
scenarios:
  broken video:
    extends: video
    setup: []
    loop:
      - launch: player
        wait: 20 s
plans:
  broken:
    drain: 3
    start_level_pct: {least: 40, most: 94}
    restart_spoiled: 0
    segments: [broken video]
`).start(overServer)
		b.queue("broken")
		segments := b.finish(3 * time.Minute)["Alder"]
		if len(segments) != 1 {
			t.Fatalf("%d segments, want 1", len(segments))
		}
		if g := segments[0]; g.Outcome != results.Spoiled || !strings.Contains(g.Reason, "no playback evidence") || g.Revivals != 1 {
			t.Errorf("outcome %s, reason %q, brought back %d times; want spoiled for lack of playback evidence, once", g.Outcome, g.Reason, g.Revivals)
		}
		figures, err := b.daemon.Reading().Figures(reading.FigureFilter{WithFlagged: true})
		if err != nil || len(figures) != 1 || figures[0].Kept != 0 || figures[0].Hours.Value != 0 {
			t.Errorf("figures %+v, %v; want one without hours", figures, err)
		}
	})
}

// A handset fresh from its charger is above its window: the screen is kept on until the
// level has come down, and only then does the segment begin.
func TestLevelAboveTheWindowSinks(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, `
plans:
  one:
    drain: 3
    start_level_pct: {least: 70, most: 90}
    segments: [browse]
`, func(_ string, o *simulated.Options) { o.LevelPct = 92 }).start(overServer)
		b.queue("one")
		segments := b.finish(4 * time.Minute)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Measured {
			t.Fatalf("segments %+v, want one that is measured", segments)
		}
		samples, err := b.daemon.Store().Samples(segments[0].ID)
		if err != nil || len(samples) == 0 || samples[0].LevelPct > 90 {
			t.Errorf("it began at %+v, %v; want 90 %% or below", samples[:min(1, len(samples))], err)
		}
	})
}

func TestRechargeBetweenSegments(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, `
plans:
  two:
    drain: 3
    start_level_pct: {least: 88, most: 93}
    segments: [browse, browse]
`, func(b *bench) {
		b.startDaemon()
		b.queue("two")
		segments := b.finish(12 * time.Hour)["Alder"]
		if len(segments) != 2 {
			b.t.Fatalf("%d segments, want 2", len(segments))
		}
		for _, g := range segments {
			samples, err := b.daemon.Store().Samples(g.ID)
			if err != nil || g.Outcome != results.Measured {
				b.t.Fatalf("%s %s %v", g.Outcome, g.Reason, err)
			}
			if first := samples[0]; first.LevelPct < 88 || first.LevelPct > 93 || first.Plugged != 0 {
				b.t.Errorf("segment %d began at %d %%, power %d; want 88 to 93 %% without power", g.Index, first.LevelPct, first.Plugged)
			}
		}
	}, func(_ string, o *simulated.Options) { o.LevelPct = 84 })
}

// A daemon that is stopped in the middle of a drain leaves the handset at work; the next
// one takes the segment up and misses no sample.
func TestAnotherDaemonTakesOver(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, shortPlan).start(overServer)
		b.queue("short")
		within(t, time.Minute, "the drain begins", func() bool { return b.daemon.Handsets()[0].State == string(orchestrator.Draining) })
		b.stopDaemon()
		time.Sleep(200 * time.Millisecond) // two minutes on the handset
		b.startDaemon()
		segments := b.finish(3 * time.Minute)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Measured {
			t.Fatalf("segments %+v, want one that is measured", segments)
		}
		samples, err := b.daemon.Store().Samples(segments[0].ID)
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range samples {
			if s.Seq != samples[0].Seq+i {
				t.Fatalf("sample %d has number %d: one is missing or twice", i, s.Seq)
			}
		}
	})
}

func TestCancelAndPause(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder", "Cedar"}, shortPlan).start(overServer)
		items := b.queue("short")
		if _, err := b.daemon.Pause(items[1].ID); err != nil {
			t.Fatal(err)
		}
		within(t, time.Minute, "Alder settles", func() bool { return b.daemon.Handsets()[0].State == string(orchestrator.Settling) })
		if _, err := b.daemon.Cancel(items[0].ID); err != nil {
			t.Fatal(err)
		}
		within(t, time.Minute, "Alder's run ends", func() bool { return b.daemon.Queue()[0].Outcome != "" || b.daemon.Queue()[1].Outcome != "" })
		if _, err := b.daemon.Resume(items[1].ID); err != nil {
			t.Fatal(err)
		}
		b.finish(3 * time.Minute)
		for _, it := range b.daemon.Queue() {
			want := map[string]orchestrator.ItemState{items[0].ID: orchestrator.Cancelled, items[1].ID: orchestrator.Ended}[it.ID]
			if it.State != want {
				t.Errorf("%s: state %s, outcome %q; want %s", it.Handset, it.State, it.Outcome, want)
			}
		}
		if _, err := b.daemon.Cancel(items[1].ID); err == nil {
			t.Error("an item that has ended was cancelled")
		}
	})
}

// A segment that cannot end by the time the night ends is not begun, and says so.
func TestFinishBy(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, shortPlan).start(overServer)
		if _, err := b.daemon.Enqueue(orchestrator.Request{Plan: "short", FinishBy: b.clock.Now().Add(12 * time.Minute)}); err != nil {
			t.Fatal(err)
		}
		segments := b.finish(time.Minute)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Skipped || !strings.Contains(segments[0].Reason, "the night ends at") {
			t.Errorf("segments %+v, want one that was not begun, with the reason", segments)
		}
	})
}

func TestRequestsAreRefusedWhole(t *testing.T) {
	t.Parallel()
	b := newBench(t, []string{"Alder"}, shortPlan).start(overServer)
	for _, q := range []orchestrator.Request{
		{Plan: "longest"}, {Plan: "short", Handsets: []string{"Alder", "Maple"}}, {Plan: "short", Handsets: []string{"Alder", "Alder"}},
		{Plan: "short", FinishBy: b.clock.Now().Add(-time.Hour)},
	} {
		if _, err := b.daemon.Enqueue(q); err == nil {
			t.Errorf("Enqueue(%+v) was taken", q)
		}
	}
	if n := len(b.daemon.Queue()); n != 0 {
		t.Errorf("%d items queued by requests that were refused", n)
	}
}

// Power that comes during a drain spoils the segment, and it is carried out again.
func TestPowerDuringADrain(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, shortPlan, func(b *bench) {
		b.startDaemon()
		b.queue("short")
		within(b.t, time.Hour, "the drain begins", func() bool { return b.daemon.Handsets()[0].State == string(orchestrator.Draining) })
		b.handsets["Alder"].Plug(true)
		segments := b.finish(12 * time.Hour)["Alder"]
		var got []string
		for _, g := range segments {
			got = append(got, fmt.Sprintf("%d %s", g.Attempt, g.Outcome))
		}
		if want := "1 spoiled, 2 measured"; strings.Join(got, ", ") != want {
			b.t.Fatalf("segments %q, want %q", strings.Join(got, ", "), want)
		}
		if !strings.Contains(segments[0].Reason, "power seen") {
			b.t.Errorf("reason %q, want power seen", segments[0].Reason)
		}
	})
}
