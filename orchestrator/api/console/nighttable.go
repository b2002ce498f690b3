package console

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"rundown/orchestrator"
	"rundown/orchestrator/api/forecast"
	"rundown/results"
)

// lanes draws a night. Only the latest one can still go on.
func (c *Console) lanes(n forecast.Night, latest bool) ([]nightRow, axis, counts) {
	t := nightTable{c: c, n: n, latest: latest, now: c.d.Now(), status: map[string]member{}, handsets: map[string]*nightHandset{}}
	for _, m := range c.members() {
		t.status[m.Name] = m
	}
	t.addRuns()
	t.addWaiting()
	if len(n.Plans()) > 1 {
		t.plan = orchestrator.Order{}
	}
	t.counts.handsets = len(t.handsets)
	t.span()
	t.keys()
	t.figures = c.figureWords(n.Runs)
	var rows []nightRow
	for _, name := range t.order() {
		rows = append(rows, t.row(name))
	}
	return rows, t.axis, t.counts
}

// A nightTable is a night being put together: what each handset did and is to do, on one
// axis, and what the heading is made of.
type nightTable struct {
	c        *Console
	n        forecast.Night
	latest   bool
	now      time.Time
	status   map[string]member // of now, by name
	handsets map[string]*nightHandset
	axis     axis
	figures  map[string]string // by segment, in words
	counts
}

// A nightHandset is one handset's part of a night.
type nightHandset struct {
	m        member
	runs     []results.Run
	shapes   []forecast.Shape
	forecast *forecast.Forecast
	item     *orchestrator.Item
}

func (t *nightTable) of(name string) *nightHandset {
	if t.handsets[name] == nil {
		t.handsets[name] = &nightHandset{m: t.status[name]}
	}
	return t.handsets[name]
}

// counted takes an item of the queue into the night's counts.
func (t *nightTable) counted(it *orchestrator.Item) {
	t.all += len(it.Order.Plan.Segments) * max(1, it.Order.Plan.Repeat)
	if it.FinishBy.After(t.by) {
		t.by = it.FinishBy
	}
}

// addRuns takes in what has begun.
func (t *nightTable) addRuns() {
	items := t.c.d.Queue()
	for _, r := range t.n.Runs {
		o := t.of(r.Handset.Name)
		o.runs = append(o.runs, r)
		shapes, _ := t.c.o.Shapes(r.ID)
		o.shapes = append(o.shapes, shapes...)
		if r.EndedAt.After(t.ended) {
			t.ended = r.EndedAt
		}
		for i := range items {
			if items[i].RunID == r.ID {
				o.item, t.plan = &items[i], items[i].Order
				t.counted(o.item)
			}
		}
		if t.latest && r.EndedAt.IsZero() {
			o.forecast = o.m.Forecast
		}
	}
}

// addWaiting takes in what is queued: one after the other on each handset.
func (t *nightTable) addWaiting() {
	free := map[string]time.Time{}
	for i, it := range t.n.Waiting {
		o := t.of(it.Handset)
		begin := t.now
		if f, ok := free[it.Handset]; ok {
			begin = f
		} else if o.forecast != nil {
			begin = o.forecast.End
		}
		f, err := t.c.o.Item(it, o.m.HandsetStatus, nil, begin)
		if err != nil {
			continue
		}
		free[it.Handset] = f.End
		t.counted(&it)
		if o.forecast == nil {
			o.forecast = &f
		} else {
			joined := *o.forecast
			joined.Parts = append(slices.Clone(joined.Parts), f.Parts...)
			joined.End, joined.Earliest, joined.Latest, joined.FinishBy = f.End, f.Earliest, f.Latest, f.FinishBy
			o.forecast = &joined
		}
		if o.item == nil {
			o.item = &t.n.Waiting[i]
		}
		if t.plan.Plan.Name == "" {
			t.plan = it.Order
		}
	}
}

// span is the axis that holds all of it.
func (t *nightTable) span() {
	a := axis{t.n.From, t.n.To}
	for _, o := range t.handsets {
		if o.forecast != nil && o.forecast.Latest.After(a.to) {
			a.to = o.forecast.Latest
		}
		if len(o.shapes) > 0 && o.shapes[0].StartedAt.Before(a.from) {
			a.from = o.shapes[0].StartedAt
		}
	}
	if !t.by.IsZero() {
		a.to = t.by // ends are read against the window's end
		if t.n.To.After(a.to) {
			a.to = t.n.To
		}
	}
	t.axis = rounded(a)
}

