package onboard

import (
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"rundown/devices"
)

// One daemon at a time may run something on a handset, one segment at a time, and the
// handset itself holds that: folder Root/holders has a folder for each holder, named by its
// number, and the highest number is the handset's holder. The folder is made with mkdir,
// which either makes it or fails, so that of two who come at once one is refused. Inside
// are `who` (one checked line), `contact` (when its daemon was last heard of) and, once it
// was given back, `free`: the number stays, so that numbers only grow.
//
// Every program knows the number that it was started under and looks at each turn whether
// it still is the handset's; if not, it ends itself. So nothing that was forgotten, and
// nothing whose daemon or link is gone, goes on beside what comes after it.

// MaxNumber is the highest number that a holder may have. The programs compare numbers in
// signed 32 bits; a folder with a higher one, or with another name, holds nothing.
const MaxNumber = 1_999_999_999

// holdersFolder is the name under Root that no segment may have.
const holdersFolder = "holders"

var (
	// ErrHeld means that somebody else holds the handset.
	ErrHeld = errors.New("the handset is held by another daemon")
	// ErrChanged means that somebody else took or gave back the handset at the same moment:
	// look again.
	ErrChanged = errors.New("the handset's holder has changed meanwhile")
	// ErrOutranked means that the handset holds a higher number than the one that was handed in.
	ErrOutranked = errors.New("the handset holds a higher number")
	// ErrNoRoom means that the holder could not be written.
	ErrNoRoom = errors.New("the holder cannot be written on the handset; is its storage full?")
	// ErrNoNumber means that no number is left.
	ErrNoNumber = fmt.Errorf("no holder number up to %d is left; remove %s/%s on the handset by hand when nothing runs there", MaxNumber, Root, holdersFolder)
)

// A Holder is who may run something on a handset.
type Holder struct {
	// Number is 1 to MaxNumber and only grows on one handset. To Take it is the least that is
	// wanted; 0: the next one.
	Number  int64
	Daemon  string    // the daemon's own name, kept in its store: 1 to 64 of a to z, 0 to 9 and hyphen
	Bench   string    // its bench, for people
	Host    string    // the machine that it runs on, for people; may be empty
	Run     string    // empty: none
	Segment string    // its key; empty: none
	Since   time.Time // by the daemon's clock, whole seconds
}

// The conditions in which a handset's holder can be.
const (
	HoldsNothing = "none"    // nobody ever held it, or what was there is gone
	HoldsFree    = "free"    // it was given back
	HoldsHeld    = "held"    // Holding.Who says by whom
	HoldsFuture  = "future"  // held by a later version of these programs, whose word is respected and not read
	HoldsDamaged = "damaged" // it cannot be read by whom
)

// A Holding is what a look at a handset's holder found.
type Holding struct {
	Condition string // one of the Holds words
	Number    int64  // the highest that is there; 0: none
	Who       Holder // where Condition is HoldsHeld, or HoldsFree and its line is whole
	Line      string // as it stands on the handset; a word for it where it cannot be shown
	// Quiet is for how long the holder's daemon has not been heard of, by the handset's
	// uptime; from before a restart, for as long as the handset has been up.
	Quiet time.Duration
	// Lies: the holder is damaged, and segments lie there of which any may be its.
	Lies    bool
	BootID  string
	Uptime  time.Duration
	Running []Running // programs that run, whoever started them, by process
}

// Keys are the segments of which something runs, each once, in order.
func (h Holding) Keys() []string {
	var keys []string
	for _, r := range h.Running {
		keys = append(keys, r.Key)
	}
	slices.Sort(keys)
	return slices.Compact(keys)
}

var daemonPattern = regexp.MustCompile(`^[a-z0-9-]{1,64}$`)

// whoVersion is that of the line in `who`.
const whoVersion = 1

// orDash stands in for an empty word, and escapes what could not stand in a line of words.
func orDash(s string) string {
	if s == "" {
		return "-"
	}
	if s = url.PathEscape(s); s == "-" {
		return "%2D"
	}
	return s
}

func fromDash(s string) (string, error) {
	if s == "-" {
		return "", nil
	}
	return url.PathUnescape(s)
}

