package phoneshell

import (
	"fmt"
	"maps"
	"path"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"mvdan.cc/sh/v3/expand"
	"mvdan.cc/sh/v3/syntax"
)

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
