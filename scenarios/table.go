package scenarios

import (
	"fmt"
	"strings"
	"time"

	"rundown/devices"
	"rundown/devices/preconditions"
)

// The description of the plan file. What stands here is what Load accepts, what Schema
// says, and where every default comes from.

const lithium = "a lithium cell hotter than this ages fast and may become unsafe"

// builtinSet is the name of the preconditions that every file has without saying so.
const builtinSet = "everyday"

var fileShape = &object{
	noun: "a plan file",
	fields: []field{
		{key: "bench", about: "Everything that one daemon looks after.", shape: benchShape, required: true},
		{key: "preconditions", about: "Sets of preconditions by name. The set " + builtinSet + " is always there.", shape: &dictionary{noun: "sets of preconditions by name", key: name("a set's name"), value: setShape()}},
		{key: "scenarios", about: "Own scenarios by name, beside the built-in ones.", shape: &dictionary{noun: "scenarios by name", key: scenarioName(), value: scenarioShape}},
		{key: "plans", about: "Plans by name.", shape: &dictionary{noun: "plans by name", key: name("a plan's name"), value: planShape}},
		{key: "nights", about: "Plans queued for named handsets in a window with a start and an end.", shape: &dictionary{noun: "nights by name", key: name("a night's name"), value: nightShape}},
		{key: "day_mixes", about: "The hours a day that a person spends in each scenario, by name.", shape: &dictionary{noun: "day mixes by name", key: name("a day mix's name"), value: dayMixShape}},
		{key: "line_ups", about: "Several handsets or runs under one name, to be put beside others.", shape: &dictionary{noun: "line-ups by name", key: name("a line-up's name"), value: lineUpShape}},
		{key: "limits", about: "What the daemon does at once.", shape: limitsShape, def: empty},
		{key: "notices", about: "Who is told what, away from the bench.", shape: noticesShape},
	},
}

var benchShape = &object{
	noun: "the bench",
	fields: []field{
		{key: "name", about: "The bench's name, for reports.", shape: name("a name"), def: "bench"},
		{key: "adb_servers", about: "The adb servers that have the handsets, host:port; 127.0.0.1:5037 when left out.", shape: &list{noun: "1 to 16 adb servers", value: hostPort(false), least: 1, most: 16, check: distinct("adb server")}},
		{key: "stage", about: "Where handsets reach the daemon's own web site.", shape: stageShape, def: empty},
		{key: "clip", about: "The local video file on this host that video scenarios play, such as a 4K one of the lab's.", shape: text("a file's path", 500)},
		{key: "meters", about: "The instruments around the handsets.", shape: &list{noun: "up to 100 meters", value: meterShape, most: 100}},
		{key: "luminance_max_age", about: "The age from which a measured luminance curve is called stale; half a year is common practice.", shape: duration(24*time.Hour, 3650*24*time.Hour), def: "180 d"},
		{key: "handsets", about: "The phones under test.", shape: &list{noun: "1 to 200 handsets", value: handsetShape, least: 1, most: 200}, required: true},
	},
}

var stageShape = &object{
	noun: "the stage",
	fields: []field{
		{key: "listen", about: "Where the stage listens, host:port. Loopback is enough while handsets reach it through adb.", shape: hostPort(true), def: "127.0.0.1:8790"},
		{key: "address", about: "How handsets reach the stage over the network, host or host:port. Left out: through adb, on their own localhost.", shape: host()},
		{key: "port", about: "The localhost port on each handset that leads to the stage through adb. Browsers keep permissions by port, so let it stay.", shape: wholeNumber(1024, 65535, ""), def: 8790},
	},
}

