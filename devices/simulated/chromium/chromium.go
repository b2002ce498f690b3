// Package chromium is a browser for simulated handsets that is real: it shows what their
// intents open in headless Chromium, at the handset's size, over the handset's own network
// (and so through adb), with the touches that reach the handset, and with a made-up camera
// and microphone that need no permission.
//
// Pages live in real time: a handset whose clock is faster sees them do less in its time
// than a handset would. It is for tests and for looking; the built-in reader of pages is
// what costs nothing. Errors that leave it: ErrNotInstalled.
package chromium

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httputil"
	"os"
	"os/exec"
	"sync"
	"sync/atomic"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/cdproto/target"
	"github.com/chromedp/chromedp"

	"rundown/devices/simulated"
)

// ErrNotInstalled means that there is no Chromium on this host.
var ErrNotInstalled = errors.New("chromium is not installed (on Debian: apt-get install chromium)")

// Options say how handsets show pages.
type Options struct {
	// Faster is how many times faster than real time the handsets' clocks are: fingers
	// move so much faster. 0 stands for 1.
	Faster float64
	// WidthPx is the width of a handset's page in CSS pixels, 0 stands for 412. Pixels are
	// not finer than that: a drawing without a graphics chip is slow as it is.
	WidthPx int
}

// A Browser is one Chromium for any number of handsets; each has a profile and a tab of
// its own, forgotten at the end. Start it, put it into the handsets' Options, and Close it
// after them.
type Browser struct {
	o       Options
	ctx     context.Context // of the process
	end     context.CancelFunc
	profile string
	wg      sync.WaitGroup

	mu     sync.Mutex
	tabs   map[*simulated.Handset]*tab
	said   []string
	closed bool
}

var _ simulated.Browser = (*Browser)(nil)

// Start starts Chromium.
func Start(o Options) (*Browser, error) {
	path, err := exec.LookPath("chromium")
	if err != nil {
		return nil, ErrNotInstalled
	}
	if o.Faster <= 0 {
		o.Faster = 1
	}
	if o.WidthPx <= 0 {
		o.WidthPx = 412
	}
	profile, err := os.MkdirTemp("", "rundown-chromium-")
	if err != nil {
		return nil, fmt.Errorf("chromium: %w", err)
	}
	flags := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(profile),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("enable-unsafe-swiftshader", true),
		chromedp.Flag("use-fake-ui-for-media-stream", true), chromedp.Flag("use-fake-device-for-media-stream", "fps=30"),
		// Both ends of a call are on this host in a test.
		chromedp.Flag("allow-loopback-in-peer-connection", true))
	allocated, endProcess := chromedp.NewExecAllocator(context.Background(), flags...)
	ctx, endContext := chromedp.NewContext(allocated)
	b := &Browser{o: o, ctx: ctx, profile: profile, tabs: map[*simulated.Handset]*tab{}, end: func() { endContext(); endProcess() }}
	if err := chromedp.Do(ctx); err != nil {
		b.end()
		_ = os.RemoveAll(profile)
		return nil, fmt.Errorf("chromium does not start: %w", err)
	}
	return b, nil
}

// Close ends the tabs and the process.
func (b *Browser) Close() {
	b.mu.Lock()
	b.closed = true
	var all []*tab
	for _, t := range b.tabs {
		all = append(all, t)
	}
	b.mu.Unlock()
	for _, t := range all {
		t.quit()
	}
	b.wg.Wait()
	bounded, cancel := context.WithTimeout(b.ctx, 10*time.Second)
	_ = chromedp.Cancel(bounded)
	cancel()
	b.end()
	_ = os.RemoveAll(b.profile)
}

// Said are the errors that pages reported to their consoles, in order.
func (b *Browser) Said() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string(nil), b.said...)
}

func (b *Browser) note(format string, args ...any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.said = append(b.said, fmt.Sprintf(format, args...))
}

// Picture is what a handset shows in its browser, as PNG.
func (b *Browser) Picture(ctx context.Context, h *simulated.Handset) ([]byte, error) {
	var shot []byte
	err := b.ask(ctx, h, func(tab context.Context) error {
		r, err := chromedp.Call(tab, page.CaptureScreenshot, page.CaptureScreenshotParams{})
		if err == nil {
			shot = r.Data
		}
		return err
	})
	return shot, err
}

// Eval is the value of an expression in the page that a handset shows, as text: tests ask
// a page what no post tells.
func (b *Browser) Eval(ctx context.Context, h *simulated.Handset, expression string) (string, error) {
	var text string
	err := b.ask(ctx, h, func(tab context.Context) (err error) {
		text, err = chromedp.Run(tab, chromedp.Evaluate[string]("String("+expression+")"))
		return err
	})
	return text, err
}

