package results

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/parquet-go/parquet-go"
	"pgregory.net/rapid"
)

// night is a store with two segments, one of them with a drift. Invented.
func night(t testing.TB) *Store {
	t.Helper()
	s, err := Open(t.TempDir() + "/store.db")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	began := time.Date(2030, 3, 4, 22, 0, 0, 0, time.UTC)
	if err := s.PutRun(Run{
		ID: "r1", Plan: "everyday, \"short\"", QueuedAt: began, StartedAt: began, State: "Done", Notes: []Note{{began, "one"}, {began, "two"}},
		Handset: Handset{Name: "Alder", Serial: "TB-1", Model: "invented 1", Build: "b1", SDK: 34, CapacityMAh: 4500, Apps: map[string]string{"b.app": "2", "a.app": "1.5"}},
	}); err != nil {
		t.Fatal(err)
	}
	for i, scenario := range []string{"browse", "video"} {
		g := Segment{
			ID: fmt.Sprintf("r1-%d", i+1), RunID: "r1", Handset: "Alder", Plan: "everyday, \"short\"", Scenario: scenario, Index: i + 1, Repeat: 1, Attempt: 1,
			Outcome: Measured, WarmUpS: 180, SampleEveryS: 10, TargetPoints: 7, StartedAt: began.Add(time.Duration(i) * time.Hour), Samples: 500,
			Edges: []Edge{{92, 200_000, 210_000}, {91, 800_000, 810_000}, {90, 1_400_000, 1_410_000}},
			Conditions: []Condition{{Name: "luminance", Wanted: "300 cd/m²", Found: "301 cd/m²", Verdict: "met", Required: true},
				{Name: "note, with\nline", Wanted: "a", Found: "", Verdict: "cannot be read"}},
			Drift:       []Drift{{At: began.Add(time.Minute), Name: "wifi", Wanted: "5 GHz", Found: "2.4 GHz", Tolerated: true}},
			Evidence:    []Evidence{{At: began, UptimeMS: 61_000, Kind: "page", Value: 3}, {At: began, Kind: "frames", Value: 29.97, Detail: "of 30"}},
			ActivityPct: new(71.4), Activity: []ActivityCount{{"page", 7, 5, 71.4}, {"foreground", 12, 12, 100}}, EndedAt: began.Add(2 * time.Hour),
			Outages: []Outage{{began.Add(time.Minute), began.Add(2 * time.Minute), OutageLink, "offline"}, {From: began.Add(119 * time.Minute), What: OutageStage}},
		}
		if err := s.PutSegment(g); err != nil {
			t.Fatal(err)
		}
		if _, err := s.AppendSamples(g.ID, samplesFrom(1, 500)); err != nil {
			t.Fatal(err)
		}
		if err := s.AppendReadings(g.ID, []Reading{reading(1), reading(2), reading(3)}); err != nil {
			t.Fatal(err)
		}
	}
	asked := Prompt{
		ID: "p1", Handset: "Alder", RunID: "r1", SegmentID: "r1-2", Text: "unplug handset Alder, \"now\"", Why: "a segment is to begin", OpenedAt: began, Until: began.Add(time.Hour),
		Choices: []string{"done", "cannot"}, Default: "cannot", State: PromptAnswered, Choice: "done", By: "desk", SettledAt: began.Add(time.Minute), Taken: true,
	}
	if err := s.PutPrompt(asked); err != nil {
		t.Fatal(err)
	}
	return s
}

