package phoneshell

import (
	"regexp"
	"testing"
	"unicode/utf8"

	"mvdan.cc/sh/v3/pattern"
)

// Patterns matched directly match what the regular expressions that they stand for do.
func FuzzGlob(f *testing.F) {
	for _, p := range []string{"*topResumedActivity=*", "'['*", "[0-9][0-9]-[0-9][0-9]' '*", "*[!0-9]*", "?????????*", "0?*", `\[*`, "[a-c]x", "[!-~]", "[]a]", "a**b", "[a", `a\`, "@(a|b)", "*.???", "*.", ".*", "*-*", "X", "Xb", "aX"} {
		for _, s := range []string{"", "topResumedActivity=x", "05-14 21:00", "012", "[x", "bx", "aXXb", "ä", "a.txt", "\xff"} {
			f.Add(p, s)
		}
	}
	f.Fuzz(func(t *testing.T, pat, s string) {
		g := newGlob(pat)
		if !g.plain || !utf8.ValidString(s) {
			return
		}
		expr, err := pattern.Regexp(pat, pattern.EntireString|pattern.ExtendedOperators)
		if err != nil {
			t.Fatalf("%q is malformed (%v) and was taken apart: %+v", pat, err, g.parts)
		}
		if got, want := g.match(s), regexp.MustCompile(expr).MatchString(s); got != want {
			t.Errorf("%q matches %q: %v, want %v", pat, s, got, want)
		}
		for _, suffix := range []bool{false, true} {
			for _, most := range []bool{false, true} {
				if got, want := g.trim(s, suffix, most), g.trimTried(s, suffix, most); got != want {
					t.Errorf("%q without %q (suffix %v, most %v): %q, want %q", s, pat, suffix, most, got, want)
				}
			}
		}
	})
}

// What is trimmed off is what mksh trims off (its manual, "Parameters"): the least or the most
// that fits, at the beginning or the end.
func TestTrim(t *testing.T) {
	for _, tt := range []struct {
		s, pat       string
		suffix, most bool
		want         string
	}{
		{"a.b.c", "*.", false, false, "b.c"},
		{"a.b.c", "*.", false, true, "c"},
		{"a.b.c", ".*", true, false, "a.b"},
		{"a.b.c", ".*", true, true, "a"},
		{"1234567890", "?????", true, false, "12345"},
		{"level: 5\r", "\r", true, false, "level: 5"},
		{"  x", "*[! ]*", false, false, ""},
		{"  x", "*[! ]*", true, true, ""},
		{"äö", "?", false, false, "ö"},
		{"äö", "?", true, false, "ä"},
		{"abc", "x", true, true, "abc"},
		{"abc", "", true, true, "abc"},
		{"", "*", false, true, ""},
		{"a\nb\nc", "\n*", true, false, "a\nb"},
	} {
		if got := newGlob(tt.pat).trim(tt.s, tt.suffix, tt.most); got != tt.want {
			t.Errorf("%q without %q (suffix %v, most %v): %q, want %q", tt.s, tt.pat, tt.suffix, tt.most, got, tt.want)
		}
	}
}
