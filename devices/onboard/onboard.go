// Package onboard is what runs on the handset itself during a segment, and the reader of
// what it writes: the recorder, which samples the battery and ends the segment by itself,
// and the workload loop, which performs the scenario's steps.
//
// Both are shell programs (folder programs), installed under Root, one folder a segment.
// They go on without the link; the host starts them, looks in, and picks their files up.
// The package keeps out of plans and of what a segment means: it takes compiled shell text
// and gives lines. Errors that leave it beside those of package devices: ErrKey,
// ErrExists, ErrNotInstalled, ErrRunning, ErrEnded, ErrNotStarted, ErrNotHeld,
// *DamagedLineError and *SequenceError; Take and EndAll have their own.
package onboard

import (
	"bytes"
	"context"
	"embed"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"

	"mvdan.cc/sh/v3/syntax"

	"rundown/devices"
)

// Root is the folder on the handset that holds one folder for each segment. It survives a
// restart of the handset and is out of reach of apps and of the media scan.
const Root = "/data/local/tmp/rundown"

var (
	// ErrKey means that a segment's key is not 1 to 40 of a to z, 0 to 9 and hyphen, or is the
	// name that the holders' folder has.
	ErrKey = errors.New("segment key: want 1 to 40 of a to z, 0 to 9 and hyphen, and not holders")
	// ErrExists means that the handset already holds recordings under this key.
	ErrExists = errors.New("the handset already holds recordings under this key")
	// ErrNotInstalled means that the handset holds no programs under this key.
	ErrNotInstalled = errors.New("the handset holds no programs under this key")
	// ErrRunning means that the recorder is still running.
	ErrRunning = errors.New("the recorder is still running")
	// ErrEnded means that the segment has already ended.
	ErrEnded = errors.New("the segment has already ended")
	// ErrNotStarted means that the recorder or the workload was started and is not running.
	ErrNotStarted = errors.New("the program was started but does not run")
	// ErrNotHeld means that the programs did not begin, since the handset's holder is another.
	ErrNotHeld = errors.New("not begun, the handset has another holder")
)

// The words by which the recorder says why a segment ended.
const (
	EndTarget           = "target"                  // drain target reached
	EndLevelLimit       = "level limit"             // level at or below StopLevelPct
	EndTemperatureLimit = "temperature limit"       // battery at or above StopTempRaw
	EndTimeLimit        = "time limit"              // TimeLimitSec since the begin mark
	EndPowerSeen        = "power seen"              // a power source on two readings running
	EndPowerGone        = "power gone"              // no power source on two readings running, after there was one
	EndFull             = "full"                    // status full (5) and a power source on three readings running
	EndStopped          = "stopped"                 // told to
	EndGaugeFrozen      = "gauge frozen by command" // "UPDATES STOPPED": every value is made up
	EndUnreadable       = "battery unreadable"      // ten readings in a row gave no level
	EndHolderChanged    = "holder changed"          // the handset is not this segment's any more
	EndNoTemperature    = "temperature unreadable"  // ten in a row gave no temperature that can be compared with its limit
	EndStandsStill      = "readings stand still"    // no value of a reading has changed for StillSec
)

// A Segment is what the recorder is told.
type Segment struct {
	Key            string // 1 to 40 of a to z, 0 to 9 and hyphen
	SampleEverySec int    // s between readings, 1 to 3600
	WarmUpSec      int    // s after the begin mark before the start edge may come
	TargetPoints   int    // drain target, percentage points below the start edge, 0 to 100; 0 as NoTarget
	StopLevelPct   int    // end at this level or below, %; 0: no limit
	StopTempRaw    int    // end at this battery temperature or above, in the handset's own unit; 0: no limit
	StillSec       int    // with that limit: end when no value has changed for so many s, unless full or, with StopOffPower, without power; 0: never
	TempPerDegree  int    // how many of that unit make 1 °C: 1, 10, 100 or 1000; 0 stands for 10
	TimeLimitSec   int    // end after so many s since the begin mark; 0: no limit
	StopOnPower    bool   // end when a power source shows on two readings running
	StopOffPower   bool   // end when power that was there has gone on two readings running (charge)
	UntilFull      bool   // end when the battery is full on its charger on three readings running (charge)
	NoTarget       bool   // no drain target (idle, charge, sustain): only limits, UntilFull or Stop end it
	// AsleepEverySec is after how many s without sleep by its own clocks the recorder asks the
	// power manager whether the screen is off, for evidence of kind asleep; 0: never.
	AsleepEverySec int
	CurrentPath    string // file with the battery current, from ProbeCurrent; empty: none
	CurrentKey     string // without a file: the battery dump's own line that has it; empty: none
	// StageURL is where the addresses of the stage's pages begin: those that are opened are
	// written as evidence of kind opened. Empty: none is.
	StageURL string
	// Holder is the number, from Take, under which the programs run: they end themselves when
	// it is the handset's holder no more. 0: without one, until anybody takes the handset.
	Holder   int64
	Workload Program
}

