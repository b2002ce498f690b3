package devices

import (
	"context"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// An Identity says which handset this is and what runs on it.
type Identity struct {
	Model          string `json:"model"`
	Maker          string `json:"maker"`
	AndroidVersion string `json:"android_version"`
	SDK            int    `json:"sdk"`
	Build          string `json:"build"`          // fingerprint of the OS build
	SecurityPatch  string `json:"security_patch"` // yyyy-mm-dd
	BootID         string `json:"boot_id"`        // changes at each boot; "count:N" where the kernel's is not readable, "" when nothing is
	ScreenW        int    `json:"screen_w_px"`    // as the system draws, override included; 0 not known
	ScreenH        int    `json:"screen_h_px"`
}

// Flavour returns the handset's row selector in the table of version differences.
func (id Identity) Flavour() Flavour { return Flavour{SDK: id.SDK} }

// Identify reads who the handset is, in one shell call. A handset whose Android version
// cannot be read is an error, since nothing can be asked of it; other values stay empty.
func Identify(ctx context.Context, l Link) (Identity, error) {
	props := []string{
		"ro.product.model", "ro.product.manufacturer", "ro.build.version.release",
		"ro.build.version.sdk", "ro.build.fingerprint", "ro.build.version.security_patch",
	}
	var commands []string
	for _, p := range props {
		commands = append(commands, "getprop "+p)
	}
	commands = append(commands, "cat /proc/sys/kernel/random/boot_id", "settings get global boot_count", "wm size")
	results, err := Batch(ctx, l, commands)
	if err != nil {
		return Identity{}, fmt.Errorf("handset %s: identity: %w", l.Serial(), err)
	}
	value := func(i int) string {
		if results[i].Failed() != "" {
			return ""
		}
		return strings.TrimSpace(results[i].Text)
	}
	sdk, err := strconv.Atoi(value(3))
	if err != nil || sdk <= 0 {
		return Identity{}, fmt.Errorf("handset %s: identity: its Android version cannot be read: ro.build.version.sdk is %s", l.Serial(), excerpt(results[3].Text))
	}
	id := Identity{
		Model: value(0), Maker: value(1), AndroidVersion: value(2), SDK: sdk, Build: value(4), SecurityPatch: value(5),
	}
	id.BootID = bootID(value(6), value(7))
	id.ScreenW, id.ScreenH = parseSize(value(8))
	return id, nil
}

var bootIDText = regexp.MustCompile(`^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`)

func bootID(kernel, count string) string {
	if bootIDText.MatchString(kernel) {
		return kernel
	}
	if n, err := strconv.Atoi(count); err == nil {
		return fmt.Sprintf("count:%d", n)
	}
	return ""
}

var sizeLine = regexp.MustCompile(`(?m)^\s*(Physical|Override) size: (\d{1,5})x(\d{1,5})\s*$`)

// parseSize reads `wm size`; an override is what the system draws at.
func parseSize(text string) (w, h int) {
	for _, m := range sizeLine.FindAllStringSubmatch(text, -1) {
		if m[1] == "Override" || w == 0 {
			w, _ = strconv.Atoi(m[2])
			h, _ = strconv.Atoi(m[3])
		}
	}
	return w, h
}

// packageName is what Android allows; anything else never reaches a command line.
var packageName = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_]*(\.[A-Za-z0-9_]+)*$`)

// AppVersions returns the versions of the packages as "name (code)"; a package that is
// not installed, or whose version cannot be read, is left out.
func AppVersions(ctx context.Context, l Link, packages []string) (map[string]string, error) {
	commands := []string{"pm list packages --show-versioncode"}
	for _, p := range packages {
		if !packageName.MatchString(p) {
			return nil, fmt.Errorf("handset %s: %q is no package name", l.Serial(), p)
		}
		commands = append(commands, "dumpsys package "+Quote(p))
	}
	if len(packages) == 0 {
		return map[string]string{}, nil
	}
	results, err := Batch(ctx, l, commands)
	if err != nil {
		return nil, fmt.Errorf("handset %s: app versions: %w", l.Serial(), err)
	}
	codes := parseVersionCodes(results[0].Text)
	versions := make(map[string]string)
	for i, p := range packages {
		name, code := parsePackageDump(results[i+1].Text, p)
		if c, listed := codes[p]; listed {
			code = c
		}
		switch {
		case name != "" && code != "":
			versions[p] = fmt.Sprintf("%s (%s)", name, code)
		case name != "":
			versions[p] = name
		case code != "":
			versions[p] = "code " + code
		}
	}
	return versions, nil
}

var versionCodeLine = regexp.MustCompile(`(?m)^package:(\S+) versionCode:(\d+)\s*$`)

func parseVersionCodes(text string) map[string]string {
	codes := make(map[string]string)
	for _, m := range versionCodeLine.FindAllStringSubmatch(text, -1) {
		codes[m[1]] = m[2]
	}
	return codes
}

var (
	versionName = regexp.MustCompile(`(?m)^\s*versionName=(.*?)\s*$`)
	versionCode = regexp.MustCompile(`(?m)^\s*versionCode=(\d+)\b`)
)

// parsePackageDump reads the version of the package in use. An updated system app is
// printed twice, the one in use first.
func parsePackageDump(text, pkg string) (name, code string) {
	_, text, found := strings.Cut(text, "Package ["+pkg+"] (")
	if !found {
		return "", ""
	}
	text, _, _ = strings.Cut(text, "\n  Package [")
	if m := versionName.FindStringSubmatch(text); m != nil && m[1] != "null" {
		name = m[1]
	}
	if m := versionCode.FindStringSubmatch(text); m != nil {
		code = m[1]
	}
	return name, code
}

// roles are the apps that scenarios need, with the question that finds each.
var roles = map[string]string{
	"browser": "-a android.intent.action.VIEW -c android.intent.category.BROWSABLE -d http://localhost/",
	"player":  "-a android.intent.action.VIEW -d content://media/external/video/media/1 -t video/mp4",
	"camera":  "-a android.media.action.STILL_IMAGE_CAMERA",
	"dialer":  "-a android.intent.action.DIAL",
}

// Roles are the names that Resolve knows.
func Roles() []string { return []string{"browser", "player", "camera", "dialer"} }

var componentLine = regexp.MustCompile(`^([A-Za-z][A-Za-z0-9_.]*)/([A-Za-z0-9_.$]+)$`)

// Resolve returns the package that plays a role on this handset by default: browser,
// player, camera or dialer. It is an error when there is none, or several and none chosen.
func Resolve(ctx context.Context, l Link, role string) (string, error) {
	question, known := roles[role]
	if !known {
		return "", fmt.Errorf("%q is no role: want one of %s", role, strings.Join(Roles(), ", "))
	}
	results, err := Batch(ctx, l, []string{"cmd package resolve-activity --brief " + question})
	if err != nil {
		return "", fmt.Errorf("handset %s: %s: %w", l.Serial(), role, err)
	}
	if why := results[0].Failed(); why != "" {
		return "", fmt.Errorf("handset %s: %s: %s", l.Serial(), role, why)
	}
	pkg, err := parseResolved(results[0].Text)
	if err != nil {
		return "", fmt.Errorf("handset %s: no %s: %w; name one under packages in the plan file", l.Serial(), role, err)
	}
	return pkg, nil
}

func parseResolved(text string) (string, error) {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	m := componentLine.FindStringSubmatch(strings.TrimSpace(lines[len(lines)-1]))
	switch {
	case m == nil:
		return "", fmt.Errorf("the handset answered %s", excerpt(text))
	case m[1] == "android":
		// The system's own chooser: it would stand in front of the activity all night.
		return "", fmt.Errorf("several apps could, and none is set as the default")
	}
	return m[1], nil
}

// Uptime returns how long the handset has been up, sleep included, and its wall clock,
// read in one shell call.
func Uptime(ctx context.Context, l Link) (time.Duration, time.Time, error) {
	results, err := Batch(ctx, l, []string{"cat /proc/uptime", "date +%s.%N"})
	if err != nil {
		return 0, time.Time{}, fmt.Errorf("handset %s: uptime: %w", l.Serial(), err)
	}
	up, err := parseUptime(results[0].Text)
	if err != nil {
		return 0, time.Time{}, fmt.Errorf("handset %s: %w", l.Serial(), err)
	}
	wall, err := parseDate(results[1].Text)
	if err != nil {
		return 0, time.Time{}, fmt.Errorf("handset %s: %w", l.Serial(), err)
	}
	return up, wall, nil
}

var (
	uptimeText = regexp.MustCompile(`^(\d{1,9})\.(\d{2}) `)
	dateText   = regexp.MustCompile(`^(\d{1,11})(?:\.(\d{9}|%?N))?$`)
)

func parseUptime(text string) (time.Duration, error) {
	m := uptimeText.FindStringSubmatch(text)
	if m == nil {
		return 0, fmt.Errorf("uptime: /proc/uptime gave %s", excerpt(text))
	}
	s, _ := strconv.ParseInt(m[1], 10, 64)
	hundredths, _ := strconv.ParseInt(m[2], 10, 64)
	return time.Duration(s)*time.Second + time.Duration(hundredths)*10*time.Millisecond, nil
}

// parseDate reads seconds and nanoseconds; Android 8 prints the second format letter as
// it stands, and gives whole seconds.
func parseDate(text string) (time.Time, error) {
	m := dateText.FindStringSubmatch(strings.TrimSpace(text))
	if m == nil {
		return time.Time{}, fmt.Errorf("clock: date gave %s", excerpt(text))
	}
	s, _ := strconv.ParseInt(m[1], 10, 64)
	ns, _ := strconv.ParseInt(m[2], 10, 64) // no digits: 0
	return time.Unix(s, ns).UTC(), nil
}
