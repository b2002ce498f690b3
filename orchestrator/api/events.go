package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// beatEvery is how often a stream of events says that the daemon is there, and at most
// every benchEvery it says that readings have moved.
const (
	beatEvery  = 3 * time.Second
	benchEvery = time.Second
)

// events sends what happens on the bench as server-sent events. An event's identifier is
// the daemon's epoch and the change's number, so that a reader who comes back after a
// restart of the daemon is told of the gap instead of waiting for numbers to catch up.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	last := r.Header.Get("Last-Event-ID")
	if last == "" {
		last = r.URL.Query().Get("after")
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	control := http.NewResponseController(w)
	// The server's read deadline is for requests; this connection only writes.
	_ = control.SetReadDeadline(time.Time{})
	send := func(id, event string, data any) error {
		b, err := json.Marshal(data)
		if err != nil {
			return err
		}
		_ = control.SetWriteDeadline(time.Now().Add(stallLimit))
		if id != "" {
			if _, err := fmt.Fprintf(w, "id: %s\n", id); err != nil {
				return err
			}
		}
		if _, err := fmt.Fprintf(w, "event: %s\ndata: %s\n\n", event, b); err != nil {
			return err
		}
		return control.Flush()
	}
	s.meter.listening(1)
	defer s.meter.listening(-1)
	type clock struct {
		Now time.Time `json:"now"`
	}
	after, gap := s.resume(last)
	if err := send("", "beat", clock{s.d.Now()}); err != nil {
		return
	}
	if gap {
		if err := send("", "gap", clock{s.d.Now()}); err != nil {
			return
		}
	}
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	moved, quiet := s.forecasts.Moved(), time.NewTimer(benchEvery)
	defer quiet.Stop()
	var waiting <-chan struct{} // moved, unless it was said just now
	for {
		list, next := s.d.Changes(after)
		for _, c := range list {
			if err := send(fmt.Sprintf("%s.%d", s.epoch, c.ID), c.Kind, c); err != nil {
				return
			}
			after = c.ID
		}
		select {
		case <-r.Context().Done():
			return
		case <-ending(r.Context()):
			return
		case <-next:
		case <-beat.C:
			if err := send("", "beat", clock{s.d.Now()}); err != nil {
				return
			}
		case <-quiet.C:
			waiting = moved
		case <-waiting:
			moved, waiting = s.forecasts.Moved(), nil
			quiet.Reset(benchEvery)
			if err := send("", "bench", clock{s.d.Now()}); err != nil {
				return
			}
		}
	}
}

// resume finds the change after which a reader goes on. A reader without an identifier
// begins with what happens from now on; gap says that something in between is lost.
func (s *Server) resume(last string) (after int64, gap bool) {
	kept, _ := s.d.Changes(0)
	newest := int64(0)
	if len(kept) > 0 {
		newest = kept[len(kept)-1].ID
	}
	if last == "" {
		return newest, false
	}
	epoch, number, _ := strings.Cut(last, ".")
	n, err := strconv.ParseInt(number, 10, 64)
	switch {
	case err != nil || epoch != s.epoch || n < 0 || n > newest:
		return 0, true
	case len(kept) > 0 && n+1 < kept[0].ID:
		return n, true
	}
	return n, false
}
