package stage

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"image/png"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/net/websocket"

	"rundown/devices/hosttest"
)

// chromiumFlags make a headless browser that reaches for nothing but the stage. It has an
// invented camera, and draws WebGL in software.
var chromiumFlags = []string{
	"--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
	"--disable-component-update", "--disable-sync", "--mute-audio", "--enable-unsafe-swiftshader", "--remote-debugging-port=0", "--remote-allow-origins=*",
	"--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream=fps=30", "--allow-loopback-in-peer-connection", "about:blank",
}

// A browser is one page of a running Chromium, told what to do over its debugging
// protocol.
type browser struct {
	t    *testing.T
	conn *websocket.Conn

	mu      sync.Mutex
	id      int
	waiting map[int]chan json.RawMessage
}

// chromium starts a browser with a profile of its own, of a phone's size.
func chromium(t *testing.T) *browser {
	t.Helper()
	if testing.Short() {
		t.Skip("a real browser takes its time")
	}
	program := hosttest.Program(t, "chromium")
	profile, err := os.MkdirTemp("", "stage-browser")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, append([]string{"--user-data-dir=" + profile}, chromiumFlags...)...)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		until(t, 10*time.Second, "the profile to be let go", func() bool { return os.RemoveAll(profile) == nil })
	})
	var port string
	until(t, 40*time.Second, "the browser to listen", func() bool {
		f, err := os.Open(filepath.Join(profile, "DevToolsActivePort"))
		if err != nil {
			return false
		}
		defer f.Close()
		lines := bufio.NewScanner(f)
		if lines.Scan() {
			port = lines.Text()
		}
		return port != ""
	})
	var pages []struct {
		Type, WebSocketDebuggerURL string
	}
	until(t, 20*time.Second, "the browser's page", func() bool {
		resp, err := http.Get("http://127.0.0.1:" + port + "/json/list")
		if err != nil {
			return false
		}
		defer resp.Body.Close()
		return json.NewDecoder(resp.Body).Decode(&pages) == nil && len(pages) > 0
	})
	conn, err := websocket.Dial(pages[0].WebSocketDebuggerURL, "", "http://127.0.0.1")
	if err != nil {
		t.Fatal(err)
	}
	conn.MaxPayloadBytes = 64 << 20
	b := &browser{t: t, conn: conn, waiting: map[int]chan json.RawMessage{}}
	heard := make(chan struct{})
	go func() {
		defer close(heard)
		b.hear()
	}()
	t.Cleanup(func() {
		_ = conn.Close()
		<-heard
	})
	b.do("Page.enable", nil)
	b.do("Emulation.setDeviceMetricsOverride", map[string]any{"width": 390, "height": 800, "deviceScaleFactor": 1, "mobile": true})
	b.do("Emulation.setTouchEmulationEnabled", map[string]any{"enabled": true})
	return b
}

func (b *browser) hear() {
	for {
		var m struct {
			ID     int
			Result json.RawMessage
			Error  json.RawMessage
		}
		if websocket.JSON.Receive(b.conn, &m) != nil {
			return
		}
		b.mu.Lock()
		if c := b.waiting[m.ID]; c != nil {
			delete(b.waiting, m.ID)
			if m.Error != nil {
				m.Result = nil
			}
			c <- m.Result
		}
		b.mu.Unlock()
	}
}

// do carries out one command and returns its result.
func (b *browser) do(method string, params map[string]any) json.RawMessage {
	b.t.Helper()
	answer := make(chan json.RawMessage, 1)
	b.mu.Lock()
	b.id++
	id := b.id
	b.waiting[id] = answer
	b.mu.Unlock()
	if params == nil {
		params = map[string]any{}
	}
	if err := websocket.JSON.Send(b.conn, map[string]any{"id": id, "method": method, "params": params}); err != nil {
		b.t.Fatalf("%s: %v", method, err)
	}
	select {
	case r := <-answer:
		return r
	case <-time.After(40 * time.Second):
		b.t.Fatalf("%s: the browser does not answer", method)
		return nil
	}
}

func (b *browser) open(address string) {
	b.t.Helper()
	b.do("Page.navigate", map[string]any{"url": address})
}

