package onboard

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/devices"
)

// busy is a workload that shows each of its parts.
var busy = Program{Start: "ev began 1", Loop: "ev pass $n\nrest 30", Stop: "ev tidied 1"}

func TestTarget(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(93, 300, false))
		w := begin(t, ph, Segment{Key: "target", TargetPoints: 2, StopOnPower: true, Workload: busy})
		w.readings(2)
		w.evidence("pass", 1)
		ph.set("battery", dump(92, 300, false)) // the start edge
		w.readings(2)
		ph.set("battery", dump(93, 300, false)) // back up: no edge
		w.readings(2)
		ph.set("battery", dump(92, 300, false))
		w.readings(2)
		ph.set("battery", dump(91, 300, false))
		w.readings(2)
		ph.set("battery", dump(90, 300, false))
		if got := w.ended(); got != EndTarget {
			t.Errorf("end: got %q, want %q", got, EndTarget)
		}
		var edges, kinds []string
		for _, m := range w.marks {
			kinds = append(kinds, m.Kind)
			if m.Kind == MarkStartEdge {
				edges = append(edges, m.Text)
			}
		}
		if diff := cmp.Diff([]string{MarkBegin, MarkStartEdge, MarkEnd}, kinds); diff != "" {
			t.Errorf("marks mismatch (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff([]string{"92"}, edges); diff != "" {
			t.Errorf("start edges mismatch (-want +got):\n%s", diff)
		}
		var did []string
		for _, a := range w.acts {
			did = append(did, a.Kind)
		}
		if diff := cmp.Diff([]string{"started", "began", "pass", "tidied", "ended"}, did); diff != "" {
			t.Errorf("activity mismatch (-want +got):\n%s", diff)
		}
		// One clock: samples rise, and agree with what Inspect reads.
		s, err := Inspect(t.Context(), ph, "target")
		if err != nil {
			t.Fatal(err)
		}
		for i, sm := range w.samples {
			if sm.Seq != i+1 {
				t.Errorf("sample %d has the number %d", i+1, sm.Seq)
			}
			if i > 0 && sm.UptimeMS <= w.samples[i-1].UptimeMS {
				t.Errorf("sample %d at %d ms is not after the one before at %d ms", sm.Seq, sm.UptimeMS, w.samples[i-1].UptimeMS)
			}
		}
		last := w.samples[len(w.samples)-1]
		if ago := s.UptimeMS - last.UptimeMS; ago < 0 || ago > 120_000 {
			t.Errorf("last sample %d ms before Inspect", ago)
		}
		want := Sample{Seq: last.Seq, UptimeMS: last.UptimeMS, WallMS: last.WallMS, LevelPct: 90, CounterRaw: p(90 * 32_000), VoltageRaw: p(4011), TempRaw: p(300), Status: 3}
		if diff := cmp.Diff(want, last); diff != "" {
			t.Errorf("last sample mismatch (-want +got):\n%s", diff)
		}
		if strings.Contains(ph.calls(), "input") {
			t.Errorf("calls %q: the host was in touch, home and sleep are its job", ph.calls())
		}
		if err := Start(t.Context(), ph, "target"); !errors.Is(err, ErrEnded) {
			t.Errorf("Start after the end: got %v, want ErrEnded", err)
		}
		if err := Revive(t.Context(), ph, "target"); !errors.Is(err, ErrEnded) {
			t.Errorf("Revive after the end: got %v, want ErrEnded", err)
		}
		if err := Stop(t.Context(), ph, "target"); err != nil {
			t.Errorf("Stop after the end: %v", err)
		}
	})
}

