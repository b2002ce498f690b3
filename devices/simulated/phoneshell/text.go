package phoneshell

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
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

// A sedAddress is a line number, the last line, or an expression.
type sedAddress struct {
	line int
	last bool
	rx   *regexp.Regexp
}

type sedCommand struct {
	from, to *sedAddress
	negate   bool
	inside   bool // between from and to
	verb     byte
	rx       *regexp.Regexp
	with     string
	global   bool
	print    bool
	nth      int
}

// cmdSed knows s, p, d, q and y-less addresses (N, $, /re/, ranges, !), -n, -e, -E, -i.
// Everything else is refused with exit code 2.
func cmdSed(_ context.Context, p *Proc, args []string) int {
	refuse := func(what string) int {
		p.Errorf("sed", "%s: unsupported on a simulated phone", what)
		return 2
	}
	var scripts []string
	var rest []string
	quiet, extended, inPlace := false, false, false
	for i := 1; i < len(args); i++ {
		a := args[i]
		switch {
		case a == "-n":
			quiet = true
		case a == "-E" || a == "-r":
			extended = true
		case a == "-nE" || a == "-En" || a == "-nr" || a == "-rn":
			quiet, extended = true, true
		case a == "-i":
			inPlace = true
		case a == "-e" || a == "-ne":
			quiet = quiet || a == "-ne"
			if i++; i >= len(args) {
				return p.Errorf("sed", "Missing argument to -e")
			}
			scripts = append(scripts, args[i])
		case len(a) > 1 && a[0] == '-':
			return refuse(a)
		default:
			rest = append(rest, a)
		}
	}
	if len(scripts) == 0 {
		if len(rest) == 0 {
			return p.Errorf("sed", "no pattern")
		}
		scripts, rest = rest[:1], rest[1:]
	}
	var cmds []*sedCommand
	for _, s := range scripts {
		list, problem := parseSed(s, extended)
		if problem != "" {
			return refuse(problem)
		}
		cmds = append(cmds, list...)
	}
	run := func(r io.Reader, w io.Writer) int {
		out := collector{w: w}
		var all []string
		ended := true
		lines(r, func(line string, e bool) bool {
			all = append(all, line)
			ended = e
			return true
		})
		for i, line := range all {
			del, quit := false, false
			end := "\n"
			if i == len(all)-1 && !ended {
				end = ""
			}
			for _, c := range cmds {
				if !c.applies(i+1, i == len(all)-1, line) {
					continue
				}
				switch c.verb {
				case 'd':
					del = true
				case 'q':
					quit = true
				case 'p':
					out.print(line, end)
				case '=':
					out.print(strconv.Itoa(i+1), "\n")
				case 's':
					fresh, hit := c.substitute(line)
					line = fresh
					if hit && c.print {
						out.print(line, end)
					}
				}
				if del || quit {
					break
				}
			}
			if !del && !quiet && !out.print(line, end) {
				return 1
			}
			if quit {
				break
			}
		}
		return out.end()
	}
	if inPlace {
		if len(rest) == 0 {
			return p.Errorf("sed", "-i needs a file")
		}
		status := 0
		for _, f := range rest {
			r, err := p.open(f)
			if err != nil {
				status = p.Errorf("sed", "%s: %s", f, errText(err))
				continue
			}
			var b bytes.Buffer
			run(r, &b)
			n, err := p.create(f, true, 0o644)
			if err == nil {
				err = n.write(p.proc.ctx, b.Bytes())
			}
			if err != nil {
				status = p.Errorf("sed", "%s: %s", f, errText(err))
			}
		}
		return status
	}
	// Several files are one stream of lines.
	var readers []io.Reader
	status := 0
	if len(rest) == 0 {
		return run(p.Stdin, p.Stdout)
	}
	for _, f := range rest {
		r, err := p.open(f)
		if err != nil {
			status = p.Errorf("sed", "%s: %s", f, errText(err))
			continue
		}
		readers = append(readers, r)
	}
	if s := run(io.MultiReader(readers...), p.Stdout); s != 0 {
		return s
	}
	return status
}

func (c *sedCommand) applies(line int, last bool, text string) bool {
	hit := func(a *sedAddress) bool {
		switch {
		case a.rx != nil:
			return a.rx.MatchString(text)
		case a.last:
			return last
		}
		return a.line == line
	}
	yes := true
	switch {
	case c.from == nil:
	case c.to == nil:
		yes = hit(c.from)
	case c.inside:
		if hit(c.to) || c.to.rx == nil && !c.to.last && line >= c.to.line {
			c.inside = false
		}
	default:
		yes = hit(c.from)
		if yes {
			c.inside = !(c.to.rx == nil && !c.to.last && c.to.line <= line) && !(c.to.last && last)
		}
	}
	return yes != c.negate
}

