package onboard

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"rundown/devices"
)

// ErrStubborn means that a program goes on although it was killed.
var ErrStubborn = errors.New("programs of an earlier segment cannot be ended; restart the handset")

// A Running is a process of one of the programs.
type Running struct {
	PID     int
	Key     string // of its segment
	Program string // recorder or workload
}

// scanText prints every process of the programs, whoever started them and whether or not
// its number is written anywhere. A command line is words with NUL between them, which the
// shells' read leaves out.
const scanText = `scan() {
	for _f in /proc/[0-9]*; do
		_c=
		read -r _c <"$_f/cmdline"
		case $_c in
		*"$_r/"*/recorder.sh* | *"$_r/"*/workload.sh*) ;;
		*) continue ;;
		esac
		_c=${_c#*"$_r/"}
		_k=${_c%%/*}
		case ${_c#"$_k/"} in
		recorder.sh*) echo "running ${_f##*/} $_k recorder" ;;
		workload.sh*) echo "running ${_f##*/} $_k workload" ;;
		esac
	done
} 2>/dev/null
`

// running reads a line of scan.
func running(line string) (Running, bool) {
	f := strings.Fields(line)
	if len(f) != 4 || f[0] != "running" || checkKey(f[2]) != nil {
		return Running{}, false
	}
	pid, err := strconv.Atoi(f[1])
	return Running{PID: pid, Key: f[2], Program: f[3]}, err == nil && pid > 1
}

// An ending ends programs on one handset.
type ending struct {
	l    devices.Link
	ends func(key string) bool
	left []Running
}

// EndAll ends every program of the segments but of those kept. It returns the keys of
// those of which something ran; their files stay. What is told to end closes its files and
// tears down what it had started; what does not end so within a minute is killed, and
// closed afterwards. ErrStubborn when even that is in vain.
func EndAll(ctx context.Context, l devices.Link, keep ...string) ([]string, error) {
	return (&ending{l: l, ends: func(key string) bool { return !slices.Contains(keep, key) }}).end(ctx)
}

// End does so with the programs of one segment.
func End(ctx context.Context, l devices.Link, key string) error {
	if err := checkKey(key); err != nil {
		return err
	}
	_, err := (&ending{l: l, ends: func(k string) bool { return k == key }}).end(ctx)
	return err
}

func (e *ending) end(ctx context.Context) ([]string, error) {
	if err := e.step(ctx, "", nil); err != nil || len(e.left) == 0 {
		return nil, err
	}
	keys := Holding{Running: e.left}.Keys()
	// A recorder that is told to end ends its workload too, within 40 s.
	for try := 0; try < 6 && len(e.left) > 0; try++ {
		var tell []int
		for _, r := range e.left {
			alone := !slices.ContainsFunc(e.left, func(o Running) bool { return o.Key == r.Key && o.Program == "recorder" })
			if r.Program == "recorder" && try == 0 || r.Program != "recorder" && alone {
				tell = append(tell, r.PID)
			}
		}
		if err := e.step(ctx, "-TERM", tell); err != nil {
			return keys, err
		}
	}
	if err := e.kill(ctx); err != nil {
		return keys, err
	}
	for _, key := range keys {
		if err := e.closed(ctx, key); err != nil {
			return keys, err
		}
	}
	if err := e.step(ctx, "", nil); err != nil {
		return keys, err
	}
	if err := e.kill(ctx); err != nil { // closing that hung
		return keys, err
	}
	if len(e.left) > 0 {
		return keys, fmt.Errorf("ending %s on %s: %w", strings.Join(keys, ", "), e.l.Serial(), ErrStubborn)
	}
	return keys, nil
}

func (e *ending) kill(ctx context.Context) error {
	if len(e.left) == 0 {
		return nil
	}
	var pids []int
	for _, r := range e.left {
		pids = append(pids, r.PID)
	}
	return e.step(ctx, "-KILL", pids)
}

// step sends a signal to processes, waits on the handset until all that are to end have
// ended, for ten seconds at most so that no call comes near a link's own deadline, and
// notes what is left.
func (e *ending) step(ctx context.Context, signal string, pids []int) error {
	var text strings.Builder
	for _, pid := range pids {
		fmt.Fprintf(&text, "kill %s %d\n", signal, pid)
	}
	if len(e.left) > 0 {
		var alive []string
		for _, r := range e.left {
			alive = append(alive, fmt.Sprintf("kill -0 %d", r.PID))
		}
		fmt.Fprintf(&text, "_i=0\nwhile { %s; } && [ \"$_i\" -lt 50 ]; do\n\tsleep 0.2\n\t_i=$((_i + 1))\ndone\n", strings.Join(alive, " || "))
	}
	lines, err := onHandset(ctx, e.l, "ending what runs", scanText+"{\n:\n"+text.String()+"} 2>/dev/null\nscan")
	if err != nil {
		return err
	}
	e.left = nil
	for _, line := range lines {
		if r, ok := running(line); ok && e.ends(r.Key) {
			e.left = append(e.left, r)
		}
	}
	return nil
}

// closed closes the files of a segment whose recorder could not do so itself, and tears
// down what its workload had started.
func (e *ending) closed(ctx context.Context, key string) error {
	const calls = 6
	for try := range calls {
		how := ":"
		if try == 0 {
			// Nothing that stays behind may hold the call's own output open, or the call stays too.
			how = `{ [ -s "$_d/end.txt" ] || [ ! -f "$_d/recorder.sh" ] || sh "$_d/recorder.sh" "$_d" close; } </dev/null >/dev/null 2>>"$_d/errors.txt" &`
		}
		said, err := call(ctx, e.l, key, how+`
_i=0
while [ -f "$_d/recorder.sh" ] && [ ! -s "$_d/end.txt" ] && [ "$_i" -lt 50 ]; do
	sleep 0.2
	_i=$((_i + 1))
done
[ "$_i" -lt 50 ] && echo closed`)
		if err != nil || strings.Contains(said, "closed") {
			return err
		}
	}
	return nil // whatever closes it is killed with the rest
}
