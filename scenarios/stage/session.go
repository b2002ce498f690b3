package stage

import (
	"bytes"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"
)

// A Session is the stage of one segment.
type Session struct {
	stage    *Stage
	key      string
	activity string
	reopened bool

	// Under the stage's lock:
	visits  int
	loads   []load // oldest first, at most loadsMost
	adopted int
	seen    []Proof
	problem string
	counts  Counts
	speed   speedDone
	call    *call
}

// A load is one page that was served: only its script may post, each post once.
type load struct {
	id      string
	lastSeq int
	worked  float64 // of lots: how much it has done in all
}

// Bounds of what one session keeps.
const (
	loadsMost    = 256  // a handset shows one page at a time; older ones are gone
	adoptedMost  = 16   // pages that a handset still shows after the daemon was restarted
	proofsMost   = 4096 // until Seen is called: 17 h at one post in 15 s
	problemBytes = 300
	loadBytes    = 64
)

// A Proof is one post of a page that the stage took.
//
// Value is what was done, and above 0 only if something was:
//
//	page    the page's number, when all of it has loaded, and again when it was scrolled; 0 with parts missing
//	frames  frames drawn since the post before
//	call    frames that arrived since the post before, of the direction in which fewer did
//	lot     units of work a second over the lot; of work on the GPU alone frames a second
//	cycle   the same over a cycle
//	kernel  the rate of a kernel of the speed activity in its unit; 0 when it begins, and where the detail says why there is none
//
// From a page that does not say so, the value is the page's own word.
type Proof struct {
	At     time.Time // by the stage's clock
	Kind   string    // page, frames, call, lot, cycle, kernel
	Value  float64
	Detail string // JSON, as the page sent it, made compact; of a call also the far end's own numbers
}

// kinds are the activities and their kinds of proof.
var kinds = map[string][]string{"browse": {"page"}, "call": {"call"}, "game": {"frames"}, "sustain": {"lot", "cycle"}, "speed": {"kernel"}, "light": {"frames"}}

// Open begins a session for an activity (browse, call, game, sustain, speed, light), with a key
// of its own.
func (s *Stage) Open(activity string) *Session { return s.open(randomHex(9), activity, false) }

// Reopen begins a session under a key that a handset already uses, after the daemon was
// restarted. Pages that the handset still shows go on to post.
func (s *Stage) Reopen(key, activity string) *Session { return s.open(key, activity, true) }

func (s *Stage) open(key, activity string, again bool) *Session {
	if activity == "browse" {
		content() // before the first visit, which would be slower than the next; it takes a second or two, once in a process
	}
	p := &Session{stage: s, key: key, activity: activity, reopened: again}
	s.mu.Lock()
	before := s.sessions[key]
	s.sessions[key] = p
	s.closed.forget(key)
	s.mu.Unlock()
	if before != nil {
		before.hangUp()
	}
	return p
}

