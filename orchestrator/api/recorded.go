package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"rundown/orchestrator/api/forecast"
	"rundown/results"
	"rundown/results/reading"
	"rundown/results/report"
)

// recorded answers what is read of a store: of a daemon's, or of a file that no daemon has open.
type recorded struct {
	store *results.Store
	room  *reading.Room
	// These three are the room's own, or a daemon's that keeps in memory what they have said.
	figuresOf     func(reading.FigureFilter) ([]reading.ScenarioFigure, error)
	besideOf      func(reading.Choice) (reading.Beside, error)
	nightReportOf func(night string) (report.Report, error)
	// incomplete is told of an answer that lacks something, with why.
	incomplete func(what string, err error)
}

// registerRecorded makes the routes of what was recorded.
func (s *Server) registerRecorded(described huma.API) {
	get(s, described, "/v1/runs", "runs", "Runs, newest first", s.runs)
	get(s, described, "/v1/runs/{id}", "run", "One run with its segments, conditions, drift, evidence and figures", s.run)
	get(s, described, "/v1/segments", "segments", "Segments, newest first, without their evidence", s.segments)
	get(s, described, "/v1/segments/{id}", "segment", "One segment with conditions, drift and evidence", s.segment)
	get(s, described, "/v1/segments/{id}/samples", "segment-samples", "A segment's samples, thinned for a picture: every level edge stays", s.samples)
	get(s, described, "/v1/figures", "figures", "Endurance by handset and scenario, and day mixes", s.figures)
	s.registerCompare(described)
	s.handle(Reader, "GET /v1/export/{table}", "export", s.export)
	s.registerReports()
}

type runsInput struct {
	Page
	Handset string    `query:"handset"`
	Plan    string    `query:"plan"`
	Night   string    `query:"night"`
	State   string    `query:"state" doc:"the run's state, such as Done or Stopped"`
	From    time.Time `query:"from" doc:"only runs begun at or after this instant"`
	To      time.Time `query:"to" doc:"only runs begun before this instant"`
}

func wanted(want, have string) bool { return want == "" || want == have }

func within(from, to, at time.Time) bool {
	return (from.IsZero() || !at.Before(from)) && (to.IsZero() || at.Before(to))
}

func (in *runsInput) wants(r results.Run) bool {
	return wanted(in.Handset, r.Handset.Name) && wanted(in.Plan, r.Plan) && wanted(in.Night, r.Night) && wanted(in.State, r.State) && within(in.From, in.To, r.StartedAt)
}

// runs reads from the newest run backwards until the page is full.
func (s *recorded) runs(_ context.Context, in *runsInput) (*paged[results.Run], error) {
	if in.After != "" {
		if _, err := s.store.Run(in.After); err != nil {
			return nil, noSuchAfter(in.After)
		}
	}
	list := []results.Run{}
	err := s.store.RunsBack(in.After, func(r results.Run) bool {
		if in.wants(r) {
			list = append(list, r)
		}
		return len(list) <= in.Limit
	})
	if err != nil && len(list) == 0 {
		return nil, problem(err)
	}
	return firstPage(list, in.Page, func(r results.Run) string { return r.ID })
}

// A RunDetail is a run with all that belongs to it but the samples.
type RunDetail struct {
	Run      results.Run              `json:"run"`
	Segments []results.Segment        `json:"segments"` // with conditions, drift and evidence
	Figures  []reading.ScenarioFigure `json:"figures"`
	// Charges and Sustained are what segments say that charged, or worked for long.
	Charges   []reading.Charge    `json:"charges,omitempty"`
	Sustained []reading.Sustained `json:"sustained,omitempty"`
	// Annotations are what people have said of the run, oldest first.
	Annotations []results.Annotation `json:"annotations"`
	// Prompts are what a person was asked during the run, oldest first.
	Prompts []results.Prompt `json:"prompts"`
}

