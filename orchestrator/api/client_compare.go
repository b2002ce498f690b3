package api

import (
	"context"
	"io"
	"net/http"
	"net/url"

	"rundown/results/reading"
)

// Compare puts sides beside each other; q is the query of GET /v1/compare.
func (c *Client) Compare(ctx context.Context, q url.Values) (b reading.Beside, err error) {
	return b, c.call(ctx, http.MethodGet, "/v1/compare?"+q.Encode(), nil, &b)
}

// Report copies a file of a report to w; path is the report's address.
func (c *Client) Report(ctx context.Context, path string, q url.Values, w io.Writer) error {
	answer, err := c.send(ctx, http.MethodGet, path+"?"+q.Encode(), nil)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	_, err = io.Copy(w, answer.Body)
	return err
}
