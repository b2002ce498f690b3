package logfiles

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/results"
	"rundown/results/endurance"
	"rundown/results/samplesets"
	"rundown/results/sustain"
)

// All logs here are invented, unless a test says otherwise.

func read(t *testing.T, text string, o Options) Log {
	t.Helper()
	l, err := Read("log.csv", strings.NewReader(text), o)
	if err != nil {
		t.Fatalf("%v\nof:\n%s", err, text)
	}
	return l
}

func x(v float64) *float64 { return &v }

func TestColumnsThatAreRecognised(t *testing.T) {
	tests := []struct {
		name, text string
		want       Row // the second one
		as         string
		ignored    []string
	}{
		{"drain as sampled", "t_ms,level,charge_uah,voltage_mv,current_raw,temp_dc\n6957,35,1530094,3759,-255662,270\n17289,34,1529350,3758,-243623,271\n",
			Row{Line: 3, T: 17289 * time.Millisecond, Level: x(34), Counter: x(1529350), VoltageMV: x(3758), Current: x(-243623), TempC: x(27.1)}, AsEndurance, nil},
		{"no counter", "t_ms,level,charge_uah,voltage_mv,current_raw,temp_dc\n3045,92,,4150,-296729,270\n13337,92,,4150,-270048,271\n",
			Row{Line: 3, T: 13337 * time.Millisecond, Level: x(92), VoltageMV: x(4150), Current: x(-270048), TempC: x(27.1)}, AsEndurance, nil},
		{"charge", "t_ms,level,battery_mw,plug_mw\n52,2,0,997\n1104,2,4000,4115\n",
			Row{Line: 3, T: 1104 * time.Millisecond, Level: x(2), BatteryW: x(4), SocketW: x(4.115)}, AsCharge, nil},
		{"cycles", "cycle,score\n1,996.9\n2,1002.2\n", Row{Line: 3, Cycle: 2, Score: x(1002.2)}, AsSustain, nil},
		{"scores alone, and a note", "score,remark\n996.9,first\n1002.2,\n", Row{Line: 3, Cycle: 2, Score: x(1002.2)}, AsSustain, []string{"remark"}},
		{"uptime counts from the first row, and is preferred to the clock", "segment_id,t_host_utc,uptime_ms,level_pct,status,plugged\ns1,2030-03-04T22:00:00.000Z,60000,93,3,0\ns1,2030-03-04T22:00:10.000Z,70000,92,5,2\n",
			Row{Line: 3, T: 10 * time.Second, Level: x(92), Full: true, Plugged: true, PluggedKnown: true}, AsEndurance, []string{"t_host_utc"}},
		{"byte order mark, comment, semicolons and decimal commas", "\ufeff# by hand\nt_s;level_pct;voltage_v\n0;93;4,2\n61,5;92;4,15\n",
			Row{Line: 4, T: 61500 * time.Millisecond, Level: x(92), VoltageMV: x(4150)}, AsEndurance, nil},
		{"tabs, quotes and a per cent sign", "T_S\tLevel\n\"0\"\t93 %\n60\t92%\n", Row{Line: 3, T: time.Minute, Level: x(92)}, AsEndurance, nil},
	}
	approx := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-9 })
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l := read(t, tt.text, Options{})
			if len(l.Rows) != 2 {
				t.Fatalf("%d rows, want 2", len(l.Rows))
			}
			if diff := cmp.Diff(tt.want, l.Rows[1], approx); diff != "" {
				t.Errorf("second row (-want +got):\n%s", diff)
			}
			if l.As() != tt.as || !reflect.DeepEqual(l.Ignored, tt.ignored) {
				t.Errorf("as %q ignoring %q; want %q ignoring %q", l.As(), l.Ignored, tt.as, tt.ignored)
			}
		})
	}
}

