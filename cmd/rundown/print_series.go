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

// printHeatSeries prints what cycles of sustained load say, several workloads beside one
// another.
func printHeatSeries(w io.Writer, list []reading.HeatSeries) {
	if len(list) == 0 {
		return
	}
	fmt.Fprintln(w)
	rows := [][]string{{"HEAT SERIES", "HANDSET", "WORKLOAD", "CYCLES", "FIRST", "PEAK", "SETTLED", "RETAINED (95 %)", "WORST", "THROTTLING", "BATTERY MEAN, HIGHEST", "STATUS", "J A CYCLE", "SCORE PER J"}}
	for _, h := range list {
		row := []string{h.Segment, h.Handset, h.Workload, fmt.Sprint(h.Cycles), fmt.Sprintf("%.5g", h.First), "-", "-", "-", "-", "-", celsius(h.MeanTempC) + ", " + celsius(h.HighestTempC), "-", number(h.EnergyJ), number(h.ScorePerJ)}
		if h.Retained != nil {
			row[5], row[6], row[8] = fmt.Sprintf("%.5g", h.Peak), fmt.Sprintf("%.5g", h.Settled), fmt.Sprintf("%.0f %%", 100*h.Worst)
			row[7] = fmt.Sprintf("%.1f %% (%.1f to %.1f)", 100*h.Retained.Value, 100*h.Retained.Low, 100*h.Retained.High)
			row[9] = "none seen"
			if h.Throttled {
				row[9] = "yes"
			}
			if h.Onset > 0 {
				row[9] = fmt.Sprintf("from cycle %d", h.Onset)
			}
		}
		if h.HighestStatus != nil {
			row[11] = fmt.Sprint(*h.HighestStatus)
		}
		rows = append(rows, row)
	}
	table(w, rows...)
	for _, h := range list {
		remark(w, h.Reason, h.Notes)
	}
}

func number(v *float64) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.4g", *v)
}

func remark(w io.Writer, reason string, notes []string) {
	if reason != "" {
		fmt.Fprintln(w, "  no figure:", reason)
	}
	for _, n := range notes {
		fmt.Fprintln(w, "  note:", n)
	}
}
