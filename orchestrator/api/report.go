package api

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"mime"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"rundown/orchestrator"
	"rundown/results/reading"
	"rundown/results/report"
)

// Reports are files, not JSON: huma does not serve them.

// reportPolicy lets a report show the style and the pictures that stand in the page itself.
// What comes from outside is escaped in it, and it has no script.
const reportPolicy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'"

// allFiles is the name under which a report comes as one archive.
const allFiles = "all.zip"

func (s *Server) registerReports() {
	s.handle(Reader, "GET /v1/runs/{id}/report", "run-report", s.reporting(func(r *http.Request) (report.Report, error) { return s.room.RunReport(r.PathValue("id")) }))
	s.handle(Reader, "GET /v1/night/report", "night-report", s.reporting(func(r *http.Request) (report.Report, error) { return s.nightReportOf(r.URL.Query().Get("night")) }, "night"))
	s.handle(Reader, "GET /v1/compare/report", "compare-report", s.reporting(func(r *http.Request) (report.Report, error) {
		c, err := choiceOf(r)
		if err != nil {
			return report.Report{}, err
		}
		return s.room.CompareReport(c)
	}, "side", "reference", "all_pairs", "scenario", "plan", "allow", "from", "to"))
}

// choiceOf reads the query of GET /v1/compare.
func choiceOf(r *http.Request) (reading.Choice, error) {
	q := r.URL.Query()
	c := reading.Choice{Sides: q["side"], Reference: q.Get("reference"), Scenarios: q["scenario"], Plan: q.Get("plan"), Allow: q["allow"]}
	switch q.Get("all_pairs") {
	case "", "false":
	case "true":
		c.AllPairs = true
	default:
		return c, fmt.Errorf("%w: all_pairs: want true or false, got %q", orchestrator.ErrRequest, q.Get("all_pairs"))
	}
	for name, at := range map[string]*time.Time{"from": &c.From, "to": &c.To} {
		if text := q.Get(name); text != "" {
			var err error
			if *at, err = time.Parse(time.RFC3339, text); err != nil {
				return c, fmt.Errorf("%w: %s: want an instant such as 2030-05-14T21:00:00Z, got %q", orchestrator.ErrRequest, name, text)
			}
		}
	}
	return c, nil
}

// reporting answers with one file of a report, or all of them in an archive. filters are
// what the query may hold besides the file's name.
func (s *recorded) reporting(of func(*http.Request) (report.Report, error), filters ...string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		for name := range r.URL.Query() {
			if name != "file" && !slices.Contains(filters, name) {
				writeProblem(w, http.StatusUnprocessableEntity, fmt.Sprintf("there is no %q here", name))
				return
			}
		}
		made, err := of(r)
		if err != nil && made.At.IsZero() {
			model := problem(err).(huma.StatusError)
			writeProblem(w, model.GetStatus(), model.Error())
			return
		}
		if err != nil { // some of the store cannot be read
			s.incomplete("the report "+r.URL.Path, err)
		}
		name := r.URL.Query().Get("file")
		if name == "" {
			name = "report.html"
		}
		files := made.Files()
		var b bytes.Buffer
		if name == allFiles {
			err = archive(&b, files, made.At)
		} else {
			i := slices.IndexFunc(files, func(f report.File) bool { return f.Name == name })
			if i < 0 {
				var names []string
				for _, f := range files {
					names = append(names, f.Name)
				}
				writeProblem(w, http.StatusNotFound, fmt.Sprintf("this report has no file %q; it has %s, and all of them in %s", name, strings.Join(names, ", "), allFiles))
				return
			}
			err = files[i].Write(&b)
		}
		if err != nil {
			writeProblem(w, http.StatusInternalServerError, "the report could not be made: "+err.Error())
			return
		}
		h := w.Header()
		h.Set("Content-Type", typeOf(name))
		if name == "report.html" {
			h.Set("Content-Security-Policy", reportPolicy)
		} else {
			h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="%s"`, name))
		}
		_, _ = w.Write(b.Bytes())
	}
}

func typeOf(name string) string {
	switch filepath.Ext(name) {
	case ".md":
		return "text/markdown; charset=utf-8"
	case ".zip":
		return "application/zip"
	case ".csv":
		return "text/csv; charset=utf-8"
	}
	return mime.TypeByExtension(filepath.Ext(name))
}

func archive(w io.Writer, files []report.File, at time.Time) error {
	z := zip.NewWriter(w)
	for _, f := range files {
		into, err := z.CreateHeader(&zip.FileHeader{Name: f.Name, Method: zip.Deflate, Modified: at})
		if err != nil {
			return err
		}
		if err := f.Write(into); err != nil {
			return fmt.Errorf("%s: %w", f.Name, err)
		}
	}
	return z.Close()
}

// describeReports adds them to the description.
func (s *Server) describeReports() {
	text := func(name, in, about string) *huma.Param {
		return &huma.Param{Name: name, In: in, Description: about, Required: in == "path", Schema: &huma.Schema{Type: "string"}}
	}
	many := func(name, about string) *huma.Param {
		explode := true
		return &huma.Param{Name: name, In: "query", Description: about, Explode: &explode, Schema: &huma.Schema{Type: "array", Items: &huma.Schema{Type: "string"}}}
	}
	file := text("file", "query", "report.html when left out; report.md, each picture as .svg and .png, the rows as .csv, columns.json, or "+allFiles)
	content := map[string]*huma.MediaType{}
	for _, t := range []string{"text/html", "text/markdown", "image/svg+xml", "image/png", "text/csv", "application/zip"} {
		content[t] = &huma.MediaType{Schema: &huma.Schema{Type: "string"}}
	}
	add := func(id, path, summary string, more ...*huma.Param) {
		s.spec.AddOperation(&huma.Operation{
			OperationID: id, Method: http.MethodGet, Path: path, Summary: summary, Description: "Needs the role reader.", Parameters: append(more, file),
			Responses: map[string]*huma.Response{
				"200":     {Description: "the file", Content: content},
				"default": {Description: "Error", Content: map[string]*huma.MediaType{"application/problem+json": {Schema: &huma.Schema{Ref: "#/components/schemas/ErrorModel"}}}},
			},
		})
	}
	add("run-report", "/v1/runs/{id}/report", "A run as a report: page, table for an editor, pictures, rows", text("id", "path", "the run"))
	add("night-report", "/v1/night/report", "The latest night as a report", text("night", "query", "its name in the plan file; whatever was queued last when left out"))
	add("compare-report", "/v1/compare/report", "A comparison as a report", many("side", "handsets, runs and line-ups by name"), text("reference", "query", ""),
		text("all_pairs", "query", "true or false"), many("scenario", ""), text("plan", "query", ""), many("allow", "mismatches that do not block"), text("from", "query", ""), text("to", "query", ""))
}
