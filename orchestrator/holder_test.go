package orchestrator_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rundown/devices/onboard"
	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
)

// A guard looks every few seconds which programs run on a handset, without its link.
type guard struct {
	stop context.CancelFunc
	done sync.WaitGroup

	mu    sync.Mutex
	twice []string // looks at which two recorders or two workloads ran
	looks int
}

// watchPrograms guards a handset until the guard is asked.
func (b *bench) watchPrograms(name string) *guard {
	ctx, stop := context.WithCancel(context.Background())
	g := &guard{stop: stop}
	g.done.Go(func() {
		for ctx.Err() == nil {
			n := b.programsOn(ctx, name)
			if n["recorder.sh"] > 1 || n["workload.sh"] > 1 {
				// A program that has forked for one of its own commands shows twice for a moment.
				time.Sleep(time.Second)
				n = b.programsOn(ctx, name)
			}
			g.mu.Lock()
			g.looks++
			if n["recorder.sh"] > 1 || n["workload.sh"] > 1 {
				g.twice = append(g.twice, fmt.Sprintf("%s: %v", time.Now().Format(time.TimeOnly), n))
			}
			g.mu.Unlock()
			select {
			case <-time.After(3 * time.Second):
			case <-ctx.Done():
			}
		}
	})
	b.t.Cleanup(g.end)
	return g
}

// programsOn counts the onboard programs that run on a handset, by kind.
func (b *bench) programsOn(ctx context.Context, name string) map[string]int {
	var out, errs bytes.Buffer
	b.handsets[name].Exec(ctx, `for p in /proc/[0-9]*; do c=; read -r c <$p/cmdline; echo "$c"; done 2>/dev/null`, nil, &out, &errs)
	n := map[string]int{}
	for line := range strings.Lines(out.String()) {
		for _, program := range []string{"recorder.sh", "workload.sh"} {
			if line = strings.TrimSpace(line); strings.Contains(line, onboard.Root) && strings.Contains(line, program) && strings.HasSuffix(line, "run") {
				n[program]++
			}
		}
	}
	return n
}

func (g *guard) end() {
	g.stop()
	g.done.Wait()
}

// neverTwo says whether never two of a kind ran at once.
func (g *guard) neverTwo(b *bench) {
	b.t.Helper()
	g.end()
	if len(g.twice) > 0 || g.looks < 20 {
		b.t.Errorf("two programs of a kind at %d of %d looks: %v", len(g.twice), g.looks, g.twice)
	}
}

// inState waits until a handset of the bench is in a state, by the bubble's clock.
func (b *bench) inState(name string, state orchestrator.State) {
	b.t.Helper()
	within(b.t, time.Minute, name+" is in "+string(state), func() bool { return b.status(name).State == string(state) })
}

func (b *bench) status(name string) orchestrator.HandsetStatus {
	for _, s := range b.daemon.Handsets() {
		if s.Name == name {
			return s
		}
	}
	return orchestrator.HandsetStatus{}
}

// trueRate holds a segment's figure against what its handset would have lasted.
func (b *bench) trueRate(g results.Segment) {
	b.t.Helper()
	figures, err := b.daemon.Reading().Figures(reading.FigureFilter{Run: g.RunID})
	if err != nil {
		b.t.Error(err)
	}
	for _, f := range figures {
		for _, one := range f.Each {
			if one.Segment == g.ID {
				if truth := b.truth(g); one.Hours.Low > truth || one.Hours.High < truth {
					b.t.Errorf("%.2f h (%.2f to %.2f), and the truth is %.2f", one.Hours.Value, one.Hours.Low, one.Hours.High, truth)
				}
				return
			}
		}
	}
	b.t.Errorf("segment %s has no figure", g.ID)
}

const holderPlan = `
plans:
  film:
    drain: 4
    start_level_pct: {least: 40, most: 94}
    segments: [video]
`

