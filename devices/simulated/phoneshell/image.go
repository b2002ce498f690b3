package phoneshell

import (
	"context"
	"maps"
	"path"
	"strconv"
	"strings"
	"time"
)

// An image is what a process executes: a program with its descriptors, environment and
// working directory. run replaces it in place, as execve does; the programs that run
// another (sh, setsid, nohup, env, timeout) are therefore here and not in the toolbox.
type image struct {
	proc *process
	fds  fdTable
	dir  string
	env  map[string]string // exported variables
}

// imageCommands are the names that run knows beside the toolbox.
var imageCommands = []string{"sh", "mksh", "toybox", "setsid", "nohup", "env", "timeout", "nice", "ionice", "exec"}

// fork copies the image for a child process.
func (im *image) fork(argv []string) *image {
	c := im.proc.m.newProcess(im.proc, argv)
	if c == nil {
		return nil
	}
	return &image{proc: c, fds: im.fds.dup(), dir: im.dir, env: maps.Clone(im.env)}
}

// spawn starts args in a child and returns its process, nil when the machine is closed.
func (im *image) spawn(args []string) *process {
	c := im.fork(args)
	if c == nil {
		return nil
	}
	c.proc.start(func() int { return c.run(args) }, &c.fds)
	return c.proc
}

// command builds what a command sees.
func (im *image) command() *Proc {
	return &Proc{
		Stdin: fdReader{im.proc, im.fds[0]}, Stdout: fdWriter{im.proc, im.fds[1]}, Stderr: fdWriter{im.proc, im.fds[2]},
		M: im.proc.m, PID: im.proc.pid, Dir: im.dir, proc: im.proc,
		env: func(k string) string { return im.env[k] },
	}
}

// startsProcess says whether a command needs a process of its own to be told apart by
// pid, session or signals. All others run on the caller's process.
func (m *Machine) startsProcess(name string) bool {
	switch path.Base(name) {
	case "sh", "mksh", "toybox", "setsid", "nohup", "env", "timeout", "nice", "ionice", "sleep", "usleep", "ps", "pgrep", "pkill", "pidof":
		return true
	}
	return strings.Contains(name, "/") && m.command(name) == nil
}

// run executes args in place and returns the exit code.
func (im *image) run(args []string) int {
	p, m := im.command(), im.proc.m
	im.proc.setArgv(args)
	m.ran(p.PID, args)
	im.proc.resetTraps()
	if im.proc.dead() {
		return 1
	}
	name := args[0]
	if dir, base := path.Split(absPath(im.dir, name)); strings.Contains(name, "/") && (dir == "/system/bin/" || dir == "/bin/") {
		name = base
	}
	switch name {
	case "sh", "mksh":
		return im.shellMain(args)
	case "toybox":
		if len(args) < 2 {
			return 0
		}
		return im.run(args[1:])
	case "setsid":
		rest := args[1:]
		wait := false
		for len(rest) > 0 && strings.HasPrefix(rest[0], "-") {
			if rest[0] == "-w" {
				wait = true
			} else if rest[0] != "-d" && rest[0] != "-c" {
				return p.Errorf(name, "Unknown option '%s' (see \"setsid --help\")", rest[0][1:])
			}
			rest = rest[1:]
		}
		if len(rest) == 0 {
			return p.Errorf(name, "Needs 1 argument (see \"setsid --help\")")
		}
		if im.proc.sessionID() == im.proc.pid {
			// A session leader cannot leave its session: the program runs in a child,
			// and this process ends at once.
			c := im.fork(rest)
			if c == nil {
				return 1
			}
			c.proc.newSession()
			c.proc.start(func() int { return c.run(rest) }, &c.fds)
			if wait {
				im.proc.waitThrough(c.proc)
				return c.proc.exitStatus()
			}
			return 0
		}
		im.proc.newSession()
		return im.run(rest)
	case "nohup":
		if len(args) < 2 {
			return p.Errorf(name, "Needs 1 argument (see \"nohup --help\")")
		}
		im.proc.dispose(sigHUP, ignore)
		return im.run(args[1:])
	case "nice", "ionice":
		rest := args[1:]
		for len(rest) > 0 && strings.HasPrefix(rest[0], "-") {
			if len(rest[0]) == 2 && len(rest) > 1 {
				rest = rest[1:]
			}
			rest = rest[1:]
		}
		if len(rest) == 0 {
			return 0
		}
		return im.run(rest)
	case "env":
		rest := args[1:]
		for len(rest) > 0 {
			k, v, ok := strings.Cut(rest[0], "=")
			switch {
			case rest[0] == "-i":
				im.env = map[string]string{}
			case rest[0] == "-u" && len(rest) > 1:
				rest = rest[1:]
				delete(im.env, rest[0])
			case ok && k != "":
				im.env[k] = v
			default:
				return im.run(rest)
			}
			rest = rest[1:]
		}
		for _, k := range sortedKeys(im.env) {
			p.Stdout.Write([]byte(k + "=" + im.env[k] + "\n"))
		}
		return 0
	case "timeout":
		return im.timeout(p, args)
	}
	if c := m.command(name); c != nil {
		return c(im.proc.ctx, p, args)
	}
	if strings.Contains(name, "/") {
		full := absPath(im.dir, name)
		info, err := m.fs.Stat(full)
		if err == nil {
			n := info.(fileInfo).n
			switch {
			case info.IsDir():
				p.Errorf("sh", "%s: is a directory", name)
				return 126
			case !n.mayExec(true) || n.denied:
				p.Errorf("sh", "%s: can't execute: Permission denied", name)
				return 126
			}
			return im.shellMain(append([]string{"sh", full}, args[1:]...))
		}
	}
	p.Errorf("/system/bin/sh", "%s: inaccessible or not found", args[0])
	return 127
}

