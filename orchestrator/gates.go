package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"rundown/devices"
	"rundown/devices/gates"
	"rundown/results"
	"rundown/scenarios"
)

// documentsPorts is the store's kind for the USB port at which a handset was seen last, by
// handset name: a closed port shows no handset, and has to be found again all the same.
const documentsPorts = "usb ports"

// makeGate builds a handset's power gate: bare, as it switches, and verified on the
// handset. A person's gate has no bare form: it cannot be moved without them.
func (d *Daemon) makeGate(h scenarios.Handset) (verified, bare devices.PowerGate) {
	o := gates.VerifyOptions{Limit: h.Gate.ConfirmWithin, Clock: d.clock}
	switch {
	case h.Gate.ByHand:
		return gates.NewByHand(h.Name, asker{d, h}, linkedPhone{d, h}, h.Gate.AnswerWithin, o), nil
	case h.Gate.USBPort != "" || h.Gate.USBSerial != "":
		bare = &usbPort{d: d, h: h}
	case len(h.Gate.Open) > 0:
		bare = devices.NewCommandGate(h.Gate.Open, h.Gate.Close)
	default:
		return nil, nil
	}
	return gates.Verify(bare, linkedPhone{d, h}, h.Name, o), bare
}

// safeState is what a handset's gate is brought to when the daemon stops.
func safeState(g scenarios.Gate) gates.Safe {
	switch {
	case g.ByHand || g.WhenStopped == scenarios.GateAsItIs:
		return gates.Leave
	case g.WhenStopped == scenarios.GateOpen:
		return gates.Feed
	}
	return gates.Cut
}

// gatesToSafety brings every gate to its safe state, when nobody moves them any more. A
// handset that goes on measuring by itself gets no power, whatever its safe state.
func (d *Daemon) gatesToSafety() {
	if err := d.makeGatesSafe(); err != nil {
		d.log.Error().Err(err).Msg("not every power gate is in its safe state: look at the handsets")
	}
}

// MakeGatesSafe brings the plan file's gates to their safe state after a daemon that died.
// results.ErrInUse while one is alive: it sees to them itself. The error names each gate
// that did not follow.
func MakeGatesSafe(c Config) error {
	d := New(c)
	if err := os.MkdirAll(d.dataDir, 0o700); err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	var err error
	if d.store, err = results.Open(filepath.Join(d.dataDir, "rundown.db")); err != nil {
		return err
	}
	d.loadPowers(nil)
	return errors.Join(d.makeGatesSafe(), d.store.Close())
}

func (d *Daemon) makeGatesSafe() error {
	underway := map[string]bool{}
	list, err := results.Documents[*entry](d.store, documentsJournal)
	if err != nil {
		d.log.Error().Err(err).Msg("some journal entries cannot be read: their handsets' power gates are seen to all the same")
	}
	for _, e := range list {
		underway[e.Item.Handset] = true
	}
	var keeper gates.Keeper
	for _, h := range d.file.Bench.Handsets {
		if bare := d.bare[h.Name]; bare != nil {
			safe := safeState(h.Gate)
			if safe == gates.Feed && underway[h.Name] {
				safe = gates.Cut
			}
			keeper.Add(h.Name, bare, safe)
			switch safe {
			case gates.Cut:
				d.toldGate(h.Name, toldClosed)
			case gates.Feed:
				d.toldGate(h.Name, "") // as the lab wants it while no daemon runs
			}
		}
	}
	return keeper.MakeSafe(context.Background(), gateLimit)
}

// lookAtGates says at the start which power gates cannot be used, before a night relies
// on them.
func (d *Daemon) lookAtGates() {
	for _, h := range d.file.Bench.Handsets {
		port, ok := d.bare[h.Name].(*usbPort)
		if !ok {
			continue
		}
		if _, err := port.find(); err != nil {
			d.log.Error().Err(err).Str("handset", h.Name).Msg("the power gate cannot be used")
			d.tell(h.Name, func(s *HandsetStatus) { s.Problem = why(err) })
		}
	}
}

// A linkedPhone is a handset's own word on its power, over whatever link it has now.
type linkedPhone struct {
	d *Daemon
	h scenarios.Handset
}

// Power implements gates.Phone.
func (p linkedPhone) Power(ctx context.Context) (gates.Power, error) {
	l, err := p.d.linkTo(p.h)
	if err != nil {
		return gates.Power{}, err
	}
	b, err := devices.ReadBattery(ctx, l)
	if err != nil {
		return gates.Power{}, err
	}
	p.d.sawBattery(p.h, b) // also for the limits, while a gate is waited for
	return gates.PowerOf(b), nil
}

// An asker puts a by-hand gate's questions as prompts of the handset's run.
type asker struct {
	d *Daemon
	h scenarios.Handset
}

