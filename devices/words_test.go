package devices_test

import (
	"testing"
	"unicode/utf8"

	"rundown/devices"
)

func TestShorten(t *testing.T) {
	for _, tt := range []struct {
		text string
		most int
		want string
	}{
		{"", 3, ""},
		{"abc", 3, "abc"},
		{"abcd", 3, "abc…"},
		{"äöüß", 3, "äöü…"}, // characters, not bytes
		{"a\xffb", 3, "a?b"},
		{"a\xe4\xbd", 9, "a?"}, // cut within a character by whoever sent it
	} {
		got := devices.Shorten(tt.text, tt.most)
		if got != tt.want || !utf8.ValidString(got) {
			t.Errorf("Shorten(%q, %d) = %q, want %q", tt.text, tt.most, got, tt.want)
		}
	}
	if got := devices.OneLine(" a\tb\n\n c "); got != "a b c" {
		t.Errorf("OneLine = %q", got)
	}
}
