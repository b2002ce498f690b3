package orchestrator_test

import (
	"strings"
	"sync"
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
				if got, want := float64(s.LevelPct), 100*h.TrueSoC(); got < want-3 || got > want+3 {
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

// A handset that rests in a segment is looked at as often as the plan says and no more, also
// by a daemon that has just begun: nothing else reads it. Power that comes meanwhile is asked
// about within two minutes all the same: the handset says that its recorder has ended.
func TestARestIsReadByNobody(t *testing.T) {
	var mu sync.Mutex
	var asked []time.Time
	bubbleBench(t, []string{"Alder"}, restPlan, func(b *bench) {
		t := b.t
		h := b.handsets["Alder"]
		b.startDaemon()
		b.queue("rest")
		b.soon(6*time.Hour, "it measures", func() bool { return b.status("Alder").State == string(orchestrator.Draining) })
		time.Sleep(90 * time.Minute)
		b.stopDaemon()
		b.startDaemon()
		from := b.clock.Now()
		time.Sleep(5 * time.Hour)
		if s := b.status("Alder"); s.State != string(orchestrator.Draining) {
			t.Fatalf("it is %s", s.State)
		}
		mu.Lock()
		looks, last := 0, from.Add(time.Minute) // the first look takes the segment up
		for _, at := range asked {
			if at.Sub(last) > time.Minute {
				looks++
				last = at
			}
		}
		mu.Unlock()
		if looks < 5 || looks > 20 {
			t.Errorf("asked %d times in 5 h, want 20 at most", looks)
		}
		next := b.status("Alder").NextLook
		h.PlugCharger(true)
		from = b.clock.Now()
		if late := next.Sub(from); late > 75*time.Minute || late < 0 {
			t.Fatalf("the next look is at %v", next)
		}
		b.askedSoon(from)
		h.PlugCharger(false)
	}, func(_ string, o *simulated.Options) {
		o.LevelPct = 93
		o.Asked = func(string) {
			mu.Lock()
			defer mu.Unlock()
			asked = append(asked, time.Now())
		}
	})
}

const restPlan = `
plans:
  rest:
    drain: 7
    start_level_pct: {least: 70, most: 94}
    segments: [idle]
    segment_limit: 5 d
`

// What reading an idle handset every 5 minutes costs it: part of what README says.
func TestWhatIdleReadingsCost(t *testing.T) {
	bubbleBench(t, []string{"Alder"}, unwantedPlans, func(b *bench) {
		t := b.t
		h := b.handsets["Alder"]
		b.startDaemon()
		time.Sleep(time.Hour)
		before := h.Wakes().LookJ
		time.Sleep(24 * time.Hour)
		perDay := (h.Wakes().LookJ - before) / (4500 * 3.6 * 3.85) * 100
		t.Logf("%.0f J a day, %.2f %% of its charge", h.Wakes().LookJ-before, perDay)
		if perDay <= 0 || perDay > 1 {
			t.Errorf("its readings draw %.2f %% a day, want 1 at most", perDay)
		}
	}, low(80))
}

// Power that comes to an idle handset is heard of at once, from the handset; from then on it is
// read once a minute, and no oftener.
func TestPowerOnAnIdleHandset(t *testing.T) {
	var readings atomic.Int64
	bubbleBench(t, []string{"Alder"}, unwantedPlans, func(b *bench) {
		t := b.t
		b.planGates = true
		b.startDaemon()
		time.Sleep(62 * time.Minute) // between two of its readings
		b.handsets["Alder"].Plug(true)
		b.soon(90*time.Second, "it is on charge", func() bool { return b.status("Alder").OnCharge != "" })
		before := readings.Load()
		time.Sleep(30 * time.Minute)
		if n := readings.Load() - before; n < 25 || n > 35 {
			t.Errorf("read %d times in half an hour on a charger", n)
		}
	}, low(60), func(_ string, o *simulated.Options) {
		o.Asked = func(command string) {
			if strings.Contains(command, "dumpsys battery") {
				readings.Add(1)
			}
		}
	})
}

// A run that is held reads nothing by itself; power that comes is found all the same, and
// the handset is read no more often than an idle one.
func TestPowerInARunThatIsHeld(t *testing.T) {
	var readings atomic.Int64
	bubbleBench(t, []string{"Alder"}, unwantedPlans, func(b *bench) {
		t := b.t
		h := b.handsets["Alder"]
		b.startDaemon()
		item := b.queue("short")[0]
		b.soon(time.Hour, "it measures", func() bool { return b.status("Alder").State == string(orchestrator.Draining) })
		if _, err := b.daemon.Pause(item.ID); err != nil {
			t.Fatal(err)
		}
		h.Reboot() // so that it is carried out again, and waits to be resumed first
		b.soon(2*time.Hour, "it waits", func() bool { return b.status("Alder").WaitsFor == "to be resumed" })
		time.Sleep(10 * time.Minute)
		before := readings.Load()
		time.Sleep(time.Hour)
		if n := readings.Load() - before; n < 8 || n > 14 {
			t.Errorf("read %d times in an hour", n)
		}
		h.PlugCharger(true)
		b.askedSoon(b.clock.Now())
		h.PlugCharger(false)
		b.soon(10*time.Minute, "it is over", func() bool { return b.status("Alder").Unwanted == nil })
	}, low(89), func(_ string, o *simulated.Options) {
		o.Asked = func(command string) {
			if strings.Contains(command, "dumpsys battery") {
				readings.Add(1)
			}
		}
	})
}

// What waited on a handset for power goes with the link, and with a shell that hangs: one that
// idles, one whose run is held and one that rests are asked why once they answer again, and
// within two minutes of that it is known and a person is asked.
func TestPowerThatComesWhileNothingWaits(t *testing.T) {
	for name, situation := range map[string]struct {
		levelPct float64
		reach    func(b *bench)
	}{
		"idles": {60, func(b *bench) {
			b.soon(time.Hour, "it is read", func() bool { return b.status("Alder").ReadAgeS != nil })
		}},
		"run held": {89, func(b *bench) {
			item := b.queue("short")[0]
			b.soon(time.Hour, "it measures", func() bool { return b.status("Alder").State == string(orchestrator.Draining) })
			if _, err := b.daemon.Pause(item.ID); err != nil {
				b.t.Fatal(err)
			}
			b.handsets["Alder"].Reboot()
			b.soon(2*time.Hour, "it waits", func() bool { return b.status("Alder").WaitsFor == "to be resumed" })
		}},
		"rests": {93, func(b *bench) {
			b.queue("rest")
			b.soon(6*time.Hour, "it measures", func() bool { return b.status("Alder").State == string(orchestrator.Draining) })
		}},
	} {
		for fault, does := range map[string]struct{ begin, end func(h *simulated.Handset) }{
			"link lost":          {(*simulated.Handset).LoseLink, (*simulated.Handset).RestoreLink},
			"link lost a moment": {func(h *simulated.Handset) { h.LoseLink(); h.RestoreLink() }, func(*simulated.Handset) {}},
			"shell hangs":        {func(h *simulated.Handset) { h.HangOn("_"); h.RestartAdbd() }, func(h *simulated.Handset) { h.HangOn("") }},
			"dump hangs":         {func(h *simulated.Handset) { h.HangOn("dumpsys"); h.RestartAdbd() }, func(h *simulated.Handset) { h.HangOn("") }},
		} {
			for _, daemon := range []string{"stays", "begins meanwhile"} {
				t.Run(strings.Join([]string{name, fault, daemon}, ", "), func(t *testing.T) {
					t.Parallel()
					onAlder(t, unwantedPlans+strings.TrimPrefix(restPlan, "\nplans:\n"), situation.levelPct, func(t *testing.T, b *bench, h *simulated.Handset) {
						b.startDaemon()
						situation.reach(b)
						time.Sleep(40 * time.Minute)
						does.begin(h)
						h.PlugCharger(true)
						there := b.clock.Now()
						if daemon != "stays" {
							b.stopDaemon()
							b.startDaemon()
						}
						if fault != "link lost a moment" {
							time.Sleep(11 * time.Minute)
							there = b.clock.Now()
						}
						does.end(h)
						if name == "idles" { // it may be charged in the day, and is shown to be
							b.soon(2*time.Minute, "it is on charge", func() bool { return b.status("Alder").OnCharge != "" })
							return
						}
						b.askedSoon(there)
					})
				})
			}
		}
	}
}
