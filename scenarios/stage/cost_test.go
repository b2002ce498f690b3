package stage

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/pion/webrtc/v4"

	"rundown/devices/hosttest"
	"rundown/scenarios"
)

// What the stage costs the host. The handsets are another process, so that what is
// counted here is the stage's part alone; bytes are those of the connections, both ways.

// asHandsets is what the other process is to do.
type asHandsets struct {
	Activity string
	Addr     string
	Keys     []string // of the sessions, one a handset
	Visits   int      // browse: pages opened, one after the other
	Posts    int      // game, sustain: what pages post
	Bodies   []string // of them, in turn, with %s for the load and %d for the number
	Seconds  int      // call: how long all are up
}

// handsetsDid is what it says at its end.
type handsetsDid struct {
	Bytes  int64
	Frames []int64 // call: pictures that came to each handset while all were up
}

const handsetsEnv = "STAGE_AS_HANDSETS"

// TestAsHandsets is the other process.
func TestAsHandsets(t *testing.T) {
	job := asHandsets{}
	if text := os.Getenv(handsetsEnv); text == "" {
		t.Skip("only as a process of its own, which the benchmarks start")
	} else if err := json.Unmarshal([]byte(text), &job); err != nil {
		t.Fatal(err)
	}
	var did handsetsDid
	var carried atomic.Int64
	http.DefaultTransport.(*http.Transport).DialContext = func(ctx context.Context, network, address string) (net.Conn, error) {
		c, err := new(net.Dialer).DialContext(ctx, network, address)
		return &wiretap{c, &carried}, err
	}
	s := &Stage{addr: job.Addr}
	switch job.Activity {
	case "browse":
		for n := range job.Visits {
			_, text := visit(t, s, fmt.Sprintf("/s/%s/browse/%d?v=%d", job.Keys[0], n%Pages+1, n+1))
			d := content()[n%Pages]
			for _, name := range d.order {
				if strings.Contains(text, name) {
					ask(t, "GET", at(s, fmt.Sprintf("/s/%s/part/%d/%s", job.Keys[0], n%Pages+1, name)), "")
				}
			}
		}
	case "call":
		did.Frames = callAsHandsets(t, s, job, &carried)
	default:
		b, _ := visit(t, s, "/s/"+job.Keys[0]+"/"+job.Activity)
		carried.Store(0) // the page is loaded once a segment
		for n := range job.Posts {
			if a := ask(t, "POST", at(s, b.Post), fmt.Sprintf(job.Bodies[n%len(job.Bodies)], b.Load, n+1)); a.status != 204 {
				t.Fatalf("post: %d %s", a.status, a.body)
			}
		}
	}
	http.DefaultClient.CloseIdleConnections()
	did.Bytes = carried.Load()
	text, err := json.Marshal(did)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Printf("did %s\n", text)
}

// callAsHandsets holds one call a key, says "up" when pictures come to all of them, and
// returns how many came to each from then on.
func callAsHandsets(t *testing.T, s *Stage, job asHandsets, carried *atomic.Int64) []int64 {
	var phones []*phone
	var blocks []block
	for _, key := range job.Keys {
		b, _ := visit(t, s, "/s/"+key+"/call")
		blocks = append(blocks, b)
		phones = append(phones, dial(t, s, &Session{key: key}, "", job.Addr))
	}
	for _, p := range phones {
		until(t, 30*time.Second, "pictures", func() bool { return p.frames.Load() > 30 })
	}
	tell := func(seq int) {
		for i, p := range phones {
			ask(t, "POST", at(s, blocks[i].Post), postBody(blocks[i].Load, seq, "call", 1000000, fmt.Sprintf(`{"call":%q}`, p.call)))
		}
	}
	media := func() (n int64) {
		for _, p := range phones {
			for _, stats := range p.pc.GetStats() {
				if pair, ok := stats.(webrtc.TransportStats); ok {
					n += int64(pair.BytesSent + pair.BytesReceived)
				}
			}
		}
		return n
	}
	tell(1)
	fmt.Println("up")
	carried.Store(0)
	before, frames := media(), make([]int64, len(phones))
	for i, p := range phones {
		frames[i] = -p.frames.Load()
	}
	time.Sleep(time.Duration(job.Seconds) * time.Second)
	for i, p := range phones {
		frames[i] += p.frames.Load()
	}
	carried.Add(media() - before)
	fmt.Println("over")
	tell(2)
	return frames
}

