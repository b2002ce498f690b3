package orchestrator_test

import (
	"context"
	"errors"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/devices/simulated"
	"rundown/devices/simulated/physics"
	"rundown/orchestrator"
	"rundown/results"
)

const videoPlan = `
plans:
  film:
    drain: 3
    start_level_pct: {least: 60, most: 94}
    segments: [video]
`

func (b *bench) until(state orchestrator.State) {
	b.t.Helper()
	within(b.t, time.Minute, "a handset is in "+string(state), func() bool {
		return slices.ContainsFunc(b.daemon.Handsets(), func(s orchestrator.HandsetStatus) bool { return s.State == string(state) })
	})
}

func (b *bench) samplesAre(files *kept, segment string) {
	b.t.Helper()
	stored, err := b.daemon.Store().Samples(segment)
	if err != nil {
		b.t.Error(err)
	}
	file, ok := files.of(segment)
	if !ok || len(stored) == 0 {
		b.t.Fatalf("segment %s: %d samples stored, file removed from the handset: %v", segment, len(stored), ok)
	}
	if diff := sameSamples(stored, file); diff != "" {
		b.t.Errorf("segment %s: stored samples are not the handset's (-file +stored):\n%s", segment, diff)
	}
}

// A segment that ran with the cable out and no Wi-Fi, and whose run was given up long
// before, is collected by hand the next morning.
func TestCollectWhatRanWithoutALink(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		files := &kept{files: map[string][]byte{}}
		b := newBench(t, []string{"Alder"}, strings.Replace(videoPlan, "drain: 3", "drain: 3\n    restart_spoiled: 0\n    segment_limit: 1h", 1), func(_ string, o *simulated.Options) { o.Removed = files.removed }).start(overServer)
		b.queue("film")
		b.until(orchestrator.Settling)
		h := b.handsets["Alder"]
		within(t, time.Minute, "the first samples are taken in", func() bool { return !b.daemon.Handsets()[0].EvidenceAt.IsZero() })
		h.LoseLink()
		segments := b.finish(2 * time.Minute)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Spoiled || !strings.Contains(segments[0].Reason, "not heard of until") {
			t.Fatalf("segments %+v, want one that was not heard of", segments)
		}
		if _, err := b.daemon.Collect(t.Context(), "Alder"); !errors.Is(err, devices.ErrOffline) {
			t.Errorf("collecting from a handset that is away: %v, want %v", err, devices.ErrOffline)
		}
		end := onboard.Root + "/" + segments[0].ID + "/end.txt"
		within(t, 2*time.Minute, "the handset ends by itself", func() bool {
			f, err := h.StatFile(end)
			return err == nil && f.Size > 0
		})
		b.stopDaemon() // else the daemon collects it before the person does
		h.RestoreLink()
		b.startDaemon()
		var found []orchestrator.Found
		within(t, time.Minute, "the handset is seen", func() bool {
			var err error
			found, err = b.daemon.Collect(t.Context(), "Alder")
			return err == nil
		})
		g, err := b.daemon.Store().Segment(segments[0].ID)
		if err != nil || g.Outcome != results.Measured || g.Points() != 3 || g.EndedBy != onboard.EndTarget {
			t.Errorf("%s, %s, %d points, ended by %q, %v; want measured, 3, target (found %+v)", g.Outcome, g.Reason, g.Points(), g.EndedBy, err, found)
		}
		b.samplesAre(files, g.ID)
		if found, err = b.daemon.Collect(t.Context(), "Alder"); err != nil || len(found) != 0 {
			t.Errorf("collected once more: %+v, %v; want nothing", found, err)
		}
	})
}

