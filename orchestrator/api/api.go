// Package api serves the daemon over HTTP: JSON under /v1, with an OpenAPI description at
// /openapi.json and errors as problem documents (RFC 9457). The command line is its client
// (client.go).
//
// It holds no state of its own; what it refuses, and why, comes from the orchestrator.
package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"path"
	"reflect"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"rundown/devices"
	"rundown/devices/preconditions"
	"rundown/orchestrator"
	"rundown/results"
)

// maxBody bounds what a request may send.
const maxBody = 1 << 20

// New returns the handler for a daemon. version is what /v1/version says.
func New(d *orchestrator.Daemon, version string) http.Handler {
	mux := http.NewServeMux()
	config := huma.DefaultConfig("Rundown", version)
	config.Info.Description = "The handset bench: queue plans, read precondition reports, pull results."
	config.CreateHooks = nil // no $schema member in every answer
	config.Components.Schemas = huma.NewMapRegistry("#/components/schemas/", schemaName)
	api := humago.New(mux, config)
	s := server{d: d, version: version}

	get(api, "/v1/version", "version", "Which rundown this is", s.about)
	get(api, "/v1/handsets", "handsets", "How each handset stands right now", s.handsets)
	post(api, "/v1/handsets/{name}/check", "check", "Read a handset's preconditions for a plan, or set them and read them back", s.check)
	post(api, "/v1/handsets/{name}/undo", "undo-check", "Put back what a check has set", s.undo)
	get(api, "/v1/queue", "queue", "What is queued, running and ended", s.queue)
	post(api, "/v1/queue", "enqueue", "Queue a plan for handsets", s.enqueue)
	post(api, "/v1/queue/{id}/cancel", "cancel", "End a queued or running item", s.act((*orchestrator.Daemon).Cancel))
	post(api, "/v1/queue/{id}/pause", "pause", "Hold an item back, a running one before its next segment", s.act((*orchestrator.Daemon).Pause))
	post(api, "/v1/queue/{id}/resume", "resume", "Let a paused item go on", s.act((*orchestrator.Daemon).Resume))
	get(api, "/v1/runs", "runs", "Runs, newest first", s.runs)
	get(api, "/v1/runs/{id}", "run", "One run with its segments and figures", s.run)
	get(api, "/v1/figures", "figures", "Endurance by handset and scenario, and day mixes", s.figures)
	get(api, "/v1/changes", "changes", "What has happened after a change, waiting for the next one if asked to", s.changes)
	get(api, "/v1/tables", "tables", "What can be exported, column by column", s.tables)
	mux.HandleFunc("GET /v1/export/{table}", s.export)
	return http.MaxBytesHandler(mux, maxBody)
}

func get[I, O any](api huma.API, path, id, summary string, f func(context.Context, *I) (*O, error)) {
	huma.Register(api, huma.Operation{OperationID: id, Method: http.MethodGet, Path: path, Summary: summary}, f)
}

func post[I, O any](api huma.API, path, id, summary string, f func(context.Context, *I) (*O, error)) {
	huma.Register(api, huma.Operation{OperationID: id, Method: http.MethodPost, Path: path, Summary: summary}, f)
}

type server struct {
	d       *orchestrator.Daemon
	version string
}

// schemaName names a type in the description. The rooms of the house use the same words
// for their own view of a thing, so each but this one and the orchestrator's is named
// together with its package.
func schemaName(t reflect.Type, hint string) string {
	name := huma.DefaultSchemaNamer(t, hint)
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	switch room := path.Base(t.PkgPath()); room {
	case ".", "api":
		return name
	default:
		return strings.ToUpper(room[:1]) + room[1:] + name
	}
}

// problem turns the orchestrator's errors into problem documents.
func problem(err error) error {
	status := http.StatusInternalServerError
	for _, known := range []struct {
		err    error
		status int
	}{
		{orchestrator.ErrRequest, http.StatusUnprocessableEntity},
		{orchestrator.ErrNoItem, http.StatusNotFound},
		{results.ErrNotFound, http.StatusNotFound},
		{orchestrator.ErrNotNow, http.StatusConflict},
		{devices.ErrNoServer, http.StatusBadGateway},
		{devices.ErrNoHandset, http.StatusBadGateway},
		{devices.ErrOffline, http.StatusBadGateway},
		{devices.ErrUnauthorised, http.StatusBadGateway},
		{devices.ErrNoPermission, http.StatusBadGateway},
		{devices.ErrLinkLost, http.StatusBadGateway},
		{devices.ErrTimeout, http.StatusGatewayTimeout},
	} {
		if errors.Is(err, known.err) {
			status = known.status
			break
		}
	}
	return huma.NewError(status, err.Error())
}