type wiretap struct {
	net.Conn
	n *atomic.Int64
}

func (c *wiretap) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	c.n.Add(int64(n))
	return n, err
}

func (c *wiretap) Write(p []byte) (int, error) {
	n, err := c.Conn.Write(p)
	c.n.Add(int64(n))
	return n, err
}

// handsets has the other process do its part and returns what it says, and the CPU time
// that this process has used meanwhile: from "up" to "over" where it says so.
func handsets(t testing.TB, job asHandsets) (did handsetsDid, used, took time.Duration) {
	t.Helper()
	text, err := json.Marshal(job)
	if err != nil {
		t.Fatal(err)
	}
	content() // made before anything is counted
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, os.Args[0], "-test.run=^TestAsHandsets$", "-test.count=1")
	cmd.Env = append(os.Environ(), handsetsEnv+"="+string(text))
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	usedBefore, began := cpu(), time.Now()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	said, over := false, false
	var lines []string
	for in := bufio.NewScanner(out); in.Scan(); {
		line := in.Text()
		lines = append(lines, line)
		switch rest, isDid := strings.CutPrefix(line, "did "); {
		case line == "up":
			usedBefore, began = cpu(), time.Now()
		case line == "over":
			used, took, over = cpu()-usedBefore, time.Since(began), true
		case isDid:
			said = json.Unmarshal([]byte(rest), &did) == nil
		}
	}
	if !over {
		used, took = cpu()-usedBefore, time.Since(began)
	}
	if err := cmd.Wait(); err != nil || !said {
		t.Fatalf("the handsets: %v\n%s", err, strings.Join(lines, "\n"))
	}
	return did, used, took
}

// loopS is the nominal length of a built-in scenario's loop, s.
func loopS(t testing.TB, name string) float64 {
	t.Helper()
	s := scenarios.Builtin()[name]
	program, _, err := scenarios.Compile(s, scenarios.Target{
		ScreenW: 1080, ScreenH: 2400, SDK: 34, StageURL: "http://localhost:1/s/k/" + s.Stage, Packages: map[string]string{"browser": "org.example.browser"},
	})
	if err != nil || program.LoopS <= 0 {
		t.Fatalf("%s: %g s, %v", name, program.LoopS, err)
	}
	return program.LoopS
}

// One minute of one handset, as the built-in scenarios pace it, for each workload that is
// no call. It is done faster than a handset does it: only the sum counts.
func BenchmarkHandsetMinute(b *testing.B) {
	s := started(b)
	const units = 60 * 4000 // of a worker in a minute, on a quick core
	cycle := `{"load":"%s","seq":%d,"kind":"cycle","value":` + fmt.Sprintf("%d", 8*units/60) + `,"detail":{"ms":60000,"workers":[`
	for i := range 8 {
		if i > 0 {
			cycle += ","
		}
		cycle += fmt.Sprintf(`{"units":%d,"digest":%d,"ms":60000}`, units, digests([]int{units})[0])
	}
	cycle += `],"frames":2000,"fps":33.3,"work":"both","visibility":"visible"}}`
	frames := `{"load":"%s","seq":%d,"kind":"frames","value":900,"detail":{"fps":60.01,"frames":900,"p50_ms":16.7,"p90_ms":16.9,"p99_ms":17.3,"max_ms":33.4,"late":1,"touches":9,"width_px":1080,"height_px":2400,"cubes":1500,"warm":true,"visibility":"visible"}}`
	perMinute := map[string]asHandsets{
		"browse":  {Visits: 1},
		"game":    {Posts: 60 / everyS, Bodies: []string{frames}},
		"sustain": {Posts: 1, Bodies: []string{cycle}},
	}
	for _, activity := range []string{"browse", "game", "sustain"} {
		b.Run(activity, func(b *testing.B) {
			session := s.Open(activity)
			defer session.Close()
			job := perMinute[activity]
			job.Activity, job.Addr, job.Keys = activity, s.Addr(), []string{session.Key()}
			minutes := float64(b.N)
			if activity == "browse" { // whole turns of the pages, which differ in size
				job.Visits = Pages * max(1, b.N*int(60/loopS(b, activity))/Pages)
				minutes = float64(job.Visits) * loopS(b, activity) / 60
			}
			job.Posts *= b.N
			did, used, _ := handsets(b, job)
			if activity != "browse" && len(session.Seen()) == 0 {
				b.Error("no post was taken")
			}
			b.ReportMetric(100*used.Seconds()/(60*minutes), "cpu-%/handset")
			b.ReportMetric(float64(did.Bytes)/minutes, "bytes/min")
		})
	}
}

