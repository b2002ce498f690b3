package scenarios

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

// hostileFiles are plan files that a parser can lose its time or memory on, with many
// thousand of what they repeat.
func hostileFiles(thousands int) map[string]string {
	// Eight aliases in each of thirty levels stand for 8^30 values.
	laughs := "limits: &a0 {shared: {x: 1}}\n"
	for i := 1; i < 30; i++ {
		laughs += fmt.Sprintf("k%d: &a%d [%s]\n", i, i, strings.Repeat(fmt.Sprintf("*a%d,", i-1), 8))
	}
	laughs += "bench: {handsets: *a29}\n"
	many := "bench: {handsets: [{name: A, serial: S}]}\nplans:\n  p: {segments: &s [" + strings.Repeat("idle,", 50) + "], drain: 99}\n"
	for i := range 5_000 * thousands {
		many += fmt.Sprintf("  p%d: {segments: *s}\n", i)
	}
	wrong := "bench: {handsets: [{name: A, serial: S}]}\nscenarios: {s: {loop: [" + strings.Repeat("{tap: 3}, {tap: [0, 0], key: BACK},", 32) + "], evidence: [{kind: x}]}, "
	for i := range 100 {
		wrong += fmt.Sprintf("s%d: {loop: [%s{key: UP}]}, ", i, strings.Repeat("{tap: [0, 0], key: BACK},", 20))
	}
	wrong += "}\n"
	chain := "bench: {handsets: [{name: A, serial: S}]}\n"
	for section, body := range map[string]string{"scenarios": "screen_off: on", "preconditions": "wifi: on"} {
		chain += section + ":\n  x0: {extends: idle, " + body + "}\n"
		if section == "preconditions" {
			chain = strings.Replace(chain, "x0: {extends: idle, wifi", "x0: {extends: everyday, wifi", 1)
		}
		for i := 1; i < 2_000*thousands; i++ {
			chain += fmt.Sprintf("  x%d: {extends: x%d, %s}\n", i, i-1, body)
		}
	}
	return map[string]string{
		"chain":        chain,
		"wrong":        wrong,
		"large":        "bench: {name: " + strings.Repeat("x", 1<<20) + "}",
		"deep":         strings.Repeat("[", 5000),
		"deep block":   strings.Repeat("- ", 5000) + "x",
		"self":         "bench: &b {handsets: *b, stage: *b}\n",
		"laughs":       strings.Replace(laughs, "[*a`", "[*a0", -1),
		"many aliases": many,
	}
}

// What a hostile file costs is measured by BenchmarkHostileFiles; a parser that takes
// exponential time ends here with the time limit of go test.
func TestHostileFilesAreRefused(t *testing.T) {
	for name, text := range hostileFiles(1) {
		_, err := Parse("f", []byte(text))
		var faults Faults
		if !errors.As(err, &faults) {
			t.Errorf("%s: Parse = %v, want faults", name, err)
		}
		if len(faults) > maxFaults+1 {
			t.Errorf("%s: %d faults are listed", name, len(faults))
		}
	}
}

func BenchmarkHostileFiles(b *testing.B) {
	for name, text := range hostileFiles(4) {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				_, _ = Parse("f", []byte(text))
			}
		})
	}
}
