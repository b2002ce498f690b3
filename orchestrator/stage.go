package orchestrator

import (
	"context"
	"fmt"
	"strings"

	"rundown/devices"
	"rundown/scenarios/stage"
)

// stageBase makes the stage reachable for the handset and returns its address there.
func (r *run) stageBase(ctx context.Context, l devices.Link) (string, error) {
	return r.d.stageAt(ctx, l, r.live.scenario.Stage)
}

// stageAt makes the stage reachable over a link and returns its address on the handset:
// over Wi-Fi where the plan file gives it an address, else through the link. A page that may
// use camera and microphone has to come from the handset's own localhost, and so goes
// through the link in any case; the call's pictures then take the network's shortest way.
func (d *Daemon) stageAt(ctx context.Context, l devices.Link, activity string) (string, error) {
	at := d.file.Bench.Stage
	if !throughLink(at, activity) {
		return "http://" + at.Address, nil
	}
	port, err := d.stagePort()
	if err != nil {
		return "", err
	}
	if err := l.Reverse(ctx, at.Port, port); err != nil {
		return "", fmt.Errorf("the stage cannot be reached through the link: %w", err)
	}
	return fmt.Sprintf("http://localhost:%d", at.Port), nil
}

// StageCounts says how the posts of handsets' pages fared since the daemon was started.
func (d *Daemon) StageCounts() stage.Counts { return d.stage.Counts() }

// noteRefused notes what the stage did not take of the segment's pages.
func (r *run) noteRefused() {
	g := r.live
	if g.session == nil {
		return
	}
	var refused []string
	counts := g.session.Counts()
	counts.Each(func(how string, n int) {
		if n > 0 {
			refused = append(refused, fmt.Sprintf("%d %s", n, how))
		}
	})
	if len(refused) == 0 {
		return
	}
	said := "posts of its pages that were refused: " + strings.Join(refused, ", ")
	if problem := g.session.Problem(); counts.Wrong > 0 && problem != "" {
		said += "; the last: " + problem
	}
	g.note(r.d.now(), "%s", said)
}
