package orchestrator

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"rundown/devices"
	"rundown/results"
	"rundown/scenarios"
	"rundown/scenarios/stage"
)

// A lifeline keeps the stage within a handset's reach while a segment goes on: what leads
// there ends with each link, and is made anew as soon as the bench shows the handset ready
// again, whatever its actor is busy with. It also knows when handset and stage could not be
// reached. Its methods may be called from any goroutine.
type lifeline struct {
	d      *Daemon
	h      scenarios.Handset
	staged bool         // the stage is reached through the link
	jump   atomic.Int64 // by how much the host's clock was set since the segment began, ns

	mu      sync.Mutex
	outages []results.Outage // oldest first; those that last have no end
	changed bool             // since they were taken last
	losses  int              // of the handset's link, when the stage was last made reachable
	board   bool             // the bench shows the handset as away
	deaf    bool             // the handset does not answer although it is shown as ready
}

// stageEvery is how long is waited before the stage is tried to be made reachable again
// where the handset is there and it could not.
const stageEvery = time.Second

// mostOutages bounds what a link that flaps all night leaves in a record: the last one then
// goes on to the latest end.
const mostOutages = 100

// lifelineOf is that of the segment under way, made when it is first asked for.
func (r *run) lifelineOf() *lifeline {
	g := r.live
	if g.line == nil {
		at := r.d.file.Bench.Stage
		g.line = &lifeline{
			d: r.d, h: r.h, staged: g.session != nil && throughLink(at, g.scenario.Stage),
			outages: slices.Clone(g.rec.Outages), losses: r.d.board.losses(r.h),
		}
		g.line.jump.Store(int64(g.jump))
		if since := g.u.LookedAt; g.taken && !since.IsZero() && g.u.Ended == "" {
			g.line.daemonWasGone(since)
		}
	}
	return g.line
}

// keep keeps the stage reachable until the returned function is called, or ctx ends.
func (l *lifeline) keep(ctx context.Context) (stop func()) {
	// Its sleeps are no sign of life of the actor's.
	ctx, cancel := context.WithCancel(context.WithValue(ctx, pulseKey{}, nil))
	done := make(chan struct{})
	go func() {
		defer close(done)
		for ctx.Err() == nil {
			l.turn(ctx)
		}
	}()
	return func() {
		cancel()
		<-done
	}
}

// turn looks at the bench once, does what is due, and waits for the next change.
func (l *lifeline) turn(ctx context.Context) {
	seen, ok, changed := l.d.board.find(l.h)
	losses := l.d.board.losses(l.h)
	again := time.Duration(0)
	if !ok || !seen.Ready {
		_, err := l.d.linkTo(l.h)
		l.see(true, err)
	} else {
		l.see(false, nil)
		if l.due(losses) {
			if err := l.renew(ctx, l.d.links.Link(seen.Serial, seen.Server), losses); err != nil {
				again = stageEvery
			}
		}
	}
	if again == 0 {
		select {
		case <-changed:
		case <-ctx.Done():
		}
		return
	}
	nap := l.d.sleeping(ctx, again)
	defer nap.end()
	select {
	case <-changed:
	case <-nap.done:
	}
}

// due reports whether the way to the stage has ended since it was last made.
func (l *lifeline) due(losses int) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.staged && (losses != l.losses || l.open(results.OutageStage) >= 0)
}

// renew makes the stage reachable over a link. losses are the link's until then.
func (l *lifeline) renew(ctx context.Context, link devices.Link, losses int) error {
	port, err := l.d.stagePort()
	if err == nil {
		err = link.Reverse(ctx, l.d.file.Bench.Stage.Port, port)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case ctx.Err() != nil:
	case err != nil:
		l.begin(results.OutageStage, why(err))
		l.d.log.Warn().Str("handset", l.h.Name).Err(err).Msg("the stage could not be made reachable again")
	default:
		l.losses = losses
		l.end(results.OutageStage)
	}
	return err
}

// see takes in how the bench shows the handset; err says why it is away.
func (l *lifeline) see(away bool, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.board = away
	l.judge(err)
}

