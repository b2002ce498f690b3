package phoneshell

import (
	"regexp"
	"strings"
	"unicode/utf8"

	"mvdan.cc/sh/v3/pattern"
)

// A glob is a shell pattern ready for matching. Patterns of the common kind are matched
// directly: scripts that read dumps line by line spend most of their time in them, and a
// regular expression made of three stars is slow. The rest go through one.
type glob struct {
	parts []globPart
	rx    *regexp.Regexp // instead of parts; nil with parts nil: malformed, matches nothing
	plain bool           // parts are what counts

	// A pattern that is a text with or without a star on either side, as those that trim
	// something off mostly are; text is "" for others.
	before, after bool
	text          string
}

// A globPart stands for one character, or, as a star, for any number of them.
type globPart struct {
	star, any bool
	char      rune       // unless it is a set
	set       *[2]uint64 // ASCII characters by number
	negated   bool
}

func (p globPart) takes(c rune) bool {
	switch {
	case p.any:
		return true
	case p.set == nil:
		return c == p.char
	}
	in := c < 128 && p.set[c>>6]&(1<<(c&63)) != 0
	return in != p.negated
}

// newGlob reads a pattern.
func newGlob(pat string) *glob {
	if parts, ok := globParts(pat); ok {
		g := &glob{parts: parts, plain: true}
		g.findText()
		return g
	}
	g := new(glob)
	if expr, err := pattern.Regexp(pat, pattern.EntireString|pattern.ExtendedOperators); err == nil {
		g.rx, _ = regexp.Compile(expr)
	}
	return g
}

// findText notes the text of a pattern that has nothing else but stars around it.
func (g *glob) findText() {
	parts := g.parts
	if len(parts) > 0 && parts[0].star {
		g.before, parts = true, parts[1:]
	}
	if n := len(parts); n > 0 && parts[n-1].star {
		g.after, parts = true, parts[:n-1]
	}
	var b strings.Builder
	for _, p := range parts {
		if p.star || p.any || p.set != nil {
			return
		}
		b.WriteRune(p.char)
	}
	g.text = b.String()
}

// globParts takes a pattern apart; false for one with anything unusual in it.
func globParts(pat string) (parts []globPart, ok bool) {
	for i := 0; i < len(pat); i++ {
		switch c := pat[i]; {
		case c >= utf8.RuneSelf, c == 0:
			return nil, false
		case strings.IndexByte("?*+@!", c) >= 0 && strings.HasPrefix(pat[i+1:], "("): // an extended operator
			return nil, false
		case c == '*':
			if n := len(parts); n == 0 || !parts[n-1].star {
				parts = append(parts, globPart{star: true})
			}
		case c == '?':
			parts = append(parts, globPart{any: true})
		case c == '\\':
			if i++; i == len(pat) || pat[i] >= utf8.RuneSelf || pat[i] == 0 {
				return nil, false
			}
			parts = append(parts, globPart{char: rune(pat[i])})
		case c == '[':
			p, n := globSet(pat[i:])
			if n == 0 {
				return nil, false
			}
			parts = append(parts, p)
			i += n - 1
		default:
			parts = append(parts, globPart{char: rune(c)})
		}
	}
	return parts, true
}

// globSet reads a bracket expression of single characters and ranges of digits or letters,
// and returns its length; 0 for any other.
func globSet(s string) (p globPart, n int) {
	p.set = new([2]uint64)
	i := 1
	if strings.HasPrefix(s[i:], "!") {
		p.negated = true
		i++
	}
	for first := true; i < len(s); first = false {
		c := s[i]
		switch {
		case c == ']' && !first:
			return p, i + 1
		case c >= utf8.RuneSelf, c == 0, strings.IndexByte(`[]\^!-`, c) >= 0:
			return p, 0
		}
		last := c
		if i+2 < len(s) && s[i+1] == '-' && s[i+2] != ']' {
			if last = s[i+2]; !alphanumeric(c) || !alphanumeric(last) || last < c {
				return p, 0
			}
			i += 2
		}
		for ; c <= last; c++ {
			p.set[c>>6] |= 1 << (c & 63)
		}
		i++
	}
	return p, 0
}

func alphanumeric(c byte) bool {
	return '0' <= c && c <= '9' || 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z'
}

// match says whether the pattern matches the whole of s.
func (g *glob) match(s string) bool {
	if !g.plain {
		return g.rx != nil && g.rx.MatchString(s)
	}
	// The last star passed takes one character more whenever what follows it does not fit:
	// an earlier one never has to be tried again.
	var i, at int
	star, from := -1, 0
	for at < len(s) {
		if i < len(g.parts) && g.parts[i].star {
			star, from = i, at
			i++
			continue
		}
		c, size := rune(s[at]), 1
		if c >= utf8.RuneSelf {
			c, size = utf8.DecodeRuneInString(s[at:])
		}
		if i < len(g.parts) && g.parts[i].takes(c) {
			i, at = i+1, at+size
			continue
		}
		if star < 0 {
			return false
		}
		_, size = utf8.DecodeRuneInString(s[from:])
		from += size
		i, at = star+1, from
	}
	for i < len(g.parts) && g.parts[i].star {
		i++
	}
	return i == len(g.parts)
}

// trim removes from s what the pattern matches at its beginning or end: as little as it
// can, or as much (as ${s#pat}, ${s##pat}, ${s%pat} and ${s%%pat} do).
func (g *glob) trim(s string, suffix, most bool) string {
	if rest, ok := g.trimText(s, suffix, most); ok {
		return rest
	}
	return g.trimTried(s, suffix, most)
}

// trimTried is trim by trying each part of s in turn.
func (g *glob) trimTried(s string, suffix, most bool) string {
	for n := range len(s) + 1 {
		if most {
			n = len(s) - n
		}
		at := n
		if suffix {
			at = len(s) - n
		}
		if at > 0 && at < len(s) && !utf8.RuneStart(s[at]) {
			continue
		}
		part, rest := s[:at], s[at:]
		if suffix {
			part, rest = rest, part
		}
		if g.match(part) {
			return rest
		}
	}
	return s
}

// trimText is trim for the commonest patterns, a text with or without a star at the side on
// which as little or as much as there is goes with it: the text is looked for. false: the
// pattern is of another kind.
func (g *glob) trimText(s string, suffix, most bool) (string, bool) {
	if g.text == "" {
		return "", false
	}
	var from, to int // the first and the last that stay
	switch at := -1; {
	case suffix && !g.before:
		if at = strings.LastIndex(s, g.text); most && g.after {
			at = strings.Index(s, g.text)
		}
		if at < 0 || !g.after && at+len(g.text) < len(s) {
			return s, true
		}
		from, to = 0, at
	case !suffix && !g.after:
		if at = strings.Index(s, g.text); most && g.before {
			at = strings.LastIndex(s, g.text)
		}
		if at < 0 || !g.before && at > 0 {
			return s, true
		}
		from, to = at+len(g.text), len(s)
	default:
		return "", false
	}
	if from < len(s) && !utf8.RuneStart(s[from]) { // a byte that begins no character: cut nowhere but before one
		return "", false
	}
	return s[from:to], true
}
