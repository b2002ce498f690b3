// Package notices tells people away from the bench what they should know: by webhook, by
// e-mail or through a chat service, at most one notice for each cause, across restarts of
// the daemon. What does not arrive is tried again for a while, and shown when it is given
// up.
//
// It keeps out of what is worth a notice, which the orchestrator decides, and of secrets:
// they are read where the plan file says when something is sent, and stand in no record,
// message or log.
package notices

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"rundown/results"
	"rundown/scenarios"
)

// ErrNoTarget means that the plan file has no target of that name.
var ErrNoTarget = errors.New("no such target of notices")

// A Notice is what is told.
type Notice struct {
	// Cause names what it is about, once and for all: for each there is at most one notice.
	Cause   string    `json:"cause"`
	Kind    string    `json:"kind"` // one of scenarios.NoticeKinds, or "test"
	Title   string    `json:"title"`
	Text    string    `json:"text"`
	Handset string    `json:"handset,omitempty"`
	Run     string    `json:"run,omitempty"`
	Prompt  string    `json:"prompt,omitempty"`
	At      time.Time `json:"at"`
}

// The state of a delivery.
const (
	Waiting = "waiting" // to be sent, or to be tried again
	Sending = "sending" // under way
	Sent    = "sent"    // the other side took it
	Failed  = "failed"  // given up: Error says why
	Unknown = "unknown" // it may have arrived; it is not sent again
)

// A Delivery is a notice on its way to one target.
type Delivery struct {
	Target string    `json:"target"`
	State  string    `json:"state"`
	Tries  int       `json:"tries"`
	LastAt time.Time `json:"last_at,omitzero"` // of the latest try
	NextAt time.Time `json:"next_at,omitzero"` // of the next one
	Error  string    `json:"error,omitempty"`  // of the latest try that failed
}

// A Record is a notice with what became of it.
type Record struct {
	ID         string     `json:"id"`
	Notice     Notice     `json:"notice"`
	Deliveries []Delivery `json:"deliveries"`
}

func (r Record) pending() bool {
	return slices.ContainsFunc(r.Deliveries, func(d Delivery) bool { return d.State == Waiting || d.State == Sending })
}

// clock is the daemon's.
type clock interface {
	Now() time.Time
	Sleep(ctx context.Context, d time.Duration) error
}

// Config is what a Sender is made of.
type Config struct {
	Notices scenarios.Notices
	Bench   string // the bench's name, for messages
	Clock   clock
	Log     zerolog.Logger
	// Changed is told when the state of a delivery has changed; may be nil.
	Changed func(Record, Delivery)
}

// A Sender sends notices. Its methods may be called from any goroutine.
type Sender struct {
	c     Config
	wires map[string]wire
	limit time.Duration // of one try, real time

	mu    sync.Mutex
	store *results.Store
	open  map[string]*Record // with deliveries that wait, by ID
	lost  map[string]lost    // what did not arrive since something last did, by target
	wake  chan struct{}
}

// lost is what did not arrive at a target since something last did.
type lost struct {
	count int
	err   string // of the latest
}

// count counts a delivery that has its end.
func (s *Sender) count(d Delivery) {
	switch d.State {
	case Sent:
		delete(s.lost, d.Target)
	case Failed, Unknown:
		s.lost[d.Target] = lost{s.lost[d.Target].count + 1, d.Error}
	}
}

// documentsNotices is the store's kind of notices, by ID.
const documentsNotices = "notices"

// recordsKept is for how long what became of a notice is kept.
const recordsKept = 90 * 24 * time.Hour

// New returns a sender; Open must follow before anything is posted.
func New(c Config) *Sender {
	s := &Sender{c: c, limit: sendLimit, wires: map[string]wire{}, open: map[string]*Record{}, lost: map[string]lost{}, wake: make(chan struct{})}
	for _, t := range c.Notices.Targets {
		s.wires[t.Name] = wireTo(t)
	}
	return s
}

// Open takes up what was on its way when the daemon stopped or died, and says in the log
// which targets cannot be reached for want of a secret. Records that cannot be read are
// left out and named in the error.
func (s *Sender) Open(store *results.Store) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.store = store
	list, bad := results.Documents[Record](store, documentsNotices)
	slices.SortStableFunc(list, func(a, b Record) int { return a.Notice.At.Compare(b.Notice.At) })
	for _, r := range list {
		for _, d := range r.Deliveries {
			s.count(d)
		}
		if !r.pending() {
			if s.c.Clock.Now().Sub(r.Notice.At) > recordsKept {
				bad = errors.Join(bad, store.DeleteDocument(documentsNotices, r.ID))
			}
			continue
		}
		changed := false
		for i := range r.Deliveries {
			d := &r.Deliveries[i]
			w := s.wires[d.Target]
			switch {
			case d.State != Waiting && d.State != Sending:
			case w == nil:
				d.State, d.Error, changed = Failed, "the plan file does not name this target any more", true
			case d.State == Sending && w.repeatable():
				d.State, changed = Waiting, true
			case d.State == Sending:
				d.State, d.Error, changed = Unknown, "the daemon ended while it was being sent", true
			}
		}
		if changed {
			bad = errors.Join(bad, store.PutDocument(documentsNotices, r.ID, r))
		}
		if r.pending() {
			s.open[r.ID] = &r
		}
	}
	for _, t := range s.c.Notices.Targets {
		if err := s.wires[t.Name].ready(); err != nil {
			s.c.Log.Error().Err(err).Str("target", t.Name).Msg("notices cannot be sent there")
		}
	}
	return bad
}

