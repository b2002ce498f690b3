package console

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"rundown/orchestrator"
	"rundown/orchestrator/api/forecast"
	"rundown/results"
)

func TestHeadings(t *testing.T) {
	bench := []struct {
		hand, watch, well int
		want              string
	}{
		{0, 0, 0, "The plan file names no handset"},
		{0, 0, 1, "The one handset is well"},
		{0, 0, 2, "Both handsets are well"},
		{0, 0, 12, "All twelve handsets are well"},
		{1, 2, 5, "One handset needs a hand, two to watch, five are well"},
		{0, 1, 1, "One handset to watch, one is well"},
		{3, 0, 0, "Three handsets need a hand"},
	}
	for _, tt := range bench {
		if got := benchHeading(map[health]int{needsHand: tt.hand, toWatch: tt.watch, isWell: tt.well}); got != tt.want {
			t.Errorf("%d, %d, %d: %q, want %q", tt.hand, tt.watch, tt.well, got, tt.want)
		}
	}
	night := []struct {
		hand     []string
		handsets int
		going    bool
		want     string
	}{
		{nil, 8, true, "The night goes as planned"},
		{[]string{"Birch"}, 8, true, "The night goes as planned, but for Birch"},
		{[]string{"Birch", "Larch"}, 8, true, "The night goes as planned, but for Birch and Larch"},
		{[]string{"A", "B", "C", "D"}, 8, true, "Four of eight need a hand"},
		{nil, 8, false, "The night ended well at 07:41"},
		{[]string{"Birch"}, 8, false, "The night ended at 07:41, but for Birch"},
	}
	for _, tt := range night {
		k := counts{hand: tt.hand, handsets: tt.handsets, ended: time.Date(2030, 5, 15, 7, 41, 0, 0, time.Local)}
		n := forecast.Night{Going: tt.going}
		if tt.going {
			n.Runs = make([]results.Run, 1)
		}
		if got := k.heading(n); got != tt.want {
			t.Errorf("%v of %d: %q, want %q", tt.hand, tt.handsets, got, tt.want)
		}
	}
}

func TestJudge(t *testing.T) {
	now := time.Date(2030, 5, 15, 2, 0, 0, 0, time.Local)
	ready := orchestrator.HandsetStatus{Name: "Birch", Link: "ready", Run: "r1", State: "Draining"}
	with := func(f func(*orchestrator.HandsetStatus)) orchestrator.HandsetStatus {
		h := ready
		f(&h)
		return h
	}
	tests := []struct {
		name string
		h    orchestrator.HandsetStatus
		late time.Duration
		want health
		says string
	}{
		{"draining", ready, 0, isWell, ""},
		{"late", ready, 11 * time.Minute, toWatch, "11" + thin + "min after 08:00"},
		{"link lost in a drain", with(func(h *orchestrator.HandsetStatus) { h.LinkLostAt = now }), 0, toWatch, "Nothing to do yet"},
		{"link lost before it", with(func(h *orchestrator.HandsetStatus) { h.LinkLostAt, h.State = now, "Preparing" }), 0, needsHand, "goes on by itself"},
		{"stopped", with(func(h *orchestrator.HandsetStatus) { h.State, h.Problem = "Stopped", "precondition unmet: wifi" }), 0, needsHand, "precondition unmet: wifi. Mend"},
		{"cancelled", with(func(h *orchestrator.HandsetStatus) { h.State, h.Problem = "Stopped", "cancelled" }), 0, isWell, ""},
		{"set aside", with(func(h *orchestrator.HandsetStatus) {
			h.SetAside = &orchestrator.SetAside{Reason: "3 segments spoiled in a row", Since: now}
		}), 0, needsHand, "Set aside since 02:00"},
		{"not plugged in, idle", orchestrator.HandsetStatus{Name: "Birch", Link: "not seen", Advice: "plug it in"}, 0, toWatch, "Not seen: plug it in."},
		{"too warm to charge", with(func(h *orchestrator.HandsetStatus) { h.State, h.WaitsFor = "Recharging", "battery to cool: 41 °C" }), 0, toWatch, "too warm"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := judge(tt.h, tt.late, time.Date(2030, 5, 15, 8, 0, 0, 0, time.Local))
			if got.Stands != tt.want || !strings.Contains(got.Problem, tt.says) || tt.says == "" && got.Problem != "" {
				t.Errorf("judge = %s %q, want %s and %q", got.Stands.Word(), got.Problem, tt.want.Word(), tt.says)
			}
			for _, word := range []string{"error", "failed", "alert", "please", "critical", "!"} {
				if strings.Contains(strings.ToLower(got.Problem), word) {
					t.Errorf("%q says %q", got.Problem, word)
				}
			}
		})
	}
}

func TestDuration(t *testing.T) {
	for d, want := range map[time.Duration]string{
		-time.Second: "0 s", 6 * time.Second: "6 s", 19 * time.Minute: "19 min", 124 * time.Minute: "2 h 04 min", 72 * time.Hour: "3 days",
	} {
		if got := strings.ReplaceAll(duration(d), thin, " "); got != want {
			t.Errorf("duration(%v) = %q, want %q", d, got, want)
		}
	}
}

func TestAxisTicks(t *testing.T) {
	a := axis{time.Date(2030, 5, 14, 21, 0, 0, 0, time.Local), time.Date(2030, 5, 15, 8, 0, 0, 0, time.Local)}
	var got []string
	for _, tick := range a.ticks() {
		got = append(got, tick.Text)
	}
	if want := "21:00 22:00 23:00 00:00 01:00 02:00 03:00 04:00 05:00 06:00 07:00 08:00"; strings.Join(got, " ") != want {
		t.Errorf("ticks %v, want %s", got, want)
	}
	if x := a.x(a.from.Add(11 * time.Hour / 2)); x != wide/2 {
		t.Errorf("the middle lies at %g of %d", x, wide)
	}
}

// Where a token was entered for leads nowhere but to this daemon.
func FuzzLocal(f *testing.F) {
	for _, s := range []string{"/night", "//attacker.example", `/\attacker.example`, "https://attacker.example/", "javascript:alert(1)", "/a?b=//c", "/\t/attacker.example"} {
		f.Add(s)
	}
	here, _ := url.Parse("http://bench.example:8780/enter")
	f.Fuzz(func(t *testing.T, to string) {
		got := Local(to)
		u, err := here.Parse(got)
		if err != nil || u.Host != here.Host || u.Scheme != "http" || !strings.HasPrefix(got, "/") || strings.HasPrefix(got, "//") || strings.ContainsAny(got, "\\\t\n\r") {
			t.Errorf("Local(%q) = %q leads to %v, %v", to, got, u, err)
		}
	})
}

// A time to end by is always ahead, and within a day.
func FuzzFinish(f *testing.F) {
	f.Add("07:30", int64(1905800000))
	f.Add("24:00", int64(0))
	f.Fuzz(func(t *testing.T, text string, at int64) {
		if at < 0 || at > 4e9 {
			return
		}
		now := time.Unix(at, 0)
		by, err := finish(text, now)
		if err != nil || text == "" {
			return
		}
		if !by.After(now) || by.Sub(now) > 26*time.Hour { // a day has 25 h when clocks go back
			t.Errorf("finish(%q, %v) = %v", text, now, by)
		}
	})
}
