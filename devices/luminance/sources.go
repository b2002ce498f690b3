package luminance

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
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

// mostReadings is more than anybody takes by hand.
const mostReadings = 100_000

// ReadFile reads readings from CSV with the columns setting and cd_m2, in this order or
// named in a first line, and any others, which are left alone. Lines that are empty or
// begin with "#" are skipped. The n-th reading at a setting is taken as of pass n. All
// that is wrong comes out at once, each with its line.
func ReadFile(r io.Reader) ([]Reading, error) {
	rows := csv.NewReader(r)
	rows.Comment, rows.FieldsPerRecord, rows.TrimLeadingSpace = '#', -1, true
	settingAt, cdAt := 0, 1
	var readings []Reading
	var faults []error
	passes := map[float64]int{}
	for first := true; ; first = false {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			faults = append(faults, err)
			return nil, errors.Join(faults...)
		}
		line, _ := rows.FieldPos(0)
		if first {
			if s, c, named := columns(row); named {
				if s < 0 || c < 0 {
					return nil, fmt.Errorf("line %d: want columns named setting and cd_m2, got %q", line, devices.Shorten(strings.Join(row, ","), 40))
				}
				settingAt, cdAt = s, c
				continue
			}
		}
		if len(row) <= max(settingAt, cdAt) {
			faults = append(faults, fmt.Errorf("line %d: want a setting and a luminance, got %d fields", line, len(row)))
			continue
		}
		setting, err := strconv.ParseFloat(strings.TrimSpace(row[settingAt]), 64)
		if err != nil || !finite(setting) || setting < 0 {
			faults = append(faults, fmt.Errorf("line %d: setting %q is no number of 0 or more", line, devices.Shorten(row[settingAt], 40)))
			continue
		}
		v, err := ParseCdM2(row[cdAt])
		if err != nil {
			faults = append(faults, fmt.Errorf("line %d: %w", line, err))
			continue
		}
		if len(readings) == mostReadings {
			return nil, fmt.Errorf("line %d: more than %d readings", line, mostReadings)
		}
		passes[setting]++
		readings = append(readings, Reading{Setting: setting, CdM2: v, Pass: passes[setting]})
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	if len(readings) == 0 {
		return nil, errors.New("no readings: want lines of a setting and a luminance in cd/m²")
	}
	return readings, nil
}

// columns finds the two columns in a line of names; named is false for a line that
// begins with a number.
func columns(row []string) (setting, cdM2 int, named bool) {
	if len(row) == 0 {
		return 0, 0, false
	}
	if _, err := strconv.ParseFloat(strings.TrimSpace(row[0]), 64); err == nil {
		return 0, 1, false
	}
	setting, cdM2 = -1, -1
	for i, name := range row {
		switch strings.ToLower(strings.Trim(name, " \ufeff")) {
		case "setting":
			setting = i
		case "cd_m2", "cd/m2", "cd/m²":
			cdM2 = i
		}
	}
	return setting, cdM2, true
}
