package results

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"

	"go.etcd.io/bbolt"
	bbolterrors "go.etcd.io/bbolt/errors"
)

// ErrNoStore means that a file is none that Rundown has written.
var ErrNoStore = errors.New("no store of Rundown's")

// OpenReadOnly opens the store at path for reading: nothing in the file is changed, whatever its
// format, and what would write to it fails. Others may read it meanwhile, but no daemon can open it.
//
// fs.ErrNotExist and fs.ErrPermission when it is not there or may not be read; ErrInUse when a
// daemon holds it; ErrNoStore, ErrCutShort and ErrVersion say what is wrong with the file.
func OpenReadOnly(path string) (*Store, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%s: %w", path, fs.ErrNotExist)
	case err != nil:
		return nil, err
	case info.IsDir():
		return nil, fmt.Errorf("%s is a folder, %w: name the file in it, such as %s", path, ErrNoStore, filepath.Join(path, "rundown.db"))
	case info.Size() == 0: // bbolt would want to write to it
		return nil, fmt.Errorf("%s is empty, %w", path, ErrNoStore)
	}
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{Timeout: lockPatience, ReadOnly: true})
	switch {
	case errors.Is(err, bbolterrors.ErrTimeout):
		return nil, fmt.Errorf("%s: %w", path, ErrInUse)
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("%s: may not be read: check its owner and rights: %w", path, err)
	case err != nil:
		return nil, fmt.Errorf("%s is %w, or its beginning is damaged: %w", path, ErrNoStore, err)
	}
	if err := Undamaged(func() error { return db.View(func(tx *bbolt.Tx) error { return checkReadable(tx, info.Size()) }) }); err != nil {
		_ = db.Close()
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return &Store{db: db}, nil
}

// ErrDamaged means that pages of a store are not what they should be.
var ErrDamaged = errors.New("the store is damaged")

// Undamaged carries out what reads a store of which nobody knows whether it is whole. A page that is
// not what it should be shows itself by a panic of what reads it, which becomes ErrDamaged.
func Undamaged(read func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true)) // a page may point beyond the file
	defer func() {
		if said := recover(); said != nil {
			err = fmt.Errorf("%w: %v: read another copy", ErrDamaged, said)
		}
	}()
	return read()
}

// checkReadable says what keeps a file of size bytes from being read as a store.
func checkReadable(tx *bbolt.Tx, size int64) error {
	if want := tx.Size(); size < want {
		return fmt.Errorf("%w: it has %d bytes of %d: take another copy", ErrCutShort, size, want)
	}
	for _, name := range [][]byte{bucketMeta, bucketRuns, bucketSegments} {
		if tx.Bucket(name) == nil {
			return fmt.Errorf("%w: it has no %s", ErrNoStore, name)
		}
	}
	return checkVersion(tx.Bucket(bucketMeta).Get(keyVersion))
}

// checkVersion says whether a format, as a store has it, can be read.
func checkVersion(have []byte) error {
	var version int
	switch _, err := fmt.Sscan(string(have), &version); {
	case err != nil || version < 1:
		return fmt.Errorf("%w: it says version %q, known are 1 to %d", ErrVersion, have, FormatVersion)
	case version > FormatVersion:
		return fmt.Errorf("%w: it says version %q, known are 1 to %d: a later rundown wrote it, and can read it", ErrVersion, have, FormatVersion)
	}
	return nil
}