// A Program is a compiled scenario: POSIX shell text that is run once (Start), again and
// again (Loop), and once at the end (Stop). It may use the functions that workload.sh lists,
// and n, the number of the pass from 1; names that begin with an underscore are not its
// own. An empty text does nothing.
type Program struct {
	Start, Loop, Stop string
	LoopS             float64 // nominal length of one pass, s; 0: not known
}

// A State is what Inspect found on the handset.
type State struct {
	Exists        bool // the segment's folder is there
	RecorderAlive bool
	WorkloadAlive bool
	// Ended is true once everything of the segment is over, teardown included. The end
	// mark stands in the samples a little earlier.
	Ended     bool
	EndReason string // one of the End words when Ended
	BootID    string // of the handset now
	// StartedBootID is the boot id under which the recorder began, empty before. When it
	// differs from BootID the handset has restarted and the segment is lost.
	StartedBootID string
	UptimeMS      int64 // of the handset now, sleep included
	Holder        int64 // number of the handset's holder; 0: none, or it was given back
	SamplesBytes  int64
	ActivityBytes int64
}

// most is the longest time that the programs can count in hundredths of a second within
// 32 bits, s (about 231 days).
const most = 20_000_000

//go:embed programs/*.sh
var programs embed.FS

var keyPattern = regexp.MustCompile(`^[a-z0-9-]{1,40}$`)

func checkKey(key string) error {
	if !keyPattern.MatchString(key) || key == holdersFolder {
		return fmt.Errorf("%w, got %q", ErrKey, key)
	}
	return nil
}

func dir(key string) string { return Root + "/" + key }

// SamplesPath is the file on the handset to which the recorder appends samples and marks.
func SamplesPath(key string) string { return dir(key) + "/samples.txt" }

// ActivityPath is the file on the handset to which the workload appends evidence.
func ActivityPath(key string) string { return dir(key) + "/activity.txt" }

func (s Segment) check() error {
	if err := checkKey(s.Key); err != nil {
		return err
	}
	if s.Holder < 0 || s.Holder > MaxNumber {
		return fmt.Errorf("segment %s: Holder: want 0 to %d, got %d", s.Key, MaxNumber, s.Holder)
	}
	for _, f := range []struct {
		name        string
		v, min, max int
		unit        string
	}{
		{"SampleEverySec", s.SampleEverySec, 1, 3600, "s"},
		{"WarmUpSec", s.WarmUpSec, 0, most, "s"},
		{"TargetPoints", s.TargetPoints, 0, 100, "percentage points"},
		{"StopLevelPct", s.StopLevelPct, 0, 100, "%"},
		{"StopTempRaw", s.StopTempRaw, 0, 200_000, "of the handset's own unit"},
		{"StillSec", s.StillSec, 0, most, "s"},
		{"TimeLimitSec", s.TimeLimitSec, 0, most, "s"},
		{"AsleepEverySec", s.AsleepEverySec, 0, 86_400, "s"},
	} {
		if f.v < f.min || f.v > f.max {
			return fmt.Errorf("segment %s: %s: want %d to %d %s, got %d", s.Key, f.name, f.min, f.max, f.unit, f.v)
		}
	}
	switch s.TempPerDegree {
	case 0, 1, 10, 100, 1000:
	default:
		return fmt.Errorf("segment %s: TempPerDegree: want 1, 10, 100 or 1000, got %d", s.Key, s.TempPerDegree)
	}
	if s.CurrentKey != "" && !keyLine.MatchString(s.CurrentKey) {
		return fmt.Errorf("segment %s: CurrentKey: want the key of a line of the battery dump, got %q", s.Key, s.CurrentKey)
	}
	if s.CurrentPath != "" && !currentPattern.MatchString(s.CurrentPath) {
		return fmt.Errorf("segment %s: CurrentPath: want a file under /sys/class/power_supply, got %q", s.Key, s.CurrentPath)
	}
	for _, part := range []struct{ name, text string }{
		{"Start", s.Workload.Start}, {"Loop", s.Workload.Loop}, {"Stop", s.Workload.Stop},
	} {
		// What does not parse by itself could break out of the function it is put into.
		parser := syntax.NewParser(syntax.Variant(syntax.LangMirBSDKorn))
		if _, err := parser.Parse(strings.NewReader(part.text), part.name); err != nil {
			return fmt.Errorf("segment %s: workload: %w", s.Key, err)
		}
		if strings.ContainsRune(part.text, 0) {
			return fmt.Errorf("segment %s: workload: %s holds a NUL byte", s.Key, part.name)
		}
	}
	return nil
}

