package phoneshell

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

func cmdWc(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "lwcm")
	if !ok {
		return 1
	}
	if len(flags) == 0 {
		flags = map[byte]string{'l': "", 'w': "", 'c': ""}
	}
	var total [4]int
	show := func(n [4]int, name string) {
		var cols []string
		for i, c := range "lwcm" {
			if has(flags, byte(c)) {
				cols = append(cols, strconv.Itoa(n[i]))
			}
		}
		line := strings.Join(cols, " ")
		if name != "-" {
			line += " " + name
		}
		fmt.Fprintln(p.Stdout, line)
	}
	status := p.inputs("wc", rest, func(f string, r io.Reader) int {
		b := readAll(r)
		n := [4]int{bytes.Count(b, []byte("\n")), len(bytes.Fields(b)), len(b), len([]rune(string(b)))}
		for i := range n {
			total[i] += n[i]
		}
		show(n, f)
		return 0
	})
	if len(rest) > 1 {
		show(total, "total")
	}
	return status
}

// countArgs turns the old -5 into -n 5.
func countArgs(args []string) []string {
	out := []string{args[0]}
	for _, a := range args[1:] {
		if len(a) > 1 && a[0] == '-' && a[1] >= '0' && a[1] <= '9' {
			a = "-n" + a[1:]
		}
		out = append(out, a)
	}
	return out
}

func cmdHead(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(countArgs(args), "n:c:qv")
	if !ok {
		return 1
	}
	count, unit := "10", byte('n')
	for _, c := range []byte("nc") {
		if v, ok := flags[c]; ok {
			count, unit = v, c
		}
	}
	n, err := strconv.Atoi(count)
	if err != nil || n < 0 {
		p.Errorf("head", "-%c %s: unsupported on a simulated phone", unit, count)
		return 2
	}
	return p.inputs("head", rest, func(f string, r io.Reader) int {
		if len(rest) > 1 && !has(flags, 'q') {
			fmt.Fprintf(p.Stdout, "==> %s <==\n", f)
		}
		if unit == 'c' {
			io.Copy(p.Stdout, io.LimitReader(r, int64(n)))
			return 0
		}
		out := collector{w: p.Stdout}
		left := n
		if left > 0 {
			lines(r, func(line string, ended bool) bool {
				out.print(line)
				if ended {
					out.print("\n")
				}
				left--
				return left > 0
			})
		}
		return out.end()
	})
}

func cmdTail(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(countArgs(args), "n:c:fFqs:")
	if !ok {
		return 1
	}
	count, unit := "10", byte('n')
	for _, c := range []byte("nc") {
		if v, ok := flags[c]; ok {
			count, unit = v, c
		}
	}
	fromStart := strings.HasPrefix(count, "+")
	n, err := strconv.Atoi(strings.TrimLeft(count, "+-"))
	if err != nil {
		return p.Errorf("tail", "not a number '%s'", count)
	}
	follow := has(flags, 'f') || has(flags, 'F')
	if follow && len(rest) != 1 {
		p.Errorf("tail", "-f needs one file on a simulated phone")
		return 2
	}
	return p.inputs("tail", rest, func(f string, r io.Reader) int {
		b := readAll(r)
		size := len(b)
		at := 0
		switch {
		case fromStart && unit == 'c':
			at = min(max(n-1, 0), len(b))
		case unit == 'c':
			at = max(len(b)-n, 0)
		case fromStart:
			for i := 1; i < n; i++ {
				j := bytes.IndexByte(b[at:], '\n')
				if j < 0 {
					at = len(b)
					break
				}
				at += j + 1
			}
		default:
			at = len(b)
			if n > 0 {
				end := len(b)
				if end > 0 && b[end-1] == '\n' {
					end--
				}
				at = 0
				for i := end - 1; i >= 0; i-- {
					if b[i] == '\n' {
						if n--; n == 0 {
							at = i + 1
							break
						}
					}
				}
			}
		}
		if len(rest) > 1 && !has(flags, 'q') {
			fmt.Fprintf(p.Stdout, "==> %s <==\n", f)
		}
		if at < len(b) {
			if _, err := p.Stdout.Write(b[at:]); err != nil {
				return 1
			}
		}
		for follow {
			if !p.Sleep(time.Second) {
				return 1
			}
			chunk := make([]byte, 64<<10)
			for {
				k, err := p.M.fs.ReadAt(p.Path(f), chunk, int64(size))
				if err != nil || k == 0 {
					break
				}
				size += k
				if _, err := p.Stdout.Write(chunk[:k]); err != nil {
					return 1
				}
			}
		}
		return 0
	})
}

