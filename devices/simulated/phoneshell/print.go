package phoneshell

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
)

func cmdSeq(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(negativeOperands(args), "s:w")
	if !ok {
		return 1
	}
	if has(flags, 'w') {
		p.Errorf("seq", "-w: unsupported on a simulated phone")
		return 2
	}
	v := []float64{1, 1, 1}
	var in []float64
	decimals := 0
	for _, a := range rest {
		f, err := strconv.ParseFloat(a, 64)
		if err != nil {
			return p.Errorf("seq", "not a number '%s'", a)
		}
		if _, frac, ok := strings.Cut(a, "."); ok {
			decimals = max(decimals, len(frac))
		}
		in = append(in, f)
	}
	switch len(in) {
	case 1:
		v[2] = in[0]
	case 2:
		v[0], v[2] = in[0], in[1]
	case 3:
		v = in
	default:
		return p.Errorf("seq", "Needs 1 to 3 arguments")
	}
	if v[1] == 0 {
		return p.Errorf("seq", "increment 0")
	}
	sep := "\n"
	if s, ok := flags['s']; ok {
		sep = s
	}
	out := collector{w: p.Stdout}
	n := int((v[2]-v[0])/v[1] + 1e-9)
	if (v[2]-v[0])/v[1] < 0 {
		return 0
	}
	for i := 0; i <= n; i++ {
		if i > 0 {
			out.print(sep)
		}
		if !out.print(strconv.FormatFloat(v[0]+float64(i)*v[1], 'f', decimals, 64)) {
			return 1
		}
	}
	out.print("\n")
	return out.end()
}

// negativeOperands keeps options from reading -5 as one.
func negativeOperands(args []string) []string {
	for i, a := range args[1:] {
		if len(a) > 1 && a[0] == '-' && (a[1] >= '0' && a[1] <= '9' || a[1] == '.') {
			return slices.Concat(args[:i+1], []string{"--"}, args[i+1:])
		}
	}
	return args
}

func cmdEcho(_ context.Context, p *Proc, args []string) int {
	args = args[1:]
	end, escapes := "\n", false
	for len(args) > 0 && (args[0] == "-n" || args[0] == "-e") {
		if args[0] == "-n" {
			end = ""
		} else {
			escapes = true
		}
		args = args[1:]
	}
	s := strings.Join(args, " ")
	if escapes {
		var stop bool
		if s, stop = unescape(s, true); stop {
			end = ""
		}
	}
	if _, err := io.WriteString(p.Stdout, s+end); err != nil {
		return 1
	}
	return 0
}

func cmdPrintf(_ context.Context, p *Proc, args []string) int {
	if len(args) < 2 {
		return p.Errorf("printf", "Needs 1 argument")
	}
	format, rest := args[1], args[2:]
	status := 0
	var b strings.Builder
	for {
		used, stop := 0, false
		next := func() string {
			if used < len(rest) {
				used++
				return rest[used-1]
			}
			return ""
		}
		integer := func() int64 {
			s := next()
			if s == "" {
				return 0
			}
			if s[0] == '\'' || s[0] == '"' {
				for _, r := range s[1:] {
					return int64(r)
				}
				return 0
			}
			n, err := strconv.ParseInt(s, 0, 64)
			if err != nil {
				status = p.Errorf("printf", "bad integer '%s'", s)
			}
			return n
		}
		for i := 0; i < len(format) && !stop; i++ {
			switch {
			case format[i] == '\\':
				j := i + 1
				for j < len(format) && j < i+4 && (format[j] >= '0' && format[j] <= '7' || j == i+1 || format[i+1] == 'x' && strings.IndexByte("0123456789abcdefABCDEF", format[j]) >= 0) {
					j++
					if !(format[i+1] >= '0' && format[i+1] <= '7' || format[i+1] == 'x') {
						break
					}
				}
				var text string
				text, stop = unescape(format[i:j], false)
				b.WriteString(text)
				i = j - 1
			case format[i] == '%' && i+1 < len(format) && format[i+1] == '%':
				b.WriteByte('%')
				i++
			case format[i] == '%':
				j := i + 1
				spec := "%"
				for j < len(format) && strings.IndexByte("-+ #0123456789.*", format[j]) >= 0 {
					if format[j] == '*' {
						spec += strconv.FormatInt(integer(), 10)
					} else {
						spec += string(format[j])
					}
					j++
				}
				for j < len(format) && (format[j] == 'l' || format[j] == 'h') {
					j++
				}
				if j >= len(format) {
					b.WriteString(format[i:])
					i = len(format)
					break
				}
				switch c := format[j]; c {
				case 's':
					fmt.Fprintf(&b, spec+"s", next())
				case 'b':
					text, end := unescape(next(), true)
					fmt.Fprintf(&b, spec+"s", text)
					stop = end
				case 'c':
					s := next()
					if s != "" {
						s = s[:1]
					}
					fmt.Fprintf(&b, spec+"s", s)
				case 'd', 'i':
					fmt.Fprintf(&b, spec+"d", integer())
				case 'u':
					fmt.Fprintf(&b, spec+"d", uint64(integer()))
				case 'x', 'X', 'o':
					fmt.Fprintf(&b, spec+string(c), uint64(integer()))
				case 'f', 'e', 'g', 'E', 'G', 'F':
					s := next()
					f, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
					if err != nil && s != "" {
						status = p.Errorf("printf", "bad number '%s'", s)
					}
					fmt.Fprintf(&b, spec+string(c), f)
				default:
					p.Errorf("printf", "bad %%%c", c)
					io.WriteString(p.Stdout, b.String())
					return 1
				}
				i = j
			default:
				b.WriteByte(format[i])
			}
		}
		rest = rest[used:]
		if stop || used == 0 || len(rest) == 0 {
			break
		}
	}
	if _, err := io.WriteString(p.Stdout, b.String()); err != nil {
		return 1
	}
	return status
}