// line is the holder as it stands in `who`: its words, their check number (CRC-32, in hex),
// and the end mark.
func (h Holder) line() string {
	text := fmt.Sprintf("w %d %s %d %s %s %s %s", whoVersion, h.Daemon, h.Since.Unix(), orDash(h.Run), orDash(h.Segment), orDash(h.Host), orDash(h.Bench))
	return fmt.Sprintf("%s %08x .", text, crc32.ChecksumIEEE([]byte(text)))
}

// errFuture means that a later version wrote the line.
var errFuture = errors.New("written by a later version")

// parseWho reads a line of `who`; errFuture for one of a later version.
func parseWho(s string) (Holder, error) {
	var h Holder
	f := strings.Split(s, " ")
	if len(f) < 4 || f[0] != "w" || f[len(f)-1] != "." {
		return h, errors.New("not a whole line")
	}
	version, err := parseWhole(f[1])
	switch {
	case err != nil || version < 1 || version > 1<<31-1:
		return h, fmt.Errorf("version: want a number, got %q", f[1])
	case version > whoVersion:
		return h, errFuture
	case len(f) != 10:
		return h, fmt.Errorf("want 10 words, got %d", len(f))
	}
	text := strings.Join(f[:8], " ")
	if want := fmt.Sprintf("%08x", crc32.ChecksumIEEE([]byte(text))); f[8] != want {
		return h, fmt.Errorf("check number: want %s, got %s", want, f[8])
	}
	since, err := parseWhole(f[3])
	if err != nil || since < 0 || since > 1<<40 {
		return h, fmt.Errorf("since: want seconds, got %q", f[3])
	}
	h.Daemon, h.Since = f[2], time.Unix(since, 0).UTC()
	for i, to := range []*string{&h.Run, &h.Segment, &h.Host, &h.Bench} {
		if *to, err = fromDash(f[4+i]); err != nil {
			return h, err
		}
	}
	return h, h.check()
}

func (h Holder) check() error {
	if !daemonPattern.MatchString(h.Daemon) {
		return fmt.Errorf("daemon: want 1 to 64 of a to z, 0 to 9 and hyphen, got %q", h.Daemon)
	}
	for _, key := range []string{h.Run, h.Segment} {
		if key != "" && !keyPattern.MatchString(key) {
			return fmt.Errorf("run or segment: want 1 to 40 of a to z, 0 to 9 and hyphen, got %q", key)
		}
	}
	if h.Number < 0 || h.Number > MaxNumber {
		return fmt.Errorf("holder number: want 1 to %d, got %d", MaxNumber, h.Number)
	}
	if len(h.Bench) > 80 || len(h.Host) > 80 {
		return fmt.Errorf("bench and host: want at most 80 bytes, got %d and %d", len(h.Bench), len(h.Host))
	}
	return nil
}

// highest leaves the highest number in _n, 0 where there is none, and leaves out _but; who
// leaves in _w what stands in that number's file. What is not a number within range holds
// nothing; the programs' own check is the same.
const highest = `_but=
highest() {
	_n=0
	for _f in "$_r"/holders/*; do
		_f=${_f##*/}
		case $_f in
		'' | *[!0-9]* | 0* | [2-9]????????? | ???????????*) continue ;;
		esac
		[ "$_f" != "$_but" ] && [ "$_f" -gt "$_n" ] && _n=$_f
	done
}
who() {
	_w=
	[ "$_n" -gt 0 ] || return
	read -r _w <"$_r/holders/$_n/who"
	case $_w in
	*[!\ -~]*) _w=unprintable ;;
	esac
	[ ${#_w} -gt 600 ] && _w=overlong
} 2>/dev/null
clocks() {
	_b=
	read -r _b 2>/dev/null </proc/sys/kernel/random/boot_id
	[ -n "$_b" ] || _b=boot-count-$(settings get global boot_count 2>/dev/null)
	_u=
	read -r _u _t </proc/uptime
}
`

// lookText prints one fact a line: its name, a blank, its value.
const lookText = highest + `
clocks
echo "boot $_b"
echo "up $_u"
highest
echo "number $_n"
if [ "$_n" -gt 0 ]; then
	who
	echo "who $_w"
	[ -e "$_r/holders/$_n/free" ] && echo "free 1"
	_t=
	read -r _t <"$_r/holders/$_n/contact"
	echo "contact $_t"
	_f=
	read -r _f _f _f _f _f _f _t <"$_r/holders/$_n/who"
	case $_f in
	'') # it does not say of which segment: any that lies there may be its
		for _f in "$_r"/*/boot.txt; do
			_t= _c=
			read -r _t <"$_f" && echo "lies 1"
			read -r _c <"${_f%/*}/contact"
			echo "contact $_t $_c"
		done
		;;
	- | *[!a-z0-9-]*) ;;
	*)
		_t= _c=
		read -r _t <"$_r/$_f/boot.txt"
		read -r _c <"$_r/$_f/contact"
		echo "contact $_t $_c"
		;;
	esac
fi 2>/dev/null
`

