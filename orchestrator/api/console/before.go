package console

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"rundown/devices/preconditions"
	"rundown/orchestrator"
	"rundown/orchestrator/api/forecast"
)

// readLimit is how long a page waits for a handset's report.
const readLimit = 20 * time.Second

// A preGroup is one group of a report, in the order of urgency.
type preGroup struct {
	Mark, Title string
	Met         bool
	Lines       []preLine
}

type preLine struct {
	Name, Wanted, Found, Verdict, Do string
	Hand                             bool
}

// A choice is one handset to queue for.
type choice struct {
	Name    string
	Chosen  bool
	Ends    string
	Note    string
	Problem string
}

func (c *Console) before(r *http.Request) (page, error) { return c.beforePage(r, nil) }

// chosen are the handset and the plan that a request is about; by default the first
// handset that is not in a run, and the first plan.
func (c *Console) chosen(r *http.Request) (handset, plan string) {
	file := c.d.File()
	handset, plan = r.FormValue("handset"), r.FormValue("plan")
	if plan == "" {
		if plans := slices.Sorted(maps.Keys(file.Plans)); len(plans) > 0 {
			plan = plans[0]
		}
		for _, it := range c.d.Queue() {
			if _, ok := file.Plans[it.Plan]; ok {
				plan = it.Plan // what was queued last
			}
		}
	}
	if handset == "" {
		list := c.members()
		for _, m := range list {
			if handset == "" || m.Idles() && m.Link == "ready" {
				handset = m.Name
				if m.Idles() && m.Link == "ready" {
					break
				}
			}
		}
	}
	return handset, plan
}

// beforeHeading answers first whether the handset is ready. alone: it is in a run and was not read.
func beforeHeading(handset string, failed error, alone bool, unmet, toSet int) string {
	switch {
	case failed != nil:
		return handset + " cannot be read"
	case alone:
		return handset + " is in a run, and is left alone"
	case unmet == 1:
		return handset + " is not ready: one required precondition is unmet"
	case unmet > 1:
		return handset + " is not ready: " + number(unmet) + " required preconditions are unmet"
	case toSet > 0:
		return handset + " is ready: Rundown sets " + number(toSet) + " more by itself"
	}
	return handset + " is ready"
}

func (c *Console) beforePage(r *http.Request, answer *said) (page, error) {
	file := c.d.File()
	handset, plan := c.chosen(r)
	if _, ok := file.Handset(handset); !ok {
		return page{}, fmt.Errorf("%w: no handset %q on the bench", orchestrator.ErrRequest, handset)
	}
	p, ok := file.Plans[plan]
	if !ok {
		return page{}, fmt.Errorf("%w: no plan %q in the plan file", orchestrator.ErrRequest, plan)
	}
	var m member
	for _, one := range c.members() {
		if one.Name == handset {
			m = one
		}
	}
	busy := !m.Idles()
	report, have := c.report(handset, plan)
	var failed error
	if !have && !busy {
		// Reading changes nothing; a person who opens this page wants it read.
		ctx, cancel := context.WithTimeout(r.Context(), readLimit)
		report, failed = c.d.Check(ctx, handset, plan, false)
		cancel()
		if failed == nil {
			c.keep(handset, plan, report)
			have = true
		}
	}
	groups, unmet, toSet := group(report)
	body := map[string]any{
		"Handset": handset, "Plan": plan, "Plans": slices.Sorted(maps.Keys(file.Plans)), "Groups": groups, "Have": have, "Busy": busy,
		"Run": m.Run, "Sets": toSet, "Unmet": unmet, "Cautions": c.d.Cautions(plan, handset), "StopTemp": p.StopTempC, "RechargeTemp": p.RechargeStopTempC,
		"Finish": r.FormValue("finish"),
	}
	if failed != nil {
		body["Failed"] = failed.Error()
	}
	heading := beforeHeading(handset, failed, !have && busy, unmet, toSet)
	now := c.d.Now()
	lead := attr(now.Local().Format("Mon 2 Jan, 15:04")) + " · plan " + attr(plan)
	if have {
		lead += " · read back " + string(age(now, report.At))
		if busy {
			lead += " · in a run since, so not read again"
		}
	}
	forecasts, err := c.o.Plan(plan, nil, time.Time{})
	if err != nil {
		return page{}, err
	}
	by, _ := finish(r.FormValue("finish"), now)
	var choices []choice
	for _, f := range forecasts {
		ch := choice{Name: f.Handset, Chosen: f.Handset == handset, Ends: clock(f.End), Note: "± " + duration(f.Latest.Sub(f.Earliest)/2)}
		for _, one := range c.members() {
			if one.Name == f.Handset && !one.Idles() {
				ch.Ends, ch.Note = "", "in a run; begins after it"
			} else if one.Name == f.Handset && one.Link != "ready" {
				ch.Problem = one.Link
			}
		}
		if !by.IsZero() && f.End.After(by) {
			ch.Note = duration(f.End.Sub(by)) + " late"
		}
		choices = append(choices, ch)
		if f.Handset == handset {
			f.FinishBy = by
			body["Forecast"], body["ForecastText"] = forecastLane(f, p.StopLevelPct), forecastText(f)
		}
	}
	body["Choices"] = choices
	return page{Screen: "before", Heading: heading, Lead: template.HTML(lead), Body: body, Said: answer}, nil
}

