package api_test

import (
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"rundown/devices/hosttest"
	"rundown/orchestrator"
	"rundown/results"
)

// axe finds what people with disabilities would stumble over; its licence lies beside it.
//
//go:embed testdata/axe.min.js
var axe string

// A tab is a page of a headless browser, and what its console said.
type tab struct {
	t    *testing.T
	ctx  context.Context
	base string

	mu   sync.Mutex
	said []string
}

// openTab starts a browser for a bench. Errors on its console fail the test at its end.
func openTab(t *testing.T, b *bench) *tab {
	t.Helper()
	path := hosttest.Program(t, "chromium")
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-quic", true))
	allocated, end := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(end)
	ctx, endTab := chromedp.NewContext(allocated)
	t.Cleanup(endTab)
	bounded, cancel := context.WithTimeout(ctx, 10*time.Minute)
	t.Cleanup(cancel)
	p := &tab{t: t, ctx: bounded, base: b.url}
	if err := chromedp.Do(bounded, chromedp.Navigate("about:blank")); err != nil {
		t.Fatal(err)
	}
	err := chromedp.Listen(bounded, func(ev any) {
		p.mu.Lock()
		defer p.mu.Unlock()
		switch ev := ev.(type) {
		case *runtime.EventExceptionThrown:
			p.said = append(p.said, fmt.Sprintf("exception: %+v", ev.ExceptionDetails.Text))
		case runtime.EventExceptionThrown:
			p.said = append(p.said, fmt.Sprintf("exception: %+v", ev.ExceptionDetails.Text))
		case *log.EventEntryAdded:
			p.said = append(p.said, fmt.Sprintf("%s: %s %s", ev.Entry.Level, ev.Entry.Text, ev.Entry.URL))
		case log.EventEntryAdded:
			p.said = append(p.said, fmt.Sprintf("%s: %s %s", ev.Entry.Level, ev.Entry.Text, ev.Entry.URL))
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		for _, text := range p.said {
			t.Errorf("the browser's console says: %s", text)
		}
	})
	return p
}

// size sets the window's size and the colours that the person prefers.
func (p *tab) size(width, height int64, scheme string) {
	p.t.Helper()
	_, err := chromedp.Call(p.ctx, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: height, DeviceScaleFactor: 1, Mobile: width < 600})
	if err == nil {
		_, err = chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
	}
	if err != nil {
		p.t.Fatal(err)
	}
}

func (p *tab) open(path string) {
	p.t.Helper()
	if err := chromedp.Do(p.ctx, chromedp.Navigate(p.base+path)); err != nil {
		p.t.Fatalf("%s: %v", path, err)
	}
}

