package api

import (
	"context"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"
)

// A Route is one thing that can be asked for, and the least role that may.
type Route struct {
	Method    string
	Path      string // as the mux has it, with {names}
	Role      Role
	Operation string // the OpenAPI operation, or "" for what is no part of the API
}

// Routes are all routes of the server.
func (s *Server) Routes() []Route { return s.routes }

func (s *Server) note(role Role, pattern, operation string) {
	method, path, _ := strings.Cut(pattern, " ")
	s.roles[pattern] = role
	s.routes = append(s.routes, Route{method, path, role, operation})
}

// handle registers a route that is not JSON.
func (s *Server) handle(role Role, pattern, operation string, f http.HandlerFunc) {
	s.note(role, pattern, operation)
	s.mux.HandleFunc(pattern, f)
}

func get[I, O any](s *Server, a huma.API, path, id, summary string, f func(context.Context, *I) (*O, error)) {
	route(s, a, Reader, http.MethodGet, path, id, summary, f)
}

func post[I, O any](s *Server, a huma.API, path, id, summary string, f func(context.Context, *I) (*O, error)) {
	route(s, a, Operator, http.MethodPost, path, id, summary, f)
}

func operator[I, O any](s *Server, a huma.API, method, path, id, summary string, f func(context.Context, *I) (*O, error)) {
	route(s, a, Operator, method, path, id, summary, f)
}

func route[I, O any](s *Server, a huma.API, role Role, method, path, id, summary string, f func(context.Context, *I) (*O, error)) {
	s.note(role, method+" "+path, id)
	huma.Register(a, huma.Operation{
		OperationID: id, Method: method, Path: path, Summary: summary, MaxBodyBytes: maxBody,
		Description: "Needs the role " + role.String() + ".",
	}, f)
}

// describeStreams adds to the description what huma does not serve.
func (s *Server) describeStreams() {
	text := func(name, in, about string, required bool) *huma.Param {
		return &huma.Param{Name: name, In: in, Description: about, Required: required, Schema: &huma.Schema{Type: "string"}}
	}
	answer := func(about string, types ...string) map[string]*huma.Response {
		content := map[string]*huma.MediaType{}
		for _, t := range types {
			content[t] = &huma.MediaType{Schema: &huma.Schema{Type: "string"}}
		}
		return map[string]*huma.Response{
			"200":     {Description: about, Content: content},
			"default": {Description: "Error", Content: map[string]*huma.MediaType{"application/problem+json": {Schema: &huma.Schema{Ref: "#/components/schemas/ErrorModel"}}}},
		}
	}
	s.spec.AddOperation(&huma.Operation{
		OperationID: "events", Method: http.MethodGet, Path: "/v1/events", Summary: "Changes as server-sent events, as they happen",
		Description: "Needs the role reader. Each change is an event named after its kind, with the change as JSON and an identifier to resume from. " +
			"`bench` says that readings have moved; `beat` carries the daemon's clock every few seconds; `gap` says that changes between the last event " +
			"identifier and now are not kept any more.",
		Parameters: []*huma.Param{
			text("Last-Event-ID", "header", "resume after this event", false),
			text("after", "query", "the same, for clients that cannot set the header", false),
		},
		Responses: answer("the stream", "text/event-stream"),
	})
	s.spec.AddOperation(&huma.Operation{
		OperationID: "backup", Method: http.MethodGet, Path: "/v1/backup", Summary: "A copy of the store as it stands, made while runs go on",
		Description: "Needs the role operator: the copy holds everything. It is a bbolt file; a daemon starts on it as rundown.db in its data folder.",
		Responses:   answer("the store", "application/octet-stream"),
	})
	s.spec.AddOperation(&huma.Operation{
		OperationID: "export", Method: http.MethodGet, Path: "/v1/export/{table}", Summary: "One table of results, streamed",
		Description: "Needs the role reader. /v1/tables describes the columns.",
		Parameters: []*huma.Param{
			text("table", "path", "the table's name", true), text("format", "query", "one of the formats, such as csv or jsonl", true),
			text("handset", "query", "", false), text("run", "query", "", false), text("plan", "query", "", false), text("scenario", "query", "", false),
			text("from", "query", "only segments begun at or after this instant (RFC 3339)", false), text("to", "query", "only segments begun before it", false),
		},
		Responses: answer("the table", "text/csv", "application/jsonl"),
	})
}
