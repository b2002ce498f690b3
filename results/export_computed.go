package results

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"rundown/results/figure"
)

// An Interval is a value with its 95 % interval. In a computed table it becomes three columns.
type Interval = figure.Interval

// Whose says what a computed row belongs to. SegmentID is empty where a row is made of several
// segments; RunID too, where they are of several runs.
type Whose struct {
	Handset, RunID, SegmentID, Scenario string
	// Imported says that the row was computed from a file and not measured by rundown.
	Imported bool
}

// A FigureRow is what a segment says of endurance, or several segments of one handset together, or a
// day mix of it.
type FigureRow struct {
	Whose
	Plan       string
	Of         string // "segment", "repeats", "day mix"
	Outcome    string // of the segment; empty where the row is made of several
	At         time.Time
	Hours      *Interval // from full to empty; nil where there is no figure
	DaysOfMix  *Interval // how long a full battery lasts, days; of a day mix only
	RatePctH   *Interval
	PowerW     *Interval
	CurrentMA  *Interval
	HoursPerWh *float64
	Segments   int  // how many it is made of
	Agree      bool // whether repeats agree within what chance explains
	Points     int
	FromPct    *int64 // level of the start edge
	ToPct      *int64 // level of the stop edge
	Factor     *float64
	Gauge      string
	Method     string
	// Assumptions and Warnings are what a reader has to know beside the figure.
	Assumptions, Warnings []string
	Reason                string // why there is no figure
	// ActivityPct is the share of the activity in what was measured, %, the least of several
	// segments; nil where nobody counted.
	ActivityPct *float64
}

// A BudgetRow is one term of what an endurance figure's interval is made of.
type BudgetRow struct {
	Whose
	Term  string
	SDPct float64 // relative standard deviation that it adds, %
	Share float64 // of the variance, 0 to 1
}

// The forms of sustained work.
const (
	FormLots   = "lots"   // continuous, in lots of equal work
	FormCycles = "cycles" // of equal time, with or without rests
)

// A LotRow is one lot or cycle of sustained work.
type LotRow struct {
	Whose
	Workload     string
	Form         string // FormLots or FormCycles
	Lot          int    // from 1
	Rate         float64
	TookS        *float64 // nil where it is not known
	TempC        *float64 // battery at its end
	SkinC        *float64 // highest of the handset's skin sensors in it
	ThermalLevel *int64   // the handset's thermal status: 0 none to 6 shutdown
	EnergyJ      *float64 // from the battery
	PowerW       *float64 // from the battery, mean
	LevelPct     *int64
}

// A SustainRow is what sustained work says.
type SustainRow struct {
	Whose
	Workload            string
	Form                string // FormLots or FormCycles
	Count               int    // lots or cycles
	StartRate           float64
	Settled             *bool   // of lots only
	SettledRate         float64 // of work that has not settled: of its last five minutes
	Held                Interval
	Throttled           bool
	SettleS             *float64 // from the beginning of the work
	Onset               *int64   // first cycle from which the rate stays below 95 % of that at the start
	StartTempC          *float64
	MeanTempC           *float64
	HighestTempC        *float64
	HighestSkinC        *float64
	HighestThermalLevel *int64
	PowerW              *float64 // from the battery, mean
	WorkPerJ            *float64
	Points              *float64 // percentage points of the battery
	Still               string   // what was still changing at the end
	Reason              string   // why there is no figure
}