func (c *sedCommand) substitute(line string) (string, bool) {
	matches := c.rx.FindAllStringSubmatchIndex(line, -1)
	var b strings.Builder
	at, n, hit := 0, 0, false
	for _, m := range matches {
		n++
		if n < c.nth || hit && !c.global {
			continue
		}
		hit = true
		b.WriteString(line[at:m[0]])
		for i := 0; i < len(c.with); i++ {
			switch ch := c.with[i]; {
			case ch == '&':
				b.WriteString(line[m[0]:m[1]])
			case ch == '\\' && i+1 < len(c.with):
				i++
				d := c.with[i]
				switch {
				case d >= '0' && d <= '9':
					g := int(d-'0') * 2
					if g+1 < len(m) && m[g] >= 0 {
						b.WriteString(line[m[g]:m[g+1]])
					}
				case d == 'n':
					b.WriteByte('\n')
				case d == 't':
					b.WriteByte('\t')
				default:
					b.WriteByte(d)
				}
			default:
				b.WriteByte(ch)
			}
		}
		at = m[1]
	}
	b.WriteString(line[at:])
	return b.String(), hit
}

func parseSed(s string, extended bool) (cmds []*sedCommand, problem string) {
	i := 0
	delimited := func(end byte) (string, bool) {
		start := i
		var b strings.Builder
		for i < len(s) && s[i] != end {
			if s[i] == '[' && end != ']' {
				// A delimiter inside a bracket expression is plain text.
				if j := bracketEnd(s, i); j <= len(s) && strings.HasSuffix(s[i:j], "]") {
					b.WriteString(s[i:j])
					i = j
					continue
				}
			}
			if s[i] == '\\' && i+1 < len(s) {
				if s[i+1] == end {
					b.WriteByte(end)
				} else {
					b.WriteString(s[i : i+2])
				}
				i += 2
				continue
			}
			b.WriteByte(s[i])
			i++
		}
		if i >= len(s) {
			i = start
			return "", false
		}
		i++
		return b.String(), true
	}
	replacement := func(end byte) (string, bool) {
		var b strings.Builder
		for i < len(s) && s[i] != end {
			if s[i] == '\\' && i+1 < len(s) {
				if s[i+1] == end {
					b.WriteByte(end)
				} else {
					b.WriteString(s[i : i+2])
				}
				i += 2
				continue
			}
			b.WriteByte(s[i])
			i++
		}
		if i >= len(s) {
			return "", false
		}
		i++
		return b.String(), true
	}
	address := func() (*sedAddress, string) {
		switch {
		case i < len(s) && s[i] >= '0' && s[i] <= '9':
			n := 0
			for i < len(s) && s[i] >= '0' && s[i] <= '9' {
				n = n*10 + int(s[i]-'0')
				i++
			}
			return &sedAddress{line: n}, ""
		case i < len(s) && s[i] == '$':
			i++
			return &sedAddress{last: true}, ""
		case i < len(s) && s[i] == '/':
			i++
			text, ok := delimited('/')
			if !ok {
				return nil, "address without its end"
			}
			rx, err := compile(text, extended, false, false)
			if err != nil {
				return nil, err.Error()
			}
			return &sedAddress{rx: rx}, ""
		}
		return nil, ""
	}
	for {
		for i < len(s) && strings.IndexByte(" \t\n;", s[i]) >= 0 {
			i++
		}
		if i >= len(s) {
			return cmds, ""
		}
		c := &sedCommand{nth: 1}
		var bad string
		if c.from, bad = address(); bad != "" {
			return nil, bad
		}
		if c.from != nil && i < len(s) && s[i] == ',' {
			i++
			if c.to, bad = address(); bad != "" || c.to == nil {
				return nil, "second address of " + s
			}
		}
		for i < len(s) && (s[i] == '!' || s[i] == ' ') {
			c.negate = c.negate || s[i] == '!'
			i++
		}
		if i >= len(s) {
			return nil, "missing command in " + s
		}
		c.verb = s[i]
		i++
		switch c.verb {
		case 'p', 'd', 'q', '=':
		case 's':
			if i >= len(s) {
				return nil, "s without its parts"
			}
			end := s[i]
			i++
			from, ok := delimited(end)
			if !ok {
				return nil, "s without its end"
			}
			if c.with, ok = replacement(end); !ok {
				return nil, "s without its end"
			}
			fold := false
			for i < len(s) && strings.IndexByte(" \t\n;}", s[i]) < 0 {
				switch {
				case s[i] == 'g':
					c.global = true
				case s[i] == 'p':
					c.print = true
				case s[i] == 'i' || s[i] == 'I':
					fold = true
				case s[i] >= '1' && s[i] <= '9':
					c.nth = int(s[i] - '0')
				default:
					return nil, "flag " + string(s[i]) + " of s"
				}
				i++
			}
			rx, err := compile(from, extended, false, fold)
			if err != nil {
				return nil, err.Error()
			}
			c.rx = rx
		default:
			return nil, "command " + string(c.verb)
		}
		for i < len(s) && (s[i] == ' ' || s[i] == '\t') {
			i++
		}
		if i < len(s) && s[i] != ';' && s[i] != '\n' {
			return nil, "text after a command: " + s[i:]
		}
		cmds = append(cmds, c)
	}
}