// Post takes a notice to be sent to every target that wants its kind. A cause that was
// posted before is left alone. It does not wait for anything but the store.
func (s *Sender) Post(n Notice) error {
	var to []Delivery
	for _, t := range s.c.Notices.Targets {
		if slices.Contains(t.About, n.Kind) {
			to = append(to, Delivery{Target: t.Name, State: Waiting, NextAt: n.At})
		}
	}
	if len(to) == 0 {
		return nil
	}
	sum := sha256.Sum256([]byte(n.Cause))
	r := Record{ID: "n" + hex.EncodeToString(sum[:8]), Notice: n, Deliveries: to}
	s.mu.Lock()
	defer s.mu.Unlock()
	var before Record
	switch err := s.store.Document(documentsNotices, r.ID, &before); {
	case err == nil:
		return nil
	case !errors.Is(err, results.ErrNotFound):
		return err
	}
	if err := s.store.PutDocument(documentsNotices, r.ID, r); err != nil {
		return err
	}
	s.open[r.ID] = &r
	close(s.wake)
	s.wake = make(chan struct{})
	return nil
}

// Run sends until ctx ends, each target by itself: one that does not answer holds up none
// of the others.
func (s *Sender) Run(ctx context.Context) {
	var wg sync.WaitGroup
	for _, t := range s.c.Notices.Targets {
		wg.Go(func() { s.serve(ctx, t.Name) })
	}
	wg.Wait()
}

// serve sends what is due to one target, the oldest first.
func (s *Sender) serve(ctx context.Context, target string) {
	for ctx.Err() == nil {
		r, wait, woken := s.due(target)
		if r == nil {
			s.sleep(ctx, wait, woken)
			continue
		}
		if err := s.deliver(ctx, *r, target); err != nil {
			s.c.Log.Error().Err(err).Str("target", target).Msg("what became of a notice could not be stored")
			s.sleep(ctx, time.Minute, nil)
		}
	}
}

const longestWait = time.Hour

// due returns the oldest notice that is to be sent to a target now, or how long to wait
// for one and what ends the wait early.
func (s *Sender) due(target string) (found *Record, wait time.Duration, woken <-chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.c.Clock.Now()
	wait = longestWait
	for _, r := range s.open {
		for _, d := range r.Deliveries {
			if d.Target != target || d.State != Waiting {
				continue
			}
			if left := d.NextAt.Sub(now); left > 0 {
				wait = min(wait, left)
			} else if found == nil || r.Notice.At.Before(found.Notice.At) {
				copied := *r
				found = &copied
			}
		}
	}
	return found, wait, s.wake
}

// sleep waits by the daemon's clock, or until woken.
func (s *Sender) sleep(ctx context.Context, long time.Duration, woken <-chan struct{}) {
	ctx, cancel := context.WithCancel(ctx)
	slept := make(chan struct{})
	go func() {
		defer close(slept)
		_ = s.c.Clock.Sleep(ctx, long)
	}()
	select {
	case <-woken:
	case <-slept:
	}
	cancel()
	<-slept
}

// sendLimit is how long one try may take, real time.
const sendLimit = 30 * time.Second

// deliver tries once. That it is being sent is stored before it is.
func (s *Sender) deliver(ctx context.Context, r Record, target string) error {
	now := s.c.Clock.Now()
	if _, err := s.change(r.ID, target, func(d *Delivery) { d.State, d.Tries, d.LastAt = Sending, d.Tries+1, now }); err != nil {
		return err
	}
	bounded, cancel := context.WithTimeout(ctx, s.limit)
	failed := s.wires[target].send(bounded, message{Record: r, bench: s.c.Bench})
	cancel()
	if failed != nil && ctx.Err() != nil && s.wires[target].repeatable() {
		return nil // the daemon stops: it is tried again by the next one
	}
	now = s.c.Clock.Now()
	d, err := s.change(r.ID, target, func(d *Delivery) {
		d.NextAt = time.Time{}
		var bad *failure
		switch errors.As(failed, &bad); {
		case failed == nil:
			d.State, d.Error = Sent, ""
			return
		case bad != nil && bad.unsure && !s.wires[target].repeatable():
			d.State = Unknown
		case bad != nil && bad.refused:
			d.State = Failed
		default:
			d.State, d.NextAt = Waiting, now.Add(retryAfter(d.Tries))
			if d.NextAt.Sub(r.Notice.At) > s.c.Notices.RetryFor {
				d.State, d.NextAt = Failed, time.Time{}
			}
		}
		d.Error = failed.Error()
	})
	if err != nil {
		return err
	}
	said := s.c.Log.Info()
	if d.State != Sent {
		said = s.c.Log.Warn().Str("error", d.Error)
	}
	said.Str("target", target).Str("kind", r.Notice.Kind).Str("notice", r.ID).Str("handset", r.Notice.Handset).Int("try", d.Tries).Str("state", d.State).Msg("notice")
	return nil
}

