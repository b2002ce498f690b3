package phoneshell

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"strconv"
	"strings"
	"syscall"
	"time"

	"mvdan.cc/sh/v3/expand"
	"mvdan.cc/sh/v3/syntax"
)

// errText is the system's message for an error, as Android's C library words it.
func errText(err error) string {
	var errno syscall.Errno
	if errors.As(err, &errno) {
		s := errno.Error()
		switch errno {
		case syscall.EPERM:
			s = "operation not permitted"
		case syscall.ELOOP:
			s = "too many symbolic links encountered"
		}
		return strings.ToUpper(s[:1]) + s[1:]
	}
	return err.Error()
}

// errAborted stands for an error that has been printed and has ended the shell.
var errAborted = errors.New("aborted")

// expandFailed reports a failed expansion, which ends a shell that is not interactive.
func (sh *shell) expandFailed(err error) error {
	if sh.flow == exiting || err == errAborted {
		return errAborted
	}
	if u, ok := errors.AsType[expand.UnsetParameterError](err); ok {
		name := u.Node.Param.Value
		if u.Message == "unbound variable" {
			sh.errorf("%s: parameter not set", name)
		} else {
			msg := u.Message
			if msg == "" {
				msg = "parameter null or not set"
			}
			sh.errorf("%s: %s", name, strings.TrimPrefix(msg, name+": "))
		}
	} else {
		sh.errorf("%v", err)
	}
	sh.status, sh.flow = 1, exiting
	return errAborted
}

func (sh *shell) literal(w *syntax.Word) (string, bool) {
	if w == nil {
		return "", true
	}
	if s, ok := sh.plainWord(w, true); ok {
		return s, true
	}
	s, err := expand.Literal(sh.cfg, w)
	if err != nil {
		sh.expandFailed(err)
		return "", false
	}
	return s, true
}

func (sh *shell) fields(words []*syntax.Word) ([]string, bool) {
	if len(words) == 0 {
		return nil, true
	}
	ifs := sh.ifs()
	odd := ifs != defaultIFS && strings.Trim(ifs, defaultIFS) != ""
	all := make([]string, 0, len(words))
	for _, w := range words {
		if s, ok := sh.plainWord(w, false); ok {
			all = append(all, s)
			continue
		}
		var f []string
		var err error
		ok := false
		if odd {
			f, ok, err = sh.splitAlone(w, ifs)
		}
		if !ok {
			f, err = expand.Fields(sh.cfg, w)
		}
		if err != nil {
			sh.expandFailed(err)
			return nil, false
		}
		all = append(all, f...)
	}
	return all, true
}

// glob lists a folder for the expansion of a pattern. The expander asks for every folder
// on the way, also for one that may only be passed through, such as /data: there nothing
// is found, and what lies below it still is.
func (sh *shell) glob(dir string) ([]fs.DirEntry, error) {
	list, err := sh.m.fs.readDir(absPath(sh.dir, dir), true)
	if errors.Is(err, syscall.EACCES) {
		return nil, nil
	}
	return list, err
}

// substitute is $( ), and the arithmetic that rewrite put into its clothes. The writer
// is the expander's shared buffer, so it is written once, at the end.
func (sh *shell) substitute(w io.Writer, cs *syntax.CmdSubst) error {
	var out string
	switch a, ok := rewritten(cs); {
	case ok:
		n, err := sh.arith(a.X)
		if err != nil {
			return err
		}
		if a.Unsigned {
			out = strconv.FormatUint(uint64(uint32(n)), 10)
		} else {
			out = strconv.FormatInt(n, 10)
		}
	case cs.ReplyVar:
		return errors.New("${|…}: not supported")
	case cs.TempFile:
		c := &captureWriter{}
		old := sh.fds[1]
		sh.fds[1] = newFile(c)
		sh.stmts(cs.Stmts)
		sh.fds.set(1, old)
		out = c.wait(sh.proc.ctx)
	default:
		if len(cs.Stmts) == 1 && cs.Stmts[0].Cmd == nil && len(cs.Stmts[0].Redirs) == 1 && cs.Stmts[0].Redirs[0].Op == syntax.RdrIn {
			name, ok := sh.literal(cs.Stmts[0].Redirs[0].Word)
			if !ok {
				return errAborted
			}
			f, err := sh.open(name, false, false, false)
			sh.subst = 0
			if err != nil {
				sh.errorf("%s: %s", name, errText(err))
				sh.subst = 1
				break
			}
			b, _ := io.ReadAll(fdReader{sh.proc, f})
			out = string(b)
			break
		}
		sub := sh.subshell()
		c := &captureWriter{}
		sub.fds.set(1, newFile(c))
		sub.guarded = 0
		sub.stmts(cs.Stmts)
		sub.finish()
		sub.close()
		out = c.wait(sh.proc.ctx)
		sh.subst = sub.status
	}
	if b, ok := w.(*strings.Builder); ok {
		b.Reset()
	}
	io.WriteString(w, out)
	return nil
}

