package orchestrator_test

import (
	"fmt"
	"os"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"rundown/results"
)

// What a soak may grow from the end of its second night to the end of its last. The
// memory is that of the process with its twelve simulated handsets, whose shells alone keep
// up to 64 parsed programs each, some 8 MB, and drop them when they are more.
const (
	soakMemory     = 12 << 20 // bytes of live heap
	soakGoroutines = 5
)

// Night after night in one process: nothing of a night stays in memory but what the queue
// shows, and the store grows by what was measured.
func TestSoak(t *testing.T) {
	if testing.Short() {
		t.Skip("many nights")
	}
	inBubble(t, soak) // alone in the process: its memory is looked at
}

func soak(t *testing.T) {
	handsets, nights, drain, list := 3, 4, 3, "video, camera"
	if n, err := strconv.Atoi(os.Getenv("RUNDOWN_NIGHTS")); err == nil {
		handsets, nights, drain, list = 12, n, 7, "video, camera, video"
	}
	var names []string
	for i := range handsets {
		names = append(names, fmt.Sprintf("H%02d", i+1))
	}
	b := newBench(t, names, fmt.Sprintf(`
plans:
  night:
    drain: %d
    start_level_pct: {least: 50, most: 94}
    segments: [%s]
`, drain, list))
	b.quiet = true
	b.start(overServer)
	type reading struct {
		heap       uint64
		goroutines int
		store      int64
	}
	var after []reading
	began := b.clock.Now()
	for night := range nights {
		b.queue("night")
		b.finish(10 * time.Minute)
		for _, h := range b.handsets { // a day on a person's charger
			h.PlugCharger(true)
		}
		within(t, 2*time.Minute, "the handsets are charged", func() bool {
			for _, h := range b.handsets {
				if h.TrueSoC() < 0.88 {
					return false
				}
			}
			return true
		})
		for _, h := range b.handsets {
			h.PlugCharger(false)
			h.ForgetLoads()
		}
		runtime.GC()
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		after = append(after, reading{m.HeapAlloc, runtime.NumGoroutine(), b.daemon.Store().Used()})
		t.Logf("after night %d: heap %d kB, %d goroutines, store %d kB", night+1, after[night].heap>>10, after[night].goroutines, after[night].store>>10)
	}
	last := after[len(after)-1]
	if second := after[1]; last.heap > second.heap+soakMemory || last.goroutines > second.goroutines+soakGoroutines {
		t.Errorf("after night %d: heap %d kB, %d goroutines; after the second: %d kB, %d", nights, last.heap>>10, last.goroutines, second.heap>>10, second.goroutines)
	}
	segments, err := b.daemon.Store().Segments("")
	if err != nil {
		t.Fatal(err)
	}
	hours, samples, spoiled := 0.0, 0, 0
	for _, g := range segments {
		hours += g.EndedAt.Sub(g.StartedAt).Hours()
		samples += g.Samples
		if g.Outcome != results.Measured {
			spoiled++
		}
	}
	want := (1 + strings.Count(list, ",")) * handsets * nights
	if len(segments) < want || spoiled > len(segments)/20 {
		t.Errorf("%d segments, %d of them not measured; want %d measured", len(segments), spoiled, want)
	}
	growth := float64(last.store-after[0].store) / 1024 / (hours * float64(nights-1) / float64(nights))
	fmt.Printf("%d nights on %d handsets (%.0f h by their clock): heap %+d kB and %+d goroutines since the second night; the store grew by %.1f kB a handset-hour (%d samples)\n",
		nights, handsets, b.clock.Now().Sub(began).Hours(), (int64(last.heap)-int64(after[1].heap))>>10, last.goroutines-after[1].goroutines, growth, samples)
}
