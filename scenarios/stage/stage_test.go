package stage

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	code := m.Run()
	if code == 0 {
		http.DefaultClient.CloseIdleConnections()
		if err := goleak.Find(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	os.Exit(code)
}

// started is a stage on loopback that ends with the test.
func started(t testing.TB) *Stage {
	t.Helper()
	s := New(Config{Listen: "127.0.0.1:0"})
	if err := s.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		http.DefaultClient.CloseIdleConnections()
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		if err := s.Stop(ctx); err != nil {
			t.Errorf("Stop: %v", err)
		}
	})
	return s
}

type answer struct {
	status int
	body   []byte
	header http.Header
}

func ask(t testing.TB, method, address, body string) answer {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, address, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatalf("%s %s: %v", method, address, err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatalf("%s %s: %v", method, address, err)
	}
	return answer{resp.StatusCode, b, resp.Header}
}

func at(s *Stage, path string) string { return "http://" + s.Addr() + path }

var blockPattern = regexp.MustCompile(`(?s)<script type="application/json" id="stage">(.*?)</script>`)

// visit opens a page as a browser does and returns its block and its text.
func visit(t testing.TB, s *Stage, path string) (b block, text string) {
	t.Helper()
	a := ask(t, "GET", at(s, path), "")
	if a.status != http.StatusOK {
		t.Fatalf("GET %s: %d %s", path, a.status, a.body)
	}
	m := blockPattern.FindSubmatch(a.body)
	if m == nil {
		t.Fatalf("GET %s: no block in the page", path)
	}
	if err := json.Unmarshal(m[1], &b); err != nil {
		t.Fatalf("GET %s: block: %v in %s", path, err, m[1])
	}
	return b, string(a.body)
}

func postBody(load string, seq int, kind string, value any, detail string) string {
	return fmt.Sprintf(`{"load":%q,"seq":%d,"kind":%q,"value":%v,"detail":%s}`, load, seq, kind, value, detail)
}

func TestPostsAreTakenOrRefusedAndCounted(t *testing.T) {
	s := started(t)
	p, other := s.Open("browse"), s.Open("game")
	gone := s.Open("browse")
	goneBlock, _ := visit(t, s, gone.Path()+"/1")
	gone.Close()
	b, _ := visit(t, s, p.Path()+"/3?v=7")
	to := at(s, b.Post)
	tests := []struct {
		name, to, body string
		want           int
		counts         Counts // what this post adds
	}{
		{"a page's first", to, postBody(b.Load, 1, "page", 3, `{"bytes":9}`), 204, Counts{Taken: 1}},
		{"the same again", to, postBody(b.Load, 1, "page", 3, `{}`), 409, Counts{Repeated: 1}},
		{"the next, one lost between", to, postBody(b.Load, 3, "page", 3, `{}`), 204, Counts{Taken: 1}},
		{"the lost one, late", to, postBody(b.Load, 2, "page", 3, `{}`), 409, Counts{Repeated: 1}},
		{"no detail", to, fmt.Sprintf(`{"load":%q,"seq":4,"kind":"page","value":3}`, b.Load), 204, Counts{Taken: 1}},
		{"a key nobody has", at(s, "/s/0123/post"), postBody(b.Load, 9, "page", 3, `{}`), 404, Counts{Foreign: 1}},
		{"a load nobody was served", to, postBody("1-ffffffff", 1, "page", 3, `{}`), 404, Counts{Foreign: 1}},
		{"no load", to, `{"seq":1,"kind":"page","value":3}`, 404, Counts{Foreign: 1}},
		{"after the close", at(s, goneBlock.Post), postBody(goneBlock.Load, 1, "page", 1, `{}`), 410, Counts{Late: 1}},
		{"another activity's kind", to, postBody(b.Load, 9, "frames", 3, `{}`), 400, Counts{Malformed: 1}},
		{"another session's load", at(s, "/s/"+other.Key()+"/post"), postBody(b.Load, 9, "frames", 3, `{}`), 404, Counts{Foreign: 1}},
		{"no JSON", to, "page=3", 400, Counts{Malformed: 1}},
		{"nothing", to, "", 400, Counts{Malformed: 1}},
		{"cut short", to, postBody(b.Load, 9, "page", 3, `{}`)[:40], 400, Counts{Malformed: 1}},
		{"two at once", to, postBody(b.Load, 9, "page", 3, `{}`) + postBody(b.Load, 10, "page", 3, `{}`), 400, Counts{Malformed: 1}},
		{"sequence 0", to, postBody(b.Load, 0, "page", 3, `{}`), 400, Counts{Malformed: 1}},
		{"value below 0", to, postBody(b.Load, 9, "page", -1, `{}`), 400, Counts{Malformed: 1}},
		{"value beyond binary64", to, postBody(b.Load, 9, "page", "1e999", `{}`), 400, Counts{Malformed: 1}},
		{"detail is no object", to, postBody(b.Load, 9, "page", 3, `[1]`), 400, Counts{Malformed: 1}},
		{"too large", to, postBody(b.Load, 9, "page", 3, `{"a":"`+strings.Repeat("x", maxPost)+`"}`), 413, Counts{Oversized: 1}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			before := s.Counts()
			a := ask(t, "POST", tt.to, tt.body)
			if a.status != tt.want {
				t.Errorf("POST %.80s: %d %s, want %d", tt.body, a.status, a.body, tt.want)
			}
			if diff := cmp.Diff(sum(before, tt.counts), s.Counts()); diff != "" {
				t.Errorf("counts after POST %.80s (-want +got):\n%s", tt.body, diff)
			}
		})
	}
	// A session counts its own; what names no open session is the stage's alone.
	if diff := cmp.Diff(sum(sum(p.Counts(), other.Counts()), Counts{Foreign: 1, Late: 1}), s.Counts()); diff != "" {
		t.Errorf("the sessions' counts against the stage's (-sessions +stage):\n%s", diff)
	}
	refused := 0
	s.Counts().Each(func(_ string, n int) { refused += n })
	if refused != len(tests)-3 {
		t.Errorf("%d refused of %d, want all but three", refused, len(tests))
	}
	got := p.Seen()
	for i := range got {
		got[i].At = time.Time{}
	}
	want := []Proof{{Kind: "page", Value: 3, Detail: `{"bytes":9}`}, {Kind: "page", Value: 3, Detail: `{}`}, {Kind: "page", Value: 3}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("Seen (-want +got):\n%s", diff)
	}
	if again := p.Seen(); again != nil {
		t.Errorf("Seen again = %v, want nothing", again)
	}
}

