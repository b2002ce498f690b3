package orchestrator_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
)

const unwantedPlans = `
plans:
  short:
    drain: 3
    start_level_pct: {least: 85, most: 90}
    segments: [browse]
    warm_up: 1 min
    recharge_limit: 12 h
    recharge_stop_temp_c: 40
`

// soon waits for a condition in a bubble, where a limit is one of the bench's own time.
func (b *bench) soon(limit time.Duration, what string, ok func() bool) {
	b.t.Helper()
	for from := b.clock.Now(); !ok(); time.Sleep(time.Second) {
		if b.clock.Now().Sub(from) > limit {
			b.t.Fatalf("%s: not within %v", what, limit)
		}
	}
}

// askedSoon waits until a person is asked to unplug the handset, and fails when that was
// later than two minutes after an instant.
func (b *bench) askedSoon(after time.Time) results.Prompt {
	b.t.Helper()
	var p results.Prompt
	b.soon(2*time.Hour, "a person is asked to unplug it", func() bool {
		for _, open := range b.daemon.Prompts() {
			if strings.HasPrefix(open.Text, "unplug handset ") {
				p = open
				return true
			}
		}
		return false
	})
	if late := p.OpenedAt.Sub(after); late > 2*time.Minute {
		b.t.Errorf("a person is asked %v after power was there", late)
	}
	return p
}

func low(level float64) func(string, *simulated.Options) {
	return func(_ string, o *simulated.Options) { o.LevelPct = level }
}

// onAlder runs a test in a bubble on a bench whose one handset, Alder, begins at a level.
func onAlder(t *testing.T, plans string, levelPct float64, test func(t *testing.T, b *bench, h *simulated.Handset)) {
	t.Helper()
	bubbleBench(t, []string{"Alder"}, plans, func(b *bench) { test(b.t, b, b.handsets["Alder"]) }, low(levelPct))
}

// untilOver waits until a run has ended, and returns its record.
func (b *bench) untilOver(item string) results.Run {
	b.t.Helper()
	b.soon(24*time.Hour, "the run is over", func() bool { return b.item(item).Outcome != "" })
	return runOf(b.t, b, item)
}

// A gate says that it has closed at the end of a recharge and has not, four times. A person
// is asked within two minutes; the level is read on; the next plan waits with words; closing
// is tried again and works at last, which the handset shows: then the next plan is carried
// out. All of it stands in the record of the run that left the power on.
func TestAGateThatLies(t *testing.T) {
	onAlder(t, unwantedPlans, 82, func(t *testing.T, b *bench, h *simulated.Handset) {
		var closedAt time.Time
		b.startDaemon()
		first := b.queue("short")[0]
		b.soon(12*time.Hour, "it is recharged", func() bool { return b.status("Alder").State == string(orchestrator.Recharging) && h.Powered() })
		h.LieClosing(6)
		b.soon(12*time.Hour, "the recharge is at its end", func() bool {
			closedAt = b.clock.Now()
			return b.status("Alder").LevelPct >= 89
		})
		second := b.queue("short")[0]
		p := b.askedSoon(closedAt)
		run := b.untilOver(first.ID)
		if p.RunID != run.ID || !strings.Contains(p.Why, "power gate, simulated, says that it is closed") {
			t.Errorf("asked for run %s, because %s", p.RunID, p.Why)
		}
		if !strings.Contains(run.Reason, "was told to cut, but the handset still says power seen") {
			t.Errorf("the run ended: %s", run.Reason)
		}
		s := b.status("Alder")
		if s.Unwanted == nil || len(s.NeedsHand) != 1 || !strings.HasPrefix(s.NeedsHand[0], "unplug it, or cut its power by hand: it has had power (AC) since") {
			t.Fatalf("the handset: %+v, needs %q", s.Unwanted, s.NeedsHand)
		}
		b.soon(10*time.Minute, "the next plan waits with words", func() bool {
			return strings.Contains(b.status("Alder").WaitsFor, "its power (AC) to be gone")
		})
		if it := b.item(second.ID); it.State != orchestrator.Waiting {
			t.Errorf("the next plan is %s", it.State)
		}
		b.soon(30*time.Minute, "the level is read on", func() bool { return h.Powered() && b.status("Alder").LevelPct > 90 })
		b.soon(2*time.Hour, "the gate closes at last", func() bool { return !h.Powered() })
		b.soon(time.Minute, "the handset shows it", func() bool { return b.status("Alder").Unwanted == nil })
		if p, err := b.daemon.Store().Prompt(p.ID); err != nil || p.State != results.PromptSeen {
			t.Errorf("the prompt: %+v, %v", p, err)
		}
		if !b.noted(run.ID, "power that should not be: the handset sees AC") {
			t.Errorf("notes: %+v", run.Notes)
		}
		b.soon(10*time.Minute, "its end is noted", func() bool {
			return b.noted(run.ID, "power that should not be has ended: the handset shows that it is gone, after")
		})
		b.finish(24 * time.Hour)
		if run := runOf(t, b, second.ID); run.State != string(orchestrator.Done) {
			t.Errorf("the next run: %s, %s", run.State, run.Reason)
		}
	})
}