// leastTempC is the coldest that a battery's reading is believed, °C; fallC is by how much it
// may be colder than the last one within half an hour, °C: nothing that lies in a room cools a
// handset so fast (common practice, no source), but a handset that changes its unit seems to.
const (
	leastTempC = -40
	fallC      = 20
)

func (s Segment) tempPerDegree() int {
	if s.TempPerDegree == 0 {
		return 10
	}
	return s.TempPerDegree
}

// keyLine is a key as makers write them, such as "current now".
var keyLine = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9 _-]{0,40}$`)

func program(name string) string {
	b, err := programs.ReadFile("programs/" + name)
	if err != nil {
		panic(err) // embedded above
	}
	return string(b)
}

// recorderText and workloadText are the two programs as they are put on the handset.
func (s Segment) recorderText() string {
	target := s.TargetPoints
	if s.NoTarget {
		target = 0
	}
	flag := func(b bool) int {
		if b {
			return 1
		}
		return 0
	}
	var b strings.Builder
	for _, v := range []struct {
		name string
		n    int
	}{
		{"_sample_every_s", s.SampleEverySec},
		{"_warm_up_s", s.WarmUpSec},
		{"_target_points", target},
		{"_stop_level_pct", s.StopLevelPct},
		{"_stop_temp", s.StopTempRaw},
		{"_least_temp", leastTempC * s.tempPerDegree()},
		{"_still_s", s.StillSec},
		{"_fall_temp", fallC * s.tempPerDegree()},
		{"_time_limit_s", s.TimeLimitSec},
		{"_asleep_every_s", s.AsleepEverySec},
		{"_stop_on_power", flag(s.StopOnPower)},
		{"_stop_off_power", flag(s.StopOffPower)},
		{"_until_full", flag(s.UntilFull)},
	} {
		fmt.Fprintf(&b, "%s=%d\n", v.name, v.n)
	}
	fmt.Fprintf(&b, "_current=%s\n_current_key=%s\n_holder=%d\n\n", devices.Quote(s.CurrentPath), devices.Quote(s.CurrentKey), s.Holder)
	return b.String() + program("common.sh") + "\n" + program("recorder.sh")
}

func (s Segment) workloadText() string {
	loop := s.Workload.Loop
	if strings.TrimSpace(loop) == "" {
		loop = "rest 600" // nothing to do: stay asleep
	}
	var b strings.Builder
	fmt.Fprintf(&b, "_holder=%d\n\n", s.Holder)
	for _, f := range []struct{ name, body string }{
		{"program_start", s.Workload.Start}, {"program_loop", loop}, {"program_stop", s.Workload.Stop},
	} {
		fmt.Fprintf(&b, "%s() {\n:\n%s\n}\n\n", f.name, f.body)
	}
	fmt.Fprintf(&b, "_stage=%s\n\n", devices.Quote(s.StageURL))
	return program("common.sh") + "\n" + b.String() + program("workload.sh")
}

// Install puts the segment's programs on the handset and reads them back byte for byte.
// A segment that was installed and not yet started is replaced; ErrExists when there are
// recordings under its key.
func Install(ctx context.Context, l devices.Link, s Segment) error {
	if err := s.check(); err != nil {
		return err
	}
	switch _, err := l.Stat(ctx, SamplesPath(s.Key)); {
	case err == nil:
		return fmt.Errorf("segment %s on %s: %w; collect and remove them first", s.Key, l.Serial(), ErrExists)
	case !errors.Is(err, devices.ErrNotExist):
		return fmt.Errorf("segment %s on %s: %w", s.Key, l.Serial(), err)
	}
	for _, f := range []struct{ name, text string }{
		{"recorder.sh", s.recorderText()}, {"workload.sh", s.workloadText()},
	} {
		path := dir(s.Key) + "/" + f.name
		if err := l.Push(ctx, strings.NewReader(f.text), path, 0o644); err != nil {
			return fmt.Errorf("installing %s on %s: %w", path, l.Serial(), err)
		}
		var back bytes.Buffer
		if _, err := l.Pull(ctx, path, 0, &back); err != nil {
			return fmt.Errorf("reading back %s on %s: %w", path, l.Serial(), err)
		}
		if back.String() != f.text {
			return fmt.Errorf("installing %s on %s: wrote %d bytes, read back %d that differ; is the storage full?",
				path, l.Serial(), len(f.text), back.Len())
		}
	}
	return nil
}

// call runs shell text with _d set to the segment's folder. The text ends by saying
// "done", so that a link that cannot report exit codes still shows whether it ran through.
func call(ctx context.Context, l devices.Link, key, text string) (string, error) {
	if err := checkKey(key); err != nil {
		return "", err
	}
	out, err := l.Shell(ctx, "_d="+devices.Quote(dir(key))+"\n"+text+"\necho done")
	if err != nil {
		return "", fmt.Errorf("segment %s on %s: %w", key, l.Serial(), err)
	}
	said := strings.ReplaceAll(out.Stdout, "\r\n", "\n")
	said, ok := strings.CutSuffix(said, "done\n")
	if !ok {
		return "", fmt.Errorf("segment %s on %s: %w", key, l.Serial(),
			&devices.CommandError{Command: "onboard call", ExitCode: out.ExitCode, Stderr: out.Stderr + out.Stdout})
	}
	return said, nil
}

// Start starts the recorder, which starts the workload, and returns when the recorder has
// written its begin mark and is seen running under the handset's present boot id. Both
// outlive the link, but not a restart of adbd: put the link in its final form before.
// A recorder that already runs is left alone. ErrEnded when the segment is over,
// ErrExists when it was begun and has died.
func Start(ctx context.Context, l devices.Link, key string) error {
	before, err := Inspect(ctx, l, key)
	switch {
	case err != nil:
		return err
	case !before.Exists:
		return fmt.Errorf("starting segment %s on %s: %w", key, l.Serial(), ErrNotInstalled)
	case before.Ended:
		return fmt.Errorf("starting segment %s on %s: %w (%s)", key, l.Serial(), ErrEnded, before.EndReason)
	case before.RecorderAlive:
		return nil
	case before.SamplesBytes > 0:
		return fmt.Errorf("starting segment %s on %s: %w", key, l.Serial(), ErrExists)
	}
	// All three descriptors are redirected: adbd keeps the call open while any child
	// holds one of them. The wait is on the handset, in the handset's time.
	_, err = call(ctx, l, key, `setsid sh "$_d/recorder.sh" "$_d" run </dev/null >/dev/null 2>>"$_d/errors.txt" &