func TestForms(t *testing.T) {
	tests := []struct {
		name, unit    string
		first, second string
		want          time.Duration // of the second row
		from          time.Duration // of the first
	}{
		{"seconds", "s", "0", "90.5", 90500 * time.Millisecond, 0},
		{"elapsed time keeps its start", "ms", "6957", "17289", 17289 * time.Millisecond, 6957 * time.Millisecond},
		{"minutes", "min", "0", "1.5", 90 * time.Second, 0},
		{"hours", "h", "0", "0.5", 30 * time.Minute, 0},
		{"h:mm:ss by its form", "", "0:00:00", "1:40:48", time.Hour + 40*time.Minute + 48*time.Second, 0},
		{"clock time counts from the first", "h:mm:ss", "22:14:05", "22:15:05.250", time.Minute + 250*time.Millisecond, 0},
		{"instant by its form", "", "2030-05-14T21:00:00Z", "2030-05-14T23:00:10+02:00", 10 * time.Second, 0},
		{"instant over midnight", "rfc3339", "2030-05-14T23:59:59Z", "2030-05-15T00:00:01Z", 2 * time.Second, 0},
		{"seconds since 1970 are a clock", "s", "1900000000", "1900000060", time.Minute, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l := read(t, "When,level\n"+tt.first+",93\n"+tt.second+",92\n", Options{Columns: map[Quantity]Column{Time: {"when", tt.unit}}})
			if l.Rows[0].T != tt.from || l.Rows[1].T != tt.want {
				t.Errorf("%v and %v, want %v and %v", l.Rows[0].T, l.Rows[1].T, tt.from, tt.want)
			}
			if l.Taken[Time].Unit == "" {
				t.Error("the form taken is not told")
			}
		})
	}
}

func TestFaultsNameFileLineAndColumn(t *testing.T) {
	tests := []struct {
		name, text string
		want       []string
	}{
		{"nothing", "", []string{"log.csv:1: the file is empty"}},
		{"head only", "# by hand\nt_s,level\n", []string{"log.csv:2: no readings below the head"}},
		{"no time", "when,level\n1,2\n", []string{`log.csv:1:1: no column is recognised as the time`}},
		{"nothing to compute", "t_s,volts\n1,2\n", []string{`log.csv:1:1: no column is recognised as a level`}},
		{"all faults at once", "t_s,level\n0,93\n60,abc\n120,101\n110,91\n,90\n", []string{
			`log.csv:3:4: level: want a level of 0 to 100 %, got "abc"`,
			`log.csv:4:5: level: want a level of 0 to 100 %, got "101"`,
			`log.csv:5:1: t_s: "110" is not after the time of line 4`,
			`log.csv:6:1: t_s: no time`,
		}},
		{"a line cut short", "t_s,level\n0,93\n60\n", []string{"log.csv:3: 1 fields, and the head names 2 columns"}},
		{"a quote left open", "t_s,level\n0,93\n60,\"92\n120,91\n180,90\n", []string{"log.csv:3: a quoted field that begins in this line is not closed"}},
		{"a quote left open in the last line", "t_s,level\n0,93\n60,\"92", []string{"log.csv:3: a quoted field"}},
		{"a quote left open in the head", "t_s,\"level\n0,93\n", []string{"log.csv:1: a quoted field"}},
		{"a quote within a field", "t_s,level\n0,9\"3\n", []string{"log.csv:2:4: a quotation mark within a field"}},
		{"lines that end in CR alone", "t_s,level\r0,93\r60,92\r", []string{"log.csv:1: the lines end in CR alone"}},
		{"a column that is named twice", "t_s,level,Level\n0,93,40\n", []string{"log.csv:1:11: the head names level twice, as columns 2 and 3"}},
		{"a head of control characters", "\x1b[31mred,t_s\n1,2\n", []string{`the head has "\x1b[31mred", t_s;`}},
		{"a field of control characters", "t_s,level\n0,\x1b[2J\n", []string{`log.csv:2:3: level: want a level of 0 to 100 %, got "\x1b[2J"`}},
		{"zero bytes", "t_s,level\n0,9\x003\n", []string{"log.csv:2:4: a zero byte"}},
		{"a line without an end", "t_s,level\n0," + strings.Repeat("9", 70_000), []string{"log.csv:2: a line of more than 64 KiB"}},
		{"midnight", "time,level\n23:59:00,93\n0:01:00,92\n", []string{"over midnight, write dates too"}},
		{"two forms", "time,level\n0:00:00,93\n2030-05-14T21:00:00Z,92\n", []string{"want a time as h:mm:ss like those before"}},
		{"a bare number", "time,level\n0,93\n", []string{`"0" has no unit: name it, as in time=time@s`}},
		{"m:ss is not h:mm:ss", "time,level\n1:30,93\n", []string{"want a time as h:mm:ss, such as 1:02:30"}},
		{"volts taken for millivolts", "t_s,level,voltage_mv\n0,93,4.2\n", []string{"name the unit if it is another"}},
		{"a cycle left out", "cycle,score\n1,10\n3,10\n", []string{"log.csv:3:1: cycle: want 2, got 3"}},
		{"a score of nothing", "cycle,score\n1,0\n2,\n", []string{"log.csv:2:3: score: want a score above 0", "log.csv:3:3: score: no score"}},
		{"infinity", "t_s,level\n0,Inf\n", []string{"got \"Inf\""}},
		{"UTF-16", "\xff\xfet\x00", []string{"save it as CSV in UTF-8"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Read("log.csv", strings.NewReader(tt.text), Options{})
			var faults Faults
			if !errors.As(err, &faults) {
				t.Fatalf("%v (%T), want Faults", err, err)
			}
			if len(faults) != len(tt.want) {
				t.Errorf("%d faults, want %d:\n%v", len(faults), len(tt.want), err)
			}
			for _, want := range tt.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("no %q in:\n%v", want, err)
				}
			}
		})
	}
}

