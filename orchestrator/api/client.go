package api

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"rundown/devices/preconditions"
	"rundown/orchestrator"
	"rundown/orchestrator/api/forecast"
	"rundown/orchestrator/doctor"
	"rundown/results"
)

// ErrNoDaemon means that nothing answers where the daemon should be.
var ErrNoDaemon = errors.New("no daemon answers")

// A Client speaks to a running daemon.
type Client struct {
	base  string
	token string
	http  *http.Client
}

// NewClient returns a client of the daemon at address, host:port or a URL.
func NewClient(address string) *Client {
	if !strings.Contains(address, "://") {
		address = "http://" + address
	}
	return &Client{base: strings.TrimRight(address, "/"), http: &http.Client{}}
}

// WithToken returns a client that sends a token; an empty one sends none.
func (c *Client) WithToken(secret string) *Client {
	return &Client{base: c.base, token: secret, http: c.http}
}

// WithTransport returns a client that asks over another transport: one that trusts the
// lab's own certificate.
func (c *Client) WithTransport(t http.RoundTripper) *Client {
	return &Client{base: c.base, token: c.token, http: &http.Client{Transport: t}}
}

// WithAuthority returns a client that trusts the certificates of an authority besides the
// system's; pem is its certificate. The daemon is spoken to over TLS then, whether its
// address says so or not.
func (c *Client) WithAuthority(pem []byte) (*Client, error) {
	pool, err := x509.SystemCertPool()
	if err != nil {
		pool = x509.NewCertPool()
	}
	if !pool.AppendCertsFromPEM(pem) {
		return nil, errors.New("there is no certificate in it (PEM, with BEGIN CERTIFICATE)")
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.TLSClientConfig = &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	safe := c.WithTransport(transport)
	if rest, plain := strings.CutPrefix(safe.base, "http://"); plain {
		safe.base = "https://" + rest
	}
	return safe, nil
}

// call sends in as JSON (nil: no body) and reads the answer into out.
func (c *Client) call(ctx context.Context, method, path string, in, out any) error {
	var content io.Reader
	if in != nil {
		b, err := json.Marshal(in)
		if err != nil {
			return err
		}
		content = bytes.NewReader(b)
	}
	answer, err := c.send(ctx, method, path, content)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if out == nil {
		return nil
	}
	return json.NewDecoder(answer.Body).Decode(out)
}

// pages reads a list to its end, page by page.
func pages[T any](ctx context.Context, c *Client, path string) ([]T, error) {
	list := []T{}
	for path != "" {
		answer, err := c.send(ctx, http.MethodGet, path, nil)
		if err != nil {
			return list, err
		}
		var page []T
		err = errors.Join(json.NewDecoder(answer.Body).Decode(&page), answer.Body.Close())
		list = append(list, page...)
		if err != nil {
			return list, err
		}
		path = nextPage(answer.Header.Get("Link"))
	}
	return list, nil
}

func (c *Client) send(ctx context.Context, method, path string, content io.Reader) (*http.Response, error) {
	request, err := http.NewRequestWithContext(ctx, method, c.base+path, content)
	if err != nil {
		return nil, err
	}
	if content != nil {
		request.Header.Set("Content-Type", "application/json")
		if isFile(path) {
			request.Header.Set("Content-Type", "text/csv")
		}
	}
	if c.token != "" {
		request.Header.Set("Authorization", "Bearer "+c.token)
	}
	if method == http.MethodPost && path == "/v1/queue" {
		request.Header.Set("Idempotency-Key", rand.Text())
	}
	answer, err := c.http.Do(request)
	switch {
	case errors.Is(err, syscall.ECONNREFUSED):
		return nil, fmt.Errorf("%w at %s: start one with `rundown serve --file PLANFILE`, or name another with --daemon", ErrNoDaemon, c.base)
	case err != nil:
		return nil, c.explained(err)
	case answer.StatusCode < 300:
		return answer, nil
	}
	defer answer.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(answer.Body, maxBody))
	var p struct {
		Detail string `json:"detail"`
		Errors []struct {
			Message  string `json:"message"`
			Location string `json:"location"`
		} `json:"errors"`
	}
	if answer.StatusCode == http.StatusBadRequest && strings.Contains(string(text), "HTTPS server") { // net/http's own words
		return nil, fmt.Errorf("the daemon at %s speaks TLS: name it as https://%s", c.base, strings.TrimPrefix(c.base, "http://"))
	}
	if json.Unmarshal(text, &p) != nil || p.Detail == "" {
		return nil, fmt.Errorf("the daemon answers %s", answer.Status)
	}
	for _, e := range p.Errors {
		if isFile(path) { // each fault of a file is a line of its own
			p.Detail += fmt.Sprintf("\n%s: %s", e.Location, e.Message)
			continue
		}
		p.Detail += fmt.Sprintf("; %s: %s", e.Location, e.Message)
	}
	return nil, errors.New(p.Detail)
}

