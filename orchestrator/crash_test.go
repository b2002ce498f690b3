package orchestrator_test

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/devices/simulated"
	"rundown/devices/simulated/physics"
	"rundown/orchestrator/api"
	"rundown/results"
	"rundown/scenarios"
)

var crashSeed = flag.Int64("crash.seed", 0, "seed of the crash test; 0: another one each time")

// crashFactor is how much faster than the host's clock a night of the crash test goes.
const crashFactor = 180

// The crash test's handsets outlive the daemon: they live in a process of their own, this
// test binary started once more with benchVariable set.
const benchVariable = "RUNDOWN_TEST_BENCH"

// A phoneProcess is what the process with the handsets is told.
type phoneProcess struct {
	Start  time.Time
	Epoch  time.Time
	Factor float64
	Names  []string
	ADB    string // host:port of its adb server
	Ask    string // host:port where it answers the test and the power gates
}

// servePhones is that process. It ends when its standard input does.
func servePhones() {
	var p phoneProcess
	if err := json.Unmarshal([]byte(os.Getenv(benchVariable)), &p); err != nil {
		panic(err)
	}
	clock := simulated.NewSharedClock(p.Start, p.Factor, p.Epoch)
	files := &kept{files: map[string][]byte{}}
	handsets := map[string]*simulated.Handset{}
	var list []*simulated.Handset
	for _, name := range p.Names {
		o := options(name, clock)
		o.Heat, o.Removed = physics.HeatOptions{KPerW: 1.5}, files.removed
		handsets[name] = simulated.New(o)
		list = append(list, handsets[name])
	}
	l, err := net.Listen("tcp", p.ADB)
	if err != nil {
		panic(err)
	}
	defer simulated.ServeServer(l, list...)()
	mux := http.NewServeMux()
	mux.HandleFunc("POST /gate/{name}/{what}", func(_ http.ResponseWriter, r *http.Request) {
		handsets[r.PathValue("name")].Plug(r.PathValue("what") == "open")
	})
	mux.HandleFunc("GET /file/{segment}", func(w http.ResponseWriter, r *http.Request) {
		if file, ok := files.of(r.PathValue("segment")); ok {
			_, _ = w.Write(file)
			return
		}
		http.NotFound(w, r)
	})
	mux.HandleFunc("GET /shell/{name}", func(w http.ResponseWriter, r *http.Request) {
		out, err := handsets[r.PathValue("name")].Shell(r.Context(), r.URL.Query().Get("c"))
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		_, _ = io.WriteString(w, out.Stdout)
	})
	asked, err := net.Listen("tcp", p.Ask)
	if err != nil {
		panic(err)
	}
	go func() { _ = http.Serve(asked, mux) }()
	fmt.Println("ready")
	_, _ = io.Copy(io.Discard, os.Stdin)
}

// switchGate is this test binary as the command of a power gate: gate URL.
func switchGate(url string) {
	answer, err := http.Post(url, "", nil)
	if err != nil || answer.StatusCode != http.StatusOK {
		fmt.Fprintln(os.Stderr, "gate:", err, answer)
		os.Exit(1)
	}
}

// A crashNight is a night on handsets of another process, looked after by the real binary.
type crashNight struct {
	t       *testing.T
	phones  phoneProcess
	binary  string
	dir     string
	listen  string
	process *exec.Cmd
	log     *os.File
	ups     int // daemons that had come up before this one was started
}

// upMessage is what the log has once for each daemon that came up.
const upMessage = `"message":"the bench is looked after"`

