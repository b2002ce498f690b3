package orchestrator_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
)

// drained stores an invented run of one segment: a steady drain of a point every so many
// seconds from 93 %, the same voltage at the same level on every handset, so that hours
// are in the ratio of the seconds.
func drained(t testing.TB, d *orchestrator.Daemon, handset, scenario string, at time.Time, pointS float64, change ...func(*results.Run, *results.Segment)) results.Run {
	t.Helper()
	id := "r" + at.Format("20060102150405") + "-" + strings.ToLower(handset) + scenario
	run := results.Run{
		ID: id, Plan: "everyday", PlanHash: "0123456789abcdef", QueuedAt: at, StartedAt: at, EndedAt: at.Add(2 * time.Hour), State: "Done",
		Handset: results.Handset{Name: handset, Serial: "TB-" + strings.ToUpper(handset), Model: "TB " + handset, Build: "build of " + handset, CapacityMAh: 4500, NominalMV: 3870},
	}
	if handset == "Birch" {
		run.Handset.CapacityMAh = 5000
	}
	g := results.Segment{
		ID: id + "-01-1", RunID: id, Handset: handset, Plan: "everyday", Scenario: scenario, Index: 1, Repeat: 1, Attempt: 1, Outcome: results.Measured,
		WorkloadVersion: "1", WarmUpS: 180, SampleEveryS: 10, TargetPoints: 7, StartedAt: at, EndedAt: at.Add(2 * time.Hour), ActivityUpS: 1000,
		Conditions: []results.Condition{{Name: "luminance", Wanted: "300 cd/m²", Found: "301 cd/m²", Verdict: "met", Required: true}},
	}
	for _, f := range change {
		f(&run, &g)
	}
	var samples []results.Sample
	for s := 0.0; s < 10*pointS; s += 10 {
		level := 93 - int(s/pointS)
		mv := int64(4200 - 8*s/pointS)
		samples = append(samples, results.Sample{Seq: len(samples) + 1, HostAt: at.Add(time.Duration(s) * time.Second), UptimeMS: int64(1e6 + 1000*s), LevelPct: level, VoltageMV: &mv})
		if n := len(samples); n > 1 && samples[n-2].LevelPct > level {
			g.Edges = append(g.Edges, results.Edge{LevelPct: level, LoUpMS: samples[n-2].UptimeMS, HiUpMS: samples[n-1].UptimeMS})
		}
	}
	g.Samples = len(samples)
	if err := errors.Join(d.Store().PutRun(run), d.Store().PutSegment(g)); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Store().AppendSamples(g.ID, samples); err != nil {
		t.Fatal(err)
	}
	return run
}

var evening = time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)

