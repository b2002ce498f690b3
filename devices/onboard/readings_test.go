package onboard

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// What the recorder reads out of real dumps, seen in public reports (testdata/dumps, where
// each file says where it comes from; the expected values were read off by eye), and out of
// dumps cut or bent by hand.
func TestReadings(t *testing.T) {
	file := func(name string) string {
		b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "dumps", name))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	plain := dump(50, 300, false)
	tests := []struct {
		name, dump string
		key        string // of the dump's line that has the current
		want       Sample // without sequence number and clocks
		unread     string // text of the mark when there is no reading
	}{
		{name: "plain-old", dump: file("plain-old.txt"), want: Sample{LevelPct: 100, CounterRaw: p(2996000), VoltageRaw: p(4371), TempRaw: p(215), Status: 5, Plugged: 1}},
		{name: "plain-recent", dump: file("plain-recent.txt"), want: Sample{LevelPct: 22, CounterRaw: p(1082000), VoltageRaw: p(3764), TempRaw: p(280), Status: 2, Plugged: 2}},
		{name: "section-before-header", dump: file("section-before-header.txt"), want: Sample{LevelPct: 87, CounterRaw: p(4864000), VoltageRaw: p(4402), TempRaw: p(325), Status: 2, Plugged: 2}},
		{name: "doubled-key", dump: file("doubled-key-scaled-counter.txt"), want: Sample{LevelPct: 67, CounterRaw: p(471680), VoltageRaw: p(3960), TempRaw: p(303), Status: 2, Plugged: 2}},
		{name: "extra-current-line", dump: file("extra-current-line.txt"), want: Sample{LevelPct: 98, CounterRaw: p(1), VoltageRaw: p(4228), TempRaw: p(270), Status: 2, Plugged: 2}},
		{name: "trailing-lines", dump: file("trailing-lines-mah-counter.txt"), want: Sample{LevelPct: 80, CounterRaw: p(4274), VoltageRaw: p(4228), TempRaw: p(364), Status: 2, Plugged: 1}},
		{name: "carriage-returns", dump: strings.ReplaceAll(plain, "\n", "\r\n"), want: Sample{LevelPct: 50, CounterRaw: p(1600000), VoltageRaw: p(4011), TempRaw: p(300), Status: 3}},
		{name: "no-blank-after-colon", dump: strings.ReplaceAll(plain, "voltage: ", "voltage:"), want: Sample{LevelPct: 50, CounterRaw: p(1600000), VoltageRaw: p(4011), TempRaw: p(300), Status: 3}},
		{name: "below-zero", dump: strings.ReplaceAll(plain, "temperature: 300", "temperature: -52"), want: Sample{LevelPct: 50, CounterRaw: p(1600000), VoltageRaw: p(4011), TempRaw: p(-52), Status: 3}},
		{name: "current-in-the-dump", dump: file("doubled-key-scaled-counter.txt"), key: "current now", want: Sample{LevelPct: 67, CounterRaw: p(471680), VoltageRaw: p(3960), TempRaw: p(303), CurrentRaw: p(172), Status: 2, Plugged: 2}},
		{name: "current-under-another-key", dump: file("extra-current-line.txt"), key: "current", want: Sample{LevelPct: 98, CounterRaw: p(1), VoltageRaw: p(4228), TempRaw: p(270), CurrentRaw: p(326000), Status: 2, Plugged: 2}},
		{name: "no-current-in-the-dump", dump: plain, key: "current now", want: Sample{LevelPct: 50, CounterRaw: p(1600000), VoltageRaw: p(4011), TempRaw: p(300), Status: 3}},
		{
			name: "values-that-are-none",
			dump: strings.NewReplacer("voltage: 4011", "voltage:", "temperature: 300", "temperature: -2147483648", "Charge counter: 1600000", "Charge counter: 0x10", "status: 3", "status: 08").Replace(plain),
			want: Sample{LevelPct: 50},
		},
		{name: "dock-and-wireless", dump: strings.Replace(plain, "Wireless powered: false", "Wireless powered: true\n  Dock powered: true", 1), want: Sample{LevelPct: 50, CounterRaw: p(1600000), VoltageRaw: p(4011), TempRaw: p(300), Status: 3, Plugged: 12}},
		{name: "other-scale", dump: strings.NewReplacer("scale: 100", "scale: 200").Replace(plain), want: Sample{LevelPct: 25, CounterRaw: p(1600000), VoltageRaw: p(4011), TempRaw: p(300), Status: 3}},
		{name: "lookalike-keys", dump: strings.Replace(plain, "  level: 50", "  Capacity level: 4\n  mod level: -1\n  Level: 9\n  *level: 8\n  level: 50\n  level: 51", 1), want: Sample{LevelPct: 50, CounterRaw: p(1600000), VoltageRaw: p(4011), TempRaw: p(300), Status: 3}},
		{name: "log-section", dump: "  level: 3\n" + strings.Replace(plain, "  voltage", "[EventLogBuffer]\n  voltage", 1), want: Sample{LevelPct: 50, CounterRaw: p(1600000), Status: 3}},
		{name: "log-lines", dump: strings.Replace(plain, "  voltage", "11-25 10:00:00.123  level: 2\n  voltage", 1), want: Sample{LevelPct: 50, CounterRaw: p(1600000), Status: 3}},
		{name: "level-too-high", dump: strings.Replace(plain, "level: 50", "level: 101", 1), unread: "level 101 in the battery dump"},
		{name: "level-missing", dump: strings.Replace(plain, "  level: 50\n", "", 1), unread: "level - in the battery dump"},
		{name: "header-with-more", dump: strings.Replace(plain, "state:", "state: x", 1), unread: "no header line in the battery dump"},
		{name: "no-service", unread: "no header line in the battery dump"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			everyShell(t, func(t *testing.T, ph phone) {
				if tt.dump != "" {
					ph.set("battery", tt.dump)
				}
				w := begin(t, ph, Segment{Key: tt.name, SampleEverySec: 600, CurrentKey: tt.key})
				w.until("a reading", func() bool { return len(w.samples)+len(w.marks) > 1 })
				if err := Stop(t.Context(), ph, tt.name); err != nil {
					t.Fatal(err)
				}
				w.ended()
				if tt.unread != "" {
					if m := w.marks[1]; m.Kind != MarkUnread || m.Text != tt.unread || len(w.samples) != 0 {
						t.Errorf("got mark %+v and samples %+v; want a mark that says %q", m, w.samples, tt.unread)
					}
					return
				}
				got := w.samples[0]
				if got.UptimeMS <= 0 || got.WallMS <= 0 {
					t.Errorf("sample %+v: want both clocks", got)
				}
				got.Seq, got.UptimeMS, got.WallMS = 0, 0, 0
				if diff := cmp.Diff(tt.want, got); diff != "" {
					t.Errorf("reading mismatch (-want +got):\n%s", diff)
				}
			})
		})
	}
}

