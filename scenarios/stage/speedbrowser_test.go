package stage

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"
)

// quickly is a look at all kernels that is short, not exact.
const quickly = "?repeat_ms=15&repeats_most=6&kernel_s=0.3&pause_s=0&workers=2"

// kernelsOf waits for the page to be done and returns what was told of each kernel; of one told twice, the first.
func kernelsOf(t *testing.T, b *browser, p *Session, most time.Duration) map[string]Proof {
	t.Helper()
	told := map[string]Proof{}
	hear := func() {
		for _, proof := range p.Seen() {
			var d speedDetail
			if err := json.Unmarshal([]byte(proof.Detail), &d); err != nil || proof.Kind != "kernel" {
				t.Fatalf("proof %+v: %v", proof, err)
			}
			if _, known := told[d.Kernel]; !d.Begun && !known {
				told[d.Kernel] = proof
			}
		}
	}
	until(t, most, "all kernels", func() bool {
		hear()
		return b.run("typeof nowLine === 'object' && nowLine.textContent") == `"Done"`
	})
	hear()
	return told
}

func reasonOf(p Proof) string {
	d := map[string]any{}
	_ = json.Unmarshal([]byte(p.Detail), &d)
	reason, _ := d["reason"].(string)
	return reason
}

// Every kernel comes to the host's result in a real browser, and to a rate.
func TestSpeedInARealBrowser(t *testing.T) {
	b := chromium(t)
	s := started(t)
	p := s.Open("speed")
	defer p.Close()
	b.open(at(s, p.Path()+quickly))
	told := kernelsOf(t, b, p, 5*time.Minute)
	b.shoot("speed")
	for _, k := range speedKernels {
		got, ok := told[k.name]
		if reason := reasonOf(got); !ok || !(got.Value > 0) || reason != "" {
			t.Errorf("%s: %g %s, %q; want a rate. Problem %q", k.name, got.Value, k.unit, reason, p.Problem())
			continue
		}
		// What the host itself does with the same steps gives the order: reported, since a busy machine may do either slowly.
		order := ""
		if host := hostRate(k); host > 0 {
			order = fmt.Sprintf("%.2f of the host's own %.4g", got.Value/host, host)
		}
		t.Logf("%-22s %12.4g %-22s %s", k.name, got.Value, k.unit, order)
		var d map[string]any
		if err := json.Unmarshal([]byte(got.Detail), &d); err != nil {
			t.Fatal(err)
		}
		if d["unit"] != k.unit || d["source"] != k.source || d["browser"] == "" || d["browser_version"] == "" || !(number(d, "clock_ms") > 0) || number(d, "of") != float64(len(speedKernels)) {
			t.Errorf("%s: %s; want what it was measured with", k.name, got.Detail)
		}
	}
	if c := s.Counts(); c.Malformed+c.Wrong+c.Repeated+c.Oversized+c.Foreign > 0 {
		t.Errorf("posts refused: %+v, %q", c, p.Problem())
	}
}