func TestCompareHandsets(t *testing.T) {
	d := awayBench(t, "day_mixes: {short: {hours: {browse: 2, video: 1}}}\n")
	for i, jitter := range []float64{0.99, 1, 1.01} {
		at := evening.AddDate(0, 0, i)
		drained(t, d, "Alder", "browse", at, 450*jitter)
		drained(t, d, "Birch", "browse", at, 540*jitter)
		drained(t, d, "Alder", "video", at.Add(3*time.Hour), 600*jitter)
		drained(t, d, "Birch", "video", at.Add(3*time.Hour), 600*jitter)
	}
	drained(t, d, "Alder", "browse", evening.AddDate(0, -3, 0), 900) // before lately
	b, err := d.Reading().Compare(reading.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	if len(b.Comparison.Ratios) != 2 || len(b.Comparison.Mismatches) != 0 || b.Comparison.Reference != "Alder" {
		t.Fatalf("%+v", b.Comparison)
	}
	browse, video := b.Comparison.Ratios[0], b.Comparison.Ratios[1]
	if math.Abs(browse.Ratio.Value-1.2) > 0.002 || !browse.Shown || browse.SideRuns != 3 || browse.By != "Welch" {
		t.Errorf("browse %+v, want 1.2 and a difference shown", browse)
	}
	if math.Abs(video.Ratio.Value-1) > 0.002 || video.Shown || video.Says != "no difference shown" {
		t.Errorf("video %+v, want 1 and none shown", video)
	}
	// 5000 mAh beside 4500 at one voltage: a ratio of 10/9, and 1.08 from each watt-hour.
	if e := browse.Battery; e == nil || math.Abs(e.Ratio-10.0/9) > 1e-9 || math.Abs(e.Rest.Value-1.08) > 0.002 || math.Abs(e.SidePerWh/e.ReferencePerWh-1.08) > 0.002 {
		t.Errorf("effect beside the batteries %+v", e)
	}
	// 2 h at 540 s a point and 1 h at 600, beside 450 and 600: (2/450 + 1/600) / (2/540 + 1/600).
	if m := b.DayMixes.Ratios; len(m) != 1 || m[0].Scenario != "short" || math.Abs(m[0].Ratio.Value-(2.0/450+1.0/600)/(2.0/540+1.0/600)) > 0.002 {
		t.Errorf("day mix %+v", m)
	}
	if b.Heading != "Against Alder, Birch lasts longer in browse" && b.Heading != "Against Alder, Birch lasts longer in all but video" {
		t.Errorf("heading %q", b.Heading)
	}
	if !b.From.Equal(evening.AddDate(0, 0, 2).Add(3 * time.Hour).Add(-30 * 24 * time.Hour)) {
		t.Errorf("of lately: since %v", b.From)
	}
	days := 0
	for _, h := range b.Hours {
		if h.DayMix != "" && h.Days != nil {
			days++
		}
	}
	if len(b.Hours) != 6 || days != 2 {
		t.Errorf("hours %+v", b.Hours)
	}
	old, err := d.Reading().Compare(reading.Choice{From: evening.AddDate(-1, 0, 0), Scenarios: []string{"browse"}, Reference: "Birch", Sides: []string{"Alder"}})
	if err != nil || len(old.Comparison.Ratios) != 1 || old.Comparison.Ratios[0].SideRuns != 4 || old.Comparison.Reference != "Birch" {
		t.Errorf("with the old run: %+v, %v", old.Comparison, err)
	}
}

func TestCompareBlocksWhatIsNotAlike(t *testing.T) {
	for name, tt := range map[string]struct {
		change func(*results.Run, *results.Segment)
		what   string
	}{
		"plan":        {func(r *results.Run, _ *results.Segment) { r.PlanHash = "another" }, "plan"},
		"workload":    {func(_ *results.Run, g *results.Segment) { g.WorkloadVersion = "2" }, "workload"},
		"build":       {func(r *results.Run, _ *results.Segment) { r.Handset.Model, r.Handset.Build = "TB Alder", "another" }, "build"},
		"calibration": {func(r *results.Run, _ *results.Segment) { r.Handset.Calibration = "measured 2030" }, "calibration"},
		"condition":   {func(_ *results.Run, g *results.Segment) { g.Conditions[0].Wanted = "200 cd/m²" }, "luminance"},
		"found":       {func(_ *results.Run, g *results.Segment) { g.Conditions[0].Verdict = "not met" }, "luminance"},
		"flagged":     {func(_ *results.Run, g *results.Segment) { g.Outcome = results.Flagged }, "flagged"},
	} {
		t.Run(name, func(t *testing.T) {
			d := awayBench(t, "")
			drained(t, d, "Alder", "browse", evening, 500)
			drained(t, d, "Birch", "browse", evening, 500, tt.change)
			b, err := d.Reading().Compare(reading.Choice{})
			if err != nil || len(b.Comparison.Ratios) != 1 || b.Comparison.Ratios[0].LeftOut == "" || len(b.Comparison.Mismatches) != 1 || b.Comparison.Mismatches[0].What != tt.what {
				t.Fatalf("%+v, %v; want one mismatch, %s", b.Comparison, err, tt.what)
			}
			b, err = d.Reading().Compare(reading.Choice{Allow: []string{tt.what}})
			if err != nil || b.Comparison.Ratios[0].LeftOut != "" || math.Abs(b.Comparison.Ratios[0].Ratio.Value-1) > 0.002 {
				t.Errorf("allowed: %+v, %v", b.Comparison.Ratios, err)
			}
		})
	}
}

func TestCompareLineUpsRunsAndImports(t *testing.T) {
	d := awayBench(t, `line_ups:
  now:
    members:
      - {handset: Alder, from: 2030-05-01}
      - {handset: Birch, from: 2030-05-01}
      - {handset: Maple}
  before:
    about: Last year's.
    members:
      - {handset: Old Alder, plan: everyday, to: 2029-12-31}
      - {handset: Old Birch, imported: off}
`)
	year := evening.AddDate(-1, 0, 0)
	drained(t, d, "Alder", "video", evening, 660)
	second := drained(t, d, "Birch", "video", evening, 660)
	first := drained(t, d, "Old Alder", "video", year, 600)
	drained(t, d, "Old Birch", "video", year, 600)
	drained(t, d, "Old Alder", "video", evening, 100) // after the line-up's last day
	b, err := d.Reading().Compare(reading.Choice{Sides: []string{"before", "now"}, Allow: []string{"conditions"}})
	if err != nil || len(b.Comparison.Ratios) != 1 {
		t.Fatalf("%+v, %v", b, err)
	}
	if r := b.Comparison.Ratios[0]; math.Abs(r.Ratio.Value-1.1) > 0.002 || r.SideHandsets != 2 || r.RefHandsets != 2 {
		t.Errorf("line-ups: %+v, want 1.1 of two handsets each", r)
	}
	if got := []string{b.Sides[0].About, fmt.Sprint(b.Sides[0].Handsets), fmt.Sprint(b.Sides[1].Missing)}; !cmp.Equal(got, []string{"Last year's.", "[Old Alder Old Birch]", "[no figure of Maple]"}) {
		t.Errorf("sides: %q", got)
	}
	b, err = d.Reading().Compare(reading.Choice{Sides: []string{first.ID, second.ID}})
	if err != nil || len(b.Comparison.Ratios) != 1 || math.Abs(b.Comparison.Ratios[0].Ratio.Value-1.1) > 0.002 || b.Sides[0].Kind != "run" {
		t.Errorf("runs: %+v, %v", b.Comparison, err)
	}
	if _, err := d.Import(orchestrator.ImportRequest{File: "rowan.csv", Content: handTimed(12), Handset: "Rowan", Scenario: "video", Columns: byHand, Started: year}); err != nil {
		t.Fatal(err)
	}
	b, err = d.Reading().Compare(reading.Choice{Sides: []string{"Alder", "Rowan"}, Allow: []string{"plan", "workload", "conditions"}})
	if err != nil || len(b.Comparison.Ratios) != 1 || b.Comparison.Ratios[0].LeftOut != "" || !b.Sides[1].Imported || len(b.Notes) != 1 || !strings.Contains(b.Notes[0], "imported") {
		t.Errorf("an import: %+v, %v", b, err)
	}
	b, err = d.Reading().Compare(reading.Choice{Sides: []string{"Alder", "Rowan"}})
	if err != nil || b.Comparison.Ratios[0].LeftOut == "" {
		t.Errorf("an import is compared without being allowed: %+v, %v", b.Comparison, err)
	}
}

// What is kept of a run is dropped when something of it is stored anew.
func TestEstimatesAreThoseOfTheStore(t *testing.T) {
	d := awayBench(t, "")
	done, err := d.Import(orchestrator.ImportRequest{File: "rowan.csv", Content: handTimed(12), Handset: "Rowan", Scenario: "video", Columns: byHand})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if list, err := d.Reading().Estimates(done.Run); err != nil || len(list) != 1 || list[0].Figure.Hours.Value != done.Figure.Hours.Value {
			t.Fatalf("%+v, %v", list, err)
		}
	}
	if _, err := d.DeleteImport(done.Run.ID); err != nil {
		t.Fatal(err)
	}
	if list, err := d.Reading().Estimates(done.Run); err != nil || len(list) != 0 {
		t.Errorf("after it was deleted: %+v, %v", list, err)
	}
}