// run evaluates an expression in the page and returns its value as JSON.
func (b *browser) run(expression string) string {
	b.t.Helper()
	var r struct {
		Result struct{ Value json.RawMessage }
	}
	_ = json.Unmarshal(b.do("Runtime.evaluate", map[string]any{"expression": expression, "returnByValue": true, "awaitPromise": true}), &r)
	return string(r.Result.Value)
}

func (b *browser) touch(kind string, points ...[2]float64) {
	b.t.Helper()
	list := []map[string]any{}
	for _, p := range points {
		list = append(list, map[string]any{"x": p[0], "y": p[1]})
	}
	b.do("Input.dispatchTouchEvent", map[string]any{"type": kind, "touchPoints": list})
}

// swipe drags a finger, in steps as a digitiser reports them.
func (b *browser) swipe(from, to [2]float64) {
	b.t.Helper()
	b.touch("touchStart", from)
	for i := 1; i <= 8; i++ {
		part := float64(i) / 8
		b.touch("touchMove", [2]float64{from[0] + (to[0]-from[0])*part, from[1] + (to[1]-from[1])*part})
	}
	b.touch("touchEnd")
}

// shoot keeps a picture of the page where STAGE_SHOTS names a folder, for a person to look at.
func (b *browser) shoot(name string) {
	b.t.Helper()
	folder := os.Getenv("STAGE_SHOTS")
	if folder == "" {
		return
	}
	var r struct{ Data []byte }
	_ = json.Unmarshal(b.do("Page.captureScreenshot", map[string]any{"format": "png"}), &r)
	if err := os.WriteFile(filepath.Join(folder, name+".png"), r.Data, 0o644); err != nil {
		b.t.Error(err)
	}
}

// corner is the red of the page's lower left corner as it is on the screen, 0 to 255, or
// -1 while there is no picture of the page.
func (b *browser) corner() int {
	b.t.Helper()
	var r struct{ Data []byte }
	_ = json.Unmarshal(b.do("Page.captureScreenshot", map[string]any{"format": "png", "clip": map[string]any{"x": 2, "y": 790, "width": 4, "height": 4, "scale": 1}}), &r)
	picture, err := png.Decode(bytes.NewReader(r.Data))
	if err != nil {
		return -1 // between two pages
	}
	red, _, _, _ := picture.At(1, 1).RGBA()
	return int(red >> 8)
}

// A handset set to dark shows the same pages as any other: what a screen draws depends on
// what it shows. The browser here is even told to darken pages by itself.
func darkInBrowser(t *testing.T, s *Stage, b *browser) {
	b.do("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]any{{"name": "prefers-color-scheme", "value": "dark"}}})
	b.do("Emulation.setAutoDarkModeOverride", map[string]any{"enabled": true})
	defer b.do("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]any{}})
	defer b.do("Emulation.setAutoDarkModeOverride", nil)
	b.open("data:text/html,<body style='background:white'>plain")
	until(t, 10*time.Second, "a plain page to be darkened", func() bool { r := b.corner(); return r >= 0 && r < 60 })
	for activity, want := range map[string]int{"browse": 0xfd, "light": 0xff, "sustain": 0x12} {
		p := s.Open(activity)
		path := p.Path()
		if activity == "browse" {
			path += "/1"
		} else if activity == "sustain" {
			path += "?work=cpu&workers=1&cycle_s=1"
		}
		b.open(at(s, path))
		proof(t, p, 30*time.Second, activity, func(Proof, map[string]any) bool { return true })
		until(t, 10*time.Second, activity+" in its own colours", func() bool { return b.corner() == want })
		b.shoot("dark-" + activity)
		p.Close()
	}
}

// until waits for a condition, with a bound.
func until(t testing.TB, most time.Duration, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(most); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited %v for %s", most, what)
		}
	}
}

