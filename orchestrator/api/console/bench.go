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
)

// A member is a handset with everything that screens say of it.
type member struct {
	orchestrator.HandsetStatus
	Case     condition
	Item     *orchestrator.Item // running; nil when none
	Forecast *forecast.Forecast // of the running item
	Shapes   []forecast.Shape   // of its latest run
}

// members are the bench's handsets: what needs a hand first, then by name, so that places
// stay put.
func (c *Console) members() []member {
	var list []member
	now := c.d.Now()
	items, prompts := c.d.Queue(), c.d.Prompts()
	for _, h := range c.d.Handsets() {
		if !h.OnBench {
			continue
		}
		m := member{HandsetStatus: h}
		if h.Run != "" {
			m.Shapes, _ = c.o.Shapes(h.Run)
		}
		var late time.Duration
		var by time.Time
		for i := range items {
			if items[i].Handset == h.Name && items[i].State == orchestrator.Running && items[i].RunID == h.Run && !h.Idles() {
				m.Item = &items[i]
				if f, err := c.o.Item(items[i], h, m.Shapes, now); err == nil {
					m.Forecast, late, by = &f, f.Late(), f.FinishBy
				}
			}
		}
		m.Case = judge(h, late, by)
		m.ask(prompts, now)
		list = append(list, m)
	}
	slices.SortStableFunc(list, func(a, b member) int {
		if a.Case.Stands != b.Case.Stands {
			return int(a.Case.Stands) - int(b.Case.Stands)
		}
		return strings.Compare(a.Name, b.Name)
	})
	return list
}

// A benchRow is one handset of the first screen.
type benchRow struct {
	member
	First    bool // of its group
	Rows     int  // table rows of the group, on its first row
	State    string
	HasLevel bool
	Stale    bool // from before the link was lost
	Trace    template.HTML
	TempC    string
	Read     template.HTML // how old level and temperature are
	Doing    string
	Evidence template.HTML
	End      string
	EndNote  string
	Waits    string
	Href     string
}

func (c *Console) bench(r *http.Request) (page, error) {
	list := c.members()
	rows := make([]benchRow, 0, len(list))
	count := map[health]int{}
	first := map[health]int{}
	for i, m := range list {
		row := c.benchRow(m)
		if count[m.Case.Stands] == 0 {
			row.First, first[m.Case.Stands] = true, i
		}
		count[m.Case.Stands]++
		rows = append(rows, row)
		rows[first[m.Case.Stands]].Rows++
		if m.Case.Problem != "" {
			rows[first[m.Case.Stands]].Rows++
		}
	}
	var strangers []orchestrator.HandsetStatus
	for _, h := range c.d.Handsets() {
		if !h.OnBench {
			strangers = append(strangers, h)
		}
	}
	return page{
		Screen: "bench", Heading: benchHeading(count), Lead: c.benchLead(list),
		Said: c.answeredSaid(r), Body: map[string]any{"Rows": rows, "Strangers": strangers, "Asked": c.asked(), "Untold": c.untold()},
	}, nil
}

func benchHeading(count map[health]int) string {
	hand, watch, well := count[needsHand], count[toWatch], count[isWell]
	all := hand + watch + well
	if all == 0 {
		return "The plan file names no handset"
	}
	if hand+watch == 0 {
		if all == 1 {
			return "The one handset is well"
		}
		if all == 2 {
			return "Both handsets are well"
		}
		return "All " + number(all) + " handsets are well"
	}
	var parts []string
	noun := func(n int) string {
		if len(parts) == 0 {
			return " " + plural(n, "handset", "handsets")
		}
		return ""
	}
	if hand > 0 {
		parts = append(parts, number(hand)+noun(hand)+plural(hand, " needs a hand", " need a hand"))
	}
	if watch > 0 {
		parts = append(parts, number(watch)+noun(watch)+" to watch")
	}
	if well > 0 {
		parts = append(parts, number(well)+plural(well, " is well", " are well"))
	}
	return capital(strings.Join(parts, ", "))
}

func (c *Console) benchLead(list []member) template.HTML {
	now := c.d.Now()
	text := attr(now.Local().Format("Mon 2 Jan, 15:04"))
	plans, by, end := map[string]bool{}, time.Time{}, time.Time{}
	for _, m := range list {
		if m.Item == nil {
			continue
		}
		plans[m.Item.Plan] = true
		if m.Item.FinishBy.After(by) {
			by = m.Item.FinishBy
		}
		if m.Forecast != nil && m.Forecast.End.After(end) {
			end = m.Forecast.End
		}
	}
	if len(plans) == 0 {
		waiting := 0
		for _, it := range c.d.Queue() {
			if it.State == orchestrator.Waiting {
				waiting++
			}
		}
		if waiting > 0 {
			return template.HTML(text + fmt.Sprintf(` · <a href="/night">%d queued</a>`, waiting))
		}
		return template.HTML(text + ` · nothing is under way; <a href="/before">queue a plan</a>`)
	}
	text += ` · night of <a href="/night">` + attr(names(sorted(plans))) + `</a>`
	if !by.IsZero() {
		text += ", until " + clock(by) + ", " + duration(by.Sub(now)) + " left"
	} else if !end.IsZero() {
		text += ", to end about " + clock(end)
	}
	return template.HTML(text)
}

func sorted(set map[string]bool) []string {
	var list []string
	for k := range set {
		list = append(list, k)
	}
	slices.Sort(list)
	return list
}

