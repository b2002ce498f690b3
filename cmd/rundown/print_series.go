package main

import (
	"fmt"
	"io"

	"rundown/orchestrator"
)

// printCharges prints what charges say, a block each.
func printCharges(w io.Writer, list []orchestrator.Charge) {
	for _, c := range list {
		fmt.Fprintf(w, "\nCharge %s of %s, %s\n", c.Segment, c.Handset, c.Outcome)
		var rows [][]string
		row := func(name, value string) { rows = append(rows, []string{"  " + name, value}) }
		if c.Supply != "" {
			row("charger and cable", c.Supply)
		}
		if !c.PluggedAt.IsZero() {
			row("power came", fmt.Sprintf("%s, at %d %%", dateTime(c.PluggedAt), c.FromPct))
		}
		for _, t := range c.Times {
			row(fmt.Sprintf("to %d %%", t.LevelPct), inMinutes(t.S))
		}
		for _, s := range c.Spans {
			row(fmt.Sprintf("%d to %d %%", s.FromPct, s.ToPct), inMinutes(s.S))
		}
		if c.FullS != nil {
			row("to full", fmt.Sprintf("%.1f min (%s)", *c.FullS/60, c.FullRule))
		}
		watts := func(name string, i *orchestrator.Interval, unit string) {
			if i != nil {
				row(name, fmt.Sprintf("%.1f %s (%.1f to %.1f)", i.Value, unit, i.Low, i.High))
			}
		}
		watts("peak into the battery", c.PeakW, "W")
		watts("peak arriving", c.PeakSocketW, "W")
		if c.Above90S != nil {
			row("within 90 % of peak", fmt.Sprintf("%.1f min", *c.Above90S/60))
		}
		if c.TaperS != nil && c.TaperPct != nil {
			row("taper sets in", fmt.Sprintf("after %.1f min, at %d %%", *c.TaperS/60, *c.TaperPct))
		}
		watts("energy into the battery", c.BatteryWh, "Wh")
		watts("energy arriving", c.SocketWh, "Wh")
		if c.Efficiency != nil {
			row("efficiency", fmt.Sprintf("%.0f %%", 100**c.Efficiency))
		}
		if c.ChargeMAh != nil {
			row("charge into the battery", fmt.Sprintf("%.0f mAh", *c.ChargeMAh))
		}
		if c.MeanTempC != nil && c.HighestTempC != nil && c.HighestAtPct != nil {
			row("battery temperature", fmt.Sprintf("mean %.1f °C, highest %.1f °C at %d %%", *c.MeanTempC, *c.HighestTempC, *c.HighestAtPct))
		}
		table(w, rows...)
		remark(w, c.Reason, c.Notes)
	}
}

func inMinutes(i orchestrator.Interval) string {
	return fmt.Sprintf("%.1f min (%.1f to %.1f)", i.Value/60, i.Low/60, i.High/60)
}

// printHeatSeries prints what cycles of sustained load say, several workloads beside one
// another.
func printHeatSeries(w io.Writer, list []orchestrator.HeatSeries) {
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