// readParquet is a Parquet file back as text, cell by cell as CSV has it, with its metadata.
func readParquet(t rapid.TB, table Table, data []byte) (rows [][]string, file *parquet.File) {
	t.Helper()
	file, err := parquet.OpenFile(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	for _, group := range file.RowGroups() {
		reader := group.Rows()
		buffer := make([]parquet.Row, 100)
		for {
			n, err := reader.ReadRows(buffer)
			for _, row := range buffer[:n] {
				line := make([]string, len(table.Columns))
				for _, v := range row {
					c := table.Columns[v.Column()]
					switch {
					case v.IsNull():
					case c.Type == "integer":
						line[v.Column()] = strconv.FormatInt(v.Int64(), 10)
					case c.Type == "number":
						line[v.Column()] = strconv.FormatFloat(v.Double(), 'g', -1, 64)
					case c.Type == "boolean":
						line[v.Column()] = strconv.FormatBool(v.Boolean())
					case c.Type == "time":
						line[v.Column()] = cell(time.UnixMilli(v.Int64()))
					default:
						line[v.Column()] = string(v.ByteArray())
					}
				}
				rows = append(rows, line)
			}
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		_ = reader.Close()
	}
	return rows, file
}

// checkFile compares a Parquet file with the CSV of the same rows, and its schema with the
// table's description.
func checkFile(t *testing.T, table Table, asCSV, asParquet []byte) {
	t.Helper()
	want, err := csv.NewReader(bytes.NewReader(asCSV)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	got, file := readParquet(t, table, asParquet)
	if diff := cmp.Diff(want[1:], got, cmp.Transformer("empty", func(s [][]string) [][]string { return append([][]string{}, s...) })); diff != "" {
		t.Errorf("%s: Parquet and CSV differ (-csv +parquet):\n%s", table.Name, diff)
	}
	for i, field := range file.Schema().Fields() {
		if field.Name() != table.Columns[i].Name || field.Name() != want[0][i] {
			t.Errorf("%s: column %d is %s, want %s", table.Name, i, field.Name(), table.Columns[i].Name)
		}
		about, ok := file.Lookup("rundown.column." + field.Name())
		if !ok || !strings.HasPrefix(about, table.Columns[i].About) {
			t.Errorf("%s: column %s is described as %q", table.Name, field.Name(), about)
		}
	}
	var described Table
	text, _ := file.Lookup("rundown.table")
	if err := json.Unmarshal([]byte(text), &described); err != nil {
		t.Errorf("%s: its description is no JSON: %v", table.Name, err)
	}
	if diff := cmp.Diff(table.Columns, described.Columns); diff != "" {
		t.Errorf("%s: description in the file (-want +got):\n%s", table.Name, diff)
	}
}

func TestParquetHoldsWhatCSVHolds(t *testing.T) {
	s := night(t)
	for _, table := range Tables() {
		var asCSV, asParquet bytes.Buffer
		for format, w := range map[string]io.Writer{"csv": &asCSV, "parquet": &asParquet} {
			if n, err := Export(s, table, format, Filter{}, w); err != nil || n == 0 {
				t.Fatalf("%s as %s: %d rows, %v", table.Name, format, n, err)
			}
		}
		checkFile(t, table, asCSV.Bytes(), asParquet.Bytes())
	}
}

func TestTimesAreTimesInParquet(t *testing.T) {
	table, err := TableNamed("samples")
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if _, err := Export(night(t), table, "parquet", Filter{Scenario: "video"}, &b); err != nil {
		t.Fatal(err)
	}
	_, file := readParquet(t, table, b.Bytes())
	column, ok := file.Schema().Lookup("t_host_utc")
	if !ok {
		t.Fatal("no t_host_utc")
	}
	logical := column.Node.Type().LogicalType()
	if logical == nil || !strings.Contains(logical.String(), "isAdjustedToUTC=true") || !strings.Contains(logical.String(), "MILLIS") {
		t.Errorf("t_host_utc is %v, want a UTC time stamp in ms", logical)
	}
}

func computedRows() (f []FigureRow, b []BudgetRow, c []LotRow, h []ChargeRow, v []CurveRow, r []RatioRow) {
	x := func(v float64) *float64 { return &v }
	n := func(v int64) *int64 { return &v }
	of := Whose{Handset: "Alder", RunID: "r1", SegmentID: "r1-1", Scenario: "browse"}
	at := time.Date(2030, 3, 4, 22, 0, 0, 0, time.UTC)
	f = []FigureRow{
		{Whose: of, Plan: "everyday", Of: "segment", Outcome: Measured, At: at, Hours: &Interval{Value: 9.0, Low: 8.8, High: 9.2}, RatePctH: &Interval{Value: 10.4, Low: 10.3, High: 10.5}, PowerW: &Interval{Value: 1.7, Low: 1.6, High: 1.8},
			HoursPerWh: x(0.58), Segments: 1, Agree: true, Points: 7, FromPct: n(92), ToPct: n(85), Factor: x(0.93), Gauge: "fine", Method: "level edges", Assumptions: []string{"a", "b"}},
		{Whose: Whose{Handset: "Birch", Scenario: "video", Imported: true}, Of: "repeats", Segments: 2, Reason: "too few points drained"},
	}
	b = []BudgetRow{{of, "wandering power", 0.7, 0.4}, {of, "timing of the level edges", 0.8, 0.6}}
	c = []LotRow{{Whose: of, Workload: "cpu", Form: FormLots, Lot: 1, Rate: 1000.5, TookS: x(9.8), PowerW: x(4.1), TempC: x(31.5), ThermalLevel: n(0), EnergyJ: x(412), LevelPct: n(90)}, {Whose: of, Workload: "cpu", Form: FormLots, Lot: 2, Rate: 998}}
	h = []ChargeRow{{Whose: of, StartedAt: at, FromPct: n(2), ToPct: n(100), To50S: x(600), From20To80S: &Interval{Value: 900, Low: 890, High: 910}, PeakW: &Interval{Value: 44, Low: 43.3, High: 44.7}, HighestTempC: x(41.2), HighestTempPct: n(47), Notes: []string{"interrupted"}}, {Whose: of}}
	v = []CurveRow{{Whose: of, Kind: "discharge", TimeS: 0.5, LevelPct: x(92), PowerW: x(1.7), TempC: x(27.3)}, {Whose: of, Kind: "charge", TimeS: 10}}
	r = []RatioRow{{Scenario: "browse", Side: "Birch", Reference: "Alder", Ratio: &Interval{Value: 1.12, Low: 1.09, High: 1.15}, SideRuns: 3, ReferenceRuns: 2, Test: "Welch", P: x(0.001), PAdjusted: x(0.004), Shown: true, Says: "12 % longer", RepeatsNeeded: nil},
		{Scenario: "game", Side: "Birch", Reference: "Alder", Says: "left out", LeftOut: "not measured alike: workload", Notes: []string{"x", "y"}}}
	return f, b, c, h, v, r
}

func exportComputed[T any](t *testing.T, c Computed[T], rows []T) {
	t.Helper()
	var asCSV, asParquet, asLines bytes.Buffer
	for format, w := range map[string]io.Writer{"csv": &asCSV, "parquet": &asParquet, "jsonl": &asLines} {
		if n, err := c.Export(rows, format, w); err != nil || n != len(rows) {
			t.Fatalf("%s as %s: %d rows, %v; want %d", c.Name, format, n, err, len(rows))
		}
	}
	checkFile(t, c.Table, asCSV.Bytes(), asParquet.Bytes())
	for i, line := range strings.Split(strings.TrimSpace(asLines.String()), "\n") {
		if len(rows) == 0 {
			break
		}
		var object map[string]any
		if err := json.Unmarshal([]byte(line), &object); err != nil {
			t.Fatalf("%s, line %d: %v", c.Name, i+1, err)
		}
		for j, column := range c.Columns {
			v, there := object[column.Name]
			if !there {
				t.Errorf("%s, line %d has no %s", c.Name, i+1, column.Name)
			}
			// Null exactly where CSV has nothing, but for text, which is empty.
			if empty := c.Cells(rows)[i][j] == ""; (v == nil) != empty && column.Type != "string" {
				t.Errorf("%s, line %d: %s is %v in JSON Lines and %q in CSV", c.Name, i+1, column.Name, v, c.Cells(rows)[i][j])
			}
		}
	}
}

func TestComputedTables(t *testing.T) {
	f, b, c, h, v, r := computedRows()
	exportComputed(t, Figures, f)
	exportComputed(t, Budgets, b)
	exportComputed(t, Lots, c)
	exportComputed(t, Charges, h)
	exportComputed(t, Sustained, []SustainRow{{Whose: c[0].Whose, Workload: "cpu", Form: FormCycles, Count: 20, StartRate: 1000, SettledRate: 700, Held: Interval{Value: 0.7, Low: 0.69, High: 0.71}, Throttled: true}, {Workload: "gpu", Form: FormCycles, Count: 3, Reason: "too few cycles"}})
	exportComputed(t, Curves, v)
	exportComputed(t, Ratios, r)
	exportComputed(t, Ratios, nil)
}

func TestEveryTableIsDescribed(t *testing.T) {
	var b bytes.Buffer
	if err := Describe(&b); err != nil {
		t.Fatal(err)
	}
	var described struct{ Tables []Table }
	if err := json.Unmarshal(b.Bytes(), &described); err != nil {
		t.Fatal(err)
	}
	if want := len(Tables()) + len(ComputedTables()); len(described.Tables) != want {
		t.Errorf("%d tables are described, want %d", len(described.Tables), want)
	}
	names := map[string]bool{}
	for _, table := range described.Tables {
		if names[table.Name] || table.About == "" {
			t.Errorf("table %q: named twice, or said nothing about", table.Name)
		}
		names[table.Name] = true
		columns := map[string]bool{}
		for _, c := range table.Columns {
			if columns[c.Name] || c.About == "" || !strings.Contains(" string integer number boolean time ", " "+c.Type+" ") {
				t.Errorf("%s.%s: named twice, of no known type, or said nothing about", table.Name, c.Name)
			}
			columns[c.Name] = true
		}
	}
}

func TestParquetRoundTripOfAnyValues(t *testing.T) {
	table := Table{Name: "any", Columns: []Column{{"s", "string", "", "a"}, {"i", "integer", "", "b"}, {"n", "number", "", "c"}, {"b", "boolean", "", "d"}, {"t", "time", "", "e"}}}
	rapid.Check(t, func(t *rapid.T) {
		rows := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) []any {
			return []any{
				rapid.StringOf(rapid.RuneFrom([]rune("ab,\"\n é"))).Draw(t, "s"), rapid.Ptr(rapid.Int64(), true).Draw(t, "i"),
				rapid.Ptr(rapid.Float64(), true).Draw(t, "n"), rapid.Bool().Draw(t, "b"),
				time.UnixMilli(rapid.Int64Range(0, 4e12).Draw(t, "t")).UTC(),
			}
		}), 0, 600).Draw(t, "rows")
		var b bytes.Buffer
		put, flush, err := parquetWriter(table, &b)
		if err != nil {
			t.Fatal(err)
		}
		var want [][]string
		for _, r := range rows {
			if err := put(r); err != nil {
				t.Fatal(err)
			}
			line := make([]string, len(r))
			for i, v := range r {
				line[i] = cell(v)
			}
			want = append(want, line)
		}
		if err := flush(); err != nil {
			t.Fatal(err)
		}
		got, _ := readParquet(t, table, b.Bytes())
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("read back (-want +got):\n%s", diff)
		}
	})
}

