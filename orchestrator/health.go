package orchestrator

import (
	"errors"
	"fmt"
	"time"

	"rundown/results"
)

// documentsHealth is the store's kind for how handsets have fared, by handset name.
const documentsHealth = "standing"

// A health is how a handset has fared lately, across its runs.
type health struct {
	SpoiledInARow int       `json:"spoiled_in_a_row"`
	LastSegment   string    `json:"last_segment"` // counted last, so that none counts twice after a crash
	SetAside      *SetAside `json:"set_aside,omitempty"`
}

// A SetAside says since when and why a handset is set aside: it begins no run until a
// person has looked at it and released it.
type SetAside struct {
	Handset string    `json:"handset"`
	Since   time.Time `json:"since"`
	Run     string    `json:"run"`
	Reason  string    `json:"reason"`
}

func (d *Daemon) health(handset string) (s health, err error) {
	if err = d.store.Document(documentsHealth, handset, &s); errors.Is(err, results.ErrNotFound) {
		err = nil
	}
	return s, err
}

// judgeHealth counts a segment that has ended, and sets the handset aside when too many
// in a row were spoiled.
func (r *run) judgeHealth(g results.Segment) error {
	s, err := r.d.health(r.h.Name)
	if err != nil {
		r.log.Error().Err(err).Msg("how the handset has fared is not readable; it is counted anew")
		s = health{}
	}
	if s.LastSegment == g.ID {
		return nil
	}
	s.LastSegment = g.ID
	if g.Outcome == results.Spoiled {
		s.SpoiledInARow++
	} else {
		s.SpoiledInARow = 0
	}
	if most := r.d.file.Limits.SetAsideAfter; most > 0 && s.SpoiledInARow >= most && s.SetAside == nil {
		s.SetAside = &SetAside{
			Handset: r.h.Name, Since: r.d.now(), Run: r.e.RunID,
			Reason: fmt.Sprintf("%d segments spoiled in a row; the last, %s: %s", s.SpoiledInARow, g.Scenario, g.Reason),
		}
	}
	if err := r.d.store.PutDocument(documentsHealth, r.h.Name, s); err != nil {
		return err
	}
	r.showHealth(s)
	return nil
}

func (r *run) showHealth(s health) {
	if s.SetAside == nil {
		return
	}
	if r.e.StopReason == "" {
		r.e.StopReason = "set aside: " + s.SetAside.Reason
	}
	r.log.Error().Str("reason", s.SetAside.Reason).Msg("the handset is set aside")
	r.d.tell(r.h.Name, func(h *HandsetStatus) { h.SetAside = s.SetAside })
	r.d.publish(Change{Kind: "set aside", Handset: r.h.Name, Run: r.e.RunID, Text: s.SetAside.Reason})
	r.d.notifySetAside(*s.SetAside)
}

// setAside returns why a handset begins no run, or nil.
func (d *Daemon) setAside(handset string) *SetAside {
	s, err := d.health(handset)
	if err != nil {
		d.log.Error().Err(err).Str("handset", handset).Msg("how the handset has fared is not readable")
	}
	return s.SetAside
}

// Release puts a handset that was set aside back to work: what is queued for it begins,
// and its spoiled segments are counted anew. ErrNotNow when it is not set aside.
func (d *Daemon) Release(handset string) error {
	if _, ok := d.file.Handset(handset); !ok {
		return fmt.Errorf("%w: no handset %q on the bench; there are %v", ErrRequest, handset, d.handsetNames())
	}
	s, err := d.health(handset)
	switch {
	case err != nil:
		return err
	case s.SetAside == nil:
		return fmt.Errorf("%s: %w: it is not set aside", handset, ErrNotNow)
	}
	if err := d.store.PutDocument(documentsHealth, handset, health{LastSegment: s.LastSegment}); err != nil {
		return err
	}
	d.tell(handset, func(h *HandsetStatus) { h.SetAside, h.Problem = nil, "" })
	d.publish(Change{Kind: "set aside", Handset: handset, Text: "released"})
	d.queue.nudge()
	return nil
}
