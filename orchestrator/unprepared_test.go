package orchestrator_test

import (
	"strings"
	"sync"
	"testing"
	"time"

	"rundown/orchestrator"
	"rundown/results"
)

// A handset may be used by a person, or by another daemon, between its preparation and the start
// of the activity. What was met then is looked at again before anything is measured.
func TestPreparedAnewBeforeTheStart(t *testing.T) {
	t.Parallel()
	for name, meanwhile := range map[string]func(b *bench){
		"away for long": func(b *bench) { time.Sleep(orchestrator.ReadyFresh + 2*time.Minute) },
		"another daemon had it for a short while": func(b *bench) {
			b.stopDaemon()
			b.handsets["Alder"].RestoreLink()
			north := b.second("north")
			within(b.t, time.Minute, "north sees it", func() bool { return north.status("Alder").Link == "ready" })
			if _, err := north.daemon.TakeOver(b.t.Context(), "Alder"); err != nil {
				b.t.Fatal(err)
			}
			it := north.queue("film")[0]
			north.inState("Alder", orchestrator.Settling)
			if _, err := north.daemon.Cancel(it.ID); err != nil {
				b.t.Fatal(err)
			}
			within(b.t, time.Minute, "north's run is over", func() bool { return north.item(it.ID).Outcome != "" })
			north.stopDaemon()
			b.startDaemon()
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
				h := b.handsets["Alder"]
				reached := make(chan struct{})
				var first sync.Once
				b.watch = func(_ string, s orchestrator.State) {
					if s == orchestrator.Settling {
						first.Do(func() { h.LoseLink(); close(reached) })
					}
				}
				b.startDaemon()
				b.queue("film")
				<-reached
				meanwhile(b)
				h.RestoreLink()
				onShell(victim{Handset: h}, "svc bluetooth enable")
				list := b.finish(time.Minute)["Alder"]
				if len(list) != 1 || list[0].Outcome != results.Measured || list[0].Attempt != 1 || len(list[0].Drift) > 0 {
					b.t.Fatalf("segments %+v; want one that is measured, at the first attempt and without drift", list)
				}
				b.trueRate(list[0])
				if !strings.Contains(b.log.String(), `"from":"Settling","to":"Preparing"`) {
					b.t.Error("it was not prepared anew")
				}
			})
		})
	}
}
