package api

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"rundown/orchestrator/api/console"
	"rundown/results"
)

// A Role is what a caller may do; each one may what the one before may.
type Role int

// The roles.
const (
	Anyone   Role = iota // no token: health and the page where one is entered
	Reader               // sees everything
	Operator             // drives handsets, queues, makes tokens
)

func (r Role) String() string { return [...]string{"anyone", "reader", "operator"}[r] }

// RoleNamed returns the role of a token, "reader" or "operator".
func RoleNamed(name string) (Role, error) {
	switch name {
	case "reader":
		return Reader, nil
	case "operator":
		return Operator, nil
	}
	return Anyone, fmt.Errorf("%w: role %q: want reader or operator", ErrToken, name)
}

// ErrToken means that a token cannot be made as asked.
var ErrToken = errors.New("token")

// documentsTokens is the store's kind of tokens, by their ID.
const documentsTokens = "tokens"

// A Token lets its bearer in. The secret is shown once, when it is made; what is kept is
// its SHA-256: the secret has 256 random bits, so a slow hash would add nothing.
type Token struct {
	ID     string    `json:"id"`
	Name   string    `json:"name" doc:"whose it is, for the change log"`
	Role   string    `json:"role" enum:"reader,operator"`
	MadeAt time.Time `json:"made_at"`
	Hash   string    `json:"-"`
}

// stored is a token as it is kept.
type stored struct {
	Token
	Hash string `json:"hash"`
}

// Tokens are the tokens of one store. They may be used from any goroutine.
type Tokens struct {
	store *results.Store
	now   func() time.Time
	mu    sync.Mutex
	have  []Token // nil until read
}

// OpenTokens returns the tokens of a store that is open. now may be nil: the wall clock.
func OpenTokens(s *results.Store, now func() time.Time) *Tokens {
	if now == nil {
		now = time.Now
	}
	return &Tokens{store: s, now: now}
}

// Make makes a token. The secret that it returns is kept nowhere.
func (t *Tokens) Make(name, role string) (secret string, made Token, err error) {
	if name = strings.TrimSpace(name); name == "" || len(name) > 60 {
		return "", made, fmt.Errorf("%w: want a name of 1 to 60 bytes that says whose it is", ErrToken)
	}
	if _, err := RoleNamed(role); err != nil {
		return "", made, err
	}
	var b [36]byte
	_, _ = rand.Read(b[:]) // crypto/rand never fails
	secret = "rundown_" + base64.RawURLEncoding.EncodeToString(b[:32])
	made = Token{ID: "t" + hex.EncodeToString(b[32:]), Name: name, Role: role, MadeAt: t.now().UTC(), Hash: hashOf(secret)}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.have = nil
	return secret, made, t.store.PutDocument(documentsTokens, made.ID, stored{made, made.Hash})
}

// List returns all tokens, oldest first.
func (t *Tokens) List() ([]Token, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.list()
}

func (t *Tokens) list() ([]Token, error) {
	if t.have != nil {
		return slices.Clone(t.have), nil
	}
	kept, err := results.Documents[stored](t.store, documentsTokens)
	list := []Token{}
	for _, k := range kept {
		k.Token.Hash = k.Hash
		list = append(list, k.Token)
	}
	slices.SortFunc(list, func(a, b Token) int { return a.MadeAt.Compare(b.MadeAt) })
	if err == nil {
		t.have = list
	}
	return slices.Clone(list), err
}

// Withdraw removes a token; from then on its secret and its sessions let nobody in.
func (t *Tokens) Withdraw(id string) (Token, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	list, err := t.list()
	i := slices.IndexFunc(list, func(k Token) bool { return k.ID == id })
	if i < 0 {
		return Token{}, errors.Join(fmt.Errorf("token %s: %w", id, results.ErrNotFound), err)
	}
	t.have = nil
	return list[i], t.store.DeleteDocument(documentsTokens, id)
}

// bearer finds the token of a secret.
func (t *Tokens) bearer(secret string) (Token, bool) {
	hash := []byte(hashOf(secret))
	list, _ := t.List()
	for _, k := range list {
		if subtle.ConstantTimeCompare(hash, []byte(k.Hash)) == 1 {
			return k, true
		}
	}
	return Token{}, false
}

// withID finds a token that has not been withdrawn.
func (t *Tokens) withID(id string) (Token, bool) {
	list, _ := t.List()
	i := slices.IndexFunc(list, func(k Token) bool { return k.ID == id })
	if i < 0 {
		return Token{}, false
	}
	return list[i], true
}

func hashOf(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}

// How long a browser stays let in after its token was entered.
const sessionLasts = 12 * time.Hour

// sessions are browsers that have entered a token. They live in memory: after a restart
// of the daemon the token is entered again.
type sessions struct {
	tokens *Tokens
	mu     sync.Mutex
	open   map[string]session // by the hash of the cookie
}

type session struct {
	token string // its ID
	until time.Time
}

func newSessions(t *Tokens) *sessions { return &sessions{tokens: t, open: map[string]session{}} }

func (s *sessions) begin(t Token) (cookie string) {
	cookie = rand.Text()
	s.mu.Lock()
	defer s.mu.Unlock()
	for h, o := range s.open {
		if time.Now().After(o.until) {
			delete(s.open, h)
		}
	}
	s.open[hashOf(cookie)] = session{t.ID, time.Now().Add(sessionLasts)}
	return cookie
}

func (s *sessions) end(cookie string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.open, hashOf(cookie))
}

