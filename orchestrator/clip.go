package orchestrator

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"sync"

	"rundown/devices"
	"rundown/scenarios"
)

// clipFolder is where the clip lies on a handset: on shared storage, where the system's
// player may read it.
const clipFolder = "/sdcard/Movies"

// A clip is the local video of the bench, put on each handset once and known there by
// the hash in its name.
type clip struct {
	path string // on the host

	mu     sync.Mutex
	hash   string            // SHA-256 of the file, hex
	placed map[string]string // handset serial to path on it, verified in this daemon's life
}

// place makes sure that the handset has the clip and returns its path there.
func (c *clip) place(ctx context.Context, l devices.Link, h scenarios.Handset) (string, error) {
	if c.path == "" {
		return "", fmt.Errorf("the plan file names none: set bench.clip to a video file on this host")
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if path, ok := c.placed[h.Serial]; ok {
		if _, err := l.Stat(ctx, path); err == nil {
			return path, nil
		}
	}
	content, err := os.ReadFile(c.path)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(content)
	c.hash = hex.EncodeToString(sum[:])
	path := fmt.Sprintf("%s/rundown-%s.mp4", clipFolder, c.hash[:12])
	on, err := devices.Run(ctx, l, "sha256sum "+devices.Quote(path)+" 2>/dev/null || true")
	if err != nil {
		return "", err
	}
	if !says(on, c.hash) {
		if err := l.Push(ctx, bytes.NewReader(content), path, fs.FileMode(0o644)); err != nil {
			return "", err
		}
		if on, err = devices.Run(ctx, l, "sha256sum "+devices.Quote(path)); err != nil {
			return "", err
		}
		if !says(on, c.hash) {
			return "", fmt.Errorf("%s was pushed to %s, but its SHA-256 there is %q and not %s", c.path, h.Name, strings.TrimSpace(on), c.hash)
		}
	}
	c.placed[h.Serial] = path
	return path, nil
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
