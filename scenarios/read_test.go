package scenarios

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/devices"
	"rundown/devices/preconditions"
)

const minimal = `bench:
  handsets:
    - {name: Alder, serial: RD1}
plans:
  everyday:
    segments: [browse]
`

func parse(t *testing.T, text string) File {
	t.Helper()
	f, err := Parse("bench.yaml", []byte(text))
	if err != nil {
		t.Fatalf("Parse:\n%v", err)
	}
	return f
}

func TestMinimalFileHoldsEveryDefault(t *testing.T) {
	f := parse(t, minimal)
	wantBench := Bench{
		Name:     "bench",
		Servers:  []string{"127.0.0.1:5037"},
		Stage:    Stage{Listen: "127.0.0.1:8790", Port: 8790},
		Handsets: []Handset{{Name: "Alder", Serial: "RD1", Packages: map[string]string{}}},

		LuminanceMaxAge: 180 * 24 * time.Hour,
	}
	if diff := cmp.Diff(wantBench, f.Bench); diff != "" {
		t.Errorf("bench (-want +got):\n%s", diff)
	}
	wantPlan := Plan{
		Name: "everyday", Preconditions: "everyday",
		Segments:    []Segment{{Scenario: "browse"}},
		DrainPoints: 7, Repeat: 1,
		StartLevel:     Window{90, 100},
		RestartSpoiled: 1,
		SampleEvery:    10 * time.Second, WarmUp: 3 * time.Minute,
		StopLevelPct: 10, StopTempC: 45,
		SegmentLimit: 8 * time.Hour, RechargeLimit: 4 * time.Hour, RechargeStopTempC: 40,
		SettleLimit: 20 * time.Minute, DriftEvery: 5 * time.Minute, LooksPerHour: DefaultLooks,
		ActivityShare: ActivityShare{FlagBelowPct: 98, SpoilBelowPct: 90},
	}
	if diff := cmp.Diff(wantPlan, f.Plans["everyday"]); diff != "" {
		t.Errorf("plan (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(preconditions.DefaultSet(), f.Preconditions["everyday"]); diff != "" {
		t.Errorf("preconditions (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(Limits{Shared: map[string]int{}, SetAsideAfter: 3}, f.Limits); diff != "" {
		t.Errorf("limits (-want +got):\n%s", diff)
	}
	for _, name := range []string{"browse", "video", "call", "camera", "game", "idle", "sustain", "cycles", "charge", "voicecall"} {
		if f.Scenarios[name].Name != name {
			t.Errorf("built-in scenario %s is missing", name)
		}
	}
	if h, ok := f.Handset("Alder"); !ok || h.Serial != "RD1" {
		t.Errorf("Handset(Alder) = %+v, %t", h, ok)
	}
	if _, ok := f.Handset("Oak"); ok {
		t.Error("Handset(Oak) was found")
	}
}

func TestEverythingCanBeSet(t *testing.T) {
	f := parse(t, `
bench:
  name: cellar
  adb_servers: ["127.0.0.1:5037", "[::1]:5038"]
  stage: {listen: ":8800", address: lab.example, port: 9000}
  handsets:
    - name: Birch
      serial: 192.0.2.7:5555
      connect: 192.0.2.7:5555
      adb_server: "[::1]:5038"
      capacity_mah: 5000 mAh
      nominal_mv: 3880
      start_level_pct: {least: 80 %, most: 90}
      luminance: {measured: today, points: [{setting: 1, cd_m2: 2}, {setting: 255, cd_m2: 500}]}
      power_gate: {command: {open: [port, "on"], close: [port, "off"]}}
      packages: {browser: org.example.web}
    - {name: Cedar, serial: 0042, power_gate: {by_hand: yes}}
preconditions:
  bench: {extends: everyday, wifi: {want: on, required: no, watch: off}, screen_timeout: 30 min, start_level: {least: 60, most: 80}}
  bare: {luminance: {want: 200 cd/m², within: 5, drift_within: 9}, battery_temperature: {most: 30 °C}, refresh_rate: 60 Hz, keyguard: as found}
scenarios:
  press:
    version: 2026-1
    warm_up: 90 s
    holds: [rig]
    loop: [{tap: [0.25, 1], over: 1500 ms, wait: 2 s}, {type: "hello there"}, {key: BACK}]
    evidence: [{kind: foreground, of: org.example.app}]
  browse: {extends: browse, warm_up: 1 min}
plans:
  p:
    preconditions: bench
    segments: [press, {scenario: browse, drain: 3 points, warm_up: 30s, limit: 1h30m}]
    drain: 20 %
    repeat: 3
    start_level_pct: {least: 50, most: 60}
    restart_spoiled: 0
    sample_every: 30 s
    warm_up: 0 s
    stop_level_pct: 25 %
    stop_temp_c: 41.5 °C
    segment_limit: 2 d
    recharge_limit: 1 h 30 min
    recharge_stop_temp_c: 35 C
    settle_limit: 1h
    drift_every: 30 s
    looks_per_hour: 2
    park: 55 %
    day_mix: day
    activity_share: {flag_below_pct: 99.5 %, spoil_below_pct: 75}
  q: {preconditions: bench, segments: [idle]}
nights:
  n: {starts: "5 23 1 jan,feb *", ends: "05:00", zone: Africa/Cairo, plan: p, handsets: [Cedar]}
day_mixes:
  day: {hours: {press: 2, browse: 1 h 30 min}}
limits: {runs_at_once: 2, set_aside_after: 5, shared: {rig: 1}}
`)
	if diff := cmp.Diff(Bench{
		Name: "cellar", Servers: []string{"127.0.0.1:5037", "[::1]:5038"},
		Stage: Stage{Listen: ":8800", Address: "lab.example:8800", Port: 9000}, LuminanceMaxAge: 180 * 24 * time.Hour,
		Handsets: []Handset{
			{
				Name: "Birch", Serial: "192.0.2.7:5555", Connect: "192.0.2.7:5555", Server: "[::1]:5038",
				CapacityMAh: 5000, NominalMV: 3880, StartLevel: &Window{80, 90},
				Luminance: []LuminancePoint{{1, 2}, {255, 500}}, CurveDate: "today",
				Gate:     Gate{Open: []string{"port", "on"}, Close: []string{"port", "off"}, ConfirmWithin: time.Minute, WhenStopped: GateClosed},
				Packages: map[string]string{"browser": "org.example.web"},
			},
			{Name: "Cedar", Serial: "0042", Gate: Gate{ByHand: true, ConfirmWithin: time.Minute, AnswerWithin: 15 * time.Minute, WhenStopped: GateAsItIs}, Packages: map[string]string{}},
		},
	}, f.Bench); diff != "" {
		t.Errorf("bench (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(Plan{
		Name: "p", Preconditions: "bench",
		Segments: []Segment{
			{Scenario: "press"},
			{Scenario: "browse", DrainPoints: 3, WarmUp: 30 * time.Second, Limit: 90 * time.Minute},
		},
		DrainPoints: 20, Repeat: 3, StartLevel: Window{50, 60}, SampleEvery: 30 * time.Second,
		StopLevelPct: 25, StopTempC: 41.5, SegmentLimit: 48 * time.Hour, RechargeLimit: 90 * time.Minute,
		RechargeStopTempC: 35, SettleLimit: time.Hour, DriftEvery: 30 * time.Second, LooksPerHour: 2, ParkPct: 55, DayMix: "day",
		ActivityShare: ActivityShare{FlagBelowPct: 99.5, SpoilBelowPct: 75},
	}, f.Plans["p"]); diff != "" {
		t.Errorf("plan (-want +got):\n%s", diff)
	}
	if got := f.Plans["q"].StartLevel; got != (Window{60, 80}) {
		t.Errorf("start window without one of the plan's own = %v, want that of its preconditions", got)
	}
	if diff := cmp.Diff(map[string]Night{"n": {
		Name: "n", Cron: "5 23 1 jan,feb *", End: "05:00", Zone: "Africa/Cairo", Plan: "p", Handsets: []string{"Cedar"},
	}}, f.Nights); diff != "" {
		t.Errorf("nights (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(map[string]DayMix{"day": {Name: "day", Hours: map[string]float64{"press": 2, "browse": 1.5}}}, f.DayMixes); diff != "" {
		t.Errorf("day mixes (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(Limits{RunsAtOnce: 2, SetAsideAfter: 5, Shared: map[string]int{"rig": 1}}, f.Limits); diff != "" {
		t.Errorf("limits (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(Scenario{
		Name: "press", Version: "2026-1", WarmUp: 90 * time.Second, Holds: []string{"rig"}, Until: UntilDrained,
		Loop: []Step{
			{Line: 26, Verb: "tap", From: [2]float64{0.25, 1}, To: [2]float64{0.25, 1}, Over: 1500 * time.Millisecond, Wait: 2 * time.Second, Times: 1},
			{Line: 26, Verb: "type", Text: "hello there", Times: 1},
			{Line: 26, Verb: "key", Text: "BACK", Times: 1},
		},
		Evidence: []Evidence{{Kind: "foreground", Of: "org.example.app", Limit: 2 * time.Minute}},
	}, f.Scenarios["press"]); diff != "" {
		t.Errorf("scenario press (-want +got):\n%s", diff)
	}
	want := Builtin()["browse"]
	want.WarmUp = time.Minute
	if diff := cmp.Diff(want, f.Scenarios["browse"]); diff != "" {
		t.Errorf("browse, changed in its warm-up alone (-want +got):\n%s", diff)
	}

	wants := map[string]preconditions.Want{}
	for _, w := range f.Preconditions["bench"].Wants {
		wants[w.Name] = w
	}
	on, half := true, 1800.0
	if diff := cmp.Diff(preconditions.Want{Name: "wifi", On: &on}, wants["wifi"]); diff != "" {
		t.Errorf("wifi (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(&half, wants["screen_timeout"].Value); diff != "" {
		t.Errorf("screen_timeout, s (-want +got):\n%s", diff)
	}
	if got, all := len(f.Preconditions["bench"].Wants), len(preconditions.DefaultSet().Wants); got != all {
		t.Errorf("bench extends everyday: %d wants, want all %d", got, all)
	}
	var names []string
	for _, w := range f.Preconditions["bare"].Wants {
		names = append(names, w.Name)
	}
	if diff := cmp.Diff([]string{"battery_temperature", "luminance", "refresh_rate", "keyguard"}, names); diff != "" {
		t.Errorf("bare wants what it says alone, in registry order (-want +got):\n%s", diff)
	}
}

func TestLongFormChangesOnlyWhatItSays(t *testing.T) {
	f := parse(t, minimal+"preconditions:\n  a: {extends: everyday, luminance: {want: 120, within: 6, drift_within: 8}}\n  b: {extends: a, luminance: {required: off}}\n")
	for _, w := range f.Preconditions["b"].Wants {
		if w.Name == "luminance" {
			if w.Required || *w.Value != 120 || *w.Within != 6 || *w.DriftWithin != 8 || !w.Watch {
				t.Errorf("luminance in b = %+v, want that of a, not required", w)
			}
			return
		}
	}
	t.Error("b has no luminance")
}

func TestEveryFaultAtItsPlace(t *testing.T) {
	// in puts a line (or more) into a sound file at the section that it belongs to.
	const head = "bench:\n  handsets:\n    - {name: Alder, serial: RD1}\n" // 3 lines
	tests := []struct {
		name string
		file string
		want string // the fault's lines
	}{
		{"out of range", head + "plans:\n  everyday:\n    segments: [browse]\n    drain: 70\n",
			`nightly.yaml:7:12: plans.everyday.drain: want 1 to 50 percentage points, got 70`},
		{"unknown key", head + "plans:\n  everyday:\n    segments: [browse]\n    drian: 7\n",
			`nightly.yaml:7:5: plans.everyday: unknown key "drian" (did you mean "drain"?)`},
		{"unknown key, nothing near", head + "limits: {zeppelin: 1}\n",
			`nightly.yaml:4:10: limits: unknown key "zeppelin"; known are runs_at_once, shared and set_aside_after`},
		{"duplicate key", head + "limits: {runs_at_once: 1, runs_at_once: 2}\n",
			`nightly.yaml:4:27: limits: duplicate key "runs_at_once", first in line 4`},
		{"duplicate names", "bench:\n  handsets:\n    - {name: Alder, serial: A}\n    - {name: alder, serial: A}\n",
			"nightly.yaml:4:14: bench.handsets[1].name: handset \"alder\" is already in line 3\n" +
				`nightly.yaml:4:29: bench.handsets[1].serial: serial "A" is already in line 3`},
		{"missing", "bench:\n  handsets:\n    - {name: Alder}\n",
			`nightly.yaml:3:7: bench.handsets[0]: serial is missing: want a serial number as adb lists it, without spaces`},
		{"nothing given", head + "limits:\n  runs_at_once:\n",
			`nightly.yaml:5:16: limits.runs_at_once: want 0 to 200 runs, got nothing`},
		{"wrong type", head + "plans: [a]\n",
			`nightly.yaml:4:8: plans: want plans by name, got a list`},
		{"a number in quotes", head + "limits: {runs_at_once: \"3\"}\n",
			`nightly.yaml:4:24: limits.runs_at_once: want 0 to 200 runs, got text in quotes: 3`},
		{"a half", head + "plans: {p: {segments: [browse], drain: 7.5}}\n",
			`nightly.yaml:4:40: plans.p.drain: want 1 to 50 percentage points, got 7.5`},
		{"not a duration", head + "plans: {p: {segments: [browse], warm_up: 3}}\n",
			`nightly.yaml:4:42: plans.p.warm_up: want a duration of 0 s to 1 h, such as 10 s, 3 min or 1 h 30 min, got 3`},
		{"too long", head + "plans: {p: {segments: [browse], warm_up: 2 h}}\n",
			`nightly.yaml:4:42: plans.p.warm_up: want 0 s to 1 h, got 2 h`},
		{"not whole seconds", head + "plans: {p: {segments: [browse], sample_every: 1500 ms}}\n",
			`nightly.yaml:4:47: plans.p.sample_every: want whole seconds, got 1500 ms`},
		{"never looked at", head + "plans: {p: {segments: [idle], looks_per_hour: 0}}\n",
			`nightly.yaml:4:47: plans.p.looks_per_hour: want 1 to 60 times an hour, got 0`},
		{"kept awake", head + "plans: {p: {segments: [idle], looks_per_hour: 240}}\n",
			`nightly.yaml:4:47: plans.p.looks_per_hour: want 1 to 60 times an hour, got 240`},
		{"half a look", head + "plans: {p: {segments: [idle], looks_per_hour: 2.5}}\n",
			`nightly.yaml:4:47: plans.p.looks_per_hour: want 1 to 60 times an hour, got 2.5`},
		{"parked full", head + "plans: {p: {segments: [idle], park: 100}}\n",
			`nightly.yaml:4:37: plans.p.park: want 30 to 70 %, got 100: lithium cells are stored about half charged, since they age faster when full and do not bear to run empty`},
		{"parked empty", head + "plans: {p: {segments: [idle], park: 5 %}}\n",
			`nightly.yaml:4:37: plans.p.park: want 30 to 70 %, got 5 %: lithium cells are stored about half charged, since they age faster when full and do not bear to run empty`},
		{"parked by half points", head + "plans: {p: {segments: [idle], park: 50.5}}\n",
			`nightly.yaml:4:37: plans.p.park: want 30 to 70 %, got 50.5`},
		{"parked on", head + "plans: {p: {segments: [idle], park: on}}\n",
			`nightly.yaml:4:37: plans.p.park: want 30 to 70 %, got on`},
		{"hot drain", head + "plans: {p: {segments: [browse], stop_temp_c: 60}}\n",
			`nightly.yaml:4:46: plans.p.stop_temp_c: want 30 to 55 °C, got 60: a lithium cell hotter than this ages fast and may become unsafe`},
		{"hot charge", head + "plans: {p: {segments: [browse], recharge_stop_temp_c: 46 °C}}\n",
			`nightly.yaml:4:55: plans.p.recharge_stop_temp_c: want 20 to 45 °C, got 46 °C: charging a lithium cell hotter than this is not safe`},
		{"no such scenario", head + "plans: {p: {segments: [brows]}}\n",
			`nightly.yaml:4:24: plans.p.segments[0]: no scenario "brows" (did you mean "browse"?); known are browse, call, camera, charge, cycles, game, idle, sustain, video and voicecall`},
		{"no such set", head + "preconditions: {dim: {extends: everyday}}\nplans: {p: {segments: [idle], preconditions: dimm}}\n",
			`nightly.yaml:5:46: plans.p.preconditions: no set of preconditions "dimm" (did you mean "dim"?); known are dim and everyday`},
		{"no such day mix", head + "plans: {p: {segments: [idle], day_mix: x}}\n",
			`nightly.yaml:4:40: plans.p.day_mix: no day mix "x": the file has none`},
		{"out of reach", head + "plans: {p: {segments: [{scenario: idle, drain: 40}], start_level_pct: {least: 45, most: 50}}}\n",
			`nightly.yaml:4:48: plans.p.segments[0].drain: a segment that starts at 45 % cannot take 40 points: it ends at the stop level of 10 %`},
		{"settle limit", head + "plans: {p: {segments: [idle], warm_up: 30 min}}\n",
			`nightly.yaml:4:40: plans.p.warm_up: the settle limit of 20 min must be longer than the warm-up of 30 min`},
		{"a share that no segment has", head + "plans: {p: {segments: [browse], activity_share: {flag_below_pct: 120}}}\n",
			`nightly.yaml:4:66: plans.p.activity_share.flag_below_pct: want 50 to 100 %, got 120`},
		{"a share below half", head + "plans: {p: {segments: [browse], activity_share: {spoil_below_pct: 0}}}\n",
			`nightly.yaml:4:67: plans.p.activity_share.spoil_below_pct: want 50 to 100 %, got 0`},
		{"a share that is no number", head + "plans: {p: {segments: [browse], activity_share: {spoil_below_pct: most}}}\n",
			`nightly.yaml:4:67: plans.p.activity_share.spoil_below_pct: want 50 to 100 %, got most`},
		{"spoiled before it is flagged", head + "plans: {p: {segments: [browse], activity_share: {flag_below_pct: 90, spoil_below_pct: 95}}}\n",
			`nightly.yaml:4:87: plans.p.activity_share.spoil_below_pct: spoil_below_pct 95 is more than flag_below_pct 90: what is spoiled would never be flagged before`},
		{"flagged below the share that spoils", head + "plans: {p: {segments: [browse], activity_share: {flag_below_pct: 80}}}\n",
			`nightly.yaml:4:66: plans.p.activity_share.flag_below_pct: spoil_below_pct 90 is more than flag_below_pct 80: what is spoiled would never be flagged before`},
		{"an activity share as a number", head + "plans: {p: {segments: [browse], activity_share: 90}}\n",
			`nightly.yaml:4:49: plans.p.activity_share: want shares of the activity with its keys, got 90`},
		{"a warm-up before the first evidence", head + "plans: {p: {segments: [browse, {scenario: video, warm_up: 15 s}]}}\n",
			`nightly.yaml:4:59: plans.p.segments[1].warm_up: a warm-up of 15 s is too short for video: its first playback evidence comes 1 min 5 s after its start at the earliest, and a segment that is measured from before that is spoiled; want at least 1 min 5 s`},
		{"a plan's warm-up before the first evidence", head + "plans: {p: {warm_up: 20 s, segments: [idle, own]}}\nscenarios: {own: {loop: [{wait: 30 s}], evidence: [{kind: drawn, of: org.example.app}]}}\n",
			`nightly.yaml:4:45: plans.p.segments[1]: a warm-up of 20 s is too short for own: its first drawn evidence comes 1 min after its start at the earliest, and a segment that is measured from before that is spoiled; want at least 1 min`},
		{"settle limit of a segment", head + "plans: {p: {segments: [game], settle_limit: 5 min}}\n",
			`nightly.yaml:4:24: plans.p.segments[0]: the warm-up of 10 min does not fit into the plan's settle limit of 5 min`},
		{"windows", head + "plans: {p: {segments: [idle], start_level_pct: {least: 95, most: 90}}}\n",
			`nightly.yaml:4:56: plans.p.start_level_pct: least 95 is more than most 90`},
		{"preconditions", head + "preconditions:\n  a:\n    wifi: maybe\n    wifli: on\n    luminance: {want: 0}\n    battery_temperature: 30\n    font_scale: 1\n    rotation: sideways\n    media_volume: {within: 5}\n    extends: c\n",
			"nightly.yaml:6:11: preconditions.a.wifi: want on or off, or \"as found\", got maybe\n" +
				"nightly.yaml:7:5: preconditions.a: unknown key \"wifli\" (did you mean \"wifi\"?)\n" +
				"nightly.yaml:8:23: preconditions.a.luminance.want: want 1 to 10000 cd/m², or \"as found\", got 0\n" +
				"nightly.yaml:9:26: preconditions.a.battery_temperature: want a mapping with least, most or both, °C, or \"as found\", got 30\n" +
				"nightly.yaml:10:17: preconditions.a.font_scale: want \"as found\", got 1\n" +
				"nightly.yaml:11:15: preconditions.a.rotation: want portrait, landscape or automatic, or \"as found\", got sideways\n" +
				"nightly.yaml:12:19: preconditions.a.media_volume: key \"want\" is missing: want 0 to 100 %\n" +
				`nightly.yaml:13:14: preconditions.a.extends: no set of preconditions "c"; known are a and everyday`},
		{"sets in a circle", head + "preconditions: {a: {extends: b}, b: {extends: a}}\n",
			"nightly.yaml:4:30: preconditions.a.extends: extends goes round in a circle: b, a, b\n" +
				`nightly.yaml:4:47: preconditions.b.extends: extends goes round in a circle: a, b, a`},
		{"luminance", "bench:\n  handsets:\n    - name: A\n      serial: S\n      luminance: {measured: x, points: [{setting: 5, cd_m2: 9}, {setting: 5, cd_m2: 8}]}\n",
			"nightly.yaml:5:75: bench.handsets[0].luminance.points[1].setting: want more than 5, the point before: the curve must rise\n" +
				`nightly.yaml:5:85: bench.handsets[0].luminance.points[1].cd_m2: want more than 9, the point before: the curve must rise`},
		{"gate", "bench:\n  handsets:\n    - {name: A, serial: S, power_gate: {by_hand: off}}\n    - {name: B, serial: T, power_gate: {by_hand: on, command: {open: [a], close: [b]}}}\n",
			"nightly.yaml:3:40: bench.handsets[0].power_gate: want one of usb_port, command and by_hand: on\n" +
				`nightly.yaml:4:40: bench.handsets[1].power_gate: want one of usb_port, command and by_hand: on`},
		{"addresses", "bench:\n  adb_servers: [localhost]\n  stage: {address: \"http://x\", port: 80}\n  handsets: [{name: A, serial: S, connect: \"192.0.2.1:99999\"}]\n",
			"nightly.yaml:2:17: bench.adb_servers[0]: want host:port, such as 127.0.0.1:5037, got localhost\n" +
				"nightly.yaml:3:20: bench.stage.address: want a host or host:port that the handsets can reach, got \"http://x\"\n" +
				"nightly.yaml:3:38: bench.stage.port: want 1024 to 65535, got 80\n" +
				`nightly.yaml:4:44: bench.handsets[0].connect: want a port of 1 to 65535 in host:port, such as 127.0.0.1:5037, got "192.0.2.1:99999"`},
		{"stage out of reach", "bench:\n  stage: {address: 192.0.2.1}\n  handsets: [{name: A, serial: S}]\n",
			`nightly.yaml:2:20: bench.stage.address: handsets cannot reach 127.0.0.1:8790: with an address, listen must not be on loopback; :8790 listens everywhere`},
		{"night", head + "plans: {p: {segments: [idle]}}\nnights:\n  n:\n    starts: \"0 22 * * 1-7\"\n    ends: 6:30\n    zone: Berlin\n    plan: q\n    handsets: [Alder, Alder, Oak]\n",
			"nightly.yaml:7:13: nights.n.starts: want the five fields of cron with one minute and one hour, such as \"0 22 * * 1-5\", got \"0 22 * * 1-7\": end of range (7) above maximum (6): 1-7; Sunday is 0\n" +
				"nightly.yaml:8:11: nights.n.ends: want a time of day as hh:mm, 00:00 to 23:59, got \"6:30\"\n" +
				"nightly.yaml:9:11: nights.n.zone: want a time zone by its IANA name, such as Europe/Berlin or UTC, got Berlin\n" +
				"nightly.yaml:10:11: nights.n.plan: no plan \"q\"; known are p\n" +
				"nightly.yaml:11:23: nights.n.handsets[1]: handset Alder is listed twice\n" +
				`nightly.yaml:11:30: nights.n.handsets[2]: no handset "Oak"; known are Alder`},
		{"night without length", head + "plans: {p: {segments: [idle]}}\nnights: {n: {starts: \"30 6 * * *\", ends: \"06:30\", plan: p, handsets: [Alder]}}\n",
			`nightly.yaml:5:42: nights.n.ends: want another time than the start, 06:30`},
		{"day mix", head + "day_mixes: {m: {hours: {browse: 20, video: 5, calls: 1}}}\n",
			"nightly.yaml:4:24: day_mixes.m.hours: want at most 24 hours together, got 26\n" +
				`nightly.yaml:4:47: day_mixes.m.hours.calls: no scenario "calls" (did you mean "call"?); known are browse, call, camera, charge, cycles, game, idle, sustain, video and voicecall`},
		{"steps", head + `scenarios:
  s:
    loop:
      - {open: "tel:911"}
      - {open: "ftp://x"}
      - {open: "http://x/{page}"}
      - {tap: [0.5, 1.5]}
      - {tap: [0.5, 0.5], key: BACK}
      - {over: 1 s}
      - {key: POWER}
      - {launch: browsr}
      - {wait: 1 s, times: 3}
      - {type: "café"}
      - {shell: "echo 'x"}
      - {shell: "am start -a android.intent.action.CALL -d tel:1"}
      - {capture: selfie}
    evidence: [{kind: files, of: /data}]
`,
			"nightly.yaml:7:16: scenarios.s.loop[0].open: tel: addresses are refused, since a number could be an emergency number\n" +
				"nightly.yaml:8:16: scenarios.s.loop[1].open: want an address that begins with http://, https:// or {stage}, got \"ftp://x\"\n" +
				"nightly.yaml:9:16: scenarios.s.loop[2].open: unknown placeholder \"{page}\"; known are {stage}, {n} and {n of 2} to {n of 10000}\n" +
				"nightly.yaml:10:21: scenarios.s.loop[3].tap[1]: want 0 to 1, got 1.5\n" +
				"nightly.yaml:11:27: scenarios.s.loop[4]: a step has one verb, got tap and key\n" +
				"nightly.yaml:12:9: scenarios.s.loop[5]: a step needs a verb: open, launch, close, play, tap, swipe, key, type, shell, capture, call or wait\n" +
				"nightly.yaml:13:15: scenarios.s.loop[6].key: want " + oneOf(keyNames()) + ", got POWER\n" +
				"nightly.yaml:14:18: scenarios.s.loop[7].launch: want browser, player or camera, or a package name such as org.example.reader, got browsr (did you mean \"browser\"?)\n" +
				"nightly.yaml:15:21: scenarios.s.loop[8]: times goes with tap, swipe, key or capture, not with wait\n" +
				"nightly.yaml:16:16: scenarios.s.loop[9].type: want 1 to 200 characters of printable ASCII without %s, got café\n" +
				"nightly.yaml:17:17: scenarios.s.loop[10].shell: the handset's shell cannot read this: 1:6: reached EOF without closing quote `'`\n" +
				"nightly.yaml:18:17: scenarios.s.loop[11].shell: calls from a shell step are refused, since a number could be an emergency number\n" +
				"nightly.yaml:19:19: scenarios.s.loop[12].capture: want photo, video start or video stop, got selfie\n" +
				`nightly.yaml:20:34: scenarios.s.evidence[0].of: want a folder below /sdcard, such as /sdcard/DCIM/Camera, got "/data"`},
		{"an emergency number", head + "scenarios: {s: {loop: [{type: \"1 1 2\", wait: 1 s}], evidence: [{kind: foreground, of: browser}]}}\n",
			`nightly.yaml:4:31: scenarios.s.loop[0].type: short numbers, service codes and emergency numbers are refused, since a dialler may be in front, got 1 1 2`},
		{"telephones", `bench:
  handsets:
    - {name: Alder, serial: A, number: "112"}
    - {name: Birch, serial: B, counterpart: Birch}
    - {name: Cedar, serial: C, counterpart: Larch}
    - {name: Larch, serial: D, counterpart: "+44 7700 900123,9"}
    - {name: Maple, serial: E, counterpart: Oak}
    - {name: Pine, serial: F, number: +447700900123, counterpart: "+44 7700 900123"}
    - {name: Rowan, serial: G, number: "911 555 0100"}
`,
			"nightly.yaml:3:40: bench.handsets[0].number: telephone number 112: it begins with the emergency number 112\n" +
				"nightly.yaml:4:45: bench.handsets[1].counterpart: want another handset than itself\n" +
				"nightly.yaml:5:45: bench.handsets[2].counterpart: handset \"Larch\" has no number: want number, its SIM's\n" +
				"nightly.yaml:6:45: bench.handsets[3].counterpart: telephone number \"+44 7700 900123,9\": pauses and what comes after them (, ; p w) are not dialled\n" +
				"nightly.yaml:7:45: bench.handsets[4].counterpart: no handset \"Oak\"; known are Alder, Birch, Cedar, Larch, Maple, Pine and Rowan\n" +
				"nightly.yaml:8:67: bench.handsets[5].counterpart: +447700900123 is the handset's own number\n" +
				`nightly.yaml:9:40: bench.handsets[6].number: telephone number 911 555 0100: it begins with the emergency number 911`},
		{"calls from the shell", head + `scenarios:
  s:
    loop:
      - {shell: "input keyevent 3 5"}
      - {shell: "input keyevent KEYCODE_CALL"}
      - {shell: "service call phone 2"}
      - {shell: "am start -a android.intent.action.CALL_PRIVILEGED"}
      - {shell: "input keyevent 55; sleep 5"}
      - {type: "*21#"}
      - {type: "11{n}"}
      - {wait: 1 s}
    evidence: [{kind: foreground, of: browser}]
`,
			strings.Join([]string{
				"nightly.yaml:7:17: scenarios.s.loop[0].shell: calls from a shell step are refused, since a number could be an emergency number",
				"nightly.yaml:8:17: scenarios.s.loop[1].shell: calls from a shell step are refused, since a number could be an emergency number",
				"nightly.yaml:9:17: scenarios.s.loop[2].shell: calls from a shell step are refused, since a number could be an emergency number",
				"nightly.yaml:10:17: scenarios.s.loop[3].shell: calls from a shell step are refused, since a number could be an emergency number",
				`nightly.yaml:12:16: scenarios.s.loop[5].type: short numbers, service codes and emergency numbers are refused, since a dialler may be in front, got "*21#"`,
				`nightly.yaml:13:16: scenarios.s.loop[6].type: short numbers, service codes and emergency numbers are refused, since a dialler may be in front, got "11{n}"`,
			}, "\n")},
		{"ends and elements", head + `scenarios:
  a: {extends: sustain, until: time, cycles: 4}
  b: {extends: browse, until: cycles}
  c: {extends: browse, until: cycles, cycles: 3}
  d: {extends: browse, until: empty}
  e: {extends: browse, loop: [{tap: {text: OK}, over: 1 s, vary: 0.1}, {tap: {text: []}}, {tap: up}, {tap: {}}, {call: now}]}
  f: {extends: browse, permissions: {browser: [camera, camera], gallery: [camera], camera: [location]}}
plans: {p: {segments: [{scenario: charge, drain: 5}, {scenario: charge, drain_to: 30}]}, q: {segments: [{scenario: browse, drain: 5, drain_to: 30}]}}
`,
			strings.Join([]string{
				"nightly.yaml:5:32: scenarios.a.until: until: cycles and a number of cycles go together",
				"nightly.yaml:6:31: scenarios.b.until: until: cycles and a number of cycles go together",
				"nightly.yaml:7:31: scenarios.c.until: until: cycles wants evidence of kind cycle, which counts them",
				"nightly.yaml:8:31: scenarios.d.until: want drained, full, settled, cycles or time, got empty",
				"nightly.yaml:9:49: scenarios.e.loop[0]: over goes with a tap at a position, not at an element",
				"nightly.yaml:9:60: scenarios.e.loop[0]: vary goes with a tap at a position, not at an element",
				"nightly.yaml:9:85: scenarios.e.loop[1].tap.text: want a text, or a list of 1 to 8 texts, got 0",
				"nightly.yaml:9:97: scenarios.e.loop[2].tap: want a position as [across, down], fractions of the screen, or an element by its text with its keys, got up",
				"nightly.yaml:9:108: scenarios.e.loop[3].tap: text is missing: want a text, or a list of 1 to 8 texts",
				"nightly.yaml:9:120: scenarios.e.loop[4].call: want start or end, got now",
				`nightly.yaml:10:56: scenarios.f.permissions.browser[1]: permission camera is listed twice`,
				`nightly.yaml:10:65: scenarios.f.permissions: want browser, player or camera, or a package name such as org.example.reader as the key, got gallery`,
				`nightly.yaml:10:93: scenarios.f.permissions.camera[0]: want camera, microphone or notifications, got location`,
				`nightly.yaml:11:50: plans.p.segments[0].drain: a segment of charge takes no points: it ends by until: full`,
				`nightly.yaml:11:83: plans.p.segments[1].drain_to: a segment of charge takes no points: it ends by until: full`,
				`nightly.yaml:11:144: plans.q.segments[0].drain_to: want either drain (so many points) or drain_to (down to a level)`,
			}, "\n")},
		{"what hangs together", head + `scenarios:
  a: {about: nothing}
  b: {loop: [{key: BACK}], evidence: [{kind: page}]}
  c: {loop: [{open: "{stage}", wait: 3 min}], evidence: [{kind: foreground, of: browser}]}
  d: {extends: e}
  e: {extends: d}
  f: {extends: browse, holds: [rig]}
  g: {extends: d}
  h: {extends: h}
`,
			"nightly.yaml:5:6: scenarios.a: evidence is missing, and there is no extends to take it from\n" +
				"nightly.yaml:5:6: scenarios.a: loop is missing, and there is no extends to take it from\n" +
				"nightly.yaml:6:13: scenarios.b.loop: the loop must rest: want at least 1 s of wait in all\n" +
				"nightly.yaml:6:39: scenarios.b.evidence[0]: evidence of kind page comes from the stage, but the scenario names no stage: want stage: browse, call, game, sustain or light\n" +
				"nightly.yaml:7:13: scenarios.c.loop: {stage} is used, but the scenario names no stage: want stage: browse, call, game, sustain or light\n" +
				"nightly.yaml:7:58: scenarios.c.evidence[0]: the loop takes 3 min, longer than the limit of 2 min for this evidence\n" +
				"nightly.yaml:8:16: scenarios.d.extends: extends goes round in a circle: d, e\n" +
				"nightly.yaml:9:16: scenarios.e.extends: extends goes round in a circle: e, d\n" +
				"nightly.yaml:10:32: scenarios.f.holds[0]: no shared limit \"rig\": the file has none\n" +
				`nightly.yaml:12:16: scenarios.h.extends: extends goes round in a circle: h, h`},
		{"not YAML", "bench:\n  handsets: [\n", "nightly.yaml:3:1: not YAML: did not find expected node content, while parsing a flow node that began in line 3"},
		{"a tab", "bench:\n\tname: x\n", "nightly.yaml:2:1: not YAML: found character that cannot start any token, while scanning for the next token that began in line 2"},
		{"empty", "", "nightly.yaml:1:1: the file is empty: want at least a bench with its handsets"},
		{"only remarks", "# nothing\n", "nightly.yaml:1:1: the file is empty: want at least a bench with its handsets"},
		{"only a word", "bench\n", "nightly.yaml:1:1: want a plan file with its keys, got bench"},
		{"two documents", minimal + "---\nbench: {}\n", "nightly.yaml:7:1: want one document, got a second one"},
		{"not UTF-8", "bench:\n  name: \xff\n", "nightly.yaml:2:9: the file is not UTF-8 text"},
		{"a tag", head + "limits: !x {runs_at_once: 1}\n", "nightly.yaml:4:9: limits: tags are not read here, got !x"},
		{"a merge key", head + "limits: {<<: {runs_at_once: 1}}\n", "nightly.yaml:4:10: limits: merge keys are not read; use extends, or an alias for the whole value"},
		{"key without text", head + "limits: {? [a] : 1}\n", "nightly.yaml:4:12: limits: want text as the key, got a list"},
		{"unknown alias", head + "limits: *l\n", "nightly.yaml:4:9: not YAML: unknown anchor 'l' referenced"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Parse("nightly.yaml", []byte(tt.file))
			var faults Faults
			if !errors.As(err, &faults) {
				t.Fatalf("Parse = %v, want faults", err)
			}
			if diff := cmp.Diff(strings.Split(tt.want, "\n"), strings.Split(err.Error(), "\n")); diff != "" {
				t.Errorf("faults (-want +got):\n%s\nof:\n%s", diff, tt.file)
			}
		})
	}
}

func TestExtendsHasABound(t *testing.T) {
	text := minimal + "scenarios:\n  x1: {extends: idle}\n"
	for i := 2; i <= 9; i++ {
		text += fmt.Sprintf("  x%d: {extends: x%d}\n", i, i-1)
	}
	if _, err := Parse("f", []byte(text)); err != nil {
		t.Errorf("nine upon each other: %v", err)
	}
	_, err := Parse("f", []byte(text+"  x10: {extends: x9}\n"))
	if want := "f:17:18: scenarios.x10.extends: want at most 8 that extend each other"; err == nil || err.Error() != want {
		t.Errorf("ten upon each other: %v, want %s", err, want)
	}
}

func TestAliasStandsForItsValue(t *testing.T) {
	f := parse(t, "bench:\n  handsets:\n    - {name: A, serial: S, start_level_pct: &w {least: 80, most: 85}}\n    - {name: B, serial: T, start_level_pct: *w}\n")
	if diff := cmp.Diff(&Window{80, 85}, f.Bench.Handsets[1].StartLevel); diff != "" {
		t.Errorf("window through an alias (-want +got):\n%s", diff)
	}
}

func TestLoadNamesTheFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "nightly.yaml")
	if _, err := Load(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("Load of no file = %v", err)
	}
	if err := os.WriteFile(path, []byte("bench: 3\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Load(path)
	if want := "nightly.yaml:1:8: bench: want the bench with its keys, got 3"; err == nil || err.Error() != want {
		t.Errorf("Load = %v, want %s", err, want)
	}
}

func TestParseDuration(t *testing.T) {
	tests := []struct {
		text string
		want time.Duration
		ok   bool
	}{
		{"10 s", 10 * time.Second, true},
		{"10s", 10 * time.Second, true},
		{"3 min", 3 * time.Minute, true},
		{"1 h 30 min", 90 * time.Minute, true},
		{"1h30m", 90 * time.Minute, true},
		{"1h 30m 5s", 90*time.Minute + 5*time.Second, true},
		{"0.5 s", 500 * time.Millisecond, true},
		{"250 ms", 250 * time.Millisecond, true},
		{"2 days", 48 * time.Hour, true},
		{"0 s", 0, true},
		{"", 0, false},
		{"10", 0, false},
		{"-3 s", 0, false},
		{"3 s 4 s", 0, false},
		{"1e3 s", 0, false},
		{"3  min", 0, false},
		{"3 weeks", 0, false},
		{"99999999999999999999 h", 0, false},
	}
	for _, tt := range tests {
		got, err := parseDuration(tt.text)
		if got != tt.want || (err == nil) != tt.ok {
			t.Errorf("parseDuration(%q) = %v, %v; want %v, ok %t", tt.text, got, err, tt.want, tt.ok)
		}
		if err == nil {
			if back, err := parseDuration(devices.Lasting(got)); err != nil || back != got {
				t.Errorf("devices.Lasting(%v) = %q, read back as %v, %v", got, devices.Lasting(got), back, err)
			}
		}
	}
}

func TestExampleFile(t *testing.T) {
	f, err := Load("../scenarios.example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, h := range f.Bench.Handsets {
		names = append(names, h.Name)
	}
	if diff := cmp.Diff([]string{"Alder", "Birch", "Cedar", "Larch"}, names); diff != "" {
		t.Errorf("handsets (-want +got):\n%s", diff)
	}
	var everyday []string
	for _, s := range f.Plans["everyday"].Segments {
		everyday = append(everyday, s.Scenario)
	}
	if diff := cmp.Diff([]string{"browse", "video", "call", "camera", "game"}, everyday); diff != "" {
		t.Errorf("everyday segments (-want +got):\n%s", diff)
	}
	if got := f.Plans["everyday"].DrainPoints; got != 7 {
		t.Errorf("everyday drain = %d points, want 7", got)
	}
	// "The rest are the defaults, written out": hold the file to it.
	short := parse(t, "bench: {handsets: [{name: A, serial: S}]}\nday_mixes: {typical: {hours: {browse: 1}}}\nplans: {everyday: {segments: [browse, video, call, camera, game], day_mix: typical}}\n")
	if diff := cmp.Diff(short.Plans["everyday"], f.Plans["everyday"]); diff != "" {
		t.Errorf("everyday plan against the defaults (-want +got):\n%s", diff)
	}
	for name, s := range f.Scenarios {
		if _, _, err := Compile(s, aTarget()); err != nil {
			t.Errorf("scenario %s does not compile: %v", name, err)
		}
	}
	for name, n := range f.Nights {
		if _, _, ok := n.Next(time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)); !ok {
			t.Errorf("night %s never comes", name)
		}
	}
	text, err := os.ReadFile("../scenarios.example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(text), "lithium") {
		t.Error("the example says nothing of lithium cells")
	}
}

func TestTelephonesTapsAndEnds(t *testing.T) {
	f := parse(t, `
bench:
  handsets:
    - {name: Alder, serial: A, number: +44 7700 900123, counterpart: Birch}
    - {name: Birch, serial: B, number: "+44-7700-900456", counterpart: +1 212 555 0143}
    - {name: Cedar, serial: C, counterpart: +447700900123}
    - {name: Larch, serial: D}
scenarios:
  steps:
    loop: [{tap: {text: "Go & win"}, times: 2, wait: 1 s}, {tap: {text: [Yes, OK], optional: on}}, {call: end}]
    evidence: [{kind: drawn, of: org.example.app}, {kind: incall}, {kind: photos, of: /sdcard/DCIM}]
    permissions: {browser: [camera, microphone], org.example.app: [notifications]}
    ask: Say yes.
  cycles: {extends: sustain, cycles: 3}
  again: {extends: sustain, until: drained}
plans:
  p: {segments: [charge, sustain, again], stop_level_pct: 10, start_level_pct: {least: 30, most: 90}}
`)
	called := map[string]string{"Alder": "+447700900456 Birch", "Birch": "+12125550143 ", "Cedar": "+447700900123 Alder", "Larch": ""}
	for name, want := range called {
		h, _ := f.Handset(name)
		got := ""
		if number, by, onBench, ok := f.Called(h); ok {
			got = number + " " + by.Name
			if onBench != (by.Name != "") {
				t.Errorf("%s calls %s: on the bench %t, %q", name, number, onBench, by.Name)
			}
		}
		if got != want {
			t.Errorf("%s calls %q, want %q", name, got, want)
		}
	}
	s := f.Scenarios["steps"]
	want := []Step{
		{Line: 10, Verb: "tap", Find: []string{"Go & win"}, Times: 2, Wait: time.Second},
		{Line: 10, Verb: "tap", Find: []string{"Yes", "OK"}, MayMiss: true, Times: 1},
		{Line: 10, Verb: "call", Text: "end", Times: 1},
	}
	if diff := cmp.Diff(want, s.Loop); diff != "" {
		t.Errorf("steps (-want +got):\n%s", diff)
	}
	if !s.NeedsCounterpart() || s.Ask != "Say yes." || f.Scenarios["cycles"].NeedsCounterpart() {
		t.Errorf("needs a counterpart %t, asks %q", s.NeedsCounterpart(), s.Ask)
	}
	p, _ := compiled(t, s, aTarget())
	for part, lines := range map[string][]string{
		p.Start: {`said=$(pm grant 'org.example.web' android.permission.CAMERA 2>&1) || ev failed 1 "pm grant: $said"`, "android.permission.RECORD_AUDIO", "'org.example.app' android.permission.POST_NOTIFICATIONS"},
		p.Loop: {"taptext 5 'Go &amp; win' || ev failed 1 'no element with the text Go & win on the screen'", "taptext 2 'Yes' 'OK' || :\nhangup",
			"drawn 'org.example.app'", "incall", "photos '/sdcard/DCIM'"},
	} {
		for _, l := range lines {
			if !strings.Contains(part, l) {
				t.Errorf("%s is missing from\n%s", l, part)
			}
		}
	}
	old := aTarget()
	old.SDK = 31
	if p, _ := compiled(t, s, old); strings.Contains(p.Start, "POST_NOTIFICATIONS") {
		t.Error("Android 12 has no permission for notifications")
	}
	for name, want := range map[string]Scenario{"cycles": {Until: UntilCycles, Cycles: 3}, "again": {Until: UntilDrained}, "charge": {Until: UntilFull, StartLevel: &Window{0, 2}}, "steps": {Until: UntilDrained}} {
		got := f.Scenarios[name]
		if diff := cmp.Diff(want, Scenario{Until: got.Until, Cycles: got.Cycles, StartLevel: got.StartLevel}); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
	seen := map[string]string{}
	for _, name := range []string{"sustain", "cycles", "again"} {
		hash := f.Scenarios[name].Hash()
		if other, twice := seen[hash]; twice {
			t.Errorf("%s and %s have the same hash", name, other)
		}
		seen[hash] = name
	}
	var points []int
	for _, s := range f.Plans["p"].Segments {
		points = append(points, f.Resolve(f.Plans["p"], s).DrainPoints)
	}
	if !slices.Equal(points, []int{0, 0, 7}) {
		t.Errorf("points = %v, want 0 0 7", points)
	}
}

// Playback of a player that tells its position seldom is judged by the clip's length, which
// is no part of what the workload is.
func TestClipLengthIsNoPartOfTheWorkload(t *testing.T) {
	target := aTarget()
	target.ClipLength = 10*time.Minute + 300*time.Millisecond
	p, hash := compiled(t, Builtin()["video"], target)
	if !strings.Contains(p.Loop, "playing 'org.example.player' 600\n") && !strings.HasSuffix(p.Loop, "playing 'org.example.player' 600") {
		t.Errorf("loop:\n%s", p.Loop)
	}
	for _, want := range []string{"restfilm 30 600\n", "begun\n"} {
		if !strings.Contains(p.Loop, want) || strings.Contains(p.Start, want) {
			t.Errorf("want %q in the loop, and only there:\n%s\n%s", want, p.Start, p.Loop)
		}
	}
	if hash != Builtin()["video"].Hash() {
		t.Error("the clip's length changes the hash")
	}
}

func TestDidYouMean(t *testing.T) {
	known := []string{"drain", "repeat", "segments"}
	for got, want := range map[string]string{
		"drian":     ` (did you mean "drain"?)`,
		"Drain":     ` (did you mean "drain"?)`,
		"segmnets":  ` (did you mean "segments"?)`,
		"repeats":   ` (did you mean "repeat"?)`,
		"luminance": "",
		"":          "",
	} {
		if hint := didYouMean(got, known); hint != want {
			t.Errorf("didYouMean(%q) = %q, want %q", got, hint, want)
		}
	}
}

func TestPlanHash(t *testing.T) {
	base := parse(t, minimal)
	hash := base.PlanHash("everyday")
	if len(hash) != 64 || base.PlanHash("none") != "" {
		t.Fatalf("PlanHash = %q, of no plan %q", hash, base.PlanHash("none"))
	}
	same := map[string]string{
		"another handset":     strings.Replace(minimal, "RD1", "RD2", 1),
		"a remark":            "# remark\n" + minimal,
		"defaults spelt out":  minimal + "    drain: 7 %\n    segment_limit: 480 min\n    looks_per_hour: 4\n    activity_share: {flag_below_pct: 98 %}\n",
		"an unused scenario":  minimal + "scenarios: {x: {extends: video, version: \"9\"}}\n",
		"a day mix":           minimal + "    day_mix: m\nday_mixes: {m: {hours: {browse: 1}}}\n",
		"evidence of another": minimal + "limits: {runs_at_once: 3}\n",
	}
	for name, text := range same {
		if got := parse(t, text).PlanHash("everyday"); got != hash {
			t.Errorf("%s changes the plan's hash", name)
		}
	}
	seen := []string{hash}
	for name, text := range map[string]string{
		"drain":          minimal + "    drain: 8\n",
		"stop level":     minimal + "    stop_level_pct: 11\n",
		"looks":          minimal + "    looks_per_hour: 2\n",
		"repeat":         minimal + "    repeat: 2\n",
		"scenario":       strings.Replace(minimal, "[browse]", "[video]", 1),
		"its version":    minimal + "scenarios: {browse: {extends: browse, version: \"9\"}}\n",
		"its steps":      minimal + "scenarios: {browse: {extends: browse, loop: [{open: \"{stage}\", wait: 20 s}]}}\n",
		"preconditions":  minimal + "preconditions: {everyday: {extends: everyday, luminance: 200}}\n",
		"how strictly":   minimal + "preconditions: {everyday: {extends: everyday, luminance: {required: off}}}\n",
		"shares":         minimal + "    activity_share: {spoil_below_pct: 80}\n",
		"another screen": strings.Replace(minimal, "[browse]", "[browse, browse]", 1),
	} {
		got := parse(t, text).PlanHash("everyday")
		if slices.Contains(seen, got) {
			t.Errorf("%s does not change the plan's hash", name)
		}
		seen = append(seen, got)
	}
}

func TestResolve(t *testing.T) {
	f := parse(t, minimal+"  other:\n    segments: [game, {scenario: browse, drain: 2, warm_up: 1 min, limit: 5 min}]\nscenarios: {plain: {extends: browse}}\n")
	p := f.Plans["other"]
	if diff := cmp.Diff(Segment{Scenario: "game", DrainPoints: 7, WarmUp: 10 * time.Minute, Limit: 8 * time.Hour}, f.Resolve(p, p.Segments[0])); diff != "" {
		t.Errorf("game (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(p.Segments[1], f.Resolve(p, p.Segments[1])); diff != "" {
		t.Errorf("what the segment says stands (-want +got):\n%s", diff)
	}
	down := parse(t, minimal+"  other:\n    segments: [{scenario: game, drain_to: 2}]\n")
	if s := down.Resolve(down.Plans["other"], down.Plans["other"].Segments[0]); s.DrainPoints != 0 || s.DrainTo != 2 || s.EndsBy(down.Scenarios["game"]) != UntilLevel {
		t.Errorf("a segment down to 2 %% is %+v", s)
	}
}