func TestLimits(t *testing.T) {
	tests := []struct {
		name string
		s    Segment
		from string // battery dump at first; empty: 50 %, 30 °C
		then string // battery dump after two readings
		want string
	}{
		{name: "degrees", s: Segment{StopTempRaw: 45, TempPerDegree: 1}, from: dump(50, 44, false), then: dump(50, 61, false), want: EndTemperatureLimit},
		{name: "thousandths", s: Segment{StopTempRaw: 45000, TempPerDegree: 1000}, from: dump(50, 44999, false), then: dump(50, 45001, false), want: EndTemperatureLimit},
		{name: "no-temperature", s: Segment{StopTempRaw: 450}, then: strings.Replace(dump(50, 300, false), "  temperature: 300\n", "", 1), want: EndNoTemperature},
		{name: "colder-than-any", s: Segment{StopTempRaw: 45, TempPerDegree: 1}, from: dump(50, 30, false), then: dump(50, -300, false), want: EndNoTemperature},
		{name: "tenths-become-degrees", s: Segment{StopTempRaw: 450}, then: dump(50, 30, false), want: EndNoTemperature},
		{name: "degrees-become-tenths", s: Segment{StopTempRaw: 45, TempPerDegree: 1}, from: dump(50, 30, false), then: dump(50, 300, false), want: EndTemperatureLimit},
		{name: "stands-still", s: Segment{StopTempRaw: 450, StillSec: 4}, then: dump(50, 301, false), want: EndStandsStill},
		{name: "calm-while-it-waits", s: Segment{NoTarget: true, StopOffPower: true, StopTempRaw: 450, StillSec: 3, TimeLimitSec: 9}, then: dump(93, 300, false), want: EndTimeLimit},
		{name: "stands-still-on-power", s: Segment{NoTarget: true, StopOffPower: true, StopTempRaw: 450, StillSec: 4}, then: dump(93, 300, true), want: EndStandsStill},
		{name: "calm-when-full", s: Segment{NoTarget: true, StopTempRaw: 450, StillSec: 3, TimeLimitSec: 9}, then: dump(100, 300, true), want: EndTimeLimit},
		{name: "no-limit", s: Segment{TimeLimitSec: 14}, then: strings.Replace(dump(50, 300, false), "  temperature: 300\n", "", 1), want: EndTimeLimit},
		{name: "level", s: Segment{StopLevelPct: 15}, then: dump(15, 300, false), want: EndLevelLimit},
		{name: "temperature", s: Segment{StopTempRaw: 450}, then: dump(50, 450, false), want: EndTemperatureLimit},
		{name: "time", s: Segment{TimeLimitSec: 3}, then: dump(50, 300, false), want: EndTimeLimit},
		{name: "power", s: Segment{StopOnPower: true}, then: dump(50, 300, true), want: EndPowerSeen},
		{name: "frozen", s: Segment{}, then: strings.Replace(dump(50, 300, false), "\n", "\n  (UPDATES STOPPED -- use 'reset' to restart)\n", 1), want: EndGaugeFrozen},
		{name: "unreadable", s: Segment{}, then: "*** SERVICE 'battery' DUMP TIMEOUT (10000ms) EXPIRED ***\n", want: EndUnreadable},
		{name: "full", s: Segment{NoTarget: true, UntilFull: true, StopOffPower: true}, then: full(true), want: EndFull},
		{name: "full-without-power", s: Segment{NoTarget: true, UntilFull: true, TimeLimitSec: 8}, then: full(false), want: EndTimeLimit},
		{name: "no-target", s: Segment{NoTarget: true, TargetPoints: 1, StopLevelPct: 20}, then: dump(20, 300, false), want: EndLevelLimit},
	}
	for _, tt := range tests {
		if tt.from == "" {
			tt.from = dump(50, 300, false)
		}
		t.Run(tt.name, func(t *testing.T) {
			everyShell(t, func(t *testing.T, ph phone) {
				ph.set("battery", tt.from)
				s := tt.s
				s.Key = tt.name
				s.Workload = Program{Stop: "ev tidied 1"}
				w := begin(t, ph, s)
				w.readings(2)
				ph.set("battery", tt.then)
				if got := w.ended(); got != tt.want {
					t.Errorf("end: got %q, want %q", got, tt.want)
				}
				if w.count("tidied") != 1 {
					t.Errorf("activity %+v: want Stop run once", w.acts)
				}
			})
		})
	}
}

// full is a dump of a battery that says it is full, which some say off the charger too.
func full(ac bool) string {
	return strings.Replace(dump(100, 300, ac), "status: 3", "status: 5", 1)
}

// A charge ends when its power goes, not because there was none yet.
func TestPowerGone(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(2, 300, false))
		w := begin(t, ph, Segment{Key: "gone", NoTarget: true, UntilFull: true, StopOffPower: true})
		w.readings(4)
		ph.set("battery", dump(2, 300, true))
		w.readings(3)
		ph.set("battery", dump(3, 300, false))
		if got := w.ended(); got != EndPowerGone {
			t.Errorf("end: got %q, want %q", got, EndPowerGone)
		}
		if n := len(w.samples); n < 8 {
			t.Errorf("%d samples: ended before its power came", n)
		}
	})
}