// A ChargeRow is one charge session.
type ChargeRow struct {
	Whose
	StartedAt time.Time
	FromPct   *int64
	ToPct     *int64
	// Times from plug-in until a level was shown, s; nil where it was not, or from the start.
	To20S, To50S, To80S, To95S, To100S, FullS *float64
	FullRule                                  string
	From20To80S                               *Interval
	// The same by charge, whatever was shown; nil where that cannot be told.
	Charge20S, Charge50S, Charge80S, Charge95S, Charge100S, Charge20To80S *Interval
	PeakW                                                                 *Interval // highest 60 s running median into the battery
	PeakSocketW                                                           *float64  // the same at the socket
	Above90S                                                              *float64  // time the running median is at least 90 % of the peak
	Hold                                                                  *Interval // the same with its interval, s
	TaperS, TaperPct                                                      *float64
	Taper                                                                 *Interval // the same with its interval, s
	BatteryWh, SocketWh                                                   *float64
	ChargeMAh                                                             *float64
	Efficiency                                                            *float64
	MeanTempC, HighestTempC                                               *float64
	HighestTempPct                                                        *int64 // level at which it was hottest
	Notes                                                                 []string
	// First fall of power by more than a tenth from its peak: when, s, at which level, from which mean power to which plateau's.
	Drop                     *Interval
	DropPct, HeldW, DropToW  *float64
	PowerOf                  string   // what peak, hold, fall and taper are of: "battery" or "socket"
	PeakKept                 string   // for how long, in words
	Hot40S, Hot45S, HotFullS *float64 // with the battery above 40 °C, above 45 °C, above 40 °C at 80 % or more
}

// A CurveRow is one point of a curve as it is drawn: a sample, or the mean of neighbouring ones.
type CurveRow struct {
	Whose
	Kind     string  // "discharge" or "charge"
	TimeS    float64 // since the activity began, or since plug-in
	LevelPct *float64
	PowerW   *float64 // out of the battery in a discharge, into it in a charge
	SocketW  *float64
	TempC    *float64
}

// A RatioRow is one side beside another at one scenario.
type RatioRow struct {
	Of                        string // "scenario" or "day mix": each is tested as a set of its own
	Scenario, Side, Reference string
	Ratio                     *Interval // hours of the side over hours of the reference; nil where left out
	SideHours, ReferenceHours *Interval
	SideRuns, ReferenceRuns   int
	Test                      string // "Welch", "paired", "intervals"
	P, PAdjusted              *float64
	Shown                     bool
	Says                      string
	BatteryRatio              *float64
	Rest                      *Interval
	SidePerWh, ReferencePerWh *float64 // hours per rated watt-hour
	RepeatsNeeded             *int64
	LeftOut                   string
	Notes                     []string
}

// A QuantityRow is one quantity of a side's charges, or of its sustained work, beside the reference's.
type QuantityRow struct {
	Of                        string // "charging" or "sustained work": each is tested as a set of its own
	Scenario, Quantity, Unit  string
	Side, Reference           string
	SideValue, ReferenceValue *Interval // in the unit
	Ratio, Difference, PerWh  *Interval // one of the first two, where it was not left out
	SideRuns, ReferenceRuns   int
	Test                      string
	P, PAdjusted              *float64
	Shown                     bool
	Says                      string
	RepeatsNeeded             *int64
	LeftOut                   string
	Notes                     []string
}

// A Computed is a table whose rows are computed from what is stored, by whoever asks for them. The
// columns and their order are the table's; the rows come as plain values.
type Computed[T any] struct {
	Table
	values func(T) []any
}

// Export writes the rows in one format to w and returns how many were written.
func (c Computed[T]) Export(rows []T, format string, w io.Writer) (int, error) {
	buffered := bufio.NewWriterSize(w, 1<<16)
	put, flush, err := rowWriter(c.Table, format, buffered)
	if err != nil {
		return 0, err
	}
	for i, r := range rows {
		if err := put(c.values(r)); err != nil {
			return i, fmt.Errorf("table %s, row %d: %w", c.Name, i+1, err)
		}
	}
	return len(rows), errors.Join(flush(), buffered.Flush())
}

// Cells are the rows as text, as CSV has them, without the head. They are what a report draws and
// prints from.
func (c Computed[T]) Cells(rows []T) [][]string {
	out := make([][]string, len(rows))
	for i, r := range rows {
		for _, v := range c.values(r) {
			out[i] = append(out[i], cell(v))
		}
	}
	return out
}

