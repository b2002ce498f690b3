package api

import (
	"context"
	"errors"
	"io"
	"net/http"
	"sync"

	"rundown/results"
	"rundown/results/reading"
)

// ForStore answers, without a daemon, what is read of a store: runs, segments, figures, comparisons,
// exports and reports, as a daemon's server would. It is for this process alone (see OfStore): there
// are no tokens, and nothing of a bench. incomplete is told of an answer that lacks something.
func ForStore(store *results.Store, room *reading.Room, incomplete func(what string, err error)) http.Handler {
	s := &Server{mux: http.NewServeMux(), roles: map[string]Role{}}
	s.recorded = recorded{store: store, room: room, figuresOf: room.Figures, besideOf: room.Compare, nightReportOf: room.NightReport, incomplete: incomplete}
	s.registerRecorded(s.describe())
	return http.HandlerFunc(s.route)
}

// OfStore returns a client that is answered by a handler in this process.
func OfStore(h http.Handler) *Client {
	return NewClient("store").WithTransport(inProcess{h})
}

// inProcess has requests answered by a handler, without a network.
type inProcess struct{ handler http.Handler }

func (t inProcess) RoundTrip(r *http.Request) (*http.Response, error) {
	in, out := io.Pipe()
	a := &answering{header: http.Header{}, body: out, begun: make(chan struct{})}
	broke := make(chan error, 1)
	go func() {
		err := results.Undamaged(func() (err error) {
			defer func() {
				if said := recover(); said == http.ErrAbortHandler {
					err = errAnswerBroke
				} else if said != nil {
					panic(said)
				}
			}()
			t.handler.ServeHTTP(a, r)
			return nil
		})
		broke <- err
		_ = out.CloseWithError(err) // nil: the end
		a.WriteHeader(http.StatusOK)
	}()
	select {
	case <-a.begun:
		// A handler that broke before it wrote anything has nothing to answer.
		select {
		case err := <-broke:
			if err != nil {
				return nil, err
			}
		default:
		}
	case <-r.Context().Done():
		_ = in.CloseWithError(r.Context().Err())
		return nil, r.Context().Err()
	}
	context.AfterFunc(r.Context(), func() { _ = in.CloseWithError(r.Context().Err()) })
	return &http.Response{
		Status: http.StatusText(a.status), StatusCode: a.status, Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1, Header: a.sent, Body: in, ContentLength: -1, Request: r,
	}, nil
}

// errAnswerBroke means that an answer ended before its end.
var errAnswerBroke = errors.New("it could not be read to its end")

// An answering is what a handler writes to; whoever asked reads it as it comes.
type answering struct {
	header http.Header
	sent   http.Header // as it was when the answer began
	status int
	body   io.Writer
	once   sync.Once
	begun  chan struct{}
}

func (a *answering) Header() http.Header { return a.header }

func (a *answering) WriteHeader(status int) {
	a.once.Do(func() {
		a.sent, a.status = a.header.Clone(), status
		close(a.begun)
	})
}

func (a *answering) Write(b []byte) (int, error) {
	a.WriteHeader(http.StatusOK)
	return a.body.Write(b)
}
