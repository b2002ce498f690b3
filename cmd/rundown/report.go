package main

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
)

// reportCmd writes a report's files into a folder.
type reportCmd struct {
	Of  []string `arg:"" optional:"" help:"A run, a night by its name, or two and more sides to compare; none: the latest night."`
	Out string   `short:"o" help:"Folder to write to; made when missing." default:"report" placeholder:"DIR"`
	choiceFlags
	storeFlags
}

func (c *reportCmd) Help() string {
	return "Writes report.html (one page that needs no other file), report.md for an editor, each picture as SVG and PNG, and the rows they are made of as CSV.\n\n" +
		"Examples:\n  rundown report                                 the latest night\n  rundown report weeknights -o /tmp/night\n" +
		"  rundown report r20300514210000-0a1b2c3d\n  rundown report this_year last_year --scenario video"
}

var runID = regexp.MustCompile(`^r[0-9]{14}-[0-9a-f]{8}$`)

func (c *reportCmd) Run(e *env) error {
	e, done, err := c.asked(e)
	if err != nil {
		return err
	}
	defer done()
	path, q := "/v1/night/report", url.Values{}
	switch {
	case len(c.Of)+len(c.Run_) > 1:
		var err error
		if q, err = c.query(c.Of); err != nil {
			return err
		}
		path = "/v1/compare/report"
	case len(c.Run_) == 1:
		path = "/v1/runs/" + url.PathEscape(c.Run_[0]) + "/report"
	case len(c.Of) == 1 && runID.MatchString(c.Of[0]):
		path = "/v1/runs/" + url.PathEscape(c.Of[0]) + "/report"
	case len(c.Of) == 1:
		q.Set("night", c.Of[0])
	}
	var b bytes.Buffer
	q.Set("file", "all.zip")
	if err := e.client.Report(e.ctx, path, q, &b); err != nil {
		return err
	}
	names, err := unpack(b.Bytes(), c.Out)
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(map[string]any{"folder": c.Out, "files": names})
	}
	for _, n := range names {
		fmt.Fprintln(e.out, filepath.Join(c.Out, n))
	}
	return nil
}

// unpack writes an archive's files into a folder, each in place of an earlier one when it
// is whole.
func unpack(archive []byte, folder string) (names []string, err error) {
	z, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		return nil, fmt.Errorf("the daemon's report: %w", err)
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return nil, err
	}
	for _, f := range z.File {
		if filepath.Base(f.Name) != f.Name || !filepath.IsLocal(f.Name) {
			return names, fmt.Errorf("the daemon's report has a file named %q, which is left out", f.Name)
		}
		if err := unpackFile(f, filepath.Join(folder, f.Name)); err != nil {
			return names, err
		}
		names = append(names, f.Name)
	}
	return names, nil
}

func unpackFile(f *zip.File, path string) error {
	in, err := f.Open()
	if err != nil {
		return err
	}
	defer in.Close()
	_, err = putFile(path, func(w io.Writer) (int64, error) { return io.Copy(w, in) })
	return err
}