// ranges reads 1,3-5,7-.
func ranges(s string) (func(n int) bool, bool) {
	type span struct{ from, to int }
	var list []span
	for part := range strings.SplitSeq(s, ",") {
		a, b, dash := strings.Cut(part, "-")
		r := span{1, 1 << 30}
		var err error
		if a != "" {
			if r.from, err = strconv.Atoi(a); err != nil || r.from < 1 {
				return nil, false
			}
		}
		switch {
		case !dash:
			r.to = r.from
		case b != "":
			if r.to, err = strconv.Atoi(b); err != nil {
				return nil, false
			}
		}
		if part == "" || part == "-" {
			return nil, false
		}
		list = append(list, r)
	}
	return func(n int) bool {
		return slices.ContainsFunc(list, func(r span) bool { return n >= r.from && n <= r.to })
	}, true
}

func cmdCut(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "d:f:c:b:sO:")
	if !ok {
		return 1
	}
	list, kind := "", byte(0)
	for _, c := range []byte("fcb") {
		if v, ok := flags[c]; ok {
			list, kind = v, c
		}
	}
	if kind == 0 {
		return p.Errorf("cut", "Needs -f, -c or -b")
	}
	in, ok := ranges(list)
	if !ok {
		return p.Errorf("cut", "bad range '%s'", list)
	}
	d := "\t"
	if v, ok := flags['d']; ok {
		d = v
	}
	if d == "" {
		return p.Errorf("cut", "empty -d")
	}
	out := collector{w: p.Stdout}
	status := p.inputs("cut", rest, func(_ string, r io.Reader) int {
		lines(r, func(line string, _ bool) bool {
			var kept []string
			switch kind {
			case 'f':
				if !strings.Contains(line, d) {
					if !has(flags, 's') {
						out.print(line, "\n")
					}
					return true
				}
				for i, f := range strings.Split(line, d) {
					if in(i + 1) {
						kept = append(kept, f)
					}
				}
				return out.print(strings.Join(kept, d), "\n")
			case 'c':
				for i, c := range []rune(line) {
					if in(i + 1) {
						kept = append(kept, string(c))
					}
				}
			default:
				for i := range len(line) {
					if in(i + 1) {
						kept = append(kept, line[i:i+1])
					}
				}
			}
			return out.print(strings.Join(kept, ""), "\n")
		})
		return 0
	})
	if out.end() != 0 {
		return 1
	}
	return status
}

func leadingNumber(s string) float64 {
	s = strings.TrimLeft(s, " \t")
	end := 0
	for end < len(s) && (s[end] >= '0' && s[end] <= '9' || s[end] == '.' || s[end] == '-' && end == 0) {
		end++
	}
	f, _ := strconv.ParseFloat(s[:end], 64)
	return f
}

