package orchestrator_test

import (
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/orchestrator"
)

// parkPlans drain a handset to below the level at which it is parked, or end above it.
const parkPlans = `
plans:
  short:
    drain: 3
    start_level_pct: {least: 20, most: 90}
    segments: [browse]
    warm_up: 1 min
    recharge_limit: 12 h
    recharge_stop_temp_c: 40
    park: 50
  left:
    drain: 3
    start_level_pct: {least: 20, most: 90}
    segments: [browse]
    warm_up: 1 min
`

func (b *bench) parking(name string) orchestrator.Parking {
	if p := b.status(name).Parking; p != nil {
		return *p
	}
	return orchestrator.Parking{}
}

// parked waits until a handset is parked.
func (b *bench) parked(name string) orchestrator.Parking {
	b.t.Helper()
	b.soon(24*time.Hour, name+" is parked", func() bool { return b.parking(name).State == orchestrator.ParkParked })
	return b.parking(name)
}

// After the night a handset below the level for storage is charged to it, with its gate
// closed then; one above it is left as it is. The first is charged again once it has sunk
// ten points, and what is queued for it goes before.
func TestHandsetsAreParked(t *testing.T) {
	bubbleBench(t, []string{"Alder", "Birch"}, parkPlans, func(b *bench) {
		t := b.t
		alder, birch := b.handsets["Alder"], b.handsets["Birch"]
		b.startDaemon()
		items := b.queue("short")
		run := b.untilOver(items[0].ID)
		b.soon(10*time.Minute, "it is charged for storage", func() bool {
			return b.parking("Alder").State == orchestrator.ParkCharging && alder.Powered()
		})
		most := 0.0
		b.soon(12*time.Hour, "it is charged", func() bool {
			most = max(most, 100*alder.TrueSoC())
			return b.parking("Alder").State != orchestrator.ParkCharging
		})
		if p := b.parked("Alder"); p.ParkedPct != 50 || p.Run != run.ID || alder.Powered() || most > 51.5 {
			t.Errorf("parked: %+v; powered %v, truly at %.1f %% at most", p, alder.Powered(), most)
		}
		b.soon(10*time.Minute, "its record says so", func() bool { return b.noted(run.ID, "charged for storage from ") })
		b.untilOver(items[1].ID)
		if p := b.parked("Birch"); p.ParkedPct < 80 || birch.Powered() || b.noted(runOf(t, b, items[1].ID).ID, "charged for storage from ") {
			t.Errorf("Birch: %+v, powered %v", p, birch.Powered())
		}
		if said := b.parking("Birch").Say(b.status("Birch").LevelPct); said != "parked above its 50 %: it is not drained for that" {
			t.Errorf("Birch is %q", said)
		}
		b.soon(20*24*time.Hour, "it is charged again", func() bool { return alder.Powered() })
		if level := 100 * alder.TrueSoC(); level < 37 || level > 43 {
			t.Errorf("charged again at %.1f %%", level)
		}
		b.queue("left") // which goes before, and is not parked afterwards
		b.soon(10*time.Minute, "it is cut for the next run", func() bool {
			return !alder.Powered() && b.status("Alder").State != string(orchestrator.Done)
		})
		b.finish(24 * time.Hour)
		time.Sleep(time.Hour)
		if s := b.status("Alder"); s.Parking != nil || alder.Powered() || len(s.NeedsHand) > 0 || len(b.daemon.Prompts()) > 0 {
			t.Errorf("after a plan that does not park: %+v, powered %v, needs %q, prompts %+v", s.Parking, alder.Powered(), s.NeedsHand, b.daemon.Prompts())
		}
	}, func(name string, o *simulated.Options) {
		o.LevelPct, o.ScalePower = 35, 2
		if name == "Birch" {
			o.LevelPct = 89
		}
	})
}

