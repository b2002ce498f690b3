package orchestrator

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"rundown/devices"
	"rundown/devices/simulated"
	"rundown/results"
	"rundown/results/resultstest"
	"rundown/scenarios"
)

// A hangingLink answers nothing until it is let go.
type hangingLink struct {
	devices.Link
	asked chan struct{} // one for each question
	letGo chan struct{}
}

func (l *hangingLink) Shell(ctx context.Context, command string) (devices.Output, error) {
	l.asked <- struct{}{}
	select {
	case <-l.letGo:
	case <-ctx.Done():
	}
	return devices.Output{}, devices.ErrTimeout
}

type linksBySerial map[string]devices.Link

func (l linksBySerial) Link(serial, _ string) devices.Link { return l[serial] }
func (l linksBySerial) Follow(ctx context.Context, _ func([]Seen, []string)) error {
	<-ctx.Done()
	return ctx.Err()
}

// What is collected from a handset that does not answer holds up neither the collecting
// from another one nor the word that a night is over.
func TestASlowHandsetHoldsUpNoOther(t *testing.T) {
	birch := simulated.New(simulated.Options{Serial: "TB-BIRCH", Seed: 2})
	t.Cleanup(birch.Close)
	slow := simulated.New(simulated.Options{Serial: "TB-ALDER", Seed: 1})
	t.Cleanup(slow.Close)
	alder := &hangingLink{Link: slow, asked: make(chan struct{}, 100), letGo: make(chan struct{})}
	d := New(Config{
		File:    scenarios.File{Bench: scenarios.Bench{Handsets: []scenarios.Handset{{Name: "Alder", Serial: "TB-ALDER"}, {Name: "Birch", Serial: "TB-BIRCH"}}}},
		DataDir: t.TempDir(), Log: zerolog.Nop(), Links: linksBySerial{"TB-ALDER": alder, "TB-BIRCH": birch},
	})
	store, err := results.Open(filepath.Join(t.TempDir(), "rundown.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	d.store = store
	if d.queue, err = openQueue(store); err != nil {
		t.Fatal(err)
	}
	d.board.update([]Seen{{Serial: "TB-ALDER", State: "device", Ready: true}, {Serial: "TB-BIRCH", State: "device", Ready: true}}, nil)
	held := make(chan error, 1)
	go func() {
		_, err := d.Collect(context.Background(), "Alder")
		held <- err
	}()
	<-alder.asked
	resultstest.Returns(t, "collecting from Birch", func() {
		if found, err := d.Collect(t.Context(), "Birch"); err != nil || len(found) != 0 {
			t.Errorf("collecting from Birch: %+v, %v", found, err)
		}
	})
	night := Item{ID: "q1", Handset: "Birch", Plan: "top", Night: "weekday", State: Ended, Outcome: string(Done), FinishBy: time.Now()}
	if err := d.queue.add([]Item{night}); err != nil {
		t.Fatal(err)
	}
	resultstest.Returns(t, "the end of a night", func() {
		d.nightOver(night)
		d.nightOver(night)
	})
	if changes, _ := d.Changes(0); len(changes) != 1 || changes[0].Kind != "night" {
		t.Errorf("%+v; want the night's end told once", changes)
	}
	close(alder.letGo)
	if err := <-held; err == nil {
		t.Error("collecting from Alder, which answered nothing, had no error")
	}
}

// Whoever reads the queue does not wait for a slow disk, and sees nothing that is not stored;
// whoever changes it waits its turn.
func TestTheQueuesReadersDoNotWaitForTheDisk(t *testing.T) {
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	first, second := Item{ID: "q1", Handset: "Alder", QueuedAt: at, State: Waiting}, Item{ID: "q2", Handset: "Birch", QueuedAt: at.Add(time.Minute), State: Waiting}
	pause := func(q *queue) error { _, err := q.pause("q1", true); return err }
	add := func(q *queue) error { return q.add([]Item{second}) }
	for name, writes := range map[string][2]func(*queue) error{"while one is added": {add, pause}, "while one is changed": {pause, add}} {
		t.Run(name, func(t *testing.T) {
			store := resultstest.Opened(t)
			q, err := openQueue(store)
			if err != nil {
				t.Fatal(err)
			}
			if err := q.add([]Item{first}); err != nil {
				t.Fatal(err)
			}
			waits, letGo := resultstest.SlowDisk(store, documentsQueue)
			errs := make(chan error, 2)
			go func() { errs <- writes[0](q) }()
			<-waits
			go func() { errs <- writes[1](q) }()
			resultstest.Returns(t, "a reader of the queue", func() {
				q.changed()
				q.nudge()
				it, ok := q.item("q1")
				next, found := q.nextFor("Alder", at)
				if all := q.all(); len(all) != 1 || !ok || it.Paused || it.State != Waiting || !found || next.ID != "q1" {
					t.Errorf("while the disk is slow: %+v, %+v; want q1 as it was", all, it)
				}
			})
			letGo()
			for range 2 {
				if err := <-errs; err != nil {
					t.Error(err)
				}
			}
			again, err := openQueue(store)
			if err != nil {
				t.Fatal(err)
			}
			for _, q := range []*queue{q, again} {
				if all := q.all(); len(all) != 2 || !all[0].Paused || all[1].ID != "q2" {
					t.Errorf("%+v; want q1 held and q2 queued, in memory and in the store", all)
				}
			}
		})
	}
}

// How long a segment takes can be said while what an earlier one took is written down, and
// what could not be written is learnt when it is tried again.
func TestPaceIsReadWhileTheDiskIsSlow(t *testing.T) {
	store := resultstest.Opened(t)
	p, err := openPace(store)
	if err != nil {
		t.Fatal(err)
	}
	waits, letGo := resultstest.SlowDisk(store, documentsRates)
	done := make(chan error, 1)
	go func() { done <- p.learn(drainedAt("r1-01", "Alder", "video", 9)) }()
	<-waits
	resultstest.Returns(t, "an estimate", func() {
		if got := p.rate("Alder", "video"); got != startRates["video"] {
			t.Errorf("rate %g before it is stored, want %g", got, startRates["video"])
		}
	})
	letGo()
	if err := <-done; err != nil || p.rate("Alder", "video") < 8.99 {
		t.Errorf("%v, rate %g; want 9", err, p.rate("Alder", "video"))
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	late := drainedAt("r2-01", "Alder", "video", 11)
	for range 2 {
		if err := p.learn(late); err == nil || p.rate("Alder", "video") > 9.01 {
			t.Errorf("%v, rate %g from a store that is closed; want an error each time, and 9", err, p.rate("Alder", "video"))
		}
	}
}
