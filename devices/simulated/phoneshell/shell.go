package phoneshell

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"path"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
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

type saved struct {
	fd int
	f  *file
}

// redirected runs body with the redirections in force and puts the descriptors back.
func (sh *shell) redirected(redirs []*syntax.Redirect, body func()) {
	if len(redirs) == 0 {
		body()
		return
	}
	var old []saved
	if sh.redirectAll(redirs, &old) {
		sh.keepFDs = false
		body()
	}
	keep := sh.keepFDs
	sh.keepFDs = false
	for i := len(old) - 1; i >= 0; i-- {
		if keep {
			old[i].f.release()
		} else {
			sh.fds.set(old[i].fd, old[i].f)
		}
	}
}

// redirectAll applies redirections in order; old collects what they replaced, nil lets
// it go. On failure it prints why, sets the status and returns false.
func (sh *shell) redirectAll(redirs []*syntax.Redirect, old *[]saved) bool {
	for _, rd := range redirs {
		if err := sh.redirect(rd, old); err != nil {
			if sh.flow == goOn {
				sh.errorf("%v", err)
				sh.status = 1
			}
			return false
		}
	}
	return true
}

func (sh *shell) install(fd int, f *file, old *[]saved) {
	if old != nil {
		*old = append(*old, saved{fd, sh.fds[fd]})
		sh.fds[fd] = nil
	}
	sh.fds.set(fd, f)
}

func (sh *shell) redirect(rd *syntax.Redirect, old *[]saved) error {
	fd := 1
	switch rd.Op {
	case syntax.RdrIn, syntax.RdrInOut, syntax.DplIn, syntax.Hdoc, syntax.DashHdoc, syntax.WordHdoc:
		fd = 0
	}
	if rd.N != nil {
		n, err := strconv.Atoi(rd.N.Value)
		if err != nil || n < 0 || n >= len(sh.fds) {
			return fmt.Errorf("%s: bad file descriptor", rd.N.Value)
		}
		fd = n
	}
	switch rd.Op {
	case syntax.Hdoc, syntax.DashHdoc:
		text, err := sh.hereDocument(rd)
		if err != nil {
			return sh.expandFailed(err)
		}
		sh.install(fd, newFile(&textReader{b: []byte(text)}), old)
		return nil
	}
	word, err := expand.Literal(sh.cfg, rd.Word)
	if err != nil {
		return sh.expandFailed(err)
	}
	switch rd.Op {
	case syntax.WordHdoc:
		sh.install(fd, newFile(&textReader{b: []byte(word + "\n")}), old)
	case syntax.DplIn, syntax.DplOut:
		if word == "-" {
			sh.install(fd, nil, old)
			return nil
		}
		n, err := strconv.Atoi(word)
		if err != nil || n < 0 || n >= len(sh.fds) || sh.fds[n] == nil {
			return fmt.Errorf("%s: bad file descriptor", word)
		}
		sh.install(fd, sh.fds[n].retain(), old)
	case syntax.RdrIn:
		f, err := sh.open(word, false, false, false)
		if err != nil {
			return fmt.Errorf("%s: %s", word, errText(err))
		}
		sh.install(fd, f, old)
	case syntax.RdrOut, syntax.RdrClob, syntax.AppOut, syntax.RdrInOut:
		if sh.opt.noclobber && rd.Op == syntax.RdrOut {
			if info, err := sh.m.fs.Stat(absPath(sh.dir, word)); err == nil && info.Mode().IsRegular() {
				return fmt.Errorf("%s: File exists", word)
			}
		}
		f, err := sh.open(word, true, rd.Op == syntax.AppOut, rd.Op == syntax.RdrOut || rd.Op == syntax.RdrClob)
		if err != nil {
			return fmt.Errorf("%s: %s", word, errText(err))
		}
		if rd.Op == syntax.RdrInOut {
			f.endpoint.(*nodeFile).reads = true
		}
		sh.install(fd, f, old)
	case syntax.RdrAll, syntax.AppAll:
		f, err := sh.open(word, true, rd.Op == syntax.AppAll, rd.Op == syntax.RdrAll)
		if err != nil {
			return fmt.Errorf("%s: %s", word, errText(err))
		}
		sh.install(1, f, old)
		sh.install(2, f.retain(), old)
	default:
		return fmt.Errorf("redirection %v: not supported", rd.Op)
	}
	return nil
}