// A folder on the handset of which the store knows nothing: its samples are kept, no
// figure is made of them, and the handset's copy stays.
func TestCollectWhatTheStoreDoesNotKnow(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, videoPlan).start(overServer)
		h := b.handsets["Alder"]
		if err := onboard.Install(t.Context(), h, onboard.Segment{Key: "stray-1", SampleEverySec: 5, TimeLimitSec: 60, NoTarget: true}); err != nil {
			t.Fatal(err)
		}
		if err := onboard.Start(t.Context(), h, "stray-1"); err != nil {
			t.Fatal(err)
		}
		within(t, time.Minute, "the recording ends", func() bool {
			s, err := onboard.Inspect(t.Context(), h, "stray-1")
			return err == nil && s.Ended
		})
		var found []orchestrator.Found
		within(t, time.Minute, "the handset is seen", func() (ok bool) {
			var err error
			found, err = b.daemon.Collect(t.Context(), "Alder")
			return err == nil
		})
		if len(found) != 1 || found[0].Outcome != results.Spoiled || found[0].Removed || found[0].Samples < 10 {
			t.Errorf("found %+v; want one that is spoiled, stored and left", found)
		}
	})
}

// A handset that spoils three segments in a row is set aside while the others go on.
func TestQuarantine(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder", "Cedar"}, `
plans:
  night:
    drain: 3
    start_level_pct: {least: 40, most: 94}
    restart_spoiled: 1
    segments: [video, video, video]
`).start(overServer)
		ctx := context.Background()
		if _, err := b.handsets["Alder"].Shell(ctx, "pm disable-user --user 0 "+playerPackage); err != nil {
			t.Fatal(err)
		}
		b.queue("night")
		time.Sleep(time.Second) // in a bubble two items would be queued at the same instant
		next, err := b.daemon.Enqueue(orchestrator.Request{Plan: "night", Handsets: []string{"Alder"}})
		if err != nil {
			t.Fatal(err)
		}
		within(t, 3*time.Minute, "both runs end", func() bool {
			n := 0
			for _, it := range b.daemon.Queue() {
				if it.Outcome != "" {
					n++
				}
			}
			return n == 2
		})
		segments, _ := b.daemon.Store().Segments("")
		spoiled, measured := 0, 0
		for _, g := range segments {
			switch {
			case g.Handset == "Alder" && g.Outcome == results.Spoiled:
				spoiled++
			case g.Handset == "Cedar" && g.Outcome == results.Measured:
				measured++
			}
		}
		if spoiled != 3 || measured != 3 {
			t.Errorf("Alder spoiled %d, Cedar measured %d; want 3, 3", spoiled, measured)
		}
		if first := b.daemon.Handsets()[0]; first.Name != "Alder" || first.SetAside == nil || !strings.Contains(first.SetAside.Reason, "3 segments spoiled in a row") {
			t.Errorf("first in the status: %+v; want Alder, set aside", first)
		}
		summary, err := b.daemon.NightSummary("")
		if err != nil || len(summary.SetAside) != 1 || !strings.HasPrefix(summary.Lines()[0], "Alder is set aside") {
			t.Errorf("summary %+v, %v; want it to begin with Alder", summary, err)
		}
		b.stopDaemon() // it stays set aside when the daemon is started again
		b.startDaemon()
		_ = b.clock.Sleep(ctx, 5*time.Minute)
		if it := b.item(next[0].ID); it.State != orchestrator.Waiting {
			t.Errorf("the next item is %s (%s) while the handset is set aside; want waiting", it.State, it.Outcome)
		}
		if _, err := b.handsets["Alder"].Shell(ctx, "pm enable "+playerPackage); err != nil {
			t.Fatal(err)
		}
		if err := b.daemon.Release("Alder"); err != nil {
			t.Fatal(err)
		}
		b.finish(3 * time.Minute)
		if it := b.item(next[0].ID); it.Outcome != string(orchestrator.Done) {
			t.Errorf("after its release: %s; want Done", it.Outcome)
		}
		if err := b.daemon.Release("Cedar"); !errors.Is(err, orchestrator.ErrNotNow) {
			t.Errorf("releasing a handset that is not set aside: %v, want %v", err, orchestrator.ErrNotNow)
		}
	})
}

func (b *bench) item(id string) orchestrator.Item {
	for _, it := range b.daemon.Queue() {
		if it.ID == id {
			return it
		}
	}
	return orchestrator.Item{}
}

// Runs that share the air are held apart by a named limit, and a daemon that is started
// again counts those that are under way.
func TestNamedLimit(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder", "Cedar", "Maple"}, `
scenarios:
  streaming:
    extends: video
    holds: [air]
limits:
  shared: {air: 1}
plans:
  short:
    drain: 3
    start_level_pct: {least: 60, most: 94}
    segments: [streaming]
`)
		var holding, most atomic.Int32
		b.watch = func(_ string, s orchestrator.State) {
			switch s {
			case orchestrator.Settling:
				if n := holding.Add(1); n > most.Load() {
					most.Store(n)
				}
			case orchestrator.Collecting:
				holding.Add(-1)
			}
		}
		b.start(overServer)
		b.queue("short")
		b.until(orchestrator.Draining)
		b.stopDaemon()
		holding.Store(1) // of the run that is taken up, in Draining
		b.startDaemon()
		for name, segments := range b.finish(4 * time.Minute) {
			if len(segments) != 1 || segments[0].Outcome != results.Measured {
				t.Errorf("%s: %+v", name, segments)
			}
		}
		if most.Load() != 1 {
			t.Errorf("%d segments held the limit of 1 at once", most.Load())
		}
	})
}

func TestRunsAtOnce(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder", "Cedar", "Maple"}, videoPlan+"limits:\n  runs_at_once: 2\n")
		var mu sync.Mutex
		running, most := map[string]bool{}, 0
		b.watch = func(name string, s orchestrator.State) {
			mu.Lock()
			defer mu.Unlock()
			running[name] = true
			n := 0
			for _, it := range b.daemon.Queue() {
				if it.State == orchestrator.Running && it.Outcome == "" && running[it.Handset] {
					n++
				}
			}
			most = max(most, n)
		}
		b.start(overServer)
		b.queue("film")
		b.finish(4 * time.Minute)
		if most != 2 {
			t.Errorf("%d runs at once, want 2", most)
		}
	})
}

// A night's end is kept to: what cannot end by it with its recharge is not begun, and what
// drains more slowly than was expected is ended by the handset itself.
func TestTimeBudget(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, `
plans:
  long:
    drain: 7
    start_level_pct: {least: 80, most: 94}
    segments: [browse, browse]
`, func(_ string, o *simulated.Options) { o.ScalePower = 0.7 }).start(overServer) // less than the 8 %/h that are assumed
		end := b.clock.Now().Add(80 * time.Minute)
		if _, err := b.daemon.Enqueue(orchestrator.Request{Plan: "long", FinishBy: end}); err != nil {
			t.Fatal(err)
		}
		b.until(orchestrator.Draining)
		if s := b.daemon.Handsets()[0]; s.RunEnd.IsZero() || !s.RunEnd.After(s.ExpectedEnd) {
			t.Errorf("the run is expected to end at %v, its first of two segments at %v", s.RunEnd, s.ExpectedEnd)
		}
		segments := b.finish(3 * time.Minute)["Alder"]
		if len(segments) != 2 || segments[0].EndedBy != onboard.EndTimeLimit || segments[1].Outcome != results.Skipped {
			for _, g := range segments {
				t.Logf("%s, %s, ended by %q", g.Outcome, g.Reason, g.EndedBy)
			}
			t.Fatal("want one segment that ended at its time limit, and one that was not begun")
		}
		if last := segments[0].EndedAt; last.After(end) {
			t.Errorf("the segment ended at %v, after the night at %v", last, end)
		}
	})
}

// Too hot: the handset ends its segment by itself, and the daemon cuts the power besides.
// Both stand in the reason.
func TestHeatEndsASegment(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, `
plans:
  hot:
    drain: 7
    start_level_pct: {least: 60, most: 94}
    stop_temp_c: 36
    restart_spoiled: 0
    segments: [video]
`, func(_ string, o *simulated.Options) { o.Heat = physics.HeatOptions{KPerW: 1} }).start(overServer)
		gate := &countingGate{PowerGate: b.handsets["Alder"].Gate()}
		b.stopDaemon()
		b.gates = map[string]devices.PowerGate{"Alder": gate}
		b.startDaemon()
		b.queue("hot")
		b.until(orchestrator.Draining)
		before := gate.closed.Load()
		b.handsets["Alder"].SetAmbientC(48)
		g := b.finish(2 * time.Minute)["Alder"][0]
		if g.EndedBy != onboard.EndTemperatureLimit || !strings.Contains(g.Reason, "ended at the temperature limit; the daemon read: battery at ") || !strings.Contains(g.Reason, "power gate simulated closed") {
			t.Errorf("ended by %q, reason %q; want both the handset's limit and the daemon's", g.EndedBy, g.Reason)
		}
		if gate.closed.Load() == before {
			t.Error("the power gate was not closed")
		}
	})
}

type countingGate struct {
	devices.PowerGate
	closed atomic.Int32
}

func (g *countingGate) Close(ctx context.Context) error {
	g.closed.Add(1)
	return g.PowerGate.Close(ctx)
}

// A host whose clock is set during a segment, forwards or back, spoils nothing: durations
// are the handset's.
func TestHostClockIsSet(t *testing.T) {
	t.Parallel()
	for _, by := range []time.Duration{-3 * time.Hour, 26 * time.Hour} {
		t.Run(by.String(), func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				files := &kept{files: map[string][]byte{}}
				b := newBench(t, []string{"Alder"}, shortPlan, func(_ string, o *simulated.Options) { o.Removed = files.removed })
				host := &setClock{Clock: b.clock}
				b.hostClock = host
				b.start(overServer)
				b.queue("short")
				b.until(orchestrator.Draining)
				host.by.Store(int64(by))
				segments := b.finish(2 * time.Minute)["Alder"]
				if len(segments) != 1 || segments[0].Outcome != results.Measured || segments[0].Revivals != 0 {
					t.Fatalf("segments %+v; want one that is measured, without a revival", segments)
				}
				g := segments[0]
				b.samplesAre(files, g.ID)
				samples, _ := b.daemon.Store().Samples(g.ID)
				for i := 1; i < len(samples); i++ {
					if up, at := samples[i].UptimeMS-samples[i-1].UptimeMS, samples[i].HostAt.Sub(samples[i-1].HostAt).Milliseconds(); up != at {
						t.Fatalf("between samples %d and %d: %d ms of uptime, %d ms by the host", i, i+1, up, at)
					}
				}
				if !slices.ContainsFunc(g.Notes, func(n results.Note) bool { return strings.Contains(n.Text, "clock was set") }) {
					t.Errorf("notes %+v; want one about the clock", g.Notes)
				}
			})
		})
	}
}

// setClock is a host's clock that somebody sets.
type setClock struct {
	simulated.Clock
	by atomic.Int64
}

func (c *setClock) Now() time.Time { return c.Clock.Now().Add(time.Duration(c.by.Load())) }

// A daemon that dies during a recharge leaves the gate open; the next one closes it before
// anything else.
func TestGateIsClosedAfterACrash(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, `
plans:
  two:
    drain: 3
    start_level_pct: {least: 90, most: 94}
    segments: [video]
`, func(_ string, o *simulated.Options) { o.LevelPct = 80 })
		data := b.data
		b.start(overServer)
		b.queue("two")
		h := b.handsets["Alder"]
		within(t, time.Minute, "the gate opens", func() bool { return strings.Contains(show(t, h, "dumpsys battery"), "AC powered: true") })
		// The store as it is at this instant is what a daemon that dies here would leave.
		left := t.TempDir()
		if err := b.daemon.Store().BackUp(filepath.Join(left, "rundown.db")); err != nil {
			t.Fatal(err)
		}
		b.stopDaemon()
		if strings.Contains(show(t, h, "dumpsys battery"), "AC powered: true") {
			t.Error("a daemon that was told to stop left the gate open")
		}
		h.Plug(true)
		b.memory.kill() // no handset can be seen
		b.data = left
		b.startDaemon()
		if strings.Contains(show(t, h, "dumpsys battery"), "AC powered: true") {
			t.Error("the gate that was open when the daemon died is open after the next start")
		}
		b.data = data
	})
}

func TestSecondDaemonIsRefused(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, videoPlan).start(overServer)
		second := orchestrator.New(orchestrator.Config{File: b.file, DataDir: b.data, Clock: b.clock})
		if err := second.Start(t.Context()); !errors.Is(err, results.ErrInUse) {
			t.Errorf("a second daemon on the same data folder: %v, want %v", err, results.ErrInUse)
		}
	})
}

// A store that has lost its end is refused with words, and the copy beside it is whole.
func TestStoreCutShort(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, videoPlan).start(overServer)
		b.queue("film")
		g := b.finish(2 * time.Minute)["Alder"][0]
		path := filepath.Join(b.data, "rundown.db")
		b.stopDaemon()
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		copied, err := results.Open(filepath.Join(b.data, "rundown-backup.db"))
		if err != nil {
			t.Fatal(err)
		}
		if samples, err := copied.Samples(g.ID); err != nil || len(samples) != g.Samples {
			t.Errorf("the copy has %d samples, %v; want %d", len(samples), err, g.Samples)
		}
		_ = copied.Close()
		for _, size := range []int64{info.Size() / 3, 3 * int64(os.Getpagesize()), 100} {
			if err := os.Truncate(path, size); err != nil {
				t.Fatal(err)
			}
			d := orchestrator.New(orchestrator.Config{File: b.file, DataDir: b.data, Clock: b.clock})
			if err := d.Start(t.Context()); err == nil || !strings.Contains(err.Error(), "rundown.db") {
				t.Errorf("a store of %d bytes of %d: %v; want an error that names it", size, info.Size(), err)
			}
		}
	})
}

// A disk that is full while a segment runs: the run waits, the handset goes on, and when
// there is room again every sample is stored.
func TestFullDisk(t *testing.T) {
	signal.Ignore(syscall.SIGXFSZ) // writing then fails as on a full disk, with another word
	defer signal.Reset(syscall.SIGXFSZ)
	inBubble(t, func(t *testing.T) {
		files := &kept{files: map[string][]byte{}}
		b := newBench(t, []string{"Alder"}, videoPlan, func(_ string, o *simulated.Options) { o.Removed = files.removed }).start(overServer)
		b.quiet = true
		b.queue("film")
		b.until(orchestrator.Draining)
		var free syscall.Rlimit
		if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &free); err != nil {
			t.Fatal(err)
		}
		mend := sync.OnceFunc(func() {
			if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &free); err != nil {
				t.Error(err)
			}
		})
		defer mend()
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: 4096, Max: free.Max}); err != nil {
			t.Fatal(err)
		}
		within(t, time.Minute, "the status says so", func() bool { return b.daemon.Handsets()[0].Problem != "" })
		if keys, err := onboard.List(t.Context(), b.handsets["Alder"]); err != nil || len(keys) != 1 {
			t.Errorf("on the handset: %v, %v; want its segment", keys, err)
		}
		mend()
		segments := b.finish(2 * time.Minute)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Measured {
			t.Fatalf("segments %+v; want one that is measured", segments)
		}
		b.samplesAre(files, segments[0].ID)
	})
}

// Summer time begins and ends during a night: the night is queued once and its segments
// last as long as the handset says.
func TestSummerTime(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for name, start := range map[string]time.Time{ // clocks go forward, and back, at 1:00 UTC (EU Directive 2000/84/EC)
		"forward": time.Date(2030, 3, 31, 1, 50, 0, 0, zone), "back": time.Date(2030, 10, 27, 2, 40, 0, 0, zone),
	} {
		t.Run(name, func(t *testing.T) {
			inBubbleAt(t, start.UTC(), func(t *testing.T) {
				b := newBench(t, []string{"Alder"}, videoPlan+`
nights:
  sunday:
    starts: "55 1 * * *"
    ends: "07:30"
    zone: Europe/Berlin
    plan: film
    handsets: [Alder]
`).start(overServer)
				within(t, time.Minute, "the night is queued", func() bool { return len(b.daemon.Queue()) == 1 })
				g := b.finish(2 * time.Minute)["Alder"]
				if len(g) != 1 || g[0].Outcome != results.Measured {
					t.Fatalf("segments %+v; want one that is measured", g)
				}
				for b.clock.Now().Before(start.Add(2 * time.Hour)) {
					_ = b.clock.Sleep(t.Context(), 10*time.Minute)
				}
				if n := len(b.daemon.Queue()); n != 1 {
					t.Errorf("the night was queued %d times", n)
				}
			})
		})
	}
}
