package results

import (
	"encoding/json"
	"errors"
	"fmt"

	"github.com/google/renameio/v2"
	"go.etcd.io/bbolt"
	bbolterrors "go.etcd.io/bbolt/errors"
)

// BackUp writes a copy of the store to path, in place of an earlier one. The copy is
// whole or not made at all.
func (s *Store) BackUp(path string) error {
	f, err := renameio.NewPendingFile(path, renameio.WithPermissions(0o600))
	if err != nil {
		return err
	}
	defer f.Cleanup()
	if err := s.db.View(func(tx *bbolt.Tx) error {
		_, err := tx.WriteTo(f)
		return err
	}); err != nil {
		return err
	}
	return f.CloseAtomicallyReplace()
}

// Contents are what a store holds.
type Contents struct {
	Runs     int   `json:"runs"`
	Segments int   `json:"segments"`
	Bytes    int64 `json:"bytes"` // of the file
}

// Verify reads the store at path without changing it, whether every page of it is what it
// should be and every run and segment can be read, and counts them. It is for a copy that
// nobody has open: ErrInUse otherwise; ErrCutShort for a file that has lost its end.
func Verify(path string) (c Contents, err error) {
	if err := checkWhole(path); err != nil {
		return c, err
	}
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{Timeout: lockPatience, ReadOnly: true, PreLoadFreelist: true})
	if errors.Is(err, bbolterrors.ErrTimeout) {
		return c, fmt.Errorf("%s: %w", path, ErrInUse)
	}
	if err != nil {
		return c, fmt.Errorf("%s: is no store: %w", path, err)
	}
	defer db.Close()
	return c, db.View(func(tx *bbolt.Tx) error {
		c.Bytes = tx.Size()
		var bad error
		for err := range tx.Check() {
			bad = errors.Join(bad, err) // to its end: it runs beside this
		}
		if bad != nil {
			return fmt.Errorf("%s: the store is damaged: %w", path, bad)
		}
		for _, kind := range []struct {
			bucket []byte
			count  *int
		}{{bucketRuns, &c.Runs}, {bucketSegments, &c.Segments}} {
			b := tx.Bucket(kind.bucket)
			if b == nil {
				return fmt.Errorf("%s: has no %s: it is no store of Rundown's", path, kind.bucket)
			}
			if err := b.ForEach(func(id, value []byte) error {
				if !json.Valid(value) {
					bad = errors.Join(bad, fmt.Errorf("%s %s cannot be read", kind.bucket, id))
				}
				*kind.count++
				return nil
			}); err != nil {
				return err
			}
		}
		return bad
	})
}