// What a browser does not have, and what comes to a wrong result, is said in its place, and the rest goes on. So it is with
// a page that is opened anew midway, and with a kernel during which the page ends each time.
func TestSpeedWithWhatIsMissing(t *testing.T) {
	b := chromium(t)
	s := started(t)
	var script struct{ Identifier string }
	_ = json.Unmarshal(b.do("Page.addScriptToEvaluateOnNewDocument", map[string]any{"source": `delete window.VideoEncoder;
		HTMLCanvasElement.prototype.getContext = (right => function (kind, ...more) { return kind === 'webgl2' ? null : right.call(this, kind, ...more); })(HTMLCanvasElement.prototype.getContext);
		Object.defineProperty(window, 'indexedDB', {value: undefined});
		const Right = Worker;
		window.Worker = function (address) {
			const w = new Right(address);
			return {
				set onmessage(f) { w.onmessage = e => f(e.data.result === undefined ? e : {data: {...e.data, result: (e.data.result ^ 1 << 9) >>> 0}}); },
				set onerror(f) {}, postMessage: m => w.postMessage(m), terminate: () => w.terminate(),
			};
		};`}), &script)
	p := s.Open("speed")
	defer p.Close()
	b.open(at(s, p.Path()+quickly))
	told := kernelsOf(t, b, p, 5*time.Minute)
	b.shoot("speed-without")
	for _, k := range speedKernels {
		got, reason := told[k.name], reasonOf(told[k.name])
		want := ""
		switch {
		case k.group == groupGPU:
			want = "WebGL2"
		case strings.HasPrefix(k.name, "film"):
			want = "WebCodecs"
		case k.group == groupStorage:
			want = "IndexedDB"
		case k.group != groupPage && k.group != groupCoding:
			want = "computed wrongly"
		}
		if want == "" && (got.Value <= 0 || reason != "") || want != "" && (got.Value != 0 || !strings.Contains(reason, want)) {
			t.Errorf("%s: %g, %q; want %q", k.name, got.Value, reason, want)
		}
	}
	b.do("Page.removeScriptToEvaluateOnNewDocument", map[string]any{"identifier": script.Identifier})

	// Opened anew, a page leaves out what was told.
	q := s.Open("speed")
	defer q.Close()
	b.open(at(s, q.Path()+quickly+"&only=integer"))
	proof(t, q, time.Minute, "the first kernels", func(_ Proof, d map[string]any) bool { return d["kernel"] == "sorting" && d["begun"] != true })
	if block, _ := visit(t, s, q.Path()+quickly+"&only=integer"); len(block.Speed.Done) < 2 || block.Speed.Done[0] != "primes" {
		t.Errorf("opened anew: %+v, want the kernels that were told", block.Speed)
	}
	b.open("about:blank")

	// A kernel during which the page ended twice is left out, and says why.
	r := s.Open("speed")
	defer r.Close()
	for n := range 2 {
		block, _ := visit(t, s, r.Path())
		if a := ask(t, "POST", at(s, block.Post), postBody(block.Load, 1, "kernel", 0, `{"kernel":"product","begun":true}`)); a.status != 204 {
			t.Fatalf("begin %d: %d %s", n, a.status, a.body)
		}
	}
	b.open(at(s, r.Path()+quickly+"&only=floating+point"))
	told = kernelsOf(t, b, r, time.Minute)
	if reason := reasonOf(told["product"]); !strings.Contains(reason, "ended twice") || !(told["transform"].Value > 0) {
		t.Errorf("product %q, transform %g; want the first left out, and a rate", reason, told["transform"].Value)
	}
}

// How far apart two visits put each rate, measured as on a handset. Nothing is asserted: what else the machine does is in it.
// SPEED_REPEATS=1 go test ./scenarios/stage -run TestSpeedRepeats -v
func TestSpeedRepeats(t *testing.T) {
	if os.Getenv("SPEED_REPEATS") == "" {
		t.Skip("set SPEED_REPEATS=1: it takes some minutes of an idle machine")
	}
	b := chromium(t)
	s := started(t)
	var visits [2]map[string]Proof
	for i := range visits {
		p := s.Open("speed")
		b.open(at(s, p.Path()+"?pause_s=1"))
		visits[i] = kernelsOf(t, b, p, 30*time.Minute)
		p.Close()
		b.open("about:blank")
	}
	within := 0
	for _, k := range speedKernels {
		one, two := visits[0][k.name], visits[1][k.name]
		change := 100 * (two.Value/one.Value - 1)
		if math.Abs(change) <= 5 {
			within++
		}
		var d speedDetail
		_ = json.Unmarshal([]byte(two.Detail), &d)
		t.Logf("%-22s %10.4g and %10.4g %-20s %+6.1f %%  %d repeats of %.0f ms  %s", k.name, one.Value, two.Value, k.unit, change, len(d.MS), d.MS[0], reasonOf(two))
	}
	t.Logf("%d of %d within 5 %%", within, len(speedKernels))
}