func sum(a, b Counts) Counts {
	return Counts{a.Taken + b.Taken, a.Foreign + b.Foreign, a.Late + b.Late, a.Repeated + b.Repeated, a.Malformed + b.Malformed, a.Oversized + b.Oversized, a.Wrong + b.Wrong, a.Unread + b.Unread}
}

func TestProblemIsKeptApartFromProofs(t *testing.T) {
	s := started(t)
	p := s.Open("game")
	b, _ := visit(t, s, p.Path())
	long := strings.Repeat("ä", problemBytes)
	ask(t, "POST", at(s, b.Post), postBody(b.Load, 1, "problem", 0, `{"problem":"`+long+`"}`))
	if got := p.Problem(); got != long[:problemBytes] {
		t.Errorf("Problem() = %q (%d bytes), want the first %d bytes", got, len(got), problemBytes)
	}
	ask(t, "POST", at(s, b.Post), postBody(b.Load, 2, "problem", 0, `{"problem":"This browser has no WebGL2"}`))
	if got, want := p.Problem(), "This browser has no WebGL2"; got != want {
		t.Errorf("Problem() = %q, want %q", got, want)
	}
	if seen := p.Seen(); len(seen) != 0 {
		t.Errorf("Seen() = %v, want nothing: a problem proves nothing", seen)
	}
	ask(t, "POST", at(s, b.Post), postBody(b.Load, 3, "frames", 60, `{}`))
	if got := p.Problem(); got != "" {
		t.Errorf("Problem() = %q after frames came, want none", got)
	}
}

func TestMemoryOfASessionIsBounded(t *testing.T) {
	s := started(t)
	p := s.Open("game")
	first, _ := visit(t, s, p.Path())
	for range loadsMost {
		p.newLoad()
	}
	s.mu.Lock()
	loads := len(p.loads)
	s.mu.Unlock()
	if loads != loadsMost {
		t.Errorf("%d page loads kept, want %d", loads, loadsMost)
	}
	for seq := range proofsMost + 10 {
		s.take(p.key, report{Load: p.loads[0].id, Seq: seq + 1, Kind: "frames", Value: 1}, nil, false)
	}
	if got := s.Counts(); got.Taken != proofsMost || got.Unread != 10 {
		t.Errorf("counts = %+v, want %d taken and 10 refused as unread", got, proofsMost)
	}
	if n := len(p.Seen()); n != proofsMost {
		t.Errorf("%d proofs kept, want %d", n, proofsMost)
	}
	for _, l := range p.loads {
		if l.id == first.Load {
			t.Errorf("the oldest page load is still kept")
		}
	}
	for i := range 1000 {
		s.Open("game").Close()
		s.Reopen(fmt.Sprint(i), "game").Close()
	}
	if n := len(s.closed.keys); n > 256 {
		t.Errorf("%d closed keys kept, want at most 256", n)
	}
}