// ask has the tab of a handset do something and waits for it.
func (b *Browser) ask(ctx context.Context, h *simulated.Handset, f func(tab context.Context) error) error {
	b.mu.Lock()
	t := b.tabs[h]
	b.mu.Unlock()
	if t == nil {
		return fmt.Errorf("chromium: handset %s has shown no page", h.Serial())
	}
	done := make(chan error, 1)
	t.add(func(ctx context.Context) { done <- f(ctx) })
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Open begins to show an address in the handset's tab.
func (b *Browser) Open(h *simulated.Handset, address string) simulated.Page {
	b.mu.Lock()
	t := b.tabs[h]
	if t == nil && !b.closed {
		t = &tab{b: b, h: h, ready: make(chan struct{}, 1)}
		t.ctx, t.cancel = context.WithCancel(b.ctx)
		b.tabs[h] = t
		b.wg.Go(t.run)
	}
	b.mu.Unlock()
	p := &shown{t: t}
	if t == nil {
		return p
	}
	p.t.mu.Lock()
	p.t.page = p
	p.t.mu.Unlock()
	t.add(func(ctx context.Context) { p.load(ctx, address) })
	return p
}

// A tab is a handset's window on the web. One goroutine does everything with it, in order.
type tab struct {
	b      *Browser
	h      *simulated.Handset
	ctx    context.Context
	cancel context.CancelFunc
	ready  chan struct{}

	mu   sync.Mutex
	jobs []func(ctx context.Context)
	page *shown // the latest that was opened
	over bool
}

func (t *tab) add(job func(ctx context.Context)) {
	t.mu.Lock()
	t.jobs = append(t.jobs, job)
	t.mu.Unlock()
	select {
	case t.ready <- struct{}{}:
	default:
	}
}

func (t *tab) next() (func(ctx context.Context), bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.jobs) == 0 {
		return nil, t.over
	}
	job := t.jobs[0]
	t.jobs = t.jobs[1:]
	return job, t.over
}

func (t *tab) quit() {
	t.mu.Lock()
	t.over = true
	t.mu.Unlock()
	t.cancel()
}

func (t *tab) run() {
	defer t.cancel()
	proxy, err := newProxy(t.h)
	if err != nil {
		t.b.note("%s: %v", t.h.Serial(), err)
		return
	}
	defer proxy.close()
	ctx, end := chromedp.NewContext(t.ctx, chromedp.WithNewBrowserContext(func(p *target.CreateBrowserContextParams) {
		// localhost is the handset's own, not this host's.
		p.ProxyServer, p.ProxyBypassList = proxy.address(), "<-loopback>"
	}))
	defer end()
	if err := t.prepare(ctx); err != nil {
		if t.ctx.Err() == nil {
			t.b.note("%s: a tab could not be opened: %v", t.h.Serial(), err)
		}
		return
	}
	for {
		job, over := t.next()
		if over || t.ctx.Err() != nil {
			return
		}
		if job != nil {
			bounded, cancel := context.WithTimeout(ctx, 60*time.Second)
			job(bounded)
			cancel()
			continue
		}
		select {
		case <-t.ready:
		case <-t.ctx.Done():
			return
		}
	}
}

// prepare makes the tab that of a handset: size, touch, name.
func (t *tab) prepare(ctx context.Context) error {
	if err := chromedp.Do(ctx); err != nil {
		return err
	}
	err := chromedp.Listen(ctx, func(ev any) {
		var d *runtime.ExceptionDetails
		switch ev := ev.(type) {
		case *runtime.EventExceptionThrown:
			d = ev.ExceptionDetails
		case runtime.EventExceptionThrown:
			d = ev.ExceptionDetails
		}
		if d != nil {
			more := ""
			if d.Exception != nil {
				more = d.Exception.Description
			}
			t.b.note("%s: %s %s (%s:%d)", t.h.Serial(), d.Text, more, d.URL, d.LineNumber+1)
		}
	})
	if err != nil {
		return err
	}
	w, h := t.size()
	if _, err := chromedp.Call(ctx, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{
		Width: int64(w), Height: int64(h), ScreenWidth: int64(w), ScreenHeight: int64(h), DeviceScaleFactor: 1, Mobile: true,
	}); err != nil {
		return err
	}
	if _, err := chromedp.Call(ctx, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true, MaxTouchPoints: 5}); err != nil {
		return err
	}
	_, err = chromedp.Call(ctx, emulation.SetUserAgentOverride, emulation.SetUserAgentOverrideParams{UserAgent: t.h.UserAgent(), Platform: "Linux armv8l"})
	return err
}

// size is the page's, CSS pixels.
func (t *tab) size() (w, h float64) {
	sw, sh := t.h.ScreenSize()
	w = float64(t.b.o.WidthPx)
	return w, float64(int(w * float64(sh) / float64(sw)))
}

// shown is one page that a handset opened.
type shown struct {
	t        *tab // nil after the browser was closed
	activity atomic.Value
	closed   atomic.Bool
	frozen   bool // only the tab's goroutine knows
}

var (
	_ simulated.Page    = (*shown)(nil)
	_ simulated.Toucher = (*shown)(nil)
)