// open opens a file as the shell user.
func (sh *shell) open(name string, write, appends, trunc bool) (*file, error) {
	if name == "" {
		return nil, syscall.ENOENT
	}
	n, err := sh.m.fs.openNode(absPath(sh.dir, name), true, write, write, trunc, 0o644)
	if err != nil {
		return nil, err
	}
	return newFile(&nodeFile{fs: sh.m.fs, n: n, name: name, append: appends, reads: !write, writes: write}), nil
}

func (sh *shell) hereDocument(rd *syntax.Redirect) (string, error) {
	if rd.Hdoc == nil {
		return "", nil
	}
	if rd.Op == syntax.Hdoc {
		return expand.Document(sh.cfg, rd.Hdoc)
	}
	// <<- : tabs that begin a line of the source go, those out of expansions stay.
	w := syntax.Word{}
	atStart := true
	for _, part := range rd.Hdoc.Parts {
		lit, ok := part.(*syntax.Lit)
		if !ok {
			w.Parts = append(w.Parts, part)
			atStart = false
			continue
		}
		var b strings.Builder
		for _, c := range lit.Value {
			if c == '\t' && atStart {
				continue
			}
			atStart = c == '\n'
			b.WriteRune(c)
		}
		w.Parts = append(w.Parts, &syntax.Lit{Value: b.String()})
	}
	return expand.Document(sh.cfg, &w)
}

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

func (sh *shell) cmd(cm syntax.Command) {
	switch cm := cm.(type) {
	case nil: // redirections only
		sh.status = 0
	case *syntax.CallExpr:
		sh.call(cm)
	case *syntax.Block:
		sh.stmts(cm.Stmts)
	case *syntax.Subshell:
		sub := sh.subshell()
		sub.stmts(cm.Stmts)
		sub.finish()
		sh.status = sub.status
		sub.close()
	case *syntax.BinaryCmd:
		switch cm.Op {
		case syntax.AndStmt, syntax.OrStmt:
			sh.guarded++
			sh.stmt(cm.X)
			sh.guarded--
			if sh.flow == goOn && (sh.status == 0) == (cm.Op == syntax.AndStmt) {
				sh.stmt(cm.Y)
			}
		case syntax.Pipe:
			sh.pipeline(cm)
		default:
			sh.errorf("|&: not supported")
			sh.status, sh.flow = 1, exiting
		}
	case *syntax.IfClause:
		for c := cm; c != nil; c = c.Else {
			if len(c.Cond) > 0 {
				sh.guarded++
				sh.stmts(c.Cond)
				sh.guarded--
				if sh.stop() {
					return
				}
				if sh.status != 0 {
					sh.status = 0
					continue
				}
			}
			sh.stmts(c.Then)
			return
		}
	case *syntax.WhileClause:
		status := 0
		sh.loops++
		for !sh.stop() {
			sh.guarded++
			sh.stmts(cm.Cond)
			sh.guarded--
			if sh.leaveLoop() || (sh.status == 0) == cm.Until {
				break
			}
			sh.status = status
			sh.stmts(cm.Do)
			status = sh.status
			if sh.leaveLoop() {
				break
			}
		}
		sh.loops--
		if sh.flow == goOn {
			sh.status = status
		}
	case *syntax.ForClause:
		sh.forClause(cm)
	case *syntax.CaseClause:
		sh.caseClause(cm)
	case *syntax.FuncDecl:
		if cm.Name == nil { // which the parser takes for a function without a name
			sh.errorf("syntax error: unexpected '('")
			sh.status = 2
			return
		}
		if sh.shared {
			sh.funcs, sh.shared = maps.Clone(sh.funcs), false
		}
		if sh.funcs == nil {
			sh.funcs = map[string]*syntax.Stmt{}
		}
		sh.funcs[cm.Name.Value] = cm.Body
		sh.status = 0
	case *syntax.ArithmCmd:
		n, err := sh.arith(cm.X)
		if err != nil {
			sh.expandFailed(err)
			return
		}
		sh.status = oneIf(n == 0)
	case *syntax.LetClause:
		for _, x := range cm.Exprs {
			n, err := sh.arith(x)
			if err != nil {
				sh.expandFailed(err)
				return
			}
			sh.status = oneIf(n == 0)
		}
	case *syntax.TestClause:
		ok, err := sh.testExpr(cm.X)
		switch {
		case err == errAborted:
		case err != nil:
			sh.errorf("%v", err)
			sh.status = 2
		default:
			sh.status = oneIf(!ok)
		}
	case *syntax.DeclClause:
		sh.declare(cm)
	case *syntax.TimeClause:
		began := sh.m.Uptime()
		if cm.Stmt != nil {
			sh.stmt(cm.Stmt)
		}
		d := sh.m.Uptime() - began
		sh.print(2, fmt.Sprintf("%5dm%05.2fs real     0m00.00s user     0m00.00s system\n", int(d.Minutes()), d.Seconds()-60*float64(int(d.Minutes()))))
	default:
		sh.errorf("%T: not supported", cm)
		sh.status, sh.flow = 1, exiting
	}
}

