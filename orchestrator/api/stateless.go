package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"

	"github.com/danielgtaylor/huma/v2"

	"rundown/orchestrator"
	"rundown/results/calculate"
	"rundown/results/logfiles"
	"rundown/scenarios"
)

// Requests that need no bench: a file goes in, what it says comes out, nothing is stored.
const (
	calculatePath = "/v1/calculate"
	validatePath  = "/v1/validate"
)

func (s *Server) registerStateless(a huma.API) {
	file := func(path, id, summary, about string) huma.Operation {
		s.note(Operator, http.MethodPost+" "+path, id)
		return huma.Operation{OperationID: id, Method: http.MethodPost, Path: path, Summary: summary, MaxBodyBytes: maxFile, Description: "Needs the role operator, as everything that is posted. " + about}
	}
	huma.Register(a, file(calculatePath, "calculate", "Work out one log: a drain, a charge or cycles", "The body is the CSV file; nothing is stored."), s.calculate)
	huma.Register(a, file(validatePath, "validate", "Check a plan file", "The body is the file. Its faults are the answer, each with its place; it need not be this daemon's."), s.validate)
	get(s, a, "/v1/schema", "schema", "The plan file's JSON Schema", s.schema)
}

type calculateInput struct {
	File           string   `query:"file" maxLength:"200" doc:"the file's name, for messages"`
	As             string   `query:"as" enum:"endurance,charge,sustain" doc:"left out: by what the columns are"`
	Columns        []string `query:"column,explode" doc:"which column is what: QUANTITY=HEADING@UNIT, such as time=Elapsed@h:mm:ss"`
	Only           string   `query:"only" doc:"one of several logs in the file: segment, or segment/workload"`
	AtChange       string   `query:"at_change" enum:"true,false" doc:"each line is the moment at which the level changed; left out: by how the log looks"`
	WarmUpS        float64  `query:"warm_up_s" minimum:"0" maximum:"86400" default:"180" doc:"endurance: left out at the beginning, s"`
	LoopS          float64  `query:"loop_s" minimum:"0" maximum:"86400" doc:"endurance: length of the script's loop, s"`
	Points         int      `query:"points" minimum:"0" maximum:"100" doc:"endurance: drain target; left out: all that was drained"`
	DesignMAh      float64  `query:"design_mah" minimum:"0" maximum:"50000" doc:"endurance: the maker's capacity, 100 or more mAh; left out: not known"`
	NominalMV      float64  `query:"nominal_mv" minimum:"0" maximum:"9000" doc:"endurance: the maker's cell voltage, mV, for hours per watt-hour; needs design_mah"`
	LearnedMAh     float64  `query:"learned_mah" minimum:"0" maximum:"1000000" doc:"endurance: full charge in the counter's units, learned in a survey, 100 or more mAh"`
	LearnedCurrent float64  `query:"learned_by_current_mah" minimum:"0" maximum:"1000000" doc:"endurance: full charge by integrating the current readings, learned in a survey, 100 or more mAh"`
	RawBody        []byte   `contentType:"text/csv"`
}

func (s *Server) calculate(_ context.Context, in *calculateInput) (*body[calculate.Result], error) {
	columns, err := logfiles.ParseColumns(in.Columns)
	if err != nil {
		return nil, huma.Error422UnprocessableEntity(err.Error())
	}
	options := logfiles.Options{Columns: columns, Only: in.Only}
	name := in.File
	if name == "" {
		name = "log.csv"
	}
	log, err := logfiles.Read(name, bytes.NewReader(in.RawBody), options)
	if err != nil {
		return nil, unusable(err)
	}
	r, err := calculate.Log(name, log, calculate.Options{
		As: in.As, AtChange: yesOrNo(in.AtChange), WarmUpS: in.WarmUpS, LoopS: in.LoopS, Points: in.Points, DesignMAh: in.DesignMAh, NominalMV: in.NominalMV,
		LearnedMAh: in.LearnedMAh, LearnedByCurrentMAh: in.LearnedCurrent,
	})
	if err != nil {
		return nil, unusable(err)
	}
	return &body[calculate.Result]{r}, nil
}

// unusable is the problem of a file that gives no figure: its own fault, not the daemon's.
func unusable(err error) error {
	var faults logfiles.Faults
	if errors.As(err, &faults) {
		return problem(err)
	}
	return huma.Error422UnprocessableEntity(err.Error())
}

type validateInput struct {
	File    string `query:"file" maxLength:"200" doc:"the file's name, for messages"`
	RawBody []byte `contentType:"application/yaml"`
}

// A Validation is what is wrong in a plan file, and what is worth a look in one that is sound.
type Validation struct {
	File     string          `json:"file"`
	Faults   []PlanFileFault `json:"faults"` // empty: none found
	Notes    []string        `json:"notes"`
	Handsets int             `json:"handsets"`
	Plans    int             `json:"plans"`
	Nights   int             `json:"nights"`
}

// A PlanFileFault is one thing that is wrong, and where.
type PlanFileFault struct {
	Line int    `json:"line"` // from 1
	Col  int    `json:"column"`
	Path string `json:"path"` // such as plans.everyday.segments[2].drain
	Says string `json:"says"`
}

func (s *Server) validate(_ context.Context, in *validateInput) (*body[Validation], error) {
	v := Validation{File: in.File, Faults: []PlanFileFault{}, Notes: []string{}}
	if v.File == "" {
		v.File = "bench.yaml"
	}
	f, err := scenarios.Parse(v.File, in.RawBody)
	var faults scenarios.Faults
	switch {
	case errors.As(err, &faults):
		for _, fault := range faults {
			v.Faults = append(v.Faults, PlanFileFault{Line: fault.Line, Col: fault.Col, Path: fault.Path, Says: fault.Msg})
		}
		return &body[Validation]{v}, nil
	case err != nil:
		return nil, huma.Error422UnprocessableEntity(err.Error())
	}
	v.Handsets, v.Plans, v.Nights = len(f.Bench.Handsets), len(f.Plans), len(f.Nights)
	v.Notes = slices.Concat(v.Notes, f.Hints, f.PowerNotes())
	for name, n := range f.Nights {
		if err := orchestrator.Playable(f, n.Plan); err != nil {
			v.Notes = append(v.Notes, "nights."+name+" would not be queued on this host: "+err.Error())
		}
	}
	return &body[Validation]{v}, nil
}

func (s *Server) schema(context.Context, *none) (*body[map[string]any], error) {
	text, err := scenarios.Schema()
	if err != nil {
		return nil, problem(err)
	}
	var schema map[string]any
	if err := json.Unmarshal(text, &schema); err != nil {
		return nil, problem(err)
	}
	return &body[map[string]any]{schema}, nil
}
