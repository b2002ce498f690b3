package orchestrator_test

import (
	"os/exec"
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
		"cmd":          {"cmd", "orchestrator", "scenarios", "devices", "results"},
		"orchestrator": {"orchestrator", "scenarios", "devices", "results"},
		"scenarios":    {"scenarios", "devices"},
		"devices":      {"devices"},
		"results":      {"results"},
	}
	room := func(path string) string {
		first, _, _ := strings.Cut(strings.TrimPrefix(path, "rundown/"), "/")
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
