package orchestrator_test

import (
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rundown/devices/onboard"
	"rundown/devices/simulated"
	"rundown/results"
)

const roomPlans = `plans:
  film: {drain: 7, start_level_pct: {least: 50, most: 94}, segments: [video]}
`

// openPrompt waits for a question about a handset.
func (b *bench) openPrompt(what string) results.Prompt {
	b.t.Helper()
	var p results.Prompt
	within(b.t, 4*time.Hour, "somebody is asked: "+what, func() bool {
		list := b.daemon.Prompts()
		i := slices.IndexFunc(list, func(q results.Prompt) bool { return strings.Contains(q.Text, what) })
		if i >= 0 {
			p = list[i]
		}
		return i >= 0
	})
	return p
}

// A storage that fills up while a segment is measured spoils it, with that as its cause; it is
// carried out again once somebody has made room, which the handset itself shows.
func TestStorageFillsUp(t *testing.T) {
	t.Parallel()
	for name, made := range map[string]bool{"room is made": true, "nobody comes": false} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			bubbleBench(t, []string{"Alder"}, roomPlans, func(b *bench) {
				h := b.handsets["Alder"]
				b.startDaemon()
				b.queue("film")
				b.measuring("Alder", 20*time.Minute)
				h.FillStorage(true)
				if p := b.openPrompt("make room on Alder"); !strings.Contains(p.Why, "free_storage: wanted 0.1 GB, found 0.0 GB") {
					b.t.Errorf("why %q", p.Why)
				}
				if made {
					time.Sleep(10 * time.Minute)
					h.FillStorage(false)
				}
				list := b.finish(24 * time.Hour)["Alder"]
				if g := list[0]; g.Outcome != results.Spoiled || !strings.Contains(g.Reason, "the handset's storage is full (0.0 MB free)") {
					b.t.Errorf("%s (%s)", g.Outcome, g.Reason)
				}
				prompts, err := b.daemon.Store().Prompts("")
				if err != nil || len(prompts) != 1 {
					b.t.Fatalf("prompts %+v, %v", prompts, err)
				}
				if made {
					if len(list) != 2 || list[1].Outcome != results.Measured || prompts[0].State != results.PromptSeen {
						b.t.Errorf("segments %+v, prompt %+v", list[1:], prompts[0])
					}
					b.wholeFigure(list[len(list)-1])
					return
				}
				run, err := b.daemon.Store().Run(list[0].RunID)
				if err != nil || len(list) != 1 || prompts[0].State != results.PromptUnanswered || !strings.Contains(run.Reason, "free_storage") || !strings.Contains(run.Reason, "nobody made room in time") {
					b.t.Errorf("run %q, %v; %d segments; prompt %+v", run.Reason, err, len(list), prompts[0])
				}
			})
		})
	}
}

// What lies on a handset of segments that are stored is removed for room before anybody is asked.
func TestRoomOfItsOwn(t *testing.T) {
	t.Parallel()
	var mu sync.Mutex
	key, full := "", (*simulated.Handset)(nil)
	removed := func(name string, _ []byte) {
		mu.Lock()
		defer mu.Unlock()
		if full != nil && strings.Contains(name, key) {
			go full.FillStorage(false) // it is called under the handset's lock
			full = nil
		}
	}
	bubbleBench(t, []string{"Alder"}, roomPlans, func(b *bench) {
		h := b.handsets["Alder"]
		b.startDaemon()
		b.queue("film")
		first := b.only("Alder")
		folder := onboard.Root + "/" + first.ID
		show(b.t, h, "mkdir -p "+folder+"; echo left >"+folder+"/errors.txt")
		h.FillStorage(true)
		mu.Lock()
		key, full = first.ID, h
		mu.Unlock()
		b.queue("film")
		list := b.finish(24 * time.Hour)["Alder"]
		if len(list) != 2 || list[1].Outcome != results.Measured {
			b.t.Errorf("segments %+v", list)
		}
		if keys, err := onboard.List(b.t.Context(), h); err != nil || len(keys) > 0 {
			b.t.Errorf("on the handset: %q, %v", keys, err)
		}
		if prompts, err := b.daemon.Store().Prompts(""); err != nil || len(prompts) > 0 {
			b.t.Errorf("prompts %+v, %v", prompts, err)
		}
		run, err := b.daemon.Store().Run(list[len(list)-1].RunID)
		if err != nil || !slices.ContainsFunc(run.Notes, func(n results.Note) bool { return strings.Contains(n.Text, "the files of 1 segments that are stored") }) {
			b.t.Errorf("notes %+v, %v", run.Notes, err)
		}
	}, func(_ string, o *simulated.Options) { o.Removed = removed })
}
