package api_test

import (
	"bufio"
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"rundown/orchestrator"
)

// listen reads events until f is content.
func (b *bench) listen(t *testing.T, last string, f func(event) bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, "GET", b.url+"/v1/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	if last != "" {
		r.Header.Set("Last-Event-ID", last)
	}
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Body.Close()
	if got := a.Header.Get("Content-Type"); got != "text/event-stream" {
		t.Fatalf("content type %q", got)
	}
	var e event
	lines := bufio.NewScanner(a.Body)
	for lines.Scan() {
		name, value, _ := strings.Cut(lines.Text(), ": ")
		switch name {
		case "id":
			e.id = value
		case "event":
			e.kind = value
		case "data":
			e.data = value
		case "":
			if f(e) {
				return
			}
			e = event{}
		}
	}
	t.Fatalf("the stream ended: %v", lines.Err())
}

func TestEventsResume(t *testing.T) {
	b := newBench(t, []string{"Alder"})
	ask := func(handset string) {
		b.ask(t, "POST", "/v1/queue", map[string]any{"plan": "short", "handsets": []string{handset}, "not_before": "2031-01-01T00:00:00Z"})
	}
	var ids []string
	b.listen(t, "", func(e event) bool {
		switch e.kind {
		case "beat":
			if len(ids) == 0 {
				ask("Alder")
			}
		case "queue":
			var c orchestrator.Change
			if err := json.Unmarshal([]byte(e.data), &c); err != nil || c.Handset != "Alder" {
				t.Errorf("event %+v, %v", e, err)
			}
			ids = append(ids, e.id)
		}
		return len(ids) == 1
	})
	ask("Alder") // nobody listens
	ask("Alder")
	var missed []string
	b.listen(t, ids[0], func(e event) bool {
		if e.kind == "gap" {
			t.Error("a gap although all is kept")
		}
		if e.kind == "queue" {
			missed = append(missed, e.id)
		}
		return len(missed) == 2
	})
	if slices.Contains(missed, ids[0]) || missed[0] == missed[1] {
		t.Errorf("after %s came %v", ids[0], missed)
	}
	gap := false
	b.listen(t, "otherdaemon.900", func(e event) bool {
		gap = gap || e.kind == "gap"
		return e.id == missed[1]
	})
	if !gap {
		t.Error("an identifier of another daemon is resumed without a word")
	}
}