var handsetShape = &object{
	noun: "a handset",
	fields: []field{
		{key: "name", about: "What the lab calls it; unique on the bench.", shape: name("a name"), required: true},
		{key: "serial", about: "As adb devices lists it; host:port for one linked over Wi-Fi.", shape: matching("a serial number as adb lists it, without spaces", `^[!-~]{1,64}$`), required: true},
		{key: "connect", about: "host:port to keep connected over Wi-Fi.", shape: hostPort(false)},
		{key: "adb_server", about: "The adb server that has it; left out: the first that lists it.", shape: hostPort(false)},
		{key: "capacity_mah", about: "The maker's rated capacity, mAh.", shape: number(100, 50000, "mAh", "mAh")},
		{key: "nominal_mv", about: "The maker's nominal cell voltage, mV.", shape: number(3000, 9000, "mV", "mV")},
		{key: "start_level_pct", about: "The level at which a segment may start on this handset, %; instead of the plan's.", shape: window(2, 100)},
		{key: "luminance", about: "The screen's measured curve.", shape: luminanceShape},
		{key: "power_gate", about: "What lets power to the handset and cuts it.", shape: gateShape},
		{key: "charger", about: "The charger that its power gate lets through, for the record.", shape: chargerShape},
		{key: "cable", about: "The cable between charger and handset, for the record.", shape: cableShape},
		{key: "number", about: "The telephone number of its SIM, in international form; counterparts call it.", shape: phoneNumber()},
		{key: "counterpart", about: "Whom the scenario voicecall calls from this handset: another handset by name, which then answers by itself, or a number of the lab's own in international form.", shape: text("a handset's name, or a telephone number such as +44 7700 900123", 60)},
		{key: "packages", about: "Which app has which role; a role left out is the system's default.", shape: &object{noun: "packages by role", fields: []field{
			{key: "browser", about: "Package of the browser.", shape: packageName()},
			{key: "player", about: "Package of the video player.", shape: packageName()},
			{key: "camera", about: "Package of the camera.", shape: packageName()},
		}}},
	},
}

var luminanceShape = &object{
	noun: "a luminance curve",
	fields: []field{
		{key: "measured", about: "When and how it was measured, for the report.", shape: text("a line of up to 200 characters", 200), required: true},
		{key: "points", about: "Readings of the full white screen, rising.", shape: &list{noun: "2 to 64 points", least: 2, most: 64, value: &object{
			noun: "a point of the curve",
			fields: []field{
				{key: "setting", about: "Brightness setting, in the handset's own units.", shape: number(0, 65535, ""), required: true},
				{key: "cd_m2", about: "Luminance, cd/m².", shape: number(0, 10000, "cd/m²", "cd/m²"), required: true},
			},
		}, check: func(r *reader, e *entry) {
			for i := 1; i < len(e.list); i++ {
				for _, key := range []string{"setting", "cd_m2"} {
					a, b := valueOf[float64](e.list[i-1], key), valueOf[float64](e.list[i], key)
					if b <= a {
						r.fault(e.list[i].at(key).node, e.list[i].at(key).path, "want more than %s, the point before: the curve must rise", formatNumber(a))
					}
				}
			}
		}}, required: true},
	},
}

// window is a closed range.
func window(least, most float64) shape {
	return &object{
		noun: "a window",
		fields: []field{
			{key: "least", about: "The lower end, %.", shape: percent(least, most), required: true},
			{key: "most", about: "The upper end, %.", shape: percent(least, most), required: true},
		},
		check: ordered,
	}
}

func ordered(r *reader, e *entry) {
	if e.has("least") && e.has("most") && valueOf[float64](e, "least") > valueOf[float64](e, "most") {
		r.fault(e.at("least").node, e.path, "least %s is more than most %s",
			formatNumber(valueOf[float64](e, "least")), formatNumber(valueOf[float64](e, "most")))
	}
}

// distinct refuses the same scalar twice in a list.
func distinct(noun string) func(r *reader, e *entry) {
	return func(r *reader, e *entry) {
		seen := map[any]bool{}
		for _, v := range e.list {
			if seen[v.value] {
				r.fault(v.node, v.path, "%s %v is listed twice", noun, v.value)
			}
			seen[v.value] = true
		}
	}
}

// setShape has a key for each entry of the registry of preconditions.
func setShape() *object {
	o := &object{noun: "a set of preconditions", fields: []field{
		{key: "extends", about: "The set whose wants these are laid over; " + builtinSet + " is always there.", shape: name("a set's name")},
	}}
	for _, spec := range preconditions.Registry() {
		o.fields = append(o.fields, field{key: spec.Name, about: spec.About, shape: wantShape(spec)})
	}
	return o
}

