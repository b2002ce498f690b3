package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"syscall"

	"rundown/devices/preconditions"
	"rundown/orchestrator"
	"rundown/results"
)

// ErrNoDaemon means that nothing answers where the daemon should be.
var ErrNoDaemon = errors.New("no daemon answers")

// A Client speaks to a running daemon.
type Client struct {
	base string
	http *http.Client
}

// NewClient returns a client of the daemon at address, host:port or a URL.
func NewClient(address string) *Client {
	if !strings.Contains(address, "://") {
		address = "http://" + address
	}
	return &Client{base: strings.TrimRight(address, "/"), http: &http.Client{}}
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
	return json.NewDecoder(answer.Body).Decode(out)
}

func (c *Client) send(ctx context.Context, method, path string, content io.Reader) (*http.Response, error) {
	request, err := http.NewRequestWithContext(ctx, method, c.base+path, content)
	if err != nil {
		return nil, err
	}
	if content != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	answer, err := c.http.Do(request)
	switch {
	case errors.Is(err, syscall.ECONNREFUSED):
		return nil, fmt.Errorf("%w at %s: start one with `rundown serve --file PLANFILE`, or name another with --daemon", ErrNoDaemon, c.base)
	case err != nil:
		return nil, err
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
	if json.Unmarshal(text, &p) != nil || p.Detail == "" {
		return nil, fmt.Errorf("the daemon answers %s", answer.Status)
	}
	for _, e := range p.Errors {
		p.Detail += fmt.Sprintf("; %s: %s", e.Location, e.Message)
	}
	return nil, errors.New(p.Detail)
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
	return list, c.call(ctx, http.MethodGet, "/v1/queue", nil, &list)
}

func (c *Client) Enqueue(ctx context.Context, r orchestrator.Request) (list []Item, err error) {
	return list, c.call(ctx, http.MethodPost, "/v1/queue", r, &list)
}

// Act does "cancel", "pause" or "resume" to a queue item.
func (c *Client) Act(ctx context.Context, id, verb string) (it Item, err error) {
	return it, c.call(ctx, http.MethodPost, "/v1/queue/"+url.PathEscape(id)+"/"+verb, nil, &it)
}

func (c *Client) Runs(ctx context.Context, handset, plan string) (list []results.Run, err error) {
	q := url.Values{"handset": {handset}, "plan": {plan}}
	return list, c.call(ctx, http.MethodGet, "/v1/runs?"+q.Encode(), nil, &list)
}

func (c *Client) Run(ctx context.Context, id string) (r RunDetail, err error) {
	return r, c.call(ctx, http.MethodGet, "/v1/runs/"+url.PathEscape(id), nil, &r)
}

func (c *Client) Figures(ctx context.Context, q url.Values) (f Figures, err error) {
	return f, c.call(ctx, http.MethodGet, "/v1/figures?"+q.Encode(), nil, &f)
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