func (p *tab) js(expression string) string {
	p.t.Helper()
	v, err := chromedp.Run(p.ctx, chromedp.Evaluate[string](expression))
	if err != nil {
		p.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// until waits for an expression to give a text that holds want.
func (p *tab) until(expression, want string) string {
	p.t.Helper()
	got := ""
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		if got = p.js(expression); strings.Contains(got, want) {
			return got
		}
	}
	p.t.Fatalf("%s is %q after %v, want %q", expression, got, patience, want)
	return ""
}

// press clicks the button of that label.
func (p *tab) press(label string) {
	p.t.Helper()
	found := p.js(fmt.Sprintf(`(() => { const b = [...document.querySelectorAll("button, summary")].find((b) => b.textContent.trim() === %q); b?.click(); return b ? "pressed" : [...document.querySelectorAll("button, summary")].map((b) => b.textContent.trim()).join("; "); })()`, label))
	if found != "pressed" {
		p.t.Fatalf("there is no button %q; there are: %s", label, found)
	}
}

const heading = `document.querySelector("h1")?.textContent ?? ""`

// accessible has axe look at the page as it is. What it calls serious or critical fails.
func (p *tab) accessible(name string) {
	p.t.Helper()
	if _, err := chromedp.Run(p.ctx, chromedp.Evaluate[bool](axe+"; true")); err != nil {
		p.t.Fatal(err)
	}
	text, err := chromedp.Run(p.ctx, chromedp.Evaluate[string](`axe.run(document, {resultTypes: ["violations"]}).then((r) => JSON.stringify(r.violations.map((v) => ({id: v.id, impact: v.impact, help: v.help, nodes: v.nodes.map((n) => n.html.slice(0, 160) + " " + n.failureSummary)}))))`, chromedp.EvalAwaitPromise))
	if err != nil {
		p.t.Fatal(err)
	}
	var found []struct {
		ID, Impact, Help string
		Nodes            []string
	}
	if err := json.Unmarshal([]byte(text), &found); err != nil {
		p.t.Fatal(err)
	}
	for _, v := range found {
		if v.Impact == "serious" || v.Impact == "critical" {
			p.t.Errorf("%s: %s (%s, %s): %.600s", name, v.Help, v.ID, v.Impact, strings.Join(v.Nodes[:min(3, len(v.Nodes))], " | "))
		} else {
			p.t.Logf("%s: %s (%s, %s): %.300s", name, v.Help, v.ID, v.Impact, v.Nodes[0])
		}
	}
}

// fits checks that nothing stands out of the window sideways, and keeps a picture where
// RUNDOWN_PICTURES names a folder.
func (p *tab) fits(name string) {
	p.t.Helper()
	size, err := chromedp.Run(p.ctx, chromedp.Evaluate[[]float64](`[document.documentElement.scrollWidth, innerWidth, document.documentElement.scrollHeight]`))
	if err != nil {
		p.t.Fatal(err)
	}
	if size[0] > size[1] {
		p.t.Errorf("%s: the page is %g px wide in a window of %g", name, size[0], size[1])
	}
	if dir := os.Getenv("RUNDOWN_PICTURES"); dir != "" {
		whole := true
		shot, err := chromedp.Call(p.ctx, page.CaptureScreenshot, page.CaptureScreenshotParams{
			CaptureBeyondViewport: &whole, Clip: &page.Viewport{Width: size[1], Height: min(size[2], 2400), Scale: 1},
		})
		if err != nil {
			p.t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name+".png"), shot.Data, 0o644); err != nil {
			p.t.Fatal(err)
		}
	}
}

// Each screen at desk and phone size, in light and dark: nothing stands out of the
// window, nothing serious for axe, nothing on the console.
func TestScreens(t *testing.T) {
	b := afterNight(t)
	runs, err := b.daemon.Store().Runs()
	if err != nil || len(runs) == 0 {
		t.Fatalf("%d runs, %v", len(runs), err)
	}
	p := openTab(t, b)
	screens := map[string]struct{ path, heading string }{
		"bench":  {"/", "Both handsets are well"},
		"night":  {"/night", "The night ended well at"},
		"before": {"/before?handset=Alder&plan=short", "Alder is ready"},
		"run":    {"/runs/" + runs[0].ID, "two segments measured"},
		"runs":   {"/runs", "Two runs"},
		"beside": {"/beside", "Against Alder"},
	}
	for _, at := range []struct {
		name          string
		width, height int64
	}{{"desk", 1280, 800}, {"phone", 390, 844}, {"small", 320, 700}} {
		for _, scheme := range []string{"light", "dark"} {
			if at.name == "small" && scheme == "dark" {
				continue
			}
			p.size(at.width, at.height, scheme)
			for name, s := range screens {
				p.open(s.path)
				if got := p.js(heading); !strings.Contains(got, s.heading) {
					t.Errorf("%s: the heading is %q, want %q", name, got, s.heading)
				}
				full := fmt.Sprintf("%s-%s-%s", name, at.name, scheme)
				p.fits(full)
				if at.name != "small" {
					p.accessible(full)
				}
			}
		}
	}
}

