package orchestrator_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"rundown/devices"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/logfiles"
	"rundown/results/reading"
	"rundown/scenarios"
)

// noLinks is a bench whose handsets are all away.
type noLinks struct{}

func (noLinks) Follow(ctx context.Context, report func([]orchestrator.Seen, []string)) error {
	report(nil, nil)
	<-ctx.Done()
	return ctx.Err()
}

func (noLinks) Link(string, string) devices.Link { return nil }

// awayBench is a daemon for a plan file, with no handset in reach: for what is done with records.
func awayBench(t testing.TB, plans string) *orchestrator.Daemon {
	t.Helper()
	file, err := scenarios.Parse("test.yaml", []byte(`bench:
  handsets:
    - {name: Alder, serial: TB-ALDER, capacity_mah: 4500, nominal_mv: 3870}
    - {name: Birch, serial: TB-BIRCH, capacity_mah: 5000, nominal_mv: 3870}
`+plans))
	if err != nil {
		t.Fatal(err)
	}
	file.Bench.Stage.Listen = "127.0.0.1:0"
	d := orchestrator.New(orchestrator.Config{File: file, DataDir: t.TempDir(), Log: zerolog.Nop(), Links: noLinks{}})
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(d.Stop)
	return d
}

// handTimed is an invented log: a person noted when the level changed, every 12 minutes.
func handTimed(points int) []byte {
	var b strings.Builder
	b.WriteString("Elapsed,Battery\n")
	for i := range points {
		fmt.Fprintf(&b, "%d:%02d:00,%d\n", i*12/60, i*12%60, 93-i)
	}
	return []byte(b.String())
}

var byHand = map[logfiles.Quantity]logfiles.Column{logfiles.Time: {Name: "Elapsed", Unit: "h:mm:ss"}, logfiles.Level: {Name: "Battery"}}

func TestImportEndurance(t *testing.T) {
	d := awayBench(t, "")
	q := orchestrator.ImportRequest{
		File: "/somewhere/rowan.csv", Content: handTimed(12), Handset: "Rowan", CapacityMAh: 4000, NominalMV: 3850, Scenario: "video", Columns: byHand,
		Started: time.Date(2029, 3, 1, 9, 0, 0, 0, time.UTC), By: "desk", Note: "timed by hand",
	}
	dry := q
	dry.DryRun = true
	tried, err := d.Import(dry)
	if err != nil || tried.Figure == nil {
		t.Fatalf("dry run: %+v, %v", tried, err)
	}
	if runs, _ := d.Store().Runs(); len(runs) != 0 {
		t.Fatalf("a dry run stored %d runs", len(runs))
	}
	done, err := d.Import(q)
	if err != nil {
		t.Fatal(err)
	}
	run, err := d.Store().Run(done.Run.ID)
	if err != nil || run.Imported == nil || run.Imported.File != "rowan.csv" || run.Imported.By != "desk" || !run.Imported.AtChange || run.Handset.Name != "Rowan" || !run.StartedAt.Equal(q.Started) {
		t.Errorf("stored run %+v (%+v), %v", run, run.Imported, err)
	}
	// A point in 12 minutes is 5 %/h, which no method changes; hours differ from 20 by the voltage alone.
	if got := done.Figure.RatePctH; math.Abs(got.Value-5) > 0.01 || !(got.Low < 5 && got.High > 5) {
		t.Errorf("rate %+v, want 5 %%/h", got)
	}
	figures, err := d.Reading().Figures(reading.FigureFilter{})
	if err != nil || len(figures) != 1 {
		t.Fatalf("%d figures, %v", len(figures), err)
	}
	f := figures[0]
	if !f.Imported || f.Handset != "Rowan" || f.Scenario != "video" || math.Abs(f.Hours.Value-done.Figure.Hours.Value) > 1e-9 || f.Hours.Value < 17 || f.Hours.Value > 20 {
		t.Errorf("figure %+v, import said %+v", f, done.Figure.Hours)
	}
	if samples, _ := d.Store().Samples(done.Segment.ID); len(samples) != 12 || samples[3].LevelPct != 90 || !samples[3].HostAt.Equal(q.Started.Add(36*time.Minute)) {
		t.Errorf("stored samples %+v", samples)
	}
	if _, err := d.Import(q); !errors.Is(err, orchestrator.ErrImported) || !strings.Contains(err.Error(), run.ID) {
		t.Errorf("the same log again: %v, want ErrImported with the run", err)
	}
	// A measured run of the same name would not be mixed with it, and is never deleted.
	if err := d.Store().PutRun(results.Run{ID: "r2", Handset: results.Handset{Name: "Rowan"}}); err != nil {
		t.Fatal(err)
	}
	if _, err := d.DeleteImport("r2"); !errors.Is(err, results.ErrMeasured) {
		t.Errorf("deleting a measured run: %v, want ErrMeasured", err)
	}
	if _, err := d.DeleteImport(run.ID); err != nil {
		t.Fatal(err)
	}
	runs, _ := d.Store().Runs()
	segments, _ := d.Store().Segments("")
	samples, _ := d.Store().Samples(done.Segment.ID)
	if len(runs) != 1 || len(segments) != 0 || len(samples) != 0 {
		t.Errorf("after the import was deleted: %d runs, %d segments, %d samples", len(runs), len(segments), len(samples))
	}
	if _, err := d.DeleteImport(run.ID); !errors.Is(err, results.ErrNotFound) {
		t.Errorf("deleting it twice: %v, want ErrNotFound", err)
	}
	if again, err := d.Import(q); err != nil || again.Run.ID == run.ID {
		t.Errorf("importing it anew: %v", err)
	}
}

