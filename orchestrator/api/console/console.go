// Package console is the web console: pages made by the daemon from its state, which open
// without script and hold their values up to date with it. Charts are inline SVG.
//
// Each screen's heading is a sentence that answers the question one comes with; words.go
// has the wording, lanes.go draws the nights, curves.go the runs. Who may change
// something is decided before a request reaches this package.
package console

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"rundown/devices/preconditions"
	"rundown/orchestrator"
	"rundown/orchestrator/api/forecast"
)

//go:embed templates static
var files embed.FS

// Hooks are what the console needs to know of a request, from those who let it in.
type Hooks struct {
	MayChange func(*http.Request) bool           // the caller may drive handsets
	Entered   func(*http.Request) bool           // the caller came in with a token, and may leave
	Name      func(*http.Request) string         // who the caller is, for the record
	Did       func(r *http.Request, what string) // for the change log
}

// A Route is one address of the console.
type Route struct {
	Pattern string // as http.ServeMux takes it
	Changes bool   // it changes something
	Public  bool   // it shows nothing of the bench
	Serve   http.HandlerFunc
}

// A Console shows one daemon.
type Console struct {
	d     *orchestrator.Daemon
	o     *forecast.Forecasts
	hooks Hooks

	mu      sync.Mutex
	reports map[string]preconditions.Report // latest, by handset and plan
	pages   map[string]rendered
}

// rendered is a page that was made a moment ago: readers with live values share it.
type rendered struct {
	at   time.Time
	body []byte
}

// pageHeldFor is how long a page is shared.
const pageHeldFor = 400 * time.Millisecond

// New returns the console of a daemon.
func New(d *orchestrator.Daemon, o *forecast.Forecasts, hooks Hooks) *Console {
	return &Console{d: d, o: o, hooks: hooks, reports: map[string]preconditions.Report{}, pages: map[string]rendered{}}
}

// Routes are all addresses of the console.
func (c *Console) Routes() []Route {
	static, err := fs.Sub(files, "static")
	if err != nil {
		panic(err) // the folder is embedded
	}
	assets := http.FileServerFS(static)
	show := func(pattern string, make func(*http.Request) (page, error)) Route {
		return Route{Pattern: "GET " + pattern, Serve: c.show(make)}
	}
	change := func(pattern string, do http.HandlerFunc) Route {
		return Route{Pattern: "POST " + pattern, Changes: true, Serve: do}
	}
	return []Route{
		show("/{$}", c.bench),
		show("/night", c.night),
		show("/before", c.before),
		{Pattern: "GET /run", Serve: c.newestRun},
		show("/runs", c.runs),
		show("/runs/{id}", c.run),
		show("/beside", c.beside),
		change("/runs/{id}/annotate", c.annotate),
		change("/runs/{id}/annotations/{annotation}/withdraw", c.unannotate),
		change("/runs/{id}/delete", c.deleteImport),
		change("/before/read", c.read),
		change("/before/apply", c.apply),
		change("/before/undo", c.undo),
		change("/before/queue", c.enqueue),
		change("/queue/{id}/{verb}", c.act),
		change("/bench/{name}/release", c.release),
		change("/bench/{name}/take-over", c.takeOver),
		change("/prompts/{id}/answer", c.answerPrompt),
		{Pattern: "GET /static/", Public: true, Serve: func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Cache-Control", "no-cache")
			http.StripPrefix("/static/", assets).ServeHTTP(w, r)
		}},
	}
}

// A page is what every screen has. Body is the screen's own.
type page struct {
	Screen    string // "bench", "night", "before", "run", "beside"
	Heading   string
	Lead      template.HTML
	Bench     string
	Now       time.Time
	MayChange bool
	Entered   bool
	Said      *said
	Body      any
}

// said is the answer to what was pressed, with what takes it back.
type said struct {
	Text  string
	Wrong bool
	Undo  []undo
}

// undo is a form with one button.
type undo struct {
	Action, Label string
	Fields        map[string]string
}

var templates = template.Must(template.New("").Funcs(template.FuncMap{
	"q": quantity, "clock": clock, "stamp": stamp, "age": age, "path": url.PathEscape,
}).ParseFS(files, "templates/*.html"))

// show makes a page, or shares the one made a moment ago.
func (c *Console) show(make func(*http.Request) (page, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		key := fmt.Sprint(r.URL.RequestURI(), c.hooks.MayChange(r), c.hooks.Entered(r))
		c.mu.Lock()
		have, ok := c.pages[key]
		c.mu.Unlock()
		if !ok || time.Since(have.at) > pageHeldFor {
			p, err := make(r)
			if err != nil {
				c.refuse(w, r, err)
				return
			}
			body, err := c.render(r, p)
			if err != nil {
				c.refuse(w, r, err)
				return
			}
			have = rendered{time.Now(), body}
			c.mu.Lock()
			if len(c.pages) > 200 {
				clear(c.pages)
			}
			c.pages[key] = have
			c.mu.Unlock()
		}
		write(w, http.StatusOK, have.body)
	}
}

func (c *Console) render(r *http.Request, p page) ([]byte, error) {
	p.Bench, p.Now = c.d.File().Bench.Name, c.d.Now()
	p.MayChange, p.Entered = c.hooks.MayChange(r), c.hooks.Entered(r)
	var b bytes.Buffer
	err := templates.ExecuteTemplate(&b, p.Screen+".html", p)
	return b.Bytes(), err
}

// changed forgets the shared pages: whoever pressed something sees it done.
func (c *Console) changed() {
	c.mu.Lock()
	clear(c.pages)
	c.mu.Unlock()
}

func write(w http.ResponseWriter, status int, body []byte) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(body)
}

func (c *Console) refuse(w http.ResponseWriter, _ *http.Request, err error) {
	status, title := statusOf(err)
	Refuse(w, status, title, err.Error())
}

// Refuse answers with a page that says what is wrong.
func Refuse(w http.ResponseWriter, status int, title, detail string) {
	w.Header().Set("Cache-Control", "no-store")
	alone(w, status, "refused.html", map[string]string{"Title": title, "Detail": detail})
}

// Enter answers with the page on which a token is entered.
func Enter(w http.ResponseWriter, status int, to, wrong string) {
	w.Header().Set("Cache-Control", "no-store")
	alone(w, status, "enter.html", map[string]string{"To": Local(to), "Wrong": wrong})
}

func alone(w http.ResponseWriter, status int, name string, data any) {
	var b bytes.Buffer
	if err := templates.ExecuteTemplate(&b, name, data); err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	write(w, status, b.Bytes())
}

// Local returns an address on this daemon, or the first screen's when it is not one.
func Local(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\t\r\n") {
		return "/"
	}
	return to
}

// Escape makes an address fit to be a query's value.
func Escape(to string) string { return url.QueryEscape(to) }