func cmdSort(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "nruk:t:gfs")
	if !ok {
		return 1
	}
	if has(flags, 'f') {
		p.Errorf("sort", "-f: unsupported on a simulated phone")
		return 2
	}
	var all []string
	status := p.inputs("sort", rest, func(_ string, r io.Reader) int {
		lines(r, func(line string, _ bool) bool { all = append(all, line); return true })
		return 0
	})
	key := func(s string) string { return s }
	numeric, reverse := has(flags, 'n') || has(flags, 'g'), has(flags, 'r')
	if v, ok := flags['k']; ok {
		for strings.HasSuffix(v, "n") || strings.HasSuffix(v, "r") {
			numeric = numeric || strings.HasSuffix(v, "n")
			reverse = reverse || strings.HasSuffix(v, "r")
			v = v[:len(v)-1]
		}
		a, b, ranged := strings.Cut(v, ",")
		from, err := strconv.Atoi(a)
		to := 1 << 30
		if err == nil && ranged {
			to, err = strconv.Atoi(b)
		}
		if err != nil || from < 1 {
			p.Errorf("sort", "-k %s: unsupported on a simulated phone", flags['k'])
			return 2
		}
		key = func(s string) string {
			var f []string
			sep := flags['t']
			if sep != "" {
				f = strings.Split(s, sep)
			} else {
				f, sep = strings.Fields(s), " "
			}
			if from > len(f) {
				return ""
			}
			return strings.Join(f[from-1:min(to, len(f))], sep)
		}
	}
	order := func(a, b string) int {
		var n int
		if numeric {
			x, y := leadingNumber(key(a)), leadingNumber(key(b))
			switch {
			case x < y:
				n = -1
			case x > y:
				n = 1
			}
		} else {
			n = strings.Compare(key(a), key(b))
		}
		if reverse {
			n = -n
		}
		return n
	}
	slices.SortStableFunc(all, func(a, b string) int {
		n := order(a, b)
		if n == 0 && !has(flags, 's') && !has(flags, 'u') {
			if n = strings.Compare(a, b); reverse {
				n = -n
			}
		}
		return n
	})
	if has(flags, 'u') {
		all = slices.CompactFunc(all, func(a, b string) bool { return order(a, b) == 0 })
	}
	out := collector{w: p.Stdout}
	for _, l := range all {
		out.print(l, "\n")
	}
	if out.end() != 0 {
		return 1
	}
	return status
}

func cmdUniq(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "cdu")
	if !ok {
		return 1
	}
	out := collector{w: p.Stdout}
	last, n := "", 0
	emit := func() {
		if n == 0 || has(flags, 'd') && n < 2 || has(flags, 'u') && n > 1 {
			return
		}
		if has(flags, 'c') {
			out.print(fmt.Sprintf("%7d ", n))
		}
		out.print(last, "\n")
	}
	status := p.inputs("uniq", rest, func(_ string, r io.Reader) int {
		lines(r, func(line string, _ bool) bool {
			if n > 0 && line == last {
				n++
				return true
			}
			emit()
			last, n = line, 1
			return true
		})
		return 0
	})
	emit()
	out.end()
	return status
}

// trSet expands a-z, \n and [:class:].
func trSet(s string) []byte {
	classes := map[string]string{
		"[:digit:]": "0123456789", "[:lower:]": "abcdefghijklmnopqrstuvwxyz", "[:upper:]": "ABCDEFGHIJKLMNOPQRSTUVWXYZ",
		"[:space:]": "\t\n\v\f\r ", "[:blank:]": "\t ",
	}
	classes["[:alpha:]"] = classes["[:upper:]"] + classes["[:lower:]"]
	classes["[:alnum:]"] = classes["[:digit:]"] + classes["[:alpha:]"]
	for k, v := range classes {
		s = strings.ReplaceAll(s, k, v)
	}
	s, _ = unescape(s, false)
	var out []byte
	for i := 0; i < len(s); i++ {
		if i+2 < len(s) && s[i+1] == '-' && s[i] <= s[i+2] {
			for c := int(s[i]); c <= int(s[i+2]); c++ {
				out = append(out, byte(c))
			}
			i += 2
			continue
		}
		out = append(out, s[i])
	}
	return out
}

func cmdTr(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "dscC")
	if !ok {
		return 1
	}
	if len(rest) == 0 || len(rest) == 1 && !has(flags, 'd') && !has(flags, 's') {
		return p.Errorf("tr", "Needs more arguments")
	}
	from := trSet(rest[0])
	if has(flags, 'c') || has(flags, 'C') {
		var in [256]bool
		for _, c := range from {
			in[c] = true
		}
		from = nil
		for c := range 256 {
			if !in[c] {
				from = append(from, byte(c))
			}
		}
	}
	var member [256]bool
	var to [256]byte
	for c := range to {
		to[c] = byte(c)
	}
	for _, c := range from {
		member[c] = true
	}
	squeeze := member
	if len(rest) > 1 {
		set := trSet(rest[1])
		if len(set) == 0 {
			return p.Errorf("tr", "second set is empty")
		}
		if !has(flags, 'd') {
			for i, c := range from {
				to[c] = set[min(i, len(set)-1)]
			}
		}
		squeeze = [256]bool{}
		for _, c := range set {
			squeeze[c] = true
		}
	}
	in := make([]byte, 32<<10)
	last := -1
	for {
		n, err := p.Stdin.Read(in)
		out := make([]byte, 0, n)
		for _, c := range in[:n] {
			if has(flags, 'd') && member[c] {
				continue
			}
			c = to[c]
			if has(flags, 's') && squeeze[c] && int(c) == last {
				continue
			}
			last = int(c)
			out = append(out, c)
		}
		if len(out) > 0 {
			if _, err := p.Stdout.Write(out); err != nil {
				return 1
			}
		}
		if err != nil {
			return 0
		}
	}
}

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

