package api

import (
	"fmt"
	"net"
	"net/http"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"rundown/orchestrator/api/console"
)

// contentPolicy lets a page load from this daemon only, and run no script and no style
// that stands in the page itself.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// guard stands before every route: in this order a request's host, origin, rate, caller
// and role are looked at, and what it changed is written to the change log.
func (s *Server) guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		began := time.Now()
		seen := &statusWriter{ResponseWriter: w}
		w = seen
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("X-Frame-Options", "DENY")
		if r.TLS != nil {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		defer func() {
			if fault := recover(); fault != nil {
				if fault == http.ErrAbortHandler {
					panic(fault)
				}
				s.d.Log().Error().Interface("fault", fault).Str("path", r.URL.Path).Bytes("stack", debug.Stack()).Msg("a request could not be answered")
				if seen.status == 0 {
					writeProblem(seen, http.StatusInternalServerError, "the daemon could not answer this; its log says why")
				}
			}
			s.meter.answered(s.pattern(r), seen.status, time.Since(began))
		}()
		if !s.hostKnown(r.Host) {
			writeProblem(w, http.StatusMisdirectedRequest, fmt.Sprintf("this daemon is not reached under the name %q; start it with that name if it should be", r.Host))
			return
		}
		if site := r.Header.Get("Sec-Fetch-Site"); cross.Check(r) != nil || (site == "cross-site" || site == "same-site") && !navigates(r) {
			writeProblem(w, http.StatusForbidden, "this request was made by another site's page, and is refused")
			return
		}
		if wait, ok := s.limits.allow(r); !ok {
			h.Set("Retry-After", fmt.Sprint(int(wait.Seconds())+1))
			refuse(w, r, http.StatusTooManyRequests, "too many requests from this address; wait a moment")
			return
		}
		who, err := s.identify(r)
		if err != nil {
			s.limits.judge(r, err)
		}
		needs, ok := s.roles[s.pattern(r)]
		if !ok {
			needs = Reader // nothing is there; who is not let in need not know
		}
		if who.Role < needs {
			s.turnAway(w, r, who, needs, err)
			return
		}
		what := ""
		who.did = &what
		r = r.WithContext(contextWith(r.Context(), who))
		if unsafe(r.Method) {
			r.Body = http.MaxBytesReader(w, r.Body, bodyLimit(r))
			defer func() { s.record(r, who, what, seen.status) }()
		}
		next.ServeHTTP(w, r)
	})
}

// turnAway refuses a caller whose role is too small.
func (s *Server) turnAway(w http.ResponseWriter, r *http.Request, who caller, needs Role, why error) {
	if why == nil {
		refuse(w, r, http.StatusForbidden, fmt.Sprintf("this needs the role %s, and %s is %s", needs, who.Name, who.Role))
		return
	}
	if wantsPage(r) && r.Method == http.MethodGet {
		http.Redirect(w, r, "/enter?to="+console.Escape(r.URL.RequestURI()), http.StatusSeeOther)
		return
	}
	w.Header().Set("WWW-Authenticate", `Bearer realm="rundown"`)
	refuse(w, r, http.StatusUnauthorized, why.Error())
}

// pattern is the route that a request is for, or "".
func (s *Server) pattern(r *http.Request) string {
	_, p := s.mux.Handler(r)
	return p
}

// navigates reports whether a browser opens a page because somebody followed a link.
func navigates(r *http.Request) bool {
	return r.Method == http.MethodGet && r.Header.Get("Sec-Fetch-Mode") == "navigate" && !strings.HasPrefix(r.URL.Path, "/v1/")
}

// bodyLimit is how large a request's body may be, bytes.
func bodyLimit(r *http.Request) int64 {
	if isFile(r.URL.Path) {
		return maxFile
	}
	return maxBody
}

func unsafe(method string) bool {
	return method != http.MethodGet && method != http.MethodHead && method != http.MethodOptions
}

// hostKnown refuses names that somebody else may have pointed at this host. An address
// cannot be pointed anywhere.
func (s *Server) hostKnown(hostport string) bool {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.TrimSuffix(strings.ToLower(strings.Trim(host, "[]")), ".")
	return host == "localhost" || net.ParseIP(host) != nil || slices.Contains(s.hosts, host)
}

// A statusWriter remembers what was answered.
type statusWriter struct {
	http.ResponseWriter
	status int
}

func (w *statusWriter) WriteHeader(status int) {
	if w.status == 0 {
		w.status = status
	}
	w.ResponseWriter.WriteHeader(status)
}

func (w *statusWriter) Write(b []byte) (int, error) {
	if w.status == 0 {
		w.status = http.StatusOK
	}
	return w.ResponseWriter.Write(b)
}

// Unwrap lets http.ResponseController reach the connection.
func (w *statusWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// Rates, per address. A console with live values asks about once a second; a bench has a
// few dozen readers, some behind one address.
const (
	readsPerSecond   = 100
	readsAtOnce      = 400
	changesPerSecond = 5
	changesAtOnce    = 40
	guessesPerMinute = 10
	addressesKept    = 4096
)

type rateLimits struct {
	mu   sync.Mutex
	from map[string]*allowance
}

type allowance struct{ reads, changes, guesses *rate.Limiter }

func newRateLimits() *rateLimits { return &rateLimits{from: map[string]*allowance{}} }

func (l *rateLimits) of(r *http.Request) *allowance {
	address, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		address = r.RemoteAddr
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	a, ok := l.from[address]
	if !ok {
		if len(l.from) >= addressesKept {
			clear(l.from) // rather a moment of grace than growth without bound
		}
		a = &allowance{
			reads: rate.NewLimiter(readsPerSecond, readsAtOnce), changes: rate.NewLimiter(changesPerSecond, changesAtOnce),
			guesses: rate.NewLimiter(rate.Every(time.Minute/guessesPerMinute), guessesPerMinute),
		}
		l.from[address] = a
	}
	return a
}

// allow takes one request out of its address's allowance, or says how long to wait.
func (l *rateLimits) allow(r *http.Request) (wait time.Duration, ok bool) {
	a := l.of(r)
	if a.guesses.Tokens() < 1 {
		return time.Minute / guessesPerMinute, false
	}
	limiter := a.reads
	if unsafe(r.Method) {
		limiter = a.changes
	}
	if limiter.Allow() {
		return 0, true
	}
	return time.Second, false
}

// failed counts a token that was not known.
func (l *rateLimits) failed(r *http.Request) { l.of(r).guesses.Allow() }

func (l *rateLimits) judge(r *http.Request, err error) {
	if err == errBadToken {
		l.failed(r)
	}
}
