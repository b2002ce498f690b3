package stage

import (
	"fmt"
	"syscall"
	"testing"
	"time"
)

// What a visit costs the host: the page and all of its parts over loopback, both ends in
// this process. B/op is memory; bytes/visit is what crosses the wire.
func BenchmarkVisit(b *testing.B) {
	s := started(b)
	p := s.Open("browse")
	for i, d := range content() {
		b.Run(fmt.Sprintf("page%02d", i+1), func(b *testing.B) {
			path := fmt.Sprintf("/s/%s/part/%d/", p.Key(), i+1)
			before := cpu()
			for range b.N {
				visit(b, s, fmt.Sprintf("%s/%d", p.Path(), i+1))
				for _, name := range d.order {
					ask(b, "GET", at(s, path+name), "")
				}
			}
			b.ReportMetric(float64((cpu()-before).Microseconds())/float64(b.N), "cpu-us/visit")
			b.ReportMetric(float64(d.bytes()), "bytes/visit")
			p.Seen()
		})
	}
}

func BenchmarkPost(b *testing.B) {
	s := New(Config{})
	p := s.Open("game")
	l := p.newLoad()
	for n := 1; b.Loop(); n++ {
		r, err := parseReport([]byte(postBody(l, n, "frames", 900, `{"fps":60,"p50_ms":16.7}`)))
		if status, why := s.take(p.key, r, err, false); status != 204 {
			b.Fatal(status, why)
		}
		if n%1000 == 0 {
			p.Seen()
		}
	}
}

// A cycle of half a minute on eight quick cores.
func BenchmarkCheckCycle(b *testing.B) {
	units := 30 * 4000
	d := digests([]int{units})[0]
	detail, sep := `{"ms":30000,"workers":[`, ""
	for range 8 {
		detail += sep + fmt.Sprintf(`{"units":%d,"digest":%d}`, units, d)
		sep = ","
	}
	for b.Loop() {
		if _, err := checkCycle(float64(8*units)/30, []byte(detail+"]}")); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkContent(b *testing.B) {
	for b.Loop() {
		newContent()
	}
}

// cpu is what this process has used.
func cpu() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
