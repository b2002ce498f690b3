package api

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"github.com/danielgtaylor/huma/v2"
)

// Page bounds a list. Lists are newest first; the Link header (RFC 8288) of an answer
// names the next page when there is one.
type Page struct {
	Limit int    `query:"limit" minimum:"1" maximum:"1000" default:"200" doc:"how many at most"`
	After string `query:"after" doc:"the identifier of the last one of the page before"`

	at url.URL
}

// Resolve keeps the address that was asked for, from which the next page's is made.
func (p *Page) Resolve(ctx huma.Context) []error {
	p.at = ctx.URL()
	return nil
}

var _ huma.Resolver = (*Page)(nil)

// paged is one page of a list.
type paged[T any] struct {
	Link string `header:"Link" doc:"the next page, rel=next"`
	Body []T
}

// noSuchAfter says that a page cannot follow on what is not there.
func noSuchAfter(id string) error {
	return huma.Error422UnprocessableEntity("after: nothing in this list has the identifier " + id)
}

// firstPage is the page of a list that begins where the page does, and goes on beyond its
// end when there is more.
func firstPage[T any](list []T, p Page, id func(T) string) (*paged[T], error) {
	p.After = ""
	return cut(list, p, id)
}

// cut returns the page that p asks for out of a whole list.
func cut[T any](list []T, p Page, id func(T) string) (*paged[T], error) {
	if p.After != "" {
		at := -1
		for i, v := range list {
			if id(v) == p.After {
				at = i
				break
			}
		}
		if at < 0 {
			return nil, noSuchAfter(p.After)
		}
		list = list[at+1:]
	}
	out := &paged[T]{Body: []T{}}
	if p.Limit < 1 {
		p.Limit = 200
	}
	if len(list) > p.Limit {
		list = list[:p.Limit]
		q := p.at.Query()
		q.Set("after", id(list[len(list)-1]))
		out.Link = fmt.Sprintf("<%s?%s>; rel=\"next\"", p.at.Path, q.Encode())
	}
	out.Body = append(out.Body, list...)
	return out, nil
}

// nextPage reads the path of the next page out of a Link header, or "".
func nextPage(link string) string {
	for part := range strings.SplitSeq(link, ",") {
		target, params, ok := strings.Cut(strings.TrimSpace(part), ">")
		if ok && strings.HasPrefix(target, "<") && strings.Contains(params, `rel="next"`) {
			return target[1:]
		}
	}
	return ""
}

// tagged gives answers to GET an ETag made of their bytes, and answers 304 to whoever has
// them already. It holds the answer in memory: not for streams.
func tagged(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet {
			next.ServeHTTP(w, r)
			return
		}
		held := &heldWriter{ResponseWriter: w}
		next.ServeHTTP(held, r)
		if held.status == 0 {
			held.status = http.StatusOK
		}
		h := w.Header()
		if held.status == http.StatusOK {
			sum := sha256.Sum256(held.body.Bytes())
			tag := `"` + hex.EncodeToString(sum[:12]) + `"`
			h.Set("ETag", tag)
			if h.Get("Cache-Control") == "" {
				h.Set("Cache-Control", "no-cache, private")
			}
			if matches(r.Header.Get("If-None-Match"), tag) {
				h.Del("Content-Type")
				h.Del("Content-Length")
				w.WriteHeader(http.StatusNotModified)
				return
			}
		}
		w.WriteHeader(held.status)
		_, _ = w.Write(held.body.Bytes())
	})
}

func matches(given, tag string) bool {
	for one := range strings.SplitSeq(given, ",") {
		one = strings.TrimSpace(one)
		if one == "*" || strings.TrimPrefix(one, "W/") == tag {
			return true
		}
		// What was sent compressed carries the compression's own mark after the tag.
		if bare, ok := strings.CutSuffix(one, `-gzip"`); ok && strings.TrimPrefix(bare, "W/")+`"` == tag {
			return true
		}
	}
	return false
}

// A heldWriter keeps status and body back until they are whole.
type heldWriter struct {
	http.ResponseWriter
	status int
	body   bytes.Buffer
}

func (w *heldWriter) WriteHeader(status int) {
	if w.status == 0 {
		w.status = status
	}
}

func (w *heldWriter) Write(b []byte) (int, error) { return w.body.Write(b) }
