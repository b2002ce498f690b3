package orchestrator_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/results"
)

// A stretch in which the handset drew more, that no step of the script explains, is noted;
// with a lost link beside it the segment is flagged.
func TestStepsOfPower(t *testing.T) {
	t.Parallel()
	const said = "higher than in the rest"
	tests := []struct {
		name    string
		happens func(h *simulated.Handset)
		outcome string
		noted   bool
	}{
		{"nothing happens", func(*simulated.Handset) {}, results.Measured, false},
		{"an update in the background", func(h *simulated.Handset) { h.Busy(0.6, 15*time.Minute) }, results.Measured, true},
		{"something, while the link is lost", func(h *simulated.Handset) {
			h.LoseLink()
			h.Busy(0.6, 15*time.Minute)
			time.Sleep(15 * time.Minute)
			h.RestoreLink()
		}, results.Flagged, true},
		{"a link that is lost without a step", func(h *simulated.Handset) {
			h.LoseLink()
			time.Sleep(15 * time.Minute)
			h.RestoreLink()
		}, results.Measured, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			bubbleBench(t, []string{"Alder"}, sharePlans("", "video"), func(b *bench) {
				b.startDaemon()
				b.queue("video")
				b.measuring("Alder", 10*time.Minute)
				tt.happens(b.handsets["Alder"])
				g := b.only("Alder")
				noted := slices.ContainsFunc(g.Notes, func(n results.Note) bool { return strings.Contains(n.Text, said) })
				if g.Outcome != tt.outcome || noted != tt.noted || (g.Outcome == results.Flagged) != strings.Contains(g.Reason, said+" ") && strings.Contains(g.Reason, "the link was lost from") {
					b.t.Errorf("%s (%s), notes %+v; want %s, noted %v", g.Outcome, g.Reason, g.Notes, tt.outcome, tt.noted)
				}
			})
		})
	}
}

// Once a link is back, so is the stage within three seconds, and the handset's pages load
// again with the next that it opens.
func TestStageIsBackInThreeSeconds(t *testing.T) {
	t.Parallel()
	tests := map[string]struct {
		lose, restore func(b *bench, h *simulated.Handset)
	}{
		"the link is lost":     {func(_ *bench, h *simulated.Handset) { h.LoseLink() }, func(_ *bench, h *simulated.Handset) { h.RestoreLink() }},
		"no longer authorised": {func(_ *bench, h *simulated.Handset) { h.RevokeAuthorisation() }, func(_ *bench, h *simulated.Handset) { h.RestoreLink() }},
		"the server is dead":   {func(b *bench, _ *simulated.Handset) { b.memory.kill() }, func(b *bench, _ *simulated.Handset) { b.memory.start() }},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			bubbleBench(t, []string{"Alder"}, sharePlans("", "browse"), func(b *bench) {
				h := b.handsets["Alder"]
				b.startDaemon()
				b.queue("browse")
				b.measuring("Alder", 5*time.Minute)
				tt.lose(b, h)
				time.Sleep(45 * time.Second)
				tt.restore(b, h)
				back := time.Now()
				g := b.only("Alder")
				i := slices.IndexFunc(g.Outages, func(o results.Outage) bool { return o.What == results.OutageStage })
				if i < 0 || len(g.Outages) != 2 {
					b.t.Fatalf("outages %+v", g.Outages)
				}
				if late := g.Outages[i].To.Sub(back); late < 0 || late > 3*time.Second {
					b.t.Errorf("the stage was back %v after the link", late)
				}
				first := slices.IndexFunc(g.Evidence, func(e results.Evidence) bool { return e.Kind == "page" && e.At.After(back) })
				if first < 0 || g.Evidence[first].At.Sub(back) > 40*time.Second { // a pass of the loop takes 27 s
					b.t.Errorf("the first page after %v: %+v", back, g.Evidence[max(first, 0)])
				}
			})
		})
	}
}
