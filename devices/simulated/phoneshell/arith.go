package phoneshell

import (
	"fmt"
	"strconv"
	"strings"

	"mvdan.cc/sh/v3/expand"
	"mvdan.cc/sh/v3/syntax"
)

// wrap brings a result into the machine's integers: mksh's are signed 32-bit and wrap.
func (sh *shell) wrap(n int64) int64 {
	if sh.m.opt.WideIntegers {
		return n
	}
	return int64(int32(n))
}

// arith evaluates an expression with mksh's rules: signed 32-bit with wrap-around,
// division towards zero, leading zeros without meaning, names evaluated as expressions.
func (sh *shell) arith(x syntax.ArithmExpr) (int64, error) {
	switch x := x.(type) {
	case nil:
		return 0, nil
	case *syntax.Word:
		var text string
		if len(x.Parts) == 1 {
			switch p := x.Parts[0].(type) {
			case *syntax.Lit:
				return sh.arithText(p.Value, 0)
			case *syntax.ParamExp:
				if p.Short && p.Param != nil && p.Index == nil { // $x
					if v := (environ{sh}).Get(p.Param.Value); v.Set && v.Kind == expand.String {
						return sh.arithText(v.Str, 0)
					}
				}
			}
		}
		if text, ok := sh.plainWord(x, true); ok {
			return sh.arithText(text, 0)
		}
		text, err := expand.Literal(sh.cfg, x)
		if err != nil {
			return 0, err
		}
		return sh.arithText(text, 0)
	case *syntax.ParenArithm:
		return sh.arith(x.X)
	case *syntax.UnaryArithm:
		if x.Op == syntax.Inc || x.Op == syntax.Dec {
			name, err := lvalue(x.X)
			if err != nil {
				return 0, err
			}
			old, err := sh.arithVar(name, 0)
			if err != nil {
				return 0, err
			}
			fresh := sh.wrap(old + 1)
			if x.Op == syntax.Dec {
				fresh = sh.wrap(old - 1)
			}
			if err := sh.setVar(name, str(strconv.FormatInt(fresh, 10))); err != nil {
				return 0, err
			}
			if x.Post {
				return old, nil
			}
			return fresh, nil
		}
		n, err := sh.arith(x.X)
		if err != nil {
			return 0, err
		}
		switch x.Op {
		case syntax.Not:
			return int64(oneIf(n == 0)), nil
		case syntax.BitNegation:
			return sh.wrap(^n), nil
		case syntax.Plus:
			return n, nil
		case syntax.Minus:
			return sh.wrap(-n), nil
		}
		return 0, fmt.Errorf("arithmetic operator %v: not supported", x.Op)
	case *syntax.BinaryArithm:
		return sh.binary(x)
	}
	return 0, fmt.Errorf("arithmetic %T: not supported", x)
}

func lvalue(x syntax.ArithmExpr) (string, error) {
	if w, ok := x.(*syntax.Word); ok {
		if name := w.Lit(); syntax.ValidName(name) {
			return name, nil
		}
	}
	return "", fmt.Errorf("arithmetic: assignment needs a variable")
}

var compound = map[syntax.BinAritOperator]syntax.BinAritOperator{
	syntax.AddAssgn: syntax.Add, syntax.SubAssgn: syntax.Sub, syntax.MulAssgn: syntax.Mul, syntax.QuoAssgn: syntax.Quo,
	syntax.RemAssgn: syntax.Rem, syntax.AndAssgn: syntax.And, syntax.OrAssgn: syntax.Or, syntax.XorAssgn: syntax.Xor,
	syntax.ShlAssgn: syntax.Shl, syntax.ShrAssgn: syntax.Shr,
}

func (sh *shell) binary(x *syntax.BinaryArithm) (int64, error) {
	if op, ok := compound[x.Op]; ok || x.Op == syntax.Assgn {
		name, err := lvalue(x.X)
		if err != nil {
			return 0, err
		}
		n, err := sh.arith(x.Y)
		if err != nil {
			return 0, err
		}
		if ok {
			old, err := sh.arithVar(name, 0)
			if err != nil {
				return 0, err
			}
			if n, err = sh.operate(op, old, n); err != nil {
				return 0, err
			}
		}
		return n, sh.setVar(name, str(strconv.FormatInt(n, 10)))
	}
	a, err := sh.arith(x.X)
	if err != nil {
		return 0, err
	}
	switch x.Op { // those that do not always evaluate both sides
	case syntax.AndArit:
		if a == 0 {
			return 0, nil
		}
		b, err := sh.arith(x.Y)
		return int64(oneIf(b != 0)), err
	case syntax.OrArit:
		if a != 0 {
			return 1, nil
		}
		b, err := sh.arith(x.Y)
		return int64(oneIf(b != 0)), err
	case syntax.TernQuest:
		choice, ok := x.Y.(*syntax.BinaryArithm)
		if !ok || choice.Op != syntax.TernColon {
			return 0, fmt.Errorf("arithmetic: ? without its other half")
		}
		if a != 0 {
			return sh.arith(choice.X)
		}
		return sh.arith(choice.Y)
	}
	b, err := sh.arith(x.Y)
	if err != nil {
		return 0, err
	}
	return sh.operate(x.Op, a, b)
}