// parseDate reads what touch and date take: @SECONDS and ISO forms, in UTC.
func parseDate(s string, now time.Time) (time.Time, error) {
	if strings.HasPrefix(s, "@") {
		f, err := strconv.ParseFloat(s[1:], 64)
		return time.Unix(0, 0).Add(time.Duration(f * float64(time.Second))), err
	}
	for _, layout := range []string{"2006-01-02 15:04:05", "2006-01-02T15:04:05", "2006-01-02 15:04", "2006-01-02", time.RFC3339} {
		if t, err := time.Parse(layout, s); err == nil {
			return t, nil
		}
	}
	if t, err := time.Parse("15:04", s); err == nil {
		y, m, d := now.UTC().Date()
		return time.Date(y, m, d, t.Hour(), t.Minute(), 0, 0, time.UTC), nil
	}
	return time.Time{}, fmt.Errorf("bad date %q", s)
}

// cmdDate prints the phone's wall clock; the time zone is UTC unless the phone says
// otherwise through its Wall function's location.
func cmdDate(_ context.Context, p *Proc, args []string) int {
	t := p.M.Wall()
	format := "%a %b %e %H:%M:%S %Z %Y"
	for i := 1; i < len(args); i++ {
		a := args[i]
		switch {
		case a == "-u":
			t = t.UTC()
		case strings.HasPrefix(a, "+"):
			format = a[1:]
		case a == "-d" || a == "-r":
			if i++; i >= len(args) {
				return p.Errorf("date", "Missing argument to %s", a)
			}
			if a == "-r" {
				info, err := p.M.fs.Stat(p.Path(args[i]))
				if err != nil {
					return p.Errorf("date", "%s: %s", args[i], errText(err))
				}
				t = info.ModTime().In(t.Location())
				continue
			}
			d, err := parseDate(args[i], t)
			if err != nil {
				return p.Errorf("date", "bad date '%s'", args[i])
			}
			t = d.In(t.Location())
		case strings.HasPrefix(a, "-"):
			p.Errorf("date", "%s: unsupported on a simulated phone", a)
			return 2
		default:
			return p.Errorf("date", "cannot set date: Operation not permitted")
		}
	}
	s, bad := strftime(t, format)
	if bad != "" {
		p.Errorf("date", "%s: unsupported on a simulated phone", bad)
		return 2
	}
	fmt.Fprintln(p.Stdout, s)
	return 0
}

func strftime(t time.Time, format string) (s, unsupported string) {
	var b strings.Builder
	for i := 0; i < len(format); i++ {
		if format[i] != '%' || i+1 == len(format) {
			b.WriteByte(format[i])
			continue
		}
		i++
		pad := true
		if format[i] == '-' && i+1 < len(format) {
			pad = false
			i++
		}
		digits := 0
		if format[i] >= '1' && format[i] <= '9' && i+1 < len(format) { // %3N
			digits = int(format[i] - '0')
			i++
		}
		two := func(n int) {
			if pad {
				fmt.Fprintf(&b, "%02d", n)
			} else {
				fmt.Fprint(&b, n)
			}
		}
		switch format[i] {
		case 's':
			fmt.Fprint(&b, t.Unix())
		case 'N':
			text := fmt.Sprintf("%09d", t.Nanosecond())
			if digits > 0 {
				text = text[:digits]
			}
			b.WriteString(text)
		case 'Y':
			fmt.Fprint(&b, t.Year())
		case 'y':
			two(t.Year() % 100)
		case 'm':
			two(int(t.Month()))
		case 'd':
			two(t.Day())
		case 'e':
			fmt.Fprintf(&b, "%2d", t.Day())
		case 'H':
			two(t.Hour())
		case 'I':
			two((t.Hour()+11)%12 + 1)
		case 'M':
			two(t.Minute())
		case 'S':
			two(t.Second())
		case 'j':
			fmt.Fprintf(&b, "%03d", t.YearDay())
		case 'u':
			fmt.Fprint(&b, (int(t.Weekday())+6)%7+1)
		case 'w':
			fmt.Fprint(&b, int(t.Weekday()))
		case 'a':
			b.WriteString(t.Format("Mon"))
		case 'A':
			b.WriteString(t.Format("Monday"))
		case 'b', 'h':
			b.WriteString(t.Format("Jan"))
		case 'B':
			b.WriteString(t.Format("January"))
		case 'p':
			b.WriteString(t.Format("PM"))
		case 'F':
			b.WriteString(t.Format("2006-01-02"))
		case 'T':
			b.WriteString(t.Format("15:04:05"))
		case 'D':
			b.WriteString(t.Format("01/02/06"))
		case 'R':
			b.WriteString(t.Format("15:04"))
		case 'Z':
			b.WriteString(t.Format("MST"))
		case 'z':
			b.WriteString(t.Format("-0700"))
		case 'n':
			b.WriteByte('\n')
		case 't':
			b.WriteByte('\t')
		case '%':
			b.WriteByte('%')
		default:
			return "", "%" + string(format[i])
		}
	}
	return b.String(), ""
}