func (c *Console) benchRow(m member) benchRow {
	now := c.d.Now()
	r := benchRow{member: m, State: stateWords(m.HandsetStatus), HasLevel: !m.ReadAt.IsZero(), Stale: !m.LinkLostAt.IsZero() || m.Link != "ready", Waits: m.WaitsFor, Href: "/runs"}
	if m.Run != "" {
		r.Href = "/runs/" + m.Run
	}
	if m.TempC != nil {
		r.TempC = fmt.Sprintf("%.1f", *m.TempC)
	}
	from := now.Add(-3 * time.Hour)
	r.Trace = trace(c.o.Track(m.Name, m.Shapes, from, now), m.Shapes, from, now, floorOf(m.Item))
	r.does(now)
	if p := m.Parking; p != nil && m.Idles() && r.Evidence == "" {
		r.Evidence = template.HTML(template.HTMLEscapeString(p.Say(m.LevelPct)))
	}
	if !m.LinkLostAt.IsZero() && !m.Idles() {
		r.Waits = "the link; its files are fetched then"
	}
	if r.HasLevel {
		r.Read = "read " + age(now, m.ReadAt)
	}
	if f := m.Forecast; f != nil && !m.Idles() {
		r.End = clock(f.End)
		r.EndNote = "± " + duration(f.Latest.Sub(f.Earliest)/2)
		if late := f.Late(); late > 0 {
			r.EndNote = duration(late) + " late"
		}
	}
	return r
}

// does says what the handset does at the moment, and what it waits for.
func (r *benchRow) does(now time.Time) {
	m := r.member
	switch state := orchestrator.State(m.State); state {
	case orchestrator.Draining, orchestrator.Charging, orchestrator.Settling:
		r.Doing = m.Scenario + ", " + m.Progress
		if state == orchestrator.Settling {
			r.Doing = m.Scenario + " started"
		}
		if !m.EvidenceAt.IsZero() {
			r.Evidence = "evidence " + age(now, m.EvidenceAt)
		}
		if !m.NextLook.IsZero() && r.Waits == "" {
			r.Waits = "asleep; next look at " + clock(m.NextLook)
		}
		if state == orchestrator.Draining && r.Waits == "" && m.Points > 0 {
			r.Waits = fmt.Sprintf("level edge to %d%s%%", m.LevelPct-1, thin)
		}
		if state == orchestrator.Settling && r.Waits == "" {
			r.Waits = "warm-up and the start edge"
			if m.Points == 0 {
				r.Waits = "the first evidence"
			}
		}
	case orchestrator.Done:
		r.Doing = summary(m.Shapes)
	case orchestrator.Stopped:
		r.Doing = summary(m.Shapes)
	case orchestrator.Preparing, orchestrator.Recharging, orchestrator.Collecting, orchestrator.Restoring:
		if m.Segments > 0 {
			r.Doing = fmt.Sprintf("%s, segment %d of %d", m.Scenario, m.Segment, m.Segments)
		}
	}
}

// summary counts a run's segments in words.
func summary(shapes []forecast.Shape) string {
	n := map[string]int{}
	for _, s := range shapes {
		n[s.Outcome]++
	}
	var parts []string
	for _, o := range []string{results.Measured, results.Flagged, results.Spoiled, results.Cancelled} {
		if n[o] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n[o], o))
		}
	}
	if n[results.Skipped] > 0 {
		parts = append(parts, fmt.Sprintf("%d not begun", n[results.Skipped]))
	}
	if len(parts) == 0 {
		return ""
	}
	return strings.Join(parts, ", ")
}

func floorOf(it *orchestrator.Item) float64 {
	if it != nil && it.Order.Plan.StopLevelPct > 0 {
		return float64(it.Order.Plan.StopLevelPct)
	}
	return 0
}

// trace is the level of the last hours, small: measured drains in blue, the rest grey.
func trace(levels []forecast.Level, shapes []forecast.Shape, from, to time.Time, floor float64) template.HTML {
	if len(levels) < 2 {
		return `<svg class="trace" viewBox="0 0 96 22" aria-hidden="true"></svg>`
	}
	x := func(t time.Time) float64 { return 92 * t.Sub(from).Seconds() / to.Sub(from).Seconds() }
	y := func(pct float64) float64 { return 21 - 19*(pct-floor)/(100-floor) }
	path := func(list []forecast.Level) string {
		var b strings.Builder
		for i, l := range list {
			c := "L"
			if i == 0 {
				c = "M"
			}
			b.WriteString(c + num(x(l.At)) + " " + num(y(l.Pct)))
		}
		return b.String()
	}
	var drains strings.Builder
	for _, s := range shapes {
		if s.StartEdge.IsZero() || broken(s.Segment) {
			continue
		}
		if a, b := s.StartEdge, s.StopEdge; b.After(from) {
			if a.Before(from) {
				a = from
			}
			drains.WriteString(path(between(levels, a, b)))
		}
	}
	last := levels[len(levels)-1]
	return template.HTML(fmt.Sprintf(`<svg class="trace" viewBox="0 0 96 22" aria-hidden="true"><path class="tr" d="%s"/><path class="td" d="%s"/><circle cx="%s" cy="%s" r="2.2"/></svg>`,
		path(levels), drains.String(), num(x(last.At)), num(y(last.Pct))))
}

func (c *Console) takeOver(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	c.hooks.Did(r, "took "+name+" over")
	if _, err := c.d.TakeOver(r.Context(), name); err != nil {
		c.refuse(w, r, err)
		return
	}
	c.changed()
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

func (c *Console) release(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	c.hooks.Did(r, "released "+name)
	if err := c.d.Release(name); err != nil {
		c.refuse(w, r, err)
		return
	}
	c.changed()
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