// A cancel while the handset is away is kept, also by a daemon that dies, and carried out
// when the handset is back, before anything else: what went on there ends, its samples are
// stored, and the next run has the handset to itself.
func TestCancelWhileAway(t *testing.T) {
	t.Parallel()
	for name, tt := range map[string]struct {
		from      orchestrator.State
		restarted bool          // the daemon is, before the handset is back
		away      time.Duration // altogether
		queued    time.Duration // before the next plan is, after the cancel
	}{
		"draining":                     {from: orchestrator.Draining, away: 30 * time.Second},
		"draining, another much later": {from: orchestrator.Draining, away: 10 * time.Minute, queued: 20 * time.Minute},
		"settling":                     {from: orchestrator.Settling, away: 2 * time.Minute},
		"restarted":                    {from: orchestrator.Draining, restarted: true, away: 5 * time.Minute},
		"restarted and back":           {from: orchestrator.Draining, restarted: true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			files := &kept{files: map[string][]byte{}}
			bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
				b.startDaemon()
				guard := b.watchPrograms("Alder")
				first := b.queue("film")[0]
				b.inState("Alder", tt.from)
				time.Sleep(time.Minute)
				h := b.handsets["Alder"]
				if tt.away > 0 {
					h.LoseLink()
				}
				if _, err := b.daemon.Cancel(first.ID); err != nil {
					b.t.Fatal(err)
				}
				if tt.restarted {
					b.stopDaemon()
					time.Sleep(2 * time.Minute)
					b.startDaemon()
				}
				back := time.AfterFunc(tt.away, h.RestoreLink)
				defer back.Stop()
				time.Sleep(tt.queued)
				second := b.queue("film")[0]
				segments := b.finish(time.Minute)["Alder"]
				guard.neverTwo(b)
				if len(segments) != 2 {
					b.t.Fatalf("segments %+v; want two", segments)
				}
				a, z := segments[0], segments[1]
				if a.Outcome != results.Cancelled || !strings.HasPrefix(a.Reason, "cancelled while "+strings.ToLower(string(tt.from))) {
					b.t.Errorf("the first: %s, %q; want cancelled, while %s", a.Outcome, a.Reason, tt.from)
				}
				b.samplesAre(files, a.ID)
				if z.Outcome != results.Measured || z.EndedBy != onboard.EndTarget {
					b.t.Errorf("the second: %s, %q, ended by %q; want measured", z.Outcome, z.Reason, z.EndedBy)
				}
				b.trueRate(z)
				if it := b.item(first.ID); it.State != orchestrator.Cancelled || it.Outcome != "Stopped: cancelled" {
					b.t.Errorf("the first item: %s, %q", it.State, it.Outcome)
				}
				if it := b.item(second.ID); it.Outcome != string(orchestrator.Done) {
					b.t.Errorf("the second item: %q; want Done", it.Outcome)
				}
				b.nothingLeft("Alder")
			}, func(_ string, o *simulated.Options) { o.Removed = files.removed })
		})
	}
}

// nothingLeft wants a handset without programs and folders, given back.
func (b *bench) nothingLeft(name string) {
	b.t.Helper()
	var look onboard.Holding
	within(b.t, time.Minute, name+" is given back", func() bool {
		var err error
		look, err = onboard.Held(context.Background(), b.handsets[name])
		return err == nil && look.Condition == onboard.HoldsFree
	})
	if len(look.Running) > 0 {
		b.t.Errorf("%s: running %+v", name, look.Running)
	}
	if keys, err := onboard.List(context.Background(), b.handsets[name]); err != nil || len(keys) > 0 {
		b.t.Errorf("%s: left are %v, %v", name, keys, err)
	}
}

// What is cancelled with the handset in reach is no measurement either, however far it came.
func TestCancelWithTheHandsetThere(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
		b.startDaemon()
		it := b.queue("film")[0]
		b.inState("Alder", orchestrator.Draining)
		within(b.t, time.Minute, "three points are drained", func() bool { return b.status("Alder").PointsDone >= 3 })
		if _, err := b.daemon.Cancel(it.ID); err != nil {
			b.t.Fatal(err)
		}
		g := b.finish(time.Minute)["Alder"][0]
		if g.Outcome != results.Cancelled || g.Reason != "cancelled while draining, after 3 of 4 points" {
			b.t.Errorf("%s, %q; want cancelled after 3 of 4 points", g.Outcome, g.Reason)
		}
		figures, err := b.daemon.Reading().Figures(reading.FigureFilter{})
		if err != nil || len(figures) != 1 || figures[0].Kept != 0 || figures[0].Cancelled != 1 || figures[0].Hours.Value != 0 || len(figures[0].Each) != 0 {
			b.t.Errorf("figures %+v, %v; want none of it", figures, err)
		}
		rows, _, err := b.daemon.Reading().FigureRows(results.Filter{})
		if err != nil || len(rows) != 1 || rows[0].Hours != nil || !strings.HasPrefix(rows[0].Reason, "cancelled: ") {
			b.t.Errorf("rows %+v, %v; want one without hours that says why", rows, err)
		}
		if learned, err := b.daemon.Reading().Learned(""); err != nil || len(learned) != 0 {
			b.t.Errorf("learned %+v, %v; want nothing", learned, err)
		}
		n, err := b.daemon.NightSummary("")
		if err != nil || n.Handsets[0].Cancelled != 1 || n.Handsets[0].Measured != 0 || !strings.Contains(strings.Join(n.Lines(), "\n"), "1 cancelled") {
			b.t.Errorf("summary %+v, %v; want one that is cancelled", n, err)
		}
		b.nothingLeft("Alder")
	})
}