// A handset that still shows its page while the daemon is restarted goes on to post.
func TestReopenedSessionKnowsThePagesOfTheHandset(t *testing.T) {
	old := started(t)
	p := old.Open("game")
	b, _ := visit(t, old, p.Path())
	s := started(t)
	again := s.Reopen(p.Key(), "game")
	for _, tt := range []struct {
		load      string
		seq, want int
	}{{b.Load, 41, 204}, {b.Load, 41, 409}, {b.Load, 42, 204}} {
		if a := ask(t, "POST", at(s, b.Post), postBody(tt.load, tt.seq, "frames", 9, `{}`)); a.status != tt.want {
			t.Errorf("post %d of load %s: %d %s, want %d", tt.seq, tt.load, a.status, a.body, tt.want)
		}
	}
	if n := len(again.Seen()); n != 2 {
		t.Errorf("%d proofs, want 2", n)
	}
	refused := 0
	for i := range adoptedMost + 5 {
		if a := ask(t, "POST", at(s, b.Post), postBody(fmt.Sprintf("made-up-%d", i), 1, "frames", 9, `{}`)); a.status == 404 {
			refused++
		}
	}
	if want := 6; refused != want { // one of the places went to the real page
		t.Errorf("%d of %d made-up page loads refused, want %d", refused, adoptedMost+5, want)
	}
}

// The simulated handset's browser names its loads itself.
func TestBrowserThatNamesItsLoads(t *testing.T) {
	s := started(t)
	p := s.Open("browse")
	for n := 1; n <= 3; n++ {
		b, _ := visit(t, s, fmt.Sprintf("%s/%d", p.Path(), n))
		load := fmt.Sprintf("own%d", n)
		if a := ask(t, "POST", at(s, b.Post), postBody(load, 1, "page", n, `{}`)); a.status != 204 {
			t.Errorf("post of load %s: %d %s, want 204", load, a.status, a.body)
		}
		if a := ask(t, "POST", at(s, b.Post), postBody(load, 1, "page", n, `{}`)); a.status != 409 {
			t.Errorf("repeated post of load %s: %d, want 409", load, a.status)
		}
	}
	if a := ask(t, "POST", at(s, "/s/"+p.Key()+"/post"), postBody("own4", 1, "page", 4, `{}`)); a.status != 404 {
		t.Errorf("post of a page that was not served: %d, want 404", a.status)
	}
}