// Ask implements gates.Prompter.
func (a asker) Ask(ctx context.Context, q gates.Question) (gates.Answer, error) {
	a.d.askedByGate(a.h)
	answer, err := a.d.prompt(ctx, Prompt{
		Handset: q.Handset, Run: a.d.busy(q.Handset), Text: q.Text, Why: a.d.whyPower(a.h), Limit: q.Limit, Choices: q.Options, Default: q.Default,
	})
	return gates.Answer{Option: answer.Choice, ByDefault: answer.ByDefault}, err
}

// whyPower says for a person what the handset's power is switched for.
func (d *Daemon) whyPower(h scenarios.Handset) string {
	var s HandsetStatus
	d.tell(h.Name, func(have *HandsetStatus) { s = *have })
	said := ""
	if !s.ReadAt.IsZero() {
		said = fmt.Sprintf("level %d %%", s.LevelPct)
		if s.TempC != nil {
			said += fmt.Sprintf(", battery %.1f °C", *s.TempC)
		}
	}
	for _, it := range d.queue.all() {
		if it.RunID != s.Run || s.Run == "" {
			continue
		}
		step := max(s.Segment-1, 0)
		window, at := it.Order.startWindow(h, step), it.Order.list()[step]
		switch charges := at.EndsBy(it.Order.Scenarios[at.Scenario]) == scenarios.UntilFull; {
		case charges && State(s.State) == Settling:
			said += fmt.Sprintf("; plan %s measures its charge to full, and ends it at %g °C", it.Plan, it.Order.Plan.RechargeStopTempC)
		case charges && State(s.State) == Collecting:
			said += fmt.Sprintf("; plan %s has charged it", it.Plan)
		case State(s.State) == Recharging:
			said += fmt.Sprintf("; plan %s charges it to %g %%, and not above %g °C", it.Plan, rechargeTo(window), it.Order.Plan.RechargeStopTempC)
		case State(s.State) == Restoring:
			said += fmt.Sprintf("; plan %s has ended on it", it.Plan)
		default:
			said += fmt.Sprintf("; plan %s measures it, and on a charger nothing is measured", it.Plan)
		}
	}
	return said
}

// A usbPort is a handset's port of a USB hub of this host. It is found anew each time it
// is switched: hubs are replugged, and handsets moved.
type usbPort struct {
	d *Daemon
	h scenarios.Handset
}

var _ devices.PowerGate = (*usbPort)(nil)

// Name implements devices.PowerGate.
func (u *usbPort) Name() string {
	if u.h.Gate.USBSerial != "" {
		return "USB port of " + u.h.Gate.USBSerial
	}
	return "USB port " + u.h.Gate.USBPort
}

// Open implements devices.PowerGate.
func (u *usbPort) Open(ctx context.Context) error {
	p, err := u.find()
	if err != nil {
		return err
	}
	return p.Open(ctx)
}

// Close implements devices.PowerGate.
func (u *usbPort) Close(ctx context.Context) error {
	p, err := u.find()
	if err != nil {
		return err
	}
	return p.Close(ctx)
}

// find finds the port, and refuses one with another device behind it.
func (u *usbPort) find() (*gates.USBPort, error) {
	want := u.h.Gate.USBSerial
	if want == "" {
		p, err := gates.FindPort(u.d.sysfs, u.h.Gate.USBPort)
		if err != nil {
			return nil, fmt.Errorf("handset %s: %w", u.h.Name, err)
		}
		overNetwork := strings.Contains(u.h.Serial, ":") // then its USB serial number is not known
		if other, there := p.Attached(); there && !overNetwork && other != u.h.Serial {
			return nil, fmt.Errorf("handset %s: power gate: %w: USB port %s has %s attached, not %s: put the handset there, or name its port in the plan file", u.h.Name, gates.ErrNoPort, p.Location(), other, u.h.Serial)
		}
		return p, nil
	}
	p, err := gates.FindPortOf(u.d.sysfs, want)
	var last string
	switch known := u.d.store.Document(documentsPorts, u.h.Name, &last); {
	case err == nil:
		if p.Location() != last {
			if err := u.d.store.PutDocument(documentsPorts, u.h.Name, p.Location()); err != nil {
				return nil, err
			}
		}
		return p, nil
	case known != nil && !errors.Is(known, results.ErrNotFound):
		return nil, known
	case !errors.Is(err, gates.ErrNoPort) || last == "":
		return nil, fmt.Errorf("handset %s: %w", u.h.Name, err)
	}
	// A closed port shows nothing: where was the handset last?
	if p, err = gates.FindPort(u.d.sysfs, last); err != nil {
		return nil, fmt.Errorf("handset %s was last seen at USB port %s: %w", u.h.Name, last, err)
	}
	if other, there := p.Attached(); there && other != want {
		return nil, fmt.Errorf("handset %s: power gate: %w: it was last seen at USB port %s, where %s is attached now; plug it in at its place, with power on once, so that it is seen", u.h.Name, gates.ErrNoPort, last, other)
	}
	return p, nil
}

// switches reports whether a power gate moves by itself: there is one, and it is no person.
func switches(gate devices.PowerGate) bool {
	_, hand := gate.(*gates.ByHand)
	return gate != nil && !hand
}

