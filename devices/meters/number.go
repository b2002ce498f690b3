package meters

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode"

	"rundown/devices"
)

// numberText is what instruments send for a number: NR1 (whole), NR2 (with a decimal
// point) and NR3 (with an exponent) of IEEE 488.2-1992, 8.7.2 to 8.7.4, and beyond them
// what 7.7.2 lets a listener take: no digit before or after the point, a small "e".
var numberText = regexp.MustCompile(`^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$`)

// Values that SCPI sends for what is no number (SCPI-99, volume 1, 7.2.1.4 and 7.2.1.5):
// 9.91E37 for none, 9.9E37 with either sign for one beyond all range.
const (
	notANumber = 9.91e37
	infinite   = 9.9e37
)

// ParseNumber reads one number as instruments send it. ErrNotANumber and ErrOverrange for
// what SCPI sends instead of a value, ErrNoNumber for everything that is no number.
func ParseNumber(text string) (float64, error) {
	text = strings.TrimSpace(text)
	switch strings.ToUpper(text) {
	case "NAN":
		return 0, ErrNotANumber
	case "INF", "+INF", "-INF", "NINF", "INFINITY", "NINFINITY":
		return 0, fmt.Errorf("%w (it sent %s)", ErrOverrange, shorten(text))
	}
	if !numberText.MatchString(text) {
		return 0, fmt.Errorf("%w: the instrument sent %s", ErrNoNumber, quoted(text))
	}
	v, err := strconv.ParseFloat(text, 64)
	switch {
	case err != nil || math.IsInf(v, 0):
		return 0, fmt.Errorf("%w (it sent %s)", ErrOverrange, shorten(text))
	// The sender may have fewer digits than double precision has.
	case math.Abs(v-notANumber) < 1e-5*notANumber:
		return 0, ErrNotANumber
	case math.Abs(v) >= infinite*(1-1e-5):
		return 0, fmt.Errorf("%w (it sent %s)", ErrOverrange, shorten(text))
	}
	return v, nil
}

// field returns the n-th of the values that a response gives between commas, from 1.
func field(response string, n int) (string, error) {
	fields := strings.Split(response, ",")
	if n < 1 || n > len(fields) {
		return "", fmt.Errorf("%w: value %d is wanted of %s, which has %d", ErrNoNumber, n, quoted(response), len(fields))
	}
	return fields[n-1], nil
}

func quoted(text string) string {
	if text == "" {
		return "nothing"
	}
	return strconv.Quote(shorten(text))
}

// shorten makes what an instrument sent fit for a message.
func shorten(text string) string {
	text = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, strings.ToValidUTF8(text, "?"))
	return devices.Shorten(text, 80)
}
