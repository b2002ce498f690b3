// Package orchestrator is the daemon: the queue, the nights' windows, one actor per
// handset, the run's state machine with its journal, and recovery after a crash.
//
// To learn how a run proceeds, read machine.go (the table), run.go (what happens in each
// state) and segment.go (the daemon's half of a segment). Numbers are made in results,
// commands for handsets in scenarios and devices; what is here decides when.
package orchestrator

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"rundown/devices"
	"rundown/devices/adb"
	"rundown/devices/gates"
	"rundown/devices/onboard"
	"rundown/devices/preconditions"
	"rundown/orchestrator/notices"
	"rundown/results"
	"rundown/results/reading"
	"rundown/scenarios"
	"rundown/scenarios/stage"
)

// Config is what a daemon is made of. File and DataDir are needed, the rest has defaults.
type Config struct {
	File    scenarios.File
	DataDir string // made when missing; holds the store
	Log     zerolog.Logger
	// Clock is the host's when nil.
	Clock clock
	// Links are the plan file's adb servers when nil.
	Links Links
	// Gates replace the plan file's power gates, by handset name.
	Gates map[string]devices.PowerGate
	// Sysfs is where the host shows its USB ports; gates.Sysfs when empty.
	Sysfs string
	// PollEvery is how often a handset under way is looked at; 15 s when 0.
	PollEvery time.Duration
	// Listen opens what the stage listens on; nil stands for the host's network.
	Listen func(ctx context.Context, network, address string) (net.Listener, error)
	// Dial opens the connections to the bench's instruments; nil stands for the host's network.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
	// ADB are the deadlines of the links to the plan file's adb servers; zero values stand
	// for the link's own.
	ADB adb.Options
}

// A Daemon looks after one bench. Make it with New, then Start and Stop it once.
type Daemon struct {
	file      scenarios.File
	dataDir   string
	log       zerolog.Logger
	clock     clock
	links     Links
	adb       *adbLinks // nil when Links were given
	gates     map[string]devices.PowerGate
	bare      map[string]devices.PowerGate // the plan file's, as they switch, without a look at the handset
	sysfs     string
	pollEvery time.Duration
	listen    func(ctx context.Context, network, address string) (net.Listener, error)
	dial      func(ctx context.Context, network, address string) (net.Conn, error)

	self     onboard.Holder // who this daemon is on handsets that it holds
	store    *results.Store
	queue    *queue
	board    *board
	news     *statusBoard
	pace     *pace
	room     *reading.Room // reads the store
	observer *observer     // writes down what handsets teach
	units    *unitBook
	limits   *limits
	pulses   *pulses
	backups  backups
	prompts  *prompts
	powers   *powers
	notices  *notices.Sender
	meters   *meterSet
	stage    *stage.Stage
	clip     *labClip
	undo     []func() // what Stop runs, last first
	stopAll  context.CancelFunc

	calibrating calibrations
	engaged     engaged
	jobs        chan func(context.Context)

	bareKept  sync.Map   // by handset: when one that is held outside of a run was last told so, a time.Time
	noting    sync.Mutex // held while a note is added to the record of a run that is over
	attaching sync.Mutex // held while a meter's record is attached

	collecting handsetLocks // held while segments that were left on a handset are collected
	nights     nightsTold
	watch      func(handset string, s State) // tests are told of each state before anything is done in it
}

const defaultPoll = 15 * time.Second

// New makes a daemon; nothing is opened or started yet.
func New(c Config) *Daemon {
	d := &Daemon{
		file: c.File, dataDir: c.DataDir, log: c.Log, clock: c.Clock, links: c.Links, pollEvery: c.PollEvery, listen: c.Listen, dial: c.Dial,
		gates: map[string]devices.PowerGate{}, bare: map[string]devices.PowerGate{}, sysfs: c.Sysfs, board: newBoard(), news: newStatusBoard(), limits: newLimits(c.File.Limits, c.File.Bench.Handsets),
		prompts: newPrompts(), powers: newPowers(c.File),
	}
	if d.clock == nil {
		d.clock = wallClock{}
	}
	d.pulses, d.clock = newPulses(), beatingClock{d.clock}
	if d.sysfs == "" {
		d.sysfs = gates.Sysfs
	}
	if d.pollEvery == 0 {
		d.pollEvery = defaultPoll
	}
	d.notices = d.newNotices()
	if d.links == nil {
		d.adb = newADBLinks(c.File.Bench.Servers, c.ADB)
		d.links = d.adb
	}
	for _, h := range c.File.Bench.Handsets {
		if g, ok := c.Gates[h.Name]; ok {
			d.gates[h.Name] = g
			continue
		}
		if verified, bare := d.makeGate(h); verified != nil {
			d.gates[h.Name] = verified
			if bare != nil {
				d.bare[h.Name] = bare
			}
		}
	}
	d.meters = newMeterSet(d)
	d.calibrating.last, d.engaged.with, d.jobs = map[string]*calibration{}, map[string]bool{}, make(chan func(context.Context))
	return d
}

