package console

import (
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strings"
	"time"

	"rundown/orchestrator"
	"rundown/orchestrator/api/forecast"
	"rundown/results"
	"rundown/scenarios"
)

// A nightRow is one lane with what stands beside it.
type nightRow struct {
	Name    string
	Href    string
	Mark    string // "mh", "mw" or none
	Hand    bool
	State   string
	Lane    template.HTML
	End     string
	EndNote string
}

// A queueRow is a queue item with what can be done to it.
type queueRow struct {
	orchestrator.Item
	Says     string
	Ends     string
	CanPause bool
	CanGoOn  bool
	Costs    string // what cancelling it costs; empty: nothing
	Open     bool
}

func (c *Console) night(r *http.Request) (page, error) {
	nights, err := c.o.Nights()
	if err != nil && len(nights) == 0 {
		return page{}, err
	}
	p := page{Screen: "night", Said: c.queueSaid(r)}
	if len(nights) == 0 {
		p.Heading = "Nothing has been queued yet"
		p.Lead = `Queue a plan under <a href="/before">Before a run</a>, or name a night in the plan file.`
		p.Body = map[string]any{"Queue": c.queueRows(time.Time{})}
		return p, nil
	}
	at := len(nights) - 1
	if name := r.URL.Query().Get("at"); name != "" {
		i := slices.IndexFunc(nights, func(n forecast.Night) bool { return n.Name() == name })
		if i < 0 {
			return page{}, fmt.Errorf("no night began at %s: %w", name, results.ErrNotFound)
		}
		at = i
	}
	n := nights[at]
	latest := at == len(nights)-1
	rows, axis, counts := c.lanes(n, latest)
	now := c.d.Now()
	if !n.Going {
		now = time.Time{}
	}
	body := map[string]any{"Rows": rows, "Axis": axis.header(now, 16), "Going": n.Going, "Floor": counts.floor, "Letters": counts.letters}
	if latest {
		body["Queue"] = c.queueRows(n.From)
	}
	if at > 0 {
		body["Before"] = nights[at-1]
	}
	if !latest {
		body["After"] = nights[at+1]
	}
	p.Heading, p.Lead, p.Body = counts.heading(n), counts.lead(n), body
	return p, nil
}

// counts are what the heading of a night is made of.
type counts struct {
	hand, watch []string
	handsets    int
	done, all   int
	spoiled     int
	flagged     int
	late        []string
	by          time.Time
	floor       int
	letters     string
	plan        orchestrator.Order
	ended       time.Time
}

func (k counts) heading(n forecast.Night) string {
	but := ""
	switch h := len(k.hand); {
	case h == 0:
	case h <= 2:
		but = " but for " + names(k.hand)
	default:
		return capital(number(h)) + " of " + number(k.handsets) + " need a hand"
	}
	if !n.Going {
		if but == "" {
			return "The night ended well at " + clock(k.ended)
		}
		return "The night ended at " + clock(k.ended) + "," + but
	}
	if len(n.Runs) == 0 {
		return "The night has not begun"
	}
	if but != "" {
		but = "," + but
	}
	return "The night goes as planned" + but
}

func (k counts) lead(n forecast.Night) template.HTML {
	var parts []string
	if k.plan.Plan.Name != "" {
		var list []string
		for _, s := range k.plan.Plan.Segments {
			list = append(list, s.Scenario)
		}
		text := attr(k.plan.Plan.Name + ": " + strings.Join(list, ", "))
		if slices.ContainsFunc(k.plan.Plan.Segments, func(s scenarios.Segment) bool {
			return s.EndsBy(k.plan.Scenarios[s.Scenario]) == scenarios.UntilDrained
		}) {
			text += fmt.Sprintf(", %d points each", k.plan.Plan.DrainPoints)
		}
		switch k.plan.Plan.Repeat {
		case 0, 1:
		case 2:
			text += ", twice"
		default:
			text += fmt.Sprintf(", %d times", k.plan.Plan.Repeat)
		}
		parts = append(parts, text)
	} else {
		parts = append(parts, attr(names(n.Plans())))
	}
	parts[0] = attr(n.From.Local().Format("Mon 2 Jan 15:04")) + " · " + parts[0]
	text := fmt.Sprintf("%d of %d segments done", k.done, k.all)
	if k.spoiled > 0 {
		text += fmt.Sprintf(", %d spoiled", k.spoiled)
	}
	if k.flagged > 0 {
		text += fmt.Sprintf(", %d flagged", k.flagged)
	}
	parts = append(parts, text)
	if len(k.late) > 0 {
		parts = append(parts, attr(strings.Join(k.late, ", ")))
	} else if !k.by.IsZero() && n.Going {
		parts = append(parts, "all end by "+clock(k.by))
	}
	return template.HTML(strings.Join(parts, " · "))
}

