package orchestrator

import (
	"fmt"
	"slices"
	"sync"
	"time"

	"rundown/devices"
	"rundown/results"
	"rundown/results/endurance"
	"rundown/results/reading"
	"rundown/scenarios"
)

// An observer writes down what handsets teach. The reading room hears of it from the store.
type observer struct {
	writing sync.Mutex // held from before something is read that is changed until it is stored
	store   *results.Store
	room    *reading.Room
}

// learn takes observations in, in place of earlier ones of the same name.
func (s *observer) learn(handset, build string, seen ...endurance.Observation) error {
	if build == "" || len(seen) == 0 {
		return nil // without a build nobody could say when it no longer holds
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	t := s.room.Taught(handset, build)
	kept := slices.DeleteFunc(slices.Clone(t.Observations), func(o endurance.Observation) bool {
		return slices.ContainsFunc(seen, func(n endurance.Observation) bool { return n.ID == o.ID })
	})
	t.Observations = endurance.Kept(append(kept, seen...))
	return s.store.PutDocument(reading.DocumentsLearned, reading.ObservedID(handset, build), t)
}

// looksKept is how many segments' looks are kept of a handset.
const looksKept = 20

// looked takes in what looks at a sleeping handset were seen to cost in a segment, in place of
// what it showed before.
func (s *observer) looked(handset, build string, seen endurance.LookSeen) error {
	if build == "" {
		return nil // nobody could say when it no longer holds
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	c := reading.LookCosts{Handset: handset, Build: build, Seen: append(s.room.LooksSeen(handset, build, seen.ID), seen)}
	c.Seen = c.Seen[max(0, len(c.Seen)-looksKept):]
	return s.store.PutDocument(reading.DocumentsLooks, reading.ObservedID(handset, build), c)
}

// forget drops what was learned of a handset on all builds, and says of how many something was
// known besides what looks cost.
func (s *observer) forget(handset string) (int, error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	for _, build := range s.room.LookedAtOn(handset) {
		if err := s.store.DeleteDocument(reading.DocumentsLooks, reading.ObservedID(handset, build)); err != nil {
			return 0, err
		}
	}
	taught := s.room.TaughtBy(handset)
	for n, t := range taught {
		if err := s.store.DeleteDocument(reading.DocumentsLearned, reading.ObservedID(t.Handset, t.Build)); err != nil {
			return n, err
		}
	}
	return len(taught), nil
}

// learnFrom takes in what a segment that was collected shows of its handset, and what the recharge before it did. Nothing
// to be learned is no failure.
func (r *run) learnFrom(samples []results.Sample) error {
	g := r.live.rec
	if g.Outcome != results.Measured && g.Outcome != results.Flagged {
		return nil
	}
	if r.live.u.Verdict.Doubt != "" {
		return nil // its levels say nothing of charge
	}
	seen := r.recharged
	o, err := endurance.Observe(endurance.Input{
		Samples: reading.EnduranceSamples(samples), ActivityT: time.Duration(g.ActivityUpS * float64(time.Second)), LoopS: g.LoopS, DesignMAh: r.h.CapacityMAh, Asleep: g.Slept(),
	}, g.ID, g.EndedAt, g.Until == scenarios.UntilFull)
	if err != nil {
		r.log.Debug().Err(err).Str("segment", g.ID).Msg("nothing is learned from it")
	} else {
		seen = append(slices.Clone(seen), o)
	}
	if err := r.d.observer.learn(r.h.Name, r.rec.Handset.Build, seen...); err != nil {
		return err
	}
	r.recharged = nil
	return nil
}

// A rechargeLog gathers the battery's readings of a recharge.
type rechargeLog []endurance.Sample

func (l *rechargeLog) add(at time.Duration, b devices.Battery) {
	s := endurance.Sample{T: at, LevelPct: b.LevelPct, Plugged: b.Plugged() != 0}
	if n := len(*l); n > 0 && (*l)[n-1].T >= at {
		return
	}
	if b.ChargeCounter != nil {
		v := float64(*b.ChargeCounter)
		s.Counter = &v
	}
	if b.VoltageMV != nil {
		v := float64(*b.VoltageMV)
		s.VoltageMV = &v
	}
	*l = append(*l, s)
}

// learnFromRecharge keeps what a recharge shows until the OS build is known for certain, which is read with the
// preconditions after it.
func (r *run) learnFromRecharge(log rechargeLog) {
	id := fmt.Sprintf("%s-recharge-%02d-%d", r.e.RunID, r.e.Step+1, r.e.Attempt)
	o, err := endurance.Observe(endurance.Input{Samples: log, DesignMAh: r.h.CapacityMAh}, id, r.d.now(), true)
	if err != nil {
		r.log.Debug().Err(err).Msg("nothing is learned from the recharge")
		return
	}
	r.recharged = append(r.recharged, o)
}

// Forget drops what was learned of a handset, such as after its battery was changed, and the units decided for its readings.
// Segments already recorded stay; learning begins anew with the next one.
func (d *Daemon) Forget(handset string) (int, error) {
	if _, ok := d.file.Handset(handset); !ok {
		return 0, reading.NoHandset(d.file, handset)
	}
	if err := d.units.forget(handset); err != nil {
		return 0, err
	}
	return d.observer.forget(handset)
}