// retryAfter is the wait before the try that follows so many: half a minute, doubled up to
// half an hour.
func retryAfter(tries int) time.Duration {
	return min(30*time.Second<<min(tries-1, 10), 30*time.Minute)
}

// change changes a delivery and stores it before it counts.
func (s *Sender) change(id, target string, f func(*Delivery)) (Delivery, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.open[id]
	if r == nil {
		return Delivery{}, fmt.Errorf("notice %s: %w", id, results.ErrNotFound)
	}
	next := *r
	next.Deliveries = slices.Clone(r.Deliveries)
	i := slices.IndexFunc(next.Deliveries, func(d Delivery) bool { return d.Target == target })
	f(&next.Deliveries[i])
	if err := s.store.PutDocument(documentsNotices, id, next); err != nil {
		return next.Deliveries[i], err
	}
	*r = next
	s.count(next.Deliveries[i])
	if !r.pending() {
		delete(s.open, id)
	}
	if s.c.Changed != nil {
		s.c.Changed(next, next.Deliveries[i])
	}
	return next.Deliveries[i], nil
}

// List returns the notices, newest first. What cannot be read is left out and named in
// the error.
func (s *Sender) List() ([]Record, error) {
	list, err := results.Documents[Record](s.store, documentsNotices)
	slices.SortStableFunc(list, func(a, b Record) int { return b.Notice.At.Compare(a.Notice.At) })
	if list == nil {
		list = []Record{}
	}
	return list, err
}

// A Trial is what came of a test notice to one target.
type Trial struct {
	Target string `json:"target"`
	Kind   string `json:"kind"` // "webhook", "email", "chat"
	Sent   bool   `json:"sent"`
	Error  string `json:"error,omitempty"`
}

// Test sends a notice that is marked as a test to one target, or to all where target is
// empty, and waits for the answers. It is tried once and kept nowhere.
func (s *Sender) Test(ctx context.Context, target string) ([]Trial, error) {
	trials := []Trial{}
	for _, t := range s.c.Notices.Targets {
		if target == "" || target == t.Name {
			trials = append(trials, Trial{Target: t.Name, Kind: kindOf(t)})
		}
	}
	if len(trials) == 0 && target != "" {
		return nil, fmt.Errorf("%w: %q; there are %v", ErrNoTarget, target, s.names())
	}
	now := s.c.Clock.Now().UTC()
	n := Notice{Cause: "test " + now.Format(time.RFC3339Nano), Kind: "test", Title: "a test", Text: "Somebody tries whether notices arrive. Nothing is to be done.", At: now}
	sum := sha256.Sum256([]byte(n.Cause))
	var wg sync.WaitGroup
	for i := range trials {
		wg.Go(func() {
			bounded, cancel := context.WithTimeout(ctx, s.limit)
			defer cancel()
			err := s.wires[trials[i].Target].send(bounded, message{Record: Record{ID: "n" + hex.EncodeToString(sum[:8]), Notice: n}, bench: s.c.Bench})
			if trials[i].Sent = err == nil; err != nil {
				trials[i].Error = err.Error()
			}
		})
	}
	wg.Wait()
	return trials, nil
}

func (s *Sender) names() []string {
	names := []string{}
	for _, t := range s.c.Notices.Targets {
		names = append(names, t.Name)
	}
	return names
}

// A Status is a target as the plan file has it, and what keeps it from being used.
type Status struct {
	Target  string   `json:"target"`
	Kind    string   `json:"kind"` // "webhook", "email", "chat"
	About   []string `json:"about"`
	Problem string   `json:"problem,omitempty"` // such as a secret that is missing
	// Undelivered is how many notices did not arrive since the last one that did, and
	// Error why the latest of them did not.
	Undelivered int    `json:"undelivered"`
	Error       string `json:"error,omitempty"`
}

// Targets are all targets, in the plan file's order.
func (s *Sender) Targets() []Status {
	list := []Status{}
	for _, t := range s.c.Notices.Targets {
		one := Status{Target: t.Name, Kind: kindOf(t), About: t.About}
		if err := s.wires[t.Name].ready(); err != nil {
			one.Problem = err.Error()
		}
		s.mu.Lock()
		one.Undelivered, one.Error = s.lost[t.Name].count, s.lost[t.Name].err
		s.mu.Unlock()
		list = append(list, one)
	}
	return list
}

func kindOf(t scenarios.NoticeTarget) string {
	switch {
	case t.Webhook != nil:
		return "webhook"
	case t.Email != nil:
		return "email"
	}
	return "chat"
}
