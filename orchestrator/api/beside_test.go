package api_test

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"

	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/logfiles"
	"rundown/scenarios"
)

// besideBench is a bench with invented records: two handsets on it, one of last year, one
// imported, two line-ups and a day mix. No run is carried out.
func besideBench(t *testing.T) *bench {
	t.Helper()
	b, err := startWith(func(c *orchestrator.Config) {
		c.File.DayMixes = map[string]scenarios.DayMix{"typical": {Name: "typical", Hours: map[string]float64{"browse": 2, "video": 1}}}
		c.File.LineUps = map[string]scenarios.LineUp{
			"this_year": {Name: "this_year", About: "On the bench now.", Members: []scenarios.Member{{Handset: "Alder"}, {Handset: "Birch"}}},
			"last_year": {Name: "last_year", Members: []scenarios.Member{{Handset: "Old Alder"}}},
		}
	}, []string{"Alder", "Birch"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.close)
	evening := time.Date(2030, 5, 10, 20, 0, 0, 0, time.UTC)
	put := func(handset, scenario string, at time.Time, pointS float64, mah float64) {
		id := "r" + at.Format("20060102150405") + "-" + map[string]string{"Alder": "aaaaaaaa", "Birch": "bbbbbbbb", "Old Alder": "cccccccc"}[handset]
		run := results.Run{ID: id, Plan: "short", PlanHash: "0123456789ab", QueuedAt: at, StartedAt: at, EndedAt: at.Add(2 * time.Hour), State: "Done",
			Handset: results.Handset{Name: handset, Serial: "TB-" + strings.ToUpper(handset), Model: "TB " + handset, CapacityMAh: mah, NominalMV: 3870}}
		if handset == "Old Alder" {
			run.PlanHash = "9876543210fe" // the plan was another then
		}
		g := results.Segment{ID: id + "-01-1", RunID: id, Handset: handset, Plan: "short", Scenario: scenario, Index: 1, Repeat: 1, Attempt: 1, Outcome: results.Measured,
			WorkloadVersion: "1", WarmUpS: 180, SampleEveryS: 10, TargetPoints: 7, StartedAt: at, EndedAt: at.Add(2 * time.Hour), ActivityUpS: 1000}
		var samples []results.Sample
		for s := 0.0; s < 10*pointS; s += 10 {
			level, mv, temp := 93-int(s/pointS), int64(4200-8*s/pointS), 27+s/pointS/4
			current := int64(-4500 * 36 / pointS * 1000)
			samples = append(samples, results.Sample{Seq: len(samples) + 1, HostAt: at.Add(time.Duration(s) * time.Second), UptimeMS: int64(1e6 + 1000*s), LevelPct: level, VoltageMV: &mv, TempC: &temp, CurrentRaw: &current})
			if n := len(samples); n > 1 && samples[n-2].LevelPct > level {
				g.Edges = append(g.Edges, results.Edge{LevelPct: level, LoUpMS: samples[n-2].UptimeMS, HiUpMS: samples[n-1].UptimeMS})
			}
		}
		g.Samples = len(samples)
		_, err := b.daemon.Store().AppendSamples(g.ID, samples)
		if err := errors.Join(err, b.daemon.Store().PutRun(run), b.daemon.Store().PutSegment(g)); err != nil {
			t.Fatal(err)
		}
	}
	for i, jitter := range []float64{0.99, 1, 1.01} {
		at := evening.AddDate(0, 0, i)
		put("Alder", "browse", at, 450*jitter, 4500)
		put("Birch", "browse", at, 540*jitter, 5000)
		put("Alder", "video", at.Add(3*time.Hour), 600*jitter, 4500)
		put("Birch", "video", at.Add(3*time.Hour), 596*jitter, 5000)
	}
	put("Old Alder", "browse", evening.AddDate(-1, 0, 0), 400, 4200)
	_, err = b.daemon.Import(orchestrator.ImportRequest{
		File: "rowan.csv", Content: []byte(handTimed), Handset: "Rowan", Scenario: "video", CapacityMAh: 4000, NominalMV: 3850,
		Columns: map[logfiles.Quantity]logfiles.Column{logfiles.Time: {Name: "At", Unit: "min"}}, By: "desk",
	})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Beside each other in the browser: handsets, line-ups, what is not alike and taken in,
// an import; files to take away. Then a run is annotated, and the import deleted.
func TestBesideInTheBrowser(t *testing.T) {
	b := besideBench(t)
	p := openTab(t, b)
	p.size(1280, 800, "light")
	p.open("/beside")
	p.until(heading, "Against Alder, Birch lasts longer")
	table := `document.querySelector("table.cmp")?.innerText ?? ""`
	if text := p.js(table); !strings.Contains(text, "1.20") || !strings.Contains(text, "no difference shown") || !strings.Contains(text, "more watt-hours") || !strings.Contains(text, "day mix") {
		t.Errorf("the ratios: %q", text)
	}
	if text := p.js(`document.querySelector("table.bars")?.innerText ?? ""`); !strings.Contains(text, "days") || !strings.Contains(text, "Birch") {
		t.Errorf("the bars: %q", text)
	}
	for _, at := range []struct {
		name          string
		width, height int64
		scheme        string
	}{{"desk-light", 1280, 800, "light"}, {"desk-dark", 1280, 800, "dark"}, {"phone-light", 390, 844, "light"}, {"phone-dark", 390, 844, "dark"}, {"small", 320, 700, "light"}} {
		p.size(at.width, at.height, at.scheme)
		p.fits("beside-filled-" + at.name)
		if at.name != "small" {
			p.accessible("beside-filled-" + at.name)
		}
	}
	p.size(1280, 800, "light")

	// Line-ups: last year's plan was another, which is said and can be taken in.
	p.js(`document.querySelectorAll("[name=with]").forEach((c) => { c.checked = c.value.endsWith("_year"); }), document.querySelector("[name=reference]").value = "last_year", ""`)
	p.press("Compare")
	p.until(heading, "Against last_year, this_year is not compared")
	p.until(`document.querySelector("main")?.innerText ?? ""`, "The plan is not the same")
	p.fits("beside-lineups-blocked")
	p.js(`[...document.querySelectorAll("a")].find((a) => a.textContent === "Take plan in").click(), ""`)
	p.until(`document.querySelector("main")?.innerText ?? ""`, "Taken in although not alike: plan")
	p.until(`document.querySelector("table.bars")?.innerText ?? ""`, "this_year, Birch")
	p.fits("beside-lineups")
	p.accessible("beside-lineups")

	// What was imported is marked, and blocked until it is allowed.
	p.open("/beside?reference=Alder&with=Alder&with=Rowan&allow=plan&allow=workload")
	p.until(`document.querySelector("table.bars")?.innerText ?? ""`, "imported")
	p.until(`document.querySelector("main")?.innerText ?? ""`, "Rowan has imported figures")

	folder := t.TempDir()
	if _, err := chromedp.CallBrowser(p.ctx, browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: browser.SetDownloadBehaviorBehaviorAllow, DownloadPath: folder}); err != nil {
		t.Fatal(err)
	}
	p.js(`[...document.querySelectorAll("a")].find((a) => a.textContent === "all of it in one archive").click(), ""`)
	var archive []byte
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		content, err := os.ReadFile(filepath.Join(folder, "all.zip"))
		if err == nil && bytes.HasPrefix(content, []byte("PK")) {
			archive = content
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("all.zip did not arrive")
		}
	}
	z, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		t.Fatal(err)
	}
	have := map[string]bool{}
	for _, f := range z.File {
		have[f.Name] = true
	}
	for _, want := range []string{"report.html", "report.md", "ratios.svg", "ratios.png", "endurance.svg", "ratios.csv", "figures.csv", "columns.json"} {
		if !have[want] {
			t.Errorf("the archive has no %s: %v", want, have)
		}
	}
	p.open("/v1/compare/report?side=Alder&side=Birch")
	p.until(heading, "Against Alder, Birch lasts longer")
	p.fits("report-compare")
	p.open("/v1/runs/r20300510200000-aaaaaaaa/report")
	p.until(heading, "Endurance of Alder")
	p.fits("report-run")

	p.open("/runs/r20300510200000-aaaaaaaa")
	p.js(`document.getElementById("text").value = "Screen protector on.", ""`)
	p.press("Annotate")
	p.until(`document.querySelector(".said")?.textContent ?? ""`, "Annotated.")
	p.until(`document.querySelector("main")?.innerText ?? ""`, "Screen protector on.")
	p.fits("run-annotated")
	p.accessible("run-annotated")
	p.size(390, 844, "dark")
	p.fits("run-annotated-phone-dark")
	p.accessible("run-annotated-phone-dark")
	p.size(1280, 800, "light")
	p.press("Withdraw it again")
	p.until(`document.querySelector(".said")?.textContent ?? ""`, "is withdrawn")

	p.open("/runs")
	p.until(`document.querySelector("main")?.innerText ?? ""`, "imported from rowan.csv")
	p.js(`[...document.querySelectorAll("tbody tr")].find((r) => r.innerText.includes("Rowan")).querySelector("a").click(), ""`)
	p.until(heading, "Rowan: video imported")
	p.fits("run-imported")
	p.accessible("run-imported")
	p.press("Delete this import…")
	p.press("Delete the import of Rowan")
	p.until(`document.querySelector(".said")?.textContent ?? ""`, "rowan.csv of Rowan is no longer in the store")
}

