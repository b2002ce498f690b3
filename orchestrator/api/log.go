package api

import (
	"context"
	"crypto/rand"
	"net/http"
	"time"

	"rundown/results"
)

// documentsLog is the store's kind of change log entries, by an ID that sorts by time.
const documentsLog = "changelog"

// A LogEntry says who changed what and when. Refused attempts of known callers are kept too.
type LogEntry struct {
	ID     string    `json:"id"`
	At     time.Time `json:"at" doc:"the daemon's clock, UTC"`
	Who    string    `json:"who" doc:"the token's name, or \"this host\" on loopback"`
	Role   string    `json:"role"`
	From   string    `json:"from" doc:"the address that asked"`
	Asked  string    `json:"asked" doc:"method and path"`
	What   string    `json:"what" doc:"what was done, in words"`
	Status int       `json:"status" doc:"HTTP status of the answer"`
}

type changeLog struct{ store *results.Store }

func contextWith(ctx context.Context, who caller) context.Context {
	return context.WithValue(ctx, callerKey{}, who)
}

// record writes one entry. A log that cannot be written is said in the daemon's own.
func (s *Server) record(r *http.Request, who caller, what string, status int) {
	at := s.d.Now()
	if status == 0 {
		status = http.StatusOK
	}
	e := LogEntry{
		ID: at.Format("20060102150405.000000") + "-" + rand.Text()[:6], At: at, Who: who.Name, Role: who.Role.String(), From: r.RemoteAddr,
		Asked: r.Method + " " + r.URL.Path, What: what, Status: status,
	}
	if err := s.log.store.PutDocument(documentsLog, e.ID, e); err != nil {
		s.d.Log().Error().Err(err).Str("who", e.Who).Str("asked", e.Asked).Msg("the change log could not be written")
	}
	s.d.Log().Info().Str("who", e.Who).Str("from", e.From).Str("asked", e.Asked).Str("what", what).Int("status", status).Msg("a change was asked for")
}

type logInput struct {
	Page
	Who string `query:"who" doc:"only of this caller"`
}

func (s *Server) listLog(_ context.Context, in *logInput) (*paged[LogEntry], error) {
	if in.After != "" {
		if err := s.d.Store().Document(documentsLog, in.After, new(LogEntry)); err != nil {
			return nil, noSuchAfter(in.After)
		}
	}
	list := []LogEntry{}
	err := results.DocumentsBack(s.d.Store(), documentsLog, in.After, func(e LogEntry) bool {
		if wanted(in.Who, e.Who) {
			list = append(list, e)
		}
		return len(list) <= in.Limit
	})
	if err != nil && len(list) == 0 {
		return nil, problem(err)
	}
	return firstPage(list, in.Page, func(e LogEntry) string { return e.ID })
}