// proof waits for a proof that fits, and returns it with its detail read.
func proof(t testing.TB, p *Session, most time.Duration, what string, fits func(Proof, map[string]any) bool) (Proof, map[string]any) {
	t.Helper()
	var seen []string
	for end := time.Now().Add(most); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		for _, proof := range p.Seen() {
			detail := map[string]any{}
			if err := json.Unmarshal([]byte(proof.Detail), &detail); err != nil {
				t.Fatalf("detail %q: %v", proof.Detail, err)
			}
			if fits(proof, detail) {
				return proof, detail
			}
			seen = append(seen, fmt.Sprintf("%s %g %s", proof.Kind, proof.Value, proof.Detail))
		}
	}
	t.Fatalf("waited %v for %s; problem %q; counts %+v; seen\n%s", most, what, p.Problem(), p.stage.Counts(), strings.Join(seen, "\n"))
	return Proof{}, nil
}

func number(d map[string]any, name string) float64 {
	v, _ := d[name].(float64)
	return v
}

// One browser serves all of these: starting it is the slowest part.
func TestInARealBrowser(t *testing.T) {
	b := chromium(t)
	s := started(t)
	sub := func(name string, f func(t *testing.T)) {
		t.Run(name, func(t *testing.T) {
			b.t = t
			f(t)
			b.open("about:blank")
			b.t = nil
		})
		b.t = t
	}
	sub("browse", func(t *testing.T) { browseInBrowser(t, s, b) })
	sub("game", func(t *testing.T) { gameInBrowser(t, s, b) })
	sub("sustain", func(t *testing.T) { sustainInBrowser(t, s, b) })
	sub("light", func(t *testing.T) { lightInBrowser(t, s, b) })
	sub("dark", func(t *testing.T) { darkInBrowser(t, s, b) })
	sub("call", func(t *testing.T) { callInBrowser(t, s, b, "") })
	sub("call over the stage's port", func(t *testing.T) { callInBrowser(t, s, b, "tcp") })
	if got := s.Counts(); got.Malformed+got.Repeated+got.Oversized > 0 {
		t.Errorf("counts = %+v, want none refused but late and wrong ones", got)
	}
}

func browseInBrowser(t *testing.T, s *Stage, b *browser) {
	p := s.Open("browse")
	defer p.Close()
	for n := 1; n <= Pages; n++ {
		b.open(at(s, fmt.Sprintf("%s/%d?v=%d", p.Path(), n, n)))
		_, d := proof(t, p, 30*time.Second, fmt.Sprintf("page %d to load", n), func(p Proof, d map[string]any) bool {
			return p.Kind == "page" && p.Value == float64(n) && d["event"] == "load"
		})
		// All parts came over the wire: what the page counted is what it consists of.
		if want := float64(content()[n-1].bytes()); number(d, "bytes") < 0.98*want || number(d, "bytes") > 1.05*want+8000 {
			t.Errorf("page %d: %v bytes, want about %v", n, d["bytes"], want)
		}
		if number(d, "broken") != 0 || number(d, "height_px") < 1600 || number(d, "parts") != float64(len(content()[n-1].parts)) {
			t.Errorf("page %d: %v, want %d parts, none broken, two screens high", n, d, len(content()[n-1].parts))
		}
		if over := b.run("document.documentElement.scrollWidth > innerWidth"); over != "false" {
			t.Errorf("page %d is wider than the screen", n)
		}
		b.shoot(fmt.Sprintf("browse-%02d", n))
		if os.Getenv("STAGE_SHOTS") != "" {
			b.run("scrollTo(0, 1500)")
			time.Sleep(200 * time.Millisecond)
			b.shoot(fmt.Sprintf("browse-%02d-below", n))
		}
	}
	b.open(at(s, p.Path()+"/1?v=again"))
	_, d := proof(t, p, 30*time.Second, "page 1 to load again", func(p Proof, d map[string]any) bool { return d["event"] == "load" })
	if want := float64(content()[0].bytes()); number(d, "bytes") < 0.98*want {
		t.Errorf("the second visit to page 1 transferred %v bytes, want %v: nothing may come out of a cache", d["bytes"], want)
	}
	for range 3 {
		b.swipe([2]float64{200, 700}, [2]float64{200, 120})
	}
	_, d = proof(t, p, 20*time.Second, "the page to tell that it was scrolled", func(p Proof, d map[string]any) bool { return d["event"] == "scroll" && p.Value == 1 })
	if number(d, "touches") < 1 || number(d, "distance_px") < 300 || number(d, "reached_pct") < 1 {
		t.Errorf("after three swipes: %v, want touches and a distance", d)
	}
	b.open(at(s, p.Path()+"/8?scroll=script"))
	proof(t, p, 30*time.Second, "the page to scroll by itself", func(p Proof, d map[string]any) bool {
		return d["event"] == "scroll" && p.Value == 8 && number(d, "touches") == 0
	})
}

