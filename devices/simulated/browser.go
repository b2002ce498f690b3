package simulated

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"sync"
	"time"
)

// A Browser shows pages on handsets.
type Browser interface {
	// Open begins to show an address and returns without waiting for it. The page lives
	// until its Close. It is called under the handset's lock and must not call the handset
	// before it has returned.
	Open(h *Handset, address string) Page
}

// A Page is one address that a handset's browser shows.
type Page interface {
	// Activity is what the page does, in the stage's words: browse, call, game, sustain,
	// light; "" while it loads, when it failed, and for any other page. It is asked under
	// the handset's lock and must neither wait nor call the handset.
	Activity() string
	// Show tells whether the page is before the user on a lit screen.
	Show(visible bool)
	// Close ends the page. It returns at once, and nothing comes from the page after.
	Close()
}

// A Toucher is a page that wants to know where it is touched.
type Toucher interface {
	// Touch is a finger that goes from one place to another, fractions of the screen, in a
	// time by the handset's clock. It must return at once.
	Touch(from, to [2]float64, over time.Duration)
}

func (h *Handset) openURL(a *activity, address string) {
	h.closeTab(a)
	if h.closed {
		return
	}
	a.url, a.asks, a.answered = address, nil, nil
	a.tab = h.opt.Browser.Open(h, address)
	if h.usable() && h.front() == a {
		tab := a.tab
		h.afterwards(func() { tab.Show(true) })
	}
}

// pageReader is the built-in browser: it fetches the page and some of its parts over the
// handset's network and does what the page's stage block says, by the handset's clock.
// It draws nothing and runs no script; frames are counted as a screen would show them.
type pageReader struct{}

func (pageReader) Open(h *Handset, address string) Page {
	ctx, cancel := context.WithCancel(h.ctx())
	p := &readPage{h: h, address: address, name: h.hash() + h.hash(), cancel: cancel, seen: make(chan struct{}, 1)}
	h.wg.Go(func() {
		defer cancel()
		p.run(ctx)
	})
	return p
}

// A readPage is one page that the built-in browser shows.
type readPage struct {
	h       *Handset
	address string
	name    string // of this load of the page
	cancel  context.CancelFunc
	seen    chan struct{}

	mu       sync.Mutex
	activity string
	visible  bool
}

func (p *readPage) Activity() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.activity
}

func (p *readPage) Show(visible bool) {
	p.mu.Lock()
	p.visible = visible
	p.mu.Unlock()
	select {
	case p.seen <- struct{}{}:
	default:
	}
}

func (p *readPage) Close() { p.cancel() }

// stageBlock is what a page of the stage says of itself.
type stageBlock struct {
	Activity string          `json:"activity"`
	Post     string          `json:"post"`
	EveryS   float64         `json:"every_s"`
	Page     json.RawMessage `json:"page"`
	Lot      float64         `json:"lot"`     // of sustain: units of a lot; 0: cycles
	Work     string          `json:"work"`    // of sustain
	CycleS   float64         `json:"cycle_s"` // of sustain
	RestS    float64         `json:"rest_s"`  // after each cycle
	Grey     *int            `json:"grey"`
}

// report is what a page posts.
type report struct {
	Load   string         `json:"load"` // one value for each load of a page
	Seq    int            `json:"seq"`
	Kind   string         `json:"kind"`
	Value  float64        `json:"value"`
	Detail map[string]any `json:"detail"`
}

var (
	stagePattern = regexp.MustCompile(`(?s)<script\b[^>]*\bid="?stage"?[^>]*>(.*?)</script>`)
	partPattern  = regexp.MustCompile(`\b(?:src|href)="([^"#][^"]*)"`)
)

// Limits of what the browser fetches for one page.
const (
	partsMost = 8
	bytesMost = 16 << 20
)

func (p *readPage) run(ctx context.Context) {
	page, size, broken, err := p.load(ctx)
	if err != nil {
		return // an error page: it draws what an idle page draws
	}
	// How long a real browser takes: the network's turn-around, its throughput and the
	// work of laying out. Invented, of the usual size.
	took := 380*time.Millisecond + time.Duration(float64(size)/3e6*float64(time.Second))
	p.h.do(func() { p.h.burst(1.9, took+600*time.Millisecond) })
	if p.h.clock.Sleep(ctx, took) != nil || !p.waitShown(ctx) {
		return
	}
	m := stagePattern.FindSubmatch(page)
	if m == nil {
		return
	}
	var s stageBlock
	if json.Unmarshal(bytes.TrimSpace(m[1]), &s) != nil {
		return
	}
	if s.Activity == "call" && !p.mayFilm(ctx) {
		return
	}
	p.h.do(func() { p.h.pageDoes(p, s.Activity) })
	if s.Activity == "browse" {
		var n float64
		if json.Unmarshal(bytes.Trim(s.Page, `"`), &n) != nil {
			return
		}
		_ = p.post(ctx, s.Post, report{Seq: 1, Kind: "page", Value: n, Detail: map[string]any{"load_ms": took.Milliseconds(), "bytes": size, "broken": broken}})
		return
	}
	p.report(ctx, s)
}

