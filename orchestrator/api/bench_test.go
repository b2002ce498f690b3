package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"rundown/devices"
	"rundown/devices/hosttest"
	"rundown/devices/simulated"
	"rundown/devices/simulated/physics"
	"rundown/orchestrator"
	"rundown/orchestrator/api"
	"rundown/scenarios"
)

// factor is how much faster than the wall clock the benches of these tests live.
const factor = 600 / hosttest.RaceSlow

// patience is how long a page may take to say something, on a machine that does much else.
const patience = 90 * time.Second

// A bench is a daemon with simulated handsets, invented like everything on it, and its
// API on a loopback port.
type bench struct {
	daemon   *orchestrator.Daemon
	server   *api.Server
	url      string
	clock    simulated.Clock
	handsets map[string]*simulated.Handset
	stop     []func()
}

const plans = `
plans:
  short:
    drain: 3
    start_level_pct: {least: 40, most: 94}
    # A busy moment of the host is a minute on these handsets, in which nobody looks.
    activity_share: {flag_below_pct: 75, spoil_below_pct: 60}
    segments: [browse, video]
`

// start makes a bench and serves it. The caller closes it.
func start(names []string, options ...api.Option) (b *bench, err error) {
	return startWith(func(*orchestrator.Config) {}, names, options...)
}

// startWith is start with a daemon that a test wants otherwise.
func startWith(change func(*orchestrator.Config), names []string, options ...api.Option) (b *bench, err error) {
	b = &bench{clock: simulated.NewScaledClock(time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC), factor), handsets: map[string]*simulated.Handset{}}
	defer func() {
		if err != nil {
			b.close()
		}
	}()
	dir, err := os.MkdirTemp("", "rundown-api-*")
	if err != nil {
		return b, err
	}
	b.stop = append(b.stop, func() { _ = os.RemoveAll(dir) })
	var text strings.Builder
	fmt.Fprintln(&text, "bench:\n  name: test bench\n  handsets:")
	gates := map[string]devices.PowerGate{}
	var list []*simulated.Handset
	for i, name := range names {
		serial := "TB-" + strings.ToUpper(name)
		h := simulated.New(simulated.Options{
			Serial: serial, Model: "TB " + name, Product: "tb" + strings.ToLower(name), Seed: int64(i + 1), LevelPct: 92, CapacityMAh: 4500, Clock: b.clock,
			Heat: physics.HeatOptions{KPerW: 4}, ScalePower: 1 + 0.2*float64(i), // the second one draws a fifth more
			Gauge: physics.GaugeOptions{Counter: physics.FineCounter, BendSDPct: 0.03, LevelRefreshS: 10, CounterRefreshS: 5, VoltageRefreshS: 5, VoltageNoiseMV: 2, CurrentRefreshS: 5},
		})
		b.stop = append(b.stop, h.Close)
		b.handsets[name], gates[name] = h, h.Gate()
		list = append(list, h)
		fmt.Fprintf(&text, "    - name: %s\n      serial: %s\n      capacity_mah: 4500\n      nominal_mv: 3870\n", name, serial)
		fmt.Fprintln(&text, "      luminance:\n        measured: invented\n        points: [{setting: 0, cd_m2: 2}, {setting: 64, cd_m2: 51}, {setting: 128, cd_m2: 170}, {setting: 192, cd_m2: 335}, {setting: 255, cd_m2: 520}]")
	}
	text.WriteString(plans)
	file, err := scenarios.Parse("test.yaml", []byte(text.String()))
	if err != nil {
		return b, err
	}
	adb, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return b, err
	}
	b.stop = append(b.stop, simulated.ServeServer(adb, list...))
	file.Bench.Servers = []string{adb.Addr().String()}
	file.Bench.Stage.Listen = "127.0.0.1:0"
	file.Bench.Clip = filepath.Join("..", "demo", "clip.mp4")
	config := orchestrator.Config{File: file, DataDir: dir, Log: zerolog.Nop(), Clock: b.clock, Gates: gates, PollEvery: 30 * time.Second}
	change(&config)
	b.daemon = orchestrator.New(config)
	if err := b.daemon.Start(context.Background()); err != nil {
		return b, err
	}
	b.stop = append(b.stop, b.daemon.Stop)
	b.server = api.New(b.daemon, "test", options...)
	b.stop = append(b.stop, b.server.Close)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return b, err
	}
	b.url = "http://" + l.Addr().String()
	serving, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		_ = api.Serve(serving, l, b.server)
	}()
	b.stop = append(b.stop, func() {
		stop()
		<-ended
	})
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		ready := 0
		for _, h := range b.daemon.Handsets() {
			if h.Link == "ready" {
				ready++
			}
		}
		if ready == len(names) {
			return b, nil
		}
		if time.Now().After(deadline) {
			return b, errors.New("the handsets are not seen")
		}
	}
}

