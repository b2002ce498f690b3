package orchestrator

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rundown/results"
	"rundown/results/calculate"
	"rundown/results/endurance"
	"rundown/results/logfiles"
	"rundown/results/reading"
	"rundown/scenarios"
)

// ErrImported means that the same file is in the store already.
var ErrImported = errors.New("already imported")

// An ImportRequest brings in figures that rundown did not measure: one log of one handset.
type ImportRequest struct {
	File    string // its name, for messages and the record
	Content []byte // CSV

	Handset     string  // by name; need not be on the bench
	Model       string  // these three: of the bench's handset where it is on the bench and nothing is said
	CapacityMAh float64 // maker's rated capacity, 0 not known
	NominalMV   float64 // maker's nominal cell voltage, 0 not known
	Build       string  // OS build, where it is known
	Scenario    string  // what the handset did; "charge" and "sustain" of such logs
	Plan        string  // what a comparison takes for its plan; empty: not known
	As          string  // what the file serves; empty: by what its columns are

	Columns      map[logfiles.Quantity]logfiles.Column
	Only         string    // one of several logs in the file
	AtChange     *bool     // each line is the moment of a change of level; nil: by how the log looks
	WarmUpS      float64   // left out at the beginning, s
	LoopS        float64   // length of the script's loop, s; 0 not known
	TargetPoints int       // 0: all that was drained
	Started      time.Time // when the log begins; zero: as the file says
	Note         string
	By           string // who imports it
	DryRun       bool   // read, check and calculate, and store nothing
}

// An Import is what became of an ImportRequest.
type Import struct {
	DryRun   bool                   `json:"dry_run,omitempty"`
	Run      results.Run            `json:"run"`
	Segment  results.Segment        `json:"segment"`
	Rows     int                    `json:"rows"`
	Ignored  []string               `json:"ignored_columns,omitempty"`
	Figure   *reading.SegmentFigure `json:"figure,omitempty"` // of endurance
	Charge   *reading.Charge        `json:"charge,omitempty"`
	Sustain  *reading.Sustained     `json:"sustain,omitempty"`
	Reason   string                 `json:"reason,omitempty"` // why there is no figure
	Warnings []string               `json:"warnings,omitempty"`
	Taken    map[string]string      `json:"columns"` // quantity to "heading@unit"
}

// Import reads a log, works its figure out and stores both. What is wrong with the request
// is ErrRequest, what is wrong with the file logfiles.Faults; the same log of the same
// handset again is ErrImported. Nothing is stored then.
func (d *Daemon) Import(q ImportRequest) (Import, error) {
	q.Handset = strings.TrimSpace(q.Handset)
	if err := q.check(d.file.LineUps); err != nil {
		return Import{}, fmt.Errorf("%w: %w", ErrRequest, err)
	}
	file := reading.ImportedFile{File: filepath.Base(q.File), Content: q.Content, Columns: q.Columns, Only: q.Only, Target: q.TargetPoints}
	log, err := file.Read()
	if err == nil {
		err = q.decide(log)
	}
	if err != nil {
		return Import{}, fmt.Errorf("%w: %w", ErrRequest, err)
	}
	file.AtChange = *q.AtChange
	run := d.importedRun(q, log)
	file.Run = run.ID
	g, err := importedSegment(q, log, run)
	if err != nil {
		return Import{}, fmt.Errorf("%w: %w", ErrRequest, err)
	}
	samples := importedSamples(log, run.StartedAt.Add(-log.Rows[0].T))
	g.Samples = len(samples)
	out := Import{Run: run, Segment: g, DryRun: q.DryRun, Rows: len(log.Rows), Ignored: log.Ignored, Taken: run.Imported.Columns}
	if err := out.workOut(file, log); err != nil {
		return Import{}, fmt.Errorf("%w: %w", ErrRequest, err)
	}
	if run.Imported.UndatedStart {
		out.Warnings = append(out.Warnings, "the file does not say when the log began, and nobody did: it is dated to its import")
	}
	if file.AtChange {
		out.Warnings = append(out.Warnings, "each line is taken for the moment at which the level was seen to change")
	}
	if before, ok := d.importedBefore(run, g, q.Only); ok {
		return out, fmt.Errorf("%w: %s of %s is run %s; delete that first to import it again", ErrImported, file.File, q.Handset, before)
	}
	if q.DryRun {
		return out, nil
	}
	if err := d.storeImport(run, g, file, samples); err != nil {
		return Import{}, err
	}
	d.publish(Change{Handset: q.Handset, Run: run.ID, Kind: "segment", Text: g.Scenario + " imported from " + file.File})
	return out, nil
}