// ComputedTables are the tables of Figures, Budgets, Lots, Sustained, Charges, Curves, Annotations and
// Ratios, for their description.
func ComputedTables() []Table {
	return []Table{Figures.Table, Budgets.Table, Lots.Table, Sustained.Table, Charges.Table, Curves.Table, Annotations.Table, Ratios.Table, Quantities.Table}
}

// An AnnotationRow is what a person has said of a run.
type AnnotationRow struct {
	Whose
	At       time.Time
	By, Text string
}

// Annotations is the table of what people have said of runs.
var Annotations = Computed[AnnotationRow]{Table{Name: "annotations", About: "One row an annotation: what a person has said of a run.", Columns: computedKey([]Column{
	{"at_utc", "time", "", "when it was said, host's clock"},
	{"by", "string", "", "who said it: the token's name"},
	{"text", "string", "", "what was said"},
})}, func(r AnnotationRow) []any { return cells(r.cells(), []any{r.At, r.By, r.Text}) }}

// between are the columns of a value with its 95 % interval: name, name_low, name_high, with the unit
// at the end of each name.
func between(name, unitName, unit, about string) []Column {
	suffix := ""
	if unitName != "" {
		suffix = "_" + unitName
	}
	return []Column{
		{name + suffix, "number", unit, about},
		{name + "_low" + suffix, "number", unit, "low end of its 95 % interval"},
		{name + "_high" + suffix, "number", unit, "high end of its 95 % interval"},
	}
}

func columns(groups ...[]Column) (all []Column) {
	for _, g := range groups {
		all = append(all, g...)
	}
	return all
}

func computedKey(more ...[]Column) []Column {
	return columns(append([][]Column{key}, more...)...)
}

func (w Whose) cells() []any { return []any{w.Handset, w.RunID, w.SegmentID, w.Scenario, w.Imported} }

// spread are the three cells of an interval.
func spread(i *Interval) []any {
	if i == nil {
		return []any{nil, nil, nil}
	}
	return []any{i.Value, i.Low, i.High}
}

func cells(groups ...[]any) (all []any) {
	for _, g := range groups {
		all = append(all, g...)
	}
	return all
}

func text(list []string) string { return strings.Join(list, "; ") }

// Figures is the table of endurance figures.
var Figures = Computed[FigureRow]{Table{Name: "figures", About: "One row an endurance figure: of a segment, of a handset's repeats, of a day mix.", Columns: computedKey(
	[]Column{
		{"plan", "string", "", "the plan"},
		{"figure_kind", "string", "", "segment, repeats (several segments of one handset together) or day mix"},
		{"outcome", "string", "", "of the segment: measured, flagged, spoiled, cancelled"},
		{"at_utc", "time", "", "when the segment began, host's clock"},
	},
	between("hours", "", "h", "endurance from full to empty at this scenario"),
	between("days", "", "days", "how many days of the mix a full battery lasts"),
	between("rate", "pct_h", "%/h", "drain rate in the measured window"),
	between("power", "w", "W", "mean power in the measured window"),
	between("current", "ma", "mA", "mean current in the measured window"),
	[]Column{
		{"hours_per_wh", "number", "1/W", "hours per rated watt-hour"},
		{"segments", "integer", "", "how many segments the figure is made of"},
		{"repeats_agree", "boolean", "", "whether the repeats lie no further apart than chance explains"},
		{"points", "integer", "percentage points", "points between the edges used"},
		{"from_pct", "integer", "%", "level of the start edge"},
		{"to_pct", "integer", "%", "level of the stop edge"},
		{"voltage_factor", "number", "", "mean voltage of a whole discharge over that of the window; hours are 100/rate times this"},
		{"gauge", "string", "", "quality of the charge counter: fine, medium, coarse, no-counter"},
		{"method", "string", "", "what the figure was computed from"},
		{"assumptions", "string", "", "what is assumed and not measured"},
		{"warnings", "string", "", "what a reader has to know"},
		{"reason", "string", "", "why there is no figure"},
		{"activity_pct", "number", "%", "part of what was measured in which the activity went on, by its evidence; of several segments the least"},
	})}, func(r FigureRow) []any {
	return cells(r.cells(), []any{r.Plan, r.Of, r.Outcome, r.At}, spread(r.Hours), spread(r.DaysOfMix), spread(r.RatePctH), spread(r.PowerW), spread(r.CurrentMA),
		[]any{r.HoursPerWh, r.Segments, r.Agree, r.Points, r.FromPct, r.ToPct, r.Factor, r.Gauge, r.Method, text(r.Assumptions), text(r.Warnings), r.Reason, r.ActivityPct})
}}