func TestManyFaultsAreCutShort(t *testing.T) {
	var b strings.Builder
	b.WriteString("t_s,level\n")
	for i := range 500 {
		fmt.Fprintf(&b, "%d,x\n", i)
	}
	_, err := Read("log.csv", strings.NewReader(b.String()), Options{})
	if err == nil || strings.Count(err.Error(), "\n") != mostFaults || !strings.HasSuffix(err.Error(), "and 480 more") {
		t.Errorf("%v", err)
	}
}

func TestSeveralLogsInOneFile(t *testing.T) {
	text := "segment_id,t_s,level\na,0,93\na,60,92\nb,0,80\nb,60,79\n"
	if _, err := Read("log.csv", strings.NewReader(text), Options{}); !errors.Is(err, ErrSeveral) || !strings.Contains(err.Error(), "a, b") {
		t.Errorf("%v, want ErrSeveral with the names", err)
	}
	if l := read(t, text, Options{Only: "b"}); len(l.Rows) != 2 || *l.Rows[0].Level != 80 {
		t.Errorf("only b: %+v", l.Rows)
	}
	if _, err := Read("log.csv", strings.NewReader(text), Options{Only: "c"}); err == nil || !strings.Contains(err.Error(), `no readings of "c"; there are a, b`) {
		t.Errorf("only c: %v", err)
	}
}