// explained says what to do about a daemon whose certificate is not taken.
func (c *Client) explained(err error) error {
	var unknown x509.UnknownAuthorityError
	var name x509.HostnameError
	var invalid x509.CertificateInvalidError
	var asked *url.Error
	switch {
	case (errors.Is(err, results.ErrDamaged) || errors.Is(err, errAnswerBroke)) && errors.As(err, &asked):
		return asked.Err // no address was asked
	case errors.As(err, &unknown):
		return fmt.Errorf("the certificate of %s is from an authority that this host does not know: give the authority's with --ca: %w", c.base, err)
	case errors.As(err, &name):
		return fmt.Errorf("the certificate of %s is for another name: use the name that it is for, or have one made for this: %w", c.base, err)
	case errors.As(err, &invalid):
		return fmt.Errorf("the certificate of %s is not valid: renew it on the daemon's host: %w", c.base, err)
	}
	return err
}

func (c *Client) About(ctx context.Context) (a About, err error) {
	return a, c.call(ctx, http.MethodGet, "/v1/version", nil, &a)
}

func (c *Client) Handsets(ctx context.Context) (list []orchestrator.HandsetStatus, err error) {
	return list, c.call(ctx, http.MethodGet, "/v1/handsets", nil, &list)
}

func (c *Client) Check(ctx context.Context, handset, plan string, apply bool) (r preconditions.Report, err error) {
	in := map[string]any{"plan": plan, "apply": apply}
	return r, c.call(ctx, http.MethodPost, "/v1/handsets/"+url.PathEscape(handset)+"/check", in, &r)
}

func (c *Client) Undo(ctx context.Context, handset string) (list []preconditions.Change, err error) {
	return list, c.call(ctx, http.MethodPost, "/v1/handsets/"+url.PathEscape(handset)+"/undo", nil, &list)
}

func (c *Client) Queue(ctx context.Context) (list []Item, err error) {
	list, err = pages[Item](ctx, c, "/v1/queue?limit=1000")
	slices.Reverse(list) // oldest first, as they are carried out
	return list, err
}

func (c *Client) Enqueue(ctx context.Context, r orchestrator.Request) (list []Item, err error) {
	return list, c.call(ctx, http.MethodPost, "/v1/queue", r, &list)
}

// Act does "cancel", "pause" or "resume" to a queue item.
func (c *Client) Act(ctx context.Context, id, verb string) (it Item, err error) {
	return it, c.call(ctx, http.MethodPost, "/v1/queue/"+url.PathEscape(id)+"/"+verb, nil, &it)
}

func (c *Client) Runs(ctx context.Context, handset, plan string) (list []results.Run, err error) {
	q := url.Values{"handset": {handset}, "plan": {plan}, "limit": {"1000"}}
	return pages[results.Run](ctx, c, "/v1/runs?"+q.Encode())
}

func (c *Client) Run(ctx context.Context, id string) (r RunDetail, err error) {
	return r, c.call(ctx, http.MethodGet, "/v1/runs/"+url.PathEscape(id), nil, &r)
}

func (c *Client) Figures(ctx context.Context, q url.Values) (f Figures, err error) {
	return f, c.call(ctx, http.MethodGet, "/v1/figures?"+q.Encode(), nil, &f)
}

// Release puts a handset that was set aside back to work.
func (c *Client) Release(ctx context.Context, handset string) error {
	return c.call(ctx, http.MethodPost, "/v1/handsets/"+url.PathEscape(handset)+"/release", nil, nil)
}