// A log of a handset of the bench, timed by hand, neither blocks its comparison nor is mixed into it.
func TestImportBesideMeasured(t *testing.T) {
	d := awayBench(t, "day_mixes: {films: {hours: {video: 2}}}\n")
	drained(t, d, "Alder", "video", evening, 600)
	drained(t, d, "Birch", "video", evening, 660)
	imported, err := d.Import(orchestrator.ImportRequest{File: "alder.csv", Content: handTimed(12), Handset: "Alder", Scenario: "video", Columns: byHand, Started: evening})
	if err != nil {
		t.Fatal(err)
	}
	b, err := d.Reading().Compare(reading.Choice{})
	if err != nil || len(b.Comparison.Ratios) != 1 || b.Comparison.Ratios[0].LeftOut != "" || b.Comparison.Ratios[0].RefRuns != 1 || math.Abs(b.Comparison.Ratios[0].Ratio.Value-1.1) > 0.002 {
		t.Errorf("%+v, %v", b.Comparison, err)
	}
	if len(b.Notes) != 1 || !strings.Contains(b.Notes[0], "what was imported of it is left out") {
		t.Errorf("notes %q", b.Notes)
	}
	figures, err := d.Reading().Figures(reading.FigureFilter{Handset: "Alder"})
	if err != nil || len(figures) != 2 || figures[0].Imported == figures[1].Imported {
		t.Fatalf("%+v, %v; want one measured and one imported", figures, err)
	}
	for _, f := range figures {
		if !f.Imported {
			if mixes := d.Reading().MixFigures(figures); len(mixes) != 1 || math.Abs(mixes[0].Days.Value-f.Hours.Value/2) > 1e-9 {
				t.Errorf("mix %+v of %v h", mixes, f.Hours.Value)
			}
		}
	}
	b, err = d.Reading().Compare(reading.Choice{Sides: []string{"Alder", imported.Run.ID}, Allow: []string{"plan", "workload", "build", "conditions"}})
	if err != nil || len(b.Comparison.Ratios) != 1 || b.Comparison.Ratios[0].LeftOut != "" {
		t.Errorf("the import beside the measured: %+v, %v", b.Comparison, err)
	}
}