// Budgets is the table of what the figures' intervals are made of.
var Budgets = Computed[BudgetRow]{Table{Name: "budgets", About: "One row a term of an endurance figure's interval.", Columns: computedKey([]Column{
	{"term", "string", "", "what the hours may be off by"},
	{"sd_pct", "number", "%", "relative standard deviation that it adds to the hours"},
	{"share", "number", "", "its share of the variance, 0 to 1"},
})}, func(r BudgetRow) []any { return cells(r.cells(), []any{r.Term, r.SDPct, r.Share}) }}

// Lots is the table of sustained work.
var Lots = Computed[LotRow]{Table{Name: "lots", About: "One row a lot of continuous work, or a cycle of work with rests.", Columns: computedKey([]Column{
	{"workload", "string", "", "what was worked at: cpu, gpu or both, or the scenario"},
	{"form", "string", "", "lots: of equal work, one after the other; cycles: of equal time"},
	{"lot", "integer", "", "number of the lot or cycle, from 1"},
	{"rate_per_s", "number", "1/s", "work a second (units, or frames where the work is gpu; of imports their score); more is faster; comparable within one workload only"},
	{"took_s", "number", "s", "how long it took, rests aside"},
	{"battery_temp_c", "number", "°C", "battery temperature at its end"},
	{"thermal_status", "integer", "", "thermal status of the handset, the highest in it: 0 none, 1 light, 2 moderate, 3 severe, 4 critical, 5 emergency, 6 shutdown"},
	{"energy_j", "number", "J", "energy out of the battery in it"},
	{"power_w", "number", "W", "mean power out of the battery in it"},
	{"level_pct", "integer", "%", "level at its end"},
	{"skin_temp_c", "number", "°C", "highest temperature of the handset's skin sensors in it"},
})}, func(r LotRow) []any {
	return cells(r.cells(), []any{r.Workload, r.Form, r.Lot, r.Rate, r.TookS, r.TempC, r.ThermalLevel, r.EnergyJ, r.PowerW, r.LevelPct, r.SkinC})
}}