const asFound = "as found"

// wantShape is one entry of the registry: the value alone, or a mapping that also says
// how strictly it is meant. Spec.Want has the last word (see builder.wanted).
func wantShape(spec preconditions.Spec) shape {
	var short *scalar
	long := &object{noun: "a precondition"}
	switch spec.Kind {
	case preconditions.OnOff:
		short = onOff()
	case preconditions.Number:
		short = inUnit(spec, spec.Min, spec.Max)
	case preconditions.Choice:
		short = choice(spec.Choices...)
	}
	if short != nil {
		long.fields = append(long.fields, field{key: "want", about: spec.About, shape: orAsFound(short)})
	}
	switch spec.Kind {
	case preconditions.Number:
		long.fields = append(long.fields,
			field{key: "within", about: "How far from it still counts as met" + inWords(spec) + ".", shape: inUnit(spec, 0, spec.Max-spec.Min)},
			field{key: "drift_within", about: "The same, during a drain" + inWords(spec) + ".", shape: inUnit(spec, 0, spec.Max-spec.Min)})
	case preconditions.Range:
		long.fields = append(long.fields,
			field{key: "least", about: "The lower end" + inWords(spec) + ".", shape: inUnit(spec, spec.Min, spec.Max)},
			field{key: "most", about: "The upper end" + inWords(spec) + ".", shape: inUnit(spec, spec.Min, spec.Max)})
	case preconditions.AsFound:
		return orAsFound(nil)
	}
	long.fields = append(long.fields,
		field{key: "required", about: "Whether a run must not start while it is not met.", shape: onOff()},
		field{key: "watch", about: "Whether it is read again during a drain.", shape: onOff()})
	either := &either{scalar: orAsFound(short), mapping: long}
	if spec.Kind == preconditions.Range {
		only := orAsFound(nil)
		only.want = `a mapping with least, most or both` + inWords(spec) + `, or "` + asFound + `"`
		either.scalar = only
	}
	return either
}

func inWords(spec preconditions.Spec) string {
	if spec.Unit == "" {
		return ""
	}
	return ", " + spec.Unit
}

func inUnit(spec preconditions.Spec, least, most float64) *scalar {
	switch spec.Unit {
	case "":
		return number(least, most, "")
	case "°C":
		return number(least, most, "°C", "°C", "C")
	case "s":
		return seconds(least, most)
	}
	return number(least, most, spec.Unit, spec.Unit)
}

// orAsFound also takes "as found": recorded, not judged. A nil scalar takes that alone.
func orAsFound(s *scalar) *scalar {
	only := &scalar{
		want: `"` + asFound + `"`,
		parse: func(t string) (any, error) {
			if t == asFound || t == "as_found" {
				return asFound, nil
			}
			return nil, errWrong
		},
		json: map[string]any{"enum": []any{asFound, "as_found"}},
	}
	if s == nil {
		return only
	}
	return &scalar{
		want: s.want + `, or "` + asFound + `"`,
		bare: s.bare,
		parse: func(t string) (any, error) {
			if v, err := only.parse(t); err == nil {
				return v, nil
			}
			return s.parse(t)
		},
		json: map[string]any{"anyOf": []any{s.schema(), only.schema()}},
	}
}

const (
	leastDrain, mostDrain = 1, 50
	drainUnit             = "percentage points"
)

// DefaultRechargeStopTempC is the battery temperature, °C, at which power is cut where no
// plan says another.
const DefaultRechargeStopTempC = 40

// parkLevel is a level for storage, %.
func parkLevel() *scalar {
	s := wholePercent(LeastPark, MostPark, "%")
	inner := s.parse
	s.parse = func(text string) (any, error) {
		v, err := inner(text)
		if f, ok := parseNumber(cutUnit(text, "%")); err != nil && ok && (f < LeastPark || f > MostPark) {
			return nil, mishap(fmt.Sprintf("want %s, got %s: lithium cells are stored about half charged, since they age faster when full and do not bear to run empty", s.want, shown(text)))
		}
		return v, err
	}
	return s
}