// LeaveSettings has the settings that could not be put back on a handset left as they are.
func (c *Client) LeaveSettings(ctx context.Context, handset string) (o orchestrator.Owed, err error) {
	return o, c.call(ctx, http.MethodPost, "/v1/handsets/"+url.PathEscape(handset)+"/settings/leave", nil, &o)
}

// TakeOver takes over a handset that another daemon holds, and says whose it was.
func (c *Client) TakeOver(ctx context.Context, handset string) (by orchestrator.HeldBy, err error) {
	return by, c.call(ctx, http.MethodPost, "/v1/handsets/"+url.PathEscape(handset)+"/take-over", nil, &by)
}

// Collect fetches what still lies on a handset.
func (c *Client) Collect(ctx context.Context, handset string) (list []orchestrator.Found, err error) {
	return list, c.call(ctx, http.MethodPost, "/v1/handsets/"+url.PathEscape(handset)+"/collect", nil, &list)
}

// Night says how the latest night of a name went; an empty name is whatever was queued last.
func (c *Client) Night(ctx context.Context, name string) (n orchestrator.NightSummary, err error) {
	return n, c.call(ctx, http.MethodGet, "/v1/night?"+url.Values{"night": {name}}.Encode(), nil, &n)
}

// Forecast says when a plan would end on each of some handsets (none: all) if it began
// at an instant (zero: now).
func (c *Client) Forecast(ctx context.Context, plan string, handsets []string, begin time.Time) (list []forecast.Forecast, err error) {
	q := url.Values{"plan": {plan}, "handset": handsets}
	if !begin.IsZero() {
		q.Set("begin", begin.Format(time.RFC3339))
	}
	return list, c.call(ctx, http.MethodGet, "/v1/forecast?"+q.Encode(), nil, &list)
}

// Workloads lists what the bench's handsets can be given to do.
func (c *Client) Workloads(ctx context.Context) (list []orchestrator.Workload, err error) {
	return list, c.call(ctx, http.MethodGet, "/v1/workloads", nil, &list)
}

// MakeToken, Tokens and WithdrawToken see to the tokens of a running daemon.
func (c *Client) MakeToken(ctx context.Context, name, role string) (t MadeToken, err error) {
	return t, c.call(ctx, http.MethodPost, "/v1/tokens", map[string]string{"name": name, "role": role}, &t)
}

func (c *Client) Tokens(ctx context.Context) (list []Token, err error) {
	return list, c.call(ctx, http.MethodGet, "/v1/tokens", nil, &list)
}

func (c *Client) WithdrawToken(ctx context.Context, id string) (t Token, err error) {
	return t, c.call(ctx, http.MethodDelete, "/v1/tokens/"+url.PathEscape(id), nil, &t)
}

// Log is the change log, newest first, most entries of it (1 to 1000).
func (c *Client) Log(ctx context.Context, most int) (list []LogEntry, err error) {
	return list, c.call(ctx, http.MethodGet, "/v1/log?limit="+strconv.Itoa(most), nil, &list)
}

// Doctor says what around the daemon's bench is right for a night and what is not.
func (c *Client) Doctor(ctx context.Context) (r doctor.Report, err error) {
	return r, c.call(ctx, http.MethodGet, "/v1/doctor", nil, &r)
}

// Backup copies the daemon's store to w, whole or with an error, and returns the bytes written.
func (c *Client) Backup(ctx context.Context, w io.Writer) (int64, error) {
	answer, err := c.send(ctx, http.MethodGet, "/v1/backup", nil)
	if err != nil {
		return 0, err
	}
	defer answer.Body.Close()
	n, err := io.Copy(w, answer.Body)
	if err == nil && n != answer.ContentLength {
		err = fmt.Errorf("the backup has %d bytes of %d: %w", n, answer.ContentLength, io.ErrUnexpectedEOF)
	}
	return n, err
}

// Export copies one table to w and returns the bytes written.
func (c *Client) Export(ctx context.Context, table string, q url.Values, w io.Writer) (int64, error) {
	answer, err := c.send(ctx, http.MethodGet, "/v1/export/"+url.PathEscape(table)+"?"+q.Encode(), nil)
	if err != nil {
		return 0, err
	}
	defer answer.Body.Close()
	return io.Copy(w, answer.Body)
}
