package results

import (
	"errors"
	"slices"
	"time"
)

// The state of a prompt.
const (
	PromptOpen       = "open"       // waits for a person
	PromptAnswered   = "answered"   // by a person
	PromptUnanswered = "unanswered" // nobody answered within its limit; its default stands
	PromptSeen       = "seen"       // the handset showed that it was done before anybody answered
	PromptWithdrawn  = "withdrawn"  // no longer needed: Reason says why
)

// A Prompt is what a person at the bench was asked to do or to decide, and what came of it.
type Prompt struct {
	ID        string `json:"id"`
	Handset   string `json:"handset,omitempty"` // the handset's name on the bench; empty: none in particular
	RunID     string `json:"run_id,omitempty"`  // the run that asked; empty: none did
	SegmentID string `json:"segment_id,omitempty"`
	Text      string `json:"text"`          // what is asked, one sentence
	Why       string `json:"why,omitempty"` // why it is asked, for a person

	OpenedAt time.Time `json:"opened_at"`
	// Until is when the default stands if nobody has answered.
	Until   time.Time `json:"until"`
	Choices []string  `json:"choices"` // what can be answered; the first is the plain "done"
	Default string    `json:"default"` // one of Choices

	State     string    `json:"state"`
	Choice    string    `json:"choice,omitempty"`      // what was answered, or the default
	By        string    `json:"answered_by,omitempty"` // who answered
	SettledAt time.Time `json:"settled_at,omitzero"`
	Reason    string    `json:"reason,omitempty"` // why it was withdrawn
	// Taken: whoever asked has heard the answer. An answer that the daemon died over is
	// still to be heard.
	Taken bool `json:"taken"`
}

// Outcome says in one line what was asked and what came of it.
func (p Prompt) Outcome() string {
	switch p.State {
	case PromptAnswered:
		return p.Text + ": " + p.Choice
	case PromptUnanswered:
		return p.Text + ": nobody answered, so " + p.Choice
	case PromptSeen:
		return p.Text + ": seen on the handset"
	case PromptWithdrawn:
		return p.Text + ": no longer asked, " + p.Reason
	}
	return p.Text + ": not answered yet"
}

// documentsPrompts is the store's kind of prompts, by their ID.
const documentsPrompts = "prompts"

// PutPrompt stores a prompt.
func (s *Store) PutPrompt(p Prompt) error { return s.PutDocument(documentsPrompts, p.ID, p) }

// Prompt returns a prompt by its ID, or ErrNotFound.
func (s *Store) Prompt(id string) (p Prompt, err error) {
	return p, s.Document(documentsPrompts, id, &p)
}

// Prompts returns all prompts, oldest first; those of one run where runID is not empty.
func (s *Store) Prompts(runID string) ([]Prompt, error) {
	list, err := Documents[Prompt](s, documentsPrompts)
	if list == nil {
		list = []Prompt{}
	}
	if runID != "" {
		list = slices.DeleteFunc(list, func(p Prompt) bool { return p.RunID != runID })
	}
	slices.SortStableFunc(list, func(a, b Prompt) int { return a.OpenedAt.Compare(b.OpenedAt) })
	return list, err
}

// promptRows is every prompt as the exported table has it.
func promptRows(s *Store, f Filter, row func(...any) error) error {
	list, bad := s.Prompts(f.Run)
	runs, err := s.Runs()
	bad = errors.Join(bad, err)
	scenario, plan := map[string]string{}, map[string]string{}
	bad = errors.Join(bad, s.EachSegment(f.Run, func(g Segment) error {
		scenario[g.ID] = g.Scenario
		return nil
	}))
	for _, r := range runs {
		plan[r.ID] = r.Plan
	}
	for _, p := range list {
		like := Segment{RunID: p.RunID, Handset: p.Handset, Plan: plan[p.RunID], Scenario: scenario[p.SegmentID], StartedAt: p.OpenedAt}
		if !f.takes(like) {
			continue
		}
		if err := row(p.Handset, p.RunID, p.SegmentID, like.Scenario, false, p.ID, p.Text, p.Why, p.OpenedAt, p.Until, p.Default, p.State, p.Choice, p.By, p.SettledAt, p.Reason); err != nil {
			return err
		}
	}
	return bad
}

var promptTable = Table{Name: "prompts", About: "One row a prompt: what a person was asked, and what came of it.", Columns: keyed(
	Column{"prompt_id", "string", "", "the prompt"},
	Column{"text", "string", "", "what was asked"},
	Column{"why", "string", "", "why"},
	Column{"opened_utc", "time", "", "when it was asked, host's clock"},
	Column{"until_utc", "time", "", "when its default was to stand"},
	Column{"default", "string", "", "what stands when nobody answers"},
	Column{"state", "string", "", "open, answered, unanswered (the default stands), seen (the handset showed it), withdrawn"},
	Column{"choice", "string", "", "what was answered, or the default"},
	Column{"answered_by", "string", "", "who answered"},
	Column{"settled_utc", "time", "", "when it was answered or ended"},
	Column{"reason", "string", "", "why it was withdrawn"},
), rows: promptRows}
