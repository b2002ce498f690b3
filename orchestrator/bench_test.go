package orchestrator_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"flag"
	"fmt"
	"maps"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"go.uber.org/goleak"

	"rundown/devices"
	"rundown/devices/adb"
	"rundown/devices/hosttest"
	"rundown/devices/simulated"
	"rundown/devices/simulated/physics"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/scenarios"
)

func TestMain(m *testing.M) {
	switch {
	case os.Getenv(benchVariable) != "": // the crash test's handsets
		servePhones()
		return
	case len(os.Args) == 3 && os.Args[1] == "gate": // and their power gates
		switchGate(os.Args[2])
		return
	}
	flag.Parse()
	if hosttest.RaceSlow == 1 && flag.Lookup("test.parallel").Value.String() == strconv.Itoa(runtime.GOMAXPROCS(0)) {
		// These tests wait more than they compute.
		_ = flag.Set("test.parallel", strconv.Itoa(1+runtime.GOMAXPROCS(0)))
	}
	goleak.VerifyTestMain(m)
}

// factor is how much faster than the wall clock the benches of these tests live.
const factor = 600

// everydayFactor is that of the benches that are not told otherwise.
const everydayFactor = factor / (1 + hosttest.RaceSlow/4)

// A front is how a bench's simulated handsets are reached.
type front func(t *testing.T, b *bench)

// A bench is a daemon with simulated handsets, invented like everything on it.
type bench struct {
	t         *testing.T
	clock     simulated.Clock
	names     []string
	handsets  map[string]*simulated.Handset
	serials   map[string]string // as the adb server lists them
	servers   []string
	data      string
	file      scenarios.File
	daemon    *orchestrator.Daemon
	adb       adb.Options
	quiet     bool                                       // without a log
	gates     map[string]devices.PowerGate               // instead of the handsets own
	planGates bool                                       // those of the plan file, not the handsets own
	sysfs     string                                     // see Config.Sysfs
	hostClock simulated.Clock                            // the daemon's, where it is not the handsets
	watch     func(handset string, s orchestrator.State) // see Daemon.Watch
	log       *bytes.Buffer
	memory    *memoryServer      // instead of adb servers; only inside a bubble
	links     orchestrator.Links // nil: memory's, or the plan file's adb servers
	listen    func(ctx context.Context, network, address string) (net.Listener, error)
	dial      func(ctx context.Context, network, address string) (net.Conn, error)
}

// options are what a handset of the bench is like; each test changes what it is about.
func options(name string, clock simulated.Clock) simulated.Options {
	return simulated.Options{
		Serial: "TB-" + strings.ToUpper(name), Model: "TB " + name, Product: "tb" + strings.ToLower(name), Seed: int64(len(name)),
		LevelPct: 92, CapacityMAh: 4500, Clock: clock, Heat: physics.HeatOptions{KPerW: 4},
		Gauge: physics.GaugeOptions{Counter: physics.FineCounter, BendSDPct: 0.03, LevelRefreshS: 10, CounterRefreshS: 5, VoltageRefreshS: 5, VoltageNoiseMV: 2, CurrentRefreshS: 5},
	}
}

// newBench makes handsets and a plan file for them; plans is the file's text from
// "plans:" on. Nothing is started yet.
func newBench(t *testing.T, names []string, plans string, change ...func(name string, o *simulated.Options)) *bench {
	t.Helper()
	if airOf(t) != nil {
		return newBenchBy(t, simulated.WallClock(), names, plans, change...) // the bubble's clock
	}
	return newBenchBy(t, simulated.NewScaledClock(benchStart, everydayFactor), names, plans, change...)
}

// benchStart is when a bench's time begins.
var benchStart = time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)