func gameInBrowser(t *testing.T, s *Stage, b *browser) {
	p := s.Open("game")
	b.open(at(s, p.Path()+"?cubes=150&scale=0.5&loop=0&every_s=1"))
	fresh := func(p Proof, d map[string]any) bool { return p.Kind == "frames" && p.Value > 0 }
	_, first := proof(t, p, 30*time.Second, "frames", fresh)
	_, second := proof(t, p, 30*time.Second, "more frames", fresh)
	if number(second, "frames") <= number(first, "frames") || number(second, "p50_ms") <= 0 || number(second, "p99_ms") < number(second, "p50_ms") || second["warm"] != true {
		t.Errorf("after %v came %v, want more frames and their times", first, second)
	}
	if number(second, "cubes") != 150 || number(second, "width_px") != 195 {
		t.Errorf("%v, want the load that the address asks for", second)
	}
	b.touch("touchStart", [2]float64{200, 500})
	b.touch("touchEnd")
	b.swipe([2]float64{300, 500}, [2]float64{100, 500})
	proof(t, p, 20*time.Second, "the touches to be told", func(_ Proof, d map[string]any) bool { return number(d, "touches") >= 2 })

	// The context is lost, no frame is drawn, and it comes back.
	b.run("window.loss = scene.gl.getExtension('WEBGL_lose_context'); loss.loseContext()")
	proof(t, p, 20*time.Second, "a window without frames", func(p Proof, d map[string]any) bool { return p.Value == 0 && number(d, "lost") == 1 })
	b.run("loss.restoreContext()")
	proof(t, p, 20*time.Second, "frames after the loss", fresh)

	// Once the session is closed the page ends by itself.
	p.Close()
	until(t, 20*time.Second, "the page to end", func() bool { return b.run("over") == "true" })

	// A touch changes the picture, and without one the same frame is the same picture.
	q := s.Open("game")
	defer q.Close()
	b.open(at(s, q.Path()+"?cubes=150&scale=0.5&loop=2&every_s=60"))
	until(t, 30*time.Second, "the scene", func() bool { return b.run("typeof scene === 'object' && frame > 0") == "true" })
	picture := `(touch => {
		const c = document.createElement('canvas');
		c.style.cssText = 'position:fixed;width:200px;height:400px';
		document.body.append(c);
		const s = makeScene(c, {cubes: 150, scale: 0.5, loop: 2, seed: 1});
		for (let i = 0; i < 20; i++) { if (touch && i === 5) { s.tap(0.5, 0.6); s.swipe(0.4); } s.draw(i); }
		const px = new Uint8Array(c.width * c.height * 4);
		s.gl.readPixels(0, 0, c.width, c.height, s.gl.RGBA, s.gl.UNSIGNED_BYTE, px);
		let h = 0, tones = new Set();
		for (const v of px) { h = Math.imul(h, 31) + v | 0; tones.add(v); }
		c.remove();
		return h + ' ' + tones.size;
	})`
	plain, again, touched := b.run(picture+"(false)"), b.run(picture+"(false)"), b.run(picture+"(true)")
	if plain == "" || plain != again || plain == touched {
		t.Errorf("frame 20 without touch: %s and %s, with touch: %s; want twice the same, and another", plain, again, touched)
	}
	if os.Getenv("STAGE_SHOTS") != "" {
		b.open(at(s, q.Path()))
		time.Sleep(4 * time.Second)
		b.touch("touchStart", [2]float64{200, 500})
		b.touch("touchEnd")
		time.Sleep(2 * time.Second)
		b.shoot("game")
	}

	// Without WebGL2: a message, and no proof.
	without := b.do("Page.addScriptToEvaluateOnNewDocument", map[string]any{"source": "HTMLCanvasElement.prototype.getContext = () => null"})
	var script struct{ Identifier string }
	_ = json.Unmarshal(without, &script)
	n := s.Open("game")
	defer n.Close()
	b.open(at(s, n.Path()+"?every_s=1"))
	until(t, 20*time.Second, "the page to say that it has no WebGL2", func() bool { return strings.Contains(n.Problem(), "WebGL2") })
	if note := b.run("document.getElementById('note').textContent"); !strings.Contains(note, "WebGL2") {
		t.Errorf("the page says %s, want something about WebGL2", note)
	}
	if seen := n.Seen(); len(seen) != 0 {
		t.Errorf("proofs without WebGL2: %v", seen)
	}
	b.shoot("game-without")
	b.do("Page.removeScriptToEvaluateOnNewDocument", map[string]any{"identifier": script.Identifier})
}