// What a run, a night and a comparison give out as files is what a reader of each kind opens.
func TestReportsAndComputedTables(t *testing.T) {
	b := besideBench(t)
	for path, want := range map[string][]string{
		"/v1/compare/report?side=Alder&side=Birch&file=report.md":              {"text/markdown", "# Against Alder, Birch lasts longer", "| browse | Birch | 1.20 |"},
		"/v1/compare/report?side=Alder&side=Birch&file=ratios.svg":             {"image/svg+xml", "<svg"},
		"/v1/compare/report?side=Alder&side=Birch&file=ratios.png":             {"image/png", "\x89PNG"},
		"/v1/runs/r20300510200000-aaaaaaaa/report":                             {"text/html", "<h1>Endurance of Alder at browse</h1>"},
		"/v1/runs/r20300510200000-aaaaaaaa/report?file=discharge-browse.svg":   {"image/svg+xml", "<svg"},
		"/v1/runs/r20300510200000-aaaaaaaa/report?file=figures.csv":            {"text/csv", "handset,run_id,segment_id,scenario,imported,plan,figure_kind,"},
		"/v1/export/figures?format=csv&handset=Rowan":                          {"text/csv", "Rowan,r", ",video,true,"},
		"/v1/export/figures?format=csv&scenario=browse":                        {"text/csv", "Alder,,,browse,false,short,repeats,"},
		"/v1/export/figures?format=jsonl&plan=short&from=2030-05-12T00:00:00Z": {"application/jsonl", `"figure_kind":"day mix"`},
		"/v1/export/budgets?format=jsonl&run=r20300510200000-aaaaaaaa":         {"application/jsonl", `"term":"timing of the level edges"`},
		"/v1/export/curves?format=csv&run=r20300510200000-aaaaaaaa":            {"text/csv", "discharge"},
		"/v1/export/ratios?format=csv":                                         {"text/csv", "scenario,browse,Birch,Alder,1.2", "day mix,typical,Birch,Alder,1.1"},
		"/v1/export/lots?format=parquet":                                       {"application/vnd.apache.parquet", "PAR1"},
		"/v1/export/annotations?format=csv":                                    {"text/csv", "at_utc,by,text"},
		"/v1/export/samples?format=csv&handset=Rowan":                          {"text/csv", "Rowan,r", ",video,true,1,"},
		"/v1/tables": {"application/json", `"figures"`, `"voltage_factor"`, `"samples"`},
	} {
		a := b.ask(t, "GET", path, nil)
		if a.status != 200 || !strings.HasPrefix(a.header.Get("Content-Type"), want[0]) {
			t.Errorf("%s: %d %s %.200s", path, a.status, a.header.Get("Content-Type"), a.body)
			continue
		}
		for _, w := range want[1:] {
			if !strings.Contains(string(a.body), w) {
				t.Errorf("%s: no %q in %.600s", path, w, a.body)
			}
		}
	}
	// What is drawn is in the export: a figure of the report is that of the table, to the last digit.
	var figures []struct {
		Hours float64 `json:"hours"`
		Of    string  `json:"figure_kind"`
	}
	for line := range strings.Lines(string(b.ask(t, "GET", "/v1/export/figures?format=jsonl&run=r20300510200000-aaaaaaaa", nil).body)) {
		var f struct {
			Hours float64 `json:"hours"`
			Of    string  `json:"figure_kind"`
		}
		if err := json.Unmarshal([]byte(line), &f); err != nil {
			t.Fatal(err)
		}
		figures = append(figures, f)
	}
	run, err := b.daemon.Store().Run("r20300510200000-aaaaaaaa")
	if err != nil {
		t.Fatal(err)
	}
	estimates, err := b.daemon.Reading().Estimates(run)
	if err != nil || len(estimates) != 1 || len(figures) == 0 || figures[0].Of != "segment" {
		t.Fatalf("%+v, %v, %v", estimates, err, figures)
	}
	if figures[0].Hours != estimates[0].Figure.Hours.Value {
		t.Errorf("exported %v, computed %v", figures[0].Hours, estimates[0].Figure.Hours.Value)
	}
}
