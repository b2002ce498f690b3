package stage

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
)

func TestDigestsAreThoseOfEachUnitInOrder(t *testing.T) {
	counts := []int{1, 2, 5, workInputs, 2*workInputs + 7}
	got := digests(counts)
	for i, count := range counts {
		var want uint32
		for n := range count {
			want = mix(want, unit(n), uint32(n))
		}
		if got[i] != want {
			t.Errorf("digest of %d units = %d, want %d", count, got[i], want)
		}
	}
	seen := map[uint32]int{}
	for n := range workInputs {
		if before, ok := seen[unit(n)]; ok {
			t.Errorf("units %d and %d have the same result", before, n)
		}
		seen[unit(n)] = n
	}
}

// The cells' round goes through all of them: a linear congruence modulo 2^20 has its full
// period if the increment is odd and the multiplier is 1 modulo 4 (Hull and Dobell, "Random
// Number Generators", SIAM Review 4, 1962, theorem 1).
func TestWalkGoesThroughAllCells(t *testing.T) {
	at, steps := cell(0), 1
	for ; at != 0 && steps <= walkCells; steps++ {
		at = cell(at)
	}
	if steps != walkCells {
		t.Errorf("back at the first cell after %d steps, want %d", steps, walkCells)
	}
}

func TestCyclesAreCheckedOrRefused(t *testing.T) {
	d := digests([]int{10, 100, 2500})
	workers := func(w ...workerDone) string {
		b, err := json.Marshal(w)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	tests := []struct {
		name    string
		value   float64
		detail  string
		checked any
		err     string
	}{
		{"one worker", 10, `{"ms":1000,"workers":` + workers(workerDone{Units: 10, Digest: d[0]}) + `}`, true, ""},
		{"two workers, the faster first", 1300, `{"ms":2000,"workers":` + workers(workerDone{Units: 2500, Digest: d[2]}, workerDone{Units: 100, Digest: d[1]}) + `}`, true, ""},
		{"the score rounded as the page does", 33.33, `{"ms":3000.4,"workers":` + workers(workerDone{Units: 100, Digest: d[1]}) + `}`, true, ""},
		{"no workers: frames only", 47.5, `{"ms":1000,"work":"gpu"}`, false, ""},
		{"no detail", 1000, ``, false, ""},
		{"a page that calls itself checked", 5, `{"checked":true}`, false, ""},
		{"one bit wrong", 10, `{"ms":1000,"workers":` + workers(workerDone{Units: 10, Digest: d[0] ^ 1}) + `}`, nil, "digest of 10 units"},
		{"one unit too many", 11, `{"ms":1000,"workers":` + workers(workerDone{Units: 11, Digest: d[0]}) + `}`, nil, "digest of 11 units"},
		{"the second of two wrong", 1300, `{"ms":2000,"workers":` + workers(workerDone{Units: 2500, Digest: d[2]}, workerDone{Units: 100, Digest: d[0]}) + `}`, nil, "digest of 100 units"},
		{"score too high", 10.1, `{"ms":1000,"workers":` + workers(workerDone{Units: 10, Digest: d[0]}) + `}`, nil, "value:"},
		{"no time", 10, `{"workers":` + workers(workerDone{Units: 10, Digest: d[0]}) + `}`, nil, "ms:"},
		{"no units", 0, `{"ms":1000,"workers":[{"units":0,"digest":0}]}`, nil, "units:"},
		{"more than any phone does", 1, `{"ms":1000,"workers":[{"units":2000000000,"digest":0}]}`, nil, "units:"},
		{"too many workers", 1, `{"ms":1000,"workers":[` + strings.Repeat(`{"units":1,"digest":0},`, workersMost) + `{"units":1,"digest":0}]}`, nil, "workers:"},
		{"units as text", 1, `{"ms":1000,"workers":[{"units":"1"}]}`, nil, "detail:"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			detail, err := checkCycle(tt.value, json.RawMessage(tt.detail))
			if tt.err != "" {
				if err == nil || !strings.Contains(err.Error(), tt.err) {
					t.Errorf("checkCycle(%g, %s) = %v, want an error with %q", tt.value, tt.detail, err, tt.err)
				}
				return
			}
			var got map[string]any
			if err != nil || json.Unmarshal(detail, &got) != nil || got["checked"] != tt.checked {
				t.Errorf("checkCycle(%g, %s) = %s, %v, want checked %v", tt.value, tt.detail, detail, err, tt.checked)
			}
		})
	}
}