var planShape = &object{
	noun: "a plan",
	fields: []field{
		{key: "preconditions", about: "The set of preconditions that its runs need.", shape: name("a set's name"), def: builtinSet},
		{key: "segments", about: "The scenarios, in order.", shape: &list{noun: "1 to 50 segments", value: segmentShape, least: 1, most: 50}, required: true},
		{key: "drain", about: "How many percentage points a segment takes from the battery; 7 is common practice.", shape: wholePercent(leastDrain, mostDrain, drainUnit), def: 7},
		{key: "enough", about: "Each segment ends as soon as its hours are known this well; instead of drain.", shape: enoughShape},
		{key: "survey", about: "A survey: each segment drains the handset from near full to near empty, once, to learn its full charge, voltage curve and gauge. Takes the place of drain and enough, and changes the defaults of start_level_pct (95 to 99), stop_level_pct (5) and segment_limit (24 h).", shape: onOff()},
		{key: "repeat", about: "How often the list of segments is carried out.", shape: wholeNumber(1, 100, "times"), def: 1},
		{key: "start_level_pct", about: "The level at which a segment may start, %; below it the handset is recharged first. Left out: start_level of its preconditions.", shape: window(0, 100)},
		{key: "restart_spoiled", about: "How often a spoiled segment is tried again.", shape: wholeNumber(0, 5, "times"), def: 1},
		{key: "sample_every", about: "The time between two samples.", shape: wholeSeconds(time.Second, 5*time.Minute), def: "10 s"},
		{key: "warm_up", about: "The time from the start of the activity that is left out of the measurement.", shape: duration(0, time.Hour), def: "3 min"},
		{key: "stop_level_pct", about: "A segment ends by itself at this level, %.", shape: wholePercent(2, 90, "%"), def: 10},
		{key: "stop_temp_c", about: "A segment ends by itself at this battery temperature, °C.", shape: temperature(30, 55, lithium), def: 45},
		{key: "segment_limit", about: "A segment ends by itself after this time.", shape: duration(time.Minute, 7*24*time.Hour), def: "8 h"},
		{key: "recharge_limit", about: "The longest that a recharge may take; then power is cut and a person is asked.", shape: duration(time.Minute, 24*time.Hour), def: "4 h"},
		{key: "recharge_stop_temp_c", about: "Power is cut while the battery is hotter than this, °C.", shape: temperature(20, 45, "charging a lithium cell hotter than this is not safe"), def: DefaultRechargeStopTempC},
		{key: "settle_limit", about: "The longest that start-up, evidence and warm-up may take.", shape: duration(time.Minute, 4*time.Hour), def: "20 min"},
		{key: "drift_every", about: "How often preconditions are read again during a drain.", shape: duration(10*time.Second, time.Hour), def: "5 min"},
		{key: "looks_per_hour", about: "How often the daemon looks at most at a handset that rests on battery with its screen off, as in idle: each look may wake it, and waking is drain that the measuring causes.", shape: wholeNumber(LeastLooks, MostLooks, "times an hour"), def: DefaultLooks},
		{key: "activity_share", about: "How much of what is measured must have been the activity, by its evidence.", shape: activityShareShape, def: empty},
		{key: "park", about: "The level, %, to which its handsets are charged for storage after a run, through their power gates and by the limits for a recharge, whenever nothing is due on them; they are never drained for it, and charged again when they have sunk 10 points below. 50 is common practice. Left out: they are left as they are.", shape: parkLevel()},
		{key: "day_mix", about: "The day mix that its figures are put together with.", shape: name("a day mix's name")},
	},
	check: checkPlan,
}

func checkPlan(r *reader, e *entry) {
	if warm, settle := valueOf[time.Duration](e, "warm_up"), valueOf[time.Duration](e, "settle_limit"); settle <= warm {
		at := e.at("settle_limit")
		if at.node == nil {
			at = e.at("warm_up")
		}
		r.fault(at.node, at.path, "the settle limit of %s must be longer than the warm-up of %s", devices.Lasting(settle), devices.Lasting(warm))
	}
}

