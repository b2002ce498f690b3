// Package forecast is the view of the bench that people look at: each handset's level over
// the hours, the nights that runs belong to, and when what is queued will end.
//
// It reads the daemon and its store and changes neither. What it computes from records
// that cannot change any more it keeps in memory, bounded, so that a year of runs does not
// slow down the look at tonight's.
package forecast

import (
	"encoding/json"
	"slices"
	"sync"
	"time"

	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
)

// How often handsets' readings are looked at for their history, how many are kept of
// each handset, and how many ended segments and runs are kept in memory.
const (
	lookEvery    = 500 * time.Millisecond
	readingsKept = 3000
	shapesKept   = 4000
	runsHeldFor  = time.Second
)

// A Reading is a handset's level and temperature outside of what the store keeps.
type Reading struct {
	At    time.Time // when it was read, host clock
	Pct   int       // level, %
	TempC *float64
	State string // of the run at that time
}

// Forecasts watches one daemon. Close ends the watching.
type Forecasts struct {
	d    *orchestrator.Daemon
	stop chan struct{}
	done chan struct{}

	mu       sync.Mutex
	readings map[string][]Reading
	moved    chan struct{}
	version  int64 // rises when anything on the bench has moved

	runsMu sync.Mutex
	runs   []results.Run
	runsAt time.Time

	shapesMu sync.Mutex
	shapes   map[string]Shape   // of ended segments, by ID
	ended    map[string][]Shape // of ended runs, by ID

	unwatch func() // ends what the store tells of its writes

	beside  latest[string, besides] // by what was chosen
	figures latest[reading.FigureFilter, figures]
}

// New begins to watch a daemon that was started.
func New(d *orchestrator.Daemon) *Forecasts {
	o := &Forecasts{
		d: d, stop: make(chan struct{}), done: make(chan struct{}), readings: map[string][]Reading{}, moved: make(chan struct{}),
		shapes: map[string]Shape{}, ended: map[string][]Shape{},
	}
	o.beside.most, o.figures.most = besideKept, figuresKept
	o.unwatch = d.Store().Watch(o.written)
	go o.watch()
	return o
}

// Close ends the watching. It may be called once.
func (o *Forecasts) Close() {
	o.unwatch()
	close(o.stop)
	<-o.done
}

// Moved returns a channel that is closed when a reading has moved, or anything happened.
func (o *Forecasts) Moved() <-chan struct{} {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.moved
}

// Version rises whenever anything on the bench has moved.
func (o *Forecasts) Version() int64 {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.version
}

func (o *Forecasts) watch() {
	defer close(o.done)
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	last := ""
	for {
		_, changed := o.d.Changes(1 << 62)
		list := o.d.Handsets()
		said, _ := json.Marshal(list)
		o.take(list, string(said) != last)
		last = string(said)
		select {
		case <-o.stop:
			return
		case <-tick.C:
		case <-changed:
			o.mu.Lock()
			o.bump()
			o.mu.Unlock()
		}
	}
}

func (o *Forecasts) bump() {
	o.version++
	close(o.moved)
	o.moved = make(chan struct{})
}

// take keeps the readings that say something new.
func (o *Forecasts) take(list []orchestrator.HandsetStatus, moved bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, h := range list {
		if !h.OnBench || h.ReadAt.IsZero() {
			continue
		}
		have := o.readings[h.Name]
		if n := len(have); n > 0 {
			before := have[n-1]
			same := before.Pct == h.LevelPct && before.State == h.State
			if !h.ReadAt.After(before.At) || same && h.ReadAt.Sub(before.At) < time.Minute {
				continue
			}
		}
		have = append(have, Reading{h.ReadAt, h.LevelPct, h.TempC, h.State})
		if len(have) > readingsKept {
			have = slices.Clone(have[len(have)-readingsKept:])
		}
		o.readings[h.Name] = have
	}
	if moved {
		o.bump()
	}
}

// Readings are a handset's readings at or after an instant, oldest first, as far back as
// this daemon has been up.
func (o *Forecasts) Readings(handset string, from time.Time) []Reading {
	o.mu.Lock()
	defer o.mu.Unlock()
	all := o.readings[handset]
	i, _ := slices.BinarySearchFunc(all, from, func(r Reading, t time.Time) int { return r.At.Compare(t) })
	return slices.Clone(all[i:])
}

// Runs are all runs, oldest first, not older than a moment.
func (o *Forecasts) Runs() ([]results.Run, error) {
	o.runsMu.Lock()
	defer o.runsMu.Unlock()
	if time.Since(o.runsAt) < runsHeldFor {
		return slices.Clone(o.runs), nil
	}
	runs, err := o.d.Store().Runs()
	o.runs, o.runsAt = runs, time.Now()
	return slices.Clone(runs), err
}

type figures struct {
	list []reading.ScenarioFigure
	err  error
}

// figuresKept is how many filters' figures are held in memory.
const figuresKept = 200

// Figures are the daemon's figures, computed once for as long as nothing was stored or
// learned of which they are made.
func (o *Forecasts) Figures(f reading.FigureFilter) ([]reading.ScenarioFigure, error) {
	have := o.figures.get(f, o.madeOf(), func() figures {
		list, err := o.d.Reading().Figures(f)
		return figures{list, err}
	})
	return have.list, have.err
}

// madeOf tells what figures are made of now.
func (o *Forecasts) madeOf() version {
	return version{o.d.Reading().StoredVersion(), o.d.Reading().LearnedVersion()}
}