// Sustained is the table of what sustained work says.
var Sustained = Computed[SustainRow]{Table{Name: "sustained", About: "One row a piece of sustained work: continuous, or cycles.", Columns: computedKey(
	[]Column{
		{"workload", "string", "", "what was worked at"},
		{"form", "string", "", "lots or cycles: see the table lots"},
		{"lots", "integer", "", "how many lots or cycles"},
		{"start_rate_per_s", "number", "1/s", "rate at the start: of lots the median of the first minute after the first lot, of cycles of those that cannot be told from the fastest; empty without a figure"},
		{"settled", "boolean", "", "of lots: whether the rate had settled, by the rule that neither it nor the battery's temperature changes from one five minutes to the next by more than 2 % and 1 °C"},
		{"settled_rate_per_s", "number", "1/s", "settled rate: of lots that of the last five minutes, also where it has not settled; of cycles the median of the last third"},
	},
	between("held", "", "", "share held: settled rate over that at the start, 0 to 1 or a little above"),
	[]Column{
		{"throttled", "boolean", "", "whether the fall is more than noise can make"},
		{"settle_s", "number", "s", "time until the rate stayed within 5 % of the settled one; empty of cycles, and of work that has not settled"},
		{"onset_cycle", "integer", "", "first cycle from which the rate stays below 95 % of that at the start"},
		{"start_battery_temp_c", "number", "°C", "battery temperature at the start"},
		{"mean_battery_temp_c", "number", "°C", "mean battery temperature"},
		{"highest_battery_temp_c", "number", "°C", "highest battery temperature"},
		{"highest_skin_temp_c", "number", "°C", "highest temperature of the handset's skin sensors"},
		{"highest_thermal_status", "integer", "", "highest thermal status of the handset, 0 to 6 as in the table lots"},
		{"power_w", "number", "W", "mean power out of the battery while it worked"},
		{"work_per_j", "number", "1/J", "work over energy"},
		{"points", "number", "percentage points", "battery taken in all"},
		{"still_changing", "string", "", "of lots that have not settled: what was still changing"},
		{"reason", "string", "", "why there is no figure"},
	})}, func(r SustainRow) []any {
	rest := []any{r.SettleS, r.Onset, r.StartTempC, r.MeanTempC, r.HighestTempC, r.HighestSkinC, r.HighestThermalLevel, r.PowerW, r.WorkPerJ, r.Points, r.Still, r.Reason}
	if r.StartRate == 0 {
		return cells(r.cells(), []any{r.Workload, r.Form, r.Count, nil, nil, nil}, spread(nil), []any{nil}, rest)
	}
	return cells(r.cells(), []any{r.Workload, r.Form, r.Count, r.StartRate, r.Settled, r.SettledRate}, spread(&r.Held), []any{r.Throttled}, rest)
}}

// Charges is the table of charge sessions.
var Charges = Computed[ChargeRow]{Table{Name: "charges", About: "One row a charge session.", Columns: computedKey(
	[]Column{
		{"started_utc", "time", "", "plug-in, host's clock"},
		{"from_pct", "integer", "%", "level at plug-in"},
		{"to_pct", "integer", "%", "level at the end"},
		{"to_50_s", "number", "s", "from plug-in until 50 % was shown"},
		{"to_80_s", "number", "s", "from plug-in until 80 % was shown"},
		{"to_95_s", "number", "s", "from plug-in until 95 % was shown"},
		{"full_s", "number", "s", "from plug-in until full, by the rule named; not for ranking"},
		{"full_rule", "string", "", "which rule for full was met"},
	},
	between("from_20_to_80", "s", "s", "from the edge to 20 % to the edge to 80 %"),
	between("peak", "w", "W", "highest 60 s running median of the power into the battery"),
	[]Column{
		{"peak_socket_w", "number", "W", "highest 60 s running median of the power at the socket"},
		{"above_90_pct_of_peak_s", "number", "s", "time for which the running median is at least 90 % of the peak"},
		{"taper_s", "number", "s", "from plug-in until the taper sets in"},
		{"taper_pct", "number", "%", "level at which it does"},
		{"battery_wh", "number", "Wh", "energy into the battery"},
		{"socket_wh", "number", "Wh", "energy at the socket"},
		{"charge_mah", "number", "mAh", "charge into the battery"},
		{"efficiency", "number", "", "energy into the battery over energy at the socket, 0 to 1"},
		{"mean_battery_temp_c", "number", "°C", "mean battery temperature"},
		{"highest_battery_temp_c", "number", "°C", "highest battery temperature"},
		{"highest_battery_temp_at_pct", "integer", "%", "level at which it occurred"},
		{"notes", "string", "", "what a reader has to know: interrupted, began above 2 %"},
		{"to_20_s", "number", "s", "from plug-in until 20 % was shown"},
		{"to_100_s", "number", "s", "from plug-in until 100 % was shown; not for ranking"},
	},
	between("charge_to_20", "s", "s", "from plug-in until the cell held 20 % of its charge, whatever was shown"),
	between("charge_to_50", "s", "s", "the same to 50 %"),
	between("charge_to_80", "s", "s", "the same to 80 %"),
	between("charge_to_95", "s", "s", "the same to 95 %"),
	between("charge_to_100", "s", "s", "from plug-in until the charge was over"),
	between("charge_20_to_80", "s", "s", "from 20 to 80 % of charge, whatever was shown"),
	between("hold", "s", "s", "time for which the running median is at least 90 % of the peak, with its interval"),
	between("taper_onset", "s", "s", "from plug-in until the taper sets in, with its interval"),
	between("first_drop", "s", "s", "from plug-in until power first falls by more than a tenth from its peak, for two minutes or more"),
	[]Column{
		{"first_drop_pct", "number", "%", "level at which it does"},
		{"held_w", "number", "W", "mean power until then"},
		{"first_drop_to_w", "number", "W", "power of the plateau after it; empty where power glides on down, as in a taper"},
		{"power_of", "string", "", "what peak, hold, first drop and taper are of: battery (power into it) or socket"},
		{"peak_kept", "string", "", "for how long the peak power is kept, in words"},
		{"above_40_c_s", "number", "s", "time with the battery above 40 °C"},
		{"above_45_c_s", "number", "s", "time with the battery above 45 °C"},
		{"above_40_c_from_80_pct_s", "number", "s", "time with the battery above 40 °C while the level was 80 % or more"},
	},
)}, func(r ChargeRow) []any {
	return cells(r.cells(), []any{r.StartedAt, r.FromPct, r.ToPct, r.To50S, r.To80S, r.To95S, r.FullS, r.FullRule}, spread(r.From20To80S), spread(r.PeakW),
		[]any{r.PeakSocketW, r.Above90S, r.TaperS, r.TaperPct, r.BatteryWh, r.SocketWh, r.ChargeMAh, r.Efficiency, r.MeanTempC, r.HighestTempC, r.HighestTempPct, text(r.Notes), r.To20S, r.To100S},
		spread(r.Charge20S), spread(r.Charge50S), spread(r.Charge80S), spread(r.Charge95S), spread(r.Charge100S), spread(r.Charge20To80S), spread(r.Hold), spread(r.Taper), spread(r.Drop),
		[]any{r.DropPct, r.HeldW, r.DropToW, r.PowerOf, r.PeakKept, r.Hot40S, r.Hot45S, r.HotFullS})
}}