type none struct{}

// About says which rundown answers.
type About struct {
	Version string    `json:"version"`
	Bench   string    `json:"bench"`
	Now     time.Time `json:"now" doc:"the daemon's clock, UTC"`
}

type body[T any] struct{ Body T }

func (s server) about(context.Context, *none) (*body[About], error) {
	return &body[About]{About{s.version, s.d.File().Bench.Name, s.d.Now()}}, nil
}

func (s server) handsets(context.Context, *none) (*body[[]orchestrator.HandsetStatus], error) {
	return &body[[]orchestrator.HandsetStatus]{s.d.Handsets()}, nil
}

type checkInput struct {
	Name string `path:"name" doc:"the handset's name"`
	Body struct {
		Plan  string `json:"plan" minLength:"1"`
		Apply bool   `json:"apply,omitempty" doc:"set what is not as wanted, then read it back"`
	}
}

func (s server) check(ctx context.Context, in *checkInput) (*body[preconditions.Report], error) {
	report, err := s.d.Check(ctx, in.Name, in.Body.Plan, in.Body.Apply)
	if err != nil {
		return nil, problem(err)
	}
	return &body[preconditions.Report]{report}, nil
}

func (s server) undo(ctx context.Context, in *struct {
	Name string `path:"name"`
}) (*body[[]preconditions.Change], error) {
	changes, err := s.d.Undo(ctx, in.Name)
	if err != nil {
		return nil, problem(err)
	}
	return &body[[]preconditions.Change]{changes}, nil
}

// An Item is a queue item as the API shows it: without the plan that it carries.
type Item struct {
	ID        string                 `json:"id"`
	Handset   string                 `json:"handset"`
	Plan      string                 `json:"plan"`
	PlanHash  string                 `json:"plan_hash"`
	Night     string                 `json:"night,omitempty"`
	QueuedAt  time.Time              `json:"queued_at"`
	NotBefore time.Time              `json:"not_before,omitzero"`
	FinishBy  time.Time              `json:"finish_by,omitzero"`
	State     orchestrator.ItemState `json:"state"`
	Paused    bool                   `json:"paused"`
	RunID     string                 `json:"run_id,omitempty"`
	Outcome   string                 `json:"outcome,omitempty"`
}

func view(it orchestrator.Item) Item {
	return Item{it.ID, it.Handset, it.Plan, it.Order.PlanHash, it.Night, it.QueuedAt, it.NotBefore, it.FinishBy, it.State, it.Paused, it.RunID, it.Outcome}
}

func views(items []orchestrator.Item) []Item {
	list := make([]Item, len(items))
	for i, it := range items {
		list[i] = view(it)
	}
	return list
}

func (s server) queue(context.Context, *none) (*body[[]Item], error) {
	return &body[[]Item]{views(s.d.Queue())}, nil
}

type enqueueInput struct{ Body orchestrator.Request }

func (s server) enqueue(_ context.Context, in *enqueueInput) (*body[[]Item], error) {
	items, err := s.d.Enqueue(in.Body)
	if err != nil {
		return nil, problem(err)
	}
	return &body[[]Item]{views(items)}, nil
}

type itemInput struct {
	ID string `path:"id"`
}

func (s server) act(f func(*orchestrator.Daemon, string) (orchestrator.Item, error)) func(context.Context, *itemInput) (*body[Item], error) {
	return func(_ context.Context, in *itemInput) (*body[Item], error) {
		it, err := f(s.d, in.ID)
		if err != nil {
			return nil, problem(err)
		}
		return &body[Item]{view(it)}, nil
	}
}

type runsInput struct {
	Handset string `query:"handset"`
	Plan    string `query:"plan"`
}