_i=0
while [ ! -s "$_d/boot.txt" ] && [ ! -s "$_d/end.txt" ] && [ "$_i" -lt 50 ]; do
	sleep 0.2
	_i=$((_i + 1))
done`)
	if err != nil {
		return err
	}
	after, err := Inspect(ctx, l, key)
	if err != nil {
		return err
	}
	if after.Ended && after.EndReason == EndHolderChanged {
		return fmt.Errorf("starting segment %s on %s: %w: %d", key, l.Serial(), ErrNotHeld, after.Holder)
	}
	if after.Ended {
		return fmt.Errorf("starting segment %s on %s: %w at once (%s)", key, l.Serial(), ErrEnded, after.EndReason)
	}
	if !after.RecorderAlive || after.StartedBootID == "" || after.StartedBootID != after.BootID {
		return fmt.Errorf("starting segment %s on %s: recorder: %w%s", key, l.Serial(), ErrNotStarted, said(ctx, l, key))
	}
	return nil
}

// said is what the programs last said on their standard error, for a message.
func said(ctx context.Context, l devices.Link, key string) string {
	var b bytes.Buffer
	if _, err := l.Pull(ctx, dir(key)+"/errors.txt", 0, &b); err != nil || b.Len() == 0 {
		return ""
	}
	text := strings.TrimSpace(b.String())
	if len(text) > 300 {
		text = "…" + text[len(text)-300:]
	}
	return ": it said: " + text
}

// inspect prints one fact a line: its name, a blank, its value. A process is ours when its
// command line names our program: its number may since have been given to another.
// Writing the uptime into contact tells the recorder that the host is still there.
const inspect = highest + `clocks
echo "boot $_b"
echo "up $_u"
_r=${_d%/*}
highest
[ "$_n" -gt 0 ] && [ ! -e "$_r/holders/$_n/free" ] && echo "holder $_n"
if [ -d "$_d" ]; then
	echo "exists 1"
	echo "$_u" >"$_d/contact"
	for _f in recorder workload; do
		_p= _c=
		read -r _p <"$_d/$_f.pid"
		case $_p in
		'' | *[!0-9]*) ;;
		*) read -r _c <"/proc/$_p/cmdline" ;;
		esac
		case $_c in
		*"$_d/$_f.sh"*) echo "$_f $_p" ;;
		esac
	done 2>/dev/null
	for _f in boot end; do
		_t=
		read -r _t 2>/dev/null <"$_d/$_f.txt"
		[ -n "$_t" ] && echo "$_f.txt $_t"
	done
	for _f in samples activity; do
		[ -f "$_d/$_f.txt" ] && echo "$_f $(stat -c %s "$_d/$_f.txt")"
	done
fi`

// Inspect looks at the segment's programs and files in one shell call.
func Inspect(ctx context.Context, l devices.Link, key string) (State, error) {
	out, err := call(ctx, l, key, inspect)
	if err != nil {
		return State{}, err
	}
	s, upRead := State{}, false
	for line := range strings.Lines(out) {
		name, value, _ := strings.Cut(strings.TrimSpace(line), " ")
		switch name {
		case "boot":
			s.BootID = value
		case "up":
			if s.UptimeMS, err = parseMS(value); err != nil {
				return State{}, fmt.Errorf("segment %s on %s: uptime: %w", key, l.Serial(), err)
			}
			upRead = true
		case "holder":
			if s.Holder, err = parseWhole(value); err != nil {
				return State{}, fmt.Errorf("segment %s on %s: holder number: %w", key, l.Serial(), err)
			}
		case "exists":
			s.Exists = true
		case "recorder":
			s.RecorderAlive = true
		case "workload":
			s.WorkloadAlive = true
		case "boot.txt":
			s.StartedBootID = value
		case "end.txt":
			s.Ended, s.EndReason = true, value
		case "samples", "activity":
			n, err := strconv.ParseInt(value, 10, 64)
			if err != nil {
				return State{}, fmt.Errorf("segment %s on %s: size of %s.txt: got %q", key, l.Serial(), name, value)
			}
			if name == "samples" {
				s.SamplesBytes = n
			} else {
				s.ActivityBytes = n
			}
		}
	}
	if s.BootID == "" || !upRead {
		return State{}, fmt.Errorf("segment %s on %s: neither boot id nor uptime may be missing, got %q", key, l.Serial(), out)
	}
	return s, nil
}

// Stop ends the segment with the reason "stopped", unless it has ended before, and returns
// when its teardown has run. It also closes a segment whose recorder has died.
func Stop(ctx context.Context, l devices.Link, key string) error {
	s, err := Inspect(ctx, l, key)
	if err != nil {
		return err
	}
	if !s.Exists {
		return fmt.Errorf("stopping segment %s on %s: %w", key, l.Serial(), ErrNotInstalled)
	}
	// A teardown may take its time. Each call waits a while on the handset, so that none
	// comes near a link's own deadline.
	const calls = 6
	for range calls {
		if s.Ended {
			return nil
		}
		how := `sh "$_d/recorder.sh" "$_d" close </dev/null >/dev/null 2>>"$_d/errors.txt" &`
		if s.RecorderAlive {
			how = `read -r _p <"$_d/recorder.pid"; kill -TERM "$_p"`
		}
		_, err := call(ctx, l, key, how+`
_i=0
while [ ! -s "$_d/end.txt" ] && [ "$_i" -lt 50 ]; do
	sleep 0.2
	_i=$((_i + 1))
done`)
		if err != nil {
			return err
		}
		if s, err = Inspect(ctx, l, key); err != nil {
			return err
		}
	}
	if s.Ended {
		return nil
	}
	return fmt.Errorf("stopping segment %s on %s: %w after %d s%s", key, l.Serial(), ErrRunning, calls*10, said(ctx, l, key))
}

// Revive ends the workload loop, runs its Stop, and starts it again; the recorder goes on
// meanwhile. ErrEnded when the segment is over.
func Revive(ctx context.Context, l devices.Link, key string) error {
	s, err := Inspect(ctx, l, key)
	switch {
	case err != nil:
		return err
	case !s.Exists:
		return fmt.Errorf("reviving segment %s on %s: %w", key, l.Serial(), ErrNotInstalled)
	case s.Ended:
		return fmt.Errorf("reviving segment %s on %s: %w (%s)", key, l.Serial(), ErrEnded, s.EndReason)
	case !s.RecorderAlive:
		return fmt.Errorf("reviving segment %s on %s: the recorder is not running: %w", key, l.Serial(), ErrNotStarted)
	}
	// The call itself must not hang on a teardown that does: the work is left in the
	// background and waited for.
	out, err := call(ctx, l, key, `read -r _old 2>/dev/null <"$_d/workload.pid"
setsid sh "$_d/workload.sh" "$_d" revive </dev/null >/dev/null 2>>"$_d/errors.txt" &
_i=0
while [ "$_i" -lt 100 ]; do
	_p=
	read -r _p 2>/dev/null <"$_d/workload.pid"
	[ -n "$_p" ] && [ "$_p" != "$_old" ] && break
	sleep 0.2
	_i=$((_i + 1))
done
echo "$_i"`)
	if err != nil {
		return err
	}
	if s, err = Inspect(ctx, l, key); err != nil {
		return err
	}
	if !s.WorkloadAlive || strings.TrimSpace(out) == "100" {
		return fmt.Errorf("reviving segment %s on %s: workload: %w%s", key, l.Serial(), ErrNotStarted, said(ctx, l, key))
	}
	return nil
}

// Remove removes the segment's folder from the handset; one that is not there is no
// error. ErrRunning while its recorder or workload runs: Stop it first.
func Remove(ctx context.Context, l devices.Link, key string) error {
	s, err := Inspect(ctx, l, key)
	if err != nil {
		return err
	}
	if s.RecorderAlive || s.WorkloadAlive {
		return fmt.Errorf("removing segment %s on %s: %w", key, l.Serial(), ErrRunning)
	}
	// What it captured and could not remove itself, since its end was cut off, is its own too.
	out, err := call(ctx, l, key, `if [ -e "$_d/captured.txt" ]; then
case $(cat "$_d/activity.txt") in
*' ended 1 '*) ;;
*)
while read -r _f; do
case $_f in
/sdcard/*) rm -f "$_f" ;;
esac
done <"$_d/captured.txt"
;;
esac
fi
rm -rf "$_d"
[ -e "$_d" ] && echo left`)
	if err != nil {
		return err
	}
	if slices.Contains(strings.Fields(out), "left") {
		return fmt.Errorf("removing segment %s on %s: the folder %s is still there", key, l.Serial(), dir(key))
	}
	return nil
}

// List names the segments found on the handset, in order.
func List(ctx context.Context, l devices.Link) ([]string, error) {
	out, err := devices.Run(ctx, l, `for _f in `+devices.Quote(Root)+`/*; do [ -d "$_f" ] && echo "${_f##*/}"; done; echo done`)
	if err != nil {
		return nil, fmt.Errorf("segments on %s: %w", l.Serial(), err)
	}
	var keys []string
	for line := range strings.Lines(out) {
		if key := strings.TrimSpace(line); key != "done" && checkKey(key) == nil {
			keys = append(keys, key)
		}
	}
	sort.Strings(keys)
	return keys, nil
}

