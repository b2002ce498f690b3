package logfiles

import (
	"errors"
	"fmt"
	"math"
	"time"

	"rundown/results/charging"
	"rundown/results/endurance"

	"rundown/results/csvtext"
)

// ErrLacks means that the log lacks what the calculation needs.
var ErrLacks = errors.New("the log does not hold what this needs")

// The calculations that a log can serve.
const (
	AsEndurance = "endurance"
	AsCharge    = "charge"
	AsSustain   = "sustain"
)

// As is the calculation that the log looks made for: scores are sustained load, a level that rises or a
// power at a socket is a charge, all else is endurance.
func (l Log) As() string {
	if l.has(Score) {
		return AsSustain
	}
	var first, last *float64
	for _, r := range l.Rows {
		if r.Level != nil {
			if first == nil {
				first = r.Level
			}
			last = r.Level
		}
	}
	switch {
	case l.has(SocketPower), first == nil, *last > *first:
		return AsCharge
	}
	return AsEndurance
}

func (l Log) has(q Quantity) bool { _, ok := l.Taken[q]; return ok }

// How far the moments of a hand-timed log may be off, and how densely what was watched between them is
// told to the calculator.
const (
	handS  = 2 * time.Second
	watchS = 10 * time.Second
)

// Endurance is the log as the endurance calculator takes it; lines without a level are left out.
//
// atChange says that each line is the moment at which a person saw the level change (good to 2 s), and that
// the level was watched in between. Without it a line is a reading at any moment, and the change lies
// somewhere between two lines.
func (l Log) Endurance(atChange bool) ([]endurance.Sample, error) {
	if !l.has(Level) {
		return nil, l.lacks("endurance needs a level against time, and no column is a level")
	}
	var list []endurance.Sample
	for _, r := range l.Rows {
		level, ok, err := l.whole(r)
		if err != nil {
			return nil, err
		}
		if !ok {
			continue
		}
		if n := len(list); n > 0 && atChange {
			shown := list[n-1].LevelPct
			for t := list[n-1].T + watchS; t < r.T-handS; t += watchS {
				list = append(list, endurance.Sample{T: t, LevelPct: shown})
			}
			if t := r.T - handS; t > list[len(list)-1].T {
				list = append(list, endurance.Sample{T: t, LevelPct: shown})
			}
		}
		list = append(list, endurance.Sample{T: r.T, LevelPct: level, Counter: r.Counter, Current: r.Current, VoltageMV: r.VoltageMV, Plugged: r.Plugged})
	}
	return list, nil
}

// AtChange says whether the log looks as if each line were a change of the level: every line is a point
// below the one before, and the lines are far apart.
func (l Log) AtChange() bool {
	for i, r := range l.Rows {
		if r.Level == nil || i > 0 && (*r.Level != *l.Rows[i-1].Level-1 || r.T-l.Rows[i-1].T < time.Minute) {
			return false
		}
	}
	return len(l.Rows) > 2
}

// Charge is the log as the charging calculator takes it. Without a column of levels all levels are 0 and
// leveled is false: nothing that is said of levels then holds.
func (l Log) Charge() (list []charging.Sample, leveled bool, err error) {
	if !l.has(Level) && !l.has(BatteryPower) && !l.has(SocketPower) {
		return nil, false, l.lacks("a charge needs a level or a power against time")
	}
	for _, r := range l.Rows {
		s := charging.Sample{T: r.T, BattW: r.BatteryW, PlugW: r.SocketW, Full: r.Full}
		if l.has(Level) {
			level, ok, err := l.whole(r)
			if err != nil {
				return nil, false, err
			}
			if !ok {
				continue
			}
			s.LevelPct = level
		}
		list = append(list, s)
	}
	return list, l.has(Level), nil
}

// Scores are the scores of the cycles in order.
func (l Log) Scores() ([]float64, error) {
	if !l.has(Score) {
		return nil, l.lacks("sustained load needs a score a cycle, and no column is a score")
	}
	list := make([]float64, len(l.Rows))
	for i, r := range l.Rows {
		list[i] = *r.Score
	}
	return list, nil
}

func (l Log) lacks(says string) error {
	return fmt.Errorf("%s: %w: %s", csvtext.Plain(l.File), ErrLacks, says)
}

// whole is a row's level, which the calculators take in the whole per cent that a handset shows.
func (l Log) whole(r Row) (level int, ok bool, err error) {
	if r.Level == nil {
		return 0, false, nil
	}
	if *r.Level != math.Trunc(*r.Level) {
		return 0, false, Faults{{File: l.File, Line: r.Line, Says: fmt.Sprintf("%s: want the whole per cent that the handset shows, got %g", heading(l.Taken[Level].Name), *r.Level)}}
	}
	return int(*r.Level), true, nil
}
