package console

import (
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"rundown/orchestrator"
	"rundown/orchestrator/api/forecast"
	"rundown/results"
	"rundown/results/reading"
)

// A runRow is one segment of the table.
type runRow struct {
	Number   int
	ID       string
	Scenario string
	Attempt  int
	Marks    []string // "do", "df" of its drift
	Edges    string
	Points   string
	Took     string
	Hours    string
	Interval string
	Half     string
	Bar      template.HTML
	Notes    []runNote
	Outcome  string
	Spoiled  bool
	Zoom     string
	Report   []results.Condition
}

type runNote struct {
	Mark, Text string
	Hand       bool
}

// newestRun leads to the run that began last.
func (c *Console) newestRun(w http.ResponseWriter, r *http.Request) {
	runs, _ := c.o.Runs()
	if measured := slices.DeleteFunc(slices.Clone(runs), func(r results.Run) bool { return r.Imported != nil }); len(measured) > 0 {
		runs = measured
	}
	if len(runs) == 0 {
		http.Redirect(w, r, "/runs", http.StatusSeeOther)
		return
	}
	newest := slices.MaxFunc(runs, func(a, b results.Run) int { return a.StartedAt.Compare(b.StartedAt) })
	http.Redirect(w, r, "/runs/"+newest.ID, http.StatusSeeOther)
}

// runsShown is how many runs one page of the list has.
const runsShown = 50

func (c *Console) runs(r *http.Request) (page, error) {
	all, err := c.o.Runs()
	if err != nil && len(all) == 0 {
		return page{}, err
	}
	slices.Reverse(all)
	q := r.URL.Query()
	list := slices.DeleteFunc(slices.Clone(all), func(one results.Run) bool {
		return q.Get("handset") != "" && one.Handset.Name != q.Get("handset") || q.Get("plan") != "" && one.Plan != q.Get("plan")
	})
	from, _ := strconv.Atoi(q.Get("from"))
	from = max(0, min(from, len(list)))
	shown := list[from:min(len(list), from+runsShown)]
	type row struct {
		results.Run
		Took, Says string
		Hand       bool
	}
	var rows []row
	for _, one := range shown {
		o := row{Run: one, Says: one.State}
		if one.Imported != nil {
			o.Says = "imported from " + one.Imported.File
		}
		if !one.EndedAt.IsZero() {
			o.Took = duration(one.EndedAt.Sub(one.StartedAt))
		}
		if one.Reason != "" {
			o.Says += ": " + one.Reason
			o.Hand = !strings.HasPrefix(one.Reason, "cancelled")
		}
		rows = append(rows, o)
	}
	more := func(at int) string {
		u := url.Values{}
		for _, name := range []string{"handset", "plan"} {
			if v := q.Get(name); v != "" {
				u.Set(name, v)
			}
		}
		u.Set("from", strconv.Itoa(at))
		return "/runs?" + u.Encode()
	}
	body := map[string]any{"Rows": rows, "Handsets": c.d.File().Bench.Handsets, "Handset": q.Get("handset")}
	if from+runsShown < len(list) {
		body["Older"] = more(from + runsShown)
	}
	if from > 0 {
		body["Newer"] = more(max(0, from-runsShown))
	}
	heading := fmt.Sprintf("%s %s", capital(number(len(list))), plural(len(list), "run", "runs"))
	if len(list) == 0 {
		heading = "No run yet"
	}
	if h := q.Get("handset"); h != "" {
		heading += " of " + h
	}
	return page{Screen: "runs", Heading: heading, Lead: "Newest first. A run is one plan carried out on one handset.", Said: c.runSaid(r), Body: body}, nil
}

