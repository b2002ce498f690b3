package api

import (
	"context"
	"fmt"
	"net/http"
	"net/url"

	"rundown/results"
	"rundown/results/reading"
)

type learnedInput struct {
	Handset string `query:"handset" doc:"the handset's name; all when left out"`
}

func (s *Server) learned(_ context.Context, in *learnedInput) (*body[[]reading.Learned], error) {
	list, err := s.d.Reading().Learned(in.Handset)
	if err != nil && len(list) == 0 {
		return nil, problem(err)
	}
	return &body[[]reading.Learned]{list}, nil
}

// Forgotten says what was dropped.
type Forgotten struct {
	Handset string `json:"handset"`
	Builds  int    `json:"os_builds" doc:"on how many OS builds something had been learned"`
}

func (s *Server) forget(ctx context.Context, in *struct {
	Name string `path:"name" doc:"the handset's name"`
}) (*body[Forgotten], error) {
	n, err := s.d.Forget(in.Name)
	if err != nil {
		return nil, problem(err)
	}
	if n == 0 {
		return nil, problem(fmt.Errorf("handset %s: nothing is learned of it: %w", in.Name, results.ErrNotFound))
	}
	did(ctx, "forgot what was learned of "+in.Name)
	return &body[Forgotten]{Forgotten{in.Name, n}}, nil
}

// Learned is what is known of a handset, or of all when the name is empty.
func (c *Client) Learned(ctx context.Context, handset string) (list []reading.Learned, err error) {
	path := "/v1/learned"
	if handset != "" {
		path += "?" + url.Values{"handset": {handset}}.Encode()
	}
	return list, c.call(ctx, http.MethodGet, path, nil, &list)
}

// Forget drops what was learned of a handset.
func (c *Client) Forget(ctx context.Context, handset string) (f Forgotten, err error) {
	return f, c.call(ctx, http.MethodDelete, "/v1/learned/"+url.PathEscape(handset), nil, &f)
}
