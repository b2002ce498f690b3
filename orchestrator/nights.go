package orchestrator

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"rundown/results/reading"
	"rundown/scenarios"
)

// nightLook is how often the nights' windows are looked at. A window is found again after
// the host slept or its clock was set, because each look starts from the present.
const nightLook = 30 * time.Second

// documentsNights is the store's kind for nights already queued, by name and start.
const documentsNights = "nights"

// watchNights queues each night's plan when its window opens, once per window.
func (d *Daemon) watchNights(ctx context.Context) {
	for {
		for _, name := range slices.Sorted(maps.Keys(d.file.Nights)) {
			if err := d.openNight(d.file.Nights[name]); err != nil {
				d.log.Error().Err(err).Str("night", name).Msg("the night could not be queued")
			}
		}
		d.backUpDue()
		if d.clock.Sleep(ctx, nightLook) != nil {
			return
		}
	}
}

// openNight queues a night whose window is open and that was not queued for it before.
func (d *Daemon) openNight(n scenarios.Night) error {
	start, end, open := n.WindowAt(d.now())
	if !open {
		return nil
	}
	// The civil day names the window: where clocks go back, the hour that comes twice is one.
	id := fmt.Sprintf("%s/%s", n.Name, start.Format(time.DateOnly))
	var done bool
	if err := d.store.Document(documentsNights, id, &done); err == nil {
		return nil
	}
	items, err := d.enqueue(Request{Plan: n.Plan, Handsets: n.Handsets, Night: n.Name, FinishBy: end}, func(handset string) string {
		// The same after a crash in the middle of queueing, so that no handset gets two.
		sum := sha256.Sum256([]byte(n.Name + "\x00" + handset))
		return "q" + start.UTC().Format("20060102150405") + "-" + hex.EncodeToString(sum[:4])
	})
	if err != nil {
		return err
	}
	d.publish(Change{Kind: "night", Text: fmt.Sprintf("night %s begins: %s on %d handsets, to end by %s", n.Name, n.Plan, len(items), end.Format("15:04"))})
	return d.store.PutDocument(documentsNights, id, true)
}

// A Request asks for a plan to be queued.
type Request struct {
	Plan      string    `json:"plan"`
	Handsets  []string  `json:"handsets"` // names; empty: every handset of the bench
	Night     string    `json:"night,omitempty"`
	NotBefore time.Time `json:"not_before,omitzero"`
	FinishBy  time.Time `json:"finish_by,omitzero"`
}

// ErrRequest means that a request names something that the plan file does not have.
var ErrRequest = reading.ErrRequest

// Enqueue queues a plan for handsets, all or none. An unknown name is an ErrRequest that
// lists the known ones.
func (d *Daemon) Enqueue(q Request) ([]Item, error) {
	return d.enqueue(q, func(string) string { return newID("q", d.now()) })
}

func (d *Daemon) enqueue(q Request, id func(handset string) string) ([]Item, error) {
	order, err := d.order(q.Plan)
	if err != nil {
		return nil, err
	}
	if err := Playable(d.file, q.Plan); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrRequest, err)
	}
	names := q.Handsets
	if len(names) == 0 {
		for _, h := range d.file.Bench.Handsets {
			names = append(names, h.Name)
		}
	}
	if !q.FinishBy.IsZero() && !q.FinishBy.After(d.now()) {
		return nil, fmt.Errorf("%w: finish_by %s is not ahead", ErrRequest, q.FinishBy.Format(time.RFC3339))
	}
	var items []Item
	for _, name := range names {
		h, ok := d.file.Handset(name)
		if !ok {
			return nil, fmt.Errorf("%w: no handset %q on the bench; there are %s", ErrRequest, name, d.handsetNames())
		}
		if slices.ContainsFunc(items, func(it Item) bool { return it.Handset == name }) {
			return nil, fmt.Errorf("%w: handset %q is named twice", ErrRequest, name)
		}
		if err := errors.Join(d.canCharge(order, name), d.canCall(order, h)); err != nil {
			return nil, err
		}
		items = append(items, Item{
			ID: id(name), Handset: name, Plan: q.Plan, Night: q.Night, QueuedAt: d.now(),
			NotBefore: q.NotBefore, FinishBy: q.FinishBy, State: Waiting, Order: order,
		})
	}
	if err := d.queue.add(items); err != nil {
		return nil, err
	}
	for _, it := range items {
		d.publish(Change{Kind: "queue", Handset: it.Handset, Text: "queued: " + it.Plan})
	}
	return items, nil
}

// order resolves a plan with all that it refers to.
func (d *Daemon) order(plan string) (Order, error) {
	p, ok := d.file.Plans[plan]
	if !ok {
		return Order{}, fmt.Errorf("%w: no plan %q in the plan file; there are %v", ErrRequest, plan, slices.Sorted(maps.Keys(d.file.Plans)))
	}
	o := Order{Plan: p, PlanHash: d.file.PlanHash(plan), Set: d.file.Preconditions[p.Preconditions], Scenarios: map[string]scenarios.Scenario{}}
	for _, s := range p.Segments {
		o.Scenarios[s.Scenario] = d.file.Scenarios[s.Scenario]
	}
	return o, nil
}

// canCharge refuses a plan with a charge for a handset whose power nothing can switch.
func (d *Daemon) canCharge(o Order, handset string) error {
	for _, at := range o.list() {
		if at.EndsBy(o.Scenarios[at.Scenario]) == scenarios.UntilFull && d.gates[handset] == nil {
			return fmt.Errorf("%w: %s charges, and %s has no power gate: set one up under power_gate in the plan file", ErrRequest, at.Scenario, handset)
		}
	}
	return nil
}

func (d *Daemon) handsetNames() []string {
	var names []string
	for _, h := range d.file.Bench.Handsets {
		names = append(names, h.Name)
	}
	return names
}
