package scenarios

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"

	"mvdan.cc/sh/v3/syntax"

	"rundown/devices"
)

// errWrong makes the reader say "want ..., got ..." from the scalar's own words.
var errWrong = errors.New("wrong")

// text is any printable text of one line, up to most characters.
func text(want string, most int) *scalar {
	return &scalar{
		want: want,
		parse: func(s string) (any, error) {
			if s == "" || len([]rune(s)) > most || !printable(s) {
				return nil, errWrong
			}
			return s, nil
		},
		// A serial number or version may look like a number.
		json: map[string]any{"type": []any{"string", "number"}, "minLength": 1, "maxLength": most},
	}
}

func printable(s string) bool {
	return !strings.ContainsFunc(s, func(c rune) bool { return !unicode.IsPrint(c) })
}

// matching is text of one form.
func matching(want, pattern string) *scalar {
	form := sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(pattern) }) // of dozens, a file needs a few
	return &scalar{
		want: want,
		parse: func(s string) (any, error) {
			if !form().MatchString(s) {
				return nil, errWrong
			}
			return s, nil
		},
		json: map[string]any{"type": []any{"string", "number"}, "pattern": pattern},
	}
}

// choice is one of a few words.
func choice(words ...string) *scalar {
	all := make([]any, len(words))
	for i, w := range words {
		all[i] = w
	}
	return &scalar{
		want: oneOf(words),
		parse: func(s string) (any, error) {
			for _, w := range words {
				if s == w {
					return s, nil
				}
			}
			if hint := didYouMean(s, words); hint != "" {
				return nil, mishap(fmt.Sprintf("want %s, got %s%s", oneOf(words), shown(s), hint))
			}
			return nil, errWrong
		},
		json: map[string]any{"enum": all},
	}
}

// onOff is a switch.
func onOff() *scalar {
	return &scalar{
		want: "on or off",
		parse: func(s string) (any, error) {
			switch strings.ToLower(s) {
			case "on", "true", "yes":
				return true, nil
			case "off", "false", "no":
				return false, nil
			}
			return nil, errWrong
		},
		json: map[string]any{"enum": []any{true, false, "on", "off", "yes", "no"}},
	}
}

// wholeNumber is an integer with its unit: "1 to 50 percentage points".
func wholeNumber(least, most int, unit string) *scalar {
	return &scalar{
		want: strings.TrimSpace(fmt.Sprintf("%d to %d %s", least, most, unit)),
		bare: true,
		parse: func(s string) (any, error) {
			n, err := strconv.Atoi(s)
			if err != nil || n < least || n > most {
				return nil, errWrong
			}
			return n, nil
		},
		json: map[string]any{"type": "integer", "minimum": least, "maximum": most},
	}
}

// number is a decimal number; the unit may be written behind it.
func number(least, most float64, unit string, spellings ...string) *scalar {
	s := &scalar{
		want: strings.TrimSpace(fmt.Sprintf("%s to %s %s", formatNumber(least), formatNumber(most), unit)),
		bare: true,
		parse: func(s string) (any, error) {
			f, ok := parseNumber(cutUnit(s, spellings...))
			if !ok || f < least || f > most {
				return nil, errWrong
			}
			return f, nil
		},
		json: map[string]any{"type": "number", "minimum": least, "maximum": most},
	}
	if len(spellings) > 0 {
		quoted := make([]string, len(spellings))
		for i, u := range spellings {
			quoted[i] = regexp.QuoteMeta(u)
		}
		s.bare = false
		s.json = map[string]any{"anyOf": []any{
			s.json,
			map[string]any{"type": "string", "pattern": `^[-+]?[0-9]{1,12}(\.[0-9]{1,12})? ?(` + strings.Join(quoted, "|") + `)$`},
		}}
	}
	return s
}

// percent is a battery level or share, %.
func percent(least, most float64) *scalar { return number(least, most, "%", "%") }

