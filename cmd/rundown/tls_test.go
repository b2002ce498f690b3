package main

import (
	"context"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"net"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The daemon with a certificate, and the other verbs as they reach it from elsewhere.
func TestVerbsOverTLS(t *testing.T) {
	// Package httptest's own certificate: for 127.0.0.1, and its own authority.
	borrowed := httptest.NewTLSServer(nil)
	pair := borrowed.TLS.Certificates[0]
	borrowed.Close()
	key, err := x509.MarshalPKCS8PrivateKey(pair.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cert, keyFile, plan, text := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem"), filepath.Join(dir, "bench.yaml"), filepath.Join(dir, "text.pem")
	bench := fmt.Sprintf("bench:\n  adb_servers: [%s]\n  stage: {listen: %q}\n  handsets:\n    - {name: Alder, serial: A1}\n", free(t), free(t))
	for path, content := range map[string][]byte{
		cert: pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: pair.Certificate[0]}), keyFile: pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: key}),
		plan: []byte(bench), text: []byte("text"),
	} {
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	address := free(t)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan int, 1)
	var log strings.Builder
	go func() {
		ended <- run(ctx, []string{"serve", "--file", plan, "--data", filepath.Join(dir, "data"), "--listen", address, "--cert", cert, "--key", keyFile}, &log, &log)
	}()
	defer func() {
		cancel()
		if code := <-ended; code != exitOK {
			t.Errorf("the daemon ended with %d: %s", code, log.String())
		}
	}()
	for deadline := time.Now().Add(3 * time.Minute); ; time.Sleep(10 * time.Millisecond) {
		if c, err := net.Dial("tcp", address); err == nil {
			_ = c.Close()
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("the daemon does not answer")
		}
	}
	verb := func(args ...string) (int, string) {
		var out strings.Builder
		code := run(t.Context(), append([]string{"--daemon", address}, args...), &out, &out)
		return code, out.String()
	}
	if code, out := verb("--ca", cert, "handsets"); code != exitOK || !strings.Contains(out, "Alder") {
		t.Errorf("handsets: %d, %s", code, out)
	}
	code, out := verb("--ca", cert, "token", "make", "notebook")
	_, secret, ok := strings.Cut(strings.TrimSpace(out), "shown this once: ")
	if code != exitOK || !ok {
		t.Fatalf("token make: %d, %s", code, out)
	}
	if code, out := verb("--ca", cert, "--token", secret, "runs"); code != exitOK {
		t.Errorf("runs as reader: %d, %s", code, out)
	}
	for says, args := range map[string][]string{
		"needs the role operator":        {"--ca", cert, "--token", secret, "backup", "-o", filepath.Join(dir, "copy.db")},
		"not known here":                 {"--ca", cert, "--token", "rundown_guess", "runs"},
		"speaks TLS: name it as https":   {"runs"},
		"there is no certificate in it":  {"--ca", text, "runs"},
		"no such file":                   {"--ca", filepath.Join(dir, "none.pem"), "runs"},
		"give the authority's with --ca": {"--daemon", "https://" + address, "runs"},
	} {
		if code, out := verb(args...); code == exitOK || !strings.Contains(out, says) {
			t.Errorf("%v: %d, %q; want %q", args, code, out, says)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "copy.db")); err == nil {
		t.Error("a reader got a backup")
	}
}