var currentPattern = regexp.MustCompile(`^/sys/class/power_supply/[A-Za-z0-9._-]+/current_now$`)

// ProbeCurrent finds the file from which the handset's battery current can be read: the
// supply named battery, else another of type Battery. Empty when none gives a number:
// which nodes the shell may read is the maker's choice. Sign and unit are not known here.
func ProbeCurrent(ctx context.Context, l devices.Link) (string, error) {
	out, err := devices.Run(ctx, l, `for _f in /sys/class/power_supply/*; do
	_t= _c=
	read -r _t <"$_f/type"
	read -r _c <"$_f/current_now"
	[ -n "$_c" ] && echo "$_t $_c $_f/current_now"
done 2>/dev/null
echo done`)
	if err != nil {
		return "", fmt.Errorf("probing the battery current on %s: %w", l.Serial(), err)
	}
	best := ""
	for line := range strings.Lines(out) {
		f := strings.Fields(line)
		if len(f) != 3 || f[0] != "Battery" || !currentPattern.MatchString(f[2]) {
			continue
		}
		if _, err := strconv.ParseInt(f[1], 10, 32); err != nil {
			continue
		}
		if best == "" || strings.HasSuffix(f[2], "/battery/current_now") {
			best = f[2]
		}
	}
	return best, nil
}
