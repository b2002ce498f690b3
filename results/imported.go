package results

import (
	"errors"
	"fmt"
	"time"

	"go.etcd.io/bbolt"
)

// An Imported says where a run comes from that was not measured by rundown: a file timed by
// hand or written by an instrument.
type Imported struct {
	File   string    `json:"file"`   // its name, without folders
	SHA256 string    `json:"sha256"` // of its content, hex
	At     time.Time `json:"at"`     // when it was imported, host clock
	By     string    `json:"by,omitempty"`
	As     string    `json:"as"` // AsEndurance, AsCharge or AsSustain
	// Columns says which column was taken for what, as "heading@unit" by quantity.
	Columns map[string]string `json:"columns,omitempty"`
	// AtChange says that each line is the moment at which a person saw the level change.
	AtChange bool `json:"at_change,omitempty"`
	// UndatedStart says that the file has no instants and nobody named one, so the run's
	// times count from its import.
	UndatedStart bool `json:"undated_start,omitempty"`
}

// What an imported file serves.
const (
	AsEndurance = "endurance"
	AsCharge    = "charge"
	AsSustain   = "sustain"
)

// ErrMeasured means that a run was measured here, and so is never deleted.
var ErrMeasured = errors.New("this run was measured and is kept")

// DeleteImported removes an imported run with its segments and samples, all or nothing.
// ErrMeasured leaves a measured run as it is, ErrNotFound says that there is no such run.
func (s *Store) DeleteImported(runID string) error {
	r, err := s.Run(runID)
	if err != nil {
		return err
	}
	if r.Imported == nil {
		return fmt.Errorf("run %s: %w", runID, ErrMeasured)
	}
	segments, err := s.Segments(runID)
	if err != nil {
		return err
	}
	gone := []Write{{Kind: WroteRun, ID: runID}}
	for _, g := range segments {
		gone = append(gone, Write{Kind: WroteSegment, ID: g.ID}, Write{Kind: WroteSamples, ID: g.ID})
	}
	return s.wrote(s.db.Update(func(tx *bbolt.Tx) error {
		for _, g := range segments {
			if err := tx.Bucket(bucketSegments).Delete([]byte(g.ID)); err != nil {
				return err
			}
			samples := tx.Bucket(bucketSamples)
			if samples.Bucket([]byte(g.ID)) == nil {
				continue
			}
			if err := samples.DeleteBucket([]byte(g.ID)); err != nil {
				return err
			}
		}
		return tx.Bucket(bucketRuns).Delete([]byte(runID))
	}), gone...)
}

// An Annotation is what a person says of a run, apart from what was measured: it may be
// added at any time, also while the run is under way.
type Annotation struct {
	ID    string    `json:"id"`
	RunID string    `json:"run_id"`
	At    time.Time `json:"at"` // host clock
	By    string    `json:"by"` // the token's name, or "this host"
	Text  string    `json:"text"`
}

// documentsAnnotations is the store's kind of annotations. They are no part of the run's
// own record, which its actor rewrites.
const documentsAnnotations = "annotations"

// PutAnnotation stores an annotation under its run and ID.
func (s *Store) PutAnnotation(a Annotation) error {
	return s.PutDocument(documentsAnnotations, a.RunID+" "+a.ID, a)
}

// DeleteAnnotation withdraws an annotation; ErrNotFound when the run has none of this ID.
func (s *Store) DeleteAnnotation(runID, id string) error {
	key := runID + " " + id
	if err := s.Document(documentsAnnotations, key, new(Annotation)); err != nil {
		return err
	}
	return s.DeleteDocument(documentsAnnotations, key)
}

// Annotations are those of one run, or of all runs when runID is empty, oldest first within
// a run.
func (s *Store) Annotations(runID string) ([]Annotation, error) {
	list, err := Documents[Annotation](s, documentsAnnotations)
	if runID == "" {
		return list, err
	}
	kept := list[:0]
	for _, a := range list {
		if a.RunID == runID {
			kept = append(kept, a)
		}
	}
	return kept, err
}
