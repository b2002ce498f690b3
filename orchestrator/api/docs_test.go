package api_test

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// Every address in the pages for people is one that there is.
func TestDocumentedAddressesExist(t *testing.T) {
	b := afterNight(t)
	found := 0
	for _, page := range []string{"README.md", "../../README.md"} {
		text, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range regexp.MustCompile(`/v1/[a-z][A-Za-z0-9_/{}-]*|/metrics|/healthz|/openapi\.json`).FindAllString(string(text), -1) {
			path = strings.TrimSuffix(path, "/")
			path = regexp.MustCompile(`\{[a-z]+\}`).ReplaceAllString(path, "none")
			if path == "/v1/export" { // written with what follows left open
				path = "/v1/export/samples"
			}
			found++
			exists := false
			for _, r := range b.server.Routes() {
				pattern := regexp.MustCompile(`\{[a-z]+\}`).ReplaceAllString(r.Path, "[^/]+")
				exists = exists || regexp.MustCompile("^"+pattern+"$").MatchString(path)
			}
			if !exists {
				t.Errorf("%s names %s, and there is none", page, path)
			}
		}
	}
	if found < 12 {
		t.Errorf("only %d addresses found: the test looks at the wrong place", found)
	}
}