// second is another daemon on the same handsets, with a store and a bench of its own.
func (b *bench) second(name string) *bench {
	b.t.Helper()
	other := *b
	other.daemon, other.log, other.data, other.watch = nil, &bytes.Buffer{}, memoryFolder(b.t), nil
	other.file.Bench.Name = name
	b.t.Cleanup(func() {
		if b.t.Failed() {
			b.t.Logf("the log of %s:\n%s", name, other.log)
		}
	})
	other.startDaemon()
	return &other
}

// Two daemons reach one handset: the second is told who holds it and since when, begins
// nothing and changes nothing, and has its turn when the first gives the handset back.
func TestSecondDaemonWaits(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
		b.startDaemon()
		guard := b.watchPrograms("Alder")
		north := b.second("north")
		b.queue("film")
		b.inState("Alder", orchestrator.Draining)
		it := north.queue("film")[0]
		within(north.t, time.Minute, "the second daemon sees who holds it", func() bool {
			s := north.status("Alder")
			return s.HeldBy != nil && s.WaitsFor != "" // its idle handset is looked at as well as its queue
		})
		s := north.status("Alder")
		if s.HeldBy.Bench != "test bench" || s.HeldBy.Since.IsZero() || s.HeldBy.Problem != "" || !strings.Contains(s.WaitsFor, "held by bench test bench") ||
			!strings.Contains(s.WaitsFor, ", since ") || !strings.Contains(s.WaitsFor, "rundown take-over Alder") {
			b.t.Errorf("held by %+v, waits for %q; want the bench, since when, and what to do", s.HeldBy, s.WaitsFor)
		}
		if _, err := north.daemon.Check(b.t.Context(), "Alder", "film", true); !errors.Is(err, orchestrator.ErrNotNow) || !errors.Is(err, onboard.ErrHeld) || !strings.Contains(err.Error(), "bench test bench") {
			b.t.Errorf("setting its preconditions: %v; want it refused, naming the bench", err)
		}
		if _, err := north.daemon.Undo(b.t.Context(), "Alder"); !errors.Is(err, onboard.ErrHeld) {
			b.t.Errorf("putting back what a check had set: %v, want %v", err, onboard.ErrHeld)
		}
		if got := north.item(it.ID); got.State != orchestrator.Waiting {
			b.t.Errorf("the second daemon's item is %s; want waiting", got.State)
		}
		mine := b.finish(time.Minute)["Alder"]
		theirs := north.finish(time.Minute)["Alder"]
		guard.neverTwo(b)
		for i, g := range slices.Concat(mine, theirs) {
			if g.Outcome != results.Measured {
				b.t.Errorf("segment %d: %s, %q; want measured", i+1, g.Outcome, g.Reason)
			}
		}
		if len(mine) != 1 || len(theirs) != 1 {
			b.t.Fatalf("%d and %d segments; want one each", len(mine), len(theirs))
		}
		b.trueRate(mine[0])
		north.trueRate(theirs[0])
		if s := north.status("Alder"); s.HeldBy != nil {
			b.t.Errorf("still held by %v", s.HeldBy)
		}
		b.nothingLeft("Alder")
		if _, err := north.daemon.TakeOver(b.t.Context(), "Alder"); !errors.Is(err, orchestrator.ErrNotNow) {
			b.t.Errorf("taking over what nobody holds: %v, want %v", err, orchestrator.ErrNotNow)
		}
	})
}

