package main

import (
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rundown/results"
)

type exportCmd struct {
	What     string `help:"Which table, or all: ${tables}." default:"all"`
	Format   string `help:"csv, jsonl or parquet." enum:"csv,jsonl,parquet" default:"csv"`
	Out      string `short:"o" help:"Folder to write to; made when missing. Left out: a new one, named for the time." placeholder:"DIR"`
	Handset  string `help:"Only of this handset."`
	Scenario string `help:"Only of this scenario."`
	Plan     string `help:"Only of this plan."`
	Of       string `help:"Only of this run." placeholder:"RUN"`
	From     string `help:"Only segments begun at or after this instant (RFC 3339)." placeholder:"TIME"`
	To       string `help:"Only segments begun before this instant (RFC 3339)." placeholder:"TIME"`
	storeFlags
}

func (c *exportCmd) Help() string {
	return `Examples:
  rundown export                                  all tables, into a new folder
  rundown export -o results --format parquet      into this one
  rundown export --what samples -o results --handset Alder

All tables are put into the folder together once they are whole. A folder that has been exported to before is
renewed as a whole; one that holds anything else is left as it is. A single table renews its own file alone.`
}

// tableNames are the tables that can be exported, for help.
func tableNames() string { return strings.Join(results.TableNames(), ", ") }

// columnsFile says what each column means.
const columnsFile = "columns.json"

func (c *exportCmd) Run(e *env) error {
	e, done, err := c.asked(e)
	if err != nil {
		return err
	}
	defer done()
	if c.What != "all" {
		if _, err := results.TableNamed(c.What); err != nil {
			return fmt.Errorf("--what: %w", err)
		}
	}
	if c.Out == "" {
		if c.Out, err = newFolder("rundown-export-" + time.Now().Format("20060102-1504")); err != nil {
			return err
		}
	}
	var files []exported
	if c.What == "all" {
		files, err = c.whole(e)
	} else {
		files, err = c.single(e)
	}
	switch {
	case err != nil:
		return err
	case e.json:
		return e.printJSON(files)
	}
	for _, w := range files {
		fmt.Fprintf(e.out, "%s  %d bytes\n", w.File, w.Bytes)
	}
	fmt.Fprintf(e.out, "%s  what each column means\n", filepath.Join(c.Out, columnsFile))
	return nil
}

// newFolder is the first name of a folder that is not there yet: the name itself, or with a number.
func newFolder(name string) (string, error) {
	for n := 1; n < 1000; n++ {
		one := name
		if n > 1 {
			one = fmt.Sprintf("%s-%d", name, n)
		}
		if _, err := os.Lstat(one); errors.Is(err, os.ErrNotExist) {
			return one, nil
		}
	}
	return "", fmt.Errorf("there are a thousand folders %s: name one with -o", name)
}

// An exported file.
type exported struct {
	File  string `json:"file"`
	Bytes int64  `json:"bytes"`
}

// whole exports all tables into a folder beside the one that is wanted, which takes its place
// once it is whole.
func (c *exportCmd) whole(e *env) ([]exported, error) {
	there, err := exportedBefore(c.Out)
	if err != nil {
		return nil, err
	}
	target, err := filepath.Abs(c.Out)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Dir(target), 0o755); err != nil {
		return nil, err
	}
	made, err := os.MkdirTemp(filepath.Dir(target), "."+filepath.Base(target)+"-new-*")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(made)
	var files []exported
	for _, name := range results.TableNames() {
		file := name + "." + c.Format
		n, err := c.table(e, filepath.Join(made, file), name)
		if err != nil {
			return nil, err
		}
		files = append(files, exported{filepath.Join(c.Out, file), n})
	}
	if err := errors.Join(describe(made), os.Chmod(made, 0o755)); err != nil {
		return nil, err
	}
	if !there {
		_ = os.Remove(target) // where it is there, it is empty
		return files, os.Rename(made, target)
	}
	before := made + "-before"
	if err := os.Rename(target, before); err != nil {
		return nil, fmt.Errorf("%s could not be renewed, and is as it was: %w", c.Out, err)
	}
	if err := os.Rename(made, target); err != nil {
		return nil, errors.Join(fmt.Errorf("%s could not be renewed, and is as it was: %w", c.Out, err), os.Rename(before, target))
	}
	return files, os.RemoveAll(before)
}

// single exports one table into the folder, whatever else is in it.
func (c *exportCmd) single(e *env) ([]exported, error) {
	if err := os.MkdirAll(c.Out, 0o755); err != nil {
		return nil, err
	}
	path := filepath.Join(c.Out, c.What+"."+c.Format)
	n, err := c.table(e, path, c.What)
	if err == nil {
		err = describe(c.Out)
	}
	return []exported{{path, n}}, err
}

// exportedBefore reports whether a folder holds an export and nothing else; one that is missing or
// empty holds none. Anything else in it is an error: nothing of a person's is renewed away.
func exportedBefore(folder string) (bool, error) {
	entries, err := os.ReadDir(folder)
	if errors.Is(err, os.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("%s cannot be written to: %w", folder, err)
	}
	var others []string
	for _, f := range entries {
		table, format, _ := strings.Cut(f.Name(), ".")
		if f.Name() != columnsFile && !(slices.Contains(results.TableNames(), table) && slices.Contains(results.Formats(), format)) {
			others = append(others, f.Name())
		}
	}
	if len(others) > 0 {
		return false, fmt.Errorf("%s holds more than an export (%s), and an export renews a folder as a whole: name another with -o, or leave it out for a new one", folder, strings.Join(others[:min(3, len(others))], ", "))
	}
	return len(entries) > 0, nil
}

// table writes one table to a file and returns how many bytes it has.
func (c *exportCmd) table(e *env, path, name string) (int64, error) {
	q := url.Values{"format": {c.Format}, "handset": {c.Handset}, "scenario": {c.Scenario}, "plan": {c.Plan}, "run": {c.Of}, "from": {c.From}, "to": {c.To}}
	return putFile(path, func(w io.Writer) (int64, error) { return e.client.Export(e.ctx, name, q, w) })
}

func describe(folder string) error {
	_, err := putFile(filepath.Join(folder, columnsFile), func(w io.Writer) (int64, error) { return 0, results.Describe(w) })
	return err
}
