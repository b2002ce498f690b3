package phoneshell

import (
	"context"
	"errors"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"mvdan.cc/sh/v3/expand"
	"mvdan.cc/sh/v3/syntax"
)

// builtins run inside the shell.
var builtins map[string]func(sh *shell, args []string) int

func init() {
	builtins = map[string]func(sh *shell, args []string) int{
		":": func(*shell, []string) int { return 0 }, "true": func(*shell, []string) int { return 0 },
		"false": func(*shell, []string) int { return 1 },
		"echo":  echo, "print": printBuiltin, "test": testBuiltin, "[": testBuiltin,
		"cd": cd, "pwd": pwd, "exit": exit, "return": returnBuiltin, "break": loopControl, "continue": loopControl,
		"set": set, "shift": shift, "unset": unset, "eval": eval, "exec": execBuiltin, ".": dot, "source": dot,
		"read": read, "trap": trap, "wait": wait, "kill": kill, "jobs": jobs, "umask": umask, "type": whence,
		"command": command, "whence": whence, "builtin": builtin, "getopts": getopts, "times": times, "ulimit": ulimit,
		"alias": noAlias, "unalias": func(*shell, []string) int { return 0 }, "hash": func(*shell, []string) int { return 0 },
		"fg": noJobControl, "bg": noJobControl,
	}
}

// writeOut is a builtin's output: a full storage or a closed descriptor is its failure.
func (sh *shell) writeOut(name, s string) int {
	if err := sh.print(1, s); err != nil {
		if !errors.Is(err, context.Canceled) && !sh.proc.dead() {
			sh.errorf("%s: %s", name, errText(err))
		}
		return 1
	}
	return 0
}

func cd(sh *shell, args []string) int {
	args = args[1:]
	for len(args) > 0 && (args[0] == "-P" || args[0] == "-L" || args[0] == "--") {
		args = args[1:]
	}
	show := false
	to := sh.vars.get("HOME").Str
	if len(args) > 0 {
		to = args[0]
	}
	if to == "-" {
		to, show = sh.vars.get("OLDPWD").Str, true
		if to == "" {
			sh.errorf("cd: no OLDPWD")
			return 1
		}
	}
	dir := absPath(sh.dir, to)
	info, err := sh.m.fs.Stat(dir)
	switch {
	case err != nil:
		sh.errorf("cd: %s: %s", to, errText(err))
		return 2
	case !info.IsDir():
		sh.errorf("cd: %s: Not a directory", to)
		return 2
	case !info.(fileInfo).n.mayExec(true):
		sh.errorf("cd: %s: Permission denied", to)
		return 2
	}
	sh.set("OLDPWD", sh.dir)
	sh.dir = dir
	if show {
		return sh.writeOut("cd", dir+"\n")
	}
	return 0
}

func pwd(sh *shell, _ []string) int { return sh.writeOut("pwd", sh.dir+"\n") }

func exit(sh *shell, args []string) int {
	status := sh.status
	if len(args) > 1 {
		n, err := strconv.Atoi(args[1])
		if err != nil {
			sh.errorf("exit: %s: bad number", args[1])
			n = 1
		}
		status = n & 0xff
	}
	sh.flow = exiting
	return status
}

func returnBuiltin(sh *shell, args []string) int {
	status := sh.status
	if len(args) > 1 {
		n, err := strconv.Atoi(args[1])
		if err != nil {
			sh.errorf("return: %s: bad number", args[1])
			n = 1
		}
		status = n & 0xff
	}
	if sh.functions == 0 && sh.sourcing == 0 {
		sh.flow = exiting // mksh: as exit
	} else {
		sh.flow = returning
	}
	return status
}

func loopControl(sh *shell, args []string) int {
	n := 1
	if len(args) > 1 {
		var err error
		if n, err = strconv.Atoi(args[1]); err != nil || n < 1 {
			sh.errorf("%s: %s: bad number", args[0], args[1])
			return 1
		}
	}
	if sh.loops == 0 {
		sh.errorf("%s: can't %s", args[0], args[0])
		return 0
	}
	sh.levels = min(n, sh.loops)
	sh.flow = breaking
	if args[0] == "continue" {
		sh.flow = continuing
	}
	return 0
}

var optionLetters = map[byte]string{'e': "errexit", 'u': "nounset", 'f': "noglob", 'x': "xtrace", 'm': "monitor", 'C': "noclobber", 'a': "allexport", 'n': "noexec"}

func (sh *shell) option(name string) *bool {
	switch name {
	case "errexit":
		return &sh.opt.errexit
	case "nounset":
		return &sh.opt.nounset
	case "noglob":
		return &sh.opt.noglob
	case "xtrace":
		return &sh.opt.xtrace
	case "pipefail":
		return &sh.opt.pipefail
	case "monitor":
		return &sh.opt.monitor
	case "noclobber":
		return &sh.opt.noclobber
	case "allexport":
		return &sh.opt.allexport
	case "noexec":
		return &sh.opt.noexec
	}
	return nil
}