// activityShareShape bounds both shares from below: of less than half of it nobody says that
// the activity was measured.
var activityShareShape = &object{
	noun: "shares of the activity",
	fields: []field{
		{key: "flag_below_pct", about: "A segment in which the activity went on for less than this share of what was measured, %, is flagged.", shape: percent(50, 100), def: DefaultFlagBelowPct},
		{key: "spoil_below_pct", about: "With less than this share, %, it is spoiled.", shape: percent(50, 100), def: DefaultSpoilBelowPct},
	},
	check: func(r *reader, e *entry) {
		flag, spoil := valueOf[float64](e, "flag_below_pct"), valueOf[float64](e, "spoil_below_pct")
		if spoil <= flag {
			return
		}
		at := e.at("spoil_below_pct")
		if !e.given("spoil_below_pct") {
			at = e.at("flag_below_pct")
		}
		r.fault(at.node, at.path, "spoil_below_pct %s is more than flag_below_pct %s: what is spoiled would never be flagged before", formatNumber(spoil), formatNumber(flag))
	},
}

var segmentShape = &either{
	scalar: scenarioName(),
	mapping: &object{
		noun: "a segment",
		fields: []field{
			{key: "scenario", about: "The scenario's name.", shape: scenarioName(), required: true},
			{key: "drain", about: "Percentage points, instead of the plan's.", shape: wholePercent(leastDrain, mostDrain, drainUnit)},
			{key: "drain_to", about: "Instead of so many points: down to this level, %, whatever it is at the start; such as to 2 before a charge. A segment at 2 % has little left: charge the handset soon after.", shape: wholePercent(2, 90, "%")},
			{key: "enough", about: "Instead of the plan's drain or enough.", shape: enoughShape},
			{key: "warm_up", about: "Instead of the scenario's and the plan's.", shape: duration(time.Second, time.Hour)},
			{key: "limit", about: "Instead of the plan's segment_limit.", shape: duration(time.Minute, 7*24*time.Hour)},
		},
		check: func(r *reader, e *entry) {
			if e.has("drain") && e.has("drain_to") {
				r.fault(e.at("drain_to").node, e.at("drain_to").path, "want either drain (so many points) or drain_to (down to a level)")
			}
		},
	},
}

// enoughShape is when a segment has drained enough: a claimed half-width between a least and a most number of points.
var enoughShape = &object{
	noun: "when a segment has drained enough",
	fields: []field{
		{key: "half_width_pct", about: "Half the 95 % interval of the hours, % of the hours; 4 is within reach of most handsets.", shape: percent(1, 30), required: true},
		{key: "least", about: "Points to drain in any case.", shape: wholePercent(3, mostDrain, drainUnit), def: 3},
		{key: "most", about: "Points after which it ends in any case.", shape: wholePercent(3, mostDrain, drainUnit), def: 20},
	},
	check: func(r *reader, e *entry) {
		if least, most := valueOf[int](e, "least"), valueOf[int](e, "most"); least > most {
			r.fault(e.node, e.path, "least %d is more than most %d", least, most)
		}
	},
}

func scenarioName() *scalar { return name("a scenario's name") }

var nightShape = &object{
	noun: "a night",
	fields: []field{
		{key: "starts", about: "When it begins: minute, hour, day of month, month, day of week.", shape: cronField(), required: true},
		{key: "ends", about: "The time of day by which every run has ended.", shape: clock(), required: true},
		{key: "zone", about: "The time zone of both, by its IANA name; left out: the host's.", shape: zone()},
		{key: "plan", about: "The plan.", shape: name("a plan's name"), required: true},
		{key: "handsets", about: "The handsets, by name.", shape: &list{noun: "1 to 200 handsets", value: name("a handset's name"), least: 1, most: 200, check: distinct("handset")}, required: true},
	},
	check: func(r *reader, e *entry) {
		n := Night{Cron: valueOf[string](e, "starts"), End: valueOf[string](e, "ends")}
		if n.startClock() == n.End {
			r.fault(e.at("ends").node, e.at("ends").path, "want another time than the start, %s", n.End)
		}
	},
}

