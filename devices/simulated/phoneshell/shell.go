package phoneshell

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"mvdan.cc/sh/v3/expand"
	"mvdan.cc/sh/v3/syntax"
)

// A programCache keeps parsed texts: the same commands come again and again.
type programCache struct {
	mu    sync.Mutex
	texts map[string]*syntax.File
}

func (c *programCache) parse(text, name string) (*syntax.File, error) {
	c.mu.Lock()
	f := c.texts[text]
	c.mu.Unlock()
	if f != nil {
		return f, nil
	}
	f, err := syntax.NewParser(syntax.Variant(syntax.LangMirBSDKorn)).Parse(strings.NewReader(text), name)
	if err != nil {
		return nil, err
	}
	rewrite(f)
	c.mu.Lock()
	if len(c.texts) >= 64 || c.texts == nil {
		c.texts = map[string]*syntax.File{}
	}
	c.texts[text] = f
	c.mu.Unlock()
	return f, nil
}

// rewrite turns every $((…)) into a command substitution that holds the expression, so
// that the expander hands it to us: its own arithmetic has 64 bits, mksh's has 32. The
// node is told apart by its missing position.
func rewrite(f *syntax.File) {
	swap := func(parts []syntax.WordPart) {
		for i, part := range parts {
			if a, ok := part.(*syntax.ArithmExp); ok {
				parts[i] = &syntax.CmdSubst{Left: a.Left, Right: a.Right,
					Stmts: []*syntax.Stmt{{Cmd: &syntax.ArithmCmd{X: a.X, Unsigned: a.Unsigned}}}}
			}
		}
	}
	syntax.Walk(f, func(n syntax.Node) bool {
		switch n := n.(type) {
		case *syntax.Word:
			swap(n.Parts)
		case *syntax.DblQuoted:
			swap(n.Parts)
		}
		return true
	})
}

func rewritten(cs *syntax.CmdSubst) (*syntax.ArithmCmd, bool) {
	if len(cs.Stmts) != 1 {
		return nil, false
	}
	a, ok := cs.Stmts[0].Cmd.(*syntax.ArithmCmd)
	return a, ok && !a.Left.IsValid()
}

// A scope is one layer of variables: the globals, a function's locals, or what a
// subshell changed on top of its parent.
type scope struct {
	parent  *scope
	vars    map[string]expand.Variable
	local   bool // a function's: only names declared local are set here
	barrier bool // a subshell's: nothing is set below it
}

func (s *scope) get(name string) expand.Variable {
	for ; s != nil; s = s.parent {
		if v, ok := s.vars[name]; ok {
			return v
		}
	}
	return expand.Variable{}
}

func (s *scope) set(name string, v expand.Variable) {
	for s.local {
		if _, ok := s.vars[name]; ok {
			break
		}
		s = s.parent
	}
	s.declare(name, v)
}

func (s *scope) declare(name string, v expand.Variable) {
	if s.vars == nil {
		s.vars = map[string]expand.Variable{}
	}
	s.vars[name] = v
}

func (s *scope) flatten() map[string]expand.Variable {
	var all map[string]expand.Variable
	if s.parent != nil {
		all = s.parent.flatten()
	} else {
		all = make(map[string]expand.Variable, len(s.vars))
	}
	maps.Copy(all, s.vars)
	return all
}

// flow is why the statements of a list are not gone on with.
type flow uint8

const (
	goOn flow = iota
	breaking
	continuing
	returning
	exiting
)

type options struct {
	errexit, nounset, noglob, xtrace, pipefail, monitor, noclobber, allexport, noexec bool
}

type job struct {
	proc   *process
	number int
	text   string
}

// A shell runs statements on the goroutine of its process. Subshells and command
// substitutions are shells too, on the same process; background commands and the stages
// of pipes get a process of their own.
type shell struct {
	m      *Machine
	proc   *process
	fds    *fdTable
	own    fdTable // what fds points to, unless the image's
	image  *image  // of the process's first shell
	dir    string
	vars   *scope
	funcs  map[string]*syntax.Stmt
	shared bool // funcs belongs to another shell too
	params []string
	name   string // $0
	script string // file name for messages, "" for -c
	line   uint
	opt    options
	cfg    *expand.Config

	preset     uint64 // signals ignored since before this shell: a trap cannot change them
	main       bool   // takes the signals of its process
	tail       *syntax.CallExpr
	status     int
	subst      int // status of the last command substitution of this command
	flow       flow
	levels     int // loops still to leave
	loops      int
	functions  int
	sourcing   int
	depth      int
	unfolded   int // expressions that came out of expressions, at the moment
	guarded    int // inside a condition: set -e does not act
	keepFDs    bool
	traps      map[int]string // by signal, 0 is EXIT
	handling   bool
	bySignal   bool // exits out of a signal's trap
	jobs       []*job
	lastJob    int // $!
	began      time.Duration
	getoptsAt  int
	getoptsPos int
}