// unheard and heard say that the handset did not answer, and that it did.
func (l *lifeline) unheard(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.deaf = true
	l.judge(err)
}

func (l *lifeline) heard() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.deaf = false
	l.judge(nil)
}

// judge begins and ends outages by what is known of the link. A stage that is reached
// through the link is away with it, and comes back only when it has been made reachable.
func (l *lifeline) judge(err error) {
	if !l.board && !l.deaf {
		l.end(results.OutageLink)
		return
	}
	said := ""
	if err != nil {
		said = why(err)
	}
	l.begin(results.OutageLink, said)
	if l.board && l.staged {
		l.begin(results.OutageStage, "with the link")
	}
}

func (l *lifeline) now() time.Time { return l.d.now().Add(-time.Duration(l.jump.Load())) }

// open is the place of an outage that still lasts, or -1.
func (l *lifeline) open(what string) int {
	return slices.IndexFunc(l.outages, func(o results.Outage) bool { return o.What == what && o.To.IsZero() })
}

func (l *lifeline) begin(what, said string) {
	if l.open(what) >= 0 {
		return
	}
	l.changed = true
	if len(l.outages) >= mostOutages {
		for i := len(l.outages) - 1; i >= 0; i-- {
			if o := &l.outages[i]; o.What == what {
				o.To, o.Why = time.Time{}, "again and again"
				return
			}
		}
	}
	l.outages = append(l.outages, results.Outage{From: l.now(), What: what, Why: said})
}

func (l *lifeline) end(what string) {
	if i := l.open(what); i >= 0 {
		l.outages[i].To, l.changed = l.now(), true
	}
}

// daemonWasGone enters the time in which no daemon was there: it is the daemon that is the
// stage, and that would have seen the link.
func (l *lifeline) daemonWasGone(since time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, what := range []string{results.OutageLink, results.OutageStage} {
		if i := l.open(what); i >= 0 {
			l.outages[i].To = since // what lasted then, nobody followed any further
		}
		if what == results.OutageLink || l.staged {
			l.outages = append(l.outages, results.Outage{From: since, To: l.now(), What: what, Why: "the daemon was not running"})
		}
	}
	l.changed = true
}

// take returns the outages, and whether they have changed since they were taken last.
func (l *lifeline) take() (list []results.Outage, changed bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	changed, l.changed = l.changed, false
	return slices.Clone(l.outages), changed
}

// noteOutages takes the outages into the segment's record, and stores it where there is
// something new.
func (r *run) noteOutages() error {
	g := r.live
	if g.line == nil {
		return nil
	}
	list, changed := g.line.take()
	if !changed {
		return nil
	}
	g.rec.Outages = list
	return stored(r.d.store.PutSegment(g.rec))
}

// closeOutages ends what lasts at the segment's end, and drops what came after it.
func closeOutages(list []results.Outage, end time.Time) (out []results.Outage) {
	for _, o := range list {
		if !o.From.Before(end) {
			continue
		}
		if o.To.IsZero() || o.To.After(end) {
			o.To = end
		}
		out = append(out, o)
	}
	return out
}

// losses counts how often the link to a handset was seen to be gone that had been there.
func (b *board) losses(h scenarios.Handset) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	n := b.lost[h.Serial]
	if h.Connect != "" && h.Connect != h.Serial {
		n += b.lost[h.Connect]
	}
	return n
}

// countLosses counts the handsets that are ready no more. The caller holds the lock.
func (b *board) countLosses(now []Seen) {
	if b.lost == nil {
		b.lost = map[string]int{}
	}
	for _, before := range b.seen {
		if before.Ready && !slices.ContainsFunc(now, func(s Seen) bool { return s.Ready && s.Serial == before.Serial && s.Server == before.Server }) {
			b.lost[before.Serial]++
		}
	}
}

// throughLink reports whether handsets reach the stage through the link for an activity.
func throughLink(at scenarios.Stage, activity string) bool {
	return at.Address == "" || stage.NeedsLocalhost(activity)
}
