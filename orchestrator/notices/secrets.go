package notices

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"slices"
	"strings"

	"rundown/scenarios"
)

// mostSecret is the longest secret that is read, bytes.
const mostSecret = 8 << 10

// read returns a secret from where the plan file says. Its errors name the place only.
func read(s scenarios.Secret) (string, error) {
	if s.Env != "" {
		if v := strings.TrimSpace(os.Getenv(s.Env)); v != "" {
			return v, nil
		}
		return "", fmt.Errorf("the environment variable %s is not set for the daemon", s.Env)
	}
	f, err := os.Open(s.File)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "", fmt.Errorf("there is no file %s", s.File)
	case errors.Is(err, fs.ErrPermission):
		return "", fmt.Errorf("the daemon's user may not read %s", s.File)
	case err != nil:
		return "", err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, mostSecret))
	if err != nil {
		return "", err
	}
	line, _, _ := strings.Cut(string(b), "\n")
	if line = strings.TrimSpace(line); line == "" {
		return "", fmt.Errorf("the first line of %s is empty", s.File)
	}
	return line, nil
}

// scrub takes a secret out of a text, as a whole and in the parts of which an address is
// made: a library's error may repeat any of them.
func scrub(text string, secret string) string {
	if secret == "" {
		return text
	}
	parts := []string{secret}
	if u, err := url.Parse(secret); err == nil {
		parts = append(parts, u.String(), u.Host, u.Hostname(), u.RawQuery, u.Fragment, u.User.String(), u.User.Username())
		if p, ok := u.User.Password(); ok {
			parts = append(parts, p)
		}
		for _, values := range u.Query() {
			parts = append(parts, values...)
		}
		parts = append(parts, u.Path)
		parts = append(parts, strings.Split(u.Path, "/")...)
	}
	for _, p := range slices.Clone(parts) {
		parts = append(parts, url.PathEscape(p), url.QueryEscape(p))
	}
	// The longest first: what is left of it must not stand.
	slices.SortFunc(parts, func(a, b string) int { return len(b) - len(a) })
	for _, p := range parts {
		if len(p) >= 4 { // shorter ones are words of any message
			text = strings.ReplaceAll(text, p, "…")
		}
	}
	return text
}

func tlsWith(host string, roots *x509.CertPool) *tls.Config {
	return &tls.Config{ServerName: host, RootCAs: roots, MinVersion: tls.VersionTLS12}
}