// The gate lies when the charge for storage is over: a person is asked within two minutes,
// the run's record has it, and it is parked once power is gone.
func TestAGateLiesWhenAHandsetIsParked(t *testing.T) {
	onAlder(t, parkPlans, 40, func(t *testing.T, b *bench, h *simulated.Handset) {
		b.startDaemon()
		run := b.untilOver(b.queue("short")[0].ID)
		b.soon(10*time.Minute, "it is charged for storage", func() bool { return h.Powered() })
		h.LieClosing(-1)
		b.soon(12*time.Hour, "it is at its level", func() bool { return b.parking("Alder").State == orchestrator.ParkParked })
		p := b.askedSoon(b.clock.Now())
		if p.RunID != run.ID || !strings.Contains(p.Why, "was told to close and says that it has") {
			t.Errorf("asked for run %q: %s", p.RunID, p.Why)
		}
		h.LieClosing(0)
		b.soon(20*time.Minute, "it is over", func() bool { return !h.Powered() && b.status("Alder").Unwanted == nil })
		b.soon(10*time.Minute, "its record says so", func() bool {
			return b.noted(run.ID, "power that should not be: the handset sees") && b.noted(run.ID, "power that should not be has ended")
		})
	})
}

// The limits of a recharge hold for it: power is cut at the temperature limit, and a gate
// that gives none is given up and told after three tries. A daemon that dies meanwhile
// leaves nothing on charge, and the next one goes on.
func TestParkingHoldsTheLimits(t *testing.T) {
	onAlder(t, parkPlans, 40, func(t *testing.T, b *bench, h *simulated.Handset) {
		b.startDaemon()
		b.untilOver(b.queue("short")[0].ID)
		b.soon(10*time.Minute, "it is charged for storage", func() bool { return h.Powered() })
		h.SetAmbientC(46)
		b.soon(4*time.Hour, "it is held by heat", func() bool { return b.parking("Alder").State == orchestrator.ParkCools })
		if temp := b.status("Alder").TempC; temp == nil || *temp > 41 || h.Powered() {
			t.Errorf("cut at %v °C, powered %v", temp, h.Powered())
		}
		h.SetAmbientC(22)
		b.soon(4*time.Hour, "it goes on", func() bool { return h.Powered() })
		b.stopDaemon()
		if h.Powered() {
			t.Error("it is left on charge")
		}
		h.LieOpening(-1)
		b.startDaemon()
		b.soon(4*time.Hour, "it is given up", func() bool { return b.parking("Alder").State == orchestrator.ParkGivenUp })
		s := b.status("Alder")
		if p := s.Parking; p.Failed != 3 || len(s.NeedsHand) != 1 || !strings.HasPrefix(s.NeedsHand[0], "charge it to 50 % for storage, by hand: its power gate, simulated, was opened and the handset sees no power") {
			t.Errorf("%+v; needs %q", p, s.NeedsHand)
		}
		h.PlugCharger(true) // a person does
		b.soon(12*time.Hour, "it is parked all the same", func() bool { return b.parking("Alder").State == orchestrator.ParkParked })
		h.PlugCharger(false)
	})
}

// Nothing charges a handset that is out of reach, or whose power nobody here switches.
func TestParkingIsNeverUnwatched(t *testing.T) {
	onAlder(t, parkPlans, 40, func(t *testing.T, b *bench, h *simulated.Handset) {
		b.startDaemon()
		b.untilOver(b.queue("short")[0].ID)
		b.soon(10*time.Minute, "it is charged for storage", func() bool { return h.Powered() })
		h.LoseLink()
		b.soon(4*time.Minute, "its power is cut", func() bool { return !h.Powered() })
		h.RestoreLink()
		b.soon(time.Hour, "it goes on", func() bool { return h.Powered() })
		b.stopDaemon()
		b.planGates = true // the plan file's: none
		b.startDaemon()
		time.Sleep(time.Hour)
		if said := b.parking("Alder").Say(0); h.Powered() || said != "to be parked at 50 %: nothing here switches its power by itself: charge it by hand" {
			t.Errorf("powered %v, it is %q", h.Powered(), said)
		}
	})
}