// Nothing cuts the power but a person, who says that it is done before it is; the daemon is
// stopped and started meanwhile. It is the same question, nothing begins, and only the
// handset's own word ends it.
func TestPowerThatStaysOutlivesTheDaemon(t *testing.T) {
	onAlder(t, unwantedPlans, 89, func(t *testing.T, b *bench, h *simulated.Handset) {
		b.startDaemon()
		first := b.queue("short")[0]
		b.soon(time.Hour, "it measures", func() bool { return b.status("Alder").State == string(orchestrator.Draining) })
		h.LayOnPad(true)
		p := b.askedSoon(b.clock.Now())
		run := b.untilOver(first.ID)
		if run.State != string(orchestrator.Stopped) || p.RunID != run.ID {
			t.Errorf("the run: %s, %s; asked for %s", run.State, run.Reason, p.RunID)
		}
		second := b.queue("short")[0]
		b.stopDaemon()
		b.startDaemon()
		if again := b.askedSoon(b.clock.Now()); again.ID != p.ID {
			t.Errorf("after the restart it is prompt %s, want %s", again.ID, p.ID)
		}
		if _, err := b.daemon.AnswerPrompt(p.ID, "done", "desk"); err != nil {
			t.Fatal(err)
		}
		next := b.askedSoon(b.clock.Now().Add(2 * time.Minute)) // which it has to show first
		if next.ID == p.ID {
			t.Error("it was not asked again")
		}
		time.Sleep(time.Hour)
		if it := b.item(second.ID); it.State != orchestrator.Waiting || b.status("Alder").Unwanted == nil {
			t.Errorf("the next plan is %s, power that should not be: %+v", it.State, b.status("Alder").Unwanted)
		}
		h.LayOnPad(false)
		b.soon(24*time.Hour, "the next plan is carried out", func() bool { return b.item(second.ID).Outcome != "" })
		if !b.noted(run.ID, "desk said that it is unplugged; the handset has yet to show it") || !b.noted(run.ID, "power that should not be has ended") {
			t.Error("the run's record does not say what happened")
		}
	})
}

// A person charges an idle handset by another charger. Its gate was closed by a run, so that
// they are asked; they say that it is meant. Nothing is carried out on it until it is
// unplugged.
func TestLeftOnChargeByAPerson(t *testing.T) {
	onAlder(t, unwantedPlans, 89, func(t *testing.T, b *bench, h *simulated.Handset) {
		b.startDaemon()
		b.untilOver(b.queue("short")[0].ID)
		time.Sleep(time.Hour)
		h.PlugCharger(true)
		p := b.askedSoon(b.clock.Now().Add(5 * time.Minute)) // two minutes after it is seen
		if !strings.Contains(p.Why, "somebody may have plugged another charger in") {
			t.Errorf("asked, because %s", p.Why)
		}
		if _, err := b.daemon.AnswerPrompt(p.ID, "leave it on charge", "desk"); err != nil {
			t.Fatal(err)
		}
		b.soon(time.Minute, "it is on charge", func() bool { return b.status("Alder").OnCharge == "left on charge by desk" })
		next := b.queue("short")[0]
		b.soon(10*time.Minute, "the next plan waits", func() bool {
			return strings.Contains(b.status("Alder").WaitsFor, "to be unplugged: it was left on charge by desk")
		})
		time.Sleep(20 * time.Minute)
		if open := b.daemon.Prompts(); len(open) > 0 || b.item(next.ID).State != orchestrator.Waiting {
			t.Errorf("asked again: %+v; the next plan is %s", open, b.item(next.ID).State)
		}
		h.PlugCharger(false)
		b.soon(24*time.Hour, "the next plan is carried out", func() bool { return b.item(next.ID).Outcome != "" })
	})
}

