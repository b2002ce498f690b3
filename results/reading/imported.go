package reading

import (
	"bytes"
	"fmt"
	"time"

	"rundown/results"
	"rundown/results/charging"
	"rundown/results/endurance"
	"rundown/results/logfiles"
	"rundown/results/sustain"
)

// DocumentsImports is the store's kind of imported files as they came, by run.
const DocumentsImports = "imports"

// ImportedFile is a file as it came, with how it is read. It is kept whole, so that the
// figures can be worked out anew.
type ImportedFile struct {
	Run      string                                `json:"run"`
	File     string                                `json:"file"`
	Content  []byte                                `json:"content"`
	Columns  map[logfiles.Quantity]logfiles.Column `json:"columns,omitempty"`
	Only     string                                `json:"only,omitempty"`
	AtChange bool                                  `json:"at_change,omitempty"`
	Target   int                                   `json:"target_points,omitempty"` // as asked for; 0: all
}

// Read reads the log in the file as it was asked for. Its error is logfiles.Faults.
func (f ImportedFile) Read() (logfiles.Log, error) {
	return logfiles.Read(f.File, bytes.NewReader(f.Content), logfiles.Options{Columns: f.Columns, Only: f.Only})
}

// estimate is a segment's figure, measured or imported.
func (rm *Room) estimate(g results.Segment, h results.Handset) (SegmentFigure, endurance.Figure, error) {
	if g.Imported == "" {
		return rm.figure(g, h)
	}
	file, log, err := rm.importedLog(g.RunID)
	if err != nil {
		return SegmentFigure{Segment: g.ID, Reason: why(err)}, endurance.Figure{}, err
	}
	return FigureOfFile(g, h, file, log)
}

func (rm *Room) importedLog(runID string) (ImportedFile, logfiles.Log, error) {
	var file ImportedFile
	if err := rm.store.Document(DocumentsImports, runID, &file); err != nil {
		return file, logfiles.Log{}, fmt.Errorf("the imported file of run %s: %w", runID, err)
	}
	log, err := file.Read()
	return file, log, err
}

// FigureOfFile is the endurance figure of an imported log. Nothing learned on the bench is
// used: counter and current are in the file's own units.
func FigureOfFile(g results.Segment, h results.Handset, file ImportedFile, log logfiles.Log) (SegmentFigure, endurance.Figure, error) {
	samples, err := log.Endurance(file.AtChange)
	if err != nil {
		return SegmentFigure{Segment: g.ID, Reason: why(err)}, endurance.Figure{}, err
	}
	est, err := endurance.Estimate(endurance.Input{
		Samples: samples, ActivityT: log.Rows[0].T, WarmUpS: g.WarmUpS, LoopS: g.LoopS, TargetPoints: file.Target, DesignMAh: h.CapacityMAh, NominalMV: h.NominalMV,
	})
	if err != nil {
		return SegmentFigure{Segment: g.ID, Reason: why(err)}, est, err
	}
	out := segmentFigure(g.ID, est)
	out.Warnings = append([]string{"imported, not measured by rundown"}, out.Warnings...)
	return out, est, nil
}

// FromFile computes a charge from an imported log, whose first line is taken for plug-in.
func (c *Charge) FromFile(g results.Segment, log logfiles.Log) error {
	samples, leveled, err := log.Charge()
	if err != nil {
		return err
	}
	if len(samples) == 0 {
		return charging.ErrTooFewSamples
	}
	c.Imported, c.PluggedAt = true, g.StartedAt
	c.Notes = append(c.Notes, "imported, not measured by rundown: times count from the file's first line")
	fig, err := charging.Estimate(charging.Input{Samples: samples, PlugT: samples[0].T, NoLevels: !leveled})
	if err != nil {
		return err
	}
	if !leveled {
		c.Notes = append(c.Notes, "the file has no levels: nothing is said of times to levels")
	}
	c.take(fig)
	if leveled {
		c.FromPct, c.ToPct = samples[0].LevelPct, samples[len(samples)-1].LevelPct
	}
	if fig.Source == "plug" {
		c.PeakSocketW = fig.PeakW
	}
	if fig.BattWh != nil && fig.PlugWh != nil && fig.PlugWh.Value > 0 {
		e := fig.BattWh.Value / fig.PlugWh.Value
		c.Efficiency = &e
	}
	var stored []results.Sample
	for _, r := range log.Rows {
		if r.TempC != nil {
			s := results.Sample{HostAt: g.StartedAt.Add(r.T - log.Rows[0].T), TempC: r.TempC}
			if r.Level != nil {
				s.LevelPct = int(*r.Level)
			}
			stored = append(stored, s)
		}
	}
	c.temperatures(stored)
	if !leveled {
		c.HighestAtPct, c.TaperPct, c.HotFullS = nil, nil, nil
	}
	return nil
}

// FromFile computes a series from an imported log of scores. Its error is that there are none.
func (h *Sustained) FromFile(g results.Segment, log logfiles.Log) error {
	scores, err := log.Scores()
	if err != nil {
		return err
	}
	h.Form, h.Unit = results.FormCycles, "score"
	var cycles []sustain.Lot
	var readings []sustain.Reading
	for i, score := range scores {
		// The file says in which order the cycles came, not how long each took.
		c := sustain.Lot{From: time.Duration(i) * time.Second, To: time.Duration(i+1) * time.Second, Rate: score}
		cycles = append(cycles, c)
		if t := log.Rows[i].TempC; t != nil {
			readings = append(readings, sustain.Reading{T: c.To, BatteryC: t})
		}
	}
	s := sustain.DescribeCycles(cycles, readings, nil)
	h.Count, h.MeanTempC, h.HighestTempC = len(scores), s.MeanC, s.HighestC
	for i, score := range scores {
		h.Each = append(h.Each, WorkedLot{Lot: i + 1, Rate: score, TempC: log.Rows[i].TempC})
	}
	h.Notes = append(h.Notes, "imported, not measured by rundown")
	h.rated(s)
	return nil
}