func TestAValueOfTheWrongTypeIsRefused(t *testing.T) {
	table := Table{Name: "wrong", Columns: []Column{{"level_pct", "integer", "%", "level"}}}
	put, _, err := parquetWriter(table, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []any{"92", 92.5, true} {
		if err := put([]any{v}); err == nil || !strings.Contains(err.Error(), "level_pct") {
			t.Errorf("%T in an integer column: %v; want an error that names the column", v, err)
		}
	}
	if err := put([]any{1, 2}); err == nil {
		t.Error("two values in a table of one column are taken")
	}
}

func TestFilterAndUnknownNames(t *testing.T) {
	s := night(t)
	table, err := TableNamed("segments")
	if err != nil {
		t.Fatal(err)
	}
	for _, format := range Formats() {
		n, err := Export(s, table, format, Filter{Scenario: "video"}, io.Discard)
		if n != 1 || err != nil {
			t.Errorf("%s: %d segments of video, %v; want 1", format, n, err)
		}
	}
	if _, err := Export(s, table, "xls", Filter{}, io.Discard); err == nil {
		t.Error("a format that does not exist is taken")
	}
	if _, err := TableNamed("none"); err == nil {
		t.Error("a table that does not exist is found")
	}
}

// million is a store with a million samples in segments of 20 000, some two days each at 10 s.
func million(b *testing.B) *Store {
	b.Helper()
	s, err := Open(b.TempDir() + "/store.db")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = s.Close() })
	const each = 20_000
	rng := rand.New(rand.NewPCG(5, 5))
	samples := samplesFrom(1, each)
	for i := range 1_000_000 / each {
		g := Segment{ID: fmt.Sprintf("r%03d-1", i), RunID: fmt.Sprintf("r%03d", i), Handset: fmt.Sprintf("handset %d", i%8), Scenario: "browse", Outcome: Measured}
		if err := s.PutSegment(g); err != nil {
			b.Fatal(err)
		}
		charge := 4e6
		for j := range samples {
			p := &samples[j]
			milliamps := 250 + 60*rng.NormFloat64()
			charge -= milliamps * 10 / 3600 * 1000 / 14 // µAh; slow enough to last
			counter, current, volt := int64(charge), int64(-1000*milliamps), int64(4200-700*j/each+rng.IntN(9))
			temp := float64(int(270+20*math.Sin(float64(j)/700))) / 10
			p.HostAt = p.HostAt.Add(time.Duration(rng.IntN(300)) * time.Millisecond)
			p.UptimeMS += int64(rng.IntN(300))
			p.LevelPct, p.CounterRaw, p.CurrentRaw, p.VoltageMV, p.TempC = 100-j*100/each, &counter, &current, &volt, &temp
		}
		if _, err := s.AppendSamples(g.ID, samples); err != nil {
			b.Fatal(err)
		}
	}
	return s
}

