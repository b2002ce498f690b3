package phoneshell

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
)

func trap(sh *shell, args []string) int {
	args = args[1:]
	if len(args) > 0 && args[0] == "--" {
		args = args[1:]
	}
	if len(args) == 0 || args[0] == "-p" {
		for _, sig := range sortedInts(sh.traps) {
			name := "EXIT"
			if sig > 0 {
				name = signalNames[sig]
			}
			if st := sh.writeOut("trap", "trap -- "+quoteTrap(sh.traps[sig])+" "+name+"\n"); st != 0 {
				return st
			}
		}
		return 0
	}
	if args[0] == "-l" {
		for n, name := range signalNames {
			if n > 0 {
				sh.print(1, fmt.Sprintf("%2d %s\n", n, name))
			}
		}
		return 0
	}
	action := args[0]
	names := args[1:]
	reset := action == "-"
	if _, err := strconv.Atoi(action); err == nil || len(names) == 0 {
		reset, names = true, args
	}
	status := 0
	for _, name := range names {
		sig, ok := signalNumber(name)
		if strings.EqualFold(name, "EXIT") {
			sig, ok = 0, true
		}
		if strings.EqualFold(name, "ERR") {
			sh.errorf("trap: ERR: not supported")
			status = 1
			continue
		}
		if !ok {
			sh.errorf("trap: %s: bad signal", name)
			status = 1
			continue
		}
		if sig > 0 && sh.preset&(1<<sig) != 0 {
			continue
		}
		if sh.traps == nil {
			sh.traps = map[int]string{}
		}
		d := catch
		switch {
		case reset:
			d = byDefault
			delete(sh.traps, sig)
		case action == "":
			d = ignore
			sh.traps[sig] = ""
		default:
			sh.traps[sig] = action
		}
		// A subshell shares its process with the shell that waits for it; the signals go to that one.
		if sig > 0 && sig != sigKILL && sh.main {
			sh.proc.dispose(sig, d)
		}
	}
	sh.guardExit()
	return status
}

func quoteTrap(s string) string {
	if s == "" {
		return "''"
	}
	return quote(s)
}

func sortedInts[V any](m map[int]V) []int { return slices.Sorted(maps.Keys(m)) }

func wait(sh *shell, args []string) int {
	var list []*job
	status := 0
	if len(args) == 1 {
		list = slices.Clone(sh.jobs)
	}
	for _, a := range args[1:] {
		j := sh.findJob(a)
		if j == nil {
			if _, err := strconv.Atoi(strings.TrimPrefix(a, "%")); err != nil {
				sh.errorf("wait: %s: not a job", a)
			}
			status = 127
			continue
		}
		list = append(list, j)
	}
	for _, j := range list {
		if !sh.waitFor(j.proc) {
			if sig := sh.proc.nextSignal(); sig != 0 {
				return 128 + sig
			}
			return 1 // killed
		}
		if len(args) > 1 {
			status = j.proc.status
		}
		sh.jobs = slices.DeleteFunc(sh.jobs, func(k *job) bool { return k == j })
	}
	return status
}

func (sh *shell) waitFor(c *process) bool {
	if sh.main {
		return sh.proc.wait(c)
	}
	sh.proc.waitThrough(c)
	return c.ended()
}

func (sh *shell) findJob(s string) *job {
	for i := len(sh.jobs) - 1; i >= 0; i-- {
		j := sh.jobs[i]
		if s == "%"+strconv.Itoa(j.number) || s == strconv.Itoa(j.proc.pid) || (s == "%%" || s == "%+") && i == len(sh.jobs)-1 {
			return j
		}
	}
	return nil
}

func jobs(sh *shell, args []string) int {
	for i := len(sh.jobs) - 1; i >= 0; i-- {
		j := sh.jobs[i]
		if j.proc.ended() {
			continue
		}
		mark := " "
		if i == len(sh.jobs)-1 {
			mark = "+"
		}
		line := fmt.Sprintf("[%d] %s Running              %s\n", j.number, mark, j.text)
		if len(args) > 1 && args[1] == "-p" {
			line = strconv.Itoa(j.proc.pid) + "\n"
		}
		sh.print(1, line)
	}
	return 0
}

func kill(sh *shell, args []string) int {
	resolve := func(s string) (int, bool) {
		if strings.HasPrefix(s, "%") {
			if j := sh.findJob(s); j != nil {
				return j.proc.pid, true
			}
			return 0, false
		}
		n, err := strconv.Atoi(s)
		return n, err == nil
	}
	p := &Proc{Stdout: fdWriter{sh.proc, sh.fds[1]}, Stderr: fdWriter{sh.proc, sh.fds[2]}, M: sh.m, PID: sh.proc.pid, proc: sh.proc}
	return killCommand(p, sh.name+": kill", args[1:], resolve)
}

// killCommand is kill as builtin and as program.
func killCommand(p *Proc, prefix string, args []string, resolve func(string) (int, bool)) int {
	sig := sigTERM
	if len(args) > 0 && args[0] == "-l" {
		if len(args) == 1 {
			for n, name := range signalNames {
				if n > 0 {
					fmt.Fprintf(p.Stdout, "%2d %s\n", n, name)
				}
			}
			return 0
		}
		n, err := strconv.Atoi(args[1])
		if err != nil || n&0x7f >= len(signalNames) || n&0x7f == 0 {
			return p.Errorf(prefix, "bad number: %s", args[1])
		}
		fmt.Fprintln(p.Stdout, signalNames[n&0x7f])
		return 0
	}
	if len(args) > 0 && len(args[0]) > 1 && args[0][0] == '-' {
		name := args[0][1:]
		args = args[1:]
		if name == "s" || name == "n" {
			if len(args) == 0 {
				return p.Errorf(prefix, "-%s needs a signal", name)
			}
			name, args = args[0], args[1:]
		}
		if name != "-" {
			var ok bool
			if sig, ok = signalNumber(name); !ok {
				return p.Errorf(prefix, "%s: bad signal", name)
			}
		}
	}
	if len(args) > 0 && args[0] == "--" {
		args = args[1:]
	}
	if len(args) == 0 {
		return p.Errorf(prefix, "usage: kill [-s signame | -signum | -signame] { job | pid | pgrp } ...")
	}
	if stops(sig) {
		return p.Errorf(prefix, "%s: processes of a simulated phone cannot be stopped", signalNames[sig])
	}
	status := 0
	for _, a := range args {
		pid, ok := resolve(a)
		switch {
		case !ok:
			status = p.Errorf(prefix, "%s: arguments must be jobs or process IDs", a)
		case pid < 0: // process groups: a session is one here
			list := p.M.session(-pid)
			if len(list) == 0 {
				status = p.Errorf(prefix, "%d: No such process", pid)
			}
			for _, q := range list {
				q.signal(sig)
			}
		case p.M.Signal(pid, sig):
		case p.M.foreign(pid):
			status = p.Errorf(prefix, "%d: Operation not permitted", pid)
		default:
			status = p.Errorf(prefix, "%d: No such process", pid)
		}
	}
	return status
}

// foreign says whether pid is a process of somebody else.
func (m *Machine) foreign(pid int) bool {
	if pid == 1 {
		return true
	}
	return m.opt.Others != nil && slices.ContainsFunc(m.opt.Others(), func(o ProcInfo) bool { return o.PID == pid })
}

func cmdKill(_ context.Context, p *Proc, args []string) int {
	return killCommand(p, "kill", args[1:], func(s string) (int, bool) {
		n, err := strconv.Atoi(s)
		return n, err == nil
	})
}
