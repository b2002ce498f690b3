package orchestrator

import (
	"fmt"
	"strings"

	"rundown/results"
)

// Annotate adds what a person says of a run; it may be under way. ErrRequest for an empty
// or very long text, results.ErrNotFound for a run that is not there.
func (d *Daemon) Annotate(runID, by, text string) (results.Annotation, error) {
	text = strings.TrimSpace(text)
	if text == "" || len(text) > 2000 {
		return results.Annotation{}, fmt.Errorf("%w: an annotation of %d bytes: want 1 to 2000", ErrRequest, len(text))
	}
	r, err := d.store.Run(runID)
	if err != nil {
		return results.Annotation{}, err
	}
	now := d.now()
	a := results.Annotation{ID: newID("a", now), RunID: runID, At: now, By: by, Text: text}
	if err := d.store.PutAnnotation(a); err != nil {
		return results.Annotation{}, err
	}
	d.publish(Change{Handset: r.Handset.Name, Run: runID, Kind: "annotation", Text: text})
	return a, nil
}

// DeleteAnnotation withdraws an annotation.
func (d *Daemon) DeleteAnnotation(runID, id string) error {
	r, err := d.store.Run(runID)
	if err != nil {
		return err
	}
	if err := d.store.DeleteAnnotation(runID, id); err != nil {
		return err
	}
	d.publish(Change{Handset: r.Handset.Name, Run: runID, Kind: "annotation", Text: "withdrawn"})
	return nil
}
