// Package api serves the daemon over HTTP: JSON under /v1, live events at /v1/events, an
// OpenAPI 3.1 description at /openapi.json, /metrics and /healthz, and the web console.
// The command line is its client (client.go).
//
// It keeps nothing of the bench: what it refuses, and why, comes from the orchestrator.
// Its own are tokens and sessions (access.go), the change log (log.go) and the memory of
// requests that carried an idempotency key (queue.go), all documents of the daemon's
// store. Every error is a problem document (RFC 9457); which routes there are and who may
// use each is one table (routes.go), which a test walks.
package api

import (
	"context"
	"encoding/json"
	"net/http"
	"path"
	"reflect"
	"strings"
	"sync"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
	"github.com/klauspost/compress/gzhttp"

	"rundown/devices/preconditions"
	"rundown/orchestrator"
	"rundown/orchestrator/api/console"
	"rundown/orchestrator/api/forecast"
	"rundown/results"
	"rundown/results/reading"
)

// Bounds of a request. A body is a short order, never a file.
const (
	maxBody     = 64 << 10
	answerLimit = 3 * time.Minute // a check on a handset that answers slowly
)

// An Option changes how a Server answers.
type Option func(*Server)

// WithHosts names the hosts under which the daemon is reached besides IP addresses and
// localhost, such as "bench.lab.example". A request for any other name is refused: it
// comes from a page that had its own name pointed here.
func WithHosts(names ...string) Option {
	return func(s *Server) { s.hosts = append(s.hosts, names...) }
}

// WithTokensAlways asks for a token on loopback too.
func WithTokensAlways() Option { return func(s *Server) { s.tokensAlways = true } }

// A Server is the handler for one daemon. Close ends what it watches.
type Server struct {
	recorded
	d       *orchestrator.Daemon
	version string
	held    heldReport
	hosts   []string

	tokensAlways bool
	tokens       *Tokens
	sessions     *sessions
	log          *changeLog
	meter        *meter
	limits       *rateLimits
	keys         sync.Mutex // one request with an idempotency key at a time
	epoch        string     // of event identifiers: they begin anew with each daemon

	mux       *http.ServeMux
	spec      *huma.OpenAPI
	routes    []Route
	roles     map[string]Role // by the mux's pattern
	forecasts *forecast.Forecasts
	handler   http.Handler
}

// New returns the server for a daemon that was started. version is what /v1/version says.
func New(d *orchestrator.Daemon, version string, options ...Option) *Server {
	s := &Server{
		d: d, version: version, tokens: OpenTokens(d.Store(), d.Now), log: &changeLog{store: d.Store()}, meter: newMeter(),
		limits: newRateLimits(), mux: http.NewServeMux(), roles: map[string]Role{}, forecasts: forecast.New(d),
	}
	s.recorded = recorded{
		store: d.Store(), room: d.Reading(), figuresOf: s.forecasts.Figures, besideOf: s.forecasts.Beside, nightReportOf: d.NightReport,
		incomplete: func(what string, err error) { d.Log().Error().Err(err).Msg(what + " is incomplete") },
	}
	s.sessions = newSessions(s.tokens)
	s.epoch = newEpoch()
	for _, o := range options {
		o(s)
	}
	s.register()
	compress, err := gzhttp.NewWrapper(gzhttp.MinSize(1024), gzhttp.RandomJitter(32, 0, false))
	if err != nil {
		panic(err) // the options above are constant
	}
	whole := compress(tagged(http.HandlerFunc(s.route)))
	s.handler = s.guard(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if streams(r.URL.Path) {
			s.route(w, r)
			return
		}
		bounded, cancel := context.WithTimeout(r.Context(), answerLimit)
		defer cancel()
		whole.ServeHTTP(w, r.WithContext(bounded))
	}))
	return s
}

// Close ends what the server watches. Requests under way are the http.Server's to end.
func (s *Server) Close() { s.forecasts.Close() }

// Tokens are the tokens that this server takes.
func (s *Server) Tokens() *Tokens { return s.tokens }

// ServeHTTP answers one request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.handler.ServeHTTP(w, r) }

// streams reports whether a path's answer has no bound on size or time.
func streams(path string) bool {
	return path == "/v1/events" || path == "/v1/backup" || strings.HasPrefix(path, "/v1/export/")
}

// OpenAPI is the description as served, indented and ending in a newline.
func (s *Server) OpenAPI() ([]byte, error) {
	b, err := json.MarshalIndent(s.spec, "", "  ")
	return append(b, '\n'), err
}

