// Package stage is the daemon's own little web site: the pages that handsets open as
// workload, the far end of their calls, and the posts by which those pages prove that
// they ran.
//
// It serves nothing but workload, and that only under the random key of a live session,
// one for each segment. What a page posts is held against what the stage knows: a post for
// no live session, of a page that was never served, out of order, too large, not to be
// read, or with work that does not come out is refused and counted.
//
// A page is an HTML document with a block `<script type="application/json" id="stage">`
// that says what the page is to do, and where and as what it posts:
//
//	{"activity":"browse","post":"/s/KEY/post","load":"17-5be1c0aa","every_s":15,"page":3}
//
// A post is JSON of any content type:
//
//	{"load":"17-5be1c0aa","seq":1,"kind":"page","value":3,"detail":{"load_ms":812}}
//
// The stage answers 204 when it took the post, 404 for a foreign key or page load, 410
// when the session is closed (the page then ends its activity), 409 for a repeated post,
// 413 for one too large, 422 for work that does not come out, 429 when nobody reads the
// proofs, and 400 for one that cannot be read.
package stage

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
)

// Config says where the stage listens.
type Config struct {
	Listen string           // host:port; port 0 for a free one
	Now    func() time.Time // nil: the wall clock. It dates the proofs; calls run in real time
	// Open opens what the stage listens on, whose address has to be a *net.TCPAddr; nil
	// stands for the host's own network.
	Open func(ctx context.Context, network, address string) (net.Listener, error)
}

// A Stage is the web site. Make it with New, then Start and Stop it once.
type Stage struct {
	listen   string
	listenBy func(ctx context.Context, network, address string) (net.Listener, error)
	now      func() time.Time
	server   *http.Server
	addr     string
	split    *split
	calls    *farEnd
	served   chan struct{}

	mu       sync.Mutex
	sessions map[string]*Session
	closed   closedKeys
	counts   Counts
}

// Counts are the posts since the start, by how they fared.
type Counts struct {
	Taken     int `json:"taken"`
	Foreign   int `json:"foreign"`   // of no session or page load of ours
	Late      int `json:"late"`      // of a session that was closed
	Repeated  int `json:"repeated"`  // a sequence number that did not rise
	Malformed int `json:"malformed"` // not to be read, or not what the activity posts
	Oversized int `json:"oversized"` // more than maxPost
	Wrong     int `json:"wrong"`     // work that does not come out
	Unread    int `json:"unread"`    // more than a session holds until somebody reads it
}

// Each calls f for each way in which posts were refused, by a word for it, none left out.
func (c Counts) Each(f func(refused string, n int)) {
	f("foreign", c.Foreign)
	f("late", c.Late)
	f("repeated", c.Repeated)
	f("malformed", c.Malformed)
	f("oversized", c.Oversized)
	f("wrong work", c.Wrong)
	f("unread", c.Unread)
}

// New makes a stage; it listens from Start on.
func New(c Config) *Stage {
	s := &Stage{listen: c.Listen, listenBy: c.Open, now: c.Now, sessions: map[string]*Session{}, served: make(chan struct{})}
	if s.now == nil {
		s.now = time.Now
	}
	if s.listenBy == nil {
		s.listenBy = new(net.ListenConfig).Listen
	}
	return s
}

// Limits of a request. A page's own posts are below 3 kB, an offer below 20 kB.
const (
	maxPost   = 16 << 10 // bytes
	maxOffer  = 64 << 10 // bytes
	maxHeader = 16 << 10 // bytes
)

// Start begins to listen and to serve. It reports an address that cannot be had.
func (s *Stage) Start(ctx context.Context) error {
	l, err := s.listenBy(ctx, "tcp", s.listen)
	if err != nil {
		return fmt.Errorf("cannot listen on %s: %w", s.listen, err)
	}
	s.addr = l.Addr().String()
	s.split = newSplit(l)
	if s.calls, err = newFarEnd(s.split.call); err != nil {
		close(s.served)
		return errors.Join(fmt.Errorf("the far end of calls: %w", err), s.split.Close())
	}
	s.server = &http.Server{
		Handler:           s.routes(),
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       30 * time.Second,
		WriteTimeout:      2 * time.Minute, // the largest part over the slowest Wi-Fi
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    maxHeader,
		ErrorLog:          nil,
	}
	go func() {
		defer close(s.served)
		_ = s.server.Serve(s.split.web)
	}()
	return nil
}

func (s *Stage) routes() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /s/{key}/{activity}", s.page)
	mux.HandleFunc("GET /s/{key}/{activity}/{page}", s.page)
	mux.HandleFunc("GET /s/{key}/part/{page}/{name}", s.part)
	mux.HandleFunc("GET /s/{key}/sustain/kernels.js", s.script("sustain", kernelsScript))
	mux.HandleFunc("GET /s/{key}/speed/work.js", s.script("speed", speedScript))
	mux.HandleFunc("POST /s/{key}/post", s.post)
	mux.HandleFunc("POST /s/{key}/call/offer", s.offer)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		guard(w.Header())
		// The mux would answer a path that is not clean with a redirect to one that is.
		if p := r.URL.Path; strings.Contains(p, "..") || strings.Contains(p, "//") {
			http.NotFound(w, r)
			return
		}
		mux.ServeHTTP(w, r)
	})
}

// guard sets what every answer carries: nothing is kept, nothing is guessed, and nothing
// comes from or goes to anywhere but the stage. Isolation also gives a page the finer
// clock that frame times want.
func guard(h http.Header) {
	h.Set("Cache-Control", "no-store")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Embedder-Policy", "require-corp")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
	h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
}

// Stop ends the calls and the stage; requests under way get until ctx ends. It is safe
// to call after a Start that failed, and again.
func (s *Stage) Stop(ctx context.Context) error {
	if s.server == nil {
		return nil
	}
	s.calls.hangUp() // while the way to the handsets is still there: they hear of it
	err := s.server.Shutdown(ctx)
	err = errors.Join(err, s.server.Close(), s.split.Close(), s.calls.close())
	<-s.served
	return err
}

// Addr is where the stage listens, host:port.
func (s *Stage) Addr() string { return s.addr }

// Counts returns how posts fared since the start.
func (s *Stage) Counts() Counts {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.counts
}