// gateItself is a handset's gate without its own waiting for the handset's word, where it has
// such a one; nil: it has none.
func (d *Daemon) gateItself(handset string) devices.PowerGate {
	if bare := d.bare[handset]; bare != nil {
		return bare
	}
	return d.gates[handset]
}

// byHand reports whether the run's gate is a person.
func (r *run) byHand() bool {
	_, hand := r.gate.(*gates.ByHand)
	return hand
}

// Why a gate need not be moved any more while a person is still asked.
var (
	errCancelled  = errors.New("cancelled")
	errNightEnded = errors.New("the night ended before a person came")
)

// whileWanted is a context that ends when the run is cancelled or its night is over, so
// that nobody is asked for what is not needed any more. release must be called.
func (r *run) whileWanted(ctx context.Context) (wanted context.Context, release func()) {
	wanted, end := context.WithCancelCause(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for wanted.Err() == nil {
			changed := r.d.queue.changed()
			switch by := r.e.Item.FinishBy; {
			case r.cancelled():
				end(errCancelled)
				return
			case !by.IsZero() && r.d.now().After(by):
				end(errNightEnded)
				return
			}
			nap := r.d.sleeping(wanted, r.d.pollEvery)
			select {
			case <-changed:
			case <-nap.done:
			}
			nap.end()
		}
	}()
	return wanted, func() {
		end(nil)
		<-done
	}
}

// switched is what is left of a gate's error when the handset could not be read: the gate
// says that it has switched, and whoever needs to know reads the handset once more, with
// more patience.
func (r *run) switched(err error) error {
	if errors.Is(err, gates.ErrUnread) {
		r.unread = why(err)
		return nil
	}
	r.unread = ""
	return err
}

// TestGate proves a handset's power gate: closed, open and closed again, each read on the
// handset. ErrNotNow while a run is under way or another daemon holds it; ErrRequest when nothing here switches power.
func (d *Daemon) TestGate(ctx context.Context, handset string) ([]GateStep, error) {
	h, known := d.file.Handset(handset)
	gate := d.gates[handset]
	switch {
	case !known:
		return nil, fmt.Errorf("%w: no handset %q on the bench; there are %v", ErrRequest, handset, d.handsetNames())
	case gate == nil:
		return nil, fmt.Errorf("%w: handset %s has no power gate in the plan file", ErrRequest, handset)
	case d.busy(handset) != "":
		return nil, fmt.Errorf("%w: %s is in run %s", ErrNotNow, handset, d.busy(handset))
	case !switches(gate):
		return nil, fmt.Errorf("%w: handset %s has a person for its power gate: nothing here switches its power", ErrRequest, handset)
	}
	// Power that comes in between would spoil what another daemon measures there.
	if err := d.notHeld(ctx, h); err != nil {
		return nil, err
	}
	if _, err := d.linkTo(h); err != nil {
		return nil, err
	}
	if !d.engaged.takeSoon(ctx, handset) {
		return nil, fmt.Errorf("%w: the screen of %s is being calibrated, or something is settled on it", ErrNotNow, handset)
	}
	defer d.engaged.give(handset)
	d.haltParking(ctx, handset, "its power gate was tested")
	s := d.powers.by[handset]
	s.gate <- struct{}{}
	defer func() { <-s.gate }()
	defer d.readSoon(handset)
	if _, verified := gate.(*gates.Verified); !verified {
		gate = gates.Verify(gate, linkedPhone{d, h}, h.Name, gates.VerifyOptions{Clock: d.clock})
	}
	var steps []GateStep
	for _, step := range []struct {
		word string
		do   func(context.Context) error
	}{{toldClosed, gate.Close}, {toldOpen, gate.Open}, {toldClosed, gate.Close}} {
		began := d.now()
		d.toldGate(handset, step.word)
		if err := step.do(ctx); err != nil {
			err = fmt.Errorf("%w: %w", ErrGate, err)
			if step.word == toldOpen { // it may be: nothing is left charging unwatched
				bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), gateLimit)
				defer cancel()
				d.toldGate(handset, toldClosed)
				err = errors.Join(err, gate.Close(bounded))
			}
			return steps, err
		}
		p, err := linkedPhone{d, h}.Power(ctx)
		if err != nil {
			return steps, err
		}
		steps = append(steps, GateStep{Gate: gate.Name(), State: step.word, Sources: p.Sources, TookS: d.now().Sub(began).Seconds()})
	}
	return steps, nil
}

// ErrGate means that a power gate does not do what it says.
var ErrGate = errors.New("power gate")

// A GateStep is one move of a power gate that the handset has confirmed.
type GateStep struct {
	Gate    string  `json:"gate"`
	State   string  `json:"state" enum:"open,closed"`
	Sources string  `json:"power_seen,omitempty" doc:"the power that the handset sees, such as USB; left out: none"`
	TookS   float64 `json:"took_s" doc:"until the handset had confirmed, s"`
}