// wholePercent is a percentage in whole points, as int.
func wholePercent(least, most int, unit string) *scalar {
	s := number(float64(least), float64(most), unit, "%", "points")
	inner := s.parse
	s.parse = func(text string) (any, error) {
		v, err := inner(text)
		if err != nil {
			return nil, err
		}
		if f := v.(float64); f == float64(int(f)) {
			return int(f), nil
		}
		return nil, errWrong
	}
	s.json["anyOf"].([]any)[0].(map[string]any)["type"] = "integer"
	return s
}

// temperature is in °C; why tells the reason of the upper limit.
func temperature(least, most float64, why string) *scalar {
	s := number(least, most, "°C", "°C", "C")
	inner := s.parse
	s.parse = func(text string) (any, error) {
		v, err := inner(text)
		if f, ok := parseNumber(cutUnit(text, "°C", "C")); err != nil && ok && f > most && why != "" {
			return nil, mishap(fmt.Sprintf("want %s, got %s: %s", s.want, shown(text), why))
		}
		return v, err
	}
	return s
}

// duration is a length of time: "10 s", "3 min", "1 h 30 min" or Go's "1h30m".
func duration(least, most time.Duration) *scalar {
	want := fmt.Sprintf("%s to %s", devices.Lasting(least), devices.Lasting(most))
	return &scalar{
		want: want,
		parse: func(s string) (any, error) {
			d, err := parseDuration(s)
			if err != nil {
				return nil, mishap(fmt.Sprintf("want a duration of %s, such as 10 s, 3 min or 1 h 30 min, got %s", want, shown(s)))
			}
			if d < least || d > most {
				return nil, errWrong
			}
			return d, nil
		},
		json: map[string]any{"type": "string", "pattern": durationPattern},
	}
}

// wholeSeconds is a duration that a handset's shell can count.
func wholeSeconds(least, most time.Duration) *scalar {
	s := duration(least, most)
	inner := s.parse
	s.parse = func(text string) (any, error) {
		v, err := inner(text)
		if err == nil && v.(time.Duration)%time.Second != 0 {
			return nil, mishap(fmt.Sprintf("want whole seconds, got %s", shown(text)))
		}
		return v, err
	}
	return s
}

// seconds is a number of seconds, or a duration.
func seconds(least, most float64) *scalar {
	s := number(least, most, "s, or a duration such as 30 min")
	inner := s.parse
	s.bare = false
	s.parse = func(text string) (any, error) {
		if d, err := parseDuration(text); err == nil {
			text = formatNumber(d.Seconds())
		}
		return inner(text)
	}
	s.json = map[string]any{"anyOf": []any{s.json, map[string]any{"type": "string", "pattern": durationPattern}}}
	return s
}

// hours is hours a day: a number, or a duration.
func hours() *scalar {
	return &scalar{
		want: "more than 0 and at most 24 hours",
		parse: func(s string) (any, error) {
			h, ok := parseNumber(s)
			if !ok {
				d, err := parseDuration(s)
				if err != nil {
					return nil, errWrong
				}
				h = d.Hours()
			}
			if h <= 0 || h > 24 {
				return nil, errWrong
			}
			return h, nil
		},
		json: map[string]any{"anyOf": []any{
			map[string]any{"type": "number", "exclusiveMinimum": 0, "maximum": 24},
			map[string]any{"type": "string", "pattern": durationPattern},
		}},
	}
}

const (
	namePattern    = `^[\p{L}\p{N}][\p{L}\p{N} _.+-]{0,39}$`
	packagePattern = `^[A-Za-z][A-Za-z0-9_]*(\.[A-Za-z][A-Za-z0-9_]*)+$`
	hostPattern    = `^[A-Za-z0-9]([A-Za-z0-9-]{0,62})(\.[A-Za-z0-9]([A-Za-z0-9-]{0,62}))*$`
	folderPattern  = `^/sdcard(/[A-Za-z0-9_][A-Za-z0-9 ._-]*)+$`
)

var (
	packageForm = regexp.MustCompile(packagePattern)
	hostForm    = regexp.MustCompile(hostPattern)
)

func name(noun string) *scalar {
	return matching(noun+" of up to 40 letters, digits, spaces and _ . + -, starting with a letter or digit", namePattern)
}