func cmdTac(_ context.Context, p *Proc, args []string) int {
	return p.inputs("tac", args[1:], func(_ string, r io.Reader) int {
		var all []string
		lines(r, func(line string, _ bool) bool { all = append(all, line); return true })
		out := collector{w: p.Stdout}
		for _, l := range slices.Backward(all) {
			out.print(l, "\n")
		}
		return out.end()
	})
}

func cmdRev(_ context.Context, p *Proc, args []string) int {
	return p.inputs("rev", args[1:], func(_ string, r io.Reader) int {
		out := collector{w: p.Stdout}
		lines(r, func(line string, _ bool) bool {
			rs := []rune(line)
			slices.Reverse(rs)
			return out.print(string(rs), "\n")
		})
		return out.end()
	})
}

func cmdCmp(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "sl")
	if !ok || len(rest) != 2 {
		return 2
	}
	var b [2][]byte
	for i, f := range rest {
		r, err := p.open(f)
		if err != nil {
			p.Errorf("cmp", "%s: %s", f, errText(err))
			return 2
		}
		b[i] = readAll(r)
	}
	if bytes.Equal(b[0], b[1]) {
		return 0
	}
	if !has(flags, 's') {
		n := 0
		for n < len(b[0]) && n < len(b[1]) && b[0][n] == b[1][n] {
			n++
		}
		if n == len(b[0]) || n == len(b[1]) {
			fmt.Fprintf(p.Stderr, "cmp: EOF on %s\n", rest[oneIf(n == len(b[1]))])
		} else {
			fmt.Fprintf(p.Stdout, "%s %s differ: char %d, line %d\n", rest[0], rest[1], n+1, bytes.Count(b[0][:n], []byte("\n"))+1)
		}
	}
	return 1
}

func cmdTruncate(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "cs:")
	if !ok {
		return 1
	}
	n, ok := byteCount(flags['s'])
	if !ok || len(rest) == 0 {
		p.Errorf("truncate", "only truncate -s SIZE FILE is supported on a simulated phone")
		return 2
	}
	status := 0
	for _, f := range rest {
		nf, err := p.create(f, false, 0o644)
		if err == nil {
			err = p.M.fs.truncate(nf.n, int(n))
		}
		if err != nil {
			status = p.Errorf("truncate", "%s: %s", f, errText(err))
		}
	}
	return status
}

// byteCount reads 512, 4k, 1M, 2kB.
func byteCount(s string) (int64, bool) {
	unit := int64(1)
	t := strings.TrimRight(s, "kKMGbBc")
	switch suffix := strings.ToLower(s[len(t):]); suffix {
	case "", "c":
	case "b":
		unit = 512
	case "k":
		unit = 1 << 10
	case "m":
		unit = 1 << 20
	case "g":
		unit = 1 << 30
	default:
		return 0, false
	}
	n, err := strconv.ParseInt(t, 10, 64)
	return n * unit, err == nil && n >= 0 && n < 1<<33/unit
}

func cmdDd(_ context.Context, p *Proc, args []string) int {
	in, out := "-", ""
	bs, skip, seek, count := int64(512), int64(0), int64(0), int64(-1)
	trunc, quiet := true, false
	for _, a := range args[1:] {
		k, v, _ := strings.Cut(a, "=")
		var ok bool
		switch k {
		case "if":
			in, ok = v, true
		case "of":
			out, ok = v, true
		case "bs", "ibs", "obs":
			bs, ok = byteCount(v)
			ok = ok && bs > 0 && bs <= 1<<26
		case "skip":
			skip, ok = byteCount(v)
		case "seek":
			seek, ok = byteCount(v)
		case "count":
			count, ok = byteCount(v)
		case "status":
			quiet, ok = v == "none" || v == "noxfer", true
		case "conv":
			ok = true
			for c := range strings.SplitSeq(v, ",") {
				switch c {
				case "notrunc":
					trunc = false
				case "fsync", "sync", "noerror":
				default:
					ok = false
				}
			}
		}
		if !ok {
			p.Errorf("dd", "%s: unsupported on a simulated phone", a)
			return 2
		}
	}
	r, err := p.open(in)
	if err != nil {
		return p.Errorf("dd", "%s: %s", in, errText(err))
	}
	var w io.Writer = p.Stdout
	if out != "" {
		n, err := p.create(out, trunc && seek == 0, 0o644)
		if err != nil {
			return p.Errorf("dd", "%s: %s", out, errText(err))
		}
		n.off = seek * bs
		w = fdWriter{p.proc, newFile(n)}
	}
	block := make([]byte, bs)
	for range skip {
		if _, err := io.ReadFull(r, block); err != nil {
			break
		}
	}
	var full, part, total int64
	for count < 0 || full+part < count {
		n, err := io.ReadFull(r, block)
		if n > 0 {
			if _, werr := w.Write(block[:n]); werr != nil {
				return p.Errorf("dd", "%s: %s", out, errText(werr))
			}
			total += int64(n)
			if int64(n) == bs {
				full++
			} else {
				part++
			}
		}
		if err != nil {
			break
		}
	}
	if !quiet {
		fmt.Fprintf(p.Stderr, "%d+%d records in\n%d+%d records out\n%d bytes copied\n", full, part, full, part, total)
	}
	return 0
}

