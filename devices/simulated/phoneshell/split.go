package phoneshell

import (
	"strings"

	"mvdan.cc/sh/v3/expand"
	"mvdan.cc/sh/v3/syntax"
)

const defaultIFS = " \t\n"

func (sh *shell) ifs() string {
	if v := sh.vars.get("IFS"); v.Set {
		return v.Str
	}
	return defaultIFS
}

// splitFields splits s by POSIX's rules, which the expander lacks for separators other
// than blanks: each of those ends a field, an empty one as well. escaped marks bytes
// that separate nothing; nil when there are none. With most > 0 the last field takes
// the rest of the text, as read does it.
func splitFields(s, ifs string, escaped []bool, most int) []string {
	if ifs == "" {
		if s == "" {
			return nil
		}
		return []string{s}
	}
	const (
		plain = iota
		blank
		mark
	)
	class := func(i int) int {
		c := s[i]
		if escaped != nil && escaped[i] || strings.IndexByte(ifs, c) < 0 {
			return plain
		}
		if c == ' ' || c == '\t' || c == '\n' {
			return blank
		}
		return mark
	}
	var out []string
	i := 0
	for i < len(s) && class(i) == blank {
		i++
	}
	for i < len(s) {
		if most > 0 && len(out) == most-1 {
			end := len(s)
			for end > i && class(end-1) == blank {
				end--
			}
			last := s[i:end]
			// One separator at the very end belongs to the field before it, when that
			// is the only one.
			if n := len(last); n > 0 && class(end-1) == mark {
				single := true
				for j := i; j < end-1; j++ {
					if class(j) != plain {
						single = false
						break
					}
				}
				if single {
					last = last[:n-1]
				}
			}
			return append(out, last)
		}
		start := i
		for i < len(s) && class(i) == plain {
			i++
		}
		out = append(out, s[start:i])
		for i < len(s) && class(i) == blank {
			i++
		}
		if i < len(s) && class(i) == mark {
			i++
			for i < len(s) && class(i) == blank {
				i++
			}
		}
	}
	return out
}

// splitAlone handles a word that is one unquoted expansion while IFS holds separators
// other than blanks: `set -- $line`, `for i in $(cmd)`. ok is false when the word is not
// of that kind. Words that mix text and expansions are split by the expander, which
// drops empty fields between such separators.
func (sh *shell) splitAlone(w *syntax.Word, ifs string) (fields []string, ok bool, err error) {
	if len(w.Parts) != 1 {
		return nil, false, nil
	}
	switch p := w.Parts[0].(type) {
	case *syntax.ParamExp:
		if p.Param == nil || p.Param.Value == "@" || p.Param.Value == "*" || p.Exp != nil {
			return nil, false, nil
		}
	case *syntax.CmdSubst:
	default:
		return nil, false, nil
	}
	text, err := expand.Literal(sh.cfg, w)
	if err != nil {
		return nil, true, err
	}
	for _, f := range splitFields(text, ifs, nil, 0) {
		if !sh.opt.noglob && strings.ContainsAny(f, "*?[") {
			saved := sh.vars.get("IFS")
			sh.vars.set("IFS", str("")) // the field is one already: only names are to be matched
			tmp := sh.vars.get("REPLY")
			sh.vars.set("REPLY", str(f))
			matched, err := expand.Fields(sh.cfg, &syntax.Word{Parts: []syntax.WordPart{&syntax.ParamExp{Short: true, Param: &syntax.Lit{Value: "REPLY"}}}})
			sh.vars.set("REPLY", tmp)
			sh.vars.set("IFS", saved)
			if err != nil {
				return nil, true, err
			}
			fields = append(fields, matched...)
			continue
		}
		fields = append(fields, f)
	}
	return fields, true, nil
}

// readFields splits a line for read: without raw a backslash takes the next byte's
// meaning away.
func readFields(line, ifs string, n int, raw bool) []string {
	if raw || !strings.Contains(line, `\`) {
		return splitFields(line, ifs, nil, n)
	}
	var b []byte
	var escaped []bool
	for i := 0; i < len(line); i++ {
		e := false
		if line[i] == '\\' && i+1 < len(line) {
			i++
			e = true
		}
		b = append(b, line[i])
		escaped = append(escaped, e)
	}
	return splitFields(string(b), ifs, escaped, n)
}
