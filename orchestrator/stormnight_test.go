package orchestrator_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/devices/simulated"
	"rundown/devices/simulated/fleet"
	"rundown/devices/simulated/physics"
	"rundown/orchestrator"
	"rundown/results"
)

// A stormNight is one night of the storm while it is carried out: a bench in a bubble, what
// is still to happen on it, and what was seen to be wrong. One goroutine carries it out.
type stormNight struct {
	*bench
	seed     string
	plan     stormPlan
	programs map[string]*programs
	files    *kept
	before   map[string]string // settings of each handset when the night began

	tether *tether // of the daemon that runs; nil: none does
	rival  *stormRival
	ends   []stormEnd
	states *stormStates

	watchAt time.Time
	powered map[string]time.Time // since when power is on without a charge due
	hot     map[string]time.Time // since when a handset at work is hotter than its limit

	rivalData   string               // the other daemon's folder
	cancelledAt map[string]time.Time // queue items, by ID
	left        map[string]bool      // handsets whose settings a person has left as they were

	happened map[string]int // events by kind
	befell   []*stormEvent
	empty    map[string]*stormEvent // handsets that have run empty
	wrong    []stormWrong
	figures  []stormFigure
	drains   int      // segments with something drained
	alarms   []string // of these, what is said of a gauge to which nothing happened
	outcomes map[string]int
	reasons  map[string]int
}

// A stormWrong is an invariant that did not hold.
type stormWrong struct {
	what   string // the invariant, without what differs from one night to the next
	detail string
}

func (n *stormNight) fault(what, format string, args ...any) {
	n.wrong = append(n.wrong, stormWrong{what, fmt.Sprintf(format, args...)})
}

// A stormEnd is the end of something that lasts.
type stormEnd struct {
	at    time.Time
	act   stormAct
	event *stormEvent
}

// stormStates are the states that the runs were last seen to enter.
type stormStates struct {
	mu sync.Mutex
	by map[string]orchestrator.State
}

func (s *stormStates) entered(handset string, to orchestrator.State) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.by[handset] = to
}

func (s *stormStates) of(handset string) orchestrator.State {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.by[handset]
}

// stormPlans is "plans:" of the storm's benches.
const stormPlans = `
limits:
  quarantine_after: 4
scenarios:
  topping: {extends: charge, start_level_pct: {least: 50, most: 100}}
plans:
  pages:
    drain: 3
    start_level_pct: {least: 60, most: 96}
    stop_level_pct: 56
    segment_limit: 70 min
    settle_limit: 25 min
    recharge_limit: 4 h
    drift_every: 2 min
    segments: [browse, video]
  pictures:
    drain: 3
    start_level_pct: {least: 40, most: 96}
    segment_limit: 70 min
    settle_limit: 25 min
    recharge_limit: 4 h
    drift_every: 2 min
    segments: [{scenario: camera, warm_up: 4 min}, {scenario: game, warm_up: 4 min}]
  charged:
    drain: 3
    start_level_pct: {least: 88, most: 94}
    segment_limit: 70 min
    settle_limit: 25 min
    recharge_limit: 4 h
    drift_every: 2 min
    segments: [video, call]
  resting:
    drain: 3
    start_level_pct: {least: 40, most: 96}
    segment_limit: 30 h
    settle_limit: 2 h
    recharge_limit: 4 h
    segments: [idle]
  topping:
    segment_limit: 4 h
    settle_limit: 25 min
    recharge_limit: 4 h
    segments: [topping]
`

var stormPlanNames = []string{"pages", "pictures", "charged", "topping", "resting"}

// stormFlavours are the systems of the storm's handsets.
var stormFlavours = []simulated.Flavour{simulated.Android9, simulated.Android12, simulated.Android14, simulated.Android16}

// stormPrintings are the units in which they print their battery.
var stormPrintings = []simulated.Printing{{}, {}, {VoltageUV: 1e6, TempMC: 1000, NoSensors: true}, {TempMC: 1000}}

// stormScale is how much more than a handset of its size one of the storm's draws, so that
// nights are short.
const stormScale = 1.5

// stormHeat keeps them below the temperature at which they slow down by themselves.
var stormHeat = physics.HeatOptions{KPerW: 2}

