package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"rundown/devices"
	"rundown/devices/gates"
	"rundown/results"
	"rundown/scenarios"
)

// Power that is there and should not be.
//
// What should not be: during a run, power that the run has not let through, or has cut and
// that stays (a gate that says it closed and did not, a cable plugged in by a person, a
// wireless pad). Between runs, power that the run before has left, power behind a gate that
// this daemon has moved (it was closed, or opened for something that is over, as after a
// crash), and power at a handset for which a plan is queued while nothing here can cut it.
// Any other is a handset on charge: a person has put it there, and nothing is queued that
// could not see to it. It is shown as that, with the limits for charging in force.
//
// What is done: a person is asked within two minutes of its being seen, those away are
// told, closing is tried again with growing pauses, level and temperature are read on, and
// nothing is carried out on the handset until the handset itself shows that power is gone.
// All of it outlives the daemon.

// documentsPower is the store's kind for what is known of handsets' power, by handset name.
const documentsPower = "power"

// What a gate was told last.
const (
	toldOpen   = "open"
	toldClosed = "closed"
)

// unwantedGrace is how long power that should not be is looked at before a person is asked:
// a gate may take a minute to do as it says, and a battery service to print it. With what
// passes until it is seen (inRunEvery) and between two turns of a watcher it comes to less
// than two minutes.
const unwantedGrace = 70 * time.Second

// goneLooks is how many readings in a row have to show no power: the battery service may
// print what it heard a moment ago.
const goneLooks = 2

// An Unwanted is power that a handset has and should not have.
type Unwanted struct {
	Since    time.Time `json:"since" doc:"when it was seen first"`
	Sources  string    `json:"sources" doc:"what the handset sees, such as USB"`
	Why      string    `json:"why" doc:"why it should not be, for a person"`
	Run      string    `json:"run,omitempty" doc:"the run in whose record it stands"`
	FromPct  int       `json:"from_pct" doc:"level when it was seen first, %"`
	LevelPct int       `json:"level_pct"`
	HottestC *float64  `json:"hottest_c,omitempty" doc:"battery temperature, the highest since, °C"`
	Closings int       `json:"closings" doc:"how often the power gate was told to close since"`
	Said     string    `json:"said,omitempty" doc:"what the power gate said against it the last time"`
	NextTry  time.Time `json:"next_try,omitzero" doc:"when it is closed again at the earliest"`
	AskAfter time.Time `json:"ask_after,omitzero" doc:"when a person is asked, or asked again, at the earliest"`
	Hot      bool      `json:"hot,omitempty" doc:"the temperature limit for charging was passed, and told"`
	Full     bool      `json:"full,omitempty" doc:"the highest level to which any plan charges was reached, and told"`
}

// A leftOnCharge is a person's word that a handset is on charge on purpose.
type leftOnCharge struct {
	By string    `json:"by"`
	At time.Time `json:"at"`
}

// A powerRecord is what is known of a handset's power for longer than a daemon lives.
type powerRecord struct {
	// Told is what the handset's gate was told last by this daemon; empty: nothing, or what
	// the lab wants it to be while no daemon runs.
	Told     string        `json:"told,omitempty"`
	Unwanted *Unwanted     `json:"unwanted,omitempty"`
	Left     *leftOnCharge `json:"left,omitempty"`
	Park     *Parking      `json:"park,omitempty"`
	// LowSince is since when the handset has been idle with a low level, and that was told.
	LowSince time.Time `json:"low_since,omitzero"`
	// Notes wait to be put into the records of their runs, which are being written.
	Notes []runNote `json:"notes,omitempty"`
}

type runNote struct {
	Run string       `json:"run"`
	Is  results.Note `json:"note"`
}

// A powerState is a handset's. Its fields are guarded by powers.mu.
type powerState struct {
	powerRecord
	gate chan struct{} // holds one while the gate is moved

	tempLimitC, levelLimitPct float64 // see chargeLimits

	run   string // under way; empty between runs
	due   bool   // power is wanted now
	rests bool   // its segment rests: each reading may wake it, and only the run looks at it
	waits bool   // the run waits for a person or for others, and reads nothing meanwhile

	seenAt   time.Time // of the last reading; zero: none since the daemon began
	on       bool      // it showed power
	onFrom   time.Time // since when readings show power that no charge wants; zero: they do not
	sources  string
	levelPct int
	tempC    *float64
	gone     int       // readings in a row without power
	since    time.Time // since when power is seen in a run that wants none; zero: it is not
	runEnded time.Time // when the last run of this daemon ended on it

	asking  context.CancelCauseFunc // withdraws the question that stands; nil: none does
	claimed bool                    // its named limit is held, so that it answers nobody's calls
	wake    chan struct{}           // has one when its watcher has something to do
}

