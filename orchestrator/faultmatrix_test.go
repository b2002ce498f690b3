package orchestrator_test

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"net"
	"os"
	"os/exec"
	"path"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"rundown/devices/adb"
	"rundown/devices/hosttest"
	"rundown/devices/onboard"
	"rundown/devices/simulated"
	"rundown/devices/simulated/physics"
	"rundown/orchestrator"
	"rundown/results"
)

// An adbServer lists handsets of a test's bench, and can be killed and started again on
// its port.
type adbServer struct {
	address string
	kill    func()
	start   func()
}

// faultFront starts an adb server for some handsets and says under which serial numbers
// it lists them.
type faultFront func(t *testing.T, b *bench, names []string) *adbServer

func simulatedServer(t *testing.T, b *bench, names []string) *adbServer {
	t.Helper()
	s := &adbServer{}
	var list []*simulated.Handset
	for _, name := range names {
		list = append(list, b.handsets[name])
	}
	var mu sync.Mutex
	var stop func()
	s.kill = func() {
		mu.Lock()
		defer mu.Unlock()
		if stop != nil {
			stop()
		}
		stop = nil
	}
	s.address = "127.0.0.1:0"
	s.start = func() {
		mu.Lock()
		defer mu.Unlock()
		l, err := net.Listen("tcp", s.address)
		if err != nil {
			t.Errorf("adb server on its port again: %v", err)
			return
		}
		s.address = l.Addr().String()
		stop = simulated.ServeServer(l, list...)
	}
	s.start()
	t.Cleanup(s.kill)
	return s
}

func stockServer(t *testing.T, b *bench, names []string) *adbServer {
	t.Helper()
	binary := hosttest.Program(t, "adb")
	home, port := t.TempDir(), ""
	command := func(args ...string) *exec.Cmd {
		c := exec.Command(binary, append([]string{"-P", port}, args...)...)
		c.Env = append(os.Environ(), "HOME="+home, "ANDROID_ADB_SERVER_PORT="+port, "ADB_MDNS_AUTO_CONNECT=0", "ADB_LIBUSB=0")
		return c
	}
	s := &adbServer{}
	for _, name := range names {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(simulated.ServeDevice(l, b.handsets[name]))
		b.serials[name] = l.Addr().String()
	}
	serials := maps.Clone(b.serials) // for the keeper below
	var mu sync.Mutex
	var server *exec.Cmd
	s.kill = func() {
		mu.Lock()
		defer mu.Unlock()
		if server != nil {
			_ = server.Process.Kill()
			_ = server.Wait()
		}
		server = nil
	}
	s.start = func() {
		mu.Lock()
		defer mu.Unlock()
		server = command("nodaemon", "server")
		if err := server.Start(); err != nil {
			t.Errorf("adb server: %v", err)
		}
	}
	t.Cleanup(s.kill)
	var client *adb.Server
	for tries := 0; ; tries++ { // somebody else may take a port that was free
		free, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		_, port, _ = net.SplitHostPort(free.Addr().String())
		_ = free.Close()
		s.address = "127.0.0.1:" + port
		client = adb.New(s.address)
		s.start()
		answers := false
		for deadline := time.Now().Add(10 * time.Second); !answers && time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
			_, err := client.Devices(t.Context())
			answers = err == nil
		}
		if answers {
			break
		}
		s.kill()
		if tries == 3 {
			t.Fatal("no adb server answers")
		}
	}
	// The server retries an offline handset every 10 s of the host's time, which is hours
	// on the handset. Whoever keeps the bench connects it again as soon as it answers.
	ctx, cancel := context.WithCancel(context.Background())
	var keeper sync.WaitGroup
	keeper.Go(func() {
		for ctx.Err() == nil {
			rows, err := client.Devices(ctx)
			for _, name := range names {
				row := slices.IndexFunc(rows, func(d adb.Device) bool { return d.Serial == serials[name] })
				up := b.handsets[name].State() == "device"
				if err != nil || !up || row >= 0 && rows[row].Ready() {
					continue
				}
				if row >= 0 {
					_ = client.Disconnect(ctx, serials[name])
				}
				_ = client.Connect(ctx, serials[name])
			}
			select {
			case <-time.After(50 * time.Millisecond):
			case <-ctx.Done():
			}
		}
	})
	t.Cleanup(func() { cancel(); keeper.Wait() })
	within(t, time.Minute, "adb lists every handset", func() bool {
		rows, _ := client.Devices(ctx)
		ready := 0
		for _, r := range rows {
			if r.Ready() {
				ready++
			}
		}
		return ready == len(names)
	})
	return s
}

