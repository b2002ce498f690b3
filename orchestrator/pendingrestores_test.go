package orchestrator_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
)

// owing carries out a run whose handset takes no settings from the moment at which they are
// to be put back, and returns its record and what the handset was like before.
func owing(t *testing.T) (b *bench, run results.Run, before string) {
	t.Helper()
	b = newBench(t, []string{"Alder"}, shortPlan, func(_ string, o *simulated.Options) { o.Android = simulated.Android14 })
	h := b.handsets["Alder"]
	before = allSettings(t, h)
	b.watch = func(_ string, s orchestrator.State) {
		if s == orchestrator.Restoring {
			h.RefuseSettings(true)
		}
	}
	b.start(overServer)
	items := b.queue("short")
	b.finish(2 * time.Minute)
	b.watch = nil
	return b, runOf(t, b, items[0].ID), before
}

// noted reports whether a run has a note that says so.
func (b *bench) noted(run, text string) bool {
	rec, err := b.daemon.Store().Run(run)
	if err != nil {
		return false
	}
	for _, n := range rec.Notes {
		if strings.Contains(n.Text, text) {
			return true
		}
	}
	return false
}

// What a handset does not let be put back is owed: it is shown, it is tried far more often
// than three times, also by another daemon, and it is put back once that can be.
func TestSettingsAreOwedUntilTheyAreBack(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b, run, before := owing(t)
		h := b.handsets["Alder"]
		if run.State != string(orchestrator.Done) || !b.noted(run.ID, "settings are to be put back: ") {
			t.Fatalf("the run: %s, %s, notes %+v", run.State, run.Reason, run.Notes)
		}
		s := b.daemon.Handsets()[0]
		if s.Owed == nil || s.Owed.Run != run.ID || s.Owed.Tries < 3 || len(s.Owed.Changes) < 3 || s.Owed.Error == "" || len(s.NeedsHand) != 1 || !strings.Contains(s.NeedsHand[0], "rundown settings leave Alder") {
			t.Fatalf("the handset: owed %+v, needs %q", s.Owed, s.NeedsHand)
		}
		report, err := b.daemon.ReportOf([]results.Run{run})
		if err != nil || !strings.Contains(strings.Join(report.Remarks, "\n"), "Alder: settings are to be put back") {
			t.Errorf("the report's remarks: %q, %v", report.Remarks, err)
		}
		within(t, time.Minute, "it is tried eight times", func() bool {
			o := b.daemon.Handsets()[0].Owed
			return o != nil && o.Tries >= 8
		})
		b.stopDaemon()
		b.startDaemon()
		within(t, time.Minute, "the next daemon tries too", func() bool {
			o := b.daemon.Handsets()[0].Owed
			return o != nil && o.Tries >= 9
		})
		h.RefuseSettings(false)
		within(t, time.Minute, "they are back", func() bool { return b.noted(run.ID, "settings were put back: ") })
		if after := allSettings(t, h); after != before {
			t.Errorf("before:\n%s\nafter:\n%s", before, after)
		}
		if s := b.daemon.Handsets()[0]; s.Owed != nil || len(s.NeedsHand) > 0 || b.daemon.Owes("Alder") {
			t.Errorf("afterwards: owed %+v, needs %q", s.Owed, s.NeedsHand)
		}
	})
}

// A person says to leave it: nothing more is tried, and the run's record says who said so.
func TestOwedSettingsAreLeft(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b, run, _ := owing(t)
		var o orchestrator.Owed
		within(t, 20*time.Second, "nobody has the handset", func() bool {
			var err error
			if o, err = b.daemon.LeaveSettings(t.Context(), "Alder", "desk"); err != nil && !errors.Is(err, orchestrator.ErrNotNow) {
				t.Fatal(err)
			}
			return err == nil
		})
		if len(o.Changes) < 3 {
			t.Errorf("left: %+v", o)
		}
		if s := b.daemon.Handsets()[0]; s.Owed != nil || !b.noted(run.ID, "left as it is by desk, not put back: ") {
			t.Errorf("afterwards owed: %+v", s.Owed)
		}
		if _, err := b.daemon.LeaveSettings(t.Context(), "Alder", "desk"); !errors.Is(err, orchestrator.ErrNotNow) {
			t.Errorf("once more: %v, want ErrNotNow", err)
		}
		if _, err := b.daemon.LeaveSettings(t.Context(), "Rowan", "desk"); !errors.Is(err, orchestrator.ErrRequest) {
			t.Errorf("a handset that is not there: %v, want ErrRequest", err)
		}
	})
}

// On a handset whose shell may press no keys nothing is changed, nothing is owed, and its
// run does not try the keys again and again.
func TestKeysThatAreRefusedCostNothing(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, shortPlan)
		h := b.handsets["Alder"]
		h.RefuseInput(true)
		before := allSettings(t, h)
		var restoring time.Time
		b.watch = func(_ string, s orchestrator.State) {
			if s == orchestrator.Restoring {
				restoring = b.clock.Now()
			}
		}
		b.start(overServer)
		items := b.queue("short")
		b.finish(2 * time.Minute)
		run := runOf(t, b, items[0].ID)
		if !strings.Contains(run.Reason, "shell_permission") {
			t.Errorf("the run ended: %s", run.Reason)
		}
		if took := run.EndedAt.Sub(restoring); took > 20*time.Second { // it was 48 s and more with each try
			t.Errorf("restoring took %v", took)
		}
		if s := b.daemon.Handsets()[0]; s.Owed != nil || allSettings(t, h) != before {
			t.Errorf("owed: %+v", s.Owed)
		}
	})
}
