package orchestrator_test

import (
	"strings"
	"testing"
	"time"

	"rundown/devices/onboard"
	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
)

// A gauge that has stopped shows no heat: a segment on it ends after half an hour in which no
// value has changed, and says why; what was read before is kept.
func TestAGaugeThatHasStopped(t *testing.T) {
	onAlder(t, unwantedPlans, 89, func(t *testing.T, b *bench, h *simulated.Handset) {
		b.startDaemon()
		item := b.queue("short")[0]
		b.soon(time.Hour, "it measures", func() bool { return b.status("Alder").State == string(orchestrator.Draining) })
		h.FreezeGauge(true)
		h.SetAmbientC(60)
		stopped := b.clock.Now()
		b.soon(2*time.Hour, "its segment ends", func() bool { return b.status("Alder").State != string(orchestrator.Draining) })
		if took := b.clock.Now().Sub(stopped); took < 29*time.Minute || took > 33*time.Minute {
			t.Errorf("it ended after %v", took)
		}
		h.SetAmbientC(22)
		h.FreezeGauge(false)
		list, err := b.daemon.Store().Segments(b.untilOver(item.ID).ID)
		if err != nil || len(list) < 2 {
			t.Fatalf("%d segments, %v, want it carried out again", len(list), err)
		}
		g := list[0]
		if g.Outcome != results.Spoiled || g.EndedBy != onboard.EndStandsStill || !strings.Contains(g.Reason, "its gauge has stopped") || g.Samples < 180 {
			t.Errorf("%s, ended by %q with %d samples: %s", g.Outcome, g.EndedBy, g.Samples, g.Reason)
		}
	})
}

// A recharge on such a gauge ends its run, with the gate closed: nobody would see it get hot.
func TestARechargeOfAGaugeThatHasStopped(t *testing.T) {
	onAlder(t, unwantedPlans, 40, func(t *testing.T, b *bench, h *simulated.Handset) {
		b.startDaemon()
		item := b.queue("short")[0]
		b.soon(time.Hour, "it is charged", func() bool { return b.status("Alder").State == string(orchestrator.Recharging) && h.Powered() })
		h.FreezeGauge(true)
		rec := b.untilOver(item.ID)
		if !strings.Contains(rec.Reason, "none of its battery's readings has changed for 30 min") || h.Powered() {
			t.Errorf("power %t; the run ended: %s", h.Powered(), rec.Reason)
		}
	})
}
