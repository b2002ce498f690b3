package api

import (
	"context"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"rundown/results/reading"
)

func (s *Server) registerCompare(described huma.API) {
	get(s, described, "/v1/compare", "compare", "Handsets, runs and line-ups compared: ratios with intervals, what was not measured alike, what would settle what is open", s.compare)
}

type compareInput struct {
	Sides     []string  `query:"side,explode" doc:"handsets, runs and line-ups by name; none: every handset of the bench with runs"`
	Reference string    `query:"reference" doc:"the side that the others are compared with; the first when left out"`
	AllPairs  bool      `query:"all_pairs" doc:"each side with each, instead of with the reference"`
	Scenarios []string  `query:"scenario,explode" doc:"only these scenarios"`
	Plan      string    `query:"plan" doc:"only runs of this plan"`
	Allow     []string  `query:"allow,explode" doc:"mismatches that do not block: plan, workload, build, calibration, conditions, start level, charger, flagged, or a precondition's name"`
	From      time.Time `query:"from" doc:"only runs of handsets begun at or after this instant; left out: of the last 30 days before the newest run"`
	To        time.Time `query:"to" doc:"only runs of handsets begun before this instant"`
}

func (in *compareInput) choice() reading.Choice {
	return reading.Choice{
		Sides: in.Sides, Reference: in.Reference, AllPairs: in.AllPairs, Scenarios: in.Scenarios, Plan: in.Plan, Allow: in.Allow, From: in.From, To: in.To,
	}
}

func (s *recorded) compare(_ context.Context, in *compareInput) (*body[reading.Beside], error) {
	b, err := s.besideOf(in.choice())
	if err != nil && len(b.Sides) == 0 {
		return nil, problem(err)
	}
	return &body[reading.Beside]{b}, nil
}
