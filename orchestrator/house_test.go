package orchestrator_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// Imports go one way, as DEVELOPERS.md says.
func TestImportsGoOneWay(t *testing.T) {
	out, err := exec.Command("go", "list", "-f", "{{.ImportPath}}: {{join .Imports \" \"}}", "rundown/...").Output()
	if err != nil {
		t.Fatal(err)
	}
	// What each room may import of the house; one without an entry may import nothing of it.
	may := map[string][]string{
		"cmd":          {"cmd", "orchestrator", "scenarios", "devices", "results", "results/reading"},
		"orchestrator": {"orchestrator", "scenarios", "devices", "results", "results/reading"},
		"scenarios":    {"scenarios", "devices"},
		"devices":      {"devices"},
		"results":      {"results"},
		// The reading room stands between: it sees a store as a plan file does.
		"results/reading": {"results", "scenarios", "devices"},
	}
	room := func(path string) string {
		path = strings.TrimPrefix(path, "rundown/")
		if path == "results/reading" {
			return path
		}
		first, _, _ := strings.Cut(path, "/")
		return first
	}
	packages := 0
	for line := range strings.Lines(string(out)) {
		path, imports, _ := strings.Cut(strings.TrimSpace(line), ": ")
		packages++
		for _, i := range strings.Fields(imports) {
			if !strings.HasPrefix(i, "rundown/") {
				continue
			}
			allowed := false
			for _, r := range may[room(path)] {
				allowed = allowed || r == room(i)
			}
			if !allowed {
				t.Errorf("%s imports %s", path, i)
			}
		}
	}
	if packages < 15 {
		t.Errorf("only %d packages listed: the test looks at the wrong place", packages)
	}
}

// What reads a store reaches no daemon, no handset and no workload, by whichever way; and a calculator
// reaches no store and no logger.
func TestReadersAndCalculatorsReachNoFurther(t *testing.T) {
	daemon := []string{"rundown/orchestrator", "rundown/devices/adb", "rundown/devices/gates", "rundown/devices/simulated", "rundown/scenarios/stage"}
	store := append([]string{"rundown/results", "rundown/scenarios", "rundown/devices", "go.etcd.io/bbolt", "github.com/rs/zerolog"}, daemon...)
	never := map[string][]string{"reading": daemon}
	for _, calculator := range []string{"activity", "calculate", "changepoint", "charging", "compare", "endurance", "figure", "logfiles", "clocks", "sustain"} {
		never[calculator] = store
	}
	for name, not := range never {
		out, err := exec.Command("go", "list", "-deps", "rundown/results/"+name).Output()
		if err != nil {
			t.Fatal(err)
		}
		reached := strings.Fields(string(out))
		if !slices.Contains(reached, "rundown/results/"+name) {
			t.Errorf("%s: %d packages: the test looks at the wrong place", name, len(reached))
		}
		for _, path := range not {
			if slices.Contains(reached, path) {
				t.Errorf("results/%s reaches %s", name, path)
			}
		}
	}
}

// Android's words stand in devices and scenarios: what decides when something is done writes no command.
// The demo, in which somebody meddles with a simulated handset, may.
func TestTheOrchestratorWritesNoShellCommand(t *testing.T) {
	files := 0
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && (path == "demo" || path == "testdata"):
			return fs.SkipDir
		case d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go"):
			return nil
		}
		files++
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			f, ok := call.Fun.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			of, _ := f.X.(*ast.Ident)
			if f.Sel.Name == "Shell" || f.Sel.Name == "Run" && of != nil && of.Name == "devices" {
				t.Errorf("%s: a command line: give what it does a name in devices", set.Position(call.Pos()))
			}
			return true
		})
		return nil
	})
	if err != nil || files < 80 {
		t.Errorf("%d files, %v: the test looks at the wrong place", files, err)
	}
}