func TestServesOnlyWorkload(t *testing.T) {
	s := started(t)
	p, game, sustain := s.Open("browse"), s.Open("game"), s.Open("sustain")
	key := "/s/" + p.Key()
	name := content()[0].order[0]
	tests := []struct {
		method, path string
		want         int
	}{
		{"GET", key + "/browse/1", 200},
		{"GET", key + "/browse/12", 200},
		{"GET", key + "/part/1/" + name, 200},
		{"GET", game.Path() + "?cubes=10&scale=0.5&loop=2&seed=9", 200},
		{"GET", sustain.Path() + "?work=cpu&cycle_s=5&cycles=2&workers=2", 200},
		{"GET", "/s/" + sustain.Key() + "/sustain/kernels.js", 200},
		{"GET", "/", 404},
		{"GET", "/s", 404},
		{"GET", "/s/" + p.Key(), 404},
		{"GET", "/favicon.ico", 404},
		{"GET", "/debug/pprof/", 404},
		{"GET", "/api/runs", 404},
		{"GET", key + "/browse", 404},
		{"GET", key + "/browse/0", 404},
		{"GET", key + "/browse/13", 404},
		{"GET", key + "/browse/01", 404},
		{"GET", key + "/browse/1/", 404},
		{"GET", key + "/browse/-1", 404},
		{"GET", key + "/game", 404},
		{"GET", game.Path() + "/1", 404},
		{"GET", "/s/" + game.Key() + "/browse/1", 404},
		{"GET", "/s/" + game.Key() + "/sustain/kernels.js", 404},
		{"GET", "/s/0123456789abcdef/browse/1", 404},
		{"GET", "/s/0123456789abcdef/part/1/" + name, 404},
		{"GET", "/s/" + game.Key() + "/part/1/" + name, 404},
		{"GET", key + "/part/1/none.jpg", 404},
		{"GET", key + "/part/99/" + name, 404},
		{"GET", key + "/part/1/%2e%2e%2fstage.go", 404},
		{"GET", key + "/part/1/..%2f..%2f..%2f..%2fetc%2fpasswd", 404},
		{"GET", "/s/../../etc/passwd", 404},
		{"GET", key + "/browse/../../x", 404},
		{"GET", key + "//browse/1", 404},
		{"GET", key + "/web/game.html", 404},
		{"GET", key + "/post", 404},
		{"PUT", key + "/post", 405},
		{"DELETE", key + "/browse/1", 405},
		{"GET", game.Path() + "?cubes=0", 400},
		{"GET", game.Path() + "?cubes=1e9", 400},
		{"GET", game.Path() + "?scale=NaN", 400},
		{"GET", game.Path() + "?cube=10", 400},
		{"GET", game.Path() + "?a=%zz", 400},
		{"GET", sustain.Path() + "?work=rest", 400},
		{"GET", sustain.Path() + "?cycle_s=0", 400},
	}
	for _, tt := range tests {
		t.Run(tt.method+" "+strings.ReplaceAll(tt.path, "/", "_"), func(t *testing.T) {
			a := ask(t, tt.method, at(s, tt.path), "")
			if a.status != tt.want {
				t.Errorf("%s %s: %d %.100s, want %d", tt.method, tt.path, a.status, a.body, tt.want)
			}
			for header, want := range map[string]string{"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer", "X-Frame-Options": "DENY"} {
				if got := a.header.Get(header); got != want {
					t.Errorf("%s: %s: %q, want %q", tt.path, header, got, want)
				}
			}
			if got := a.header.Get("Content-Security-Policy"); !strings.Contains(got, "default-src 'none'") || strings.Contains(got, "*") {
				t.Errorf("%s: Content-Security-Policy: %q, want nothing from elsewhere", tt.path, got)
			}
		})
	}
}

// Paths that clean up to others must not be answered with a redirect to them.
func TestRawPathsAreNotFollowed(t *testing.T) {
	s := started(t)
	p := s.Open("browse")
	for _, path := range []string{"/s/../s/" + p.Key() + "/browse/1", "//s/" + p.Key() + "/browse/1", "/s/" + p.Key() + "/browse/./1", "/%2e%2e/etc/passwd", "*"} {
		c, err := net.Dial("tcp", s.Addr())
		if err != nil {
			t.Fatal(err)
		}
		_ = c.SetDeadline(time.Now().Add(10 * time.Second))
		fmt.Fprintf(c, "GET %s HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", path)
		b, err := io.ReadAll(c)
		c.Close()
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(b, []byte(" 200 ")) || bytes.Contains(b, []byte("passwd:")) {
			t.Errorf("GET %s: %.60q, want no page", path, b)
		}
	}
}

func TestHeadersHaveALimit(t *testing.T) {
	s := started(t)
	req, err := http.NewRequestWithContext(t.Context(), "GET", at(s, "/"), nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("X-Long", strings.Repeat("a", 2*maxHeader))
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return // the connection was cut: as good
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("a header of %d bytes: %d, want %d", 2*maxHeader, resp.StatusCode, http.StatusRequestHeaderFieldsTooLarge)
	}
}

// Every address in a page differs from visit to visit, and every part it names is there.
func TestBrowsePagesAreWholeAndNeverTheSameAddress(t *testing.T) {
	s := started(t)
	p := s.Open("browse")
	addresses := regexp.MustCompile(`(?:src=|url\()"(\.\./part/[^"]+)"`)
	seen := map[string]bool{}
	titles := map[string]int{}
	for n := 1; n <= Pages; n++ {
		for v := range 2 {
			path := fmt.Sprintf("%s/%d?v=%d", p.Path(), n, v)
			_, text := visit(t, s, path)
			found := map[string]bool{}
			for _, m := range addresses.FindAllStringSubmatch(text, -1) {
				found[m[1]] = true
			}
			if len(found) != len(content()[n-1].parts) {
				t.Errorf("page %d names %d parts, it has %d", n, len(found), len(content()[n-1].parts))
			}
			if strings.Contains(text, "GOES-HERE") || strings.Contains(text, partPage) {
				t.Errorf("page %d: a mark was not filled", n)
			}
			for ref := range found {
				if seen[ref] {
					t.Errorf("page %d: %s was in a visit before", n, ref)
				}
				seen[ref] = true
				if v > 0 {
					continue
				}
				a := ask(t, "GET", at(s, "/s/"+p.Key()+strings.TrimPrefix(ref, "..")), "")
				if a.status != 200 {
					t.Errorf("page %d: %s: %d", n, ref, a.status)
				}
				// The bytes are what the header says they are (the sniffing table of
				// the WHATWG standard "MIME Sniffing", as net/http implements it).
				if got, said := http.DetectContentType(a.body), a.header.Get("Content-Type"); got != said && !(said == "font/ttf" && strings.HasPrefix(got, "font/")) {
					t.Errorf("page %d: %s is %s, served as %s", n, ref, got, said)
				}
			}
		}
		if size := content()[n-1].bytes(); size < 300e3 || size > 4e6 {
			t.Errorf("page %d has %d bytes, want 300 kB to 4 MB", n, size)
		}
		titles[layouts[n-1].template]++
	}
	if len(titles) < 8 {
		t.Errorf("%d kinds of page, want at least 8: %v", len(titles), titles)
	}
}

