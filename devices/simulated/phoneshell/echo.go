package phoneshell

import (
	"strconv"
	"strings"
)

func echo(sh *shell, args []string) int {
	args = args[1:]
	newline, escapes := true, true
	for len(args) > 0 && len(args[0]) > 1 && args[0][0] == '-' && strings.Trim(args[0][1:], "neE") == "" {
		for _, c := range args[0][1:] {
			switch c {
			case 'n':
				newline = false
			case 'e':
				escapes = true
			case 'E':
				escapes = false
			}
		}
		args = args[1:]
	}
	s := strings.Join(args, " ")
	if escapes && strings.Contains(s, `\`) {
		var stop bool
		if s, stop = unescape(s, true); stop {
			newline = false
		}
	}
	if newline {
		s += "\n"
	}
	return sh.writeOut("echo", s)
}

// unescape resolves backslashes as print and printf do. octal0 wants \0123 instead of
// \123. stop is true after \c.
func unescape(s string, octal0 bool) (out string, stop bool) {
	if !strings.Contains(s, `\`) {
		return s, false
	}
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] != '\\' || i+1 == len(s) {
			b.WriteByte(s[i])
			continue
		}
		i++
		switch c := s[i]; c {
		case 'a':
			b.WriteByte('\a')
		case 'b':
			b.WriteByte('\b')
		case 'e', 'E':
			b.WriteByte(27)
		case 'f':
			b.WriteByte('\f')
		case 'n':
			b.WriteByte('\n')
		case 'r':
			b.WriteByte('\r')
		case 't':
			b.WriteByte('\t')
		case 'v':
			b.WriteByte('\v')
		case '\\':
			b.WriteByte('\\')
		case 'c':
			return b.String(), true
		case 'x':
			n, digits := 0, 0
			for digits < 2 && i+1 < len(s) && strings.IndexByte("0123456789abcdefABCDEF", s[i+1]) >= 0 {
				d, _ := strconv.ParseInt(s[i+1:i+2], 16, 32)
				n = n*16 + int(d)
				i++
				digits++
			}
			b.WriteByte(byte(n))
		case '0', '1', '2', '3', '4', '5', '6', '7':
			if octal0 && c != '0' {
				b.WriteByte('\\')
				b.WriteByte(c)
				break
			}
			n, digits, most := 0, 0, 3
			if octal0 {
				i++
			}
			for digits < most && i < len(s) && s[i] >= '0' && s[i] <= '7' {
				n = n*8 + int(s[i]-'0')
				i++
				digits++
			}
			i--
			b.WriteByte(byte(n))
		default:
			b.WriteByte('\\')
			b.WriteByte(c)
		}
	}
	return b.String(), false
}

func printBuiltin(sh *shell, args []string) int {
	args = args[1:]
	newline, escapes, fd := true, true, 1
flags:
	for len(args) > 0 && len(args[0]) > 1 && args[0][0] == '-' {
		if args[0] == "--" {
			args = args[1:]
			break
		}
		for i, c := range args[0][1:] {
			switch c {
			case 'n':
				newline = false
			case 'r', 'R':
				escapes = false
			case 'u':
				n, err := strconv.Atoi(args[0][i+2:])
				if err != nil || n < 0 || n >= len(sh.fds) || sh.fds[n] == nil {
					sh.errorf("print: -u: bad file descriptor")
					return 1
				}
				fd = n
				args = args[1:]
				continue flags
			default:
				sh.errorf("print: -%c: not supported", c)
				return 1
			}
		}
		args = args[1:]
	}
	s := strings.Join(args, " ")
	if escapes {
		s, _ = unescape(s, true)
	}
	if newline {
		s += "\n"
	}
	if sh.print(fd, s) != nil {
		return 1
	}
	return 0
}