func (sh *shell) setOption(name string, on bool) bool {
	switch name {
	case "posix", "sh", "braceexpand", "emacs", "vi":
		return true // no difference here
	}
	o := sh.option(name)
	if o == nil {
		return false
	}
	*o = on
	sh.configure()
	return true
}

// setFlags reads -eu or +x.
func (sh *shell) setFlags(word string) bool {
	for i := 1; i < len(word); i++ {
		if !sh.setOption(optionLetters[word[i]], word[0] == '-') {
			return false
		}
	}
	return true
}

func (sh *shell) flags() string {
	var b strings.Builder
	for _, c := range slices.Sorted(maps.Keys(optionLetters)) {
		if *sh.option(optionLetters[c]) {
			b.WriteByte(c)
		}
	}
	return b.String()
}

func set(sh *shell, args []string) int {
	args = args[1:]
	if len(args) == 0 {
		all := sh.vars.flatten()
		var b strings.Builder
		for _, name := range sortedKeys(all) {
			if all[name].Set && name != " pid" {
				b.WriteString(name + "=" + quote(all[name].Str) + "\n")
			}
		}
		return sh.writeOut("set", b.String())
	}
	for len(args) > 0 && len(args[0]) > 1 && (args[0][0] == '-' || args[0][0] == '+') {
		a := args[0]
		args = args[1:]
		switch {
		case a == "--":
			sh.params = slices.Clone(args)
			return 0
		case a == "-o" || a == "+o":
			if len(args) == 0 {
				return 0
			}
			if !sh.setOption(args[0], a[0] == '-') {
				sh.errorf("set: %s: bad option", args[0])
				return 1
			}
			args = args[1:]
		case !sh.setFlags(a):
			sh.errorf("set: %s: unknown option", a)
			return 1
		}
	}
	if len(args) > 0 {
		sh.params = slices.Clone(args)
	}
	return 0
}