func (b *bench) close() {
	for i := len(b.stop) - 1; i >= 0; i-- {
		b.stop[i]()
	}
	b.stop = nil
}

// newBench is a bench of the test's own.
func newBench(t *testing.T, names []string, options ...api.Option) *bench {
	t.Helper()
	b, err := start(names, options...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.close)
	return b
}

// finish waits until everything queued has ended.
func (b *bench) finish() error {
	const limit = 10 * time.Minute
	for deadline := time.Now().Add(limit); ; time.Sleep(20 * time.Millisecond) {
		open := 0
		for _, it := range b.daemon.Queue() {
			if it.Outcome == "" {
				open++
			}
		}
		if open == 0 {
			return nil
		}
		if time.Now().After(deadline) {
			return fmt.Errorf("%d items have not ended within %v", open, limit)
		}
	}
}

var (
	sharedOnce sync.Once
	shared     *bench
	sharedErr  error
)

// afterNight is a bench on which a short night has been carried out on two handsets. Tests
// that share it leave it as it is.
func afterNight(t *testing.T) *bench {
	t.Helper()
	sharedOnce.Do(func() {
		if shared, sharedErr = start([]string{"Alder", "Birch"}); sharedErr != nil {
			return
		}
		if _, sharedErr = shared.daemon.Enqueue(orchestrator.Request{Plan: "short"}); sharedErr == nil {
			sharedErr = shared.finish()
		}
	})
	if sharedErr != nil {
		t.Fatal(sharedErr)
	}
	return shared
}

func TestMain(m *testing.M) {
	code := m.Run()
	if shared != nil {
		shared.close()
	}
	os.Exit(code)
}

// An answer is what a request came back with.
type answer struct {
	status int
	header http.Header
	body   []byte
}

// ask sends a request over the network. header is name, value, name, value.
func (b *bench) ask(t *testing.T, method, path string, in any, header ...string) answer {
	t.Helper()
	var content io.Reader
	if text, ok := in.(string); ok {
		content = strings.NewReader(text)
	} else if in != nil {
		text, err := json.Marshal(in)
		if err != nil {
			t.Fatal(err)
		}
		content = bytes.NewReader(text)
	}
	r, err := http.NewRequestWithContext(t.Context(), method, b.url+path, content)
	if err != nil {
		t.Fatal(err)
	}
	if in != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(header); i += 2 {
		if header[i] == "Host" {
			r.Host = header[i+1]
		}
		r.Header.Set(header[i], header[i+1])
	}
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	got, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer got.Body.Close()
	text, err := io.ReadAll(got.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer{got.StatusCode, got.Header, text}
}

var askers int

// askFrom sends a request as if it came from another host of the network.
func (b *bench) askFrom(t *testing.T, method, path, token string) answer {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), method, path, nil)
	askers++ // each from an address of its own, or the rate is what is tested
	r.Host, r.RemoteAddr = "192.0.2.10:8780", fmt.Sprintf("[2001:db8::%x]:40000", askers)
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	w := httptest.NewRecorder()
	b.server.ServeHTTP(w, r)
	return answer{w.Code, w.Header(), w.Body.Bytes()}
}

// problemOf checks that an answer is a problem document (RFC 9457, section 3) and returns
// its detail.
func problemOf(t *testing.T, a answer) string {
	t.Helper()
	var p struct {
		Title  string `json:"title"`
		Status int    `json:"status"`
		Detail string `json:"detail"`
	}
	if got := a.header.Get("Content-Type"); got != "application/problem+json" {
		t.Errorf("content type %q, want application/problem+json; body %.200s", got, a.body)
		return ""
	}
	if err := json.Unmarshal(a.body, &p); err != nil || p.Status != a.status || p.Title == "" || p.Detail == "" {
		t.Errorf("problem document %.300s (%v) with status %d: want title, detail and the same status", a.body, err, a.status)
	}
	return p.Detail
}