// Curves is the table of the points of curves as reports draw them.
var Curves = Computed[CurveRow]{Table{Name: "curves", About: "One row a point of a discharge or charging curve, as drawn.", Columns: computedKey([]Column{
	{"kind", "string", "", "discharge or charge"},
	{"t_s", "number", "s", "since the activity began, or since plug-in"},
	{"level_pct", "number", "%", "level that the handset reports"},
	{"power_w", "number", "W", "power out of the battery in a discharge, into it in a charge"},
	{"socket_w", "number", "W", "power at the socket"},
	{"battery_temp_c", "number", "°C", "battery temperature"},
})}, func(r CurveRow) []any {
	return cells(r.cells(), []any{r.Kind, r.TimeS, r.LevelPct, r.PowerW, r.SocketW, r.TempC})
}}

// Ratios is the table of a comparison.
var Ratios = Computed[RatioRow]{Table{Name: "ratios", About: "One row a side beside another at one scenario.", Columns: columns(
	[]Column{
		{"figure_kind", "string", "", "scenario or day mix; the ratios of each are tested as a set of their own"},
		{"scenario", "string", "", "the scenario, or the day mix"},
		{"side", "string", "", "the handset, run or line-up"},
		{"reference", "string", "", "what it is compared with"},
	},
	between("ratio", "", "", "hours of the side over hours of the reference"),
	between("side_hours", "", "h", "endurance of the side, geometric mean; of a day mix 24 for each day that a full battery lasts"),
	between("reference_hours", "", "h", "endurance of the reference, geometric mean"),
	[]Column{
		{"side_runs", "integer", "", "segments of the side"},
		{"reference_runs", "integer", "", "segments of the reference"},
		{"test", "string", "", "Welch, paired, or intervals (of single runs)"},
		{"p", "number", "", "chance of a ratio this far from 1 where there is no difference"},
		{"p_adjusted", "number", "", "the same, corrected by Holm for all ratios of the comparison"},
		{"significant", "boolean", "", "whether a difference is shown: p_adjusted below 0.05"},
		{"conclusion", "string", "", "the outcome in words"},
		{"battery_ratio", "number", "", "rated battery energy (or charge) of the side over that of the reference"},
	},
	between("rest", "", "", "ratio over battery_ratio: what the battery does not explain"),
	[]Column{
		{"side_hours_per_wh", "number", "1/W", "hours per rated watt-hour"},
		{"reference_hours_per_wh", "number", "1/W", "hours per rated watt-hour"},
		{"repeats_needed", "integer", "", "further repeats a side that would show a difference this large, 80 % power"},
		{"left_out", "string", "", "why there is no ratio"},
		{"notes", "string", "", "what a reader has to know"},
	})}, func(r RatioRow) []any {
	return cells([]any{r.Of, r.Scenario, r.Side, r.Reference}, spread(r.Ratio), spread(r.SideHours), spread(r.ReferenceHours),
		[]any{r.SideRuns, r.ReferenceRuns, r.Test, r.P, r.PAdjusted, r.Shown, r.Says, r.BatteryRatio}, spread(r.Rest),
		[]any{r.SidePerWh, r.ReferencePerWh, r.RepeatsNeeded, r.LeftOut, text(r.Notes)})
}}