// Start opens the store, takes up what the journal says was under way, and begins to
// carry out the queue. On an error nothing is left running.
func (d *Daemon) Start(ctx context.Context) (err error) {
	defer func() {
		if err != nil {
			d.Stop()
		}
	}()
	if err := os.MkdirAll(d.dataDir, 0o700); err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	if d.store, err = results.Open(filepath.Join(d.dataDir, "rundown.db")); err != nil {
		return err
	}
	d.undo = append(d.undo, func() { _ = d.store.Close() })
	d.clearBackups()
	if err := d.loadSelf(); err != nil {
		return err
	}
	d.readStore()
	d.clip = newLabClip(d.file.Bench.Clip)
	for _, n := range d.file.Nights {
		if err := Playable(d.file, n.Plan); err != nil {
			d.log.Error().Err(err).Str("night", n.Name).Msg("the night will not be queued as the plan file stands")
		}
	}
	d.stage = stage.New(stage.Config{Listen: d.file.Bench.Stage.Listen, Now: d.clock.Now, Open: d.listen})
	if err := d.stage.Start(ctx); err != nil {
		return fmt.Errorf("the stage: %w", err)
	}
	d.undo = append(d.undo, func() {
		bounded, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		_ = d.stage.Stop(bounded)
	})
	unfinished, err := d.unfinished()
	if err != nil {
		d.log.Error().Err(err).Msg("some journal entries cannot be read and are left out")
	}
	d.loadPowers(unfinished)
	d.lookAtGates()
	d.closeGates(ctx, unfinished)
	d.undo = append(d.undo, d.gatesToSafety)
	d.holdAgain(unfinished)
	d.setGoing(ctx, unfinished)
	return nil
}

// readStore reads what is kept in memory. What cannot be read is left out and said: the bench
// goes on without it.
func (d *Daemon) readStore() {
	var err error
	if d.queue, err = openQueue(d.store); err != nil {
		d.log.Error().Err(err).Msg("some queue items cannot be read and are left out")
	}
	if err := d.notices.Open(d.store); err != nil {
		d.log.Error().Err(err).Msg("some notices cannot be read and are left out")
	}
	if err := d.loadPrompts(); err != nil {
		d.log.Error().Err(err).Msg("some prompts cannot be read and are left out")
	}
	if d.pace, err = openPace(d.store); err != nil {
		d.log.Error().Err(err).Msg("some of what handsets' paces are learnt from cannot be read and is left out")
	}
	if d.room, err = reading.Open(d.store, d.file, d.now, OwedBy(d.store)); err != nil {
		d.log.Error().Err(err).Msg("some of what was learned of handsets, and of what looks at them cost, cannot be read and is left out")
	}
	d.observer = &observer{store: d.store, room: d.room}
	if d.units, err = openUnits(d.store); err != nil {
		d.log.Error().Err(err).Msg("some units of handsets' readings cannot be read; they are decided anew")
	}
	for _, h := range d.file.Bench.Handsets {
		var rate float64
		if err := d.store.Document(documentsPace, h.Name, &rate); err == nil && rate > 0 {
			d.pace.learnRecharge(h.Name, rate)
		}
		if aside := d.setAside(h.Name); aside != nil {
			d.tell(h.Name, func(s *HandsetStatus) { s.SetAside = aside })
		}
	}
}

// setGoing sets everything going that goes on until the daemon is stopped.
func (d *Daemon) setGoing(ctx context.Context, unfinished map[string][]*entry) {
	running, stop := context.WithCancel(context.WithoutCancel(ctx))
	d.stopAll = stop
	var wg sync.WaitGroup
	d.undo = append(d.undo, func() {
		close(d.prompts.ending)
		stop()
		wg.Wait()
		d.meters.close()
	})
	wg.Go(func() {
		if err := d.links.Follow(running, d.board.update); err != nil && running.Err() == nil {
			d.log.Error().Err(err).Msg("the bench is not followed any more")
		}
	})
	if d.adb != nil {
		wg.Go(func() { d.adb.keepConnected(running, d.file.Bench.Handsets, d.log) })
	}
	wg.Go(func() { d.runJobs(running) })
	for _, m := range d.meters.list {
		if !m.Light { // it is read when a screen is before it
			wg.Go(func() { d.meters.follow(running, m) })
		}
	}
	for _, h := range d.file.Bench.Handsets {
		wg.Go(func() {
			d.pulses.living(running, "handset "+h.Name, actorQuiet, func(ctx context.Context) { d.actor(ctx, h, unfinished[h.Name]) })
		})
	}
	for _, h := range d.file.Bench.Handsets {
		if asked := d.askedBefore(running, h); asked != nil {
			wg.Go(func() { <-asked })
		}
		wg.Go(func() {
			d.pulses.living(running, "power of "+h.Name, actorQuiet, func(ctx context.Context) { d.powerWatcher(ctx, h) })
		})
	}
	wg.Go(func() { d.pulses.living(running, "nights", watchQuiet, d.watchNights) })
	wg.Go(func() { d.pulses.living(running, "prompts", watchQuiet, d.watchPrompts) })
	wg.Go(func() { d.notices.Run(running) })
}

