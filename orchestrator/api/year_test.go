package api_test

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"go.etcd.io/bbolt"

	"rundown/orchestrator"
	"rundown/orchestrator/api"
	"rundown/results"
	"rundown/scenarios"
)

// A year of a bench: handsets, nights and segments a night. Invented, and as large as
// recorded ones: 15 conditions, 90 proofs of activity and 500 samples a segment.
const (
	yearHandsets = 12
	yearNights   = 365
	yearSegments = 8 // a night and handset
)

// yearStore makes a store with so many nights and returns the folder and the ID of the
// last run. The store's own methods take one transaction a record, hours for a year: what
// they would write is written here in large ones, by the layout that results.Store states.
func yearStore(tb testing.TB, nights int) (dir, lastRun string) {
	tb.Helper()
	dir = tb.TempDir()
	path := filepath.Join(dir, "rundown.db")
	s, err := results.Open(path)
	if err != nil {
		tb.Fatal(err)
	}
	first := time.Date(2030, 1, 1, 21, 0, 0, 0, time.UTC)
	var samples []results.Sample
	for i := range 500 {
		volt := int64(4150 - i/4)
		at := first.Add(time.Duration(i) * 10 * time.Second)
		samples = append(samples, results.Sample{Seq: i + 1, HostAt: at, PhoneAt: at, UptimeMS: int64(60_000 + 10_000*i), LevelPct: 93 - i/60, VoltageMV: &volt, Status: 3})
	}
	if _, err := s.AppendSamples("pattern", samples); err != nil {
		tb.Fatal(err)
	}
	if err := s.Close(); err != nil {
		tb.Fatal(err)
	}
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{NoSync: true, NoFreelistSync: true, FreelistType: bbolt.FreelistMapType})
	if err != nil {
		tb.Fatal(err)
	}
	defer func() {
		if err := db.Close(); err != nil {
			tb.Fatal(err)
		}
	}()
	put := func(b *bbolt.Bucket, id string, v any) error {
		text, err := json.Marshal(v)
		if err != nil {
			return err
		}
		b.FillPercent = 0.95
		return b.Put([]byte(id), text)
	}
	list := []string{"browse", "video", "call", "camera", "game", "idle", "browse", "video"}
	for night := range nights {
		err := db.Update(func(tx *bbolt.Tx) error {
			queue, err := tx.Bucket([]byte("documents")).CreateBucketIfNotExists([]byte("queue"))
			if err != nil {
				return err
			}
			all := tx.Bucket([]byte("samples"))
			_, pattern := all.Bucket([]byte("pattern")).Cursor().First()
			pattern = append([]byte(nil), pattern...)
			for h := range yearHandsets {
				name := fmt.Sprintf("Handset %02d", h+1)
				began := first.AddDate(0, 0, night).Add(time.Duration(h) * time.Second)
				lastRun = fmt.Sprintf("r%s-%08x", began.Format("20060102150405"), night*yearHandsets+h)
				r := results.Run{
					ID: lastRun, Plan: "everyday", Night: "weekday", QueuedAt: began, StartedAt: began, EndedAt: began.Add(10 * time.Hour), State: "Done",
					Handset: results.Handset{Name: name, Serial: "TB-" + name, CapacityMAh: 4500, NominalMV: 3870},
				}
				if err := put(tx.Bucket([]byte("runs")), r.ID, r); err != nil {
					return err
				}
				it := orchestrator.Item{
					ID: "q" + lastRun[1:], Handset: name, Plan: r.Plan, Night: r.Night, QueuedAt: began, State: orchestrator.Ended, RunID: r.ID, Outcome: "Done",
				}
				if err := put(queue, it.ID, it); err != nil {
					return err
				}
				for k := range yearSegments {
					g := yearSegment(r, k, list[k])
					if err := put(tx.Bucket([]byte("segments")), g.ID, g); err != nil {
						return err
					}
					b, err := all.CreateBucket([]byte(g.ID))
					if err != nil {
						return err
					}
					if err := b.Put(binary.BigEndian.AppendUint64(nil, 1), pattern); err != nil {
						return err
					}
				}
			}
			return nil
		})
		if err != nil {
			tb.Fatal(err)
		}
	}
	return dir, lastRun
}

