package scenarios

import (
	"fmt"
	"strings"
	"time"
	_ "time/tzdata" // a lab host without zone files reads a plan file as every other does

	"github.com/robfig/cron/v3"
)

// starts is the beginning of a night: a time of day on certain civil days. Only the
// parser of the cron library is used. Its Next loses days where the clocks change at
// midnight (Cairo) or by half an hour (Lord Howe); so days are enumerated here by the
// calendar and each instant is made from its wall time.
type starts struct {
	minute, hour     int
	dom, month, dow  uint64 // bits by number
	domStar, dowStar bool
}

// parseStarts reads the five fields of cron, with one minute and one hour: a night
// begins at most once a day.
func parseStarts(spec string) (s starts, err error) {
	const want = `want the five fields of cron with one minute and one hour, such as "0 22 * * 1-5"`
	wrong := func(format string, args ...any) (starts, error) {
		return starts{}, fmt.Errorf("%s, got %s: %s", want, shown(spec), fmt.Sprintf(format, args...))
	}
	upper := strings.ToUpper(spec)
	switch {
	case strings.Contains(upper, "TZ="):
		return wrong("the time zone belongs in zone")
	case strings.HasPrefix(strings.TrimSpace(spec), "@"):
		return wrong("short names are not read")
	}
	fields := strings.Fields(spec)
	if len(fields) != 5 {
		return wrong("it has %d fields", len(fields))
	}
	defer func() { // the library's parser has been seen to panic
		if p := recover(); p != nil {
			s, err = wrong("it cannot be read")
		}
	}()
	parsed, perr := cron.NewParser(cron.Minute | cron.Hour | cron.Dom | cron.Month | cron.Dow).Parse(strings.Join(fields, " "))
	if perr != nil {
		hint := ""
		if strings.Contains(perr.Error(), "(7) above maximum (6)") {
			hint = "; Sunday is 0"
		}
		return wrong("%s%s", perr, hint)
	}
	bits, ok := parsed.(*cron.SpecSchedule)
	if !ok {
		return wrong("it cannot be read")
	}
	if s.minute, ok = single(bits.Minute, 60); !ok {
		return wrong("more than one minute; give another start its own night")
	}
	if s.hour, ok = single(bits.Hour, 24); !ok {
		return wrong("more than one hour; give another start its own night")
	}
	const fieldBits = 1<<63 - 1 // the library keeps its star flag in the top bit
	s.dom, s.month, s.dow = bits.Dom&fieldBits, bits.Month&fieldBits, bits.Dow&fieldBits
	// crontab(5): a day field that begins with a star does not restrict, and only when
	// both restrict is either enough.
	s.domStar = strings.HasPrefix(fields[2], "*") || fields[2] == "?"
	s.dowStar = strings.HasPrefix(fields[4], "*") || fields[4] == "?"
	// Nine years hold every pairing of date and leap year outside of a skipped one.
	day := civil{2023, time.January, 1}
	for range 9 * 366 {
		if s.on(day) {
			return s, nil
		}
		day = day.plus(1)
	}
	return wrong("there is no such date")
}

func single(bits uint64, n int) (value int, ok bool) {
	found := 0
	for i := range n {
		if bits&(1<<i) != 0 {
			value, found = i, found+1
		}
	}
	return value, found == 1
}

// on says whether a night begins on that day.
func (s starts) on(d civil) bool {
	if s.month&(1<<uint(d.month)) == 0 {
		return false
	}
	dom := s.dom&(1<<uint(d.day)) != 0
	dow := s.dow&(1<<uint(d.weekday())) != 0
	if s.domStar || s.dowStar {
		return dom && dow
	}
	return dom || dow
}

// A civil day is a date in the calendar, without a place.
type civil struct {
	year  int
	month time.Month
	day   int
}

func civilOf(t time.Time) civil {
	y, m, d := t.Date()
	return civil{y, m, d}
}

func (c civil) plus(days int) civil {
	return civilOf(time.Date(c.year, c.month, c.day+days, 12, 0, 0, 0, time.UTC))
}