// stormOptions make a handset of the fleet that the calculator's intervals are made for.
func stormOptions(h stormHandset, o *simulated.Options) (phone fleet.Phone) {
	phone = fleet.Assumed().NewPhone(h.Counter, h.Seed)
	p := phone.Options
	o.Android, o.Seed, o.Prints = stormFlavours[h.Flavour], int64(h.Seed), stormPrintings[h.Prints]
	o.LevelPct, o.CapacityMAh, o.ROhm, o.Cell, o.AmbientC = float64(h.LevelPct), p.Cell.CapacityMAh, p.Cell.ROhm, p.Cell.OCV, p.AmbientC
	o.Gauge, o.Power, o.Heat, o.ScalePower = p.Gauge, p.Power, stormHeat, stormScale
	if h.Seed%4 == 0 { // its shell may not read the kernel's own view
		o.Nodes = simulated.Denied
	}
	o.Power.StartExtra /= 8 // what starts and loads draws its power here by itself
	return phone
}

// carryOutStorm carries a night out in a bubble of its own and returns what was wrong.
func carryOutStorm(t *testing.T, seed uint64, plan stormPlan, calm calmWatts) *stormNight {
	warmUp()
	n := &stormNight{
		seed: fmt.Sprint(seed), plan: plan, programs: map[string]*programs{}, files: &kept{files: map[string][]byte{}}, before: map[string]string{},
		states: &stormStates{by: map[string]orchestrator.State{}}, powered: map[string]time.Time{}, hot: map[string]time.Time{},
		cancelledAt: map[string]time.Time{}, left: map[string]bool{}, happened: map[string]int{}, empty: map[string]*stormEvent{}, outcomes: map[string]int{}, reasons: map[string]int{},
	}
	data := memoryFolder(t)
	defer os.RemoveAll(data)
	n.rivalData = filepath.Join(data, rivalName)
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(benchStart))
		var air simulated.MemoryNet
		phones := map[string]fleet.Phone{}
		byName := map[string]stormHandset{}
		var names []string
		for i, h := range plan.Handsets {
			name := fmt.Sprintf("H%d", i+1)
			names = append(names, name)
			byName[name], n.programs[name] = h, newPrograms()
		}
		n.bench = newBenchBy(t, simulated.WallClock(), names, stormPlans, func(name string, o *simulated.Options) {
			phones[name] = stormOptions(byName[name], o)
			o.Dial, o.Removed, o.Ran = air.Dial, n.files.removed, n.programs[name].ran
		})
		for i := range n.file.Bench.Handsets {
			h := &n.file.Bench.Handsets[i]
			h.CapacityMAh = phones[h.Name].DesignMAh
		}
		n.data, n.listen = data, air.Listen
		n.memory = newMemoryServer(n.bench)
		n.memory.latency, n.memory.lag = 40*time.Millisecond, n.lag()
		n.bench.watch = n.states.entered
		for _, name := range names {
			silence(n.handsets[name])
			n.before[name] = allSettings(t, n.handsets[name])
		}
		time.Sleep(1300 * time.Microsecond)
		n.startStormDaemon()
		for i, p := range plan.First {
			n.enqueue(stormPlanNames[p], names[i])
		}
		for _, a := range plan.Acts {
			n.await(a)
			n.begin(a)
		}
		n.calmDown()
		n.judge(calm)
		n.stopStormDaemon()
		n.rivalGoes()
	})
	n.judgeStore(n.data) // outside: exporting keeps channels of its own for the next time
	if n.rival != nil {
		n.judgeStore(n.rivalData)
	}
	return n
}

// lag keeps the handsets' answers from coming at one instant of the bubble's clock: what
// happens at one instant happens in any order, and no seed says in which.
func (n *stormNight) lag() map[string]time.Duration {
	lag := map[string]time.Duration{}
	for i, name := range n.names {
		lag[n.serials[name]] = time.Duration(i) * 700 * time.Microsecond
	}
	return lag
}

// A tether is a daemon's hold on the bench. Cut, nothing of what the daemon still wants to
// do reaches a handset or a gate any more: it has been killed.
type tether struct {
	*memoryServer
	cut  context.CancelFunc
	live context.Context
}

func (s *memoryServer) newTether() *tether {
	t := &tether{memoryServer: s}
	t.live, t.cut = context.WithCancel(context.Background())
	return t
}

func (t *tether) Link(serial, server string) devices.Link {
	return memoryLink{t.memoryServer, t.handsets[serial], t.live}
}

// gateOf is a handset's gate as the daemon moves it.
func (t *tether) gateOf(h *simulated.Handset) devices.PowerGate {
	return tetheredGate{h.Gate(), t.live}
}

type tetheredGate struct {
	devices.PowerGate
	live context.Context
}

var errKilled = errors.New("the daemon was killed")

func (g tetheredGate) Open(ctx context.Context) error {
	if g.live.Err() != nil {
		return errKilled
	}
	return g.PowerGate.Open(ctx)
}