// A person takes the handset over: what the first daemon runs there ends by itself, also
// where it cannot hear of it, its segment is spoiled with words that name who has the
// handset, its settings are put back once it is free, and never do two programs run.
func TestTakeOver(t *testing.T) {
	t.Parallel()
	for _, state := range []orchestrator.State{orchestrator.Preparing, orchestrator.Recharging, orchestrator.Settling, orchestrator.Draining} {
		t.Run(string(state), func(t *testing.T) {
			t.Parallel()
			files := &kept{files: map[string][]byte{}}
			bubbleBench(t, []string{"Alder"}, strings.Replace(holderPlan, "least: 40", "least: 60", 1), func(b *bench) {
				h := b.handsets["Alder"]
				reached := make(chan struct{})
				b.watch = func(_ string, s orchestrator.State) {
					if s == state {
						select {
						case <-reached:
						default:
							close(reached)
						}
					}
				}
				before := allSettings(b.t, h)
				b.startDaemon()
				guard := b.watchPrograms("Alder")
				north := b.second("north")
				first := b.queue("film")[0]
				<-reached
				time.Sleep(20 * time.Second)
				by, err := north.daemon.TakeOver(b.t.Context(), "Alder")
				if err != nil || by.Bench != "test bench" {
					b.t.Fatalf("taken over from %+v, %v; want the test bench", by, err)
				}
				if look, err := onboard.Held(b.t.Context(), h); err != nil || look.Who.Bench != "north" || len(look.Running) > 0 {
					b.t.Errorf("then it holds %+v, %v; want north and nothing running", look, err)
				}
				next, err := b.daemon.Enqueue(orchestrator.Request{Plan: "film"}) // of the first daemon, once more
				if err != nil {
					b.t.Fatal(err)
				}
				mine := north.queue("film")[0]
				within(b.t, time.Minute, "the first daemon's run ends", func() bool { return b.item(first.ID).Outcome != "" })
				if got := b.item(first.ID).Outcome; !strings.HasPrefix(got, "Stopped: the handset was taken over by bench north") {
					b.t.Errorf("the first daemon's run: %q; want that north took it over", got)
				}
				segments, err := b.daemon.Store().Segments(b.item(first.ID).RunID)
				if err != nil {
					b.t.Error(err)
				}
				wanted := 0
				if state == orchestrator.Settling || state == orchestrator.Draining {
					wanted = 1
				}
				if len(segments) != wanted {
					b.t.Errorf("segments %+v; want %d", segments, wanted)
				}
				for _, g := range segments {
					if g.Outcome != results.Spoiled || !strings.HasPrefix(g.Reason, "the handset was taken over by bench north") {
						b.t.Errorf("%s, %q; want spoiled, taken over by north", g.Outcome, g.Reason)
					}
					if g.EndedBy != "" && g.EndedBy != onboard.EndHolderChanged {
						b.t.Errorf("ended by %q, want %q", g.EndedBy, onboard.EndHolderChanged)
					}
					b.samplesAre(files, g.ID)
				}
				theirs := north.finish(time.Minute)["Alder"]
				if len(theirs) != 1 || theirs[0].Outcome != results.Measured {
					b.t.Fatalf("north's segments %+v; want one that is measured", theirs)
				}
				north.trueRate(theirs[0])
				if got := north.item(mine.ID).Outcome; got != string(orchestrator.Done) {
					b.t.Errorf("north's run: %q; want Done", got)
				}
				within(b.t, time.Minute, "the first daemon has its turn again", func() bool { return b.item(next[0].ID).Outcome != "" })
				if got := b.item(next[0].ID).Outcome; got != string(orchestrator.Done) {
					b.t.Errorf("the first daemon's next run: %q; want Done", got)
				}
				guard.neverTwo(b)
				b.nothingLeft("Alder")
				if after := allSettings(b.t, h); after != before {
					b.t.Errorf("settings are not as they were:\n%s", diffLines(before, after))
				}
			}, func(_ string, o *simulated.Options) {
				o.Removed = files.removed
				switch state {
				case orchestrator.Preparing: // the level has to sink into the start window first
					o.LevelPct = 97
				case orchestrator.Recharging:
					o.LevelPct = 57
				}
			})
		})
	}
}

func diffLines(a, b string) string {
	was, is := strings.Split(a, "\n"), strings.Split(b, "\n")
	var out []string
	for _, l := range was {
		if !slices.Contains(is, l) {
			out = append(out, "-"+l)
		}
	}
	for _, l := range is {
		if !slices.Contains(was, l) {
			out = append(out, "+"+l)
		}
	}
	return strings.Join(out, "\n")
}

