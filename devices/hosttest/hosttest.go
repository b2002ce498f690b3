// Package hosttest is for tests that need something of the host they run on: a program from
// Debian's packages, a pseudo-terminal. Where it is missing such a test is skipped on a
// person's machine and fails in CI, where nothing is left out unseen. It also knows how much
// slower the race detector makes the host.
package hosttest

import (
	"os"
	"os/exec"
	"testing"
)

// Program returns where a program of the host lies. Without it the test ends here: see Missing.
func Program(t testing.TB, name string) (path string) {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		Missing(t, name+" is not installed (.ci/needs installs what the tests need)")
	}
	return path
}

// Missing ends a test for which the host lacks something: skipped, or failed where CI is set.
func Missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("CI") != "" {
		t.Fatalf("%s, and CI leaves no test out", what)
	}
	t.Skip(what)
}