func TestImportOfABenchHandsetKnowsItsCapacity(t *testing.T) {
	d := awayBench(t, "")
	done, err := d.Import(orchestrator.ImportRequest{File: "a.csv", Content: handTimed(9), Handset: "Alder", Scenario: "video", Columns: byHand})
	if err != nil {
		t.Fatal(err)
	}
	if h := done.Run.Handset; h.Serial != "TB-ALDER" || h.CapacityMAh != 4500 || h.NominalMV != 3870 {
		t.Errorf("handset %+v, want that of the bench", h)
	}
	if !done.Run.Imported.UndatedStart || len(done.Warnings) < 1 || !strings.Contains(done.Warnings[0], "dated to its import") {
		t.Errorf("an undated log is not said to be one: %q", done.Warnings)
	}
}

func TestImportChargeAndCycles(t *testing.T) {
	d := awayBench(t, "")
	var charge, cycles strings.Builder
	charge.WriteString("t_s,level_pct,socket_w\n")
	for s := 0; s <= 3600; s += 10 { // 2 to 100 % in an hour at a steady 20 W, invented
		fmt.Fprintf(&charge, "%d,%d,20\n", s, 2+98*s/3600)
	}
	cycles.WriteString("cycle,score\n")
	for i := 1; i <= 20; i++ {
		fmt.Fprintf(&cycles, "%d,%d\n", i, map[bool]int{true: 1000 + i%3, false: 800 + i%3}[i <= 6])
	}
	c, err := d.Import(orchestrator.ImportRequest{File: "c.csv", Content: []byte(charge.String()), Handset: "Rowan"})
	if err != nil || c.Charge == nil || c.Segment.Scenario != "charge" {
		t.Fatalf("charge: %+v, %v", c, err)
	}
	if math.Abs(c.Charge.PeakSocketW.Value-20) > 1e-9 || math.Abs(c.Charge.SocketWh.Value-20) > 0.2 {
		t.Errorf("20 W for an hour: peak %+v, energy %+v", *c.Charge.PeakSocketW, c.Charge.SocketWh)
	}
	for _, at := range c.Charge.Times {
		if want := 3600 * float64(at.LevelPct-2) / 98; math.Abs(at.S.Value-want) > 40 {
			t.Errorf("to %d %%: %g s, want about %g", at.LevelPct, at.S.Value, want)
		}
	}
	stored, err := d.Reading().Charges(reading.FigureFilter{})
	if err != nil || len(stored) != 1 || !stored[0].Imported || stored[0].ToPct != 100 || stored[0].SocketWh.Value != c.Charge.SocketWh.Value {
		t.Errorf("charges stored: %+v, %v", stored, err)
	}
	s, err := d.Import(orchestrator.ImportRequest{File: "s.csv", Content: []byte(cycles.String()), Handset: "Rowan"})
	if err != nil || s.Sustain == nil || !s.Sustain.Throttled || math.Abs(s.Sustain.Held.Value-0.8) > 0.01 {
		t.Errorf("cycles: %+v, %v", s.Sustain, err)
	}
	if figures, err := d.Reading().Figures(reading.FigureFilter{}); err != nil || len(figures) != 0 {
		t.Errorf("charge and cycles stand among the endurances: %+v, %v", figures, err)
	}
}