// A night from the browser: read the report of unmet preconditions, apply, put back,
// queue for two handsets, watch it move without a reload, hold and let go on, cancel only
// when asked twice, read the run, put handsets beside each other, download.
func TestANightInTheBrowser(t *testing.T) {
	b := newBench(t, []string{"Alder", "Birch"})
	p := openTab(t, b)
	p.size(1280, 800, "light")

	p.open("/before?handset=Alder&plan=short")
	p.until(heading, "Alder is ready: Rundown sets")
	row := func(name string) string {
		return fmt.Sprintf(`[...document.querySelectorAll(".pre tr")].find((r) => r.cells[0].textContent === %q)?.querySelector(".v")?.textContent ?? ""`, name)
	}
	if got := p.js(row("Adaptive brightness")); got != "will be set" {
		t.Errorf("adaptive brightness before it is applied: %q", got)
	}
	p.press("Apply to Alder and read back")
	p.until(row("Adaptive brightness"), "met")
	p.until(`document.querySelector(".said").textContent`, "Alder was set and read back")
	p.press("Put Alder back")
	p.until(row("Adaptive brightness"), "will be set")

	p.js(`document.querySelectorAll("[name=handset][type=checkbox]").forEach((c) => { c.checked = true; }), "ticked"`)
	p.press("Queue the ticked handsets")
	p.until(`location.pathname`, "/night")
	p.until(heading, "The night goes as planned")
	p.js(`window.here = "still the same page", ""`)
	lane := `document.querySelector("svg.ln").getAttribute("aria-label")`
	p.until(`String(document.querySelectorAll("svg.ln").length)`, "2")
	p.until(`document.querySelector("tbody .s")?.textContent ?? ""`, "measuring browse")

	// A lane is one tab stop; arrows go through its blocks and say what each is.
	p.until(`(() => { document.querySelector("svg.ln").focus(); document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key: "End", bubbles: true})); return document.getElementById("tip").textContent; })()`, "Alder: video expected")

	p.press("Pause Alder")
	p.until(`document.querySelector(".said")?.textContent ?? ""`, "Alder: short is paused")
	p.press("Resume Alder")
	p.until(`document.querySelector(".said")?.textContent ?? ""`, "Alder: short goes on")

	p.press("Cancel Birch…")
	p.until(`document.querySelector("details[open] p").textContent`, "A cancelled run cannot go on")
	p.press("Cancel the run on Birch")
	p.until(`document.querySelector(".said")?.textContent ?? ""`, "Birch: short is cancelled")
	p.until(lane, "Alder: 2 segments measured")
	p.until(heading, "The night ended well at")
	if got := p.js(`window.here ?? "another page"`); got != "still the same page" {
		t.Error("the page was loaded anew to show what happened")
	}

	p.js(`document.querySelector(".night tbody a").click(), ""`)
	p.until(heading, "Alder: two segments measured")
	if got := p.js(`document.querySelector(".sg tbody .o1").textContent`); !strings.HasSuffix(got, "h") {
		t.Errorf("the first segment's endurance is %q", got)
	}
	// Point at the middle of the curves: the values there are read out.
	p.until(`(() => { const f = document.querySelector(".pane"), r = f.getBoundingClientRect(); f.dispatchEvent(new PointerEvent("pointermove", {bubbles: true, clientX: r.left + r.width * 0.4, clientY: r.top + 5})); return document.getElementById("readout").textContent; })()`, "level ")
	p.js(`document.querySelector(".sg tbody a").click(), ""`)
	p.until(`document.getElementById("readout")?.textContent ?? ""`, "Show the whole run")

	folder := t.TempDir()
	if _, err := chromedp.CallBrowser(p.ctx, browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: browser.SetDownloadBehaviorBehaviorAllow, DownloadPath: folder}); err != nil {
		t.Fatal(err)
	}
	p.js(`document.querySelector("a[download][href*='/samples']").click(), ""`)
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if content, err := os.ReadFile(filepath.Join(folder, "samples.csv")); err == nil && strings.HasPrefix(string(content), "handset,run_id,") && strings.Count(string(content), "\n") > 20 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("samples.csv did not arrive")
		}
	}
}