// A handset that is away when a person takes it over by another way is found taken when it
// is back; nothing is started there any more.
func TestTakenOverWhileAway(t *testing.T) {
	t.Parallel()
	files := &kept{files: map[string][]byte{}}
	bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
		b.startDaemon()
		guard := b.watchPrograms("Alder")
		first := b.queue("film")[0]
		b.inState("Alder", orchestrator.Draining)
		h := b.handsets["Alder"]
		h.LoseLink()
		time.Sleep(time.Minute)
		b.memory.kill() // the first daemon's server; the second has one of its own
		h.RestoreLink()
		north := *b
		north.memory = newMemoryServer(b)
		other := north.second("north")
		within(other.t, time.Minute, "north sees it", func() bool { return other.status("Alder").Link == "ready" })
		if _, err := other.daemon.TakeOver(b.t.Context(), "Alder"); err != nil {
			b.t.Fatal(err)
		}
		other.queue("film")
		other.inState("Alder", orchestrator.Draining)
		b.memory.start()
		within(b.t, time.Minute, "the first daemon's run ends", func() bool { return b.item(first.ID).Outcome != "" })
		segments, _ := b.daemon.Store().Segments(b.item(first.ID).RunID)
		if len(segments) != 1 || segments[0].Outcome != results.Spoiled || !strings.HasPrefix(segments[0].Reason, "the handset was taken over by bench north") {
			b.t.Errorf("segments %+v; want one, taken over by north", segments)
		}
		theirs := other.finish(time.Minute)["Alder"]
		guard.neverTwo(b)
		if len(theirs) != 1 || theirs[0].Outcome != results.Measured || theirs[0].Revivals > 0 {
			b.t.Fatalf("north's segments %+v; want one that is measured, undisturbed", theirs)
		}
		other.trueRate(theirs[0])
	}, func(_ string, o *simulated.Options) { o.Removed = files.removed })
}

// A daemon that is gone for good: while something of it runs on the handset, and for an hour
// after it was heard of last, the handset is its; then it is free, and what it left is kept.
func TestHolderThatIsGone(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
		b.startDaemon()
		b.queue("film")
		b.inState("Alder", orchestrator.Draining)
		north := b.second("north")
		b.stopDaemon()
		left, key := time.Now(), ""
		if look, err := onboard.Held(b.t.Context(), b.handsets["Alder"]); err == nil {
			key = look.Who.Segment
		}
		it := north.queue("film")[0]
		var ended time.Time
		within(north.t, time.Minute, "north has its turn", func() bool {
			if f, err := b.handsets["Alder"].StatFile(onboard.Root + "/" + key + "/end.txt"); err == nil && f.Size > 0 && ended.IsZero() {
				ended = time.Now()
			}
			return north.item(it.ID).State != orchestrator.Waiting
		})
		if ended.IsZero() || time.Since(left) < time.Hour {
			b.t.Errorf("north began %v after the other daemon was there last, its segment having ended at %v", time.Since(left), ended)
		}
		if keys, err := onboard.List(b.t.Context(), b.handsets["Alder"]); err != nil || !slices.Contains(keys, key) {
			b.t.Errorf("on the handset: %v, %v; want the other daemon's segment %s still", keys, err, key)
		}
		g := north.finish(time.Minute)["Alder"]
		if len(g) != 1 || g[0].Outcome != results.Measured {
			b.t.Fatalf("north's segments %+v; want one that is measured", g)
		}
		for range 2 { // whoever collects it, twice, takes nothing away
			if found, err := north.daemon.Collect(b.t.Context(), "Alder"); err != nil || len(found) != 1 || found[0].Removed {
				b.t.Errorf("collected by north: %+v, %v; want it left on the handset", found, err)
			}
		}
		// The other daemon comes back after all: it finds its segment whole.
		b.startDaemon()
		mine := b.finish(time.Minute)["Alder"]
		if len(mine) != 1 || mine[0].Outcome != results.Measured || mine[0].EndedBy != onboard.EndTarget {
			b.t.Errorf("its segments %+v; want one that is measured", mine)
		}
		b.nothingLeft("Alder")
	})
}