// onHandset runs shell text with _r set to Root.
func onHandset(ctx context.Context, l devices.Link, doing, text string) ([]string, error) {
	out, err := l.Shell(ctx, "_r="+devices.Quote(Root)+"\n"+text+"\necho done")
	if err != nil {
		return nil, fmt.Errorf("%s on %s: %w", doing, l.Serial(), err)
	}
	said, ok := strings.CutSuffix(strings.ReplaceAll(out.Stdout, "\r\n", "\n"), "done\n")
	if !ok {
		return nil, fmt.Errorf("%s on %s: %w", doing, l.Serial(),
			&devices.CommandError{Command: "onboard call", ExitCode: out.ExitCode, Stderr: out.Stderr + out.Stdout})
	}
	return strings.Split(strings.TrimSuffix(said, "\n"), "\n"), nil
}

// Held looks at who holds the handset, and at what runs there. It changes nothing.
func Held(ctx context.Context, l devices.Link) (Holding, error) {
	lines, err := onHandset(ctx, l, "looking at the holder", lookText+scanText+"scan")
	if err != nil {
		return Holding{}, err
	}
	h, err := readHolding(lines)
	if err != nil {
		return Holding{}, fmt.Errorf("looking at the holder on %s: %w", l.Serial(), err)
	}
	return h, nil
}

// longestUp is more than any handset has been up, ms; a time.Duration still holds it.
const longestUp = 1 << 42

func readHolding(lines []string) (Holding, error) {
	h := Holding{Condition: HoldsNothing}
	free, upRead, heard := false, false, time.Duration(-1)
	for _, line := range lines {
		name, value, _ := strings.Cut(strings.TrimSpace(line), " ")
		f := strings.Fields(value)
		switch name {
		case "boot":
			h.BootID = value
		case "up":
			ms, err := parseMS(value)
			if err != nil || ms > longestUp {
				return h, fmt.Errorf("uptime: want seconds, got %q", value)
			}
			h.Uptime, upRead = time.Duration(ms)*time.Millisecond, true
		case "number":
			n, err := parseWhole(value)
			if err != nil || n < 0 || n > MaxNumber {
				return h, fmt.Errorf("holder number: got %q", value)
			}
			h.Number = n
		case "who":
			h.Line = value
		case "free":
			free = true
		case "lies":
			h.Lies = true
		case "contact":
			// The boot id and the uptime; either may be missing, or torn by a restart.
			if len(f) != 2 || f[0] != h.BootID {
				continue
			}
			if ms, err := parseMS(f[1]); err == nil && ms <= longestUp {
				heard = max(heard, time.Duration(ms)*time.Millisecond)
			}
		case "running":
			if r, ok := running(line); ok {
				h.Running = append(h.Running, r)
			}
		}
	}
	if h.BootID == "" || !upRead {
		return h, errors.New("neither boot id nor uptime may be missing")
	}
	if h.Quiet = h.Uptime; heard >= 0 {
		h.Quiet = max(h.Uptime-heard, 0)
	}
	if h.Number == 0 {
		return h, nil
	}
	who, err := parseWho(h.Line)
	who.Number = h.Number
	switch {
	case err == nil:
		h.Condition, h.Who = HoldsHeld, who
	case errors.Is(err, errFuture):
		h.Condition = HoldsFuture
	default:
		h.Condition = HoldsDamaged
	}
	if free {
		h.Condition = HoldsFree
	}
	h.Lies = h.Lies && h.Condition == HoldsDamaged
	return h, nil
}

