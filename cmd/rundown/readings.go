package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"rundown/devices"
	"rundown/devices/luminance"
	"rundown/results/csvtext"
)

// mostReadings is more than anybody takes by hand.
const (
	mostReadings     = 100_000
	mostReadingBytes = 16 << 20
)

// readReadings reads readings from CSV with the columns setting and cd_m2, in this order or named in
// a first line, and any others, which are left alone. Below a line of names that semicolons or tabs
// part, a decimal comma is understood. Lines that are empty or
// begin with "#" are skipped. The n-th reading at a setting is taken as of pass n. All
// that is wrong comes out at once, each with its line.
func readReadings(r io.Reader) ([]luminance.Reading, error) {
	text, err := csvtext.Read(r, mostReadingBytes)
	if err != nil {
		return nil, err
	}
	comma := csvtext.Separator(text)
	rows := csvtext.Rows(text, comma)
	settingAt, cdAt := 0, 1
	var readings []luminance.Reading
	var faults []error
	passes := map[float64]int{}
	for first := true; ; first = false {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, errors.Join(append(faults, csvtext.FaultOf(err))...)
		}
		line, _ := rows.FieldPos(0)
		if first {
			s, c, named, err := readingColumns(row, comma)
			if err != nil {
				return nil, fmt.Errorf("line %d: %w", line, err)
			}
			if named {
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
		setting, err := strconv.ParseFloat(csvtext.DecimalPoint(strings.TrimSpace(row[settingAt]), comma), 64)
		if err != nil || math.IsInf(setting, 0) || math.IsNaN(setting) || setting < 0 {
			faults = append(faults, fmt.Errorf("line %d: setting %q is no number of 0 or more", line, devices.Shorten(row[settingAt], 40)))
			continue
		}
		v, err := luminance.ParseCdM2(row[cdAt])
		if err != nil {
			faults = append(faults, fmt.Errorf("line %d: %w", line, err))
			continue
		}
		if len(readings) == mostReadings {
			return nil, fmt.Errorf("line %d: more than %d readings", line, mostReadings)
		}
		passes[setting]++
		readings = append(readings, luminance.Reading{Setting: setting, CdM2: v, Pass: passes[setting]})
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	if len(readings) == 0 {
		return nil, errors.New("no readings: want lines of a setting and a luminance in cd/m²")
	}
	return readings, nil
}

// readingColumns finds the two columns in a line of names; named is false for a line that
// begins with a number.
func readingColumns(row []string, comma rune) (setting, cdM2 int, named bool, err error) {
	if len(row) == 0 {
		return 0, 0, false, nil
	}
	if _, err := strconv.ParseFloat(csvtext.DecimalPoint(strings.TrimSpace(row[0]), comma), 64); err == nil {
		return 0, 1, false, nil
	}
	setting, twice := csvtext.Column(row, "setting")
	cdM2, again := csvtext.Column(row, "cd_m2", "cd/m2", "cd/m²")
	return setting, cdM2, true, errors.Join(twice, again)
}