func TestPowerOnOneReadingOnly(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(50, 300, true))
		// The first reading shows power, those after it do not: long enough for one reading
		// and shorter than two, whatever the machine is busy with.
		w := begin(t, ph, Segment{Key: "once", SampleEverySec: 2, StopOnPower: true})
		w.readings(1)
		ph.set("battery", dump(50, 300, false))
		w.readings(2)
		if err := Stop(t.Context(), ph, "once"); err != nil {
			t.Fatal(err)
		}
		if got := w.ended(); got != EndStopped {
			t.Errorf("end: got %q, want %q", got, EndStopped)
		}
	})
}

func TestWarmUp(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(60, 300, false))
		w := begin(t, ph, Segment{Key: "warm", WarmUpSec: 5, TargetPoints: 1})
		w.readings(1)
		ph.set("battery", dump(58, 300, false)) // within the warm-up: no start edge
		w.until("the warm-up to pass", func() bool {
			n := len(w.samples)
			return n > 0 && w.samples[n-1].UptimeMS-w.marks[0].UptimeMS > 5500
		})
		if len(w.marks) != 1 {
			t.Fatalf("marks %+v: want no start edge yet", w.marks)
		}
		ph.set("battery", dump(57, 300, false))
		w.until("the start edge", func() bool { return len(w.marks) == 2 })
		if m := w.marks[1]; m.Kind != MarkStartEdge || m.Text != "57" {
			t.Errorf("mark %+v: want a start edge at 57", m)
		}
		ph.set("battery", dump(56, 300, false))
		if got := w.ended(); got != EndTarget {
			t.Errorf("end: got %q, want %q", got, EndTarget)
		}
	})
}

// What a slow dump costs does not add up: readings keep to the schedule.
func TestScheduleDoesNotDrift(t *testing.T) {
	t.Parallel()
	ph := newDebian(t, "mksh")
	ph.set("battery", dump(60, 300, false))
	stub := filepath.Join(ph.home, "bin", "dumpsys")
	text, err := os.ReadFile(stub)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(stub, []byte(strings.Replace(string(text), "\n", "\nsleep 0.4\n", 1)), 0o755); err != nil {
		t.Fatal(err)
	}
	w := begin(t, ph, Segment{Key: "steady"})
	w.readings(6)
	// Unpunctual by 0.4 s a reading, the last two would be 1.6 and 2 s behind the first. A
	// time that was missed (a busy machine) is left out whole, so only what is beyond a
	// whole second counts.
	first := w.samples[0].UptimeMS
	least := int64(1000)
	for _, s := range w.samples[3:6] {
		least = min(least, (s.UptimeMS-first+100)%1000)
	}
	if least > 500 {
		t.Errorf("samples %+v: all of the last three are %d ms and more off the schedule", w.samples, least)
	}
}

func TestSurvivesHangUp(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(60, 300, false))
		w := begin(t, ph, Segment{Key: "hup", Workload: Program{Loop: "ev pass $n\nrest 1"}})
		w.readings(1)
		w.evidence("pass", 1)
		before, err := Inspect(t.Context(), ph, "hup")
		if err != nil {
			t.Fatal(err)
		}
		ph.hangUp()
		n := w.count("pass")
		w.readings(3)
		w.evidence("pass", n+2)
		after, err := Inspect(t.Context(), ph, "hup")
		if err != nil {
			t.Fatal(err)
		}
		if !after.RecorderAlive || !after.WorkloadAlive || after.SamplesBytes <= before.SamplesBytes {
			t.Errorf("before HUP %+v, after %+v: want both running and more samples", before, after)
		}
		if err := Start(t.Context(), ph, "hup"); err != nil {
			t.Errorf("Start of a recorder that runs: %v", err)
		}
		if err := Remove(t.Context(), ph, "hup"); !errors.Is(err, ErrRunning) {
			t.Errorf("Remove of a recorder that runs: got %v, want ErrRunning", err)
		}
		if err := Install(t.Context(), ph, Segment{Key: "hup", SampleEverySec: 1}); !errors.Is(err, ErrExists) {
			t.Errorf("Install over recordings: got %v, want ErrExists", err)
		}
		begun := time.Now()
		if err := Stop(t.Context(), ph, "hup"); err != nil {
			t.Fatal(err)
		}
		t.Logf("Stop took %v", time.Since(begun))
		if got := w.ended(); got != EndStopped {
			t.Errorf("end: got %q, want %q", got, EndStopped)
		}
		if err := Remove(t.Context(), ph, "hup"); err != nil {
			t.Fatal(err)
		}
		s, err := Inspect(t.Context(), ph, "hup")
		if err != nil || s.Exists {
			t.Errorf("Inspect after Remove = %+v, %v; want nothing there", s, err)
		}
	})
}

