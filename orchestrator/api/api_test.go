package api_test

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"rundown/orchestrator"
	"rundown/orchestrator/api"
	"rundown/results"
)

var update = flag.Bool("update", false, "write openapi.json anew")

func TestOpenAPIIsCheckedIn(t *testing.T) {
	want, err := afterNight(t).server.OpenAPI()
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile("openapi.json", want, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	have, err := os.ReadFile("openapi.json")
	if err != nil || !bytes.Equal(have, want) {
		t.Errorf("openapi.json is not what the daemon serves (%v): run go test ./orchestrator/api -run OpenAPI -update", err)
	}
	if got := afterNight(t).ask(t, "GET", "/openapi.json", nil); !bytes.Equal(got.body, want) {
		t.Errorf("/openapi.json differs from Server.OpenAPI")
	}
}

// description is the part of an OpenAPI description that the tests read.
type description struct {
	OpenAPI string `json:"openapi"`
	Paths   map[string]map[string]struct {
		OperationID string `json:"operationId"`
		Responses   map[string]struct {
			Content map[string]struct {
				Schema json.RawMessage `json:"schema"`
			} `json:"content"`
		} `json:"responses"`
	} `json:"paths"`
}

// Every operation of the description is called once; its status is described, and a JSON
// answer is valid under the schema described for it (JSON Schema 2020-12, as OpenAPI 3.1
// has it, judged by an independent validator).
func TestEveryOperationIsAsDescribed(t *testing.T) {
	b := newBench(t, []string{"Alder", "Birch"})
	spec, err := b.server.OpenAPI()
	if err != nil {
		t.Fatal(err)
	}
	var d description
	if err := json.Unmarshal(spec, &d); err != nil || !strings.HasPrefix(d.OpenAPI, "3.1") {
		t.Fatalf("OpenAPI %q, %v; want 3.1", d.OpenAPI, err)
	}
	document, err := jsonschema.UnmarshalJSON(bytes.NewReader(spec))
	if err != nil {
		t.Fatal(err)
	}
	compiler := jsonschema.NewCompiler()
	compiler.DefaultDraft(jsonschema.Draft2020)
	if err := compiler.AddResource("file:///openapi.json", document); err != nil {
		t.Fatal(err)
	}
	birchs := func() string {
		items := b.daemon.Queue()
		return "/v1/queue/" + items[slices.IndexFunc(items, func(it orchestrator.Item) bool { return it.Handset == "Birch" })].ID
	}
	made := ""
	measured := func() results.Segment {
		segments, err := b.daemon.Store().Segments("")
		i := slices.IndexFunc(segments, func(g results.Segment) bool { return g.Outcome == results.Measured })
		if err != nil || i < 0 {
			t.Fatalf("none of %d segments is measured, %v", len(segments), err)
		}
		return segments[i]
	}
	run := func() string { return measured().RunID }
	imported := func() string {
		runs, err := b.daemon.Store().Runs()
		i := slices.IndexFunc(runs, func(r results.Run) bool { return r.Imported != nil })
		if err != nil || i < 0 {
			t.Fatalf("none of %d runs is imported, %v", len(runs), err)
		}
		return runs[i].ID
	}
	annotation := func() string {
		list, err := b.daemon.Reading().Annotations(imported())
		if err != nil || len(list) != 1 {
			t.Fatalf("%d annotations, %v", len(list), err)
		}
		return list[0].ID
	}
	segment := func() string { return measured().ID }
	if err := b.daemon.Store().PutPrompt(results.Prompt{
		ID: "p1", Handset: "Alder", Text: "place the meter", OpenedAt: b.daemon.Now(), Until: b.daemon.Now(), Choices: []string{"done"}, Default: "done",
		State: results.PromptAnswered, Choice: "done", By: "desk", Taken: true,
	}); err != nil {
		t.Fatal(err)
	}
	calls := []struct {
		id, method string
		path       func() string
		in         any
		status     int
	}{
		{"version", "GET", at("/v1/version"), nil, 200},
		{"handsets", "GET", at("/v1/handsets"), nil, 200},
		{"workloads", "GET", at("/v1/workloads"), nil, 200},
		{"check", "POST", at("/v1/handsets/Alder/check"), map[string]any{"plan": "short", "apply": true}, 200},
		{"undo-check", "POST", at("/v1/handsets/Alder/undo"), nil, 200},
		{"test-gate", "POST", at("/v1/handsets/Alder/gate/test"), nil, 200},
		{"prompts", "GET", at("/v1/prompts?state=all"), nil, 200},
		{"prompt", "GET", at("/v1/prompts/p1"), nil, 200},
		{"answer", "POST", at("/v1/prompts/p1/answer"), map[string]any{"choice": "done"}, 200}, // as it was
		{"notices", "GET", at("/v1/notices"), nil, 200},
		{"notice-targets", "GET", at("/v1/notices/targets"), nil, 200},
		{"test-notices", "POST", at("/v1/notices/test"), map[string]any{}, 422}, // the plan file has none
		{"forecast", "GET", at("/v1/forecast?plan=short&handset=Alder"), nil, 200},
		{"enqueue", "POST", at("/v1/queue"), map[string]any{"plan": "short", "handsets": []string{"Alder", "Birch"}}, 200},
		{"queue", "GET", at("/v1/queue"), nil, 200},
		{"pause", "POST", func() string { return birchs() + "/pause" }, nil, 200},
		{"resume", "POST", func() string { return birchs() + "/resume" }, nil, 200},
		{"cancel", "POST", func() string { return birchs() + "/cancel" }, nil, 200},
		{"release", "POST", at("/v1/handsets/Alder/release"), nil, 409},               // it is not set aside
		{"take-over", "POST", at("/v1/handsets/Alder/take-over"), nil, 409},           // nobody else holds it
		{"leave-settings", "POST", at("/v1/handsets/Alder/settings/leave"), nil, 409}, // none are owed
		{"night", "GET", at("/v1/night"), nil, 200},
		{"runs", "GET", at("/v1/runs"), nil, 200},
		{"run", "GET", func() string { return "/v1/runs/" + run() }, nil, 200},
		{"segments", "GET", at("/v1/segments"), nil, 200},
		{"segment", "GET", func() string { return "/v1/segments/" + segment() }, nil, 200},
		{"segment-samples", "GET", func() string { return "/v1/segments/" + segment() + "/samples?every_s=60&most=50" }, nil, 200},
		{"figures", "GET", at("/v1/figures"), nil, 200},
		{"compare", "GET", at("/v1/compare?side=Alder&side=Birch&allow=conditions"), nil, 200},
		{"sustained", "GET", at("/v1/sustained"), nil, 200},
		{"learned", "GET", at("/v1/learned"), nil, 200},
		{"forget-learned", "DELETE", at("/v1/learned/Alder"), nil, 200},
		{"run-report", "GET", func() string { return "/v1/runs/" + run() + "/report" }, nil, 200},
		{"night-report", "GET", at("/v1/night/report?file=all.zip"), nil, 200},
		{"compare-report", "GET", at("/v1/compare/report?side=Alder&side=Birch&file=report.md"), nil, 200},
		{"changes", "GET", at("/v1/changes?after=0"), nil, 200},
		{"meters", "GET", at("/v1/meters"), nil, 200},
		{"calibration", "GET", at("/v1/handsets/Birch/calibration"), nil, 200},
		{"calibrate", "POST", at("/v1/handsets/Birch/calibration"), map[string]any{
			"instrument": map[string]any{"name": "a meter", "accuracy_pct": 2, "digit_cd_m2": 0.1},
			"readings": []map[string]any{
				{"setting": 1, "cd_m2": 2, "pass": 1}, {"setting": 100, "cd_m2": 200, "pass": 1}, {"setting": 180, "cd_m2": 330, "pass": 1}, {"setting": 255, "cd_m2": 500, "pass": 1},
				{"setting": 1, "cd_m2": 2, "pass": 2}, {"setting": 100, "cd_m2": 201, "pass": 2}, {"setting": 180, "cd_m2": 331, "pass": 2}, {"setting": 255, "cd_m2": 501, "pass": 2},
			},
		}, 200},
		{"give-reading", "POST", at("/v1/handsets/Birch/calibration/reading"), map[string]any{"ask": 1, "cd_m2": 3}, 409},
		{"cancel-calibration", "POST", at("/v1/handsets/Birch/calibration/cancel"), nil, 409},
		{"forget-calibration", "DELETE", at("/v1/handsets/Birch/calibration"), nil, 200},
		{"charges", "GET", at("/v1/charges"), nil, 200},
		{"attach-record", "POST", func() string { return "/v1/records?of=" + segment() + "&time=t&power=p" }, "no record", 422},
		{"doctor", "GET", at("/v1/doctor"), nil, 200},
		{"tables", "GET", at("/v1/tables"), nil, 200},
		{"log", "GET", at("/v1/log"), nil, 200},
		{"import", "POST", at("/v1/import?file=rowan.csv&handset=Rowan&scenario=video&column=time%3DAt@min"), handTimed, 200},
		{"annotate", "POST", func() string { return "/v1/runs/" + imported() + "/annotations" }, map[string]any{"text": "timed by hand"}, 200},
		{"annotations", "GET", func() string { return "/v1/runs/" + imported() + "/annotations" }, nil, 200},
		{"delete-annotation", "DELETE", func() string { return "/v1/runs/" + imported() + "/annotations/" + annotation() }, nil, 204},
		{"delete-import", "DELETE", func() string { return "/v1/runs/" + imported() }, nil, 200},
		{"calculate", "POST", at("/v1/calculate?file=rowan.csv&as=endurance&at_change=true&column=time%3DAt@min"), handTimed, 200},
		{"validate", "POST", at("/v1/validate"), "bench: {}", 200},
		{"schema", "GET", at("/v1/schema"), nil, 200},
		{"make-token", "POST", at("/v1/tokens"), map[string]any{"name": "notebook", "role": "reader"}, 200},
		{"tokens", "GET", at("/v1/tokens"), nil, 200},
		{"withdraw-token", "DELETE", func() string { return "/v1/tokens/" + made }, nil, 200},
		{"collect", "POST", at("/v1/handsets/Birch/collect"), nil, 200},
		{"backup", "GET", at("/v1/backup"), nil, 200},
		{"export", "GET", at("/v1/export/segments?format=csv"), nil, 200},
	}
	called := map[string]bool{"events": true} // TestEventsResume
	finished := false
	for _, c := range calls {
		if c.id == "run" || c.id == "collect" {
			if err := b.finish(); err != nil {
				t.Fatal(err)
			}
			finished = true
		}
		a := b.ask(t, c.method, c.path(), c.in)
		called[c.id] = true
		if a.status != c.status {
			t.Errorf("%s: status %d, want %d: %.300s", c.id, a.status, c.status, a.body)
			continue
		}
		if c.id == "make-token" {
			var made1 api.MadeToken
			if err := json.Unmarshal(a.body, &made1); err != nil || made1.Secret == "" {
				t.Fatalf("make-token: %v, %s", err, a.body)
			}
			made = made1.ID
		}
		if a.status == 204 {
			continue
		}
		if a.status != 200 {
			problemOf(t, a)
			continue
		}
		path, method, pointer := "", strings.ToLower(c.method), ""
		for p, methods := range d.Paths {
			if op, ok := methods[method]; ok && op.OperationID == c.id {
				path = p
				for kind := range op.Responses["200"].Content {
					if kind == "application/json" {
						pointer = "/paths/" + strings.NewReplacer("~", "~0", "/", "~1").Replace(p) + "/" + method + "/responses/200/content/application~1json/schema"
					}
				}
			}
		}
		if path == "" {
			t.Errorf("%s is not described", c.id)
		}
		if pointer == "" {
			continue
		}
		schema, err := compiler.Compile("file:///openapi.json#" + pointer)
		if err != nil {
			t.Errorf("%s: schema: %v", c.id, err)
			continue
		}
		value, err := jsonschema.UnmarshalJSON(bytes.NewReader(a.body))
		if err != nil {
			t.Errorf("%s: %v", c.id, err)
			continue
		}
		if err := schema.Validate(value); err != nil {
			t.Errorf("%s: the answer is not as described: %v", c.id, err)
		}
	}
	if !finished {
		t.Error("the night was not waited for")
	}
	for path, methods := range d.Paths {
		for method, op := range methods {
			if !called[op.OperationID] {
				t.Errorf("%s %s (%s) is described and not called here", method, path, op.OperationID)
			}
		}
	}
}

// handTimed is an invented log: a person noted when the level changed.
const handTimed = "At,level_pct\n0,93\n12,92\n24,91\n36,90\n48,89\n60,88\n72,87\n"

func at(path string) func() string { return func() string { return path } }

func TestProblems(t *testing.T) {
	b := afterNight(t)
	tests := []struct {
		name, method, path string
		in                 any
		header             []string
		status             int
		says               string
	}{
		{"no such path", "GET", "/v1/nothing", nil, nil, 404, "/v1/nothing"},
		{"no such method", "DELETE", "/v1/queue", nil, nil, 405, "only with GET"},
		{"no such run", "GET", "/v1/runs/r1", nil, nil, 404, "r1"},
		{"no such segment", "GET", "/v1/segments/s1/samples", nil, nil, 404, "s1"},
		{"no such item", "POST", "/v1/queue/q1/cancel", nil, nil, 404, "q1"},
		{"no such prompt", "POST", "/v1/prompts/p0/answer", map[string]any{}, nil, 404, "p0"},
		{"no gate to test", "POST", "/v1/handsets/Maple/gate/test", nil, nil, 422, "Alder"},
		{"no such handset", "POST", "/v1/handsets/Maple/check", map[string]any{"plan": "short"}, nil, 422, "Alder"},
		{"no such plan", "POST", "/v1/queue", map[string]any{"plan": "weekly"}, nil, 422, "short"},
		{"a member too many", "POST", "/v1/queue", map[string]any{"plan": "short", "handset": "Alder"}, nil, 422, "validation failed"},
		{"not JSON", "POST", "/v1/queue", "{", nil, 400, ""},
		{"a body too long", "POST", "/v1/queue", `{"plan":"` + strings.Repeat("x", 70_000) + `"}`, nil, 413, ""},
		{"an unknown filter", "GET", "/v1/runs?handest=Alder", nil, nil, 422, "validation failed"},
		{"a page after nothing", "GET", "/v1/runs?after=zzz", nil, nil, 422, "zzz"},
		{"a limit out of range", "GET", "/v1/runs?limit=0", nil, nil, 422, "validation failed"},
		{"no such table", "GET", "/v1/export/pictures?format=csv", nil, nil, 404, "samples"},
		{"no such format", "GET", "/v1/export/samples?format=png", nil, nil, 422, "csv"},
		{"an unknown export filter", "GET", "/v1/export/samples?format=csv&handest=Alder", nil, nil, 422, "handest"},
		{"a side that is not there", "GET", "/v1/compare?side=Alder&side=Oak", nil, nil, 422, "Oak"},
		{"one side", "GET", "/v1/compare?side=Alder", nil, nil, 422, "two sides"},
		{"a report of no run", "GET", "/v1/runs/r1/report", nil, nil, 404, "r1"},
		{"a report of one side", "GET", "/v1/compare/report?side=Alder", nil, nil, 422, "two sides"},
		{"a file that a report has not", "GET", "/v1/night/report?file=../rundown.db", nil, nil, 404, "report.html"},
		{"a report with a filter that is none", "GET", "/v1/night/report?nigth=x", nil, nil, 422, "nigth"},
		{"an import with a fault", "POST", "/v1/import?file=rowan.csv&handset=Rowan&scenario=video&column=time%3DAt@min", "At,level_pct\n0,93\n12,192\n", nil, 422, "the file cannot be used"},
		{"a log without a figure", "POST", "/v1/calculate?as=endurance&column=time%3DAt@min", "At,level_pct\n0,93\n1,93\n", nil, 422, "no figure"},
		{"a log that does not tell what it is", "POST", "/v1/calculate", "a,b\n1,2\n", nil, 422, ""},
		{"an import of no handset", "POST", "/v1/import?scenario=video", handTimed, nil, 422, "validation failed"},
		{"an import with a mapping that is none", "POST", "/v1/import?handset=Rowan&scenario=video&column=At", handTimed, nil, 422, "column mapping"},
		{"a measured run deleted", "DELETE", "/v1/runs/" + mustRuns(t, b)[0].ID, nil, nil, 409, "measured"},
		{"an annotation of no run", "POST", "/v1/runs/r1/annotations", map[string]any{"text": "x"}, nil, 404, "r1"},
		{"an annotation without words", "POST", "/v1/runs/" + mustRuns(t, b)[0].ID + "/annotations", map[string]any{"text": " "}, nil, 422, "want 1 to 2000"},
		{"a token without a name", "POST", "/v1/tokens", map[string]any{"name": " ", "role": "reader"}, nil, 422, "whose"},
		{"no such token", "DELETE", "/v1/tokens/t0", nil, nil, 404, "t0"},
		{"an unknown token", "GET", "/v1/version", nil, []string{"Authorization", "Bearer rundown_guess"}, 401, "withdrawn"},
		{"another scheme", "GET", "/v1/version", nil, []string{"Authorization", "Basic YTpi"}, 401, ""},
		{"a name pointed here", "GET", "/v1/handsets", nil, []string{"Host", "bench.attacker.example"}, 421, "attacker"},
		{"another site's form", "POST", "/v1/queue", map[string]any{"plan": "short"}, []string{"Sec-Fetch-Site", "cross-site", "Origin", "https://attacker.example"}, 403, "another site"},
		{"an older browser's form", "POST", "/v1/queue", map[string]any{"plan": "short"}, []string{"Origin", "https://attacker.example"}, 403, "another site"},
		{"another site's script", "GET", "/v1/handsets", nil, []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "no-cors"}, 403, "another site"},
		{"a form of another port", "POST", "/queue/q1/cancel", nil, []string{"Sec-Fetch-Site", "same-site", "Origin", "http://127.0.0.1:9"}, 403, "another site"},
		{"a proxy on this host", "GET", "/v1/handsets", nil, []string{"X-Forwarded-For", "198.51.100.7"}, 401, "token"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			a := b.ask(t, tt.method, tt.path, tt.in, tt.header...)
			detail := problemOf(t, a)
			if a.status != tt.status || !strings.Contains(detail, tt.says) {
				t.Errorf("%s %s: %d %q, want %d and %q", tt.method, tt.path, a.status, detail, tt.status, tt.says)
			}
		})
	}
}

