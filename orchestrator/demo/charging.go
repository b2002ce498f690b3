package demo

import (
	"context"
	_ "embed"

	"rundown/devices/simulated"
	"rundown/devices/simulated/instruments"
	"rundown/results/reading"
	"rundown/scenarios"
)

//go:embed charging.yaml
var chargingFile []byte

// ChargingPlan is the plan that the charging night queues: emptied to 2 % by a stated load,
// then charged to full.
const ChargingPlan = "charging"

// nearlyEmpty is the level, %, at which the handsets of the charging night begin, so that
// it is about charging.
const nearlyEmpty = 5.0

// chargerWatts is what each handset lets into its cell at most, W; they differ.
var chargerWatts = []float64{33, 27, 22, 30}

// NewCharging starts the bench on its chargers, the daemon, and the charging night's queue.
func NewCharging(ctx context.Context, o Options) (*Demo, error) {
	return start(ctx, o, "charging.yaml", chargingFile, ChargingPlan, func(i int, h *simulated.Options) {
		h.LevelPct, h.Charger.MaxW = nearlyEmpty+0.3*float64(i), chargerWatts[i%len(chargerWatts)]
	})
}

// serveMeters puts a simulated instrument behind each meter of the file.
func (d *Demo) serveMeters(file *scenarios.File) error {
	for i, m := range file.Bench.Meters {
		h := d.handsets[m.Handset]
		if m.Room {
			h = d.handsets[file.Bench.Handsets[0].Name]
		}
		options := instruments.PowerMeter(h, 20, 22)
		options.Seed = uint64(i)
		in, err := instruments.Serve("127.0.0.1:0", options)
		if err != nil {
			return err
		}
		d.stop = append(d.stop, in.Close)
		scpi := *m.SCPI
		scpi.Address = in.Addr()
		file.Bench.Meters[i].SCPI = &scpi
	}
	return nil
}

// A ChargeRow is a charge of the night beside the truth of the simulated cell.
type ChargeRow struct {
	reading.Charge
	// TruthMAh is what went into the simulated cell, mAh; known to half a point of the level
	// at which the charge began.
	TruthMAh float64 `json:"truth_mah"`
	ErrorPct float64 `json:"error_pct"` // of the charge into the battery
}

// Charges are the night's charges, by handset in the bench's order.
func (d *Demo) Charges() ([]ChargeRow, error) {
	list, err := d.Daemon.Reading().Charges(reading.FigureFilter{})
	if err != nil {
		return nil, err
	}
	var rows []ChargeRow
	for _, h := range d.Daemon.File().Bench.Handsets {
		for _, c := range list {
			if c.Handset != h.Name {
				continue
			}
			row := ChargeRow{Charge: c, TruthMAh: d.capacity[c.Handset] * (d.handsets[c.Handset].TrueSoC() - (float64(c.FromPct)-0.5)/100)}
			if c.ChargeMAh != nil && row.TruthMAh > 0 {
				row.ErrorPct = 100 * (*c.ChargeMAh/row.TruthMAh - 1)
			}
			rows = append(rows, row)
		}
	}
	return rows, nil
}