func (c civil) weekday() time.Weekday {
	return time.Date(c.year, c.month, c.day, 12, 0, 0, 0, time.UTC).Weekday()
}

// instant is the moment at which clocks in loc show that wall time: the first such
// moment when they show it twice, and the moment after the gap when they leave it out.
func (c civil) instant(hour, minute int, loc *time.Location) time.Time {
	wall := time.Date(c.year, c.month, c.day, hour, minute, 0, 0, time.UTC)
	shows := func(t time.Time) time.Time { // the wall time at t, as if it were UTC
		_, offset := t.Zone()
		return t.UTC().Add(time.Duration(offset) * time.Second)
	}
	t := time.Date(c.year, c.month, c.day, hour, minute, 0, 0, loc)
	since, until := t.ZoneBounds()
	switch got := shows(t); {
	case got.Before(wall): // t lies before the gap
		return until
	case got.After(wall): // t lies after the gap
		return since
	}
	if !since.IsZero() {
		_, offset := since.Add(-time.Second).Zone()
		if first := wall.Add(-time.Duration(offset) * time.Second); first.Before(since) {
			return first.In(loc)
		}
	}
	return t
}

// startClock is the start's time of day, hh:mm, or empty when the night was never checked.
func (n Night) startClock() string {
	s, err := parseStarts(n.Cron)
	if err != nil {
		return ""
	}
	return fmt.Sprintf("%02d:%02d", s.hour, s.minute)
}

// Location is the time zone of the night's start and end.
func (n Night) Location() (*time.Location, error) {
	if n.Zone == "" {
		return time.Local, nil
	}
	return time.LoadLocation(n.Zone)
}

// read parses what a checked night holds; ok is false for one that was never checked.
func (n Night) read() (s starts, end time.Time, loc *time.Location, ok bool) {
	s, err := parseStarts(n.Cron)
	if err != nil {
		return s, end, nil, false
	}
	if end, err = time.Parse("15:04", n.End); err != nil {
		return s, end, nil, false
	}
	loc, err = n.Location()
	return s, end, loc, err == nil
}

// window is the night that begins on day d.
func (s starts) window(d civil, end time.Time, loc *time.Location) (from, to time.Time) {
	from = d.instant(s.hour, s.minute, loc)
	if end.Hour()*60+end.Minute() <= s.hour*60+s.minute {
		d = d.plus(1)
	}
	return from, d.instant(end.Hour(), end.Minute(), loc)
}

// WindowAt returns the window that now lies in: start included, end not. The end is the
// first time that clocks show it after the start, on the start's day or the next. ok is
// false when now lies in none. Where the clocks change, a time that is left out counts
// as the moment after the gap, and one that comes twice as its first.
func (n Night) WindowAt(now time.Time) (start, end time.Time, ok bool) {
	s, until, loc, ok := n.read()
	if !ok {
		return time.Time{}, time.Time{}, false
	}
	today := civilOf(now.In(loc))
	for back := -1; back <= 2; back++ { // the latest start first; a gap may move one by a day
		d := today.plus(-back)
		if !s.on(d) {
			continue
		}
		if from, to := s.window(d, until, loc); !now.Before(from) && now.Before(to) {
			return from, to, true
		}
	}
	return time.Time{}, time.Time{}, false
}

// Next returns the first window that starts after now. ok is false for a night that was
// never checked.
func (n Night) Next(now time.Time) (start, end time.Time, ok bool) {
	s, until, loc, ok := n.read()
	if !ok {
		return time.Time{}, time.Time{}, false
	}
	d := civilOf(now.In(loc)).plus(-2)
	for range 9 * 366 {
		if s.on(d) {
			// A gap can swallow a short window whole; then there is none that day.
			if from, to := s.window(d, until, loc); from.After(now) && from.Before(to) {
				return from, to, true
			}
		}
		d = d.plus(1)
	}
	return time.Time{}, time.Time{}, false
}
