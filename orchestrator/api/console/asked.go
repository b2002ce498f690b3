package console

import (
	"errors"
	"fmt"
	"net/http"
	"time"

	"rundown/orchestrator"
	"rundown/results"
)

// An askedView is a prompt as the first screen shows it.
type askedView struct {
	results.Prompt
	Else, Title string // what is asked
	Left        string // until the default stands
	Answers     []answerButton
}

type answerButton struct{ Choice, Label string }

// asked are the prompts that wait, oldest first.
func (c *Console) asked() []askedView {
	var list []askedView
	for _, p := range c.d.Prompts() {
		p.Why = capital(p.Why)
		list = append(list, askedView{Prompt: p, Else: orchestrator.UnansweredSays(p), Title: capital(p.Text), Left: duration(p.Until.Sub(c.d.Now())), Answers: answersOf(p)})
	}
	return list
}

// answersOf are a prompt's buttons. Each says whose it is, so that it makes sense alone.
func answersOf(p results.Prompt) []answerButton {
	var list []answerButton
	for _, choice := range p.Choices {
		b := answerButton{Choice: choice, Label: capital(choice)}
		switch choice {
		case "done":
			b.Label = "It is done"
		case "cannot":
			b.Label = "It cannot be done"
		}
		if p.Handset != "" {
			b.Label += ": " + p.Handset
		}
		list = append(list, b)
	}
	return list
}

// ask makes a handset one that needs a hand when it waits for a person.
func (m *member) ask(prompts []results.Prompt, now time.Time) {
	for _, p := range prompts {
		if p.Handset != m.Name {
			continue
		}
		m.Case = condition{
			Stands:  needsHand,
			Problem: fmt.Sprintf("Asked since %s: %s. Without an answer by %s %s.", clock(p.OpenedAt), p.Text, clockIn(now, p.Until), orchestrator.UnansweredSays(p)),
			Link:    "Answer", LinkTo: "/#" + p.ID,
		}
		return
	}
}

// clockIn is a time of day, with its day when that is not today.
func clockIn(now, t time.Time) string {
	if now.Local().Format(time.DateOnly) == t.Local().Format(time.DateOnly) {
		return clock(t)
	}
	return t.Local().Format("15:04 on Mon 2 Jan")
}

// answer takes what was pressed on a prompt.
func (c *Console) answerPrompt(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		Refuse(w, http.StatusBadRequest, "Not readable", err.Error())
		return
	}
	id := r.PathValue("id")
	c.hooks.Did(r, "answered prompt "+id)
	p, err := c.d.AnswerPrompt(id, r.PostForm.Get("choice"), c.hooks.Name(r))
	if err != nil && !errors.Is(err, orchestrator.ErrNotNow) { // else the page says what stands
		c.refuse(w, r, err)
		return
	}
	c.hooks.Did(r, "answered "+r.PostForm.Get("choice")+" to: "+p.Text)
	c.changed()
	http.Redirect(w, r, "/?answered="+Escape(id), http.StatusSeeOther)
}

// answeredSaid confirms the answer that was just given, or says what stands instead.
func (c *Console) answeredSaid(r *http.Request) *said {
	p, err := c.d.Store().Prompt(r.URL.Query().Get("answered"))
	switch {
	case err != nil || p.State == results.PromptOpen:
		return nil
	case p.State == results.PromptSeen:
		return &said{Text: capital(p.Outcome()) + "."}
	case p.State != results.PromptAnswered:
		return &said{Wrong: true, Text: capital(p.Outcome()) + ". The answer came too late."}
	}
	text := capital(p.Outcome()) + "."
	if p.Choice == "done" && p.Handset != "" {
		text += " The run goes on once the handset shows it."
	}
	return &said{Text: text}
}

// untold says for each target of notices what it was not told, and why.
func (c *Console) untold() (list []string) {
	for _, t := range c.d.NoticeTargets() {
		switch {
		case t.Undelivered > 0:
			list = append(list, fmt.Sprintf("%s %s not arrive at %s: %s.", capital(number(t.Undelivered)), plural(t.Undelivered, "notice did", "notices did"), t.Target, t.Error))
		case t.Problem != "":
			list = append(list, fmt.Sprintf("Notices cannot be sent to %s: %s.", t.Target, t.Problem))
		}
	}
	return list
}

// promptNotes are a run's prompts as notes.
func (c *Console) promptNotes(run string) (notes []runNote) {
	list, _ := c.d.Store().Prompts(run) // what cannot be read is in the log
	for _, p := range list {
		text := clock(p.OpenedAt) + " asked: " + p.Outcome()
		if p.By != "" {
			text += " (" + p.By + ", " + clock(p.SettledAt) + ")"
		}
		notes = append(notes, runNote{Text: text})
	}
	return notes
}