// current says whether the page is still the one that its tab shows.
func (p *shown) current() bool {
	p.t.mu.Lock()
	defer p.t.mu.Unlock()
	return p.t.page == p && !p.closed.Load()
}

func (p *shown) load(ctx context.Context, address string) {
	if !p.current() {
		return
	}
	// A tab that lay behind something else runs again before it goes elsewhere.
	_, _ = chromedp.Call(ctx, page.SetWebLifecycleState, page.SetWebLifecycleStateParams{State: page.SetWebLifecycleStateStateActive})
	if err := chromedp.Do(ctx, chromedp.Navigate(address)); err != nil {
		if p.current() && ctx.Err() == nil {
			p.t.b.note("%s: %s: %v", p.t.h.Serial(), address, err)
		}
		return
	}
	what, err := chromedp.Run(ctx, chromedp.Evaluate[string](`(() => { try { return JSON.parse(document.getElementById("stage").textContent).activity; } catch { return ""; } })()`))
	if err == nil && p.current() {
		p.activity.Store(what)
	}
}

// Activity is what the page says of itself.
func (p *shown) Activity() string {
	what, _ := p.activity.Load().(string)
	return what
}

// Show freezes a page that is behind something else or on a dark screen, as a handset's
// browser does, and lets it run again.
func (p *shown) Show(visible bool) {
	if p.t == nil {
		return
	}
	p.t.add(func(ctx context.Context) {
		if !p.current() || p.frozen == !visible {
			return
		}
		state := page.SetWebLifecycleStateStateActive
		if !visible {
			state = page.SetWebLifecycleStateStateFrozen
		}
		if _, err := chromedp.Call(ctx, page.SetWebLifecycleState, page.SetWebLifecycleStateParams{State: state}); err == nil {
			p.frozen = !visible
		}
	})
}

// Close leaves the page, unless another has taken its place already.
func (p *shown) Close() {
	if p.t == nil || p.closed.Swap(true) {
		return
	}
	p.t.add(func(ctx context.Context) {
		p.t.mu.Lock()
		ours := p.t.page == p
		p.t.mu.Unlock()
		if ours {
			_, _ = chromedp.Call(ctx, page.SetWebLifecycleState, page.SetWebLifecycleStateParams{State: page.SetWebLifecycleStateStateActive})
			_ = chromedp.Do(ctx, chromedp.Navigate("about:blank"))
		}
	})
}

// Touch moves a finger over the page as it moved over the handset's screen.
func (p *shown) Touch(from, to [2]float64, over time.Duration) {
	if p.t == nil {
		return
	}
	p.t.add(func(ctx context.Context) {
		if !p.current() || p.frozen {
			return
		}
		w, h := p.t.size()
		finger := func(kind input.DispatchTouchEventType, share float64) error {
			params := input.DispatchTouchEventParams{Type: kind, TouchPoints: []*input.TouchPoint{}}
			if kind != input.DispatchTouchEventTypeTouchEnd {
				params.TouchPoints = append(params.TouchPoints, &input.TouchPoint{
					X: w * (from[0] + (to[0]-from[0])*share), Y: h * (from[1] + (to[1]-from[1])*share),
				})
			}
			_, err := chromedp.Call(ctx, input.DispatchTouchEvent, params)
			return err
		}
		// Of a finger too fast for the screen nothing would be left but a tap.
		took := max(time.Duration(float64(over)/p.t.b.o.Faster), 40*time.Millisecond)
		const steps = 6
		err := finger(input.DispatchTouchEventTypeTouchStart, 0)
		for i := 1; i <= steps && err == nil; i++ {
			if time.Sleep(took / steps); from != to {
				err = finger(input.DispatchTouchEventTypeTouchMove, float64(i)/steps)
			}
		}
		if e := finger(input.DispatchTouchEventTypeTouchEnd, 1); err == nil {
			err = e
		}
		if err != nil && p.current() && ctx.Err() == nil {
			p.t.b.note("%s: touch: %v", p.t.h.Serial(), err)
		}
	})
}

// A proxy is the way from Chromium into a handset's network.
type proxy struct {
	listener net.Listener
	server   *http.Server
	done     chan struct{}
}

func newProxy(h *simulated.Handset) (*proxy, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("chromium: proxy: %w", err)
	}
	p := &proxy{listener: l, done: make(chan struct{})}
	p.server = &http.Server{ReadHeaderTimeout: 20 * time.Second, Handler: &httputil.ReverseProxy{
		Rewrite:       func(r *httputil.ProxyRequest) { r.Out.Host = r.In.Host },
		Transport:     h.HTTP().Transport,
		FlushInterval: -1,
		ErrorHandler: func(w http.ResponseWriter, _ *http.Request, err error) {
			w.WriteHeader(http.StatusBadGateway)
		},
	}}
	go func() {
		defer close(p.done)
		_ = p.server.Serve(l)
	}()
	return p, nil
}

func (p *proxy) address() string { return "http://" + p.listener.Addr().String() }

func (p *proxy) close() {
	_ = p.server.Close()
	<-p.done
}
