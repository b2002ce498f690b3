package orchestrator_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"rundown/devices/onboard"
	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
)

// askedFor are conditions that a handset of the bench does not have by itself.
const askedFor = `
plans:
  film:
    drain: 4
    start_level_pct: {least: 40, most: 94}
    segments: [video]
`

// byHand has the bench's daemon set the conditions of a plan on its handset, and wants that
// this changed something.
func (b *bench) byHand(before string) {
	b.t.Helper()
	within(b.t, time.Minute, "the handset is seen", func() bool {
		_, err := b.daemon.Check(b.t.Context(), "Alder", "film", true)
		if err != nil && !errors.Is(err, orchestrator.ErrNotLooked) {
			b.t.Fatal(err)
		}
		return err == nil
	})
	if allSettings(b.t, b.handsets["Alder"]) == before {
		b.t.Fatal("setting the conditions changed nothing")
	}
}

func (b *bench) settingsAre(want, when string) {
	b.t.Helper()
	if got := allSettings(b.t, b.handsets["Alder"]); got != want {
		b.t.Errorf("%s, its settings (-before +now):\n%s", when, diffOf(want, got))
	}
}

func diffOf(want, got string) string {
	was, is := strings.Split(want, "\n"), strings.Split(got, "\n")
	return "-" + strings.Join(only(was, is), "\n-") + "\n+" + strings.Join(only(is, was), "\n+")
}

// Conditions that a person has set hold the handset: another daemon is told who has it and
// since when, and begins nothing for as long as they last, also past the hour after which a
// daemon counts as gone. Once they are put back it has its turn.
func TestConditionsByHandHoldTheHandset(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, askedFor, func(b *bench) {
		before := allSettings(b.t, b.handsets["Alder"])
		b.startDaemon()
		north := b.second("north")
		b.byHand(before)
		it := north.queue("film")[0]
		within(b.t, time.Minute, "north sees who has it", func() bool { return north.status("Alder").HeldBy != nil })
		if s := north.status("Alder"); s.HeldBy.Bench != "test bench" || s.HeldBy.Since.IsZero() || !strings.Contains(s.WaitsFor, "held by bench test bench") || !strings.Contains(s.WaitsFor, " outside of a run, since ") {
			b.t.Errorf("held by %+v, waits for %q; want the test bench, and since when", s.HeldBy, s.WaitsFor)
		}
		if _, err := north.daemon.Check(b.t.Context(), "Alder", "film", true); !errors.Is(err, orchestrator.ErrNotNow) || !errors.Is(err, onboard.ErrHeld) {
			b.t.Errorf("north's own conditions: %v; want them refused", err)
		}
		time.Sleep(4 * time.Hour)
		if got := north.item(it.ID); got.State != orchestrator.Waiting {
			b.t.Errorf("hours later north's run is %s, %q; want it waiting", got.State, got.Outcome)
		}
		if _, err := b.daemon.Undo(b.t.Context(), "Alder"); err != nil {
			b.t.Fatal(err)
		}
		b.settingsAre(before, "when the conditions were put back")
		if g := north.finish(time.Minute)["Alder"]; len(g) != 1 || g[0].Outcome != results.Measured {
			b.t.Errorf("north's segments %+v; want one that is measured", g)
		}
		b.nothingLeft("Alder")
		b.settingsAre(before, "after north's run")
	})
}

// Conditions that are left to a run are its own, and the handset is given back with it.
func TestConditionsByHandThenARun(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, askedFor, func(b *bench) {
		before := allSettings(b.t, b.handsets["Alder"])
		b.startDaemon()
		b.byHand(before)
		b.byHand(before)
		b.queue("film")
		if g := b.finish(time.Minute)["Alder"]; len(g) != 1 || g[0].Outcome != results.Measured {
			b.t.Errorf("segments %+v; want one that is measured", g)
		}
		b.nothingLeft("Alder")
		b.settingsAre(before, "after the run")
	})
}

// A handset that is taken over on purpose while conditions are set on it by hand ends as it
// was before anyone touched it, whether or not the first daemon is ever seen again.
func TestTakeOverOfConditionsByHand(t *testing.T) {
	t.Parallel()
	for name, there := range map[string]bool{"the first daemon stays": true, "the first daemon is gone": false} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			bubbleBench(t, []string{"Alder"}, askedFor, func(b *bench) {
				before := allSettings(b.t, b.handsets["Alder"])
				b.startDaemon()
				north := b.second("north")
				b.byHand(before)
				if !there {
					b.stopDaemon()
				}
				if by, err := north.daemon.TakeOver(b.t.Context(), "Alder"); err != nil || by.Bench != "test bench" {
					b.t.Fatalf("taken over from %+v, %v; want the test bench", by, err)
				}
				it := north.queue("film")[0]
				if g := north.finish(time.Minute)["Alder"]; len(g) != 1 || g[0].Outcome != results.Measured {
					b.t.Errorf("north's segments %+v; want one that is measured", g)
				}
				run, err := north.daemon.Store().Run(north.item(it.ID).RunID)
				if err != nil || len(run.Notes) == 0 || !strings.Contains(run.Notes[0].Text, "what another daemon had changed") {
					b.t.Errorf("notes %+v, %v; want what is carried along", run.Notes, err)
				}
				b.settingsAre(before, "after north's run")
				if !there {
					b.startDaemon()
				}
				time.Sleep(20 * time.Minute)
				if _, err := b.daemon.Undo(b.t.Context(), "Alder"); err != nil {
					b.t.Error(err)
				}
				if s := b.status("Alder"); s.Owed != nil {
					b.t.Errorf("still owed: %+v", s.Owed)
				}
				b.settingsAre(before, "after the first daemon has looked")
				b.nothingLeft("Alder")
			})
		})
	}
}