// newBenchBy is newBench by a given clock.
func newBenchBy(t *testing.T, clock simulated.Clock, names []string, plans string, change ...func(name string, o *simulated.Options)) *bench {
	t.Helper()
	b := &bench{
		t: t, names: names, handsets: map[string]*simulated.Handset{}, serials: map[string]string{}, data: t.TempDir(), log: &bytes.Buffer{},
		clock: clock,
	}
	air := airOf(t)
	if air != nil {
		b.data, b.listen, b.dial = memoryFolder(t), air.Listen, air.Dial
	}
	var text strings.Builder
	fmt.Fprintln(&text, "bench:\n  name: test bench\n  handsets:")
	for _, name := range names {
		o := options(name, b.clock)
		if air != nil {
			o.Dial = air.Dial
		}
		for _, f := range change {
			f(name, &o)
		}
		h := simulated.New(o)
		t.Cleanup(h.Close)
		b.handsets[name], b.serials[name] = h, o.Serial
		fmt.Fprintf(&text, "    - name: %s\n      serial: %s\n      capacity_mah: 4500\n      nominal_mv: 3870\n", name, o.Serial)
		fmt.Fprintln(&text, "      luminance:\n        measured: invented\n        points: [{setting: 0, cd_m2: 2}, {setting: 64, cd_m2: 51}, {setting: 128, cd_m2: 170}, {setting: 192, cd_m2: 335}, {setting: 255, cd_m2: 520}]")
	}
	text.WriteString(plans)
	file, err := scenarios.Parse("test.yaml", []byte(text.String()))
	if err != nil {
		t.Fatal(err)
	}
	b.file = file
	b.file.Bench.Stage.Listen = "127.0.0.1:0"
	b.file.Bench.Clip = filepath.Join("demo", "clip.mp4")
	if air != nil {
		b.memory = newMemoryServer(b)
		t.Cleanup(func() {
			if t.Failed() && !b.quiet {
				t.Logf("the daemon's log:\n%s", b.log)
			}
		})
	}
	return b
}

// start puts the bench behind a front end and starts a daemon for it.
func (b *bench) start(f front) *bench {
	b.t.Helper()
	f(b.t, b)
	for i, h := range b.file.Bench.Handsets {
		b.file.Bench.Handsets[i].Serial = b.serials[h.Name]
	}
	b.file.Bench.Servers = b.servers
	// These benches live so much faster than the host that a busy moment of it is a minute on
	// the handset, in which nobody looks.
	for name, p := range b.file.Plans {
		p.ActivityShare = scenarios.ActivityShare{FlagBelowPct: 75, SpoilBelowPct: 60}
		b.file.Plans[name] = p
	}
	b.startDaemon()
	return b
}

// startDaemon starts a daemon over the bench as it is; after stopDaemon, another one.
func (b *bench) startDaemon() {
	b.t.Helper()
	gates := map[string]devices.PowerGate{}
	for name, h := range b.handsets {
		if !b.planGates {
			gates[name] = h.Gate()
		}
	}
	maps.Copy(gates, b.gates)
	clock := b.clock
	if b.hostClock != nil {
		clock = b.hostClock
	}
	log := zerolog.New(zerolog.SyncWriter(b.log)).With().Timestamp().Logger()
	if b.quiet {
		log = zerolog.Nop()
	}
	config := orchestrator.Config{
		File: b.file, DataDir: b.data, Log: log, Clock: clock, Gates: gates, PollEvery: 30 * time.Second, ADB: b.adb, Sysfs: b.sysfs, Listen: b.listen, Dial: b.dial,
	}
	switch {
	case b.links != nil:
		config.Links = b.links
	case b.memory != nil:
		config.Links = b.memory
	}
	b.daemon = orchestrator.New(config)
	b.daemon.Watch(b.watch)
	if err := b.daemon.Start(context.Background()); err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(b.stopDaemon)
}

func (b *bench) stopDaemon() {
	if b.daemon != nil {
		b.daemon.Stop()
		b.daemon = nil
	}
}

