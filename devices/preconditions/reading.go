package preconditions

import (
	"context"
	"fmt"
	"net"
	"regexp"
	"slices"
	"strings"

	"rundown/devices"
)

// A key is one entry of Android's settings.
type key struct{ space, name string }

func (k key) String() string { return k.space + " " + k.name }

const (
	system = "system"
	secure = "secure"
	global = "global"
)

// readings is what a handset printed, read in one or two shell calls.
type readings struct {
	handset  Handset
	serial   string
	flavour  devices.Flavour
	results  map[devices.Operation]devices.Result
	settings map[key]string // only keys that are set
	unread   map[key]string // keys whose settings could not be read, with the reason
}

// read asks the handset for everything that the entries need, each thing once.
func read(ctx context.Context, l devices.Link, h Handset, f devices.Flavour, entries []*entry) (*readings, error) {
	r := &readings{
		handset: h, serial: l.Serial(), flavour: f,
		results:  make(map[devices.Operation]devices.Result),
		settings: make(map[key]string), unread: make(map[key]string),
	}
	var (
		ops      []devices.Operation
		spaces   []string
		keys     []key
		commands []string
	)
	for _, e := range entries {
		for _, op := range e.reads {
			if len(f.Ways(op)) > 0 && !slices.Contains(ops, op) {
				ops = append(ops, op)
				commands = append(commands, f.Ways(op)[0])
			}
		}
		for _, k := range e.keys {
			if !slices.Contains(keys, k) {
				keys = append(keys, k)
			}
			if !slices.Contains(spaces, k.space) {
				spaces = append(spaces, k.space)
			}
		}
	}
	for _, space := range spaces {
		commands = append(commands, f.Ways(devices.ListSettings, space)[0])
	}
	results, err := devices.Batch(ctx, l, commands)
	if err != nil {
		return nil, fmt.Errorf("handset %s: reading preconditions: %w", name(h, l), err)
	}
	for i, op := range ops {
		r.results[op] = results[i]
	}
	var again []key // of name spaces that this handset does not list
	for i, space := range spaces {
		list := parseSettings(results[len(ops)+i].Text)
		for _, k := range keys {
			if k.space != space {
				continue
			}
			if results[len(ops)+i].Failed() != "" || len(list) == 0 {
				again = append(again, k)
			} else if v, set := list[k.name]; set {
				r.settings[k] = v
			}
		}
	}
	return r, r.readSingly(ctx, l, again)
}

// readSingly reads settings one key at a time, for handsets that do not list them.
func (r *readings) readSingly(ctx context.Context, l devices.Link, keys []key) error {
	var commands []string
	for _, k := range keys {
		commands = append(commands, "settings get "+k.space+" "+k.name)
	}
	results, err := devices.Batch(ctx, l, commands)
	if err != nil {
		return fmt.Errorf("handset %s: reading settings: %w", name(r.handset, l), err)
	}
	for i, k := range keys {
		if why := results[i].Failed(); why != "" {
			r.unread[k] = why
		} else if v := strings.TrimRight(results[i].Text, "\r\n"); v != "null" {
			r.settings[k] = v
		}
	}
	return nil
}

var settingLine = regexp.MustCompile(`^([A-Za-z][A-Za-z0-9_.:/-]*)=(.*)$`)

// parseSettings reads `settings list`. A line that is no key=value goes on with a value
// of several lines; the first line of a key wins.
func parseSettings(text string) map[string]string {
	list := make(map[string]string)
	for line := range strings.SplitSeq(text, "\n") {
		m := settingLine.FindStringSubmatch(strings.TrimRight(line, "\r"))
		if m == nil {
			continue
		}
		if _, seen := list[m[1]]; !seen {
			list[m[1]] = m[2]
		}
	}
	return list
}

// text returns what an operation printed, or why it cannot be read.
func (r *readings) text(op devices.Operation) (text, why string) {
	result, asked := r.results[op]
	if !asked {
		return "", r.flavour.Lacks(op)
	}
	if why := result.Failed(); why != "" {
		return "", why
	}
	return result.Text, ""
}

// setting returns a setting's value; set is false for a key that was never set. why says
// why it cannot be read.
func (r *readings) setting(k key) (value string, set bool, why string) {
	if why, bad := r.unread[k]; bad {
		return "", false, why
	}
	value, set = r.settings[k]
	return value, set, ""
}

// put is the step that writes a setting, and its undo: the old value again, or the key
// deleted where it was not set.
func (r *readings) put(k key, value string) step {
	var was *string
	if old, set, _ := r.setting(k); set {
		was = &old
	}
	s := putsBack(k, was)
	s.target, s.ways = k.String(), []string{fmt.Sprintf("settings put %s %s %s", k.space, k.name, devices.Quote(value))}
	return s
}

// putsBack is what of a step undoes it: a setting's old value, nil where it was not set.
func putsBack(k key, was *string) step {
	if was == nil {
		return step{undo: fmt.Sprintf("settings delete %s %s", k.space, k.name), before: k.name + " not set", setting: k.String()}
	}
	return step{
		undo: fmt.Sprintf("settings put %s %s %s", k.space, k.name, devices.Quote(*was)), before: k.name + "=" + *was, setting: k.String(), was: was,
	}
}

// putUnless gives the step that writes a setting which does not hold the value yet.
func (r *readings) putUnless(k key, value string) []step {
	if old, set, why := r.setting(k); why != "" || (set && old == value) {
		return nil
	}
	return []step{r.put(k, value)}
}

// do is the step that carries out one operation and undoes it by another.
func (r *readings) do(op, undo devices.Operation, before string, args ...string) step {
	return step{
		target: string(op), before: before,
		ways: r.flavour.Ways(op, args...),
		undo: either(r.flavour.Ways(undo, args...)),
	}
}

// either joins ways of undoing so that the next is tried where one fails.
func either(ways []string) string {
	grouped := make([]string, len(ways))
	for i, w := range ways {
		grouped[i] = w
		if strings.Contains(w, ";") {
			grouped[i] = "{ " + w + "; }"
		}
	}
	return strings.Join(grouped, " || ")
}

// overWifi says whether the link itself runs over Wi-Fi: adb then names the handset by
// an address, or by its wireless debugging service.
func (r *readings) overWifi() bool { return linkOverWifi(r.serial) }

func linkOverWifi(serial string) bool {
	if strings.Contains(serial, "._adb-tls-connect._tcp") {
		return true
	}
	_, _, err := net.SplitHostPort(serial)
	return err == nil
}

func name(h Handset, l devices.Link) string {
	if h.Name != "" {
		return h.Name
	}
	return l.Serial()
}

// match returns the first group of the first match in text.
func match(re *regexp.Regexp, text string) (string, bool) {
	m := re.FindStringSubmatch(text)
	if m == nil {
		return "", false
	}
	return strings.TrimSpace(m[1]), true
}
