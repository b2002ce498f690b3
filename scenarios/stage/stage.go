// Package stage is the daemon's own little web site: the pages that handsets open as
// workload, and the posts by which those pages prove that they ran.
//
// It serves nothing but workload. Each segment has a session with a random key; a post
// for no live session, out of order or not to be read is refused and counted.
package stage

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"sync"
	"time"
)

// Config says where the stage listens.
type Config struct {
	Listen string           // host:port; port 0 for a free one
	Now    func() time.Time // nil: the wall clock
}

// A Stage is the web site. Make it with New, then Start and Stop it once.
type Stage struct {
	listen string
	now    func() time.Time
	server *http.Server
	addr   string
	served chan struct{}

	mu       sync.Mutex
	sessions map[string]*Session
	counts   Counts
}

// Counts are the posts since the start.
type Counts struct {
	Taken     int `json:"taken"`
	Foreign   int `json:"foreign"`   // of no live session: a wrong key, or too late
	Repeated  int `json:"repeated"`  // a sequence number that did not rise
	Malformed int `json:"malformed"` // not to be read
}

// New makes a stage; it listens from Start on.
func New(c Config) *Stage {
	s := &Stage{listen: c.Listen, now: c.Now, sessions: map[string]*Session{}, served: make(chan struct{})}
	if s.now == nil {
		s.now = time.Now
	}
	return s
}

// maxPost bounds what a page may post, bytes.
const maxPost = 16 << 10

// Start begins to listen and to serve.
func (s *Stage) Start(ctx context.Context) error {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", s.listen)
	if err != nil {
		return fmt.Errorf("cannot listen on %s: %w", s.listen, err)
	}
	s.addr = l.Addr().String()
	for page := 1; page <= Pages; page++ { // made before the first visit, which would be slower than the next
		for part := range partsOf {
			picture(page, part)
		}
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /s/{key}/{activity}", s.page)
	mux.HandleFunc("GET /s/{key}/{activity}/{page}", s.page)
	mux.HandleFunc("GET /part/{page}/{part}", s.part)
	mux.HandleFunc("POST /s/{key}/post", s.post)
	s.server = &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 30 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10}
	go func() {
		defer close(s.served)
		_ = s.server.Serve(l)
	}()
	return nil
}

// Stop ends the stage; requests under way get until ctx ends.
func (s *Stage) Stop(ctx context.Context) error {
	if s.server == nil {
		return nil
	}
	err := errors.Join(s.server.Shutdown(ctx), s.server.Close())
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

// A Session is the stage of one segment.
type Session struct {
	stage    *Stage
	key      string
	activity string
	lastSeq  map[string]int // by page load
	seen     []Proof
}

// A Proof is one post of a page: what it has done so far.
type Proof struct {
	At     time.Time // by the stage's clock
	Kind   string    // page, frames, call, cycle
	Value  float64
	Detail string // JSON, as the page sent it
}

// Open begins a session for an activity, with a key of its own.
func (s *Stage) Open(activity string) *Session {
	var b [9]byte
	_, _ = rand.Read(b[:]) // crypto/rand never fails
	return s.Reopen(hex.EncodeToString(b[:]), activity)
}

// Reopen begins a session under a key that a handset already uses, after the daemon was
// restarted.
func (s *Stage) Reopen(key, activity string) *Session {
	p := &Session{stage: s, key: key, activity: activity, lastSeq: map[string]int{}}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sessions[key] = p
	return p
}

// Key is the session's secret.
func (p *Session) Key() string { return p.key }

// Path is where its pages begin, to be put after the stage's address.
func (p *Session) Path() string { return "/s/" + p.key + "/" + p.activity }

// Seen returns the proofs since the last call, oldest first.
func (p *Session) Seen() []Proof {
	p.stage.mu.Lock()
	defer p.stage.mu.Unlock()
	list := p.seen
	p.seen = nil
	return list
}

// Close ends the session: whatever its pages post from now on is refused.
func (p *Session) Close() {
	p.stage.mu.Lock()
	defer p.stage.mu.Unlock()
	if p.stage.sessions[p.key] == p {
		delete(p.stage.sessions, p.key)
	}
}

// report is what a page posts.
type report struct {
	Load   string          `json:"load"` // one value for each load of the page
	Seq    int             `json:"seq"`  // rises from post to post of one load, from 1
	Kind   string          `json:"kind"`
	Value  float64         `json:"value"`
	Detail json.RawMessage `json:"detail"`
}

// kinds are the activities' kinds of proof.
var kinds = map[string]string{"browse": "page", "call": "call", "game": "frames", "sustain": "cycle"}

// post takes a page's proof. sendBeacon sends text/plain, so the type is not looked at.
func (s *Stage) post(w http.ResponseWriter, r *http.Request) {
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxPost))
	var p report
	if err == nil {
		err = json.Unmarshal(text, &p)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	session := s.sessions[r.PathValue("key")]
	switch {
	case session == nil:
		s.counts.Foreign++
		http.Error(w, "no such session", http.StatusGone)
	case err != nil || p.Seq < 1 || p.Kind != kinds[session.activity] || math.IsNaN(p.Value) || math.IsInf(p.Value, 0):
		s.counts.Malformed++
		http.Error(w, "this post cannot be read", http.StatusBadRequest)
	case p.Load != "" && p.Seq <= session.lastSeq[p.Load]:
		s.counts.Repeated++
		http.Error(w, "this post was taken before", http.StatusConflict)
	default:
		s.counts.Taken++
		if p.Load != "" {
			session.lastSeq[p.Load] = p.Seq
		}
		session.seen = append(session.seen, Proof{At: s.now(), Kind: p.Kind, Value: p.Value, Detail: string(p.Detail)})
		w.WriteHeader(http.StatusNoContent)
	}
}

// live returns the session of a request, or answers that there is none.
func (s *Stage) live(w http.ResponseWriter, r *http.Request) *Session {
	s.mu.Lock()
	defer s.mu.Unlock()
	session := s.sessions[r.PathValue("key")]
	if session == nil || session.activity != r.PathValue("activity") {
		http.NotFound(w, r)
		return nil
	}
	return session
}
