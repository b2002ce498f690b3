package orchestrator

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"rundown/devices"
	"rundown/results"
	"rundown/scenarios"
	"rundown/scenarios/stage"
)

// A forwarding link notes what is made reachable through it.
type forwarding struct {
	devices.Link
	forwards []string
}

func (f *forwarding) Reverse(_ context.Context, devicePort, hostPort int) error {
	f.forwards = append(f.forwards, fmt.Sprintf("%d to %d", devicePort, hostPort))
	return nil
}

func stageOf(t *testing.T) *stage.Stage {
	t.Helper()
	s := stage.New(stage.Config{Listen: "127.0.0.1:0"})
	if err := s.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		_ = s.Stop(ctx)
	})
	return s
}

// Only a page from the handset's own localhost may use its camera, whatever address the
// stage has on the network.
func TestWhereHandsetsReachTheStage(t *testing.T) {
	s := stageOf(t)
	_, port, _ := strings.Cut(s.Addr(), ":")
	for _, tt := range []struct{ address, activity, want, forward string }{
		{"", "browse", "http://localhost:8791", "8791 to " + port},
		{"", "call", "http://localhost:8791", "8791 to " + port},
		{"192.0.2.10:8790", "browse", "http://192.0.2.10:8790", ""},
		{"192.0.2.10:8790", "sustain", "http://192.0.2.10:8790", ""},
		{"192.0.2.10:8790", "call", "http://localhost:8791", "8791 to " + port},
	} {
		d := New(Config{File: scenarios.File{Bench: scenarios.Bench{Stage: scenarios.Stage{Address: tt.address, Port: 8791}}}})
		d.stage = s
		l := &forwarding{}
		got, err := (&run{d: d, live: &segment{scenario: scenarios.Scenario{Stage: tt.activity}}}).stageBase(t.Context(), l)
		if err != nil || got != tt.want || strings.Join(l.forwards, ", ") != tt.forward {
			t.Errorf("%s with address %q: %q, %v, forwards %q; want %q, %q", tt.activity, tt.address, got, err, l.forwards, tt.want, tt.forward)
		}
	}
}

// What the stage refused of a segment's pages stands with the segment: a handset that
// computes wrongly above all.
func TestRefusedPostsAreNoted(t *testing.T) {
	s := stageOf(t)
	d := New(Config{})
	d.stage = s
	g := &segment{session: s.Open("sustain"), rec: results.Segment{}}
	r := &run{d: d, live: g}
	r.noteRefused()
	if len(g.rec.Notes) != 0 {
		t.Errorf("notes %v before anything was refused", g.rec.Notes)
	}
	get, err := http.Get("http://" + s.Addr() + g.session.Path())
	if err != nil {
		t.Fatal(err)
	}
	_ = get.Body.Close()
	for i, body := range []string{
		`{"load":"1","seq":1,"kind":"cycle","value":4,"detail":{"ms":1000,"workers":[{"units":4,"digest":1}]}}`,
		`{"load":"1","seq":2,"kind":"frames","value":4}`,
		`cut`,
	} {
		resp, err := http.Post("http://"+s.Addr()+"/s/"+g.session.Key()+"/post", "text/plain", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		if resp.StatusCode < 400 {
			t.Errorf("post %d: %s", i, resp.Status)
		}
	}
	http.DefaultClient.CloseIdleConnections()
	r.noteRefused()
	if len(g.rec.Notes) != 1 {
		t.Fatalf("notes %v, want one", g.rec.Notes)
	}
	for _, want := range []string{"2 malformed", "1 wrong work", "digest of 4 units"} {
		if !strings.Contains(g.rec.Notes[0].Text, want) {
			t.Errorf("note %q, want %q in it", g.rec.Notes[0].Text, want)
		}
	}
	if got := d.StageCounts(); got.Wrong != 1 || got.Malformed != 2 {
		t.Errorf("counts %+v", got)
	}
}
