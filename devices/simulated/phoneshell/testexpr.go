package phoneshell

import (
	"fmt"
	"io/fs"
	"strconv"
	"strings"

	"mvdan.cc/sh/v3/expand"
	"mvdan.cc/sh/v3/syntax"
)

// testBuiltin is test and [.
func testBuiltin(sh *shell, args []string) int {
	if args[0] == "[" {
		if args[len(args)-1] != "]" {
			sh.errorf("[: missing ]")
			return 2
		}
		args = args[:len(args)-1]
	}
	t := tester{sh: sh, args: args[1:], name: args[0]}
	// POSIX's rules by number of arguments, for what would be ambiguous.
	switch n := len(t.args); {
	case n == 0:
		return 1
	case n == 1:
		return oneIf(t.args[0] == "")
	case n == 2 && t.args[0] == "!":
		return oneIf(t.args[1] != "")
	case n == 3 && isBinary(t.args[1]):
		return t.result(t.binary(t.args[0], t.args[1], t.args[2]))
	case n == 4 && t.args[0] == "!" && isBinary(t.args[2]):
		ok, err := t.binary(t.args[1], t.args[2], t.args[3])
		return t.result(!ok, err)
	}
	ok, err := t.or()
	if err == nil && t.at < len(t.args) {
		err = fmt.Errorf("%s: unexpected operator/operand", t.args[t.at])
	}
	return t.result(ok, err)
}

type tester struct {
	sh   *shell
	name string
	args []string
	at   int
}

func (t *tester) result(ok bool, err error) int {
	if err != nil {
		t.sh.errorf("%s: %v", t.name, err)
		return 2
	}
	return oneIf(!ok)
}

func (t *tester) peek() string {
	if t.at < len(t.args) {
		return t.args[t.at]
	}
	return ""
}

func (t *tester) or() (bool, error) {
	a, err := t.and()
	for err == nil && t.peek() == "-o" {
		t.at++
		var b bool
		b, err = t.and()
		a = a || b
	}
	return a, err
}

func (t *tester) and() (bool, error) {
	a, err := t.not()
	for err == nil && t.peek() == "-a" {
		t.at++
		var b bool
		b, err = t.not()
		a = a && b
	}
	return a, err
}

func (t *tester) not() (bool, error) {
	if t.at >= len(t.args) {
		return false, fmt.Errorf("expression expected")
	}
	left := len(t.args) - t.at
	switch {
	case t.peek() == "!" && left > 1:
		t.at++
		ok, err := t.not()
		return !ok, err
	case left >= 3 && isBinary(t.args[t.at+1]):
		a, op, b := t.args[t.at], t.args[t.at+1], t.args[t.at+2]
		t.at += 3
		return t.binary(a, op, b)
	case t.peek() == "(" && left > 1:
		t.at++
		ok, err := t.or()
		if err == nil && t.peek() != ")" {
			err = fmt.Errorf("missing )")
		}
		t.at++
		return ok, err
	case left >= 2 && len(t.peek()) == 2 && t.peek()[0] == '-' && strings.Contains("bcdefghkLnprsStuwxzGO", t.peek()[1:]):
		op, arg := t.args[t.at], t.args[t.at+1]
		t.at += 2
		return t.sh.unary(op, arg)
	}
	t.at++
	return t.args[t.at-1] != "", nil
}

func isBinary(op string) bool {
	switch op {
	case "=", "==", "!=", "<", ">", "-eq", "-ne", "-lt", "-le", "-gt", "-ge", "-nt", "-ot", "-ef":
		return true
	}
	return false
}

func (t *tester) binary(a, op, b string) (bool, error) { return t.sh.compare(a, op, b, false) }

// compare is a binary primary; pattern says that the right side of = is one.
func (sh *shell) compare(a, op, b string, pattern bool) (bool, error) {
	switch op {
	case "=", "==":
		if pattern {
			return match(b, a), nil
		}
		return a == b, nil
	case "!=":
		if pattern {
			return !match(b, a), nil
		}
		return a != b, nil
	case "<":
		return a < b, nil
	case ">":
		return a > b, nil
	case "-nt", "-ot", "-ef":
		x, errX := sh.m.fs.Stat(absPath(sh.dir, a))
		y, errY := sh.m.fs.Stat(absPath(sh.dir, b))
		switch op {
		case "-nt":
			return errX == nil && (errY != nil || x.ModTime().After(y.ModTime())), nil
		case "-ot":
			return errY == nil && (errX != nil || x.ModTime().Before(y.ModTime())), nil
		}
		return errX == nil && errY == nil && x.(fileInfo).n == y.(fileInfo).n, nil
	}
	m, err := sh.arithText(a, 0)
	if err != nil {
		return false, err
	}
	n, err := sh.arithText(b, 0)
	if err != nil {
		return false, err
	}
	switch op {
	case "-eq":
		return m == n, nil
	case "-ne":
		return m != n, nil
	case "-lt":
		return m < n, nil
	case "-le":
		return m <= n, nil
	case "-gt":
		return m > n, nil
	}
	return m >= n, nil
}