func (g tetheredGate) Close(ctx context.Context) error {
	if g.live.Err() != nil {
		return errKilled
	}
	return g.PowerGate.Close(ctx)
}

func (n *stormNight) startStormDaemon() {
	n.tether = n.memory.newTether()
	n.links = n.tether
	n.gates = map[string]devices.PowerGate{}
	for name, h := range n.handsets {
		n.gates[name] = n.tether.gateOf(h)
	}
	n.startDaemon()
}

func (n *stormNight) stopStormDaemon() {
	if n.tether == nil {
		return
	}
	n.stopDaemon()
	n.tether.cut()
	n.tether = nil
	n.powered, n.hot = map[string]time.Time{}, map[string]time.Time{}
}

// killDaemon ends the daemon as a crash of its process does: at an instant at which nothing
// is being computed, with its records as they are then and everything else left as it is.
func (n *stormNight) killDaemon() {
	synctest.Wait()
	db := filepath.Join(n.data, "rundown.db")
	content, err := os.ReadFile(db)
	if err != nil {
		n.t.Fatal(err)
	}
	n.tether.cut()
	n.stopStormDaemon()
	if err := os.WriteFile(db, content, 0o600); err != nil {
		n.t.Fatal(err)
	}
}

// tick lets time pass, and does and watches what falls into it.
func (n *stormNight) tick() {
	time.Sleep(2 * time.Second)
	now := time.Now()
	for len(n.ends) > 0 && !n.ends[0].at.After(now) {
		e := n.ends[0]
		n.ends = n.ends[1:]
		stormKinds[e.act.Kind].end(n, e.act)
		if e.event != nil {
			e.event.until = now
		}
	}
	if now.Sub(n.watchAt) >= 10*time.Second {
		n.watchAt = now
		n.watchOver(now)
	}
}

// stormPatience is how long a state is waited for in which something is to happen.
const stormPatience = 45 * time.Minute

func (n *stormNight) await(a stormAct) {
	if a.State != "" {
		for until := time.Now().Add(stormPatience); n.states.of(a.handset(n)) != a.State && time.Now().Before(until) && n.underway(); {
			n.tick()
		}
	}
	for until := time.Now().Add(a.After); time.Now().Before(until); {
		n.tick()
	}
}

// underway reports whether something is queued that has not ended, or no daemon is there
// to say so.
func (n *stormNight) underway() bool {
	for _, d := range n.daemons() {
		for _, it := range d.Queue() {
			if it.Outcome == "" {
				return true
			}
		}
	}
	return n.tether == nil
}

func (n *stormNight) begin(a stormAct) {
	k, from := stormKinds[a.Kind], time.Now()
	if !k.begin(n, a) {
		return
	}
	n.happened[a.Kind]++
	e := &stormEvent{kind: a.Kind, handset: a.handset(n), from: from, until: time.Now()}
	if k.bench {
		e.handset = ""
	}
	n.befell = append(n.befell, e)
	if k.end != nil {
		e.until = from.Add(1000 * time.Hour)
		n.endAfter(a, e)
	}
}

// A stormEvent is something that befell a handset, or with none the whole bench.
type stormEvent struct {
	kind, handset string
	from, until   time.Time
}

func (e *stormEvent) String() string {
	return fmt.Sprintf("%s %s to %s", e.kind, e.from.Format(time.TimeOnly), e.until.Format(time.TimeOnly))
}

// during are the events that befell a handset within a stretch of time.
func (n *stormNight) during(handset string, from, to time.Time) (list []*stormEvent) {
	for _, e := range n.befell {
		if (e.handset == handset || e.handset == "") && !e.from.After(to) && !e.until.Before(from) {
			list = append(list, e)
		}
	}
	return list
}

func (n *stormNight) endAfter(a stormAct, event *stormEvent) {
	e := stormEnd{time.Now().Add(a.For), a, event}
	i, _ := slices.BinarySearchFunc(n.ends, e, func(a, b stormEnd) int { return a.at.Compare(b.at) })
	n.ends = slices.Insert(n.ends, i, e)
}

// chargeEmpty charges for half an hour what has run empty, or whose cell could not hold the load.
func (n *stormNight) chargeEmpty() {
	for _, name := range n.names {
		h := n.handsets[name]
		if h.State() == "device" || !h.WentOut() {
			continue
		}
		h.Plug(true)
		for range 30 * 30 {
			n.tick()
		}
		h.Plug(false)
	}
}

