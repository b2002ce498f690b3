package orchestrator_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rundown/orchestrator/notices"
	"rundown/scenarios"
)

// A night that goes wrong, and who is told: a person is asked twice, a segment ends at its
// time limit, the handset is set aside, the run is over. Each is told once, to a real HTTP
// server that is busy at first, and nothing again after a restart of the daemon.
func TestNoticesOfABadNight(t *testing.T) {
	var mu sync.Mutex
	var told []notices.Notice
	requests := 0
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		if requests++; requests == 1 {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		var n notices.Notice
		if err := json.NewDecoder(r.Body).Decode(&n); err != nil {
			t.Error(err)
		}
		told = append(told, n)
	}))
	defer server.Close()
	t.Setenv("RUNDOWN_TEST_HOOK", server.URL+"/hook")
	b := lowBench(t, scenarios.Gate{ByHand: true, ConfirmWithin: 10 * time.Hour, AnswerWithin: 20 * time.Hour})
	b.file.Notices = scenarios.Notices{RetryFor: 100 * time.Hour, Targets: []scenarios.NoticeTarget{
		{Name: "desk", About: scenarios.NoticeKinds, Webhook: &scenarios.Webhook{Address: scenarios.Secret{Env: "RUNDOWN_TEST_HOOK"}}},
		{Name: "nobody", About: []string{scenarios.NoticeRunFinished}, Webhook: &scenarios.Webhook{Address: scenarios.Secret{Env: "RUNDOWN_TEST_UNSET"}}},
	}}
	b.file.Limits.SetAsideAfter = 1
	plan := b.file.Plans["short"]
	plan.SegmentLimit = 4 * time.Minute // too short for three points: spoiled
	b.file.Plans["short"] = plan
	b.start(overServer)
	items := b.queue("short")
	p := b.asked("plug the charger")
	b.handsets["Alder"].Plug(true)
	b.asked("unplug handset Alder")
	b.handsets["Alder"].Plug(false)
	b.finish(time.Minute)
	kinds := func() string {
		mu.Lock()
		defer mu.Unlock()
		var list []string
		for _, n := range told {
			list = append(list, n.Kind)
		}
		slices.Sort(list)
		return strings.Join(list, ", ")
	}
	const want = "handset set aside, limit reached, prompt waiting, prompt waiting, run finished"
	within(t, 20*time.Second, "all is told", func() bool { return kinds() == want })
	run := runOf(t, b, items[0].ID)
	mu.Lock()
	for _, n := range told {
		if n.Handset != "Alder" || n.Run != run.ID || n.At.Before(benchStart) {
			t.Errorf("%s: %+v", n.Kind, n)
		}
		for kind, says := range map[string]string{
			scenarios.NoticeLimit: "ended at the time limit", scenarios.NoticeSetAside: "rundown release Alder", scenarios.NoticeRunFinished: "0 measured, 0 flagged, 1 spoiled",
			scenarios.NoticePrompt: "it is taken that it cannot be done. Answer in the console, or: rundown answer p",
		} {
			if n.Kind == kind && !strings.Contains(n.Text, says) {
				t.Errorf("%s says %q, want %q", kind, n.Text, says)
			}
		}
		if n.Prompt == p.ID && !strings.Contains(n.Text, "level ") {
			t.Errorf("the prompt's notice does not say why: %q", n.Text)
		}
	}
	mu.Unlock()
	// A daemon that stops before it has written down that a notice arrived sends it again.
	within(t, 20*time.Second, "all that was told is written down as sent", func() bool {
		list, err := b.daemon.Notices()
		return err == nil && !slices.ContainsFunc(list, func(r notices.Record) bool { return fmt.Sprint(r.Deliveries[0].State) != "sent" })
	})
	b.stopDaemon()
	b.startDaemon()
	within(t, 20*time.Second, "the last notice is sent to one target and waits for the other", func() bool {
		list, err := b.daemon.Notices()
		if err != nil || len(list) != 5 {
			t.Fatalf("%d notices are kept, %v", len(list), err)
		}
		last := list[slices.IndexFunc(list, func(r notices.Record) bool { return r.Notice.Kind == scenarios.NoticeRunFinished })]
		got := fmt.Sprint(last.Deliveries[0].State, " ", last.Deliveries[1].State, " ", last.Deliveries[1].Error)
		return got == "sent waiting webhook: address: the environment variable RUNDOWN_TEST_UNSET is not set for the daemon"
	})
	time.Sleep(100 * time.Millisecond) // a minute of the bench's: time to tell again what was told
	if got := kinds(); got != want {
		t.Errorf("after a restart it was told: %s", got)
	}
	b.stopDaemon()
	if strings.Contains(b.log.String(), server.Listener.Addr().String()) {
		t.Error("the address stands in the log")
	}
}