func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func newCrashNight(t *testing.T, binary string, factor float64, repeat, drain int, list string) *crashNight {
	t.Helper()
	n := &crashNight{t: t, binary: binary, dir: t.TempDir(), listen: freeAddress(t)}
	n.phones = phoneProcess{
		Start: benchStart, Epoch: time.Now().UTC(), Factor: factor, Names: []string{"Alder", "Cedar"}, ADB: freeAddress(t), Ask: freeAddress(t),
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	told, _ := json.Marshal(n.phones)
	bench := exec.Command(self)
	bench.Env = append(os.Environ(), benchVariable+"="+string(told))
	bench.Stderr = os.Stderr
	in, err := bench.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := bench.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := bench.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = in.Close()
		_ = bench.Wait()
	})
	if _, err := io.ReadFull(out, make([]byte, len("ready\n"))); err != nil {
		t.Fatalf("the process with the handsets: %v", err)
	}

	clip, err := filepath.Abs(filepath.Join("demo", "clip.mp4"))
	if err != nil {
		t.Fatal(err)
	}
	var plan strings.Builder
	fmt.Fprintf(&plan, "bench:\n  name: crash bench\n  adb_servers: [\"%s\"]\n  stage: {listen: \"%s\"}\n  clip: %s\n  handsets:\n", n.phones.ADB, freeAddress(t), clip)
	for _, name := range n.phones.Names {
		fmt.Fprintf(&plan, "    - name: %s\n      serial: TB-%s\n      capacity_mah: 4500\n      nominal_mv: 3870\n", name, strings.ToUpper(name))
		fmt.Fprintln(&plan, "      luminance:\n        measured: invented\n        points: [{setting: 0, cd_m2: 2}, {setting: 64, cd_m2: 51}, {setting: 128, cd_m2: 170}, {setting: 192, cd_m2: 335}, {setting: 255, cd_m2: 520}]")
		gate := func(what string) string {
			return fmt.Sprintf("[%q, gate, \"http://%s/gate/%s/%s\"]", self, n.phones.Ask, name, what)
		}
		fmt.Fprintf(&plan, "      power_gate:\n        command:\n          open: %s\n          close: %s\n", gate("open"), gate("close"))
	}
	fmt.Fprintf(&plan, `scenarios:
  topping: {extends: charge, start_level_pct: {least: 60, most: 100}}
plans:
  long:
    drain: %d
    repeat: %d
    start_level_pct: {least: 84, most: 94}
    restart_spoiled: 2
    activity_share: {flag_below_pct: 75, spoil_below_pct: 60}
    segments: [%s]
nights:
  weekday:
    starts: "1 21 * * *"
    ends: "20:30"
    zone: UTC
    plan: long
    handsets: [Alder, Cedar]
`, drain, repeat, list)
	if _, err := scenarios.Parse("bench.yaml", []byte(plan.String())); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(n.dir, "bench.yaml"), []byte(plan.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if n.log, err = os.Create(filepath.Join(n.dir, "log.json")); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = n.log.Close() })
	t.Cleanup(func() { n.kill() })
	return n
}

func (n *crashNight) start() {
	n.t.Helper()
	n.process = exec.Command(n.binary, "serve", "--file", filepath.Join(n.dir, "bench.yaml"), "--data", filepath.Join(n.dir, "data"), "--listen", n.listen)
	n.process.Env = append(os.Environ(), "RUNDOWN_TEST_CLOCK="+strings.Join([]string{
		n.phones.Start.Format(time.RFC3339Nano), strconv.FormatFloat(n.phones.Factor, 'g', -1, 64), n.phones.Epoch.Format(time.RFC3339Nano),
	}, ","))
	n.process.Stderr, n.process.Stdout = n.log, n.log
	text, err := os.ReadFile(n.log.Name())
	if err != nil {
		n.t.Fatal(err)
	}
	n.ups = bytes.Count(text, []byte(upMessage))
	if err := n.process.Start(); err != nil {
		n.t.Fatal(err)
	}
}

// up waits until the daemon just started says that it is up: on a busy machine that takes
// longer than it would live, and nothing would ever be killed in its work.
func (n *crashNight) up() {
	n.t.Helper()
	within(n.t, time.Minute, "the daemon is up", func() bool {
		text, err := os.ReadFile(n.log.Name())
		return err == nil && bytes.Count(text, []byte(upMessage)) > n.ups
	})
}

// kill is SIGKILL, which no process hears of.
func (n *crashNight) kill() {
	if n.process != nil {
		_ = n.process.Process.Kill()
		_ = n.process.Wait()
		n.process = nil
	}
}

// states are where the handsets' runs stand, from the log.
func (n *crashNight) states() map[string]string {
	text, _ := os.ReadFile(n.log.Name())
	last := map[string]string{}
	for line := range bytes.Lines(text) {
		var move struct{ Handset, To, Message string }
		if json.Unmarshal(line, &move) == nil && move.Message == "moves" {
			last[move.Handset] = move.To
		}
	}
	return last
}

// over waits until the night has been worked off, and fails when that takes too long.
func (n *crashNight) over(limit time.Duration) {
	n.t.Helper()
	client := api.NewClient(n.listen)
	within(n.t, limit, "the night is worked off", func() bool {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		items, err := client.Queue(ctx)
		if err != nil || len(items) < len(n.phones.Names) {
			return false
		}
		for _, it := range items {
			if it.Outcome == "" {
				return false
			}
		}
		return true
	})
}

// stop ends the daemon as a person does, so that its store can be opened.
func (n *crashNight) stop() *results.Store {
	n.t.Helper()
	_ = n.process.Process.Signal(os.Interrupt)
	if err := n.process.Wait(); err != nil {
		n.t.Errorf("the daemon, told to stop: %v", err)
	}
	n.process = nil
	store, err := results.Open(filepath.Join(n.dir, "data", "rundown.db"))
	if err != nil {
		n.t.Fatal(err)
	}
	n.t.Cleanup(func() { _ = store.Close() })
	return store
}

func (n *crashNight) ask(path string) (string, bool) {
	answer, err := http.Get("http://" + n.phones.Ask + path)
	if err != nil {
		n.t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		n.t.Fatal(err)
	}
	return string(text), answer.StatusCode == http.StatusOK
}

