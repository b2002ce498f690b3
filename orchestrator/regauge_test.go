package orchestrator_test

import (
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/devices/simulated/physics"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
)

const correctedPlan = `
plans:
  twice:
    drain: 5
    restart_spoiled: 1
    start_level_pct: {least: 40, most: 94}
    segments: [browse]
  once:
    drain: 5
    restart_spoiled: 0
    start_level_pct: {least: 40, most: 94}
    segments: [browse]
`

// A gauge that corrects its level or its counter in the middle of a drain: the segment is carried
// out again, or flagged where it cannot be, and a note names the reading; a figure that is given
// holds the truth.
func TestGaugeThatCorrectsItself(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		name    string
		plan    string
		counter physics.CounterClass
		jump    func(h *simulated.Handset)
		want    []string // outcomes
		says    string   // in the reason and a note
	}{
		{"the level a point up", "twice", physics.FineCounter, func(h *simulated.Handset) { h.ShiftLevel(1) }, []string{results.Spoiled, results.Measured}, "the gauge raised its level by 1 point"},
		{"the level a point down", "twice", physics.FineCounter, func(h *simulated.Handset) { h.ShiftLevel(-1) }, []string{results.Spoiled, results.Measured}, "the gauge lowered its level by 1 point"},
		{"not to be repeated", "once", physics.FineCounter, func(h *simulated.Handset) { h.ShiftLevel(1) }, []string{results.Flagged}, "the gauge raised its level by 1 point"},
		{"without a counter", "once", physics.NoCounter, func(h *simulated.Handset) { h.ShiftLevel(1) }, []string{results.Flagged}, "as the integrated current says"},
		{"the counter a point up", "twice", physics.FineCounter, func(h *simulated.Handset) { h.ShiftCounter(1) }, []string{results.Spoiled, results.Measured}, "above what was drawn"},
		{"the counter two points down", "once", physics.MediumCounter, func(h *simulated.Handset) { h.ShiftCounter(-2) }, []string{results.Flagged}, "below what was drawn"},
		{"both", "once", physics.FineCounter, func(h *simulated.Handset) { h.ShiftLevel(1); h.ShiftCounter(1) }, []string{results.Flagged}, "above what was drawn"},
		{"a counter that broke", "once", physics.FineCounter, func(h *simulated.Handset) { h.ShiftCounter(-60) }, []string{results.Measured}, ""},
	} {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel()
			bubbleBench(t, []string{"Alder"}, correctedPlan, func(b *bench) {
				b.startDaemon()
				b.queue(x.plan)
				b.until(orchestrator.Draining)
				h := b.handsets["Alder"]
				for from := h.TrueSoC(); h.TrueSoC() > from-0.025; {
					time.Sleep(30 * time.Second)
				}
				x.jump(h)
				segments := b.finish(12 * time.Hour)["Alder"]
				if len(segments) != len(x.want) {
					b.t.Fatalf("%d segments, want %v: %+v", len(segments), x.want, segments)
				}
				for i, g := range segments {
					if g.Outcome != x.want[i] {
						b.t.Errorf("attempt %d: %s (%s), want %s", i+1, g.Outcome, g.Reason, x.want[i])
					}
					if g.Outcome != results.Measured {
						notes := ""
						for _, n := range g.Notes {
							notes += n.Text + "\n"
						}
						if !strings.Contains(g.Reason, x.says) || !strings.Contains(notes, x.says) {
							b.t.Errorf("attempt %d: reason %q and notes %q, want %q in both", i+1, g.Reason, notes, x.says)
						}
					}
					if g.Outcome == results.Spoiled {
						continue
					}
					f := b.figureOf(g)
					if truth := b.truth(g); f.Hours.Low > truth || f.Hours.High < truth {
						b.t.Errorf("attempt %d: %.2f h (%.2f to %.2f), truth %.2f", i+1, f.Hours.Value, f.Hours.Low, f.Hours.High, truth)
					}
				}
			}, func(_ string, o *simulated.Options) { o.Gauge.Counter = x.counter })
		})
	}
}

// figureOf is the figure of a segment that was kept.
func (b *bench) figureOf(g results.Segment) reading.SegmentFigure {
	b.t.Helper()
	figures, err := b.daemon.Reading().Figures(reading.FigureFilter{WithFlagged: true})
	if err != nil {
		b.t.Fatal(err)
	}
	for _, scenario := range figures {
		for _, f := range scenario.Each {
			if f.Segment == g.ID {
				return f
			}
		}
	}
	b.t.Fatalf("no figure of %s: %+v", g.ID, figures)
	return reading.SegmentFigure{}
}