func (s *sessions) bearer(cookie string) (Token, bool) {
	s.mu.Lock()
	o, ok := s.open[hashOf(cookie)]
	s.mu.Unlock()
	if !ok || time.Now().After(o.until) {
		return Token{}, false
	}
	return s.tokens.withID(o.token)
}

// A caller is who asks.
type caller struct {
	Name    string
	Role    Role
	session bool // by cookie
	did     *string
}

type callerKey struct{}

func callerOf(ctx context.Context) caller {
	c, _ := ctx.Value(callerKey{}).(caller)
	return c
}

// did says, for the change log, what the request at hand does.
func did(ctx context.Context, what string) {
	if c := callerOf(ctx); c.did != nil {
		*c.did = what
	}
}

// cookieName carries its own guard: a browser takes a __Host- cookie only over TLS and
// from this very host. On plain loopback the prefix is not possible.
func cookieName(r *http.Request) string {
	if r.TLS != nil {
		return "__Host-rundown"
	}
	return "rundown"
}

// errNoToken and errBadToken are why a caller is not known.
var (
	errNoToken  = errors.New("a token is needed here: make one with `rundown token make` on the host and send it as Authorization: Bearer")
	errBadToken = errors.New("this token is not known here, or it was withdrawn")
)

// identify finds out who asks. On loopback, and only there, nobody needs a token.
func (s *Server) identify(r *http.Request) (caller, error) {
	if text := r.Header.Get("Authorization"); text != "" {
		secret, ok := strings.CutPrefix(text, "Bearer ")
		if !ok {
			return caller{}, errBadToken
		}
		t, ok := s.tokens.bearer(strings.TrimSpace(secret))
		if !ok {
			return caller{}, errBadToken
		}
		role, _ := RoleNamed(t.Role)
		return caller{Name: t.Name, Role: role}, nil
	}
	if c, err := r.Cookie(cookieName(r)); err == nil {
		if t, ok := s.sessions.bearer(c.Value); ok {
			role, _ := RoleNamed(t.Role)
			return caller{Name: t.Name, Role: role, session: true}, nil
		}
	}
	if !s.tokensAlways && onLoopback(r) {
		return caller{Name: "this host", Role: Operator}, nil
	}
	return caller{Name: "anyone", Role: Anyone}, errNoToken
}

// onLoopback reports whether a request came over loopback at both ends, and not by way of
// a proxy on this host that speaks for somebody else.
func onLoopback(r *http.Request) bool {
	for _, name := range []string{"Forwarded", "X-Forwarded-For", "X-Real-Ip", "Via"} {
		if r.Header.Get(name) != "" {
			return false
		}
	}
	here, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	return ok && isLoopback(here.String()) && isLoopback(r.RemoteAddr)
}

func isLoopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	ip := net.ParseIP(host)
	return err == nil && ip != nil && ip.IsLoopback()
}

// enterPage is where a browser hands in its token.
func (s *Server) enterPage(w http.ResponseWriter, r *http.Request) {
	console.Enter(w, http.StatusOK, r.URL.Query().Get("to"), "")
}

func (s *Server) enter(w http.ResponseWriter, r *http.Request) {
	to := r.PostFormValue("to")
	t, ok := s.tokens.bearer(strings.TrimSpace(r.PostFormValue("token")))
	if !ok {
		s.limits.failed(r)
		console.Enter(w, http.StatusForbidden, to, "This token is not known here, or it was withdrawn.")
		return
	}
	did(r.Context(), "entered with the token "+t.ID+" ("+t.Name+")")
	http.SetCookie(w, &http.Cookie{
		Name: cookieName(r), Value: s.sessions.begin(t), Path: "/", HttpOnly: true, Secure: r.TLS != nil,
		SameSite: http.SameSiteStrictMode, MaxAge: int(sessionLasts.Seconds()),
	})
	http.Redirect(w, r, console.Local(to), http.StatusSeeOther)
}

func (s *Server) leave(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(cookieName(r)); err == nil {
		s.sessions.end(c.Value)
	}
	did(r.Context(), "left")
	http.SetCookie(w, &http.Cookie{Name: cookieName(r), Path: "/", HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode, MaxAge: -1})
	http.Redirect(w, r, "/enter", http.StatusSeeOther)
}

// A MadeToken is a new token with its secret.
type MadeToken struct {
	Token
	Secret string `json:"secret" doc:"shown here and nowhere else"`
}

type makeTokenInput struct {
	Body struct {
		Name string `json:"name" minLength:"1" maxLength:"60" doc:"whose it is"`
		Role string `json:"role" enum:"reader,operator"`
	}
}

func (s *Server) listTokens(context.Context, *none) (*body[[]Token], error) {
	list, err := s.tokens.List()
	if err != nil && len(list) == 0 {
		return nil, problem(err)
	}
	return &body[[]Token]{list}, nil
}

func (s *Server) makeToken(ctx context.Context, in *makeTokenInput) (*body[MadeToken], error) {
	did(ctx, "made a token for "+in.Body.Name+", "+in.Body.Role)
	secret, t, err := s.tokens.Make(in.Body.Name, in.Body.Role)
	if err != nil {
		return nil, problem(err)
	}
	return &body[MadeToken]{MadeToken{t, secret}}, nil
}

func (s *Server) withdrawToken(ctx context.Context, in *itemInput) (*body[Token], error) {
	did(ctx, "withdrew the token "+in.ID)
	t, err := s.tokens.Withdraw(in.ID)
	if err != nil {
		return nil, problem(err)
	}
	return &body[Token]{t}, nil
}
