package luminance

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"rundown/devices"
)

// A MeterFunc is a Meter made of a function: an instrument's query, or a test's truth.
type MeterFunc func(ctx context.Context) (float64, error)

// CdM2 implements Meter.
func (f MeterFunc) CdM2(ctx context.Context) (float64, error) { return f(ctx) }

// An Asker puts a question to a person and returns what was typed.
type Asker interface {
	Type(ctx context.Context, question string) (string, error)
}

// An Operator is a person who reads the meter and types what it shows.
type Operator struct {
	Asker Asker
}

// tries is how often the operator may mistype before the calibration gives up.
const tries = 5

// CdM2 implements Meter. What is no luminance is asked for again.
func (o Operator) CdM2(ctx context.Context) (float64, error) {
	question := "luminance in cd/m²:"
	for range tries {
		text, err := o.Asker.Type(ctx, question)
		if err != nil {
			return 0, err
		}
		v, err := ParseCdM2(text)
		if err == nil {
			return v, nil
		}
		question = fmt.Sprintf("%v; luminance in cd/m²:", err)
	}
	return 0, fmt.Errorf("no luminance was typed in %d tries", tries)
}

// ParseCdM2 reads a luminance as people type it: a number from 0 to 100000, with a point
// or a comma before the decimals, and the unit or none after it.
func ParseCdM2(text string) (float64, error) {
	number := strings.TrimSpace(text)
	for _, unit := range []string{"cd/m²", "cd/m2", "cd/m^2", "nit", "nits"} {
		if rest, ok := strings.CutSuffix(strings.ToLower(number), unit); ok {
			number = strings.TrimSpace(rest)
			break
		}
	}
	if strings.Count(number, ",") == 1 && !strings.Contains(number, ".") {
		number = strings.Replace(number, ",", ".", 1)
	}
	if number == "" || strings.Trim(number, "0123456789.") != "" {
		return 0, fmt.Errorf("%q is no luminance", devices.Shorten(text, 40))
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || !finite(v) || v > 100_000 {
		return 0, fmt.Errorf("%q is no luminance of 0 to 100000 cd/m²", devices.Shorten(text, 40))
	}
	return v, nil
}