var dayMixShape = &object{
	noun: "a day mix",
	fields: []field{
		{key: "hours", about: "Hours a day in each scenario; together at most 24.", shape: &dictionary{noun: "hours a day by scenario", key: scenarioName(), value: hours(), least: 1}, required: true},
	},
	check: func(r *reader, e *entry) {
		h, total := e.at("hours"), 0.0
		for _, key := range h.keys {
			total += valueOf[float64](h, key)
		}
		if total > 24+1e-9 {
			r.fault(h.node, h.path, "want at most 24 hours together, got %s", formatNumber(total))
		}
	},
}

var limitsShape = &object{
	noun: "limits",
	fields: []field{
		{key: "runs_at_once", about: "How many runs go on at once over the bench; 0: no bound.", shape: wholeNumber(0, 200, "runs"), def: 0},
		{key: "shared", about: "Named limits that scenarios hold, and how many segments may hold each at once.", shape: &dictionary{noun: "limits by name", key: name("a limit's name"), value: wholeNumber(1, 200, "segments")}},
		{key: "set_aside_after", was: "quarantine_after", about: "How many spoiled segments in a row set a handset aside until a person has looked.", shape: wholeNumber(1, 20, "segments"), def: 3},
	},
}

// stageActivities are the pages that the stage has; see the package stage.
var stageActivities = []string{"browse", "call", "game", "sustain", "light"}

var scenarioShape = &object{
	noun: "a scenario",
	fields: []field{
		{key: "extends", about: "The scenario that this one changes: its keys stand unless given here.", shape: scenarioName()},
		{key: "about", about: "One sentence for people.", shape: text("a line of up to 300 characters", 300)},
		{key: "version", about: "Changes whenever results are no longer to be compared with earlier ones.", shape: text("a version of up to 20 characters", 20)},
		{key: "stage", about: "The stage's activity that it needs.", shape: choice(stageActivities...)},
		{key: "screen_off", about: "Whether it runs with the screen off.", shape: onOff()},
		{key: "warm_up", about: "Instead of the plan's.", shape: duration(time.Second, time.Hour)},
		{key: "until", about: "What ends a segment: drained (the drain target), full (charged to full, power on from the start), settled (the rate of the stage's sustain, worked in lots without a pause, has settled; at most 30 min), cycles (so many of its cycles), time (the segment's limit).", shape: choice(untils...)},
		{key: "cycles", about: "How many cycles, with until: cycles.", shape: wholeNumber(2, 500, "cycles")},
		{key: "start_level_pct", about: "The level at which its segments may start, %, instead of the handset's and the plan's.", shape: window(0, 100)},
		{key: "permissions", about: "What the setup allows apps, by role or package, as far as a command can; it stays allowed.", shape: &dictionary{noun: "lists of permissions by role or package", key: app(), value: &list{noun: "1 to 3 permissions", value: choice(permissionNames...), least: 1, most: 3, check: distinct("permission")}}},
		{key: "ask", about: "What a person is asked to do when its evidence does not come, such as a question of the browser's that no command can answer.", shape: text("a line of up to 300 characters", 300)},
		{key: "holds", about: "Names under limits: shared that it holds while draining.", shape: &list{noun: "up to 8 names of shared limits", value: name("a limit's name"), most: 8, check: distinct("limit")}},
		{key: "setup", about: "Once, before the loop.", shape: &list{noun: "up to 64 steps", value: stepShape, most: 64}},
		{key: "loop", about: "Again and again until the segment ends.", shape: &list{noun: "1 to 64 steps", value: stepShape, least: 1, most: 64}},
		{key: "teardown", about: "Once, after the loop.", shape: &list{noun: "up to 64 steps", value: stepShape, most: 64}},
		{key: "evidence", about: "What shows that the activity really ran.", shape: &list{noun: "1 to 8 pieces of evidence", value: evidenceShape, least: 1, most: 8}},
	},
	check: func(r *reader, e *entry) {
		if e.has("extends") {
			return
		}
		for _, key := range []string{"loop", "evidence"} {
			if !e.has(key) {
				r.fault(e.node, e.path, "%s is missing, and there is no extends to take it from", key)
			}
		}
	},
	also: map[string]any{"anyOf": []any{
		map[string]any{"required": []any{"extends"}},
		map[string]any{"required": []any{"loop", "evidence"}},
	}},
}

