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
		{"one worker", 10, `{"ms":1000,"workers":` + workers(workerDone{10, d[0]}) + `}`, true, ""},
		{"two workers, the faster first", 1300, `{"ms":2000,"workers":` + workers(workerDone{2500, d[2]}, workerDone{100, d[1]}) + `}`, true, ""},
		{"the score rounded as the page does", 33.33, `{"ms":3000.4,"workers":` + workers(workerDone{100, d[1]}) + `}`, true, ""},
		{"no workers: frames only", 47.5, `{"ms":1000,"work":"gpu"}`, false, ""},
		{"no detail", 1000, ``, false, ""},
		{"a page that calls itself checked", 5, `{"checked":true}`, false, ""},
		{"one bit wrong", 10, `{"ms":1000,"workers":` + workers(workerDone{10, d[0] ^ 1}) + `}`, nil, "digest of 10 units"},
		{"one unit too many", 11, `{"ms":1000,"workers":` + workers(workerDone{11, d[0]}) + `}`, nil, "digest of 11 units"},
		{"the second of two wrong", 1300, `{"ms":2000,"workers":` + workers(workerDone{2500, d[2]}, workerDone{100, d[0]}) + `}`, nil, "digest of 100 units"},
		{"score too high", 10.1, `{"ms":1000,"workers":` + workers(workerDone{10, d[0]}) + `}`, nil, "value:"},
		{"no time", 10, `{"workers":` + workers(workerDone{10, d[0]}) + `}`, nil, "ms:"},
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

func TestWrongWorkIsCounted(t *testing.T) {
	s := started(t)
	p := s.Open("sustain")
	b, _ := visit(t, s, p.Path())
	a := ask(t, "POST", at(s, b.Post), postBody(b.Load, 1, "cycle", 4, fmt.Sprintf(`{"ms":1000,"workers":[{"units":4,"digest":%d}]}`, digests([]int{4})[0]+1)))
	if a.status != 422 || s.Counts().Wrong != 1 || len(p.Seen()) != 0 {
		t.Errorf("wrong work: %d %s, counts %+v, want 422, counted, and no proof", a.status, a.body, s.Counts())
	}
}