func randomHex(bytes int) string {
	b := make([]byte, bytes)
	_, _ = rand.Read(b) // crypto/rand never fails
	return hex.EncodeToString(b)
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

// Counts returns how the posts fared that were sent under the session's key while it was open.
func (p *Session) Counts() Counts {
	p.stage.mu.Lock()
	defer p.stage.mu.Unlock()
	return p.counts
}

// Problem returns what the page said last of why it cannot do its activity (no camera
// allowed, no WebGL2, ...), or what was wrong with its work, or "". It is text from the
// handset, at most 300 bytes.
func (p *Session) Problem() string {
	p.stage.mu.Lock()
	defer p.stage.mu.Unlock()
	return p.problem
}

// Close ends the session and its call: whatever its pages post from now on is refused.
func (p *Session) Close() {
	p.stage.mu.Lock()
	if p.stage.sessions[p.key] == p {
		delete(p.stage.sessions, p.key)
		p.stage.closed.add(p.key)
	}
	p.stage.mu.Unlock()
	p.hangUp()
}

// hangUp ends the session's call, if there is one.
func (p *Session) hangUp() {
	p.stage.mu.Lock()
	c := p.call
	p.call = nil
	p.stage.mu.Unlock()
	if c != nil {
		c.end()
	}
}

// closedKeys remembers the last sessions that ended, to tell late from foreign.
type closedKeys struct{ keys []string }

func (c *closedKeys) add(key string) {
	c.forget(key)
	if c.keys = append(c.keys, key); len(c.keys) > 256 {
		c.keys = slices.Delete(c.keys, 0, 1)
	}
}

func (c *closedKeys) forget(key string) {
	c.keys = slices.DeleteFunc(c.keys, func(k string) bool { return k == key })
}

// newLoad notes that a page is being served and names it. The number makes addresses of
// parts new at each visit, the random part keeps it from being guessed.
func (p *Session) newLoad() string {
	p.stage.mu.Lock()
	defer p.stage.mu.Unlock()
	p.visits++
	id := fmt.Sprintf("%d-%s", p.visits, randomHex(4))
	p.keep(load{id: id})
	return id
}

func (p *Session) keep(l load) *load {
	if len(p.loads) >= loadsMost {
		p.loads = slices.Delete(p.loads, 0, 1)
	}
	p.loads = append(p.loads, l)
	return &p.loads[len(p.loads)-1]
}

// loadOf finds the page load of a post, nil if it is none of ours. A browser that runs no
// scripts (a simulated handset's) may name its loads itself: a name that is new then
// stands for the page served last that nobody has posted from, so that there are never
// more of them than pages served.
func (p *Session) loadOf(id string) *load {
	if id == "" || len(id) > loadBytes {
		return nil
	}
	for i := len(p.loads) - 1; i >= 0; i-- {
		if p.loads[i].id == id {
			return &p.loads[i]
		}
	}
	for i := len(p.loads) - 1; i >= 0; i-- {
		if p.loads[i].lastSeq == 0 {
			p.loads[i].id = id
			return &p.loads[i]
		}
	}
	if p.reopened && p.adopted < adoptedMost {
		p.adopted++
		return p.keep(load{id: id})
	}
	return nil
}

// report is what a page posts.
type report struct {
	Load   string          `json:"load"` // the page load that the block named
	Seq    int             `json:"seq"`  // rises from post to post of one load, from 1
	Kind   string          `json:"kind"` // the activity's, or "problem"
	Value  float64         `json:"value"`
	Detail json.RawMessage `json:"detail"` // an object, or left out
}

// parseReport reads a post and says what is wrong with one that cannot be used.
func parseReport(text []byte) (report, error) {
	var p report
	if err := json.Unmarshal(text, &p); err != nil {
		return report{}, err
	}
	switch {
	case p.Seq < 1:
		return report{}, errors.New("seq: want 1 or more")
	case math.IsNaN(p.Value) || math.IsInf(p.Value, 0) || p.Value < 0:
		return report{}, errors.New("value: want 0 or more")
	}
	detail := bytes.TrimSpace(p.Detail)
	if len(detail) == 0 || bytes.Equal(detail, []byte("null")) {
		p.Detail = nil
		return p, nil
	}
	if detail[0] != '{' {
		return report{}, errors.New("detail: want an object")
	}
	var compact bytes.Buffer
	if err := json.Compact(&compact, detail); err != nil {
		return report{}, err
	}
	p.Detail = compact.Bytes()
	return p, nil
}

// post takes a page's proof. sendBeacon sends text/plain, so the type is not looked at.
func (s *Stage) post(w http.ResponseWriter, r *http.Request) {
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxPost))
	var tooLarge *http.MaxBytesError
	var p report
	if err == nil {
		p, err = parseReport(text)
	}
	status, why := s.take(r.PathValue("key"), p, err, errors.As(err, &tooLarge))
	if status != http.StatusNoContent {
		http.Error(w, why, status)
		return
	}
	w.WriteHeader(status)
}