func TestImportRefusesWhole(t *testing.T) {
	d := awayBench(t, "line_ups: {rivals: {members: [{handset: Rowan}]}}\n")
	good := orchestrator.ImportRequest{File: "rowan.csv", Content: handTimed(9), Handset: "Rowan", Scenario: "video", Columns: byHand}
	for name, tt := range map[string]struct {
		change func(*orchestrator.ImportRequest)
		says   string
	}{
		"no handset":      {func(q *orchestrator.ImportRequest) { q.Handset = " " }, "needs the name of its handset"},
		"a line-up's":     {func(q *orchestrator.ImportRequest) { q.Handset = "rivals" }, "is a line-up"},
		"no scenario":     {func(q *orchestrator.ImportRequest) { q.Scenario = "" }, "what did the handset do"},
		"nothing in it":   {func(q *orchestrator.ImportRequest) { q.Content = nil }, "the file is empty"},
		"unknown columns": {func(q *orchestrator.ImportRequest) { q.Columns = nil }, "rowan.csv:1:1: no column is recognised"},
		"a wrong line":    {func(q *orchestrator.ImportRequest) { q.Content = append(handTimed(3), "0:40:00,many\n"...) }, `rowan.csv:5:9: Battery: want a level of 0 to 100 %, got "many"`},
		"not for that":    {func(q *orchestrator.ImportRequest) { q.As = results.AsSustain }, "no column is a score"},
	} {
		t.Run(name, func(t *testing.T) {
			q := good
			tt.change(&q)
			_, err := d.Import(q)
			if !errors.Is(err, orchestrator.ErrRequest) || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("%v\nwant ErrRequest with %q", err, tt.says)
			}
			if runs, _ := d.Store().Runs(); len(runs) != 0 {
				t.Errorf("%d runs are stored", len(runs))
			}
		})
	}
}

func TestAnnotations(t *testing.T) {
	d := awayBench(t, "")
	if err := d.Store().PutRun(results.Run{ID: "r1", Handset: results.Handset{Name: "Alder"}}); err != nil {
		t.Fatal(err)
	}
	a, err := d.Annotate("r1", "desk", "  screen protector on \n")
	if err != nil || a.Text != "screen protector on" || a.By != "desk" || a.At.IsZero() {
		t.Fatalf("%+v, %v", a, err)
	}
	for _, text := range []string{" ", strings.Repeat("x", 2001)} {
		if _, err := d.Annotate("r1", "desk", text); !errors.Is(err, orchestrator.ErrRequest) {
			t.Errorf("%d bytes: %v, want ErrRequest", len(text), err)
		}
	}
	if _, err := d.Annotate("r2", "desk", "x"); !errors.Is(err, results.ErrNotFound) {
		t.Errorf("no such run: %v, want ErrNotFound", err)
	}
	if list, err := d.Reading().Annotations("r1"); err != nil || len(list) != 1 || list[0].ID != a.ID {
		t.Errorf("%+v, %v", list, err)
	}
	if err := d.DeleteAnnotation("r1", a.ID); err != nil {
		t.Fatal(err)
	}
	if list, _ := d.Reading().Annotations("r1"); len(list) != 0 {
		t.Errorf("withdrawn and still there: %+v", list)
	}
	if err := d.DeleteAnnotation("r1", a.ID); !errors.Is(err, results.ErrNotFound) {
		t.Errorf("withdrawn twice: %v, want ErrNotFound", err)
	}
}