func (im *image) timeout(p *Proc, args []string) int {
	sig, rest := sigTERM, args[1:]
	var killAfter time.Duration
	for len(rest) > 0 && strings.HasPrefix(rest[0], "-") && len(rest) > 1 {
		var ok bool
		switch rest[0] {
		case "-s":
			if sig, ok = signalNumber(rest[1]); !ok {
				return p.Errorf("timeout", "bad -s '%s'", rest[1])
			}
			rest = rest[2:]
		case "-k":
			if killAfter, ok = parseSeconds(rest[1]); !ok {
				return p.Errorf("timeout", "bad -k '%s'", rest[1])
			}
			rest = rest[2:]
		default:
			if sig, ok = signalNumber(rest[0][1:]); !ok {
				return p.Errorf("timeout", "Unknown option '%s'", rest[0][1:])
			}
			rest = rest[1:]
		}
	}
	if len(rest) < 2 {
		return p.Errorf("timeout", "Needs 2 arguments (see \"timeout --help\")")
	}
	d, ok := parseSeconds(rest[0])
	if !ok {
		return p.Errorf("timeout", "bad time '%s'", rest[0])
	}
	c := im.spawn(rest[1:])
	if c == nil {
		return 1
	}
	for i, after := range []time.Duration{d, killAfter} {
		if i == 1 && killAfter == 0 {
			break
		}
		ctx, cancel := context.WithCancel(im.proc.ctx)
		stop := context.AfterFunc(c.ctx, cancel) // a process's context ends with it
		im.proc.m.clock.Sleep(ctx, after)
		stop()
		cancel()
		if im.proc.dead() {
			return 1
		}
		if c.ctx.Err() != nil {
			im.proc.waitThrough(c)
			if i == 1 {
				return 124
			}
			return c.exitStatus()
		}
		if i == 0 {
			c.signal(sig)
		} else {
			c.signal(sigKILL)
		}
	}
	im.proc.waitThrough(c)
	if killAfter != 0 {
		return 128 + sigKILL
	}
	return 124
}

func (p *process) newSession() {
	p.mu.Lock()
	p.sid = p.pid
	p.mu.Unlock()
}

// exitStatus is the status of an ended child, or 1 when this is asked too early
// because the asking process was killed.
func (p *process) exitStatus() int {
	select {
	case <-p.done:
		return p.status
	default:
		return 1
	}
}

// shellMain is sh: -c TEXT [NAME [ARG...]], FILE [ARG...], or a program on standard input.
func (im *image) shellMain(args []string) int {
	sh := newShell(im)
	defer sh.close()
	rest := args[1:]
	for len(rest) > 0 && len(rest[0]) > 1 && (rest[0][0] == '-' || rest[0][0] == '+') && rest[0] != "-c" {
		if rest[0] == "--" {
			rest = rest[1:]
			break
		}
		if strings.HasPrefix(rest[0], "-") && strings.HasSuffix(rest[0], "c") { // -ec
			sh.setFlags(rest[0][:len(rest[0])-1])
			rest[0] = "-c"
			break
		}
		if rest[0] == "-s" {
			rest = rest[1:]
			continue
		}
		if rest[0] == "-o" && len(rest) > 1 {
			if !sh.setOption(rest[1], true) {
				sh.errorf("set: %s: bad option", rest[1])
				return 1
			}
			rest = rest[2:]
			continue
		}
		if !sh.setFlags(rest[0]) {
			sh.errorf("%s: unknown option", rest[0])
			return 1
		}
		rest = rest[1:]
	}
	switch {
	case len(rest) > 0 && rest[0] == "-c":
		if len(rest) < 2 {
			sh.errorf("-c requires an argument")
			return 1
		}
		sh.name = "/system/bin/sh"
		if len(rest) > 2 {
			sh.name, sh.params = rest[2], rest[3:]
		}
		return sh.runText(rest[1], true)
	case len(rest) > 0:
		sh.name, sh.script, sh.params = rest[0], rest[0], rest[1:]
		f, err := sh.open(rest[0], false, false, false)
		var text []byte
		if err == nil {
			text, err = sh.m.fs.content(f.endpoint.(*nodeFile).n)
		}
		if err != nil {
			sh.script = ""
			sh.name = "/system/bin/sh"
			sh.errorf("%s: %s", rest[0], errText(err))
			return 127
		}
		return sh.runText(string(text), false)
	}
	sh.name = "/system/bin/sh"
	if im.fds[0] == nil {
		return 0
	}
	var text []byte
	for {
		line, err := im.fds[0].readLine(im.proc.ctx, '\n')
		text = append(text, line...)
		if err != nil {
			break
		}
	}
	return sh.runText(string(text), false)
}

// parseSeconds reads 5, 0.2, 1m, 2h, 1d.
func parseSeconds(s string) (time.Duration, bool) {
	unit := time.Second
	if n := len(s); n > 0 {
		switch s[n-1] {
		case 's':
			s = s[:n-1]
		case 'm':
			unit, s = time.Minute, s[:n-1]
		case 'h':
			unit, s = time.Hour, s[:n-1]
		case 'd':
			unit, s = 24*time.Hour, s[:n-1]
		}
	}
	f, err := strconv.ParseFloat(s, 64)
	if err != nil || !(f >= 0) || f > 1e9 {
		return 0, false
	}
	return time.Duration(f * float64(unit)), true
}