// cmdOd knows -An -tx1 -v (plain hex bytes), the form that scripts use.
func cmdOd(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "A:t:vN:")
	if !ok {
		return 1
	}
	if flags['A'] != "n" || flags['t'] != "x1" {
		p.Errorf("od", "only od -An -tx1 is supported on a simulated phone")
		return 2
	}
	return p.inputs("od", rest, func(_ string, r io.Reader) int {
		if v, ok := flags['N']; ok {
			n, _ := strconv.ParseInt(v, 10, 64)
			r = io.LimitReader(r, n)
		}
		b := readAll(r)
		for i := 0; i < len(b); i += 16 {
			for _, c := range b[i:min(i+16, len(b))] {
				fmt.Fprintf(p.Stdout, " %02x", c)
			}
			fmt.Fprintln(p.Stdout)
		}
		return 0
	})
}

func cmdXargs(_ context.Context, p *Proc, args []string) int {
	replace, most, zero, skipEmpty := "", 0, false, false
	rest := args[1:]
	for len(rest) > 0 && strings.HasPrefix(rest[0], "-") {
		switch {
		case rest[0] == "-0":
			zero = true
		case rest[0] == "-r":
			skipEmpty = true
		case (rest[0] == "-n" || rest[0] == "-I") && len(rest) > 1:
			if rest[0] == "-I" {
				replace = rest[1]
			} else if n, err := strconv.Atoi(rest[1]); err == nil && n > 0 {
				most = n
			} else {
				return p.Errorf("xargs", "bad -n '%s'", rest[1])
			}
			rest = rest[1:]
		default:
			p.Errorf("xargs", "%s: unsupported on a simulated phone", rest[0])
			return 2
		}
		rest = rest[1:]
	}
	if len(rest) == 0 {
		rest = []string{"echo"}
	}
	text := string(readAll(p.Stdin))
	var items []string
	switch {
	case zero:
		items = strings.FieldsFunc(text, func(r rune) bool { return r == 0 })
	case replace != "":
		items = strings.FieldsFunc(text, func(r rune) bool { return r == '\n' })
	default:
		items = strings.Fields(text)
	}
	if len(items) == 0 && (skipEmpty || replace != "") {
		return 0
	}
	status := 0
	run := func(argv []string) bool {
		im := *p.image
		im.fds[0] = newFile(p.M.nullFile())
		c := im.spawn(argv)
		im.fds[0].release()
		if c == nil {
			return false
		}
		p.proc.waitThrough(c)
		if s := c.exitStatus(); s != 0 {
			status = 123
			if s == 127 || s == 126 {
				status = s
			}
		}
		return !p.proc.dead()
	}
	switch {
	case replace != "":
		for _, it := range items {
			argv := slices.Clone(rest)
			for i := range argv {
				argv[i] = strings.ReplaceAll(argv[i], replace, it)
			}
			if !run(argv) {
				return 1
			}
		}
	case most > 0:
		for chunk := range slices.Chunk(items, most) {
			if !run(slices.Concat(rest, chunk)) {
				return 1
			}
		}
	default:
		run(slices.Concat(rest, items))
	}
	return status
}

func cmdUptime(_ context.Context, p *Proc, args []string) int {
	up := p.M.Uptime()
	if len(args) > 1 && args[1] == "-s" {
		fmt.Fprintln(p.Stdout, p.M.Wall().Add(-up).Format("2006-01-02 15:04:05"))
		return 0
	}
	m := int(up.Minutes())
	s := fmt.Sprintf("%d min", m%60)
	if m >= 60 {
		s = fmt.Sprintf("%2d:%02d", m/60%24, m%60)
	}
	if m >= 24*60 {
		s = fmt.Sprintf("%d days, ", m/(24*60)) + s
	}
	fmt.Fprintf(p.Stdout, " %s up %s,  0 users,  load average: 0.00, 0.00, 0.00\n", p.M.Wall().Format("15:04:05"), s)
	return 0
}