// environ shows the shell's variables to the expander.
type environ struct{ sh *shell }

func str(s string) expand.Variable {
	return expand.Variable{Set: true, Kind: expand.String, Str: s}
}

func (e environ) Get(name string) expand.Variable {
	sh := e.sh
	switch name {
	case "?":
		return str(strconv.Itoa(sh.status))
	case "$":
		return str(strconv.Itoa(sh.mainPID()))
	case "!":
		if sh.lastJob == 0 {
			return expand.Variable{}
		}
		return str(strconv.Itoa(sh.lastJob))
	case "#":
		return str(strconv.Itoa(len(sh.params)))
	case "@", "*":
		list := sh.params
		if list == nil {
			list = []string{}
		}
		return expand.Variable{Set: true, Kind: expand.Indexed, List: list}
	case "-":
		return str(sh.flags())
	case "0":
		return str(sh.name)
	case "PWD":
		return expand.Variable{Set: true, Exported: true, Kind: expand.String, Str: sh.dir}
	case "PPID":
		return str(strconv.Itoa(sh.proc.info().Parent))
	case "RANDOM":
		return str(strconv.Itoa(rand.IntN(32768)))
	case "SECONDS":
		return str(strconv.FormatInt(int64((sh.m.Uptime()-sh.began)/time.Second), 10))
	case "EPOCHREALTIME":
		t := sh.m.Wall()
		return str(fmt.Sprintf("%d.%06d", t.Unix(), t.Nanosecond()/1000))
	case "KSH_VERSION":
		return str("@(#)MIRBSD KSH R59 2020/10/31 Android")
	}
	if c := name[0]; c >= '1' && c <= '9' {
		if n, err := strconv.Atoi(name); err == nil {
			if n <= len(sh.params) {
				return str(sh.params[n-1])
			}
			return expand.Variable{}
		}
	}
	if strings.HasPrefix(name, "HOME ") { // ~user: never the host's
		return str("/")
	}
	return sh.vars.get(name)
}

// mainPID is $$: the process of the shell that the program began in, also in its
// subshells and background commands.
func (sh *shell) mainPID() int {
	if v := sh.vars.get(" pid"); v.Set {
		n, _ := strconv.Atoi(v.Str)
		return n
	}
	return sh.proc.pid
}

func (e environ) Set(name string, v expand.Variable) error { return e.sh.setVar(name, v) }

func (e environ) Each(f func(string, expand.Variable) bool) {
	for name, v := range e.sh.vars.flatten() {
		if name != " pid" && !f(name, v) {
			return
		}
	}
}

// setVar assigns, keeping the attributes the variable has.
func (sh *shell) setVar(name string, v expand.Variable) error {
	old := sh.vars.get(name)
	if old.ReadOnly {
		return fmt.Errorf("read-only: %s", name)
	}
	v.Exported = v.Exported || old.Exported || sh.opt.allexport
	if name == "SECONDS" {
		n, _ := strconv.Atoi(v.Str)
		sh.began = sh.m.Uptime() - time.Duration(n)*time.Second
	}
	sh.vars.set(name, v)
	return nil
}

func (sh *shell) set(name, value string) bool {
	if err := sh.setVar(name, str(value)); err != nil {
		sh.errorf("%v", err)
		sh.status, sh.flow = 2, exiting // mksh ends a script here
		return false
	}
	return true
}

func (sh *shell) exported() map[string]string {
	env := map[string]string{}
	for name, v := range sh.vars.flatten() {
		if v.Exported && v.Set && v.Kind == expand.String {
			env[name] = v.Str
		}
	}
	env["PWD"] = sh.dir
	return env
}