func lower(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// rounded widens an axis to round times.
func rounded(a axis) axis {
	step := 15 * time.Minute
	if a.to.Sub(a.from) > 4*time.Hour {
		step = 30 * time.Minute
	}
	a.from = a.from.Truncate(step)
	if t := a.to.Truncate(step); t.Before(a.to) {
		a.to = t.Add(step)
	}
	if a.to.Sub(a.from) < time.Hour {
		a.to = a.from.Add(time.Hour)
	}
	return a
}

// figureWords are segments' endurances in words, by segment.
func (c *Console) figureWords(runs []results.Run) map[string]string {
	words := map[string]string{}
	for _, r := range runs {
		for id, h := range c.o.SegmentHours(r) {
			words[id] = fmt.Sprintf("%s h (%s to %s)", hoursOf(h.Value), hoursOf(h.Low), hoursOf(h.High))
		}
	}
	return words
}

// queueRows are the items that wait or run, and those that ended since an instant.
func (c *Console) queueRows(since time.Time) []queueRow {
	status := map[string]member{}
	for _, m := range c.members() {
		status[m.Name] = m
	}
	var rows []queueRow
	for _, it := range c.d.Queue() {
		open := it.State == orchestrator.Waiting || it.State == orchestrator.Running
		if !open && it.QueuedAt.Before(since.Add(-forecastSlack)) {
			continue
		}
		row := queueRow{Item: it, Open: open, Says: string(it.State)}
		m := status[it.Handset]
		switch {
		case it.State == orchestrator.Running && it.Outcome == "":
			row.CanPause, row.CanGoOn = !it.Paused, it.Paused
			row.Says = "running"
			if it.Paused {
				row.Says = "running, paused before its next segment"
			}
			done := 0
			for _, s := range m.Shapes {
				if s.Outcome == results.Measured || s.Outcome == results.Flagged {
					done++
				}
			}
			row.Costs = fmt.Sprintf("The segment under way ends here and gives no figure. %s measured so far %s kept, and %s is put back as it was. A cancelled run cannot go on.",
				capital(number(done))+plural(done, " segment", " segments"), plural(done, "is", "are"), it.Handset)
			if m.Forecast != nil {
				row.Ends = clock(m.Forecast.End)
			}
		case it.State == orchestrator.Waiting:
			row.CanPause, row.CanGoOn = !it.Paused, it.Paused
			row.Says = "waiting"
			if it.Paused {
				row.Says = "waiting, paused"
			} else if it.NotBefore.After(c.d.Now()) {
				row.Says = "waiting until " + clock(it.NotBefore)
			}
		case it.Outcome != "":
			row.Says += ": " + it.Outcome
			if strings.EqualFold(it.Outcome, "done") {
				row.Says = "done"
			}
		}
		rows = append(rows, row)
	}
	slices.SortStableFunc(rows, func(a, b queueRow) int {
		if a.Open != b.Open {
			if a.Open {
				return -1
			}
			return 1
		}
		if c := strings.Compare(a.Handset, b.Handset); c != 0 {
			return c
		}
		return a.QueuedAt.Compare(b.QueuedAt)
	})
	return rows
}

// forecastSlack takes in what was queued a while before the night began.
const forecastSlack = 12 * time.Hour

// act cancels, pauses or resumes an item and says so where it was pressed.
func (c *Console) act(w http.ResponseWriter, r *http.Request) {
	id, verb := r.PathValue("id"), r.PathValue("verb")
	acts := map[string]func(string) (orchestrator.Item, error){"cancel": c.d.Cancel, "pause": c.d.Pause, "resume": c.d.Resume}
	f, ok := acts[verb]
	if !ok {
		Refuse(w, http.StatusNotFound, "Not here", "an item can be cancelled, paused or resumed")
		return
	}
	c.hooks.Did(r, verb+" "+id)
	it, err := f(id)
	if err != nil {
		c.refuse(w, r, err)
		return
	}
	c.hooks.Did(r, verb+" "+it.Plan+" on "+it.Handset+" ("+id+")")
	c.changed()
	http.Redirect(w, r, "/night?did="+verb+"&item="+Escape(id), http.StatusSeeOther)
}

// queueSaid is the answer to what was pressed, with its way back where there is one.
func (c *Console) queueSaid(r *http.Request) *said {
	q := r.URL.Query()
	items := map[string]orchestrator.Item{}
	for _, it := range c.d.Queue() {
		items[it.ID] = it
	}
	it, ok := items[q.Get("item")]
	switch verb := q.Get("did"); {
	case verb == "pause" && ok && it.Paused:
		return &said{Text: it.Handset + ": " + it.Plan + " is paused.", Undo: []undo{{Action: "/queue/" + Escape(it.ID) + "/resume", Label: "Resume " + it.Handset}}}
	case verb == "resume" && ok && !it.Paused:
		return &said{Text: it.Handset + ": " + it.Plan + " goes on.", Undo: []undo{{Action: "/queue/" + Escape(it.ID) + "/pause", Label: "Pause " + it.Handset + " again"}}}
	case verb == "cancel" && ok:
		return &said{Text: it.Handset + ": " + it.Plan + " is cancelled.", Undo: []undo{{
			Action: "/before/queue", Label: "Queue " + it.Plan + " for " + it.Handset + " anew", Fields: map[string]string{"plan": it.Plan, "handset": it.Handset, "finish": finishOf(it)},
		}}}
	case verb == "queue":
		s := &said{}
		var list []string
		for _, id := range strings.Split(q.Get("item"), ",") {
			if it, ok := items[id]; ok {
				list = append(list, it.Handset)
				if it.State == orchestrator.Waiting {
					s.Undo = append(s.Undo, undo{Action: "/queue/" + Escape(id) + "/cancel", Label: "Take " + it.Handset + " out again"})
				}
			}
		}
		if len(list) > 0 {
			s.Text = "Queued for " + names(list) + "."
			return s
		}
	}
	return nil
}

func finishOf(it orchestrator.Item) string {
	if it.FinishBy.IsZero() {
		return ""
	}
	return it.FinishBy.Local().Format("15:04")
}