// What stands in the holder's file may be anything. A later version's word is respected; a
// damaged one is shown as that, and the handset is free when nobody is there.
func TestHolderFilesOnTheBench(t *testing.T) {
	t.Parallel()
	for name, tt := range map[string]struct {
		who   string
		shown string // while its daemon is there; "": it is never held
	}{
		"a later version's":   {who: "w 9 something that nobody knows yet .", shown: "later version"},
		"damaged":             {who: "w 1 d1 19", shown: "damaged"},
		"another's":           {who: "nothing of ours", shown: "damaged"},
		"a number that is no": {who: "-"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
				time.Sleep(3 * time.Hour) // it has been up for a while
				folder := onboard.Root + "/holders/7"
				if tt.who == "-" {
					folder = onboard.Root + "/holders/77777777777"
				}
				run := func(text string) {
					var out bytes.Buffer
					if code := b.handsets["Alder"].Exec(b.t.Context(), text, nil, &out, &out); code != 0 {
						b.t.Fatalf("%s: %d %s", text, code, &out)
					}
				}
				run(fmt.Sprintf(`mkdir -p %[1]s; echo "%[2]s" >%[1]s/who; read -r u x </proc/uptime; read -r b </proc/sys/kernel/random/boot_id; echo "$b $u" >%[1]s/contact`, folder, tt.who))
				b.startDaemon()
				begun := time.Now()
				it := b.queue("film")[0]
				if tt.shown != "" {
					within(b.t, time.Minute, "it is shown", func() bool { return strings.Contains(b.status("Alder").WaitsFor, tt.shown) })
				}
				within(b.t, time.Minute, "the run begins", func() bool { return b.item(it.ID).State == orchestrator.Running })
				if waited := time.Since(begun); tt.shown != "" && (waited < 50*time.Minute || waited > 80*time.Minute) {
					b.t.Errorf("begun after %v; want about an hour after its daemon was last heard of", waited)
				}
				if g := b.finish(time.Minute)["Alder"]; len(g) != 1 || g[0].Outcome != results.Measured {
					b.t.Errorf("segments %+v; want one that is measured", g)
				}
				b.nothingLeft("Alder")
			})
		})
	}
}

// A holder that cannot be read can be taken over by a person at once.
func TestTakeOverFromADamagedHolder(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
		b.startDaemon()
		b.queue("film")
		b.inState("Alder", orchestrator.Draining)
		north := b.second("north")
		b.stopDaemon()
		var out bytes.Buffer
		b.handsets["Alder"].Exec(b.t.Context(), "for d in "+onboard.Root+"/holders/*; do echo x >$d/who; done", nil, &out, &out)
		it := north.queue("film")[0]
		within(north.t, time.Minute, "it is shown", func() bool { return strings.Contains(north.status("Alder").WaitsFor, "its holder is damaged") })
		if s := north.status("Alder"); s.HeldBy == nil || len(s.HeldBy.Running) != 1 {
			b.t.Errorf("held by %+v; want what runs there", s.HeldBy)
		}
		if _, err := north.daemon.TakeOver(b.t.Context(), "Alder"); err != nil {
			b.t.Fatal(err)
		}
		if g := north.finish(time.Minute)["Alder"]; len(g) != 1 || g[0].Outcome != results.Measured {
			b.t.Errorf("segments %+v; want one that is measured", g)
		}
		if got := north.item(it.ID).Outcome; got != string(orchestrator.Done) {
			b.t.Errorf("the run: %q; want Done", got)
		}
	})
}

// Programs of a segment that this store knows nothing of, under no holder: they may be an
// earlier version's, and only a person may end them.
func TestProgramsThatNobodyKnows(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
		h := b.handsets["Alder"]
		s := onboard.Segment{Key: "unknown-01-1", SampleEverySec: 10, TimeLimitSec: 7200, NoTarget: true, Workload: onboard.Program{Loop: "rest 20"}}
		if err := onboard.Install(b.t.Context(), h, s); err != nil {
			b.t.Fatal(err)
		}
		if err := onboard.Start(b.t.Context(), h, s.Key); err != nil {
			b.t.Fatal(err)
		}
		b.startDaemon()
		guard := b.watchPrograms("Alder")
		b.queue("film")
		within(b.t, time.Minute, "it is shown", func() bool { return strings.Contains(b.status("Alder").WaitsFor, "under no holder") })
		if _, err := b.daemon.TakeOver(b.t.Context(), "Alder"); err != nil {
			b.t.Fatal(err)
		}
		if g := b.finish(time.Minute)["Alder"]; len(g) != 1 || g[0].Outcome != results.Measured {
			b.t.Errorf("segments %+v; want one that is measured", g)
		}
		guard.neverTwo(b)
		if state, err := onboard.Inspect(b.t.Context(), h, s.Key); err != nil || !state.Ended {
			b.t.Errorf("what ran there: %+v, %v; want it ended and its files kept", state, err)
		}
	})
}