// describe begins the description of the API, and its routes.
func (s *Server) describe() huma.API {
	config := huma.DefaultConfig("Rundown", "1")
	config.Info.Description = "The handset bench: queue plans, read precondition reports, pull results. Errors are problem documents (RFC 9457). " +
		"On loopback no token is needed; elsewhere send one as `Authorization: Bearer …`."
	config.CreateHooks = nil // no $schema member in every answer
	config.Components.Schemas = huma.NewMapRegistry("#/components/schemas/", schemaName)
	config.OpenAPIPath, config.DocsPath, config.SchemasPath = "", "", ""
	config.RejectUnknownQueryParameters = true
	config.Components.SecuritySchemes = map[string]*huma.SecurityScheme{"token": {Type: "http", Scheme: "bearer"}}
	config.Security = []map[string][]string{{"token": {}}, {}}
	described := humago.New(s.mux, config)
	s.spec = described.OpenAPI()
	return described
}

// register makes all routes.
func (s *Server) register() {
	described := s.describe()
	get(s, described, "/v1/version", "version", "Which rundown this is", s.about)
	get(s, described, "/v1/handsets", "handsets", "How each handset stands right now", s.handsets)
	post(s, described, "/v1/handsets/{name}/check", "check", "Read a handset's preconditions for a plan, or set them and read them back", s.check)
	post(s, described, "/v1/handsets/{name}/undo", "undo-check", "Put back what a check has set", s.undo)
	post(s, described, "/v1/handsets/{name}/release", "release", "Put a handset that was set aside back to work", s.release)
	post(s, described, "/v1/handsets/{name}/settings/leave", "leave-settings", "Leave as they are the settings that could not be put back on a handset", s.leaveSettings)
	post(s, described, "/v1/handsets/{name}/take-over", "take-over", "Take over a handset that another daemon holds; what runs there ends, and its files stay for that daemon", s.takeOver)
	post(s, described, "/v1/handsets/{name}/collect", "collect", "Fetch what still lies on a handset", s.collect)
	post(s, described, "/v1/handsets/{name}/gate/test", "test-gate", "Prove a handset's power gate: closed, open and closed again, each read on the handset", s.testGate)
	get(s, described, "/v1/prompts", "prompts", "What a person is asked, newest first", s.prompts)
	get(s, described, "/v1/prompts/{id}", "prompt", "One prompt, whatever came of it", s.prompt)
	post(s, described, "/v1/prompts/{id}/answer", "answer", "Answer a prompt; the same answer again changes nothing", s.answer)
	get(s, described, "/v1/notices", "notices", "What was told away from the bench, and what became of it, newest first", s.notices)
	get(s, described, "/v1/notices/targets", "notice-targets", "Where notices go, and what keeps a target from being used", s.noticeTargets)
	post(s, described, "/v1/notices/test", "test-notices", "Send a test to one target of notices, or to all, and wait for the answers", s.testNotices)
	get(s, described, "/v1/night", "night", "How the latest night went", s.night)
	get(s, described, "/v1/queue", "queue", "What is queued, running and ended", s.queue)
	post(s, described, "/v1/queue", "enqueue", "Queue a plan for handsets", s.enqueue)
	post(s, described, "/v1/queue/{id}/cancel", "cancel", "End a queued or running item", s.act("ended", (*orchestrator.Daemon).Cancel))
	post(s, described, "/v1/queue/{id}/pause", "pause", "Pause an item, a running one before its next segment", s.act("paused", (*orchestrator.Daemon).Pause))
	post(s, described, "/v1/queue/{id}/resume", "resume", "Let a paused item go on", s.act("resumed", (*orchestrator.Daemon).Resume))
	get(s, described, "/v1/forecast", "forecast", "When a plan would end on each handset if it began at an instant", s.forecast)
	s.registerRecorded(described)
	get(s, described, "/v1/learned", "learned", "What surveys, segments and recharges taught about handsets, by OS build", s.learned)
	operator(s, described, http.MethodDelete, "/v1/learned/{name}", "forget-learned", "Drop what was learned of a handset, such as after its battery was changed", s.forget)
	get(s, described, "/v1/changes", "changes", "What has happened after a change, waiting for the next one if asked to", s.changes)
	s.registerImports(described)
	s.registerStateless(described)
	get(s, described, "/v1/doctor", "doctor", "What around the bench is right for a night and what is not, and what to do; handsets in a run are left alone", s.doctor)
	get(s, described, "/v1/tables", "tables", "What can be exported, column by column", s.tables)
	get(s, described, "/v1/workloads", "workloads", "What handsets can be given to do, with hashes, sizes and what it asks of them", s.workloads)
	get(s, described, "/v1/log", "log", "Who changed what and when, newest first", s.listLog)
	s.registerMeters(described)
	s.registerCalibrations(described)
	operator(s, described, http.MethodGet, "/v1/tokens", "tokens", "The tokens that are taken, without their secrets", s.listTokens)
	operator(s, described, http.MethodPost, "/v1/tokens", "make-token", "Make a token; its secret is in this answer and nowhere else", s.makeToken)
	operator(s, described, http.MethodDelete, "/v1/tokens/{id}", "withdraw-token", "Withdraw a token at once", s.withdrawToken)

	s.handle(Reader, "GET /v1/events", "events", s.events)
	s.handle(Operator, "GET /v1/backup", "backup", s.backup)
	s.handle(Reader, "GET /metrics", "", s.metrics)
	s.handle(Anyone, "GET /healthz", "", s.healthz)
	s.handle(Reader, "GET /openapi.json", "", s.openapi)
	s.describeStreams()
	s.describeReports()

	s.handle(Anyone, "GET /enter", "", s.enterPage)
	s.handle(Anyone, "POST /enter", "", s.enter)
	s.handle(Reader, "POST /leave", "", s.leave)
	pages := console.New(s.d, s.forecasts, console.Hooks{
		MayChange: func(r *http.Request) bool { return callerOf(r.Context()).Role >= Operator },
		Entered:   func(r *http.Request) bool { return callerOf(r.Context()).session },
		Name:      func(r *http.Request) string { return callerOf(r.Context()).Name },
		Did:       func(r *http.Request, what string) { did(r.Context(), what) },
	})
	for _, p := range pages.Routes() {
		role := Reader
		if p.Changes {
			role = Operator
		}
		if p.Public {
			role = Anyone
		}
		s.handle(role, p.Pattern, "", p.Serve)
	}
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
	case "reading": // known to other programs by the room in which they were made first
		return "Orchestrator" + name
	case "forecast":
		return "Outlook" + name
	default:
		return strings.ToUpper(room[:1]) + room[1:] + name
	}
}

