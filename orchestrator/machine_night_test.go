package orchestrator_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"rundown/devices/onboard"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
)

// The storage of a handset fills while it settles and is freed before its target: the mark
// of its start edge was never written. The run goes on, and what lies on the handset is
// collected.
func TestStartEdgeThatCouldNotBeWritten(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
		b.startDaemon()
		it := b.queue("film")[0]
		b.inState("Alder", orchestrator.Settling)
		time.Sleep(2 * time.Minute)
		h := b.handsets["Alder"]
		full := h.TrueSoC()
		h.FillStorage(true)
		within(b.t, time.Minute, "its target is near", func() bool { return h.TrueSoC() < full-0.035 })
		if s := b.status("Alder").State; s != string(orchestrator.Settling) {
			b.t.Fatalf("in %s; the mark of the start edge was to be lost", s)
		}
		h.FillStorage(false)
		list := b.finish(time.Minute)["Alder"]
		if len(list) != 2 || list[0].Outcome != results.Spoiled || list[0].Samples == 0 || !strings.Contains(list[0].Reason, "samples missing that the handset could not write down") || list[1].Outcome != results.Measured {
			b.t.Errorf("segments %+v; want one that is spoiled and says which samples are missing, and one that is measured", list)
		}
		if got := b.item(it.ID).Outcome; got != string(orchestrator.Done) {
			b.t.Errorf("the run: %q; want Done", got)
		}
		b.nothingLeft("Alder")
	})
}

// A segment that came to its end while no daemon looked is what its files say, also when the
// handset has restarted since.
func TestRestartAfterTheEnd(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
		b.startDaemon()
		b.queue("film")
		b.inState("Alder", orchestrator.Draining)
		h := b.handsets["Alder"]
		look, err := onboard.Held(b.t.Context(), h)
		if err != nil {
			b.t.Fatal(err)
		}
		b.stopDaemon()
		within(b.t, time.Minute, "its segment ends", func() bool {
			var end bytes.Buffer
			_, err := h.Pull(b.t.Context(), onboard.Root+"/"+look.Who.Segment+"/end.txt", 0, &end)
			return err == nil && end.Len() > 0
		})
		h.Reboot()
		time.Sleep(2 * time.Minute)
		b.startDaemon()
		list := b.finish(time.Minute)["Alder"]
		if len(list) != 1 || list[0].Outcome != results.Measured || list[0].EndedBy != onboard.EndTarget {
			b.t.Fatalf("segments %+v; want one that is measured", list)
		}
		b.hasFigure(list[0])
		b.nothingLeft("Alder")
	})
}

// hasFigure wants that a segment has a figure.
func (b *bench) hasFigure(g results.Segment) {
	b.t.Helper()
	figures, err := b.daemon.Reading().Figures(reading.FigureFilter{Run: g.RunID})
	if err != nil || len(figures) != 1 || len(figures[0].Each) != 1 || figures[0].Each[0].Hours.Value <= 0 {
		b.t.Errorf("figures %+v, %v; want one", figures, err)
	}
}
