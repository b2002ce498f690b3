package forecast

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"

	"rundown/devices"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
	"rundown/scenarios"
)

type noLinks struct{}

func (noLinks) Link(string, string) devices.Link { return nil }
func (noLinks) Follow(ctx context.Context, _ func([]orchestrator.Seen, []string)) error {
	<-ctx.Done()
	return ctx.Err()
}

// What is asked twice at once is worked out once, and who asks something else does not wait.
func TestOneAnswerForWhoAskTheSame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := latest[string, int]{most: 2}
		var worked atomic.Int32
		slow := func() int {
			time.Sleep(time.Hour)
			return int(worked.Add(1))
		}
		got := make(chan int, 2)
		go func() { got <- l.get("a", version{1, 1}, slow) }()
		synctest.Wait()
		began := time.Now()
		if other := l.get("b", version{1, 1}, func() int { return 7 }); other != 7 || time.Since(began) != 0 {
			t.Errorf("another question: %d after %v", other, time.Since(began))
		}
		if a := <-got; a != 1 || l.get("a", version{1, 1}, slow) != 1 || worked.Load() != 1 {
			t.Errorf("answer %d, worked out %d times; want it once", a, worked.Load())
		}
		for i, from := range []version{{2, 1}, {2, 2}} {
			if a := l.get("a", from, slow); a != i+2 {
				t.Errorf("answer %d after something was stored or learned, want a new one", a)
			}
		}
		for _, k := range []string{"b", "c", "d"} {
			l.get(k, version{}, func() int { return 0 })
		}
		if len(l.by) > 2 {
			t.Errorf("%d answers are kept, want 2 at most", len(l.by))
		}
	})
}

// A segment that is collected after its run had ended is drawn as it is now, and so are its
// figures.
func TestWhatIsCollectedLateIsDrawn(t *testing.T) {
	file := scenarios.File{Bench: scenarios.Bench{Handsets: []scenarios.Handset{{Name: "Alder", Serial: "TB-ALDER", CapacityMAh: 4500, NominalMV: 3870}}}}
	file.Bench.Stage.Listen = "127.0.0.1:0"
	d := orchestrator.New(orchestrator.Config{File: file, DataDir: t.TempDir(), Log: zerolog.Nop(), Links: noLinks{}})
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(d.Stop)
	o := New(d)
	t.Cleanup(o.Close)
	at := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	run := results.Run{ID: "r1", Plan: "short", QueuedAt: at, StartedAt: at, EndedAt: at.Add(time.Hour), State: "Stopped", Handset: results.Handset{Name: "Alder", CapacityMAh: 4500, NominalMV: 3870}}
	g := results.Segment{
		ID: "r1-01-1", RunID: "r1", Handset: "Alder", Plan: "short", Scenario: "browse", Index: 1, Repeat: 1, Attempt: 1, Outcome: results.Spoiled, Reason: "its files could not be collected",
		SampleEveryS: 10, TargetPoints: 7, StartedAt: at, EndedAt: at,
	}
	if err := errors.Join(d.Store().PutRun(run), d.Store().PutSegment(g)); err != nil {
		t.Fatal(err)
	}
	look := func() (levels int, outcome string, hours float64) {
		t.Helper()
		shapes, err := o.Shapes("r1")
		list, figureErr := o.Figures(reading.FigureFilter{Run: "r1"})
		if err := errors.Join(err, figureErr); err != nil || len(shapes) != 1 || len(list) != 1 {
			t.Fatalf("%d shapes, %d figures, %v", len(shapes), len(list), err)
		}
		return len(shapes[0].Levels), shapes[0].Outcome, list[0].Hours.Value
	}
	for range 2 {
		if levels, outcome, hours := look(); levels != 0 || outcome != results.Spoiled || hours != 0 {
			t.Errorf("%d levels, %s, %g h; want a spoiled segment without any", levels, outcome, hours)
		}
	}
	var samples []results.Sample
	for i := range 450 {
		mv := int64(4200 - i/5)
		level := 93 - i/45
		samples = append(samples, results.Sample{Seq: i + 1, HostAt: at.Add(time.Duration(i) * 10 * time.Second), UptimeMS: int64(1e6 + 10_000*i), LevelPct: level, VoltageMV: &mv})
		if i > 0 && samples[i-1].LevelPct > level {
			g.Edges = append(g.Edges, results.Edge{LevelPct: level, LoUpMS: samples[i-1].UptimeMS, HiUpMS: samples[i].UptimeMS})
		}
	}
	if _, err := d.Store().CompleteSamples(g.ID, samples); err != nil {
		t.Fatal(err)
	}
	g.Outcome, g.Reason, g.Samples = results.Measured, "", len(samples)
	if err := d.Store().PutSegment(g); err != nil { // nothing is published
		t.Fatal(err)
	}
	if levels, outcome, hours := look(); levels < 9 || outcome != results.Measured || hours < 11 || hours > 14 {
		t.Errorf("%d levels, %s, %g h after it was collected; want it measured with about 12.5 h", levels, outcome, hours)
	}
}