// take decides on a post and counts it.
func (s *Stage) take(key string, p report, err error, tooLarge bool) (status int, why string) {
	// Checking work takes longer than anything else and needs no lock.
	var wrong error
	var worked, units float64
	var measured speedDetail
	switch {
	case err != nil:
	case p.Kind == "cycle":
		p.Detail, wrong = checkCycle(p.Value, p.Detail)
	case p.Kind == "kernel":
		p.Value, p.Detail, measured, wrong = checkKernel(p.Value, p.Detail)
	case p.Kind == "lot":
		p.Detail, worked, units, wrong = checkLot(p.Value, p.Detail)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	session := s.sessions[key]
	count := func(f func(*Counts)) {
		f(&s.counts)
		f(&session.counts)
	}
	switch {
	case session == nil && slices.Contains(s.closed.keys, key):
		s.counts.Late++
		return http.StatusGone, "this session is closed"
	case session == nil:
		s.counts.Foreign++
		return http.StatusNotFound, "no such session"
	case tooLarge:
		count(func(c *Counts) { c.Oversized++ })
		return http.StatusRequestEntityTooLarge, fmt.Sprintf("a post may have %d bytes", maxPost)
	case err != nil:
		count(func(c *Counts) { c.Malformed++ })
		return http.StatusBadRequest, "this post cannot be read: " + err.Error()
	case !slices.Contains(kinds[session.activity], p.Kind) && p.Kind != "problem":
		count(func(c *Counts) { c.Malformed++ })
		return http.StatusBadRequest, fmt.Sprintf("kind: %s posts %q", session.activity, kinds[session.activity])
	}
	l := session.loadOf(p.Load)
	if l != nil && wrong == nil && p.Kind == "lot" && p.Seq > l.lastSeq && worked-units < l.worked {
		wrong = fmt.Errorf("units: %g of %g in all, and %g were done before: some are counted twice", units, worked, l.worked)
	}
	switch {
	case l == nil:
		count(func(c *Counts) { c.Foreign++ })
		return http.StatusNotFound, "load: this page was not served in this session"
	case p.Seq <= l.lastSeq:
		count(func(c *Counts) { c.Repeated++ })
		return http.StatusConflict, "this post was taken before"
	case wrong != nil:
		count(func(c *Counts) { c.Wrong++ })
		session.problem = cutProblem(wrong.Error())
		return http.StatusUnprocessableEntity, wrong.Error()
	case len(session.seen) >= proofsMost:
		count(func(c *Counts) { c.Unread++ })
		return http.StatusTooManyRequests, "nobody reads the proofs"
	}
	l.lastSeq = p.Seq
	l.worked = max(l.worked, worked)
	count(func(c *Counts) { c.Taken++ })
	if p.Kind == "problem" {
		session.problem = problemOf(p.Detail)
		return http.StatusNoContent, ""
	}
	if p.Kind == "kernel" {
		session.speed.took(measured)
	}
	if p.Kind == "call" {
		p.Value, p.Detail = session.call.witness(p.Value, p.Detail)
	}
	if p.Value > 0 {
		session.problem = "" // it passed
	}
	session.seen = append(session.seen, Proof{At: s.now(), Kind: p.Kind, Value: p.Value, Detail: string(p.Detail)})
	return http.StatusNoContent, ""
}

// problemOf is the page's text on what is wrong, cut to its bound.
func problemOf(detail json.RawMessage) string {
	var d struct {
		Problem string `json:"problem"`
	}
	if json.Unmarshal(detail, &d) != nil || d.Problem == "" {
		return "the page cannot do its activity and does not say why"
	}
	return cutProblem(d.Problem)
}

func cutProblem(text string) string {
	if len(text) > problemBytes {
		return strings.ToValidUTF8(text[:problemBytes], "")
	}
	return text
}

// live returns the session of a request whose activity is one of the given, or nil. It
// writes no answer.
func (s *Stage) live(r *http.Request, activity string) *Session {
	s.mu.Lock()
	defer s.mu.Unlock()
	session := s.sessions[r.PathValue("key")]
	if session == nil || session.activity != activity {
		return nil
	}
	return session
}