// What becomes of Wi-Fi while nobody looks is in the recorder's own file, to the reading; and
// that battery saver was on when it ended.
func TestConditionsThatNobodyLooksAt(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(60, 300, false))
		ph.set("settings", "1")
		ph.wifi("7", "up")
		w := begin(t, ph, Segment{Key: "alone"})
		w.readings(2)
		ph.wifi("8", "down")
		w.evidence("carrier", 1)
		w.readings(1)
		ph.wifi("11", "up")
		w.evidence("carrier", 2)
		if err := Stop(t.Context(), ph, "alone"); err != nil {
			t.Fatal(err)
		}
		w.ended()
		w.evidence("saver", 1)
		var got []string
		for _, a := range w.acts {
			if a.Kind != "carrier" {
				continue
			}
			var before float64
			var state string
			if _, err := fmt.Sscanf(a.Detail, "since %f %s", &before, &state); err != nil || int64(before*1000) >= a.UptimeMS || int64(before*1000) < a.UptimeMS-60_000 {
				t.Errorf("%+v: want since a reading before it and the interface's state, %v", a, err)
			}
			got = append(got, fmt.Sprint(a.Value, " ", state))
		}
		if want := []string{"1 down", "3 up"}; !slices.Equal(got, want) {
			t.Errorf("got %q, want %q", got, want)
		}
	})
}

// Where the shell may not read the kernel's count, or it is no number, the recorder says so once.
func TestWiFiThatIsNotCounted(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(60, 300, false))
		ph.wifi("", "")
		w := begin(t, ph, Segment{Key: "blind"})
		w.readings(2)
		ph.wifi("many", "up")
		w.readings(2)
		ph.wifi("4", "up") // the first that can be read: nothing to compare it with
		w.readings(2)
		if err := Stop(t.Context(), ph, "blind"); err != nil {
			t.Fatal(err)
		}
		w.ended()
		if n := w.count("carrier"); n != 1 {
			t.Errorf("%d lines about Wi-Fi, want one", n)
		}
		for _, a := range w.acts {
			if a.Kind == "carrier" && (a.Value != 0 || a.Detail != "unreadable") {
				t.Errorf("%+v: want that it cannot be read", a)
			}
			if a.Kind == "saver" {
				t.Errorf("%+v: battery saver was not on", a)
			}
		}
	})
}