// Take makes h the handset's holder, over the one that was found before, and returns the
// number that it got: the next one, or h.Number where that is higher. A holding that is
// h's already, daemon, run and segment alike, is left as it is.
//
// It is for the caller to judge whether what was found may be taken: Take refuses only
// with ErrChanged, when it is not there any more as it was found; with ErrOutranked, when
// h.Number is not above that of another daemon; and with ErrNoNumber and ErrNoRoom.
func Take(ctx context.Context, l devices.Link, h Holder, over Holding) (int64, error) {
	if err := h.check(); err != nil {
		return 0, fmt.Errorf("taking %s: %w", l.Serial(), err)
	}
	own := (over.Condition == HoldsHeld || over.Condition == HoldsFree) && over.Who.Daemon == h.Daemon
	if own && over.Condition == HoldsHeld && over.Who.Run == h.Run && over.Who.Segment == h.Segment && h.Number <= over.Number {
		return over.Number, nil
	}
	if h.Number > 0 && h.Number <= over.Number && !own {
		return 0, fmt.Errorf("taking %s with number %d: %w: %d", l.Serial(), h.Number, ErrOutranked, over.Number)
	}
	n := max(over.Number+1, h.Number)
	if n > MaxNumber {
		return 0, fmt.Errorf("taking %s: %w", l.Serial(), ErrNoNumber)
	}
	text := fmt.Sprintf("_was=%d\n_new=%d\n_line=%s\n_then=%s\n", over.Number, n, devices.Quote(h.line()), devices.Quote(over.Line))
	lines, err := onHandset(ctx, l, "taking the handset", highest+text+takeText+"taking")
	if err != nil {
		return 0, err
	}
	switch lines[len(lines)-1] {
	case "taken":
		return n, nil
	case "changed":
		return 0, fmt.Errorf("taking %s: %w", l.Serial(), ErrChanged)
	default:
		return 0, fmt.Errorf("taking %s: %w (%s/%s)", l.Serial(), ErrNoRoom, Root, holdersFolder)
	}
}

// takeText is the taking itself. Whoever made a higher number between the two looks wins:
// the second look sees it, and takes its own back.
const takeText = `
taking() {
	mkdir -p "$_r/holders"
	highest
	who
	if [ "$_n" != "$_was" ] || [ "$_w" != "$_then" ]; then
		echo changed
		return
	fi
	_d=$_r/holders/$_new
	if ! mkdir "$_d"; then
		if [ -d "$_d" ]; then
			echo changed
		else
			echo unwritten
		fi
		return
	fi
	clocks
	echo "$_line" >"$_d/who"
	echo "$_b $_u" >"$_d/contact"
	_w= _c=
	read -r _w <"$_d/who"
	read -r _c <"$_d/contact"
	_but=$_new
	highest
	if [ "$_w" != "$_line" ] || [ "$_c" != "$_b $_u" ]; then
		rm -rf "$_d"
		echo unwritten
		return
	fi
	if [ "$_n" != "$_was" ]; then
		rm -rf "$_d"
		echo changed
		return
	fi
	# Numbers above what was there are others' who came as well and take them back themselves.
	for _f in "$_r"/holders/*; do
		case ${_f##*/} in
		*[!0-9]* | 0* | [2-9]????????? | ???????????*) rm -rf "$_f" ;;
		*) [ "${_f##*/}" -gt "$_was" ] || rm -rf "$_f" ;;
		esac
	done
	echo taken
} 2>/dev/null
`

// Release gives the handset back: its number stays, so that the next one is higher. A
// number that is not the handset's holder any more is left as it is.
func Release(ctx context.Context, l devices.Link, number int64) error {
	if number < 1 || number > MaxNumber {
		return fmt.Errorf("releasing %s: holder number: want 1 to %d, got %d", l.Serial(), MaxNumber, number)
	}
	_, err := onHandset(ctx, l, "giving the handset back", highest+fmt.Sprintf(`highest
[ "$_n" = %d ] && : >"$_r/holders/$_n/free"`, number))
	return err
}

// StillHeld reports whether the handset's holder has this number, and leaves the sign on
// the handset that its daemon is there.
func StillHeld(ctx context.Context, l devices.Link, number int64) (bool, error) {
	lines, err := onHandset(ctx, l, "looking at the holder", highest+fmt.Sprintf(`highest
if [ "$_n" = %d ] && [ ! -e "$_r/holders/$_n/free" ]; then
	clocks
	echo "$_b $_u" >"$_r/holders/$_n/contact"
	echo held
fi`, number))
	return slices.Contains(lines, "held"), err
}