func sustainInBrowser(t *testing.T, s *Stage, b *browser) {
	p := s.Open("sustain")
	defer p.Close()
	b.open(at(s, p.Path()+"?work=both&workers=2&cycle_s=1&cycles=3&cubes=50&scale=0.1&loop=0"))
	for n := 1; n <= 3; n++ {
		_, d := proof(t, p, 40*time.Second, fmt.Sprintf("cycle %d", n), func(p Proof, d map[string]any) bool {
			return p.Kind == "cycle" && number(d, "cycle") == float64(n) && p.Value > 0
		})
		if d["checked"] != true || number(d, "ms") < 1000 || number(d, "frames") < 1 || len(d["workers"].([]any)) != 2 {
			t.Errorf("cycle %d: %v, want checked work of two workers and frames", n, d)
		}
	}
	until(t, 10*time.Second, "the page to end after its last cycle", func() bool { return b.run("over") == "true" })
	b.shoot("sustain")
	// Work without a pause: a lot is complete when its units are done, and its time is the rate's.
	l := s.Open("sustain")
	defer l.Close()
	b.open(at(s, l.Path()+"?work=both&workers=2&lot=150&cubes=50&scale=0.1&loop=0"))
	var lots []Proof
	until(t, 90*time.Second, "four lots", func() bool {
		lots = append(lots, l.Seen()...)
		return len(lots) >= 4
	})
	units, ms := 0.0, 0.0
	for i, lot := range lots {
		d := map[string]any{}
		if err := json.Unmarshal([]byte(lot.Detail), &d); err != nil {
			t.Fatal(err)
		}
		units, ms = units+number(d, "units"), ms+number(d, "ms")
		if lot.Kind != "lot" || number(d, "lot") != float64(i+1) || d["checked"] != true || number(d, "units") < 150 || number(d, "total") != units || math.Abs(number(d, "done_ms")-ms) > 1 {
			t.Errorf("lot %d: %+v; want 150 units or more, %g in all over %g ms, checked", i+1, lot, units, ms)
		}
		if rate := number(d, "units") * 1000 / number(d, "ms"); math.Abs(lot.Value-rate) > 0.01 {
			t.Errorf("lot %d: %g a second, and its units and time make %g", i+1, lot.Value, rate)
		}
	}
	b.shoot("sustain-lots")
	// Closed, the page stops its workers at the next post that is refused.
	l.Close()
	until(t, 60*time.Second, "the work to stop once its session is closed", func() bool { return b.run("over") == "true" })
	g := s.Open("sustain")
	defer g.Close()
	b.open(at(s, g.Path()+"?work=gpu&cycle_s=1&cycles=1&cubes=50&scale=0.1&loop=0"))
	proof(t, g, 30*time.Second, "a cycle of the GPU", func(p Proof, d map[string]any) bool { return p.Value > 0 && d["checked"] == false })

	b.open(at(s, g.Path()+"?work=gpu&lot=20&cubes=50&scale=0.1&loop=0"))
	proof(t, g, 60*time.Second, "a lot of frames", func(p Proof, d map[string]any) bool {
		return p.Kind == "lot" && number(d, "units") >= 20 && number(d, "frames") == number(d, "units") && d["checked"] == false
	})
	// Cycles with a rest draw nothing while they rest.
	b.open(at(s, g.Path()+"?work=gpu&cycle_s=1&rest_s=1&cycles=2&cubes=50&scale=0.1&loop=0"))
	for n := 1; n <= 2; n++ {
		proof(t, g, 60*time.Second, fmt.Sprintf("cycle %d with a rest", n), func(p Proof, d map[string]any) bool { return p.Kind == "cycle" && number(d, "cycle") == float64(n) })
	}

	// A handset that computes wrongly is found out: its workers change one bit.
	var script struct{ Identifier string }
	_ = json.Unmarshal(b.do("Page.addScriptToEvaluateOnNewDocument", map[string]any{"source": `const Right = Worker;
		window.Worker = function (address) {
			const w = new Right(address);
			return {
				set onmessage(f) { w.onmessage = e => f({data: {...e.data, digest: (e.data.digest ^ 1 << 9) >>> 0}}); },
				set onerror(f) {}, postMessage: m => w.postMessage(m), terminate: () => w.terminate(),
			};
		};`}), &script)
	w := s.Open("sustain")
	defer w.Close()
	b.open(at(s, w.Path()+"?work=cpu&cycles=1&cycle_s=1&workers=2"))
	until(t, 30*time.Second, "the wrong work to be refused", func() bool { return s.Counts().Wrong == 1 })
	if seen := w.Seen(); len(seen) != 0 {
		t.Errorf("proofs of wrong work: %v", seen)
	}
	b.do("Page.removeScriptToEvaluateOnNewDocument", map[string]any{"identifier": script.Identifier})
}

