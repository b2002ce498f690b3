package stage

import (
	"encoding/json"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
)

// Whatever is posted, one of the counts goes up by one, the answer says which, and a
// proof that comes of it is fit to be stored.
func FuzzPost(f *testing.F) {
	for _, seed := range []string{
		`{"load":"L","seq":1,"kind":"cycle","value":3,"detail":{}}`,
		`{"load":"L","seq":2,"kind":"cycle","value":4,"detail":{"ms":1000,"workers":[{"units":4,"digest":7}]}}`,
		`{"load":"L","seq":3,"kind":"problem","detail":{"problem":"none"}}`,
		`{"load":"L","seq":9007199254740993,"kind":"cycle","value":1e308,"detail":null}`,
		`{"load":"L","seq":1.5}`, `[]`, `nul`, `{"seq":1,"seq":2}`, "{\"load\":\"\xff\"}", `{"kind":"cycle","detail":{"a":` + strings.Repeat("[", 500),
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, body string) {
		s := New(Config{})
		p := s.Open("sustain")
		p.newLoad()
		total := func(c Counts) int {
			return c.Taken + c.Foreign + c.Late + c.Repeated + c.Malformed + c.Oversized + c.Wrong + c.Unread
		}
		for round := 1; round <= 2; round++ {
			w := httptest.NewRecorder()
			s.routes().ServeHTTP(w, httptest.NewRequest(http.MethodPost, "/s/"+p.Key()+"/post", strings.NewReader(body)))
			c := s.Counts()
			if total(c) != round {
				t.Fatalf("post %q: counts %+v after %d posts", body, c, round)
			}
			if taken := w.Code == http.StatusNoContent; taken != (round == 1 && c.Taken == 1) || c.Taken > 1 {
				t.Fatalf("post %q: answer %d in round %d, counts %+v", body, w.Code, round, c)
			}
		}
		seen := p.Seen()
		if len(seen) > s.Counts().Taken {
			t.Errorf("post %q: %d proofs of %d posts", body, len(seen), s.Counts().Taken)
		}
		for _, proof := range seen {
			if proof.Kind != "cycle" || math.IsNaN(proof.Value) || math.IsInf(proof.Value, 0) || proof.Value < 0 || proof.At.IsZero() {
				t.Errorf("post %q: proof %+v", body, proof)
			}
			if proof.Detail != "" && (!json.Valid([]byte(proof.Detail)) || len(proof.Detail) > 2*maxPost) {
				t.Errorf("post %q: detail %q", body, proof.Detail)
			}
		}
	})
}

// Whatever an address asks for, what a page is told is within its ranges.
func FuzzKnobs(f *testing.F) {
	for _, seed := range []string{"", "cubes=20&scale=.5&loop=3", "cubes=-1", "scale=1e400", "cubes=1&cubes=2", "work=cpu;", "every_s=%00", "v=9&seed=0x1"} {
		f.Add(seed, "game")
		f.Add(seed, "sustain")
		f.Add(seed, "call")
	}
	f.Fuzz(func(t *testing.T, query, activity string) {
		q, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		b, err := blockFor(&Session{key: "k", activity: activity}, "1-a", 0, q)
		if err != nil {
			return
		}
		if b.EveryS < 1 || b.EveryS > 600 || b.Cubes < 0 || b.Cubes > 50000 || !(b.Scale >= 0 && b.Scale <= 4) || b.Loop < 0 || b.Loop > 256 || b.Workers < 0 || b.Workers > workersMost || b.Cycles < 0 {
			t.Errorf("query %q of %q: %+v", query, activity, b)
		}
		text, err := json.Marshal(b)
		if err != nil || strings.ContainsAny(string(text), "<>") {
			t.Errorf("query %q: block %s, %v", query, text, err)
		}
	})
}

// Taking addresses out of an offer touches no other line, and leaves none of the other kind.
func FuzzAddresses(f *testing.F) {
	f.Add("v=0\r\na=candidate:1 1 udp 2130706431 127.0.0.1 40000 typ host\r\na=candidate:2 1 TCP 1671430143 127.0.0.1 9001 typ host tcptype passive\r\nm=x\r\n", "localhost:8790")
	f.Add("a=candidate:", "[::1]:1")
	f.Add("a=candidate:1 1 tcp 5 127.0.0.1 9001 typ host", "127.0.0.1:99999")
	f.Fuzz(func(t *testing.T, sdp, host string) {
		for _, over := range []string{"", "udp", "tcp"} {
			got := forwarded(onlyOver(sdp, over), 9001, host)
			other := func(text string) (lines []string) {
				for _, line := range strings.Split(text, "\n") {
					if !strings.HasPrefix(line, "a=candidate:") && line != "" {
						lines = append(lines, line)
					}
				}
				return lines
			}
			if strings.Join(other(got), "\n") != strings.Join(other(sdp), "\n") {
				t.Errorf("over %q, host %q: %q became %q", over, host, sdp, got)
			}
			for _, line := range strings.Split(got, "\n") {
				if fields := strings.Fields(line); over != "" && strings.HasPrefix(line, "a=candidate:") && len(fields) > 2 && !strings.EqualFold(fields[2], over) {
					t.Errorf("over %q: %q is left", over, line)
				}
			}
		}
	})
}