func (c *Console) run(r *http.Request) (page, error) {
	rec, err := c.d.Store().Run(r.PathValue("id"))
	if err != nil {
		return page{}, err
	}
	shapes, err := c.o.Shapes(rec.ID)
	if err != nil && len(shapes) == 0 {
		return page{}, err
	}
	list, _ := c.o.Figures(reading.FigureFilter{Run: rec.ID, Handset: rec.Handset.Name, WithFlagged: true})
	figures := map[string]reading.SegmentFigure{}
	for _, f := range list {
		for _, e := range f.Each {
			figures[e.Segment] = e
		}
	}
	a := runAxis(rec, shapes, c.d.Now())
	whole := a
	q := r.URL.Query()
	zoomed := false
	if from, err := time.Parse(time.RFC3339, q.Get("from")); err == nil {
		if to, err := time.Parse(time.RFC3339, q.Get("to")); err == nil && to.Sub(from) >= time.Minute {
			a, zoomed = axis{from, to}, true
		}
	}
	var rows []runRow
	notes := []runNote{}
	learned := ""
	for i, s := range shapes {
		f := figures[s.ID]
		rows = append(rows, c.runRow(i+1, rec, s, f))
		if f.Learned != "" {
			learned = fmt.Sprintf("the figure of segment %d uses what was learned of the handset: %s", i+1, f.Learned)
		}
	}
	if learned != "" {
		notes = append(notes, runNote{Text: learned})
	}
	for _, n := range rec.Notes {
		notes = append(notes, runNote{Text: clock(n.At) + " " + n.Text})
	}
	notes = append(notes, c.promptNotes(rec.ID)...)
	end := "now"
	if !rec.EndedAt.IsZero() {
		end = rec.EndedAt.Local().Format("Mon 15:04")
	}
	lead := fmt.Sprintf(`Run %s · %s · %s to %s`, attr(rec.ID), attr(rec.Plan), attr(rec.StartedAt.Local().Format("Mon 2 Jan 15:04")), end)
	if i := rec.Imported; i != nil {
		lead = fmt.Sprintf(`Run %s · imported as %s from %s at %s by %s · not measured by Rundown`, attr(rec.ID), attr(i.As), attr(i.File), attr(i.At.Local().Format("2 Jan 2006 15:04")), attr(i.By))
	}
	if rec.Handset.AndroidVersion != "" {
		lead += " · Android " + attr(rec.Handset.AndroidVersion)
	}
	if rec.Handset.Supply != "" {
		lead += " · charger " + attr(rec.Handset.Supply)
	}
	if rec.Handset.Calibration != "" {
		lead += " · luminance curve " + attr(rec.Handset.Calibration)
	}
	body := map[string]any{
		"Run": rec, "Rows": rows, "Curves": c.curves(a, rec, shapes), "Zoomed": zoomed, "Notes": notes, "Points": pointsOf(shapes), "Budget": budgetNames,
		"From": a.from.UTC().Format(time.RFC3339), "To": a.to.UTC().Format(time.RFC3339), "Empty": len(shapes) == 0,
		"WholeFrom": whole.from.UTC().Format(time.RFC3339), "Remarks": c.remarks(rec.ID),
	}
	body["Charges"], body["Work"] = c.series(rec, shapes)
	return page{Screen: "run", Said: c.runSaid(r), Heading: runHeading(rec, shapes), Lead: template.HTML(lead), Body: body}, nil
}

func runAxis(rec results.Run, shapes []forecast.Shape, now time.Time) axis {
	a := axis{rec.StartedAt, rec.EndedAt}
	if a.to.IsZero() {
		a.to = now
	}
	for _, s := range shapes {
		if s.StartedAt.Before(a.from) {
			a.from = s.StartedAt
		}
	}
	return rounded(a)
}

func runHeading(rec results.Run, shapes []forecast.Shape) string {
	n := map[string]int{}
	for _, s := range shapes {
		n[s.Outcome]++
	}
	kept := n[results.Measured] + n[results.Flagged]
	if rec.Imported != nil {
		return fmt.Sprintf("%s: %s imported", rec.Handset.Name, shapesWord(shapes))
	}
	text := fmt.Sprintf("%s: %s %s measured", rec.Handset.Name, number(kept), plural(kept, "segment", "segments"))
	if kept == 0 {
		text = rec.Handset.Name + ": nothing measured"
		if rec.EndedAt.IsZero() {
			text += " yet"
		}
	}
	if f := n[results.Flagged]; f > 0 {
		text += fmt.Sprintf(", %s flagged", number(f))
	}
	if s := n[results.Spoiled]; s > 0 {
		text += fmt.Sprintf(", %s spoiled", number(s))
	}
	if s := n[results.Cancelled]; s > 0 {
		text += fmt.Sprintf(", %s cancelled", number(s))
	}
	switch {
	case rec.EndedAt.IsZero() && n[results.Underway] > 0:
		text += ", " + shapes[len(shapes)-1].Scenario + " under way"
	case rec.State == string(orchestrator.Stopped) && rec.Reason != "":
		text += "; stopped: " + short(rec.Reason)
	}
	return text
}

// shapesWord names the one segment of an import.
func shapesWord(shapes []forecast.Shape) string {
	if len(shapes) == 0 {
		return "nothing"
	}
	return shapes[0].Scenario
}

func pointsOf(shapes []forecast.Shape) string {
	seen := map[int]bool{}
	for _, s := range shapes {
		seen[s.TargetPoints] = true
	}
	if len(seen) == 1 && !seen[0] {
		return fmt.Sprintf("%d points in", shapes[0].TargetPoints)
	}
	return "Points in"
}

