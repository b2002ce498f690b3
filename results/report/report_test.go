package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"image/png"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rundown/results"
	"rundown/results/compare"
)

var update = flag.Bool("update", false, "write the golden files anew; look at them as pictures before they are committed")

func x(v float64) *float64 { return &v }
func n(v int64) *int64     { return &v }

// bench is an invented bench: four handsets, what they would have measured, and one rival's imported
// figures. No phone behaves like this.
func bench(t testing.TB) Report {
	t.Helper()
	rng := rand.New(rand.NewPCG(3, 9))
	names := []string{"Alder", "Cedar", "Larch", "Rowan"}
	capacity := []float64{4000, 4200, 3900, 5000}
	hours := map[string][]float64{"browse": {9.0, 7.7, 7.1, 10.1}, "video": {14.3, 14.2, 11.0, 14.4}, "call": {6.8, 5.8, 5.5, 8.0}, "game": {4.5, 3.6, 3.8, 5.7}}
	scenarios := []string{"browse", "video", "call", "game"}
	var r Report
	var sides []compare.Side
	for i, name := range names {
		side := compare.Side{Name: name}
		for _, sc := range scenarios {
			whose := results.Whose{Handset: name, Scenario: sc}
			var sum float64
			for k := range 3 {
				h := hours[sc][i] * math.Exp(0.008*rng.NormFloat64())
				sum += math.Log(h) / 3
				run := compare.Run{Handset: compare.Handset{ID: name, Model: name, CapacityMAh: capacity[i], NominalMV: 3850}, Scenario: sc, Segment: fmt.Sprint(name, "-", sc, k+1),
					Value: h, ChanceSD: 0.006, BendSD: 0.004, OwnSD: 0.011, FromPct: 92, ToPct: 85,
					Under: compare.Circumstances{Plan: "nightly-four", Workload: sc + " 3", Build: "build of " + name, Calibration: "curve of " + name}}
				if name == "Larch" && sc == "game" {
					run.Under.Workload = "game 2"
				}
				side.Runs = append(side.Runs, run)
			}
			mean := math.Exp(sum)
			r.Figures = append(r.Figures, results.FigureRow{Whose: whose, Plan: "nightly-four", Of: "repeats", Hours: &results.Interval{Value: mean, Low: mean * 0.974, High: mean * 1.027},
				RatePctH: &results.Interval{Value: 93 / mean, Low: 92.2 / mean, High: 93.9 / mean}, PowerW: &results.Interval{Value: 15 / mean, Low: 14.7 / mean, High: 15.4 / mean},
				HoursPerWh: x(mean / capacity[i] / 3850 * 1e6), Segments: 3, Agree: sc != "call" || name != "Cedar", Points: 21, Gauge: "medium", Method: "level edges and charge counter",
				Assumptions: []string{"hours are at the power of the measured window; as the handset warms, power drifts by 3 % (one standard deviation)", "the shown level bends away from true charge by 0.06 point (one standard deviation, medium gauge)"}})
		}
		sides = append(sides, side)
	}
	r.Figures = append(r.Figures,
		results.FigureRow{Whose: results.Whose{Handset: "Rival, hand-timed", Scenario: "video", Imported: true}, Of: "segment", Hours: &results.Interval{Value: 13.2, Low: 12.3, High: 14.2}, Segments: 1, Agree: true},
		results.FigureRow{Whose: results.Whose{Handset: "Sorrel", Scenario: "game"}, Of: "segment", Segments: 1, Reason: "too few points drained: the level fell by 2"},
		results.FigureRow{Whose: results.Whose{Handset: "Alder", Scenario: "weekday"}, Of: "day mix", DaysOfMix: &results.Interval{Value: 1.42, Low: 1.38, High: 1.46}, Method: "browse 1.5 h, video 1 h, call 0.5 h, game 0.5 h a day"},
		results.FigureRow{Whose: results.Whose{Handset: "Rowan", Scenario: "weekday"}, Of: "day mix", DaysOfMix: &results.Interval{Value: 1.68, Low: 1.63, High: 1.73}, Method: "browse 1.5 h, video 1 h, call 0.5 h, game 0.5 h a day"},
	)
	c, err := compare.Compare(sides, compare.Options{Reference: "Alder"})
	if err != nil {
		t.Fatal(err)
	}
	r.Heading, r.Ratios = c.Heading(), RatioRows(c)
	for _, m := range c.Mismatches {
		r.Mismatches = append(r.Mismatches, m.Says)
	}
	r.About = "nightly-four, nights of 7 to 9 Nov 2030, 3 segments a handset and scenario, luminance 300 cd/m²"

	// Discharge at browse: a point takes as long as the hours say, power wanders, the cell warms.
	for i, name := range names {
		whose := results.Whose{Handset: name, RunID: "r1", SegmentID: "r1-" + name, Scenario: "browse"}
		h := hours["browse"][i]
		wander := 0.0
		var rows []results.CurveRow
		for s := 0.0; s < h*3600*0.1; s += 10 {
			wander = 0.97*wander + 0.03*rng.NormFloat64()
			row := results.CurveRow{Whose: whose, Kind: Discharge, TimeS: s, LevelPct: x(math.Ceil(93 - 100*s/3600/h)), PowerW: x(15 / h * (1 + wander)), TempC: x(27 + 20/h*(1-math.Exp(-s/1200)) + float64(i)/3)}
			if name == "Cedar" && s > 1200 && s < 1500 { // the sensors were silent for a while
				row.PowerW, row.TempC = nil, nil
			}
			rows = append(rows, row)
		}
		r.Curves = append(r.Curves, Thin(rows, 150)...)
	}
	// Common practice, no source: 44 W at first, 33 W from about minute 10, lower from minute 30; full in a
	// little over an hour. And a slower one.
	for i, name := range []string{"Alder", "Cedar"} {
		whose := results.Whose{Handset: name, RunID: "r2", SegmentID: "r2-" + name, Scenario: "charge"}
		charge, temp := 2.0, 28.0
		var rows []results.CurveRow
		end := []float64{3950, 5600}[i]
		for s := 0.0; s < end; s += 5 {
			w := 44.0
			switch {
			case i == 1 && s < 2600:
				w = 18
			case i == 1:
				w = math.Max(0.4, 18*math.Exp(-(s-2600)/900))
			case s > 1800:
				w = math.Max(0.5, 33*math.Exp(-(s-1800)/520))
			case s > 600:
				w = 33
			}
			w *= 1 + 0.015*rng.NormFloat64()
			charge = math.Min(100, charge+w*5/3600/([]float64{20.6, 16}[i])*100*0.92)
			temp += (w*0.35 - (temp - 28)) * 5 / 900
			rows = append(rows, results.CurveRow{Whose: whose, Kind: Charge, TimeS: s, LevelPct: x(math.Floor(charge)), PowerW: x(w), SocketW: x(w/0.88 + 0.3), TempC: x(temp)})
		}
		r.Curves = append(r.Curves, Thin(rows, 200)...)
	}
	r.Charges = []results.ChargeRow{
		{Whose: results.Whose{Handset: "Alder", RunID: "r2"}, FromPct: n(2), ToPct: n(100), To50S: x(1000), To80S: x(1810), To95S: x(2560), FullS: x(3800), FullRule: "the handset said full", From20To80S: &results.Interval{Value: 1390, Low: 1368, High: 1412},
			PeakW: &results.Interval{Value: 44, Low: 42.3, High: 45.8}, Above90S: x(610), TaperS: x(1800), TaperPct: x(78), BatteryWh: x(19.8), Efficiency: x(0.87), HighestTempC: x(45.3), HighestTempPct: n(41)},
		{Whose: results.Whose{Handset: "Cedar", RunID: "r2"}, FromPct: n(6), ToPct: n(98), To50S: x(1730), Notes: []string{"began above 2 %", "interrupted"}},
	}
	for i, name := range names[:3] {
		for k := range 20 {
			score := []float64{1000, 930, 1080}[i] * (1 + 0.008*rng.NormFloat64())
			if i != 1 {
				score *= 1 - []float64{0.32, 0, 0.18}[i]*(1-math.Exp(-math.Max(0, float64(k)-3)/2))
			}
			r.Lots = append(r.Lots, results.LotRow{Whose: results.Whose{Handset: name, RunID: "r3", SegmentID: "r3-" + name, Scenario: "sustain"}, Workload: "gpu", Form: results.FormLots, Lot: k + 1, Rate: score, TookS: x(90), TempC: x(30 + []float64{14, 8, 25}[i]*(1-math.Exp(-float64(k)/5)))})
		}
	}
	r.Sustained = []results.SustainRow{
		{Whose: results.Whose{Handset: "Alder"}, Workload: "gpu", Form: results.FormLots, Count: 20, StartRate: 1001, Settled: yes(true), SettledRate: 681, Held: results.Interval{Value: 0.68, Low: 0.67, High: 0.69}, Throttled: true, SettleS: x(610), StartTempC: x(30), PowerW: x(4.31), MeanTempC: x(39.6), HighestTempC: x(43.6)},
		{Whose: results.Whose{Handset: "Cedar"}, Workload: "gpu", Form: results.FormLots, Count: 20, StartRate: 931, Settled: yes(false), SettledRate: 928, Still: "the battery's temperature changed by +1.2 °C in 5 min", Held: results.Interval{Value: 1, Low: 0.985, High: 1.01}, MeanTempC: x(36), HighestTempC: x(37.9)},
		{Whose: results.Whose{Handset: "Larch"}, Workload: "gpu", Form: results.FormCycles, Count: 3, Reason: "too few cycles: 3, want 9 or more"},
	}
	r.Budgets = []results.BudgetRow{
		{Whose: results.Whose{Handset: "Alder", SegmentID: "Alder-browse1", Scenario: "browse"}, Term: "drift of the power with warmth after the window", SDPct: 0.9, Share: 0.55},
		{Whose: results.Whose{Handset: "Alder", SegmentID: "Alder-browse1", Scenario: "browse"}, Term: "bend of the level away from charge", SDPct: 0.8, Share: 0.45},
	}
	return r
}

