package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"regexp"
	"strings"
	"sync"
	"time"

	"rundown/devices"
	"rundown/scenarios"
	"rundown/scenarios/clip"
)

const (
	// clipFolder is where the clip lies on a handset: on shared storage, where the system's
	// player may read it.
	clipFolder = "/sdcard/Movies"
	// clipPiece is how much of it a handset hashes at once, bytes: a command there has a
	// minute, which a whole film may take longer than.
	clipPiece = 256 * clipBlock
	// clipBlock is what it reads at once for that, bytes.
	clipBlock = 1 << 20
	// probeLimit bounds the look into the clip for its length.
	probeLimit = 30 * time.Second
)

// clipName is the form of the names that this daemon gives: a clip of the same form and
// another name is an old one of its own.
var clipName = regexp.MustCompile(`^rundown-[0-9a-f]{12}\.mp4$`)

// A labClip is the local video of the bench, put on each handset once and known there by
// the hash in its name. Handsets are served side by side.
type labClip struct {
	path  string // on the host; empty: none
	piece int64  // bytes that a handset hashes at once: whole clipBlocks

	reading sync.Mutex // held while the file is read, so that it is read once
	facts   *clipFacts

	mu     sync.Mutex
	placed map[string]string // handset serial to the SHA-256 verified there in this daemon's life
}

func newLabClip(path string) *labClip {
	return &labClip{path: path, piece: clipPiece, placed: map[string]string{}}
}

// clipFacts are what the clip is, as long as its file has this size and time.
type clipFacts struct {
	clip.Sum
	changed time.Time
	length  time.Duration // 0: not known
}

// A placedClip is the clip as it lies on a handset.
type placedClip struct {
	Path   string
	SHA256 string
	Length time.Duration // 0: not known
}

// missing says why there is no clip to play, or nil.
func (c *labClip) missing() error {
	if c.path == "" {
		return errors.New("the plan file names no clip: set bench.clip to a video file on this host (`rundown workload clip` makes one)")
	}
	info, err := os.Stat(c.path)
	switch {
	case err != nil:
		return fmt.Errorf("bench.clip: %w", err)
	case !info.Mode().IsRegular() || info.Size() == 0:
		return fmt.Errorf("bench.clip: %s is no file with anything in it", c.path)
	}
	return nil
}

// read returns what the clip is; it reads the file only when that has changed.
func (c *labClip) read(ctx context.Context) (clipFacts, error) {
	if err := c.missing(); err != nil {
		return clipFacts{}, err
	}
	c.reading.Lock()
	defer c.reading.Unlock()
	info, err := os.Stat(c.path)
	if err != nil {
		return clipFacts{}, fmt.Errorf("bench.clip: %w", err)
	}
	if f := c.facts; f != nil && f.Bytes == info.Size() && f.changed.Equal(info.ModTime()) {
		return *f, nil
	}
	sum, err := clip.Sums(ctx, c.path, c.piece)
	if err != nil {
		return clipFacts{}, err
	}
	f := clipFacts{Sum: sum, changed: info.ModTime()}
	bounded, cancel := context.WithTimeout(ctx, probeLimit)
	defer cancel()
	// A length that cannot be found out is none: it only helps to tell a seam from a stop.
	if length, err := clip.Length(bounded, c.path); err == nil {
		f.length = length
	}
	c.facts = &f
	return f, ctx.Err()
}

// place makes sure that the handset has the clip, whole, and no older one of ours. say is
// told what it is doing. One handset's actor calls it at a time; handsets do not wait for
// each other.
func (c *labClip) place(ctx context.Context, l devices.Link, h scenarios.Handset, say func(string)) (placedClip, error) {
	f, err := c.read(ctx)
	if err != nil {
		return placedClip{}, err
	}
	at := placedClip{Path: fmt.Sprintf("%s/rundown-%s.mp4", clipFolder, f.SHA256[:12]), SHA256: f.SHA256, Length: f.length}
	c.mu.Lock()
	verified := c.placed[h.Serial] == f.SHA256
	c.mu.Unlock()
	on, err := l.Stat(ctx, at.Path)
	there := err == nil && on.Size == f.Bytes
	switch {
	case err != nil && !errors.Is(err, devices.ErrNotExist):
		return placedClip{}, err
	case there && verified:
		return at, nil
	case there:
		say("the clip to be verified")
		if bad, err := c.differs(ctx, l, at.Path, f.Sum); err != nil {
			return placedClip{}, err
		} else if there = bad == ""; there {
			break
		}
	}
	if !there {
		if err := c.push(ctx, l, h, at.Path, f, say); err != nil {
			return placedClip{}, err
		}
	}
	c.mu.Lock()
	c.placed[h.Serial] = f.SHA256
	c.mu.Unlock()
	return at, nil
}