// A link from another site opens a page, and a person gets a page where a program gets a
// problem document.
func TestPagesForPeople(t *testing.T) {
	b := afterNight(t)
	a := b.ask(t, "GET", "/night", nil, "Accept", "text/html", "Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate")
	if a.status != 200 || !strings.Contains(string(a.body), "<h1>") {
		t.Errorf("a followed link: %d", a.status)
	}
	a = b.ask(t, "GET", "/nothing", nil, "Accept", "text/html,*/*")
	if a.status != 404 || !strings.HasPrefix(a.header.Get("Content-Type"), "text/html") {
		t.Errorf("a wrong address: %d %s, want a page", a.status, a.header.Get("Content-Type"))
	}
	for name, want := range map[string]string{
		"Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'", "X-Content-Type-Options": "nosniff",
		"Referrer-Policy": "same-origin", "X-Frame-Options": "DENY", "Cross-Origin-Opener-Policy": "same-origin",
	} {
		if got := a.header.Get(name); !strings.HasPrefix(got, want) {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
}

// The roles are enforced on every route that there is.
func TestRolesOnEveryRoute(t *testing.T) {
	b := newBench(t, []string{"Alder"})
	reader, _, err := b.server.Tokens().Make("reading room", "reader")
	if err != nil {
		t.Fatal(err)
	}
	operator, _, err := b.server.Tokens().Make("lab", "operator")
	if err != nil {
		t.Fatal(err)
	}
	routes := b.server.Routes()
	if len(routes) < 35 {
		t.Fatalf("%d routes", len(routes))
	}
	refused := func(a answer) bool {
		return a.status == 401 || a.status == 403 || a.status == 303 && strings.HasPrefix(a.header.Get("Location"), "/enter")
	}
	for _, r := range routes {
		path := regexp.MustCompile(`\{\$\}`).ReplaceAllString(r.Path, "")
		path = regexp.MustCompile(`\{[a-z]+\}`).ReplaceAllString(path, "none")
		if path == "/v1/events" || path == "/leave" || r.Role == api.Anyone {
			continue // asked below
		}
		ask := func(token string) answer { return b.askFrom(t, r.Method, path, token) }
		if a := ask(""); a.status != 401 {
			t.Errorf("%s %s without a token: %d, want 401", r.Method, r.Path, a.status)
		}
		if a := ask(reader); refused(a) != (r.Role > api.Reader) {
			t.Errorf("%s %s as reader: %d; it needs %s", r.Method, r.Path, a.status, r.Role)
		}
		if a := ask(operator); refused(a) {
			t.Errorf("%s %s as operator: %d", r.Method, r.Path, a.status)
		}
		if r.Method != "GET" && r.Role < api.Operator {
			t.Errorf("%s %s changes something and needs only %s", r.Method, r.Path, r.Role)
		}
	}
	if a := b.askFrom(t, "GET", "/v1/events", ""); a.status != 401 {
		t.Errorf("events without a token: %d", a.status)
	}
	if a := b.askFrom(t, "GET", "/healthz", ""); a.status != 200 {
		t.Errorf("healthz: %d", a.status)
	}
}

func TestTokens(t *testing.T) {
	b := newBench(t, []string{"Alder"}, api.WithTokensAlways())
	if a := b.ask(t, "GET", "/v1/handsets", nil); a.status != 401 {
		t.Errorf("without a token: %d", a.status)
	}
	secret, made, err := b.server.Tokens().Make("lab", "operator")
	if err != nil {
		t.Fatal(err)
	}
	client := api.NewClient(b.url).WithToken(secret)
	if _, err := client.Handsets(t.Context()); err != nil {
		t.Errorf("with a token: %v", err)
	}
	content, err := os.ReadFile(b.daemon.Store().Path())
	if err != nil || bytes.Contains(content, []byte(secret)) || bytes.Contains(content, []byte(strings.TrimPrefix(secret, "rundown_"))) {
		t.Errorf("the store holds the secret itself (%v)", err)
	}
	if a := b.ask(t, "GET", "/v1/tokens", nil, "Authorization", "Bearer "+secret); strings.Contains(string(a.body), "hash") || !strings.Contains(string(a.body), made.ID) {
		t.Errorf("the list of tokens is %s", a.body)
	}
	// A browser enters it once and comes in by its cookie.
	a := b.ask(t, "POST", "/enter", "token="+url.QueryEscape(secret)+"&to=%2Fnight", "Content-Type", "application/x-www-form-urlencoded")
	cookie := a.header.Get("Set-Cookie")
	if a.status != 303 || a.header.Get("Location") != "/night" || !strings.Contains(cookie, "HttpOnly") || !strings.Contains(cookie, "SameSite=Strict") || strings.Contains(cookie, secret) {
		t.Errorf("enter: %d to %q with %q", a.status, a.header.Get("Location"), cookie)
	}
	session, _, _ := strings.Cut(cookie, ";")
	if a := b.ask(t, "GET", "/v1/handsets", nil, "Cookie", session); a.status != 200 {
		t.Errorf("with the cookie: %d", a.status)
	}
	for _, to := range []string{"https://attacker.example/", "//attacker.example", `/\attacker.example`, "night"} {
		a := b.ask(t, "POST", "/enter", "token="+url.QueryEscape(secret)+"&to="+url.QueryEscape(to), "Content-Type", "application/x-www-form-urlencoded")
		if got := a.header.Get("Location"); got != "/" {
			t.Errorf("entering leads to %q for %q", got, to)
		}
	}
	if _, err := client.WithdrawToken(t.Context(), made.ID); err != nil {
		t.Fatal(err)
	}
	for name, header := range map[string][]string{"token": {"Authorization", "Bearer " + secret}, "cookie": {"Cookie", session}} {
		if a := b.ask(t, "GET", "/v1/handsets", nil, header...); a.status != 401 {
			t.Errorf("with the withdrawn %s: %d", name, a.status)
		}
	}
	// Guessing is slowed down.
	status := 0
	for range 20 {
		status = b.ask(t, "GET", "/v1/handsets", nil, "Authorization", "Bearer rundown_guess").status
	}
	if status != 429 {
		t.Errorf("the twentieth guess is answered %d, want 429", status)
	}
}

func TestIdempotencyKey(t *testing.T) {
	b := newBench(t, []string{"Alder"})
	order := map[string]any{"plan": "short", "not_before": "2031-01-01T00:00:00Z"}
	first := b.ask(t, "POST", "/v1/queue", order, "Idempotency-Key", "evening")
	second := b.ask(t, "POST", "/v1/queue", order, "Idempotency-Key", "evening")
	if first.status != 200 || second.status != 200 || !bytes.Equal(first.body, second.body) || second.header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("%d %s, again %d %s (%q)", first.status, first.body, second.status, second.body, second.header.Get("Idempotency-Replayed"))
	}
	if n := len(b.daemon.Queue()); n != 1 {
		t.Errorf("%d items are queued, want 1", n)
	}
	order["handsets"] = []string{"Alder"}
	if a := b.ask(t, "POST", "/v1/queue", order, "Idempotency-Key", "evening"); a.status != 422 {
		t.Errorf("another request with the key: %d, want 422", a.status)
	}
	if a := b.ask(t, "POST", "/v1/queue", order, "Idempotency-Key", "late evening"); a.status != 200 || len(b.daemon.Queue()) != 2 {
		t.Errorf("another key: %d, %d items", a.status, len(b.daemon.Queue()))
	}
	// Who changed what and when.
	var entries []api.LogEntry
	if err := json.Unmarshal(b.ask(t, "GET", "/v1/log", nil).body, &entries); err != nil || len(entries) != 4 {
		t.Fatalf("%d log entries, %v; want 4", len(entries), err)
	}
	if e := entries[0]; e.Who != "this host" || e.Role != "operator" || e.Status != 200 || e.Asked != "POST /v1/queue" || e.What != "queued short for Alder" || e.At.IsZero() {
		t.Errorf("log entry %+v", e)
	}
	if entries[1].Status != 422 {
		t.Errorf("a refused change is logged with %d", entries[1].Status)
	}
}

func TestPagesFiltersAndTags(t *testing.T) {
	b := afterNight(t)
	var all []results.Segment
	seen := map[string]bool{}
	for path, pages := "/v1/segments?limit=3", 0; path != ""; pages++ {
		if pages > 5 {
			t.Fatal("the pages do not end")
		}
		a := b.ask(t, "GET", path, nil)
		var page []results.Segment
		if err := json.Unmarshal(a.body, &page); err != nil || len(page) > 3 {
			t.Fatalf("%d segments, %v", len(page), err)
		}
		for _, g := range page {
			if seen[g.ID] {
				t.Errorf("%s comes twice", g.ID)
			}
			seen[g.ID] = true
		}
		all = append(all, page...)
		path = ""
		if link := a.header.Get("Link"); link != "" {
			path = regexp.MustCompile(`^<([^>]+)>; rel="next"$`).FindStringSubmatch(link)[1]
		}
	}
	if len(all) < 4 {
		t.Errorf("%d segments over all pages, want two handsets with two each", len(all))
	}
	for query, keep := range map[string]func(results.Segment) bool{
		"handset=Alder":           func(g results.Segment) bool { return g.Handset == "Alder" },
		"scenario=video":          func(g results.Segment) bool { return g.Scenario == "video" },
		"outcome=measured":        func(g results.Segment) bool { return g.Outcome == results.Measured },
		"to=2030-05-14T21:00:00Z": func(results.Segment) bool { return false },
	} {
		var want int
		for _, g := range all {
			if keep(g) {
				want++
			}
		}
		var got []results.Segment
		if err := json.Unmarshal(b.ask(t, "GET", "/v1/segments?"+query, nil).body, &got); err != nil || len(got) != want || slices.ContainsFunc(got, func(g results.Segment) bool { return !keep(g) }) {
			t.Errorf("?%s: %d segments, %v; want %d", query, len(got), err, want)
		}
	}
	first := b.ask(t, "GET", "/v1/segments", nil)
	tag := first.header.Get("ETag")
	if again := b.ask(t, "GET", "/v1/segments", nil, "If-None-Match", tag); tag == "" || again.status != 304 || len(again.body) != 0 {
		t.Errorf("asked again with %s: %d and %d bytes, want 304", tag, again.status, len(again.body))
	}
	if other := b.ask(t, "GET", "/v1/segments?limit=1", nil, "If-None-Match", tag); other.status != 200 {
		t.Errorf("another page with that tag: %d", other.status)
	}
	packed := b.ask(t, "GET", "/v1/segments", nil, "Accept-Encoding", "gzip")
	if again := b.ask(t, "GET", "/v1/segments", nil, "Accept-Encoding", "gzip", "If-None-Match", packed.header.Get("ETag")); packed.header.Get("Content-Encoding") != "gzip" || again.status != 304 {
		t.Errorf("compressed (%q) and asked again: %d", packed.header.Get("Content-Encoding"), again.status)
	}
}

// An event of a stream.
type event struct{ id, kind, data string }

// The format is that of the Prometheus exposition formats, version 0.0.4: comment lines,
// or a name, labels and a number; each family is described before it comes.
func TestMetrics(t *testing.T) {
	b := afterNight(t)
	a := b.ask(t, "GET", "/metrics", nil)
	line := regexp.MustCompile(`^([a-z_]+)(\{[a-z_]+="(?:[^"\\]|\\.)*"(?:,[a-z_]+="(?:[^"\\]|\\.)*")*\})? (NaN|[-+0-9.eE]+)$`)
	described := map[string]bool{}
	found := map[string]bool{}
	for text := range strings.SplitSeq(strings.TrimSpace(string(a.body)), "\n") {
		if words := strings.Fields(text); strings.HasPrefix(text, "# ") {
			described[words[2]] = true
			continue
		}
		m := line.FindStringSubmatch(text)
		if m == nil {
			t.Errorf("line %q is not in the format", text)
			continue
		}
		family := regexp.MustCompile(`_(bucket|sum|count)$`).ReplaceAllString(m[1], "")
		if !described[m[1]] && !described[family] {
			t.Errorf("%s is not described", m[1])
		}
		found[m[1]+m[2]] = true
	}
	for _, want := range []string{`rundown_handset_ready{handset="Alder"}`, `rundown_handset_level_percent{handset="Birch"}`, `rundown_queue_items{state="ended"}`} {
		if !found[want] {
			t.Errorf("%s is missing in\n%s", want, a.body)
		}
	}
}

// The first view is under 150 kB as it travels, and made within 100 ms from a warm daemon.
func TestFirstViewIsSmallAndQuick(t *testing.T) {
	b := afterNight(t)
	page := b.ask(t, "GET", "/", nil)
	total := 0
	paths := []string{"/"}
	for _, m := range regexp.MustCompile(`(?:href|src)="(/static/[^"]+)"`).FindAllStringSubmatch(string(page.body), -1) {
		paths = append(paths, m[1])
	}
	paths = append(paths, "/static/morph.js", "/static/lanes.js", "/static/readout.js") // which the first module imports
	for _, p := range paths {
		var packed bytes.Buffer
		z := gzip.NewWriter(&packed)
		_, _ = z.Write(b.ask(t, "GET", p, nil).body)
		_ = z.Close()
		total += packed.Len()
	}
	if total > 150_000 || len(paths) < 6 {
		t.Errorf("the first view is %d bytes gzipped over %v", total, paths)
	}
	best := time.Hour
	for range 10 { // the best of ten: the machine is busy with other things
		time.Sleep(450 * time.Millisecond / 10)
		began := time.Now()
		b.ask(t, "GET", "/?x="+fmt.Sprint(began.UnixNano()), nil) // not the shared one of a moment ago
		best = min(best, time.Since(began))
	}
	if best > 100*time.Millisecond {
		t.Errorf("the first view takes %v, want under 100 ms", best)
	}
	t.Logf("first view: %d bytes gzipped, %v", total, best)
}

func TestListenNeedsATokenBeyondLoopback(t *testing.T) {
	s, err := results.Open(filepath.Join(t.TempDir(), "rundown.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	tokens := api.OpenTokens(s, nil)
	if l, err := api.Listen("0.0.0.0:0", tokens, nil); err == nil {
		_ = l.Close()
		t.Error("it listens for everybody without a token")
	} else if !strings.Contains(err.Error(), "rundown token make") {
		t.Errorf("the refusal says %q", err)
	}
	l, err := api.Listen("127.0.0.1:0", tokens, nil)
	if err != nil {
		t.Fatal(err)
	}
	_ = l.Close()
	if _, _, err := tokens.Make("lab", "owner"); err == nil {
		t.Error("a role that there is not is taken")
	}
	if _, _, err := tokens.Make("lab", "reader"); err != nil {
		t.Fatal(err)
	}
	if l, err = api.Listen("0.0.0.0:0", tokens, nil); err != nil {
		t.Errorf("with a token: %v", err)
	} else {
		_ = l.Close()
	}
}

// Fifty readers with live events, each looking at the page again whenever something has
// moved, and one export at once: the night goes on undisturbed, which shows in the time
// between the samples that handsets take and the daemon collects.
func TestReadersDoNotDisturbTheNight(t *testing.T) {
	if testing.Short() {
		t.Skip("a whole night")
	}
	b := newBench(t, []string{"Alder", "Birch"})
	if _, err := b.daemon.Enqueue(orchestrator.Request{Plan: "short"}); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	transport := &http.Transport{MaxIdleConnsPerHost: 64}
	defer transport.CloseIdleConnections()
	client := &http.Client{Transport: transport}
	get := func(path string) (int, int64, error) {
		r, err := http.NewRequestWithContext(ctx, "GET", b.url+path, nil)
		if err != nil {
			return 0, 0, err
		}
		a, err := client.Do(r)
		if err != nil {
			return 0, 0, err
		}
		defer a.Body.Close()
		n, err := io.Copy(io.Discard, a.Body)
		return a.StatusCode, n, err
	}
	type count struct{ events, pages, wrong int }
	done := make(chan count)
	const readers = 50
	for i := range readers {
		go func() {
			var c count
			defer func() { done <- c }()
			r, _ := http.NewRequestWithContext(ctx, "GET", b.url+"/v1/events", nil)
			a, err := client.Do(r)
			if err != nil {
				c.wrong++
				return
			}
			defer a.Body.Close()
			for lines := bufio.NewScanner(a.Body); lines.Scan(); {
				if lines.Text() != "event: bench" {
					continue
				}
				c.events++
				status, _, err := get([]string{"/", "/night"}[i%2])
				if err == nil && status == 200 {
					c.pages++
				} else if ctx.Err() == nil {
					c.wrong++
				}
			}
		}()
	}
	exports := make(chan int)
	go func() {
		n := 0
		for ctx.Err() == nil {
			if status, _, err := get("/v1/export/samples?format=csv"); err == nil && status == 200 {
				n++
			}
			time.Sleep(100 * time.Millisecond) // a small bench is exported in a moment
		}
		exports <- n
	}()
	err := b.finish()
	cancel()
	var all count
	for range readers {
		c := <-done
		all.events, all.pages, all.wrong = all.events+c.events, all.pages+c.pages, all.wrong+c.wrong
	}
	exported := <-exports
	if err != nil {
		t.Fatal(err)
	}
	if all.events < readers || all.pages < readers/2 || all.wrong > 0 || exported == 0 {
		t.Errorf("%d readers: %d events, %d pages, %d wrong; %d exports", readers, all.events, all.pages, all.wrong, exported)
	}
	segments, err := b.daemon.Store().Segments("")
	if err != nil {
		t.Fatal(err)
	}
	measured, widest := 0, 0.0
	for _, g := range segments {
		if g.Outcome != results.Measured {
			t.Logf("%s: %s, %s", g.ID, g.Outcome, g.Reason)
			continue
		}
		measured++
		samples, err := b.daemon.Store().Samples(g.ID)
		if err != nil {
			t.Fatal(err)
		}
		for i := 1; i < len(samples); i++ {
			gap := float64(samples[i].UptimeMS-samples[i-1].UptimeMS) / 1000
			widest = max(widest, gap/g.SampleEveryS)
		}
	}
	if measured < 4 {
		t.Errorf("%d segments were measured, want 4", measured)
	}
	// The bench lives 600 times faster: a second in which this machine does something else
	// is ten minutes for it. What counts is that no sample is missing for long.
	if widest > 60 {
		t.Errorf("the widest gap between two samples is %.0f times their spacing", widest)
	}
	t.Logf("%d readers, %d events, %d pages, %d exports; widest gap between samples %.1f times their spacing", readers, all.events, all.pages, exported, widest)
}