func (s *Server) openapi(w http.ResponseWriter, _ *http.Request) {
	b, err := s.OpenAPI()
	if err != nil {
		writeProblem(w, http.StatusInternalServerError, err.Error())
		return
	}
	w.Header().Set("Content-Type", "application/openapi+json")
	_, _ = w.Write(b)
}

func (s *Server) healthz(w http.ResponseWriter, r *http.Request) {
	if err := s.d.Alive(r.Context()); err != nil {
		writeProblem(w, http.StatusServiceUnavailable, err.Error())
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = w.Write([]byte("well\n"))
}

type none struct{}

// About says which rundown answers.
type About struct {
	Version string    `json:"version"`
	Bench   string    `json:"bench"`
	Now     time.Time `json:"now" doc:"the daemon's clock, UTC"`
}

type body[T any] struct{ Body T }

func (s *Server) about(context.Context, *none) (*body[About], error) {
	return &body[About]{About{s.version, s.d.File().Bench.Name, s.d.Now()}}, nil
}

func (s *Server) handsets(context.Context, *none) (*body[[]orchestrator.HandsetStatus], error) {
	return &body[[]orchestrator.HandsetStatus]{s.d.Handsets()}, nil
}

type checkInput struct {
	Name string `path:"name" doc:"the handset's name"`
	Body struct {
		Plan  string `json:"plan" minLength:"1"`
		Apply bool   `json:"apply,omitempty" doc:"set what is not as wanted, then read it back"`
	}
}

func (s *Server) check(ctx context.Context, in *checkInput) (*body[preconditions.Report], error) {
	if in.Body.Apply {
		did(ctx, "applied the preconditions of "+in.Body.Plan+" to "+in.Name)
	} else {
		did(ctx, "read the preconditions of "+in.Body.Plan+" on "+in.Name)
	}
	report, err := s.d.Check(ctx, in.Name, in.Body.Plan, in.Body.Apply)
	if err != nil {
		return nil, problem(err)
	}
	return &body[preconditions.Report]{report}, nil
}

func (s *Server) undo(ctx context.Context, in *struct {
	Name string `path:"name"`
}) (*body[[]preconditions.Change], error) {
	did(ctx, "put back what a check had set on "+in.Name)
	changes, err := s.d.Undo(ctx, in.Name)
	if err != nil {
		return nil, problem(err)
	}
	if changes == nil {
		changes = []preconditions.Change{}
	}
	return &body[[]preconditions.Change]{changes}, nil
}

func (s *Server) release(ctx context.Context, in *struct {
	Name string `path:"name"`
}) (*struct{}, error) {
	did(ctx, "released "+in.Name)
	if err := s.d.Release(in.Name); err != nil {
		return nil, problem(err)
	}
	return nil, nil
}

func (s *Server) leaveSettings(ctx context.Context, in *struct {
	Name string `path:"name"`
}) (*body[orchestrator.Owed], error) {
	did(ctx, "left the settings of "+in.Name+" as they are")
	o, err := s.d.LeaveSettings(ctx, in.Name, callerOf(ctx).Name)
	if err != nil {
		return nil, problem(err)
	}
	return &body[orchestrator.Owed]{o}, nil
}

func (s *Server) takeOver(ctx context.Context, in *struct {
	Name string `path:"name"`
}) (*body[orchestrator.HeldBy], error) {
	did(ctx, "took "+in.Name+" over")
	by, err := s.d.TakeOver(ctx, in.Name)
	if err != nil {
		return nil, problem(err)
	}
	return &body[orchestrator.HeldBy]{by}, nil
}

func (s *Server) collect(ctx context.Context, in *struct {
	Name string `path:"name"`
}) (*body[[]orchestrator.Found], error) {
	did(ctx, "collected what lay on "+in.Name)
	found, err := s.d.Collect(ctx, in.Name)
	if err != nil {
		return nil, problem(err)
	}
	if found == nil {
		found = []orchestrator.Found{}
	}
	return &body[[]orchestrator.Found]{found}, nil
}

func (s *Server) night(_ context.Context, in *struct {
	Name string `query:"night" doc:"its name in the plan file; whatever was queued last when left out"`
}) (*body[orchestrator.NightSummary], error) {
	n, err := s.d.NightSummary(in.Name)
	if err != nil {
		return nil, problem(err)
	}
	return &body[orchestrator.NightSummary]{n}, nil
}

// Figures are endurance figures and what the day mixes make of them.
type Figures struct {
	Scenarios []reading.ScenarioFigure `json:"scenarios"`
	DayMixes  []reading.MixFigure      `json:"day_mixes"`
	// Regulation is for handsets of which idle and another part of the cycle were measured.
	Regulation []reading.RegulationFigure `json:"regulation" doc:"what the smartphone cycle of Regulation (EU) 2023/1669 would come to: calculated, not a declared value"`
}

type figuresInput struct {
	Handset  string `query:"handset"`
	Scenario string `query:"scenario"`
	Plan     string `query:"plan"`
	Run      string `query:"run"`
	Flagged  bool   `query:"flagged" doc:"count flagged segments too"`
}

func (s *recorded) figures(_ context.Context, in *figuresInput) (*body[Figures], error) {
	figures, err := s.figuresOf(reading.FigureFilter{Handset: in.Handset, Scenario: in.Scenario, Plan: in.Plan, Run: in.Run, WithFlagged: in.Flagged})
	if err != nil && len(figures) == 0 {
		return nil, problem(err)
	}
	return &body[Figures]{Figures{figures, s.room.MixFigures(figures), s.room.RegulationFigures(figures)}}, nil
}

type forecastInput struct {
	Plan     string    `query:"plan" required:"true"`
	Handsets []string  `query:"handset,explode" doc:"handset names; none: every handset of the bench"`
	Begin    time.Time `query:"begin" doc:"when it would begin; now when left out"`
}

func (s *Server) forecast(_ context.Context, in *forecastInput) (*body[[]forecast.Forecast], error) {
	list, err := s.forecasts.Plan(in.Plan, in.Handsets, in.Begin)
	if err != nil {
		return nil, problem(err)
	}
	return &body[[]forecast.Forecast]{list}, nil
}

type changesInput struct {
	After int64 `query:"after" doc:"the last change already known"`
	WaitS int   `query:"wait_s" minimum:"0" maximum:"60" doc:"how long to wait for one, s"`
}

func (s *Server) changes(ctx context.Context, in *changesInput) (*body[[]orchestrator.Change], error) {
	ctx, cancel := context.WithTimeout(ctx, time.Duration(in.WaitS)*time.Second)
	defer cancel()
	for {
		list, next := s.d.Changes(in.After)
		if len(list) > 0 || in.WaitS == 0 {
			if list == nil {
				list = []orchestrator.Change{}
			}
			return &body[[]orchestrator.Change]{list}, nil
		}
		select {
		case <-next:
		case <-ctx.Done():
			return &body[[]orchestrator.Change]{[]orchestrator.Change{}}, nil
		}
	}
}

func (s *Server) tables(context.Context, *none) (*body[[]results.Table], error) {
	return &body[[]results.Table]{results.AllTables()}, nil
}

func (s *Server) workloads(ctx context.Context, _ *none) (*body[[]orchestrator.Workload], error) {
	return &body[[]orchestrator.Workload]{s.d.Workloads(ctx)}, nil
}