func yes(v bool) *bool { return &v }

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", "golden", name)
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v: run with -update, and look at the picture", err)
	}
	if strings.HasSuffix(name, ".png") {
		comparePNG(t, name, want, got)
		return
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(string(got), "\n")); diff != "" {
		t.Errorf("%s differs; if it should, run with -update and look at it (-want +got):\n%s", name, diff)
	}
}

// comparePNG allows for the last bit of a shade, which the order of sums may change.
func comparePNG(t *testing.T, name string, want, got []byte) {
	t.Helper()
	a, errA := png.Decode(bytes.NewReader(want))
	b, errB := png.Decode(bytes.NewReader(got))
	if err := errors.Join(errA, errB); err != nil {
		t.Fatal(err)
	}
	if a.Bounds() != b.Bounds() {
		t.Fatalf("%s: %v, want %v", name, b.Bounds(), a.Bounds())
	}
	far := 0
	for y := range a.Bounds().Dy() {
		for x := range a.Bounds().Dx() {
			r1, g1, b1, _ := a.At(x, y).RGBA()
			r2, g2, b2, _ := b.At(x, y).RGBA()
			for _, d := range [][2]uint32{{r1, r2}, {g1, g2}, {b1, b2}} {
				if math.Abs(float64(d[0])-float64(d[1])) > 0x0400 {
					far++
				}
			}
		}
	}
	if far > 0 {
		t.Errorf("%s: %d values of pixels differ; if they should, run with -update and look at it", name, far)
	}
}