// check says what is wrong with a request before its file is read.
func (q ImportRequest) check(lineUps map[string]scenarios.LineUp) error {
	switch name := q.Handset; {
	case name == "" || len(name) > 60 || strings.ContainsFunc(name, func(c rune) bool { return c < ' ' || c == 0x7f }):
		return errors.New("an imported log needs the name of its handset, of 1 to 60 characters")
	case lineUps[name].Name != "":
		return fmt.Errorf("%q is a line-up of the plan file: a comparison could not tell it from the handset", name)
	case len(q.Content) == 0:
		return errors.New("the file is empty")
	case len(q.Note) > 2000:
		return fmt.Errorf("a note of %d bytes: want at most 2000", len(q.Note))
	}
	for _, v := range []struct {
		what  string
		value float64
	}{
		{"capacity", q.CapacityMAh}, {"nominal voltage", q.NominalMV}, {"warm-up", q.WarmUpS}, {"loop", q.LoopS}, {"points", float64(q.TargetPoints)},
	} {
		if !(v.value >= 0) || math.IsInf(v.value, 0) {
			return fmt.Errorf("%s: want 0 or more, got %g", v.what, v.value)
		}
	}
	return calculate.Capacity(q.CapacityMAh)
}

// decide fills in what the log itself says and the request left open.
func (q *ImportRequest) decide(log logfiles.Log) error {
	if q.As == "" {
		q.As = log.As()
	}
	if !slices.Contains([]string{results.AsEndurance, results.AsCharge, results.AsSustain}, q.As) {
		return fmt.Errorf("as: want endurance, charge or sustain, got %q", q.As)
	}
	if q.AtChange == nil {
		atChange := q.As == results.AsEndurance && log.AtChange()
		q.AtChange = &atChange
	}
	if q.Scenario == "" && q.As != results.AsEndurance {
		q.Scenario = q.As
	}
	if q.Scenario == "" {
		return errors.New("what did the handset do? Name the scenario, such as video")
	}
	if q.Started.IsZero() {
		q.Started = log.Start
	}
	return nil
}

// importedRun is the record of the run that a log was made in.
func (d *Daemon) importedRun(q ImportRequest, log logfiles.Log) results.Run {
	sum, now := sha256.Sum256(q.Content), d.now()
	run := results.Run{
		ID: newID("r", now), Handset: d.importedHandset(q.Handset, q), Plan: q.Plan, QueuedAt: now, StartedAt: orElse(q.Started, now).UTC(), State: string(Done),
		Imported: &results.Imported{
			File: filepath.Base(q.File), SHA256: hex.EncodeToString(sum[:]), At: now, By: q.By, As: q.As, Columns: map[string]string{}, AtChange: *q.AtChange,
			UndatedStart: q.Started.IsZero(),
		},
	}
	run.EndedAt = run.StartedAt.Add(log.Rows[len(log.Rows)-1].T - log.Rows[0].T)
	for quantity, c := range log.Taken {
		text := c.Name
		if c.Unit != "" {
			text += "@" + c.Unit
		}
		run.Imported.Columns[string(quantity)] = text
	}
	if q.Note != "" {
		run.Notes = append(run.Notes, results.Note{At: now, Text: q.Note})
	}
	return run
}

// importedSegment is the record of what was logged.
func importedSegment(q ImportRequest, log logfiles.Log, run results.Run) (results.Segment, error) {
	g := results.Segment{
		ID: run.ID + "-01-1", RunID: run.ID, Handset: q.Handset, Plan: q.Plan, Scenario: q.Scenario, Index: 1, Repeat: 1, Attempt: 1,
		Outcome: results.Measured, Imported: q.As, LoopS: q.LoopS, WarmUpS: q.WarmUpS, TargetPoints: q.TargetPoints,
		StartedAt: run.StartedAt, EndedAt: run.EndedAt, EndedBy: "imported", ActivityUpS: log.Rows[0].T.Seconds(),
	}
	if q.As != results.AsEndurance {
		return g, nil
	}
	read, err := log.Endurance(*q.AtChange)
	if err != nil {
		return g, err
	}
	for _, e := range endurance.Edges(read) {
		g.Edges = append(g.Edges, results.Edge{LevelPct: e.LevelPct, LoUpMS: e.Lo.Milliseconds(), HiUpMS: e.Hi.Milliseconds()})
	}
	if g.TargetPoints == 0 && len(g.Edges) > 0 {
		g.TargetPoints = g.Edges[0].LevelPct - g.Edges[len(g.Edges)-1].LevelPct
	}
	return g, nil
}

// workOut puts the log's figure into the import, or says why there is none. An error is the file's.
func (m *Import) workOut(file reading.ImportedFile, log logfiles.Log) error {
	g := m.Segment
	switch g.Imported {
	case results.AsEndurance:
		figure, _, err := reading.FigureOfFile(g, m.Run.Handset, file, log)
		if err != nil {
			m.Reason = why(err)
			return nil
		}
		m.Figure = &figure
	case results.AsCharge:
		c := reading.Charge{Segment: g.ID, Run: g.RunID, Handset: g.Handset, Scenario: g.Scenario, Outcome: g.Outcome}
		switch err := c.FromFile(g, log); {
		case errors.Is(err, logfiles.ErrLacks) || errors.As(err, new(logfiles.Faults)):
			return err
		case err != nil:
			m.Reason = why(err)
		default:
			m.Charge = &c
		}
	case results.AsSustain:
		h := reading.Sustained{Segment: g.ID, Run: g.RunID, Handset: g.Handset, Scenario: g.Scenario, Outcome: g.Outcome, Workload: g.Scenario, Imported: true}
		if err := h.FromFile(g, log); err != nil {
			return err
		}
		if m.Reason = h.Reason; h.Reason == "" {
			m.Sustain = &h
		}
	}
	return nil
}

