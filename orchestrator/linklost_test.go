package orchestrator_test

import (
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/scenarios"
)

// A link that is lost in a run is left to come back for an hour. Then somebody is to look at
// it, and is told so once; the segment, which went on meanwhile, is collected all the same.
func TestALinkThatIsLostForLong(t *testing.T) {
	t.Parallel()
	onAlder(t, holderPlan, 89, func(t *testing.T, b *bench, h *simulated.Handset) {
		b.file.Notices = scenarios.Notices{RetryFor: time.Hour, Targets: []scenarios.NoticeTarget{
			{Name: "desk", About: []string{scenarios.NoticeLinkLost}, Webhook: &scenarios.Webhook{Address: scenarios.Secret{Env: "RUNDOWN_TEST_UNSET"}}},
		}}
		b.startDaemon()
		b.queue("film")
		b.soon(time.Hour, "it measures", func() bool { return b.status("Alder").State == string(orchestrator.Draining) })
		h.LoseLink()
		lost := b.clock.Now()
		b.soon(time.Minute, "the loss is seen", func() bool { return !b.status("Alder").LinkLostAt.IsZero() })
		told := func() int {
			list, err := b.daemon.Notices()
			if err != nil {
				t.Fatal(err)
			}
			return len(list)
		}
		b.soon(2*time.Hour, "somebody is to look at it", func() bool { return len(b.status("Alder").NeedsHand) > 0 })
		needs := b.status("Alder").NeedsHand[0]
		if took := b.clock.Now().Sub(lost); took < orchestrator.LinkLostLong || took > orchestrator.LinkLostLong+2*time.Minute || !strings.HasPrefix(needs, "look at its link, which has been lost since 2030-05-14 ") {
			t.Errorf("after %v: %q", took, needs)
		}
		b.soon(2*time.Minute, "it is told", func() bool { return told() > 0 })
		time.Sleep(10 * time.Minute)
		h.RestoreLink()
		b.soon(time.Minute, "it is back", func() bool { return len(b.status("Alder").NeedsHand) == 0 })
		list := b.finish(time.Hour)["Alder"]
		if len(list) != 1 || list[0].Samples == 0 || told() != 1 {
			t.Errorf("%d notices, segments %+v; want one of each", told(), list)
		}
	})
}