// mayFilm waits until the page may use camera and microphone; false when it may not.
func (p *readPage) mayFilm(ctx context.Context) bool {
	if p.h.opt.BrowserAsks == nil {
		return true
	}
	answer := make(chan bool, 1)
	p.h.do(func() {
		a := p.h.taskOf(p)
		switch u, err := url.Parse(p.address); {
		case a == nil || err != nil:
			answer <- false
		case !p.h.granted[a.app.Package+" android.permission.CAMERA"], !p.h.granted[a.app.Package+" android.permission.RECORD_AUDIO"]:
			// The system's own question stands before the browser's, and nobody answers it.
			a.asks, a.answered = []string{"While using the app", "Only this time", "Don't allow"}, func(string) { answer <- false }
		case p.h.allowed[u.Host]:
			answer <- true
		default:
			buttons := p.h.opt.BrowserAsks
			a.asks, a.answered = buttons, func(b string) {
				p.h.allowed[u.Host] = b != buttons[len(buttons)-1]
				answer <- p.h.allowed[u.Host]
			}
		}
	})
	select {
	case yes := <-answer:
		return yes
	case <-ctx.Done():
		return false
	}
}

// taskOf is the task whose page p is, or nil.
func (h *Handset) taskOf(p *readPage) *activity {
	for _, a := range h.tasks {
		if a.tab == Page(p) {
			return a
		}
	}
	return nil
}

// pageDoes makes a page's activity count from this instant.
func (h *Handset) pageDoes(p *readPage, activity string) {
	p.mu.Lock()
	p.activity = activity
	p.mu.Unlock()
}

// report posts how far the page's activity has come, every so often while it is before
// the user. A post that fails stops nothing; the next one says more.
func (p *readPage) report(ctx context.Context, s stageBlock) {
	if s.Activity == "sustain" {
		p.work(ctx, s)
		return
	}
	every := time.Duration(s.EveryS * float64(time.Second))
	if every <= 0 {
		every = 10 * time.Second
	}
	start := p.shown()
	var told float64
	for seq := 1; ; seq++ {
		if !p.waitShown(ctx) || p.h.clock.Sleep(ctx, every) != nil {
			return
		}
		if !p.isShown() {
			continue
		}
		on := (p.shown() - start).Seconds()
		since := on - told // whether or not the post before arrived
		told = on
		r := report{Seq: seq, Detail: map[string]any{"visible_s": round(on, 1)}}
		switch s.Activity {
		case "game":
			r.Kind, r.Value = "frames", round(60*since, 0)
			r.Detail["frames"] = round(60*on, 0)
		case "call":
			r.Kind, r.Value = "call", round(30*since, 0)
			r.Detail["frames_sent"], r.Detail["frames_received"] = round(30*on, 0), round(30*on, 0)
		case "light":
			r.Kind, r.Value, r.Detail["grey"], r.Detail["full"] = "frames", 1, s.Grey, true
		default:
			r.Kind, r.Value = "frames", round(60*since, 0)
			r.Detail["frames"] = round(60*on, 0)
		}
		if errors.Is(p.post(ctx, s.Post, r), errGone) {
			return
		}
	}
}

// shown is how long the page has been before the user.
func (p *readPage) shown() (d time.Duration) {
	p.h.do(func() {
		for _, a := range p.h.tasks {
			if a.tab == Page(p) {
				d = a.front
			}
		}
	})
	return d
}

func (p *readPage) isShown() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.visible
}

// waitShown waits until the page is before the user; false at its end.
func (p *readPage) waitShown(ctx context.Context) bool {
	for !p.isShown() {
		select {
		case <-p.seen:
		case <-ctx.Done():
			return false
		}
	}
	return ctx.Err() == nil
}

// UserAgent is how the handset's browser names itself.
func (h *Handset) UserAgent() string {
	return "Mozilla/5.0 (Linux; Android " + h.ways.release + "; " + h.opt.Model + ") simulated"
}

// ScreenSize is the panel's, px.
func (h *Handset) ScreenSize() (width, height int) { return h.opt.ScreenW, h.opt.ScreenH }

// load fetches the page and some of what it refers to; broken parts leave holes.
func (p *readPage) load(ctx context.Context) (page []byte, size int64, broken int, err error) {
	if p.h.pageFails() {
		return nil, 0, 0, errors.New("it does not come")
	}
	page, err = p.fetch(ctx, p.address)
	if err != nil {
		return nil, 0, 0, err
	}
	size = int64(len(page))
	base, err := url.Parse(p.address)
	if err != nil {
		return nil, 0, 0, err
	}
	n := 0
	for _, m := range partPattern.FindAllSubmatch(page, -1) {
		ref, err := base.Parse(html.UnescapeString(string(m[1])))
		if err != nil || ref.Host != base.Host || n == partsMost {
			continue
		}
		n++
		part, err := p.fetch(ctx, ref.String())
		if err != nil {
			broken++
			continue
		}
		size += int64(len(part))
	}
	return page, size, broken, nil
}

func (p *readPage) fetch(ctx context.Context, address string) ([]byte, error) {
	defer p.h.holdClock()()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, err
	}
	req.Header.Set("User-Agent", p.h.UserAgent())
	resp, err := p.h.net.client.Do(req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("%s answered %s", address, resp.Status)
	}
	return io.ReadAll(io.LimitReader(resp.Body, bytesMost))
}

// errGone means that the stage takes no more from this page.
var errGone = errors.New("the stage has closed the page's session")

func (p *readPage) post(ctx context.Context, to string, r report) error {
	base, err := url.Parse(p.address)
	if err != nil {
		return err
	}
	target, err := base.Parse(to)
	if err != nil {
		return err
	}
	r.Load = p.name
	body, err := json.Marshal(r)
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, target.String(), bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "text/plain")
	defer p.h.holdClock()()
	resp, err := p.h.net.client.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	_, err = io.Copy(io.Discard, io.LimitReader(resp.Body, 64<<10))
	if resp.StatusCode == http.StatusNotFound || resp.StatusCode == http.StatusGone {
		return errGone
	}
	return err
}