func lightInBrowser(t *testing.T, s *Stage, b *browser) {
	p := s.Open("light")
	defer p.Close()
	b.open(at(s, p.Path()))
	_, d := proof(t, p, 20*time.Second, "the white page", func(p Proof, _ map[string]any) bool { return p.Kind == "frames" && p.Value == 1 })
	if number(d, "grey") != 255 || number(d, "width_px") != 390 {
		t.Errorf("%v, want white over 390 pixels", d)
	}
	if got := b.run("getComputedStyle(document.body).backgroundColor + document.body.innerText.trim()"); got != `"rgb(255, 255, 255)"` {
		t.Errorf("the page shows %s, want nothing but white", got)
	}
	b.shoot("light")
}

func callInBrowser(t *testing.T, s *Stage, b *browser, over string) {
	p := s.Open("call")
	defer p.Close()
	address := at(s, p.Path()+"?every_s=1")
	if over != "" {
		address += "&over=" + over
	}
	b.open(address)
	both := func(p Proof, d map[string]any) bool {
		far, _ := d["far"].(map[string]any)
		return p.Kind == "call" && p.Value > 0 && number(far, "frames_in") > 0 && number(far, "frames_out") > 0 && number(d, "frames_received") > 0 && number(far, "width_in") > 0
	}
	_, first := proof(t, p, 45*time.Second, "frames both ways", both)
	_, second := proof(t, p, 30*time.Second, "more frames both ways", both)
	far := func(d map[string]any) map[string]any { f, _ := d["far"].(map[string]any); return f }
	for _, name := range []string{"frames_in", "frames_out", "bytes_in", "bytes_out", "sound_in", "sound_out"} {
		if number(far(second), name) <= number(far(first), name) {
			t.Errorf("%s went from %v to %v, want more", name, far(first)[name], far(second)[name])
		}
	}
	if number(second, "width") != 1280 || number(second, "height") != 720 || second["codec"] != "video/VP8" || far(second)["state"] != "connected" {
		t.Errorf("%v, want 1280x720 in VP8, connected", second)
	}
	pair, _ := far(second)["pair"].(string)
	if pair == "" || over != "" && !strings.HasPrefix(pair, over+" ") {
		t.Errorf("pair %q, want one over %q", pair, over)
	}
	if over == "tcp" && !strings.Contains(pair, s.Addr()) {
		t.Errorf("pair %q, want the stage's own port %s", pair, s.Addr())
	}
	b.shoot("call" + over)
	p.Close()
	s.calls.mu.Lock()
	left := len(s.calls.calls)
	s.calls.mu.Unlock()
	if left != 0 {
		t.Errorf("%d calls left after Close", left)
	}
	until(t, 20*time.Second, "the page to hang up", func() bool {
		return b.run("over && pc === null && media.getTracks().every(t => t.readyState === 'ended')") == "true"
	})
}
