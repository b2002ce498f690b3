package main

import (
	"fmt"
	"io"

	"rundown/results/reading"
)

// printCharges prints what charges say, a block each.
func printCharges(w io.Writer, list []reading.Charge) {
	for _, c := range list {
		fmt.Fprintf(w, "\nCharge %s of %s, %s\n", c.Segment, c.Handset, c.Outcome)
		var rows [][]string
		for _, r := range c.Rows() {
			rows = append(rows, []string{"  " + r[0], r[1]})
		}
		table(w, rows...)
		remark(w, c.Reason, c.Notes)
	}
}

// printSustained prints what sustained work says, a block each.
func printSustained(w io.Writer, list []reading.Sustained) {
	for _, h := range list {
		fmt.Fprintf(w, "\nSustained load %s of %s, %s, %s\n", h.Segment, h.Handset, h.Workload, h.Outcome)
		var rows [][]string
		for _, r := range h.Rows() {
			rows = append(rows, []string{"  " + r[0], r[1]})
		}
		table(w, rows...)
		remark(w, h.Reason, h.Notes)
	}
}

func remark(w io.Writer, reason string, notes []string) {
	if reason != "" {
		fmt.Fprintln(w, "  no figure:", reason)
	}
	for _, n := range notes {
		fmt.Fprintln(w, "  note:", n)
	}
}
