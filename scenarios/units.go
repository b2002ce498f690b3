package scenarios

import (
	"errors"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// plainUnits are the spellings of a duration's units that people write besides Go's own.
var plainUnits = map[string]time.Duration{
	"ms": time.Millisecond,
	"s":  time.Second, "sec": time.Second, "second": time.Second, "seconds": time.Second,
	"m": time.Minute, "min": time.Minute, "minute": time.Minute, "minutes": time.Minute,
	"h": time.Hour, "hour": time.Hour, "hours": time.Hour,
	"d": 24 * time.Hour, "day": 24 * time.Hour, "days": 24 * time.Hour,
}

// durationPattern is one or more numbers with units: "10 s", "1 h 30 min", "1h30m", "0.5 s".
const durationPattern = `^[0-9]+(\.[0-9]+)? ?(ms|s|sec|seconds?|m|min|minutes?|h|hours?|d|days?)( ?[0-9]+(\.[0-9]+)? ?(ms|s|sec|seconds?|m|min|minutes?|h|hours?|d|days?))*$`

var (
	durationForm = regexp.MustCompile(durationPattern)
	durationPart = regexp.MustCompile(`([0-9]+(?:\.[0-9]+)?) ?([a-z]+)`)
)

var errNotDuration = errors.New("not a duration")

// parseDuration reads "10 s", "3 min", "1 h 30 min" and Go's "1h30m". No sign, no
// exponent; units may not come twice.
func parseDuration(s string) (time.Duration, error) {
	if !durationForm.MatchString(s) {
		return 0, errNotDuration
	}
	var total float64
	seen := map[time.Duration]bool{}
	for _, part := range durationPart.FindAllStringSubmatch(s, -1) {
		n, err := strconv.ParseFloat(part[1], 64)
		unit, ok := plainUnits[part[2]]
		if err != nil || !ok || seen[unit] {
			return 0, errNotDuration
		}
		seen[unit] = true
		total += n * float64(unit)
	}
	if total > float64(10*365*24*time.Hour) {
		return 0, errNotDuration
	}
	return time.Duration(math.Round(total)), nil
}

// parseNumber reads a plain decimal number: no exponent, no infinity, no separators.
func parseNumber(s string) (float64, bool) {
	if !plainNumber.MatchString(s) {
		return 0, false
	}
	f, err := strconv.ParseFloat(s, 64)
	return f, err == nil
}

var plainNumber = regexp.MustCompile(`^[-+]?[0-9]{1,12}(\.[0-9]{1,12})?$`)

// formatNumber writes a number with no more digits than it needs.
func formatNumber(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

// cutUnit takes one of the units off the end of s, with or without a space before it.
func cutUnit(s string, units ...string) string {
	for _, u := range units {
		if rest, ok := strings.CutSuffix(s, u); ok && rest != "" {
			return strings.TrimSuffix(rest, " ")
		}
	}
	return s
}
