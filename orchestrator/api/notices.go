package api

import (
	"context"
	"net/http"
	"strings"

	"rundown/orchestrator/notices"
)

type noticesInput struct {
	Page
	State string `query:"state" enum:"waiting,sending,sent,failed,unknown" doc:"only those with a delivery in this state"`
}

func (s *Server) notices(_ context.Context, in *noticesInput) (*paged[notices.Record], error) {
	all, err := s.d.Notices()
	if err != nil && len(all) == 0 {
		return nil, problem(err)
	}
	list := []notices.Record{}
	for _, r := range all {
		match := in.State == ""
		for _, d := range r.Deliveries {
			match = match || d.State == in.State
		}
		if match {
			list = append(list, r)
		}
	}
	return cut(list, in.Page, func(r notices.Record) string { return r.ID })
}

func (s *Server) noticeTargets(context.Context, *none) (*body[[]notices.Status], error) {
	return &body[[]notices.Status]{s.d.NoticeTargets()}, nil
}

type testNoticesInput struct {
	Body *struct { // may be left out
		Target string `json:"target,omitempty" doc:"its name in the plan file; left out: all of them"`
	}
}

func (s *Server) testNotices(ctx context.Context, in *testNoticesInput) (*body[[]notices.Trial], error) {
	target := ""
	if in.Body != nil {
		target = in.Body.Target
	}
	did(ctx, strings.TrimSuffix("sent a test notice to "+target, " to "))
	trials, err := s.d.TestNotices(ctx, target)
	if err != nil {
		return nil, problem(err)
	}
	return &body[[]notices.Trial]{trials}, nil
}

// Notices are those of the last months, newest first.
func (c *Client) Notices(ctx context.Context) ([]notices.Record, error) {
	return pages[notices.Record](ctx, c, "/v1/notices?limit=1000")
}

// NoticeTargets are where notices go.
func (c *Client) NoticeTargets(ctx context.Context) (list []notices.Status, err error) {
	return list, c.call(ctx, http.MethodGet, "/v1/notices/targets", nil, &list)
}

// TestNotices sends a test to one target, to all where target is empty.
func (c *Client) TestNotices(ctx context.Context, target string) (list []notices.Trial, err error) {
	return list, c.call(ctx, http.MethodPost, "/v1/notices/test", map[string]string{"target": target}, &list)
}
