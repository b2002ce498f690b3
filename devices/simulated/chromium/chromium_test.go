package chromium

import (
	"bytes"
	"errors"
	"fmt"
	"image/png"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"rundown/devices"
	"rundown/devices/hosttest"
	"rundown/devices/simulated"
)

func start(t *testing.T) *Browser {
	t.Helper()
	b, err := Start(Options{})
	if errors.Is(err, ErrNotInstalled) {
		hosttest.Missing(t, err.Error())
	} else if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	return b
}

func run(t *testing.T, h *simulated.Handset, command string) {
	t.Helper()
	if _, err := devices.Run(t.Context(), h, command); err != nil {
		t.Fatal(err)
	}
}

// page counts its ticks and its touches, and knows whether it may film.
const pageText = `<!doctype html><meta name="viewport" content="width=device-width"><script type="application/json" id="stage">{"activity":"game"}</script>
<body style="margin:0;height:4000px;background:#3a6"><script>
var ticks = 0, touches = [];
setInterval(() => ticks++, 50);
addEventListener('touchstart', (e) => touches.push(e.isTrusted + ' ' + Math.round(100 * e.touches[0].clientX / innerWidth) + ' ' + Math.round(100 * e.touches[0].clientY / innerHeight)));
</script>`

func TestAHandsetsIntentsShowInChromium(t *testing.T) {
	b := start(t)
	var agents []string
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/page" {
			agents = append(agents, r.UserAgent())
		}
		fmt.Fprint(w, pageText)
	}))
	defer server.Close()
	h := simulated.New(simulated.Options{Browser: b, Model: "SIM-7", Lock: simulated.NoLock, ScreenW: 1080, ScreenH: 2160})
	defer h.Close()
	run(t, h, "settings put system screen_off_timeout 86400000; input keyevent 224")
	port, _ := strconv.Atoi(server.URL[strings.LastIndex(server.URL, ":")+1:])
	address := fmt.Sprintf("http://localhost:%d/page", port)

	eval := func(expression string) string {
		t.Helper()
		v, err := b.Eval(t.Context(), h, expression)
		if err != nil {
			t.Fatalf("%s: %v", expression, err)
		}
		return v
	}
	until := func(expression, want string) {
		t.Helper()
		got := ""
		for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
			if got = eval(expression); got == want {
				return
			}
		}
		t.Fatalf("%s is %q, want %q; the browser says %q", expression, got, want, b.Said())
	}

	// localhost is the handset's: without adb reverse nothing listens there, whatever this
	// host has on that port.
	run(t, h, "am start -a android.intent.action.VIEW -d "+address)
	until("document.getElementById('stage') === null", "true")
	if len(agents) != 0 {
		t.Error("the page of this host's own localhost was shown")
	}
	if err := h.Reverse(t.Context(), port, port); err != nil {
		t.Fatal(err)
	}
	run(t, h, "am start -a android.intent.action.VIEW -d "+address+"?v=2")
	until("typeof ticks", "number")
	if len(agents) != 1 || !strings.Contains(agents[0], "SIM-7") {
		t.Errorf("user agents %q", agents)
	}
	if got := eval("[innerWidth, innerHeight, isSecureContext, typeof navigator.mediaDevices.getUserMedia].join()"); got != "412,824,true,function" {
		t.Errorf("the page says %s", got)
	}

	run(t, h, "input tap 270 540; input swipe 540 1600 540 400 300")
	until("touches.length", "2")
	if got := eval("touches.join()"); got != "true 25 25,true 50 74" {
		t.Errorf("touches %s, want trusted ones at 25 25 and 50 74 %%", got)
	}
	until("scrollY > 200", "true")

	shot, err := b.Picture(t.Context(), h)
	if err != nil {
		t.Fatal(err)
	}
	if m, err := png.Decode(bytes.NewReader(shot)); err != nil || m.Bounds().Dx() != 412 || m.Bounds().Dy() != 824 {
		t.Errorf("picture: %v", err)
	}

	// Behind the home screen the page stands still, as on a handset.
	run(t, h, "input keyevent 3")
	var still string
	for end := time.Now().Add(20 * time.Second); ; {
		before := eval("ticks")
		time.Sleep(300 * time.Millisecond)
		if still = eval("ticks"); still == before {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("a page behind the home screen goes on: %s ticks", still)
		}
	}
	run(t, h, "am force-stop com.example.browser")
	until("location.href", "about:blank")
}
