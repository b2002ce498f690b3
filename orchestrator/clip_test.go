package orchestrator

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rundown/devices"
	"rundown/devices/simulated"
	"rundown/scenarios"
)

// A pushed link counts pushes, and may hold or spoil them.
type pushed struct {
	devices.Link
	mu     sync.Mutex
	pushes int
	held   chan struct{} // nil: not held
	spoil  bool
}

func (p *pushed) Push(ctx context.Context, content io.Reader, path string, mode fs.FileMode) error {
	p.mu.Lock()
	p.pushes++
	p.mu.Unlock()
	if p.held != nil {
		select {
		case <-p.held:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if p.spoil {
		b, err := io.ReadAll(content)
		if err != nil {
			return err
		}
		b[len(b)/2] ^= 1
		content = bytes.NewReader(b)
	}
	return p.Link.Push(ctx, content, path, mode)
}

func clipOf(t *testing.T, size int, seed uint64) (path, hash string) {
	t.Helper()
	content := make([]byte, size)
	r := rand.NewChaCha8([32]byte{byte(seed)})
	_, _ = r.Read(content)
	path = filepath.Join(t.TempDir(), "clip.mp4")
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(content)
	return path, hex.EncodeToString(sum[:])
}

func clipHandset(t *testing.T, name string) (*pushed, scenarios.Handset) {
	t.Helper()
	h := simulated.New(simulated.Options{Serial: "C-" + name, Clock: simulated.NewScaledClock(time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC), 600)})
	t.Cleanup(h.Close)
	return &pushed{Link: h}, scenarios.Handset{Name: name, Serial: "C-" + name}
}

func TestClipOnAHandset(t *testing.T) {
	path, hash := clipOf(t, 5*clipBlock/2, 1)
	l, h := clipHandset(t, "Alder")
	ctx := t.Context()
	for _, name := range []string{"rundown-0123456789ab.mp4", "rundown-holiday.mp4", "holiday.mp4"} {
		if err := l.Link.Push(ctx, strings.NewReader("other"), clipFolder+"/"+name, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	c := newLabClip(path)
	c.piece = clipBlock
	var said []string
	say := func(s string) { said = append(said, s) }
	got, err := c.place(ctx, l, h, say)
	if err != nil {
		t.Fatal(err)
	}
	if want := (placedClip{Path: clipFolder + "/rundown-" + hash[:12] + ".mp4", SHA256: hash}); got != want {
		t.Errorf("place = %+v, want %+v", got, want)
	}
	for _, want := range []string{"the clip to be pushed: 0 %", "the clip to be pushed: 100 %", "the clip to be verified"} {
		if !slices.Contains(said, want) {
			t.Errorf("nothing said of %q; said %q", want, said)
		}
	}
	if len(said) < 6 {
		t.Errorf("said only %q, want progress", said)
	}
	listed, err := devices.Run(ctx, l, "ls "+clipFolder+"; sha256sum "+devices.Quote(got.Path))
	if err != nil || !strings.Contains(listed, hash) || strings.Contains(listed, "0123456789ab") || !strings.Contains(listed, "rundown-holiday.mp4") || strings.Count(listed, "holiday") != 2 {
		t.Errorf("on the handset lies %q, %v; want the new clip, the old one gone, others kept", listed, err)
	}

	again := func(what string, c *labClip, pushes int) placedClip {
		t.Helper()
		before := l.pushes
		got, err := c.place(ctx, l, h, say)
		if err != nil || l.pushes-before != pushes {
			t.Errorf("%s: %v, %d pushes, want %d", what, err, l.pushes-before, pushes)
		}
		return got
	}
	again("a second time", c, 0)
	fresh := newLabClip(path)
	fresh.piece = clipBlock
	again("after the daemon was restarted", fresh, 0)
	if err := l.Link.Push(ctx, strings.NewReader("cut"), got.Path, 0o644); err != nil {
		t.Fatal(err)
	}
	again("when it was cut on the handset", c, 1)
	bad := newLabClip(path)
	bad.piece = clipBlock
	content, _ := os.ReadFile(path)
	content[len(content)-1] ^= 1 // in the last, short piece
	if err := l.Link.Push(ctx, bytes.NewReader(content), got.Path, 0o644); err != nil {
		t.Fatal(err)
	}
	again("when a byte of it is wrong after a restart", bad, 1)

	// Another file in its place: another name, and the old one goes.
	other, otherHash := clipOf(t, clipBlock, 2)
	b, _ := os.ReadFile(other)
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if moved := again("when the lab has another clip", c, 1); moved.SHA256 != otherHash {
		t.Errorf("the clip is %s, want %s", moved.SHA256, otherHash)
	}
	if _, err := l.Stat(ctx, got.Path); !errors.Is(err, devices.ErrNotExist) {
		t.Errorf("the old clip: %v, want it gone", err)
	}

	l.spoil = true
	if err := os.WriteFile(path, append(b, b...), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := c.place(ctx, l, h, say); err == nil || !strings.Contains(err.Error(), "Alder") || !strings.Contains(err.Error(), "SHA-256") {
		t.Errorf("a push that changed a byte = %v, want the handset and what differs named", err)
	}
}

// A handset that takes its clip slowly holds up no other.
func TestClipOfASlowHandset(t *testing.T) {
	path, _ := clipOf(t, clipBlock, 3)
	c := newLabClip(path)
	slow, slowly := clipHandset(t, "Birch")
	slow.held = make(chan struct{})
	quick, quickly := clipHandset(t, "Alder")
	done := make(chan error, 1)
	go func() {
		_, err := c.place(t.Context(), slow, slowly, func(string) {})
		done <- err
	}()
	if _, err := c.place(t.Context(), quick, quickly, func(string) {}); err != nil {
		t.Error(err)
	}
	select {
	case err := <-done:
		t.Errorf("the slow one was through: %v", err)
	default:
	}
	close(slow.held)
	if err := <-done; err != nil || slow.pushes != 1 || quick.pushes != 1 {
		t.Errorf("slow: %v, %d pushes; quick: %d", err, slow.pushes, quick.pushes)
	}
}

func TestNoClip(t *testing.T) {
	dir := t.TempDir()
	empty := filepath.Join(dir, "empty.mp4")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{"": "set bench.clip", filepath.Join(dir, "none.mp4"): "no such file", dir: "no file with", empty: "no file with"} {
		d := New(Config{File: scenarios.File{
			Bench:     scenarios.Bench{Clip: path},
			Scenarios: map[string]scenarios.Scenario{"browse": {Name: "browse"}, "video": {Name: "video", Setup: []scenarios.Step{{Verb: "play", Text: "clip"}}}},
			Plans: map[string]scenarios.Plan{
				"films": {Name: "films", Segments: []scenarios.Segment{{Scenario: "browse"}, {Scenario: "video"}}},
				"pages": {Name: "pages", Segments: []scenarios.Segment{{Scenario: "browse"}}},
			},
		}})
		_, err := d.Enqueue(Request{Plan: "films"})
		if !errors.Is(err, ErrRequest) {
			t.Errorf("clip %q: Enqueue = %v, want ErrRequest", path, err)
			continue
		}
		for _, word := range []string{"plans.films", "segments[1]", "scenario video", want} {
			if !strings.Contains(err.Error(), word) {
				t.Errorf("clip %q: Enqueue = %v, want %q in it", path, err, word)
			}
		}
		if err := Playable(d.file, "pages"); err != nil {
			t.Errorf("a plan without a film: %v", err)
		}
	}
}

func FuzzClipName(f *testing.F) {
	f.Add("rundown-0123456789ab.mp4")
	f.Add("rundown-clip-1-hevc-2160p30.mp4")
	f.Add("../rundown-0123456789ab.mp4")
	f.Fuzz(func(t *testing.T, name string) {
		if !clipName.MatchString(name) {
			return
		}
		hash := strings.TrimSuffix(strings.TrimPrefix(name, "rundown-"), ".mp4")
		if b, err := hex.DecodeString(hash); err != nil || fmt.Sprintf("rundown-%x.mp4", b) != name || len(b) != 6 {
			t.Errorf("%q would be removed as one of ours", name)
		}
	})
}
