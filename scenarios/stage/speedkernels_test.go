package stage

import (
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"math/cmplx"
	"slices"
	"strings"
	"testing"
	"time"
)

// What kernels come to is held by what is known of them otherwise, and their work by what they count.
func TestKernelsOnTheHost(t *testing.T) {
	// There are 82 025 primes below 2^20 (counted here by another way: Baillie-PSW of math/big, without error below 2^64).
	primes := uint32(0)
	for n := int64(2); n < primesBelow; n++ {
		if n == 2 || n%2 == 1 && big.NewInt(n).ProbablyPrime(0) {
			primes++
		}
	}
	crossed, check := primesKernel()
	if primes != 82025 || check != fold(fold(foldStart, primes), uint32(crossed)) {
		t.Errorf("primes: %d, check %d", primes, check)
	}
	counts := map[string]func() (int, uint32){
		"primes": primesKernel, "sorting": sortingKernel, "distance": distanceKernel, "digest": digestKernel, "product": productKernel, "transform": transformKernel,
		"reading": readingKernel, "moving": movingKernel, "walking": walkingKernel, "page": pageKernel, "pictures": picturesKernel, "shading": shadingKernel, "storing": storingKernel,
		"marching": func() (int, uint32) { n, _ := marchingKernel(); return n, 0 },
	}
	scale := map[string]float64{unitOperations: 1e6, unitGB: 1e9, unitMB: 1e6, unitPixels: 1e6, "pages/s": 1, "million rays/s": 1e6}
	for _, k := range speedKernels {
		name, _, _ := strings.Cut(k.name, ",")
		twin := counts[name]
		if twin == nil {
			continue
		}
		n, _ := twin()
		if math.Abs(float64(n)/scale[k.unit]/k.work-1) > 1e-12 {
			t.Errorf("%s: %d counted, and a call is said to be %g %s", k.name, n, k.work, k.unit)
		}
	}
	seen := map[string]bool{}
	for _, k := range speedKernels {
		if seen[k.name] || k.source == "" || k.operation == "" || k.unit == "" || k.group == "" || !(k.work > 0) {
			t.Errorf("%+v: want a name of its own, and all that is said of it", k)
		}
		seen[k.name] = true
	}
}

// The transform's turns are those of cosine and sine, and a transform of one wave has one peak.
func TestTurnsAreThoseOfTheCircle(t *testing.T) {
	cos, sin := turns(transformBits)
	for i := range cos {
		want := cmplx.Rect(1, 2*math.Pi*float64(i)/(1<<transformBits))
		if math.Abs(cos[i]-real(want)) > 1e-12 || math.Abs(sin[i]-imag(want)) > 1e-12 {
			t.Fatalf("turn %d: %g, %g; want %v", i, cos[i], sin[i], want)
		}
	}
}

// A step from cell to cell goes through all of them before it is back: none is in a short round that a cache holds.
func TestMadeUpRoundGoesThroughAllCells(t *testing.T) {
	next := madeUpRound(walkedCells)
	at, steps := next[0], 1
	for ; at != 0 && steps <= walkedCells; steps++ {
		at = next[at]
	}
	if steps != walkedCells {
		t.Errorf("back at the first cell after %d steps, want %d", steps, walkedCells)
	}
}

func TestKernelsAreCheckedOrSaid(t *testing.T) {
	want := speedWants()
	primes := speedKernels[0].work
	right := func(more string) string {
		return fmt.Sprintf(`{"kernel":"primes","calls":10,"threads":1,"ms":[100,102,98,101],"result":%q%s}`, want["primes"], more)
	}
	rate := primes * 10 * 1000 / 100.5
	tests := []struct {
		name        string
		value, rate float64
		detail      string
		reason, err string
	}{
		{"right", rate, rate, right(""), "", ""},
		{"it begins", 0, 0, `{"kernel":"primes","begun":true}`, "", ""},
		{"a wrong result is no rate, and says so", rate, 0, strings.Replace(right(""), want["primes"], "7", 1), "it came to 7", ""},
		{"no interface", 0, 0, `{"kernel":"fill","reason":"this browser has no WebGL2"}`, "no WebGL2", ""},
		{"on all threads", want2(4), want2(4), fmt.Sprintf(`{"kernel":"digest, all threads","calls":10,"threads":4,"ms":[100,100,100],"result":%q}`, want["digest"]), "", ""},
		{"near enough", 0.065536 * 1000 / 100, 0.065536 * 1000 / 100, `{"kernel":"marching","calls":1,"threads":1,"ms":[100,100,100],"result":"131.2"}`, "", ""},
		{"not near", 0.065536 * 1000 / 100, 0, `{"kernel":"marching","calls":1,"threads":1,"ms":[100,100,100],"result":"120"}`, "it came to 120", ""},
		{"no number where one is wanted", 0.065536 * 1000 / 100, 0, `{"kernel":"marching","calls":1,"threads":1,"ms":[100,100,100],"result":"bright"}`, "bright", ""},
		{"a rate that its repeats do not make", 2 * rate, 0, right(""), "", "value:"},
		{"none of ours", 1, 0, `{"kernel":"nothing"}`, "", "there is none named"},
		{"two repeats", rate, 0, `{"kernel":"primes","calls":10,"threads":1,"ms":[100,100]}`, "", "3 to 200"},
		{"no time", rate, 0, `{"kernel":"primes","calls":10,"threads":1,"ms":[100,0,100]}`, "", "ms:"},
		{"half a call", rate, 0, `{"kernel":"primes","calls":0.5,"threads":1,"ms":[100,100,100]}`, "", "calls:"},
		{"two threads where there is one", rate, 0, `{"kernel":"primes","calls":10,"threads":2,"ms":[100,100,100]}`, "", "threads:"},
		{"too many threads", rate, 0, `{"kernel":"digest, all threads","calls":10,"threads":100,"ms":[100,100,100]}`, "", "threads:"},
		{"no detail", 1, 0, ``, "", "detail:"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, detail, _, err := checkKernel(tt.value, json.RawMessage(tt.detail))
			if tt.err != "" {
				if err == nil || !strings.Contains(err.Error(), tt.err) {
					t.Errorf("checkKernel = %v, want an error with %q", err, tt.err)
				}
				return
			}
			var d map[string]any
			if err != nil || json.Unmarshal(detail, &d) != nil {
				t.Fatalf("checkKernel = %s, %v", detail, err)
			}
			reason, _ := d["reason"].(string)
			if math.Abs(got-tt.rate) > 1e-9*tt.rate || !strings.Contains(reason, tt.reason) || (tt.reason == "") != (reason == "") {
				t.Errorf("checkKernel = %g, %q; want %g, %q", got, reason, tt.rate, tt.reason)
			}
			if d["begun"] != true && (d["unit"] == "" || d["source"] == "") {
				t.Errorf("%s: want its unit and source", detail)
			}
		})
	}
}