// leaveLoop takes a break or continue that is meant for the innermost loop, and says
// whether that loop is over.
func (sh *shell) leaveLoop() bool {
	switch sh.flow {
	case breaking, continuing:
		sh.levels--
		if sh.levels > 0 {
			return true // an outer loop's
		}
		over := sh.flow == breaking
		sh.flow = goOn
		return over
	}
	return sh.stop()
}

func (sh *shell) forClause(cm *syntax.ForClause) {
	sh.loops++
	defer func() { sh.loops-- }()
	if cm.Select {
		sh.errorf("select: not supported")
		sh.status, sh.flow = 1, exiting
		return
	}
	iter, ok := cm.Loop.(*syntax.WordIter)
	if !ok {
		sh.errorf("for ((…)): not supported")
		sh.status, sh.flow = 1, exiting
		return
	}
	items := sh.params
	if iter.InPos.IsValid() {
		if items, ok = sh.fields(iter.Items); !ok {
			return
		}
	}
	sh.status = 0
	for _, item := range items {
		if !sh.set(iter.Name.Value, item) {
			return
		}
		sh.stmts(cm.Do)
		if sh.leaveLoop() {
			break
		}
	}
}

func (sh *shell) caseClause(cm *syntax.CaseClause) {
	word, ok := sh.literal(cm.Word)
	if !ok {
		return
	}
	sh.status = 0
	fall := false
	for _, item := range cm.Items {
		hit := fall
		for _, p := range item.Patterns {
			if hit {
				break
			}
			pat, err := expand.Pattern(sh.cfg, p)
			if err != nil {
				sh.expandFailed(err)
				return
			}
			hit = match(pat, word)
		}
		if !hit {
			continue
		}
		sh.stmts(item.Stmts)
		switch item.Op {
		case syntax.Fallthrough:
			fall = true
		case syntax.Resume, syntax.ResumeKorn:
			fall = false
		default:
			return
		}
		if sh.stop() {
			return
		}
	}
}

var matchers cache // pattern text to *glob

// A cache keeps what was made of texts that come again and again. It is emptied when it
// has grown, since scripts also make texts that never come again.
type cache struct {
	m sync.Map
	n atomic.Int64
}

const mostCached = 200

func (c *cache) load(text string) (any, bool) { return c.m.Load(text) }

func (c *cache) store(text string, v any) {
	if c.n.Add(1) > mostCached {
		c.n.Store(1)
		c.m.Clear()
	}
	c.m.Store(text, v)
}

// match says whether a shell pattern matches the whole of s.
func match(pat, s string) bool {
	if !strings.ContainsAny(pat, `*?[\(`) {
		return pat == s
	}
	if pat == "*" {
		return true
	}
	return globFor(pat).match(s)
}

func globFor(pat string) *glob {
	v, ok := matchers.load(pat)
	if !ok {
		v = newGlob(pat)
		matchers.store(pat, v)
	}
	return v.(*glob)
}