func TestGolden(t *testing.T) {
	r := bench(t)
	for name, write := range map[string]func(io.Writer) error{"report.html": r.WriteHTML, "report.md": r.WriteMarkdown} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatal(err)
		}
		golden(t, name, b.Bytes())
	}
	for _, p := range r.Pictures() {
		var b bytes.Buffer
		if err := p.WritePNG(&b, 96); err != nil {
			t.Fatal(err)
		}
		golden(t, p.Name+".png", b.Bytes())
	}
}

func TestPicturesOfABench(t *testing.T) {
	var names []string
	for _, p := range bench(t).Pictures() {
		names = append(names, p.Name)
		var b bytes.Buffer
		if err := p.WriteSVG(&b); err != nil {
			t.Fatal(err)
		}
		d := xml.NewDecoder(&b)
		for {
			if _, err := d.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatalf("%s is no XML: %v", p.Name, err)
			}
		}
		if p.Alt == "" || p.Table == "" {
			t.Errorf("%s has no sentence, or names no table", p.Name)
		}
	}
	if want := []string{"ratios", "endurance", "discharge-browse", "charge", "sustain-gpu"}; !slices.Equal(names, want) {
		t.Errorf("pictures %q, want %q", names, want)
	}
}

// Every number that stands in a picture or its words is one of the exported rows, rounded as it says, or
// on an axis.
func TestNothingIsDrawnThatIsNotExported(t *testing.T) {
	r := bench(t)
	exported := map[string]bool{}
	note := func(values ...*float64) {
		for _, v := range values {
			if v != nil {
				for digits := range 3 {
					exported[number(*v, digits)] = true
				}
			}
		}
	}
	for _, f := range r.Figures {
		if i := f.Hours; i != nil {
			note(&i.Value, &i.Low, &i.High)
		}
	}
	for _, q := range r.Ratios {
		if i := q.Ratio; i != nil {
			note(&i.Value, &i.Low, &i.High)
		}
	}
	decimal := regexp.MustCompile(`\d+\.\d+`)
	looked := 0
	for _, p := range r.Pictures() {
		if p.Name != "ratios" && p.Name != "endurance" {
			continue
		}
		for _, found := range decimal.FindAllString(p.Alt, -1) {
			looked++
			if !exported[found] {
				t.Errorf("%s says %s, which no exported row has", p.Name, found)
			}
		}
	}
	if looked < 50 {
		t.Errorf("only %d numbers were looked at", looked)
	}
}