// powers are the handsets' power.
type powers struct {
	mu      sync.Mutex
	by      map[string]*powerState
	writing sync.Mutex // held while a record is stored, so that the last one written is the latest
}

func newPowers(f scenarios.File) *powers {
	p := &powers{by: map[string]*powerState{}}
	for _, h := range f.Bench.Handsets {
		s := &powerState{wake: make(chan struct{}, 1), gate: make(chan struct{}, 1)}
		s.tempLimitC, s.levelLimitPct = chargeLimits(f, h)
		p.by[h.Name] = s
	}
	return p
}

// with changes a handset's state, and stores its record when f says so.
func (d *Daemon) withPower(handset string, f func(*powerState) (keep bool)) {
	s := d.powers.by[handset]
	if s == nil {
		return // not on the bench
	}
	d.powers.mu.Lock()
	keep := f(s)
	d.powers.mu.Unlock()
	if !keep {
		return
	}
	d.powers.writing.Lock()
	defer d.powers.writing.Unlock()
	d.powers.mu.Lock()
	rec := s.powerRecord
	if rec.Unwanted != nil {
		u := *rec.Unwanted
		rec.Unwanted = &u
	}
	if rec.Park != nil {
		p := *rec.Park
		rec.Park = &p
	}
	d.powers.mu.Unlock()
	if err := d.store.PutDocument(documentsPower, handset, rec); err != nil {
		d.log.Error().Err(err).Str("handset", handset).Msg("what is known of the handset's power could not be stored")
	}
}

// nudge wakes the handset's watcher.
func (s *powerState) nudge() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// loadPowers takes up what was known when the daemon stopped or died.
func (d *Daemon) loadPowers(unfinished map[string][]*entry) {
	for handset, s := range d.powers.by {
		err := d.store.Document(documentsPower, handset, &s.powerRecord)
		if err != nil && !errors.Is(err, results.ErrNotFound) {
			d.log.Error().Err(err).Str("handset", handset).Msg("what was known of the handset's power cannot be read; it is looked at anew")
			s.powerRecord = powerRecord{}
		}
		if p := s.Park; p != nil && p.State == ParkCharging {
			p.State, p.Why = ParkWaits, "the daemon ended while it was charged" // its gate is closed at the start
		}
		if u := s.Unwanted; u != nil {
			if len(unfinished[handset]) == 0 {
				d.claim(handset, s)
			}
			d.log.Warn().Str("handset", handset).Time("since", u.Since).Str("why", u.Why).Msg("power that should not be was seen before this daemon began; it stands until the handset shows that it is gone")
		}
	}
}

// toldGate writes down what a handset's gate was told; empty: what the lab wants.
func (d *Daemon) toldGate(handset, told string) {
	d.withPower(handset, func(s *powerState) bool {
		changed := s.Told != told
		s.Told = told
		return changed
	})
}

// wantPower says whether the run on a handset wants power now.
func (d *Daemon) wantPower(handset string, due bool) {
	d.withPower(handset, func(s *powerState) bool { s.due = due; return false })
}

// runBegins and runEnds say which run a handset is in.
func (d *Daemon) runBegins(handset, run string, due bool) {
	d.withPower(handset, func(s *powerState) bool {
		s.run, s.due, s.since = run, due, time.Time{}
		s.rests, s.waits = true, false // until the run has found out where it stands
		parked := s.Park != nil
		s.Park = nil // the run charges it as it needs, and parks it at its end if its plan says so
		return parked
	})
}

// resting says whether the segment under way rests on battery with its screen off now.
func (d *Daemon) resting(handset string, rests bool) {
	d.withPower(handset, func(s *powerState) bool { s.rests = rests; return false })
}

// waitsLong says that the run at hand waits for a person or for others; done ends that.
func (d *Daemon) waitsLong(handset string) (done func()) {
	set := func(waits bool) {
		d.withPower(handset, func(s *powerState) bool {
			s.waits = waits
			s.nudge() // the watcher listens for power meanwhile, and no longer
			return false
		})
	}
	set(true)
	return func() { set(false) }
}