func (s *recorded) run(_ context.Context, in *itemInput) (*body[RunDetail], error) {
	r, err := s.store.Run(in.ID)
	if err != nil {
		return nil, problem(err)
	}
	segments, err := s.store.Segments(in.ID)
	if err != nil && len(segments) == 0 {
		return nil, problem(err)
	}
	figures, err := s.figuresOf(reading.FigureFilter{Run: in.ID, Handset: r.Handset.Name})
	if err != nil && len(figures) == 0 {
		return nil, problem(err)
	}
	of := reading.FigureFilter{Run: in.ID}
	charges, err := s.room.Charges(of)
	if err != nil && len(charges) == 0 {
		return nil, problem(err)
	}
	worked, err := s.room.Sustained(of)
	if err != nil && len(worked) == 0 {
		return nil, problem(err)
	}
	annotations, err := s.room.Annotations(in.ID)
	if err != nil && len(annotations) == 0 {
		return nil, problem(err)
	}
	prompts, err := s.store.Prompts(in.ID)
	if err != nil && len(prompts) == 0 {
		return nil, problem(err)
	}
	return &body[RunDetail]{RunDetail{r, segments, figures, charges, worked, annotations, prompts}}, nil
}

type segmentsInput struct {
	Page
	Run      string    `query:"run"`
	Handset  string    `query:"handset"`
	Scenario string    `query:"scenario"`
	Plan     string    `query:"plan"`
	Outcome  string    `query:"outcome" enum:"measured,flagged,spoiled,cancelled,skipped,underway"`
	From     time.Time `query:"from" doc:"only segments begun at or after this instant"`
	To       time.Time `query:"to" doc:"only segments begun before this instant"`
}

func (in *segmentsInput) wants(g results.Segment) bool {
	return wanted(in.Scenario, g.Scenario) && wanted(in.Outcome, g.Outcome) && within(in.From, in.To, g.StartedAt)
}

// segments goes from run to run, newest first, until the page is full: a year of runs is
// not read for the latest few segments.
func (s *recorded) segments(_ context.Context, in *segmentsInput) (*paged[results.Segment], error) {
	list := []results.Segment{}
	// take takes a run's segments, latest first, and reports whether the page is full.
	take := func(runID string) (full bool, err error) {
		segments, err := s.store.Segments(runID)
		if err != nil && len(segments) == 0 {
			return false, err
		}
		slices.Reverse(segments)
		if i := slices.IndexFunc(segments, func(g results.Segment) bool { return g.ID == in.After }); i >= 0 {
			segments = segments[i+1:]
		}
		for _, g := range segments {
			if in.wants(g) {
				g.Evidence = nil
				list = append(list, g)
			}
		}
		return len(list) > in.Limit, nil
	}
	first := "" // the run in which the page before ended
	if in.After != "" {
		last, err := s.store.Segment(in.After)
		if err != nil || last.RunID == "" || !wanted(in.Run, last.RunID) {
			return nil, noSuchAfter(in.After)
		}
		first = last.RunID
		if _, err := take(first); err != nil {
			return nil, problem(err)
		}
	}
	if in.Run != "" {
		if first == "" {
			if _, err := take(in.Run); err != nil {
				return nil, problem(err)
			}
		}
		return firstPage(list, in.Page, func(g results.Segment) string { return g.ID })
	}
	for from := first; len(list) <= in.Limit; {
		// A few runs at a time: reading their segments is a transaction of its own, which
		// must not begin inside of another.
		var some []results.Run
		read := s.store.RunsBack(from, func(r results.Run) bool {
			some = append(some, r)
			return len(some) < 20
		})
		if len(some) == 0 {
			if read != nil && len(list) == 0 {
				return nil, problem(read)
			}
			break
		}
		from = some[len(some)-1].ID
		for _, r := range some {
			if !wanted(in.Handset, r.Handset.Name) || !wanted(in.Plan, r.Plan) || !in.To.IsZero() && !r.StartedAt.Before(in.To) {
				continue
			}
			full, err := take(r.ID)
			if err != nil {
				return nil, problem(err)
			}
			if full {
				break
			}
		}
	}
	return firstPage(list, in.Page, func(g results.Segment) string { return g.ID })
}