// A handset whose power nothing here switches stands on a charger: it is shown as that and
// nobody is asked, until a plan is queued for it.
func TestOnChargeUntilSomethingIsQueued(t *testing.T) {
	onAlder(t, unwantedPlans, 88, func(t *testing.T, b *bench, h *simulated.Handset) {
		b.planGates = true
		h.PlugCharger(true)
		b.startDaemon()
		b.soon(10*time.Minute, "it is on charge", func() bool { return b.status("Alder").OnCharge == "on charge" })
		time.Sleep(3 * time.Hour)
		if open := b.daemon.Prompts(); len(open) > 0 {
			t.Errorf("asked: %+v", open)
		}
		if s := b.status("Alder"); len(s.NeedsHand) > 0 || b.clock.Now().Sub(s.ReadAt) > 2*time.Minute {
			t.Errorf("needs %q, read at %v", s.NeedsHand, s.ReadAt)
		}
		at := b.clock.Now()
		item := b.queue("short")[0]
		if p := b.askedSoon(at); !strings.Contains(p.Why, "plan short is queued for it, and nothing here can cut its power") {
			t.Errorf("asked, because %s", p.Why)
		}
		if b.item(item.ID).State != orchestrator.Waiting {
			t.Errorf("the plan is %s", b.item(item.ID).State)
		}
		h.PlugCharger(false)
		b.soon(24*time.Hour, "it is carried out", func() bool { return b.item(item.ID).Outcome != "" })
	})
}

// A lower one is left to charge into its start window, and then a person is asked.
func TestChargedIntoItsWindowByHand(t *testing.T) {
	onAlder(t, unwantedPlans, 70, func(t *testing.T, b *bench, h *simulated.Handset) {
		b.planGates = true
		h.PlugCharger(true)
		b.startDaemon()
		item := b.queue("short")[0]
		b.soon(10*time.Minute, "it waits with words", func() bool {
			return strings.Contains(b.status("Alder").WaitsFor, "to come to 85 % on a charger that nothing here switches")
		})
		b.soon(12*time.Hour, "it is in its window", func() bool { return b.status("Alder").LevelPct >= 85 })
		b.askedSoon(b.clock.Now())
		h.PlugCharger(false)
		b.soon(24*time.Hour, "it is carried out", func() bool { return b.item(item.ID).Outcome != "" })
		if run := runOf(t, b, item.ID); run.State != string(orchestrator.Done) {
			t.Errorf("the run: %s, %s", run.State, run.Reason)
		}
	})
}

// The limits for charging hold for power that should not be: those away are told once, and
// the gate is closed at once. A handset on charge becomes one with power that should not be.
func TestHotOnACharger(t *testing.T) {
	onAlder(t, unwantedPlans, 50, func(t *testing.T, b *bench, h *simulated.Handset) {
		h.Plug(true) // through its gate, which no daemon has moved
		b.startDaemon()
		b.soon(10*time.Minute, "it is on charge", func() bool { return b.status("Alder").OnCharge == "on charge" })
		h.SetAmbientC(45)
		b.soon(5*time.Hour, "it is hot and its gate is closed", func() bool { return !h.Powered() })
		if s := b.status("Alder"); s.TempC == nil || *s.TempC > 41 {
			t.Errorf("battery at %.1f °C, read at %v, %v", *s.TempC, s.ReadAt, b.clock.Now())
		}
		b.soon(10*time.Minute, "that is over", func() bool { return b.status("Alder").Unwanted == nil })
		kinds := []string{}
		changes, _ := b.daemon.Changes(0)
		for _, c := range changes {
			if c.Kind == "power" {
				kinds = append(kinds, c.Text)
			}
		}
		if !slices.ContainsFunc(kinds, func(s string) bool { return strings.Contains(s, "on a charger (limit 40.0)") }) {
			t.Errorf("changes: %q", kinds)
		}
	})
}

// The daemon died with a gate open that no run of the journal knows: it is closed when the
// next one starts.
func TestAGateLeftOpenIsClosed(t *testing.T) {
	onAlder(t, unwantedPlans, 50, func(t *testing.T, b *bench, h *simulated.Handset) {
		b.startDaemon()
		b.stopDaemon()
		store, err := results.Open(b.data + "/rundown.db")
		if err != nil {
			t.Fatal(err)
		}
		if err := store.PutDocument("power", "Alder", map[string]any{"told": "open"}); err != nil {
			t.Fatal(err)
		}
		if err := store.Close(); err != nil {
			t.Fatal(err)
		}
		h.Plug(true)
		b.startDaemon()
		b.soon(time.Minute, "it is closed", func() bool { return !h.Powered() })
	})
}