func TestRevive(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(60, 300, false))
		w := begin(t, ph, Segment{Key: "revive", Workload: busy})
		w.evidence("pass", 1)
		if err := Revive(t.Context(), ph, "revive"); err != nil {
			t.Fatal(err)
		}
		w.evidence("pass", 2)
		if err := Stop(t.Context(), ph, "revive"); err != nil {
			t.Fatal(err)
		}
		w.ended()
		var did []string
		for _, a := range w.acts {
			did = append(did, a.Kind)
		}
		want := []string{"started", "began", "pass", "tidied", "ended", "revived", "started", "began", "pass", "tidied", "ended"}
		if diff := cmp.Diff(want, did); diff != "" {
			t.Errorf("activity mismatch (-want +got):\n%s", diff)
		}
	})
}

func TestStopClosesADeadRecorder(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(60, 300, false))
		w := begin(t, ph, Segment{Key: "dead", Workload: busy})
		w.evidence("pass", 1)
		ph.killRecorder("dead")
		w.until("the recorder's death", func() bool {
			s, err := Inspect(t.Context(), ph, "dead")
			return err == nil && !s.RecorderAlive
		})
		if err := Start(t.Context(), ph, "dead"); !errors.Is(err, ErrExists) {
			t.Errorf("Start of a recorder that died: got %v, want ErrExists", err)
		}
		if err := Stop(t.Context(), ph, "dead"); err != nil {
			t.Fatal(err)
		}
		if got := w.ended(); got != EndStopped {
			t.Errorf("end: got %q, want %q", got, EndStopped)
		}
		if w.count("tidied") != 1 {
			t.Errorf("activity %+v: want Stop run once", w.acts)
		}
	})
}

// Without a word from the host for long the recorder itself goes home and sleeps.
func TestHomeAndSleepWithoutTheHost(t *testing.T) {
	t.Parallel()
	ph := newDebian(t, "mksh")
	ph.set("battery", dump(60, 300, false))
	w := begin(t, ph, Segment{Key: "alone", StopLevelPct: 20})
	w.readings(1)
	if err := os.WriteFile(ph.home+"/rundown/alone/contact", []byte("1.00\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	ph.set("battery", dump(20, 300, false))
	w.until("the end mark", func() bool { return w.marks[len(w.marks)-1].Kind == MarkEnd })
	w.until("home and sleep", func() bool { return ph.calls() == "input keyevent 3\ninput keyevent 223\n" })
	w.ended()
}

// A teardown that hangs is given up, and the segment still ends.
func TestStopOfAStubbornWorkload(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	t.Parallel()
	ph := newDebian(t, "mksh")
	ph.set("battery", dump(60, 300, false))
	w := begin(t, ph, Segment{Key: "stubborn", Workload: Program{Loop: "trap '' TERM\nrest 60\nrest 60\nrest 60", Stop: "ev tidied 1"}})
	w.readings(1)
	if err := Stop(t.Context(), ph, "stubborn"); err != nil {
		t.Fatal(err)
	}
	if got := w.ended(); got != EndStopped {
		t.Errorf("end: got %q, want %q", got, EndStopped)
	}
	if w.count("tidied") != 1 {
		t.Errorf("activity %+v: want Stop run once", w.acts)
	}
}

func TestBadSegments(t *testing.T) {
	good := Segment{Key: "good", SampleEverySec: 10}
	tests := []struct {
		name string
		mend func(*Segment)
		want string
	}{
		{"key with a slash", func(s *Segment) { s.Key = "../x" }, "segment key"},
		{"no key", func(s *Segment) { s.Key = "" }, "segment key"},
		{"long key", func(s *Segment) { s.Key = strings.Repeat("a", 41) }, "segment key"},
		{"no interval", func(s *Segment) { s.SampleEverySec = 0 }, "SampleEverySec: want 1 to 3600 s, got 0"},
		{"time limit", func(s *Segment) { s.TimeLimitSec = 1 << 30 }, "TimeLimitSec"},
		{"current file", func(s *Segment) { s.CurrentPath = "/data/x'; reboot" }, "CurrentPath"},
		{"unit of temperatures", func(s *Segment) { s.TempPerDegree = 7 }, "TempPerDegree"},
		{"current line", func(s *Segment) { s.CurrentKey = "now'; reboot" }, "CurrentKey"},
		{"broken script", func(s *Segment) { s.Workload.Loop = "if true" }, "Loop:1:1"},
		{"script that leaves its function", func(s *Segment) { s.Workload.Stop = "}; reboot; {" }, "Stop:1:1"},
		{"unclosed here-document", func(s *Segment) { s.Workload.Start = "cat <<X\n" }, "Start:1:5"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := good
			tt.mend(&s)
			err := Install(t.Context(), nil, s) // refused before the link is used
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("Install(%+v) = %v; want an error with %q", s, err, tt.want)
			}
		})
	}
}

