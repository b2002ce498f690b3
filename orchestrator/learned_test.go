package orchestrator_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/devices/simulated/physics"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
)

// A small cell under a nearly steady load; invented. A load without any wander moves a counter by the same amount at
// each reading, which cannot be told from a counter that counts in such steps.
func smallCell(_ string, o *simulated.Options) {
	o.CapacityMAh, o.LevelPct = 800, 97
	o.Power = physics.PowerOptions{WanderSD: 0.04}
}

const surveyPlans = `
scenarios:
  steady:
    extends: video
    about: A film, looked after seldom.
    loop:
      - wait: 20 s
      - play: clip
plans:
  survey:
    segments: [steady]
    survey: on
    sample_every: 30 s
    warm_up: 3 min
    stop_temp_c: 50
  short:
    drain: 4
    start_level_pct: {least: 56, most: 98}
    segments: [steady]
    warm_up: 3 min
    sample_every: 5 s
    stop_temp_c: 50
`

func learnedOf(t *testing.T, b *bench) reading.Learned {
	t.Helper()
	list, err := b.daemon.Reading().Learned("Alder")
	if err != nil || len(list) != 1 {
		t.Fatalf("%d learned, %v; want one", len(list), err)
	}
	return list[0]
}

// A survey of a handset whose full charge is known: it is learned within what it says, and kept over a restart.
func TestSurvey(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("a whole drain")
	}
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, surveyPlans, smallCell).start(overServer)
		b.queue("survey")
		survey := b.finish(4 * time.Minute)["Alder"]
		if len(survey) != 1 || survey[0].Outcome != results.Measured || survey[0].Points() < 80 {
			t.Fatalf("%d segments: %s %s, %d points; want one of 80 or more", len(survey), survey[0].Outcome, survey[0].Reason, survey[0].Points())
		}
		l := learnedOf(t, b)
		// The simulated gauge counts µAh without an error of its own.
		if l.Counter == nil || l.Counter.Low > 800e3 || l.Counter.High < 800e3 || l.Counter.High-l.Counter.Low > 0.03*l.Counter.Value {
			t.Errorf("full charge by the counter %+v, the cell has 800000 µAh", l.Counter)
		}
		if !l.InUse || l.Surveys != 1 || len(l.Curve) < 15 || l.Gauge != "fine" || l.BendSD <= 0 {
			t.Errorf("in use %v, %d surveys, %d points of the curve, gauge %s, bend %g", l.InUse, l.Surveys, len(l.Curve), l.Gauge, l.BendSD)
		}
		b.stopDaemon()
		b.startDaemon()
		if again := learnedOf(t, b); again.Counter == nil || math.Abs(again.Counter.Value/l.Counter.Value-1) > 1e-6 || again.Build != l.Build {
			t.Errorf("after a restart %+v on %s, before it %+v on %s", again.Counter, again.Build, l.Counter, l.Build)
		}
	})
}

// Ordinary segments, and the recharge before them, teach; their figures use it, each without what itself has taught, and name
// it. What is forgotten is used no more.
func TestSegmentsTeach(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, strings.Replace(surveyPlans, "segments: [steady]\n    warm_up", "segments: [steady, steady, steady]\n    warm_up", 1), smallCell,
			func(_ string, o *simulated.Options) { o.CapacityMAh, o.LevelPct = 2000, 50 }).start(overServer)
		b.queue("short")
		b.finish(4 * time.Minute)
		figures := func() []reading.SegmentFigure {
			t.Helper()
			list, err := b.daemon.Reading().Figures(reading.FigureFilter{})
			if err != nil || len(list) != 1 || list[0].Kept != 3 {
				t.Fatalf("%+v, %v; want one figure of three segments", list, err)
			}
			return list[0].Each
		}
		l := learnedOf(t, b)
		if l.Segments != 3 || l.Recharges != 1 || l.Surveys != 0 || !l.InUse {
			t.Errorf("learned from %d segments, %d recharges, %d surveys, in use %v; want 3, 1, 0, true", l.Segments, l.Recharges, l.Surveys, l.InUse)
		}
		if l.Counter == nil || l.Counter.Low > 2000e3 || l.Counter.High < 2000e3 {
			t.Errorf("full charge by the counter %+v, the cell has 2000000 µAh", l.Counter)
		}
		for _, one := range figures() {
			if !strings.Contains(one.Learned, "2 segments, 1 recharge") || !strings.Contains(one.Learned, l.Build) || !strings.Contains(one.Method, "charge counter") {
				t.Errorf("beside a figure stands %q (%s), want the two other segments, the recharge and the build %s", one.Learned, one.Method, l.Build)
			}
		}
		if n, err := b.daemon.Forget("Alder"); n != 1 || err != nil {
			t.Errorf("forgotten on %d builds, %v; want 1", n, err)
		}
		if one := figures()[0]; one.Learned != "" || strings.Contains(one.Method, "charge counter") {
			t.Errorf("after forgetting, beside a figure stands %q (%s)", one.Learned, one.Method)
		}
		if list, err := b.daemon.Reading().Learned(""); err != nil || len(list) != 0 {
			t.Errorf("%d learned after forgetting, %v", len(list), err)
		}
	})
}

// A segment ends once its hours are known well enough, also under a daemon that was restarted meanwhile.
func TestEnough(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, strings.Replace(surveyPlans, "drain: 4\n    start_level_pct: {least: 56, most: 98}", "enough: {half_width_pct: 8, least: 4, most: 15}\n    start_level_pct: {least: 56, most: 98}", 1), smallCell, func(_ string, o *simulated.Options) { o.CapacityMAh = 2000 }).start(overServer)
		b.queue("short")
		within(t, time.Minute, "the drain begins", func() bool { return b.daemon.Handsets()[0].State == string(orchestrator.Draining) })
		b.stopDaemon()
		b.startDaemon()
		segments := b.finish(4 * time.Minute)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Measured {
			t.Fatalf("%+v, want one segment that is measured", segments)
		}
		g := segments[0]
		if g.EndedBy != "narrow enough" || g.Points() < 4 || g.Points() >= 15 || g.TargetPoints != g.Points() || !strings.Contains(g.Reason, "hours known within") {
			t.Errorf("%d points of %d, ended by %q (%s); want 4 to 14 and narrow enough", g.Points(), g.TargetPoints, g.EndedBy, g.Reason)
		}
		figures, err := b.daemon.Reading().Figures(reading.FigureFilter{})
		if err != nil || len(figures) != 1 || figures[0].Kept != 1 {
			t.Fatalf("%+v, %v; want one figure", figures, err)
		}
		if h := figures[0].Hours; (h.High-h.Low)/(2*h.Value) > 0.08 {
			t.Errorf("hours %+v, wanted within 8 %%", h)
		}
	})
}