func TestNamesAreTextAndNothingElse(t *testing.T) {
	evil := `<script>x</script> "A" & | *b*`
	r := Report{
		Heading: evil, About: evil, Mismatches: []string{evil},
		Figures: []results.FigureRow{{Whose: results.Whose{Handset: evil, Scenario: evil}, Of: "segment", Hours: &results.Interval{Value: 9, Low: 8, High: 10}, Warnings: []string{evil}}},
		Ratios:  []results.RatioRow{{Scenario: evil, Side: evil, Reference: evil, Ratio: &results.Interval{Value: 1.1, Low: 1, High: 1.2}, Says: evil}},
		Curves:  []results.CurveRow{{Whose: results.Whose{Handset: evil, Scenario: evil}, Kind: Discharge, TimeS: 0, LevelPct: x(93)}, {Whose: results.Whose{Handset: evil, Scenario: evil}, Kind: Discharge, TimeS: 60, LevelPct: x(92)}},
	}
	var page, md bytes.Buffer
	if err := errors.Join(r.WriteHTML(&page), r.WriteMarkdown(&md)); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(page.String(), "<script>x") {
		t.Error("a name became a script in the page")
	}
	if strings.Contains(md.String(), "<script>") || strings.Contains(md.String(), ` & | *b*`) {
		t.Errorf("a name became marks in Markdown:\n%s", md.String())
	}
	for _, p := range r.Pictures() {
		if strings.ContainsAny(p.Name, "<>/\\\" ") {
			t.Errorf("file name %q", p.Name)
		}
	}
}

func TestOddReports(t *testing.T) {
	whose := results.Whose{Handset: "Alder", Scenario: "browse"}
	for name, r := range map[string]Report{
		"nothing":           {},
		"one row of a kind": {Curves: []results.CurveRow{{Whose: whose, Kind: Discharge}}, Lots: []results.LotRow{{Whose: whose, Lot: 1, Rate: 5}}},
		"no hours":          {Figures: []results.FigureRow{{Whose: whose, Of: "segment", Reason: "samples missing"}}},
		"all left out":      {Ratios: []results.RatioRow{{Scenario: "browse", Side: "Birch", Reference: "Alder", Says: "left out", LeftOut: "not measured alike: plan"}}},
		"far apart":         {Ratios: []results.RatioRow{{Scenario: "browse", Side: "Birch", Reference: "Alder", Ratio: &results.Interval{Value: 12, Low: 0.02, High: 50}, Says: "no difference shown"}}},
		"flat":              {Curves: []results.CurveRow{{Whose: whose, Kind: Charge, TimeS: 5, PowerW: x(0)}, {Whose: whose, Kind: Charge, TimeS: 6, PowerW: x(0)}}},
	} {
		t.Run(name, func(t *testing.T) {
			if err := errors.Join(r.WriteHTML(io.Discard), r.WriteMarkdown(io.Discard)); err != nil {
				t.Error(err)
			}
			for _, p := range r.Pictures() {
				if err := errors.Join(p.WriteSVG(io.Discard), p.WritePNG(io.Discard, 48)); err != nil {
					t.Error(err)
				}
			}
		})
	}
}