// Calls in real time; with -benchtime=30x they are up for 30 s.
func BenchmarkCalls(b *testing.B) {
	for _, n := range []int{1, 10} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			s := started(b)
			var open []*Session
			job := asHandsets{Activity: "call", Addr: s.Addr(), Seconds: max(b.N, 2)}
			for range n {
				open = append(open, s.Open("call"))
				job.Keys = append(job.Keys, open[len(open)-1].Key())
			}
			did, used, took := handsets(b, job)
			leastOut, leastIn := int64(1<<62), int64(1<<62)
			for i, session := range open {
				leastOut, leastIn = min(leastOut, did.Frames[i]), min(leastIn, farFrames(b, session))
			}
			b.ReportMetric(100*used.Seconds()/took.Seconds()/float64(n), "cpu-%/handset")
			b.ReportMetric(float64(did.Bytes)*60/took.Seconds()/float64(n), "bytes/min")
			b.ReportMetric(float64(leastOut)/took.Seconds(), "frames-out/s")
			b.ReportMetric(float64(leastIn)/took.Seconds(), "frames-in/s")
		})
	}
}

// farFrames is how many pictures came to the far end of a session's call between its two
// posts.
func farFrames(t testing.TB, session *Session) int64 {
	t.Helper()
	seen := session.Seen()
	if len(seen) != 2 {
		t.Fatalf("%d posts were taken, want 2; problem %q", len(seen), session.Problem())
	}
	var in [2]int64
	for i, p := range seen {
		var d struct {
			Far struct {
				In    int64 `json:"frames_in"`
				State string
			}
		}
		if err := json.Unmarshal([]byte(p.Detail), &d); err != nil || d.Far.State != "connected" {
			t.Fatalf("a call's far end: %s, %v", p.Detail, err)
		}
		in[i] = d.Far.In
	}
	return in[1] - in[0]
}

// Ten calls at once, each with pictures both ways all the time. The race detector takes so
// much of both ends' speed that ten are not what a host would bear; it sees what there is to
// see with two.
func TestTenCallsAtOnce(t *testing.T) {
	s, calls := started(t), 10
	if hosttest.RaceSlow > 1 {
		calls = 2
	}
	var open []*Session
	job := asHandsets{Activity: "call", Addr: s.Addr(), Seconds: 3}
	for range calls {
		open = append(open, s.Open("call"))
		job.Keys = append(job.Keys, open[len(open)-1].Key())
	}
	did, used, took := handsets(t, job)
	t.Logf("%.0f %% of a core for %d", 100*used.Seconds()/took.Seconds(), calls)
	for i, session := range open {
		// Thirty a second; a busy machine may lose most of them, and the call is up all the same.
		if in := farFrames(t, session); did.Frames[i] < 9 || in < 9 {
			t.Errorf("call %d: %d pictures out and %d in within %v, want both to go on", i+1, did.Frames[i], in, took)
		}
	}
}
