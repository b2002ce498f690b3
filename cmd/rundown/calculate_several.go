package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"rundown/results/calculate"
	"rundown/results/csvtext"
	"rundown/results/logfiles"
)

// logFiles are the files that are meant: those that are named, and in folders all that end in .csv, in the order of their names. rows says
// that they are to be listed even where there is one.
func logFiles(named []string) (files []string, rows bool, err error) {
	for _, name := range named {
		about, err := os.Stat(name)
		if err != nil {
			return nil, false, errors.New(csvtext.Plain(err.Error()))
		}
		if !about.IsDir() {
			files = append(files, name)
			continue
		}
		rows = true
		before := len(files)
		err = filepath.WalkDir(name, func(path string, d fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			if d.Type().IsRegular() && strings.EqualFold(filepath.Ext(path), ".csv") {
				files = append(files, path)
			}
			return nil
		})
		if err != nil {
			return nil, false, err
		}
		if len(files) == before {
			return nil, false, fmt.Errorf("%s: no file in this folder ends in .csv", csvtext.Plain(name))
		}
	}
	return files, rows || len(files) > 1, nil
}

// calculateFile works out the logs of one file. Its error is of the request, and then the next file would have the same.
func calculateFile(path string, in logfiles.Options, o calculate.Options) ([]calculate.One, error) {
	f, err := os.Open(path)
	if err != nil {
		return []calculate.One{{File: path, Err: err}}, nil
	}
	defer f.Close()
	list := calculate.File(path, f, in, o)
	for _, one := range list {
		if errors.Is(one.Err, calculate.ErrOption) {
			return nil, one.Err
		}
	}
	return list, nil
}

// printLogs prints a row for each log. The error says how many of them gave none.
func (e *env) printLogs(logs []calculate.One) error {
	var none int
	rows := [][]string{{"FILE", "AS", "FIGURE", "NOTES"}}
	list := []any{}
	for _, one := range logs {
		name := csvtext.Plain(one.File)
		if one.Only != "" {
			name += " " + csvtext.Plain(one.Only)
		}
		if one.Err != nil {
			none++
			rows = append(rows, []string{name, "-", "none", csvtext.Plain(besideName(csvtext.Plain(one.File), one.Err))})
			list = append(list, struct {
				File  string `json:"file"`
				Only  string `json:"only,omitempty"`
				Error string `json:"error"`
			}{one.File, one.Only, one.Err.Error()})
			continue
		}
		rows = append(rows, []string{name, one.Result.As, figureText(*one.Result), strings.Join(one.Result.Warnings, "; ")})
		list = append(list, flat(*one.Result, one.Only))
	}
	if e.json {
		if err := e.printJSON(list); err != nil {
			return err
		}
	} else {
		table(e.out, rows...)
	}
	if none > 0 {
		return fmt.Errorf("%d of %d logs gave no figure", none, len(logs))
	}
	return nil
}

// besideName is why a log gave no figure, in one line beside the file's name, which is not said again.
func besideName(file string, err error) string {
	var list []string
	for line := range strings.Lines(err.Error()) {
		line = strings.TrimSpace(line)
		if place, ok := strings.CutPrefix(line, file+":"); ok {
			line = strings.TrimSpace(place)
			if line == place { // the number of a line comes first
				line = "line " + line
			}
		}
		list = append(list, line)
	}
	return strings.Join(list, "; ")
}

// figureText is what a log says in one line.
func figureText(r calculate.Result) string {
	var parts []string
	part := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	switch {
	case r.Endurance != nil:
		part("%s h", r.Endurance.Hours)
		part("%s %%/h", r.Endurance.RatePctH)
		part("%d points", r.Endurance.Points)
	case r.Charge != nil:
		for _, s := range r.Charge.Spans {
			if s.FromPct == 20 {
				part("20 to 80 %% in %s", s.S.Minutes())
			}
		}
		if r.Charge.PeakW != nil {
			part("peak %s W", r.Charge.PeakW)
		}
		if r.Charge.BattWh != nil {
			part("%s Wh into the battery", r.Charge.BattWh)
		}
		if r.Charge.PlugWh != nil {
			part("%s Wh at the plug", r.Charge.PlugWh)
		}
		if len(parts) == 0 {
			part("times only")
		}
	case r.Sustain != nil:
		part("held %s", r.Sustain.Held)
		part("%d cycles", r.Sustain.Cycles)
	}
	return strings.Join(parts, ", ")
}