// matrixPlans is "plans:" of the bench on which faults are tried: drains that are soon over.
// What is lost of such a short window weighs several times as much as in a night's, and the
// shares that are wanted of it are as much lower.
func matrixPlans(recharge bool) string {
	least := 60
	if recharge {
		least = 86
	}
	var b strings.Builder
	b.WriteString("limits:\n  set_aside_after: 9\nscenarios:\n  topping: {extends: charge, start_level_pct: {least: 60, most: 100}}\nplans:\n")
	for _, scenario := range []string{"video", "browse", "topping"} {
		fmt.Fprintf(&b, `  %s:
    drain: 3
    start_level_pct: {least: %d, most: 90}
    warm_up: 2 min
    sample_every: 10 s
    drift_every: 2 min
    activity_share: {flag_below_pct: 80, spoil_below_pct: 50}
    segment_limit: %s
    recharge_limit: 2 h
    settle_limit: 20 min
    segments: [%s]
`, scenario, least, segmentLimit[scenario], scenario)
	}
	return b.String()
}

// segmentLimit leaves room for the slow end of a charge; a handset that vanishes is waited for so long.
var segmentLimit = map[string]string{"video": "30 min", "browse": "30 min", "topping": "100 min"}

// kept holds what the handsets removed: the last they had of each recording.
type kept struct {
	mu    sync.Mutex
	files map[string][]byte // by segment
}

func (k *kept) removed(name string, content []byte) {
	dir, base := path.Split(name)
	if base == "samples.txt" && strings.HasPrefix(name, onboard.Root) {
		k.mu.Lock()
		defer k.mu.Unlock()
		k.files[path.Base(dir)] = slices.Clone(content)
	}
}

func (k *kept) of(segment string) ([]byte, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	b, ok := k.files[segment]
	return b, ok
}

// phoneSamples are the samples of a recorder's file, with host times left out, of a handset
// that prints its battery so.
func phoneSamples(file []byte, prints simulated.Printing) []results.Sample {
	uv, mc := cmp.Or(prints.VoltageUV, 1000), cmp.Or(prints.TempMC, 100)
	var reader onboard.Reader
	lines, _ := reader.Feed(file)
	var list []results.Sample
	for _, l := range lines {
		s := l.Sample
		if s == nil {
			continue
		}
		out := results.Sample{
			Seq: s.Seq, PhoneAt: time.UnixMilli(s.WallMS).UTC(), UptimeMS: s.UptimeMS, LevelPct: s.LevelPct, CounterRaw: s.CounterRaw,
			CurrentRaw: s.CurrentRaw, Status: s.Status, Plugged: s.Plugged,
		}
		if s.VoltageRaw != nil {
			mv := int64(math.Round(float64(*s.VoltageRaw) * uv / 1000))
			out.VoltageMV = &mv
		}
		if s.TempRaw != nil {
			c := float64(*s.TempRaw) * mc / 1000
			out.TempC = &c
		}
		list = append(list, out)
	}
	return list
}

// sameSamples compares what is stored of a segment with the handset's file.
func sameSamples(stored []results.Sample, file []byte, units ...simulated.Printing) string {
	var prints simulated.Printing // as Android does, unless another is given
	for _, prints = range units {
	}
	got := slices.Clone(stored)
	for i := range got {
		if got[i].HostAt.IsZero() {
			return fmt.Sprintf("sample %d has no host time", got[i].Seq)
		}
		got[i].HostAt = time.Time{}
	}
	// The same temperature may come about by another division.
	return gocmp.Diff(phoneSamples(file, prints), got, cmpopts.EquateApprox(0, 1e-9))
}

