package orchestrator_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"rundown/devices"
	"rundown/devices/meters"
	"rundown/devices/preconditions"
	"rundown/devices/simulated/instruments"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/scenarios"
)

// scpiMeter is a meter of the plan file for a simulated instrument.
func scpiMeter(t *testing.T, name, handset string, every time.Duration, o instruments.Options, quantities ...meters.Quantity) (scenarios.Meter, *instruments.Instrument) {
	t.Helper()
	in, err := instruments.ServeOn(listening(t), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(in.Close)
	m := scenarios.Meter{
		Name: name, Handset: handset, Room: handset == "", Every: every, Timeout: 3 * time.Second,
		SCPI: &scenarios.SCPIMeter{Address: in.Addr(), Queries: map[meters.Quantity]meters.Query{}, ErrorQueue: true},
	}
	for _, q := range quantities {
		m.SCPI.Queries[q] = meters.CommonQueries[q]
	}
	return m, in
}

// Meters are read beside a segment and stored with it; the room's temperature is one of
// its conditions; one that falls silent is noted and ends nothing.
func TestMetersBesideASegment(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder", "Cedar"}, shortPlan)
		line, _ := scpiMeter(t, "line", "Alder", 10*time.Second, instruments.PowerMeter(b.handsets["Alder"], 9, 22), meters.Power, meters.Voltage, meters.Current)
		mute, broken := scpiMeter(t, "mute", "Cedar", 10*time.Second, instruments.PowerMeter(b.handsets["Cedar"], 9, 22), meters.Power)
		room, _ := scpiMeter(t, "room", "", time.Minute, instruments.PowerMeter(b.handsets["Cedar"], 9, 23), meters.Temperature)
		b.file.Bench.Meters = []scenarios.Meter{line, mute, room, {Name: "inline", Handset: "Cedar", Record: &scenarios.MeterRecord{Time: "t", Power: "p"}}}
		b.file.Bench.Meters[1].Timeout = 300 * time.Millisecond
		broken.SetFaults(instruments.Faults{Silent: true})
		b.start(overServer)
		within(t, 10*time.Second, "the room is read", func() bool {
			report, err := b.daemon.Check(t.Context(), "Alder", "short", false)
			if err != nil {
				return false // the bench is not seen yet
			}
			return slices.ContainsFunc(report.Lines, func(l preconditions.Line) bool {
				return l.Name == "room_temperature" && strings.Contains(l.Found, "°C (meter room)")
			})
		})
		b.queue("short")
		for handset, segments := range b.finish(3 * time.Minute) {
			if len(segments) != 1 || segments[0].Outcome != results.Measured {
				t.Fatalf("%s: segments %+v, want one that is measured", handset, segments)
			}
			g := segments[0]
			readings, err := b.daemon.Store().Readings(g.ID)
			if err != nil {
				t.Fatal(err)
			}
			count := map[string]int{}
			for i, r := range readings {
				count[r.Meter]++
				switch {
				case i > 0 && r.Meter == readings[i-1].Meter && !r.At.After(readings[i-1].At):
					t.Fatalf("%s: reading %d is not after the one before", handset, i)
				case r.Meter == "line" && (r.PowerW == nil || r.VoltageV == nil || *r.VoltageV < 8.9 || *r.VoltageV > 9.1 || r.TempC != nil):
					t.Errorf("%s: reading %+v, want power, 9 V and no temperature", handset, r)
				case r.Meter == "room" && (r.TempC == nil || *r.TempC < 22 || *r.TempC > 24):
					t.Errorf("%s: reading %+v, want 23 °C", handset, r)
				case r.At.Before(g.StartedAt.Add(-time.Minute)) || r.At.After(g.EndedAt.Add(10*time.Minute)):
					t.Errorf("%s: a reading at %v beside a segment from %v to %v", handset, r.At, g.StartedAt, g.EndedAt)
				}
			}
			minutes := g.EndedAt.Sub(g.StartedAt).Minutes()
			// A busy machine makes readings fall out, which the notes then say.
			if line := count["line"]; (handset == "Alder") != (float64(line) > minutes) || float64(line) > 6*minutes+20 {
				t.Errorf("%s: %d readings on the line in %.0f min", handset, line, minutes)
			}
			if room := count["room"]; float64(room) < minutes/4 || float64(room) > minutes+10 {
				t.Errorf("%s: %d readings of the room in %.0f min", handset, room, minutes)
			}
			if g.Readings != len(readings) || count["mute"] != 0 {
				t.Errorf("%s: the record has %d readings and the store %d, %d of a silent meter", handset, g.Readings, len(readings), count["mute"])
			}
			notes := ""
			for _, n := range g.Notes {
				notes += n.Text + "\n"
			}
			if said := strings.Contains(notes, "meter mute: not read once during the segment; it last said: meter mute:"); said != (handset == "Cedar") {
				t.Errorf("%s: notes %q", handset, notes)
			}
			found := ""
			for _, c := range g.Conditions {
				if c.Name == "room_temperature" {
					found = c.Found
				}
			}
			if g.RoomTempC == nil || *g.RoomTempC < 22.5 || *g.RoomTempC > 23.5 {
				t.Errorf("%s: mean of the room %v, want 23 °C", handset, g.RoomTempC)
			}
			if !strings.Contains(found, "(meter room)") || !strings.Contains(found, "°C during the segment") {
				t.Errorf("%s: room temperature as condition: %q", handset, found)
			}
		}
		problems := map[string]int{}
		for _, m := range b.daemon.MetersNow(t.Context()) {
			problems[m.Meter] += 0
			if m.Problem != "" {
				problems[m.Meter]++
			}
		}
		if problems["mute"] != 1 || problems["line"] != 0 || problems["room"] != 0 || len(problems) != 4 {
			t.Errorf("read once now: problems %v, want one of mute", problems)
		}
	})
}