func TestProbeCurrentAndList(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		d, ok := ph.(*debian)
		if !ok {
			t.Skip("needs files of its own under /sys")
		}
		got, err := ProbeCurrent(t.Context(), ph)
		if err != nil || got != "" {
			t.Errorf("ProbeCurrent with an empty supply = %q, %v; want none", got, err)
		}
		for name, text := range map[string]string{
			"usb/type": "USB", "usb/current_now": "12", "bms/type": "Battery", "bms/current_now": "-400",
			"zz/type": "Battery", "zz/current_now": "x1",
		} {
			path := filepath.Join(d.home, "sys/class/power_supply", name)
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, []byte(text+"\n"), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		// The link's paths are moved; what comes back names the moved file.
		got, err = ProbeCurrent(t.Context(), moved{d})
		if want := "/sys/class/power_supply/bms/current_now"; err != nil || got != want {
			t.Errorf("ProbeCurrent = %q, %v; want %q", got, err, want)
		}
		for name, text := range map[string]string{"battery/type": "Battery", "battery/current_now": "-326171"} {
			if err := os.WriteFile(filepath.Join(d.home, "sys/class/power_supply", name), []byte(text+"\n"), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err = ProbeCurrent(t.Context(), moved{d})
		if want := "/sys/class/power_supply/battery/current_now"; err != nil || got != want {
			t.Errorf("ProbeCurrent = %q, %v; want %q", got, err, want)
		}

		keys, err := List(t.Context(), ph)
		if err != nil || len(keys) != 0 {
			t.Errorf("List of nothing = %v, %v", keys, err)
		}
		ph.set("battery", dump(60, 300, false))
		for _, key := range []string{"b-2", "a-1"} {
			if err := Install(t.Context(), ph, Segment{Key: key, SampleEverySec: 1, CurrentPath: got}); err != nil {
				t.Fatal(err)
			}
		}
		keys, err = List(t.Context(), ph)
		if diff := cmp.Diff([]string{"a-1", "b-2"}, keys); err != nil || diff != "" {
			t.Errorf("List: %v, mismatch (-want +got):\n%s", err, diff)
		}
		if err := Start(t.Context(), ph, "a-1"); err != nil {
			t.Fatal(err)
		}
		w := &watch{t: t, ph: ph, key: "a-1"}
		w.readings(1)
		if c := w.samples[0].CurrentRaw; c == nil || *c != -326_171 {
			t.Errorf("sample %+v: want the current of the file", w.samples[0])
		}
		if err := Start(t.Context(), ph, "nowhere"); !errors.Is(err, ErrNotInstalled) {
			t.Errorf("Start of nothing: got %v, want ErrNotInstalled", err)
		}
		if err := Stop(t.Context(), ph, "nowhere"); !errors.Is(err, ErrNotInstalled) {
			t.Errorf("Stop of nothing: got %v, want ErrNotInstalled", err)
		}
		if err := Remove(t.Context(), ph, "nowhere"); err != nil {
			t.Errorf("Remove of nothing: %v", err)
		}
	})
}

var _ devices.Link = (*debian)(nil)