// Evidence by where it is seen.
var (
	handsetEvidence = []string{"foreground", "playback", "files", "photos", "videos", "drawn", "incall", "charging", "asleep"}
	stageEvidence   = []string{"page", "frames", "call", "lot", "cycle"}
)

var evidenceShape = &object{
	noun: "a piece of evidence",
	fields: []field{
		{key: "kind", about: "On the handset: foreground (an app is in front), playback (a player plays), files (any new files), photos and videos (new files of that kind, one for each capture), drawn (an app draws frames), incall (a telephone call is up), charging (a power source shows), asleep. At the stage: page, frames, call, lot (of continuous work), cycle.", shape: choice(append(append([]string{}, handsetEvidence...), stageEvidence...)...), required: true},
		{key: "of", about: "The role or package in the foreground, playing or drawing, or the folder in which files appear.", shape: text("a role, a package or a folder", 200)},
		{key: "limit", about: "The longest time without it before the activity is brought back.", shape: duration(10*time.Second, time.Hour), def: "2 min"},
	},
	check: func(r *reader, e *entry) {
		kind, of := valueOf[string](e, "kind"), valueOf[string](e, "of")
		switch kind {
		case "foreground", "drawn":
			if _, err := app().parse(of); err != nil {
				r.wantOf(e, app().want)
			}
		case "playback":
			if _, err := app().parse(of); of != "" && err != nil {
				r.wantOf(e, app().want)
			}
		case "files", "photos", "videos":
			if _, err := folderShape.parse(of); err != nil {
				r.wantOf(e, folderShape.want)
			}
		default:
			if of != "" {
				r.fault(e.at("of").node, e.at("of").path, "evidence of kind %s takes no of", kind)
			}
		}
	},
}

var folderShape = matching("a folder below /sdcard, such as /sdcard/DCIM/Camera", folderPattern)

func (r *reader) wantOf(e *entry, want string) {
	if e.given("of") {
		r.fault(e.at("of").node, e.at("of").path, "want %s, got %s", want, shown(valueOf[string](e, "of")))
		return
	}
	r.fault(e.node, e.path, "of is missing: want %s", want)
}

// verbs are what a step can do; wait alone is one too, and beside another verb the rest
// after it.
var verbs = []string{"open", "launch", "close", "play", "tap", "swipe", "key", "type", "shell", "capture", "call"}

// elementShape is what a tap finds by its text.
var elementShape = &object{noun: "an element by its text", fields: []field{
	{key: "text", about: "The whole text on it, or its description; of several, the first that is there.", shape: &oneOrMore{noun: "a text, or a list of 1 to 8 texts", value: text("a text of up to 80 characters", 80), most: 8}, required: true},
	{key: "may_miss", was: "optional", about: "Whether it need not be there; otherwise a missing one is noted as a step that failed.", shape: onOff(), def: "off"},
}}

var (
	positionShape = &list{noun: "a position as [across, down], fractions of the screen", value: number(0, 1, ""), least: 2, most: 2}
	strokeShape   = &either{
		scalar: choice("up", "down", "left", "right"),
		mapping: &object{noun: "from and to", fields: []field{
			{key: "from", about: "Where the finger goes down.", shape: positionShape, required: true},
			{key: "to", about: "Where it is lifted.", shape: positionShape, required: true},
		}},
	}
)