// overServer reaches the handsets through the simulated adb server; in a bubble, where they
// are reached in memory, it has nothing to do.
func overServer(t *testing.T, b *bench) {
	if b.memory != nil {
		return
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var list []*simulated.Handset
	for _, name := range b.names {
		list = append(list, b.handsets[name])
	}
	t.Cleanup(simulated.ServeServer(l, list...))
	b.servers = []string{l.Addr().String()}
}

// overStockADB reaches them through Debian's adb server, each as a device over TCP.
func overStockADB(t *testing.T, b *bench) {
	path := hosttest.Program(t, "adb")
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := fmt.Sprint(free.Addr().(*net.TCPAddr).Port)
	_ = free.Close()
	home := t.TempDir()
	adb := func(args ...string) *exec.Cmd {
		c := exec.Command(path, append([]string{"-P", port}, args...)...)
		c.Env = append(os.Environ(), "HOME="+home, "ANDROID_ADB_SERVER_PORT="+port, "ADB_MDNS_AUTO_CONNECT=0", "ADB_LIBUSB=0")
		return c
	}
	server := adb("nodaemon", "server")
	server.Stdout, server.Stderr = nil, nil
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = server.Process.Kill()
		_ = server.Wait()
	})
	for _, name := range b.names {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(simulated.ServeDevice(l, b.handsets[name]))
		address := l.Addr().String()
		within(t, 30*time.Second, "adb connects to "+name, func() bool {
			out, _ := adb("connect", address).CombinedOutput()
			return strings.Contains(string(out), "connected to "+address)
		})
		b.serials[name] = address
	}
	b.servers = []string{"127.0.0.1:" + port}
}

// within waits for a condition, in real time. In a bubble, where a night passes at once, it
// waits as long as a bench outside would have lived meanwhile, and a night at least.
func within(t *testing.T, limit time.Duration, what string, ok func() bool) {
	t.Helper()
	every := 10 * time.Millisecond
	if airOf(t) != nil {
		limit, every = max(limit*factor, bubbleNight), time.Second
	}
	for deadline := time.Now().Add(limit); !ok(); time.Sleep(every) {
		if time.Now().After(deadline) {
			t.Fatalf("%s: not within %v", what, limit)
		}
	}
}

// bubbleNight is the least that is waited for in a bubble.
const bubbleNight = 24 * time.Hour

// queue queues a plan for every handset.
func (b *bench) queue(plan string) []orchestrator.Item {
	b.t.Helper()
	items, err := b.daemon.Enqueue(orchestrator.Request{Plan: plan})
	if err != nil {
		b.t.Fatal(err)
	}
	return items
}

// finish waits until everything queued has ended, and returns the segments of each handset.
func (b *bench) finish(limit time.Duration) map[string][]results.Segment {
	b.t.Helper()
	defer func() {
		if b.t.Failed() && b.memory == nil {
			b.t.Logf("the daemon's log:\n%s", b.log)
		}
	}()
	within(b.t, limit, "the queue is worked off", func() bool {
		for _, it := range b.daemon.Queue() {
			if it.Outcome == "" {
				return false
			}
		}
		return true
	})
	list, err := b.daemon.Store().Segments("")
	if err != nil {
		b.t.Fatal(err)
	}
	byHandset := map[string][]results.Segment{}
	for _, g := range list {
		byHandset[g.Handset] = append(byHandset[g.Handset], g)
	}
	return byHandset
}

// truth is the exact hours of a segment on its simulated handset.
func (b *bench) truth(g results.Segment) float64 {
	first, last, ok := g.Window()
	if !ok {
		return 0
	}
	return b.handsets[g.Handset].TruthHours(time.Duration(first)*time.Millisecond, time.Duration(last)*time.Millisecond)
}

// clipHash is the SHA-256 of the bench's clip, in hex.
func (b *bench) clipHash() string {
	b.t.Helper()
	content, err := os.ReadFile(b.file.Bench.Clip)
	if err != nil {
		b.t.Fatal(err)
	}
	return fmt.Sprintf("%x", sha256.Sum256(content))
}