// settings of both handsets, in one text.
func (n *crashNight) settings() string {
	var all []string
	for _, name := range n.phones.Names {
		for _, space := range []string{"system", "global", "secure"} {
			text, ok := n.ask("/shell/" + name + "?c=settings+list+" + space)
			if !ok {
				n.t.Fatalf("%s: %s", name, text)
			}
			all = append(all, name+" "+space+":\n"+text)
		}
	}
	return strings.Join(all, "\n")
}

// segmentsOf are a night's segments as far as they must not depend on the daemon's life.
func segmentsOf(t *testing.T, store *results.Store) []string {
	t.Helper()
	list, err := store.Segments("")
	if err != nil {
		t.Error(err)
	}
	var said []string
	for _, g := range list {
		said = append(said, fmt.Sprintf("%s repeat %d segment %d %s: attempt %d %s, ended by %s, %d points", g.Handset, g.Repeat, g.Index, g.Scenario, g.Attempt, g.Outcome, g.EndedBy, g.Points()))
	}
	slices.Sort(said)
	return said
}

// The real binary is killed at random moments of a night and started again each time. The
// night ends with the same segments as one that nobody disturbed, their samples equal to
// the handsets' files, every setting put back and no power gate left open.
func TestCrashes(t *testing.T) {
	if testing.Short() {
		t.Skip("half a minute")
	}
	t.Parallel()
	kills, factor := 12, float64(crashFactor)
	if n, err := strconv.Atoi(os.Getenv("RUNDOWN_KILLS")); err == nil {
		kills = n
	}
	// Scenarios whose evidence the handset keeps itself. A page that the dead daemon does not
	// serve is not read: at this speed such a segment is rightly spoiled.
	repeat, drain, list := 1, 3, "camera, video, topping"
	if kills > 50 {
		repeat, drain = 6, 5
	}
	seed := *crashSeed
	if seed == 0 {
		seed = time.Now().UnixNano()
	}
	random := rand.New(rand.NewPCG(uint64(seed), 0x6b696c6c))

	binary := filepath.Join(t.TempDir(), "rundown")
	build := exec.Command("go", "build", "-tags", "sharedclock", "-o", binary, "rundown/cmd/rundown")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	calm := newCrashNight(t, binary, factor, repeat, drain, list)
	wild := newCrashNight(t, binary, factor, repeat, drain, list)
	before := wild.settings()
	calm.start()

	in := map[string]int{}
	for range kills {
		wild.start()
		if random.IntN(5) > 0 { // else it dies while it starts
			wild.up()
		}
		time.Sleep(time.Duration(random.IntN(1500)) * time.Millisecond)
		wild.kill()
		for _, state := range wild.states() {
			in[state]++
		}
	}
	wild.start()
	limit := 4 * time.Minute
	if kills > 50 {
		limit = 10 * time.Minute
	}
	wild.over(limit)
	calm.over(limit)
	store, undisturbed := wild.stop(), calm.stop()
	if diff := cmp.Diff(segmentsOf(t, undisturbed), segmentsOf(t, store)); diff != "" {
		t.Errorf("segments (-undisturbed +killed):\n%s", diff)
	}
	if runs, err := store.Runs(); err != nil || len(runs) != len(wild.phones.Names) {
		t.Errorf("%d runs, %v; want one for each of %d handsets", len(runs), err, len(wild.phones.Names))
	}
	segments, _ := store.Segments("")
	samples := 0
	for _, g := range segments {
		stored, err := store.Samples(g.ID)
		if err != nil {
			t.Error(err)
		}
		file, ok := wild.ask("/file/" + g.ID)
		if !ok {
			t.Errorf("segment %s: the handset did not remove its file", g.ID)
			continue
		}
		if diff := sameSamples(stored, []byte(file)); diff != "" {
			t.Errorf("segment %s: stored samples are not the handset's (-file +stored):\n%s", g.ID, diff)
		}
		samples += len(stored)
	}
	if after := wild.settings(); after != before {
		t.Errorf("settings (-before +after):\n%s", cmp.Diff(strings.Split(before, "\n"), strings.Split(after, "\n")))
	}
	for _, name := range wild.phones.Names {
		if battery, _ := wild.ask("/shell/" + name + "?c=dumpsys+battery"); strings.Contains(battery, "powered: true") {
			t.Errorf("%s: its power gate is open after the night", name)
		}
	}
	if t.Failed() {
		text, _ := os.ReadFile(wild.log.Name())
		t.Logf("the killed daemon's log:\n%s", text)
	}
	fmt.Printf("%d kills (seed %d, in %v): %d segments, %d samples, as in an undisturbed night: %v\n", kills, seed, in, len(segments), samples, !t.Failed())
}
