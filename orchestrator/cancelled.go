package orchestrator

import (
	"strings"
	"time"

	"rundown/devices"
	"rundown/results"
)

// A cancel that is given while the handset is away ends the run here at once. What goes on
// on the handset is written down with the segment (documentsLeft), and is ended there and
// collected at the next contact, before anything else. Whatever its samples show, it is
// cancelled: a person has said that it does not count.

// cancelledWords is why a segment was cancelled, or "".
func (v verdict) cancelledWords() string {
	if v.Cancelled == "" && v.Reason == "cancelled" { // of a journal that was written before
		return "cancelled"
	}
	return v.Cancelled
}

// sayCancelled says what the segment under way was at when it was cancelled.
func (r *run) sayCancelled() string {
	doing := map[State]string{Settling: "settling", Draining: "draining", Charging: "charging"}[r.e.State]
	text := "cancelled while " + doing
	var lost time.Time
	r.d.tell(r.h.Name, func(s *HandsetStatus) { lost = s.LinkLostAt })
	switch _, err := r.d.linkTo(r.h); {
	case !lost.IsZero():
		text += ", with the handset away since " + devices.At(lost)
	case err != nil:
		text += ", with the handset away"
	}
	return text
}

// settleCancelled is the outcome of a segment that was cancelled, if this one was.
func (g *segment) settleCancelled() bool {
	words := g.u.Verdict.cancelledWords()
	if words == "" {
		return false
	}
	g.rec.Outcome, g.rec.Reason = results.Cancelled, words
	if g.u.StartEdge || g.rec.Until != "" && g.rec.Reached > 0 {
		g.rec.Reason += ", after " + g.rec.Progress()
	}
	if g.u.Verdict.Unheard {
		g.rec.Reason += "; what went on on the handset is ended and collected at the next contact"
	}
	g.rec.Reason = strings.TrimSpace(g.rec.Reason)
	return true
}
