package orchestrator

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/devices/simulated"
	"rundown/results"
	"rundown/scenarios"
)

// A chargeBench is a daemon's store, clock and one simulated handset, without its loops: its
// runs are moved by the test, and one that is let go of is a daemon that was killed.
type chargeBench struct {
	t    *testing.T
	d    *Daemon
	h    *simulated.Handset
	link *cutLink
}

// A cutLink breaks where the test says.
type cutLink struct {
	devices.Link
	cut func(command string) bool // nil: nowhere
}

func (l *cutLink) Shell(ctx context.Context, command string) (devices.Output, error) {
	if l.cut != nil && l.cut(command) {
		return devices.Output{}, devices.ErrOffline
	}
	return l.Link.Shell(ctx, command)
}

// oneLink is a bench with one handset.
type oneLink struct{ link devices.Link }

func (l oneLink) Link(string, string) devices.Link { return l.link }
func (l oneLink) Follow(ctx context.Context, _ func([]Seen, []string)) error {
	<-ctx.Done()
	return ctx.Err()
}

const chargeBenchFile = `
bench:
  name: test bench
  handsets:
    - {name: Alder, serial: TB-ALDER, capacity_mah: 4500, nominal_mv: 3870}
scenarios:
  topping: {extends: charge, start_level_pct: {least: 20, most: 100}}
plans:
  top: {segments: [topping]}
`

// upSince is how long the handset has been up when the bench begins: longer than any limit
// of evidence.
const upSince = 2*time.Hour + 52*time.Minute

// inChargeBench runs a test on a charge bench in a bubble of its own.
func inChargeBench(t *testing.T, test func(t *testing.T, b *chargeBench)) {
	t.Helper()
	// The store's compressor is made once in a process, and would belong to the first bubble.
	store, err := results.Open(filepath.Join(t.TempDir(), "rundown.db"))
	if err != nil {
		t.Fatal(err)
	}
	_, err = store.AppendSamples("r-1", []results.Sample{{Seq: 1, HostAt: time.Now(), PhoneAt: time.Now()}})
	if err := errors.Join(err, store.Close()); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) { test(t, newChargeBench(t)) })
}

func newChargeBench(t *testing.T) *chargeBench {
	t.Helper()
	file, err := scenarios.Parse("test.yaml", []byte(chargeBenchFile))
	if err != nil {
		t.Fatal(err)
	}
	h := simulated.New(simulated.Options{Serial: "TB-ALDER", LevelPct: 60, Seed: 1, Uptime: upSince})
	t.Cleanup(h.Close)
	b := &chargeBench{t: t, h: h, link: &cutLink{Link: h}}
	b.d = New(Config{File: file, DataDir: t.TempDir(), Log: zerolog.Nop(), Links: oneLink{b.link}, Gates: map[string]devices.PowerGate{"Alder": h.Gate()}})
	b.d.store = b.newStore()
	b.d.board.update([]Seen{{Serial: "TB-ALDER", State: "device", Ready: true}}, nil)
	if b.d.queue, err = openQueue(b.d.store); err != nil {
		t.Fatal(err)
	}
	if b.d.pace, err = openPace(b.d.store); err != nil {
		t.Fatal(err)
	}
	if b.d.units, err = openUnits(b.d.store); err != nil {
		t.Fatal(err)
	}
	b.d.room, b.d.observer = openedRoom(t, b.d.store)
	if err := b.d.loadSelf(); err != nil {
		t.Fatal(err)
	}
	return b
}

func (b *chargeBench) newStore() *results.Store {
	b.t.Helper()
	store, err := results.Open(filepath.Join(b.t.TempDir(), "rundown.db"))
	if err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() { _ = store.Close() })
	return store
}

// begun is a run whose charge was begun on the handset. Power has not come.
func (b *chargeBench) begun() *run {
	b.t.Helper()
	order, err := b.d.order("top")
	if err != nil {
		b.t.Fatal(err)
	}
	r := b.runOf(&entry{RunID: "r1", Item: Item{ID: "q1", Handset: "Alder", Plan: "top", State: Running, Order: order}, State: Settling, Attempt: 1, ReadyAt: b.d.now()})
	if event, err := r.begin(b.t.Context()); event != "" || err != nil {
		b.t.Fatalf("begin = %q, %v", event, err)
	}
	return r
}

func (b *chargeBench) runOf(e *entry) *run {
	return &run{d: b.d, h: b.d.file.Bench.Handsets[0], gate: b.d.gates["Alder"], log: zerolog.Nop(), list: e.Item.Order.list(), e: e}
}

// again is the run as the next daemon takes it up from the journal.
func (b *chargeBench) again() *run {
	b.t.Helper()
	var e entry
	if err := b.d.store.Document(documentsJournal, "r1", &e); err != nil {
		b.t.Fatal(err)
	}
	r := b.runOf(&e)
	if err := r.takeUp(); err != nil {
		b.t.Fatal(err)
	}
	return r
}

// watch looks at the segment for so long, and returns the first event that comes.
func (b *chargeBench) watch(r *run, long time.Duration) Event {
	b.t.Helper()
	for end := b.d.now().Add(long); b.d.now().Before(end); {
		event, err := r.look(b.t.Context())
		if err != nil {
			b.t.Fatal(err)
		}
		if event != "" {
			return event
		}
		if err := b.d.clock.Sleep(b.t.Context(), b.d.pollEvery); err != nil {
			b.t.Fatal(err)
		}
	}
	return ""
}

