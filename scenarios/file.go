// Package scenarios holds the plan file: its types, its reading and validation with line
// numbers, and the small script language in which a scenario is written, with the
// compiler that turns one into a program for the handset.
//
// It knows handsets only as compile targets, and nothing of queues, runs or results.
package scenarios

import (
	"time"

	"rundown/devices/preconditions"
)

// A File is a plan file, read and checked. Every duration, target and limit that the
// file leaves out holds its default here.
type File struct {
	// Hints are what the file has by names of before, which are read all the same.
	Hints         []string
	Bench         Bench
	Preconditions map[string]preconditions.Set
	Scenarios     map[string]Scenario // the built-in ones and the file's own, by name
	Plans         map[string]Plan
	Nights        map[string]Night
	DayMixes      map[string]DayMix
	LineUps       map[string]LineUp // sides of comparisons
	Notices       Notices
	Limits        Limits
}

// A Bench is everything that one daemon looks after.
type Bench struct {
	Name     string
	Servers  []string // adb servers, host:port
	Stage    Stage
	Clip     string    // the local video on this host that video scenarios play; empty: none
	Handsets []Handset // in the file's order; names and serials are unique
	Meters   []Meter
	// LuminanceMaxAge is the age from which a luminance curve is stale.
	LuminanceMaxAge time.Duration
}

// Stage says where handsets reach the daemon's own little web site.
type Stage struct {
	Listen  string // host:port
	Address string // host:port that handsets use; empty: through adb reverse, on localhost
	Port    int    // the handset's fixed localhost port for adb reverse
}

// A Handset is a phone under test.
type Handset struct {
	Name        string
	Serial      string           // as adb lists it; host:port for one linked over Wi-Fi
	Connect     string           // host:port to keep connected over Wi-Fi; empty: not kept
	Server      string           // the adb server that has it; empty: the first that lists it
	CapacityMAh float64          // maker's rated capacity, 0 not given
	NominalMV   float64          // maker's nominal cell voltage, 0 not given
	StartLevel  *Window          // overrides the plan's, %
	Luminance   []LuminancePoint // the screen's curve, rising; empty: none known
	CurveDate   string           // when and how the curve was taken, for the report
	Gate        Gate
	Supply      Supply            // charger and cable
	Packages    map[string]string // role (browser, player, camera) to package; empty: the system's default
	Number      string            // its SIM's telephone number, + and digits; empty: not given
	Counterpart string            // whom it calls: a handset's name, or a number as + and digits; empty: nobody
}

// A LuminancePoint is one reading of the full white screen.
type LuminancePoint struct {
	Setting float64 // brightness setting, in the handset's own units
	CdM2    float64
}

// A Window is a closed range.
type Window struct{ Least, Most float64 }

// A Plan is an ordered list of segments with one set of preconditions, a drain target
// and a repeat count.
type Plan struct {
	Name              string
	Preconditions     string // a key of File.Preconditions
	Segments          []Segment
	DrainPoints       int     // default drain target, percentage points
	Enough            *Enough // when a segment may end before DrainPoints; nil: at DrainPoints only
	Survey            bool    // each segment drains from near full to near empty, to learn the handset
	Repeat            int     // how often the list is carried out
	StartLevel        Window  // level, %, at which a segment may start
	RestartSpoiled    int     // attempts after a spoiled one
	SampleEvery       time.Duration
	WarmUp            time.Duration // left out before the start edge may come
	StopLevelPct      int           // a segment ends by itself at this level
	StopTempC         float64       // and at this battery temperature
	SegmentLimit      time.Duration // and after this time
	RechargeLimit     time.Duration
	RechargeStopTempC float64       // power is cut while the battery is hotter
	SettleLimit       time.Duration // start-up, evidence and warm-up may take this long
	DriftEvery        time.Duration // how often preconditions are read during a drain
	LooksPerHour      int           // at most, at a handset that rests with its screen off; see Looks
	ParkPct           int           // level, %, to which handsets are charged for storage after a run; 0: they are left as they are
	DayMix            string        // a key of File.DayMixes, or empty
	ActivityShare     ActivityShare // how much of what is measured must have been the activity
}

// Levels at which handsets may be parked, %. Lithium cells are stored about half charged:
// they age faster when full, and empty ones are lost when they sink further. Common practice,
// no source: 40 to 60 % is what people who sell cells advise. From memory: the test of
// IEC 61960 for what a cell has after long storage keeps it at 50 %, and cells that fly by
// themselves may be at 30 % at most.
const LeastPark, MostPark = 30, 70

// How often a handset that rests may be looked at, times an hour. More often than once a
// minute it would hardly sleep at all.
const (
	LeastLooks, MostLooks = 1, 60
	DefaultLooks          = 4
)

// Looks is LooksPerHour, or the default for a plan of a version that did not have it.
func (p Plan) Looks() int {
	if p.LooksPerHour == 0 {
		return DefaultLooks
	}
	return min(max(p.LooksPerHour, LeastLooks), MostLooks)
}