func TestParseColumn(t *testing.T) {
	q, c, err := ParseColumn("time = Elapsed @ home@h:mm:ss")
	if err != nil || q != Time || c != (Column{"Elapsed @ home", "h:mm:ss"}) {
		t.Errorf("%q, %+v, %v", q, c, err)
	}
	for _, bad := range []string{"time", "time=", "clock=Elapsed", "time=Elapsed@days"} {
		if _, _, err := ParseColumn(bad); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}

// Common practice, no source: 7 points in 100.8 min are 24 h by the plain rule. Here as a person would
// note it: the moment of each change.
func TestHandTimedLog(t *testing.T) {
	text := "time,level\n0:00:00,92\n0:14:24,91\n0:28:48,90\n0:43:12,89\n0:57:36,88\n1:12:00,87\n1:26:24,86\n1:40:48,85\n"
	l := read(t, text, Options{})
	if !l.AtChange() {
		t.Error("a log of changes is not seen as one")
	}
	samples, err := l.Endurance(true)
	if err != nil {
		t.Fatal(err)
	}
	edges := endurance.Edges(samples)
	if len(edges) != 7 {
		t.Fatalf("%d edges, want 7", len(edges))
	}
	for i, e := range edges {
		if at := time.Duration(i+1) * 864 * time.Second; e.Hi != at || e.Hi-e.Lo > handS {
			t.Errorf("edge %d in (%v, %v], want up to %v before %v", i+1, e.Lo, e.Hi, handS, at)
		}
	}
	f, err := endurance.Estimate(endurance.Input{Samples: samples})
	if err != nil {
		t.Fatal(err)
	}
	// Six whole points between the first and the last edge: 6 in 86.4 min are 4.1667 %/h, 24 h straight.
	if math.Abs(f.StraightHours-24) > 0.02 {
		t.Errorf("%.3f h straight, want 24", f.StraightHours)
	}
	plain, err := l.Endurance(false)
	if err != nil || len(plain) != 8 {
		t.Errorf("taken as readings: %d samples, %v; want the 8 lines", len(plain), err)
	}
}

func TestWhatALogLacksIsSaid(t *testing.T) {
	scores, levels := read(t, "cycle,score\n1,5\n", Options{}), read(t, "t_s,level\n0,93\n", Options{})
	if _, err := scores.Endurance(false); !errors.Is(err, ErrLacks) {
		t.Errorf("endurance of scores: %v", err)
	}
	if _, _, err := scores.Charge(); !errors.Is(err, ErrLacks) {
		t.Errorf("charge of scores: %v", err)
	}
	if _, err := levels.Scores(); !errors.Is(err, ErrLacks) {
		t.Errorf("scores of levels: %v", err)
	}
	if _, err := read(t, "t_s,level\n0,93\n10,92.5\n", Options{}).Endurance(false); err == nil || !strings.Contains(err.Error(), "log.csv:3: ") {
		t.Errorf("half a per cent: %v", err)
	}
	power := read(t, "t_s,socket_w\n0,40\n1,44\n", Options{})
	if list, leveled, err := power.Charge(); err != nil || leveled || len(list) != 2 || *list[1].PlugW != 44 {
		t.Errorf("power alone: %v, leveled %v, %v", list, leveled, err)
	}
}

// What rundown exports, it reads.
func TestOwnExportIsRecognised(t *testing.T) {
	s, err := results.Open(filepath.Join(t.TempDir(), "store.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	volt := int64(4100)
	var samples []results.Sample
	for i := range 50 {
		samples = append(samples, results.Sample{Seq: i + 1, HostAt: time.Unix(1900000000+int64(10*i), 0), PhoneAt: time.Unix(1900000000, 0), UptimeMS: int64(60_000 + 10_000*i), LevelPct: 93 - i/20, VoltageMV: &volt, Status: 3})
	}
	if err := errors.Join(s.PutSegment(results.Segment{ID: "s1", Handset: "Alder", Scenario: "browse"}), func() error { _, err := s.AppendSamples("s1", samples); return err }()); err != nil {
		t.Fatal(err)
	}
	table, err := results.TableNamed("samples")
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if _, err := results.Export(s, table, "csv", results.Filter{}, &b); err != nil {
		t.Fatal(err)
	}
	got, err := read(t, b.String(), Options{}).Endurance(false)
	if err != nil || len(got) != 50 || got[49].T != 490*time.Second || got[49].LevelPct != 91 || *got[0].VoltageMV != 4100 {
		t.Errorf("%d samples, %v", len(got), err)
	}
	b.Reset()
	if _, err := results.Lots.Export([]results.LotRow{{Workload: "cpu", Form: results.FormCycles, Lot: 1, Rate: 5}, {Workload: "cpu", Form: results.FormCycles, Lot: 2, Rate: 4}}, "csv", &b); err != nil {
		t.Fatal(err)
	}
	if got, err := read(t, b.String(), Options{}).Scores(); err != nil || !reflect.DeepEqual(got, []float64{5, 4}) {
		t.Errorf("cycles: %v, %v", got, err)
	}
	b.Reset()
	if _, err := results.Curves.Export([]results.CurveRow{{Kind: "charge", TimeS: 1, LevelPct: x(2), PowerW: x(40), SocketW: x(44)}}, "csv", &b); err != nil {
		t.Fatal(err)
	}
	if got, _, err := read(t, b.String(), Options{}).Charge(); err != nil || *got[0].BattW != 40 || *got[0].PlugW != 44 {
		t.Errorf("curves: %v, %v", got, err)
	}
}

// The sample sets, as a lab would bring files of its own.
func TestSampleSetsAreRead(t *testing.T) {
	for _, name := range samplesets.Files(t, "*") {
		l, err := Read(name, bytes.NewReader(samplesets.Bytes(t, name)), Options{})
		if err != nil {
			t.Error(err)
			continue
		}
		want := map[string]string{"drain": AsEndurance, "charge": AsCharge, "cycles": AsSustain}[filepath.Base(filepath.Dir(name))]
		if l.As() != want || len(l.Ignored) > 0 {
			t.Errorf("%s: looks like %s, want %s; ignored %q", name, l.As(), want, l.Ignored)
		}
		switch want {
		case AsEndurance:
			if list, err := l.Endurance(false); err != nil || len(list) != len(l.Rows) {
				t.Errorf("%s: %d samples of %d lines, %v", name, len(list), len(l.Rows), err)
			}
		case AsCharge:
			if list, leveled, err := l.Charge(); err != nil || !leveled || len(list) != len(l.Rows) {
				t.Errorf("%s: %d samples of %d lines, %v", name, len(list), len(l.Rows), err)
			}
		default:
			scores, err := l.Scores()
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			if _, err := sustain.OfCycles(scores); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
}

// Whatever is taken is in order, in range, and the same when written in rundown's own columns and read
// again; whatever is refused is refused with a place or a reason.
func FuzzRead(f *testing.F) {
	f.Add("t_ms,level,charge_uah,voltage_mv,current_raw,temp_dc\n6957,35,1530094,3759,-255662,270\n17289,34,,3758,-243623,271\n")
	f.Add("time;level\n0:00:00;93\n0:14:24,5;92\n")
	f.Add("cycle,score\n1,996.9\n2,1002.2\n")
	f.Add("t_host_utc,level_pct,status\n2030-05-14T21:00:00Z,93,3\n2030-05-14T21:00:10Z,92,5\n")
	f.Add("t_s,socket_w\n0,\"4")
	f.Fuzz(func(t *testing.T, text string) {
		l, err := Read("f.csv", strings.NewReader(text), Options{})
		if err != nil {
			if !strings.HasPrefix(err.Error(), "f.csv") {
				t.Errorf("%q names no file", err)
			}
			return
		}
		timed := l.has(Time)
		for i, r := range l.Rows {
			if r.T < 0 || timed && i > 0 && r.T <= l.Rows[i-1].T {
				t.Errorf("row %d at %v is not after the one before", i+1, r.T)
			}
			for what, v := range map[string]*float64{"level": r.Level, "counter": r.Counter, "current": r.Current, "voltage": r.VoltageMV, "temperature": r.TempC, "power": r.BatteryW, "socket power": r.SocketW, "score": r.Score} {
				if v != nil && (math.IsNaN(*v) || math.IsInf(*v, 0)) {
					t.Errorf("row %d: %s is %g", i+1, what, *v)
				}
			}
			if r.Level != nil && (*r.Level < 0 || *r.Level > 100) {
				t.Errorf("row %d: level %g", i+1, *r.Level)
			}
		}
		again, err := Read("f.csv", strings.NewReader(written(l)), Options{})
		if err != nil {
			t.Fatalf("what was taken is refused when written anew: %v\n%s", err, written(l))
		}
		for i := range l.Rows {
			a, b := l.Rows[i], again.Rows[i]
			a.Line, b.Line = 0, 0
			if diff := cmp.Diff(a, b, cmp.Comparer(func(x, y float64) bool { return x == y || math.Abs(x-y) <= 1e-9*math.Abs(x) })); diff != "" {
				t.Errorf("row %d changed (-first +again):\n%s", i+1, diff)
			}
		}
	})
}

// written is a log in the columns of rundown's own, with elapsed time in nanoseconds' digits.
func written(l Log) string {
	var b strings.Builder
	names := map[Quantity]string{Level: "level_pct", Counter: "charge_counter_raw", Voltage: "voltage_mv", Current: "current_raw", Temperature: "battery_temp_c",
		BatteryPower: "battery_w", SocketPower: "socket_w", Status: "status", Plugged: "plugged", Cycle: "cycle", Score: "score"}
	var order []Quantity
	if l.has(Time) {
		order = append(order, Time)
		names[Time] = "t_s"
	}
	for _, q := range Quantities()[1:] {
		if l.has(q) {
			order = append(order, q)
		}
	}
	for i, q := range order {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(names[q])
	}
	b.WriteByte('\n')
	number := func(v *float64) string {
		if v == nil {
			return ""
		}
		return strconv.FormatFloat(*v, 'g', -1, 64)
	}
	for _, r := range l.Rows {
		for i, q := range order {
			if i > 0 {
				b.WriteByte(',')
			}
			switch q {
			case Time:
				fmt.Fprintf(&b, "%d.%09d", r.T/time.Second, r.T%time.Second)
			case Status:
				b.WriteString(map[bool]string{true: "5", false: "3"}[r.Full])
			case Plugged:
				if r.PluggedKnown {
					b.WriteString(map[bool]string{true: "1", false: "0"}[r.Plugged])
				}
			case Cycle:
				fmt.Fprint(&b, r.Cycle)
			default:
				b.WriteString(number(map[Quantity]*float64{Level: r.Level, Counter: r.Counter, Voltage: r.VoltageMV, Current: r.Current, Temperature: r.TempC, BatteryPower: r.BatteryW, SocketPower: r.SocketW, Score: r.Score}[q]))
			}
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// What programs write where a value is missing, and orders that databases give, are no faults.
func TestOddButLegal(t *testing.T) {
	var newestFirst, shuffled strings.Builder
	newestFirst.WriteString("t_s,level\n")
	shuffled.WriteString("t_s,level\n")
	for i := range 40 {
		fmt.Fprintf(&newestFirst, "%d,%d\n", 390-10*i, 50+i)
		fmt.Fprintf(&shuffled, "%d,%d\n", i*7%40*10, 90-i*7%40)
	}
	for name, tt := range map[string]struct {
		text  string
		rows  int
		notes int
	}{
		"missing values":     {"t_s,level,voltage_mv,current_raw\n0,93,NaN,500\n10,nan,4100,null\n20,92,N/A,-\n30,,,\n", 4, 0},
		"newest first":       {newestFirst.String(), 40, 1},
		"no order":           {shuffled.String(), 40, 1},
		"newest first, UTC":  {"t_host_utc,level\n2030-05-14T21:00:20Z,91\n2030-05-14T21:00:10Z,92\n2030-05-14T21:00:00Z,93\n", 3, 1},
		"a line twice":       {"t_s,level\n0,93\n10,93\n10,93\n20,92\n", 3, 1},
		"the last one twice": {"t_s,level\n0,93\n10,92\n10,92\n", 2, 1},
	} {
		log, err := Read("log.csv", strings.NewReader(tt.text), Options{})
		if err != nil || len(log.Rows) != tt.rows || len(log.Notes) != tt.notes {
			t.Errorf("%s: %d rows, notes %q, %v; want %d rows and %d notes", name, len(log.Rows), log.Notes, err, tt.rows, tt.notes)
			continue
		}
		if log.Rows[0].T != 0 {
			t.Errorf("%s: the first row is at %v, want 0", name, log.Rows[0].T)
		}
		for i, r := range log.Rows {
			if i > 0 && (r.T <= log.Rows[i-1].T || r.Level != nil && log.Rows[i-1].Level != nil && *r.Level > *log.Rows[i-1].Level) {
				t.Errorf("%s: row %d is not after the one before", name, i+1)
			}
		}
	}
	log, err := Read("log.csv", strings.NewReader("t_host_utc,level\n2030-05-14T21:00:20Z,91\n2030-05-14T21:00:10Z,92\n2030-05-14T21:00:00Z,93\n"), Options{})
	if want := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC); err != nil || !log.Start.Equal(want) {
		t.Errorf("start %v, %v; want %v", log.Start, err, want)
	}
	for name, text := range map[string]string{
		"the same time, another level": "t_s,level\n0,93\n10,93\n10,92\n",
		"a restart of the handset":     strings.Replace(shuffled.String(), "t_s", "uptime_ms", 1),
		"one mistyped time":            "t_s,level\n0,93\n10,93\n200,93\n30,92\n40,92\n",
		"no score":                     "cycle,score\n1,10\n2,NaN\n",
	} {
		if _, err := Read("log.csv", strings.NewReader(text), Options{}); err == nil {
			t.Errorf("%s: no fault", name)
		}
	}
}
