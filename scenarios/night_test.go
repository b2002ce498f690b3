package scenarios

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/robfig/cron/v3"
)

// A byMinute night is found by looking at a clock once a minute all year: no calendar
// arithmetic, no time zone rules beyond what the clock shows.
type byMinute struct {
	minute, hour   int
	doms, mons     []int // nil: any
	dows           []int
	domAny, dowAny bool
}

func numbers(field string) []int {
	if strings.HasPrefix(field, "*") {
		return nil
	}
	var all []int
	for _, part := range strings.Split(field, ",") {
		from, to, ranged := strings.Cut(part, "-")
		a, _ := strconv.Atoi(from)
		b := a
		if ranged {
			b, _ = strconv.Atoi(to)
		}
		for ; a <= b; a++ {
			all = append(all, a)
		}
	}
	return all
}

func newByMinute(spec string) byMinute {
	f := strings.Fields(spec)
	m, _ := strconv.Atoi(f[0])
	h, _ := strconv.Atoi(f[1])
	return byMinute{minute: m, hour: h, doms: numbers(f[2]), mons: numbers(f[3]), dows: numbers(f[4]), domAny: f[2] == "*", dowAny: f[4] == "*"}
}

// matches takes a wall time as seconds since 1970 of a clock that shows it.
func (b byMinute) matches(wall int64) bool {
	if int(wall/60%60) != b.minute || int(wall/3600%24) != b.hour {
		return false
	}
	day := time.Unix(wall, 0).UTC()
	if b.mons != nil && !slices.Contains(b.mons, int(day.Month())) {
		return false
	}
	dom, dow := slices.Contains(b.doms, day.Day()), slices.Contains(b.dows, int(day.Weekday()))
	switch {
	case b.domAny && b.dowAny:
		return true
	case b.domAny:
		return dow
	case b.dowAny:
		return dom
	}
	return dom || dow // crontab(5)
}

// clocks is what a clock in loc shows at every minute from..to, as seconds since 1970.
func clocks(from, to time.Time, loc *time.Location) []int64 {
	var all []int64
	for t := from; t.Before(to); t = t.Add(time.Minute) {
		_, offset := t.In(loc).Zone()
		all = append(all, t.Unix()+int64(offset))
	}
	return all
}

// walk looks at every minute and gives the instants that match, once a civil day: the
// first of a wall time that comes twice, the moment after the gap for one left out.
func (b byMinute) walk(from time.Time, shown []int64) []time.Time {
	var all []time.Time
	done := map[int64]bool{}
	look := func(i int, wall int64) {
		if b.matches(wall) && !done[wall/86400] {
			done[wall/86400] = true
			all = append(all, from.Add(time.Duration(i)*time.Minute))
		}
	}
	for i, wall := range shown {
		if i > 0 {
			for left := shown[i-1] + 60; left < wall; left += 60 { // a gap
				look(i, left)
			}
		}
		look(i, wall)
	}
	return all
}