func (c *Console) runRow(n int, rec results.Run, s forecast.Shape, f reading.SegmentFigure) runRow {
	row := runRow{Number: n, ID: s.ID, Scenario: s.Scenario, Attempt: s.Attempt, Outcome: s.Outcome, Spoiled: s.Outcome == results.Spoiled, Report: s.Conditions}
	if !s.StartEdge.IsZero() {
		row.Edges = clock(s.StartEdge) + " to " + clock(s.StopEdge)
		row.Took = duration(s.StopEdge.Sub(s.StartEdge))
		if s.Until != "" {
			row.Points = s.Progress() + " in "
		} else if s.Points != s.TargetPoints {
			row.Points = fmt.Sprintf("%d of %d in ", s.Points, s.TargetPoints)
		}
		margin := s.StopEdge.Sub(s.StartEdge) / 20
		row.Zoom = fmt.Sprintf("/runs/%s?from=%s&to=%s", Escape(rec.ID), Escape(stamp(s.StartEdge.Add(-margin))), Escape(stamp(s.StopEdge.Add(margin))))
	}
	if f.Hours.Value > 0 {
		row.Hours = hoursOf(f.Hours.Value)
		row.Interval = hoursOf(f.Hours.Low) + " to " + hoursOf(f.Hours.High)
		row.Half = pct(half(f.Hours))
		row.Bar = budgetBar(half(f.Hours), f.Budget)
	}
	for _, d := range s.Drift {
		mark, judged := "df", "flagged, not compared"
		if d.Tolerated {
			mark, judged = "do", "within tolerance"
		}
		row.Marks = append(row.Marks, mark)
		row.Notes = append(row.Notes, runNote{Mark: mark, Text: fmt.Sprintf("%s %s: %s, wanted %s; %s", clock(d.At), preconditionName(d.Name), d.Found, d.Wanted, judged)})
	}
	if said := s.ActivitySays(); s.ActivityPct != nil && said != "" {
		row.Notes = append(row.Notes, runNote{Text: fmt.Sprintf("the activity went on in %.1f %% of what was measured: %s", *s.ActivityPct, said)})
	}
	for _, o := range s.Outages {
		row.Notes = append(row.Notes, runNote{Text: fmt.Sprintf("%s %s lost for %s: %s", clock(o.From), o.What, duration(o.Lasted(s.Ended)), o.Why)})
	}
	switch s.Outcome {
	case results.Flagged:
		if !slices.Contains(row.Marks, "df") { // the drift says it
			row.Notes = append(row.Notes, runNote{Text: outcomeWords(s.Segment)})
		}
	case results.Spoiled, results.Cancelled, results.Skipped:
		row.Notes = append(row.Notes, runNote{Text: outcomeWords(s.Segment), Hand: s.Outcome == results.Spoiled})
	case results.Underway:
		row.Notes = append(row.Notes, runNote{Text: "under way"})
	case results.Measured:
		if s.Reason != "" {
			row.Notes = append(row.Notes, runNote{Text: s.Reason})
		}
		if f.Reason != "" {
			row.Notes = append(row.Notes, runNote{Text: "no figure: " + f.Reason})
		}
	}
	for _, warning := range f.Warnings {
		row.Notes = append(row.Notes, runNote{Text: warning})
	}
	for _, n := range s.Notes {
		row.Notes = append(row.Notes, runNote{Text: clock(n.At) + " " + n.Text})
	}
	return row
}

// budgetNames are the parts of an interval in the order of every bar, each with a word of
// the calculator's name for it. What fits none goes to the last.
var budgetNames = []struct{ Class, Name, word string }{
	{"v1", "warming", "warmth"}, {"v2", "voltage", "voltage"}, {"v3", "bend", "bend"}, {"v4", "timing and the rest", ""},
}

// budgetBar is as long as the interval's half width, split by shares of the variance.
func budgetBar(halfPct float64, terms []reading.Term) template.HTML {
	const pxPerPct = 14
	shares := make([]float64, len(budgetNames))
	for _, t := range terms {
		at := len(shares) - 1
		for i, b := range budgetNames {
			if b.word != "" && strings.Contains(t.Name, b.word) {
				at = i
			}
		}
		shares[at] += t.Share
	}
	length := min(190, halfPct*pxPerPct)
	var b strings.Builder
	b.WriteString(`<svg class="bar" aria-hidden="true">`)
	x := 0.0
	for i, s := range shares {
		w := length * s
		if w < 0.5 {
			continue
		}
		fmt.Fprintf(&b, `<rect class="%s" x="%s" y="1.5" width="%s" height="9"/>`, budgetNames[i].Class, num(x), num(w))
		x += w
	}
	b.WriteString("</svg>")
	return template.HTML(b.String())
}