// hostPort is the address of a server. anyHost allows ":8765".
func hostPort(anyHost bool) *scalar {
	want := "host:port, such as 127.0.0.1:5037"
	return &scalar{
		want: want,
		parse: func(s string) (any, error) {
			host, port, err := net.SplitHostPort(s)
			if err != nil || (host == "" && !anyHost) || (host != "" && !validHost(host)) {
				return nil, errWrong
			}
			n, err := strconv.Atoi(port)
			if err != nil {
				return nil, errWrong
			}
			if n < 1 || n > 65535 || strconv.Itoa(n) != port {
				return nil, mishap(fmt.Sprintf("want a port of 1 to 65535 in %s, got %s", want, shown(s)))
			}
			return s, nil
		},
		json: map[string]any{"type": "string", "pattern": `^[^ ]*:[0-9]{1,5}$`},
	}
}

// host is a host name or address, with or without a port.
func host() *scalar {
	withPort := hostPort(false)
	return &scalar{
		want: "a host or host:port that the handsets can reach",
		parse: func(s string) (any, error) {
			if validHost(s) {
				return s, nil
			}
			if h, _, err := net.SplitHostPort(s); err != nil || !validHost(h) {
				return nil, errWrong
			}
			return withPort.parse(s)
		},
		json: map[string]any{"type": "string", "pattern": `^[^ /]+$`},
	}
}

func validHost(s string) bool {
	if _, err := netip.ParseAddr(s); err == nil {
		return true
	}
	return len(s) <= 253 && hostForm.MatchString(s)
}

// clock is a time of day, hh:mm.
func clock() *scalar {
	s := matching("a time of day as hh:mm, 00:00 to 23:59", `^([01][0-9]|2[0-3]):[0-5][0-9]$`)
	s.json["type"] = "string"
	return s
}

// zone is a time zone by its IANA name.
func zone() *scalar {
	return &scalar{
		want: "a time zone by its IANA name, such as Europe/Berlin or UTC",
		parse: func(s string) (any, error) {
			if s == "" || s == "Local" {
				return nil, errWrong
			}
			if _, err := time.LoadLocation(s); err != nil {
				return nil, errWrong
			}
			return s, nil
		},
		json: map[string]any{"type": "string", "pattern": `^[A-Za-z][A-Za-z0-9_+/-]*$`},
	}
}

// cronField is when nights start.
func cronField() *scalar {
	return &scalar{
		want: `when it begins, as the five fields of cron with one minute and one hour, such as "0 22 * * 1-5"`,
		parse: func(s string) (any, error) {
			if _, err := parseStarts(s); err != nil {
				return nil, mishap(err.Error())
			}
			return s, nil
		},
		json: map[string]any{"type": "string", "pattern": `^\s*[0-9]{1,2}\s+[0-9]{1,2}(\s+[-*?/,0-9A-Za-z]+){3}\s*$`},
	}
}

// roles are the apps that every handset has in some form; which package it is differs.
var roles = []string{"browser", "player", "camera"}

func isRole(s string) bool {
	for _, r := range roles {
		if s == r {
			return true
		}
	}
	return false
}

func packageName() *scalar {
	s := matching("a package name, such as org.example.reader", packagePattern)
	s.json["type"] = "string"
	return s
}

// app is a role or a package.
func app() *scalar {
	want := oneOf(roles) + ", or a package name such as org.example.reader"
	return &scalar{
		want: want,
		parse: func(s string) (any, error) {
			if isRole(s) || packageForm.MatchString(s) {
				return s, nil
			}
			return nil, mishap(fmt.Sprintf("want %s, got %s%s", want, shown(s), didYouMean(s, roles)))
		},
		json: map[string]any{"anyOf": []any{
			map[string]any{"enum": []any{"browser", "player", "camera"}},
			map[string]any{"type": "string", "pattern": packagePattern},
		}},
	}
}