func zoneOf(t *testing.T, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

func TestNightsAgainstAClockReadEveryMinute(t *testing.T) {
	zones := []string{"Europe/Berlin", "America/New_York", "Africa/Cairo", "Australia/Lord_Howe", "Asia/Beirut", "Pacific/Chatham", "UTC"}
	specs := []struct{ starts, ends string }{
		{"0 22 * * *", "06:00"},
		{"30 2 * * *", "07:00"}, // inside the change in Berlin and New York
		{"15 0 * * *", "05:30"}, // inside the change in Cairo and Beirut
		{"45 1 * * *", "01:15"}, // inside the change in Lord Howe; nearly a day long
		{"0 22 * * 5", "02:30"},
		{"15 3 * * 0", "04:00"},
		{"30 23 1,15 * *", "00:30"},
		{"0 20 13 * 5", "21:00"}, // either is enough
		{"5 1 24-30 4,10 *", "23:59"},
	}
	for _, zone := range zones {
		loc := zoneOf(t, zone)
		from := time.Date(2026, 1, 1, 0, 0, 0, 0, loc)
		to := time.Date(2027, 1, 8, 0, 0, 0, 0, loc)
		shown := clocks(from, to.Add(48*time.Hour), loc)
		inYear := shown[:int(to.Sub(from)/time.Minute)]
		ends := map[string][]time.Time{}
		for _, spec := range specs {
			n := Night{Cron: spec.starts, End: spec.ends, Zone: zone}
			want := newByMinute(spec.starts).walk(from, inYear)
			hh, mm, _ := strings.Cut(spec.ends, ":")
			if ends[spec.ends] == nil {
				ends[spec.ends] = newByMinute(fmt.Sprintf("%s %s * * *", mm, hh)).walk(from, shown)
			}
			var got []time.Time
			for at := from.Add(-time.Second); ; {
				start, end, ok := n.Next(at)
				if !ok || !start.Before(to) {
					break
				}
				got = append(got, start)
				checkWindow(t, n, start, end)
				// The end is the first instant at which a clock shows it, after the start.
				i, _ := slices.BinarySearchFunc(ends[spec.ends], start.Add(time.Nanosecond), time.Time.Compare)
				if i < len(ends[spec.ends]) && !ends[spec.ends][i].Equal(end) {
					t.Errorf("%s %s to %s: the night of %v ends %v, want %v", zone, spec.starts, spec.ends, start, end.In(loc), ends[spec.ends][i].In(loc))
				}
				at = start
			}
			if !slices.EqualFunc(got, want, time.Time.Equal) {
				t.Errorf("%s %s: %d starts, want %d%s", zone, spec.starts, len(got), len(want), firstDifference(got, want))
			}
		}
	}
}

func firstDifference(got, want []time.Time) string {
	for i := range min(len(got), len(want)) {
		if !got[i].Equal(want[i]) {
			return fmt.Sprintf("; the first that differs is %v, want %v", got[i], want[i])
		}
	}
	return ""
}

// checkWindow holds WindowAt to the window's edges: start included, end not.
func checkWindow(t *testing.T, n Night, start, end time.Time) {
	t.Helper()
	if !start.Before(end) || end.Sub(start) > 25*time.Hour {
		t.Errorf("%+v: window %v to %v", n, start, end)
	}
	for _, in := range []time.Time{start, start.Add(end.Sub(start) / 2), end.Add(-time.Nanosecond)} {
		if s, e, ok := n.WindowAt(in); !ok || !s.Equal(start) || !e.Equal(end) {
			t.Errorf("%+v: WindowAt(%v) = %v, %v, %t; want %v to %v", n, in, s, e, ok, start, end)
		}
	}
	for _, out := range []time.Time{start.Add(-time.Nanosecond), end} {
		if s, _, ok := n.WindowAt(out); ok && s.Equal(start) {
			t.Errorf("%+v: WindowAt(%v) lies in the window %v to %v", n, out, start, end)
		}
	}
}

// The cron library's own Next is right in Berlin and New York (compared by others minute
// by minute) for times that no change of the clocks touches.
func TestNightsAgainstTheCronLibrary(t *testing.T) {
	for _, zone := range []string{"Europe/Berlin", "America/New_York"} {
		loc := zoneOf(t, zone)
		for _, spec := range []string{"0 22 * * 1-5", "30 20 * * 6", "15 21 1,31 * *", "0 22 29 2 *", "59 23 * */3 0", "0 22 13 * fri"} {
			sched, err := cron.NewParser(cron.Minute | cron.Hour | cron.Dom | cron.Month | cron.Dow).Parse(spec)
			if err != nil {
				t.Fatal(err)
			}
			n := Night{Cron: spec, End: "06:00", Zone: zone}
			at := time.Date(2026, 1, 1, 0, 0, 0, 0, loc)
			for range 40 {
				want := sched.Next(at)
				got, _, ok := n.Next(at)
				if want.IsZero() { // its search ends after five years
					break
				}
				if !ok || !got.Equal(want) {
					t.Fatalf("%s %s after %v: %v, want %v", zone, spec, at, got, want)
				}
				at = want
			}
		}
	}
}

// Lengths of the two change nights, from the rules of the zones themselves: clocks in
// Berlin go from 02:00 to 03:00 on 29 March 2026 and from 03:00 to 02:00 on 25 October
// (Directive 2000/84/EC); Cairo from 00:00 to 01:00 on 24 April 2026 (Egypt, Law 24 of
// 2023: last Friday of April); Lord Howe by half an hour on 5 April and 4 October 2026
// (IANA tz database, australasia).
func TestLengthOfChangeNights(t *testing.T) {
	tests := []struct {
		zone, starts, ends string
		at                 string // an instant in the night, UTC
		want               time.Duration
	}{
		{"Europe/Berlin", "0 22 * * *", "06:00", "2026-03-29T01:30:00Z", 7 * time.Hour},
		{"Europe/Berlin", "0 22 * * *", "06:00", "2026-10-25T01:30:00Z", 9 * time.Hour},
		{"Europe/Berlin", "0 22 * * *", "06:00", "2026-11-25T01:30:00Z", 8 * time.Hour},
		{"America/New_York", "0 22 * * *", "06:00", "2026-03-08T07:30:00Z", 7 * time.Hour},
		{"America/New_York", "0 22 * * *", "06:00", "2026-11-01T07:30:00Z", 9 * time.Hour},
		{"Africa/Cairo", "0 22 * * *", "06:00", "2026-04-23T23:30:00Z", 7 * time.Hour},
		{"Africa/Cairo", "0 22 * * *", "06:00", "2026-10-29T22:30:00Z", 9 * time.Hour},
		{"Australia/Lord_Howe", "0 22 * * *", "06:00", "2026-04-04T16:00:00Z", 8*time.Hour + 30*time.Minute},
		{"Australia/Lord_Howe", "0 22 * * *", "06:00", "2026-10-03T16:00:00Z", 7*time.Hour + 30*time.Minute},
		{"Europe/Berlin", "30 2 * * *", "04:00", "2026-03-29T01:10:00Z", time.Hour},         // 02:30 is left out: from 03:00
		{"Europe/Berlin", "30 2 * * *", "04:00", "2026-10-25T00:45:00Z", 150 * time.Minute}, // from the first 02:30
	}
	for _, tt := range tests {
		at, err := time.Parse(time.RFC3339, tt.at)
		if err != nil {
			t.Fatal(err)
		}
		n := Night{Cron: tt.starts, End: tt.ends, Zone: tt.zone}
		start, end, ok := n.WindowAt(at)
		if !ok || end.Sub(start) != tt.want {
			t.Errorf("%s %s to %s at %s: %v to %v, %t, %v long; want %v", tt.zone, tt.starts, tt.ends, tt.at, start, end, ok, end.Sub(start), tt.want)
		}
	}
}

func TestShortWindowSwallowedByTheGapIsLeftOut(t *testing.T) {
	n := Night{Cron: "10 2 * * *", End: "02:50", Zone: "Europe/Berlin"}
	start, _, ok := n.Next(time.Date(2026, 3, 28, 12, 0, 0, 0, time.UTC))
	if want := time.Date(2026, 3, 30, 0, 10, 0, 0, time.UTC); !ok || !start.Equal(want) {
		t.Errorf("Next = %v, %t; want %v", start, ok, want)
	}
}

func TestStartsThatAreRefused(t *testing.T) {
	for _, spec := range []string{
		"", "* * * * *", "0 22 * *", "0 22 * * * *", "TZ=UTC", "TZ=UTC 0 22 * * *", "CRON_TZ=UTC", "CRON_TZ=Europe/Berlin 0 22 * * *",
		"@daily", "@every 1h", "@every 0s", " @hourly", "0 22 30 2 *", "0 22 31 4,6,9,11 *", "0 25 * * *", "60 22 * * *", "0 22 * * 7", "0 22-6 * * *",
		"0 20,22 * * *", "*/30 22 * * *", "0 22 * * mon-", "-1 22 * * *", "0 22 , * *", "0 22 * , *", "0 22 1/0 * *", "0 22 * * 1#2", "0 22 L * *",
		"0 22 99999999999999999999 * *", "0 22 1-31/99999999999 2 *x",
	} {
		if s, err := parseStarts(spec); err == nil {
			t.Errorf("parseStarts(%q) = %+v, want an error", spec, s)
		}
	}
	for _, spec := range []string{"0 22 * * *", "0 22 29 2 *", "0 22 * * SUN", "00 06 1-7 * 1", "0 0 ? * ?", "0 22 */2 * *", "0 22 1 1 0", "\t0  22\t* * 1-5 "} {
		if _, err := parseStarts(spec); err != nil {
			t.Errorf("parseStarts(%q): %v", spec, err)
		}
	}
}

func TestUncheckedNightHasNoWindow(t *testing.T) {
	for _, n := range []Night{{}, {Cron: "0 22 * * *"}, {Cron: "0 22 * * *", End: "x"}, {Cron: "0 22 * * *", End: "06:00", Zone: "Nowhere"}} {
		if _, _, ok := n.WindowAt(time.Now()); ok {
			t.Errorf("%+v has a window", n)
		}
		if _, _, ok := n.Next(time.Now()); ok {
			t.Errorf("%+v has a next window", n)
		}
	}
}