func TestContentIsTheSameEachTime(t *testing.T) {
	first := content()
	again := newContent()
	for i := range first {
		if !bytes.Equal(first[i].text.fill("v", nil), again[i].text.fill("v", nil)) {
			t.Errorf("page %d: another text", i+1)
		}
		for name, p := range first[i].parts {
			if !bytes.Equal(p.data, again[i].parts[name].data) {
				t.Errorf("page %d: %s has other bytes", i+1, name)
			}
		}
	}
}

// A change of what the stage serves must show in a version: people set results side by
// side by it. Who meant the change counts the version up and puts the new hash here.
func TestVersionsChangeWithTheirContent(t *testing.T) {
	want := map[string]string{ // activity and version: the hash's beginning
		"browse 2":  "d4747e45072d721d",
		"call 2":    "8c2c83944528438d",
		"game 2":    "06c39cde4a1e562a",
		"sustain 3": "bdb2495bb0128a4c",
		"speed 1":   "8630a5f15b7447de",
		"light 2":   "815d77dc4d5b074f",
	}
	for _, w := range Workloads() {
		if got := w.Hash[:16]; want[w.Name+" "+w.Version] != got {
			t.Errorf("%s version %s has hash %s, known as %q: count its version up", w.Name, w.Version, got, want[w.Name+" "+w.Version])
		}
		if w.Bytes < 1000 || w.Needs == "" || WorkloadHash(w.Name) != w.Hash {
			t.Errorf("%s: %+v", w.Name, w)
		}
	}
	if got := WorkloadHash("nothing"); got != "" {
		t.Errorf("WorkloadHash of an unknown activity = %q", got)
	}
}

func TestStopIsBoundedAndStartTellsWhatIsWrong(t *testing.T) {
	s := started(t)
	other := New(Config{Listen: s.Addr()})
	if err := other.Start(t.Context()); err == nil || !strings.Contains(err.Error(), s.Addr()) {
		t.Errorf("Start on a taken address: %v, want an error that names it", err)
	}
	if err := other.Stop(t.Context()); err != nil {
		t.Errorf("Stop after a failed Start: %v", err)
	}
	silent, err := net.Dial("tcp", s.Addr()) // a browser's connection kept in reserve
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	half, err := net.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer half.Close()
	fmt.Fprint(half, "POST /s/x/post HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\n\r\n{")
	media, err := net.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer media.Close()
	_, _ = media.Write([]byte{0, 20, 0})
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	start := time.Now()
	if err := s.Stop(ctx); err != nil && !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("Stop: %v", err)
	}
	if took := time.Since(start); took > 10*time.Second {
		t.Errorf("Stop took %v with 0.3 s given", took)
	}
}

func TestSessionsSideBySide(t *testing.T) {
	s := started(t)
	var wg sync.WaitGroup
	const handsets, visits = 8, 12
	for range handsets {
		wg.Go(func() {
			p := s.Open("browse")
			defer p.Close()
			for n := 1; n <= visits; n++ {
				b, _ := visit(t, s, fmt.Sprintf("%s/%d", p.Path(), (n-1)%Pages+1))
				ask(t, "POST", at(s, b.Post), postBody(b.Load, 1, "page", b.Page, `{}`))
			}
			if got := len(p.Seen()); got != visits {
				t.Errorf("%d proofs, want %d", got, visits)
			}
		})
	}
	wg.Wait()
	if got := s.Counts(); got.Taken != handsets*visits {
		t.Errorf("counts = %+v, want %d taken", got, handsets*visits)
	}
}
