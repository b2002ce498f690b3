package orchestrator_test

import (
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"rundown/devices"
	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
)

// tethered starts a daemon that can be cut off from the bench.
func (b *bench) tethered() *tether {
	b.t.Helper()
	t := b.memory.newTether()
	b.links, b.gates = t, map[string]devices.PowerGate{}
	for name, h := range b.handsets {
		b.gates[name] = t.gateOf(h)
	}
	b.startDaemon()
	return t
}

// A chargeKilled is one charge in a bubble, whose daemon is killed right after one of its
// writes while it settles, stays away for long, and is started again.
type chargeKilled struct {
	writes   int // between the beginning of Settling and the first looks of Charging
	segments []results.Segment
	open     bool // the gate, after the run
	log      string
}

// killedAfter carries one charge out. after is the write, counted from 1, after which the
// daemon dies; 0: it lives.
func killedAfter(t *testing.T, after int) (got chargeKilled) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, `
scenarios:
  topping: {extends: charge, start_level_pct: {least: 60, most: 100}}
plans:
  top: {segments: [topping]}
`, func(_ string, o *simulated.Options) { o.LevelPct, o.Uptime = 92, 2*time.Hour })
		var settles, killed atomic.Bool
		var charging atomic.Int32
		b.watch = func(_ string, s orchestrator.State) {
			switch s {
			case orchestrator.Settling:
				settles.Store(true)
			case orchestrator.Charging:
				charging.Store(1)
			}
		}
		left := filepath.Join(t.TempDir(), "rundown.db")
		tether := b.tethered()
		b.daemon.Store().Watch(func(results.Write) {
			if !settles.Load() || killed.Load() || charging.Load() > 5 {
				return
			}
			if charging.Load() > 0 {
				charging.Add(1)
			}
			if got.writes++; got.writes != after {
				return
			}
			// What stands in the file now is all that the next daemon finds.
			killed.Store(true)
			tether.cut()
			if err := b.daemon.Store().BackUp(left); err != nil {
				t.Error(err)
			}
		})
		b.queue("top")
		if after > 0 {
			within(t, time.Minute, "the daemon is killed", killed.Load)
			b.stopDaemon()
			content, err := os.ReadFile(left)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(b.data, "rundown.db"), content, 0o600); err != nil {
				t.Fatal(err)
			}
			time.Sleep(25 * time.Minute) // nobody looks for longer than evidence may be missing
			b.tethered()
		}
		got.segments = b.finish(4 * time.Minute)["Alder"]
		got.open = strings.Contains(show(t, b.handsets["Alder"], "dumpsys battery"), "AC powered: true")
		got.log = b.log.String()
	})
	return got
}

// A daemon that is killed after whichever of its writes while a charge settles is followed by
// one that carries the same charge on: it is measured at the first attempt, with all that its
// record needs, and no lack of evidence is held against it that nobody could have seen.
func TestKilledAfterEachWriteOfACharge(t *testing.T) {
	t.Parallel()
	calm := killedAfter(t, 0)
	if len(calm.segments) != 1 || calm.segments[0].Outcome != results.Measured || calm.writes < 8 {
		t.Fatalf("undisturbed: %+v after %d writes", calm.segments, calm.writes)
	}
	for after := 1; after <= calm.writes; after++ {
		got := killedAfter(t, after)
		if len(got.segments) != 1 || got.open {
			t.Errorf("killed after write %d of %d: %d segments, gate open %t; want one and a closed gate\n%s", after, calm.writes, len(got.segments), got.open, got.log)
			continue
		}
		g := got.segments[0]
		if g.Outcome != results.Measured || g.Attempt != 1 || g.Revivals != 0 || g.EndedBy != "full" || g.WorkloadHash != calm.segments[0].WorkloadHash || g.ActivityUpS < 7200 {
			t.Errorf("killed after write %d of %d: %s %s, attempt %d, brought back %d times, ended by %s, workload %q, activity at %.0f s; want it measured as if nothing had been\n%s",
				after, calm.writes, g.Outcome, g.Reason, g.Attempt, g.Revivals, g.EndedBy, g.WorkloadHash, g.ActivityUpS, got.log)
		}
	}
}
