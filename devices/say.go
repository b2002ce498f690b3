package devices

import (
	"fmt"
	"strings"
	"time"
)

// Lasting writes a length of time in the one way that messages have it, which is that of plan files too:
// "1 h 30 min", "45 s". One below a millisecond is "0 s".
func Lasting(d time.Duration) string {
	sign := ""
	if d < 0 {
		sign, d = "-", d.Abs()
	}
	var parts []string
	for _, u := range []struct {
		name string
		unit time.Duration
	}{{"h", time.Hour}, {"min", time.Minute}, {"s", time.Second}, {"ms", time.Millisecond}} {
		if n := d / u.unit; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, u.name))
			d -= n * u.unit
		}
	}
	if len(parts) == 0 {
		return "0 s"
	}
	return sign + strings.Join(parts, " ")
}

// At writes an instant to the minute in the one way that messages have it: with its date and how far the
// bench's clock is from UTC, since a record is read elsewhere and later. AtSecond does so to the second.
func At(t time.Time) string { return t.Local().Format("2006-01-02 15:04 -07:00") }

// AtSecond writes an instant to the second.
func AtSecond(t time.Time) string { return t.Local().Format("2006-01-02 15:04:05 -07:00") }