// A lot's workers count from the beginning, so its own units are the difference: what it claims is held against
// digests, its time, and what the page had done before.
func TestLotsAreCheckedOrRefused(t *testing.T) {
	d := digests([]int{10, 100, 2500})
	tests := []struct {
		name    string
		value   float64
		detail  string
		checked any
		err     string
	}{
		{"first lot of two workers", 110, fmt.Sprintf(`{"ms":1000,"done_ms":1000,"units":110,"total":110,"workers":[{"units":10,"digest":%d},{"units":100,"digest":%d}]}`, d[0], d[1]), true, ""},
		{"a later one", 200, fmt.Sprintf(`{"ms":500,"done_ms":9000,"units":100,"total":2500,"workers":[{"units":2500,"digest":%d}]}`, d[2]), true, ""},
		{"in the second round", 200, fmt.Sprintf(`{"ms":500,"done_ms":9000,"units":100,"total":%d,"workers":[{"units":2500,"before":%d,"digest":%d}]}`, 2500+roundUnits, roundUnits, d[2]), true, ""},
		{"frames", 60, `{"ms":20000,"done_ms":40000,"units":1200,"total":2400,"work":"gpu"}`, false, ""},
		{"one bit wrong", 200, fmt.Sprintf(`{"ms":500,"done_ms":9000,"units":100,"total":2500,"workers":[{"units":2500,"digest":%d}]}`, d[2]^1), nil, "digest of 2500 units"},
		{"more in all than the workers did", 200, fmt.Sprintf(`{"ms":500,"done_ms":9000,"units":100,"total":2600,"workers":[{"units":2500,"digest":%d}]}`, d[2]), nil, "total:"},
		{"half a round", 200, fmt.Sprintf(`{"ms":500,"done_ms":9000,"units":100,"total":2507,"workers":[{"units":2500,"before":7,"digest":%d}]}`, d[2]), nil, "before:"},
		{"a rate too high", 210, fmt.Sprintf(`{"ms":500,"done_ms":9000,"units":100,"total":2500,"workers":[{"units":2500,"digest":%d}]}`, d[2]), nil, "value:"},
		{"more in the lot than in all", 300, `{"ms":1000,"done_ms":9000,"units":300,"total":200}`, nil, "units:"},
		{"longer than it has worked", 300, `{"ms":10000,"done_ms":900,"units":3000,"total":3000}`, nil, "ms:"},
		{"nothing done", 0, `{"ms":1000,"done_ms":1000,"units":0,"total":0}`, nil, "units:"},
		{"no time", 5, `{"units":5,"total":5}`, nil, "ms:"},
		{"no detail", 5, ``, nil, "detail:"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			detail, total, units, err := checkLot(tt.value, json.RawMessage(tt.detail))
			if tt.err != "" {
				if err == nil || !strings.Contains(err.Error(), tt.err) {
					t.Errorf("checkLot(%g, %s) = %v, want an error with %q", tt.value, tt.detail, err, tt.err)
				}
				return
			}
			var got map[string]any
			if err != nil || json.Unmarshal(detail, &got) != nil || got["checked"] != tt.checked || got["total"] != total || got["units"] != units {
				t.Errorf("checkLot(%g, %s) = %s, %g, %g, %v, want checked %v", tt.value, tt.detail, detail, total, units, err, tt.checked)
			}
		})
	}
}

// A post that is lost loses nothing: the next one's work in all has it. Work that was posted before cannot be
// posted again, but by a page that was opened anew and begins at nothing.
func TestLotsAreNotCountedTwice(t *testing.T) {
	s := started(t)
	p := s.Open("sustain")
	b, _ := visit(t, s, p.Path())
	again, _ := visit(t, s, p.Path())
	for i, c := range []struct {
		load         string
		seq          int
		units, total int
		status       int
	}{
		{b.Load, 1, 100, 100, 204}, {b.Load, 3, 100, 300, 204}, {b.Load, 4, 150, 400, 422}, {b.Load, 5, 100, 400, 204}, {again.Load, 1, 100, 100, 204},
	} {
		detail := fmt.Sprintf(`{"ms":1000,"done_ms":%d,"units":%d,"total":%d,"work":"gpu"}`, c.total*10, c.units, c.total)
		if a := ask(t, "POST", at(s, b.Post), postBody(c.load, c.seq, "lot", float64(c.units), detail)); a.status != c.status {
			t.Errorf("post %d: %d %s, want %d", i, a.status, a.body, c.status)
		}
	}
	if got := len(p.Seen()); got != 4 || s.Counts().Wrong != 1 {
		t.Errorf("%d proofs, %+v; want 4, and one that was wrong", got, s.Counts())
	}
}

func TestWrongWorkIsCounted(t *testing.T) {
	s := started(t)
	p := s.Open("sustain")
	b, _ := visit(t, s, p.Path())
	a := ask(t, "POST", at(s, b.Post), postBody(b.Load, 1, "cycle", 4, fmt.Sprintf(`{"ms":1000,"workers":[{"units":4,"digest":%d}]}`, digests([]int{4})[0]+1)))
	if a.status != 422 || s.Counts().Wrong != 1 || len(p.Seen()) != 0 {
		t.Errorf("wrong work: %d %s, counts %+v, want 422, counted, and no proof", a.status, a.body, s.Counts())
	}
}
