package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
)

// putFile has a file written beside its name and puts it there when it is whole, in place of an earlier one.
// It returns what write did, such as how many bytes the file has.
func putFile(path string, write func(io.Writer) (int64, error)) (int64, error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+"-*")
	if err != nil {
		return 0, err
	}
	defer os.Remove(f.Name())
	n, err := write(f)
	if err = errors.Join(err, f.Chmod(0o644), f.Close()); err != nil {
		return n, err
	}
	return n, os.Rename(f.Name(), path)
}