func cmdDf(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "hk")
	if !ok {
		return 1
	}
	const total = int64(110) << 30
	free := total - p.M.fs.Used()
	if p.M.opt.FreeBytes != nil {
		free = max(p.M.opt.FreeBytes(), 0)
	}
	if len(rest) == 0 {
		rest = []string{"/data"}
	}
	show := func(n int64) string {
		if has(flags, 'h') {
			return human(n)
		}
		return strconv.FormatInt(n/1024, 10)
	}
	unit := "1K-blocks"
	if has(flags, 'h') {
		unit = "     Size"
	}
	fmt.Fprintf(p.Stdout, "Filesystem     %s     Used Available Use%% Mounted on\n", unit)
	status := 0
	for _, a := range rest {
		full := p.Path(a)
		if _, err := p.M.fs.Stat(full); err != nil {
			status = p.Errorf("df", "'%s': %s", a, errText(err))
			continue
		}
		mount, dev := "/data", "/dev/block/dm-5"
		if strings.HasPrefix(full, "/storage") || strings.HasPrefix(full, "/sdcard") {
			mount, dev = "/storage/emulated", "/dev/fuse"
		}
		fmt.Fprintf(p.Stdout, "%-14s %9s %8s %9s %3d%% %s\n", dev, show(total), show(total-free), show(free), (total-free)*100/total, mount)
	}
	return status
}

func cmdDu(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "skh")
	if !ok {
		return 1
	}
	if !has(flags, 's') {
		p.Errorf("du", "only du -s is supported on a simulated phone")
		return 2
	}
	status := 0
	for _, a := range rest {
		p.M.fs.mu.RLock()
		n, err := p.M.fs.lookup(p.Path(a), true)
		var s int64
		if err == nil {
			s = size(n)
		}
		p.M.fs.mu.RUnlock()
		if err != nil {
			status = p.Errorf("du", "%s: %s", a, errText(err))
			continue
		}
		if has(flags, 'h') {
			fmt.Fprintf(p.Stdout, "%s\t%s\n", human(s), a)
		} else {
			fmt.Fprintf(p.Stdout, "%d\t%s\n", (s+1023)/1024, a)
		}
	}
	return status
}

func cmdPs(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "Aeo:p:fwl")
	if !ok {
		return 1
	}
	if len(rest) > 0 || has(flags, 'l') {
		p.Errorf("ps", "%v: unsupported on a simulated phone", args[1:])
		return 2
	}
	format := "USER,PID,PPID,VSZ,RSS,WCHAN,ADDR,S,NAME"
	if has(flags, 'f') {
		format = "USER,PID,PPID,C,STIME,TTY,TIME,CMD"
	}
	if v, ok := flags['o']; ok {
		format = v
	}
	columns := strings.Split(strings.ToUpper(format), ",")
	var heads []string
	for i, c := range columns {
		name, head, renamed := strings.Cut(c, "=")
		columns[i] = name
		if !renamed {
			head = name
			if name == "ARGS" || name == "CMDLINE" {
				head = "CMD"
			}
			if name == "COMM" || name == "NAME" {
				head = "NAME"
			}
		}
		heads = append(heads, head)
	}
	rows := [][]string{heads}
	var only map[string]bool
	if v, ok := flags['p']; ok {
		only = map[string]bool{}
		for id := range strings.SplitSeq(v, ",") {
			only[id] = true
		}
	}
	found := false
	up := p.M.Uptime()
	for _, i := range p.M.allProcesses() {
		if only != nil && !only[strconv.Itoa(i.PID)] {
			continue
		}
		// Without -A: the processes of this session only.
		if only == nil && !has(flags, 'A') && !has(flags, 'e') && i.Session != p.proc.sessionID() {
			continue
		}
		found = true
		user := i.User
		if user == "" {
			user = "shell"
		}
		var row []string
		for _, c := range columns {
			switch c {
			case "PID", "TID":
				row = append(row, strconv.Itoa(i.PID))
			case "PPID":
				row = append(row, strconv.Itoa(i.Parent))
			case "SID", "PGID":
				row = append(row, strconv.Itoa(i.Session))
			case "USER", "UID":
				row = append(row, user)
			case "ARGS", "CMD", "CMDLINE":
				row = append(row, strings.Join(i.Argv, " "))
			case "NAME", "COMM":
				row = append(row, path.Base(i.Argv[0]))
			case "S", "STAT":
				row = append(row, "S")
			case "ETIME":
				d := up - i.Start
				row = append(row, fmt.Sprintf("%02d:%02d", int(d.Minutes()), int(d.Seconds())%60))
			case "VSZ", "RSS", "WCHAN", "ADDR", "C", "STIME", "TTY", "TIME", "%CPU":
				row = append(row, "0")
			default:
				p.Errorf("ps", "bad -o %s", c)
				return 1
			}
		}
		rows = append(rows, row)
	}
	width := make([]int, len(columns))
	for _, r := range rows {
		for i, cell := range r {
			width[i] = max(width[i], len(cell))
		}
	}
	out := collector{w: p.Stdout}
	for n, r := range rows {
		if n == 0 && strings.Join(r, "") == "" {
			continue
		}
		for i, cell := range r {
			switch {
			case i == len(r)-1:
				out.print(cell)
			case columns[i] == "PID" || columns[i] == "PPID" || columns[i] == "TID":
				out.print(strings.Repeat(" ", width[i]-len(cell)), cell, " ")
			default:
				out.print(cell, strings.Repeat(" ", width[i]-len(cell)), " ")
			}
		}
		out.print("\n")
	}
	out.end()
	return oneIf(!found)
}

