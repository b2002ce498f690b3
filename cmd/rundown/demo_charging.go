package main

import (
	"fmt"

	"rundown/orchestrator/demo"
)

// printChargingNight sets the night's charges beside the truth of the simulated cells.
func (e *env) printChargingNight(seed int64, d *demo.Demo) error {
	list, err := d.Charges()
	if err != nil {
		return err
	}
	if e.json {
		return e.printJSON(map[string]any{"seed": seed, "simulated": true, "charges": list})
	}
	rows := [][]string{{"HANDSET", "TO 50 %", "TO 80 %", "TO 95 %", "FULL", "PEAK INTO CELL", "PEAK ARRIVING", "ARRIVING", "INTO CELL", "EFFICIENCY", "mAh", "TRUTH", "ERROR", "NOTE"}}
	for _, c := range list {
		row := []string{c.Handset, "-", "-", "-", "-", "-", "-", "-", "-", "-", "-", "-", "-", c.Reason}
		for i, level := range []int{50, 80, 95} {
			for _, t := range c.Times {
				if t.LevelPct == level && t.S != nil {
					row[1+i] = fmt.Sprintf("%.0f min", t.S.Value/60)
				}
			}
		}
		if c.FullS != nil {
			row[4] = fmt.Sprintf("%.0f min", *c.FullS/60)
		}
		if c.PeakW != nil {
			row[5] = fmt.Sprintf("%.1f W", c.PeakW.Value)
		}
		if c.PeakSocketW != nil {
			row[6] = fmt.Sprintf("%.1f W", c.PeakSocketW.Value)
		}
		if c.SocketWh != nil {
			row[7] = fmt.Sprintf("%.2f Wh", c.SocketWh.Value)
		}
		if c.BatteryWh != nil {
			row[8] = fmt.Sprintf("%.2f Wh", c.BatteryWh.Value)
		}
		if c.Efficiency != nil {
			row[9] = fmt.Sprintf("%.0f %%", 100**c.Efficiency)
		}
		if c.ChargeMAh != nil {
			row[10], row[11], row[12] = fmt.Sprintf("%.0f", *c.ChargeMAh), fmt.Sprintf("%.0f", c.TruthMAh), fmt.Sprintf("%+.1f %%", c.ErrorPct)
		}
		rows = append(rows, row)
	}
	table(e.out, rows...)
	fmt.Fprintln(e.out, "Simulated handsets, chargers and meters: these figures are no phone's. Each handset was emptied to 2 % by a game first; truth is the charge of the simulated cell.")
	return nil
}
