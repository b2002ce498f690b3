package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"time"

	"rundown/devices/gates"
	"rundown/results"
)

// What no command can answer, such as a browser's question whether a page may use the
// camera, a person is asked for: once on a handset, since apps remember.

// documentsLetThrough is the store's kind for scenarios with such a question that have run
// on a handset: what they ask was answered there.
const documentsLetThrough = "let through"

// A letThrough says when a scenario that asks something ran on a handset last.
type letThrough struct {
	At    time.Time `json:"at"`
	Build string    `json:"build"` // of the system, then
}

func letThroughOn(handset, scenario string) string { return handset + "\x00" + scenario }

const (
	askAfter = time.Minute     // without evidence, before a person is asked
	askLimit = 8 * time.Minute // how long the question stands
)

// Answers to such a question.
const (
	askDone  = "done"
	askLeave = "give the segment up"
)

// A personAsked is a question to a person that stands while a segment settles.
type personAsked struct {
	end    context.CancelCauseFunc
	done   chan struct{} // closed when it has its answer
	answer Answer
}

// open reports whether the question still stands.
func (a *personAsked) open() bool {
	if a == nil {
		return false
	}
	select {
	case <-a.done:
		return false
	default:
		return true
	}
}

// stop withdraws the question and waits until it is gone.
func (a *personAsked) stop(cause error) {
	if a != nil {
		a.end(cause)
		<-a.done
	}
}

// askPerson sees to the question of a scenario whose evidence does not come. It reports
// whether the segment has to be waited with: nothing is brought back while a person has
// the handset in hand.
func (r *run) askPerson(ctx context.Context) (wait bool, event Event, err error) {
	g := r.live
	switch {
	case g.scenario.Ask == "" || r.e.State != Settling && g.asking == nil:
		return false, "", nil
	case g.witness.never() == "":
		g.asking.stop(gates.ErrSeen)
		return false, "", r.rememberLetThrough()
	case r.e.State != Settling:
		return false, "", nil
	case g.asking.open():
		return true, "", nil
	case g.asking != nil && g.asking.answer.Choice == askDone:
		g.asking = nil
		r.provenFrom(g.lookedAt) // it has its time anew, from here on
		return true, "", nil
	case g.asking != nil:
		event, err := r.spoil("%s; %s", g.witness.never(), r.sayUnanswered(g.asking.answer))
		return false, event, err
	case g.u.Revivals > 0 || g.lookedAt.Sub(r.activityAt()) < askAfter:
		return false, "", nil
	}
	asked, end := context.WithCancelCause(ctx)
	a := &personAsked{end: end, done: make(chan struct{})}
	g.asking = a
	q := Prompt{
		Handset: r.h.Name, Run: r.e.RunID, Segment: g.u.ID, Text: g.scenario.Ask, Why: r.whyAsked(), Limit: askLimit,
		Choices: []string{askDone, askLeave}, Default: askLeave,
	}
	go func() {
		defer close(a.done)
		answer, err := r.d.prompt(asked, q)
		if err != nil && asked.Err() == nil {
			r.log.Error().Err(err).Msg("a person could not be asked")
		}
		a.answer = answer
	}()
	return true, "", nil
}

// activityAt is when the activity of the segment under way began, by the host's clock.
func (r *run) activityAt() time.Time { return r.live.u.hostAt(int64(r.live.rec.ActivityUpS * 1000)) }

func (r *run) sayUnanswered(a Answer) string {
	if a.ByDefault || a.Choice == "" {
		return "nobody answered on the handset: " + r.live.scenario.Ask
	}
	return "given up by " + a.By
}

// whyAsked says why a person is needed: what the page itself says, what is missing, and
// whether it has run on this handset before.
func (r *run) whyAsked() string {
	g := r.live
	said := fmt.Sprintf("%s runs on %s, and there is %s", g.scenario.Name, r.h.Name, g.witness.never())
	if g.session != nil {
		if problem := g.session.Problem(); problem != "" {
			said += "; the page says: " + problem
		}
	}
	switch before, err := r.d.letThrough(r.h.Name, g.scenario.Name); {
	case err != nil:
	case before.Build != r.rec.Handset.Build:
		said += fmt.Sprintf("; it last ran here on %s, before the system was updated", before.At.Format(time.DateOnly))
	default:
		said += fmt.Sprintf("; it last ran here on %s, so that something else may be the matter", before.At.Format(time.DateOnly))
	}
	return said
}

func (d *Daemon) letThrough(handset, scenario string) (before letThrough, err error) {
	return before, d.store.Document(documentsLetThrough, letThroughOn(handset, scenario), &before)
}

// rememberLetThrough notes that the scenario runs on the handset as it is.
func (r *run) rememberLetThrough() error {
	before, err := r.d.letThrough(r.h.Name, r.live.scenario.Name)
	if err == nil && before.Build == r.rec.Handset.Build && r.live.asking == nil {
		return nil
	}
	r.live.asking = nil
	return stored(r.d.store.PutDocument(documentsLetThrough, letThroughOn(r.h.Name, r.live.scenario.Name), letThrough{At: r.d.now().UTC(), Build: r.rec.Handset.Build}))
}

// firstTimes are cautions about scenarios of an order that ask something of a person and
// have never run on a handset.
func (d *Daemon) firstTimes(o Order, handset string) []string {
	var list []string
	for _, name := range o.names() {
		s := o.Scenarios[name]
		if s.Ask == "" {
			continue
		}
		if _, err := d.letThrough(handset, name); errors.Is(err, results.ErrNotFound) {
			list = append(list, fmt.Sprintf("%s has not run on %s before. Stay near until its first evidence has come: %s", name, handset, s.Ask))
		}
	}
	return list
}

// names are the scenarios of an order, each once, in the order of its segments.
func (o Order) names() []string {
	var list []string
	seen := map[string]bool{}
	for _, at := range o.Plan.Segments {
		if !seen[at.Scenario] {
			seen[at.Scenario] = true
			list = append(list, at.Scenario)
		}
	}
	return list
}