// url is what open takes: a page of the stage, or one of the web.
func url() *scalar {
	const want = "an address that begins with http://, https:// or {stage}"
	return &scalar{
		want: want,
		parse: func(s string) (any, error) {
			if strings.HasPrefix(strings.ToLower(s), "tel:") {
				return nil, mishap("tel: addresses are refused, since a number could be an emergency number")
			}
			rest, ok := strings.CutPrefix(s, "{stage}")
			if !ok {
				for _, scheme := range []string{"http://", "https://"} {
					if after, is := strings.CutPrefix(s, scheme); is && after != "" && after[0] != '/' {
						rest, ok = after, true
					}
				}
			}
			if !ok || len(s) > 2000 || strings.ContainsFunc(s, func(c rune) bool { return c != ' ' && (c <= ' ' || c > '~') }) {
				return nil, errWrong
			}
			pieces, err := template(rest)
			if err != nil {
				return nil, mishap(err.Error())
			}
			for _, p := range pieces {
				if strings.Contains(p.text, " ") {
					return nil, mishap(fmt.Sprintf("want %s without spaces, got %s", want, shown(s)))
				}
				if p.stage {
					return nil, mishap("{stage} may only stand at the beginning of an address")
				}
			}
			return s, nil
		},
		json: map[string]any{"type": "string", "pattern": `^(https?://[^/]|\{stage\})`},
	}
}

// phoneNumber is a number that a handset may call; see CheckNumber.
func phoneNumber() *scalar {
	return &scalar{
		want: "a telephone number in international form, such as +44 7700 900123",
		parse: func(s string) (any, error) {
			n, err := CheckNumber(s)
			if err != nil {
				return nil, mishap(err.Error())
			}
			return n, nil
		},
		json: map[string]any{"type": "string", "pattern": `^\+[0-9 -]{8,30}$`},
	}
}

// typed is what the type verb can enter: the handset's input command knows printable
// ASCII, and takes %s for a space.
func typed() *scalar {
	return &scalar{
		want: "1 to 200 characters of printable ASCII without %s",
		parse: func(s string) (any, error) {
			if s == "" || len(s) > 200 || strings.Contains(s, "%s") ||
				strings.ContainsFunc(s, func(c rune) bool { return c < ' ' || c > '~' }) {
				return nil, errWrong
			}
			// In a dialer, one tap more would call it.
			if couldDial(s) {
				return nil, mishap(fmt.Sprintf("short numbers, service codes and emergency numbers are refused, since a dialler may be in front, got %s", shown(s)))
			}
			pieces, err := template(s)
			if err != nil {
				return nil, mishap(err.Error())
			}
			for _, p := range pieces {
				if p.stage {
					return nil, mishap("{stage} may only stand at the beginning of an address")
				}
			}
			return s, nil
		},
		json: map[string]any{"type": "string", "minLength": 1, "maxLength": 200},
	}
}

// shellText is a command line for the handset's own shell. It is parsed, so that a
// missing quote is found here and not on the phone in the night.
func shellText() *scalar {
	return &scalar{
		want: "1 to 4000 characters of shell",
		parse: func(s string) (any, error) {
			if strings.TrimSpace(s) == "" || len(s) > 4000 ||
				strings.ContainsFunc(s, func(c rune) bool { return c != '\n' && c != '\t' && !unicode.IsPrint(c) }) {
				return nil, errWrong
			}
			low := strings.ToLower(s)
			if strings.Contains(low, "tel:") || strings.Contains(low, "intent.action.call") || strings.Contains(low, "intent.action.dial") ||
				strings.Contains(low, "service call phone") || strings.Contains(low, "keycode_call") || keyOfCall.MatchString(low) {
				return nil, mishap("calls from a shell step are refused, since a number could be an emergency number")
			}
			if err := parsesAsShell(s); err != nil {
				return nil, mishap(fmt.Sprintf("the handset's shell cannot read this: %v", err))
			}
			return s, nil
		},
		json: map[string]any{"type": "string", "minLength": 1, "maxLength": 4000},
	}
}

// keyOfCall presses the call key, which dials what stands in a dialler.
var keyOfCall = regexp.MustCompile(`keyevent(\s+[^\s;&|]+)*\s+["']?5\b`)

func parsesAsShell(s string) error {
	_, err := syntax.NewParser(syntax.Variant(syntax.LangMirBSDKorn)).Parse(strings.NewReader(s), "")
	return err
}
