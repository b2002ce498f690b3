package phoneshell

import (
	"strings"

	"mvdan.cc/sh/v3/expand"
	"mvdan.cc/sh/v3/syntax"
)

// plainWord expands a word that comes to one string by itself, without splitting, file names
// and the expander's buffers: literals, quoted strings, variables within double quotes, and
// variables with something trimmed off. alone says that a variable outside of quotes is one
// string, too. false: the word is of another kind.
func (sh *shell) plainWord(w *syntax.Word, alone bool) (string, bool) {
	if len(w.Parts) == 1 {
		return sh.plainPart(w.Parts[0], alone)
	}
	var b strings.Builder
	for _, p := range w.Parts {
		s, ok := sh.plainPart(p, alone)
		if !ok {
			return "", false
		}
		b.WriteString(s)
	}
	return b.String(), len(w.Parts) > 0
}

func (sh *shell) plainPart(p syntax.WordPart, alone bool) (string, bool) {
	switch p := p.(type) {
	case *syntax.Lit:
		return p.Value, !strings.ContainsAny(p.Value, `\~{*?[`)
	case *syntax.SglQuoted:
		return p.Value, !p.Dollar
	case *syntax.ParamExp:
		if alone {
			return sh.plainParam(p)
		}
	case *syntax.DblQuoted:
		if p.Dollar {
			return "", false
		}
		var all string
		for _, q := range p.Parts {
			s, ok := "", false
			switch q := q.(type) {
			case *syntax.Lit:
				s, ok = q.Value, !strings.Contains(q.Value, `\`)
			case *syntax.ParamExp:
				s, ok = sh.plainParam(q)
			}
			if !ok {
				return "", false
			}
			all += s
		}
		return all, true
	}
	return "", false
}

// plainParam is the value of a variable that is set, or what is left of it when a pattern is
// trimmed off.
func (sh *shell) plainParam(p *syntax.ParamExp) (string, bool) {
	if p.Param == nil || p.Excl || p.Length || p.Width || p.IsSet || p.Index != nil || p.Slice != nil || p.Repl != nil || p.Names != 0 || p.NestedParam != nil || p.Flags != nil {
		return "", false
	}
	switch p.Param.Value {
	case "@", "*", "LINENO":
		return "", false
	}
	suffix, most := false, false
	if p.Exp != nil {
		switch p.Exp.Op {
		case syntax.RemSmallPrefix:
		case syntax.RemLargePrefix:
			most = true
		case syntax.RemSmallSuffix:
			suffix = true
		case syntax.RemLargeSuffix:
			suffix, most = true, true
		default:
			return "", false
		}
	}
	v := environ{sh}.Get(p.Param.Value)
	if !v.Set || v.Kind != expand.String {
		return "", false
	}
	if p.Exp == nil || p.Exp.Word == nil || len(p.Exp.Word.Parts) == 0 {
		return v.Str, true
	}
	var pat string
	if l, ok := p.Exp.Word.Parts[0].(*syntax.Lit); ok && len(p.Exp.Word.Parts) == 1 && !strings.ContainsAny(l.Value, `\~{`) {
		pat = l.Value
	} else if pat, ok = sh.plainWord(p.Exp.Word, true); !ok {
		return "", false
	}
	g := globFor(pat)
	if !g.plain {
		return "", false
	}
	return g.trim(v.Str, suffix, most), true
}