func forecastLane(f forecast.Forecast, floor int) template.HTML {
	if len(f.Parts) == 0 {
		return ""
	}
	end := f.Latest
	if f.FinishBy.After(end) {
		end = f.FinishBy
	}
	a := rounded(axis{f.Begin, end})
	l := lane{axis: a, floor: float64(floor), forecast: &f, end: f.FinishBy}
	l.levels = []forecast.Level{{At: f.Begin, Pct: f.Level}}
	l.label = fmt.Sprintf("Forecast: ends %s, between %s and %s", clock(f.End), clock(f.Earliest), clock(f.Latest))
	return l.draw() + a.ends()
}

func forecastText(f forecast.Forecast) string {
	text := fmt.Sprintf("Ends %s, between %s and %s", clock(f.End), clock(f.Earliest), clock(f.Latest))
	if !f.FinishBy.IsZero() {
		if late := f.Late(); late > 0 {
			text += "; " + duration(late) + " too late"
		} else {
			text += "; " + duration(f.FinishBy.Sub(f.End)) + " to spare"
		}
	}
	text += "."
	if !f.FirstEdge.IsZero() {
		text += " First start edge about " + clock(f.FirstEdge) + "."
	}
	if f.Basis != "" {
		text += " Not measured yet: " + f.Basis + "."
	}
	return text
}

// group sorts a report's lines by what has to be done about them.
func group(r preconditions.Report) (groups []preGroup, unmet, toSet int) {
	kinds := []preGroup{
		{Mark: "mh", Title: "Unmet and required: the run cannot start"},
		{Mark: "mw", Title: "Unmet, allowed: noted with every figure"},
		{Mark: "mo", Title: "Not met yet: Rundown sees to these"},
		{Mark: "mo", Title: "Met", Met: true},
	}
	for _, l := range r.Lines {
		line := preLine{Name: preconditionName(l.Name), Wanted: l.Wanted, Found: l.Found, Verdict: "unmet", Do: capital(l.Mend)}
		at := 0
		switch {
		case l.Verdict == preconditions.Met:
			at, line.Verdict, line.Do = 3, "met", ""
			if l.Wanted == "as found" || l.Wanted == "any" {
				line.Verdict = "recorded"
			}
		case l.Verdict == preconditions.CannotRead && strings.HasPrefix(l.Found, "not tried"):
			at, line.Verdict, line.Do = 2, "will be tried", ""
		case l.WillSet && l.Verdict == preconditions.NotMet:
			at, line.Verdict, line.Do = 2, "will be set", ""
			toSet++
		case l.Mender == preconditions.ByRecharge:
			at, line.Verdict = 2, "will recharge"
		case l.Mender == preconditions.ByWaiting:
			at, line.Verdict = 2, "will wait"
		case l.Mender == preconditions.ByPower:
			at, line.Verdict = 2, "will be cut"
		case !l.Required:
			at = 1
			if l.Verdict == preconditions.CannotRead {
				line.Verdict = "cannot be read"
			}
		default:
			unmet++
			line.Hand = true
			if l.Verdict == preconditions.CannotRead {
				line.Verdict = "cannot be read"
			}
		}
		kinds[at].Lines = append(kinds[at].Lines, line)
	}
	for _, g := range kinds {
		if len(g.Lines) > 0 {
			groups = append(groups, g)
		}
	}
	return groups, unmet, toSet
}

// reportKept is for how long a report is shown before it is read anew.
const reportKept = 10 * time.Minute

