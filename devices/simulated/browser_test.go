package simulated

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"sync"
	"testing"
	"time"
)

// fakeStage serves pages with the stage's block and keeps what they post.
type fakeStage struct {
	*httptest.Server
	mu    sync.Mutex
	posts []report
	gone  bool
}

func newFakeStage(t *testing.T) *fakeStage {
	t.Helper()
	s := new(fakeStage)
	mux := http.NewServeMux()
	block := func(w http.ResponseWriter, text string) {
		fmt.Fprintf(w, `<html><head><link href="/part.css"></head><img src="/part.png"><img src="/missing.png"><script type="application/json" id="stage">%s</script></html>`, text)
	}
	mux.HandleFunc("GET /s/k/browse/{n}", func(w http.ResponseWriter, r *http.Request) {
		block(w, `{"activity":"browse","post":"/s/k/post","every_s":10,"page":"`+r.PathValue("n")+`"}`)
	})
	for _, a := range []string{"game", "call", "sustain"} {
		mux.HandleFunc("GET /s/k/"+a, func(w http.ResponseWriter, _ *http.Request) {
			block(w, `{"activity":"`+a+`","post":"/s/k/post","every_s":10}`)
		})
	}
	mux.HandleFunc("GET /part.css", func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write(make([]byte, 1000)) })
	mux.HandleFunc("GET /part.png", func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write(make([]byte, 5000)) })
	mux.HandleFunc("POST /s/k/post", func(w http.ResponseWriter, r *http.Request) {
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.gone {
			http.NotFound(w, r)
			return
		}
		var p report
		b, _ := io.ReadAll(r.Body)
		if err := json.Unmarshal(b, &p); err != nil {
			t.Errorf("a post of %q: %v", b, err)
			return
		}
		s.posts = append(s.posts, p)
	})
	s.Server = httptest.NewServer(mux)
	t.Cleanup(s.Close)
	return s
}

func (s *fakeStage) seen() []report {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]report(nil), s.posts...)
}

func (s *fakeStage) port(t *testing.T) int {
	t.Helper()
	u, err := url.Parse(s.URL)
	if err != nil {
		t.Fatal(err)
	}
	_, p, err := net.SplitHostPort(u.Host)
	if err != nil {
		t.Fatal(err)
	}
	n, err := strconv.Atoi(p)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// eventually waits for a condition, on the host's clock.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("not within 20 s: %s", what)
		}
		time.Sleep(2 * time.Millisecond)
	}
}

// reaching is a handset on a fast clock that reaches the fake stage by adb reverse.
func reaching(t *testing.T, s *fakeStage, o Options) *Handset {
	t.Helper()
	o.Clock = NewScaledClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC), 1000)
	h := made(t, o)
	ready(t, h)
	if err := h.Reverse(t.Context(), 8123, s.port(t)); err != nil {
		t.Fatal(err)
	}
	return h
}

func TestPageReportsItsLoad(t *testing.T) {
	s := newFakeStage(t)
	h := reaching(t, s, Options{})
	for i := 1; i <= 3; i++ {
		sh(t, h, fmt.Sprintf("am start -a android.intent.action.VIEW -d http://localhost:8123/s/k/browse/%d", i))
		eventually(t, "the page posts", func() bool { return len(s.seen()) == i })
	}
	for i, p := range s.seen() {
		if p.Kind != "page" || p.Value != float64(i+1) || p.Detail["load_ms"].(float64) < 300 || p.Detail["bytes"].(float64) < 6000 || p.Detail["broken"] != 1.0 || p.Load == "" || i > 0 && p.Load == s.seen()[i-1].Load {
			t.Errorf("post %d = %+v", i, p)
		}
	}
}

func TestGameReportsFramesWhileItIsSeen(t *testing.T) {
	s := newFakeStage(t)
	h := reaching(t, s, Options{Suspend: Suspend{Never: true}})
	sh(t, h, "sleep 30")
	idle := h.Watts()
	sh(t, h, "am start -a android.intent.action.VIEW -d http://localhost:8123/s/k/game com.example.browser")
	eventually(t, "five posts", func() bool { return len(s.seen()) >= 5 })
	posts := s.seen()
	for i, p := range posts {
		// Posts come late on a busy machine: frames stay 60 a second of what was seen.
		want := 60 * p.Detail["visible_s"].(float64)
		if p.Kind != "frames" || p.Seq != i+1 || p.Detail["frames"].(float64) < want-4 || p.Detail["frames"].(float64) > want+4 || p.Value < 590 {
			t.Errorf("post %d = %+v after %+v", i, p, posts[max(0, i-1)])
		}
	}
	if w := h.Watts(); w < idle+1.5 {
		t.Errorf("the game draws %.2f W, home drew %.2f W", w, idle)
	}
	for name, change := range map[string][2]string{
		"screen off":   {"input keyevent 223", "input keyevent 224; wm dismiss-keyguard"},
		"home screen":  {"input keyevent 3", "am start -n com.example.browser/.MainActivity"},
		"app in front": {"am start -a android.media.action.STILL_IMAGE_CAMERA", "input keyevent 4"},
	} {
		sh(t, h, change[0])
		if _, err := h.Shell(t.Context(), "sleep 20"); err != nil {
			t.Fatal(err)
		}
		before := len(s.seen())
		sh(t, h, "sleep 60")
		if after := len(s.seen()); after != before {
			t.Errorf("%s: %d posts came from a page that nobody sees", name, after-before)
		}
		sh(t, h, change[1])
		eventually(t, "posts again after "+name, func() bool { return len(s.seen()) > before })
	}
	sh(t, h, "am force-stop com.example.browser; sleep 30")
	before := len(s.seen())
	sh(t, h, "sleep 60")
	if after := len(s.seen()); after != before {
		t.Error("a page posts after its browser was stopped")
	}
}

