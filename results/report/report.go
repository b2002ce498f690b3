package report

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rundown/results"
	"rundown/results/compare"
)

// A Report is rows of the exported tables and the words around them. Empty parts are left out.
type Report struct {
	// Heading is the answer in a sentence; compare.Comparison has one. Made from the rows when empty.
	Heading string
	// About says what was measured: plan, nights, agreed conditions. One line.
	About string
	// At is when the report was made; zero leaves it out, for reports that are compared byte by byte.
	At time.Time

	// Sides are what a comparison is of, in its order; empty in the report of a run or a night.
	Sides []Side

	Figures []results.FigureRow
	Budgets []results.BudgetRow
	Ratios  []results.RatioRow
	// Quantities are charges and sustained work beside each other.
	Quantities []results.QuantityRow
	Curves     []results.CurveRow // thin them first
	Charges    []results.ChargeRow
	Lots       []results.LotRow
	Sustained  []results.SustainRow
	// Mismatches are what was not measured alike, a sentence each.
	Mismatches []string
	// Remarks are what else a reader has to know: what people have said of the runs, who a line-up is.
	Remarks []string
}

// Pictures are all that the rows can be drawn as.
func (r Report) Pictures() (list []Picture) {
	if p, ok := RatioPicture(r.Ratios); ok {
		list = append(list, p)
	}
	if p, ok := EndurancePicture(r.Figures); ok {
		list = append(list, p)
	}
	list = append(list, CurvePictures(r.sidedCurves())...)
	return append(list, LotPictures(r.sidedLots(), r.Sustained)...)
}