// BenchmarkExportMillionSamples reports rows a second, the size of a row in the file, and the most heap in
// use over what the store itself had.
func BenchmarkExportMillionSamples(b *testing.B) {
	s := million(b)
	table, err := TableNamed("samples")
	if err != nil {
		b.Fatal(err)
	}
	for _, format := range Formats() {
		b.Run(format, func(b *testing.B) {
			var size int64
			var peak uint64
			runtime.GC()
			var before runtime.MemStats
			runtime.ReadMemStats(&before)
			for b.Loop() {
				f, err := os.Create(b.TempDir() + "/samples." + format)
				if err != nil {
					b.Fatal(err)
				}
				highest := watchHeap()
				n, err := Export(s, table, format, Filter{}, f)
				peak = max(peak, highest())
				if err != nil || n != 1_000_000 {
					b.Fatalf("%d rows, %v", n, err)
				}
				if size, err = f.Seek(0, io.SeekEnd); err != nil {
					b.Fatal(err)
				}
				_ = f.Close()
			}
			b.ReportMetric(1e6*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
			b.ReportMetric(float64(size)/1e6, "B/row")
			b.ReportMetric(math.Max(0, float64(peak)-float64(before.HeapAlloc))/(1<<20), "MiB-heap")
		})
	}
}

// watchHeap looks at the heap fifty times a second until the returned function is called, which says the
// most that was in use.
func watchHeap() (highest func() uint64) {
	stop, done := make(chan struct{}), make(chan uint64)
	go func() {
		var peak uint64
		for {
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			peak = max(peak, m.HeapAlloc)
			select {
			case <-stop:
				done <- peak
				return
			case <-time.After(20 * time.Millisecond):
			}
		}
	}()
	return func() uint64 { close(stop); return <-done }
}

func TestParquetIsWrittenInRowGroups(t *testing.T) {
	rows := make([]LotRow, rowGroup+1000)
	for i := range rows {
		rows[i] = LotRow{Lot: i + 1, Rate: float64(i)}
	}
	var b bytes.Buffer
	if _, err := Lots.Export(rows, "parquet", &b); err != nil {
		t.Fatal(err)
	}
	got, file := readParquet(t, Lots.Table, b.Bytes())
	if len(file.RowGroups()) != 2 || len(got) != len(rows) || got[rowGroup][7] != strconv.Itoa(rowGroup+1) {
		t.Errorf("%d groups with %d rows, want 2 with %d", len(file.RowGroups()), len(got), len(rows))
	}
}

func TestARenamedTableIsSaid(t *testing.T) {
	if _, err := TableNamed("cycles"); err == nil || !strings.Contains(err.Error(), "it is lots now") {
		t.Errorf("cycles: %v, want its new name", err)
	}
}

// Rows in CSV and JSON Lines are byte for byte what encoding/csv and encoding/json make of them,
// but for the apostrophe before what a spreadsheet would carry out.
func TestRowsAsTheLibrariesWriteThem(t *testing.T) {
	table := Table{Name: "mixed", Columns: []Column{{Name: "text", Type: "string"}, {Name: "n", Type: "integer"}, {Name: "x", Type: "number"}, {Name: "yes", Type: "boolean"}, {Name: "at", Type: "time"}, {Name: "none", Type: "number"}}}
	rapid.Check(t, func(t *rapid.T) {
		texts := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"", `\.`, " a", "a,b", "a\"b", "a\r\nb", "\u2028<&>", "\u00a0x", "\xff", "=1+1", "-5", "+49", "@x", "\tx"}))
		text, n, x := texts.Draw(t, "text"), rapid.Int64().Draw(t, "n"), rapid.Float64().Filter(func(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }).Draw(t, "x")
		yes, at := rapid.Bool().Draw(t, "yes"), time.UnixMilli(rapid.Int64Range(-1e12, 4e12).Draw(t, "at"))
		values := []any{text, n, x, yes, at, (*float64)(nil)}
		stamp := at.UTC().Format("2006-01-02T15:04:05.000Z07:00")

		var got, want bytes.Buffer
		put, _, err := rowWriter(table, "csv", &got)
		if err == nil {
			err = put(values)
		}
		safe := text
		if text != "" && strings.ContainsAny(text[:1], "=+-@\t\r") {
			safe = "'" + text
		}
		w := csv.NewWriter(&want)
		_ = w.WriteAll([][]string{{"text", "n", "x", "yes", "at", "none"}, {safe, strconv.FormatInt(n, 10), strconv.FormatFloat(x, 'g', -1, 64), strconv.FormatBool(yes), stamp, ""}})
		if err != nil || got.String() != want.String() {
			t.Fatalf("csv: %q, %v; want %q", got.String(), err, want.String())
		}

		got.Reset()
		put, _, err = rowWriter(table, "jsonl", &got)
		if err == nil {
			err = put(values)
		}
		list := make([]string, 3)
		for i, v := range []any{text, x, stamp} {
			b, err := json.Marshal(v)
			if err != nil {
				t.Fatal(err)
			}
			list[i] = string(b)
		}
		line := fmt.Sprintf(`{"text":%s,"n":%d,"x":%s,"yes":%t,"at":%s,"none":null}`+"\n", list[0], n, list[1], yes, list[2])
		if err != nil || got.String() != line {
			t.Fatalf("jsonl: %q, %v; want %q", got.String(), err, line)
		}
	})
}

