package api

import (
	"context"
	"net"
	"net/http"
	"sync"
	"time"

	"rundown/orchestrator/doctor"
)

// doctorHeld is how long a report is given again: a look asks every idle handset a few
// questions, and somebody who keeps asking must not keep them awake.
const doctorHeld = 10 * time.Second

// heldReport is the latest report. One look at a time.
type heldReport struct {
	mu     sync.Mutex
	report doctor.Report
	at     time.Time
}

func (s *Server) doctor(ctx context.Context, _ *none) (*body[doctor.Report], error) {
	s.held.mu.Lock()
	defer s.held.mu.Unlock()
	if time.Since(s.held.at) > doctorHeld {
		address := ""
		if here, ok := ctx.Value(http.LocalAddrContextKey).(net.Addr); ok {
			address = here.String()
		}
		s.held.report = s.d.Examine(ctx, address)
		if ctx.Err() != nil {
			return nil, problem(ctx.Err()) // cut short: not to be given to anybody else
		}
		s.held.at = time.Now()
	}
	return &body[doctor.Report]{s.held.report}, nil
}
