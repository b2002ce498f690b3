package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"rundown/orchestrator"
	"rundown/results"
)

// documentsKeys is the store's kind of answers to requests with an idempotency key, by
// the hash of caller and key.
const documentsKeys = "idempotency"

// keysKept is how long a key is remembered, by the daemon's clock.
const keysKept = 48 * time.Hour

// An answered request.
type answered struct {
	ID    string    `json:"id"`
	At    time.Time `json:"at"`
	Asked string    `json:"asked"` // hash of the request
	Items []string  `json:"items"`
}

// An Item is a queue item as the API shows it: without the plan that it carries.
type Item struct {
	ID        string                 `json:"id"`
	Handset   string                 `json:"handset"`
	Plan      string                 `json:"plan"`
	PlanHash  string                 `json:"plan_hash"`
	Night     string                 `json:"night,omitempty"`
	QueuedAt  time.Time              `json:"queued_at"`
	NotBefore time.Time              `json:"not_before,omitzero"`
	FinishBy  time.Time              `json:"finish_by,omitzero"`
	State     orchestrator.ItemState `json:"state"`
	Paused    bool                   `json:"paused"`
	RunID     string                 `json:"run_id,omitempty"`
	Outcome   string                 `json:"outcome,omitempty"`
	// Cautions are what a person must know before this is carried out unwatched.
	Cautions []string `json:"cautions,omitempty"`
}

func view(it orchestrator.Item) Item {
	return Item{it.ID, it.Handset, it.Plan, it.Order.PlanHash, it.Night, it.QueuedAt, it.NotBefore, it.FinishBy, it.State, it.Paused, it.RunID, it.Outcome, it.Order.Cautions()}
}

func views(items []orchestrator.Item) []Item {
	list := make([]Item, len(items))
	for i, it := range items {
		list[i] = view(it)
	}
	return list
}

type queueInput struct {
	Page
	Handset string `query:"handset"`
	Plan    string `query:"plan"`
	State   string `query:"state" enum:"waiting,running,ended,cancelled,missed"`
}

// queue lists items, newest first.
func (s *Server) queue(_ context.Context, in *queueInput) (*paged[Item], error) {
	list := s.d.Queue()
	slices.Reverse(list)
	list = slices.DeleteFunc(list, func(it orchestrator.Item) bool {
		return in.Handset != "" && in.Handset != it.Handset || in.Plan != "" && in.Plan != it.Plan || in.State != "" && in.State != string(it.State)
	})
	return cut(views(list), in.Page, func(it Item) string { return it.ID })
}

type enqueueInput struct {
	Key  string `header:"Idempotency-Key" maxLength:"200" doc:"a value of the caller's own: the same request sent again with it queues nothing more"`
	Body Request
}

// A Request asks for a plan to be queued.
type Request struct {
	Plan      string    `json:"plan" minLength:"1"`
	Handsets  []string  `json:"handsets,omitempty" nullable:"true" doc:"names; left out: every handset of the bench"`
	Night     string    `json:"night,omitempty"`
	NotBefore time.Time `json:"not_before,omitzero" doc:"not to begin before this instant"`
	FinishBy  time.Time `json:"finish_by,omitzero" doc:"what would not have ended by this instant is not begun"`
}

type enqueueOutput struct {
	Replayed string `header:"Idempotency-Replayed" doc:"true when these items had been queued before"`
	Body     []Item
}

func (s *Server) enqueue(ctx context.Context, in *enqueueInput) (*enqueueOutput, error) {
	did(ctx, "queued "+in.Body.Plan+" for "+sayHandsets(in.Body.Handsets))
	if in.Key == "" {
		items, err := s.d.Enqueue(orchestrator.Request(in.Body))
		if err != nil {
			return nil, problem(err)
		}
		return &enqueueOutput{Body: views(items)}, nil
	}
	s.keys.Lock()
	defer s.keys.Unlock()
	s.forgetKeys()
	request, err := json.Marshal(in.Body)
	if err != nil {
		return nil, problem(err)
	}
	id, asked := hashOf(callerOf(ctx).Name+"\n"+in.Key), hashOf(string(request))
	var before answered
	switch err := s.d.Store().Document(documentsKeys, id, &before); {
	case err == nil && before.Asked != asked:
		return nil, huma.Error422UnprocessableEntity("this Idempotency-Key was sent before with another request; take a new one")
	case err == nil:
		out := &enqueueOutput{Replayed: "true", Body: []Item{}}
		for _, it := range s.d.Queue() {
			if slices.Contains(before.Items, it.ID) {
				out.Body = append(out.Body, view(it))
			}
		}
		return out, nil
	case !isNotFound(err):
		return nil, problem(err)
	}
	items, err := s.d.Enqueue(orchestrator.Request(in.Body))
	if err != nil {
		return nil, problem(err)
	}
	now := answered{ID: id, At: s.d.Now(), Asked: asked}
	for _, it := range items {
		now.Items = append(now.Items, it.ID)
	}
	if err := s.d.Store().PutDocument(documentsKeys, id, now); err != nil {
		s.d.Log().Error().Err(err).Msg("an idempotency key could not be kept: the same request sent again would queue again")
	}
	out := &enqueueOutput{Body: views(items)}
	for i, it := range items {
		out.Body[i].Cautions = s.d.CautionsOf(it.Order, it.Handset)
	}
	return out, nil
}

func (s *Server) forgetKeys() {
	list, _ := results.Documents[answered](s.d.Store(), documentsKeys)
	for _, a := range list {
		if s.d.Now().Sub(a.At) > keysKept {
			_ = s.d.Store().DeleteDocument(documentsKeys, a.ID)
		}
	}
}

func sayHandsets(names []string) string {
	if len(names) == 0 {
		return "every handset"
	}
	return strings.Join(names, ", ")
}

type itemInput struct {
	ID string `path:"id"`
}

func (s *Server) act(done string, f func(*orchestrator.Daemon, string) (orchestrator.Item, error)) func(context.Context, *itemInput) (*body[Item], error) {
	return func(ctx context.Context, in *itemInput) (*body[Item], error) {
		did(ctx, done+" "+in.ID)
		it, err := f(s.d, in.ID)
		if err != nil {
			return nil, problem(err)
		}
		did(ctx, done+" "+it.Plan+" on "+it.Handset+" ("+in.ID+")")
		return &body[Item]{view(it)}, nil
	}
}

// newEpoch names this daemon's numbering of events.
func newEpoch() string {
	sum := sha256.Sum256([]byte(time.Now().String()))
	return hex.EncodeToString(sum[:4])
}