// basicRegexp turns a POSIX basic expression into Go's syntax: there \( \) \{ \} \| \+
// and \? are the operators, and ( ) { } | + ? are themselves.
func basicRegexp(s string) string {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		c := s[i]
		switch {
		case c == '\\' && i+1 < len(s):
			i++
			switch d := s[i]; d {
			case '(', ')', '{', '}', '|', '+', '?':
				b.WriteByte(d)
			default:
				b.WriteString(escaped(d))
			}
		case strings.IndexByte("(){}|+?", c) >= 0:
			b.WriteByte('\\')
			b.WriteByte(c)
		case c == '*' && (i == 0 || s[i-1] == '^' && i == 1 || i > 1 && s[i-2:i] == `\(`):
			b.WriteString(`\*`)
		case c == '^' && i > 0 && !(i > 1 && (s[i-2:i] == `\(` || s[i-2:i] == `\|`)):
			b.WriteString(`\^`)
		case c == '$' && i+1 < len(s) && !(i+2 < len(s) && (s[i+1:i+3] == `\)` || s[i+1:i+3] == `\|`)):
			b.WriteString(`\$`)
		case c == '[':
			j := bracketEnd(s, i)
			b.WriteString(bracket(s[i:j]))
			i = j - 1
		default:
			b.WriteByte(c)
		}
	}
	return b.String()
}

// extendedRegexp adapts the brackets and the GNU escapes.
func extendedRegexp(s string) string {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case c == '\\' && i+1 < len(s):
			i++
			b.WriteString(escaped(s[i]))
		case c == '[':
			j := bracketEnd(s, i)
			b.WriteString(bracket(s[i:j]))
			i = j - 1
		default:
			b.WriteByte(c)
		}
	}
	return b.String()
}