// scriptName is what pidof compares: the program, or the script that a shell runs.
func scriptName(argv []string) []string {
	names := []string{path.Base(argv[0])}
	if (names[0] == "sh" || names[0] == "mksh") && len(argv) > 1 && argv[1] != "-c" {
		names = append(names, path.Base(argv[1]))
	}
	return names
}

func cmdPidof(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "sx")
	if !ok {
		return 1
	}
	var pids []string
	for _, i := range p.M.allProcesses() {
		for _, name := range rest {
			if i.PID != p.PID && (slices.Contains(scriptName(i.Argv), path.Base(name)) || i.Argv[0] == name) {
				pids = append(pids, strconv.Itoa(i.PID))
				break
			}
		}
	}
	if len(pids) == 0 {
		return 1
	}
	if has(flags, 's') {
		pids = pids[:1]
	}
	fmt.Fprintln(p.Stdout, strings.Join(pids, " "))
	return 0
}

// cmdPgrep is pgrep and pkill.
func cmdPgrep(_ context.Context, p *Proc, args []string) int {
	kills := args[0] == "pkill"
	sig := sigTERM
	if kills {
		for i, a := range args[1:] {
			if len(a) > 1 && a[0] == '-' {
				if n, ok := signalNumber(a[1:]); ok {
					sig = n
					args = slices.Delete(slices.Clone(args), i+1, i+2)
					break
				}
			}
		}
	}
	flags, rest, ok := p.options(args, "flxcons:P:v")
	if !ok {
		return 2
	}
	for _, c := range []byte("vP") {
		if has(flags, c) {
			p.Errorf(args[0], "-%c: unsupported on a simulated phone", c)
			return 2
		}
	}
	if len(rest) != 1 {
		p.Errorf(args[0], "Needs 1 argument")
		return 2
	}
	rx, err := compile(rest[0], true, false, false)
	if err != nil {
		p.Errorf(args[0], "bad REGEX '%s'", rest[0])
		return 2
	}
	count := 0
	for _, i := range p.M.allProcesses() {
		if i.PID == p.PID {
			continue // neither finds itself
		}
		text := path.Base(i.Argv[0])
		if has(flags, 'f') {
			text = strings.Join(i.Argv, " ")
		}
		loc := rx.FindStringIndex(text)
		if loc == nil || has(flags, 'x') && (loc[0] != 0 || loc[1] != len(text)) {
			continue
		}
		count++
		switch {
		case kills:
			if !p.M.Signal(i.PID, sig) && i.User != "" && i.User != "shell" {
				p.Errorf(args[0], "%d: %s", i.PID, errText(syscall.EPERM))
			}
		case has(flags, 'c'):
		case has(flags, 'l'):
			fmt.Fprintf(p.Stdout, "%d %s\n", i.PID, text)
		default:
			fmt.Fprintln(p.Stdout, i.PID)
		}
	}
	if has(flags, 'c') {
		fmt.Fprintln(p.Stdout, count)
	}
	return oneIf(count == 0)
}

func cmdKill(_ context.Context, p *Proc, args []string) int {
	return killCommand(p, "kill", args[1:], func(s string) (int, bool) {
		n, err := strconv.Atoi(s)
		return n, err == nil
	})
}
