package api

import (
	"fmt"
	"net/http"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// durationBounds are the buckets of the request durations, s.
var durationBounds = []float64{0.005, 0.02, 0.1, 0.5, 2, 10}

// A meter counts what the server answered.
type meter struct {
	mu        sync.Mutex
	answers   map[[2]string]int64 // route, status
	durations map[string]*histogram
	listeners int
}

type histogram struct {
	buckets []int64 // not yet summed up
	sum     float64
	count   int64
}

func newMeter() *meter {
	return &meter{answers: map[[2]string]int64{}, durations: map[string]*histogram{}}
}

func (m *meter) answered(route string, status int, took time.Duration) {
	if route == "" {
		route = "none"
	}
	if status == 0 {
		status = http.StatusOK
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.answers[[2]string{route, strconv.Itoa(status)}]++
	if streams(strings.TrimPrefix(route, "GET ")) {
		return // how long somebody listens says nothing
	}
	h, ok := m.durations[route]
	if !ok {
		h = &histogram{buckets: make([]int64, len(durationBounds))}
		m.durations[route] = h
	}
	for i, bound := range durationBounds {
		if took.Seconds() <= bound {
			h.buckets[i]++
			break
		}
	}
	h.sum += took.Seconds()
	h.count++
}

func (m *meter) listening(n int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.listeners += n
}

// metrics writes the Prometheus text format, version 0.0.4.
func (s *Server) metrics(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
	var b strings.Builder
	head := func(name, kind, about string) {
		fmt.Fprintf(&b, "# HELP %s %s\n# TYPE %s %s\n", name, about, name, kind)
	}
	line := func(name string, value float64, labels ...string) {
		var l []string
		for i := 0; i+1 < len(labels); i += 2 {
			l = append(l, labels[i]+`="`+strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`).Replace(labels[i+1])+`"`)
		}
		if len(l) > 0 {
			name += "{" + strings.Join(l, ",") + "}"
		}
		fmt.Fprintf(&b, "%s %s\n", name, strconv.FormatFloat(value, 'g', -1, 64))
	}
	number := func(on bool) float64 {
		if on {
			return 1
		}
		return 0
	}
	head("rundown_info", "gauge", "Which rundown this is.")
	line("rundown_info", 1, "version", s.version, "bench", s.d.File().Bench.Name, "go", runtime.Version())
	list := slices.DeleteFunc(s.d.Handsets(), func(h handset) bool { return !h.OnBench })
	each := func(name, about string, value func(handset) (float64, bool)) {
		head(name, "gauge", about)
		for _, h := range list {
			if v, ok := value(h); ok {
				line(name, v, "handset", h.Name)
			}
		}
	}
	each("rundown_handset_ready", "1 while the handset's link is ready.", func(h handset) (float64, bool) { return number(h.Link == "ready"), true })
	each("rundown_handset_level_percent", "Battery level that the handset reported last.", func(h handset) (float64, bool) { return float64(h.LevelPct), !h.ReadAt.IsZero() })
	each("rundown_handset_battery_celsius", "Battery temperature that the handset reported last.", func(h handset) (float64, bool) {
		if h.TempC == nil {
			return 0, false
		}
		return *h.TempC, true
	})
	each("rundown_handset_read_timestamp_seconds", "When level and temperature were read, by the daemon's clock.", func(h handset) (float64, bool) {
		return float64(h.ReadAt.UnixMilli()) / 1000, !h.ReadAt.IsZero()
	})
	each("rundown_handset_power", "1 while the handset sees power, by its last reading.", func(h handset) (float64, bool) { return number(h.Power != ""), !h.ReadAt.IsZero() })
	each("rundown_handset_unwanted_power", "1 while the handset has power that it should not have.", func(h handset) (float64, bool) { return number(h.Unwanted != nil), true })
	each("rundown_handset_problem", "1 while the handset needs a hand.", func(h handset) (float64, bool) { return number(h.Problem != "" || len(h.NeedsHand) > 0), true })
	head("rundown_handset_state", "gauge", "1 for the state that the handset's run is in.")
	for _, h := range list {
		if h.State != "" {
			line("rundown_handset_state", 1, "handset", h.Name, "state", h.State)
		}
	}
	head("rundown_queue_items", "gauge", "Queue items by state.")
	states := map[string]int{}
	for _, it := range s.d.Queue() {
		states[string(it.State)]++
	}
	for _, state := range sortedKeys(states) {
		line("rundown_queue_items", float64(states[state]), "state", state)
	}
	if info, err := os.Stat(s.d.Store().Path()); err == nil {
		head("rundown_store_bytes", "gauge", "Size of the store's file.")
		line("rundown_store_bytes", float64(info.Size()))
	}
	head("rundown_stage_posts_total", "counter", "Posts of the pages that handsets show, by how they fared.")
	counts := s.d.StageCounts()
	line("rundown_stage_posts_total", float64(counts.Taken), "fate", "taken")
	counts.Each(func(refused string, n int) { line("rundown_stage_posts_total", float64(n), "fate", refused) })
	changes, _ := s.d.Changes(0)
	head("rundown_changes_total", "counter", "What has happened on the bench since the daemon was started.")
	if n := len(changes); n > 0 {
		line("rundown_changes_total", float64(changes[n-1].ID))
	} else {
		line("rundown_changes_total", 0)
	}
	s.meter.write(head, line)
	_, _ = w.Write([]byte(b.String()))
}

func (m *meter) write(head func(name, kind, about string), line func(name string, value float64, labels ...string)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	head("rundown_http_listeners", "gauge", "Readers of live events.")
	line("rundown_http_listeners", float64(m.listeners))
	head("rundown_http_answers_total", "counter", "Requests answered, by route and status.")
	keys := make([][2]string, 0, len(m.answers))
	for k := range m.answers {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b [2]string) int { return strings.Compare(a[0]+" "+a[1], b[0]+" "+b[1]) })
	for _, k := range keys {
		line("rundown_http_answers_total", float64(m.answers[k]), "route", k[0], "status", k[1])
	}
	head("rundown_http_duration_seconds", "histogram", "How long requests took, by route, streams left out.")
	for _, route := range sortedKeys(m.durations) {
		h, sum := m.durations[route], int64(0)
		for i, bound := range durationBounds {
			sum += h.buckets[i]
			line("rundown_http_duration_seconds_bucket", float64(sum), "route", route, "le", strconv.FormatFloat(bound, 'g', -1, 64))
		}
		line("rundown_http_duration_seconds_bucket", float64(h.count), "route", route, "le", "+Inf")
		line("rundown_http_duration_seconds_sum", h.sum, "route", route)
		line("rundown_http_duration_seconds_count", float64(h.count), "route", route)
	}
}