// pipeline runs every stage in a subshell, the last one on this process.
func (sh *shell) pipeline(cm *syntax.BinaryCmd) {
	stages := []*syntax.Stmt{cm.Y}
	for x := cm.X; ; {
		b, ok := x.Cmd.(*syntax.BinaryCmd)
		if !ok || b.Op != syntax.Pipe || len(x.Redirs) > 0 || x.Negated {
			stages = append(stages, x)
			break
		}
		stages = append(stages, b.Y)
		x = b.X
	}
	slices.Reverse(stages)
	var procs []*process
	in := sh.fds[0].retain()
	for _, st := range stages[:len(stages)-1] {
		r, w := newPipe()
		c := sh.fork()
		if c == nil {
			sh.status, sh.flow = 1, exiting
			in.release()
			return
		}
		c.guarded = 0
		c.fds.set(0, in)
		c.fds.set(1, w)
		in = r
		if call, ok := st.Cmd.(*syntax.CallExpr); ok && !st.Negated && !st.Background {
			c.tail = call
		}
		procs = append(procs, c.proc)
		c.start(func() int {
			c.stmt(st)
			c.finish()
			return c.status
		})
	}
	sub := sh.subshell()
	sub.guarded = 0
	sub.fds.set(0, in)
	sub.stmt(stages[len(stages)-1])
	sub.finish()
	sub.close()
	sh.status = sub.status
	for _, p := range procs {
		sh.proc.waitThrough(p)
		if s := p.exitStatus(); sh.opt.pipefail && sh.status == 0 {
			sh.status = s
		}
	}
}

func (sh *shell) assign(as *syntax.Assign, put func(string, expand.Variable) bool) bool {
	if as.Array != nil || as.Index != nil {
		sh.errorf("%s: arrays are not supported", as.Name.Value)
		sh.status, sh.flow = 1, exiting
		return false
	}
	value, ok := sh.literal(as.Value)
	if !ok {
		return false
	}
	if as.Append {
		value = environ{sh}.Get(as.Name.Value).Str + value
	}
	return put(as.Name.Value, str(value))
}

func (sh *shell) put(name string, v expand.Variable) bool {
	if err := sh.setVar(name, v); err != nil {
		sh.errorf("%v", err)
		sh.status, sh.flow = 2, exiting
		return false
	}
	return true
}

func (sh *shell) call(cm *syntax.CallExpr) {
	sh.subst = 0
	args, ok := sh.fields(cm.Args)
	if !ok {
		return
	}
	if len(args) == 0 {
		for _, as := range cm.Assigns {
			if !sh.assign(as, sh.put) {
				return
			}
		}
		if sh.opt.xtrace && len(cm.Assigns) > 0 {
			sh.print(2, "+ "+source(&syntax.CallExpr{Assigns: cm.Assigns})+"\n")
		}
		sh.status = sh.subst
		return
	}
	if sh.opt.xtrace {
		sh.print(2, "+ "+strings.Join(args, " ")+"\n")
	}
	if len(cm.Assigns) > 0 {
		layer := &scope{parent: sh.vars, local: true}
		for _, as := range cm.Assigns {
			if !sh.assign(as, func(name string, v expand.Variable) bool {
				v.Exported = true
				layer.declare(name, v)
				return true
			}) {
				return
			}
		}
		if args[0] == "exec" { // they stay
			for name, v := range layer.vars {
				sh.setVar(name, v)
			}
		} else {
			outer := sh.vars
			sh.vars = layer
			defer func() { sh.vars = outer }()
		}
	}
	sh.invoke(args, cm == sh.tail)
}

// invoke runs a command by name: function, builtin or program. last means that nothing
// comes after it in this process, so that a program may take the process over.
func (sh *shell) invoke(args []string, last bool) {
	name := args[0]
	if body := sh.funcs[name]; body != nil {
		params, vars, loops := sh.params, sh.vars, sh.loops
		sh.params, sh.loops = args[1:], 0
		sh.vars = &scope{parent: vars, local: true}
		sh.functions++
		sh.stmt(body)
		sh.functions--
		sh.params, sh.vars, sh.loops = params, vars, loops
		if sh.flow == returning {
			sh.flow = goOn
		}
		return
	}
	if b, ok := builtins[name]; ok {
		sh.status = b(sh, args)
		return
	}
	sh.program(args, last)
}