func escaped(d byte) string {
	switch d {
	case '<', '>':
		return `\b`
	case 'n', 't', 'w', 'W', 's', 'S', 'b', 'B':
		return `\` + string(d)
	}
	return regexp.QuoteMeta(string(d))
}

func bracketEnd(s string, i int) int {
	j := i + 1
	if j < len(s) && s[j] == '^' {
		j++
	}
	if j < len(s) && s[j] == ']' {
		j++
	}
	for j < len(s) && s[j] != ']' {
		if strings.HasPrefix(s[j:], "[:") {
			if k := strings.Index(s[j:], ":]"); k > 0 {
				j += k + 2
				continue
			}
		}
		j++
	}
	return min(j+1, len(s))
}

// bracket keeps a bracket expression and quotes what POSIX takes literally in it.
func bracket(s string) string {
	inner := strings.TrimSuffix(s[1:], "]")
	var b strings.Builder
	b.WriteByte('[')
	if strings.HasPrefix(inner, "^") {
		b.WriteByte('^')
		inner = inner[1:]
	}
	for i := 0; i < len(inner); i++ {
		if strings.HasPrefix(inner[i:], "[:") {
			if k := strings.Index(inner[i:], ":]"); k > 0 {
				b.WriteString(inner[i : i+k+2])
				i += k + 1
				continue
			}
		}
		if strings.IndexByte(`\[]&~`, inner[i]) >= 0 {
			b.WriteByte('\\')
		}
		b.WriteByte(inner[i])
	}
	b.WriteByte(']')
	return b.String()
}

func compile(s string, extended, fixed, fold bool) (*regexp.Regexp, error) {
	switch {
	case fixed:
		s = regexp.QuoteMeta(s)
	case extended:
		s = extendedRegexp(s)
	default:
		s = basicRegexp(s)
	}
	if fold {
		s = "(?i)" + s
	}
	rx, err := regexp.Compile(s)
	if err == nil && strings.ContainsAny(s, "*|+?{") {
		rx.Longest() // POSIX: leftmost-longest
	}
	return rx, err
}

func cmdGrep(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "qcvEFolm:ie:nhHswxLrRaA:B:C:")
	if !ok {
		return 2
	}
	for _, c := range []byte("rRLABC") {
		if has(flags, c) {
			p.Errorf("grep", "-%c: unsupported on a simulated phone", c)
			return 2
		}
	}
	var patterns string
	if has(flags, 'e') {
		patterns = flags['e']
		n := 0
		for _, a := range args {
			if strings.HasPrefix(a, "-e") {
				n++
			}
		}
		if n > 1 {
			p.Errorf("grep", "several -e: unsupported on a simulated phone")
			return 2
		}
	} else {
		if len(rest) == 0 {
			p.Errorf("grep", "no REGEX")
			return 2
		}
		patterns, rest = rest[0], rest[1:]
	}
	extended, fixed := has(flags, 'E') || args[0] == "egrep", has(flags, 'F') || args[0] == "fgrep"
	var rxs []*regexp.Regexp
	for pat := range strings.SplitSeq(patterns, "\n") {
		rx, err := compile(pat, extended, fixed, has(flags, 'i'))
		if err == nil && (has(flags, 'w') || has(flags, 'x')) {
			s := rx.String()
			if has(flags, 'x') {
				s = "^(?:" + s + ")$"
			} else {
				s = `\b(?:` + s + `)\b`
			}
			rx, err = regexp.Compile(s)
		}
		if err != nil {
			p.Errorf("grep", "bad REGEX '%s': %v", pat, err)
			return 2
		}
		rxs = append(rxs, rx)
	}
	most := -1
	if has(flags, 'm') {
		n, err := strconv.Atoi(flags['m'])
		if err != nil {
			p.Errorf("grep", "not a number '%s'", flags['m'])
			return 2
		}
		most = n
	}
	found, trouble := false, false
	out := collector{w: p.Stdout}
	files := rest
	if len(files) == 0 {
		files = []string{"-"}
	}
	named := (len(files) > 1 || has(flags, 'H')) && !has(flags, 'h')
	for _, f := range files {
		r, err := p.open(f)
		if err != nil {
			trouble = true
			if !has(flags, 's') {
				p.Errorf("grep", "%s: %s", f, errText(err))
			}
			continue
		}
		prefix := ""
		if named {
			prefix = f + ":"
		}
		count, number := 0, 0
		lines(r, func(line string, _ bool) bool {
			number++
			if most >= 0 && count >= most {
				return false
			}
			hit := slices.ContainsFunc(rxs, func(rx *regexp.Regexp) bool { return rx.MatchString(line) })
			if hit == has(flags, 'v') {
				return true
			}
			count++
			found = true
			if has(flags, 'q') {
				return false
			}
			if has(flags, 'l') {
				out.print(f, "\n")
				return false
			}
			if has(flags, 'c') {
				return true
			}
			at := prefix
			if has(flags, 'n') {
				at += strconv.Itoa(number) + ":"
			}
			if has(flags, 'o') {
				if !has(flags, 'v') {
					for _, rx := range rxs {
						for _, m := range rx.FindAllString(line, -1) {
							if m != "" {
								out.print(at, m, "\n")
							}
						}
					}
				}
				return true
			}
			return out.print(at, line, "\n") && (most < 0 || count < most)
		})
		if has(flags, 'c') && !has(flags, 'q') && !has(flags, 'l') {
			out.print(prefix, strconv.Itoa(count), "\n")
		}
		if found && has(flags, 'q') {
			return 0
		}
	}
	out.end()
	switch {
	case trouble && !has(flags, 'q'):
		return 2
	case found:
		return 0
	case trouble:
		return 2
	}
	return 1
}