func (sh *shell) unary(op, arg string) (bool, error) {
	switch op {
	case "-n":
		return arg != "", nil
	case "-z":
		return arg == "", nil
	case "-t":
		_, err := strconv.Atoi(arg)
		if err != nil {
			return false, fmt.Errorf("-t: bad file descriptor")
		}
		return false, nil // nothing here is a terminal
	}
	if arg == "" {
		return false, nil
	}
	name := absPath(sh.dir, arg)
	if op == "-h" || op == "-L" {
		info, err := sh.m.fs.Lstat(name)
		return err == nil && info.Mode()&fs.ModeSymlink != 0, nil
	}
	info, err := sh.m.fs.Stat(name)
	if err != nil {
		return false, nil
	}
	n := info.(fileInfo).n
	switch op {
	case "-e":
		return true, nil
	case "-f":
		return info.Mode().IsRegular(), nil
	case "-d":
		return info.IsDir(), nil
	case "-s":
		return info.Size() > 0, nil
	case "-r":
		return n.mayRead(true), nil
	case "-w":
		return n.mayWrite(true) && n.dyn == nil && !n.denied, nil
	case "-x":
		return n.mayExec(true), nil
	case "-c":
		return info.Mode()&fs.ModeCharDevice != 0, nil
	case "-O", "-G":
		return n.uid == shellUID, nil
	}
	return false, nil // -b -p -S -k -g -u: there are none
}

// testExpr is [[ ]].
func (sh *shell) testExpr(x syntax.TestExpr) (bool, error) {
	switch x := x.(type) {
	case *syntax.Word:
		s, ok := sh.literal(x)
		if !ok {
			return false, errAborted
		}
		return s != "", nil
	case *syntax.ParenTest:
		return sh.testExpr(x.X)
	case *syntax.UnaryTest:
		if x.Op == syntax.TsNot {
			ok, err := sh.testExpr(x.X)
			return !ok, err
		}
		w, isWord := x.X.(*syntax.Word)
		if !isWord {
			return false, fmt.Errorf("[[: %v needs a word", x.Op)
		}
		s, ok := sh.literal(w)
		if !ok {
			return false, errAborted
		}
		if x.Op == syntax.TsVarSet || x.Op == syntax.TsOptSet || x.Op == syntax.TsRefVar {
			return false, fmt.Errorf("[[ %v: not supported", x.Op)
		}
		return sh.unary(x.Op.String(), s)
	case *syntax.BinaryTest:
		switch x.Op {
		case syntax.AndTest:
			ok, err := sh.testExpr(x.X)
			if err != nil || !ok {
				return false, err
			}
			return sh.testExpr(x.Y)
		case syntax.OrTest:
			ok, err := sh.testExpr(x.X)
			if err != nil || ok {
				return ok, err
			}
			return sh.testExpr(x.Y)
		case syntax.TsReMatch:
			return false, fmt.Errorf("[[ =~ ]]: mksh has none")
		}
		l, lok := x.X.(*syntax.Word)
		r, rok := x.Y.(*syntax.Word)
		if !lok || !rok {
			return false, fmt.Errorf("[[: %v needs two words", x.Op)
		}
		a, ok := sh.literal(l)
		if !ok {
			return false, errAborted
		}
		switch x.Op {
		case syntax.TsMatch, syntax.TsMatchShort, syntax.TsNoMatch:
			pat, err := expand.Pattern(sh.cfg, r)
			if err != nil {
				return false, sh.expandFailed(err)
			}
			return sh.compare(a, x.Op.String(), pat, true)
		}
		b, ok := sh.literal(r)
		if !ok {
			return false, errAborted
		}
		return sh.compare(a, x.Op.String(), b, false)
	}
	return false, fmt.Errorf("[[: %T: not supported", x)
}