// allSettings are a handset's settings, but for those that it keeps for itself.
func allSettings(t *testing.T, h *simulated.Handset) string {
	var kept []string
	for _, space := range []string{"system", "global", "secure"} {
		for line := range strings.Lines(show(t, h, "settings list "+space)) {
			if line = strings.TrimSpace(line); !strings.HasPrefix(line, "boot_count=") {
				kept = append(kept, space+" "+line)
			}
		}
	}
	slices.Sort(kept)
	return strings.Join(kept, "\n")
}

var faultCases, faultsKept atomic.Int64

// Every fault in every state of a run: each in a bubble of its own, where every moment is
// the same each time; and through both adb front ends, many handsets at once, by the clock of
// the wall. CI has the bubbles of one state, and the faults of the link through the stock
// server.
func TestFaultMatrix(t *testing.T) {
	if testing.Short() {
		t.Skip("many runs")
	}
	t.Parallel()
	all := os.Getenv("RUNDOWN_FAULTS") == "all"
	t.Run("cases", func(t *testing.T) {
		for _, state := range []orchestrator.State{
			orchestrator.Preparing, orchestrator.Recharging, orchestrator.Settling, orchestrator.Draining, orchestrator.Charging, orchestrator.Collecting, orchestrator.Restoring,
		} {
			for _, f := range faultTable {
				if all || hosttest.RaceSlow == 1 || state == orchestrator.Draining {
					t.Run("in memory/"+string(state)+"/"+f.name, func(t *testing.T) {
						t.Parallel()
						inBubble(t, func(t *testing.T) { faultInBubble(t, f, state) })
					})
				}
			}
			for name, front := range map[string]faultFront{"simulated": simulatedServer, "stock": stockServer} {
				rows := faultTable
				if !all {
					rows = slices.DeleteFunc(slices.Clone(rows), func(f fault) bool { return !f.link })
				}
				if all || name == "stock" && state == orchestrator.Collecting {
					t.Run(name+"/"+string(state), func(t *testing.T) {
						t.Parallel()
						faultsIn(t, front, state, rows)
					})
				}
			}
		}
	})
	fmt.Printf("%d cases, %d kept every sample\n", faultCases.Load(), faultsKept.Load())
}

// faultInBubble carries out a run on one handset, and lets a fault begin when the run comes
// into a state.
func faultInBubble(t *testing.T, f fault, state orchestrator.State) {
	const name = "H01"
	files := &kept{files: map[string][]byte{}}
	b := newBench(t, []string{name}, matrixPlans(state == orchestrator.Recharging), faulty(files, state, func(string) fault { return f }))
	server := &adbServer{kill: b.memory.kill, start: b.memory.start}
	carryOutFaulty(t, b, files, state, map[string]fault{name: f}, map[string]*adbServer{name: server}, func(_ string, judge func(t *testing.T)) { judge(t) })
}

// faultsIn carries out a run on a handset for each row, all on one bench, and lets the row's
// fault begin when the run comes into a state.
func faultsIn(t *testing.T, front faultFront, state orchestrator.State, table []fault) {
	var names []string
	rows := map[string]fault{}
	files := &kept{files: map[string][]byte{}}
	for i, f := range table {
		name := fmt.Sprintf("H%02d", i+1)
		names = append(names, name)
		rows[name] = f
	}
	b := newBenchBy(t, simulated.NewScaledClock(benchStart, factor/12), names, matrixPlans(state == orchestrator.Recharging), faulty(files, state, func(name string) fault { return rows[name] }))
	servers := map[string]*adbServer{}
	shared := front(t, b, names[1:])
	own := front(t, b, names[:1]) // the first row kills its server
	for _, name := range names {
		servers[name] = shared
	}
	servers[names[0]] = own
	for i, h := range b.file.Bench.Handsets {
		b.file.Bench.Handsets[i].Serial, b.file.Bench.Handsets[i].Server = b.serials[h.Name], servers[h.Name].address
	}
	b.file.Bench.Servers = []string{shared.address, own.address}
	b.adb = adb.Options{ShellTimeout: 12 * time.Second, IdleTimeout: 12 * time.Second, RequestTimeout: 8 * time.Second, PollEvery: 100 * time.Millisecond, RetryFirst: 20 * time.Millisecond, RetryMost: 100 * time.Millisecond}
	carryOutFaulty(t, b, files, state, rows, servers, func(row string, judge func(t *testing.T)) { t.Run(row, judge) })
}