// calmDown ends all that lasts, mends what a person would mend in the morning, and waits
// until everything queued has come to its end and nothing is owed any more.
func (n *stormNight) calmDown() {
	for len(n.ends) > 0 {
		n.tick()
	}
	if n.tether == nil {
		n.startStormDaemon()
	}
	if n.rival != nil {
		n.rivalArrives() // what it left on the handsets is its own to end
	}
	for _, name := range n.names {
		h := n.handsets[name]
		h.SetAmbientC(22)
		h.PlugCharger(false)
		h.LayOnPad(false)
		h.LieClosing(0)
		h.LieOpening(0)
		h.SwitchOn()
		h.RestoreLink()
	}
	for range 30 {
		n.tick()
	}
	limit := time.Now().Add(60 * time.Hour)
	for ended := false; !ended; {
		for range 30 {
			n.tick()
		}
		n.personLooks()
		n.chargeEmpty()
		ended = true
		for _, d := range n.daemons() {
			for _, it := range d.Queue() {
				ended = ended && it.Outcome != ""
				if it.Outcome == "" && time.Now().After(limit) {
					n.fault("everything queued comes to its end", "%s on %s: %s, paused %v; handsets: %s", it.Plan, it.Handset, it.State, it.Paused, n.statuses())
				}
			}
		}
		if time.Now().After(limit) {
			return
		}
	}
	limit = time.Now().Add(4 * time.Hour)
	for {
		var left []string
		for _, name := range n.names {
			keys, err := onboard.List(n.t.Context(), n.handsets[name])
			if err != nil || len(keys) > 0 {
				left = append(left, fmt.Sprintf("%s: %q %v", name, keys, err))
			}
		}
		if len(left) == 0 {
			break
		}
		if time.Now().After(limit) {
			n.fault("what lies on a handset is collected once it is back", "%s; %s", strings.Join(left, "; "), n.statuses())
			break
		}
		for range 30 {
			n.tick()
		}
		n.personLooks()
	}
	for _, d := range n.daemons() { // what somebody has set to look at it
		for _, name := range n.names {
			_, _ = d.Undo(n.t.Context(), name)
		}
	}
	for range 5 * 60 / 2 { // what is owed is tried at once, and a little later again
		n.tick()
	}
	for range 3 * 60 * 60 / 2 { // a gate is closed again each quarter of an hour at least; parking takes longer
		if !slices.ContainsFunc(n.names, func(name string) bool { return pluggedIn(n.handsets[name]) }) {
			break
		}
		n.tick()
	}
}

// personLooks is what somebody does who comes by every minute: release, resume, answer, and
// undo what holds a handset that another bench waits for.
func (n *stormNight) personLooks() {
	for _, d := range n.daemons() {
		for _, s := range d.Handsets() {
			if s.SetAside != nil {
				_ = d.Release(s.Name)
			}
			for _, other := range n.daemons() {
				if s.HeldBy != nil && s.HeldBy.Run == "" && s.HeldBy.Bench == other.File().Bench.Name {
					_, _ = other.Undo(n.t.Context(), s.Name)
				}
			}
		}
		for _, it := range d.Queue() {
			if it.Paused {
				_, _ = d.Resume(it.ID)
			}
		}
		for _, p := range d.Prompts() {
			_, _ = d.AnswerPrompt(p.ID, p.Choices[0], "storm")
		}
	}
}

func (n *stormNight) statuses() string {
	var said []string
	for _, d := range n.daemons() {
		for _, s := range d.Handsets() {
			said = append(said, fmt.Sprintf("%s's %s link %s, %s %s, waits for %q, problem %q", d.File().Bench.Name, s.Name, s.Link, s.State, s.Scenario, s.WaitsFor, s.Problem))
		}
	}
	return strings.Join(said, "; ")
}

func (n *stormNight) enqueue(plan string, handsets ...string) bool {
	if n.tether == nil {
		return false
	}
	_, err := n.daemon.Enqueue(orchestrator.Request{Plan: plan, Handsets: handsets})
	if err != nil {
		n.fault("a plan can be queued at any time", "%s on %q: %v", plan, handsets, err)
	}
	return err == nil
}

// item is the n-th of the items that have not ended, counted round; nil: there is none.
func (n *stormNight) item(i int, ok func(orchestrator.Item) bool) *orchestrator.Item {
	if n.tether == nil {
		return nil
	}
	open := slices.DeleteFunc(n.daemon.Queue(), func(it orchestrator.Item) bool { return it.Outcome != "" || !ok(it) })
	if len(open) == 0 {
		return nil
	}
	return &open[i%len(open)]
}

// segments are all that a daemon has stored, oldest first.
func (n *stormNight) segments(d *orchestrator.Daemon) []results.Segment {
	list, err := d.Store().Segments("")
	if err != nil {
		n.fault("the records can be read", "%v", err)
	}
	return list
}
