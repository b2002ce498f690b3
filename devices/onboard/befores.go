package onboard

import (
	"context"
	"fmt"
	"hash/crc32"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"rundown/devices"
)

// What a handset's settings were before anybody changed them stands on the handset itself,
// beside its holder: of several daemons that had the handset one after the other, each knows
// only what it found, which may be what another had set and could not put back. Whoever has
// the handset puts back what stands here, and takes it off; what does not stand here any more
// has been put back. Only the handset's holder writes the file, so that it is written whole.

// beforesFile is under Root; it is no folder, and so no segment.
const beforesFile = Root + "/before.txt"

// beforesMost is the most that are kept; more than a plan can change.
const beforesMost = 64

// A Before is one setting as it was before anybody changed it, or one state that is changed
// by commands.
type Before struct {
	Setting string    // "system screen_brightness"; of a state "state bluetooth"
	Was     *string   // nil: it was not set
	For     string    // the precondition for which it was changed
	Daemon  string    // who changed it first, as in Holder
	At      time.Time // by that daemon's clock, whole seconds
}

// Befores are all settings that are not as they were.
type Befores struct {
	// ID is this list's own: another one was begun after the file was lost. Empty: there is no
	// list, or none that can be read, and nothing follows from what does not stand in it.
	ID   string
	List []Before
	// Future: a later version wrote it, which is respected.
	Future bool
}

var (
	settingPattern = regexp.MustCompile(`^(system|secure|global|state) [A-Za-z0-9_.]{1,80}$`)
	forPattern     = regexp.MustCompile(`^[a-z0-9_-]{1,40}$`)
)

// OfState is what stands in a Before's Setting for a state that is changed by commands, by the
// precondition's name.
func OfState(precondition string) string { return "state " + precondition }

// IsSetting reports whether text names a setting, by its table and its key, or a state.
func IsSetting(text string) bool { return settingPattern.MatchString(text) }

// Of is what stands there of a setting; nil: nothing.
func (b Befores) Of(setting string) *Before {
	if i := slices.IndexFunc(b.List, func(e Before) bool { return e.Setting == setting }); i >= 0 {
		return &b.List[i]
	}
	return nil
}

func (b Befores) check() error {
	if !daemonPattern.MatchString(b.ID) || len(b.List) > beforesMost {
		return fmt.Errorf("want an ID of a to z, 0 to 9 and hyphen and at most %d settings, got %q and %d", beforesMost, b.ID, len(b.List))
	}
	for _, e := range b.List {
		if !IsSetting(e.Setting) || !forPattern.MatchString(e.For) || !daemonPattern.MatchString(e.Daemon) || e.At.Unix() < 0 || e.Was != nil && len(*e.Was) > 200 {
			return fmt.Errorf("setting %q, changed for %q by %q, cannot be kept on a handset", e.Setting, e.For, e.Daemon)
		}
	}
	return nil
}

// lines is the file: a head with version and ID, a setting each, and an end with their number
// and the check number (CRC-32, in hex) of all before it.
func (b Befores) lines() []string {
	lines := []string{"b 1 " + b.ID}
	for _, e := range b.List {
		was := "-"
		if e.Was != nil {
			was = "=" + url.PathEscape(*e.Was)
		}
		lines = append(lines, fmt.Sprintf("s %s %s %s %s %d", e.Setting, was, e.For, e.Daemon, e.At.Unix()))
	}
	return append(lines, fmt.Sprintf("e %d %08x .", len(b.List), crc32.ChecksumIEEE([]byte(strings.Join(lines, "\n")))))
}

// parseBefores reads the file; one that is damaged is no list.
func parseBefores(lines []string) (b Befores) {
	head := strings.Fields(strings.Join(lines[:min(1, len(lines))], ""))
	if len(head) < 2 || head[0] != "b" {
		return Befores{}
	}
	if version, err := parseWhole(head[1]); err != nil || version != 1 {
		return Befores{Future: err == nil && version > 1}
	}
	if len(head) != 3 || len(lines) < 2 {
		return Befores{}
	}
	b.ID = head[2]
	for _, line := range lines[1 : len(lines)-1] {
		f := strings.Split(line, " ")
		if len(f) != 7 || f[0] != "s" {
			return Befores{}
		}
		e := Before{Setting: f[1] + " " + f[2], For: f[4], Daemon: f[5]}
		if was, ok := strings.CutPrefix(f[3], "="); ok {
			text, err := url.PathUnescape(was)
			if err != nil {
				return Befores{}
			}
			e.Was = &text
		} else if f[3] != "-" {
			return Befores{}
		}
		since, err := strconv.ParseInt(f[6], 10, 64)
		if err != nil || since < 0 || since > 1<<40 {
			return Befores{}
		}
		e.At = time.Unix(since, 0).UTC()
		b.List = append(b.List, e)
	}
	if b.check() != nil || !slices.Equal(b.lines(), lines) {
		return Befores{}
	}
	return b
}

// ReadBefores reads what the handset's settings were before anybody changed them. The error
// is the link's.
func ReadBefores(ctx context.Context, l devices.Link) (Befores, error) {
	lines, err := onHandset(ctx, l, "reading what its settings were", `while read -r _l; do echo "$_l"; done 2>/dev/null <`+devices.Quote(beforesFile))
	if err != nil {
		return Befores{}, err
	}
	return parseBefores(lines), nil
}

// WriteBefores writes the list anew; ErrNoRoom where it does not become whole there, and what
// stood there stays.
func WriteBefores(ctx context.Context, l devices.Link, b Befores) error {
	if err := b.check(); err != nil {
		return fmt.Errorf("what the settings of %s were: %w", l.Serial(), err)
	}
	var text strings.Builder
	fmt.Fprintf(&text, "_f=%s\nmkdir -p \"$_r\"\n", devices.Quote(beforesFile))
	to := ">"
	var last string
	for _, last = range b.lines() {
		fmt.Fprintf(&text, "echo %s %s\"$_f.new\"\n", devices.Quote(last), to)
		to = ">>"
	}
	fmt.Fprintf(&text, `_w= _n=0
while read -r _l; do
	_w=$_l
	_n=$((_n + 1))
done <"$_f.new"
if [ "$_w" = %s ] && [ "$_n" = %d ] && mv "$_f.new" "$_f"; then
	echo written
else
	rm -f "$_f.new"
fi`, devices.Quote(last), len(b.List)+2)
	lines, err := onHandset(ctx, l, "writing what its settings were", "{\n"+text.String()+"\n} 2>/dev/null")
	if err != nil {
		return err
	}
	if !slices.Contains(lines, "written") {
		return fmt.Errorf("writing what the settings of %s were (%s): %w", l.Serial(), beforesFile, ErrNoRoom)
	}
	return nil
}

// DropBefores removes the list: from then on nothing follows from it.
func DropBefores(ctx context.Context, l devices.Link) error {
	_, err := onHandset(ctx, l, "removing what its settings were", "rm -f "+devices.Quote(beforesFile))
	return err
}
