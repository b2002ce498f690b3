package orchestrator_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
	"rundown/scenarios"
)

// charged stores an invented run of one charge: 60 s without power, then some 20 W that fall
// in steps and slowly, over two hours.
func charged(t *testing.T, d *orchestrator.Daemon, at time.Time) (segment string, watts []float64) {
	t.Helper()
	id := "r" + at.Format("20060102150405") + "-00000000"
	g := results.Segment{
		ID: id + "-01-1", RunID: id, Handset: "Alder", Plan: "top", Scenario: "charge", Until: scenarios.UntilFull, Wanted: 100, Reached: 100, Index: 1, Repeat: 1, Attempt: 1,
		Outcome: results.Measured, SampleEveryS: 10, StartedAt: at, EndedAt: at.Add(2 * time.Hour),
	}
	var samples []results.Sample
	for i := range 720 {
		w, plugged, status := 0.0, 0, 3 // discharging
		if i >= 6 {
			plugged, status, w = 1, 2, 20*math.Exp(-float64(i)/300)+2*math.Floor(float64(i%50)/25)
		}
		mv := int64(3700 + i)
		current := int64(w / float64(mv) * 1e9) // µA
		samples = append(samples, results.Sample{
			Seq: i + 1, HostAt: at.Add(time.Duration(i) * 10 * time.Second), UptimeMS: int64(1e6 + 10_000*i), LevelPct: 20 + i/9, VoltageMV: &mv, CurrentRaw: &current, Plugged: plugged, Status: status,
		})
		watts = append(watts, w)
	}
	run := results.Run{ID: id, Plan: "top", QueuedAt: at, StartedAt: at, EndedAt: g.EndedAt, State: "Done", Handset: results.Handset{Name: "Alder", Serial: "TB-ALDER"}}
	_, err := d.Store().AppendSamples(g.ID, samples)
	if err := errors.Join(err, d.Store().PutRun(run), d.Store().PutSegment(g)); err != nil {
		t.Fatal(err)
	}
	return g.ID, watts
}

// Files of meters that are attached at once are all kept, each once.
func TestAttachedAtOnce(t *testing.T) {
	const files = 6
	meters := "  meters:\n"
	for n := range files {
		meters += fmt.Sprintf("    - {name: line %d, handset: Alder, record: {time: t, time_as: s, power: p}}\n", n)
	}
	d := awayBench(t, meters)
	segment, watts := charged(t, d, evening)
	var wg sync.WaitGroup
	for n := range files {
		var text strings.Builder
		fmt.Fprintf(&text, "meter of a lab, file %d\nt,p\n", n)
		for i, w := range watts {
			fmt.Fprintf(&text, "%d,%.3f\n", 100+10*i, w/0.9)
		}
		for range 2 { // the same file twice is one record
			wg.Go(func() {
				if _, err := d.Attach(orchestrator.Attach{
					Of: segment, Meter: fmt.Sprintf("line %d", n), File: fmt.Sprintf("%d.csv", n), CSV: []byte(text.String()),
				}); err != nil {
					t.Error(err)
				}
			})
		}
	}
	wg.Wait()
	g, err := d.Store().Segment(segment)
	if err != nil {
		t.Fatal(err)
	}
	stands := 0
	for _, r := range g.Records {
		if r.ReplacedAt.IsZero() {
			stands++
		}
	}
	if len(g.Records) != files || stands != files {
		t.Errorf("%d records, of which %d stand; want %d", len(g.Records), stands, files)
	}
}

// Figures are those of what is stored now, whoever stored it, and whether it was told as
// news or not.
func TestFiguresFollowTheStore(t *testing.T) {
	d := awayBench(t, "")
	run := drained(t, d, "Alder", "browse", evening, 450)
	hours := func() float64 {
		t.Helper()
		list, err := d.Reading().Estimates(run)
		if err != nil {
			t.Fatal(err)
		}
		each, err := d.Reading().Figures(reading.FigureFilter{Run: run.ID})
		if err != nil || len(each) != 1 {
			t.Fatalf("%+v, %v", each, err)
		}
		if len(list) == 0 {
			return each[0].Hours.Value
		}
		if list[0].Figure.Hours.Value != each[0].Hours.Value {
			t.Errorf("%g h for comparisons, %g for people", list[0].Figure.Hours.Value, each[0].Hours.Value)
		}
		return each[0].Hours.Value
	}
	before := hours()
	if before < 11 || before > 14 {
		t.Fatalf("%g h, want about 12.5", before)
	}
	g, err := d.Store().Segment(run.ID + "-01-1")
	if err != nil {
		t.Fatal(err)
	}
	version := d.Reading().StoredVersion()
	// The handset's own file says that the drain was twice as slow.
	samples, err := d.Store().Samples(g.ID)
	if err != nil {
		t.Fatal(err)
	}
	for i := range samples {
		samples[i].UptimeMS = 1e6 + 2*(samples[i].UptimeMS-1e6)
	}
	if _, err := d.Store().CompleteSamples(g.ID, samples); err != nil {
		t.Fatal(err)
	}
	if after := hours(); math.Abs(after/before-2) > 0.05 {
		t.Errorf("%g h before its samples were completed, %g after; want twice", before, after)
	}
	if d.Reading().StoredVersion() == version {
		t.Error("the version of what is stored did not change")
	}
	g.Outcome, g.Reason = results.Spoiled, "invented"
	if err := d.Store().PutSegment(g); err != nil {
		t.Fatal(err)
	}
	if after := hours(); after != 0 {
		t.Errorf("%g h of a segment that is spoiled", after)
	}
	// Samples of a segment under way come all night long: they make nothing old.
	live := results.Segment{ID: run.ID + "-02-1", RunID: run.ID, Handset: "Alder", Scenario: "browse", Outcome: results.Underway}
	if err := d.Store().PutSegment(live); err != nil {
		t.Fatal(err)
	}
	version = d.Reading().StoredVersion()
	if _, err := d.Store().AppendSamples(live.ID, samples[:10]); err != nil || d.Reading().StoredVersion() != version {
		t.Errorf("%v, version %d of what is stored after %d: samples of a segment under way count", err, d.Reading().StoredVersion(), version)
	}
}