func yearSegment(r results.Run, k int, scenario string) results.Segment {
	began := r.StartedAt.Add(time.Duration(k) * 75 * time.Minute)
	g := results.Segment{
		ID: fmt.Sprintf("%s-%02d-1", r.ID, k+1), RunID: r.ID, Handset: r.Handset.Name, Plan: r.Plan, Scenario: scenario, Index: k + 1, Repeat: 1, Attempt: 1,
		Outcome: results.Measured, WarmUpS: 180, SampleEveryS: 10, TargetPoints: 7, StartedAt: began, EndedAt: began.Add(time.Hour), ActivityUpS: 60, Samples: 500,
	}
	for i := range 8 {
		at := int64(60_000 + 600_000*(i+1))
		g.Edges = append(g.Edges, results.Edge{LevelPct: 92 - i, LoUpMS: at - 10_000, HiUpMS: at})
	}
	for i := range 15 {
		g.Conditions = append(g.Conditions, results.Condition{Name: fmt.Sprintf("condition %d", i), Wanted: "300 cd/m²", Found: "301 cd/m²", Verdict: "met", Required: true})
	}
	for i := range 90 {
		g.Evidence = append(g.Evidence, results.Evidence{At: began.Add(time.Duration(i) * 40 * time.Second), UptimeMS: int64(60_000 + 40_000*i), Kind: "page", Value: float64(i), Detail: "loaded in 812 ms"})
	}
	return g
}

// serveYear starts a daemon on a year's folder, with nobody on the bench, and its server.
func serveYear(tb testing.TB, dir string) (*orchestrator.Daemon, *api.Server) {
	tb.Helper()
	var text strings.Builder
	fmt.Fprintln(&text, "bench:\n  name: a year\n  handsets:")
	for h := range yearHandsets {
		fmt.Fprintf(&text, "    - {name: Handset %02d, serial: TB-%02[1]d}\n", h+1)
	}
	fmt.Fprint(&text, "plans:\n  everyday:\n    segments: [browse, video]\n")
	file, err := scenarios.Parse("year.yaml", []byte(text.String()))
	if err != nil {
		tb.Fatal(err)
	}
	nobody, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	file.Bench.Servers = []string{nobody.Addr().String()}
	_ = nobody.Close() // no adb server answers there
	file.Bench.Stage.Listen = "127.0.0.1:0"
	d := orchestrator.New(orchestrator.Config{File: file, DataDir: dir, Log: zerolog.Nop()})
	if err := d.Start(context.Background()); err != nil {
		tb.Fatal(err)
	}
	return d, api.New(d, "test")
}

// What a year costs: the daemon's start (the first one, which learns from all segments,
// and the later ones), a run's segments, the first page of each list, and the screens.
func BenchmarkYear(b *testing.B) {
	dir, last := yearStore(b, yearNights)
	began := time.Now()
	d, s := serveYear(b, dir)
	b.Logf("%d segments; first start %v", yearHandsets*yearNights*yearSegments, time.Since(began).Round(time.Millisecond))
	s.Close()
	d.Stop()
	b.Run("start", func(b *testing.B) {
		for b.Loop() {
			d, s := serveYear(b, dir)
			b.StopTimer()
			s.Close()
			d.Stop()
			b.StartTimer()
		}
		b.ReportMetric(yearHandsets*yearNights*yearSegments, "segments")
	})
	d, s = serveYear(b, dir)
	defer d.Stop()
	defer s.Close()
	b.Run("Segments of a run", func(b *testing.B) {
		for b.Loop() {
			if list, err := d.Store().Segments(last); err != nil || len(list) != yearSegments {
				b.Fatalf("%d segments, %v", len(list), err)
			}
		}
	})
	for _, path := range []string{
		"/v1/runs?limit=50", "/v1/segments?limit=50", "/v1/runs/" + last, "/v1/queue?limit=50", "/v1/log?limit=50", "/v1/night", "/v1/forecast?plan=everyday",
		"/", "/night", "/runs", "/runs/" + last, "/before", "/beside", "/v1/compare", "/metrics",
	} {
		b.Run(strings.ReplaceAll(path[1:], "/", " "), func(b *testing.B) {
			for i := 0; b.Loop(); i++ {
				fresh := path
				if !strings.HasPrefix(path, "/v1/") && path != "/metrics" {
					fresh += fmt.Sprintf("?x=%d", i) // not the page that was made a moment ago
				}
				r := httptest.NewRequestWithContext(b.Context(), "GET", fresh, nil)
				r.Host, r.RemoteAddr = "127.0.0.1", fmt.Sprintf("127.0.%d.%d:40000", i>>8&255, i&255) // each from an address of its own, or the rate is what is measured
				r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(&net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8780})))
				w := httptest.NewRecorder()
				s.ServeHTTP(w, r)
				if n, _ := io.Copy(io.Discard, w.Body); w.Code != 200 || n == 0 {
					b.Fatalf("%s: %d", path, w.Code)
				}
			}
		})
	}
}
