package api

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"rundown/results"
)

// What a handler answers within the process reaches its client as over a network: status, headers,
// a body that comes piece by piece; and one that breaks says so.
func TestAnswersWithinTheProcess(t *testing.T) {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /v1/export/{table}", func(w http.ResponseWriter, r *http.Request) {
		switch r.PathValue("table") {
		case "samples":
			for range 1000 {
				_, _ = w.Write(bytes.Repeat([]byte("x"), 1000))
			}
		case "broken":
			_, _ = w.Write([]byte("half"))
			panic(http.ErrAbortHandler)
		case "damaged":
			panic("page 7 is not itself")
		case "nothing":
		default:
			writeProblem(w, http.StatusNotFound, "no such table")
		}
	})
	c := OfStore(mux)
	export := func(table string) (int64, error) { return c.Export(t.Context(), table, url.Values{}, io.Discard) }
	if n, err := export("samples"); n != 1_000_000 || err != nil {
		t.Errorf("%d bytes, %v; want a million", n, err)
	}
	if n, err := export("nothing"); n != 0 || err != nil {
		t.Errorf("%d bytes, %v; want none", n, err)
	}
	if _, err := export("broken"); !errors.Is(err, errAnswerBroke) {
		t.Errorf("a broken answer: %v", err)
	}
	if _, err := export("damaged"); !errors.Is(err, results.ErrDamaged) || !strings.HasPrefix(err.Error(), "the store is damaged: page 7 is not itself") {
		t.Errorf("a damaged page: %v; want it named first, and no address", err)
	}
	if _, err := export("other"); err == nil || err.Error() != "no such table" {
		t.Errorf("a refusal: %v", err)
	}
	ended, end := context.WithCancel(t.Context())
	end()
	if _, err := c.Export(ended, "samples", url.Values{}, io.Discard); !errors.Is(err, context.Canceled) {
		t.Errorf("asked by somebody who has gone: %v", err)
	}
}