func (s server) runs(_ context.Context, in *runsInput) (*body[[]results.Run], error) {
	runs, err := s.d.Store().Runs()
	if err != nil && len(runs) == 0 {
		return nil, problem(err)
	}
	list := []results.Run{}
	for i := len(runs) - 1; i >= 0; i-- {
		r := runs[i]
		if (in.Handset == "" || in.Handset == r.Handset.Name) && (in.Plan == "" || in.Plan == r.Plan) {
			list = append(list, r)
		}
	}
	return &body[[]results.Run]{list}, nil
}

// A RunDetail is a run with all that belongs to it but the samples.
type RunDetail struct {
	Run      results.Run                   `json:"run"`
	Segments []results.Segment             `json:"segments"`
	Figures  []orchestrator.ScenarioFigure `json:"figures"`
}

func (s server) run(_ context.Context, in *itemInput) (*body[RunDetail], error) {
	r, err := s.d.Store().Run(in.ID)
	if err != nil {
		return nil, problem(err)
	}
	segments, err := s.d.Store().Segments(in.ID)
	if err != nil && len(segments) == 0 {
		return nil, problem(err)
	}
	figures, err := s.d.Figures(orchestrator.FigureFilter{Run: in.ID})
	if err != nil && len(figures) == 0 {
		return nil, problem(err)
	}
	return &body[RunDetail]{RunDetail{r, segments, figures}}, nil
}

// Figures are endurance figures and what the day mixes make of them.
type Figures struct {
	Scenarios []orchestrator.ScenarioFigure `json:"scenarios"`
	DayMixes  []orchestrator.MixFigure      `json:"day_mixes"`
}

type figuresInput struct {
	Handset  string `query:"handset"`
	Scenario string `query:"scenario"`
	Plan     string `query:"plan"`
	Run      string `query:"run"`
	Flagged  bool   `query:"flagged" doc:"count flagged segments too"`
}

func (s server) figures(_ context.Context, in *figuresInput) (*body[Figures], error) {
	figures, err := s.d.Figures(orchestrator.FigureFilter{Handset: in.Handset, Scenario: in.Scenario, Plan: in.Plan, Run: in.Run, WithFlagged: in.Flagged})
	if err != nil && len(figures) == 0 {
		return nil, problem(err)
	}
	return &body[Figures]{Figures{figures, s.d.MixFigures(figures)}}, nil
}

type changesInput struct {
	After int64 `query:"after" doc:"the last change already known"`
	WaitS int   `query:"wait_s" minimum:"0" maximum:"60" doc:"how long to wait for one, s"`
}

func (s server) changes(ctx context.Context, in *changesInput) (*body[[]orchestrator.Change], error) {
	ctx, cancel := context.WithTimeout(ctx, time.Duration(in.WaitS)*time.Second)
	defer cancel()
	for {
		list, next := s.d.Changes(in.After)
		if len(list) > 0 || in.WaitS == 0 {
			return &body[[]orchestrator.Change]{list}, nil
		}
		select {
		case <-next:
		case <-ctx.Done():
			return &body[[]orchestrator.Change]{[]orchestrator.Change{}}, nil
		}
	}
}

func (s server) tables(context.Context, *none) (*body[[]results.Table], error) {
	return &body[[]results.Table]{results.Tables()}, nil
}

// export streams one table; it is outside huma because its body is not JSON.
func (s server) export(w http.ResponseWriter, r *http.Request) {
	refuse := func(err error) {
		w.Header().Set("Content-Type", "application/problem+json")
		w.WriteHeader(http.StatusUnprocessableEntity)
		_, _ = fmt.Fprintf(w, `{"title":"Unprocessable Entity","status":422,"detail":%q}`+"\n", err.Error())
	}
	table, err := results.TableNamed(r.PathValue("table"))
	if err != nil {
		refuse(err)
		return
	}
	q := r.URL.Query()
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
	types := map[string]string{"csv": "text/csv; charset=utf-8", "jsonl": "application/jsonl; charset=utf-8"}
	if types[format] == "" {
		refuse(fmt.Errorf("format: want one of %v, got %q", results.Formats(), format))
		return
	}
	w.Header().Set("Content-Type", types[format])
	if _, err := results.Export(s.d.Store(), table, format, f, w); err != nil {
		s.d.Log().Error().Err(err).Str("table", table.Name).Msg("export is incomplete")
	}
}