// revived is how often the handset itself started its activity again.
func (b *chargeBench) revived(r *run) int {
	b.t.Helper()
	text, err := wholeLines(b.t.Context(), b.h, onboard.ActivityPath(r.e.Segment.Key), 0)
	if err != nil {
		b.t.Fatal(err)
	}
	var reader onboard.Reader
	lines, _ := reader.Feed(text)
	n := 0
	for _, line := range lines {
		if line.Activity != nil && line.Activity.Kind == "revived" {
			n++
		}
	}
	return n
}

// The time since the handset's boot is nothing in which a segment lacked evidence. Daemons
// of earlier versions could be killed between the journal and the record of a segment.
func TestJournalWithoutARecordHoldsNothingAgainstTheSegment(t *testing.T) {
	inChargeBench(t, func(t *testing.T, b *chargeBench) {
		journalled := *b.begun().e
		under := *journalled.Segment
		under.ProvenFrom = time.Time{}
		journalled.Segment = &under
		b.d.store = b.newStore()
		if err := b.d.saveEntry(&journalled); err != nil {
			t.Fatal(err)
		}
		r := b.again()
		if event := b.watch(r, 5*time.Minute); event != "" || r.live.rec.Revivals != 0 {
			t.Errorf("event %q, %q, brought back %d times; want nothing of the kind within 5 min of a limit of 20", event, r.live.u.Verdict.Spoiled, r.live.rec.Revivals)
		}
	})
}

// What the journal calls started has its record, whenever the daemon is killed.
func TestRecordStandsBeforeTheJournalSaysStarted(t *testing.T) {
	inChargeBench(t, func(t *testing.T, b *chargeBench) {
		checked := 0
		b.link.cut = func(string) bool {
			var e entry
			if b.d.store.Document(documentsJournal, "r1", &e) == nil && e.Segment != nil && e.Segment.Started {
				g, err := b.d.store.Segment(e.Segment.ID)
				if checked++; err != nil || g.WorkloadHash == "" || g.ActivityUpS < upSince.Seconds() {
					t.Errorf("started by the journal, and the record says workload %q, activity at %g s, %v", g.WorkloadHash, g.ActivityUpS, err)
				}
			}
			return false
		}
		b.begun()
		if checked == 0 {
			t.Error("the handset was told nothing after the journal")
		}
	})
}

// A lack that was seen, and for which the activity was started again, is not seen a second
// time by the next daemon. The second lack begins after it.
func TestALackIsSeenOnce(t *testing.T) {
	inChargeBench(t, func(t *testing.T, b *chargeBench) {
		r := b.begun()
		if event := b.watch(r, 21*time.Minute); event != "" || r.live.rec.Revivals != 1 {
			t.Fatalf("event %q, brought back %d times after 21 min without power; want once", event, r.live.rec.Revivals)
		}
		for range 3 {
			r = b.again()
			if event := b.watch(r, 5*time.Minute); event != "" || r.live.rec.Revivals != 1 {
				t.Fatalf("event %q, %q, brought back %d times; want the lack to be seen once", event, r.live.u.Verdict.Spoiled, r.live.rec.Revivals)
			}
		}
		r = b.again()
		event := b.watch(r, 8*time.Minute)
		if want := "no charging evidence for 20 min"; event != SegmentSpoiled || !strings.HasPrefix(r.live.u.Verdict.Spoiled, want) || !strings.HasSuffix(r.live.u.Verdict.Spoiled, "for the second time") {
			t.Errorf("event %q, %q; want the second lack, of 20 min after the first", event, r.live.u.Verdict.Spoiled)
		}
	})
}

// A revival that the link took with it is carried out at the next contact, by whichever
// daemon has it, and counts once.
func TestARevivalCutOffIsCarriedOut(t *testing.T) {
	inChargeBench(t, func(t *testing.T, b *chargeBench) {
		r := b.begun()
		b.link.cut = func(command string) bool { return strings.Contains(command, "revive") }
		if event := b.watch(r, 25*time.Minute); event != "" || b.revived(r) != 0 || r.live.u.Revivals != 1 {
			t.Fatalf("event %q, %d revivals on the handset, %d lacks seen; want none and one", event, b.revived(r), r.live.u.Revivals)
		}
		b.link.cut = nil
		r = b.again()
		b.h.Plug(true)
		event := b.watch(r, 15*time.Minute)
		said := slices.ContainsFunc(r.live.rec.Notes, func(n results.Note) bool { return strings.HasSuffix(n.Text, "the activity was started again") })
		if event != ChargeSeen || b.revived(r) != 1 || r.live.rec.Revivals != 1 || !said {
			t.Errorf("event %q, %q, %d revivals on the handset, %d in the record, notes %v; want the charge to go on after one", event, r.live.u.Verdict.Spoiled, b.revived(r), r.live.rec.Revivals, r.live.rec.Notes)
		}
	})
}

// A daemon that dies between writing down that the gate may be open and opening it leaves a
// charge without power. The next one opens it, and evidence is due only from then on.
func TestAGateThatWasNeverToldIsOpened(t *testing.T) {
	inChargeBench(t, func(t *testing.T, b *chargeBench) {
		r := b.begun()
		r.e.GateOpen = true
		if err := b.d.saveEntry(r.e); err != nil {
			t.Fatal(err)
		}
		time.Sleep(30 * time.Minute) // nobody looks
		r = b.again()
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		event, err := r.settle(ctx)
		if event != ChargeSeen || err != nil || r.live.rec.Revivals != 0 {
			t.Errorf("event %q, %v, %q, brought back %d times; want the charge to begin", event, err, r.live.u.Verdict.Spoiled, r.live.rec.Revivals)
		}
	})
}
