package onboard

import (
	"fmt"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"mvdan.cc/sh/v3/syntax"
)

// subsetCommands are the commands that the programs may call, beside functions of their
// own: POSIX builtins that all three shells have, toybox commands of Android 8 and later
// (tools, in phone_test.go), and Android's own.
var subsetCommands = append([]string{
	":", "[", "break", "continue", "echo", "exit", "kill", "read", "return", "set", "sh", "shift", "trap", "wait",
	"am", "dumpsys", "input", "settings", "uiautomator",
}, tools...)

// subset lists what in a program is outside the common subset of mksh, toybox and the
// simulated handset's shell. That it parses as POSIX already rules out [[, ((, here-strings,
// arrays, select, ${x//a/b} and ${x:1:2}.
func subset(text string) []string {
	f, err := syntax.NewParser(syntax.Variant(syntax.LangPOSIX)).Parse(strings.NewReader(text), "")
	if err != nil {
		return []string{err.Error()}
	}
	var faults []string
	fault := func(n syntax.Node, format string, args ...any) {
		faults = append(faults, fmt.Sprintf("%s: %s", n.Pos(), fmt.Sprintf(format, args...)))
	}
	own := map[string]bool{"program_start": true, "program_loop": true, "program_stop": true, "_line": true}
	syntax.Walk(f, func(n syntax.Node) bool {
		if d, ok := n.(*syntax.FuncDecl); ok {
			own[d.Name.Value] = true
		}
		return true
	})
	number := regexp.MustCompile(`^[0-9]+$`)
	syntax.Walk(f, func(n syntax.Node) bool {
		switch n := n.(type) {
		case *syntax.Stmt:
			if n.Coprocess {
				fault(n, "coprocess")
			}
		case *syntax.BinaryCmd:
			if n.Op == syntax.Pipe || n.Op == syntax.PipeAll {
				fault(n, "pipe")
			}
		case *syntax.Redirect:
			if n.N != nil && n.N.Value > "2" {
				fault(n, "descriptor %s", n.N.Value)
			}
			if w := n.Word.Lit(); (n.Op == syntax.DplOut || n.Op == syntax.DplIn) && w != "1" && w != "2" {
				fault(n, "descriptor copied from %q", w)
			}
			if n.Hdoc != nil {
				fault(n, "here-document")
			}
		case *syntax.ArithmExp:
			syntax.Walk(n.X, func(x syntax.Node) bool {
				switch x := x.(type) {
				case *syntax.UnaryArithm:
					if x.Op == syntax.Inc || x.Op == syntax.Dec {
						fault(x, "%s in arithmetic", x.Op)
					}
				case *syntax.BinaryArithm:
					if x.Op == syntax.Pow || x.Op == syntax.Comma {
						fault(x, "%s in arithmetic", x.Op)
					}
				case *syntax.Lit:
					if v, err := strconv.ParseInt(x.Value, 10, 32); number.MatchString(x.Value) && (err != nil || (len(x.Value) > 1 && x.Value[0] == '0')) {
						fault(x, "number %s (%d) in arithmetic: want decimal within 32 bits", x.Value, v)
					}
				}
				return true
			})
		case *syntax.ParamExp:
			if name := n.Param.Value; name == "SECONDS" || name == "RANDOM" || name == "PIPESTATUS" {
				fault(n, "variable %s", name)
			}
		case *syntax.CallExpr:
			if len(n.Args) == 0 {
				break
			}
			name := n.Args[0].Lit()
			args := make([]string, len(n.Args)-1)
			for i, a := range n.Args[1:] {
				args[i] = a.Lit()
			}
			switch {
			case name == "" && len(n.Args) == 1 || n.Args[0].Lit() == "":
				// lines calls what it is given.
				if len(n.Args[0].Parts) == 1 {
					break
				}
				fault(n, "a command whose name is not plain")
			case own[name]:
			case !slices.Contains(subsetCommands, name):
				fault(n, "command %s", name)
			case name == "read" && (len(args) < 1 || args[0] != "-r" || slices.ContainsFunc(args[1:], func(a string) bool { return strings.HasPrefix(a, "-") })):
				fault(n, "read without -r, or with more than that")
			case name == "trap" && (len(args) != 2 || (args[1] != "HUP" && args[1] != "TERM")):
				fault(n, "trap of other than HUP or TERM")
			case name == "set" && (len(args) < 1 || (args[0] != "-f" && args[0] != "+f" && args[0] != "--")):
				fault(n, "set other than -f, +f, --")
			case name == "kill" && len(args) > 1 && !slices.Contains([]string{"-0", "-TERM", "-KILL"}, args[0]):
				fault(n, "kill %s", args[0])
			case name == "echo" && len(args) > 0 && strings.HasPrefix(args[0], "-"):
				fault(n, "option of echo")
			}
		}
		return true
	})
	return faults
}

func TestProgramsKeepToTheSubset(t *testing.T) {
	s := Segment{Key: "x", SampleEverySec: 10, CurrentPath: "/sys/class/power_supply/battery/current_now"}
	for name, text := range map[string]string{"recorder.sh": s.recorderText(), "workload.sh": s.workloadText()} {
		for _, f := range subset(text) {
			t.Errorf("%s:%s", name, f)
		}
		for _, shell := range []string{"dash", "mksh"} {
			path, err := exec.LookPath(shell)
			if err != nil {
				t.Logf("%s is not installed", shell)
				continue
			}
			cmd := exec.Command(path, "-n")
			cmd.Stdin = strings.NewReader(text)
			if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
				t.Errorf("%s -n %s: %v: %s", shell, name, err, out)
			}
		}
	}
	for name, text := range map[string]string{"inspect": inspect} {
		for _, f := range subset(text) {
			t.Errorf("%s:%s", name, f)
		}
	}
}

// The check itself finds what it is there for.
func TestSubsetFindsFaults(t *testing.T) {
	tests := []struct{ text, want string }{
		{"exec 3>f", "descriptor 3"},
		{"echo a >&3", "descriptor copied"},
		{"a=1 | cat", "pipe"},
		{"dumpsys battery | cat", "pipe"},
		{"cat <<X\na\nX\n", "here-document"},
		{"read -t 1 x", "read"},
		{"read -r -u 4 x", "read"},
		{"print x", "command print"},
		{"awk 1", "command awk"},
		{"trap x EXIT", "trap"},
		{"set -m", "set"},
		{"kill -USR1 5", "kill -USR1"},
		{"echo -n x", "option of echo"},
		{"x=$((1 << 3, 2))", "in arithmetic"},
		{"x=$((x++))", "arithmetic"},
		{"x=$((3000000000 + 1))", "number 3000000000"},
		{"x=$((08 + 1))", "number 08"},
		{"echo $SECONDS", "variable SECONDS"},
		{"[[ a = b ]]", "command [["},
		{"echo ${x//a/b}", ""},
		{"x=(1 2)", ""},
	}
	for _, tt := range tests {
		got := subset(tt.text)
		if len(got) == 0 || !strings.Contains(strings.Join(got, "\n"), tt.want) {
			t.Errorf("subset(%q) = %q, want a fault with %q", tt.text, got, tt.want)
		}
	}
	if got := subset("x=$((x + 1)); [ -n \"$x\" ] && echo a >>f 2>&1"); got != nil {
		t.Errorf("faults in a program without any: %q", got)
	}
}