// faulty makes the handsets of the matrix: nearly full, hungry and hard to heat, and as
// their row wants them.
func faulty(files *kept, state orchestrator.State, row func(name string) fault) func(name string, o *simulated.Options) {
	return func(name string, o *simulated.Options) {
		o.LevelPct, o.ScalePower, o.Heat, o.ROhm = 88, 2.5, physics.HeatOptions{KPerW: 1.2}, 0.01
		if state == orchestrator.Recharging {
			o.LevelPct = 84
		}
		o.Removed = files.removed
		f := row(name)
		if f.options != nil {
			f.options(o)
		}
		o.Prints = f.prints
	}
}

// carryOutFaulty carries out a run on each handset of a bench, with its row's fault in a
// state, and has what came of each judged.
func carryOutFaulty(t *testing.T, b *bench, files *kept, state orchestrator.State, rows map[string]fault, servers map[string]*adbServer, judged func(row string, judge func(t *testing.T))) {
	inBubble := b.memory != nil
	before := map[string]string{}
	for _, name := range b.names {
		before[name] = allSettings(t, b.handsets[name])
	}
	var once sync.Map
	var happening sync.WaitGroup
	b.watch = func(name string, s orchestrator.State) {
		if s != state {
			return
		}
		if _, began := once.LoadOrStore(name, true); began {
			return
		}
		f, v := rows[name], victim{b.handsets[name], servers[name], b, name, s, rows[name].prints}
		onItsWay := s == orchestrator.Settling || s == orchestrator.Draining || s == orchestrator.Charging
		if !onItsWay && !f.slow && f.begin != nil {
			f.begin(v) // it is there before anything is done in that state
		}
		happening.Go(func() {
			if onItsWay {
				v.recording()
				// The activity is well on its way; while settling, its first evidence has come.
				wait := 30 * time.Second
				switch {
				case s == orchestrator.Settling && f.early:
					wait = 0
				case s == orchestrator.Settling:
					wait = 100 * time.Second
				}
				_ = b.clock.Sleep(context.Background(), wait)
			}
			if (onItsWay || f.slow) && f.begin != nil {
				f.begin(v)
			}
			if lasts := f.lastsIn(s); f.end != nil && lasts > 0 {
				_ = b.clock.Sleep(context.Background(), lasts)
				f.end(v)
			}
		})
	}
	b.startDaemon()
	for _, name := range b.names {
		plan := rows[name].scenario
		switch {
		case state == orchestrator.Charging:
			plan = "topping"
		case plan == "":
			plan = "video"
		}
		if _, err := b.daemon.Enqueue(orchestrator.Request{Plan: plan, Handsets: []string{name}}); err != nil {
			t.Fatal(err)
		}
	}
	segments := b.finish(15 * time.Minute)
	happening.Wait()
	for _, name := range b.names {
		f := rows[name]
		judged(f.name, func(t *testing.T) {
			faultCases.Add(1)
			v := victim{b.handsets[name], servers[name], b, name, state, f.prints}
			late := f.late && !inBubble
			if got, why := b.outcomeOf(name, segments[name]); got != f.want.in(state) && !(late && (got == flagged || got == again) && f.want.in(state) == fine) || got != fine && !slices.ContainsFunc(f.reasons, func(r string) bool { return strings.Contains(why, r) }) {
				t.Errorf("%s, want %s (%q); it said %q", got, f.want.in(state), f.reasons, why)
			}
			if f.end != nil && f.lasts == 0 {
				f.end(v)
			}
			v.RestoreLink() // of one that vanished for good
			b.settled(t, v)
			if b.keptEverySample(t, v, files) {
				faultsKept.Add(1)
			}
			if after := allSettings(t, v.Handset); after != before[name] && !strings.Contains(f.name, "saver") {
				t.Errorf("settings are not as before (-before +after):\n%s", gocmp.Diff(strings.Split(before[name], "\n"), strings.Split(after, "\n")))
			}
			if !strings.Contains(f.name, "power") && strings.Contains(show(t, v.Handset, "dumpsys battery"), "powered: true") {
				t.Error("its power gate is open after the run")
			}
		})
	}
	if t.Failed() && !inBubble { // a bubble's bench shows it by itself
		t.Logf("the daemon's log:\n%s", b.log)
	}
}

