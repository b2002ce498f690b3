package orchestrator

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"rundown/devices/preconditions"
	"rundown/results"
	"rundown/scenarios"
)

// documentsQueue is the store's kind of queue items, by item ID.
const documentsQueue = "queue"

// An ItemState is where a queued plan stands.
type ItemState string

// The states of an item.
const (
	Waiting   ItemState = "waiting"
	Running   ItemState = "running"
	Ended     ItemState = "ended"     // its run is over, Outcome says how
	Cancelled ItemState = "cancelled" // before it began, or while it ran
	Missed    ItemState = "missed"    // its window closed before it could begin
)

// An Item is one plan queued for one handset. It holds the plan as it was when it was
// queued: a plan file that changes later does not change what is queued.
type Item struct {
	ID       string    `json:"id"`
	Handset  string    `json:"handset"`
	Plan     string    `json:"plan"`
	Night    string    `json:"night,omitempty"`
	QueuedAt time.Time `json:"queued_at"`
	// NotBefore is when it may begin, FinishBy when it must have ended; zero: no bound.
	NotBefore time.Time `json:"not_before,omitzero"`
	FinishBy  time.Time `json:"finish_by,omitzero"`
	State     ItemState `json:"state"`
	Paused    bool      `json:"paused"`
	RunID     string    `json:"run_id,omitempty"`
	Outcome   string    `json:"outcome,omitempty"`
	Order     Order     `json:"order"`
}

// An Order is a plan with all that it refers to, as resolved when it was queued.
type Order struct {
	Plan      scenarios.Plan                `json:"plan"`
	PlanHash  string                        `json:"plan_hash"`
	Set       preconditions.Set             `json:"set"`
	Scenarios map[string]scenarios.Scenario `json:"scenarios"`
}

// list is the plan's segments with repeats laid end to end.
func (o Order) list() []scenarios.Segment {
	var all []scenarios.Segment
	for range max(1, o.Plan.Repeat) {
		all = append(all, o.Plan.Segments...)
	}
	return all
}

// ErrNoItem means that the queue has no item of this identifier.
var ErrNoItem = errors.New("no such item in the queue")

// ErrNotNow means that the request does not fit the state that the item is in.
var ErrNotNow = errors.New("not possible now")

// A queue holds the items, in the store and in memory. Its methods may be called from
// any goroutine. Whoever changes something holds writing from before it reads until memory
// has what the store has; mu is held for as long as memory is touched and never over the
// disk, so that readers do not wait for it.
type queue struct {
	store   *results.Store
	writing sync.Mutex
	mu      sync.Mutex
	items   map[string]*Item
	order   []*Item       // the same, oldest first
	wake    chan struct{} // closed and made anew at every change
}

func openQueue(store *results.Store) (*queue, error) {
	q := &queue{store: store, items: map[string]*Item{}, wake: make(chan struct{})}
	list, err := results.Documents[Item](store, documentsQueue)
	for _, it := range list {
		q.items[it.ID] = &it
		q.order = append(q.order, &it)
	}
	slices.SortFunc(q.order, older)
	return q, err
}

// older orders items by when they were queued; those of one instant by their identifiers.
func older(a, b *Item) int {
	if c := a.QueuedAt.Compare(b.QueuedAt); c != 0 {
		return c
	}
	return strings.Compare(a.ID, b.ID)
}

// changed returns a channel that is closed at the next change of the queue.
func (q *queue) changed() <-chan struct{} {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.wake
}

// nudge wakes whoever waits for a change.
func (q *queue) nudge() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.signal()
}

func (q *queue) signal() {
	close(q.wake)
	q.wake = make(chan struct{})
}

// add stores items and makes them available, all or none of them. One that is there
// already, from before a crash, stays as it is.
func (q *queue) add(items []Item) error {
	q.writing.Lock()
	defer q.writing.Unlock()
	items = slices.DeleteFunc(slices.Clone(items), func(it Item) bool {
		_, there := q.item(it.ID)
		return there
	})
	documents := map[string]any{}
	for _, it := range items {
		documents[it.ID] = it
	}
	if err := q.store.PutDocuments(documentsQueue, documents); err != nil {
		return err
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, it := range items {
		q.items[it.ID] = &it
		at, _ := slices.BinarySearchFunc(q.order, &it, older)
		q.order = slices.Insert(q.order, at, &it)
	}
	q.signal()
	return nil
}

// change applies f to an item and stores it; f's error leaves the item as it was.
func (q *queue) change(id string, f func(*Item) error) (Item, error) {
	q.writing.Lock()
	defer q.writing.Unlock()
	was, ok := q.item(id)
	if !ok {
		return Item{}, fmt.Errorf("%s: %w", id, ErrNoItem)
	}
	changed := was
	if err := f(&changed); err != nil {
		return was, err
	}
	if err := q.store.PutDocument(documentsQueue, id, changed); err != nil {
		return was, err
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	*q.items[id] = changed
	q.signal()
	return changed, nil
}

func (q *queue) item(id string) (Item, bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	it, ok := q.items[id]
	if !ok {
		return Item{}, false
	}
	return *it, true
}

// all returns every item, oldest first.
func (q *queue) all() []Item {
	q.mu.Lock()
	defer q.mu.Unlock()
	list := make([]Item, len(q.order))
	for i, it := range q.order {
		list[i] = *it
	}
	return list
}

// nextFor returns the oldest item that may begin on a handset now.
func (q *queue) nextFor(handset string, now time.Time) (Item, bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, it := range q.order {
		if it.Handset == handset && it.State == Waiting && !it.Paused && !now.Before(it.NotBefore) {
			return *it, true
		}
	}
	return Item{}, false
}

// cancel ends an item: at once when it waits, at the next look when it runs.
func (q *queue) cancel(id string) (Item, error) {
	return q.change(id, func(it *Item) error {
		switch it.State {
		case Waiting:
			it.State, it.Outcome = Cancelled, "cancelled before it began"
		case Running:
			it.State = Cancelled // the run sees it, ends, and fills in the outcome
		default:
			return fmt.Errorf("%s: cancel: %w: it is %s", id, ErrNotNow, it.State)
		}
		return nil
	})
}

// pause pauses an item, or lets it go on; a running one is paused before its next segment.
func (q *queue) pause(id string, paused bool) (Item, error) {
	return q.change(id, func(it *Item) error {
		if it.State != Waiting && it.State != Running {
			return fmt.Errorf("%s: %w: it is %s", id, ErrNotNow, it.State)
		}
		it.Paused = paused
		return nil
	})
}