func TestPageStopsWithItsNetwork(t *testing.T) {
	s := newFakeStage(t)
	h := reaching(t, s, Options{})
	sh(t, h, "am start -a android.intent.action.VIEW -d http://localhost:8123/s/k/call")
	eventually(t, "a post", func() bool { return len(s.seen()) >= 2 })
	if p := s.seen()[1]; p.Kind != "call" || p.Detail["frames_sent"] == nil || p.Detail["frames_received"] == nil {
		t.Errorf("a call posts %+v", p)
	}
	h.LoseLink() // and with it the reverse
	h.clockSleep(t, 30*time.Second)
	before := len(s.seen())
	h.clockSleep(t, 60*time.Second)
	if after := len(s.seen()); after != before {
		t.Errorf("%d posts came without a link", after-before)
	}
	h.RestoreLink()
	if err := h.Reverse(t.Context(), 8123, s.port(t)); err != nil {
		t.Fatal(err)
	}
	eventually(t, "posts over the new link", func() bool { return len(s.seen()) > before })

	s.mu.Lock()
	s.gone = true
	s.mu.Unlock()
	h.clockSleep(t, 60*time.Second)
}

func (h *Handset) clockSleep(t *testing.T, d time.Duration) {
	t.Helper()
	if err := h.clock.Sleep(t.Context(), d); err != nil {
		t.Fatal(err)
	}
}

func TestBrowserNeedsARadio(t *testing.T) {
	s := newFakeStage(t)
	h := made(t, Options{Clock: NewScaledClock(time.Now(), 1000)})
	ready(t, h)
	// The stage's address as handsets on the Wi-Fi would have it; here it leads to loopback.
	h.opt.Dial = func(_ context.Context, network, _ string) (net.Conn, error) {
		return net.Dial(network, s.Listener.Addr().String())
	}
	open := "am start -a android.intent.action.VIEW -d http://stage.example/s/k/browse/1; sleep 20"
	sh(t, h, "svc wifi disable; svc data disable; "+open)
	if n := len(s.seen()); n != 0 {
		t.Errorf("%d pages loaded without any radio", n)
	}
	sh(t, h, "svc data enable; "+open)
	eventually(t, "the page over mobile data", func() bool { return len(s.seen()) == 1 })
	sh(t, h, "svc data disable; svc wifi enable; sleep 3; "+open)
	eventually(t, "the page over Wi-Fi", func() bool { return len(s.seen()) == 2 })
}

func TestUnknownPagesLoadAndDoNothing(t *testing.T) {
	s := newFakeStage(t)
	h := reaching(t, s, Options{})
	for _, address := range []string{"http://localhost:8123/none", "http://localhost:9/", "http://localhost:8123/part.css", "about:blank", "http://%zz"} {
		sh(t, h, "am start -a android.intent.action.VIEW -d '"+address+"'; sleep 5")
	}
	sh(t, h, "sleep 60")
	if n := len(s.seen()); n != 0 {
		t.Errorf("%d posts", n)
	}
}

func TestScrollingIsWork(t *testing.T) {
	s := newFakeStage(t)
	h := reaching(t, s, Options{})
	sh(t, h, "am start -a android.intent.action.VIEW -d http://localhost:8123/s/k/browse/1; sleep 20")
	from := h.Uptime()
	sh(t, h, "sleep 120")
	still := h.MeanWatts(from, h.Uptime())
	from = h.Uptime()
	sh(t, h, "i=0; while [ $i -lt 40 ]; do input swipe 500 1500 500 500 300; sleep 2; i=$((i+1)); done")
	if moving := h.MeanWatts(from, h.Uptime()); moving < still+0.1 {
		t.Errorf("scrolling draws %.3f W, a page at rest %.3f W", moving, still)
	}
}