// A night with trouble: power on one handset, a lost link on another. The screens say
// so first, in words, with what to do.
func TestTroubleIsSaidFirst(t *testing.T) {
	b := newBench(t, []string{"Alder", "Birch", "Cedar"})
	if _, err := b.daemon.Enqueue(orchestrator.Request{Plan: "short", FinishBy: b.daemon.Now().Add(100 * time.Minute)}); err != nil {
		t.Fatal(err)
	}
	until := func(what string, ok func(map[string]orchestrator.HandsetStatus) bool) {
		t.Helper()
		for deadline := time.Now().Add(patience); ; time.Sleep(10 * time.Millisecond) {
			now := map[string]orchestrator.HandsetStatus{}
			for _, h := range b.daemon.Handsets() {
				now[h.Name] = h
			}
			if ok(now) {
				return
			}
			if time.Now().After(deadline) {
				t.Fatalf("%s: not within %v: %+v", what, patience, now)
			}
		}
	}
	p := openTab(t, b)
	p.size(1280, 800, "light")
	p.open("/")
	until("all drain", func(h map[string]orchestrator.HandsetStatus) bool {
		return h["Alder"].PointsDone > 0 && h["Birch"].PointsDone > 0 && h["Birch"].State == "Draining" && h["Cedar"].PointsDone > 0
	})
	b.handsets["Birch"].LoseLink()
	b.handsets["Alder"].Plug(true) // somebody plugs the cable in
	p.until(`document.querySelector("main").textContent`, "Link lost, goes on alone")
	p.until(`document.querySelector(".do").textContent`, "measures by itself")
	p.fits("trouble-bench")
	p.accessible("trouble-bench")
	p.open("/night")
	p.until(`document.querySelector(".night").textContent`, "browse spoiled")
	p.until(`document.querySelector(".night").textContent`, "power seen")
	p.fits("trouble-night")
	p.accessible("trouble-night")
	p.size(390, 844, "light")
	p.fits("trouble-night-phone")
	p.open("/")
	p.fits("trouble-bench-phone")
	p.size(1280, 800, "dark")
	b.handsets["Alder"].Plug(false)
	b.handsets["Birch"].RestoreLink()
	if err := b.finish(); err != nil {
		t.Fatal(err)
	}
	p.open("/night")
	p.fits("trouble-over")
	for _, r := range mustRuns(t, b) {
		if r.Handset.Name == "Alder" {
			p.open("/runs/" + r.ID)
			p.until(heading, "spoiled")
			p.fits("trouble-run")
			p.accessible("trouble-run")
		}
	}
}

func mustRuns(t *testing.T, b *bench) []results.Run {
	t.Helper()
	runs, err := b.daemon.Store().Runs()
	if err != nil {
		t.Fatal(err)
	}
	return runs
}

// Without script every screen opens as it is, and its forms work.
func TestWithoutScript(t *testing.T) {
	b := newBench(t, []string{"Alder"})
	for _, path := range []string{"/", "/night", "/before", "/runs", "/beside"} {
		if a := b.ask(t, "GET", path, nil); a.status != 200 || !strings.Contains(string(a.body), "<h1>") || strings.Contains(string(a.body), " style=") || strings.Contains(string(a.body), "<script>") {
			t.Errorf("%s: %d, or script or style in the page", path, a.status)
		}
	}
	form := "application/x-www-form-urlencoded"
	a := b.ask(t, "POST", "/before/queue", "plan=short&handset=Alder&finish=06:00", "Content-Type", form)
	if a.status != 303 || !strings.HasPrefix(a.header.Get("Location"), "/night?did=queue") || len(b.daemon.Queue()) != 1 {
		t.Fatalf("queue: %d to %q", a.status, a.header.Get("Location"))
	}
	it := b.daemon.Queue()[0]
	if want := "06:00"; it.FinishBy.Local().Format("15:04") != want {
		t.Errorf("to end by %v, want %s", it.FinishBy, want)
	}
	if a := b.ask(t, "GET", a.header.Get("Location"), nil); !strings.Contains(string(a.body), "Queued for Alder.") {
		t.Error("the page does not say what was queued")
	}
	if a := b.ask(t, "POST", "/before/queue", "plan=short", "Content-Type", form); a.status != 422 || !strings.Contains(string(a.body), "no handset is ticked") {
		t.Errorf("nothing ticked: %d", a.status)
	}
	if a := b.ask(t, "POST", "/before/queue", "plan=short&handset=Alder&finish=late", "Content-Type", form); a.status != 422 || !strings.Contains(string(a.body), "want hh:mm") {
		t.Errorf("a wrong time: %d", a.status)
	}
	if a := b.ask(t, "POST", "/queue/"+it.ID+"/cancel", "", "Content-Type", form); a.status != 303 {
		t.Errorf("cancel: %d %s", a.status, a.body)
	}
}
