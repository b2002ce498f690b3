// Package samplesets gives tests the sample sets of testdata/samples.zip: drains, charges and
// series of cycles of invented phones, with their truth. They come from a generator that
// shares nothing with the simulated handsets of this project; the README inside says what
// each column is. Nothing but tests imports it.
package samplesets

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"io/fs"
	"path/filepath"
	"runtime"
	"strconv"
	"sync"
	"testing"
)

var open = sync.OnceValues(func() (*zip.ReadCloser, error) {
	_, here, _, _ := runtime.Caller(0)
	return zip.OpenReader(filepath.Join(filepath.Dir(here), "..", "..", "testdata", "samples.zip"))
})

// FS is the whole set: folders drain, charge and cycles.
func FS(t testing.TB) fs.FS {
	t.Helper()
	r, err := open()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Files names the sample files of one kind (drain, charge, cycles, or * for all), without
// the tables of truth.
func Files(t testing.TB, kind string) []string {
	t.Helper()
	names, err := fs.Glob(FS(t), kind+"/*-*.csv")
	if err != nil || len(names) == 0 {
		t.Fatalf("no sample files of kind %q: %v", kind, err)
	}
	return names
}

// Bytes is one file of the set as it is.
func Bytes(t testing.TB, name string) []byte {
	t.Helper()
	b, err := fs.ReadFile(FS(t), name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A Row is one line of a file, by the names in the file's head.
type Row map[string]string

// Number is a field of the row as a number.
func (r Row) Number(t testing.TB, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("%s: %q: %v", column, r[column], err)
	}
	return v
}

// Rows are the lines of one file, such as "drain/truth.csv".
func Rows(t testing.TB, name string) []Row {
	t.Helper()
	lines, err := csv.NewReader(bytes.NewReader(Bytes(t, name))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rows := make([]Row, 0, len(lines)-1)
	for _, line := range lines[1:] {
		row := Row{}
		for i, column := range lines[0] {
			row[column] = line[i]
		}
		rows = append(rows, row)
	}
	return rows
}
