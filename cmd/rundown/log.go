package main

import (
	"fmt"
)

type logCmd struct {
	Most int `help:"How many entries." default:"50"`
}

func (c *logCmd) Run(e *env) error {
	list, err := e.client.Log(e.ctx, c.Most)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(list)
	}
	rows := [][]string{{"AT", "WHO", "ROLE", "FROM", "WHAT", "ANSWER"}}
	for _, l := range list {
		what := l.What
		if what == "" {
			what = l.Asked
		}
		rows = append(rows, []string{dateTime(l.At), l.Who, l.Role, l.From, what, fmt.Sprint(l.Status)})
	}
	table(e.out, rows...)
	return nil
}