// A folder in which nothing was recorded yet, of a run that this store does not know, is
// another daemon's segment that is about to begin: collecting makes no record of it.
func TestCollectLeavesWhatIsAboutToBegin(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
		h := b.handsets["Alder"]
		s := onboard.Segment{Key: "unknown-01-1", SampleEverySec: 10, TimeLimitSec: 60, NoTarget: true, Workload: onboard.Program{Loop: "rest 20"}}
		if err := onboard.Install(b.t.Context(), h, s); err != nil {
			b.t.Fatal(err)
		}
		b.startDaemon()
		collect := func() (found []orchestrator.Found) {
			within(b.t, time.Minute, "the handset is seen", func() bool {
				var err error
				found, err = b.daemon.Collect(b.t.Context(), "Alder")
				return err == nil
			})
			return found
		}
		if found := collect(); len(found) != 1 || found[0].Removed || found[0].Outcome != "" {
			b.t.Errorf("collected %+v; want it left", found)
		}
		if _, err := b.daemon.Store().Segment(s.Key); !errors.Is(err, results.ErrNotFound) {
			b.t.Errorf("its record: %v; want none", err)
		}
		if err := onboard.Start(b.t.Context(), h, s.Key); err != nil {
			b.t.Fatal(err)
		}
		within(b.t, time.Minute, "it has ended", func() bool {
			time.Sleep(time.Minute) // each look wakes the handset for a while
			found := collect()
			return len(found) == 1 && found[0].Samples > 0 && found[0].Outcome == results.Spoiled && !found[0].Removed
		})
	})
}

// A segment whose holder was damaged and whose daemon is away is left alone for as long as one
// whose holder is whole: another daemon neither begins a run nor puts anything back.
func TestSegmentUnderADamagedHolderIsLeft(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
		h := b.handsets["Alder"]
		b.startDaemon()
		b.queue("film")
		b.inState("Alder", orchestrator.Draining)
		north := b.second("north")
		b.stopDaemon()
		show(b.t, h, "rm "+onboard.Root+"/holders/*/who")
		it := north.queue("film")[0]
		during := allSettings(b.t, h)
		time.Sleep(2 * time.Hour) // it has ended by itself long ago
		if n := b.programsOn(b.t.Context(), "Alder"); n["recorder.sh"] > 0 {
			b.t.Fatalf("its programs still run: %v", n)
		}
		if got := north.item(it.ID); got.State != orchestrator.Waiting || allSettings(b.t, h) != during {
			b.t.Errorf("north's run is %s, %q; want it waiting, and nothing changed", got.State, got.Outcome)
		}
		b.startDaemon()
		if g := b.finish(time.Minute)["Alder"]; len(g) != 1 || g[0].Outcome != results.Measured {
			b.t.Errorf("segments %+v; want one that is measured", g)
		}
		if g := north.finish(time.Minute)["Alder"]; len(g) != 1 || g[0].Outcome != results.Measured {
			b.t.Errorf("north's segments %+v; want one that is measured", g)
		}
		b.nothingLeft("Alder")
	})
}

// A daemon that has only begun, and cannot reach its handset yet, says all the same what runs there.
func TestWhatRunsIsSaidAfterARestart(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, holderPlan, func(b *bench) {
		b.startDaemon()
		b.queue("film")
		b.inState("Alder", orchestrator.Draining)
		b.stopDaemon()
		b.handsets["Alder"].LoseLink()
		b.startDaemon()
		within(b.t, time.Minute, "the run is taken up", func() bool { return b.status("Alder").State == string(orchestrator.Draining) })
		if s := b.status("Alder"); s.Scenario != "video" || s.Segment != 1 || s.Segments != 1 {
			b.t.Errorf("%+v; want video, segment 1 of 1", s)
		}
		b.handsets["Alder"].RestoreLink()
		if g := b.finish(time.Minute)["Alder"]; len(g) != 1 || g[0].Outcome != results.Measured {
			b.t.Errorf("segments %+v; want one that is measured", g)
		}
	})
}