func (s *recorded) segment(_ context.Context, in *itemInput) (*body[results.Segment], error) {
	g, err := s.store.Segment(in.ID)
	if err != nil {
		return nil, problem(err)
	}
	return &body[results.Segment]{g}, nil
}

type samplesInput struct {
	ID     string  `path:"id"`
	EveryS float64 `query:"every_s" minimum:"0" doc:"least time between two samples, s; level edges stay whatever it is; 0: no thinning"`
	Most   int     `query:"most" minimum:"0" maximum:"100000" doc:"about how many samples at most; 0: all"`
}

func (s *recorded) samples(_ context.Context, in *samplesInput) (*body[[]results.Sample], error) {
	if _, err := s.store.Segment(in.ID); err != nil {
		return nil, problem(err)
	}
	list, err := s.store.Samples(in.ID)
	if err != nil && len(list) == 0 {
		return nil, problem(err)
	}
	list = forecast.Thin(list, time.Duration(in.EveryS*float64(time.Second)), in.Most)
	if list == nil {
		list = []results.Sample{}
	}
	return &body[[]results.Sample]{list}, nil
}

// export streams one table; it is outside huma because its body is not JSON.
func (s *recorded) export(w http.ResponseWriter, r *http.Request) {
	refuse := func(err error) { writeProblem(w, http.StatusUnprocessableEntity, err.Error()) }
	table, err := results.TableNamed(r.PathValue("table"))
	if err != nil {
		writeProblem(w, http.StatusNotFound, err.Error())
		return
	}
	q := r.URL.Query()
	for name := range q {
		if !slices.Contains([]string{"handset", "run", "plan", "scenario", "from", "to", "format"}, name) {
			refuse(fmt.Errorf("there is no filter %q", name))
			return
		}
	}
	f := results.Filter{Handset: q.Get("handset"), Run: q.Get("run"), Plan: q.Get("plan"), Scenario: q.Get("scenario")}
	for name, at := range map[string]*time.Time{"from": &f.From, "to": &f.To} {
		if text := q.Get(name); text != "" {
			if *at, err = time.Parse(time.RFC3339, text); err != nil {
				refuse(fmt.Errorf("%s: want an instant such as 2030-05-14T21:00:00Z, got %q", name, text))
				return
			}
		}
	}
	format := q.Get("format")
	if !slices.Contains(results.Formats(), format) {
		refuse(fmt.Errorf("format: want one of %v, got %q", results.Formats(), format))
		return
	}
	switch err := s.room.Chosen(f); {
	case errors.Is(err, results.ErrNotFound):
		writeProblem(w, http.StatusNotFound, err.Error())
		return
	case err != nil:
		writeProblem(w, http.StatusInternalServerError, err.Error())
		return
	}
	types := map[string]string{"csv": "text/csv; charset=utf-8", "jsonl": "application/jsonl; charset=utf-8", "parquet": "application/vnd.apache.parquet"}
	if t := types[format]; t != "" {
		w.Header().Set("Content-Type", t)
	} else {
		w.Header().Set("Content-Type", "application/octet-stream")
	}
	w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="%s.%s"`, table.Name, format))
	w.Header().Set("Cache-Control", "no-store")
	out := &patient{w: w, c: http.NewResponseController(w)}
	write := func() (int, error) { return results.Export(s.store, table, format, f, out) }
	if slices.ContainsFunc(results.ComputedTables(), func(t results.Table) bool { return t.Name == table.Name }) {
		write = func() (int, error) { return s.room.ExportComputed(table.Name, format, f, out) }
	}
	if _, err := write(); err != nil {
		s.incomplete("the export of "+table.Name, err)
		// The status is out already: a broken connection is how the reader learns of it.
		panic(http.ErrAbortHandler)
	}
}

// stallLimit is how long a reader may take to accept one piece of a stream.
const stallLimit = 30 * time.Second

// patient writes a stream piece by piece; a reader that stands still is left.
type patient struct {
	w http.ResponseWriter
	c *http.ResponseController
}

func (p *patient) Write(b []byte) (int, error) {
	_ = p.c.SetWriteDeadline(time.Now().Add(stallLimit)) // a test's recorder has none
	return p.w.Write(b)
}