var stepShape = &object{
	noun: "a step",
	fields: []field{
		{key: "open", about: "Opens an address in the browser. {stage} is the stage's page, {n} counts the loops, {n of 12} counts 1 to 12 again and again.", shape: url()},
		{key: "launch", about: "Starts an app, by role or package.", shape: app()},
		{key: "close", about: "Ends an app, by role or package.", shape: app()},
		{key: "play", about: "Sees to it that the lab's clip is playing.", shape: choice("clip")},
		{key: "tap", about: "Taps the screen, at a position or at an element found by its text; with over, presses that long.", shape: &listOr{list: positionShape, mapping: elementShape}},
		{key: "swipe", about: "Swipes: up, down, left, right, or from and to.", shape: strokeShape},
		{key: "key", about: "Presses a key.", shape: choice(keyNames()...)},
		{key: "type", about: "Enters text where the cursor is.", shape: typed()},
		{key: "shell", about: "Runs a command line in the handset's shell; $1 counts the loops. Its results are marked.", shape: shellText()},
		{key: "capture", about: "Takes a photo, or starts or stops a video, in the camera app.", shape: choice(captures...)},
		{key: "call", about: "start: calls the handset's counterpart, unless a call stands. end: ends it.", shape: choice("start", "end")},
		{key: "wait", about: "Rests; beside another verb, after each time.", shape: duration(100*time.Millisecond, time.Hour)},
		{key: "over", about: "How long the swipe or the press takes.", shape: duration(10*time.Millisecond, 30*time.Second)},
		{key: "times", about: "How often the step is done.", shape: wholeNumber(1, 200, "times")},
		{key: "vary", about: "How far each position may stray, as a fraction of the screen; the same in every run.", shape: number(0, 0.1, "")},
	},
	check: checkStep,
	also:  stepAlso(),
}

func checkStep(r *reader, e *entry) {
	var verb string
	for _, key := range e.keys {
		for _, v := range verbs {
			if key != v {
				continue
			}
			if verb != "" {
				r.fault(e.where[key], e.path, "a step has one verb, got %s and %s", verb, key)
				return
			}
			verb = key
		}
	}
	if verb == "" {
		if !e.has("wait") {
			r.fault(e.node, e.path, "a step needs a verb: %s or wait", strings.Join(verbs, ", "))
			return
		}
		verb = "wait"
	}
	for key, takers := range map[string][]string{"over": {"tap", "swipe"}, "vary": {"tap", "swipe"}, "times": {"tap", "swipe", "key", "capture"}} {
		if !e.has(key) {
			continue
		}
		ok := false
		for _, t := range takers {
			ok = ok || t == verb
		}
		if !ok {
			r.fault(e.where[key], e.path, "%s goes with %s, not with %s", key, oneOf(takers), verb)
		}
	}
	if verb == "tap" && e.at("tap").in != nil {
		for _, key := range []string{"over", "vary"} {
			if e.has(key) {
				r.fault(e.where[key], e.path, "%s goes with a tap at a position, not at an element", key)
			}
		}
	}
	if verb == "capture" && e.has("times") && valueOf[string](e, "capture") != "photo" {
		r.fault(e.where["times"], e.path, "times goes with capture: photo only")
	}
}

func stepAlso() map[string]any {
	var one, none []any
	for _, v := range verbs {
		one = append(one, map[string]any{"required": []any{v}})
		none = append(none, map[string]any{"required": []any{v}})
	}
	one = append(one, map[string]any{"required": []any{"wait"}, "not": map[string]any{"anyOf": none}})
	return map[string]any{"oneOf": one}
}

// untils are what may end a segment.
var untils = []string{UntilDrained, UntilFull, UntilSettled, UntilCycles, UntilTime}

// permissions are what the setup can allow an app, by Android's names.
var permissions = map[string]string{
	"camera": "android.permission.CAMERA", "microphone": "android.permission.RECORD_AUDIO", "notifications": "android.permission.POST_NOTIFICATIONS",
}

var permissionNames = []string{"camera", "microphone", "notifications"}

var captures = []string{"photo", "video start", "video stop"}

// verbOf is the verb of a checked step.
func verbOf(e *entry) string {
	for _, v := range verbs {
		if e.has(v) {
			return v
		}
	}
	if e.has("wait") {
		return "wait"
	}
	panic(fmt.Sprintf("scenarios: %s: a step without a verb passed its check", e.path))
}