func TestCompareRefuses(t *testing.T) {
	d := awayBench(t, "line_ups: {all: {members: [{handset: Alder}]}}\n")
	drained(t, d, "Alder", "browse", evening, 500)
	for name, tt := range map[string]struct {
		c    reading.Choice
		says string
	}{
		"nobody":    {reading.Choice{Sides: []string{"Alder", "Oak"}}, `no handset, run or line-up "Oak"; there are the handsets Alder and the line-ups all`},
		"one":       {reading.Choice{Sides: []string{"Alder"}}, "want two sides or more"},
		"twice":     {reading.Choice{Sides: []string{"Alder", "Alder"}}, "Alder is named twice"},
		"no plan":   {reading.Choice{Sides: []string{"Alder", "all"}, Plan: "weekly"}, `no plan "weekly"`},
		"reference": {reading.Choice{Sides: []string{"Alder", "all"}, Reference: "Oak"}, `"Oak"`},
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := d.Reading().Compare(tt.c); !errors.Is(err, orchestrator.ErrRequest) || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("%v, want ErrRequest with %q", err, tt.says)
			}
		})
	}
}

// A night of twelve handsets and five scenarios each, from the store to all files of its
// report, with nothing worked out beforehand; and the comparison of the twelve.
func BenchmarkNight(b *testing.B) {
	d := awayBench(b, "")
	var runs []results.Run
	for i := range 12 {
		for j, scenario := range []string{"browse", "video", "call", "camera", "game"} {
			runs = append(runs, drained(b, d, fmt.Sprintf("H%02d", i), scenario, evening.Add(time.Duration(j)*3*time.Hour), 400+10*float64(i)))
		}
	}
	b.Run("report", func(b *testing.B) {
		b.ReportAllocs()
		size := 0
		for b.Loop() {
			d.ForgetEstimates()
			r, err := d.ReportOf(runs)
			if err != nil || len(r.Figures) < 60 {
				b.Fatalf("%d figures, %v", len(r.Figures), err)
			}
			size = 0
			for _, f := range r.Files() {
				w := &counted{}
				if err := f.Write(w); err != nil {
					b.Fatal(err)
				}
				size += w.n
			}
		}
		b.ReportMetric(float64(size)/1e6, "MB")
	})
	b.Run("compare", func(b *testing.B) {
		b.ReportAllocs()
		var names []string
		for i := range 12 {
			names = append(names, fmt.Sprintf("H%02d", i))
		}
		for b.Loop() {
			d.ForgetEstimates()
			if c, err := d.Reading().Compare(reading.Choice{Sides: names}); err != nil || len(c.Comparison.Ratios) != 55 {
				b.Fatalf("%d ratios, %v", len(c.Comparison.Ratios), err)
			}
		}
	})
}

type counted struct{ n int }

func (c *counted) Write(b []byte) (int, error) { c.n += len(b); return len(b), nil }
