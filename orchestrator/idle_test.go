package orchestrator_test

import (
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/orchestrator"
)

// Handsets on which nothing is under way are read every few minutes, day after day, one of
// them flat at last: it is told before, once, and again after it was charged in between.
func TestIdleHandsetsAreRead(t *testing.T) {
	bubbleBench(t, []string{"Alder", "Birch"}, unwantedPlans, func(b *bench) {
		t := b.t
		b.planGates = true
		alder := b.handsets["Alder"]
		b.startDaemon()
		fresh := func() {
			t.Helper()
			for name, h := range b.handsets {
				s := b.status(name)
				if s.ReadAgeS == nil || *s.ReadAgeS > (6*time.Minute).Seconds() {
					t.Errorf("%s was read at %v, and it is %v", name, s.ReadAt, b.clock.Now())
				}
				if got, want := float64(s.LevelPct), h.TrueLevelPct(); got < want-3 || got > want+3 {
					t.Errorf("%s: %.0f %%, in truth %.1f %%", name, got, want)
				}
			}
		}
		needs := func() string { return strings.Join(b.status("Alder").NeedsHand, "; ") }
		for range 20 {
			time.Sleep(31 * time.Minute)
			fresh()
		}
		if needs() != "" || len(b.status("Birch").NeedsHand) > 0 {
			t.Fatalf("Alder at %d %% needs %q", b.status("Alder").LevelPct, needs())
		}
		told := func() (n int) {
			changes, _ := b.daemon.Changes(0)
			for _, c := range changes {
				if c.Kind == "level" && c.Handset == "Alder" {
					n++
				}
			}
			return n
		}
		b.soon(20*24*time.Hour, "its level is told to be low", func() bool { return needs() != "" })
		if level := b.status("Alder").LevelPct; level < 13 || level > 15 || !strings.Contains(needs(), "before it runs flat") || told() != 1 {
			t.Errorf("at %d %%, told %d times: %s", level, told(), needs())
		}
		b.stopDaemon()
		b.startDaemon()
		time.Sleep(30 * time.Minute)
		if told() > 0 || needs() == "" { // the changes are the new daemon's
			t.Errorf("after a restart it is told %d times, needs %q", told(), needs())
		}
		alder.Plug(true)
		b.soon(10*time.Minute, "it is on charge", func() bool { return needs() == "" && b.status("Alder").OnCharge != "" })
		time.Sleep(2 * time.Hour)
		alder.Plug(false)
		b.soon(40*24*time.Hour, "it is low again", func() bool { return needs() != "" })
		if told() != 1 {
			t.Errorf("the second time it is told %d times", told())
		}
	}, func(name string, o *simulated.Options) {
		o.LevelPct, o.ScalePower = 60, 4
		if name == "Birch" {
			o.LevelPct, o.ScalePower = 90, 0.5
		}
	})
}

// While a segment is measured nobody reads the handset beside it: all its readings are those
// of its own recorder.
func TestSegmentsAreNotReadBeside(t *testing.T) {
	var readings atomic.Int64
	bubbleBench(t, []string{"Alder"}, unwantedPlans, func(b *bench) {
		t := b.t
		b.startDaemon()
		item := b.queue("short")[0]
		b.soon(time.Hour, "it measures", func() bool { return b.status("Alder").State == string(orchestrator.Draining) })
		before := readings.Load()
		time.Sleep(7 * time.Minute)
		if s := b.status("Alder"); s.State != string(orchestrator.Draining) || *s.ReadAgeS > 60 {
			t.Fatalf("it is %s, read %.0f s ago", s.State, *s.ReadAgeS)
		}
		if n := readings.Load() - before; n > 0 {
			t.Errorf("%d readings beside the recorder's own", n)
		}
		b.untilOver(item.ID)
		before = readings.Load()
		time.Sleep(65 * time.Minute) // a minute apart at first, then five
		if n := readings.Load() - before; n < 14 || n > 20 {
			t.Errorf("%d readings in an hour after the run", n)
		}
	}, low(89), func(_ string, o *simulated.Options) {
		o.Asked = func(command string) {
			drift := strings.Contains(command, "settings") // which is read with many other things, as the plan says
			if strings.Contains(command, "dumpsys battery") && !drift {
				readings.Add(1)
			}
		}
	})
}