func newShell(im *image) *shell {
	sh := &shell{m: im.proc.m, proc: im.proc, fds: &im.fds, image: im, dir: im.dir, main: true,
		vars: &scope{vars: map[string]expand.Variable{}}, began: im.proc.m.Uptime()}
	for k, v := range im.env {
		sh.vars.vars[k] = expand.Variable{Set: true, Exported: true, Kind: expand.String, Str: v}
	}
	sh.vars.vars["OPTIND"] = expand.Variable{Set: true, Kind: expand.String, Str: "1"}
	im.proc.mu.Lock()
	sh.preset = im.proc.ignored
	im.proc.mu.Unlock()
	sh.configure()
	return sh
}

func (sh *shell) configure() {
	sh.cfg = &expand.Config{Env: environ{sh}, CmdSubst: sh.substitute, ReadDir2: sh.glob, NoUnset: sh.opt.nounset, ExtGlob: true,
		ProcSubst: func(*syntax.ProcSubst) (string, error) {
			return "", errors.New("process substitution: not on a phone")
		}}
	if sh.opt.noglob {
		sh.cfg.ReadDir2 = nil
	}
}

func (sh *shell) close() { sh.own.closeAll() }

// subshell is a copy on the same process: ( ), $( ), the last stage of a pipe.
func (sh *shell) subshell() *shell {
	c := *sh
	c.own = sh.fds.dup()
	c.fds = &c.own
	c.vars = &scope{parent: sh.vars, barrier: true}
	c.main, c.tail, c.jobs, c.traps = false, nil, nil, nil
	c.flow, c.loops, c.keepFDs, c.handling = goOn, 0, false, false
	c.shared, sh.shared = true, true
	c.configure()
	return &c
}

// fork is a copy for a process of its own, which has not been started yet.
func (sh *shell) fork() *shell {
	p := sh.m.newProcess(sh.proc, nil)
	if p == nil {
		return nil
	}
	c := *sh
	c.proc, c.image = p, nil
	c.own = sh.fds.dup()
	c.fds = &c.own
	c.vars = &scope{vars: sh.vars.flatten()}
	c.main, c.tail, c.jobs, c.traps = true, nil, nil, nil
	c.flow, c.loops, c.keepFDs, c.handling = goOn, 0, false, false
	c.funcs, c.shared = maps.Clone(sh.funcs), false
	c.configure()
	return &c
}

func (sh *shell) start(body func() int) { sh.proc.start(body, sh.fds) }

// runText runs a whole program text and the EXIT trap, and returns the exit code. sole
// says that the text is a command line, whose only command may take the process over.
func (sh *shell) runText(text string, sole bool) int {
	sh.vars.vars[" pid"] = str(strconv.Itoa(sh.proc.pid))
	f, err := sh.m.programs.parse(text, sh.name)
	if err != nil {
		sh.errorf("%v", err)
		return 1
	}
	if sole && len(f.Stmts) == 1 {
		if call, ok := f.Stmts[0].Cmd.(*syntax.CallExpr); ok && !f.Stmts[0].Negated && !f.Stmts[0].Background {
			sh.tail = call
		}
	}
	sh.stmts(f.Stmts)
	sh.finish()
	return sh.status
}

func (sh *shell) errorf(format string, a ...any) {
	where := sh.name
	if sh.script != "" && sh.line > 0 {
		where = fmt.Sprintf("%s[%d]", sh.script, sh.line)
	}
	sh.print(2, where+": "+fmt.Sprintf(format, a...)+"\n")
}

func (sh *shell) print(fd int, s string) error {
	if sh.fds[fd] == nil {
		return syscall.EBADF
	}
	_, err := fdWriter{sh.proc, sh.fds[fd]}.Write([]byte(s))
	return err
}

// finish runs the EXIT trap of a shell that ends by itself.
//
// mksh's habit, which a script may depend on: after an exit out of a signal's trap the
// exit code is that of the EXIT trap's last command.
func (sh *shell) finish() {
	text, ok := sh.traps[0]
	if !ok || text == "" || sh.proc.dead() {
		return
	}
	delete(sh.traps, 0)
	status := sh.status
	sh.flow = goOn
	sh.trap(text)
	if sh.flow != exiting && !sh.bySignal {
		sh.status = status
	}
}

// fatalSignals end a shell through its EXIT trap when it has one, as mksh does it (and
// not HUP).
var fatalSignals = []int{2, 3, 15}

// guardExit makes the fatal signals reach handleSignals while there is an EXIT trap.
func (sh *shell) guardExit() {
	if !sh.main {
		return
	}
	for _, sig := range fatalSignals {
		if _, own := sh.traps[sig]; own || sh.preset&(1<<sig) != 0 {
			continue
		}
		if sh.traps[0] != "" {
			sh.proc.dispose(sig, catch)
		} else {
			sh.proc.dispose(sig, byDefault)
		}
	}
}

