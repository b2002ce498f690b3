package console

import (
	"errors"
	"net/http"

	"rundown/orchestrator"
	"rundown/results"
)

// A remark is an annotation as a run's screen shows it.
type remark struct {
	ID, At, By, Text string
}

func (c *Console) remarks(run string) (list []remark) {
	annotations, _ := c.d.Reading().Annotations(run) // what can be read is shown
	for _, a := range annotations {
		list = append(list, remark{a.ID, a.At.Local().Format("2 Jan 2006 15:04"), a.By, a.Text})
	}
	return list
}

// annotate takes what somebody says of a run.
func (c *Console) annotate(w http.ResponseWriter, r *http.Request) {
	run := r.PathValue("id")
	c.hooks.Did(r, "annotated the run "+run)
	a, err := c.d.Annotate(run, c.hooks.Name(r), r.FormValue("text"))
	switch {
	case errors.Is(err, orchestrator.ErrRequest):
		http.Redirect(w, r, "/runs/"+Escape(run)+"?did=nothing#remarks", http.StatusSeeOther)
		return
	case err != nil:
		c.refuse(w, r, err)
		return
	}
	c.changed()
	http.Redirect(w, r, "/runs/"+Escape(run)+"?did=annotate&annotation="+Escape(a.ID), http.StatusSeeOther)
}

// unannotate withdraws an annotation.
func (c *Console) unannotate(w http.ResponseWriter, r *http.Request) {
	run := r.PathValue("id")
	c.hooks.Did(r, "withdrew an annotation of the run "+run)
	if err := c.d.DeleteAnnotation(run, r.PathValue("annotation")); err != nil && !errors.Is(err, results.ErrNotFound) {
		c.refuse(w, r, err)
		return
	}
	c.changed()
	http.Redirect(w, r, "/runs/"+Escape(run)+"?did=withdraw", http.StatusSeeOther)
}

// deleteImport takes an import back.
func (c *Console) deleteImport(w http.ResponseWriter, r *http.Request) {
	run := r.PathValue("id")
	c.hooks.Did(r, "deleted the import "+run)
	rec, err := c.d.DeleteImport(run)
	if err != nil {
		c.refuse(w, r, err)
		return
	}
	c.hooks.Did(r, "deleted the import "+run+", "+rec.Imported.File+" of "+rec.Handset.Name)
	c.changed()
	http.Redirect(w, r, "/runs?did=delete&file="+Escape(rec.Imported.File)+"&of="+Escape(rec.Handset.Name), http.StatusSeeOther)
}

// runSaid is the answer to what was pressed on a run, with its way back.
func (c *Console) runSaid(r *http.Request) *said {
	q := r.URL.Query()
	run := r.PathValue("id")
	switch q.Get("did") {
	case "annotate":
		list, _ := c.d.Reading().Annotations(run)
		for _, a := range list {
			if a.ID == q.Get("annotation") {
				return &said{Text: "Annotated.", Undo: []undo{{Action: "/runs/" + Escape(run) + "/annotations/" + Escape(a.ID) + "/withdraw", Label: "Withdraw it again"}}}
			}
		}
	case "withdraw":
		return &said{Text: "The annotation is withdrawn."}
	case "nothing":
		return &said{Wrong: true, Text: "Nothing was noted: want 1 to 2000 bytes of text."}
	case "delete":
		return &said{Text: q.Get("file") + " of " + q.Get("of") + " is no longer in the store. Import the file again to have it back."}
	}
	return nil
}