func (sh *shell) operate(op syntax.BinAritOperator, a, b int64) (int64, error) {
	truth := func(t bool) (int64, error) { return int64(oneIf(t)), nil }
	bits := int64(31)
	if sh.m.opt.WideIntegers {
		bits = 63
	}
	switch op {
	case syntax.Add:
		return sh.wrap(a + b), nil
	case syntax.Sub:
		return sh.wrap(a - b), nil
	case syntax.Mul:
		return sh.wrap(a * b), nil
	case syntax.Quo, syntax.Rem:
		if b == 0 {
			return 0, fmt.Errorf("zero divisor")
		}
		if op == syntax.Quo {
			return sh.wrap(a / b), nil
		}
		return sh.wrap(a % b), nil
	case syntax.Eql:
		return truth(a == b)
	case syntax.Neq:
		return truth(a != b)
	case syntax.Lss:
		return truth(a < b)
	case syntax.Leq:
		return truth(a <= b)
	case syntax.Gtr:
		return truth(a > b)
	case syntax.Geq:
		return truth(a >= b)
	case syntax.And:
		return a & b, nil
	case syntax.Or:
		return a | b, nil
	case syntax.Xor:
		return a ^ b, nil
	case syntax.Shl:
		return sh.wrap(a << (b & bits)), nil
	case syntax.Shr:
		return a >> (b & bits), nil
	case syntax.Comma:
		return b, nil
	}
	return 0, fmt.Errorf("arithmetic operator %v: not supported", op)
}

func (sh *shell) arithVar(name string, depth int) (int64, error) {
	v := environ{sh}.Get(name)
	if !v.Set {
		if sh.opt.nounset {
			return 0, fmt.Errorf("%s: parameter not set", name)
		}
		return 0, nil
	}
	return sh.arithText(v.Str, depth+1)
}

var expressions cache // text to syntax.ArithmExpr

// arithText evaluates a number, a name, or the text of an expression.
func (sh *shell) arithText(s string, depth int) (int64, error) {
	s = strings.TrimSpace(s)
	if s == "" {
		return 0, nil
	}
	if depth > 20 {
		return 0, fmt.Errorf("%s: expression recurses on parameter", s)
	}
	if n, ok := sh.number(s); ok {
		return n, nil
	}
	if syntax.ValidName(s) {
		return sh.arithVar(s, depth)
	}
	if c := s[0]; c >= '0' && c <= '9' && !strings.ContainsAny(s, "+-*/%<>=!&|^~?:,() \t") {
		return 0, fmt.Errorf("%s: bad number", s)
	}
	v, ok := expressions.load(s)
	if !ok {
		x, err := syntax.NewParser(syntax.Variant(syntax.LangMirBSDKorn)).Arithmetic(strings.NewReader(s))
		if err != nil {
			return 0, fmt.Errorf("%s: unexpected text in an arithmetic expression", s)
		}
		if w, ok := x.(*syntax.Word); ok && len(w.Parts) == 1 {
			if _, ok := w.Parts[0].(*syntax.Lit); ok { // no operator in it: it would come back here for ever
				return 0, fmt.Errorf("%s: unexpected text in an arithmetic expression", s)
			}
		}
		expressions.store(s, x)
		v = x
	}
	// What an expression expands to may be an expression again that expands to itself.
	if sh.unfolded > 20 {
		return 0, fmt.Errorf("%s: expression recurses on parameter", s)
	}
	sh.unfolded++
	defer func() { sh.unfolded-- }()
	return sh.arith(v.(syntax.ArithmExpr))
}

// number reads 12, -12, 0x1f and 2#101; digits that do not fit wrap, as they do in mksh.
func (sh *shell) number(s string) (int64, bool) {
	neg := false
	if s[0] == '-' || s[0] == '+' {
		neg = s[0] == '-'
		s = s[1:]
	}
	base := uint64(10)
	if strings.HasPrefix(s, "0x") || strings.HasPrefix(s, "0X") {
		base, s = 16, s[2:]
	} else if b, digits, ok := strings.Cut(s, "#"); ok {
		n, err := strconv.Atoi(b)
		if err != nil || n < 2 || n > 36 {
			return 0, false
		}
		base, s = uint64(n), digits
	}
	if s == "" {
		return 0, false
	}
	var n uint64
	for _, c := range []byte(s) {
		var d uint64
		switch {
		case c >= '0' && c <= '9':
			d = uint64(c - '0')
		case c >= 'a' && c <= 'z':
			d = uint64(c-'a') + 10
		case c >= 'A' && c <= 'Z':
			d = uint64(c-'A') + 10
		default:
			return 0, false
		}
		if d >= base {
			return 0, false
		}
		n = n*base + d
	}
	if neg {
		n = -n
	}
	return sh.wrap(int64(n)), true
}
