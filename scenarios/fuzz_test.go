package scenarios

import (
	"errors"
	"os"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
)

// Whatever bytes come: either every fault lies within the file, or the file reads the
// same a second time, and everything that it holds can be used: scenarios compile, nights
// come, plans have hashes.
func FuzzParse(f *testing.F) {
	example, err := os.ReadFile("../scenarios.example.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(example)
	f.Add([]byte(minimal))
	f.Add([]byte("bench: &b\n  handsets: [*b, {name: A, serial: S, luminance: {measured: x, points: [{setting: 1, cd_m2: 1}]}}]\n"))
	f.Add([]byte("bench: {handsets: [{name: A, serial: S}]}\nscenarios: {s: {loop: [{shell: \"a 'b' && c\", wait: 1 s}], evidence: [{kind: asleep}]}}\n"))
	f.Add([]byte("bench: {handsets: [{name: A, serial: S}]}\nplans: {p: {segments: [idle]}}\nnights: {n: {starts: \"TZ=UTC\", ends: \"06:00\", plan: p, handsets: [A]}}\n"))
	f.Add([]byte("? {a: b}\n: - !!int x\n--- \n... \n"))
	f.Add([]byte("a:\r\n  - b\r\n\xef\xbb\xbf"))
	f.Fuzz(func(t *testing.T, b []byte) {
		file, err := Parse("fuzz.yaml", b)
		if err != nil {
			var faults Faults
			if !errors.As(err, &faults) || len(faults) == 0 {
				t.Fatalf("Parse = %v, want faults", err)
			}
			lines := strings.Split(string(b), "\n")
			for _, fault := range faults {
				if fault.File != "fuzz.yaml" || fault.Msg == "" || fault.Line < 1 || fault.Line > len(lines) ||
					fault.Col < 1 || fault.Col > utf8.RuneCountInString(lines[fault.Line-1])+1 {
					t.Errorf("fault lies outside of the file: %+v", fault)
				}
			}
			return
		}
		again, err := Parse("fuzz.yaml", b)
		if err != nil {
			t.Fatalf("read a second time: %v", err)
		}
		if diff := cmp.Diff(file, again); diff != "" {
			t.Errorf("read a second time, it differs (-first +second):\n%s", diff)
		}
		for name, s := range file.Scenarios {
			if p, hash, err := Compile(s, aTarget()); err != nil || hash == "" {
				t.Errorf("scenario %s: %v, hash %q", name, err, hash)
			} else if err := parsesAsShell(p.Start + "\n" + p.Loop + "\n" + p.Stop); err != nil {
				t.Errorf("scenario %s: its program does not parse: %v", name, err)
			}
		}
		for name, p := range file.Plans {
			if file.PlanHash(name) == "" {
				t.Errorf("plan %s has no hash", name)
			}
			for _, s := range p.Segments {
				if r := file.Resolve(p, s); (r.DrainPoints < 1) == (s.EndsBy(file.Scenarios[s.Scenario]) == UntilDrained) || r.DrainPoints > 96 || r.Limit <= 0 {
					t.Errorf("plan %s: segment %+v", name, r)
				}
			}
		}
	})
}

func FuzzParseStarts(f *testing.F) {
	for _, s := range []string{"0 22 * * 1-5", "TZ=UTC", "CRON_TZ=", "@every 0s", "0 22 30 2 *", "0 0 */2 * */3", "1 1 , , ,"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, spec string) {
		s, err := parseStarts(spec)
		if err != nil {
			return
		}
		if s.minute < 0 || s.minute > 59 || s.hour < 0 || s.hour > 23 {
			t.Errorf("parseStarts(%q) = %+v", spec, s)
		}
		for _, end := range []string{"00:00", "12:34"} {
			n := Night{Cron: spec, End: end, Zone: "Africa/Cairo"}
			start, to, ok := n.Next(civil{2026, 1, 1}.instant(0, 0, zoneOf(t, "Africa/Cairo")))
			if ok {
				checkWindow(t, n, start, to)
			}
		}
	})
}
