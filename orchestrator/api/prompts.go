package api

import (
	"context"
	"net/http"
	"net/url"
	"slices"

	"rundown/orchestrator"
	"rundown/results"
)

type promptsInput struct {
	Page
	Handset string `query:"handset"`
	Run     string `query:"run"`
	State   string `query:"state" enum:"open,answered,unanswered,seen,withdrawn,all" default:"open" doc:"open: those that wait for a person"`
}

// prompts lists what a person is asked, newest first.
func (s *Server) prompts(_ context.Context, in *promptsInput) (*paged[results.Prompt], error) {
	list := s.d.Prompts()
	if in.State != results.PromptOpen {
		var err error
		if list, err = s.d.Store().Prompts(in.Run); err != nil && len(list) == 0 {
			return nil, problem(err)
		}
	}
	slices.Reverse(list)
	list = slices.DeleteFunc(list, func(p results.Prompt) bool {
		return !(wanted(in.Handset, p.Handset) && wanted(in.Run, p.RunID) && (in.State == "all" || in.State == p.State))
	})
	return cut(list, in.Page, func(p results.Prompt) string { return p.ID })
}

func (s *Server) prompt(_ context.Context, in *itemInput) (*body[results.Prompt], error) {
	p, err := s.d.Store().Prompt(in.ID)
	if err != nil {
		return nil, problem(err)
	}
	return &body[results.Prompt]{p}, nil
}

type answerInput struct {
	ID   string    `path:"id"`
	Body *struct { // may be left out
		Choice string `json:"choice,omitempty" doc:"one of the prompt's choices; left out: the first"`
	}
}

// answer answers a prompt. Sent again, the same answer changes nothing.
func (s *Server) answer(ctx context.Context, in *answerInput) (*body[results.Prompt], error) {
	did(ctx, "answered prompt "+in.ID)
	choice := ""
	if in.Body != nil {
		choice = in.Body.Choice
	}
	p, err := s.d.AnswerPrompt(in.ID, choice, callerOf(ctx).Name)
	if err != nil {
		return nil, problem(err)
	}
	did(ctx, "answered "+p.Choice+" to: "+p.Text)
	return &body[results.Prompt]{p}, nil
}

func (s *Server) testGate(ctx context.Context, in *struct {
	Name string `path:"name" doc:"the handset's name"`
}) (*body[[]orchestrator.GateStep], error) {
	did(ctx, "tested the power gate of "+in.Name)
	steps, err := s.d.TestGate(ctx, in.Name)
	if err != nil {
		return nil, problem(err)
	}
	return &body[[]orchestrator.GateStep]{steps}, nil
}

// Prompts are those in a state ("open", another of theirs, or "all"), oldest first.
func (c *Client) Prompts(ctx context.Context, state, run string) ([]results.Prompt, error) {
	list, err := pages[results.Prompt](ctx, c, "/v1/prompts?"+url.Values{"state": {state}, "run": {run}, "limit": {"1000"}}.Encode())
	slices.Reverse(list)
	return list, err
}

// Answer answers a prompt; an empty choice is the first of its choices.
func (c *Client) Answer(ctx context.Context, id, choice string) (p results.Prompt, err error) {
	return p, c.call(ctx, http.MethodPost, "/v1/prompts/"+url.PathEscape(id)+"/answer", map[string]string{"choice": choice}, &p)
}

// TestGate proves a handset's power gate.
func (c *Client) TestGate(ctx context.Context, handset string) (list []orchestrator.GateStep, err error) {
	return list, c.call(ctx, http.MethodPost, "/v1/handsets/"+url.PathEscape(handset)+"/gate/test", nil, &list)
}
