package api

import (
	"context"
	"net/http"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/logfiles"
)

// The paths of requests whose body is a file.
const (
	importPath  = "/v1/import"
	recordsPath = "/v1/records"
)

// isFile reports whether a request to a path, with or without its query, has a file as its body.
func isFile(path string) bool {
	path, _, _ = strings.Cut(path, "?")
	return path == importPath || path == recordsPath || path == calculatePath || path == validatePath
}

// maxFile bounds an imported file.
const maxFile = logfiles.MaxBytes

// yesOrNo is an answer that may be left out: nil.
func yesOrNo(text string) *bool {
	if text == "" {
		return nil
	}
	yes := text == "true"
	return &yes
}

func (s *Server) registerImports(described huma.API) {
	s.note(Operator, http.MethodPost+" "+importPath, "import")
	huma.Register(described, huma.Operation{
		OperationID: "import", Method: http.MethodPost, Path: importPath, Summary: "Bring in a log that was timed by hand or written by an instrument", MaxBodyBytes: maxFile,
		Description: "Needs the role operator. The body is the file. It is checked whole; every fault comes with its line, and then nothing is stored. The same log of the same handset is stored once.",
	}, s.importLog)
	operator(s, described, http.MethodDelete, "/v1/runs/{id}", "delete-import", "Take an imported run back; a measured one is refused", s.deleteImport)
	get(s, described, "/v1/runs/{id}/annotations", "annotations", "What people have said of a run, oldest first", s.annotations)
	post(s, described, "/v1/runs/{id}/annotations", "annotate", "Say something of a run, with who and when", s.annotate)
	operator(s, described, http.MethodDelete, "/v1/runs/{id}/annotations/{annotation}", "delete-annotation", "Withdraw an annotation", s.deleteAnnotation)
}

type importInput struct {
	File        string    `query:"file" maxLength:"200" doc:"the file's name, for messages and the record"`
	Handset     string    `query:"handset" required:"true" minLength:"1" maxLength:"60" doc:"the handset by name; it need not be on the bench"`
	Model       string    `query:"model" maxLength:"100"`
	CapacityMAh float64   `query:"capacity_mah" minimum:"0" maximum:"50000" doc:"maker's rated capacity, mAh"`
	NominalMV   float64   `query:"nominal_mv" minimum:"0" maximum:"9000" doc:"maker's nominal cell voltage, mV"`
	Build       string    `query:"build" maxLength:"300" doc:"OS build"`
	Scenario    string    `query:"scenario" maxLength:"60" doc:"what the handset did"`
	Plan        string    `query:"plan" maxLength:"60" doc:"what a comparison takes for its plan"`
	As          string    `query:"as" enum:"endurance,charge,sustain" doc:"what the file serves; left out: by what its columns are"`
	Columns     []string  `query:"column,explode" doc:"which column is what: QUANTITY=HEADING@UNIT, such as time=Elapsed@h:mm:ss"`
	Only        string    `query:"only" doc:"one of several logs in the file: segment, or segment/workload"`
	AtChange    string    `query:"at_change" enum:"true,false" doc:"each line is the moment at which the level changed; left out: by how the log looks"`
	WarmUpS     float64   `query:"warm_up_s" minimum:"0" maximum:"86400" doc:"left out at the beginning, s"`
	LoopS       float64   `query:"loop_s" minimum:"0" maximum:"86400" doc:"length of the script's loop, s"`
	Points      int       `query:"points" minimum:"0" maximum:"100" doc:"drain target; left out: all that was drained"`
	Started     time.Time `query:"started" doc:"when the log begins, where the file does not say"`
	Note        string    `query:"note" maxLength:"2000"`
	DryRun      bool      `query:"dry_run" doc:"read, check and calculate, and store nothing"`
	RawBody     []byte    `contentType:"text/csv"`
}

func (s *Server) importLog(ctx context.Context, in *importInput) (*body[orchestrator.Import], error) {
	what := "imported " + in.File + " of " + in.Handset
	if in.DryRun {
		what = "tried to import " + in.File + " of " + in.Handset
	}
	did(ctx, what)
	q := orchestrator.ImportRequest{
		File: in.File, Content: in.RawBody, Handset: in.Handset, Model: in.Model, CapacityMAh: in.CapacityMAh, NominalMV: in.NominalMV, Build: in.Build,
		Scenario: in.Scenario, Plan: in.Plan, As: in.As, AtChange: yesOrNo(in.AtChange), Only: in.Only, WarmUpS: in.WarmUpS, LoopS: in.LoopS,
		TargetPoints: in.Points, Started: in.Started, Note: in.Note, By: callerOf(ctx).Name, DryRun: in.DryRun,
	}
	if q.File == "" {
		q.File = "log.csv"
	}
	columns, err := logfiles.ParseColumns(in.Columns)
	if err != nil {
		return nil, huma.Error422UnprocessableEntity(err.Error())
	}
	q.Columns = columns
	done, err := s.d.Import(q)
	if err != nil {
		return nil, problem(err)
	}
	return &body[orchestrator.Import]{done}, nil
}

func (s *Server) deleteImport(ctx context.Context, in *itemInput) (*body[results.Run], error) {
	did(ctx, "deleted the import "+in.ID)
	r, err := s.d.DeleteImport(in.ID)
	if err != nil {
		return nil, problem(err)
	}
	did(ctx, "deleted the import "+in.ID+", "+r.Imported.File+" of "+r.Handset.Name)
	return &body[results.Run]{r}, nil
}

func (s *Server) annotations(_ context.Context, in *itemInput) (*body[[]results.Annotation], error) {
	list, err := s.d.Reading().Annotations(in.ID)
	if err != nil {
		return nil, problem(err)
	}
	return &body[[]results.Annotation]{list}, nil
}

type annotateInput struct {
	ID   string `path:"id"`
	Body struct {
		Text string `json:"text" minLength:"1" maxLength:"2000"`
	}
}

func (s *Server) annotate(ctx context.Context, in *annotateInput) (*body[results.Annotation], error) {
	did(ctx, "annotated the run "+in.ID)
	a, err := s.d.Annotate(in.ID, callerOf(ctx).Name, in.Body.Text)
	if err != nil {
		return nil, problem(err)
	}
	return &body[results.Annotation]{a}, nil
}

func (s *Server) deleteAnnotation(ctx context.Context, in *struct {
	ID         string `path:"id"`
	Annotation string `path:"annotation"`
}) (*struct{}, error) {
	did(ctx, "withdrew an annotation of the run "+in.ID)
	if err := s.d.DeleteAnnotation(in.ID, in.Annotation); err != nil {
		return nil, problem(err)
	}
	return nil, nil
}