// runEnds hands the handset over to whoever looks at it between runs: power that the run
// leaves is power that should not be, and what was to be noted of it goes into the record.
func (d *Daemon) runEnds(r *run) {
	var notes []runNote
	held := d.heldBy(r.h.Name) != nil // then it may be theirs
	d.withPower(r.h.Name, func(s *powerState) bool {
		if s.on && !s.since.IsZero() && s.Unwanted == nil && !held {
			d.notWanted(r.h, s, "its run has ended and left it")
		}
		if s.Unwanted != nil {
			d.claim(r.h.Name, s)
		}
		s.run, s.due, s.since, s.runEnded, s.seenAt = "", false, time.Time{}, d.now(), time.Time{}
		s.rests, s.waits = false, false
		notes, s.Notes = s.Notes, nil
		return len(notes) > 0
	})
	for _, n := range notes {
		if n.Run == r.e.RunID {
			r.rec.Notes = append(r.rec.Notes, n.Is)
		}
	}
}

// sawBattery takes in a reading of a handset's battery, whoever made it and for what.
func (d *Daemon) sawBattery(h scenarios.Handset, b devices.Battery) {
	b = d.inUnits(h.Name, b)
	d.tell(h.Name, func(s *HandsetStatus) { s.LevelPct, s.TempC, s.ReadAt = b.LevelPct, b.TempC, d.now() })
	d.sawPower(h, power{b.Sources(), b.Plugged() != 0, b.Plugged() == 0 && b.Status != devices.StatusCharging, b.LevelPct, b.TempC})
}

// sawSample takes in the recorder's latest sample, if it is of just now.
func (r *run) sawSample() {
	if r.live.last == nil || r.steady(r.d.now()).Sub(r.live.phoneUntil) > time.Minute {
		return
	}
	last := r.sample(r.live.last)
	mask := last.Plugged
	b := devices.Battery{AC: mask&devices.PluggedAC != 0, USB: mask&devices.PluggedUSB != 0, Wireless: mask&devices.PluggedWireless != 0, Dock: mask&devices.PluggedDock != 0}
	r.d.sawPower(r.h, power{b.Sources(), mask > 0, mask == 0 && last.Status != devices.StatusCharging, last.LevelPct, last.TempC})
}

// A power is what a reading says of power. One that names no source and still says that it
// charges contradicts itself: it shows neither that power is there nor that it is gone.
type power struct {
	sources  string
	on, gone bool
	levelPct int
	tempC    *float64
}

func (d *Daemon) sawPower(h scenarios.Handset, p power) {
	var end func()
	d.withPower(h.Name, func(s *powerState) (keep bool) {
		now := d.now()
		s.seenAt, s.levelPct, s.tempC = now, p.levelPct, p.tempC
		if p.on || p.gone {
			s.on, s.sources = p.on, p.sources
		}
		switch {
		case s.due && s.Unwanted != nil:
			end, keep = d.endUnwanted(h, s, "it is wanted now, for a charge", errors.New("power is wanted now, for a charge"))
			return keep
		case s.due:
			s.since, s.onFrom, s.gone = time.Time{}, time.Time{}, 0
		case p.on:
			s.gone = 0
			if s.onFrom.IsZero() {
				s.onFrom = now
			}
			if s.run != "" && s.since.IsZero() {
				s.since = now
				s.nudge()
			}
			if u := s.Unwanted; u != nil {
				u.LevelPct, u.Sources = p.levelPct, p.sources
				if p.tempC != nil && (u.HottestC == nil || *p.tempC > *u.HottestC) {
					u.HottestC = p.tempC
				}
			}
		case p.gone:
			if s.gone++; s.gone < goneLooks {
				return false
			}
			s.since, s.onFrom = time.Time{}, time.Time{}
			keep = s.Left != nil
			s.Left = nil
			if s.Unwanted != nil {
				end, keep = d.endUnwanted(h, s, "the handset shows that it is gone", gates.ErrSeen)
			}
		}
		return keep
	})
	if end != nil {
		end()
	}
}

// notWanted is called with powers.mu held, once power is known to be there that should not.
func (d *Daemon) notWanted(h scenarios.Handset, s *powerState, because string) {
	since := s.since
	if since.IsZero() {
		since = s.onFrom
	}
	run := s.run
	if run == "" && s.Park != nil { // left by a charge for storage
		run = s.Park.Run
	}
	s.Unwanted = &Unwanted{
		Since: since, Sources: s.sources, Why: because, Run: run, FromPct: s.levelPct, LevelPct: s.levelPct, HottestC: s.tempC,
		NextTry: since, AskAfter: since.Add(unwantedGrace),
	}
	s.Left = nil
	s.note(d.now(), fmt.Sprintf("power that should not be: the handset sees %s; %s; level %d %%", s.sources, because, s.levelPct))
	d.log.Error().Str("handset", h.Name).Str("run", s.run).Str("sources", s.sources).Str("because", because).Msg("power that should not be")
	d.publish(Change{Kind: "power", Handset: h.Name, Run: s.run, Text: "power that should not be: " + s.sources + "; " + because})
	if s.run == "" {
		d.claim(h.Name, s)
	}
	s.nudge()
}