func (sh *shell) program(args []string, last bool) {
	if last || sh.m.startsProcess(args[0]) {
		im := &image{proc: sh.proc, fds: *sh.fds, dir: sh.dir, env: sh.exported()}
		if last {
			im.fds = sh.fds.dup()
			sh.fds.closeAll()
			sh.status = im.run(args)
			*sh.fds = im.fds // closed with the process
			sh.flow = exiting
			return
		}
		c := im.spawn(args)
		if c == nil {
			sh.status, sh.flow = 1, exiting
			return
		}
		sh.proc.waitThrough(c)
		sh.status = c.exitStatus()
		return
	}
	c := sh.m.command(path.Base(args[0]))
	if c == nil || strings.Contains(args[0], "/") && sh.m.command(args[0]) == nil && !strings.HasPrefix(absPath(sh.dir, args[0]), "/system/bin/") {
		sh.errorf("%s: inaccessible or not found", args[0])
		sh.status = 127
		return
	}
	p := &Proc{
		Stdin: fdReader{sh.proc, sh.fds[0]}, Stdout: fdWriter{sh.proc, sh.fds[1]}, Stderr: fdWriter{sh.proc, sh.fds[2]},
		M: sh.m, PID: sh.proc.pid, Dir: sh.dir, proc: sh.proc,
		env: func(k string) string {
			if v := (environ{sh}).Get(k); v.Exported {
				return v.Str
			}
			return ""
		},
	}
	if args[0] == "xargs" {
		p.image = &image{proc: sh.proc, fds: *sh.fds, dir: sh.dir, env: sh.exported()}
	}
	sh.status = c(sh.proc.ctx, p, args) & 0xff
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

func (sh *shell) declare(cm *syntax.DeclClause) {
	sh.status, sh.subst = 0, 0
	var export, readonly bool
	local := cm.Variant.Value == "local" || cm.Variant.Value == "typeset"
	switch cm.Variant.Value {
	case "export":
		export = true
	case "readonly":
		readonly = true
	case "local":
		if sh.functions == 0 {
			sh.errorf("local: can only be used in a function")
			sh.status = 1
			return
		}
	case "typeset":
		local = sh.functions > 0
	default:
		sh.errorf("%s: not supported", cm.Variant.Value)
		sh.status = 2
		return
	}
	named := false
	handle := func(name string, value *string, add bool) bool {
		named = true
		if !syntax.ValidName(name) {
			sh.errorf("%s: is not an identifier", name)
			sh.status = 1
			return false
		}
		old := sh.vars.get(name)
		v := old
		switch {
		case value != nil:
			if old.ReadOnly {
				sh.put(name, v)
				return false
			}
			if add {
				v = str(old.Str + *value)
			} else {
				v = str(*value)
			}
			v.Exported = old.Exported && !local
		case local:
			v = expand.Variable{} // mksh: a fresh local is unset
		}
		v.Exported = v.Exported || export
		v.ReadOnly = v.ReadOnly || readonly
		if local {
			sh.vars.declare(name, v)
		} else {
			sh.vars.set(name, v)
		}
		return true
	}
	for _, as := range cm.Args {
		if as.Name == nil { // text that is known only now: options, or NAME=VALUE out of a variable
			words, ok := sh.fields([]*syntax.Word{as.Value})
			if !ok {
				return
			}
			for _, w := range words {
				if strings.HasPrefix(w, "-") && len(w) > 1 {
					for _, c := range w[1:] {
						switch c {
						case 'x':
							export = true
						case 'r':
							readonly = true
						case 'g':
							local = false
						case 'p':
						default:
							sh.errorf("%s: -%c: not supported", cm.Variant.Value, c)
							sh.status = 2
							return
						}
					}
					continue
				}
				name, value, has := strings.Cut(w, "=")
				var v *string
				if has {
					v = &value
				}
				if !handle(name, v, false) {
					return
				}
			}
			continue
		}
		if as.Array != nil || as.Index != nil {
			sh.errorf("%s: arrays are not supported", as.Name.Value)
			sh.status = 2
			return
		}
		if as.Naked {
			if !handle(as.Name.Value, nil, false) {
				return
			}
			continue
		}
		value, ok := sh.literal(as.Value)
		if !ok || !handle(as.Name.Value, &value, as.Append) {
			return
		}
	}
	if !named && len(cm.Args) == 0 {
		all := sh.vars.flatten()
		for _, name := range sortedKeys(all) {
			if v := all[name]; v.Set && (!export || v.Exported) && (!readonly || v.ReadOnly) && name != " pid" {
				sh.print(1, name+"="+v.Str+"\n")
			}
		}
	}
}