// keys are the lowest level limit, at which the level's scale begins, and the letters of the
// scenarios.
func (t *nightTable) keys() {
	floor, scenarios := 100.0, map[string]bool{}
	for _, o := range t.handsets {
		floor = min(floor, floorOf(o.item))
		for _, s := range o.shapes {
			scenarios[s.Scenario] = true
		}
		if o.forecast == nil {
			continue
		}
		for _, p := range o.forecast.Parts {
			if p.Scenario != "" {
				scenarios[p.Scenario] = true
			}
		}
	}
	t.floor = int(floor)
	var keys []string
	for s := range scenarios {
		keys = append(keys, s[:1]+" "+s)
	}
	slices.Sort(keys)
	t.letters = strings.Join(keys, ", ")
}

// stands is how a handset's part of the night stands.
func (t *nightTable) stands(name string) health {
	o := t.handsets[name]
	if t.latest && o.m.Name != "" && (t.n.Going || o.m.Case.Stands == needsHand) {
		return o.m.Case.Stands
	}
	for _, r := range o.runs {
		if r.State == string(orchestrator.Stopped) && !strings.HasPrefix(r.Reason, "cancelled") {
			return needsHand
		}
	}
	return isWell
}

// order are the handsets, those that need a hand first.
func (t *nightTable) order() []string {
	return slices.SortedFunc(maps.Keys(t.handsets), func(x, y string) int {
		return cmp.Or(cmp.Compare(t.stands(x), t.stands(y)), strings.Compare(x, y))
	})
}

// row is a handset's lane with its words, and goes into the counts.
func (t *nightTable) row(name string) nightRow {
	o := t.handsets[name]
	row := nightRow{Name: name, Href: "/runs", State: "queued"}
	switch t.stands(name) {
	case needsHand:
		row.Mark, row.Hand = "mh", true
		t.hand = append(t.hand, name)
	case toWatch:
		row.Mark = "mw"
		t.watch = append(t.watch, name)
	}
	outcomes := map[string]int{}
	for _, s := range o.shapes {
		outcomes[s.Outcome]++
	}
	done := outcomes[results.Measured] + outcomes[results.Flagged]
	t.done, t.spoiled, t.flagged = t.done+done, t.spoiled+outcomes[results.Spoiled], t.flagged+outcomes[results.Flagged]
	l := lane{axis: t.axis, floor: float64(t.floor), shapes: o.shapes, figures: t.figures, forecast: o.forecast, end: t.by}
	to := t.n.To
	if t.n.Going {
		l.now, to = t.now, t.now
	}
	l.levels = t.c.o.Track(name, o.shapes, t.axis.from, to)
	if len(o.runs) > 0 {
		last := o.runs[len(o.runs)-1]
		row.Href, row.State = "/runs/"+last.ID, o.says(last)
		if last.EndedAt.IsZero() {
			l.lost = o.m.LinkLostAt
		} else {
			row.End, row.EndNote = clock(last.EndedAt), "ended"
		}
	}
	t.ends(&row, o.forecast)
	if n := outcomes[results.Skipped]; n > 0 {
		row.State += fmt.Sprintf(", %d not begun", n)
	}
	l.label = fmt.Sprintf("%s: %d %s measured", name, done, plural(done, "segment", "segments"))
	for _, outcome := range []string{results.Spoiled, results.Cancelled} {
		if n := outcomes[outcome]; n > 0 {
			l.label += fmt.Sprintf(", %d %s", n, outcome)
		}
	}
	l.label += "; " + row.State
	if row.End != "" {
		l.label += "; end " + row.End + " " + row.EndNote
	}
	l.label += "."
	row.Lane = l.draw()
	return row
}

// says is the state of a handset's last run in words.
func (o *nightHandset) says(last results.Run) string {
	if last.EndedAt.IsZero() {
		if state := orchestrator.State(o.m.State); state.Measures() && o.m.LinkLostAt.IsZero() {
			return orchestrator.StateSays(state, o.m.Scenario)
		}
		return lower(stateWords(o.m.HandsetStatus))
	}
	said := orchestrator.StateSays(orchestrator.State(last.State), "")
	if last.Reason != "" {
		said += ": " + short(last.Reason)
	}
	return said
}

// ends says when what is under way or queued will end, and whether that is in time.
func (t *nightTable) ends(row *nightRow, f *forecast.Forecast) {
	if f == nil || len(f.Parts) == 0 {
		return
	}
	row.End, row.EndNote = clock(f.End), "± "+duration(f.Latest.Sub(f.Earliest)/2)
	if late := f.Late(); late > 0 {
		row.EndNote = duration(late) + " late"
		t.late = append(t.late, row.Name+" "+duration(late)+" late")
	} else if !f.FinishBy.IsZero() && f.Latest.After(f.FinishBy) && row.Mark == "" {
		row.Mark = "mw"
	}
}