// claim is called with powers.mu held: between runs a handset that has power which should
// not be answers nobody's calls either.
func (d *Daemon) claim(handset string, s *powerState) {
	if !s.claimed {
		s.claimed = true
		d.limits.takeAnyway([]string{claimOn(handset)})
	}
}

// note keeps a note for the run at hand, or that of the power at hand.
func (s *powerState) note(at time.Time, text string) {
	run := s.run
	if s.Unwanted != nil && s.Unwanted.Run != "" {
		run = s.Unwanted.Run
	}
	if run != "" {
		s.Notes = append(s.Notes, runNote{run, results.Note{At: at, Text: text}})
	}
}

// endUnwanted is called with powers.mu held, once power is gone, wanted, or left by a
// person; what it returns is to be called without.
func (d *Daemon) endUnwanted(h scenarios.Handset, s *powerState, how string, cause error) (end func(), keep bool) {
	u, now := *s.Unwanted, d.now()
	said := fmt.Sprintf("power that should not be has ended: %s, after %s; level %d to %d %%", how, round(now.Sub(u.Since)), u.FromPct, u.LevelPct)
	if u.HottestC != nil {
		said += fmt.Sprintf(", battery at most %.1f °C", *u.HottestC)
	}
	if u.Closings > 0 {
		said += fmt.Sprintf("; the power gate was told to close %d times", u.Closings)
	}
	s.note(now, said)
	claimed, withdraw := s.claimed, s.asking
	s.Unwanted, s.since, s.gone, s.claimed = nil, time.Time{}, 0, false
	return func() {
		if withdraw != nil {
			withdraw(cause)
		}
		if claimed {
			d.limits.give([]string{claimOn(h.Name)})
		}
		d.log.Warn().Str("handset", h.Name).Str("run", u.Run).Msg(said)
		d.publish(Change{Kind: "power", Handset: h.Name, Run: u.Run, Text: said})
		d.queue.nudge()
	}, true
}

// sayUnwanted says for a person what is known of power that should not be.
func sayUnwanted(u Unwanted) string {
	said := fmt.Sprintf("it has had power (%s) since %s and should not: %s; level %d %%", u.Sources, u.Since.Local().Format("15:04"), u.Why, u.LevelPct)
	if u.HottestC != nil {
		said += fmt.Sprintf(", battery at most %.1f °C", *u.HottestC)
	}
	if u.Closings > 0 {
		said += fmt.Sprintf("; its power gate was told to close %d times since", u.Closings)
		if u.Said != "" {
			said += " (" + u.Said + ")"
		}
	}
	return said
}

// whyInRun says why power in a run should not be.
func (d *Daemon) whyInRun(h scenarios.Handset, s *powerState) string {
	return "a run is under way that has let none through" + d.whoCuts(h, s.Told)
}

// whoCuts says of a gate that it should have cut power, or that nothing can.
func (d *Daemon) whoCuts(h scenarios.Handset, told string) string {
	gate := d.gates[h.Name]
	switch {
	case !switches(gate):
		return ", and nothing here can cut it"
	case told == toldClosed:
		return ", and its power gate, " + gate.Name() + ", says that it is closed"
	}
	return ", and its power gate, " + gate.Name() + ", has not cut it"
}

// unwantedOn is the power that a handset has and should not have; nil: none.
func (d *Daemon) unwantedOn(handset string) (u *Unwanted) {
	d.withPower(handset, func(s *powerState) bool {
		if s.Unwanted != nil {
			copied := *s.Unwanted
			u = &copied
		}
		return false
	})
	return u
}

// showPower enters what is known of a handset's power into its status.
func (d *Daemon) showPower(s *HandsetStatus) {
	s.Unwanted = d.unwantedOn(s.Name)
	s.Parking, _ = d.parkingOf(s.Name)
	d.withPower(s.Name, func(p *powerState) bool {
		if !p.on {
			return false
		}
		s.Power = p.sources
		switch {
		case p.due || s.Unwanted != nil || p.run != "":
		case p.Left != nil:
			s.OnCharge = "left on charge by " + p.Left.By
		default:
			s.OnCharge = "on charge"
		}
		return false
	})
	s.OnCharge = strings.TrimSpace(s.OnCharge)
}