// Quantities is the table of a comparison of charges and of sustained work.
var Quantities = Computed[QuantityRow]{Table{Name: "quantities", About: "One row a quantity of a side's charges, or of its sustained work, beside the reference's.", Columns: columns(
	[]Column{
		{"figure_kind", "string", "", "charging or sustained work; the quantities of each are tested as a set of their own"},
		{"scenario", "string", "", "the scenario; of sustained work with what was worked at"},
		{"quantity", "string", "", "what is compared"},
		{"unit", "string", "", "of the values and of the difference (temperatures: °C, their differences K)"},
		{"side", "string", "", "the handset, run or line-up"},
		{"reference", "string", "", "what it is compared with"},
	},
	between("side_value", "", "", "of the side: geometric mean, or plain mean of what is compared by difference"),
	between("reference_value", "", "", "of the reference"),
	between("ratio", "", "", "value of the side over that of the reference; empty where they are compared by difference"),
	between("difference", "", "", "value of the side less that of the reference; empty where they are compared by ratio"),
	between("ratio_per_battery", "", "", "ratio over that of the rated battery energies (or charges)"),
	[]Column{
		{"side_runs", "integer", "", "segments of the side"},
		{"reference_runs", "integer", "", "segments of the reference"},
		{"test", "string", "", "Welch, paired, or intervals (of single runs)"},
		{"p", "number", "", "chance of a difference this large where there is none"},
		{"p_adjusted", "number", "", "the same, corrected by Holm for all of figure_kind"},
		{"significant", "boolean", "", "whether a difference is shown: p_adjusted below 0.05"},
		{"conclusion", "string", "", "the outcome in words"},
		{"repeats_needed", "integer", "", "further repeats a side that would show a difference this large, 80 % power"},
		{"left_out", "string", "", "why it was not compared"},
		{"notes", "string", "", "what a reader has to know"},
	})}, func(r QuantityRow) []any {
	return cells([]any{r.Of, r.Scenario, r.Quantity, r.Unit, r.Side, r.Reference}, spread(r.SideValue), spread(r.ReferenceValue), spread(r.Ratio), spread(r.Difference), spread(r.PerWh),
		[]any{r.SideRuns, r.ReferenceRuns, r.Test, r.P, r.PAdjusted, r.Shown, r.Says, r.RepeatsNeeded, r.LeftOut, text(r.Notes)})
}}