// Daemons that have a handset one after the other, and go while they have it, put things back
// in whatever order they come back: it ends as it was before anyone touched it.
func TestDaemonsThatComeBackInTheWrongOrder(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, askedFor, func(b *bench) {
		h := b.handsets["Alder"]
		before := allSettings(b.t, h)
		b.startDaemon()
		north := b.second("north")
		b.byHand(before)
		b.stopDaemon()
		it := north.queue("film")[0]
		within(north.t, time.Minute, "north has it once the first daemon counts as gone", func() bool { return north.status("Alder").State == string(orchestrator.Draining) })
		north.stopDaemon()
		b.startDaemon()
		within(b.t, time.Minute, "the handset is taken over", func() bool {
			_, err := b.daemon.TakeOver(b.t.Context(), "Alder")
			return err == nil
		})
		b.queue("film")
		if g := b.finish(time.Minute)["Alder"]; len(g) != 1 || g[0].Outcome != results.Measured {
			b.t.Errorf("segments %+v; want one that is measured", g)
		}
		b.settingsAre(before, "after the first daemon's run")
		show(b.t, h, "settings put system screen_brightness 77") // somebody, for himself
		now := allSettings(b.t, h)
		north.startDaemon()
		within(north.t, time.Minute, "north's run ends", func() bool { return north.item(it.ID).Outcome != "" })
		time.Sleep(20 * time.Minute)
		b.settingsAre(now, "after north has come back")
		b.nothingLeft("Alder")
	}, func(_ string, o *simulated.Options) { o.Android = simulated.Android16 })
}

// Conditions on a handset whose holder says, all at once, what only a later version can read, are
// owed and shown as that, and put back once nobody has been heard of for long.
func TestConditionsByHandUnderALaterHolder(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, askedFor, func(b *bench) {
		before := allSettings(b.t, b.handsets["Alder"])
		b.startDaemon()
		b.byHand(before)
		show(b.t, b.handsets["Alder"], "for d in "+onboard.Root+"/holders/*; do echo w 9 something that nobody knows yet . >$d/who; done")
		within(b.t, time.Minute, "what was set is owed", func() bool { return b.status("Alder").Owed != nil })
		time.Sleep(3 * time.Hour)
		if s := b.status("Alder"); s.Owed != nil || s.HeldBy != nil {
			b.t.Errorf("hours later: owed %+v, held by %v; want neither", s.Owed, s.HeldBy)
		}
		b.settingsAre(before, "hours later")
	})
}

// A handset that is charged for storage is held meanwhile.
func TestParkingHoldsTheHandset(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, strings.Replace(askedFor, "drain: 4", "drain: 4\n    park: 60", 1), func(b *bench) {
		b.startDaemon()
		b.queue("film")
		b.finish(time.Minute)
		within(b.t, time.Minute, "it is charged", func() bool {
			look, err := onboard.Held(b.t.Context(), b.handsets["Alder"])
			return err == nil && b.handsets["Alder"].Powered() && look.Condition == onboard.HoldsHeld && look.Who.Run == ""
		})
		within(b.t, time.Minute, "it is parked", func() bool {
			s := b.status("Alder")
			return s.Parking != nil && s.Parking.State == orchestrator.ParkParked
		})
		b.nothingLeft("Alder")
	}, func(_ string, o *simulated.Options) { o.LevelPct = 55 })
}

// A daemon that comes back and finds its handset taken leaves the power alone that whoever has
// it lets in, by the same gate, and asks nobody to unplug it.
func TestTakenHandsetIsLeftItsPower(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, askedFor+`
  topped:
    drain: 3
    start_level_pct: {least: 96, most: 99}
    recharge_limit: 4 h
    segments: [video]
`, func(b *bench) {
		b.startDaemon()
		north := b.second("north")
		first := b.queue("film")[0]
		b.inState("Alder", orchestrator.Draining)
		b.stopDaemon()
		within(b.t, time.Minute, "the handset is taken over", func() bool {
			_, err := north.daemon.TakeOver(b.t.Context(), "Alder")
			return err == nil
		})
		it := north.queue("topped")[0]
		h := b.handsets["Alder"]
		within(b.t, time.Minute, "north charges it", func() bool { return north.status("Alder").State == string(orchestrator.Recharging) && h.Powered() })
		b.startDaemon()
		within(b.t, time.Minute, "the first run ends", func() bool { return b.item(first.ID).Outcome != "" })
		for range 20 {
			if !h.Powered() && north.status("Alder").State == string(orchestrator.Recharging) {
				b.t.Fatal("its power is cut while north charges it")
			}
			if p := b.daemon.Prompts(); len(p) > 0 {
				b.t.Fatalf("the first daemon asks: %s, since %s", p[0].Text, p[0].Why)
			}
			time.Sleep(10 * time.Second)
		}
		within(north.t, time.Minute, "north's run ends", func() bool { return north.item(it.ID).Outcome != "" })
		if got := north.item(it.ID).Outcome; got != string(orchestrator.Done) {
			b.t.Errorf("north's run: %q; want Done", got)
		}
		b.nothingLeft("Alder")
	})
}