// want2 is the rate of ten calls of digest on so many threads in 100 ms.
func want2(threads float64) float64 { return hashedBytes / 1e6 * 10 * threads * 1000 / 100 }

// What was told is left out by a page that is opened anew; posts of foreign kernels are refused and counted.
func TestSpeedGoesOnWhereItWas(t *testing.T) {
	s := started(t)
	p := s.Open("speed")
	b, text := visit(t, s, p.Path())
	if len(b.Speed.Kernels) != len(speedKernels) || len(b.Speed.Done) != 0 || !strings.Contains(text, "speed.kernel_s") && !strings.Contains(text, "plan.kernel_s") {
		t.Fatalf("block %+v", b.Speed)
	}
	post := func(seq int, value float64, detail string, want int) {
		t.Helper()
		if a := ask(t, "POST", at(s, b.Post), postBody(b.Load, seq, "kernel", value, detail)); a.status != want {
			t.Errorf("post %d: %d %s, want %d", seq, a.status, a.body, want)
		}
	}
	post(1, 0, `{"kernel":"fill","begun":true}`, 204)
	post(2, 0, `{"kernel":"fill","reason":"this browser has no WebGL2"}`, 204)
	post(3, 1, `{"kernel":"another"}`, 422)
	post(4, 0, `{"kernel":"product","begun":true}`, 204)
	again, _ := visit(t, s, p.Path())
	if !slices.Equal(again.Speed.Done, []string{"fill"}) || len(again.Speed.Skip) != 0 {
		t.Errorf("opened anew: %+v, want fill done and nothing skipped", again.Speed)
	}
	post(5, 0, `{"kernel":"product","begun":true}`, 204)
	if again, _ = visit(t, s, p.Path()); !slices.Equal(again.Speed.Skip, []string{"product"}) {
		t.Errorf("product has begun twice: %+v, want it skipped", again.Speed)
	}
	for _, query := range []string{"?only=nothing", "?repeat_ms=0", "?colour=red"} {
		if a := ask(t, "GET", at(s, p.Path()+query), ""); a.status != 400 {
			t.Errorf("%s: %d, want 400", query, a.status)
		}
	}
	if a := ask(t, "GET", at(s, b.Speed.WorkScript), ""); a.status != 200 || !strings.Contains(a.header.Get("Content-Type"), "javascript") {
		t.Errorf("the threads' script: %d", a.status)
	}
	if got := s.Counts(); got.Wrong != 1 || got.Taken != 4 {
		t.Errorf("counts %+v, want 4 taken and 1 wrong", got)
	}
}

// hostTwins are the kernels whose work the host's twins do step by step; those of memory have a closed form there.
var hostTwins = map[string]func() (int, uint32){
	"primes": primesKernel, "sorting": sortingKernel, "distance": distanceKernel, "digest": digestKernel, "product": productKernel, "transform": transformKernel,
}

// hostRate is what one thread of the host does of a kernel in its own language, in the kernel's unit; 0 where it has no twin.
func hostRate(k kernel) float64 {
	name, _, _ := strings.Cut(k.name, ",")
	twin := hostTwins[name]
	if twin == nil {
		return 0
	}
	began, n := time.Now(), 0
	for ; n < 3 || time.Since(began) < 50*time.Millisecond; n++ {
		twin()
	}
	return k.work * float64(n) / time.Since(began).Seconds()
}

// BenchmarkKernels is what the host's own twins do: the order of a rate that a browser on the same machine should have.
func BenchmarkKernels(b *testing.B) {
	for _, k := range speedKernels {
		twin := hostTwins[k.name]
		if twin == nil {
			continue
		}
		b.Run(k.name, func(b *testing.B) {
			began := time.Now()
			for range b.N {
				twin()
			}
			b.ReportMetric(k.work*float64(b.N)/time.Since(began).Seconds(), strings.ReplaceAll(k.unit, " ", "-"))
		})
	}
}