// What a meter missed is told from what is stored.
func TestSilenceAndLateness(t *testing.T) {
	from := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	at := func(seconds ...int) (list []results.Reading) {
		for _, s := range seconds {
			list = append(list, results.Reading{At: from.Add(time.Duration(s) * time.Second)})
		}
		return list
	}
	for _, tt := range []struct {
		name    string
		list    []results.Reading
		seconds int // of the segment
		every   time.Duration
		want    string
	}{
		{"steady", at(1, 3, 5, 7, 9), 10, 2 * time.Second, ""},
		{"one fell out", at(1, 3, 7, 9), 10, 2 * time.Second, ""},
		{"too short to say", nil, 1, time.Second, ""},
		{"never", nil, 60, time.Second, "not read once during the segment"},
		{"a hole", at(0, 5, 10, 40, 45), 50, 5 * time.Second, "silent for 30 s in all, longest for 30 s from " + devices.AtSecond(from.Add(10*time.Second)) + " on"},
		{"late to begin, early to end", at(20, 25, 30), 60, 5 * time.Second, "silent for 50 s in all, longest for 30 s from " + devices.AtSecond(from.Add(30*time.Second)) + " on"},
		{"after its end", at(0, 5, 10, 900), 10, 5 * time.Second, ""},
		{"an empty segment", at(3), 0, time.Second, ""},
	} {
		if got := orchestrator.Silence(tt.list, from, from.Add(time.Duration(tt.seconds)*time.Second), tt.every); got != tt.want {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
		}
	}
	late := at(0, 1, 2, 3)
	late[1].Within, late[2].Within = 700*time.Millisecond, 2*time.Second
	if got, want := orchestrator.Lateness(late, time.Second), "2 of 4 readings came late; their instants are known to 2s only"; got != want {
		t.Errorf("lateness %q, want %q", got, want)
	}
	if got := orchestrator.Lateness(at(0, 1, 2), time.Second); got != "" {
		t.Errorf("lateness of prompt readings: %q", got)
	}
}

// Programs that print, once for each reading or on and on, and one that fails, are read
// once now through the daemon, beside a meter that records by itself.
func TestProgramsAsMeters(t *testing.T) {
	t.Parallel()
	b := newBench(t, []string{"Alder"}, shortPlan)
	program := func(name string, stays bool, words ...string) scenarios.Meter {
		return scenarios.Meter{Name: name, Room: true, Every: time.Minute, Timeout: 5 * time.Second, Lines: &scenarios.LinesMeter{
			Command: words, Stays: stays, Format: meters.LineFormat{Columns: []meters.Quantity{meters.Temperature}},
		}}
	}
	b.file.Bench.Meters = []scenarios.Meter{
		program("once", false, "printf", `21.5 C\n`),
		program("stays", true, "sh", "-c", "while echo 22.5; do sleep 0.05; done"),
		program("fails", false, "false"),
		{Name: "inline", Handset: "Alder", Record: &scenarios.MeterRecord{Time: "t", Power: "p"}},
	}
	b.start(overServer)
	got := map[string]orchestrator.MeterNow{}
	for _, m := range b.daemon.MetersNow(t.Context()) {
		got[m.Meter] = m
	}
	if v := got["once"].Value; v == nil || *v != 21.5 || got["once"].Unit != "°C" || got["once"].Of != "room" {
		t.Errorf("run for each reading: %+v, want 21.5 °C", got["once"])
	}
	if v := got["stays"].Value; v == nil || *v != 22.5 {
		t.Errorf("runs on: %+v, want 22.5", got["stays"])
	}
	if m := got["fails"]; m.Value != nil || !strings.Contains(m.Problem, `meter fails: program "false" failed`) {
		t.Errorf("fails: %+v, want why", m)
	}
	if m := got["inline"]; m.Value != nil || m.Problem != "" || !strings.Contains(m.How, "records by itself") {
		t.Errorf("inline: %+v", m)
	}
}
