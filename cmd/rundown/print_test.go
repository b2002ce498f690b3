package main

import (
	"bytes"
	"encoding/json"
	"strconv"
	"strings"
	"testing"
)

// What is printed as JSON is the same value, and holds nothing that a terminal would act on.
func FuzzJSONIsPlain(f *testing.F) {
	f.Add("a\x1b[31m.csv")
	f.Add("\u009b2J \u202egnp.csv \x7f")
	f.Add("\U000e0001 tag, µAh, °C, 電池")
	f.Fuzz(func(t *testing.T, s string) {
		var b bytes.Buffer
		if err := (&env{out: &b}).printJSON(map[string]string{s: s}); err != nil {
			t.Fatal(err)
		}
		if i := strings.IndexFunc(b.String(), func(r rune) bool { return r != '\n' && !strconv.IsPrint(r) }); i >= 0 {
			t.Errorf("unprintable at %d of %q", i, b.String())
		}
		var back map[string]string
		want := string([]rune(s)) // each byte that is no UTF-8 becomes U+FFFD
		if err := json.Unmarshal(b.Bytes(), &back); err != nil || back[want] != want {
			t.Errorf("printJSON(%q) is read back as %q, %v", s, back, err)
		}
	})
}
