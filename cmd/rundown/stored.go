package main

import (
	"errors"
	"fmt"
	"io/fs"
	"time"

	"rundown/orchestrator"
	"rundown/orchestrator/api"
	"rundown/results"
	"rundown/results/reading"
	"rundown/scenarios"
)

// storeFlags have a verb read a store file in the daemon's place.
type storeFlags struct {
	Store    string `help:"Read this store, or a backup of one, instead of asking the daemon. Nothing in it is changed." placeholder:"FILE"`
	PlanFile string `name:"file" help:"With --store: the plan file that has the day mixes, the line-ups, and what meters and chargers are good to." placeholder:"FILE"`
}

// asked is what a verb works with where a store file may stand in the daemon's place. done ends it.
func (f storeFlags) asked(e *env) (_ *env, done func(), err error) {
	switch {
	case f.Store == "" && f.PlanFile != "":
		return nil, nil, errors.New("--file goes with --store: a daemon has its own plan file")
	case f.Store == "":
		return e, func() {}, nil
	}
	store, err := results.OpenReadOnly(f.Store)
	switch {
	case errors.Is(err, results.ErrInUse):
		return nil, nil, fmt.Errorf("--store %w: a daemon holds it. Ask that daemon (leave out --store), or read a copy: make one with `rundown backup -o FILE`", err)
	case errors.Is(err, fs.ErrNotExist):
		return nil, nil, fmt.Errorf("--store %s: there is no such file", f.Store)
	case err != nil:
		return nil, nil, fmt.Errorf("--store %w", err)
	}
	done = func() { _ = store.Close() } // nothing was written
	note := func(what string, err error) {
		if err != nil {
			fmt.Fprintf(e.errOut, "note: %s is incomplete: %s\n", what, err)
		}
	}
	var file scenarios.File
	if f.PlanFile != "" {
		if file, err = scenarios.Load(f.PlanFile); err != nil {
			done()
			return nil, nil, err
		}
	}
	var room *reading.Room
	if err := results.Undamaged(func() (err error) {
		if f.PlanFile == "" {
			file, err = reading.BenchOf(store)
			note("the list of handsets", err)
		}
		room, err = reading.Open(store, file, time.Now, orchestrator.OwedBy(store))
		note("what was learned of handsets", err)
		return nil
	}); err != nil {
		done()
		return nil, nil, fmt.Errorf("--store %s: %w", f.Store, err)
	}
	with := *e
	with.client = api.OfStore(api.ForStore(store, room, note))
	return &with, done, nil
}