func (r Report) heading() string {
	if r.Heading != "" {
		return r.Heading
	}
	var handsets, scenarios []string
	for _, f := range toldTogether(r.Figures) {
		if f.Hours == nil {
			continue
		}
		if !slices.Contains(handsets, f.Handset) {
			handsets = append(handsets, f.Handset)
		}
		if !slices.Contains(scenarios, f.Scenario) {
			scenarios = append(scenarios, f.Scenario)
		}
	}
	switch {
	case len(handsets) > 0 && len(handsets) <= 4:
		return "Endurance of " + listed(handsets) + " at " + listed(scenarios)
	case len(handsets) > 0:
		return fmt.Sprintf("Endurance of %d handsets at %s", len(handsets), listed(scenarios))
	case len(r.Charges) > 0:
		return counted(len(r.Charges), "charge")
	case len(r.Sustained)+len(r.Lots) > 0:
		return "Sustained load"
	}
	return "No figures"
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// A table is one as the reader sees it; the first cell of a row is its name.
type table struct {
	Title, File, Note string
	Head              []column
	Rows              []row
}

// A row has what is to be said of it under its cells, over the whole width.
type row struct {
	Cells []string
	Notes string
	Again bool // its name is that of the row above
}

func (t *table) add(notes []string, cells ...string) {
	again := len(t.Rows) > 0 && t.Rows[len(t.Rows)-1].Cells[0] == cells[0]
	t.Rows = append(t.Rows, row{cells, strings.Join(notes, "; "), again})
}

type column struct {
	Name   string
	Number bool // right-aligned
}

func words(names ...string) (list []column) {
	for _, n := range names {
		list = append(list, column{Name: n})
	}
	return list
}

func numbers(names ...string) (list []column) {
	for _, n := range names {
		list = append(list, column{n, true})
	}
	return list
}

const narrow = "\u202f" // narrow no-break space, before a unit

func withUnit(v float64, digits int, unit string) string { return number(v, digits) + narrow + unit }

func span(i *results.Interval, digits int) string {
	if i == nil {
		return ""
	}
	return number(i.Low, digits) + " to " + number(i.High, digits)
}

func halfWidth(i *results.Interval) string {
	if i == nil {
		return ""
	}
	return "±" + narrow + withUnit(100*(i.High-i.Low)/(2*i.Value), 1, "%")
}

func value(i *results.Interval, digits int) string {
	if i == nil {
		return ""
	}
	return number(i.Value, digits)
}

func optional(v *float64, digits int, unit string) string {
	if v == nil {
		return ""
	}
	return withUnit(*v, digits, unit)
}

// clockText is a time in s as h:mm:ss or m:ss.
func clockText(s *float64) string {
	if s == nil {
		return ""
	}
	n := int(math.Round(*s))
	if n >= 3600 {
		return fmt.Sprintf("%d:%02d:%02d", n/3600, n/60%60, n%60)
	}
	return fmt.Sprintf("%d:%02d", n/60, n%60)
}

// enduranceTable has a row for each handset and scenario.
func (r Report) enduranceTable() (t table, ok bool) {
	t = table{Title: "Endurance", File: results.Figures.Name, Head: slices.Concat(words("Scenario", "Handset"), numbers("Hours", "95 %", "Half width", "%/h", "Power", "Hours per Wh", "Activity", "Segments")),
		Note: "Hours from full to empty at one scenario, at the power of the measured window, with the 95 % interval."}
	counted := false
	for _, f := range toldTogether(r.Figures) {
		counted = counted || f.ActivityPct != nil
		notes := slices.Clone(f.Warnings)
		if f.Imported {
			notes = append([]string{"imported"}, notes...)
		}
		if f.Outcome == results.Flagged && !slices.ContainsFunc(notes, func(n string) bool { return strings.HasPrefix(n, "flagged") }) {
			notes = append([]string{"flagged"}, notes...)
		}
		if f.Of == "repeats" && !f.Agree {
			notes = append(notes, "repeats lie further apart than chance explains: the interval is widened")
		}
		if f.Hours == nil {
			notes = append(notes, "no figure: "+f.Reason)
		}
		power := ""
		if f.PowerW != nil {
			power = withUnit(f.PowerW.Value, 2, "W")
		}
		perWh := ""
		if f.HoursPerWh != nil {
			perWh = number(*f.HoursPerWh, 2)
		}
		t.add(notes, f.Scenario, f.Handset, value(f.Hours, 1), span(f.Hours, 1), halfWidth(f.Hours), value(f.RatePctH, 2), power, perWh, optional(f.ActivityPct, 1, "%"), fmt.Sprint(f.Segments))
	}
	if counted {
		t.Note += " Activity is the part of what was measured in which the activity went on, by its evidence."
	}
	t.dropEmpty()
	return t, len(t.Rows) > 0
}

// dropEmpty leaves out columns in which no row has anything.
func (t *table) dropEmpty() {
	for i := len(t.Head) - 1; i >= 0; i-- {
		if slices.ContainsFunc(t.Rows, func(r row) bool { return r.Cells[i] != "" }) {
			continue
		}
		t.Head = slices.Delete(t.Head, i, i+1)
		for j := range t.Rows {
			t.Rows[j].Cells = slices.Delete(t.Rows[j].Cells, i, i+1)
		}
	}
}

func (r Report) mixTable() (t table, ok bool) {
	t = table{Title: "Day mix", File: results.Figures.Name, Head: slices.Concat(words("Mix", "Handset"), numbers("Days", "95 %"), words("A day")), Note: "How many days of a stated mix of scenarios a full battery lasts."}
	for _, f := range r.Figures {
		if f.Of == "day mix" {
			note := f.Method
			if f.DaysOfMix == nil {
				note = "no figure: " + f.Reason
			}
			t.add(nil, f.Scenario, f.Handset, value(f.DaysOfMix, 2), span(f.DaysOfMix, 2), note)
		}
	}
	t.dropEmpty()
	return t, len(t.Rows) > 0
}

func (r Report) budgetTable() (t table, ok bool) {
	t = table{Title: "What the intervals are made of", File: results.Budgets.Name, Head: slices.Concat(words("Scenario", "Handset", "Segment", "Term"), numbers("One standard deviation", "Share of the variance"))}
	for _, b := range r.Budgets {
		t.add(nil, b.Scenario, b.Handset, b.SegmentID, b.Term, withUnit(b.SDPct, 2, "%"), withUnit(100*b.Share, 0, "%"))
	}
	return t, len(t.Rows) > 0
}

func (r Report) ratioTable() (t table, ok bool) {
	if len(r.Ratios) == 0 {
		return t, false
	}
	reference := oneReference(r.Ratios)
	t = table{Title: "Comparison", File: results.Ratios.Name, Head: slices.Concat(words("Scenario", "Side"), numbers("Ratio", "95 %", "p of the set", "Runs", "Battery", "Rest", "Hours per Wh"), words("What it shows"))}
	tested, mixes := 0, 0
	for _, x := range r.Ratios {
		p, battery, rest, perWh := "", "", "", ""
		if x.PAdjusted != nil {
			if x.Of == "day mix" {
				mixes++
			} else {
				tested++
			}
			p = chance(*x.PAdjusted)
		}
		if x.BatteryRatio != nil {
			battery = number(*x.BatteryRatio, 2)
		}
		if x.Rest != nil {
			rest = value(x.Rest, 2) + " (" + span(x.Rest, 2) + ")"
		}
		if x.SidePerWh != nil && x.ReferencePerWh != nil {
			perWh = number(*x.SidePerWh, 2) + " against " + number(*x.ReferencePerWh, 2)
		}
		notes := slices.Clone(x.Notes)
		if x.LeftOut != "" {
			notes = append(notes, x.LeftOut)
		}
		runs := ""
		if x.Ratio != nil {
			runs = fmt.Sprintf("%d and %d", x.SideRuns, x.ReferenceRuns)
		}
		scenario := x.Scenario
		if x.Of == "day mix" {
			scenario += " (day mix)"
		}
		t.add(notes, scenario, sideName(x, reference), value(x.Ratio, 2), span(x.Ratio, 2), p, runs, battery, rest, perWh, x.Says)
	}
	t.Note = fmt.Sprintf("Hours as a ratio%s. A difference is shown where p, corrected by Holm for all %s, is below 0.05. Battery is the ratio of rated energies; rest is what it does not explain.",
		map[bool]string{true: " to " + reference, false: ""}[reference != ""], counted(tested, "ratio"))
	if mixes > 0 {
		t.Note += fmt.Sprintf(" Day mixes follow from the scenarios, and are corrected for their own %s.", counted(mixes, "ratio"))
	}
	return t, true
}

// quantityTable is what charges, or sustained work, of the sides show beside each other.
func (r Report) quantityTable(of, title string) (t table, ok bool) {
	t = table{Title: title, File: results.Quantities.Name, Head: slices.Concat(words("Quantity", "Side"), numbers("Value", "Reference", "Ratio or difference", "95 %", "p of the set", "Per battery"), words("What it shows"))}
	tested, scenarios, references := 0, map[string]bool{}, map[string]bool{}
	for _, x := range r.Quantities {
		if x.Of == of {
			scenarios[x.Scenario], references[x.Reference] = true, true
		}
	}
	var said []string // of several rows the same
	reference := ""
	absent := r.absent(of)
	for _, x := range r.Quantities {
		if x.Of != of || slices.ContainsFunc(absent, func(a compare.NotCompared) bool { return a.Side == x.Side }) {
			continue
		}
		name, p, change, between := x.Quantity, "", "", ""
		if len(scenarios) > 1 {
			name = x.Scenario + ": " + name
		}
		if x.PAdjusted != nil {
			tested++
			p = chance(*x.PAdjusted)
		}
		switch {
		case x.Ratio != nil:
			change, between = value(x.Ratio, 2), span(x.Ratio, 2)
		case x.Difference != nil:
			change, between = withUnit(x.Difference.Value, 1, compare.DifferenceUnit(x.Unit)), number(x.Difference.Low, 1)+" to "+number(x.Difference.High, 1)
		}
		with := func(i *results.Interval) string {
			if i == nil {
				return ""
			}
			return withUnit(i.Value, figures(i.Value), x.Unit)
		}
		for _, n := range x.Notes {
			if !slices.Contains(said, n) {
				said = append(said, n)
			}
		}
		var notes []string
		if x.LeftOut != "" {
			notes = append(notes, x.LeftOut)
		}
		side := x.Side
		if reference = " with " + x.Reference; len(references) > 1 {
			side, reference = side+" against "+x.Reference, ""
		}
		t.add(notes, name, side, with(x.SideValue), with(x.ReferenceValue), change, between, p, value(x.PerWh, 2), x.Says)
	}
	t.Note = fmt.Sprintf("Compared%s. A difference is shown where p, corrected by Holm for all %d of this table, is below 0.05. Per battery: the ratio over that of the rated energies.", reference, tested)
	for _, n := range said {
		t.Note += " " + strings.ToUpper(n[:1]) + n[1:] + "."
	}
	for _, a := range absent {
		t.Note += fmt.Sprintf(" %s: not compared: %s.", a.Side, a.Why)
	}
	return t, len(t.Rows)+len(absent) > 0
}

// absent are the sides of which nothing was compared in one part, with the reason.
func (r Report) absent(of string) []compare.NotCompared {
	rows := slices.DeleteFunc(slices.Clone(r.Quantities), func(x results.QuantityRow) bool { return x.Of != of })
	return compare.Absent(len(rows), func(i int) (side, leftOut string) { return rows[i].Side, rows[i].LeftOut })
}

// chance is a p value.
func chance(p float64) string {
	if p < 0.001 {
		return "below 0.001"
	}
	return number(p, 3)
}

// figures is after how many digits a value of three figures or more ends.
func figures(v float64) int {
	switch a := math.Abs(v); {
	case a >= 10 || a == 0:
		return 1
	case a >= 1:
		return 2
	}
	return 3
}

func (r Report) chargeTable() (t table, ok bool) {
	t = table{Title: "Charging", File: results.Charges.Name, Head: slices.Concat(words("Handset"), numbers("From", "To 50 %", "To 80 %", "To 95 %", "Full", "20 to 80 %", "Peak", "Within 90 % of it", "Taper at", "Into the battery", "Efficiency", "Hottest")),
		Note: "Times in h:mm:ss or m:ss from plug-in. Rank by the times to 80 and 95 %: full is shown anywhere in the last point, which takes minutes."}
	for _, c := range r.Charges {
		from, peak, hottest, efficiency, taper := "", "", "", "", ""
		if c.FromPct != nil {
			from = withUnit(float64(*c.FromPct), 0, "%")
		}
		if c.PeakW != nil {
			peak = withUnit(c.PeakW.Value, 1, "W")
		}
		if c.Efficiency != nil {
			efficiency = withUnit(100**c.Efficiency, 0, "%")
		}
		if c.HighestTempC != nil {
			hottest = withUnit(*c.HighestTempC, 1, "°C")
			if c.HighestTempPct != nil {
				hottest += fmt.Sprintf(" at %d%s%%", *c.HighestTempPct, narrow)
			}
		}
		if c.TaperS != nil {
			taper = clockText(c.TaperS)
			if c.TaperPct != nil {
				taper += fmt.Sprintf(", %s%s%%", number(*c.TaperPct, 0), narrow)
			}
		}
		var edge *float64
		if c.From20To80S != nil {
			edge = &c.From20To80S.Value
		}
		notes := slices.Clone(c.Notes)
		if c.FullRule != "" {
			notes = append(notes, "full: "+c.FullRule)
		}
		if c.Imported {
			notes = append([]string{"imported"}, notes...)
		}
		if c.HighestTempC != nil && *c.HighestTempC >= warmCharge {
			notes = append(notes, "hot for a charging cell: look at the handset before it is charged unattended again")
		}
		t.add(notes, r.sideOf(c.Whose), from, clockText(c.To50S), clockText(c.To80S), clockText(c.To95S), clockText(c.FullS), clockText(edge), peak, clockText(c.Above90S), taper, optional(c.BatteryWh, 1, "Wh"), efficiency, hottest)
	}
	return t, len(t.Rows) > 0
}

// warmCharge is the battery temperature from which a charge is pointed out, °C: the usual upper limit for
// charging lithium cells. Common practice, no source.
const warmCharge = 45

func (r Report) sustainTable() (t table, ok bool) {
	t = table{Title: "Sustained load", File: results.Sustained.Name, Head: slices.Concat(words("Workload", "Handset"), numbers("Lots", "Rate at the start", "Settled rate", "Share held", "95 %", "Time to settle", "Battery at the start", "Mean", "Highest", "Power"), words("What it shows")),
		Note: "Rates are work a second, and are compared within one workload only. Where work has not settled, its settled rate is that of the last five minutes. The share held is the settled rate over the rate at the start."}
	for _, s := range r.Sustained {
		count := fmt.Sprint(s.Count)
		if s.Form == results.FormCycles {
			count += " cycles"
		}
		cells := []string{s.Workload, r.sideOf(s.Whose), count, "", "", "", "", "", optional(s.StartTempC, 1, "°C"), optional(s.MeanTempC, 1, "°C"), optional(s.HighestTempC, 1, "°C"), optional(s.PowerW, 2, "W"), "no figure: " + s.Reason}
		if s.StartRate != 0 {
			cells[3], cells[4], cells[5], cells[6] = number(s.StartRate, 0), number(s.SettledRate, 0), number(s.Held.Value, 2), span(&s.Held, 2)
			if s.SettleS != nil {
				cells[7] = clockText(s.SettleS)
			}
			cells[12] = "no throttling seen"
			if s.Throttled {
				cells[12] = fmt.Sprintf("settles %s lower", withUnit(100*(1-s.Held.Value), 0, "%"))
				if s.Onset != nil {
					cells[12] += fmt.Sprintf(", from cycle %d on", *s.Onset)
				}
			}
			if s.Settled != nil && !*s.Settled {
				cells[12] = "not settled: " + s.Still
			}
		}
		if s.Imported {
			cells[12] += "; imported"
		}
		t.add(nil, cells...)
	}
	return t, len(t.Rows) > 0
}

// assumed are the assumptions and methods of the figures, each once.
func (r Report) assumed() (list []string) {
	for _, f := range r.Figures {
		for _, a := range f.Assumptions {
			if !slices.Contains(list, a) {
				list = append(list, a)
			}
		}
	}
	return list
}

// A section is a heading of the page with its pictures and tables.
type section struct {
	Title    string
	Says     []string // sentences before all else
	Pictures []drawn
	Tables   []table
	List     []string
}

type drawn struct {
	Picture
	SVG template.HTML
}

func (r Report) sections() ([]section, error) {
	if len(r.Sides) > 0 {
		list := r.pageSections()
		var err error
		for i := range list {
			for j := range list[i].Pictures {
				var b bytes.Buffer
				err = errors.Join(err, list[i].Pictures[j].WriteSVG(&b))
				list[i].Pictures[j].SVG = template.HTML(b.String()) // as below
			}
		}
		return list, err
	}
	var list []section
	var err error
	draw := func(pictures ...Picture) (out []drawn) {
		for _, p := range pictures {
			var b bytes.Buffer
			err = errors.Join(err, p.WriteSVG(&b))
			// Text in it is escaped by the canvas, and nothing else of it comes from outside.
			out = append(out, drawn{p, template.HTML(b.String())})
		}
		return out
	}
	add := func(title string, pictures []drawn, tables []table, lines []string) {
		if len(pictures)+len(tables)+len(lines) > 0 {
			list = append(list, section{title, nil, pictures, tables, lines})
		}
	}
	if p, ok := RatioPicture(r.Ratios); ok {
		add("Comparison", draw(p), maybe(r.ratioTable()), nil)
	} else {
		add("Comparison", nil, maybe(r.ratioTable()), nil)
	}
	add("Mismatches", nil, nil, r.Mismatches)
	if p, ok := EndurancePicture(r.Figures); ok {
		add("Endurance", draw(p), append(maybe(r.enduranceTable()), maybe(r.mixTable())...), nil)
	} else {
		add("Endurance", nil, append(maybe(r.enduranceTable()), maybe(r.mixTable())...), nil)
	}
	var discharge, charge []Picture
	for _, p := range CurvePictures(r.sidedCurves()) {
		if strings.HasPrefix(p.Name, Charge) {
			charge = append(charge, p)
		} else {
			discharge = append(discharge, p)
		}
	}
	add("Discharge", draw(discharge...), nil, nil)
	add("Charging", draw(charge...), append(maybe(r.chargeTable()), maybe(r.quantityTable("charging", "Charging compared"))...), nil)
	add("Sustained load", draw(LotPictures(r.sidedLots(), r.Sustained)...), append(maybe(r.sustainTable()), maybe(r.quantityTable("sustained work", "Sustained load compared"))...), nil)
	add("Notes", nil, nil, r.Remarks)
	add("What the figures rest on", nil, maybe(r.budgetTable()), r.assumed())
	return list, err
}

//go:embed report.html
var page embed.FS

var pageTemplate = template.Must(template.New("report.html").ParseFS(page, "report.html"))

// WriteHTML writes the report as one page that needs no other file.
func (r Report) WriteHTML(w io.Writer) error {
	sections, err := r.sections()
	if err != nil {
		return err
	}
	at := ""
	if !r.At.IsZero() {
		at = timeOf(r.At)
	}
	return pageTemplate.Execute(w, struct {
		Heading, About, At string
		Sections           []section
	}{r.heading(), r.About, at, sections})
}

// WriteMarkdown writes the tables for an editor to paste.
func (r Report) WriteMarkdown(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "# %s\n", markdown(r.heading()))
	if r.About != "" {
		fmt.Fprintf(&b, "\n%s\n", markdown(r.About))
	}
	if len(r.Sides) > 0 {
		for _, s := range r.pageSections() {
			fmt.Fprintf(&b, "\n## %s\n", markdown(s.Title))
			for _, line := range s.Says {
				fmt.Fprintf(&b, "\n%s\n", markdown(line))
			}
			for _, p := range s.Pictures {
				fmt.Fprintf(&b, "\n![%s](%s.svg)\n", markdown(p.Alt), p.Name)
			}
			for _, t := range s.Tables {
				t.markdown(&b, "###")
			}
			if len(s.List) > 0 {
				b.WriteByte('\n')
			}
			for _, l := range s.List {
				fmt.Fprintf(&b, "- %s\n", markdown(l))
			}
		}
		_, err := io.WriteString(w, b.String())
		return err
	}
	for _, make := range []func() (table, bool){r.ratioTable, r.enduranceTable, r.mixTable, r.chargeTable, r.sustainTable} {
		if t, ok := make(); ok {
			t.markdown(&b, "##")
		}
	}
	for _, list := range []struct {
		title string
		lines []string
	}{{"Mismatches", r.Mismatches}, {"Notes", r.Remarks}, {"What the figures rest on", r.assumed()}} {
		if len(list.lines) > 0 {
			fmt.Fprintf(&b, "\n## %s\n\n", list.title)
			for _, l := range list.lines {
				fmt.Fprintf(&b, "- %s\n", markdown(l))
			}
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// markdown writes the table under a heading of a level.
func (t table) markdown(b *strings.Builder, level string) {
	fmt.Fprintf(b, "\n%s %s\n\n", level, t.Title)
	if t.Note != "" {
		fmt.Fprintf(b, "%s\n\n", markdown(t.Note))
	}
	head := t.Head
	noted := slices.ContainsFunc(t.Rows, func(r row) bool { return r.Notes != "" })
	if noted {
		head = slices.Concat(head, words("Notes"))
	}
	for _, c := range head {
		fmt.Fprintf(b, "| %s ", markdown(c.Name))
	}
	b.WriteString("|\n")
	for _, c := range head {
		b.WriteString(map[bool]string{true: "| ---: ", false: "| --- "}[c.Number])
	}
	b.WriteString("|\n")
	for _, row := range t.Rows {
		cells := row.Cells
		if noted {
			cells = slices.Concat(cells, []string{row.Notes})
		}
		for _, cell := range cells {
			fmt.Fprintf(b, "| %s ", markdown(cell))
		}
		b.WriteString("|\n")
	}
}

// markdown keeps what comes from names and notes from being read as marks.
func markdown(s string) string {
	return strings.NewReplacer("\\", `\\`, "|", `\|`, "*", `\*`, "_", `\_`, "`", "\\`", "<", "&lt;", "[", `\[`, "\n", " ", "\r", " ").Replace(s)
}

// A File is one file of a report, made when it is written.
type File struct {
	Name  string
	Write func(io.Writer) error
}

// Files are all files of the report: page, table for the editor, each picture as SVG and PNG, and the rows
// that all of it is made of with their description.
func (r Report) Files() []File {
	list := []File{{"report.html", r.WriteHTML}, {"report.md", r.WriteMarkdown}}
	for _, p := range r.Pictures() {
		list = append(list, File{p.Name + ".svg", p.WriteSVG}, File{p.Name + ".png", func(w io.Writer) error { return p.WritePNG(w, 0) }})
		for _, wide := range pageWidths {
			if len(r.Sides) > 0 {
				list = append(list, File{fmt.Sprintf("%s-%d.png", p.Name, wide), func(w io.Writer) error { return p.WritePNG(w, p.dotsFor(wide)) }})
			}
		}
	}
	add := func(name string, rows int, write func(io.Writer) (int, error)) {
		if rows > 0 {
			list = append(list, File{name + ".csv", func(w io.Writer) error { _, err := write(w); return err }})
		}
	}
	add(results.Figures.Name, len(r.Figures), func(w io.Writer) (int, error) { return results.Figures.Export(r.Figures, "csv", w) })
	add(results.Budgets.Name, len(r.Budgets), func(w io.Writer) (int, error) { return results.Budgets.Export(r.Budgets, "csv", w) })
	add(results.Ratios.Name, len(r.Ratios), func(w io.Writer) (int, error) { return results.Ratios.Export(r.Ratios, "csv", w) })
	add(results.Quantities.Name, len(r.Quantities), func(w io.Writer) (int, error) { return results.Quantities.Export(r.Quantities, "csv", w) })
	add(results.Curves.Name, len(r.Curves), func(w io.Writer) (int, error) { return results.Curves.Export(r.Curves, "csv", w) })
	add(results.Charges.Name, len(r.Charges), func(w io.Writer) (int, error) { return results.Charges.Export(r.Charges, "csv", w) })
	add(results.Lots.Name, len(r.Lots), func(w io.Writer) (int, error) { return results.Lots.Export(r.Lots, "csv", w) })
	add(results.Sustained.Name, len(r.Sustained), func(w io.Writer) (int, error) { return results.Sustained.Export(r.Sustained, "csv", w) })
	return append(list, File{"columns.json", results.Describe})
}

// Write writes all files of the report into a folder, which is made where it is missing, and returns their names.
func (r Report) Write(folder string) (names []string, err error) {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return nil, err
	}
	for _, file := range r.Files() {
		f, err := os.Create(filepath.Join(folder, file.Name))
		if err != nil {
			return names, err
		}
		if err := errors.Join(file.Write(f), f.Close()); err != nil {
			return names, err
		}
		names = append(names, file.Name)
	}
	return names, nil
}