// recording waits until the recorder of the segment under way has written its first
// lines, for a real minute at most.
func (v victim) recording() {
	for range 60_000 {
		if folders, err := v.ListDir(onboard.Root); err == nil {
			for _, f := range folders {
				if s, err := v.StatFile(path.Join(onboard.Root, f.Name, "samples.txt")); err == nil && s.Size > 0 {
					return
				}
			}
		}
		time.Sleep(time.Millisecond)
	}
}

// outcomeOf sums up what became of a handset's run.
func (b *bench) outcomeOf(name string, segments []results.Segment) (outcome, string) {
	var item orchestrator.Item
	for _, it := range b.daemon.Queue() {
		if it.Handset == name {
			item = it
		}
	}
	var said []string
	for _, g := range segments {
		said = append(said, fmt.Sprintf("%s (%s)", g.Outcome, g.Reason))
	}
	why := item.Outcome + "; " + strings.Join(said, ", ")
	switch {
	case b.handsets[name].State() != "device":
		return later, why
	case item.Outcome != string(orchestrator.Done):
		return stopped, why
	}
	if len(segments) == 0 {
		return "nothing", why
	}
	last := segments[len(segments)-1].Outcome
	switch {
	case len(segments) == 1 && last == results.Measured:
		return fine, why
	case last == results.Measured:
		return again, why
	case last == results.Flagged:
		return flagged, why
	}
	return twice, why
}

// settled waits until what is pending for a handset is settled: what could not be put back, collected
// or removed while it was away.
func (b *bench) settled(t *testing.T, v victim) {
	within(t, time.Minute, "what the handset is owed is settled", func() bool {
		keys, err := onboard.List(t.Context(), v.Handset)
		return err == nil && len(keys) == 0 && !b.daemon.Owes(v.name)
	})
}

// keptEverySample holds what is stored of each segment against the handset's file.
func (b *bench) keptEverySample(t *testing.T, v victim, files *kept) bool {
	segments, err := b.daemon.Store().Segments("")
	if err != nil {
		t.Error(err)
		return false
	}
	whole := true
	for _, g := range segments {
		if g.Handset != v.name {
			continue
		}
		samples, err := b.daemon.Store().Samples(g.ID)
		if err != nil {
			t.Error(err)
			whole = false
		}
		file, ok := files.of(g.ID)
		if !ok {
			if len(samples) > 0 || g.Outcome != results.Spoiled {
				t.Errorf("segment %s: %d samples stored, and the handset removed no file", g.ID, len(samples))
				whole = false
			}
			continue // it was never installed
		}
		if diff := sameSamples(samples, file, v.prints); diff != "" {
			t.Errorf("segment %s: stored samples are not the handset's (-file +stored):\n%s", g.ID, diff)
			whole = false
		}
	}
	return whole
}

// DEVELOPERS.md shows the table that the matrix is held to.
func TestFaultTableIsInDevelopers(t *testing.T) {
	text, err := os.ReadFile("../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	if table := faultsMarkdown(); !strings.Contains(string(text), table) {
		t.Errorf("DEVELOPERS.md does not hold the table of faults as it is; put this there:\n%s", table)
	}
}