// push puts the clip on the handset and verifies it there. An older one is removed first:
// there may not be room for two.
func (c *labClip) push(ctx context.Context, l devices.Link, h scenarios.Handset, to string, f clipFacts, say func(string)) error {
	if _, err := removeClips(ctx, l, path.Base(to)); err != nil {
		return err
	}
	file, err := os.Open(c.path)
	if err != nil {
		return fmt.Errorf("bench.clip: %w", err)
	}
	defer file.Close()
	say("the clip to be pushed: 0 %")
	from := &progressReader{r: file, of: f.Bytes, say: func(pct int64) { say(fmt.Sprintf("the clip to be pushed: %d %%", pct)) }}
	if err := l.Push(ctx, from, to, fs.FileMode(0o644)); err != nil {
		return fmt.Errorf("%s (%.1f MB) could not be pushed to %s: %w", c.path, float64(f.Bytes)/1e6, h.Name, err)
	}
	say("the clip to be verified")
	bad, err := c.differs(ctx, l, to, f.Sum)
	if err == nil && bad != "" {
		err = fmt.Errorf("%s was pushed to %s as %s and is not the same there: %s; is the file being written, or the handset's storage failing?", c.path, h.Name, to, bad)
	}
	return err
}

// differs says in what the handset's file is not the one of these sums, or "".
func (c *labClip) differs(ctx context.Context, l devices.Link, at string, want clip.Sum) (string, error) {
	on, err := l.Stat(ctx, at)
	if err != nil {
		return "", err
	}
	if on.Size != want.Bytes {
		return fmt.Sprintf("%d bytes instead of %d", on.Size, want.Bytes), nil
	}
	for i, hash := range want.Pieces {
		said, err := devices.HashPiece(ctx, l, at, clipBlock, int64(i)*c.piece/clipBlock, c.piece/clipBlock)
		if err != nil {
			return "", err
		}
		if !says(said, hash) {
			return fmt.Sprintf("the SHA-256 of its MiB %d to %d is %q and not %s", int64(i)*c.piece>>20, int64(i+1)*c.piece>>20, strings.TrimSpace(said), hash), nil
		}
	}
	return "", nil
}

// removeClips removes what this daemon or an earlier one has put beside a clip of this name,
// and counts it.
func removeClips(ctx context.Context, l devices.Link, keep string) (removed int, err error) {
	listed, err := devices.ListFolder(ctx, l, clipFolder)
	if err != nil {
		return 0, err
	}
	for _, name := range listed {
		if name == keep || !clipName.MatchString(name) {
			continue
		}
		if err := devices.RemoveFile(ctx, l, clipFolder+"/"+name); err != nil {
			return removed, fmt.Errorf("an older clip could not be removed: %w", err)
		}
		removed++
	}
	return removed, nil
}

// forget takes back that a handset has the clip.
func (c *labClip) forget(serial string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.placed, serial)
}

// progressReader tells how far it has been read, each per cent once.
type progressReader struct {
	r    io.Reader
	n    int64
	of   int64
	said int64
	say  func(pct int64)
}

func (p *progressReader) Read(b []byte) (int, error) {
	n, err := p.r.Read(b)
	p.n += int64(n)
	if pct := 100 * p.n / max(p.of, 1); pct > p.said && pct <= 100 {
		p.said = pct
		p.say(pct)
	}
	return n, err
}

// says reports whether a line of what sha256sum printed begins with the hash; handsets put
// warnings before it.
func says(output, hash string) bool {
	for line := range strings.Lines(output) {
		if strings.HasPrefix(line, hash+" ") {
			return true
		}
	}
	return false
}

// bringClip puts the clip on the handset while nothing is measured yet, when a segment
// still to come plays it: pushing it warms the handset and takes its time. What is wrong
// with it is the business of the segment that plays it, which tries again.
func (r *run) bringClip(ctx context.Context) error {
	if r.clipTried {
		return nil
	}
	r.clipTried = true
	for _, s := range r.list[r.e.Step:] {
		if !r.e.Item.Order.Scenarios[s.Scenario].NeedsClip() {
			continue
		}
		err := r.reach(ctx, linkPatience, func(l devices.Link) error {
			_, err := r.d.clip.place(ctx, l, r.h, r.waitsFor)
			return err
		})
		if isStop(ctx, err) {
			return err
		}
		if err != nil {
			r.note("the clip is not on the handset yet: %s", why(err))
		}
		return nil
	}
	return nil
}

// Playable says why a plan that plays the clip cannot be carried out on the bench of its
// file as this host stands, or nil.
func Playable(file scenarios.File, plan string) error {
	for i, s := range file.Plans[plan].Segments {
		if !file.Scenarios[s.Scenario].NeedsClip() {
			continue
		}
		if err := newLabClip(file.Bench.Clip).missing(); err != nil {
			return fmt.Errorf("plans.%s.segments[%d]: scenario %s plays the clip: %w", plan, i, s.Scenario, err)
		}
		break
	}
	return nil
}
