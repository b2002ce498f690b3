package api

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"net/url"

	"rundown/orchestrator"
	"rundown/results"
)

// Import sends a log; q holds the query of POST /v1/import.
func (c *Client) Import(ctx context.Context, q url.Values, content []byte) (done orchestrator.Import, err error) {
	answer, err := c.send(ctx, http.MethodPost, importPath+"?"+q.Encode(), bytes.NewReader(content))
	if err != nil {
		return done, err
	}
	defer answer.Body.Close()
	return done, json.NewDecoder(answer.Body).Decode(&done)
}

// DeleteImport takes an imported run back.
func (c *Client) DeleteImport(ctx context.Context, run string) (r results.Run, err error) {
	return r, c.call(ctx, http.MethodDelete, "/v1/runs/"+url.PathEscape(run), nil, &r)
}

// Annotate says something of a run.
func (c *Client) Annotate(ctx context.Context, run, text string) (a results.Annotation, err error) {
	return a, c.call(ctx, http.MethodPost, "/v1/runs/"+url.PathEscape(run)+"/annotations", map[string]string{"text": text}, &a)
}

// DeleteAnnotation withdraws an annotation.
func (c *Client) DeleteAnnotation(ctx context.Context, run, annotation string) error {
	return c.call(ctx, http.MethodDelete, "/v1/runs/"+url.PathEscape(run)+"/annotations/"+url.PathEscape(annotation), nil, nil)
}