// A Segment is one entry of a plan's list.
type Segment struct {
	Scenario    string
	DrainPoints int           // 0: the plan's; after Resolve 0 also where the scenario takes no points
	DrainTo     int           // level, %, that ends it instead of so many points; 0: none
	Enough      *Enough       // nil: the plan's, unless DrainPoints is its own
	WarmUp      time.Duration // 0: the scenario's, else the plan's
	Limit       time.Duration // 0: the plan's
}

// Enough is when a segment has drained enough: its drain target is Most, and it ends before once its hours are known
// within HalfWidthPct.
type Enough struct {
	HalfWidthPct float64 // half the 95 % interval, % of the hours
	Least, Most  int     // percentage points
}

// ActivityShare says which share of the activity in what was measured, %, a segment must have
// to be worth its figure.
type ActivityShare struct {
	FlagBelowPct  float64 // with less it is flagged
	SpoilBelowPct float64 // with less it is spoiled; at most FlagBelowPct
}

// The shares below which a segment is flagged and spoiled where the plan does not say.
const (
	DefaultFlagBelowPct  = 98.0
	DefaultSpoilBelowPct = 90.0
)

// OrDefault fills in what a plan that was queued before there were shares leaves out.
func (a ActivityShare) OrDefault() ActivityShare {
	if a.FlagBelowPct == 0 {
		a = ActivityShare{DefaultFlagBelowPct, DefaultSpoilBelowPct}
	}
	return a
}

// A Night is a plan queued for named handsets in a window with a start and an end.
type Night struct {
	Name     string
	Cron     string // when it begins: five fields with one minute and one hour, local time of Zone
	End      string // hh:mm by which every run has ended
	Zone     string // IANA name; empty: the host's
	Plan     string
	Handsets []string
}

// A DayMix is the hours a day a person spends in each scenario.
type DayMix struct {
	Name  string
	Hours map[string]float64 // scenario to h/day
}

// Limits bound what the daemon does at once.
type Limits struct {
	RunsAtOnce    int            // over the bench; 0: no bound
	Shared        map[string]int // named limit to how many segments may hold it at once
	SetAsideAfter int            // spoiled segments in a row that set a handset aside
}

// What ends a segment of a scenario, limits and faults aside.
const (
	UntilDrained = "drained" // the drain target
	UntilFull    = "full"    // the battery is full on its charger; power is on from the start
	UntilSettled = "settled" // the rate of continuous work, reported in lots, has settled; or 30 min, or the segment's limit
	UntilCycles  = "cycles"  // so many cycles were reported to the stage (Scenario.Cycles)
	UntilTime    = "time"    // the segment's limit, which is its length then
	UntilLevel   = "level"   // a level; a segment's own choice (Segment.DrainTo), not a scenario's
)

// EndsBy is what ends the segment, one of the Until words.
func (s Segment) EndsBy(of Scenario) string {
	switch {
	case s.DrainTo > 0:
		return UntilLevel
	case of.Until == "":
		return UntilDrained
	}
	return of.Until
}

// A Scenario is one scripted daily-use activity.
type Scenario struct {
	Name      string
	About     string
	Version   string
	Setup     []Step // once, before the loop
	Loop      []Step // again and again until the segment ends
	Teardown  []Step // once, after it
	Evidence  []Evidence
	WarmUp    time.Duration // 0: the plan's
	Holds     []string      // named limits that it holds while draining
	Stage     string        // the stage's activity that it needs ("browse", "call", "game", "sustain"), or empty
	ScreenOff bool          // the scenario runs with the screen off

	// Until says what ends a segment, one of the Until words; only UntilDrained has a
	// drain target and a start edge.
	Until      string
	Cycles     int     // of UntilCycles
	StartLevel *Window // level at which a segment may start, %; nil: the handset's or the plan's
	// Permissions are granted to apps by the setup, by role or package: camera,
	// microphone, notifications. They stay granted.
	Permissions map[string][]string
	// Ask is what a person is asked for when the evidence does not come: what no command
	// can answer. Empty: nothing.
	Ask string
}

// A Step is one instruction of a scenario's script. Exactly one verb is set; positions
// are fractions of the screen, 0 to 1, from the upper left corner.
type Step struct {
	Line     int    // in the plan file, for messages; 0 for built-in ones
	Verb     string // open, launch, close, play, tap, swipe, key, type, wait, shell, capture, call
	Text     string // URL, package or role, key name, text, shell text; photo, video start, video stop; start, end
	From, To [2]float64
	// Find makes a tap one on the element whose text or description is one of these, the
	// first that is there; MayMiss says that it need not be.
	Find    []string
	MayMiss bool          `json:"Optional"` // as journals of before have it
	Over    time.Duration // how long the swipe or the press takes
	Wait    time.Duration // of wait itself; with another verb, the rest after each time
	Times   int
	Vary    float64 // how far each position may stray, as a fraction of the screen
}

// Evidence is what shows that the activity really ran.
type Evidence struct {
	Kind  string        // foreground, playback, files, photos, videos, drawn, incall, charging, asleep (on the handset); page, frames, call, lot, cycle (at the stage)
	Of    string        // package, role or folder
	Limit time.Duration // longest time without before the activity is brought back
	// Once: it comes when the activity begins and need not come again. Implied: the scenario
	// does not name it, its steps bring it with them.
	Once    bool `json:",omitempty"`
	Implied bool `json:",omitempty"`
}
