package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/orchestrator"
	"rundown/orchestrator/api/console"
	"rundown/results"
	"rundown/results/logfiles"
)

// known are the errors of the house and the status that each is answered with.
var known = []struct {
	err    error
	status int
}{
	{orchestrator.ErrRequest, http.StatusUnprocessableEntity},
	{ErrToken, http.StatusUnprocessableEntity},
	{orchestrator.ErrNoItem, http.StatusNotFound},
	{orchestrator.ErrNoPrompt, http.StatusNotFound},
	{results.ErrNotFound, http.StatusNotFound},
	{orchestrator.ErrNotNow, http.StatusConflict},
	{orchestrator.ErrGate, http.StatusBadGateway},
	{onboard.ErrStubborn, http.StatusConflict},
	{orchestrator.ErrImported, http.StatusConflict},
	{results.ErrMeasured, http.StatusConflict},
	{devices.ErrNoServer, http.StatusBadGateway},
	{orchestrator.ErrNotLooked, http.StatusServiceUnavailable},
	{devices.ErrNoHandset, http.StatusBadGateway},
	{devices.ErrOffline, http.StatusBadGateway},
	{devices.ErrUnauthorised, http.StatusBadGateway},
	{devices.ErrNoPermission, http.StatusBadGateway},
	{devices.ErrLinkLost, http.StatusBadGateway},
	{devices.ErrTimeout, http.StatusGatewayTimeout},
}

// problem turns the house's errors into problem documents.
func problem(err error) error {
	// Faults of a file come each with its place, and once.
	var faults logfiles.Faults
	if errors.As(err, &faults) {
		var details []error
		for i, f := range faults {
			if i == mostFaults {
				details = append(details, &huma.ErrorDetail{Location: f.File, Message: fmt.Sprintf("and %d more", len(faults)-i)})
				break
			}
			place, _ := strings.CutSuffix(f.String(), ": "+f.Says)
			details = append(details, &huma.ErrorDetail{Location: place, Message: f.Says})
		}
		return huma.NewError(http.StatusUnprocessableEntity, "the file cannot be used as it is", details...)
	}
	for _, k := range known {
		if errors.Is(err, k.err) {
			return huma.NewError(k.status, err.Error())
		}
	}
	return huma.NewError(http.StatusInternalServerError, err.Error())
}

// mostFaults is how many faults of a file are listed: a wrong unit makes one a line.
const mostFaults = 20

func isNotFound(err error) bool { return errors.Is(err, results.ErrNotFound) }

// writeProblem answers with a problem document.
func writeProblem(w http.ResponseWriter, status int, detail string) {
	b, err := json.Marshal(huma.ErrorModel{Title: http.StatusText(status), Status: status, Detail: detail})
	if err != nil { // a struct of strings and numbers
		panic(err)
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(append(b, '\n'))
}

// refuse answers a person with a page and a program with a problem document.
func refuse(w http.ResponseWriter, r *http.Request, status int, detail string) {
	if wantsPage(r) {
		console.Refuse(w, status, http.StatusText(status), detail)
		return
	}
	writeProblem(w, status, detail)
}

// wantsPage reports whether a person in a browser asks, not a program.
func wantsPage(r *http.Request) bool {
	return !strings.HasPrefix(r.URL.Path, "/v1/") && strings.Contains(r.Header.Get("Accept"), "text/html")
}

// route hands a request to its route, and turns what the mux itself says (no such path,
// no such method) into a problem document that names what there is.
func (s *Server) route(w http.ResponseWriter, r *http.Request) {
	h, pattern := s.mux.Handler(r)
	if pattern != "" {
		s.mux.ServeHTTP(w, r)
		return
	}
	said := &heard{header: http.Header{}, status: http.StatusOK}
	h.ServeHTTP(said, r)
	switch {
	case said.status == http.StatusMethodNotAllowed:
		allow := said.header.Get("Allow")
		w.Header().Set("Allow", allow)
		refuse(w, r, said.status, fmt.Sprintf("%s cannot be asked for with %s, only with %s", r.URL.Path, r.Method, allow))
	case said.status >= 300 && said.status < 400: // a cleaned path
		w.Header().Set("Location", said.header.Get("Location"))
		w.WriteHeader(said.status)
	default:
		refuse(w, r, http.StatusNotFound, "there is no "+r.URL.Path+" here; /openapi.json lists what there is")
	}
}

// heard takes down what a handler answers.
type heard struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (h *heard) Header() http.Header         { return h.header }
func (h *heard) WriteHeader(status int)      { h.status = status }
func (h *heard) Write(b []byte) (int, error) { return h.body.Write(b) }
