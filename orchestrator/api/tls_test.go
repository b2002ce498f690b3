package api_test

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strings"
	"testing"
	"time"

	"rundown/orchestrator/api"
)

// An authority of a test's own, made anew each time.
type authority struct {
	pem  []byte
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T, name string) authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return authority{pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), cert, key}
}

// issue makes a server's certificate for an address or a name.
func (a authority) issue(t *testing.T, host string, until time.Time) *tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "bench"}, NotBefore: time.Now().Add(-2 * time.Hour), NotAfter: until,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	if ip := net.ParseIP(host); ip != nil {
		template.IPAddresses = []net.IP{ip}
	} else {
		template.DNSNames = []string{host}
	}
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, &key.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	return &tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

// serveTLS serves a bench once more, with a certificate, until the test ends.
func (b *bench) serveTLS(t *testing.T, certificate *tls.Certificate) (address string) {
	t.Helper()
	l, err := api.Listen("127.0.0.1:0", b.server.Tokens(), certificate)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- api.Serve(ctx, l, b.server) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return l.Addr().String()
}

// The bench as others of the network reach it: over TLS, with a token.
func TestOverTLS(t *testing.T) {
	b := newBench(t, []string{"Alder"}, api.WithTokensAlways())
	secret, _, err := b.server.Tokens().Make("lab", "operator")
	if err != nil {
		t.Fatal(err)
	}
	lab := newAuthority(t, "lab")
	address := b.serveTLS(t, lab.issue(t, "127.0.0.1", time.Now().Add(time.Hour)))
	pool := x509.NewCertPool()
	pool.AddCert(lab.cert)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, ForceAttemptHTTP2: true}
	t.Cleanup(transport.CloseIdleConnections)
	browser := &http.Client{Transport: transport, Jar: jar}
	ask := func(method, path, token string, form url.Values) *http.Response {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), method, "https://"+address+path, strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		if form != nil {
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		}
		if token != "" {
			r.Header.Set("Authorization", "Bearer "+token)
		}
		a, err := browser.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = a.Body.Close() })
		return a
	}
	for token, want := range map[string]int{"": 401, "rundown_guess": 401, secret: 200} {
		a := ask("GET", "/v1/handsets", token, nil)
		if a.StatusCode != want || a.Proto != "HTTP/2.0" || a.Header.Get("Strict-Transport-Security") == "" {
			t.Errorf("with the token %.12q: %d over %s, HSTS %q; want %d over HTTP/2.0", token, a.StatusCode, a.Proto, a.Header.Get("Strict-Transport-Security"), want)
		}
	}
	if a := b.ask(t, "GET", "/healthz", nil); a.header.Get("Strict-Transport-Security") != "" {
		t.Error("over plain HTTP a browser is told that it is always TLS")
	}

	// A browser enters the token and comes in by a cookie that leaves it over TLS only.
	if a := ask("POST", "/enter", "", url.Values{"token": {secret}, "to": {"/night"}}); a.StatusCode != 200 || a.Request.URL.Path != "/night" {
		t.Errorf("entered: %d at %s", a.StatusCode, a.Request.URL)
	}
	if a := ask("GET", "/v1/handsets", "", nil); a.StatusCode != 200 {
		t.Errorf("with the cookie: %d", a.StatusCode)
	}
	raw := &http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	a, err := raw.PostForm("https://"+address+"/enter", url.Values{"token": {secret}})
	if err != nil {
		t.Fatal(err)
	}
	_ = a.Body.Close()
	cookies := a.Cookies()
	if len(cookies) != 1 {
		t.Fatalf("cookies %v", cookies)
	}
	// RFC 6265bis, section 4.1.3.2: what a __Host- cookie has to be.
	if c := cookies[0]; c.Name != "__Host-rundown" || !c.Secure || !c.HttpOnly || c.Path != "/" || c.Domain != "" || c.SameSite != http.SameSiteStrictMode {
		t.Errorf("cookie %q", c.Raw)
	}

	// Streams come piece by piece over HTTP/2 too.
	events := ask("GET", "/v1/events", secret, nil)
	lines := bufio.NewScanner(events.Body)
	if !lines.Scan() || lines.Text() != "event: beat" {
		t.Errorf("the first line of the events is %q, %v", lines.Text(), lines.Err())
	}
	_ = events.Body.Close()
	export := ask("GET", "/v1/export/segments?format=csv", secret, nil)
	if text, err := io.ReadAll(export.Body); err != nil || !strings.HasPrefix(string(text), "handset,") {
		t.Errorf("export over TLS: %.60q, %v", text, err)
	}

	// Whoever speaks something older, or no TLS at all, is not understood.
	if c, err := tls.Dial("tcp", address, &tls.Config{RootCAs: pool, MaxVersion: tls.VersionTLS11, MinVersion: tls.VersionTLS10}); err == nil {
		_ = c.Close()
		t.Error("TLS 1.1 is spoken")
	}
	plain, err := http.Get("http://" + address + "/v1/handsets")
	if err != nil {
		t.Fatal(err)
	}
	_ = plain.Body.Close()
	if plain.StatusCode != 400 {
		t.Errorf("plain HTTP is answered %d", plain.StatusCode)
	}
}

// The command line's client: what it takes, what it refuses, and what it says.
func TestClientOverTLS(t *testing.T) {
	b := newBench(t, []string{"Alder"}, api.WithTokensAlways())
	secret, _, err := b.server.Tokens().Make("lab", "operator")
	if err != nil {
		t.Fatal(err)
	}
	lab, other := newAuthority(t, "lab"), newAuthority(t, "other")
	good := b.serveTLS(t, lab.issue(t, "127.0.0.1", time.Now().Add(time.Hour)))
	named := b.serveTLS(t, lab.issue(t, "bench.example", time.Now().Add(time.Hour)))
	stale := b.serveTLS(t, lab.issue(t, "127.0.0.1", time.Now().Add(-time.Hour)))
	tests := []struct {
		name, address string
		authority     []byte
		token, says   string
	}{
		{"as it should be", good, lab.pem, secret, ""},
		{"the same with https", "https://" + good, lab.pem, secret, ""},
		{"without a token", good, lab.pem, "", "a token is needed"},
		{"another authority", good, other.pem, secret, "give the authority's with --ca"},
		{"no authority", "https://" + good, nil, secret, "give the authority's with --ca"},
		{"another name", named, lab.pem, secret, "for another name"},
		{"no longer valid", stale, lab.pem, secret, "not valid: renew it"},
		{"not over TLS", good, nil, secret, "speaks TLS: name it as https://" + good},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			client := api.NewClient(tt.address).WithToken(tt.token)
			if tt.authority != nil {
				var err error
				if client, err = client.WithAuthority(tt.authority); err != nil {
					t.Fatal(err)
				}
			}
			list, err := client.Handsets(t.Context())
			if tt.says == "" && (err != nil || len(list) != 1) || tt.says != "" && (err == nil || !strings.Contains(err.Error(), tt.says)) {
				t.Errorf("%d handsets, %v; want an error that says %q", len(list), err, tt.says)
			}
		})
	}
	if _, err := api.NewClient(good).WithAuthority([]byte("no certificate")); err == nil {
		t.Error("an authority without a certificate is taken")
	}
}