// storeImport stores an import whole, or nothing of it.
func (d *Daemon) storeImport(run results.Run, g results.Segment, file reading.ImportedFile, samples []results.Sample) error {
	if err := d.store.PutDocument(reading.DocumentsImports, run.ID, file); err != nil {
		return err
	}
	err := d.store.PutSegment(g)
	if err == nil && len(samples) > 0 {
		_, err = d.store.AppendSamples(g.ID, samples)
	}
	if err == nil {
		err = d.store.PutRun(run)
	}
	if err != nil {
		_ = d.store.PutRun(run)
		return errors.Join(err, d.store.DeleteImported(run.ID), d.store.DeleteDocument(reading.DocumentsImports, run.ID))
	}
	return nil
}

// DeleteImport takes an import back: run, segment, samples and file. results.ErrNotFound
// and results.ErrMeasured leave everything as it is.
func (d *Daemon) DeleteImport(runID string) (results.Run, error) {
	r, err := d.store.Run(runID)
	if err != nil {
		return r, err
	}
	if err := d.store.DeleteImported(runID); err != nil {
		return r, err
	}
	annotations, err := d.store.Annotations(runID)
	for _, a := range annotations {
		err = errors.Join(err, d.store.DeleteAnnotation(runID, a.ID))
	}
	err = errors.Join(err, d.store.DeleteDocument(reading.DocumentsImports, runID))
	d.publish(Change{Handset: r.Handset.Name, Run: runID, Kind: "segment", Text: "import of " + r.Imported.File + " deleted"})
	return r, err
}

// importedHandset is the handset of an imported log: the bench's of that name, or one that
// is known by its name alone.
func (d *Daemon) importedHandset(name string, q ImportRequest) results.Handset {
	h := results.Handset{Name: name, Serial: "imported " + name, Model: q.Model, Build: q.Build, CapacityMAh: q.CapacityMAh, NominalMV: q.NominalMV}
	for _, on := range d.file.Bench.Handsets {
		if on.Name != name {
			continue
		}
		h.Serial = on.Serial
		if h.CapacityMAh == 0 {
			h.CapacityMAh = on.CapacityMAh
		}
		if h.NominalMV == 0 {
			h.NominalMV = on.NominalMV
		}
		if h.Model == "" {
			runs, _ := d.store.Runs()
			for _, r := range runs {
				if r.Handset.Serial == on.Serial && r.Imported == nil {
					h.Model = r.Handset.Model
				}
			}
		}
	}
	return h
}

// importedBefore finds the run that the same log of the same handset was imported as.
func (d *Daemon) importedBefore(run results.Run, g results.Segment, only string) (string, bool) {
	runs, _ := d.store.Runs()
	for _, r := range runs {
		if r.Imported == nil || r.Imported.SHA256 != run.Imported.SHA256 || r.Handset.Name != run.Handset.Name || r.Imported.As != run.Imported.As {
			continue
		}
		var f reading.ImportedFile
		if err := d.store.Document(reading.DocumentsImports, r.ID, &f); err == nil && f.Only == only {
			if segments, _ := d.store.Segments(r.ID); len(segments) == 1 && segments[0].Scenario == g.Scenario {
				return r.ID, true
			}
		}
	}
	return "", false
}

// importedSamples are a log's readings of the level as samples are stored. Powers and scores
// have no place there; they stay in the file.
func importedSamples(log logfiles.Log, start time.Time) (list []results.Sample) {
	whole := func(v *float64) *int64 {
		if v == nil || *v != math.Trunc(*v) || math.Abs(*v) > 1<<53 {
			return nil
		}
		n := int64(*v)
		return &n
	}
	rounded := func(v *float64) *int64 {
		if v == nil {
			return nil
		}
		n := int64(math.Round(*v))
		return &n
	}
	for _, r := range log.Rows {
		if r.Level == nil || *r.Level != math.Trunc(*r.Level) {
			continue
		}
		s := results.Sample{
			Seq: len(list) + 1, HostAt: start.Add(r.T), UptimeMS: r.T.Milliseconds(), LevelPct: int(*r.Level),
			CounterRaw: whole(r.Counter), CurrentRaw: whole(r.Current), VoltageMV: rounded(r.VoltageMV), TempC: r.TempC,
		}
		if r.Full {
			s.Status = 5
		}
		if r.Plugged {
			s.Plugged = 1
		}
		list = append(list, s)
	}
	return list
}