// trap runs an action. Its caller puts the status back unless the action exits.
func (sh *shell) trap(text string) {
	f, err := sh.m.programs.parse(text, "trap")
	if err != nil {
		sh.errorf("trap: %v", err)
		return
	}
	fl, levels, tail := sh.flow, sh.levels, sh.tail
	sh.flow, sh.tail = goOn, nil
	sh.stmts(f.Stmts)
	if sh.flow != exiting {
		sh.flow, sh.levels = fl, levels
	}
	sh.tail = tail
}

func (sh *shell) handleSignals() {
	if !sh.main || sh.handling {
		return
	}
	sh.handling = true
	for sh.flow != exiting && !sh.proc.dead() {
		sig := sh.proc.takeSignal()
		if sig == 0 {
			break
		}
		if text := sh.traps[sig]; text != "" {
			status := sh.status
			if sh.trap(text); sh.flow != exiting {
				sh.status = status
			}
		} else {
			sh.status, sh.flow = 128+sig, exiting
		}
	}
	sh.handling = false
	sh.bySignal = sh.bySignal || sh.flow == exiting
}

func (sh *shell) stop() bool { return sh.flow != goOn || sh.proc.dead() }

func (sh *shell) stmts(list []*syntax.Stmt) {
	for _, st := range list {
		if sh.stop() {
			return
		}
		sh.stmt(st)
	}
}

func (sh *shell) stmt(st *syntax.Stmt) {
	if sh.stop() {
		return
	}
	if sh.depth > 400 {
		sh.errorf("recursion too deep")
		sh.status, sh.flow = 1, exiting
		return
	}
	if run := sh.m.opt.Run; run != nil {
		run(sh.proc.ctx)
	}
	sh.depth++
	defer func() { sh.depth-- }()
	if pos := st.Position; pos.IsValid() {
		sh.line = pos.Line()
	}
	switch {
	case sh.opt.noexec:
		return
	case st.Coprocess:
		sh.errorf("coprocesses (|&) are not supported")
		sh.status, sh.flow = 1, exiting
		return
	case st.Background:
		sh.background(st)
	default:
		if st.Negated {
			sh.guarded++
		}
		sh.redirected(st.Redirs, func() { sh.cmd(st.Cmd) })
		if st.Negated {
			sh.guarded--
			if sh.flow != exiting {
				sh.status = oneIf(sh.status == 0)
			}
		}
	}
	if sh.proc.pending.Load() {
		sh.handleSignals()
	}
	if sh.status != 0 && sh.opt.errexit && sh.guarded == 0 && !st.Negated && !st.Background && sh.flow == goOn && !isList(st.Cmd) {
		sh.flow = exiting
	}
}

// isList tells && and || lists apart, whose parts have been judged already.
func isList(c syntax.Command) bool {
	b, ok := c.(*syntax.BinaryCmd)
	return ok && (b.Op == syntax.AndStmt || b.Op == syntax.OrStmt)
}

func oneIf(b bool) int {
	if b {
		return 1
	}
	return 0
}

// background starts st in a process of its own and sets $!.
func (sh *shell) background(st *syntax.Stmt) {
	c := sh.fork()
	if c == nil {
		sh.status, sh.flow = 1, exiting
		return
	}
	if !sh.opt.monitor {
		c.fds.set(0, newFile(sh.m.nullFile()))
	}
	number := 1
	for _, j := range sh.jobs {
		number = max(number, j.number+1)
	}
	sh.jobs = append(sh.jobs, &job{c.proc, number, source(st)})
	if len(sh.jobs) > 200 { // a loop that never waits: forget the ended ones
		sh.jobs = slices.DeleteFunc(sh.jobs, func(j *job) bool { return j.proc.ended() })
	}
	sh.lastJob = c.proc.pid
	sh.status = 0
	c.start(func() int {
		c.opt.errexit = sh.opt.errexit
		if call, ok := st.Cmd.(*syntax.CallExpr); ok && !st.Negated {
			c.tail = call
		}
		fg := *st
		fg.Background = false
		// The redirections are this process's own: what it had before is let go, so
		// that an adb stream does not wait for it.
		if c.redirectAll(fg.Redirs, nil) {
			fg.Redirs = nil
			c.stmt(&fg)
		}
		c.finish()
		return c.status
	})
}

func (p *process) ended() bool {
	select {
	case <-p.done:
		return true
	default:
		return false
	}
}

func source(n syntax.Node) string {
	var b strings.Builder
	syntax.NewPrinter(syntax.SingleLine(true)).Print(&b, n)
	return strings.TrimSuffix(strings.TrimSpace(b.String()), " &")
}