func quote(s string) string {
	if s != "" && strings.IndexFunc(s, func(r rune) bool {
		return !strings.ContainsRune("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-./:,=+@%", r)
	}) < 0 {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

func shift(sh *shell, args []string) int {
	n := int64(1)
	if len(args) > 1 {
		var err error
		if n, err = sh.arithText(args[1], 0); err != nil || n < 0 {
			sh.errorf("shift: %s: bad number", args[1])
			return 1
		}
	}
	if int(n) > len(sh.params) {
		sh.errorf("shift: nothing to shift")
		sh.flow = exiting // mksh: a failed special builtin ends a script
		return 1
	}
	sh.params = sh.params[n:]
	return 0
}

func unset(sh *shell, args []string) int {
	args = args[1:]
	functions := false
	for len(args) > 0 && (args[0] == "-v" || args[0] == "-f" || args[0] == "--") {
		functions = functions || args[0] == "-f"
		args = args[1:]
	}
	for _, name := range args {
		if functions {
			if sh.shared {
				sh.funcs, sh.shared = maps.Clone(sh.funcs), false
			}
			delete(sh.funcs, name)
			continue
		}
		if sh.vars.get(name).ReadOnly {
			sh.errorf("read-only: %s", name)
			return 1
		}
		sh.vars.set(name, expand.Variable{})
	}
	return 0
}

// evalText runs text in this shell.
func (sh *shell) evalText(text, name string) int {
	f, err := sh.m.programs.parse(text, name)
	if err != nil {
		sh.errorf("%v", err)
		sh.flow = exiting
		return 1
	}
	sh.status = 0
	sh.stmts(f.Stmts)
	return sh.status
}

func eval(sh *shell, args []string) int { return sh.evalText(strings.Join(args[1:], " "), "eval") }

func execBuiltin(sh *shell, args []string) int {
	args = args[1:]
	if len(args) > 0 && args[0] == "--" {
		args = args[1:]
	}
	if len(args) == 0 {
		sh.keepFDs = true
		return 0
	}
	if !sh.main { // a subshell on its parent's process: run and leave
		im := &image{proc: sh.proc, fds: *sh.fds, dir: sh.dir, env: sh.exported()}
		c := im.spawn(args)
		sh.flow = exiting
		if c == nil {
			return 1
		}
		sh.proc.waitThrough(c)
		return c.exitStatus()
	}
	sh.traps = nil // exec forgets them, EXIT's too
	sh.program(args, true)
	return sh.status
}

func dot(sh *shell, args []string) int {
	if len(args) < 2 {
		sh.errorf(".: missing argument")
		return 1
	}
	name := args[1]
	f, err := sh.open(name, false, false, false)
	var text []byte
	if err == nil {
		text, err = sh.m.fs.content(f.endpoint.(*nodeFile).n)
	}
	if err != nil {
		sh.errorf(".: %s: %s", name, errText(err))
		sh.flow = exiting
		return 1
	}
	params := sh.params
	if len(args) > 2 {
		sh.params = args[2:]
	}
	sh.sourcing++
	status := sh.evalText(string(text), name)
	sh.sourcing--
	if len(args) > 2 {
		sh.params = params
	}
	if sh.flow == returning {
		sh.flow = goOn
	}
	return status
}

func read(sh *shell, args []string) int {
	args = args[1:]
	raw, fd, delim := false, 0, byte('\n')
	var limit time.Duration
	chars := 0
	for len(args) > 0 && len(args[0]) > 1 && args[0][0] == '-' {
		a := args[0]
		args = args[1:]
		if a == "--" {
			break
		}
	letters:
		for i := 1; i < len(a); i++ {
			if a[i] == 'r' {
				raw = true
				continue
			}
			value := a[i+1:]
			if value == "" && len(args) > 0 {
				value, args = args[0], args[1:]
			}
			switch a[i] {
			case 'u':
				n, err := strconv.Atoi(value)
				if err != nil || n < 0 || n >= len(sh.fds) || sh.fds[n] == nil {
					sh.errorf("read: -u: %s: bad file descriptor", value)
					return 2
				}
				fd = n
			case 't':
				d, ok := parseSeconds(value)
				if !ok {
					sh.errorf("read: -t: %s: bad number", value)
					return 2
				}
				limit = d
			case 'd':
				delim = 0
				if value != "" {
					delim = value[0]
				}
			case 'n', 'N':
				n, err := strconv.Atoi(value)
				if err != nil || n < 1 {
					sh.errorf("read: -%c: %s: bad number", a[i], value)
					return 2
				}
				chars = n
			default:
				sh.errorf("read: -%c: not supported", a[i])
				return 2
			}
			break letters
		}
	}
	f := sh.fds[fd]
	if f == nil {
		sh.errorf("read: %d: bad file descriptor", fd)
		return 2
	}
	ctx := sh.proc.ctx
	if limit > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithCancel(ctx)
		defer cancel()
		c := ctx
		over := make(chan struct{})
		go func() {
			defer close(over)
			if sh.m.clock.Sleep(c, limit) == nil {
				cancel()
			}
		}()
		defer func() { cancel(); <-over }()
	}
	var line []byte
	var err error
	if chars > 0 {
		b := make([]byte, 1)
		for len(line) < chars && err == nil {
			var n int
			if n, err = f.read(ctx, b); n > 0 {
				line = append(line, b[0])
			}
		}
	} else {
		for {
			var part []byte
			part, err = f.readLine(ctx, delim)
			ended := len(part) > 0 && part[len(part)-1] == delim
			if ended {
				part = part[:len(part)-1]
			}
			line = append(line, part...)
			if raw || !ended || trailingBackslashes(line)%2 == 0 {
				break
			}
			line = line[:len(line)-1] // the line goes on
		}
	}
	if errors.Is(err, syscall.EISDIR) {
		sh.errorf("read: Is a directory")
		return 2
	}
	text := strings.ReplaceAll(string(line), "\x00", "")
	if len(args) == 0 {
		args = []string{"REPLY"}
	}
	for i := range args { // name?prompt
		args[i], _, _ = strings.Cut(args[i], "?")
		if !syntax.ValidName(args[i]) {
			sh.errorf("read: %s: is not an identifier", args[i])
			return 2
		}
	}
	values := readFields(text, sh.ifs(), len(args), raw)
	for i, name := range args {
		v := ""
		if i < len(values) {
			v = values[i]
		}
		if !sh.set(name, v) {
			return 2
		}
	}
	if err != nil {
		return 1
	}
	return 0
}

func trailingBackslashes(b []byte) int {
	n := 0
	for n < len(b) && b[len(b)-1-n] == '\\' {
		n++
	}
	return n
}

func umask(sh *shell, args []string) int {
	if len(args) == 1 {
		return sh.writeOut("umask", "022\n")
	}
	return 0
}

func whence(sh *shell, args []string) int {
	verbose := args[0] == "type"
	args = args[1:]
	for len(args) > 0 && strings.HasPrefix(args[0], "-") {
		verbose = verbose || strings.Contains(args[0], "v")
		args = args[1:]
	}
	status := 0
	for _, name := range args {
		var text string
		where := sh.m.which(sh.dir, name)
		_, isBuiltin := builtins[name]
		switch {
		case sh.funcs[name] != nil:
			text = name
			if verbose {
				text += " is a function"
			}
		case isBuiltin:
			text = name
			if verbose {
				text += " is a shell builtin"
			}
		case where != "":
			text = where
			if verbose {
				text = name + " is " + where
			}
		default:
			status = 1
			if verbose {
				text = name + " not found"
			}
		}
		if text != "" {
			sh.print(1, text+"\n")
		}
	}
	return status
}

// which finds the file of a program, "" when there is none.
func (m *Machine) which(dir, name string) string {
	full := "/system/bin/" + name
	if strings.Contains(name, "/") {
		full = absPath(dir, name)
	}
	info, err := m.fs.Stat(full)
	if err != nil || info.IsDir() || !info.(fileInfo).n.mayExec(true) {
		return ""
	}
	return full
}

func command(sh *shell, args []string) int {
	args = args[1:]
	for len(args) > 0 && strings.HasPrefix(args[0], "-") {
		switch args[0] {
		case "-v":
			return whence(sh, append([]string{"whence"}, args[1:]...))
		case "-V":
			return whence(sh, append([]string{"type"}, args[1:]...))
		case "-p", "--":
			args = args[1:]
		default:
			sh.errorf("command: %s: unknown option", args[0])
			return 1
		}
	}
	if len(args) == 0 {
		return 0
	}
	if b, ok := builtins[args[0]]; ok {
		return b(sh, args)
	}
	sh.program(args, false)
	return sh.status
}

func builtin(sh *shell, args []string) int {
	if len(args) < 2 {
		return 0
	}
	if b, ok := builtins[args[1]]; ok {
		return b(sh, args[1:])
	}
	sh.errorf("builtin: %s: not found", args[1])
	return 1
}

func getopts(sh *shell, args []string) int {
	if len(args) < 3 {
		sh.errorf("getopts: usage: getopts optstring name [arg ...]")
		return 2
	}
	spec, name := args[1], args[2]
	list := sh.params
	if len(args) > 3 {
		list = args[3:]
	}
	ind, _ := strconv.Atoi(sh.vars.get("OPTIND").Str)
	if ind != sh.getoptsAt { // the script began anew
		sh.getoptsAt, sh.getoptsPos = max(ind, 1), 0
	}
	finish := func(value, arg string, hasArg bool, status int) int {
		sh.set(name, value)
		sh.set("OPTIND", strconv.Itoa(sh.getoptsAt))
		if hasArg {
			sh.set("OPTARG", arg)
		} else {
			sh.vars.set("OPTARG", expand.Variable{})
		}
		return status
	}
	i := sh.getoptsAt - 1
	if i >= len(list) || sh.getoptsPos == 0 && (len(list[i]) < 2 || list[i][0] != '-') {
		return finish("?", "", false, 1)
	}
	if sh.getoptsPos == 0 && list[i] == "--" {
		sh.getoptsAt++
		return finish("?", "", false, 1)
	}
	if sh.getoptsPos == 0 {
		sh.getoptsPos = 1
	}
	word := list[i]
	c := word[sh.getoptsPos]
	sh.getoptsPos++
	next := func() { sh.getoptsAt, sh.getoptsPos = sh.getoptsAt+1, 0 }
	quiet := strings.HasPrefix(spec, ":")
	at := strings.IndexByte(spec, c)
	if at < 0 || c == ':' {
		if sh.getoptsPos >= len(word) {
			next()
		}
		if quiet {
			return finish("?", string(c), true, 0)
		}
		sh.errorf("-%c: unknown option", c)
		return finish("?", "", false, 0)
	}
	if at+1 < len(spec) && spec[at+1] == ':' {
		arg := word[sh.getoptsPos:]
		next()
		if arg == "" {
			if sh.getoptsAt > len(list) {
				if quiet {
					return finish(":", string(c), true, 0)
				}
				sh.errorf("-%c: requires argument", c)
				return finish("?", "", false, 0)
			}
			arg = list[sh.getoptsAt-1]
			sh.getoptsAt++
		}
		return finish(string(c), arg, true, 0)
	}
	if sh.getoptsPos >= len(word) {
		next()
	}
	return finish(string(c), "", false, 0)
}

func times(sh *shell, _ []string) int {
	return sh.writeOut("times", "0m00.00s 0m00.00s\n0m00.00s 0m00.00s\n")
}

func ulimit(sh *shell, _ []string) int { return sh.writeOut("ulimit", "unlimited\n") }

func noAlias(sh *shell, args []string) int {
	if len(args) > 1 {
		sh.errorf("alias: not supported")
		return 2
	}
	return 0
}

func noJobControl(sh *shell, args []string) int {
	sh.errorf("%s: job control not enabled", args[0])
	return 1
}

// readAll is for commands that want the whole of an input.
func readAll(r io.Reader) []byte {
	b, _ := io.ReadAll(r)
	return b
}