func TestMoreHandsetsThanMarksTakeMorePictures(t *testing.T) {
	var rows []results.CurveRow
	for i := range 8 {
		for s := range 3 {
			rows = append(rows, results.CurveRow{Whose: results.Whose{Handset: fmt.Sprint("h", i), Scenario: "browse"}, Kind: Discharge, TimeS: float64(60 * s), LevelPct: x(93 - float64(s))})
		}
	}
	if got := CurvePictures(rows); len(got) != 2 || got[1].Name != "discharge-browse-2" {
		t.Errorf("%d pictures of 8 handsets, want 2", len(got))
	}
}

func TestThinKeepsEveryChangeAndTheMean(t *testing.T) {
	var rows []results.CurveRow
	sum := 0.0
	for i := range 4000 {
		rows = append(rows, results.CurveRow{TimeS: float64(10 * i), LevelPct: x(float64(93 - i/57)), PowerW: x(float64(i % 10))})
		sum += float64(i % 10)
	}
	got := Thin(rows, 100)
	if len(got) > 200 {
		t.Errorf("%d rows of 4000 in 100 stretches", len(got))
	}
	// Each change of the level stands at the time at which it was seen.
	at := map[float64]float64{}
	for _, r := range got {
		if _, seen := at[*r.LevelPct]; !seen {
			at[*r.LevelPct] = r.TimeS
		}
	}
	for level, s := range at {
		if want := (93 - level) * 570; s != want {
			t.Errorf("level %g stands at %g s, want %g", level, s, want)
		}
	}
	few := rows[:150]
	if diff := cmp.Diff(few, Thin(few, 100)); diff != "" {
		t.Errorf("few rows were changed:\n%s", diff)
	}
}

func TestTicksAreRoundAndCoverTheRange(t *testing.T) {
	for _, r := range [][2]float64{{0, 14.7}, {85, 93}, {0.3, 0.9}, {27.1, 29.4}, {-3, 44}, {5, 5}} {
		v := ticks(r[0], r[1], 6)
		if len(v) < 2 || len(v) > 9 || v[0] > r[0]+1e-9 || v[len(v)-1] < r[1]-1e-9 {
			t.Errorf("ticks(%v) = %v", r, v)
		}
	}
	for _, s := range []float64{30, 400, 3300, 14000, 50000} {
		v, unit, _ := timeTicks(s, 9)
		if len(v) < 2 || len(v) > 11 {
			t.Errorf("timeTicks(%g) = %v %s", s, v, unit)
		}
	}
	if v := ratioTicks(0.78, 1.33); !slices.Contains(v, 1) || v[0] > 0.8 || v[len(v)-1] < 1.3 {
		t.Errorf("ratioTicks = %v", v)
	}
}

func TestWriteAFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "report")
	names, err := bench(t).Write(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"report.html", "report.md", "ratios.svg", "ratios.png", "figures.csv", "curves.csv", "sustained.csv", "columns.json"} {
		if info, err := os.Stat(filepath.Join(dir, want)); err != nil || info.Size() == 0 || !slices.Contains(names, want) {
			t.Errorf("%s: %v", want, err)
		}
	}
}

// BenchmarkNight is one night's report: eight handsets, four scenarios, twice, with curves.
func BenchmarkNight(b *testing.B) {
	r := bench(b)
	for len(r.Curves) < 8*4*2*200 {
		r.Curves = append(r.Curves, r.Curves...)
	}
	r.Curves = r.Curves[:8*4*2*200]
	for i := range r.Curves {
		c := &r.Curves[i]
		c.Handset, c.Scenario, c.Kind = fmt.Sprint("handset ", i/200%8), fmt.Sprint("scenario ", i/1600%4), Discharge
		c.SegmentID, c.TimeS = fmt.Sprint(i/200), float64(i%200)*20
	}
	b.ReportAllocs()
	for b.Loop() {
		if err := r.WriteHTML(io.Discard); err != nil {
			b.Fatal(err)
		}
		for _, p := range r.Pictures() {
			if err := p.WritePNG(io.Discard, 0); err != nil {
				b.Fatal(err)
			}
		}
	}
}