// The table of runs says of each what it was on, and is filtered by what its segments are.
func TestRunsAsATable(t *testing.T) {
	s := night(t)
	if err := s.PutRun(Run{ID: "r2", Plan: "short", State: "Queued", Handset: Handset{Name: "Birch"}}); err != nil {
		t.Fatal(err)
	}
	table, err := TableNamed("runs")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		filter Filter
		runs   []string
	}{
		{Filter{}, []string{"r1", "r2"}}, {Filter{Handset: "Birch"}, []string{"r2"}}, {Filter{Scenario: "video"}, []string{"r1"}}, {Filter{Scenario: "idle"}, nil},
		{Filter{Plan: "short"}, []string{"r2"}}, {Filter{Run: "r1"}, []string{"r1"}}, {Filter{From: time.Date(2030, 3, 4, 22, 30, 0, 0, time.UTC)}, []string{"r1"}},
	} {
		var b bytes.Buffer
		if _, err := Export(s, table, "csv", tt.filter, &b); err != nil {
			t.Fatal(err)
		}
		lines, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		var runs []string
		for _, l := range lines[1:] {
			runs = append(runs, l[1])
			if l[1] == "r1" {
				want := map[string]string{"serial": "TB-1", "model": "invented 1", "sdk": "34", "capacity_mah": "4500", "nominal_mv": "", "apps": "a.app 1.5; b.app 2", "notes": "one; two", "segments": "2", "measured": "2", "spoiled": "0"}
				for name, value := range want {
					if at := slices.Index(lines[0], name); at < 0 || l[at] != value {
						t.Errorf("%s: %q, want %q", name, l, value)
					}
				}
			}
		}
		if !slices.Equal(runs, tt.runs) {
			t.Errorf("%+v: %q, want %q", tt.filter, runs, tt.runs)
		}
	}
	if err := s.Chosen(Filter{Handset: "Cedar"}); !errors.Is(err, ErrNotFound) || !strings.HasSuffix(err.Error(), `there is no handset "Cedar"; there are Alder, Birch`) {
		t.Errorf("an unknown handset: %v", err)
	}
	if err := errors.Join(s.Chosen(Filter{Handset: "Cedar"}, "Cedar"), s.Chosen(Filter{Handset: "Birch", Run: "r1"})); err != nil {
		t.Errorf("known ones: %v", err)
	}
}

// A value that is not there, and a time without a date, is empty in CSV and null in JSON Lines.
func TestNothingIsWrittenAsNothing(t *testing.T) {
	table := Table{Name: "nothing", Columns: []Column{{Name: "at", Type: "time"}, {Name: "x", Type: "number"}, {Name: "n", Type: "integer"}, {Name: "yes", Type: "boolean"}}}
	for format, want := range map[string]string{"csv": "at,x,n,yes\n,,,\n", "jsonl": `{"at":null,"x":null,"n":null,"yes":null}` + "\n"} {
		var b bytes.Buffer
		put, _, err := rowWriter(table, format, &b)
		if err == nil {
			err = put([]any{time.Time{}, (*float64)(nil), (*int64)(nil), (*bool)(nil)})
		}
		if err != nil || b.String() != want {
			t.Errorf("%s: %q, %v; want %q", format, b.String(), err, want)
		}
	}
}
