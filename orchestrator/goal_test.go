package orchestrator_test

import (
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
)

// A charge that is measured: the handset is drained to 2 % by a stated load, rests with the
// power off, is charged to full with the recorder running before the power comes, and is
// left without power.
func TestChargeFromEmptyToFull(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, `
plans:
  charging:
    start_level_pct: {least: 5, most: 94}
    segments: [{scenario: game, drain_to: 2}, charge]
`, func(_ string, o *simulated.Options) { o.LevelPct = 8 }).start(overServer)
		b.queue("charging")
		within(t, 3*time.Minute, "the charge is measured", func() bool { return b.daemon.Handsets()[0].State == string(orchestrator.Charging) })
		segments := b.finish(4 * time.Minute)["Alder"]
		if len(segments) != 2 {
			t.Fatalf("%d segments, want 2", len(segments))
		}
		for i, want := range []struct{ until, by string }{{"level", "level limit"}, {"full", "full"}} {
			if g := segments[i]; g.Outcome != results.Measured || g.Until != want.until || g.EndedBy != want.by || g.Reason != "" {
				t.Errorf("%s: %s %s, until %s, ended by %s; want measured, %s, %s", g.Scenario, g.Outcome, g.Reason, g.Until, g.EndedBy, want.until, want.by)
			}
		}
		samples, err := b.daemon.Store().Samples(segments[1].ID)
		if err != nil || len(samples) < 20 {
			t.Fatalf("%d samples, %v", len(samples), err)
		}
		first, last := samples[0], samples[len(samples)-1]
		if first.Plugged != 0 || first.LevelPct > 2 || last.Plugged == 0 || last.LevelPct != 100 || last.Status != 5 {
			t.Errorf("it began at %d %%, power %d, and ended at %d %%, power %d, status %d; want 2 %% or below without power, full with power", first.LevelPct, first.Plugged, last.LevelPct, last.Plugged, last.Status)
		}
		if out := show(t, b.handsets["Alder"], "dumpsys battery | grep powered"); strings.Contains(out, "true") {
			t.Errorf("power is still on after the run:\n%s", out)
		}
		figures, err := b.daemon.Reading().Figures(reading.FigureFilter{})
		for _, f := range figures {
			if f.Scenario == "charge" {
				t.Errorf("an endurance of a charge: %+v, %v", f, err)
			}
		}
	})
}

// A handset far above a charge's start window is not begun on, and the reason says how to
// get it there.
func TestChargeOfAFullHandset(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, `
plans:
  charging: {segments: [charge]}
`).start(overServer)
		b.queue("charging")
		b.finish(time.Minute)
		if it := b.daemon.Queue()[0]; !strings.Contains(it.Outcome, "drain_to: 2") {
			t.Errorf("outcome %q, want what to put before it", it.Outcome)
		}
	})
}

// Power that goes during a charge spoils it, and a charge of a handset that nothing can
// charge is refused when it is queued.
func TestChargeInterrupted(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, `
plans:
  charging: {restart_spoiled: 0, segments: [charge]}
`, func(_ string, o *simulated.Options) { o.LevelPct = 2 }).start(overServer)
		b.queue("charging")
		within(t, 2*time.Minute, "the charge is measured", func() bool { return b.daemon.Handsets()[0].State == string(orchestrator.Charging) })
		b.handsets["Alder"].Plug(false)
		segments := b.finish(2 * time.Minute)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Spoiled || !strings.Contains(segments[0].Reason, "the power went") {
			t.Errorf("segments %+v, want one spoiled by power that went", segments)
		}
	})
}

func TestCyclesAndTime(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, `
scenarios:
  heat: {extends: sustain, cycles: 11}
  lie: {extends: idle, until: time}
plans:
  both:
    start_level_pct: {least: 50, most: 94}
    segments: [heat, {scenario: lie, limit: 30 min}]
`).start(overServer)
		b.queue("both")
		segments := b.finish(4 * time.Minute)["Alder"]
		if len(segments) != 2 {
			t.Fatalf("%d segments, want 2", len(segments))
		}
		for i, want := range []struct{ until, by string }{{"cycles", "cycles"}, {"time", "time limit"}} {
			if g := segments[i]; g.Outcome != results.Measured || g.Until != want.until || g.EndedBy != want.by || g.Reason != "" {
				t.Errorf("%s: %s %s, until %s, ended by %s; want measured, %s, %s", g.Scenario, g.Outcome, g.Reason, g.Until, g.EndedBy, want.until, want.by)
			}
		}
		if took := segments[1].EndedAt.Sub(segments[1].StartedAt); took < 30*time.Minute || took > 34*time.Minute {
			t.Errorf("a segment of 30 min took %v", took)
		}
		series, err := b.daemon.Reading().Sustained(reading.FigureFilter{})
		if err != nil || len(series) != 1 || series[0].Count < 11 || series[0].Held == nil {
			t.Fatalf("series %+v, %v; want one of 11 cycles with the share held", series, err)
		}
		h := series[0]
		if h.MeanTempC == nil || h.HighestTempC == nil || h.HighestStatus == nil || h.Points == nil {
			t.Fatalf("series %+v; want temperatures, the handset's thermal status and the battery taken", h)
		}
		if h.PowerW == nil || h.WorkPerJ == nil {
			// A gap without readings leaves a cycle without its power; on a busy machine they come.
			if widest := widestStep(t, b, segments[0].ID); widest < time.Minute {
				t.Fatalf("series %+v without power, although its samples are never more than %v apart", h, widest)
			}
			return
		}
		// Energy by two ways: 4500 mAh at 3.87 V are 627 J a point. The level also has what rests took.
		took := h.Each[len(h.Each)-1].EndedAt.Sub(h.Each[0].EndedAt).Seconds() + *h.Each[0].TookS
		if joules, byLevel := *h.PowerW*took, *h.Points*4.5*3.87*3600/100; joules < 0.7*byLevel || joules > 1.6*byLevel {
			t.Errorf("%.0f J by current and voltage, %.0f J by the level", joules, byLevel)
		}
	})
}

// widestStep is the longest time between two samples of a segment.
func widestStep(t *testing.T, b *bench, segment string) (widest time.Duration) {
	t.Helper()
	samples, err := b.daemon.Store().Samples(segment)
	if err != nil {
		t.Fatal(err)
	}
	for i := 1; i < len(samples); i++ {
		widest = max(widest, time.Duration(samples[i].UptimeMS-samples[i-1].UptimeMS)*time.Millisecond)
	}
	return widest
}
