package orchestrator

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rundown/results"
)

// A NightSummary is how a night went, for a person in the morning: what needs one first.
type NightSummary struct {
	Night    string         `json:"night"` // empty for what was queued by hand
	Plan     string         `json:"plan"`
	QueuedAt time.Time      `json:"queued_at"`
	FinishBy time.Time      `json:"finish_by,omitzero"`
	Over     bool           `json:"over"`
	SetAside []SetAside     `json:"set_aside,omitempty"` // handsets that begin no run until somebody has looked
	Handsets []NightHandset `json:"handsets"`
}

// A NightHandset is what one handset made of a night.
type NightHandset struct {
	Handset  string    `json:"handset"`
	Run      string    `json:"run,omitempty"`
	State    ItemState `json:"state"`
	Outcome  string    `json:"outcome,omitempty"`
	Measured int       `json:"segments_measured"`
	Flagged  int       `json:"segments_flagged"`
	Spoiled  int       `json:"segments_spoiled"`
	Skipped  int       `json:"segments_skipped"`
	// Cancelled are those that a person ended while they went on.
	Cancelled int       `json:"segments_cancelled,omitempty"`
	Reasons   []string  `json:"reasons,omitempty"` // of what was spoiled, flagged, cancelled or not begun
	EndedAt   time.Time `json:"ended_at,omitzero"`
}

// sameNight reports whether two items were queued together.
func sameNight(a, b Item) bool {
	return a.Night == b.Night && a.Plan == b.Plan && a.FinishBy.Equal(b.FinishBy) && a.QueuedAt.Sub(b.QueuedAt).Abs() < time.Hour
}

// NightSummary says how the latest night of that name went; an empty name stands for
// whatever was queued last. results.ErrNotFound when there was none.
func (d *Daemon) NightSummary(night string) (NightSummary, error) {
	items := d.queue.all()
	at := -1
	for i, it := range items {
		if night == "" || it.Night == night {
			at = i
		}
	}
	if at < 0 {
		return NightSummary{}, fmt.Errorf("night %q: %w", night, results.ErrNotFound)
	}
	return d.summary(items, items[at])
}

func (d *Daemon) summary(items []Item, like Item) (NightSummary, error) {
	s := NightSummary{Night: like.Night, Plan: like.Plan, QueuedAt: like.QueuedAt, FinishBy: like.FinishBy, Over: true}
	var bad error
	for _, it := range items {
		if !sameNight(it, like) {
			continue
		}
		h := NightHandset{Handset: it.Handset, Run: it.RunID, State: it.State, Outcome: it.Outcome}
		if it.Outcome == "" {
			s.Over = false
		}
		if it.RunID != "" {
			segments, err := d.store.Segments(it.RunID)
			bad = errors.Join(bad, err)
			for _, g := range segments {
				h.count(g)
			}
			if run, err := d.store.Run(it.RunID); err == nil {
				h.EndedAt = run.EndedAt
			}
		}
		named := slices.ContainsFunc(s.SetAside, func(a SetAside) bool { return a.Handset == it.Handset })
		if aside := d.setAside(it.Handset); aside != nil && !named {
			s.SetAside = append(s.SetAside, *aside)
		}
		s.Handsets = append(s.Handsets, h)
	}
	return s, bad
}

func (h *NightHandset) count(g results.Segment) {
	switch g.Outcome {
	case results.Measured:
		h.Measured++
		return
	case results.Flagged:
		h.Flagged++
	case results.Spoiled:
		h.Spoiled++
	case results.Cancelled:
		h.Cancelled++
	case results.Skipped:
		h.Skipped++
	default:
		return
	}
	h.Reasons = append(h.Reasons, fmt.Sprintf("%s, attempt %d, %s: %s", g.Scenario, g.Attempt, g.Outcome, g.Reason))
}

// Lines is the summary as text, the handsets that need a person first.
func (s NightSummary) Lines() []string {
	var lines []string
	for _, a := range s.SetAside {
		lines = append(lines, fmt.Sprintf("%s is set aside since %s: %s. Look at it, then release it.", a.Handset, a.Since.Format("15:04"), a.Reason))
	}
	name := "what was queued by hand"
	if s.Night != "" {
		name = "night " + s.Night
	}
	state := "is under way"
	if s.Over {
		state = "is over"
	}
	lines = append(lines, fmt.Sprintf("%s (%s) %s:", name, s.Plan, state))
	for _, h := range s.Handsets {
		text := fmt.Sprintf("%s: %d measured", h.Handset, h.Measured)
		for _, n := range []struct {
			count int
			word  string
		}{{h.Flagged, "flagged"}, {h.Spoiled, "spoiled"}, {h.Cancelled, "cancelled"}, {h.Skipped, "not begun"}} {
			if n.count > 0 {
				text += fmt.Sprintf(", %d %s", n.count, n.word)
			}
		}
		if h.Outcome != "" && h.Outcome != string(Done) {
			text += "; " + h.Outcome
		}
		lines = append(lines, text)
	}
	return lines
}

// nightOver publishes a night's summary when its last item has ended.
func (d *Daemon) nightOver(it Item) {
	if it.Night == "" {
		return
	}
	s, err := d.summary(d.queue.all(), it)
	if err != nil || !s.Over {
		return
	}
	if !d.nights.first(it.Night + it.FinishBy.String()) {
		return
	}
	d.log.Info().Str("night", it.Night).Strs("summary", s.Lines()).Msg("the night is over")
	d.publish(Change{Kind: "night", Text: strings.Join(s.Lines(), " ")})
}