func (c *Console) report(handset, plan string) (preconditions.Report, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	r, ok := c.reports[handset+"\n"+plan]
	return r, ok && c.d.Now().Sub(r.At) < reportKept
}

func (c *Console) keep(handset, plan string, r preconditions.Report) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.reports[handset+"\n"+plan] = r
}

// look reads or applies, and shows the page with what was read back.
func (c *Console) look(w http.ResponseWriter, r *http.Request, apply bool) {
	handset, plan := c.chosen(r)
	verb := "read"
	if apply {
		verb = "applied"
	}
	c.hooks.Did(r, verb+" the preconditions of "+plan+" on "+handset)
	report, err := c.d.Check(r.Context(), handset, plan, apply)
	var answer *said
	switch {
	case err != nil:
		answer = &said{Wrong: true, Text: capital(err.Error()) + "."}
	case apply:
		answer = &said{Text: handset + " was set and read back.", Undo: []undo{{Action: "/before/undo", Label: "Put " + handset + " back", Fields: map[string]string{"handset": handset, "plan": plan}}}}
		c.keep(handset, plan, report)
	default:
		answer = &said{Text: handset + " was read back."}
		c.keep(handset, plan, report)
	}
	c.answer(w, r, answer, err)
}

func (c *Console) answer(w http.ResponseWriter, r *http.Request, answer *said, cause error) {
	c.changed()
	p, err := c.beforePage(r, answer)
	if err == nil {
		var body []byte
		if body, err = c.render(r, p); err == nil {
			status := http.StatusOK
			if cause != nil {
				status, _ = statusOf(cause)
			}
			write(w, status, body)
			return
		}
	}
	c.refuse(w, r, err)
}

func (c *Console) read(w http.ResponseWriter, r *http.Request)  { c.look(w, r, false) }
func (c *Console) apply(w http.ResponseWriter, r *http.Request) { c.look(w, r, true) }

func (c *Console) undo(w http.ResponseWriter, r *http.Request) {
	handset, plan := c.chosen(r)
	c.hooks.Did(r, "put back what a check had set on "+handset)
	changes, err := c.d.Undo(r.Context(), handset)
	answer := &said{Text: fmt.Sprintf("%s: %d %s put back.", handset, len(changes), plural(len(changes), "setting", "settings"))}
	if err != nil {
		answer = &said{Wrong: true, Text: capital(err.Error()) + "."}
	} else if report, err := c.d.Check(r.Context(), handset, plan, false); err == nil {
		c.keep(handset, plan, report)
	}
	c.answer(w, r, answer, err)
}

// enqueue queues a plan for the handsets that were ticked.
func (c *Console) enqueue(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		Refuse(w, http.StatusBadRequest, "Not readable", err.Error())
		return
	}
	plan, handsets := r.PostForm.Get("plan"), r.PostForm["handset"]
	c.hooks.Did(r, "queued "+plan+" for "+strings.Join(handsets, ", "))
	if len(handsets) == 0 {
		c.answer(w, r, &said{Wrong: true, Text: "Nothing was queued: no handset is ticked."}, orchestrator.ErrRequest)
		return
	}
	by, err := finish(r.PostForm.Get("finish"), c.d.Now())
	if err != nil {
		c.answer(w, r, &said{Wrong: true, Text: capital(err.Error()) + "."}, err)
		return
	}
	items, err := c.d.Enqueue(orchestrator.Request{Plan: plan, Handsets: handsets, FinishBy: by})
	if err != nil {
		c.answer(w, r, &said{Wrong: true, Text: capital(err.Error()) + "."}, err)
		return
	}
	var ids []string
	for _, it := range items {
		ids = append(ids, it.ID)
	}
	c.changed()
	http.Redirect(w, r, "/night?did=queue&item="+Escape(strings.Join(ids, ",")), http.StatusSeeOther)
}

// finish reads hh:mm as the next such time of the daemon's clock; nothing is no bound.
func finish(text string, now time.Time) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	at, err := time.Parse("15:04", text)
	if err != nil {
		return time.Time{}, errors.Join(orchestrator.ErrRequest, fmt.Errorf("to end by: want hh:mm, got %q", text))
	}
	here := now.Local()
	by := time.Date(here.Year(), here.Month(), here.Day(), at.Hour(), at.Minute(), 0, 0, here.Location())
	if !by.After(here) {
		by = time.Date(here.Year(), here.Month(), here.Day()+1, at.Hour(), at.Minute(), 0, 0, here.Location())
	}
	return by, nil
}
