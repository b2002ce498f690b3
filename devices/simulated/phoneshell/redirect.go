package phoneshell

import (
	"fmt"
	"strconv"
	"strings"
	"syscall"

	"mvdan.cc/sh/v3/expand"
	"mvdan.cc/sh/v3/syntax"
)

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
