package orchestrator_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/results"
)

// briefly says what became of segments.
func briefly(segments []results.Segment) string {
	var said []string
	for _, g := range segments {
		said = append(said, fmt.Sprintf("%s attempt %d %s %q", g.Scenario, g.Attempt, g.Outcome, g.Reason))
	}
	return strings.Join(said, ", ")
}

// A Wi-Fi that goes and comes back between two looks at a sleeping handset makes it draw more:
// the handset's own count shows it, and where that cannot be read it is looked at more often.
func TestWiFiThatGoesWhileNobodyLooks(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		name  string
		nodes simulated.Access
		kills bool // the daemon, for as long
		found string
	}{
		{"counted", simulated.Readable, false, "by the handset's own count"},
		{"counted, and no daemon there", simulated.Readable, true, "by the handset's own count"},
		{"not counted", simulated.Denied, false, "not connected"},
	} {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel()
			bubbleBench(t, []string{"Alder"}, idlePlan, func(b *bench) {
				b.startDaemon()
				b.queue("rest")
				alder := b.handsets["Alder"]
				within(b.t, 3*time.Hour, "the drain begins", func() bool { return b.daemon.Handsets()[0].State == "Draining" })
				time.Sleep(65 * time.Minute)
				if x.kills {
					b.stopDaemon()
				}
				alder.LoseWiFi()
				time.Sleep(50 * time.Minute)
				alder.RestoreWiFi()
				if x.kills {
					time.Sleep(5 * time.Minute)
					b.startDaemon()
				}
				segments := b.finish(80 * time.Hour)["Alder"]
				if len(segments) != 1 || segments[0].Outcome != results.Flagged {
					b.t.Fatalf("%s, want one segment, flagged", briefly(segments))
				}
				g := segments[0]
				if !strings.Contains(g.Reason, "wifi: wanted on") || !strings.Contains(g.Reason, x.found) {
					b.t.Errorf("reason %q, want wifi, %q", g.Reason, x.found)
				}
			}, func(_ string, o *simulated.Options) { o.LevelPct, o.Nodes = 93, x.nodes })
		})
	}
}

// A rest that nothing disturbs is not flagged, whether its handset counts or not.
func TestQuietRestOfAHandsetThatCountsNothing(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, idlePlan, func(b *bench) {
		b.startDaemon()
		b.queue("rest")
		segments := b.finish(80 * time.Hour)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Measured || segments[0].Wakes == nil {
			b.t.Fatalf("%s, want one that is measured", briefly(segments))
		}
		if w := segments[0].Wakes; w.LooksPerH < 3 {
			b.t.Errorf("%.2f looks an hour, want the plan's 4: nothing tells what becomes of its Wi-Fi between them", w.LooksPerH)
		}
	}, func(_ string, o *simulated.Options) { o.LevelPct, o.Nodes = 93, simulated.Denied })
}

// A battery saver that came while no daemon looked, and went with the power that came after
// the segment, is in the handset's own record.
func TestSaverThatNobodySaw(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, `
plans:
  pictures:
    drain: 3
    start_level_pct: {least: 70, most: 94}
    segments: [camera]
`, func(b *bench) {
		b.startDaemon()
		b.queue("pictures")
		within(b.t, 3*time.Hour, "the drain begins", func() bool { return b.daemon.Handsets()[0].State == "Draining" })
		b.stopDaemon()
		alder := b.handsets["Alder"]
		alder.SetBatterySaver(true)
		within(b.t, 3*time.Hour, "the handset ends its segment", func() bool { return b.programsOn(b.t.Context(), "Alder")["recorder.sh"] == 0 })
		alder.Plug(true)
		time.Sleep(time.Minute)
		alder.SetBatterySaver(false)
		alder.Plug(false)
		b.startDaemon()
		segments := b.finish(80 * time.Hour)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Flagged || !strings.Contains(segments[0].Reason, "battery_saver: wanted off, found on at the end") {
			b.t.Fatalf("%s, want one segment, flagged for battery saver", briefly(segments))
		}
	}, func(_ string, o *simulated.Options) { o.LevelPct = 93 })
}

// Whoever picks a resting handset up lights its screen: the recorder sees that it does not
// sleep, and asks why.
func TestRestThatAPersonDisturbs(t *testing.T) {
	t.Parallel()
	for _, nap := range []bool{true, false} {
		t.Run(fmt.Sprintf("suspends %t", nap), func(t *testing.T) {
			t.Parallel()
			bubbleBench(t, []string{"Alder"}, idlePlan, func(b *bench) {
				b.startDaemon()
				b.queue("rest")
				within(b.t, 8*time.Hour, "the drain begins", func() bool { return b.daemon.Handsets()[0].State == "Draining" })
				time.Sleep(65 * time.Minute)
				b.handsets["Alder"].PressPower() // and lays it down; the screen goes off by itself
				segments := b.finish(80 * time.Hour)["Alder"]
				if len(segments) == 0 || segments[0].Outcome != results.Flagged && segments[0].Outcome != results.Spoiled {
					b.t.Fatalf("%s, want the first flagged or spoiled", briefly(segments))
				}
				if g := segments[0]; !strings.Contains(g.Reason, "the activity went on in") {
					b.t.Errorf("reason %q, want what share was rest", g.Reason)
				}
			}, func(_ string, o *simulated.Options) { o.LevelPct, o.Suspend.Never = 93, !nap })
		})
	}
}
