package main

import (
	"rundown/orchestrator/accuracy"
)

// accuracyCmd is for developers: make accuracy.
type accuracyCmd struct {
	Segments int    `help:"Simulated segments for each class of gauge." default:"1000"`
	Seed     uint64 `help:"Changes the fleet." default:"1"`
}

func (c *accuracyCmd) Run(e *env) error {
	rows := accuracy.Table(accuracy.Conditions{Seed: c.Seed, PerClass: c.Segments})
	if e.json {
		return e.printJSON(rows)
	}
	return accuracy.Print(e.out, rows)
}