// Stop ends the daemon in bounded time. Runs under way are left to their handsets and
// the journal; power gates are closed. Stop may be called once, also after a failed Start.
func (d *Daemon) Stop() {
	for i := len(d.undo) - 1; i >= 0; i-- {
		d.undo[i]()
	}
	d.undo = nil
}

// unfinished are the journal's runs by handset, and their queue items put right: an item
// whose entry was dropped just before the daemon died has ended.
func (d *Daemon) unfinished() (map[string][]*entry, error) {
	list, err := results.Documents[*entry](d.store, documentsJournal)
	byHandset := map[string][]*entry{}
	running := map[string]bool{}
	for _, e := range list {
		running[e.Item.ID] = true
		byHandset[e.Item.Handset] = append(byHandset[e.Item.Handset], e)
	}
	for _, it := range d.queue.all() {
		if it.State == Running && !running[it.ID] {
			_, change := d.queue.change(it.ID, func(i *Item) error {
				i.State = Waiting // its run had not been journalled yet
				if run, err := d.store.Run(i.RunID); err == nil && State(run.State).over() {
					i.State, i.Outcome = Ended, run.State+" "+run.Reason
				}
				return nil
			})
			err = errors.Join(err, change)
		}
	}
	return byHandset, err
}

// closeGates closes every power gate that was open when the daemon died. A run that
// still recharges opens its gate again once it has looked at the battery. Only a charge
// that is being measured goes on: it would be spoiled, and its run looks at it at once.
func (d *Daemon) closeGates(ctx context.Context, unfinished map[string][]*entry) {
	var wg sync.WaitGroup
	for handset, s := range d.powers.by {
		gate := d.gateItself(handset) // nothing is linked yet that could be looked at
		open := s.Told == toldOpen    // also for something that no run of the journal knows
		for _, e := range unfinished[handset] {
			open = (open || e.GateOpen) && !e.chargesOn()
		}
		if open && switches(gate) { // nobody is there so soon to move one by hand; the run asks when it goes on
			wg.Go(func() {
				bounded, cancel := context.WithTimeout(ctx, gateLimit)
				defer cancel()
				if err := gate.Close(bounded); err != nil {
					d.log.Error().Err(err).Str("handset", handset).Str("gate", gate.Name()).Msg("the power gate was open when the daemon died and does not close: cut the power by hand")
					d.tell(handset, func(s *HandsetStatus) {
						s.Problem = fmt.Sprintf("power gate %s does not close: cut the power by hand", gate.Name())
					})
					return
				}
				d.toldGate(handset, toldClosed)
				d.log.Warn().Str("handset", handset).Str("gate", gate.Name()).Msg("the power gate was open when the daemon died; closed")
			})
		}
	}
	wg.Wait()
}

// holdAgain counts what the journal's runs hold, before any other run can take it.
func (d *Daemon) holdAgain(unfinished map[string][]*entry) {
	for _, entries := range unfinished {
		for _, e := range entries {
			d.limits.takeRunAnyway()
			d.limits.takeAnyway(e.holds())
		}
	}
}

// facts are what the preconditions need to know of a handset whose segment may start
// within window, %.
func (d *Daemon) facts(h scenarios.Handset, window scenarios.Window) preconditions.Handset {
	f := preconditions.Handset{
		Name: h.Name, Packages: h.Packages, Clock: d.clock, StartLevel: [2]float64{window.Least, window.Most},
	}
	if u, ok := d.latestUnits(h.Name); ok {
		f.Units = &u
	}
	f.Curve, f.CurveNote, f.CurveFraction = d.curveOf(h)
	return f
}

// Queue returns every item, oldest first.
func (d *Daemon) Queue() []Item { return d.queue.all() }

// Cancel, Pause and Resume act on one queue item. ErrNoItem and ErrNotNow leave them.
func (d *Daemon) Cancel(id string) (Item, error) { return d.queue.cancel(id) }
func (d *Daemon) Pause(id string) (Item, error)  { return d.queue.pause(id, true) }
func (d *Daemon) Resume(id string) (Item, error) { return d.queue.pause(id, false) }

// Store gives access to what was recorded, for reading.
func (d *Daemon) Store() *results.Store { return d.store }

// Reading says what follows from what was recorded.
func (d *Daemon) Reading() *reading.Room { return d.room }

// File is the plan file that the daemon works from.
func (d *Daemon) File() scenarios.File { return d.file }

// Now is the daemon's clock.
func (d *Daemon) Now() time.Time { return d.now() }

// Log is the daemon's log.
func (d *Daemon) Log() *zerolog.Logger { return &d.log }

// stagePort is the port on which the stage listens.
func (d *Daemon) stagePort() (int, error) {
	_, port, err := net.SplitHostPort(d.stage.Addr())
	if err != nil {
		return 0, err
	}
	return strconv.Atoi(port)
}

// newID makes an identifier that sorts by time: a letter, the time to the second, and
// eight random hex digits. A dozen runs begin in the same second every evening.
func newID(kind string, at time.Time) string {
	var b [4]byte
	_, _ = rand.Read(b[:]) // crypto/rand never fails
	return kind + at.UTC().Format("20060102150405") + "-" + hex.EncodeToString(b[:])
}
